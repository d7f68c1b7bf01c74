"""Fit of a mixed-effects model by REML or ML.

``fit`` takes rows, or the sums of rows, and a description; everything that inference needs stays with
the model it returns, so that the rows are not needed again.
"""

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from pipeline.mixed_model.criterion import Criterion, Problem, pose
from pipeline.mixed_model.description import Factor, ModelDescription, Number, RandomTerm
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.merging import one_in
from pipeline.mixed_model.optimisation import ENOUGH, Optimum, minimise
from pipeline.mixed_model.structure import build_structure
from pipeline.mixed_model.sufficient_statistics import Statistics, collect
from pipeline.mixed_model.theta import theta_places
from schemas.errors import ConvergenceError, ModelError

LARGE = 50_000
"""Cells from which on a fit to a part of them pays."""

PART = 12
"""One group in so many is in that part."""

FEW_GROUPS = 5
"""With fewer groups a variance between them is hardly known; common practice, no source."""


@dataclass(frozen=True, eq=False)
class VarianceComponent:
    """What one random term was estimated at.

    Attributes
    ----------
    term : RandomTerm
        The term.
    columns : tuple of str, length q
        What varies: the intercept, slopes.
    covariance : ndarray, shape (q, q)
        Of one group's random effects, in the outcome's unit squared (per units of the slopes).
    n_levels : int
        Number of groups.
    is_singular : bool
        True where a variance is zero or a correlation is 1 or -1.
    """

    term: RandomTerm
    columns: tuple[str, ...]
    covariance: Array
    n_levels: int
    is_singular: bool

    @property
    def standard_deviations(self) -> Array:
        """Standard deviation of each column, shape (q,)."""
        found: Array = np.sqrt(np.diag(self.covariance))
        return found


@dataclass(frozen=True)
class Verdict:
    """Whether the search found the optimum.

    Attributes
    ----------
    converged : bool
        True where nothing speaks against it.
    gradient : float
        Largest derivative of the criterion by a variance parameter, in steps of about its standard
        error.
    n_evaluations : int
        Evaluations of the criterion.
    words : str
        What was found, and what to do.
    """

    converged: bool
    gradient: float
    n_evaluations: int
    words: str


@dataclass(frozen=True, eq=False)
class MixedModel:
    """A fitted model.

    Attributes
    ----------
    description : ModelDescription
        The model.
    columns : tuple of str, length p
        All columns of the fixed part, in treatment coding.
    kept_columns, dropped_columns : tuple of int
        Places of those that are estimated (r), and of those that depend on earlier ones.
    aliases : ndarray, shape (p - r, r)
        Each dropped column as a sum of the kept ones.
    coefficients : ndarray, shape (r,)
        In the outcome's unit per unit of the column.
    covariance : ndarray, shape (r, r)
        Covariance of the coefficients.
    sigma2 : float
        Residual variance (of a row of weight 1).
    components : tuple of VarianceComponent
        One for each random term.
    theta : ndarray, shape (m,)
        Lower triangles of the relative Cholesky factors, term by term.
    criterion : float
        -2 times the (restricted) log-likelihood at its optimum.
    n_rows, n_left_out : int
        Rows of the fit, and rows left out for a missing value or a weight of zero.
    verdict : Verdict
        Whether the search found the optimum.
    notes : tuple of str
        What a reader should know: few groups, variances at zero.
    problem : Problem
        Model and numbers, for inference.
    point : Criterion
        The optimum.
    free : ndarray of bool, shape (m,)
        False for parameters that lie at the boundary.
    """

    description: ModelDescription
    columns: tuple[str, ...]
    kept_columns: tuple[int, ...]
    dropped_columns: tuple[int, ...]
    aliases: Array
    coefficients: Array
    covariance: Array
    sigma2: float
    components: tuple[VarianceComponent, ...]
    theta: Array
    criterion: float
    n_rows: int
    n_left_out: int
    verdict: Verdict
    notes: tuple[str, ...]
    problem: Problem
    point: Criterion
    free: NDArray[np.bool_]

    @property
    def terms(self) -> tuple[str, ...]:
        """Names of the columns that are estimated."""
        return tuple(self.columns[i] for i in self.kept_columns)

    @property
    def dropped(self) -> tuple[str, ...]:
        """Names of the columns that depend on earlier ones and were dropped."""
        return tuple(self.columns[i] for i in self.dropped_columns)

    @property
    def is_singular(self) -> bool:
        """True where a variance is zero or a correlation is 1 or -1."""
        return any(component.is_singular for component in self.components)

    @property
    def levels(self) -> dict[str, tuple[str, ...]]:
        """Levels of each factor, the reference first."""
        return self.statistics.levels

    @property
    def statistics(self) -> Statistics:
        """The sums that the model was fitted to."""
        return self.problem.structure.statistics

    @property
    def means(self) -> dict[str, float]:
        """Mean of each number over the rows, also of those behind a spline."""
        columns = {
            term.name: term.name if isinstance(term, Number) else f"{term.name}[1]"
            for term in self.description.main_terms
            if not isinstance(term, Factor)
        }  # the first column of a spline is the number itself
        return {name: self.statistics.mean(column) for name, column in columns.items()}

    @property
    def shares(self) -> dict[str, dict[str, float]]:
        """Share of the rows at each level of each factor."""
        factors = [t for t in self.description.main_terms if isinstance(t, Factor)]
        return {
            f.name: {v: self.statistics.mean(f"{f.name}={v}") for v in self.levels[f.name]}
            for f in factors
        }


