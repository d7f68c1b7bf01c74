"""The answer key: every planted defect, and how many facts each export holds."""

from dataclasses import dataclass
from enum import StrEnum

import polars as pl

from schemas.codebook import Codebook, Record
from schemas.table import TABLES


class Outcome(StrEnum):
    """What ought to become of a planted record."""

    QUARANTINED = "quarantined"
    DUPLICATE = "duplicate"  # equal to another row of the same file
    SUPERSEDED = "superseded"  # corrected by a later export
    CORRECTION = "correction"  # what a later export corrects it to
    NO_PAIR = "no_pair"  # accepted, but gives no matched pair


@dataclass(frozen=True)
class Defect:
    """One planted defect, for one fact.

    Attributes
    ----------
    clinic, file : str
        Code of the clinic and name of the file.
    record : int
        Number of the data record, from 1; the header is not counted.
    table : str
        Canonical table of the fact.
    outcome : Outcome
        What ought to become of it.
    reason : str
        Reason code of ``schemas.reason``; empty where nothing is wrong with the fact itself.
    column, value : str
        Header and value of the planted cell; empty for a row repeated exactly.
    """

    clinic: str
    file: str
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
        Code of the clinic, name of the file, canonical table.
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
    rows: pl.DataFrame, codebook: Codebook, file: str, defects: tuple[Defect, ...]
) -> list[FactCount]:
    """Count the facts of one export.

    Parameters
    ----------
    rows : polars.DataFrame
        Cells as text; null for an empty cell.
    codebook : Codebook
        Codebook of the export.
    file : str
        Name of the file.
    defects : tuple of Defect
        What was planted in it.

    Returns
    -------
    list of FactCount
        One for each canonical table of the codebook.
    """
    numbered = rows.with_row_index("_record", offset=1)
    counts = []
    for table in dict.fromkeys(record.table for record in codebook.records):
        planted = [d for d in defects if d.table == table]
        lost = [d.record for d in planted if d.outcome is Outcome.QUARANTINED]
        n_read = sum(
            _count_record(numbered, codebook, record, lost)
            for record in codebook.records
            if record.table == table
        )
        n_duplicate = sum(d.outcome is Outcome.DUPLICATE for d in planted)
        counts.append(FactCount(codebook.clinic, file, table, n_read, len(lost), n_duplicate))
    return counts


def _count_record(rows: pl.DataFrame, codebook: Codebook, record: Record, lost: list[int]) -> int:
    yielding = rows
    for header, values in record.when.items():
        yielding = yielding.filter(pl.col(header).is_in(list(values)))
    if record.where_filled:
        yielding = yielding.filter(pl.any_horizontal(pl.col(*record.where_filled).is_not_null()))
    repeats = TABLES[record.table].repeats if record.repeats is None else record.repeats
    if not repeats:
        return len(yielding)
    is_lost = pl.col("_record").is_in(lost)
    headers = sorted(set(codebook.sources(record).values()))
    whole = yielding.filter(~is_lost).select(headers).n_unique()
    return whole + len(yielding.filter(is_lost))


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
