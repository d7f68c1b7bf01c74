"""Turn the text of each column into canonical values, by what its codebook declares.

Each column is decoded once per distinct value by a small pure function, whatever the number of rows;
a value that cannot be read keeps its reason. Decoding comes before reshaping, since a column of an
export with one row per visit serves several records.
"""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from typing import Any

import polars as pl

from pipeline.notation.angle import read_angle
from pipeline.notation.dose import read_dose, read_seconds, read_weeks
from pipeline.notation.grade import read_grade
from pipeline.notation.number import read_whole
from pipeline.notation.pain import read_pain
from pipeline.screening import mask
from schemas.codebook import Codebook, Column
from schemas.field import BOOLEAN_FIELDS, NOTATION_COLUMNS, ROW_KIND, list_of
from schemas.reason import Quarantine
from schemas.table import TABLES
from schemas.vocabulary import NOT_RECORDED, code_list

Decoded = tuple[Any, ...] | Quarantine
"""Canonical values of one cell, or the reason why there are none."""

_TYPES: dict[str, pl.DataType] = {
    name: kind for table in TABLES.values() for name, kind in (table.key | table.values).items()
}
FREE_TEXT = r"\p{L}\W+\p{L}{2}|^.{25}|(\d\D*){7}"
"""Two words, more than 24 characters, or seven digits and more: no code is written so."""

WORKERS = 4
"""Columns decoded at once."""

_WHOLE_FIELDS = ("age_years", "trial", "sets", "stated_order")


@dataclass(frozen=True)
class HarmonisedColumn:
    """One column of the export, decoded.

    Attributes
    ----------
    header : str
        Its header.
    field : str
        Field that it holds.
    values : dict of str to polars.Series
        Canonical column to values, null where missing or unreadable; each of length n_records.
    reason : polars.Series or None
        Reason code where a value is unreadable, null elsewhere; None where all can be read.
    """

    header: str
    field: str
    values: dict[str, pl.Series]
    reason: pl.Series | None


def harmonise(frame: pl.DataFrame, codebook: Codebook) -> dict[str, HarmonisedColumn]:
    """Decode every declared column.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n_records, n_columns)
        Screened and pseudonymised text columns.
    codebook : Codebook
        What each column holds.

    Returns
    -------
    dict of str to HarmonisedColumn
        By header.
    """
    wanted = [h for h, column in codebook.columns.items() if column.field != ROW_KIND]
    with ThreadPoolExecutor(max_workers=WORKERS) as pool:  # polars lets other threads run meanwhile
        found = pool.map(
            lambda header: harmonise_column(frame[header], header, codebook),
            wanted,
        )
        return dict(zip(wanted, found, strict=True))


def harmonise_column(texts: pl.Series, header: str, codebook: Codebook) -> HarmonisedColumn:
    """Decode one column.

    Parameters
    ----------
    texts : polars.Series, shape (n_records,)
        The column as text.
    header : str
        Its header.
    codebook : Codebook
        What it holds, the decimal mark and the markers of missing values.

    Returns
    -------
    HarmonisedColumn
        Its canonical values and reasons.
    """
    column = codebook.columns[header]
    names = canonical_columns(column.field)
    decode = _decoder(column, codebook.file.decimal_mark)
    missing = codebook.missing_in(header)
    distinct = texts.unique()
    cells = [(None,) * len(names) if t.strip() in missing else decode(t.strip()) for t in distinct]
    table = _as_table(distinct, cells, names)
    joined = texts.to_frame("\x1ftext").join(
        table, on="\x1ftext", how="left", maintain_order="left"
    )
    has_reason = table["\x1freason"].null_count() < table.height
    return HarmonisedColumn(
        header,
        column.field,
        {name: joined[name] for name in names},
        joined["\x1freason"] if has_reason else None,
    )


def mask_unreadable(raw: pl.DataFrame, columns: dict[str, HarmonisedColumn]) -> pl.DataFrame:
    """Mask cells that could not be read and look like free text or a long number.

    A short unknown code stays, so that the export can be read again with a corrected codebook; a
    sentence may say anything about anybody and is not kept.

    Parameters
    ----------
    raw : polars.DataFrame, shape (n_records, n_columns)
        Screened and pseudonymised text columns.
    columns : dict of str to HarmonisedColumn
        The decoded columns.

    Returns
    -------
    polars.DataFrame
        What may be kept as raw.
    """
    for header, column in columns.items():
        if column.reason is None:
            continue
        bad = raw[header].filter(column.reason.is_not_null()).unique()
        doubtful = bad.filter(bad.str.contains(FREE_TEXT) & ~bad.str.starts_with("!"))
        if doubtful.len():
            masked = [mask(text) for text in doubtful]
            raw = raw.with_columns(pl.col(header).replace(doubtful.to_list(), masked))
    return raw


