"""Table 1: the patients compared, by what they were treated with."""

from collections.abc import Callable

import polars as pl

from pipeline.balance import standardised_difference_of_means, standardised_difference_of_shares
from pipeline.cell import NOT_APPLICABLE, NOT_RECORDED, Cell
from pipeline.cohort import PATIENT
from pipeline.rounding import significant
from pipeline.summary import Characteristic, TableOne
from schemas import vocabulary

_MEANS = {
    "age_years": ("Age", "years"),
    "duration_weeks": ("Duration of the complaint", "weeks"),
    "pretest_deg": ("Pretest", "deg"),
    "pain_before": ("Pretest pain, 0–10", "points"),
}
_SHARES = {"sex": "Sex", "condition": "Condition", "activity": "Activity"}


def build_table_one(
    pairs: pl.DataFrame, columns: tuple[str, str], labels: tuple[str, str]
) -> TableOne:
    """Describe the patients on the two sides of the primary contrast.

    Parameters
    ----------
    pairs : polars.DataFrame
        Pairs in the main comparison, with ``level``.
    columns : tuple of str
        The two levels.
    labels : tuple of str
        Their labels.

    Returns
    -------
    TableOne
        One row per characteristic; patients, not pairs, each at the first pair of a column.
    """
    groups = tuple(_first_pairs(pairs.filter(pl.col("level") == level)) for level in columns)
    rows, absent = [_patients(groups)], []
    for name, (label, unit) in _MEANS.items():
        if any(g[name].drop_nulls().len() for g in groups):
            rows += _mean_rows(groups, name, label, unit)
        else:
            absent.append(label)
    for name, label in _SHARES.items():
        if any((g[name] != vocabulary.NOT_RECORDED).any() for g in groups):
            rows += _share_rows(groups, name, label)
        else:
            absent.append(label)
    note = "Each patient at the first pair of a column; a patient treated both ways is in both."
    if absent:
        note += f" Not recorded for anyone: {', '.join(label.lower() for label in absent)}."
    return TableOne(labels, tuple(rows), note)


def _first_pairs(pairs: pl.DataFrame) -> pl.DataFrame:
    order = [
        *PATIENT,
        pl.col("visit_number").fill_null(0),
        "visit",
        "side",
        "definition",
        "instrument",
    ]
    return pairs.sort(order).unique(PATIENT, keep="first", maintain_order=True)


def _nothing(name: str, status: str = NOT_APPLICABLE) -> Cell:
    return Cell(name, "standardised difference", "", None, None, status=status)


def _patients(groups: tuple[pl.DataFrame, ...]) -> Characteristic:
    cells = tuple(
        Cell(f"table_one.patients.{i}", "patients", "patients", g.height, g.height)
        for i, g in enumerate(groups, start=1)
    )
    return Characteristic(
        "Patients", "Patients", "count", cells, _nothing("table_one.patients.difference")
    )


def _mean_rows(
    groups: tuple[pl.DataFrame, ...], name: str, label: str, unit: str
) -> list[Characteristic]:
    known = [g[name].drop_nulls() for g in groups]
    cells = tuple(
        _mean_cell(f"table_one.{name}.{i}", label, unit, values)
        for i, values in enumerate(known, start=1)
    )
    difference = _difference(
        f"table_one.{name}.difference",
        [values.len() for values in known],
        lambda: standardised_difference_of_means(
            *(x for cell in cells for x in (float(cell.value or 0), float(cell.sd or 0)))
        ),
    )
    rows = [Characteristic(label, label, "mean", cells, difference)]
    if any(values.len() < g.height for values, g in zip(known, groups, strict=True)):
        missing = [g.height - values.len() for values, g in zip(known, groups, strict=True)]
        rows.append(
            _share_row(
                f"table_one.{name}.missing", label, f"{label}: not recorded", groups, missing
            )
        )
    return rows


def _mean_cell(name: str, label: str, unit: str, values: pl.Series) -> Cell:
    if values.len() < 2:
        return Cell(name, label, unit, None, values.len(), status=NOT_RECORDED)
    ordered = values.sort().to_numpy()  # a fixed order, so that the sums repeat
    mean, sd = float(ordered.mean()), float(ordered.std(ddof=1))
    return Cell(name, label, unit, significant(mean), values.len(), sd=significant(sd))


def _share_rows(groups: tuple[pl.DataFrame, ...], name: str, heading: str) -> list[Characteristic]:
    present = set().union(*(g[name].unique().to_list() for g in groups))
    codes = [*vocabulary.code_list(name), vocabulary.NOT_RECORDED]
    rows = []
    for code in codes:
        if code not in present:
            continue
        counts = [g.filter(pl.col(name) == code).height for g in groups]
        label = vocabulary.label_of(name, code)
        rows.append(_share_row(f"table_one.{name}.{code}", heading, label, groups, counts))
    return rows


def _share_row(
    name: str, heading: str, label: str, groups: tuple[pl.DataFrame, ...], counts: list[int]
) -> Characteristic:
    cells = tuple(
        Cell(f"{name}.{i}", label, "patients", n, n, base=g.height)
        for i, (n, g) in enumerate(zip(counts, groups, strict=True), start=1)
    )
    bases = [g.height for g in groups]
    difference = _difference(
        f"{name}.difference",
        bases,
        lambda: standardised_difference_of_shares(
            *(n / base for n, base in zip(counts, bases, strict=True))
        ),
    )
    return Characteristic(heading, label, "share", cells, difference)


def _difference(name: str, bases: list[int], compute: Callable[[], float | None]) -> Cell:
    value = compute() if min(bases, default=0) > 1 else None
    if value is None:
        return _nothing(name)
    return Cell(name, "standardised difference", "", significant(value), min(bases))
