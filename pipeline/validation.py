"""Divide facts into accepted, quarantined and duplicate, and check that none is lost."""

from dataclasses import dataclass

import pandera.errors
import polars as pl

from pipeline.identifier.masking import shown_value
from pipeline.reading.reading import LINE, RECORD, PartText
from pipeline.reshaping import ORIGIN, Origin, Reshaped
from pipeline.sorting import sort_by_key
from schemas.check import schema_of
from schemas.errors import DeliveryError
from schemas.field import IDENTIFIER_FIELDS, POINTER
from schemas.layout import Layout
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

_INDEX = "\x1findex"

_CHECK_ORDER = {str(reason): place for place, reason in enumerate(Quarantine)}


@dataclass(frozen=True)
class Rows:
    """The rows of one part that its facts were taken from.

    Attributes
    ----------
    layout : Layout
        What each column holds.
    frame : polars.DataFrame, shape (n_records, n_columns)
        The pseudonymised text, for the value that a quarantined fact shows.
    text : PartText
        The part as it was read: its place, and the rows that could not be read.
    """

    layout: Layout
    frame: pl.DataFrame
    text: PartText


@dataclass(frozen=True)
class Validated:
    """The facts of one export, divided.

    Attributes
    ----------
    tables : dict of str to polars.DataFrame
        Accepted facts by table: key, values, ``source_record`` and ``source_file``.
    quarantine : polars.DataFrame
        One row per fact that was not accepted: ``QUARANTINE`` less delivery and version, the patient as
        a number.
    account : dict of str to dict of str to int
        Counts by table, for source rows too.
    """

    tables: dict[str, pl.DataFrame]
    quarantine: pl.DataFrame
    account: Account


def validate(
    reshaped: Reshaped,
    parts: dict[str, Rows],
    looked_up: tuple[PartText, ...] = (),
    n_unused: int = 0,
) -> Validated:
    """Divide the facts of one export.

    Parameters
    ----------
    reshaped : Reshaped
        Canonical facts with the reasons found while reading them.
    parts : dict of str to Rows
        The rows that they were taken from, by part.
    looked_up : tuple of PartText
        Parts that are only looked up: their rows that could not be read are quarantined too.
    n_unused : int
        Rows of these parts that no row looks up.

    Returns
    -------
    Validated
        Accepted, quarantined and duplicate facts with their account.

    Raises
    ------
    DeliveryError
        If the counts do not add up, which is a fault of the program.
    """
    clinic = next(iter(parts.values())).layout.clinic
    tables: dict[str, pl.DataFrame] = {}
    texts = (*(rows.text for rows in parts.values()), *looked_up)
    rejected = [_unread_rows(reshaped, parts, texts)]
    account: Account = {SOURCE_ROW: _source_rows(reshaped, texts, n_unused)}
    for name, facts in reshaped.tables.items():
        failed = reshaped.failed[name]
        accepted, bad, n_duplicate = _divide(facts, failed, TABLES[name])
        tables[name] = _with_places(accepted, reshaped.origins, parts)
        rejected.append(_quarantine_rows(bad, name, reshaped.origins, parts))
        account[name] = {
            "read": facts.height + failed.height,
            "accepted": accepted.height,
            "quarantined": bad.height,
            "duplicate": n_duplicate,
            "out_of_scope": 0,
        }
    check_conservation(account)
    quarantine = pl.concat(rejected).with_columns(pl.lit(clinic).alias("clinic"))
    order = ["table", "source_file", RECORD, "reason", "column", "value"]
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


def _source_rows(reshaped: Reshaped, texts: tuple[PartText, ...], n_unused: int) -> dict[str, int]:
    n_torn = sum(text.torn.height for text in texts)
    n_undescribed = sum(rows.height for rows in reshaped.undescribed.values())
    n_out_of_scope = reshaped.n_out_of_scope + n_unused
    read = reshaped.n_rows + n_torn + n_unused
    return {
        "read": read,
        "accepted": read - n_out_of_scope - n_undescribed - n_torn,
        "quarantined": n_undescribed + n_torn,
        "duplicate": 0,
        "out_of_scope": n_out_of_scope,
    }


def _divide(
    read: pl.DataFrame, failed: pl.DataFrame, table: Table
) -> tuple[pl.DataFrame, pl.DataFrame, int]:
    """Give accepted facts, quarantined facts with their reasons, and the number of duplicates."""
    columns = [*table.key, *table.values]
    bad = [_narrow(failed)]
    wrong = _failed_checks(read, table.name)
    if wrong.height:
        unsound = read[wrong[_INDEX]].with_columns(
            wrong["reason"], wrong["column"], pl.lit(None, dtype=pl.String).alias("value")
        )
        bad.append(_narrow(unsound))
        is_wrong = pl.repeat(value=False, n=read.height, eager=True).scatter(wrong[_INDEX], True)  # noqa: FBT003 - polars' own
        read = read.filter(~is_wrong)
    accepted, conflicting, n_duplicate = _without_twins(read, table)
    bad.append(_narrow(conflicting))
    return accepted.select(*columns, RECORD, ORIGIN), pl.concat(bad), n_duplicate


def _narrow(bad: pl.DataFrame) -> pl.DataFrame:
    """Keep what the quarantine says of a fact."""
    return bad.select("patient", RECORD, ORIGIN, "reason", "column", "value")


