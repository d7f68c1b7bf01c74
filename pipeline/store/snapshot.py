"""Snapshots: what the store says at one ledger number."""

import logging
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.store.digest import digest_clinic, digest_text
from pipeline.store.holding import Account, Held, Holding, read_holding
from pipeline.store.ledger import Store, read_ledger
from pipeline.store.part import read_rows
from pipeline.store.resolution import resolve_table, split_replaced
from schemas.errors import StoreError
from schemas.table import QUARANTINE, QUARANTINED, SOURCE_ROW, TABLES, empty

logger = logging.getLogger(__name__)

FATES = (
    "accepted",
    "quarantined",
    "duplicate",
    "superseded",
    "out_of_scope",
    "withdrawn",
)
"""What became of the facts that were read; they add up to ``read``."""


@dataclass(frozen=True)
class DeliveryRecord:
    """One delivery that a snapshot rests on.

    Attributes
    ----------
    delivery : str
        Identifier.
    clinic, codebook : str
        Where it is from, and the layout it was read with.
    codebook_version : int
        Version of the codebook.
    kind : str
        ``full`` or ``increment``.
    exported_on : datetime.date
        Day that the clinic states for the export.
    source_name : str
        The export's file name.
    """

    delivery: str
    clinic: str
    codebook: str
    codebook_version: int
    kind: str
    exported_on: date
    source_name: str


@dataclass(frozen=True)
class Snapshot:
    """What the store says at one ledger number.

    Attributes
    ----------
    number : int
        Ledger number.
    tables : dict of str to polars.DataFrame
        Current facts of every canonical table, sorted by key.
    quarantine : polars.DataFrame
        Quarantined facts of deliveries that no later full one has replaced.
    account : dict of str to dict of str to dict of str to int
        Facts by clinic, table and fate: read, and those of ``FATES``, which add up to it.
    content_digest : str
        SHA-256 of all this; the same for any order in which the deliveries arrived.
    clinic_digests : dict of str to str
        The same for each clinic alone.
    codebooks : dict of (str, str) to str
        Hash of the newest codebook by clinic and layout.
    deliveries : tuple of DeliveryRecord
        All deliveries, by clinic, layout and day of export.
    """

    number: int
    tables: dict[str, pl.DataFrame]
    quarantine: pl.DataFrame
    account: dict[str, Account]
    content_digest: str
    clinic_digests: dict[str, str]
    codebooks: dict[tuple[str, str], str]
    deliveries: tuple[DeliveryRecord, ...]


@dataclass(frozen=True)
class _ClinicView:
    """What the store says about one clinic."""

    tables: dict[str, pl.DataFrame]
    quarantine: pl.DataFrame
    account: Account
    digest: str


def take_snapshot(
    store: Store, *, clinics: tuple[str, ...] | None = None, until: int | None = None
) -> Snapshot:
    """Read what the store says; never waits for writers and never sees half a delivery.

    Parameters
    ----------
    store : Store
        The store.
    clinics : tuple of str or None
        Clinics wanted; None for all. One that has delivered nothing is left out.
    until : int or None
        Ledger number; None for the newest.

    Returns
    -------
    Snapshot
        Facts, quarantine, account and digest of those clinics.

    Raises
    ------
    StoreError
        If a file is missing or was changed, if the account does not add up, or if a patient withdrawn
        after ``until`` makes that state impossible to read again.
    """
    while True:
        entries = read_ledger(store)
        holding = read_holding(entries if until is None else read_ledger(store, until))
        wanted = _choose_clinics(holding, clinics)
        _refuse_withdrawn_since(holding, read_holding(entries), wanted)
        try:
            return _view_store(store, holding, wanted)
        except StoreError:
            # A withdrawal may have replaced the file between reading the ledger and the file.
            if len(read_ledger(store)) == len(entries):
                raise


def _choose_clinics(holding: Holding, clinics: Collection[str] | None) -> list[str]:
    """List the wanted clinics that have delivered something."""
    known = {held.clinic for held in holding.deliveries}
    return sorted(known if clinics is None else known & set(clinics))


def _refuse_withdrawn_since(holding: Holding, newest: Holding, clinics: list[str]) -> None:
    """Refuse a state that held a patient who has been withdrawn meanwhile.

    Raises
    ------
    StoreError
        If there is one.
    """
    for clinic in clinics:
        if holding.tombstones.get(clinic) != newest.tombstones.get(clinic):
            raise StoreError(
                f"ledger number {holding.number}",
                f"can no longer be reproduced: a patient of {clinic} was withdrawn later",
                f"use the newest state, ledger number {newest.number}",
            )


