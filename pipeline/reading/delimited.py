"""Delimited text, read strictly as text: what the file holds, or a clear refusal.

Every record must have as many fields as the header. Libraries null-fill short records or drop long
ones silently, so the fields are counted before the file is parsed.
"""

import csv
import hashlib
import io
import re
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
import polars as pl

from schemas.codebook import DelimitedFile
from schemas.errors import DeliveryError

RECORD = "source_record"
"""Column with the number of the record, the header not counted."""

_SHOWN = 5
_HEAD = 65536
_BOM = b"\xef\xbb\xbf"
_DELIMITERS = (",", ";", "\t", "|")


@dataclass(frozen=True)
class Reading:
    """An export as text.

    Attributes
    ----------
    frame : polars.DataFrame, shape (n_records, n_columns + 1)
        One text column for each header, and ``source_record``.
    name : str
        Name of the file.
    sha256 : str
        Of the file's bytes as received.
    """

    frame: pl.DataFrame
    name: str
    sha256: str


def read_delimited(path: Path, file: DelimitedFile) -> Reading:
    """Read a delimited text file.

    Parameters
    ----------
    path : pathlib.Path
        The export.
    file : DelimitedFile
        How it is written, from the codebook.

    Returns
    -------
    Reading
        Every record as text.

    Raises
    ------
    DeliveryError
        If the file is missing, empty, not text in the declared encoding, has a header with a blank
        or double name, or records with another number of fields than the header.
    """
    received = _bytes_of(path)
    text = _as_utf8(received, path.name, file.encoding)
    header, body = _split_header(text, path.name, file.delimiter)
    _check_header(header, text, path.name, file.delimiter)
    n_records = _count_records(body, header, path.name, file.delimiter)
    if n_records == 0:
        raise DeliveryError(
            path.name, "the file has a header and no record", "Export again with the records in it."
        )
    frame = pl.read_csv(
        body,
        has_header=False,
        schema=dict.fromkeys(header, pl.String),
        separator=file.delimiter,
        quote_char='"' if b'"' in body else None,
        empty_string_is_null=False,
    )
    if frame.shape != (n_records, len(header)):  # a guard: both readers must agree
        raise DeliveryError(
            path.name,
            f"{n_records} records were counted, {frame.height} were read",
            "Check the quotation marks in the file, and report this file's layout to the developers.",
        )
    numbered = frame.with_columns(pl.int_range(1, n_records + 1, dtype=pl.Int64).alias(RECORD))
    return Reading(numbered, path.name, hashlib.sha256(received).hexdigest())


def _bytes_of(path: Path) -> bytes:
    try:
        received = path.read_bytes()
    except IsADirectoryError:
        raise DeliveryError(str(path), "this is a folder", "Name the export file in it.") from None
    except FileNotFoundError:
        raise DeliveryError(
            str(path), "there is no such file", "Check the path and the name of the file."
        ) from None
    except OSError as problem:
        reason = problem.strerror or "unknown reason"
        raise DeliveryError(
            str(path), f"cannot be read ({reason})", "Check that you may read the file."
        ) from problem
    if not received[:_HEAD].strip() and not received.strip():  # the head spares a copy of the whole
        raise DeliveryError(path.name, "the file is empty", "Export again and check its size.")
    return received


def _as_utf8(received: bytes, name: str, encoding: str) -> bytes:
    """Decode strictly once; give UTF-8 with line feeds only and without blank lines.

    Raises
    ------
    DeliveryError
        If the bytes are not text in the declared encoding.
    """
    received = received.removeprefix(_BOM)
    try:
        text = received.decode(encoding)
    except UnicodeDecodeError as problem:
        line = received[: problem.start].count(b"\n") + 1
        raise DeliveryError(
            f"{name}, line {line}",
            f"byte 0x{received[problem.start]:02x} is not text in the encoding {encoding}",
            "State the file's true encoding in the codebook (often cp1252), or export as UTF-8.",
        ) from None
    if "\x00" in text:
        raise DeliveryError(
            name,
            "the file holds zero bytes, so it is not text in the declared encoding",
            "Export as text (CSV), or state the encoding utf-16 if the file is in it.",
        )
    utf8 = received if encoding.lower().replace("_", "-") in {"utf-8", "utf8"} else text.encode()
    if b"\r" in utf8:
        utf8 = utf8.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if re.search(rb"\n[ \t]*\n", utf8) and b'"' not in utf8:
        utf8 = re.sub(rb"\n(?:[ \t]*\n)+", b"\n", utf8)
    return utf8.strip(b"\n")


