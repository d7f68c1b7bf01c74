"""A writer's turn: the lock is held, and what stopped writers left behind is swept away."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from pipeline.store.file import ASIDE, delete_file
from pipeline.store.holding import Holding, read_holding
from pipeline.store.ledger import Store, read_ledger
from pipeline.store.lock import hold_alone, hold_shared, try_alone

logger = logging.getLogger(__name__)


@contextmanager
def take_turn(store: Store) -> Iterator[None]:
    """Write beside other writers; sweep first if none is at work.

    Parameters
    ----------
    store : Store
        The store.

    Yields
    ------
    None
        While nobody may sweep.
    """
    with try_alone(store.lock) as is_alone:
        if is_alone:
            sweep_leftovers(store)
    with hold_shared(store.lock):
        yield


@contextmanager
def take_turn_alone(store: Store) -> Iterator[None]:
    """Wait for other writers to end, sweep, and write alone.

    Parameters
    ----------
    store : Store
        The store.

    Yields
    ------
    None
        While nobody else writes.
    """
    with hold_alone(store.lock):
        sweep_leftovers(store)
        yield


def sweep_leftovers(store: Store) -> None:
    """Delete what no ledger entry names; only for who holds the lock alone.

    Parameters
    ----------
    store : Store
        The store.
    """
    leftovers = find_leftovers(store, read_holding(read_ledger(store)))
    for path in leftovers:
        delete_file(path)
    if leftovers:
        logger.info("swept %d files that no ledger entry names", len(leftovers))


def find_leftovers(store: Store, holding: Holding) -> tuple[Path, ...]:
    """List the files of stopped writers and those that a withdrawal has replaced.

    Parameters
    ----------
    store : Store
        The store.
    holding : Holding
        What the ledger names.

    Returns
    -------
    tuple of pathlib.Path
        Parts that are not named, and files that were never finished.
    """
    named = {store.folder / path for path in holding.paths}
    parts = {p for part in ("parts", "raw") for p in (store.folder / part).rglob("*.parquet")}
    return tuple(sorted((parts - named) | set(store.folder.rglob(f".*{ASIDE}"))))
