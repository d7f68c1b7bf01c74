"""The fit without each group equals the fit to the other rows."""

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.contrast import estimate
from pipeline.mixed_model.description import Factor, Number
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.influence import leave_one_out, without_part
from pipeline.mixed_model.partition import collect_by
from pipeline.mixed_model.sufficient_statistics import collect
from schemas.errors import ModelError
from tests.reference.mixed_model_descriptions import reference_model

CLINICS = [(f"c{i}",) for i in range(6)]


def test_leaving_a_clinic_out_equals_a_fit_to_the_other_rows(clinic_rows, describe, model_name):
    rows, description = clinic_rows(), describe(model_name)
    model = fit(rows, description)
    weights = np.eye(len(model.columns))
    found = leave_one_out(model, collect_by(rows, description, "clinic"), weights)
    assert list(found.labels) == CLINICS
    assert found.failures == {}
    for place, (clinic,) in enumerate(CLINICS):
        other = fit(rows.filter(pl.col("clinic") != clinic), description, start=model.theta)
        assert other.columns == model.columns
        assert found.estimates[place] == pytest.approx(other.coefficients, abs=1e-8, rel=1e-8)
        errors = np.sqrt(np.diag(other.covariance))
        assert found.standard_errors[place] == pytest.approx(errors, rel=1e-8)
    assert found.whole == pytest.approx(model.coefficients)


@pytest.mark.parametrize("by", ["side", ("clinic", "side"), "visit"])
def test_groups_may_share_cells_with_others(clinic_rows, describe, by):
    rows, description = clinic_rows(), describe("crossed")
    model = fit(rows, description)
    found = leave_one_out(model, collect_by(rows, description, by), np.array([0.0, 1.0, 0.0]))
    names = [by] if isinstance(by, str) else by
    for place, label in enumerate(found.labels):
        same = pl.all_horizontal(
            pl.col(n).cast(pl.String) == v for n, v in zip(names, label, strict=True)
        )
        other = fit(rows.filter(~same), description)
        assert found.estimates[place, 0] == pytest.approx(other.coefficients[1], abs=1e-7)


def test_range_and_the_group_that_moves_most(clinic_rows, describe):
    rows, description = clinic_rows(), describe("patient")
    strange = rows.with_columns(
        gain=pl.col("gain")
        + 9.0 * ((pl.col("clinic") == "c3") & (pl.col("technique") == "lateral")).cast(pl.Int8)
    )
    model = fit(strange, description)
    found = leave_one_out(
        model, collect_by(strange, description, "clinic"), np.array([[0.0, 1.0, 0.0]])
    )
    assert found.most.tolist() == [3]
    assert found.low[0] == found.estimates[:, 0].min() == found.estimates[3, 0]
    assert found.high[0] == found.estimates[:, 0].max()
    assert found.estimates[3, 0] < found.whole[0] - 0.5


def test_the_reference_level_may_go_with_its_only_clinic(clinic_rows, describe):
    # "aside" is the reference and occurs in c0 alone; without c0 the others can still be compared.
    rows = clinic_rows().with_columns(
        method=pl.when(pl.col("clinic") == "c0")
        .then(pl.lit("aside"))
        .otherwise(pl.when(pl.col("visit") % 2 == 0).then(pl.lit("b")).otherwise(pl.lit("c")))
    )
    description = describe("patient", fixed=(Factor(name="method"), Number(name="pretest")))
    model = fit(rows, description)
    assert model.columns == ("(intercept)", "method=b", "method=c", "pretest")
    weights = np.array([[0.0, -1.0, 1.0, 0.0], [0.0, 1.0, 0.0, 0.0]])
    found = leave_one_out(model, collect_by(rows, description, "clinic"), weights)
    other = fit(rows.filter(pl.col("clinic") != "c0"), description)
    assert other.columns == ("(intercept)", "method=c", "pretest")
    expected = estimate(other, np.array([0.0, 1.0, 0.0]))
    assert found.estimates[0, 0] == pytest.approx(expected.estimate, rel=1e-8)
    assert found.standard_errors[0, 0] == pytest.approx(expected.standard_error, rel=1e-8)
    assert np.isnan(found.estimates[0, 1])
    assert found.failures == {("c0",): "the other rows can't tell the compared levels apart"}
    assert not np.isnan(found.estimates[1:]).any()
    assert found.high[1] == found.estimates[1:, 1].max()
    assert found.most[1] > 0


