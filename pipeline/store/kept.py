"""What the store kept of deliveries, for reading them again."""

import polars as pl

from pipeline.store.holding import Held, read_holding
from pipeline.store.ledger import Store, read_ledger
from pipeline.store.part import RAW, read_rows, read_stored
from pipeline.store.resolution import split_replaced
from schemas.table import QUARANTINE, QUARANTINED, empty


def find_layout(store: Store, clinic: str, codebook: str) -> tuple[Held, ...]:
    """Find the deliveries of one layout that count: of each file, the reading by the newest codebook.

    Parameters
    ----------
    store : Store
        The store.
    clinic, codebook : str
        Where the files are from, and their layout.

    Returns
    -------
    tuple of Held
        Deliveries in the order in which they were accepted.
    """
    counting, _ = split_replaced(read_holding(read_ledger(store)).of_clinic(clinic))
    return tuple(held for held in counting if held.codebook == codebook)


def read_held(store: Store, held: Held, name: str) -> pl.DataFrame:
    """Read one part of a delivery.

    Parameters
    ----------
    store : Store
        The store.
    held : Held
        The delivery.
    name : str
        Canonical table, ``quarantine`` or ``raw``.

    Returns
    -------
    polars.DataFrame
        Its rows; none where there is no such part.
    """
    if name not in held.parts:
        return empty(QUARANTINE if name == QUARANTINED else {})
    if name == RAW:
        return read_stored(store, held.parts[name])
    return read_rows(store, name, held.parts[name])
