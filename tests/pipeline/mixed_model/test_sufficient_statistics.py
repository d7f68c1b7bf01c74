"""Sums that come out the same to the last bit for any order and partition of the rows."""

from fractions import Fraction

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.description import Factor, Number
from pipeline.mixed_model.exact_sums import common_unit, grid_of, limbs_of
from pipeline.mixed_model.group_code import codes_of
from pipeline.mixed_model.influence import without_part
from pipeline.mixed_model.merging import combine
from pipeline.mixed_model.sufficient_statistics import collect
from schemas.errors import ModelError


def test_readings_in_tenths_are_kept_as_whole_tenths(clinic_rows, describe):
    rows = clinic_rows(30)
    found = collect(rows, describe())
    place = found.columns.index("gain")
    tenths = [round(value * 10) for value in rows["gain"]]
    assert found.units[place] == Fraction(1, 10)
    assert found.products[place, place] == sum(value**2 for value in tenths)
    assert found.mean("gain") == pytest.approx(rows["gain"].mean(), rel=1e-15)
    assert found.sums[0, :, place].sum() == sum(tenths)


def test_any_order_of_rows_gives_the_same_bits(clinic_rows, describe, model_name, same):
    rows = clinic_rows(30).with_columns((pl.col("pretest") * np.pi).alias("pretest"))
    expected = collect(rows, describe(model_name))
    for seed in range(3):
        same(
            collect(rows.sample(fraction=1.0, shuffle=True, seed=seed), describe(model_name)),
            expected,
        )


@pytest.mark.parametrize("by", ["clinic", "patient", "side"])
def test_partitions_add_up_to_the_whole(clinic_rows, describe, model_name, by, same):
    rows, description = clinic_rows(30), describe(model_name)
    parts = [collect(part, description) for part in rows.partition_by(by)]
    whole = collect(rows, description)
    same(combine(parts), whole)
    same(combine(parts[::-1]), whole)


def test_partitions_on_different_grids_add_up(clinic_rows, describe):
    rows = clinic_rows(20)
    fine = rows.with_columns(
        pl.when(pl.col("clinic") == "c0")
        .then(pl.col("gain") + 0.123456789)
        .otherwise("gain")
        .alias("gain")
    )
    parts = [collect(part, describe()) for part in fine.partition_by("clinic")]
    added, whole = combine(parts), collect(fine, describe())
    assert added.mean("gain") == pytest.approx(whole.mean("gain"), rel=1e-13)


def test_a_partition_taken_out_leaves_the_others(clinic_rows, describe, same):
    rows, description = clinic_rows(30), describe("usual")
    whole = collect(rows, description)
    part = collect(rows.filter(pl.col("clinic") == "c2"), description)
    rest = without_part(whole, part)
    same(rest, collect(rows.filter(pl.col("clinic") != "c2"), description))


def test_rows_with_missing_values_or_no_weight_are_left_out_and_counted(
    clinic_rows, describe, same
):
    rows = clinic_rows(20).with_columns(pl.lit(2.0).alias("w"), pl.int_range(pl.len()).alias("i"))
    gaps = rows.with_columns(
        pl.when(pl.col("i") == 1).then(None).otherwise("gain").alias("gain"),
        pl.when(pl.col("i") == 2).then(float("nan")).otherwise("pretest").alias("pretest"),
        pl.when(pl.col("i") == 3).then(None).otherwise("patient").alias("patient"),
        pl.when(pl.col("i") == 4).then(0.0).otherwise("w").alias("w"),
    )
    found = collect(gaps, describe(weights="w"))
    assert (found.n_rows, found.n_left_out) == (rows.height - 4, 4)
    same(
        found.__class__(**{**found.__dict__, "n_left_out": 0}),
        collect(rows[[0, *range(5, rows.height)]], describe(weights="w")),
    )


@pytest.mark.parametrize(
    ("column", "value", "problem"),
    [
        ("gain", float("inf"), "infinite"),
        ("w", -1.0, "negative weight"),
        ("pretest", "thirty", "not a number"),
    ],
)
def test_values_that_cannot_be_added_are_refused(clinic_rows, describe, column, value, problem):
    rows = clinic_rows(10).with_columns(pl.lit(1.0).alias("w"))
    with pytest.raises(ModelError, match=problem) as caught:
        collect(rows.with_columns(pl.lit(value).alias(column)), describe(weights="w"))
    assert column in caught.value.problem


def test_a_column_that_is_not_there_is_named_with_the_nearest(clinic_rows, describe):
    with pytest.raises(ModelError, match="pretst") as caught:
        collect(clinic_rows(5), describe(fixed=(Number(name="pretst"),)))
    assert "pretest" in caught.value.remedy


def test_no_rows_are_refused(clinic_rows, describe):
    with pytest.raises(ModelError, match="no row"):
        collect(clinic_rows(5).clear(), describe())


def test_a_lazy_frame_gives_what_a_frame_gives(clinic_rows, describe, same):
    rows = clinic_rows(10)
    same(collect(rows.lazy(), describe()), collect(rows, describe()))


def test_labels_of_any_kind_are_numbered_in_their_order():
    frame = pl.DataFrame({"a": ["b", "a", "b"], "n": [7, 7, -3]})
    assert codes_of(frame).tolist() == [2, 0, 1]
    assert codes_of(frame.with_columns(pl.col("a").cast(pl.Categorical))).tolist() == [2, 0, 1]
    assert codes_of(pl.DataFrame({"n": [10**12, 5, 10**12]})).tolist() == [1, 0, 1]


@pytest.mark.parametrize(
    ("values", "unit", "limbs"),
    [
        ([1.0, -3.0], Fraction(1), 1),
        ([12.5, 0.1], Fraction(1, 10), 1),
        ([12.34], Fraction(1, 100), 1),
        ([2000.25], Fraction(1, 100), 2),
        ([1e9, 1.0], Fraction(1), 2),
        ([0.1234567], Fraction(1, 2**50), 3),
    ],
)
def test_the_coarsest_grid_is_found(values, unit, limbs):
    found = grid_of(np.array(values))
    assert (found.unit, found.n_limbs) == (unit, limbs)


def test_limbs_add_up_and_stay_short():
    rng = np.random.default_rng(1)
    numbers = np.rint(rng.uniform(-(2.0**46), 2.0**46, 1000))
    low, middle, high = limbs_of(numbers, 3)
    assert (low + middle * 2.0**16 + high * 2.0**32 == numbers).all()
    assert max(np.abs(low).max(), np.abs(middle).max(), np.abs(high).max()) <= 2.0**15


def test_a_common_unit_holds_both():
    assert common_unit((Fraction(1, 10), Fraction(1, 4), Fraction(0))) == Fraction(1, 20)


def test_the_levels_of_partitions_are_united_in_the_declared_order(clinic_rows, describe):
    rows = clinic_rows(10)
    parts = rows.partition_by("technique")
    fixed = (Factor(name="technique", levels=("long_axis", "lateral")),)
    for order in (parts, parts[::-1]):
        found = combine([collect(part, describe(fixed=fixed)) for part in order])
        assert found.levels == {"technique": ("long_axis", "lateral")}
