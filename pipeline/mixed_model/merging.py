"""Sums over partitions of the rows added up, and sums like those of a part of the groups."""

from collections.abc import Iterable
from dataclasses import replace
from fractions import Fraction

import numpy as np
import polars as pl

from pipeline.mixed_model.columns import raw_columns
from pipeline.mixed_model.description import Factor
from pipeline.mixed_model.exact_sums import common_unit
from pipeline.mixed_model.group_code import cells_of, codes_of
from pipeline.mixed_model.sufficient_statistics import Statistics


def combine(parts: Iterable[Statistics]) -> Statistics:
    """Add up the sums of partitions.

    Parameters
    ----------
    parts : iterable of Statistics
        Sums of the same model over rows that do not overlap; at least one.

    Returns
    -------
    Statistics
        The sums over all of them; their order does not matter.
    """
    found = list(parts)
    if len(found) == 1:
        return found[0]
    description = found[0].description
    levels = {
        term.name: _ordered(term, {level for part in found for level in part.levels[term.name]})
        for term in description.main_terms
        if isinstance(term, Factor)
    }
    names = [column.name for column in raw_columns(description, levels)]
    columns = (*names, description.outcome)
    aligned = [_aligned(part, columns) for part in found]
    units = tuple(common_unit(tuple(p.units[i] for p in aligned)) for i in range(len(columns)))
    aligned = [_in_units(part, units) for part in aligned]
    labels = pl.concat([part.groups for part in aligned], how="vertical_relaxed")
    sums = np.concatenate([part.sums for part in aligned], axis=1)
    order, starts = cells_of(labels)
    return replace(
        aligned[0],
        products=np.add.reduce([part.products for part in aligned]),
        groups=labels[order[starts]],
        sums=np.add.reduceat(sums[:, order], starts, axis=1),
        levels=levels,
        n_rows=sum(part.n_rows for part in found),
        n_left_out=sum(part.n_left_out for part in found),
        log_weights=float(np.sort([part.log_weights for part in found]).sum()),
    )


def one_in(whole_sums: Statistics, part: int, by: tuple[str, ...]) -> Statistics:
    """Estimate the sums of a part of the groups, to begin a search with.

    Products within cells, which are known for all rows together only, are taken in proportion.

    Parameters
    ----------
    whole_sums : Statistics
        The sums over all rows.
    part : int
        One group in so many is kept.
    by : tuple of str
        Columns that name the groups.

    Returns
    -------
    Statistics
        Sums like those of the groups that are kept.
    """
    kept = codes_of(whole_sums.groups.select(by)) % part == 0
    sums, sizes = whole_sums.sums[0], whole_sums.sums[0, :, 0]
    share = float(sizes[kept].sum() / sizes.sum())
    own = sums[kept].T @ (sums[kept] / sizes[kept, None])
    between = sums.T @ (sums / sizes[:, None])
    within = whole_sums.products.astype(np.float64) - between
    products = np.rint(share * within + own)
    products[0], products[:, 0] = sums[kept].sum(axis=0), sums[kept].sum(axis=0)
    return replace(
        whole_sums,
        products=np.array([[int(value) for value in row] for row in products], dtype=object),
        groups=whole_sums.groups.filter(kept),
        sums=whole_sums.sums[:, kept],
        n_rows=max(round(whole_sums.n_rows * share), int(kept.sum())),
    )


def _ordered(factor: Factor, found: set[str]) -> tuple[str, ...]:
    declared = [level for level in factor.levels if level in found]
    return (*declared, *sorted(found - set(declared)))


def _aligned(part: Statistics, columns: tuple[str, ...]) -> Statistics:
    if part.columns == columns:
        return part
    places = [columns.index(name) for name in part.columns]
    products = np.zeros((len(columns), len(columns)), dtype=object)
    products[np.ix_(places, places)] = part.products
    sums = np.zeros((*part.sums.shape[:2], len(columns)))
    sums[:, :, places] = part.sums
    units = [Fraction(0)] * len(columns)
    for place, unit in zip(places, part.units, strict=True):
        units[place] = unit
    return replace(part, columns=columns, units=tuple(units), products=products, sums=sums)


def _in_units(part: Statistics, units: tuple[Fraction, ...]) -> Statistics:
    if part.units == units:
        return part
    factors = [int(old / new) if old else 1 for old, new in zip(part.units, units, strict=True)]
    scale = np.array(factors, dtype=object)
    varying = [factors[part.columns.index(name)] for name in part.varying]
    return replace(
        part,
        units=units,
        products=part.products * np.outer(scale, scale),
        sums=part.sums * np.outer(varying, factors).astype(np.float64)[:, None, :],
    )