def fit(
    source: pl.DataFrame | pl.LazyFrame | Statistics,
    description: ModelDescription | None = None,
    *,
    start: Array | None = None,
) -> MixedModel:
    """Fit a model.

    Parameters
    ----------
    source : polars.DataFrame, polars.LazyFrame or Statistics
        Rows, or their sums.
    description : ModelDescription, optional
        The model. With sums it may differ from theirs in ``method`` alone, or be left out.
    start : ndarray, shape (m,), optional
        Variance parameters to begin with, such as those of nearly the same rows.

    Returns
    -------
    MixedModel
        The fit. It does not depend on the order of the rows, nor on how they were partitioned.

    Raises
    ------
    ModelError
        If the rows cannot carry the model.
    ConvergenceError
        If the search did not converge.
    """
    statistics = _statistics(source, description)
    with threadpool_limits(limits=1, user_api="blas"):  # more threads are slower on a busy machine
        problem = pose(build_structure(statistics), statistics.description.method)
        _check_rows(problem)
        return _described(problem, _converged(problem, start))


def _converged(problem: Problem, start: Array | None) -> Optimum:
    """Search for the optimum.

    Raises
    ------
    ConvergenceError
        If the search ended where the criterion still changes.
    """
    try:
        optimum = minimise(problem, *_start(problem, start))
        found = f"the criterion still changes by {optimum.gradient:.2g} a standard error"
        if np.isfinite(optimum.point.value) and optimum.gradient <= ENOUGH:
            return optimum
    except np.linalg.LinAlgError:
        found = "a matrix of the model is not positive definite"
    raise ConvergenceError(
        "mixed model",
        f"the search for the variances did not converge: {found}",
        "Look for extreme outcomes and for rows that repeat one another; centre and scale slopes; "
        "leave out the random term with the fewest groups. A fit that did not converge is never "
        "published.",
    )


def _start(problem: Problem, start: Array | None) -> tuple[Array | None, Array | None]:
    """Begin a large fit where a fit to a part of the patients ended."""
    if start is not None or len(problem.structure.statistics.groups) < LARGE:
        return start, None
    part = build_structure(one_in(problem.structure.statistics, PART, _whole_groups(problem)))
    found = minimise(pose(part, problem.method))
    return found.point.theta, found.curvature


