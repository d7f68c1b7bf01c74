"""Parametric bootstrap: how a statistic of the fit would vary if the fitted model were true.

References
----------
Efron B, Tibshirani RJ (1993). An introduction to the bootstrap. Chapman & Hall, sections 6.5 and 13.3.
"""

from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from multiprocessing import get_context

import numpy as np

from pipeline.mixed_model.exact_sums import Array
from pipeline.mixed_model.fit import MixedModel, fit
from pipeline.mixed_model.simulation import Simulation, simulation_of
from schemas.errors import ModelError

Statistic = Callable[[MixedModel], Array]
"""Takes a fit to some numbers, shape (k,)."""

Stream = np.random.SeedSequence
"""Of random numbers."""

Replicate = Callable[[Stream], Array]
"""Takes a stream to the statistic of one simulated outcome."""


@dataclass(frozen=True, eq=False)
class Bootstrap:
    """Replicates of a statistic.

    Attributes
    ----------
    estimate : ndarray, shape (k,)
        The statistic of the fit itself.
    values : ndarray, shape (n, k)
        Of the fits to simulated outcomes; nan where the fit failed.
    n_failed : int
        Number of fits that failed.
    seed : int
        The seed.
    """

    estimate: Array
    values: Array
    n_failed: int
    seed: int

    @property
    def standard_error(self) -> Array:
        """Standard deviation of the replicates, shape (k,)."""
        found: Array = self._known.std(axis=0, ddof=1)
        return found

    @property
    def bias(self) -> Array:
        """Mean of the replicates less the estimate, shape (k,)."""
        found: Array = self._known.mean(axis=0) - self.estimate
        return found

    def percentile(self, confidence: float = 0.95) -> Array:
        """Give the percentile interval.

        Parameters
        ----------
        confidence : float
            Between 0 and 1.

        Returns
        -------
        ndarray, shape (k, 2)
            Lower and upper limit.
        """
        tails = [(1.0 - confidence) / 2.0, (1.0 + confidence) / 2.0]
        found: Array = np.quantile(self._known, tails, axis=0).T
        return found

    @property
    def _known(self) -> Array:
        return self.values[~np.isnan(self.values).any(axis=1)]


def bootstrap(
    model: MixedModel,
    n_replicates: int,
    *,
    seed: int,
    statistic: Statistic,
    n_workers: int = 1,
) -> Bootstrap:
    """Simulate outcomes from a fit, and fit each again.

    Parameters
    ----------
    model : MixedModel
        The fit; REML or ML, as its replicates will be.
    n_replicates : int
        Number of simulated outcomes, 2 at least.
    seed : int
        Every replicate has its own stream of it, so that the values don't depend on ``n_workers``.
    statistic : callable
        Takes a fit to an array of shape (k,).
    n_workers : int
        Processes that fit at the same time. With more than one, ``statistic`` has to be a function
        of a module, or made of such: a lambda can't be sent to another process.

    Returns
    -------
    Bootstrap
        The replicates.

    Raises
    ------
    ModelError
        If fewer than two replicates are asked for, or fewer than two could be fitted.
    """
    if n_replicates < 2:
        raise ModelError(
            "bootstrap", f"a spread can't be told from {n_replicates}", "Ask for 1000."
        )
    estimate = np.atleast_1d(np.asarray(statistic(model), dtype=np.float64))
    replicate = partial(_replicate, simulation_of(model), model.theta, statistic, len(estimate))
    streams = np.random.SeedSequence(seed).spawn(n_replicates)
    values = np.stack(_mapped(replicate, streams, n_workers))
    n_failed = int(np.isnan(values).any(axis=1).sum())
    if n_replicates - n_failed < 2:
        raise ModelError(
            "bootstrap",
            f"{n_failed} of {n_replicates} fits to simulated outcomes failed",
            "The model is too large for the records: leave a random term out.",
        )
    return Bootstrap(estimate, values, n_failed, seed)


def _mapped(replicate: Replicate, streams: list[Stream], n_workers: int) -> list[Array]:
    """Give the replicate of each stream; each worker is sent the simulation once."""
    if n_workers == 1:
        return [replicate(stream) for stream in streams]
    shares = [streams[first::n_workers] for first in range(n_workers)]
    # A fork would copy the locks of this process's threads in whatever state they are.
    with ProcessPoolExecutor(max_workers=n_workers, mp_context=get_context("spawn")) as pool:
        done = list(pool.map(partial(_share, replicate), shares))
    return [done[place % n_workers][place // n_workers] for place in range(len(streams))]


def _share(replicate: Replicate, streams: list[Stream]) -> list[Array]:
    return [replicate(stream) for stream in streams]


def _replicate(
    simulation: Simulation, theta: Array, statistic: Statistic, n_values: int, stream: Stream
) -> Array:
    sums = simulation.draw(np.random.default_rng(stream))
    try:
        found: Array = np.asarray(statistic(fit(sums, start=theta)), dtype=np.float64)
    except ModelError:
        return np.full(n_values, np.nan)
    return np.atleast_1d(found)
