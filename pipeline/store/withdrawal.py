"""Withdrawal: a patient's rows leave the store, and a mark without data stays.

Parts and raw files that hold the patient are written anew without them, one ledger entry puts the new
files in place of the old and adds the tombstone, and the old files are deleted. If the program dies
before the deletion, the next writer sweeps the old files; readers do not see them any more.
"""

import logging
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from pipeline.coded import is_text, with_texts
from pipeline.store.holding import WITHDRAWN, Account, Held, Holding, read_holding
from pipeline.store.ledger import Store, add_entry, read_ledger
from pipeline.store.part import (
    RAW,
    Part,
    delete_parts,
    part_folder,
    read_stored,
    write_part,
)
from pipeline.store.pseudonym import PseudonymKey, tombstone
from pipeline.store.writer import sweep_leftovers, take_turn_alone
from schemas.errors import StoreError
from schemas.table import QUARANTINED

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Withdrawal:
    """What a withdrawal removed.

    Attributes
    ----------
    clinic : str
        The patient's clinic.
    rows : dict of str to int
        Rows removed from each table, from ``quarantine`` and from ``raw``; parts without the patient
        are not listed.
    is_new : bool
        False where the patient had been withdrawn before, so that nothing was left to remove.
    """

    clinic: str
    rows: dict[str, int]
    is_new: bool


@dataclass(frozen=True)
class _Cut:
    """One part with and without the patient."""

    held: Held
    name: str
    kept: pl.DataFrame
    removed: pl.DataFrame


def withdraw_patient(
    store: Store, key: PseudonymKey, clinic: str, patient_pseudonym: str, recorded_at: datetime
) -> Withdrawal:
    """Remove a patient from all deliveries of a clinic, and from those still to come.

    Parameters
    ----------
    store : Store
        The store.
    key : PseudonymKey
        The network's secret.
    clinic : str
        The patient's clinic.
    patient_pseudonym : str
        The patient's pseudonym.
    recorded_at : datetime.datetime
        When, with its zone.

    Returns
    -------
    Withdrawal
        How many rows were removed from where.

    Raises
    ------
    StoreError
        If the store has nothing of such a patient and none was withdrawn.
    """
    mark = tombstone(key, clinic, patient_pseudonym)
    with take_turn_alone(store):
        while True:
            entries = read_ledger(store)
            holding = read_holding(entries)
            if mark in holding.tombstones.get(clinic, frozenset()):
                return Withdrawal(clinic, {}, is_new=False)
            cuts = _cut_parts(store, holding, clinic, patient_pseudonym)
            if not cuts:
                raise StoreError(
                    f"clinic {clinic}",
                    "the store has no record of this patient",
                    "check the clinic and the patient's number as the clinic writes it",
                )
            written = _write_kept(store, cuts, len(entries) + 1)
            content = _describe(cuts, written, clinic, mark)
            try:
                add_entry(store, entries, WITHDRAWN, content, recorded_at)
            except FileExistsError:  # a publication came first: start over
                delete_parts(store, written)
                continue
            sweep_leftovers(store)
            break
    rows = _count_rows(cuts)
    logger.info("patient of %s withdrawn: %d rows removed", clinic, sum(rows.values()))
    return Withdrawal(clinic, rows, is_new=True)


def split_patients(
    frame: pl.DataFrame, patients: Collection[str]
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Part the rows in which no cell is one of the pseudonyms from the others.

    Parameters
    ----------
    frame : polars.DataFrame
        Facts, quarantine or raw rows.
    patients : Collection of str
        Pseudonyms.

    Returns
    -------
    tuple of two polars.DataFrame
        Rows to keep and rows to remove, in their order.
    """
    texts = [name for name, kind in frame.schema.items() if is_text(kind)]
    if not texts or not patients:
        return frame, frame.clear()
    marked = pl.repeat(value=False, n=frame.height, eager=True)
    for name in texts:
        marked |= with_texts(frame[name], patients)
    return frame.filter(~marked), frame.filter(marked)


def count_removed(removed: dict[str, pl.DataFrame]) -> Account:
    """Count removed facts by table and by what they were counted as before.

    Parameters
    ----------
    removed : dict of str to polars.DataFrame
        Removed rows by canonical table and ``quarantine``; ``raw`` is passed over, as its rows are no
        facts.

    Returns
    -------
    dict of str to dict of str to int
        Accepted and quarantined facts by table.
    """
    counts: Account = {}
    for name, frame in removed.items():
        if name == QUARANTINED:
            for table, number in frame["table"].value_counts().sort("table").iter_rows():
                counts.setdefault(table, {})["quarantined"] = number
        elif name != RAW and frame.height:
            counts.setdefault(name, {})["accepted"] = frame.height
    return counts


def _cut_parts(store: Store, holding: Holding, clinic: str, patient: str) -> list[_Cut]:
    """Read the clinic's parts and cut the patient out where they are."""
    cuts = []
    for held in holding.of_clinic(clinic):
        for name, part in held.parts.items():
            # As written, not upgraded: a rewritten part keeps its layout.
            kept, removed = split_patients(read_stored(store, part), [patient])
            if removed.height:
                cuts.append(_Cut(held, name, kept, removed))
    return cuts


def _write_kept(store: Store, cuts: list[_Cut], number: int) -> dict[str, Part]:
    """Write what is kept of each part; by the place of the part that it replaces."""
    written = {}
    for cut in cuts:
        old = cut.held.parts[cut.name]
        if cut.kept.height:
            written[old.path] = write_part(
                store,
                part_folder(cut.name, cut.held.clinic),
                cut.held.delivery,
                cut.kept,
                revision=number,
                schema_version=old.schema_version,
            )
    return written


def _describe(cuts: list[_Cut], written: dict[str, Part], clinic: str, mark: str) -> dict[str, Any]:
    """Say in a ledger entry what replaces what, and how many facts left; integers only."""
    changes = []
    for delivery in dict.fromkeys(cut.held.delivery for cut in cuts):
        mine = [cut for cut in cuts if cut.held.delivery == delivery]
        replaced = []
        for cut in mine:
            old = cut.held.parts[cut.name].path
            new = written[old].as_json() if old in written else None
            replaced.append({"name": cut.name, "old": old, "new": new})
        removed = count_removed({cut.name: cut.removed for cut in mine})
        changes.append({"delivery": delivery, "replaced": replaced, "removed": removed})
    return {"clinic": clinic, "tombstone": mark, "changes": changes}


def _count_rows(cuts: list[_Cut]) -> dict[str, int]:
    """Sum the removed rows over deliveries."""
    rows: dict[str, int] = {}
    for cut in cuts:
        rows[cut.name] = rows.get(cut.name, 0) + cut.removed.height
    return rows
