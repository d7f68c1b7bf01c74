"""Writing a delivery's parts, bucket by bucket, before any ledger entry names them."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import polars as pl

from pipeline.coded import is_text
from pipeline.sorting import sort_by_key
from pipeline.store.bucket import Bucket, add_accounts
from pipeline.store.holding import Account, move_withdrawn
from pipeline.store.ledger import Store
from pipeline.store.part import RAW, Part, PartWriter, delete_parts, part_folder
from pipeline.store.pseudonym import PATIENT_PSEUDONYM, PseudonymKey, tombstone
from pipeline.store.withdrawal import count_removed, split_patients
from schemas.table import QUARANTINE, QUARANTINED, SOURCE_ROW, TABLES, Table, empty

FATES = ("accepted", "quarantined", "duplicate", "out_of_scope", "withdrawn")
"""What becomes of the facts of one delivery; they add up to ``read``."""


@dataclass(frozen=True)
class Staged:
    """What was written of a delivery.

    Attributes
    ----------
    parts : dict of str to Part
        Its files by name; none for a frame without rows.
    account : dict of str to dict of str to int
        Its facts by table and fate.
    quarantine : polars.DataFrame
        Its quarantine.
    """

    parts: dict[str, Part]
    account: Account
    quarantine: pl.DataFrame


@dataclass
class Stage:
    """Parts that are being written.

    Attributes
    ----------
    store : Store
        The store.
    clinic, delivery : str
        Whose parts they are.
    marks : frozenset of str
        Tombstones of the clinic's withdrawn patients.
    key : PseudonymKey
        The network's secret, which recognises them.
    """

    store: Store
    clinic: str
    delivery: str
    marks: frozenset[str]
    key: PseudonymKey
    _writers: dict[str, PartWriter] = field(default_factory=dict)
    _last: dict[str, str] = field(default_factory=dict)
    _account: Account = field(default_factory=dict)
    _quarantine: list[pl.DataFrame] = field(default_factory=list)

    def add(self, bucket: Bucket) -> None:
        """Write what one bucket holds.

        Parameters
        ----------
        bucket : Bucket
            Facts of some patients, all of whom come after those of the bucket before.
        """
        frames = _check_frames(bucket, self.clinic, self.delivery)
        self._check_order(frames)
        kept, account = _drop_withdrawn(self.clinic, bucket, frames, self.marks, self.key)
        self._account = add_accounts(self._account, account)
        self._quarantine.append(kept[QUARANTINED])
        filled = {name: frame for name, frame in kept.items() if frame.height}
        for name in filled:
            if name not in self._writers:
                folder = part_folder(name, self.clinic)
                self._writers[name] = PartWriter(self.store, folder, self.delivery)
        with ThreadPoolExecutor(max_workers=len(filled) or 1) as pool:
            list(pool.map(lambda name: self._writers[name].add(filled[name]), filled))

    def finish(self) -> Staged:
        """Give every part its name.

        Returns
        -------
        Staged
            The parts; they count once a ledger entry names them.
        """
        parts: dict[str, Part] = {}
        try:
            with ThreadPoolExecutor(
                max_workers=len(self._writers) or 1
            ) as pool:  # one wait for the disk
                found = pool.map(lambda name: (name, self._writers[name].finish()), self._writers)
                parts.update(found)
        except BaseException:
            delete_parts(self.store, parts)
            raise
        quarantine = pl.concat([empty(QUARANTINE), *self._quarantine])
        return Staged(parts, self._account, quarantine)

    def abandon(self) -> None:
        """Leave nothing behind."""
        for writer in self._writers.values():
            writer.abandon()

    def _check_order(self, frames: dict[str, pl.DataFrame]) -> None:
        """Refuse a bucket whose patients don't come after those before.

        Raises
        ------
        ValueError
            If it is so: a key could then occur twice unseen.
        """
        for name in TABLES:
            if name not in frames or not frames[name].height:
                continue
            patients = frames[name]["patient"]
            if str(patients[0]) <= self._last.get(name, ""):
                raise ValueError(f"{name}: a bucket holds patients of the one before")
            self._last[name] = str(patients[-1])


def _check_frames(bucket: Bucket, clinic: str, identifier: str) -> dict[str, pl.DataFrame]:
    """Fill in the delivery and sort; refuse what cannot come from a right program."""
    named = pl.lit(identifier, dtype=pl.Enum([identifier])).alias("delivery")
    frames = {
        name: _check_table(TABLES[name], frame.with_columns(named), clinic)
        for name, frame in bucket.tables.items()
    }
    quarantine = bucket.quarantine.with_columns(delivery=pl.lit(identifier)).select(
        list(QUARANTINE)
    )
    frames[QUARANTINED] = quarantine.cast(pl.Schema(QUARANTINE)).sort(list(QUARANTINE))
    frames[RAW] = bucket.raw
    _check_account(bucket, frames)
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


def _check_account(bucket: Bucket, frames: dict[str, pl.DataFrame]) -> None:
    """Refuse an account that does not add up or does not fit the rows.

    Raises
    ------
    ValueError
        If it is so.
    """
    quarantined = dict(frames[QUARANTINED]["table"].value_counts().iter_rows())
    counted = bucket.account
    for table in sorted({*counted, *bucket.tables, *quarantined}):
        counts = counted.get(table, {})
        accepted = frames.get(table, empty({})).height
        if table != SOURCE_ROW and counts.get("accepted", 0) != accepted:
            raise ValueError(f"{table}: {accepted} rows, account {counts}")
        if counts.get("quarantined", 0) != quarantined.get(table, 0):
            raise ValueError(f"{table}: {quarantined.get(table, 0)} quarantined, account {counts}")
        if counts.get("read", 0) != sum(counts.get(fate, 0) for fate in FATES):
            raise ValueError(f"{table}: the account does not add up, {counts}")


def _drop_withdrawn(
    clinic: str,
    bucket: Bucket,
    frames: dict[str, pl.DataFrame],
    marks: frozenset[str],
    key: PseudonymKey,
) -> tuple[dict[str, pl.DataFrame], Account]:
    """Leave out patients who were withdrawn, and count their facts so."""
    account = {
        table: {name: counts.get(name, 0) for name in ("read", *FATES)}
        for table, counts in bucket.account.items()
    }
    patients = _find_withdrawn(clinic, frames, marks, key)
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
