"""Committing a delivery: all it holds becomes visible with one ledger entry, or nothing does."""

import hashlib
import logging
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any

import polars as pl

from pipeline.coded import is_text
from pipeline.sorting import sort_by_key
from pipeline.store.conflict import refuse_conflict
from pipeline.store.holding import ACCEPTED, Account, Held, move_withdrawn, read_holding
from pipeline.store.ledger import Store, add_entry, read_ledger
from pipeline.store.part import (
    RAW,
    Part,
    delete_parts,
    part_folder,
    write_part,
)
from pipeline.store.pseudonym import PATIENT_PSEUDONYM, PseudonymKey, tombstone
from pipeline.store.withdrawal import count_removed, split_patients
from pipeline.store.writer import take_turn
from schemas.table import QUARANTINE, QUARANTINED, SOURCE_ROW, TABLES, Table, empty

logger = logging.getLogger(__name__)

FATES = ("accepted", "quarantined", "duplicate", "out_of_scope", "withdrawn")
"""What becomes of the facts of one delivery; they add up to ``read``."""

ID_DIGITS = 12


@dataclass(frozen=True)
class Delivery:
    """One export of a clinic, screened, pseudonymised, harmonised and validated.

    Attributes
    ----------
    clinic, codebook : str
        Where it is from, and the layout it was read with.
    codebook_version : int
        Version of the codebook.
    codebook_sha256 : str
        Hash of the codebook.
    kind : {"full", "increment"}
        Whether it replaces earlier deliveries of its layout or adds to them.
    exported_on : datetime.date
        Day that the clinic states for the export.
    source_name, source_sha256 : str
        The export's file name and hash.
    tables : dict of str to polars.DataFrame
        Accepted facts; all canonical columns but ``delivery``, which the store fills.
    quarantine : polars.DataFrame
        Quarantined facts; all columns of ``QUARANTINE`` but ``delivery``.
    raw : polars.DataFrame
        Screened, pseudonymised rows as the clinic sent them, all text.
    account : dict of str to dict of str to int
        Facts by table: read, accepted, quarantined, duplicate, out_of_scope.
    texts : dict of str to str
        Texts kept with it, such as the codebook.
    """

    clinic: str
    codebook: str
    codebook_version: int
    codebook_sha256: str
    kind: str
    exported_on: date
    source_name: str
    source_sha256: str
    tables: dict[str, pl.DataFrame]
    quarantine: pl.DataFrame
    raw: pl.DataFrame
    account: Account
    texts: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Receipt:
    """What became of a delivery.

    Attributes
    ----------
    delivery : str
        Its identifier: 12 hex digits of what was sent and how it was read.
    ledger_number : int
        Number of the entry that made it visible.
    is_new : bool
        False where the same file had been stored before, read with the same codebook.
    account : dict of str to dict of str to int
        Facts by table: read, accepted, quarantined, duplicate, out_of_scope, withdrawn.
    """

    delivery: str
    ledger_number: int
    is_new: bool
    account: Account


def commit_delivery(
    store: Store, delivery: Delivery, key: PseudonymKey, recorded_at: datetime
) -> Receipt:
    """Store a delivery; one that is there already changes nothing.

    Parameters
    ----------
    store : Store
        The store.
    delivery : Delivery
        The delivery.
    key : PseudonymKey
        The network's secret, which recognises withdrawn patients.
    recorded_at : datetime.datetime
        When, with its zone.

    Returns
    -------
    Receipt
        Its identifier and what became of its facts.

    Raises
    ------
    StoreError
        If another delivery of equal rank contradicts it.
    ValueError
        If the delivery is not what the program promises: wrong columns, a key that occurs twice, or
        an account that does not add up.
    """
    identifier = _identify(
        delivery.clinic, delivery.codebook, delivery.codebook_sha256, delivery.source_sha256
    )
    frames = _check_frames(delivery, identifier)
    with take_turn(store):
        receipt = _commit(store, delivery, frames, key, recorded_at)
    fates = {fate: sum(c[fate] for c in receipt.account.values()) for fate in FATES}
    logger.info("delivery %s of %s: new %s, %s", identifier, delivery.clinic, receipt.is_new, fates)
    return receipt


