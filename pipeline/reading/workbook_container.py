"""The zip file around a workbook: examined before any library opens it.

A workbook comes from outside. What is refused here could fill the memory or the time of the machine:
parts that unpack to very much, part lists that contradict themselves, and document type definitions,
which workbooks do not use and which can name themselves over and over.
"""

import zipfile
from collections.abc import Iterator
from io import BytesIO

from schemas.errors import DeliveryError

MOST_UNPACKED = 2 * 1024**3
"""Bytes of all parts, unpacked. Common practice, no source."""

MOST_PARTS = 10_000
"""Parts of the zip file. Common practice, no source."""

HIGHEST_RATIO = 200
"""Unpacked to packed size of a part over ``_LARGE``. Common practice, no source."""

DAMAGED = (
    "the workbook is damaged, or is none",
    "Open it in a spreadsheet program, save it again and compare the size after copying.",
)
"""Problem and remedy of a workbook that cannot be opened."""

LOCKED = (
    "the workbook is protected by a password",
    "Save it without a password and send that.",
)
"""Problem and remedy of a workbook with a password."""

_NOT_OPENED = "the workbook is not opened, because "
_REMEDY = "Save it anew in a spreadsheet program, or export as CSV."
_LARGE = 10 * 1024**2
_CHUNK = 8 * 1024**2
_READ = (".xml", ".rels", ".bin")
_TYPE_DEFINITION = (b"<!DOCTYPE", b"<!ENTITY")
_OLE = b"\xd0\xcf\x11\xe0"
_LOCKED = "EncryptedPackage".encode("utf-16-le")  # [MS-OFFCRYPTO] 2.3.4.4


def open_container(received: bytes, name: str) -> zipfile.ZipFile | None:
    """Examine a workbook and open its zip file.

    Parameters
    ----------
    received : bytes
        The workbook.
    name : str
        Its name, for messages.

    Returns
    -------
    zipfile.ZipFile or None
        None for a workbook of the old kind (``.xls``), which is no zip file.

    Raises
    ------
    DeliveryError
        If it has a password, is damaged, or is built to do harm.
    """
    if received.startswith(_OLE):
        if _LOCKED in received:
            raise DeliveryError(name, *LOCKED)
        return None
    try:
        container = zipfile.ZipFile(BytesIO(received))
        parts = container.infolist()
        _check_sizes(parts, name)
        for part in parts:
            if part.filename.lower().endswith(_READ):
                _check_part(container, part, name)
    except (zipfile.BadZipFile, EOFError, OSError, ValueError, NotImplementedError) as problem:
        raise DeliveryError(name, *DAMAGED) from problem
    except zipfile.zlib.error as problem:  # type: ignore[attr-defined]
        raise DeliveryError(name, *DAMAGED) from problem
    return container


def chunks_of(container: zipfile.ZipFile, part: str) -> Iterator[bytes]:
    """Unpack a part piece by piece.

    Parameters
    ----------
    container : zipfile.ZipFile
        As ``open_container`` gave it.
    part : str
        Name of the part.

    Yields
    ------
    bytes
        Some megabytes.
    """
    with container.open(part) as stream:
        while chunk := stream.read(_CHUNK):
            yield chunk


def _check_sizes(parts: list[zipfile.ZipInfo], name: str) -> None:
    """Compare the sizes in the list of parts with what a workbook may have.

    Raises
    ------
    DeliveryError
        If it has too many or too large parts, or a password.
    """
    names = [part.filename for part in parts]
    if len(names) > MOST_PARTS:
        raise DeliveryError(name, f"{_NOT_OPENED}it has {len(names)} parts", _REMEDY)
    if len(set(names)) < len(names):
        raise DeliveryError(name, f"{_NOT_OPENED}a part stands twice in it", _REMEDY)
    total = sum(part.file_size for part in parts)
    if total > MOST_UNPACKED:
        raise DeliveryError(name, f"{_NOT_OPENED}it unpacks to {total / 1024**3:.1f} GB", _REMEDY)
    for part in parts:
        if part.flag_bits & 1:
            raise DeliveryError(name, *LOCKED)
        if part.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}:
            raise DeliveryError(name, f"{_NOT_OPENED}a part is packed in an unusual way", _REMEDY)
        if part.file_size > _LARGE and part.file_size > HIGHEST_RATIO * part.compress_size:
            ratio = part.file_size // max(part.compress_size, 1)
            raise DeliveryError(
                name, f"{_NOT_OPENED}a part unpacks to {ratio} times its size", _REMEDY
            )


def _check_part(container: zipfile.ZipFile, part: zipfile.ZipInfo, name: str) -> None:
    """Unpack a part once, which compares its size and checksum with what the list of parts says.

    Raises
    ------
    DeliveryError
        If it has a password, or holds what no spreadsheet program writes.
    """
    tail = b""
    is_markup = not part.filename.lower().endswith(".bin")
    for chunk in chunks_of(container, part.filename):
        text = tail + chunk
        if is_markup and any(mark in text for mark in _TYPE_DEFINITION):
            raise DeliveryError(name, f"{_NOT_OPENED}it holds a document type definition", _REMEDY)
        if is_markup and b"\x00" in chunk:  # UTF-16 would hide what is looked for
            raise DeliveryError(name, f"{_NOT_OPENED}a part is not written in UTF-8", _REMEDY)
        if b"encryption-data" in text and part.filename == "META-INF/manifest.xml":
            raise DeliveryError(name, *LOCKED)
        tail = chunk[-16:]
