"""Conflicts: deliveries that contradict each other while neither is the later one."""

from pipeline.store.holding import Held
from pipeline.store.ledger import Store
from pipeline.store.part import read_rows
from pipeline.store.resolution import count_differing
from schemas.errors import StoreError
from schemas.table import TABLES, empty


def refuse_conflict(store: Store, new: Held, others: tuple[Held, ...]) -> None:
    """Refuse a delivery that contradicts another of equal rank.

    Parameters
    ----------
    store : Store
        The store.
    new : Held
        The new delivery; its parts are written and not yet named.
    others : tuple of Held
        Deliveries of the same clinic.

    Raises
    ------
    StoreError
        If another delivery of the same day states other values for the same record, or (both being
        full exports of one layout) other records. Inside one layout a higher version of the codebook
        is a better reading and no contradiction.
    """
    for other in others:
        if not _is_rival(new, other):
            continue
        differing = {name: _count(store, name, new, other) for name in TABLES}
        total = sum(differing.values())
        if total:
            where = ", ".join(f"{name} {number}" for name, number in differing.items() if number)
            raise StoreError(
                f"{new.clinic}: delivery {new.delivery} ({new.source_name})",
                f"delivery {other.delivery} ({other.source_name}) states the same day of export,"
                f" {new.exported_on}, but {total} records differ ({where})",
                "state the true exported_on of the later export; where one of the two was read"
                " wrongly, correct its codebook and raise the codebook's version",
            )


def _is_rival(new: Held, other: Held) -> bool:
    """Say whether neither delivery is the later one; versions of other codebooks order nothing."""
    if new.exported_on != other.exported_on:
        return False
    return new.layout != other.layout or new.codebook_version == other.codebook_version


def _count(store: Store, name: str, new: Held, other: Held) -> int:
    """Count the records of one table in which two deliveries contradict each other."""
    table = TABLES[name]
    has_all = new.kind == other.kind == "full" and new.layout == other.layout
    own, part = new.parts.get(name), other.parts.get(name)
    if part is None or (own is None and not has_all):
        return own.rows if own is not None and has_all else 0
    some = empty(table.columns) if own is None else read_rows(store, name, own)
    rows = read_rows(store, name, part)
    differing = count_differing(table, some, rows)
    if has_all:
        key = list(table.key)
        differing += some.join(rows, on=key, how="anti", nulls_equal=True).height
        differing += rows.join(some, on=key, how="anti", nulls_equal=True).height
    return differing
