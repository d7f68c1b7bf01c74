"""Satterthwaite's degrees of freedom of a contrast, from exact derivatives.

References
----------
Satterthwaite FE (1946). An approximate distribution of estimates of variance components.
Biometrics Bulletin 2:110-114.
Kuznetsova A, Brockhoff PB, Christensen RHB (2017). lmerTest package: tests in linear mixed effects
models. Journal of Statistical Software 82(13).
"""

import numpy as np

from pipeline.mixed_model.fit import MixedModel
from pipeline.mixed_model.sufficient_statistics import Array


def satterthwaite(model: MixedModel, weights: Array) -> float:
    """Give the degrees of freedom of one contrast.

    ``2 v^2 / (g' A g)`` with v the contrast's variance, g its gradient by the variance parameters
    and A their covariance, twice the inverse of the criterion's second derivatives.

    Parameters
    ----------
    model : MixedModel
        The fit.
    weights : ndarray, shape (r,)
        Weights of the contrast on the model's ``terms``.

    Returns
    -------
    float
        Degrees of freedom. Where the variance between groups is zero the ratio is no free
        parameter: then rows less terms, as in least squares, or groups less terms (1 at least)
        if that is fewer. The smaller number is the cautious one at this boundary.
    """
    variance = float(weights @ model.covariance @ weights)
    n_terms = len(model.coefficients)
    if model.is_singular:
        return float(min(model.n_rows - n_terms, max(model.n_groups - n_terms, 1)))
    gradient = np.array(
        [weights @ model.covariance_slope @ weights, variance / model.sigma2], dtype=np.float64
    )
    return float(variance**2 / (gradient @ np.linalg.solve(model.information, gradient)))
