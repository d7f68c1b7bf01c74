"""Small-sample covariance and degrees of freedom of Kenward and Roger, for small data.

The variance of the outcome is taken as a sum of known matrices, each times one variance or
covariance; whole matrices of rows by rows are formed.

References
----------
Kenward MG, Roger JH (1997). Small sample inference for fixed effects from restricted maximum
likelihood. Biometrics 53:983-997.
Halekoh U, Højsgaard S (2014). A Kenward-Roger approximation and parametric bootstrap methods for
tests in linear mixed models: the R package pbkrtest. Journal of Statistical Software 59(9).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement

import numpy as np
import polars as pl
from scipy.linalg import cholesky, qr, solve_triangular
from scipy.special import fdtrc

from pipeline.mixed_model.columns import column_matrix, raw_columns
from pipeline.mixed_model.contrast import Estimate, by_t
from pipeline.mixed_model.degrees_of_freedom import FTest
from pipeline.mixed_model.description import INTERCEPT, Method, ModelDescription, RandomTerm
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.group_code import codes_of
from pipeline.mixed_model.usable_row import usable_rows
from schemas.errors import ModelError

MOST_ROWS = 2_000
"""Above it the matrices are too large, and the correction is too small to matter."""

SAME = 1e-10
"""A smallest relative eigenvalue of the information below it: components can't be told apart."""

NOTHING = 1e-14
"""Numerator and denominator below it are a ratio of one, as in the balanced case."""


@dataclass(frozen=True, eq=False)
class AdjustedCovariance:
    """Covariance of the fixed effects, corrected for the estimation of the variances.

    Attributes
    ----------
    covariance : ndarray, shape (p, p)
        The corrected covariance, in the outcome's unit squared over the columns' units.
    root : ndarray, shape (p, p)
        ``root @ root.T`` is the uncorrected covariance.
    slopes : ndarray, shape (m, p, p)
        Derivatives of the fixed effects' information by the components, where that information is
        one (multiplied by ``root`` from both sides).
    components : ndarray, shape (m, m)
        Covariance of the estimated components, from the expected information.
    """

    covariance: Array
    root: Array
    slopes: Array
    components: Array


def kenward_roger(frame: pl.DataFrame, model: MixedModel) -> AdjustedCovariance:
    """Correct the covariance of a fit's fixed effects.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n, …)
        The rows that the model was fitted to.
    model : MixedModel
        A fit by REML.

    Returns
    -------
    AdjustedCovariance
        Of the model's ``terms``, in their order.

    Raises
    ------
    ModelError
        The fit is not by REML, the rows are not its rows or more than 2,000, or they do not tell
        the components apart.
    """
    description = model.description
    rows, _ = usable_rows(frame, description)
    _check_rows(rows.height)
    _check_fit(model, rows)
    columns = {column.name: column for column in raw_columns(description, model.levels)}
    design = column_matrix(tuple(columns[term] for term in model.terms), rows)
    parts, sizes = [_residual_part(rows, description)], [model.sigma2]
    for component in model.components:
        for first, second in _pairs(component.term):
            parts.append(_part(rows, component.term, (first, second)))
            places = [component.columns.index(name) for name in (first, second)]
            sizes.append(float(component.covariance[places[0], places[1]]))
    return adjusted_covariance(design, parts, sizes)