def _split_header(text: bytes, name: str, delimiter: str) -> tuple[list[str], bytes]:
    first, _, rest = text.partition(b"\n")
    if re.fullmatch(rb"sep=.", first):
        if first[4:].decode() != delimiter:
            raise DeliveryError(
                f"{name}, line 1",
                f"the file says that its delimiter is “{first[4:].decode()}”",
                f"The codebook says “{delimiter}”: correct the one that is wrong.",
            )
        first, _, rest = rest.partition(b"\n")
    if first.count(b'"') % 2:
        raise DeliveryError(
            f"{name}, line 1", "the header has an open quotation mark", "Export with plain headers."
        )
    header = next(csv.reader([first.decode()], delimiter=delimiter), [])
    return [title.strip() for title in header], rest


def _check_header(header: list[str], text: bytes, name: str, delimiter: str) -> None:
    if len(header) == 1:
        line = text.partition(b"\n")[0].decode()
        others = [d for d in _DELIMITERS if d != delimiter and d in line]
        if others:
            shown = "a tab" if others[0] == "\t" else f"“{others[0]}”"
            raise DeliveryError(
                f"{name}, line 1",
                f"only one column was found with the delimiter “{delimiter}”, but there is {shown}",
                "State the file's true delimiter in the codebook.",
            )
    blank = [str(place) for place, title in enumerate(header, start=1) if not title]
    if blank:
        raise DeliveryError(
            f"{name}, line 1",
            f"column {', '.join(blank)} has no name",
            "Give every column a name, or remove empty columns at the source.",
        )
    double = sorted({title for title in header if header.count(title) > 1})
    if double:
        raise DeliveryError(
            f"{name}, line 1",
            f"the name {', '.join(double)} stands over more than one column",
            "Give every column a name of its own.",
        )


def _count_records(body: bytes, header: list[str], name: str, delimiter: str) -> int:
    if not body:
        return 0
    counts = (
        _fields_plain(body, delimiter)
        if b'"' not in body
        else _fields_quoted(body, name, delimiter)
    )
    wrong = np.flatnonzero(counts != len(header))
    if wrong.size:
        shown = ", ".join(f"record {i + 1} ({counts[i]} fields)" for i in wrong[:_SHOWN])
        more = f" and {wrong.size - _SHOWN} more" if wrong.size > _SHOWN else ""
        raise DeliveryError(
            name,
            f"the header has {len(header)} columns, but {shown}{more} differ",
            "Look for a delimiter inside a value (it needs quotation marks) or a cut-off line.",
        )
    return int(counts.size)


def _fields_plain(body: bytes, delimiter: str) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Count the fields of each line where nothing is quoted."""
    letters = np.frombuffer(body, dtype=np.uint8)
    marks = letters[(letters == ord("\n")) | (letters == ord(delimiter))]
    ends = np.append(np.flatnonzero(marks == ord("\n")), marks.size)  # the last line has no end
    return np.diff(ends, prepend=-1).astype(np.int64)


def _fields_quoted(
    body: bytes, name: str, delimiter: str
) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Count the fields of each record where quotation marks may hide delimiters and line ends.

    Raises
    ------
    DeliveryError
        If a quotation mark is left open.
    """
    lines = io.StringIO(body.decode(), newline="")
    reader = csv.reader(lines, delimiter=delimiter, strict=True)
    try:
        return np.fromiter((len(record) for record in islice(reader, None)), dtype=np.int64)
    except csv.Error as problem:
        raise DeliveryError(
            f"{name}, about line {reader.line_num + 1}",
            f"the quotation marks do not match ({problem})",
            "Close every quotation mark; write one inside a value twice.",
        ) from None
