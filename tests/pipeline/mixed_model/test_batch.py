"""Batches of a query add up to the sums of all rows, to the last bit."""

import polars as pl
import pytest

from pipeline.mixed_model.batch import collect_batches, collect_query
from pipeline.mixed_model.description import RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.sufficient_statistics import collect
from pipeline.query import connect
from schemas.errors import ModelError


@pytest.fixture
def description(describe):
    return describe(
        random=(RandomTerm(by=("patient",), slopes=("visit",)), RandomTerm(by=("clinic",)))
    )


class Counted:
    """A relation that says how many batches it gave, and how long the longest was."""

    def __init__(self, connection):
        self.connection, self.sizes = connection, []

    def sql(self, text):
        self.relation = self.connection.sql(text)
        return self

    def to_arrow_reader(self, rows_per_batch):
        for batch in self.relation.to_arrow_reader(rows_per_batch):
            self.sizes.append(batch.num_rows)
            yield batch


def test_three_batches_are_all_rows_to_the_last_bit(clinic_rows, description, same):
    # 6,000 rows: DuckDB fills batches in steps of 2,048.
    rows = pl.concat(
        clinic_rows(60, seed=seed).with_columns(
            pl.format("{}-{}", pl.lit(seed), "patient").alias("patient")
        )
        for seed in range(20)
    )[:6000]
    assert rows.height == 6000
    with connect(tests=rows) as connection:
        counted = Counted(connection)
        found = collect_query(
            counted, "SELECT * FROM tests ORDER BY gain", description, rows_per_batch=2048
        )
    assert counted.sizes == [2048, 2048, 1904]
    whole = collect(rows, description)
    same(found, whole)
    one, other = fit(found), fit(whole)
    assert one.coefficients.tobytes() == other.coefficients.tobytes()
    assert one.theta.tobytes() == other.theta.tobytes()


def test_a_query_may_compute_its_columns(clinic_rows, description, same):
    rows = clinic_rows(20)
    with connect(tests=rows) as connection:
        found = collect_query(
            connection,
            "SELECT * REPLACE (CAST(gain * 10 AS DECIMAL(10, 1)) / 10 AS gain) FROM tests",
            description,
        )
    same(found, collect(rows, description))


@pytest.mark.parametrize("size", [1, 7, 40, 100_000])
def test_any_size_of_batch(clinic_rows, description, size, same):
    rows = clinic_rows(20).with_columns(
        gain=pl.when(pl.col("clinic") == "c1").then(None).otherwise("gain")
    )
    same(collect_batches(rows.iter_slices(size), description), collect(rows, description))


def test_batches_without_usable_rows_are_counted(clinic_rows, description):
    rows = clinic_rows(10)
    nothing = rows.with_columns(gain=pl.lit(None, dtype=pl.Float64))
    found = collect_batches([nothing, nothing, rows, rows[:0]], description)
    assert found.n_rows == rows.height
    assert found.n_left_out == 2 * rows.height


def test_no_usable_row_is_refused(clinic_rows, description):
    for batches in ([], [clinic_rows(5)[:0]]):
        with pytest.raises(ModelError, match="no row has all values"):
            collect_batches(batches, description)


def test_a_query_without_the_columns_is_refused(clinic_rows, description):
    with connect(tests=clinic_rows(5)) as connection:
        with pytest.raises(ModelError, match="no column “gain”"):
            collect_query(connection, "SELECT * EXCLUDE gain FROM tests", description)
        with pytest.raises(ModelError, match="no row has all values"):
            collect_query(connection, "SELECT * FROM tests WHERE gain > 1000", description)
