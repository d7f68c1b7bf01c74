"""Prediction of the outcome for given rows, with intervals for known and for new groups.

A term's group is one of three things:

- *average*: its effect is zero, and no variance of it is counted;
- *new*: a group drawn from those the records stand for: its effect is zero on average, and its
  variance widens the prediction interval;
- *known*: a group of the records: its conditional mode is added, with the error that it has.

So a new patient in a known clinic is ``{("clinic",): "known", ("patient",): "new"}``. The *mean* is
the expected outcome of such rows; its interval covers the error of the coefficients and of the
modes. The *prediction interval* is for a single further row (or, without the residual, for the true
mean of the new groups) and adds the new groups' variance and the residual's. Both take
Satterthwaite's degrees of freedom for the variance that they rest on. Neither covers that drawing
modes towards the average depends on estimated variances: with few groups the intervals of known
groups are a little short.

References
----------
Henderson CR (1975). Best linear unbiased estimation and prediction under a selection model.
Biometrics 31:423-447.
Satterthwaite FE (1946). An approximate distribution of estimates of variance components.
Biometrics Bulletin 2:110-114.
"""

from collections.abc import Mapping
from typing import Literal

import numpy as np
import polars as pl
from scipy.special import stdtrit
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.degrees_of_freedom import STEP, information
from pipeline.mixed_model.description import TIMES, RandomTerm
from pipeline.mixed_model.equations import problem_apart, solve_equations
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.expected_outcome import (
    complete_rows,
    expected_outcome,
    fixed_rows,
    varying_columns,
)
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.joint_error import joint_error_variances, sums_of_rows
from pipeline.mixed_model.theta import term_factor
from schemas.errors import ModelError

Choice = Literal["average", "new", "known"]
"""What is taken for the group of a random term."""

CHOICES = ("average", "new", "known")

Choices = dict[RandomTerm, Choice]


def predict(
    model: MixedModel,
    frame: pl.DataFrame,
    *,
    groups: Choice | Mapping[tuple[str, ...], Choice] = "new",
    residual: bool = True,
    confidence: float = 0.95,
) -> pl.DataFrame:
    """Predict the outcome of some rows.

    Parameters
    ----------
    model : MixedModel
        The fit.
    frame : polars.DataFrame, shape (n, ...)
        Rows with the columns of the fixed part, the slopes of terms that are not average, and the
        labels of known groups. With the column of the model's weights a row's residual variance is
        that of its weight, else that of weight 1.
    groups : str, or mapping of tuple of str to str
        "average", "new" or "known": for all random terms, or for each by the columns of its groups;
        terms that are not named are new.
    residual : bool
        True for the prediction interval of a single further outcome, False for that of the true
        mean of the new groups.
    confidence : float
        Of the intervals, between 0 and 1.

    Returns
    -------
    polars.DataFrame, shape (n, 9)
        ``mean``, ``standard_error``, ``degrees_of_freedom``, ``low``, ``high`` of the expected
        outcome; ``prediction_deviation``, ``prediction_degrees_of_freedom``, ``prediction_low``,
        ``prediction_high`` of the prediction. All are null where the row lacks a value or its
        weight is zero.

    Raises
    ------
    ModelError
        A column is missing, a known group or a level does not occur in the records, groups lie in
        others than in the records, or the records can't tell what a row asks for.
    """
    choices = _choices(model, groups)
    complete = complete_rows(frame, _needed(model, frame, choices))
    if model.description.weights in frame.columns:
        complete &= frame[model.description.weights] > 0
    rows = frame.filter(complete)
    known = tuple(term for term, choice in choices.items() if choice == "known")
    mean = expected_outcome(model, rows, known=known)
    spread = _Spread(model, rows, choices, residual=residual)
    with threadpool_limits(limits=1, user_api="blas"):  # as in the fit
        variances, freedoms = spread.variances_and_freedoms()
    half = stdtrit(freedoms, 0.5 + confidence / 2.0) * np.sqrt(variances)
    found = np.full((frame.height, 9), np.nan)
    found[complete.to_numpy()] = np.column_stack(
        [
            *(mean, np.sqrt(variances[0]), freedoms[0], mean - half[0], mean + half[0]),
            *(np.sqrt(variances[1]), freedoms[1], mean - half[1], mean + half[1]),
        ]
    )
    return pl.DataFrame(found, schema=list(_RESULT)).fill_nan(None)


