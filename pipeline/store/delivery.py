"""Committing a delivery: all it holds becomes visible with one ledger entry, or nothing does."""

import hashlib
import logging
from collections.abc import Iterable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from functools import cached_property
from typing import Any

import polars as pl

from pipeline.store.bucket import Bucket, together
from pipeline.store.conflict import refuse_conflict
from pipeline.store.holding import ACCEPTED, Account, Held, read_holding
from pipeline.store.ledger import Store, add_entry, read_ledger
from pipeline.store.part import delete_parts
from pipeline.store.pseudonym import PseudonymKey
from pipeline.store.staging import FATES, Stage, Staged
from pipeline.store.writer import take_turn

logger = logging.getLogger(__name__)

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
    buckets : Iterable of Bucket
        What it holds, patients in the order of their pseudonyms; made anew each time it is gone
        through, if it is large.
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
    buckets: Iterable[Bucket]
    texts: dict[str, str] = field(default_factory=dict)

    @cached_property
    def whole(self) -> Bucket:
        """All buckets as one, in memory."""
        return together(list(self.buckets))

    @property
    def tables(self) -> dict[str, pl.DataFrame]:
        """Accepted facts by table, in memory."""
        return self.whole.tables

    @property
    def quarantine(self) -> pl.DataFrame:
        """Quarantined facts, in memory."""
        return self.whole.quarantine

    @property
    def raw(self) -> pl.DataFrame:
        """Rows as the clinic sent them, in memory."""
        return self.whole.raw

    @property
    def account(self) -> Account:
        """Facts by table and fate."""
        return self.whole.account


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
    quarantine : polars.DataFrame or None
        What was quarantined; None where the delivery had been stored before.
    """

    delivery: str
    ledger_number: int
    is_new: bool
    account: Account
    quarantine: pl.DataFrame | None = None


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
    if delivery.kind not in {"full", "increment"}:
        raise ValueError(f"kind of delivery {delivery.kind!r}")
    with take_turn(store):
        receipt = _commit(store, delivery, key, recorded_at)
    fates = {fate: sum(c[fate] for c in receipt.account.values()) for fate in FATES}
    new = receipt.is_new
    logger.info("delivery %s of %s: new %s, %s", receipt.delivery, delivery.clinic, new, fates)
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


def _commit(store: Store, delivery: Delivery, key: PseudonymKey, recorded_at: datetime) -> Receipt:
    """Try until an entry is created, each time from the newest state of the ledger."""
    staged: Staged | None = None
    marks: frozenset[str] = frozenset()
    is_named = False
    draft = _draft(delivery)
    try:
        while True:
            entries = read_ledger(store)
            holding = read_holding(entries)
            earlier = holding.find(draft.delivery)
            if earlier is not None:
                account = earlier.account
                return Receipt(draft.delivery, earlier.number, is_new=False, account=account)
            newest = holding.tombstones.get(delivery.clinic, frozenset())
            if staged is None or marks != newest:  # or a patient was withdrawn since
                delete_parts(store, staged.parts if staged else {})
                staged, marks = None, newest
                staged = _stage(
                    Stage(store, delivery.clinic, draft.delivery, newest, key), delivery
                )
            draft = replace(draft, parts=staged.parts, account=staged.account)
            refuse_conflict(store, draft, holding.of_clinic(delivery.clinic))
            draft = replace(draft, number=len(entries) + 1)
            try:
                add_entry(store, entries, ACCEPTED, _as_content(draft), recorded_at)
            except FileExistsError:  # another writer took the number
                continue
            is_named = True
            return Receipt(
                *(draft.delivery, draft.number),
                is_new=True,
                account=staged.account,
                quarantine=staged.quarantine,
            )
    finally:
        if staged is not None and not is_named:
            delete_parts(store, staged.parts)


def _stage(stage: Stage, delivery: Delivery) -> Staged:
    """Write every bucket, or leave nothing behind."""
    try:
        with ThreadPoolExecutor(max_workers=1) as pool:  # one is written while the next is made
            writing: Future[None] | None = None
            for bucket in delivery.buckets:
                if writing is not None:
                    writing.result()
                writing = pool.submit(stage.add, bucket)
            if writing is not None:
                writing.result()
        return stage.finish()
    finally:
        stage.abandon()


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
        account={},
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