def _without_twins(sound: pl.DataFrame, table: Table) -> tuple[pl.DataFrame, pl.DataFrame, int]:
    """Keep one of equal facts; quarantine all facts of a key that says two different things.

    Facts are sorted by key on the way, so that equal keys are neighbours and the store need not sort.
    """
    key, columns = list(table.key), [*table.key, *table.values]
    sound, is_twin = sort_by_key(sound, key)
    twins = sound.filter(is_twin).sort(*key, RECORD, ORIGIN)  # the first of equal facts stays
    distinct = twins.unique(subset=columns, keep="first", maintain_order=True)
    differs = distinct.select(key).is_duplicated()
    keys = distinct.filter(differs).select(key).unique()
    # Duplicates of facts that conflict conflict as well.
    conflicting = twins.join(keys, on=key, how="semi", maintain_order="left")
    kept = distinct.filter(~differs)
    n_duplicate = twins.height - conflicting.height - kept.height
    accepted = sound
    if twins.height:
        accepted, _ = sort_by_key(pl.concat([sound.filter(~is_twin), kept]), key)
    nothing = pl.lit(None, dtype=pl.String)
    reason = pl.lit(str(Quarantine.CONFLICTING_VALUES))
    return (
        accepted,
        conflicting.with_columns(
            reason.alias("reason"), nothing.alias("column"), nothing.alias("value")
        ),
        n_duplicate,
    )


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
        return pl.DataFrame(schema={_INDEX: pl.UInt32, "reason": pl.String, "column": pl.String})
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
        .select(pl.col("index").cast(pl.UInt32).alias(_INDEX), "reason", "column")
    )
    return first


def _with_places(
    facts: pl.DataFrame, origins: tuple[Origin, ...], parts: dict[str, Rows]
) -> pl.DataFrame:
    """Say of each fact which file, sheet or list it was taken from."""
    names = {origin.part for origin in origins}
    if len(names) == 1:
        return parts[names.pop()].text.locate(facts).drop(ORIGIN)
    numbered = facts.with_row_index(_INDEX)
    every = pl.Enum(sorted({p for rows in parts.values() for p in rows.text.places}))
    found = [numbered.clear().with_columns(pl.lit(None, dtype=every).alias("source_file"))]
    for (number,), some in numbered.partition_by(ORIGIN, as_dict=True).items():
        located = parts[origins[int(number)].part].text.locate(some)
        found.append(located.with_columns(pl.col("source_file").cast(every)))
    return pl.concat(found).sort(_INDEX).drop(_INDEX, ORIGIN)


def _quarantine_rows(
    bad: pl.DataFrame, table: str, origins: tuple[Origin, ...], parts: dict[str, Rows]
) -> pl.DataFrame:
    """Give facts that were not accepted their header, value and line."""
    found = [_EMPTY]
    for (number,), facts in bad.partition_by(ORIGIN, as_dict=True).items():
        origin = origins[int(number)]
        rows = parts[origin.part]
        at = rows.frame[RECORD].search_sorted(facts[RECORD])
        named = facts.select(
            pl.lit(None, dtype=pl.String).alias("clinic"),
            pl.lit(table).alias("table"),
            "reason",
            pl.col("column").replace(origin.headers),
            "value",
            "patient",
            RECORD,
            rows.frame[LINE].gather(at).alias(LINE),
        )
        located = rows.text.locate(_with_values(named, rows, at))
        found.append(located.select(_EMPTY.columns).cast(_EMPTY.schema))
    return pl.concat(found)


def _with_values(named: pl.DataFrame, rows: Rows, at: pl.Series) -> pl.DataFrame:
    """Show the cell as it stands in the export where a check found its value impossible."""
    for header in named["column"].drop_nulls().unique():
        column = rows.layout.columns.get(header)
        if column is None or column.field in {*IDENTIFIER_FIELDS, POINTER, "visit_date"}:
            continue
        texts = [
            shown_value(text) or None for text in rows.frame[header].gather(at).cast(pl.String)
        ]
        missing = (pl.col("column") == header) & pl.col("value").is_null()
        shown = pl.when(missing).then(pl.Series(texts, dtype=pl.String)).otherwise(pl.col("value"))
        named = named.with_columns(shown.alias("value"))
    return named


def _unread_rows(
    reshaped: Reshaped, parts: dict[str, Rows], texts: tuple[PartText, ...]
) -> pl.DataFrame:
    """Give the rows that no record describes, and those that could not be read."""
    found = [_EMPTY]
    for name, rows in reshaped.undescribed.items():
        reason = pl.lit(str(Quarantine.NO_RECORD)).alias("reason")
        found.append(_rows(rows.with_columns(reason, value=None), parts[name].text))
    found += [_rows(text.torn, text) for text in texts]
    return pl.concat(found)


def _rows(rows: pl.DataFrame, text: PartText) -> pl.DataFrame:
    nothing = pl.lit(None, dtype=pl.String)
    return text.locate(rows).select(
        nothing.alias("clinic"),
        pl.lit(SOURCE_ROW).alias("table"),
        "reason",
        nothing.alias("column"),
        pl.col("value").cast(pl.String),
        pl.lit(None, dtype=pl.UInt32).alias("patient"),
        pl.col("source_file").cast(pl.String),
        RECORD,
        LINE,
    )


_EMPTY = empty(
    {n: k for n, k in QUARANTINE.items() if n not in {"delivery", "codebook_version"}}
    | {"patient": pl.UInt32()}
)
