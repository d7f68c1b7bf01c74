"""Parametric bootstrap: against standard errors that are exact in balanced data, and by hand.

Source of the standard errors: tests/reference/data/lme4.json (lme4 1.1-31, R 4.2.2). In balanced data
the estimates of contrasts are those of least squares, so that their spread under the model is the
standard error itself.
"""

from operator import attrgetter

import numpy as np
import pytest

from pipeline.mixed_model.bootstrap import Bootstrap, bootstrap
from pipeline.mixed_model.description import Method
from pipeline.mixed_model.fit import fit
from schemas.errors import ConvergenceError, ModelError
from tests.reference.mixed_model_descriptions import reference_model

COEFFICIENTS = attrgetter("coefficients")


def fitted(name, method=Method.REML):
    model = reference_model(name, method)
    return fit(model.frame, model.description)


@pytest.fixture(scope="module")
def ergostool():
    return bootstrap(
        fitted("ergostool"),
        600,
        seed=8,
        statistic=lambda model: np.append(model.coefficients, model.sigma2),
    )


def test_the_spread_of_contrasts_is_their_standard_error(ergostool):
    expected = [row["se"] for row in reference_model("ergostool").expected["fixed"]]
    # The standard deviation of 600 values is known to 1 / sqrt(1200) = 2.9 %; three of these.
    assert ergostool.standard_error[:4] == pytest.approx(expected, rel=0.087)
    assert ergostool.n_failed == 0


def test_estimates_are_unbiased(ergostool):
    errors = ergostool.standard_error / np.sqrt(600)
    assert np.abs(ergostool.bias[:4]).max() < 3.5 * errors[:4].max()
    # REML's residual variance is unbiased in balanced data while no variance is at its boundary:
    # lme4: sigma = 1.10029457337106, 24 degrees of freedom, so sd(sigma2) = sigma2 sqrt(2 / 24).
    sigma2 = 1.10029457337106**2
    assert ergostool.estimate[4] == pytest.approx(sigma2, rel=1e-6)
    assert ergostool.values[:, 4].mean() == pytest.approx(sigma2, abs=3.5 * errors[4])
    assert ergostool.standard_error[4] == pytest.approx(sigma2 / np.sqrt(12), rel=0.1)


def test_percentiles_are_about_two_standard_errors_away(ergostool):
    low, high = ergostool.percentile(0.9).T
    half = 1.6448536 * ergostool.standard_error  # normal quantile, table
    assert low[:4] == pytest.approx(ergostool.estimate[:4] - half[:4], abs=0.15)
    assert high[:4] == pytest.approx(ergostool.estimate[:4] + half[:4], abs=0.15)


def test_maximum_likelihood_is_fitted_by_maximum_likelihood():
    # ML divides by n: the residual variance of new fits is too small by the same part again,
    # (8 x 3) / (9 x 3) in this layout of 9 by 4: 24 degrees of freedom of 27.
    model = fitted("ergostool", Method.ML)
    found = bootstrap(model, 200, seed=3, statistic=attrgetter("sigma2"))
    assert found.bias[0] / model.sigma2 == pytest.approx(24 / 27 - 1, abs=0.06)


def test_the_values_do_not_depend_on_the_number_of_workers():
    model = fitted("dyestuff")
    one, two = (
        bootstrap(model, 13, seed=5, statistic=COEFFICIENTS, n_workers=n).values for n in (1, 2)
    )
    assert one.tobytes() == two.tobytes()
    assert len(np.unique(one)) == 13


def test_replicates_do_not_depend_on_how_many_follow():
    model = fitted("dyestuff")
    few, more = (bootstrap(model, n, seed=5, statistic=COEFFICIENTS).values for n in (4, 9))
    assert few.tobytes() == more[:4].tobytes()
    other = bootstrap(model, 4, seed=6, statistic=COEFFICIENTS).values
    assert not np.isin(other, few).any()


def test_fits_that_fail_are_counted_and_left_out():
    model = fitted("dyestuff")

    def refuse(found):
        if found is not model and found.coefficients[0] > 1527.5:
            raise ConvergenceError("mixed model", "it did not converge", "")
        return found.coefficients

    found = bootstrap(model, 40, seed=5, statistic=refuse)
    plain = bootstrap(model, 40, seed=5, statistic=COEFFICIENTS)
    kept = plain.values[plain.values[:, 0] <= 1527.5]
    assert 0 < found.n_failed == 40 - len(kept)
    assert np.isnan(found.values).sum() == found.n_failed
    assert found.standard_error == pytest.approx(kept.std(axis=0, ddof=1), rel=1e-12)
    assert found.bias == pytest.approx(kept.mean(axis=0) - model.coefficients, rel=1e-12)


def test_summaries_by_hand():
    values = np.array([[1.0], [2.0], [np.nan], [4.0], [5.0]])
    found = Bootstrap(np.array([2.5]), values, 1, 0)
    assert found.standard_error == pytest.approx([np.sqrt(10 / 3)])
    assert found.bias == pytest.approx([0.5])
    assert found.percentile(0.5) == pytest.approx(np.array([[1.75, 4.25]]))


def test_too_few_replicates_are_refused():
    model = fitted("dyestuff")
    with pytest.raises(ModelError, match="a spread can't be told from 1") as error:
        bootstrap(model, 1, seed=1, statistic=COEFFICIENTS)
    assert error.value.place == "bootstrap"
    assert error.value.remedy == "Ask for 1000."

    def refuse(found):
        if found is not model:
            raise ModelError("mixed model", "too few rows", "")
        return found.coefficients

    with pytest.raises(ModelError, match="3 of 3 fits to simulated outcomes failed"):
        bootstrap(model, 3, seed=1, statistic=refuse)
