"""NDJSON: one JSON object a line, flattened to rows of text; numbers stay as they are written.

A line that is no JSON object (RFC 8259, in UTF-8) is torn by itself. Keys are not repaired: one that
stands twice, or holds a dot and so cannot be told from a path, costs its line.
"""

import json
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from io import BytesIO
from operator import itemgetter
from typing import Any, NoReturn

import polars as pl

from pipeline.reading.decoding import drop_mark
from pipeline.reading.header import MOST_COLUMNS, check_header
from pipeline.reading.reading import LINE, RECORD, PartText
from pipeline.reading.received import refuse_other_kind
from pipeline.reading.torn import torn_rows
from schemas.errors import DeliveryError, nearest_names
from schemas.reason import Quarantine

DEEPEST = 32
"""Levels of objects; deeper ones are no export of records. Common practice, no source."""

LONGEST_CELL = 1024**2
"""Characters of one cell. Common practice, no source."""

_MOST_CELLS = 400_000_000
_ROWS_AT_ONCE = 2_000  # more objects at once keep the garbage collector busy
_SUSPECT = re.compile(rb"\\u(?:[dD]|0000)")  # half of a pair, or a zero character

_Row = dict[str, str]


class _UnreadableError(Exception):
    """What is wrong with a line, in words without its text."""


@dataclass
class _Part:
    """Rows of one part, as they gather.

    Attributes
    ----------
    path : str
        Path of the list; empty: each line is a row.
    steps : frozenset of str
        The path and every path above it.
    """

    path: str
    steps: frozenset[str]
    is_found: bool = False
    plain: set[str] = field(default_factory=set)  # keys of whole lines that hold a cell
    seen: set[str] = field(default_factory=set)  # what stands where the list does not
    n_rows: int = 0
    rows: list[_Row] = field(default_factory=list)
    lines: list[int] = field(default_factory=list)
    records: list[int] = field(default_factory=list)
    columns: dict[str, None] = field(default_factory=dict)
    frames: list[pl.DataFrame] = field(default_factory=list)
    torn: list[tuple[int, int, str]] = field(default_factory=list)


def read_ndjson(received: bytes, name: str, lists: Mapping[str, str | None]) -> dict[str, PartText]:
    """Read the parts of an NDJSON file.

    Parameters
    ----------
    received : bytes
        The export.
    name : str
        Its name, for messages.
    lists : mapping of str to (str or None)
        Name of each part to the path of the list whose items are its rows; None: each line is a row.

    Returns
    -------
    dict of str to PartText
        The parts. A column is named by its path; its cells are text, ``true``, ``false`` or a number
        as it is written, and a list of such joined by ``;``. A list of objects that is no part is a
        column that tells the number of objects.

    Raises
    ------
    DeliveryError
        If the file is no NDJSON, no line can be read, or a list or its items are nowhere.
    """
    refuse_other_kind(received, name, "ndjson")
    _, text = drop_mark(received, name, "utf-8")
    if text[:4096].lstrip().startswith(b"["):
        raise DeliveryError(
            name,
            "the file is one JSON list, not one JSON object a line",
            "Export as NDJSON (JSON Lines): each record as an object on a line of its own.",
        )
    parts = {part: _Part(path or "", _steps(path or "")) for part, path in lists.items()}
    n_read = _gather(text, list(parts.values()), name)
    if not n_read:
        raise DeliveryError(
            name,
            "no line could be read as a JSON object",
            "Export as NDJSON (JSON Lines): each record as an object on one line, in UTF-8.",
        )
    return {part: _finished(gathered, name) for part, gathered in parts.items()}


def _steps(path: str) -> frozenset[str]:
    keys = path.split(".") if path else []
    return frozenset(".".join(keys[:n]) for n in range(1, len(keys) + 1))