def test_a_fit_that_fails_is_a_reason(clinic_rows, describe):
    rows = clinic_rows().filter(pl.col("clinic").is_in(["c0", "c1"]))
    description = describe("crossed")
    model = fit(rows, description)
    found = leave_one_out(model, collect_by(rows, description, "clinic"), np.array([0.0, 1.0, 0.0]))
    assert set(found.failures) == {("c0",), ("c1",)}
    assert "one clinic only" in found.failures[("c0",)]
    assert np.isnan(found.low).all()
    assert found.most.tolist() == [-1]


def test_leaving_everything_out_is_a_reason(clinic_rows, describe):
    rows, description = clinic_rows().with_columns(all=pl.lit("x")), describe("patient")
    model = fit(rows, description)
    found = leave_one_out(model, collect_by(rows, description, "all"), np.array([0.0, 1.0, 0.0]))
    assert found.failures == {("x",): "no other rows are left"}


def test_numbers_without_a_decimal_unit_and_weights(clinic_rows, describe):
    # Weights put everything on binary grids, which differ between the parts and the whole.
    size = pl.when(pl.col("clinic") == "c5").then(0.003).otherwise(0.7)
    rows = clinic_rows().with_columns(
        w=(pl.col("visit") / 3.0 + 1.0) * size, pretest=pl.col("pretest") * np.pi
    )
    rows = rows.with_columns(
        technique=pl.when(pl.col("clinic") == "c5").then(pl.lit("own")).otherwise("technique")
    )
    description = describe("crossed", weights="w")
    model = fit(rows, description)
    found = leave_one_out(
        model, collect_by(rows, description, "clinic"), np.array([[0.0, 1, 0, 0], [0.0, 0, 1, 0]])
    )
    assert model.columns[1:3] == ("technique=lateral", "technique=own")
    for place, (clinic,) in enumerate(CLINICS):
        other = fit(rows.filter(pl.col("clinic") != clinic), description, start=model.theta)
        assert found.estimates[place, 0] == pytest.approx(other.coefficients[1], rel=1e-7)
    parts = collect_by(rows, description, "clinic")
    left = without_part(model.statistics, parts[("c5",)])
    place = left.columns.index("technique=own")
    assert not left.products[place].any()
    assert not left.sums[:, :, place].any()
    assert len(left.groups) == len(other.statistics.groups)
    without_last = fit(left)
    assert without_last.criterion == pytest.approx(other.criterion, abs=1e-6)
    assert without_last.dropped == ("technique=own",)
    assert np.isnan(found.estimates[5, 1])
    assert not np.isnan(found.estimates[:5]).any()


def test_published_data_without_one_subject():
    # No outside value for the fit without a subject; ours to its rows is checked against lme4 elsewhere.
    model = reference_model("sleepstudy_rs_corr")
    fitted = fit(model.frame, model.description)
    found = leave_one_out(
        fitted, collect_by(model.frame, model.description, "Subject"), np.array([0.0, 1.0])
    )
    rest = model.frame.filter(pl.col("Subject") != 337)
    expected = fit(rest, model.description).coefficients[1]
    place = found.labels.index(("337",))
    assert found.estimates[place, 0] == pytest.approx(expected, abs=1e-7)


def test_rows_of_another_frame_are_refused(clinic_rows, describe):
    description = describe("patient")
    whole = collect(clinic_rows(), description)
    others = [
        collect(clinic_rows(seed=4), description),  # other cells
        collect(pl.concat([clinic_rows(), clinic_rows()]), description),  # more rows
        collect(clinic_rows(), describe("crossed")),  # another model
        collect(clinic_rows().filter(pl.col("patient") == "p000")[[0] * 40], description),
    ]
    for other in others:
        with pytest.raises(ModelError) as error:
            without_part(whole, other)
        assert error.value.place == "influence"
        assert "not all among those of the model" in error.value.problem
        assert "Collect the parts" in error.value.remedy
