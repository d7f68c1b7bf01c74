"""Adjustment for a covariate that is measured with error, by corrected normal equations.

A pretest is a reading, not the range itself. Its error variance inflates the pretest's own square in
the normal equations of generalised least squares and so pulls the slope towards zero; what is known
of it is taken out again:

    (X'WX - c e e') beta = X'Wy,        c = s² trace(W),

with W the inverse covariance of the rows (at sigma = 1), e the unit vector of the covariate and s² its
error variance. By Sherman and Morrison's formula the solution follows from the fit, without the rows:

    beta = beta_fit + C e c beta_fit,e / lambda,        C = (X'WX)^-1,  lambda = 1 - c C_ee.

Here ``y`` must not hold the covariate's error: a gain (retest less pretest) holds it once, with a minus.
Its retest differs in one coefficient alone, the pretest's own, which is larger by one.

The covariance is that of the corrected score ``X'W(y - X beta) + c e beta_e``, with errors that are
normal and independent of everything else. At the true coefficients its residuals hold the covariate's
errors, of which the fit's own residual variance has only the part that the covariate doesn't tell:

    B (V + beta_e² s² (1 - lambda) C X'W²X C) B' + beta_e² s⁴ trace(W²) C e e'C / lambda²,

with V the fit's covariance and ``B = I + C e e' c / lambda``. Where the arms differ in their pretest,
the middle term is what an imbalance of errors between them adds, the last what the error variance's own
chance variation does. Both are derived here from the score.

Where the error variance differs between rows (several tests or instruments), its mean stands for all.
That is exact for the coefficients where the rows' weights don't go with their error variance, and
otherwise an approximation.

References
----------
Fuller WA (1987). Measurement error models. Wiley, sections 2.2 and 3.1.
Carroll RJ, Ruppert D, Stefanski LA, Crainiceanu CM (2006). Measurement error in nonlinear models,
2nd ed. Chapman & Hall, chapter 7 (corrected scores). Both from memory.
"""

from dataclasses import dataclass

import numpy as np
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.criterion import evaluate, inverse_trace
from pipeline.mixed_model.degrees_of_freedom import satterthwaite
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel
from schemas.errors import ModelError

LEAST_RELIABILITY = 0.05
"""With a smaller part of the pretest's variance left the corrected slope is hardly determined;
common practice, no source."""

STEP = 1e-4
"""Of the differences by a common scale of theta; their error is of the order of its square."""

_PLACE = "pretest corrected for measurement error"
_REMEDY = "Read the other two contrasts instead."


@dataclass(frozen=True, eq=False)
class CorrectedModel:
    """Coefficients on the covariate freed of its measurement error.

    Attributes
    ----------
    fitted : MixedModel
        The fit on the covariate as it was read.
    coefficients : ndarray, shape (r,)
        On the terms of the fit, for the fit's outcome.
    covariance : ndarray, shape (r, r)
        Of the corrected score.
    bread : ndarray, shape (r, r)
        B: what each coefficient of the fit adds to the corrected ones.
    reliability : float
        Lambda: the part of the covariate's variance, given the other terms, that is no error.
    """

    fitted: MixedModel
    coefficients: Array
    covariance: Array
    bread: Array
    reliability: float

    @property
    def kept_columns(self) -> tuple[int, ...]:
        """Places of the columns that are estimated, as in the fit."""
        return self.fitted.kept_columns

    @property
    def dropped_columns(self) -> tuple[int, ...]:
        """Places of the columns that depend on earlier ones, as in the fit."""
        return self.fitted.dropped_columns

    @property
    def aliases(self) -> Array:
        """Each dropped column as a sum of the kept ones, shape (p - r, r)."""
        return self.fitted.aliases

    def degrees_of_freedom(self, weights: Array) -> float:
        """Give the degrees of freedom of a contrast: those of the same sum in the fit.

        Parameters
        ----------
        weights : ndarray, shape (r,)
            Weights on the terms.

        Returns
        -------
        float
            Satterthwaite's.
        """
        return satterthwaite(self.fitted, self.bread.T @ weights)


def correct_for_error(
    model: MixedModel, column: str, error_variance: float, *, share_in_outcome: float = 0.0
) -> CorrectedModel:
    """Correct a fit for the measurement error of one covariate.

    Parameters
    ----------
    model : MixedModel
        Fit with the covariate as it was read, without precision weights.
    column : str
        The covariate, a number.
    error_variance : float
        Its error variance, the mean over the rows, in its unit squared.
    share_in_outcome : float
        How often the outcome holds the covariate's reading: -1 for a gain, 0 for a retest.

    Returns
    -------
    CorrectedModel
        The corrected coefficients.

    Raises
    ------
    ModelError
        If the covariate was dropped, or varies hardly more than its error.
    """
    if column not in model.terms:
        raise ModelError(
            _PLACE, "the pretest can't be told apart from the other terms of the model", _REMEDY
        )
    if model.description.weights:
        raise ModelError(_PLACE, "the model has precision weights", _REMEDY)
    with threadpool_limits(limits=1, user_api="blas"):
        return _corrected(model, column, error_variance, share_in_outcome)


def _corrected(model: MixedModel, column: str, variance: float, share: float) -> CorrectedModel:
    """Solve, and take the covariance of the score.

    Raises
    ------
    ModelError
        If hardly any of the covariate's variance is left.
    """
    place = model.terms.index(column)
    unit = np.eye(len(model.terms))[place]
    inverse = model.covariance / model.sigma2
    trace = inverse_trace(model.problem, model.theta)
    reliability = 1.0 - variance * trace * float(inverse[place, place])
    if reliability <= LEAST_RELIABILITY:
        raise ModelError(
            _PLACE, "the pretest varies hardly more than its measurement error", _REMEDY
        )
    pulled = inverse[:, place] / reliability
    bread = np.eye(len(unit)) + np.outer(pulled, unit) * variance * trace
    read = model.coefficients - share * unit
    corrected = bread @ read
    slope2 = float(corrected[place]) ** 2
    square, square_trace = _squares(model, trace)
    own = slope2 * variance * (1.0 - reliability) * square
    chance = slope2 * variance**2 * square_trace * np.outer(pulled, pulled)
    covariance = bread @ (model.covariance + own) @ bread.T + chance
    return CorrectedModel(
        fitted=model,
        coefficients=corrected + share * unit,
        covariance=(covariance + covariance.T) / 2.0,
        bread=bread,
        reliability=reliability,
    )


def _squares(model: MixedModel, trace: float) -> tuple[Array, float]:
    """C X'W²X C and trace(W²), from derivatives by a common scale of theta.

    Where theta is scaled by 1 + t the covariance of the rows is I + (1 + t)² (W^-1 - I), so that the
    derivative of W at t = 0 is -2 (W - W²).
    """
    basis = model.problem.structure.basis
    inverses, traces = [], []
    for sign in (-1.0, 1.0):
        theta = model.theta * (1.0 + sign * STEP)
        found = evaluate(model.problem, theta).solution.inverse
        inverses.append(basis.back @ found @ basis.back.T)
        traces.append(inverse_trace(model.problem, theta))
    change = (inverses[1] - inverses[0]) / (2.0 * STEP)
    inverse = model.covariance / model.sigma2
    return inverse - change / 2.0, trace + (traces[1] - traces[0]) / (4.0 * STEP)
