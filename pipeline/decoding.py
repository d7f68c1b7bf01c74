"""Decode the text of one cell, by what the codebook declares of its column."""

import re
from collections.abc import Callable
from functools import partial
from typing import Any

from pipeline.notation.angle import read_angle
from pipeline.notation.composite import Component, read_composite, read_composite_angle
from pipeline.notation.dose import read_dose, read_seconds, read_weeks
from pipeline.notation.grade import read_grade
from pipeline.notation.number import read_whole
from pipeline.notation.pain import read_pain
from pipeline.notation.percent import norm_degrees, read_percent_of_norm
from schemas.column import IGNORED, ZERO, Column, Composite
from schemas.field import BOOLEAN_FIELDS, BOTH_SIDES, NORM_UNIT, list_of
from schemas.reason import Quarantine
from schemas.record import Piece
from schemas.vocabulary import NOT_RECORDED, code_list

Decoded = tuple[Any, ...] | Quarantine
"""Canonical values of one cell, or the reason why there are none."""

Split = dict[Component, Decoded]
"""Canonical values of each value of a composite cell that is recorded."""

NOT_STATED = "not_stated"
"""Why a test was not done, where the export only says that it was not."""

_WHOLE_FIELDS = ("age_years", "trial", "sets", "stated_order")


_ERROR = re.compile(r"#(N/A|[A-Z_0-9/]{3,20}[!?]|FORMULA|ERROR|GETTING_DATA)")
"""What a workbook shows instead of a value (ECMA-376, part 1, 18.18.11), and the reader for a formula."""


def decoder(column: Column, decimal_mark: str) -> Callable[[str], Decoded]:
    """Make what decodes a cell, or one value of a composite cell.

    Parameters
    ----------
    column : Column
        What it holds.
    decimal_mark : {".", ","}
        Of the file.

    Returns
    -------
    callable
        Text to canonical values or reason.
    """
    decode = _decoder(column, decimal_mark)

    def decode_cell(text: str) -> Decoded:
        return Quarantine.FORMULA_WITHOUT_VALUE if _is_error(text) else decode(text)

    return decode_cell


def _is_error(text: str) -> bool:
    return text.startswith("#") and _ERROR.fullmatch(text) is not None