def _gather(text: bytes, parts: list[_Part], name: str) -> int:
    """Put the rows of every line in its parts; count the lines that could be read."""
    decoder = json.JSONDecoder(
        object_pairs_hook=_object, parse_float=str, parse_int=str, parse_constant=_no_constant
    )
    every_step = frozenset[str]().union(*(part.steps for part in parts))
    n_read = 0
    for at, line in enumerate(BytesIO(text), start=1):
        if not line.strip():
            continue
        try:
            content = _content(line, decoder.decode)
            rows = [list(_rows(content, part, every_step)) for part in parts]
        except _UnreadableError as problem:
            for part in parts:
                part.n_rows += 1
                part.torn.append((part.n_rows, at, str(problem)))
            continue
        n_read += 1
        for part, found in zip(parts, rows, strict=True):
            _add(part, found, at, name)
    return n_read


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    content = dict(pairs)
    if len(content) != len(pairs):
        raise _UnreadableError("a key stands twice in an object")
    return content


def _no_constant(_: str) -> NoReturn:
    raise _UnreadableError("not valid JSON: NaN or Infinity")


def _content(line: bytes, decode: Callable[[str], Any]) -> dict[str, Any]:
    try:
        content = decode(line.decode())
    except UnicodeDecodeError:
        raise _UnreadableError("not valid UTF-8") from None
    except RecursionError:
        raise _UnreadableError(f"nested deeper than {DEEPEST} levels") from None
    except ValueError:
        raise _UnreadableError("not valid JSON") from None
    if not isinstance(content, dict):
        raise _UnreadableError("not a JSON object")
    if _SUSPECT.search(line):
        _refuse_no_text(content)
    return content


def _refuse_no_text(value: Any) -> None:  # noqa: ANN401 - whatever JSON holds
    """Refuse half of a surrogate pair, and a zero character, in any text or key.

    Raises
    ------
    _UnreadableError
        If there is one.
    """
    if isinstance(value, dict):
        for key, inner in value.items():
            _refuse_no_text(key)
            _refuse_no_text(inner)
    elif isinstance(value, list):
        for inner in value:
            _refuse_no_text(inner)
    elif isinstance(value, str) and (
        "\0" in value or any("\ud800" <= c <= "\udfff" for c in value)
    ):
        raise _UnreadableError("a character that is no text")


def _rows(content: dict[str, Any], part: _Part, every_step: frozenset[str]) -> Iterator[_Row]:
    """Give the rows of a part that one object holds."""
    yield from _walk(content, "", {}, part, every_step)


def _walk(
    content: dict[str, Any], at: str, around: _Row, part: _Part, every_step: frozenset[str]
) -> Iterator[_Row]:
    row = dict(around)
    below: list[tuple[str, list[Any]]] = []
    _flatten(content, at, row, (part, every_step, below), 1)
    if at == part.path:
        yield row
    elif not part.is_found and len(part.seen) < MOST_COLUMNS:
        part.seen |= row.keys()
    for path, items in below:
        part.is_found = True
        for item in items:
            if not isinstance(item, dict):
                raise _UnreadableError(f"an item of the list {path} is not an object")
            yield from _walk(item, path, row, part, every_step)


def _flatten(
    content: dict[str, Any],
    at: str,
    row: _Row,
    known: tuple[_Part, frozenset[str], list[tuple[str, list[Any]]]],
    depth: int,
) -> None:
    """Write the fields of an object in the row, each under its path; keep the list to go into.

    Raises
    ------
    _UnreadableError
        If a key or a value cannot be read.
    """
    part, every_step, below = known
    if depth > DEEPEST:
        raise _UnreadableError(f"nested deeper than {DEEPEST} levels")
    if not at and _is_plain(content, part):  # most lines of most files
        row.update(content)
        return
    for key, value in content.items():
        _refuse_key(key)
        path = f"{at}.{key}" if at else key
        if isinstance(value, dict) and path != part.path:
            _flatten(value, path, row, known, depth + 1)
        elif path in part.steps:
            _note_list(path, value, below)
        elif not (path in every_step and (value is None or isinstance(value, list))):
            row[path] = _cell(value)
            if not at and len(part.plain) < MOST_COLUMNS:
                part.plain.add(key)


def _refuse_key(key: str) -> None:
    """Refuse a key that cannot be told from a path, or names no column.

    Raises
    ------
    _UnreadableError
        Then.
    """
    if "." in key or not key or key != key.strip():
        raise _UnreadableError("a key that is empty, holds a dot or has spaces around it")


