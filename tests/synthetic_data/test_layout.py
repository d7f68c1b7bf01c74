"""Neutral-zero triplets, against worked examples of the method."""

import polars as pl
import pytest

from synthetic_data.layout import triplet


@pytest.mark.parametrize(
    ("first", "second", "text"),
    [
        # Neutral-zero method, textbook examples (from memory): S 20-0-120 reads extension 20,
        # flexion 120; a flexion contracture of 20 with flexion to 100 is S 0-20-100.
        (20, 120, "20-0-120"),
        (-20, 100, "0-20-100"),
        (120, -20, "120-20-0"),
        (0, 110, "0-0-110"),
        (45, 30, "45-0-30"),
        (None, 30, None),
    ],
)
def test_a_triplet_says_where_the_movement_begins(first, second, text):
    frame = pl.DataFrame({"a": [first], "b": [second]}, schema={"a": pl.Float64, "b": pl.Float64})
    assert frame.select(triplet(pl.col("a"), pl.col("b"))).item() == text