def canonical_columns(field: str) -> tuple[str, ...]:
    """List the canonical columns that a field fills.

    Parameters
    ----------
    field : str
        Field of a codebook.

    Returns
    -------
    tuple of str
        Column names.
    """
    if field == "event":
        return ("event", "order_is_stated")
    return NOTATION_COLUMNS.get(field, (field,))


def decode_constant(field: str, value: str | int) -> tuple[Any, ...]:
    """Decode a constant of a codebook, which its schema has checked.

    Parameters
    ----------
    field : str
        Field that it fills.
    value : str or int
        The constant.

    Returns
    -------
    tuple
        Values of ``canonical_columns(field)``.
    """
    if field == "event":
        return (int(value), True)
    if field == "phase":
        return (code_list("phase")[str(value)].details["event"], False)
    if field in BOOLEAN_FIELDS:
        return (value == "yes",)
    kind = _TYPES.get(field)
    return (int(value) if kind == pl.Int64() else str(value),)


def _as_table(distinct: pl.Series, cells: list[Decoded], names: tuple[str, ...]) -> pl.DataFrame:
    columns: dict[str, pl.Series] = {"\x1ftext": distinct}
    for place, name in enumerate(names):
        values = [None if isinstance(cell, Quarantine) else cell[place] for cell in cells]
        columns[name] = pl.Series(name, values, dtype=_TYPES[name])
    reasons = [str(cell) if isinstance(cell, Quarantine) else None for cell in cells]
    columns["\x1freason"] = pl.Series(reasons, dtype=pl.String)
    return pl.DataFrame(columns)


def _decoder(column: Column, decimal_mark: str) -> Callable[[str], Decoded]:
    field = column.field
    notations: dict[str, Callable[[str], Any]] = {
        "angle": partial(_angle, column=column, decimal_mark=decimal_mark),
        "pain": partial(read_pain, scale=str(column.scale), decimal_mark=decimal_mark),
        "duration": partial(read_weeks, unit=str(column.unit), decimal_mark=decimal_mark),
        "seconds_per_set": partial(read_seconds, unit=str(column.unit), decimal_mark=decimal_mark),
        "grade": partial(_grade, scale=str(column.scale)),
        "dose": read_dose,
        "visit_date": _day,
        "event": _event,
        "phase": partial(_phase, codes=column.codes),
        "age_years": _age,
        "precautions": partial(_several, codes=column.codes),
    }
    if field in notations:
        return lambda text: _tuple(notations[field](text))
    if field in _WHOLE_FIELDS:
        return lambda text: _tuple(read_whole(text))
    if field in BOOLEAN_FIELDS:
        return partial(_truth, codes=column.codes)
    if list_of(field) is not None:
        return partial(_code, field=field, codes=column.codes)
    return lambda text: (text,)  # a pseudonym


def _tuple(value: Any) -> Decoded:  # noqa: ANN401 - any canonical value
    return value if isinstance(value, tuple | Quarantine) else (value,)


def _angle(text: str, *, column: Column, decimal_mark: str) -> int | Quarantine:
    found = read_angle(text, unit=str(column.unit), decimal_mark=decimal_mark)
    if isinstance(found, Quarantine) or column.sign == "as_recorded":
        return found
    return -found


def _grade(text: str, *, scale: str) -> tuple[str, str, str] | Quarantine:
    found = read_grade(text, scale=scale)
    return found if isinstance(found, Quarantine) else (scale, *found)


def _day(text: str) -> tuple[int, str] | Quarantine:
    if text.startswith("!"):
        return Quarantine(text[1:].partition("|")[0])
    offset, _, period = text.partition("|")
    return int(offset), period


def _event(text: str) -> tuple[int, bool] | Quarantine:
    found = read_whole(text)
    return Quarantine.EVENT_IMPOSSIBLE if isinstance(found, Quarantine) else (found, True)


def _phase(text: str, *, codes: dict[str, str]) -> tuple[int, bool] | Quarantine:
    phase = code_list("phase").get(codes.get(text, text))
    return Quarantine.UNKNOWN_CODE if phase is None else (phase.details["event"], False)


def _age(text: str) -> int | Quarantine:
    return read_whole(text.removesuffix("+"))


def _truth(text: str, *, codes: dict[str, str]) -> Decoded:
    code = codes.get(text, text)
    return (code == "yes",) if code in {"yes", "no"} else Quarantine.UNKNOWN_CODE


def _code(text: str, *, field: str, codes: dict[str, str]) -> Decoded:
    code = codes.get(text, text)
    if code == NOT_RECORDED:
        return (None,)
    if code in code_list(str(list_of(field))):
        return (code,)
    return Quarantine.SIDE_UNKNOWN if field == "side" else Quarantine.UNKNOWN_CODE


def _several(text: str, *, codes: dict[str, str]) -> Decoded:
    found = [_code(part.strip(), field="precautions", codes=codes) for part in text.split(";")]
    bad = next((cell for cell in found if isinstance(cell, Quarantine)), None)
    if bad is not None:
        return bad
    return (";".join(sorted(cell[0] for cell in found if cell[0] is not None)) or None,)
