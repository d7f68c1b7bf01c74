"""Factorisation of what is left after the chain: outer columns, basis and residual.

Outer columns that touch only one *block* (the clinicians of one clinic) are independent of those of
other blocks once the columns that touch several, the *border*, are given. Blocks are factorised side
by side, and the border with the fixed part as one dense matrix. Without blocks all is border.
"""

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.linalg import lapack

from pipeline.mixed_model.division import Bucket, Division, outer_starts
from pipeline.mixed_model.elimination import Remainder
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.grouping import Grouping
from pipeline.mixed_model.structure import Structure
from pipeline.mixed_model.tally import Index, tally


@dataclass(frozen=True, eq=False)
class Solution:
    """The criterion's parts and their derivatives at one value of the variance parameters.

    Attributes
    ----------
    log_outer, log_basis : float
        Logarithms of the determinants of the outer columns' and of the basis' part.
    residual : float
        Residual sum of squares, penalised, relative to that of least squares.
    coefficients : ndarray, shape (r,)
        On the basis.
    effects : ndarray, shape (n_outer,)
        Random effects of the outer columns, in units of sigma before Lambda.
    inverse : ndarray, shape (r, r)
        Inverse of the basis' part: covariance of the coefficients at sigma = 1.
    adjoint : Remainder
        Derivatives of the criterion by the remainder.
    slopes : tuple of ndarray, shape (q, q)
        Derivatives by the relative Cholesky factor of each outer grouping.
    """

    log_outer: float
    log_basis: float
    residual: float
    coefficients: Array
    effects: Array
    inverse: Array
    adjoint: Remainder
    slopes: tuple[Array, ...]


@dataclass(frozen=True)
class Weighting:
    """What is differentiated.

    Attributes
    ----------
    basis : float
        1 to count the logarithm of the basis' determinant (REML), 0 not to (ML).
    residual : float or None
        Factor of the residual's derivative; None for ``freedom / residual``.
    freedom : float
        Rows, less the rank for REML.
    """

    basis: float
    residual: float | None
    freedom: float


def solve(
    structure: Structure,
    division: Division,
    left: Remainder,
    factors: tuple[Array, ...],
    weighting: Weighting,
) -> Solution:
    """Factorise what is left, and differentiate.

    Parameters
    ----------
    structure : Structure
        The layout.
    division : Division
        Blocks and border.
    left : Remainder
        What is left after the chain.
    factors : tuple of ndarray, shape (q, q)
        Relative Cholesky factor of each outer grouping.
    weighting : Weighting
        What is differentiated.

    Returns
    -------
    Solution
        Parts and derivatives.
    """
    if any(len(factor) > 1 for factor in factors):
        return _solve_correlated(structure, division, left, factors, weighting)
    scale = np.repeat(
        [factor[0, 0] for factor in factors], [grouping.n_levels for grouping in structure.outer]
    )
    system = _System(structure, division, left, scale)
    solution = system.solved(weighting)
    slopes = system.slopes(solution.adjoint)
    starts = outer_starts(structure.outer)
    return replace(
        solution,
        adjoint=system.unscaled(solution.adjoint),
        slopes=tuple(np.array([[slopes[a:b].sum()]]) for a, b in pairwise(starts)),
    )