def _decoder(column: Column, decimal_mark: str) -> Callable[[str], Decoded]:
    field = column.field
    notations: dict[str, Callable[[str], Any]] = {
        "angle": partial(_angle, column=column, decimal_mark=decimal_mark),
        "pain": partial(
            read_pain, scale=str(column.scale), decimal_mark=decimal_mark, inexact=column.inexact
        ),
        "duration": partial(read_weeks, unit=str(column.unit), decimal_mark=decimal_mark),
        "seconds_per_set": partial(read_seconds, unit=str(column.unit), decimal_mark=decimal_mark),
        "grade": partial(_grade, column=column),
        "dose": partial(read_dose, total_time=column.total_time),
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


def _angle(text: str, *, column: Column, decimal_mark: str) -> Decoded:
    beside = (None,) if column.not_tested else ()
    if text in column.not_tested:
        return (None, NOT_STATED)
    if column.unit == NORM_UNIT:
        found = read_percent_of_norm(
            text,
            norm_deg=norm_degrees(str(column.percent_of)),
            decimal_mark=decimal_mark,
            inexact=column.inexact,
        )
    else:
        found = read_angle(
            text,
            unit=str(column.unit),
            decimal_mark=decimal_mark,
            sign=column.sign,
            inexact=column.inexact,
        )
    return found if isinstance(found, Quarantine) else (found, *beside)


def _grade(text: str, *, column: Column) -> tuple[str, str, str] | Quarantine:
    found = read_grade(text, scale=str(column.scale), two_grades=column.two_grades)
    return found if isinstance(found, Quarantine) else (str(column.scale), *found)


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
    if field == "side" and codes.get(text) == BOTH_SIDES:  # only where the codebook says so
        return (code,)
    return Quarantine.SIDE_UNKNOWN if field == "side" else Quarantine.UNKNOWN_CODE


def _several(text: str, *, codes: dict[str, str]) -> Decoded:
    found = [_code(part.strip(), field="precautions", codes=codes) for part in text.split(";")]
    bad = next((cell for cell in found if isinstance(cell, Quarantine)), None)
    if bad is not None:
        return bad
    return (";".join(sorted(cell[0] for cell in found if cell[0] is not None)) or None,)


def splitter(
    column: Column, composite: Composite, decimal_mark: str, missing: frozenset[str]
) -> Callable[[str], Split | Quarantine]:
    """Make what takes a composite cell apart and decodes its values.

    Parameters
    ----------
    column : Column
        What the cell holds.
    composite : Composite
        How its values stand in it.
    decimal_mark : {".", ","}
        Of the file.
    missing : frozenset of str
        Values that mean "not recorded".

    Returns
    -------
    callable
        Text to its values, or the reason why it cannot be taken apart.
    """
    decode = decoder(column, decimal_mark)
    if isinstance(composite.order, str) or ZERO in composite.order:

        def angles(text: str) -> Split | Quarantine:
            found = read_composite_angle(
                text,
                order=composite.order,
                separator=composite.separator,
                unit=str(column.unit),
                decimal_mark=decimal_mark,
            )
            if isinstance(found, Quarantine):
                return found
            beside = (None,) if column.not_tested else ()
            return {c: (angle, *beside) for c, angle in found.items()}

        return _errors_first(angles)
    order = composite.order

    def pieces(text: str) -> Split | Quarantine:
        found = read_composite(
            text, order=order, separator=composite.separator, decimal_mark=decimal_mark
        )
        if isinstance(found, Quarantine):
            return found
        filled = {name: piece.strip() for name, piece in found.items()}
        return {
            Component(name, None): decode(piece)
            for name, piece in filled.items()
            if piece not in missing
        }

    return _errors_first(pieces)


def _errors_first(
    split: Callable[[str], Split | Quarantine],
) -> Callable[[str], Split | Quarantine]:
    def read(text: str) -> Split | Quarantine:
        return Quarantine.FORMULA_WITHOUT_VALUE if _is_error(text) else split(text)

    return read


def not_tested(pieces: set[Piece]) -> Split:
    """Give what a composite cell says that as a whole says "not tested".

    Parameters
    ----------
    pieces : set of Piece
        What records take of it.

    Returns
    -------
    Split
        Each of them: no angle, and why.
    """
    return {Component(p.component, p.hip_flexion_deg): (None, NOT_STATED) for p in pieces}


def refuse_unclaimed(part: Split | Quarantine, pieces: set[Piece]) -> Split | Quarantine:
    """Refuse a cell with a value that no record takes: it would be lost in silence.

    Parameters
    ----------
    part : Split or Quarantine
        A cell, taken apart.
    pieces : set of Piece
        What records take.

    Returns
    -------
    Split or Quarantine
        The cell, or why not.
    """
    if isinstance(part, Quarantine):
        return part
    for component in part:
        if component.name != IGNORED and not any(_is_of(component, piece) for piece in pieces):
            return Quarantine.COMPONENT_UNDECLARED
    return part


def _is_of(component: Component, piece: Piece) -> bool:
    position = piece.hip_flexion_deg
    return component.name == piece.component and position in {None, component.hip_flexion_deg}


def value_of(part: Split | Quarantine, piece: Piece, n_values: int) -> Decoded:
    """Give one value of a composite cell.

    Parameters
    ----------
    part : Split or Quarantine
        A cell, taken apart.
    piece : Piece
        Which of its values.
    n_values : int
        Canonical values of each, the hip flexion that the cell states among them.

    Returns
    -------
    tuple or Quarantine
        Its canonical values and the hip flexion; all None where it is not recorded.
    """
    if isinstance(part, Quarantine):
        return part
    found = [(c.hip_flexion_deg, cell) for c, cell in part.items() if _is_of(c, piece)]
    if not found:
        return (None,) * n_values
    if len(found) > 1:  # the same motion in two positions, and the record does not say which
        return Quarantine.COMPONENT_UNDECLARED
    position, cell = found[0]
    return cell if isinstance(cell, Quarantine) else (*cell, position)
