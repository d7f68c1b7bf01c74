"""What one column of an export holds, with everything that its values need stated.

Nothing is guessed from the values: unit, zero, sign, scale, date format and order are said here, and
where a cell may say less than one value, so is what becomes of it.
"""

from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from schemas.errors import nearest_names
from schemas.field import (
    BOOLEAN_FIELDS,
    FIELDS,
    NORM_UNIT,
    SCALES,
    UNITS,
    check_codes,
    known_codes,
    list_of,
    stated_options,
)
from schemas.vocabulary import code_list

SFTR, BY_SIZE = "sftr", "by_size"
ZERO = "zero"
"""Name of the middle value of a neutral-zero triplet in the order of a composite cell."""

IGNORED = "ignored"
"""Name of a value of a composite cell that is dropped on purpose."""

SFTR_MOTIONS = (
    "extension",
    "flexion",
    "abduction",
    "adduction",
    "external_rotation",
    "internal_rotation",
)
"""Components of SFTR notation."""

_DAY_FORMAT = (
    "%Y.*(%m|%b|%B).*%d|%Y.*%d.*%[mbB]|%[mbB].*%d.*%Y|%d.*%[mbB].*%Y|%Y.*%j|^excel_190[04]$"
)
"""A date has a year of four digits, a month and a day; a two-digit year is never guessed."""

_OPTIONS: dict[str, tuple[str, ...]] = {
    "unit": ("angle", "duration", "seconds_per_set"),
    "zero": ("angle",),
    "sign": ("angle",),
    "percent_of": ("angle",),
    "not_tested": ("angle",),
    "inexact": ("angle", "pain"),
    "scale": ("grade", "pain"),
    "two_grades": ("grade",),
    "total_time": ("dose",),
    "date_format": ("visit_date",),
    "composite": ("angle", "pain", "grade", "dose", "sets", "seconds_per_set"),
}
"""Options that only some fields have."""


