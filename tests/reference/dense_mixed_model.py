"""A mixed model written out with whole matrices: slow, short, and with nothing of the engine in it.

Only the description is shared. Everything follows from the definition, y ~ N(X beta, sigma2 V) with
V = diag(1/weights) + Z Lambda Lambda' Z', and is good for some thousand rows.
"""

from dataclasses import dataclass
from functools import reduce

import numpy as np
import polars as pl
from scipy.linalg import block_diag, cho_factor, cho_solve
from scipy.optimize import minimize

from pipeline.mixed_model.description import (
    INTERCEPT,
    TIMES,
    Factor,
    Interaction,
    Method,
    ModelDescription,
    RandomTerm,
    Spline,
)


@dataclass(frozen=True)
class DenseFit:
    """What follows from given variance parameters.

    Attributes
    ----------
    criterion : float
        Minus twice the (restricted) log-likelihood, as lme4 counts it.
    coefficients, covariance : ndarray, shape (p,) and (p, p)
        By generalised least squares.
    sigma2 : float
        Residual variance.
    modes, mode_deviations : ndarray, shape (q,)
        Conditional modes of the random effects and their conditional standard deviations.
    """

    criterion: float
    coefficients: np.ndarray
    covariance: np.ndarray
    sigma2: float
    modes: np.ndarray
    mode_deviations: np.ndarray


def fixed_design(frame, description, *, coding="treatment", levels_from=None):
    """Names and values of the fixed columns, each term in its place; ``coding`` may be "sum"."""
    source = frame if levels_from is None else levels_from
    main = {term.name: _columns(term, frame, source, coding) for term in description.main_terms}
    blocks = [{INTERCEPT: np.ones(frame.height)}]
    for term in description.fixed:
        if isinstance(term, Interaction):
            blocks.append(reduce(_products, (main[name] for name in term.of)))
        else:
            blocks.append(main[term.name])
    terms = [("intercept",), *(_name(term) for term in description.fixed)]
    names = tuple(name for block in blocks for name in block)
    owners = tuple(term for term, block in zip(terms, blocks, strict=True) for _ in block)
    values = np.column_stack([values for block in blocks for values in block.values()])
    return names, owners, values


def _name(term):
    return term.of if isinstance(term, Interaction) else (term.name,)


def factor_levels(term, frame):
    """Levels in the order of the description, then by name."""
    found = set(frame[term.name].cast(pl.String).to_list())
    listed = [level for level in term.levels if level in found]
    return listed + sorted(found - set(listed))


def _columns(term, frame, source, coding):
    if isinstance(term, Spline):
        return _natural_spline(term, frame[term.name].cast(pl.Float64).to_numpy())
    if not isinstance(term, Factor):
        return {term.name: frame[term.name].cast(pl.Float64).to_numpy()}
    text = frame[term.name].cast(pl.String)
    first, *others = factor_levels(term, source)
    base = (text == first).to_numpy().astype(float) if coding == "sum" else 0.0
    return {f"{term.name}={k}": (text == k).to_numpy().astype(float) - base for k in others}


def _natural_spline(term, x):
    """Truncated powers (Hastie, Tibshirani & Friedman 2009, Elements of Statistical Learning, 5.4-5.5).

    They span what any basis of natural cubic splines with these knots spans, but are other columns:
    compare fits by maximum likelihood, and what does not depend on the basis.
    """
    knots = (term.boundary[0], *term.knots, term.boundary[1])
    end, last = knots[-1], knots[-2]

    def bend(knot):
        return (np.maximum(x - knot, 0) ** 3 - np.maximum(x - end, 0) ** 3) / (end - knot)

    columns = [x, *(bend(knot) - bend(last) for knot in knots[:-2])]
    return {f"{term.name}[{place + 1}]": column for place, column in enumerate(columns)}


def _products(left, right):
    # The first factor's levels change fastest, as in the model matrix of R.
    return {TIMES.join((a, b)): left[a] * right[b] for b in right for a in left}


def group_labels(frame, by):
    """Label of each row's group, such as "12:left"."""
    return frame.select(pl.concat_str([pl.col(c).cast(pl.String) for c in by], separator=":"))[
        :, 0
    ].to_list()


def random_design(frame, term: RandomTerm):
    """Groups and the columns of Z, group by group: all columns of the first group come first."""
    labels = group_labels(frame, term.by)
    groups = tuple(dict.fromkeys(labels))
    place = {group: k for k, group in enumerate(groups)}
    member = np.zeros((frame.height, len(groups)))
    member[np.arange(frame.height), [place[label] for label in labels]] = 1.0
    numbers = [
        np.ones(frame.height) if c == INTERCEPT else frame[c].cast(pl.Float64).to_numpy()
        for c in term.columns
    ]
    wide = np.stack([member * number[:, None] for number in numbers], axis=2)
    return groups, wide.reshape(frame.height, -1)


