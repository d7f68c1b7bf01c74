"""Fields: what a column of an export may hold, and what has to be stated of it."""

from schemas.errors import nearest_names
from schemas.table import TABLES
from schemas.vocabulary import NOT_RECORDED, code_list

IDENTIFIER_FIELDS = ("patient", "visit", "episode", "clinician")
"""Fields whose values are replaced by pseudonyms before anything is stored."""

NOTATION_FIELDS: dict[str, tuple[str, ...]] = {
    "angle": ("range_test",),
    "pain": ("range_test", "provocation_test"),
    "duration": ("joint_episode",),
    "grade": ("treatment",),
    "dose": ("treatment",),
    "visit_date": ("visit", "range_test", "provocation_test", "treatment"),
    "phase": ("range_test", "provocation_test", "treatment"),
}
"""Fields that a notation turns into one or more canonical columns, with the tables they serve."""

NOTATION_COLUMNS: dict[str, tuple[str, ...]] = {
    "angle": ("angle_hundredth_deg",),
    "pain": ("pain_0_10",),
    "duration": ("duration_weeks",),
    "grade": ("grade_scale", "grade", "grade_modifier"),
    "dose": ("sets", "seconds_per_set"),
    "visit_date": ("day_offset", "period"),
    "phase": ("event", "order_is_stated"),
}
"""Canonical columns that each notation fills."""

_FILLED = {column for columns in NOTATION_COLUMNS.values() for column in columns} - {
    "event",
    "sets",
    "seconds_per_set",
}


def fields_of(table: str) -> tuple[str, ...]:
    """List the fields by which a codebook fills a canonical table.

    Parameters
    ----------
    table : str
        Name of a canonical table.

    Returns
    -------
    tuple of str
        Canonical columns that are filled directly, then notations.
    """
    spec = TABLES[table]
    direct = [c for c in (spec.key | spec.values) if c != "clinic" and c not in _FILLED]
    notations = [field for field, tables in NOTATION_FIELDS.items() if table in tables]
    return (*direct, *notations)


ROW_KIND = "row_kind"
"""Field of a column that only says what kind of row it is, for ``when``."""

POINTER = "link"
"""Field of a column that only points to rows of another part; it is kept as a keyed hash."""

FIELDS: tuple[str, ...] = (
    *dict.fromkeys(field for table in TABLES for field in fields_of(table)),
    ROW_KIND,
    POINTER,
)
"""Every field that a column may hold."""

NORM_UNIT = "%"
"""Unit of an angle that is recorded as a percentage of a norm."""

ANGLE_UNITS = ("deg", "rad", "gon", NORM_UNIT)
DURATION_UNITS = ("d", "wk", "mo", "a")
TIME_UNITS = ("s", "min")
PAIN_SCALES = ("0-10", "0-100")
GRADE_SCALES = ("oscillatory", "sustained_traction")
UNITS = (*ANGLE_UNITS, *DURATION_UNITS, *TIME_UNITS)
SCALES = (*PAIN_SCALES, *GRADE_SCALES)


def stated_options(field: str) -> dict[str, tuple[str, ...]]:
    """List the options that a column of a field cannot do without.

    Parameters
    ----------
    field : str
        Field of a codebook.

    Returns
    -------
    dict of str to tuple of str
        Option to what it may be; an empty tuple where anything may stand.
    """
    needs: dict[str, dict[str, tuple[str, ...]]] = {
        "angle": {"unit": ANGLE_UNITS},
        "duration": {"unit": DURATION_UNITS},
        "seconds_per_set": {"unit": TIME_UNITS},
        "pain": {"scale": PAIN_SCALES},
        "grade": {"scale": GRADE_SCALES},
        "visit_date": {"date_format": ()},
    }
    return needs.get(field, {})


def list_of(field: str) -> str | None:
    """Name the code list of a field.

    Parameters
    ----------
    field : str
        Field of a codebook.

    Returns
    -------
    str or None
        Name of the list; None where the field is not coded.
    """
    if field == "phase":
        return "phase"
    if field == "precautions":
        return "precaution"
    for table in TABLES.values():
        if field in table.coded:
            return table.coded[field]
    return None


BOTH_SIDES = "both"
"""What a value of a side may be mapped to, beside the sides themselves."""

BOOLEAN_FIELDS = (
    "needs_deep_squat",
    "rater_is_treating_clinician",
    "belt_used",
    "stopped_early",
)
"""Fields whose codes are ``yes`` and ``no``."""


def known_codes(field: str) -> tuple[str, ...] | None:
    """List the codes that a value of a field may be mapped to.

    Parameters
    ----------
    field : str
        Field of a codebook.

    Returns
    -------
    tuple of str or None
        Codes, or None where the field is not coded.
    """
    if field in BOOLEAN_FIELDS:
        return ("yes", "no")
    name = list_of(field)
    if name is None:
        return None
    both = (BOTH_SIDES,) if field == "side" else ()
    return (*code_list(name), NOT_RECORDED, *both)


def check_codes(field: str, codes: dict[str, str]) -> None:
    """Check that values are mapped to codes that exist.

    Parameters
    ----------
    field : str
        Field of a codebook; one without a code list passes.
    codes : dict of str to str
        Value in the export to canonical code.

    Raises
    ------
    ValueError
        If a code is not on the field's list; pydantic turns it into the user's message.
    """
    known = known_codes(field)
    if known is None:
        return
    for value, code in codes.items():
        if code not in known:
            raise ValueError(
                f"the value “{value}” is mapped to “{code}”, which is not a code of “{field}”; "
                + nearest_names(code, known)
            )


REQUIRED: dict[str, tuple[tuple[str, ...], ...]] = {
    "patient": (("patient",),),
    "joint_episode": (("patient",), ("side",)),
    "visit": (("patient",), ("visit", "visit_date")),
    "range_test": (
        ("patient",),
        ("visit", "visit_date"),
        ("side",),
        ("definition",),
        ("event", "phase"),
        ("angle",),
    ),
    "provocation_test": (
        ("patient",),
        ("visit", "visit_date"),
        ("side",),
        ("test",),
        ("event", "phase"),
        ("response",),
    ),
    "treatment": (
        ("patient",),
        ("visit", "visit_date"),
        ("side",),
        ("technique",),
        ("event", "phase"),
    ),
}
"""Fields that each table cannot do without; of alternatives, one is enough."""