class _System:
    """The scaled matrix ``Lambda' G Lambda + I`` with its blocks eliminated."""

    def __init__(
        self, structure: Structure, division: Division, left: Remainder, scale: Array
    ) -> None:
        n = structure.n_outer
        self.division, self.left, self.scale, self.n_outer = division, left, scale, n
        self.first, self.second = np.divmod(structure.pairs, max(n, 1))
        self.is_diagonal = self.first == self.second
        self.values = left.outer * scale[self.first] * scale[self.second] + self.is_diagonal
        self.mixed = np.vstack([scale[:, None] * left.mixed, np.zeros((1, left.mixed.shape[1]))])
        self.blocks: list[tuple[Array, Array]] = []
        self.log_outer = 0.0
        self.matrix = self._border()

    def _border(self) -> Array:
        division, n_border = self.division, len(self.division.border)
        size = n_border + 1 + len(self.left.dense)  # one place takes what is padded
        matrix = np.zeros((size, size))
        values = self.values[division.pairs]
        matrix[division.first, division.second] = values
        matrix[division.second, division.first] = values
        matrix[n_border, n_border] = 1.0
        rows = self.mixed[division.border]
        matrix[:n_border, n_border + 1 :] = rows
        matrix[n_border + 1 :, :n_border] = rows.T
        matrix[n_border + 1 :, n_border + 1 :] = self.left.dense
        for bucket in division.buckets:
            self._eliminate(bucket, matrix)
        matrix[n_border, :] = matrix[:, n_border] = 0.0
        matrix[n_border, n_border] = 1.0
        return matrix

    def _eliminate(self, bucket: Bucket, matrix: Array) -> None:
        n_blocks, size = bucket.columns.shape
        n_border, n_basis = bucket.border.shape[1], len(self.left.dense)
        own = np.zeros((n_blocks, size, size))
        own[bucket.columns == self.n_outer] = 0.0
        own.reshape(-1)[bucket.inner_place] = self.values[bucket.inner]
        padded = np.nonzero(bucket.columns == self.n_outer)
        own[padded[0], padded[1], padded[1]] = 1.0
        side = np.zeros((n_blocks, size, n_border + n_basis))
        touched = np.zeros(n_blocks * size * n_border)
        touched[bucket.cross_place] = self.values[bucket.cross]
        side[:, :, :n_border] = touched.reshape(n_blocks, size, n_border)
        side[:, :, n_border:] = self.mixed[bucket.columns]
        roots = np.linalg.cholesky(own)
        self.log_outer += 2.0 * float(np.log(np.einsum("bii->bi", roots)).sum())
        inverse = np.linalg.inv(own).astype(np.float64, copy=False)
        solved: Array = inverse @ side
        self.blocks.append((inverse, solved))
        taken = np.swapaxes(side, 1, 2) @ solved
        place = self._places(bucket)
        flat = place[:, :, None] * len(matrix) + place[:, None, :]
        total = np.bincount(flat.ravel(), taken.ravel(), matrix.size)
        matrix -= total.reshape(matrix.shape)

    def _places(self, bucket: Bucket) -> Index:
        n_border, n_basis = len(self.division.border), len(self.left.dense)
        basis = np.broadcast_to(
            np.arange(n_border + 1, n_border + 1 + n_basis), (len(bucket.border), n_basis)
        )
        return np.concatenate([bucket.border, basis], axis=1)

    def solved(self, weighting: Weighting) -> Solution:
        """Solve, with the adjoint of the scaled matrix and without slopes.

        Raises
        ------
        LinAlgError
            If the matrix is not positive definite.
        """
        n_border, n_all = len(self.division.border) + 1, len(self.matrix)
        rank = n_all - n_border - 1
        root, failed = lapack.dpotrf(self.matrix, lower=1)
        if failed:
            raise np.linalg.LinAlgError("the matrix of the mixed model is not positive definite")
        diagonal = np.diag(root)
        residual = float(diagonal[-1] ** 2)
        factor = weighting.residual
        if factor is None:
            factor = weighting.freedom / residual
        known = np.zeros(n_all)
        known[:-1] = -_solve_upper(root[:-1, :-1], root[-1, :-1])
        known[-1] = 1.0
        counted = n_all - 1 if weighting.basis else n_border
        close = np.zeros((n_all, n_all))
        close[:counted, :counted] = _inverse(root[:counted, :counted])
        close += factor * np.outer(known, known)
        basis_root = root[n_border:-1, n_border:-1]
        adjoint, effects = self._spread(close, known, n_border)
        return Solution(
            log_outer=self.log_outer + 2.0 * float(np.log(diagonal[:n_border]).sum()),
            log_basis=2.0 * float(np.log(diagonal[n_border:-1]).sum()),
            residual=residual,
            coefficients=-known[n_border:-1],
            effects=-effects,
            inverse=_inverse(basis_root) if rank else np.zeros((0, 0)),
            adjoint=adjoint,
            slopes=(),
        )

    def _spread(self, close: Array, known: Array, n_border: int) -> tuple[Remainder, Array]:
        """Bring the border's adjoint to the blocks."""
        division = self.division
        outer = np.zeros(len(self.values))
        outer[division.pairs] = close[division.first, division.second]
        mixed = np.zeros((self.n_outer + 1, len(self.left.dense)))
        mixed[division.border] = close[: n_border - 1, n_border:]
        effects = np.zeros(self.n_outer + 1)
        effects[division.border] = known[: n_border - 1]
        for bucket, (inverse, solved) in zip(division.buckets, self.blocks, strict=True):
            place = self._places(bucket)
            local = close[place[:, :, None], place[:, None, :]]
            side = -solved @ local
            own = inverse - side @ np.swapaxes(solved, 1, 2)
            outer[bucket.inner] = own.reshape(-1)[bucket.inner_place]
            width = bucket.border.shape[1]
            touched = np.ascontiguousarray(side[:, :, :width]).reshape(-1)
            outer[bucket.cross] = touched[bucket.cross_place]
            mixed[bucket.columns.ravel()] = side[:, :, width:].reshape(-1, mixed.shape[1])
            effects[bucket.columns.ravel()] = -np.einsum("bsk,bk->bs", solved, known[place]).ravel()
        return Remainder(outer, mixed[:-1], close[n_border:, n_border:]), effects[:-1]

    def slopes(self, adjoint: Remainder) -> Array:
        """Give the derivative by the scale of each outer column."""
        change = 2.0 * self.left.outer * adjoint.outer
        total = tally(self.first, change * self.scale[self.second], self.n_outer)
        apart = change * ~self.is_diagonal * self.scale[self.first]
        total += tally(self.second, apart, self.n_outer)
        total += 2.0 * np.einsum("nk,nk->n", self.left.mixed, adjoint.mixed)
        return total

    def unscaled(self, adjoint: Remainder) -> Remainder:
        """Give the adjoint of the matrix before it was scaled."""
        return Remainder(
            adjoint.outer * self.scale[self.first] * self.scale[self.second],
            adjoint.mixed * self.scale[:, None],
            adjoint.dense,
        )


