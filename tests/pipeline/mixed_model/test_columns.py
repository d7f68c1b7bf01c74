"""Columns of the fixed part: names by the contract, values as patsy codes them."""

from itertools import combinations

import numpy as np
import patsy
import polars as pl
import pytest

from pipeline.mixed_model.columns import (
    coded_columns,
    column_matrix,
    column_values,
    levels_of,
    raw_columns,
)
from pipeline.mixed_model.description import (
    Factor,
    Interaction,
    ModelDescription,
    Number,
    RandomTerm,
    Spline,
)
from schemas.errors import ModelError

ROWS = pl.DataFrame(
    {
        "technique": ["lateral", "caudal", "dorsal", "caudal", None],
        "grade": [4, 3, 3, None, 4],
        "is_right": [True, False, False, True, True],
        "pretest": [10.0, 20.0, None, 40.0, 50.0],
        "seconds": [0, 30, 60, 90, 120],
        "t": [0.0, 1.0, 2.0, 3.0, 4.0],
    }
)
TECHNIQUE, GRADE, PRETEST = Factor(name="technique"), Factor(name="grade"), Number(name="pretest")
SECONDS = Spline(name="seconds", knots=(60.0,), boundary=(0.0, 120.0))


def model(*fixed, slopes=()):
    random = (RandomTerm(by=("patient",), slopes=slopes),)
    return ModelDescription(outcome="gain", fixed=fixed, random=random)


def raw_names(description, rows=ROWS):
    return [column.name for column in raw_columns(description, levels_of(description, rows))]


def values(name, description, rows=ROWS, on=None):
    columns = {c.name: c for c in raw_columns(description, levels_of(description, rows))}
    return column_values(columns[name], rows if on is None else on)


# Names


def test_raw_columns_hold_every_level_and_every_product_the_first_part_slowest():
    both = Interaction(of=("technique", "grade"))
    assert raw_names(model(PRETEST, TECHNIQUE, GRADE, both, SECONDS, slopes=("t",))) == [
        "(intercept)",
        "pretest",
        "technique=caudal",
        "technique=dorsal",
        "technique=lateral",
        "grade=3",
        "grade=4",
        "technique=caudal × grade=3",
        "technique=caudal × grade=4",
        "technique=dorsal × grade=3",
        "technique=dorsal × grade=4",
        "technique=lateral × grade=3",
        "technique=lateral × grade=4",
        "seconds[1]",
        "seconds[2]",
        "t",
    ]


def test_a_name_comes_once():
    again = Interaction(of=("technique", "pretest"))
    names = raw_names(model(PRETEST, TECHNIQUE, again, again, slopes=("pretest", "t")))
    assert len(names) == len(set(names))
    assert names.index("pretest") == 1
    assert names[-1] == "t"


def test_coded_columns_leave_the_reference_out_and_put_simple_terms_first():
    three = Interaction(of=("technique", "grade", "pretest"))
    two = Interaction(of=("technique", "pretest"))
    description = model(three, two, SECONDS, PRETEST, TECHNIQUE, GRADE, slopes=("t",))
    coded = coded_columns(description, levels_of(description, ROWS))
    assert coded == (
        "(intercept)",
        "technique=dorsal",
        "technique=lateral",
        "grade=4",
        "pretest",
        "seconds[1]",
        "seconds[2]",
        "technique=dorsal × pretest",
        "technique=lateral × pretest",
        "technique=dorsal × grade=4 × pretest",
        "technique=lateral × grade=4 × pretest",
    )
    assert set(coded) < set(raw_names(description))


def test_a_factor_of_one_level_is_constant_and_gives_no_column():
    description = model(TECHNIQUE, PRETEST, Interaction(of=("technique", "pretest")))
    rows = ROWS.filter(pl.col("technique") == "caudal")
    assert coded_columns(description, levels_of(description, rows)) == ("(intercept)", "pretest")
    assert "technique=caudal" in raw_names(description, rows)


# Levels


def test_declared_levels_that_occur_come_first_and_the_others_by_name():
    declared = Factor(name="technique", levels=("lateral", "ventral", "caudal", "lateral"))
    assert levels_of(model(declared), ROWS) == {"technique": ("lateral", "caudal", "dorsal")}


@pytest.mark.parametrize(
    ("name", "expected"), [("grade", ("3", "4")), ("is_right", ("false", "true"))]
)
def test_levels_are_text(name, expected):
    assert levels_of(model(Factor(name=name)), ROWS) == {name: expected}


@pytest.mark.parametrize(
    "dtype", [pl.String, pl.Categorical, pl.Enum(["ventral", "lateral", "dorsal", "caudal"])]
)
def test_categories_are_read_as_text_is(dtype):
    rows = ROWS.with_columns(pl.col("technique").cast(dtype))
    description = model(TECHNIQUE)
    assert levels_of(description, rows) == {"technique": ("caudal", "dorsal", "lateral")}
    found = values("technique=caudal", description, on=rows)
    assert found == pytest.approx([0, 1, 0, 1, np.nan], nan_ok=True)


# Values