def adjusted_covariance(
    design: Array, parts: Sequence[Array], sizes: Sequence[float]
) -> AdjustedCovariance:
    """Correct the covariance of the fixed effects.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        Columns of the fixed part, of full rank.
    parts : sequence of ndarray, each of shape (n, n)
        Symmetric matrices whose sum, each times its size, is the variance of the outcome.
    sizes : sequence of float, length m
        Variances and covariances as REML estimates them, the residual variance among them.

    Returns
    -------
    AdjustedCovariance
        The covariance, and what the degrees of freedom are made of.

    Raises
    ------
    ModelError
        There are more than 2,000 rows, or the rows do not tell the components apart.
    """
    _check_rows(len(design))
    whitener = cholesky(sum(s * g for s, g in zip(sizes, parts, strict=True)), lower=True)
    basis, triangle = qr(_whitened(whitener, design), mode="economic")
    white = [_whitened(whitener, _whitened(whitener, part).T) for part in parts]
    turned = np.stack([part @ basis for part in white])
    slopes = -np.einsum("np,inq->ipq", basis, turned)
    products = np.einsum("inp,jnq->ijpq", turned, turned)
    products -= np.einsum("ipr,jrq->ijpq", slopes, slopes)
    traces = np.array([[np.vdot(a, b) for b in white] for a in white])
    components = _components(traces, products, slopes)
    root = solve_triangular(triangle, np.eye(len(triangle)))
    correction = np.einsum("ij,ijpq->pq", components, products)
    inner = np.eye(len(triangle)) + correction + correction.T
    return AdjustedCovariance(root @ inner @ root.T, root, slopes, components)


def kenward_roger_estimate(
    adjusted: AdjustedCovariance, coefficients: Array, weights: Array
) -> Estimate:
    """Estimate one contrast.

    Parameters
    ----------
    adjusted : AdjustedCovariance
        Of the fit.
    coefficients : ndarray, shape (p,)
        Fixed effects.
    weights : ndarray, shape (p,)
        Weights on them, not all zero; of a contrast that the design decides.

    Returns
    -------
    Estimate
        The estimate with its uncertainty.
    """
    freedom, _ = denominator_and_scale(adjusted, weights[None])
    value = float(weights @ coefficients)
    error = float(np.sqrt(weights @ adjusted.covariance @ weights))
    return by_t(value, error, freedom)


def kenward_roger_test(
    adjusted: AdjustedCovariance, coefficients: Array, contrasts: Array
) -> FTest:
    """Test that contrasts are zero together.

    Parameters
    ----------
    adjusted : AdjustedCovariance
        Of the fit.
    coefficients : ndarray, shape (p,)
        Fixed effects.
    contrasts : ndarray, shape (l, p)
        One contrast a row, none the sum of others.

    Returns
    -------
    FTest
        Wald's statistic with the corrected covariance, scaled to be nearer to F. For a single
        contrast it is the square of t.

    Raises
    ------
    ModelError
        A contrast follows from the others.
    """
    denominator, scale = denominator_and_scale(adjusted, contrasts)
    numerator = len(contrasts)
    value = contrasts @ coefficients
    spread = contrasts @ adjusted.covariance @ contrasts.T
    statistic = scale * float(value @ np.linalg.solve(spread, value)) / numerator
    p = float(fdtrc(numerator, denominator, statistic))
    return FTest(statistic, numerator, denominator, p)


def denominator_and_scale(adjusted: AdjustedCovariance, contrasts: Array) -> tuple[float, float]:
    """Give the degrees of freedom below an F test, and the factor of its statistic.

    Parameters
    ----------
    adjusted : AdjustedCovariance
        Of the fit.
    contrasts : ndarray, shape (l, p)
        One contrast a row; with one row the first number is the degrees of freedom of t.

    Returns
    -------
    tuple of float and float
        Degrees of freedom, and the factor.

    Raises
    ------
    ModelError
        A contrast follows from the others.
    """
    turned, triangle = qr(adjusted.root.T @ contrasts.T, mode="economic")
    sizes = np.abs(np.diag(triangle))
    if len(sizes) < len(contrasts) or np.min(sizes) <= SAME * np.max(sizes):
        raise ModelError(
            "F test", "a contrast follows from the others", "Leave out contrasts that do."
        )
    own = np.einsum("pa,ipq,qb->iab", turned, adjusted.slopes, turned)
    diagonal = np.einsum("iaa->i", own)
    a1 = float(diagonal @ adjusted.components @ diagonal)
    a2 = float(np.einsum("ij,iab,jba->", adjusted.components, own, own))
    if len(contrasts) == 1:
        return 2.0 / a2, 1.0
    return _moments(float(len(contrasts)), a1, a2)


def _pairs(term: RandomTerm) -> list[tuple[str, str]]:
    """Name the variances and covariances of a term, each once."""
    if not term.correlated:
        return [(name, name) for name in term.columns]
    return list(combinations_with_replacement(term.columns, 2))


