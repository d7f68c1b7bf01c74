"""A file as it was received: its bytes, its hash, and what it really is if it is not what was declared."""

import hashlib
from pathlib import Path

from schemas.errors import DeliveryError

MOST_BYTES = 4 * 1024**3
"""Larger files are refused: a file is read in memory. Common practice, no source."""

_ZIP = b"PK\x03\x04"
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_WORKBOOK_PARTS = (b"xl/workbook", b"content.xml", b"[Content_Types].xml")

# First bytes of well-known kinds of files; each from the specification of that format.
_KINDS: tuple[tuple[bytes, str, str], ...] = (
    (_OLE, "a workbook of an old kind, or one with a password", "workbook"),
    (b"PAR1", "a Parquet file", "parquet"),
    (b"%PDF-", "a PDF document", ""),
    (b"{\\rtf", "a formatted text document (RTF)", ""),
    (b"\x1f\x8b", "a compressed file (gzip)", ""),
    (b"\x28\xb5\x2f\xfd", "a compressed file (Zstandard)", ""),
    (b"BZh", "a compressed file (bzip2)", ""),
    (b"\xfd7zXZ\x00", "a compressed file (xz)", ""),
    (b"7z\xbc\xaf\x27\x1c", "a compressed file (7z)", ""),
    (b"Rar!\x1a\x07", "a compressed file (RAR)", ""),
    (b"SQLite format 3\x00", "a database (SQLite)", ""),
    (b"\x89PNG\r\n", "a picture", ""),
    (b"\xff\xd8\xff", "a picture", ""),
)
_MARKUP = (b"<!doctype", b"<html", b"<?xml", b"<table")


def receive(path: Path) -> bytes:
    """Read a file once, whole: what is hashed is what is read.

    Parameters
    ----------
    path : pathlib.Path
        The file.

    Returns
    -------
    bytes
        Its bytes.

    Raises
    ------
    DeliveryError
        If it is missing, no regular file, not readable, too large or empty.
    """
    try:
        if path.is_dir():
            raise DeliveryError(str(path), "this is a folder", "Name the export file in it.")
        size = path.stat().st_size
        if not path.is_file():  # a pipe would wait for ever
            raise DeliveryError(str(path), "this is not a file", "Name the export file.")
        if size > MOST_BYTES:
            raise DeliveryError(
                path.name,
                f"the file has {size / 1024**3:.1f} GB, more than {MOST_BYTES // 1024**3} GB",
                "Export it in several parts.",
            )
        received = path.read_bytes()
    except FileNotFoundError:
        raise DeliveryError(
            str(path), "there is no such file", "Check the path and the name of the file."
        ) from None
    except (
        OSError,
        RuntimeError,
        ValueError,
    ) as problem:  # a loop of links, a name with a zero byte
        reason = getattr(problem, "strerror", None) or "unknown reason"
        raise DeliveryError(
            str(path), f"cannot be read ({reason})", "Check that you may read the file."
        ) from problem
    if not received[:4096].strip() and not received.strip():  # the head spares a copy of the whole
        raise DeliveryError(path.name, "the file is empty", "Export again and check its size.")
    return received


def hash_of(received: bytes) -> str:
    """Give the SHA-256 of what was received.

    Parameters
    ----------
    received : bytes
        The bytes.

    Returns
    -------
    str
        In hexadecimal.
    """
    return hashlib.sha256(received).hexdigest()


def refuse_other_kind(received: bytes, name: str, declared: str) -> None:
    """Refuse a file that is plainly of another kind than the codebook declares.

    Parameters
    ----------
    received : bytes
        The bytes.
    name : str
        Name of the file.
    declared : str
        Format that the codebook declares: ``delimited``, ``workbook``, ``ndjson`` or ``parquet``.

    Raises
    ------
    DeliveryError
        If the first bytes are those of another kind of file.
    """
    kind, file_format = _kind_of(received)
    if not kind or file_format == declared:
        return
    words = {"delimited": "delimited text", "ndjson": "NDJSON", "parquet": "a Parquet file"}
    remedy = (
        f"Write “format: {file_format}” in the codebook, or export as {words.get(declared, declared)}."
        if file_format
        else "Unpack it, or export the records themselves."
    )
    raise DeliveryError(
        name, f"this is {kind}, but the codebook says {words.get(declared, 'a workbook')}", remedy
    )


def _kind_of(received: bytes) -> tuple[str, str]:
    """Say what the first bytes tell: words, and the format where it is one that can be read."""
    head = received[:4096]
    if head.startswith(_ZIP):
        names = head + received[-65536:]  # the list of parts stands at the end
        if any(part in names for part in _WORKBOOK_PARTS):
            return "a workbook", "workbook"
        return "a compressed file (zip)", ""
    for magic, kind, file_format in _KINDS:
        if head.startswith(magic):
            return kind, file_format
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip()[:32].lower()
    if start.startswith(_MARKUP):
        return "a page in HTML or XML", ""
    return "", ""