def _whole_groups(problem: Problem) -> tuple[str, ...]:
    """Name the coarsest groups of the chain of which there are plenty."""
    stages = problem.structure.stages
    plenty = [stage for stage in stages if stage.grouping.n_levels >= LARGE // 10]
    return (plenty or stages[:1])[-1].grouping.by


def _statistics(
    source: pl.DataFrame | pl.LazyFrame | Statistics, description: ModelDescription | None
) -> Statistics:
    """Collect rows, or take sums as they are.

    Raises
    ------
    ModelError
        If sums are those of another model, or rows come without a model.
    """
    if not isinstance(source, Statistics):
        if description is None:
            raise ModelError("mixed model", "rows need a description", "Describe the model.")
        return collect(source, description)
    if description is None:
        return source
    if source.description.model_copy(update={"method": description.method}) != description:
        raise ModelError(
            "mixed model",
            "the sums were collected for another model",
            "Collect them anew with this description; only the method may differ.",
        )
    return replace(source, description=description)


def _check_rows(problem: Problem) -> None:
    """Refuse fewer rows than terms.

    Raises
    ------
    ModelError
        If fewer than two rows are left over.
    """
    statistics, basis = problem.structure.statistics, problem.structure.basis
    if statistics.n_rows - len(basis.kept) < 2:
        raise ModelError(
            "mixed model",
            f"{statistics.n_rows} rows are too few for {len(basis.kept)} terms",
            "Adjust for less, or wait for more rows.",
        )


def _described(problem: Problem, optimum: Optimum) -> MixedModel:
    basis, point = problem.structure.basis, optimum.point
    sigma2 = point.residual / problem.freedom
    components = _components(problem, optimum, sigma2)
    covariance = sigma2 * basis.back @ point.solution.inverse @ basis.back.T
    return MixedModel(
        description=problem.description,
        columns=basis.names,
        kept_columns=basis.kept,
        dropped_columns=basis.dropped,
        aliases=basis.aliases,
        coefficients=basis.start + basis.back @ point.solution.coefficients * basis.scale,
        covariance=(covariance + covariance.T) / 2.0,
        sigma2=sigma2,
        components=components,
        theta=point.theta,
        criterion=point.value,
        n_rows=problem.structure.statistics.n_rows,
        n_left_out=problem.structure.statistics.n_left_out,
        verdict=_verdict(optimum),
        notes=_notes(components),
        problem=problem,
        point=point,
        free=optimum.free,
    )


def _components(problem: Problem, optimum: Optimum, sigma2: float) -> tuple[VarianceComponent, ...]:
    groupings = problem.structure.groupings
    n_levels = {term: g.n_levels for g in groupings for term in g.terms}
    found = []
    for number, places in enumerate(theta_places(problem.description)):
        term = problem.description.random[number]
        factor = np.zeros((len(term.columns), len(term.columns)))
        for place, i, j in places:
            factor[i, j] = optimum.point.theta[place]
        found.append(
            VarianceComponent(
                term,
                term.columns,
                sigma2 * factor @ factor.T,
                n_levels[number],
                is_singular=not all(optimum.free[place] for place, _, _ in places),
            )
        )
    return tuple(found)


def _verdict(optimum: Optimum) -> Verdict:
    words = "The search ended where the criterion is flat."
    if not optimum.free.all():
        words += " A variance lies at its boundary; the others are at their optimum given that."
    return Verdict(
        converged=True,
        gradient=optimum.gradient,
        n_evaluations=optimum.n_evaluations,
        words=words,
    )


def _notes(components: tuple[VarianceComponent, ...]) -> tuple[str, ...]:
    notes = []
    for component in components:
        name = component.term.name
        if component.is_singular and len(component.columns) == 1:
            notes.append(
                f"{name}: the variance is estimated at zero: the groups differ no more than rows "
                "within them would by chance"
            )
        elif component.is_singular:
            notes.append(
                f"{name}: the random effects are estimated as fully correlated, or at zero"
            )
        if component.n_levels < FEW_GROUPS:
            notes.append(
                f"{name}: {component.n_levels} groups tell little of a variance between them"
            )
    return tuple(notes)
