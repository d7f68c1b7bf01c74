"""Adjustment for a covariate that is measured with error, by corrected normal equations.

A pretest is a reading, not the range itself. Its error variance inflates the pretest's own square
in the normal equations and so pulls the slope towards zero; the known error variance is taken out
again: ``(X' W X - trace(W S) D) beta = X' W y``, with W the inverse covariance of the mixed model, S
the error variances of the rows and D one at the covariate's diagonal place. The covariance is a
sandwich over groups, of the corrected scores.

References
----------
Fuller WA (1987). Measurement error models. Wiley, sections 2.2 and 3.1.
Carroll RJ, Ruppert D, Stefanski LA, Crainiceanu CM (2006). Measurement error in nonlinear models,
2nd ed. Chapman & Hall, chapter 7 (corrected scores). Both from memory.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.sufficient_statistics import Array
from schemas.errors import ModelError

_PLACE = "pretest corrected for measurement error"
_REMEDY = "Read the other two contrasts instead."


@dataclass(frozen=True, eq=False)
class CorrectedModel:
    """Coefficients on the covariate freed of its measurement error.

    Attributes
    ----------
    coefficients : ndarray, shape (r,)
        On the terms of the mixed model.
    covariance : ndarray, shape (r, r)
        Sandwich over groups.
    degrees_of_freedom : float
        Groups less terms.
    kept_columns, dropped_columns : tuple of int
        As in the mixed model.
    aliases : ndarray, shape (len(dropped_columns), r)
        As in the mixed model.
    """

    coefficients: Array
    covariance: Array
    degrees_of_freedom: float
    kept_columns: tuple[int, ...]
    dropped_columns: tuple[int, ...]
    aliases: Array


@dataclass(frozen=True, eq=False)
class Measured:
    """Rows in which one covariate is measured with error.

    Attributes
    ----------
    outcome : ndarray, shape (n,)
        Outcome; must not contain the covariate's error (a retest, not a gain).
    design : ndarray, shape (n, p)
        Design of the mixed model.
    groups : ndarray of int, shape (n,)
        Number of each row's group, from 0 without gaps.
    column : int
        Column of the design that is measured with error.
    error_variance : ndarray, shape (n,)
        Its error variance in each row.
    """

    outcome: Array
    design: Array
    groups: NDArray[np.int64]
    column: int
    error_variance: Array


def fit_corrected(model: MixedModel, rows: Measured) -> CorrectedModel:
    """Solve the corrected normal equations.

    Parameters
    ----------
    model : MixedModel
        Fit of the same design with the covariate as it was read; gives the covariance of the rows.
    rows : Measured
        The rows and the error variances.

    Returns
    -------
    CorrectedModel
        The coefficients.

    Raises
    ------
    ModelError
        If the covariate was dropped, the error variance is as large as what the covariate varies
        by, or there are no more groups than terms.
    """
    if rows.column not in model.kept_columns:
        raise ModelError(
            _PLACE, "the pretest can't be told apart from the other terms of the model", _REMEDY
        )
    if model.n_groups <= len(model.terms) + 1:
        raise ModelError(_PLACE, "there are too few patients for the terms of the model", _REMEDY)
    order = np.lexsort((rows.outcome, *rows.design.T[::-1], rows.groups))
    with threadpool_limits(limits=1, user_api="blas"):
        return _solve(
            model,
            Measured(
                rows.outcome[order],
                rows.design[order][:, list(model.kept_columns)],
                rows.groups[order],
                model.kept_columns.index(rows.column),
                rows.error_variance[order],
            ),
        )


def _solve(model: MixedModel, rows: Measured) -> CorrectedModel:
    """Solve for rows in order of group.

    Raises
    ------
    ModelError
        If the corrected matrix is not positive definite.
    """
    # sigma2 cancels: all weights are those at sigma2 = 1.
    sizes = np.bincount(rows.groups)
    firsts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    pull = model.ratio / (1.0 + model.ratio * sizes)
    scale = np.sqrt((rows.design**2).sum(axis=0))
    design = rows.design / scale

    def weigh(columns: Array) -> Array:
        sums = np.add.reduceat(columns, firsts, axis=0)
        weighed: Array = columns - (pull[:, None] * sums)[rows.groups]
        return weighed

    weighed_design = weigh(design)
    error = (1.0 - pull)[rows.groups] * rows.error_variance / scale[rows.column] ** 2
    corrected = design.T @ weighed_design
    corrected[rows.column, rows.column] -= error.sum()
    if float(np.linalg.eigvalsh((corrected + corrected.T) / 2.0)[0]) <= 1e-10:
        raise ModelError(_PLACE, "the pretest varies no more than its measurement error", _REMEDY)
    bread = np.linalg.inv(corrected)
    coefficients = bread @ (weighed_design.T @ rows.outcome)
    residual = rows.outcome - design @ coefficients
    scores = weighed_design * residual[:, None]
    scores[:, rows.column] += error * coefficients[rows.column]
    by_group = np.add.reduceat(scores, firsts, axis=0)
    n_groups, n_terms = len(sizes), len(coefficients)
    meat = by_group.T @ by_group * n_groups / (n_groups - n_terms)
    return CorrectedModel(
        coefficients=coefficients / scale,
        covariance=bread @ meat @ bread.T / np.outer(scale, scale),
        degrees_of_freedom=float(n_groups - n_terms),
        kept_columns=model.kept_columns,
        dropped_columns=model.dropped_columns,
        aliases=model.aliases,
    )
