"""What single groups do to an estimate: the fit again without each of them, from sums alone.

Taking a group's sums from those of all rows leaves exactly those of the other rows, so that nothing is
read again. The columns stay those of the whole model: a level that occurs in the left-out group only
is then a column of zeros, and contrasts that need it are found not to be estimable.

References
----------
Cook RD (1977). Detection of influential observation in linear regression. Technometrics 19:15-18.
Demidenko E, Stukel TA (2005). Influence analysis for linear mixed-effects models. Statistics in
Medicine 24:893-909, for leaving out whole groups.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.mixed_model.contrast import is_estimable
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel, fit
from pipeline.mixed_model.merging import combine
from pipeline.mixed_model.partition import Label
from pipeline.mixed_model.sufficient_statistics import Statistics
from schemas.errors import ModelError

LEFT = 1e-12
"""A sum of squares of which a smaller part is left is none: rounding of values that are no decimals."""


@dataclass(frozen=True, eq=False)
class Influence:
    """Estimates without each group.

    Attributes
    ----------
    labels : tuple of tuple of str, length g
        Groups that were left out, one at a time.
    whole : ndarray, shape (m,)
        Estimates from all rows.
    estimates, standard_errors : ndarray, shape (g, m)
        Without each group; nan where there is none.
    low, high : ndarray, shape (m,)
        Smallest and largest estimate; nan where there is none.
    most : ndarray of int, shape (m,)
        Place of the group without which the estimate moves most; -1 where there is none.
    failures : dict of tuple of str to str
        Groups without which some contrast could not be estimated, and why.
    """

    labels: tuple[Label, ...]
    whole: Array
    estimates: Array
    standard_errors: Array
    low: Array
    high: Array
    most: NDArray[np.int64]
    failures: dict[Label, str]


def leave_one_out(
    model: MixedModel, parts: Mapping[Label, Statistics], weights: Array
) -> Influence:
    """Estimate contrasts without each group.

    Parameters
    ----------
    model : MixedModel
        The fit to all rows.
    parts : Mapping of tuple of str to Statistics
        Sums of each group, as ``partition.collect_by`` gives them.
    weights : ndarray, shape (m, p)
        Contrasts as weights on all columns of the design, dropped ones included.

    Returns
    -------
    Influence
        The estimates; a fit that fails is a reason, not an error.

    Raises
    ------
    ModelError
        If a part's rows are not among the model's.
    """
    weights = np.atleast_2d(np.asarray(weights, dtype=np.float64))
    estimates = np.full((len(parts), len(weights)), np.nan)
    errors, failures = np.full_like(estimates, np.nan), {}
    for place, (label, part) in enumerate(parts.items()):
        left = without_part(model.statistics, part)
        if not left.n_rows:
            failures[label] = "no other rows are left"
            continue
        try:
            refit = fit(left, start=model.theta)
        except ModelError as error:
            failures[label] = error.problem
            continue
        for row, contrast in enumerate(weights):
            if is_estimable(refit, contrast):
                estimates[place, row], errors[place, row] = _estimated(refit, contrast)
            else:
                failures[label] = "the other rows can't tell the compared levels apart"
    kept = weights[:, list(model.kept_columns)]
    whole = kept @ model.coefficients
    return _summarised(tuple(parts), whole, (estimates, errors), failures)


def without_part(whole: Statistics, part: Statistics) -> Statistics:
    """Take the sums of some rows from those of all rows; columns and levels stay.

    Parameters
    ----------
    whole : Statistics
        Sums over all rows.
    part : Statistics
        Sums over some of them; they may share cells with the others.

    Returns
    -------
    Statistics
        The sums over the other rows.

    Raises
    ------
    ModelError
        If the part's rows are not among them.
    """
    method = {"method": whole.description.method}
    is_same = part.description.model_copy(update=method) == whole.description
    left = combine([whole, _negative(part)]) if is_same else whole
    share = _shares(left, whole)
    if not is_same or share is None or share.min() < -LEFT:
        raise ModelError(
            "influence",
            "the rows to leave out are not all among those of the model",
            "Collect the parts from the rows that the model was fitted to.",
        )
    kept = share > LEFT
    gone = (_squares(left) <= LEFT * _squares(whole)).nonzero()[0]
    products, sums = left.products.copy(), left.sums[:, kept]
    products[gone], products[:, gone], sums[:, :, gone] = 0, 0, 0.0
    return replace(left, products=products, sums=sums, groups=left.groups.filter(kept))


def _shares(left: Statistics, whole: Statistics) -> Array | None:
    """Say how much is left of each cell; None where there are other cells."""
    if len(left.groups) != len(whole.groups):
        return None
    unit = float(left.units[0] / whole.units[0])
    found: Array = left.sums[0, :, 0] * unit**2 / whole.sums[0, :, 0]
    return found


def _squares(sums: Statistics) -> Array:
    """Give the sum of squares of each column."""
    squares = [n * u**2 for n, u in zip(np.diag(sums.products), sums.units, strict=True)]
    return np.array([float(square) for square in squares])


def _negative(part: Statistics) -> Statistics:
    return replace(
        part,
        products=-part.products,
        sums=-part.sums,
        n_rows=-part.n_rows,
        n_left_out=-part.n_left_out,
        log_weights=-part.log_weights,
    )


def _estimated(model: MixedModel, contrast: Array) -> tuple[float, float]:
    kept = contrast[list(model.kept_columns)]
    return float(kept @ model.coefficients), float(np.sqrt(kept @ model.covariance @ kept))


def _summarised(
    labels: tuple[Label, ...],
    whole: Array,
    found: tuple[Array, Array],
    failures: dict[Label, str],
) -> Influence:
    estimates, errors = found
    known = ~np.isnan(estimates)
    some = known.any(axis=0)
    moves = np.where(known, np.abs(estimates - whole), -1.0)
    return Influence(
        labels=labels,
        whole=whole,
        estimates=estimates,
        standard_errors=errors,
        low=np.where(some, np.where(known, estimates, np.inf).min(axis=0, initial=np.inf), np.nan),
        high=np.where(
            some, np.where(known, estimates, -np.inf).max(axis=0, initial=-np.inf), np.nan
        ),
        most=np.where(some, moves.argmax(axis=0) if len(labels) else -1, -1),
        failures=failures,
    )
