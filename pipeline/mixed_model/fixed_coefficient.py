"""A fit with one coefficient held at a value, made from the layout of the fit without that.

The basis of the fixed part is turned so that the coefficient is decided by one direction alone. Holding
it takes that direction out of the basis, and moves the residual along it. That is a linear map of the
columns of every sum, so that nothing has to be added up again.
"""

from dataclasses import replace

import numpy as np

from pipeline.mixed_model.basis import Basis
from pipeline.mixed_model.criterion import Problem
from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.structure import Structure


def with_coefficient(problem: Problem, place: int, value: float) -> Problem:
    """Hold a coefficient at a value.

    Parameters
    ----------
    problem : Problem
        Model and numbers.
    place : int
        Place of the coefficient among those that are estimated.
    value : float
        Where it is held, in the outcome's unit per unit of its column.

    Returns
    -------
    Problem
        The same rows with one coefficient less; by ML its criterion can be compared with that of
        ``problem``. The coefficients that follow from its basis are all, the held one at its value.
    """
    structure = problem.structure
    basis, columns = _held(structure.basis, place, value)
    classes = structure.classes
    if classes is not None:
        classes = replace(
            classes,
            dense=columns.T @ classes.dense @ columns,
            mixed=classes.mixed @ columns,
        )
    held = replace(
        structure,
        basis=basis,
        dense=_mapped(structure, columns),
        outer_dense=structure.outer_dense @ columns,
        classes=classes,
    )
    return replace(problem, structure=held)


def _held(basis: Basis, place: int, value: float) -> tuple[Basis, Array]:
    """Give the basis without the direction, and the map of basis and residual onto it."""
    weights = basis.back[place]
    length = float(np.linalg.norm(weights))
    turned = np.linalg.qr(weights[:, None], mode="complete")[0]
    direction, others = weights / length, turned[:, 1:]
    move = (value - basis.start[place]) / (length * basis.scale)
    longer = float(np.hypot(1.0, move))
    columns = np.zeros((len(weights) + 1, len(weights)))
    columns[:-1, :-1] = others
    columns[:-1, -1], columns[-1, -1] = -move / longer * direction, 1.0 / longer
    held = replace(
        basis,
        transform=basis.transform @ columns,
        back=basis.back @ others,
        start=basis.start + basis.back @ direction * (move * basis.scale),
        scale=basis.scale * longer,
    )
    return held, columns


def _mapped(structure: Structure, columns: Array) -> Array:
    z = len(structure.chain)
    return np.concatenate([structure.dense[:, :, :z], structure.dense[:, :, z:] @ columns], axis=2)
