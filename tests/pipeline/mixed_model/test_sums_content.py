"""Sums survive being written as bytes, to the last bit."""

import json

import numpy as np
import polars as pl
import pytest

from pipeline.mixed_model.description import Method
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.partition import collect_part
from pipeline.mixed_model.sufficient_statistics import collect
from pipeline.mixed_model.sums_content import sums_content, sums_from


def same(one, other):
    assert one.description == other.description
    assert one.columns == other.columns
    assert one.units == other.units
    assert one.products.tolist() == other.products.tolist()
    assert one.varying == other.varying
    assert one.groups.equals(other.groups)
    assert one.sums.tobytes() == other.sums.tobytes()
    assert one.sums.shape == other.sums.shape
    assert one.levels == other.levels
    assert list(one.levels) == list(other.levels)
    assert (one.n_rows, one.n_left_out) == (other.n_rows, other.n_left_out)
    assert one.log_weights == other.log_weights


def test_round_trip(clinic_rows, describe, model_name):
    # Numbers without a decimal unit: products far beyond 2^53, units that are powers of two.
    rows = clinic_rows(20).with_columns(
        pretest=pl.col("pretest") * np.pi, w=pl.col("pretest") / 7.0
    )
    description = describe(model_name, weights="w", method=Method.ML)
    sums = collect(rows, description)
    assert max(abs(value) for value in sums.products.ravel()) > 2**80
    again = sums_from(sums_content(sums))
    same(again, sums)
    assert sums_content(again) == sums_content(sums)
    assert all(type(value) is int for value in again.products.ravel())
    assert fit(again).theta.tobytes() == fit(sums).theta.tobytes()


def test_sums_of_no_rows(clinic_rows, describe):
    nothing = clinic_rows(3).with_columns(gain=pl.lit(None, dtype=pl.Float64))
    sums = collect_part(nothing, describe())
    same(sums_from(sums_content(sums)), sums)


@pytest.mark.parametrize("kind", [pl.Categorical(), pl.Enum([f"p{i:03}" for i in range(60)])])
def test_labels_are_those_of_the_rows_alone(clinic_rows, describe, kind):
    rows = clinic_rows(60).with_columns(pl.col("patient").cast(kind))
    sums = collect(rows.filter(pl.col("patient") != "p017"), describe("patient"))
    content = sums_content(sums)
    assert b"p016" in content
    assert b"p017" not in content
    again = sums_from(content)
    assert again.groups["patient"].to_list() == sums.groups["patient"].to_list()
    assert fit(again).theta.tobytes() == fit(sums).theta.tobytes()


def test_numbers_stay_numbers(clinic_rows, describe):
    rows = clinic_rows(20).with_columns(patient=pl.col("patient").str.slice(1).cast(pl.Int64))
    sums = collect(rows, describe("patient"))
    again = sums_from(sums_content(sums))
    same(again, sums)
    assert again.groups.schema == {"patient": pl.Int64}


def test_the_header_is_plain_json(clinic_rows, describe):
    sums = collect(clinic_rows(10), describe())
    content = sums_content(sums)
    header = json.loads(content[8 : 8 + int.from_bytes(content[:8], "little")])
    assert header["units"][-1] == "1/10"
    assert int(header["products"][0][0]) == header["n_rows"] == sums.n_rows


def test_another_layout_is_refused(clinic_rows, describe):
    content = sums_content(collect(clinic_rows(10), describe()))
    with pytest.raises(ValueError, match="layout 9 of the sums is not 1"):
        sums_from(content.replace(b'"layout": 1', b'"layout": 9', 1))