def relative_factor(term: RandomTerm, theta):
    """Lower triangle of one term, filled column by column as lme4 does."""
    q = len(term.columns)
    if not term.correlated:
        return np.diag(theta)
    lower = np.zeros((q, q))
    rows, columns = np.triu_indices(q)
    lower[columns, rows] = theta
    return lower


def random_part(frame, description, theta):
    """Z and Lambda of all terms side by side."""
    designs, factors, start = [], [], 0
    for term in description.random:
        groups, z = random_design(frame, term)
        own = relative_factor(term, theta[start : start + term.n_theta])
        start += term.n_theta
        designs.append(z)
        factors.append(np.kron(np.eye(len(groups)), own))
    assert start == len(theta)
    return np.hstack(designs), block_diag(*factors)


def dense_fit(frame, description: ModelDescription, theta) -> DenseFit:
    """Evaluate the model at given relative variance parameters."""
    x = fixed_design(frame, description)[2]
    y = frame[description.outcome].cast(pl.Float64).to_numpy()
    z, lower = random_part(frame, description, np.asarray(theta, dtype=float))
    spread = lower @ lower.T
    v = z @ spread @ z.T + np.diag(1.0 / _weights(frame, description))
    factor = cho_factor(v, lower=True)
    log_v = 2.0 * np.sum(np.log(np.diag(factor[0])))
    xvx = x.T @ cho_solve(factor, x)
    beta = np.linalg.solve(xvx, x.T @ cho_solve(factor, y))
    rest = y - x @ beta
    is_reml = description.method is Method.REML
    freedom = len(y) - (x.shape[1] if is_reml else 0)
    sigma2 = float(rest @ cho_solve(factor, rest)) / freedom
    criterion = log_v + freedom * (1.0 + np.log(2.0 * np.pi * sigma2))
    if is_reml:
        criterion += np.linalg.slogdet(xvx)[1]
    zvz = z.T @ cho_solve(factor, z)
    conditional = sigma2 * (spread - spread @ zvz @ spread)
    return DenseFit(
        criterion=float(criterion),
        coefficients=beta,
        covariance=sigma2 * np.linalg.inv(xvx),
        sigma2=sigma2,
        modes=spread @ z.T @ cho_solve(factor, rest),
        mode_deviations=np.sqrt(np.maximum(np.diag(conditional), 0.0)),
    )


def optimum(frame, description, start):
    """Minimise the criterion over theta from a start; diagonal entries are kept from falling below zero."""
    lower = bounds_of(description)
    found = minimize(
        lambda theta: dense_fit(frame, description, theta).criterion,
        start,
        method="Nelder-Mead",
        bounds=[(low, None) for low in lower],
        options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 4000, "maxfev": 4000},
    )
    return found.x, found.fun


def bounds_of(description):
    """Lowest value that each element of theta may take."""
    return np.concatenate([_bounds(term) for term in description.random])


def _bounds(term):
    q = len(term.columns)
    if not term.correlated:
        return np.zeros(q)
    rows, columns = np.triu_indices(q)
    return np.where(rows == columns, 0.0, -np.inf)


def _weights(frame, description):
    if description.weights is None:
        return np.ones(frame.height)
    return frame[description.weights].cast(pl.Float64).to_numpy()


def type_three(frame, description):
    """Contrasts of the marginal (type III) test of each term, on the treatment-coded columns.

    In sum coding a term's own columns vanish exactly when its marginal effects do, numbers at zero;
    the grid of all levels tells how those coefficients follow from the treatment-coded ones.
    """
    grid = _grid(frame, description)
    _, owners, treatment = fixed_design(grid, description, levels_from=frame)
    _, _, summed = fixed_design(grid, description, coding="sum", levels_from=frame)
    change = np.linalg.lstsq(summed, treatment, rcond=None)[0]
    assert np.allclose(summed @ change, treatment)
    return {
        term: change[[place for place, owner in enumerate(owners) if owner == term]]
        for term in dict.fromkeys(owners)
        if term != ("intercept",)
    }


def _grid(frame, description):
    grid = pl.DataFrame({"": [0]})
    for term in description.main_terms:
        values = factor_levels(term, frame) if isinstance(term, Factor) else [0.0, 1.0]
        grid = grid.join(pl.DataFrame({term.name: values}), how="cross")
    return grid
