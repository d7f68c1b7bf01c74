"""Pandera schemas of the canonical tables: types, keys, code lists and limits.

Every check names its reason code, by which a fact that fails is quarantined.
"""

from functools import cache
from typing import Any

import pandera.polars as pa
import polars as pl

from schemas.reason import Quarantine
from schemas.table import TABLES
from schemas.vocabulary import NOT_RECORDED, code_list, motion_of

MOST_SETS, LONGEST_SET_S = 50, 3600
"""Limits of a believable dose; common practice, no source."""
OLDEST, LONGEST_WEEKS = 120, 5200.0
MOST_EVENTS = 999

_LIMITS: dict[str, tuple[float, float, Quarantine]] = {
    "age_years": (0, OLDEST, Quarantine.AGE_IMPOSSIBLE),
    "duration_weeks": (0.0, LONGEST_WEEKS, Quarantine.DURATION_IMPOSSIBLE),
    "pain_0_10": (0.0, 10.0, Quarantine.PAIN_IMPOSSIBLE),
    "event": (1, MOST_EVENTS, Quarantine.EVENT_IMPOSSIBLE),
    "trial": (1, MOST_EVENTS, Quarantine.EVENT_IMPOSSIBLE),
    "sets": (1, MOST_SETS, Quarantine.DOSE_IMPOSSIBLE),
    "seconds_per_set": (1, LONGEST_SET_S, Quarantine.DOSE_IMPOSSIBLE),
}


@cache
def schema_of(table: str) -> pa.DataFrameSchema:
    """Give the pandera schema of a canonical table.

    Parameters
    ----------
    table : str
        Name of the table.

    Returns
    -------
    pandera.polars.DataFrameSchema
        Types, keys and limits; ``error`` of each check is a reason code. A null in a key fails
        pandera's own ``not_nullable``.
    """
    spec = TABLES[table]
    # Text may be plain or numbered (``Enum``): the pipeline makes it so, and the store writes it plain.
    columns = {
        name: pa.Column(
            None if kind == pl.String() else kind,
            checks=_checks(name),
            nullable=name not in spec.key,
        )
        for name, kind in (spec.key | spec.values).items()
    }
    return pa.DataFrameSchema(columns, checks=_row_checks(table))


def _checks(name: str) -> list[pa.Check]:
    if name not in _LIMITS:
        return []
    low, high, reason = _LIMITS[name]
    return [pa.Check.in_range(low, high, error=str(reason))]


def _row_checks(table: str) -> list[pa.Check]:
    if table == "range_test":
        return [
            pa.Check(_angle_or_reason, error=str(Quarantine.MISSING_VALUE)),
            pa.Check(_angle_possible, error=str(Quarantine.ANGLE_IMPOSSIBLE)),
        ]
    required = {"treatment": "technique", "provocation_test": "response"}.get(table)
    if required is None:
        return []

    def filled(data: Any) -> pl.LazyFrame:  # noqa: ANN401 - pandera's data container
        return data.lazyframe.select(pl.col(required) != NOT_RECORDED)  # type: ignore[no-any-return]

    return [pa.Check(filled, error=str(Quarantine.MISSING_VALUE))]


def _angle_or_reason(data: Any) -> pl.LazyFrame:  # noqa: ANN401 - pandera's data container
    measured = pl.col("angle_hundredth_deg").is_not_null()
    return data.lazyframe.select(measured | (pl.col("reason_not_done") != NOT_RECORDED))  # type: ignore[no-any-return]


def _angle_possible(data: Any) -> pl.LazyFrame:  # noqa: ANN401 - pandera's data container
    motions = {d: code_list("motion")[motion_of(d)] for d in code_list("test_definition")}
    low = {d: 100 * m.details["possible_deg"][0] for d, m in motions.items()}
    high = {d: 100 * m.details["possible_deg"][1] for d, m in motions.items()}
    lowest, highest = (
        pl.col("definition").replace_strict(limit, default=None, return_dtype=pl.Int64)
        for limit in (low, high)
    )
    inside = pl.col("angle_hundredth_deg").is_between(lowest, highest)
    return data.lazyframe.select(inside.fill_null(value=True))  # type: ignore[no-any-return]