_RESULT = (
    *("mean", "standard_error", "degrees_of_freedom", "low", "high"),
    *("prediction_deviation", "prediction_degrees_of_freedom"),
    *("prediction_low", "prediction_high"),
)


class _Spread:
    """Variances of the mean and of the prediction, as functions of the variance parameters."""

    def __init__(
        self, model: MixedModel, rows: pl.DataFrame, choices: Choices, *, residual: bool
    ) -> None:
        self.model, self.residual = model, np.zeros(rows.height)
        known = {frozenset(term.by) for term, choice in choices.items() if choice == "known"}
        stages = model.problem.structure.stages
        in_chain = any(frozenset(stage.grouping.by) in known for stage in stages)
        self.problem = problem_apart(model) if in_chain else model.problem
        self.sums = sums_of_rows(self.problem, fixed_rows(model, rows), rows, known)
        self.new = [
            (place, varying_columns(rows, term.columns))
            for place, term in enumerate(model.description.random)
            if choices[term] == "new"
        ]
        if residual:
            self.residual += 1.0
            weights = model.description.weights
            if weights is not None and weights in rows.columns:
                self.residual /= rows[weights].cast(pl.Float64).to_numpy()

    def at(self, theta: Array) -> Array:
        """Give both variances at sigma = 1, shape (2, n)."""
        mean = joint_error_variances(solve_equations(self.problem, theta), self.sums)
        added = self.residual.copy()
        for place, z in self.new:
            added += ((z @ term_factor(self.model.description, place, theta)) ** 2).sum(axis=1)
        return np.stack([mean, mean + added])

    def variances_and_freedoms(self) -> tuple[Array, Array]:
        """Give both variances with Satterthwaite's degrees of freedom, each of shape (2, n)."""
        model, slopes = self.model, []
        found = model.sigma2 * self.at(model.theta)
        for place in np.flatnonzero(model.free):
            step = STEP * max(1.0, abs(float(model.theta[place])))
            moved = np.zeros(len(model.theta))
            moved[place] = step
            change = self.at(model.theta + moved) - self.at(model.theta - moved)
            slopes.append(model.sigma2 * change / (2.0 * step))
        slopes.append(found)  # by log sigma²
        gradient = np.stack(slopes)
        spread = np.einsum("kan,kl,lan->an", gradient, information(model).covariance, gradient)
        rows = float(model.n_rows - len(model.coefficients))
        is_known = spread > 0.0  # no variance: nothing to estimate
        return found, np.where(is_known, 2.0 * found**2 / np.where(is_known, spread, 1.0), rows)


def _choices(model: MixedModel, groups: Choice | Mapping[tuple[str, ...], Choice]) -> Choices:
    """Choose for each random term.

    Raises
    ------
    ModelError
        A choice is none, or is for groups that no term has.
    """
    random = model.description.random
    if isinstance(groups, str):
        groups = {term.by: groups for term in random}
    names = {frozenset(term.by): term.name for term in random}
    chosen = {frozenset(by): choice for by, choice in groups.items()}
    for by, choice in chosen.items():
        if by not in names or choice not in CHOICES:
            raise ModelError(
                "prediction",
                f"“{choice}” for {TIMES.join(sorted(by))}",
                f"Choose {', '.join(CHOICES)} for {', '.join(dict.fromkeys(names.values()))}.",
            )
    return {term: chosen.get(frozenset(term.by), "new") for term in random}


def _needed(model: MixedModel, frame: pl.DataFrame, choices: Choices) -> list[str]:
    names = [term.name for term in model.description.main_terms]
    for term, choice in choices.items():
        names += term.slopes if choice != "average" else ()
        names += term.by if choice == "known" else ()
    weights = model.description.weights
    return list(dict.fromkeys([*names, *(c for c in frame.columns if c == weights)]))
