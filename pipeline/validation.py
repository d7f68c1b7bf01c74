"""Divide facts into accepted, quarantined and duplicate, and check that none is lost."""

from dataclasses import dataclass

import pandera.errors
import polars as pl

from pipeline.reading.delimited import RECORD
from pipeline.reshaping import Reshaped, shown_value
from schemas.check import schema_of
from schemas.codebook import Codebook
from schemas.errors import DeliveryError
from schemas.field import IDENTIFIER_FIELDS
from schemas.reason import Quarantine
from schemas.table import QUARANTINE, SOURCE_ROW, TABLES, Table, empty

Account = dict[str, dict[str, int]]
"""Counts by table; ``read`` is the sum of the others."""

_COLUMN_OF = {
    "range_test": "angle_hundredth_deg",
    "treatment": "technique",
    "provocation_test": "response",
}
"""Column that the checks of a whole row are about."""

_CHECK_ORDER = {str(reason): place for place, reason in enumerate(Quarantine)}


@dataclass(frozen=True)
class Validated:
    """The facts of one export, divided.

    Attributes
    ----------
    tables : dict of str to polars.DataFrame
        Accepted facts by table: key, values and ``source_record``.
    quarantine : polars.DataFrame
        One row per fact that was not accepted: ``QUARANTINE`` less delivery, file and version.
    account : dict of str to dict of str to int
        Counts by table, for source rows too.
    """

    tables: dict[str, pl.DataFrame]
    quarantine: pl.DataFrame
    account: Account


def validate(reshaped: Reshaped, frame: pl.DataFrame, codebook: Codebook) -> Validated:
    """Divide the facts of one export.

    Parameters
    ----------
    reshaped : Reshaped
        Canonical facts with the reasons found while reading them.
    frame : polars.DataFrame, shape (n_records, n_columns)
        The pseudonymised text, for the value that a quarantined fact shows.
    codebook : Codebook
        Codebook of the export.

    Returns
    -------
    Validated
        Accepted, quarantined and duplicate facts with their account.

    Raises
    ------
    DeliveryError
        If the counts do not add up, which is a fault of the program.
    """
    clinic = codebook.clinic
    tables: dict[str, pl.DataFrame] = {}
    rejected = [_undescribed(reshaped, clinic)]
    account: Account = {SOURCE_ROW: _source_rows(reshaped)}
    for name, facts in reshaped.tables.items():
        accepted, bad, n_duplicate = _divide(facts, TABLES[name])
        tables[name] = accepted
        rejected.append(_quarantine_rows(bad, name, clinic, reshaped.headers[name]))
        account[name] = {
            "read": facts.height,
            "accepted": accepted.height,
            "quarantined": bad.height,
            "duplicate": n_duplicate,
            "out_of_scope": 0,
        }
    check_conservation(account)
    quarantine = _with_values(pl.concat(rejected), frame, codebook)
    order = ["table", RECORD, "reason", "column", "value"]
    return Validated(tables, quarantine.sort(order), account)


def check_conservation(account: Account) -> None:
    """Check that every fact that was read is accounted for.

    Parameters
    ----------
    account : dict of str to dict of str to int
        Counts by table.

    Raises
    ------
    DeliveryError
        If a table's counts do not add up.
    """
    for table, counts in account.items():
        rest = sum(count for what, count in counts.items() if what != "read")
        if counts["read"] != rest:
            raise DeliveryError(
                table,
                f"{counts['read']} facts were read, but {rest} are accounted for; nothing was stored",
                "This is a fault of the program: please report it with the codebook (not the data).",
            )


def _source_rows(reshaped: Reshaped) -> dict[str, int]:
    kept = reshaped.n_rows - reshaped.n_out_of_scope - reshaped.undescribed.height
    return {
        "read": reshaped.n_rows,
        "accepted": kept,
        "quarantined": reshaped.undescribed.height,
        "duplicate": 0,
        "out_of_scope": reshaped.n_out_of_scope,
    }


def _divide(facts: pl.DataFrame, table: Table) -> tuple[pl.DataFrame, pl.DataFrame, int]:
    """Give accepted facts, quarantined facts with their reasons, and the number of duplicates."""
    key, columns = list(table.key), list(table.key | table.values)
    readable = facts.filter(pl.col("reason").is_null()).with_row_index("\x1findex")
    failed = _failed_checks(readable, table.name)
    sound, unsound = readable, None
    if failed.height:
        sound = readable.join(failed, on="\x1findex", how="anti", maintain_order="left")
        unsound = readable.drop("reason", "column").join(failed, on="\x1findex")
    accepted, conflicting, n_duplicate = _without_twins(sound, key, columns)
    bad = [facts.filter(pl.col("reason").is_not_null()), conflicting.select(facts.columns)]
    if unsound is not None:
        bad.append(unsound.select(facts.columns))
    return accepted.select(*columns, RECORD), pl.concat(bad), n_duplicate