def test_values_of_each_kind_with_what_is_missing_missing():
    description = model(GRADE, Factor(name="is_right"), PRETEST, slopes=("t",))
    expected = {
        "(intercept)": [1, 1, 1, 1, 1],
        "grade=4": [1, 0, 0, np.nan, 1],
        "is_right=true": [1, 0, 0, 1, 1],
        "pretest": [10, 20, np.nan, 40, 50],
        "t": [0, 1, 2, 3, 4],
    }
    for name, column in expected.items():
        assert values(name, description) == pytest.approx(column, nan_ok=True), name


def test_a_spline_column_is_the_truncated_cubes_of_its_definition():
    # Knots 0, 60, 120, by hand: ((x^3 - 0)/120 - (x-60)^3+/60)/120.
    found = values("seconds[2]", model(SECONDS))
    assert found == pytest.approx([0, 1.875, 15, 46.875, 90])


def test_a_number_is_told_from_a_factor_of_the_same_column():
    description = model(GRADE, slopes=("grade",))
    assert values("grade", description) == pytest.approx([4, 3, 3, np.nan, 4], nan_ok=True)
    columns = raw_columns(description, levels_of(description, ROWS))
    assert column_matrix(columns, ROWS)[0].tolist() == [1, 0, 1, 4]


@pytest.mark.parametrize(("value", "level"), [(2, "2"), (2.5, "2.5"), (2.0, "2.0")])
def test_a_level_is_compared_as_text(value, level):
    rows = pl.DataFrame({"grade": [value, 7 * value, None]})
    found = values(f"grade={level}", model(GRADE), rows)
    assert found == pytest.approx([1, 0, np.nan], nan_ok=True)


def test_a_small_grid_is_evaluated_with_the_levels_of_the_rows():
    description = model(TECHNIQUE, PRETEST, Interaction(of=("technique", "pretest")))
    grid = pl.DataFrame({"technique": ["lateral", "lateral", "caudal"], "pretest": [1, 5, 7]})
    found = values("technique=lateral × pretest", description, on=grid)
    assert found.tolist() == [1, 5, 0]


def test_the_matrix_holds_the_columns_across_its_blocks():
    n = 70_001  # more than two blocks
    rng = np.random.default_rng(3)
    rows = pl.DataFrame(
        {
            "technique": rng.choice(["a", "b", "c"], n),
            "grade": rng.integers(1, 4, n),
            "pretest": rng.normal(30, 9, n),
        }
    )
    description = model(TECHNIQUE, GRADE, PRETEST, Interaction(of=("technique", "pretest")))
    columns = raw_columns(description, levels_of(description, rows))
    matrix = column_matrix(columns, rows)
    assert matrix.flags.c_contiguous
    for j, column in enumerate(columns):
        assert np.array_equal(matrix[:, j], column_values(column, rows)), column.name
    level, pretest = rows["technique"].to_numpy(), rows["pretest"].to_numpy()
    by_hand = np.where(level == "b", pretest, 0.0)
    names = [column.name for column in columns]
    assert np.array_equal(matrix[:, names.index("technique=b × pretest")], by_hand)


def test_the_design_is_that_of_patsy():
    # patsy's treatment coding of the three terms and all their products.
    rng = np.random.default_rng(8)
    data = {
        "technique": rng.choice(["a", "b", "c"], 60),
        "grade": rng.choice(["3", "4"], 60),
        "pretest": rng.normal(30, 9, 60),
    }
    names = ("technique", "grade", "pretest")
    products = [Interaction(of=of) for k in (2, 3) for of in combinations(names, k)]
    description, rows = model(TECHNIQUE, GRADE, PRETEST, *products), pl.DataFrame(data)
    levels = levels_of(description, rows)
    columns = {column.name: column for column in raw_columns(description, levels)}
    own = {name: column_values(columns[name], rows) for name in coded_columns(description, levels)}
    matrix = patsy.dmatrix("technique * grade * pretest", data)
    theirs = dict(zip(map(_own_name, matrix.design_info.column_names), matrix.T, strict=True))
    assert set(own) == set(theirs)
    assert len(own) == 12
    for name, column in theirs.items():
        assert np.array_equal(own[name], column), name


def _own_name(name):
    parts = [part.replace("[T.", "=").replace("]", "") for part in name.split(":")]
    return " × ".join(parts).replace("Intercept", "(intercept)")


# Mistakes


def test_a_factor_that_is_missing_is_named_with_its_neighbours():
    with pytest.raises(ModelError, match="column “techniqe”") as caught:
        levels_of(model(Factor(name="techniqe")), ROWS)
    assert "nearest: technique" in caught.value.remedy


@pytest.mark.parametrize(
    "evaluate", [lambda c: column_values(c[1], ROWS), lambda c: column_matrix(c, ROWS)]
)
def test_a_number_that_is_missing_is_named_with_its_neighbours(evaluate):
    columns = raw_columns(model(Number(name="pretst")), {})
    with pytest.raises(ModelError, match="column “pretst”") as caught:
        evaluate(columns)
    assert "nearest: pretest" in caught.value.remedy


def test_a_number_that_is_text_is_refused():
    with pytest.raises(ModelError, match="it holds String") as caught:
        values("technique", model(Number(name="technique")))
    assert "factor" in caught.value.remedy
