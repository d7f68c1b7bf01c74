"""Small statistics against published worked examples."""

import polars as pl
import pytest
from statsmodels.stats.multitest import multipletests

from pipeline.balance import standardised_difference_of_means, standardised_difference_of_shares
from pipeline.measurement_error import MDC95_PER_SEM
from pipeline.proportion import wilson_interval
from synthetic_data.open_data.folder import open_data_folder


@pytest.mark.parametrize(
    ("count", "base", "low", "high"),
    # Newcombe (1998) Stat. Med. 17:857-872, table I, method 3 (from memory); R 4.2.2 prop.test agrees.
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)  # fmt: skip
def test_wilson_intervals_are_newcombes(count, base, low, high):
    assert wilson_interval(count, base) == pytest.approx((low, high), abs=5e-5)


def test_wilson_intervals_to_r_digits():
    # R 4.2.2, prop.test(x, n, correct = FALSE).
    assert wilson_interval(47, 60) == pytest.approx(
        (0.663799724268052, 0.868769559518097), abs=1e-12
    )
    assert wilson_interval(10, 10) == pytest.approx((0.722467200137111, 1.0), abs=1e-12)


def test_standardised_differences():
    # Austin (2009) Stat. Med. 28:3083-3107, formula; values worked by hand.
    assert standardised_difference_of_means(52, 10, 50, 12) == pytest.approx(0.1811, abs=5e-5)
    assert standardised_difference_of_shares(0.6, 0.5) == pytest.approx(0.2020, abs=5e-5)
    assert standardised_difference_of_means(1, 0, 2, 0) is None


def test_standardised_difference_of_the_open_data():
    # Person means of the rotation gain, treated and control: 1.07428604 with unweighted SD (R 4.2.2).
    rows = pl.read_csv(open_data_folder() / "hips.csv")
    people = rows.group_by("person", "grp").agg(
        (pl.col("raft") - pl.col("rbef")).mean().alias("gain")
    )
    parts = []
    for group in ("treat", "control"):
        gains = people.filter(pl.col("grp") == group)["gain"]
        parts += [gains.mean(), gains.std()]
    assert standardised_difference_of_means(*parts) == pytest.approx(1.07428604156787, rel=1e-10)


@pytest.mark.parametrize(
    ("p", "holm"),
    [
        # Holm (1979) Scand. J. Stat. 6:65-70; R 4.2.2 p.adjust.
        ([0.01, 0.04, 0.03, 0.005], [0.03, 0.06, 0.06, 0.02]),
        ([0.001, 0.0125, 0.02, 0.04, 0.3], [0.005, 0.05, 0.06, 0.08, 0.3]),
        ([0.6, 0.02, 0.02, 0.9, 0.001], [1, 0.08, 0.08, 1, 0.005]),
    ],
)
def test_holm(p, holm):
    assert multipletests(p, method="holm")[1] == pytest.approx(holm, rel=1e-12)


def test_the_smallest_detectable_change():
    # SD 8 and ICC 0.85 give SEM 3.098 and MDC95 8.588 (formula as in Weir 2005, from memory).
    sem = 8 * (1 - 0.85) ** 0.5
    assert sem == pytest.approx(3.098, abs=5e-4)
    assert MDC95_PER_SEM * sem == pytest.approx(8.588, abs=1e-3)