def _note_list(path: str, value: Any, below: list[tuple[str, list[Any]]]) -> None:  # noqa: ANN401
    """Keep the list of a part to go into.

    Raises
    ------
    _UnreadableError
        If something else than a list stands there.
    """
    if value is None:
        return
    if not isinstance(value, list):
        raise _UnreadableError(f"{path} is not a list")
    below.append((path, value))


def _is_plain(content: dict[str, Any], part: _Part) -> bool:
    """Tell whether all keys are known and all values short text, so that nothing is to do."""
    return (
        content.keys() <= part.plain
        and set(map(type, content.values())) == {str}
        and max(map(len, content.values())) <= LONGEST_CELL
    )


def _cell(value: Any) -> str:  # noqa: ANN401 - whatever JSON holds
    """Write a value as text; numbers have come as text.

    Raises
    ------
    _UnreadableError
        If it is too long.
    """
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, list):
        if any(isinstance(item, dict | list) for item in value):
            return f"[{len(value)} objects]"  # a column that no codebook declares
        value = ";".join(_cell(item) for item in value)
    if len(value) > LONGEST_CELL:
        raise _UnreadableError("a cell of more than 1 MB")
    return str(value)


def _add(part: _Part, found: list[_Row], line: int, name: str) -> None:
    for row in found:
        part.n_rows += 1
        part.records.append(part.n_rows)
        part.lines.append(line)
        part.rows.append(row)
        if not row.keys() <= part.columns.keys():
            part.columns.update(dict.fromkeys(row))
    width = len(part.columns)
    if width > MOST_COLUMNS or width * part.n_rows > _MOST_CELLS:
        raise DeliveryError(
            f"{name}, line {line}",
            f"up to here there are {width} different keys, too many for columns",
            "Keys must be names of fields, not values such as numbers or dates. Or export in parts.",
        )
    if len(part.rows) >= _ROWS_AT_ONCE:
        _empty_into_frame(part)


def _empty_into_frame(part: _Part) -> None:
    columns = list(part.columns)
    try:
        rows = list(map(itemgetter(*columns), part.rows)) if len(columns) > 1 else None
    except KeyError:  # a row without some key
        rows = None
    if rows is None:
        cells = [[row.get(column, "") for row in part.rows] for column in columns]
    else:
        cells = list(map(list, zip(*rows, strict=True)))
    part.frames.append(pl.DataFrame(cells, dict.fromkeys(columns, pl.String), orient="col"))
    part.rows.clear()


def _finished(part: _Part, name: str) -> PartText:
    place = f"{name}, list {part.path}" if part.path else name
    if part.path and not part.is_found:
        raise DeliveryError(
            name,
            f"no line holds the list “{part.path}”; " + nearest_names(part.path, part.seen),
            "Correct the path of the list in the codebook.",
        )
    if not part.records:
        raise DeliveryError(place, "there is no row", "Export again with the records in it.")
    if not part.columns:
        raise DeliveryError(place, "no row has a column", "Export again with the records in it.")
    if part.rows:
        _empty_into_frame(part)
    check_header(list(part.columns), place)
    frame = pl.concat(part.frames, how="diagonal").with_columns(pl.all().fill_null(""))
    frame = frame.drop(_absent_objects(frame))
    numbers = (
        pl.Series(RECORD, part.records, dtype=pl.Int64),
        pl.Series(LINE, part.lines, dtype=pl.Int64),
    )
    records, lines, values = zip(*part.torn, strict=True) if part.torn else ((), (), ())
    torn = torn_rows(records, lines, values, Quarantine.LINE_UNREADABLE)
    return PartText(frame.with_columns(numbers), place, torn)


def _absent_objects(frame: pl.DataFrame) -> list[str]:
    """List the columns of objects that a row holds as null: their fields are columns of their own."""
    return [
        name
        for name in frame.columns
        if any(other.startswith(f"{name}.") for other in frame.columns)
        and not (frame[name] != "").any()
    ]