def _solve_correlated(
    structure: Structure,
    division: Division,
    left: Remainder,
    factors: tuple[Array, ...],
    weighting: Weighting,
) -> Solution:
    """Solve with slopes among the outer columns: rotate them by Lambda first, all as one matrix."""
    n = structure.n_outer
    full = np.zeros((n, n))
    full.reshape(-1)[structure.pairs] = left.outer
    full = full + full.T - np.diag(np.diag(full))
    rotated = _rotate(structure.outer, factors, _rotate(structure.outer, factors, full).T)
    turned = Remainder(
        rotated.reshape(-1)[structure.pairs],
        _rotate(structure.outer, factors, left.mixed),
        left.dense,
    )
    system = _System(structure, division, turned, np.ones(n))
    solution = system.solved(weighting)
    adjoint = solution.adjoint
    close = np.zeros((n, n))
    close.reshape(-1)[structure.pairs] = adjoint.outer
    close = close + close.T - np.diag(np.diag(close))
    half = _rotate(structure.outer, factors, full).T  # G Lambda
    product = half @ close + left.mixed @ adjoint.mixed.T
    slopes, starts = [], outer_starts(structure.outer)
    for grouping, a, b in zip(structure.outer, starts, starts[1:], strict=False):
        q = len(grouping.columns)
        own = product[a:b, a:b].reshape(grouping.n_levels, q, grouping.n_levels, q)
        slopes.append(2.0 * np.einsum("uiuj->ij", own))
    back = tuple(factor.T for factor in factors)
    outer = _rotate(structure.outer, back, _rotate(structure.outer, back, close).T)
    unscaled = Remainder(
        outer.reshape(-1)[structure.pairs],
        _rotate(structure.outer, back, adjoint.mixed),
        adjoint.dense,
    )
    return replace(solution, adjoint=unscaled, slopes=tuple(slopes))


def _rotate(outer: tuple[Grouping, ...], factors: tuple[Array, ...], matrix: Array) -> Array:
    """Give ``Lambda' matrix``."""
    turned, starts = np.empty_like(matrix), outer_starts(outer)
    for factor, grouping, a, b in zip(factors, outer, starts, starts[1:], strict=False):
        part = matrix[a:b].reshape(grouping.n_levels, len(factor), -1)
        turned[a:b] = np.einsum("ij,uik->ujk", factor, part).reshape(b - a, -1)
    return turned


def _solve_upper(root: Array, values: Array) -> Array:
    """Solve ``root' x = values`` for a lower triangle."""
    if not len(values):
        return values
    solved, _ = lapack.dtrtrs(root, values, lower=1, trans=1)
    found: Array = solved.ravel()
    return found


def _inverse(root: Array) -> Array:
    """Invert a matrix given its lower triangle."""
    if not len(root):
        return root
    inverse, _ = lapack.dpotri(root, lower=1)  # what is above the diagonal stays zero
    found: Array = inverse + inverse.T
    found.flat[:: len(found) + 1] /= 2.0
    return found
