"""The answer key: every planted defect, and how many facts each export holds."""

from dataclasses import dataclass
from enum import StrEnum

import polars as pl

from schemas.codebook import Codebook
from schemas.layout import Layout
from schemas.reason import Quarantine
from schemas.record import Record
from schemas.table import SOURCE_ROW, TABLES
from synthetic_data.fact import n_facts


class Outcome(StrEnum):
    """What ought to become of a planted record."""

    QUARANTINED = "quarantined"
    DUPLICATE = "duplicate"  # equal to another row of the same file
    SUPERSEDED = "superseded"  # corrected by a later export
    CORRECTION = "correction"  # what a later export corrects it to
    NO_PAIR = "no_pair"  # accepted, but gives no matched pair
    NOT_TESTED = "not_tested"  # accepted as a test that was not done
    COPIED = "copied"  # accepted; the retest repeats the pretest in all tests of the visit


UNREAD = frozenset({str(Quarantine.ROW_TORN), str(Quarantine.LINE_UNREADABLE)})
"""Reasons of rows that keep their number, though nothing can be read of them."""


@dataclass(frozen=True)
class Defect:
    """One planted defect, for one fact; a cell that costs two facts of a table is listed twice.

    Attributes
    ----------
    clinic, file : str
        Code of the clinic and name of the file or folder.
    part : str
        Sheet, file of a folder or list, by the codebook's name; empty for an export of one part.
    record : int
        Number of the data record within the part, from 1; the header is not counted. A row or line that
        cannot be read keeps its number; in each list of an NDJSON file such a line counts as one item.
    table : str
        Canonical table of the fact; ``source_row`` for a row of which no fact is read.
    outcome : Outcome
        What ought to become of it.
    reason : str
        Reason code of ``schemas.reason``; empty where nothing is wrong with the fact itself.
    column, value : str
        Header and value of the planted cell; empty for a row repeated exactly.
    """

    clinic: str
    file: str
    part: str
    record: int
    table: str
    outcome: Outcome
    reason: str
    column: str
    value: str


@dataclass(frozen=True)
class FactCount:
    """How many facts of one canonical table one export holds.

    Attributes
    ----------
    clinic, file, table : str
        Code of the clinic, name of the file, canonical table; ``source_row`` counts rows of all parts.
    n_read, n_quarantined, n_duplicate : int
        Facts read, and of these quarantined and duplicate within the file. Equal repeats of a
        record that the export repeats are one fact.
    """

    clinic: str
    file: str
    table: str
    n_read: int
    n_quarantined: int
    n_duplicate: int


@dataclass(frozen=True)
class RetestCount:
    """How many tests of treated hips were owed a retest after the last bout, and had none.

    Attributes
    ----------
    clinic : str
        Code of the clinic.
    n_owed, n_missing : int
        Tests (patient, visit, side, definition) owed and missing, before any planted defect.
    """

    clinic: str
    n_owed: int
    n_missing: int


@dataclass(frozen=True)
class AnswerKey:
    """What a pipeline ought to find in the exports.

    Attributes
    ----------
    defects : tuple of Defect
        Every planted defect, in order of file and record.
    facts : tuple of FactCount
        Facts of each file and table.
    retests : tuple of RetestCount
        Missing retests of each clinic.
    """

    defects: tuple[Defect, ...]
    facts: tuple[FactCount, ...]
    retests: tuple[RetestCount, ...]


def count_facts(
    parts: dict[str, pl.DataFrame], codebook: Codebook, file: str, defects: tuple[Defect, ...]
) -> list[FactCount]:
    """Count the facts of one export.

    Parameters
    ----------
    parts : dict of str to polars.DataFrame
        Part to its cells as text; null for an empty cell.
    codebook : Codebook
        Codebook of the export.
    file : str
        Name of the file.
    defects : tuple of Defect
        What was planted in it.

    Returns
    -------
    list of FactCount
        One for each canonical table of the codebook, and one for the rows themselves (``source_row``).
    """
    tables = dict.fromkeys(record.table for record in codebook.records)
    n_read = dict.fromkeys(tables, 0)
    for name, layout in codebook.layouts.items():
        planted = [d for d in defects if (d.part or layout.part) == name]
        torn = [d.record for d in planted if d.reason in UNREAD]
        rows = parts[name].with_row_index("_record", offset=1)
        rows = rows.filter(~pl.col("_record").is_in(torn))
        for record in layout.records:
            lost = {
                d.record
                for d in planted
                if (d.table, d.outcome) == (record.table, Outcome.QUARANTINED)
            }
            n_read[record.table] += _count_record(rows, layout, record, sorted(lost))
    n_read[SOURCE_ROW] = sum(parts[name].height for name in codebook.layouts)
    counts = []
    for table, read in n_read.items():
        planted = [d for d in defects if d.table == table]
        n_lost = sum(d.outcome is Outcome.QUARANTINED for d in planted)
        n_duplicate = sum(d.outcome is Outcome.DUPLICATE for d in planted)
        counts.append(FactCount(codebook.clinic, file, table, read, n_lost, n_duplicate))
    return counts


def _count_record(rows: pl.DataFrame, layout: Layout, record: Record, lost: list[int]) -> int:
    counted = rows.with_columns(_facts=n_facts(layout, record)).filter(pl.col("_facts") > 0)
    repeats = TABLES[record.table].repeats if record.repeats is None else record.repeats
    if not repeats:
        return int(counted["_facts"].sum())
    is_lost = pl.col("_record").is_in(lost)
    headers = sorted(set(layout.sources(record).values()))
    once = counted.filter(~is_lost).unique(headers)
    return int(once["_facts"].sum()) + int(counted.filter(is_lost)["_facts"].sum())


def count_retests(tests: pl.DataFrame) -> tuple[RetestCount, ...]:
    """Count owed and missing retests.

    Parameters
    ----------
    tests : polars.DataFrame
        Tests of ``Events``.

    Returns
    -------
    tuple of RetestCount
        One for each clinic.
    """
    key = ["clinic", "patient", "visit", "side", "definition"]
    tested = tests.filter((pl.col("block") == "pretest") & pl.col("is_done")).select(key).unique()
    owed = tests.filter((pl.col("block") == "retest") & (pl.col("n_bouts") > 0)).join(
        tested, on=key, how="semi"
    )
    counted = owed.group_by("clinic").agg(pl.len(), (~pl.col("is_done")).sum().alias("missing"))
    return tuple(RetestCount(*row) for row in counted.sort("clinic").iter_rows())
