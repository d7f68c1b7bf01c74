"""Delimited text, read strictly as text: what the file holds, or a clear refusal.

Every record must have as many cells as the header. Libraries null-fill short records or drop long
ones silently, so the cells are counted before the file is parsed. A record with another number of
cells is torn: it alone is lost, with its line. Many such records speak for a wrong delimiter, and the
file is refused.
"""

import csv
import io
import re
from collections.abc import Iterable, Iterator
from itertools import islice

import numpy as np
import polars as pl

from pipeline.reading.decoding import decode_strictly
from pipeline.reading.header import MOST_COLUMNS, check_header
from pipeline.reading.reading import LINE, RECORD, PartText
from pipeline.reading.received import refuse_other_kind
from pipeline.reading.record_scan import Flags, Positions, Records, scan_records
from pipeline.reading.torn import ragged_rows
from schemas.errors import DeliveryError
from schemas.export_file import DelimitedFile

_BOM = b"\xef\xbb\xbf"
_DELIMITERS = (",", ";", "\t", "|")
_ROWS_AT_ONCE = 20_000
_LONGEST_HEADER = 4 * 1024**2
_CUT_OFF = -1
_UNMATCHED = (
    "the quotation marks do not match from here on",
    "Close every quotation mark; write one inside a value twice.",
)


def read_delimited(
    received: bytes, name: str, file: DelimitedFile, header_row: int | None = None
) -> PartText:
    """Read delimited text.

    Parameters
    ----------
    received : bytes
        The export.
    name : str
        Its name, for messages.
    file : DelimitedFile
        How it is written, from the codebook.
    header_row : int or None
        Line of the header, where it is another than ``file`` says. A first line such as ``sep=;`` is
        not counted, and blank lines before the header are passed over.

    Returns
    -------
    PartText
        Every record as text. Line ends inside a cell are line feeds.

    Raises
    ------
    DeliveryError
        If the bytes are not text in the declared encoding, the header has a blank or double name,
        many records have another number of cells than the header, or quotation marks do not match.
    """
    refuse_other_kind(received, name, "delimited")
    if file.delimiter == '"':
        raise DeliveryError(
            name, "a quotation mark cannot be the delimiter", "Correct it in the codebook."
        )
    text = decode_strictly(received, name, file.encoding)
    begin, line = _pass_title(text, name, file, header_row or file.header_row)
    header, begin = _header(text, begin, f"{name}, line {line}", file.delimiter)
    records = scan_records(text, begin, line + 1, file.delimiter)
    if records.starts.size == 0:
        raise DeliveryError(
            name, "the file has a header and no record", "Export again with the records in it."
        )
    if records.is_odd or text.startswith(_BOM, begin):  # polars would drop a second mark
        return _read_slowly(text[begin:], name, header, file.delimiter, line + 1)
    return _read_fast(text, name, header, file.delimiter, records)


def _pass_title(text: bytes, name: str, file: DelimitedFile, header_row: int) -> tuple[int, int]:
    """Find the header: its position and its line, both of the file as received.

    Raises
    ------
    DeliveryError
        If there is none, or the file says that its delimiter is another.
    """
    begin, line = 0, 1
    stated = re.match(rb"(?:\s*\n)?sep=([^\n])[ \t]*(?:\n|$)", text)
    if stated:
        if stated[1].decode(errors="replace") != file.delimiter:
            raise DeliveryError(
                f"{name}, line 1",
                f"the file says that its delimiter is “{stated[1].decode(errors='replace')}”",
                f"The codebook says “{file.delimiter}”: correct the one that is wrong.",
            )
        begin, line = stated.end(), 1 + text.count(b"\n", 0, stated.end())
    for _ in range(header_row - 1):
        end = text.find(b"\n", begin)
        if end < 0:
            raise DeliveryError(
                name,
                f"the codebook says that the header is on line {header_row}, but there are only {line} lines",
                "Correct header_row in the codebook.",
            )
        begin, line = end + 1, line + 1
    spaces = b" \n" if file.delimiter == "\t" else b" \t\n"
    blank = re.compile(rb"(?:[" + spaces.replace(b"\n", b"") + rb"]*\n)*").match(text, begin)
    after = blank.end() if blank else begin
    return after, line + text.count(b"\n", begin, after)


def _header(text: bytes, begin: int, place: str, delimiter: str) -> tuple[list[str], int]:
    """Give the names of the columns, and the position after them.

    Raises
    ------
    DeliveryError
        If they are too many, not closed by quotation marks, or one that holds other delimiters.
    """
    end = text.find(b"\n", begin)
    end = len(text) if end < 0 else end
    if end - begin > _LONGEST_HEADER or text.count(delimiter.encode(), begin, end) >= MOST_COLUMNS:
        raise DeliveryError(
            place,
            f"the header has more than {MOST_COLUMNS} columns, or {_LONGEST_HEADER} characters",
            "Check the delimiter in the codebook, and that this is the export meant.",
        )
    line = text[begin:end].decode()
    if line.count('"') % 2:
        raise DeliveryError(
            place, "the header has an open quotation mark", "Export with plain headers."
        )
    try:
        titles = next(csv.reader([line], delimiter=delimiter, strict=True), [])
    except csv.Error:
        raise DeliveryError(
            place, "the quotation marks of the header do not match", "Export with plain headers."
        ) from None
    others = [other for other in _DELIMITERS if other != delimiter and other in line]
    if len(titles) == 1 and others:
        shown = "a tab" if others[0] == "\t" else f"“{others[0]}”"
        raise DeliveryError(
            place,
            f"only one column was found with the delimiter “{delimiter}”, but there is {shown}",
            "State the file's true delimiter in the codebook.",
        )
    return check_header(titles, place), min(end + 1, len(text))