def _view_store(store: Store, holding: Holding, clinics: list[str]) -> Snapshot:
    """Put the clinics together."""
    views = {clinic: _view_clinic(store, holding, clinic) for clinic in clinics}
    tables = {
        name: pl.concat(
            [
                empty(table.columns),
                *(view.tables[name] for view in views.values() if name in view.tables),
            ]
        )
        for name, table in TABLES.items()
    }
    held = [held for clinic in clinics for held in holding.of_clinic(clinic)]
    digests = {clinic: view.digest for clinic, view in views.items()}
    logger.info(
        "snapshot %d: %d clinics, %d deliveries, %d current facts",
        holding.number,
        len(clinics),
        len(held),
        sum(frame.height for frame in tables.values()),
    )
    return Snapshot(
        number=holding.number,
        tables=tables,
        quarantine=pl.concat([empty(QUARANTINE), *(v.quarantine for v in views.values())]),
        account={clinic: view.account for clinic, view in views.items()},
        content_digest=digest_text(digests),
        clinic_digests=digests,
        codebooks=_newest_codebooks(held),
        deliveries=_record_deliveries(held),
    )


def _view_clinic(store: Store, holding: Holding, clinic: str) -> _ClinicView:
    """Resolve one clinic's deliveries."""
    deliveries = holding.of_clinic(clinic)
    counting, replaced = split_replaced(deliveries)
    account = _start_account(counting, replaced)
    tables = {}
    for name, table in TABLES.items():
        frames = _read_frames(store, name, counting)
        if not frames:
            continue
        resolution = resolve_table(table, frames)
        tables[name] = resolution.current
        counts = account[name]
        counts["accepted"] += resolution.current.height
        counts["duplicate"] += resolution.n_duplicate
        counts["superseded"] += resolution.n_superseded
    quarantined = [empty(QUARANTINE), *_read_frames(store, QUARANTINED, counting)]
    quarantine = pl.concat(quarantined).sort(list(QUARANTINE))
    _check_conservation(clinic, account)
    digest = digest_clinic(
        tables,
        quarantine,
        account,
        [(held.codebook, held.codebook_sha256) for held in deliveries],
        holding.tombstones.get(clinic, frozenset()),
    )
    return _ClinicView(tables, quarantine, account, digest)


def _read_frames(store: Store, name: str, deliveries: tuple[Held, ...]) -> list[pl.DataFrame]:
    """Read the parts of one name; a delivery without such rows has none."""
    return [read_rows(store, name, held.parts[name]) for held in deliveries if name in held.parts]


def _start_account(counting: tuple[Held, ...], replaced: tuple[Held, ...]) -> Account:
    """Sum what the deliveries' own accounts settle; accepted facts are still to be resolved."""
    account: Account = {}
    for held in (*counting, *replaced):
        for table, counts in held.account.items():
            total = account.setdefault(table, dict.fromkeys(("read", *FATES), 0))
            for name in ("read", "duplicate", "out_of_scope", "withdrawn"):
                total[name] += counts[name]
            if held in replaced:
                total["superseded"] += counts["accepted"] + counts["quarantined"]
            else:
                total["quarantined"] += counts["quarantined"]
                if table == SOURCE_ROW:  # rows of the export are counted, not kept
                    total["accepted"] += counts["accepted"]
    return {table: account[table] for table in sorted(account)}


def _check_conservation(clinic: str, account: Account) -> None:
    """Refuse an account in which facts were lost or made.

    Raises
    ------
    StoreError
        If it does not add up.
    """
    for table, counts in account.items():
        total = sum(counts[fate] for fate in FATES)
        if counts["read"] != total:
            raise StoreError(
                f"clinic {clinic}, table {table}",
                f"{counts['read']} facts were read, but {total} are accounted for",
                "check the store; if it is whole, report this as a fault of the program",
            )


def _newest_codebooks(deliveries: list[Held]) -> dict[tuple[str, str], str]:
    """Give the codebook of the highest rank for each clinic and layout."""
    ordered = sorted(deliveries, key=lambda held: (held.rank, held.codebook_sha256))
    newest = {held.layout: held.codebook_sha256 for held in ordered}
    return {layout: newest[layout] for layout in sorted(newest)}


def _record_deliveries(deliveries: list[Held]) -> tuple[DeliveryRecord, ...]:
    """List deliveries in an order that does not depend on their arrival."""
    ordered = sorted(deliveries, key=lambda held: (*held.layout, *held.rank, held.delivery))
    return tuple(
        DeliveryRecord(
            delivery=held.delivery,
            clinic=held.clinic,
            codebook=held.codebook,
            codebook_version=held.codebook_version,
            kind=held.kind,
            exported_on=held.exported_on,
            source_name=held.source_name,
        )
        for held in ordered
    )
