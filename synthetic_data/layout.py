"""What the layouts of all clinics share: codes, persons, marks for the planting of defects, triplets."""

from collections.abc import Callable, Mapping
from datetime import date
from typing import Any

import polars as pl

from synthetic_data.event import Events

Parts = dict[str, pl.DataFrame]
"""Part of an export to its cells as text (null: empty), with marks."""

MARKS = ("_patient", "_visit", "_side", "_definition", "_block", "_bouts", "_pretested", "_date")
"""Columns that only steer the planting of defects; they are not written."""

EXPORTED_ON = date(2025, 9, 30)
"""Day of the last export of every clinic."""

HIP_AT_VISIT = ("clinic", "patient", "visit", "side")
"""Columns of the events that say which hip at which visit."""

REVIEW = {"reviewed_by": "data manager (invented)", "reviewed_on": date(2024, 1, 2)}
"""Who has signed off the codebooks."""


def coded(field: str, codes: Mapping[str, str], **options: object) -> dict[str, Any]:
    """Describe a coded column of a codebook.

    Parameters
    ----------
    field : str
        What the column holds.
    codes : mapping of str to str
        Value to canonical code.
    **options : object
        Further options of the column.

    Returns
    -------
    dict
        The column.
    """
    return {"field": field, "codes": dict(codes), **options}


def column(field: str, **options: object) -> dict[str, Any]:
    """Describe a column of a codebook that has no codes.

    Parameters
    ----------
    field : str
        What the column holds.
    **options : object
        Options of the column.

    Returns
    -------
    dict
        The column.
    """
    return {"field": field, **options}


def encoder(codes: Mapping[str, Mapping[str, str]]) -> Callable[[str, str], pl.Expr]:
    """Make what turns canonical codes into a clinic's own.

    Parameters
    ----------
    codes : mapping of str to mapping
        Column to its values and their canonical codes.

    Returns
    -------
    callable
        From column and field to an expression.
    """

    def encode(header: str, field: str) -> pl.Expr:
        own = {canonical: value for value, canonical in codes[header].items()}
        return pl.col(field).replace_strict(own, default=None, return_dtype=pl.String)

    return encode


def rank(name: str, codes: Mapping[str, str]) -> pl.Expr:
    """Give the place of a column's value among its codes.

    Parameters
    ----------
    name : str
        Column of a frame.
    codes : mapping of str to str
        Values in order.

    Returns
    -------
    polars.Expr
        Place, from 0.
    """
    order = {value: number for number, value in enumerate(codes)}
    return pl.col(name).replace_strict(order, default=None, return_dtype=pl.Int64)


def tests_of(events: Events, clinic: str) -> pl.DataFrame:
    """Take the tests that a clinic did.

    Parameters
    ----------
    events : Events
        True events.
    clinic : str
        Code of the clinic.

    Returns
    -------
    polars.DataFrame
        Its tests.
    """
    return events.tests.filter(pl.col("is_done") & (pl.col("clinic") == clinic))


def with_person(events: Events, rows: pl.DataFrame) -> pl.DataFrame:
    """Add what is known of the visit, the patient and the hip.

    Parameters
    ----------
    events : Events
        True events.
    rows : polars.DataFrame
        Rows with the columns of ``HIP_AT_VISIT``.

    Returns
    -------
    polars.DataFrame
        The rows, in the same order.
    """
    order: Any = {"how": "left", "maintain_order": "left"}
    return (
        rows.join(events.visits, on=["clinic", "patient", "visit"], **order)
        .join(events.patients, on=["clinic", "patient"], **order)
        .join(events.hips, on=["clinic", "patient", "side"], **order)
    )


def marked(rows: pl.DataFrame, headers: tuple[str, ...]) -> pl.DataFrame:
    """Keep the columns of the export, with the marks that the rows have.

    Parameters
    ----------
    rows : polars.DataFrame
        Rows with the clinic's columns; a mark may bear the name of the event's column.
    headers : tuple of str
        Headers of the export, in order.

    Returns
    -------
    polars.DataFrame
        Headers, then ``MARKS``; null where a row has no such mark.
    """
    names = {"_bouts": "n_bouts", "_pretested": "has_pretest"}
    found = {mark: names.get(mark, mark[1:]) for mark in MARKS}
    marks = [
        (pl.col(source) if source in rows.columns else pl.lit(None)).alias(mark)
        for mark, source in found.items()
    ]
    return rows.select(*headers, *marks)


def whole(field: str) -> pl.Expr:
    """Write whole numbers as text.

    Parameters
    ----------
    field : str
        Column of numbers.

    Returns
    -------
    polars.Expr
        Text.
    """
    return pl.col(field).round().cast(pl.Int64).cast(pl.String)


def triplet(first: pl.Expr, second: pl.Expr) -> pl.Expr:
    """Write two opposite motions as a neutral-zero triplet.

    Parameters
    ----------
    first, second : polars.Expr
        Whole degrees of the motion on the left and on the right; one of them may be negative.

    Returns
    -------
    polars.Expr
        Text such as ``45-0-30``; ``0-10-120`` where the first lacks ten degrees. Null where one is null.

    References
    ----------
    Neutral-zero method (textbook convention, from memory): where zero is not reached, the middle
    number says where the movement begins, and 0 takes the place of the motion that is lacking.
    """
    left, right = first.cast(pl.Int64), second.cast(pl.Int64)
    start = pl.max_horizontal(-left, -right, pl.lit(0))
    ends = [pl.max_horizontal(end, pl.lit(0)).cast(pl.String) for end in (left, right)]
    text = pl.concat_str([ends[0], pl.lit("-"), start.cast(pl.String), pl.lit("-"), ends[1]])
    return pl.when(left.is_not_null() & right.is_not_null()).then(text)
