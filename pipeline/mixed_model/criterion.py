"""The criterion that a fit minimises, with its derivatives, at given variance parameters.

It is -2 times the logarithm of the restricted likelihood (REML) or of the likelihood (ML), with the
fixed part and sigma profiled out:

    log det(Lambda'Z'Z Lambda + I) [+ log det(X' V^-1 X)] + f (1 + log(2 pi r2 / f)),

``f`` the rows, less the rank of X for REML, and ``r2`` the penalised residual sum of squares.

References
----------
Bates D, Maechler M, Bolker B, Walker S (2015). Fitting linear mixed-effects models using lme4.
Journal of Statistical Software 67(1), equations 34 and 41.
"""

from dataclasses import dataclass
from math import log, pi

from pipeline.mixed_model.adjoint import derivatives
from pipeline.mixed_model.bordered import Solution, Weighting, solve
from pipeline.mixed_model.description import Method, ModelDescription
from pipeline.mixed_model.division import Division, divide
from pipeline.mixed_model.elimination import Elimination, eliminate
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.structure import Structure
from pipeline.mixed_model.theta import grouping_factor, theta_slopes


@dataclass(frozen=True, eq=False)
class Problem:
    """A model and the numbers it is fitted to.

    Attributes
    ----------
    structure : Structure
        The layout.
    division : Division
        Blocks and border of the outer columns.
    method : Method
        What is maximised.
    """

    structure: Structure
    division: Division
    method: Method

    @property
    def description(self) -> ModelDescription:
        """The model."""
        return self.structure.statistics.description

    @property
    def freedom(self) -> int:
        """Rows, less the rank of the fixed part for REML."""
        rank = len(self.structure.basis.kept) if self.method is Method.REML else 0
        return self.structure.statistics.n_rows - rank


@dataclass(frozen=True, eq=False)
class Criterion:
    """The criterion at one point.

    Attributes
    ----------
    theta : ndarray, shape (m,)
        Lower triangles of the relative Cholesky factors, term by term.
    value : float
        -2 (restricted) log-likelihood.
    gradient : ndarray, shape (m,)
        Its derivatives by theta.
    residual : float
        Penalised residual sum of squares, in the outcome's unit squared.
    elimination : Elimination
        The chain.
    solution : Solution
        The rest.
    """

    theta: Array
    value: float
    gradient: Array
    residual: float
    elimination: Elimination
    solution: Solution


def pose(structure: Structure, method: Method) -> Problem:
    """Make a problem of a layout.

    Parameters
    ----------
    structure : Structure
        The layout.
    method : Method
        What is maximised.

    Returns
    -------
    Problem
        The problem.
    """
    return Problem(structure, divide(structure), method)


def evaluate(problem: Problem, theta: Array, *, sigma2: float | None = None) -> Criterion:
    """Evaluate the criterion.

    Parameters
    ----------
    problem : Problem
        Model and numbers.
    theta : ndarray, shape (m,)
        Variance parameters.
    sigma2 : float, optional
        Hold the residual variance at this value instead of profiling it out (the outcome's unit
        squared); the gradient is then that of the criterion at this sigma.

    Returns
    -------
    Criterion
        Value and gradient.
    """
    structure, freedom = problem.structure, problem.freedom
    basis = structure.basis
    restricted = problem.method is Method.REML
    groupings = structure.groupings
    factors = [grouping_factor(problem.description, grouping, theta) for grouping in groupings]
    n_stages = len(structure.stages)
    chain = eliminate(structure, tuple(factors[:n_stages]))
    held = None if sigma2 is None else basis.scale**2 / sigma2
    found = solve(
        structure,
        problem.division,
        chain.remainder,
        tuple(factors[n_stages:]),
        Weighting(float(restricted), held, float(freedom)),
    )
    residual = found.residual * basis.scale**2
    value = chain.log_determinant + found.log_outer - structure.statistics.log_weights
    if restricted:
        value += found.log_basis + 2.0 * basis.log_triangle
    if sigma2 is None:
        value += freedom * (1.0 + log(2.0 * pi * residual / freedom))
    else:
        value += freedom * log(2.0 * pi * sigma2) + residual / sigma2
    slopes = [*derivatives(structure, chain, found.adjoint), *found.slopes]
    gradient = theta_slopes(problem.description, groupings, slopes)
    return Criterion(theta, value, gradient, residual, chain, found)


def inverse_trace(problem: Problem, theta: Array) -> float:
    """Give the trace of the inverse covariance of the rows at sigma = 1.

    The determinant's logarithm changes by ``2 tr(V^-1 (V - I))`` when all of theta is scaled up, so
    that the trace follows from its derivatives.

    Parameters
    ----------
    problem : Problem
        Model and numbers, without precision weights.
    theta : ndarray, shape (m,)
        Variance parameters.

    Returns
    -------
    float
        The trace: rows less what the random effects take.
    """
    structure, n_stages = problem.structure, len(problem.structure.stages)
    factors = tuple(grouping_factor(problem.description, g, theta) for g in structure.groupings)
    chain = eliminate(structure, factors[:n_stages])
    weighting = Weighting(0.0, 0.0, float(problem.freedom))
    found = solve(structure, problem.division, chain.remainder, factors[n_stages:], weighting)
    slopes = [*derivatives(structure, chain, found.adjoint), *found.slopes]
    total = sum(float((f * s).sum()) for f, s in zip(factors, slopes, strict=True))
    return structure.statistics.n_rows - total / 2.0
