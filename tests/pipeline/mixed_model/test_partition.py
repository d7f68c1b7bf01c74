"""Sums of parts, some of which have no usable row."""

import polars as pl
import pytest

from pipeline.mixed_model.description import Factor, Interaction, Number, RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.partition import collect_by, collect_part, combine_parts
from pipeline.mixed_model.sufficient_statistics import collect
from schemas.errors import ModelError


@pytest.fixture
def description(describe):
    return describe(
        fixed=(
            Factor(name="technique", levels=("long_axis", "lateral")),
            Number(name="pretest"),
            Interaction(of=("technique", "pretest")),
        ),
        random=(RandomTerm(by=("patient",), slopes=("visit",)), RandomTerm(by=("clinic",))),
    )


def without_outcomes(rows, clinic):
    return rows.with_columns(gain=pl.when(pl.col("clinic") == clinic).then(None).otherwise("gain"))


@pytest.mark.parametrize("order", [1, -1])
def test_a_part_without_usable_rows_adds_what_it_left_out(clinic_rows, description, order, same):
    rows = without_outcomes(clinic_rows(20), "c1")
    parts = [collect_part(part, description) for part in rows.partition_by("clinic")]
    empty = [part for part in parts if not part.n_rows]
    assert [part.n_left_out for part in empty] == [rows.filter(pl.col("clinic") == "c1").height]
    added, whole = combine_parts(parts[::order]), collect(rows, description)
    same(added, whole)
    assert added.n_left_out > 0
    assert fit(added).coefficients.tobytes() == fit(whole).coefficients.tobytes()


def test_only_empty_parts_are_refused(clinic_rows, description):
    rows = without_outcomes(clinic_rows(5), "c1").filter(pl.col("clinic") == "c1")
    part = collect_part(rows, description)
    for parts in ([part], [part, part], []):
        with pytest.raises(ModelError, match="no row has all values"):
            combine_parts(parts)


def test_a_missing_column_is_still_refused(clinic_rows, description):
    with pytest.raises(ModelError, match="no column “gain”"):
        collect_part(clinic_rows(5).drop("gain"), description)


@pytest.mark.parametrize("by", ["clinic", ("technique", "side")])
def test_sums_by_group(clinic_rows, description, by, same):
    rows = clinic_rows(20)
    found = collect_by(rows, description, by)
    names = (by,) if isinstance(by, str) else by
    assert list(found) == sorted(rows.select(names).unique().rows())
    for label, part in found.items():
        kept = pl.all_horizontal(pl.col(n) == v for n, v in zip(names, label, strict=True))
        same(part, collect(rows.filter(kept), description))
    same(combine_parts(list(found.values())), collect(rows, description))


def test_rows_of_no_group_and_groups_of_no_row_are_not_named(clinic_rows, description):
    rows = without_outcomes(clinic_rows(20), "c1").with_columns(
        place=pl.when(pl.col("clinic") == "c2").then(None).otherwise("clinic")
    )
    found = collect_by(rows, description, "place")
    assert list(found) == [("c0",), ("c3",), ("c4",), ("c5",)]
