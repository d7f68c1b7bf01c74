"""Sums of numbers that come out the same to the last bit, whatever the order of the rows.

Every column is written as whole multiples of a unit: readings in hundredths of a degree, ages and
indicators are that already; a number without such a unit is put on a grid of 48 binary digits of its
largest value. Whole numbers below 2^53 add up in double precision without any rounding, so that the
order of addition, the number of partitions and the library behind a matrix product leave no trace.
Columns that are too long for that are split into limbs of 16 binary digits.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import frexp, gcd

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Integers = NDArray[np.object_]
"""Whole numbers of any size."""

DECIMALS = (1, 10, 100, 1000)
"""Parts of a whole that are tried as unit, in this order."""

LIMB_DIGITS = 16
SHORT = float(2**17)
"""A whole number below it is its own single limb: 2^17 x 2^17 x 2^17 rows stay below 2^53."""

LONGEST = float(2**47)
"""A whole number stays below it, and so within three limbs."""

LONGEST_BLOCK = 2**17
"""Rows whose products may be added up before they are turned into whole numbers of any size."""

BLOCK_ROWS = 2**14
"""Rows that are written as whole numbers at a time: few enough for the processor's cache."""


@dataclass(frozen=True)
class Grid:
    """Whole multiples of a unit.

    Attributes
    ----------
    unit : Fraction
        What 1 stands for.
    n_limbs : int
        Limbs of a value, 1 to 3.
    """

    unit: Fraction
    n_limbs: int

    def integers(self, values: Array) -> Array:
        """Write values as multiples of the unit.

        Parameters
        ----------
        values : ndarray, shape (n,)
            Values.

        Returns
        -------
        ndarray, shape (n,)
            Whole numbers.
        """
        if self.unit == 1:
            return np.rint(values)
        return np.rint(values * (float(self.unit.denominator) / float(self.unit.numerator)))


ONES = Grid(Fraction(1), 1)
"""Of indicators."""


def grid_of(values: Array) -> Grid:
    """Find the coarsest grid that holds some values.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Finite values.

    Returns
    -------
    Grid
        In wholes, tenths, hundredths or thousandths where they fit; else binary, with 47 digits for
        the largest value.
    """
    largest = float(np.abs(values).max(initial=0.0))
    for parts in DECIMALS:
        if largest * parts < LONGEST and _fits(values, parts):
            return Grid(Fraction(1, parts), _n_limbs(largest * parts))
    exponent = frexp(largest)[1] - 47
    return Grid(Fraction(2) ** exponent, 3)


def limbs_of(integers: Array, n_limbs: int) -> list[Array]:
    """Split whole numbers into limbs, the lowest first.

    Parameters
    ----------
    integers : ndarray, shape (n,)
        Whole numbers.
    n_limbs : int
        Number of limbs.

    Returns
    -------
    list of ndarray, shape (n,)
        ``integers = sum of limb[i] * 2**(16 i)``.
    """
    limbs = []
    base = float(2**LIMB_DIGITS)
    for _ in range(n_limbs - 1):
        higher = np.rint(integers / base)
        limbs.append(integers - higher * base)
        integers = higher
    return [*limbs, integers]


def whole(matrix: Array) -> Integers:
    """Turn whole numbers in double precision into whole numbers of any size.

    Parameters
    ----------
    matrix : ndarray
        Whole numbers below 2^53.

    Returns
    -------
    ndarray of int
        The same.
    """
    return matrix.astype(np.int64).astype(object)


def common_unit(units: tuple[Fraction, ...]) -> Fraction:
    """Give the largest unit of which all units are whole multiples.

    Parameters
    ----------
    units : tuple of Fraction
        Units; 0 for a column that a partition does not have.

    Returns
    -------
    Fraction
        The common unit.
    """
    found, *others = [unit for unit in units if unit]
    for unit in others:
        found = Fraction(
            gcd(found.numerator * unit.denominator, unit.numerator * found.denominator),
            found.denominator * unit.denominator,
        )
    return found


def _fits(values: Array, parts: int) -> bool:
    scaled = values * parts
    nearest = np.rint(scaled)
    return bool((np.abs(scaled - nearest) <= 1e-15 * np.abs(nearest)).all())


def _n_limbs(largest: float) -> int:
    if largest < SHORT:
        return 1
    return 2 if largest < float(2**31) else 3