def _without_twins(
    sound: pl.DataFrame, key: list[str], columns: list[str]
) -> tuple[pl.DataFrame, pl.DataFrame, int]:
    """Keep one of equal facts; quarantine all facts of a key that says two different things."""
    varying = [
        name for name in key if name not in {"clinic", "joint"} or sound[name].n_unique() > 1
    ]
    is_twin = sound.select(varying).is_duplicated()
    twins = sound.filter(is_twin)
    distinct = twins.unique(subset=columns, keep="first", maintain_order=True)
    differs = distinct.select(key).is_duplicated()
    keys = distinct.filter(differs).select(key).unique()
    # Duplicates of facts that conflict conflict as well.
    conflicting = twins.join(keys, on=key, how="semi", maintain_order="left")
    kept = distinct.filter(~differs)
    reason = pl.lit(str(Quarantine.CONFLICTING_VALUES)).alias("reason")
    n_duplicate = twins.height - conflicting.height - kept.height
    accepted = pl.concat([sound.filter(~is_twin), kept]) if twins.height else sound
    return accepted, conflicting.with_columns(reason), n_duplicate


def _failed_checks(readable: pl.DataFrame, table: str) -> pl.DataFrame:
    """Give index, reason and column of the first check that each fact fails.

    Raises
    ------
    DeliveryError
        If a check fails as a whole, which is a fault of the program.
    """
    try:
        schema_of(table).validate(readable, lazy=True)
    except pandera.errors.SchemaErrors as failures:
        cases = failures.failure_cases
    else:
        return pl.DataFrame(
            schema={"\x1findex": pl.UInt32, "reason": pl.String, "column": pl.String}
        )
    if cases["index"].null_count():
        check = cases.filter(pl.col("index").is_null())["check"][0]
        raise DeliveryError(
            table,
            f"the check {check} failed as a whole",
            "This is a fault of the program: please report it with the codebook (not the data).",
        )
    reason = pl.col("check").replace("not_nullable", str(Quarantine.MISSING_KEY))
    order = pl.col("reason").replace_strict(_CHECK_ORDER, return_dtype=pl.Int32)
    column = pl.coalesce("column", pl.lit(_COLUMN_OF.get(table), dtype=pl.String))
    first: pl.DataFrame = (
        cases.with_columns(reason.alias("reason"), column.alias("column"))
        .sort("index", order, "column")
        .unique("index", keep="first", maintain_order=True)
        .select(pl.col("index").cast(pl.UInt32).alias("\x1findex"), "reason", "column")
    )
    return first


def _with_values(quarantine: pl.DataFrame, frame: pl.DataFrame, codebook: Codebook) -> pl.DataFrame:
    """Show the cell as it stands in the export where a check found its value impossible."""
    for header in quarantine["column"].drop_nulls().unique():
        column = codebook.columns.get(header)
        if column is None or column.field in {*IDENTIFIER_FIELDS, "visit_date"}:
            continue
        at = pl.Series(quarantine[RECORD] - 1)
        texts = [shown_value(text) or None for text in frame[header].gather(at)]
        missing = (pl.col("column") == header) & pl.col("value").is_null()
        shown = pl.when(missing).then(pl.Series(texts, dtype=pl.String)).otherwise(pl.col("value"))
        quarantine = quarantine.with_columns(shown.alias("value"))
    return quarantine


def _quarantine_rows(
    bad: pl.DataFrame, table: str, clinic: str, headers: dict[str, str]
) -> pl.DataFrame:
    return bad.select(
        pl.lit(clinic).alias("clinic"),
        pl.lit(table).alias("table"),
        "reason",
        pl.col("column").replace(headers),
        "value",
        "patient",
        RECORD,
    )


def _undescribed(reshaped: Reshaped, clinic: str) -> pl.DataFrame:
    rows = reshaped.undescribed
    if rows.is_empty():
        return empty(
            {
                n: k
                for n, k in QUARANTINE.items()
                if n not in {"delivery", "source_file", "codebook_version"}
            }
        )
    nothing = pl.lit(None, dtype=pl.String)
    return rows.select(
        pl.lit(clinic).alias("clinic"),
        pl.lit(SOURCE_ROW).alias("table"),
        pl.lit(str(Quarantine.NO_RECORD)).alias("reason"),
        nothing.alias("column"),
        nothing.alias("value"),
        nothing.alias("patient"),
        RECORD,
    )
