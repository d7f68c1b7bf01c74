"""Feedback to a clinic: what of its exports was not taken in, where that stands, and who can mend it.

A *place* is one cell, or one whole row, of an export. One unreadable cell can hold back several facts, so
places are what a person has to correct, and facts are what the network lacks until then. No patient is
named, not even by pseudonym: the clinic finds the row in its own file by its number.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import polars as pl

from pipeline.store.holding import Account
from pipeline.store.snapshot import DeliveryRecord
from schemas.errors import StoreError
from schemas.reason import Quarantine
from schemas.table import SOURCE_ROW, TABLES

TABLE_ORDER = (SOURCE_ROW, *TABLES)
"""Source rows first, then the canonical tables, parents before children."""

MOST_VALUES = 5
"""Values shown of one column and reason, most frequent first."""

ROWS: dict[str, pl.DataType] = {
    "exported_on": pl.Date(),
    "source_file": pl.String(),
    "source_line": pl.Int64(),
    "source_record": pl.Int64(),
    "column": pl.String(),
    "value": pl.String(),
    "reason": pl.String(),
    "tables": pl.String(),
    "n_facts": pl.Int64(),
}
"""Columns of the places to correct."""


class Mender(StrEnum):
    """Who can most likely mend what is wrong, and where."""

    CLINIC = "clinic"  # at the source: the record or the export
    CODEBOOK = "codebook"  # a codebook may say how to read it; where that is right, the clinic


MENDER: dict[Quarantine, Mender] = {
    **dict.fromkeys((
        Quarantine.ROW_TORN, Quarantine.LINE_UNREADABLE, Quarantine.MISSING_KEY,
        Quarantine.LOOK_UP_MISSING, Quarantine.LOOK_UP_AMBIGUOUS, Quarantine.MISSING_VALUE,
        Quarantine.FORMULA_WITHOUT_VALUE, Quarantine.NOT_A_NUMBER,
        Quarantine.WORDS_INSTEAD_OF_NUMBER, Quarantine.SIGN_UNKNOWABLE, Quarantine.PERCENT_UNCLEAR,
        Quarantine.ANGLE_IMPOSSIBLE, Quarantine.PAIN_IMPOSSIBLE, Quarantine.AGE_IMPOSSIBLE,
        Quarantine.DURATION_IMPOSSIBLE, Quarantine.DATE_IMPOSSIBLE, Quarantine.GRADE_UNREADABLE,
        Quarantine.GRADE_IMPOSSIBLE, Quarantine.DOSE_UNREADABLE, Quarantine.DOSE_IMPOSSIBLE,
        Quarantine.EVENT_IMPOSSIBLE, Quarantine.SIDE_UNKNOWN, Quarantine.CONFLICTING_VALUES,
    ), Mender.CLINIC),
    **dict.fromkeys((
        Quarantine.UNKNOWN_CODE, Quarantine.CENSORED_OR_BANDED, Quarantine.COMPOSITE_UNREADABLE,
        Quarantine.ORDER_UNKNOWABLE, Quarantine.NORM_DIFFERS, Quarantine.COMPONENT_UNDECLARED,
        Quarantine.POSITION_DIFFERS, Quarantine.DATE_UNREADABLE, Quarantine.TWO_GRADES,
        Quarantine.DOSE_TOTAL_ONLY, Quarantine.NO_RECORD,
    ), Mender.CODEBOOK),
}  # fmt: skip
"""For every reason who looks at it first. ``CODEBOOK`` where an option, code, format or record of the
codebook can release the fact without a change at the clinic."""


@dataclass(frozen=True)
class Export:
    """One delivery of the clinic.

    Attributes
    ----------
    delivery : str
        Identifier.
    name : str
        The export's file name.
    exported_on : datetime.date
        Day that the clinic states for it.
    layout : str
        Codebook that it was read with.
    codebook_version : int
        Version of that codebook.
    kind : str
        ``full`` or ``increment``.
    is_replaced : bool
        True where a later one has replaced it, so that nothing of it is listed.
    n_facts : int
        Quarantined facts, rows that could not be used among them.
    """

    delivery: str
    name: str
    exported_on: date
    layout: str
    codebook_version: int
    kind: str
    is_replaced: bool
    n_facts: int


@dataclass(frozen=True)
class TableCount:
    """What became of the facts of one table, over all exports.

    Attributes
    ----------
    table : str
        Canonical table, or ``source_row`` for the rows of the exports.
    read, accepted, quarantined, duplicate, superseded, out_of_scope, withdrawn : int
        Counts; the first is the sum of the others.
    """

    table: str
    read: int
    accepted: int
    quarantined: int
    duplicate: int
    superseded: int
    out_of_scope: int
    withdrawn: int


@dataclass(frozen=True)
class ColumnCount:
    """How often one column has one problem.

    Attributes
    ----------
    column : str or None
        Header in the export; None where the whole row is meant.
    n_places : int
        Places to correct.
    values : tuple of (str, int)
        The most frequent values found, masked as in the quarantine, with their number of places.
    """

    column: str | None
    n_places: int
    values: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class ReasonCount:
    """How often one problem occurs.

    Attributes
    ----------
    reason : Quarantine
        The problem.
    mender : Mender
        Who looks at it first.
    n_places, n_facts : int
        Places to correct, and facts that they hold back.
    columns : tuple of ColumnCount
        Where it occurs, most frequent first.
    """

    reason: Quarantine
    mender: Mender
    n_places: int
    n_facts: int
    columns: tuple[ColumnCount, ...]


@dataclass(frozen=True)
class Feedback:
    """What a clinic is told about its exports.

    Attributes
    ----------
    clinic : str
        Code of the clinic.
    ledger_number : int
        State of the store that this describes.
    exports : tuple of Export
        Its deliveries, newest first.
    tables : tuple of TableCount
        What became of what was read.
    reasons : tuple of ReasonCount
        Problems, most facts first.
    rows : polars.DataFrame, shape (n_places, 9)
        Places to correct with the columns of ``ROWS``: newest export first, then by file, record and
        column. ``tables`` holds the tables concerned, joined by ``;``; ``column`` is null for a whole row.
    """

    clinic: str
    ledger_number: int
    exports: tuple[Export, ...]
    tables: tuple[TableCount, ...]
    reasons: tuple[ReasonCount, ...]
    rows: pl.DataFrame

    @property
    def n_places(self) -> int:
        """Places to correct."""
        return self.rows.height

    @property
    def n_facts(self) -> int:
        """Quarantined facts; rows that could not be used count as one each."""
        return sum(reason.n_facts for reason in self.reasons)

    def of_mender(self, mender: Mender) -> tuple[ReasonCount, ...]:
        """Choose the problems that one of the two looks at first.

        Parameters
        ----------
        mender : Mender
            Who.

        Returns
        -------
        tuple of ReasonCount
            These problems, most facts first.
        """
        return tuple(count for count in self.reasons if count.mender == mender)


def make_feedback(
    clinic: str,
    quarantine: pl.DataFrame,
    account: Account,
    deliveries: Iterable[DeliveryRecord],
    *,
    replaced: Collection[str] = (),
    ledger_number: int = 0,
) -> Feedback:
    """Put together what a clinic is told.

    Parameters
    ----------
    clinic : str
        Code of the clinic.
    quarantine : polars.DataFrame
        Quarantined facts with the columns of ``QUARANTINE``; those of other clinics are left out.
    account : dict of str to dict of str to int
        The clinic's facts by table and fate, as in a snapshot.
    deliveries : iterable of DeliveryRecord
        Deliveries; those of other clinics are left out.
    replaced : collection of str
        Identifiers of deliveries that a later one has replaced.
    ledger_number : int
        State of the store.

    Returns
    -------
    Feedback
        Counts, and the places to correct.

    Raises
    ------
    StoreError
        If quarantine, account and deliveries do not fit each other.
    """
    facts = quarantine.filter(pl.col("clinic") == clinic)
    records = [record for record in deliveries if record.clinic == clinic]
    _check_agreement(clinic, facts, account, records)
    rows = _places(facts, {record.delivery: record.exported_on for record in records})
    return Feedback(
        clinic=clinic,
        ledger_number=ledger_number,
        exports=_exports(facts, records, replaced),
        tables=tuple(_table_count(name, account[name]) for name in TABLE_ORDER if name in account),
        reasons=_reasons(rows),
        rows=rows,
    )


def _check_agreement(
    clinic: str, facts: pl.DataFrame, account: Account, records: list[DeliveryRecord]
) -> None:
    """Refuse a quarantine that holds another number of facts than was counted.

    Raises
    ------
    StoreError
        If a table differs, or a fact is from a delivery that is not listed.
    """
    remedy = "check the store; if it is whole, report this as a fault of the program"
    found = dict(facts.group_by("table").len().iter_rows())
    for table in sorted({*found, *account}):
        counted = account.get(table, {}).get("quarantined", 0)
        if found.get(table, 0) != counted:
            raise StoreError(
                f"clinic {clinic}, table {table}",
                f"{counted} facts were counted as quarantined, but {found.get(table, 0)} are there",
                remedy,
            )
    strange = set(facts["delivery"]) - {record.delivery for record in records}
    if strange:
        raise StoreError(
            f"clinic {clinic}",
            f"facts are quarantined of a delivery that is not listed: {min(strange)}",
            remedy,
        )


def _places(facts: pl.DataFrame, days: Mapping[str, date]) -> pl.DataFrame:
    """Give one row for each cell or row to correct, without the patient."""
    place = ["delivery", "source_file", "source_line", "source_record", "column", "value", "reason"]
    order = pl.Enum(TABLE_ORDER)
    tables = pl.col("table").cast(order).unique().sort().cast(pl.String).str.join(";")
    day = pl.col("delivery").replace_strict(days, return_dtype=pl.Date).alias("exported_on")
    return (
        facts.group_by(place)
        .agg(tables.alias("tables"), pl.len().cast(pl.Int64).alias("n_facts"))
        .with_columns(day if days else pl.lit(None, dtype=pl.Date).alias("exported_on"))
        .sort(
            [
                "exported_on",
                "source_file",
                "source_record",
                "column",
                "reason",
                "value",
                "delivery",
            ],
            descending=[True, *[False] * 6],
        )
        .select(pl.col(name).cast(kind) for name, kind in ROWS.items())
    )


def _exports(
    facts: pl.DataFrame, records: list[DeliveryRecord], replaced: Collection[str]
) -> tuple[Export, ...]:
    counts = dict(facts.group_by("delivery").len().iter_rows())
    newest_first = sorted(records, key=lambda r: (r.exported_on, r.codebook_version), reverse=True)
    return tuple(
        Export(
            delivery=record.delivery,
            name=record.source_name,
            exported_on=record.exported_on,
            layout=record.codebook,
            codebook_version=record.codebook_version,
            kind=record.kind,
            is_replaced=record.delivery in replaced,
            n_facts=counts.get(record.delivery, 0),
        )
        for record in newest_first
    )


def _table_count(table: str, counts: Mapping[str, int]) -> TableCount:
    return TableCount(
        table, **{name: counts[name] for name in TableCount.__annotations__ if name != "table"}
    )


def _reasons(rows: pl.DataFrame) -> tuple[ReasonCount, ...]:
    place = {str(reason): n for n, reason in enumerate(Quarantine)}
    counts = [
        ReasonCount(
            reason=Quarantine(str(name)),
            mender=MENDER[Quarantine(str(name))],
            n_places=part.height,
            n_facts=int(part["n_facts"].sum()),
            columns=_columns(part),
        )
        for (name,), part in rows.partition_by("reason", as_dict=True).items()
    ]
    return tuple(sorted(counts, key=lambda c: (-c.n_facts, -c.n_places, place[c.reason])))


def _columns(rows: pl.DataFrame) -> tuple[ColumnCount, ...]:
    counts = [
        ColumnCount(None if name is None else str(name), part.height, _values(part))
        for (name,), part in rows.partition_by("column", as_dict=True).items()
    ]
    return tuple(sorted(counts, key=lambda c: (-c.n_places, c.column or "")))


def _values(rows: pl.DataFrame) -> tuple[tuple[str, int], ...]:
    counted = rows.drop_nulls("value").group_by("value").len()
    most = counted.sort(["len", "value"], descending=[True, False]).head(MOST_VALUES)
    return tuple((str(value), int(n)) for value, n in most.iter_rows())