class _Stated(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Inexact(_Stated):
    """What becomes of a value that is no single number; without it, such a value is quarantined.

    Attributes
    ----------
    limit : {"refuse", "bound"}
        ``>45`` or ``<20``: the bound itself is taken, or none.
    band : {"refuse", "lower", "midpoint", "upper"}
        ``30-35``: which number is taken.
    about : {"refuse", "number"}
        ``~30``: the number is taken, or none.
    """

    limit: Literal["refuse", "bound"] = "refuse"
    band: Literal["refuse", "lower", "midpoint", "upper"] = "refuse"
    about: Literal["refuse", "number"] = "refuse"


class Composite(_Stated):
    """Several values in one cell.

    Attributes
    ----------
    order : tuple of str, or {"sftr", "by_size"}
        Names of the values in their order, such as ``[external_rotation, zero, internal_rotation]`` or
        ``[right, left]``; a value named ``zero`` makes it a neutral-zero triplet, one named ``ignored`` is
        dropped on purpose. ``sftr``: the letters S, F
        and R in the cell say motion and order. ``by_size``: flexion and extension, where the number
        that only flexion can reach tells which is which.
    separator : str
        What stands between the values.
    """

    order: Literal["sftr", "by_size"] | tuple[str, ...]
    separator: str = Field(default="-", min_length=1, max_length=8)

    @model_validator(mode="after")
    def _order_is_plain(self) -> Self:
        if isinstance(self.order, tuple):
            values = [name for name in self.order if name not in {ZERO, IGNORED}]
            if len(self.order) < 2 or len(set(self.order)) != len(self.order) or not values:
                raise ValueError("the order of a composite cell needs two or more different names")
            if ZERO in self.order and (len(self.order) != 3 or self.order[1] != ZERO):
                raise ValueError("“zero” is the middle one of three")
        return self

    @property
    def components(self) -> tuple[str, ...]:
        """Names of the values that a cell can hold."""
        if self.order == SFTR:
            return SFTR_MOTIONS
        if self.order == BY_SIZE:
            return ("flexion", "extension")
        return tuple(name for name in self.order if name not in {ZERO, IGNORED})


def _by_field(schema: dict[str, Any]) -> None:
    """Say in JSON Schema what each field needs stated, and which codes it has."""
    rules: list[dict[str, Any]] = []
    for field in FIELDS:
        then: dict[str, Any] = {}
        needs = stated_options(field)
        if needs:
            then["required"] = list(needs)
            then["properties"] = {o: {"enum": list(v)} for o, v in needs.items() if v}
        codes = known_codes(field)
        if codes is not None:
            then["properties"] = {"codes": {"additionalProperties": {"enum": list(codes)}}}
        if then:
            rules.append({"if": {"properties": {"field": {"const": field}}}, "then": then})
    schema["allOf"] = rules


class Column(_Stated):
    """What one column of the export holds.

    Attributes
    ----------
    field : str
        Field of the canonical tables; ``row_kind`` for a column that says what kind of row it is, ``link``
        for one that only points to another part of the export.
    unit : str or None
        UCUM unit of a number: angles ``deg``, ``rad`` or ``gon`` (``%`` for a percentage of a norm);
        durations ``d``, ``wk``, ``mo`` or ``a``; seconds ``s`` or ``min``. Required where the field has one.
    zero : {"neutral", "straight_180"}
        Zero convention of an angle: neutral-zero, or the system in which a straight hip is 180.
    sign : str
        Sign of an angle. ``as_recorded``; ``lack_is_positive``: the column holds a lack of range, which
        becomes negative; ``lack_is_written``: a number with the word lag, lack or deficit becomes
        negative; ``extension_is_negative``: the export writes extension below zero.
    percent_of : str or None
        Code of the norm that ``%`` is a percentage of.
    scale : str or None
        Grade: ``oscillatory`` or ``sustained_traction``. Pain: ``0-10`` or ``0-100``. Required there.
    two_grades : {"refuse", "first", "second", "lower", "higher"}
        Which grade counts where a cell holds two, such as ``3/4``.
    total_time : {"refuse", "one_set"}
        Whether a dose that states a total time alone, such as ``90 s total``, counts as one set.
    date_format : str or None
        Format of a date, such as ``%d.%m.%Y``, or ``excel_1900`` or ``excel_1904`` for serial numbers.
        Required for a date; an order is never guessed.
    inexact : Inexact or None
        What becomes of a limit, a band or an approximate number.
    composite : Composite or None
        How several values stand in one cell.
    codes : dict of str to str
        Value in the export to canonical code. A value that is not listed is quarantined.
    missing : tuple of str
        Values of this column that mean "not recorded", beside those of the whole file.
    not_tested : tuple of str
        Values of an angle that mean "not tested", which is not the same as not recorded.
    """

    model_config = ConfigDict(frozen=True, extra="forbid", json_schema_extra=_by_field)

    field: str = Field(json_schema_extra={"enum": list(FIELDS)})
    unit: str | None = Field(default=None, json_schema_extra={"enum": [*UNITS, None]})
    zero: Literal["neutral", "straight_180"] = "neutral"
    sign: Literal["as_recorded", "lack_is_positive", "lack_is_written", "extension_is_negative"] = (
        "as_recorded"
    )
    percent_of: str | None = None
    scale: str | None = Field(default=None, json_schema_extra={"enum": [*SCALES, None]})
    two_grades: Literal["refuse", "first", "second", "lower", "higher"] = "refuse"
    total_time: Literal["refuse", "one_set"] = "refuse"
    date_format: str | None = Field(default=None, pattern=_DAY_FORMAT)
    inexact: Inexact | None = None
    composite: Composite | None = None
    codes: dict[str, str] = Field(default_factory=dict)
    missing: tuple[str, ...] = ()
    not_tested: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _meaning_is_stated(self) -> Self:
        if self.field not in FIELDS:
            raise ValueError(f"“{self.field}” is not a field; {nearest_names(self.field, FIELDS)}")
        for option, allowed in stated_options(self.field).items():
            found = getattr(self, option)
            if found is None:
                raise ValueError(f"the field “{self.field}” needs its {option} stated")
            if allowed and found not in allowed:
                raise ValueError(
                    f"{option} “{found}” of the field “{self.field}” is not known; "
                    + nearest_names(found, allowed)
                )
        self._options_fit()
        self._norm_is_known()
        check_codes(self.field, self.codes)
        return self

    def _options_fit(self) -> None:
        """Refuse an option that the field does not have: it would be ignored in silence.

        Raises
        ------
        ValueError
            If there is one.
        """
        for option in sorted(self.model_fields_set & set(_OPTIONS)):
            if self.field not in _OPTIONS[option]:
                raise ValueError(
                    f"the field “{self.field}” has no {option}; "
                    f"it belongs to {' and '.join(_OPTIONS[option])}"
                )
        coded = list_of(self.field) is not None or self.field in BOOLEAN_FIELDS
        if self.codes and not coded:
            raise ValueError(f"the field “{self.field}” has no codes")

    def _norm_is_known(self) -> None:
        if (self.unit == NORM_UNIT) != (self.percent_of is not None):
            raise ValueError(
                "unit “%” and percent_of belong together: say which norm it is part of"
            )
        if self.percent_of is not None and self.percent_of not in code_list("norm"):
            known = nearest_names(self.percent_of, code_list("norm"))
            raise ValueError(f"“{self.percent_of}” is not a norm; {known}")