def _read_fast(
    text: bytes, name: str, header: list[str], delimiter: str, records: Records
) -> PartText:
    """Let polars parse the text; records that are not whole are cut out before.

    Raises
    ------
    DeliveryError
        If a quotation mark is left open before the last line.
    """
    n_cells = records.n_cells
    if records.is_open:
        # Only the last line, cut off, is one torn row. Else a mark is missing anywhere above.
        if text.find(b"\n", int(records.starts[-1])) >= 0:
            raise DeliveryError(f"{name}, about line {records.lines[-1]}", *_UNMATCHED)
        n_cells = np.append(n_cells[:-1], np.int64(_CUT_OFF))
    torn = ragged_rows(n_cells, records.lines, len(header), name)
    whole = n_cells == len(header)
    body, n_before = _body(text, records, whole if torn.height else None)
    frame = pl.read_csv(
        body,
        has_header=False,
        skip_lines=n_before,
        # Numbered as it is read: four bytes a cell, and each distinct text once.
        schema={title: pl.Categorical(pl.Categories.random()) for title in header},
        separator=delimiter,
        quote_char='"' if text.find(b'"', int(records.starts[0])) >= 0 else None,
        empty_string_is_null=False,
    )
    # An empty cell comes back as null; short rows, which polars would fill as well, were counted out.
    frame = frame.with_columns(pl.all().fill_null(""))
    return _part(frame, name, torn, np.flatnonzero(whole) + 1, records.lines[whole])


def _body(text: bytes, records: Records, whole: Flags | None) -> tuple[bytes, int]:
    """Give the text of the whole records, and the lines to skip before them."""
    if whole is None and not records.n_blank:
        # No copy. The header's line stays before the records. polars takes a text that begins with
        # x and one of four letters for a compressed one; a line before it prevents that.
        n_before = text.count(b"\n", 0, int(records.starts[0]))
        return (b"\n" + text, n_before + 1) if text.startswith(b"x") else (text, n_before)
    starts, ends = records.starts, records.ends
    if whole is not None:
        starts, ends = starts[whole], ends[whole]
    breaks = np.flatnonzero(starts[1:] != ends[:-1] + 1)
    first, last = np.append(0, breaks + 1), np.append(breaks, starts.size - 1)
    view = memoryview(text)
    spans = zip(starts[first].tolist(), ends[last].tolist(), strict=True)
    return b"\n\n" + b"\n".join(view[start:end] for start, end in spans), 2


def _part(
    frame: pl.DataFrame, name: str, torn: pl.DataFrame, records: Positions, lines: Positions
) -> PartText:
    """Put the numbers beside the rows.

    Raises
    ------
    DeliveryError
        If the two readers do not agree, which would be a fault of one of them.
    """
    n_null = sum(frame.null_count().row(0)) if frame.width else 0
    if frame.height != records.size or n_null:  # a guard: both readers must agree
        raise DeliveryError(
            name,
            f"{records.size} records were counted, {frame.height} were read",
            "Check the quotation marks in the file, and report this file's layout to the developers.",
        )
    numbers = (pl.Series(RECORD, records, dtype=pl.Int64), pl.Series(LINE, lines, dtype=pl.Int64))
    return PartText(frame.with_columns(numbers), name, torn)


def _read_slowly(
    body: bytes, name: str, header: list[str], delimiter: str, first_line: int
) -> PartText:
    """Read a text with quotation marks inside cells, one record after another."""
    n_cells: list[int] = []
    lines: list[int] = []
    frames: list[pl.DataFrame] = []
    width = len(header)
    rows = _rows_of(body, name, delimiter, first_line)
    while block := list(islice(rows, _ROWS_AT_ONCE)):
        n_cells += [len(row) for _, row in block]
        lines += [line for line, _ in block]
        whole = [row for _, row in block if len(row) == width]
        frames.append(pl.DataFrame(whole, dict.fromkeys(header, pl.String), orient="row"))
    counts, starts = np.array(n_cells, dtype=np.int64), np.array(lines, dtype=np.int64)
    torn = ragged_rows(counts, starts, width, name)
    kept = counts == width
    return _part(pl.concat(frames), name, torn, np.flatnonzero(kept) + 1, starts[kept])


def _rows_of(
    body: bytes, name: str, delimiter: str, first_line: int
) -> Iterator[tuple[int, list[str]]]:
    """Give each record with its line; a blank line is none.

    Raises
    ------
    DeliveryError
        If a quotation mark is left open, or a cell is closed and goes on.
    """
    last = [""]
    text = io.TextIOWrapper(io.BytesIO(body), encoding="utf-8", newline="\n")
    reader = csv.reader(_noted(text, last), delimiter=delimiter, strict=True)
    spaces = " \t\n".replace(delimiter, "")
    line = first_line
    try:
        for row in reader:
            if len(row) > 1 or last[0].strip(spaces):
                yield line, row
            line = first_line + reader.line_num
    except csv.Error:
        raise DeliveryError(f"{name}, about line {line}", *_UNMATCHED) from None


def _noted(lines: Iterable[str], last: list[str]) -> Iterator[str]:
    """Pass lines on, and keep the last one: only it tells a blank line from an empty cell."""
    for line in lines:
        last[0] = line
        yield line