def find_delivery(
    store: Store, clinic: str, codebook: str, codebook_sha256: str, source_sha256: str
) -> Receipt | None:
    """Find out whether a file was stored before, read with the same codebook.

    Parameters
    ----------
    store : Store
        The store.
    clinic, codebook : str
        Where the file is from, and its layout.
    codebook_sha256, source_sha256 : str
        Hashes of codebook and file.

    Returns
    -------
    Receipt or None
        Its receipt, or None where it is new.
    """
    identifier = _identify(clinic, codebook, codebook_sha256, source_sha256)
    held = read_holding(read_ledger(store)).find(identifier)
    return (
        None
        if held is None
        else Receipt(identifier, held.number, is_new=False, account=held.account)
    )


def _commit(
    store: Store,
    delivery: Delivery,
    frames: dict[str, pl.DataFrame],
    key: PseudonymKey,
    recorded_at: datetime,
) -> Receipt:
    """Try until an entry is created, each time from the newest state of the ledger."""
    written: dict[str, Part] = {}
    marks: frozenset[str] | None = None
    is_named = False
    draft = _draft(delivery)
    try:
        while True:
            entries = read_ledger(store)
            holding = read_holding(entries)
            earlier = holding.find(draft.delivery)
            if earlier is not None:
                return Receipt(
                    draft.delivery, earlier.number, is_new=False, account=earlier.account
                )
            newest = holding.tombstones.get(delivery.clinic, frozenset())
            kept, account = _drop_withdrawn(delivery, frames, newest, key)
            refuse_conflict(store, draft, kept, holding.of_clinic(delivery.clinic))
            if marks != newest:  # nothing is written yet, or a patient was withdrawn since
                delete_parts(store, written)
                written, marks = _write_parts(store, draft, kept), newest
            draft = replace(draft, parts=written, account=account, number=len(entries) + 1)
            try:
                add_entry(store, entries, ACCEPTED, _as_content(draft), recorded_at)
            except FileExistsError:  # another writer took the number
                continue
            is_named = True
            return Receipt(draft.delivery, draft.number, is_new=True, account=account)
    finally:
        if not is_named:
            delete_parts(store, written)


def _identify(clinic: str, codebook: str, codebook_sha256: str, source_sha256: str) -> str:
    """Name a delivery by what was sent and how it was read."""
    text = "\n".join((clinic, codebook, codebook_sha256, source_sha256))
    return hashlib.sha256(text.encode()).hexdigest()[:ID_DIGITS]


def _draft(delivery: Delivery) -> Held:
    """Describe a delivery before it has parts and a number."""
    return Held(
        number=0,
        delivery=_identify(
            delivery.clinic, delivery.codebook, delivery.codebook_sha256, delivery.source_sha256
        ),
        clinic=delivery.clinic,
        codebook=delivery.codebook,
        codebook_version=delivery.codebook_version,
        codebook_sha256=delivery.codebook_sha256,
        kind=str(delivery.kind),
        exported_on=delivery.exported_on,
        source_name=delivery.source_name,
        source_sha256=delivery.source_sha256,
        account=delivery.account,
        parts={},
        texts=delivery.texts,
    )


def _as_content(held: Held) -> dict[str, Any]:
    """Give what the ledger entry of a delivery holds."""
    content = {name: value for name, value in vars(held).items() if name != "number"}
    return content | {
        "exported_on": held.exported_on.isoformat(),
        "parts": {name: part.as_json() for name, part in held.parts.items()},
    }


def _check_frames(delivery: Delivery, identifier: str) -> dict[str, pl.DataFrame]:
    """Fill in the delivery and sort; refuse what cannot come from a right program.

    Raises
    ------
    ValueError
        If the kind is unknown.
    """
    if delivery.kind not in {"full", "increment"}:
        raise ValueError(f"kind of delivery {delivery.kind!r}")
    named = pl.lit(identifier, dtype=pl.Enum([identifier])).alias("delivery")
    frames = {
        name: _check_table(TABLES[name], frame.with_columns(named), delivery.clinic)
        for name, frame in delivery.tables.items()
    }
    quarantine = delivery.quarantine.with_columns(delivery=pl.lit(identifier)).select(
        list(QUARANTINE)
    )
    frames[QUARANTINED] = quarantine.cast(pl.Schema(QUARANTINE)).sort(list(QUARANTINE))
    frames[RAW] = delivery.raw
    _check_account(delivery, frames)
    return frames