def _part(rows: pl.DataFrame, term: RandomTerm, pair: tuple[str, str]) -> Array:
    """Give what one variance or covariance is multiplied by: zero between different groups."""
    groups = codes_of(rows.select(term.by))
    first, second = (_varying(rows, name) for name in pair)
    product = np.where(groups[:, None] == groups, np.outer(first, second), 0.0)
    return product if pair[0] == pair[1] else product + product.T


def _varying(rows: pl.DataFrame, name: str) -> Array:
    if name == INTERCEPT:
        return np.ones(rows.height)
    return rows[name].cast(pl.Float64).to_numpy()


def _residual_part(rows: pl.DataFrame, description: ModelDescription) -> Array:
    if description.weights is None:
        return np.eye(rows.height)
    return np.diag(1.0 / _varying(rows, description.weights))


def _check_fit(model: MixedModel, rows: pl.DataFrame) -> None:
    """Refuse what the correction is not defined for.

    Raises
    ------
    ModelError
        The fit is not by REML, or of other rows.
    """
    place = "Kenward–Roger correction"
    if model.description.method is not Method.REML:
        raise ModelError(place, "the fit is by maximum likelihood", "Fit by REML.")
    if rows.height != model.n_rows:
        problem = f"the fit is of {model.n_rows:,} rows, not of these {rows.height:,}"
        raise ModelError(place, problem, "Give the rows that the model was fitted to.")


def _moments(n: float, a1: float, a2: float) -> tuple[float, float]:
    """Match mean and variance of the statistic to those of a scaled F (1997, p. 987)."""
    b = (a1 + 6.0 * a2) / (2.0 * n)
    g = ((n + 1.0) * a1 - (n + 4.0) * a2) / ((n + 2.0) * a2)
    below = 3.0 * n + 2.0 * (1.0 - g)
    v0, v1, v2 = 1.0 + g / below * b, 1.0 - (n - g) / below * b, 1.0 - (n + 2.0 - g) / below * b
    mean = 1.0 - a2 / n
    ratio = 1.0 if max(abs(mean), abs(v1)) < NOTHING else mean / v1
    rho = ratio**2 * (0.0 if abs(v0) < SAME else v0) / v2 / n
    freedom = 4.0 + (n + 2.0) / (n * rho - 1.0)
    # An F distribution has no mean below two degrees of freedom: nothing to match then.
    return freedom, 1.0 if freedom < 2.01 else freedom * mean / (freedom - 2.0)


def _components(traces: Array, products: Array, slopes: Array) -> Array:
    """Invert the expected information; ``products`` are Q_ij - P_i P_j (1997, p. 985).

    Raises
    ------
    ModelError
        The rows do not tell the components apart.
    """
    n = len(traces)
    squares = np.einsum("ipq,jqp->ij", slopes, slopes)
    plain = np.einsum("ijpp->ij", products) + squares
    information = (traces - 2.0 * plain + squares) / 2.0
    sizes = np.sqrt(np.diag(information))
    scaled = information / np.outer(sizes, sizes)
    if not np.all(sizes > 0.0) or np.linalg.eigvalsh(scaled)[0] < SAME * n:
        raise ModelError(
            "Kenward–Roger correction",
            "the rows do not tell the variance components apart",
            "Leave out a random term, or take Satterthwaite's degrees of freedom.",
        )
    inverse: Array = np.linalg.inv(scaled) / np.outer(sizes, sizes)
    return inverse


def _check_rows(n_rows: int) -> None:
    """Refuse what would be too large.

    Raises
    ------
    ModelError
        There are too many rows.
    """
    if n_rows > MOST_ROWS:
        raise ModelError(
            "Kenward–Roger correction",
            f"{n_rows:,} rows; it is offered up to {MOST_ROWS:,}",
            "Take Satterthwaite's degrees of freedom: with so many rows they are as good.",
        )


def _whitened(whitener: Array, values: Array) -> Array:
    white: Array = solve_triangular(whitener, values, lower=True)
    return white