def _check_table(table: Table, frame: pl.DataFrame, clinic: str) -> pl.DataFrame:
    """Check one table's columns, clinic and keys, and sort it.

    Raises
    ------
    ValueError
        If one of them is not as promised.
    """
    frame = frame.select(list(table.columns))
    for name, kind in table.columns.items():
        found = frame.schema[name]
        if found != kind and not (kind == pl.String() and isinstance(found, pl.Enum)):
            raise ValueError(f"{table.name}: other types, {name} is {found} and not {kind}")
    if not (frame["clinic"] == clinic).all():
        raise ValueError(f"{table.name}: rows of another clinic")
    frame, is_again = sort_by_key(frame, list(table.key))
    if is_again.any():
        raise ValueError(f"{table.name}: a key occurs twice")
    # Minus zero equals zero and is spelled differently: one spelling, or the digest would differ.
    return frame.with_columns(pl.selectors.float() + 0.0)


def _check_account(delivery: Delivery, frames: dict[str, pl.DataFrame]) -> None:
    """Refuse an account that does not add up or does not fit the rows.

    Raises
    ------
    ValueError
        If it is so.
    """
    quarantined = dict(frames[QUARANTINED]["table"].value_counts().iter_rows())
    counted = delivery.account
    for table in sorted({*counted, *delivery.tables, *quarantined}):
        counts = counted.get(table, {})
        accepted = frames.get(table, empty({})).height
        if table != SOURCE_ROW and counts.get("accepted", 0) != accepted:
            raise ValueError(f"{table}: {accepted} rows, account {counts}")
        if counts.get("quarantined", 0) != quarantined.get(table, 0):
            raise ValueError(f"{table}: {quarantined.get(table, 0)} quarantined, account {counts}")
        if counts.get("read", 0) != sum(counts.get(fate, 0) for fate in FATES):
            raise ValueError(f"{table}: the account does not add up, {counts}")


def _drop_withdrawn(
    delivery: Delivery, frames: dict[str, pl.DataFrame], marks: frozenset[str], key: PseudonymKey
) -> tuple[dict[str, pl.DataFrame], Account]:
    """Leave out patients who were withdrawn, and count their facts so."""
    account = {
        table: {name: counts.get(name, 0) for name in ("read", *FATES)}
        for table, counts in delivery.account.items()
    }
    patients = _find_withdrawn(delivery.clinic, frames, marks, key)
    kept, removed = {}, {}
    for name, frame in frames.items():
        kept[name], removed[name] = split_patients(frame, patients)
    return kept, move_withdrawn(account, count_removed(removed))


def _find_withdrawn(
    clinic: str, frames: dict[str, pl.DataFrame], marks: frozenset[str], key: PseudonymKey
) -> set[str]:
    """Find the pseudonyms of withdrawn patients among all text cells of patients and raw rows."""
    if not marks:
        return set()
    cells: set[str] = set()
    for name, frame in frames.items():
        texts = [column for column, kind in frame.schema.items() if is_text(kind)]
        for column in texts if name == RAW else ["patient"]:
            found = frame[column].unique().cast(pl.String).drop_nulls()
            cells.update(found.filter(found.str.contains(PATIENT_PSEUDONYM)))
    return {cell for cell in cells if tombstone(key, clinic, cell) in marks}


def _write_parts(store: Store, draft: Held, kept: dict[str, pl.DataFrame]) -> dict[str, Part]:
    """Write a part for each frame that has rows."""
    filled = {name: frame for name, frame in kept.items() if frame.height}
    with ThreadPoolExecutor(max_workers=len(filled) or 1) as pool:  # the disk is waited for once
        parts = pool.map(
            lambda name: write_part(
                store, part_folder(name, draft.clinic), draft.delivery, filled[name]
            ),
            filled,
        )
        return dict(zip(filled, parts, strict=True))
