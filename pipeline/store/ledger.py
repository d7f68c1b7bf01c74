"""The ledger: numbered entries, each created once and carrying the hash of the one before it.

What the ledger names is in the store; what it does not name is not, whatever lies on the disk.
"""

import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pipeline.store.file import create_file, make_folder
from pipeline.store.lock import hold_shared
from schemas.errors import SettingsError, StoreError
from schemas.table import SCHEMA_VERSION

BEFORE_FIRST = "0" * 64
"""Stands in the first entry for the hash of the entry before it."""

ENTRY_PATTERN = "[0-9]" * 8 + ".json"
"""File names of entries."""

_FIELDS = {"number", "event", "recorded_at", "schema_version", "content", "previous", "hash"}
_RESTORE = "restore store/ledger from a backup of the workspace; write nothing to it until then"


@dataclass(frozen=True)
class Store:
    """Where a workspace keeps what was delivered.

    Attributes
    ----------
    root : pathlib.Path
        Folder of the workspace.
    """

    root: Path

    @property
    def folder(self) -> Path:
        """Folder that holds parts, raw rows and the ledger."""
        return self.root / "store"

    @property
    def ledger(self) -> Path:
        """Folder of the ledger's entries."""
        return self.folder / "ledger"

    @property
    def lock(self) -> Path:
        """File on which writers hold their lock."""
        return self.folder / "writers.lock"


@dataclass(frozen=True)
class Entry:
    """One event of the store.

    Attributes
    ----------
    number : int
        1, 2, 3, … without gap.
    event : str
        What happened: accepted, withdrawn, published.
    recorded_at : str
        Time in UTC, ISO 8601.
    schema_version : int
        Layout of the canonical tables when it was written.
    content : dict
        What the event is about.
    previous : str
        Hash of the entry before it.
    hash : str
        SHA-256 of everything above.
    """

    number: int
    event: str
    recorded_at: str
    schema_version: int
    content: dict[str, Any]
    previous: str
    hash: str


def create_store(workspace: Path) -> Store:
    """Make the store of a workspace.

    Parameters
    ----------
    workspace : pathlib.Path
        Folder of the workspace.

    Returns
    -------
    Store
        The empty store.

    Raises
    ------
    StoreError
        If the workspace has one already.
    """
    store = Store(workspace)
    if store.ledger.exists():
        raise StoreError(
            str(store.folder), "there is a store already", "choose another folder, or use this one"
        )
    make_folder(store.folder / "parts")
    make_folder(store.folder / "raw")
    make_folder(store.ledger)  # last: a store is one that has a ledger
    return store


def open_store(workspace: Path) -> Store:
    """Find the store of a workspace.

    Parameters
    ----------
    workspace : pathlib.Path
        Folder of the workspace.

    Returns
    -------
    Store
        The store.

    Raises
    ------
    SettingsError
        If the folder has no store.
    """
    store = Store(workspace)
    if not store.ledger.is_dir():
        raise SettingsError(
            str(workspace), "no store is here", "name the folder of a workspace, or make one first"
        )
    return store


def read_ledger(store: Store, until: int | None = None) -> tuple[Entry, ...]:
    """Read the entries in order and check the chain.

    Parameters
    ----------
    store : Store
        The store.
    until : int or None
        Last number wanted; None for all there are.

    Returns
    -------
    tuple of Entry
        The entries 1 to ``until``.

    Raises
    ------
    StoreError
        If an entry is missing, was changed or does not follow the one before it, or if ``until`` is
        beyond the last.
    """
    entries: list[Entry] = []
    previous = BEFORE_FIRST
    while until is None or len(entries) < until:
        # One number after the other: a listing made while others write may hold 8 without 7.
        content = _read_bytes(store, len(entries) + 1)
        if content is None:
            _check_end(store, len(entries), until)
            break
        entries.append(parse_entry(store, content, len(entries) + 1, previous))
        previous = entries[-1].hash
    return tuple(entries)


def append_event(store: Store, event: str, content: dict[str, Any], recorded_at: datetime) -> Entry:
    """Add an entry that names no part, such as a publication.

    Parameters
    ----------
    store : Store
        The store.
    event : str
        What happened.
    content : dict
        What is to be kept of it; made of what JSON can hold.
    recorded_at : datetime.datetime
        When, with its zone.

    Returns
    -------
    Entry
        The entry as it now stands.
    """
    with hold_shared(store.lock):
        while True:
            entries = read_ledger(store)
            try:
                return add_entry(store, entries, event, content, recorded_at)
            except FileExistsError:  # another writer took the number: read on and try the next
                continue


def add_entry(
    store: Store,
    entries: tuple[Entry, ...],
    event: str,
    content: dict[str, Any],
    recorded_at: datetime,
) -> Entry:
    """Try once to create the entry that follows ``entries``; the caller holds the lock.

    Parameters
    ----------
    store : Store
        The store.
    entries : tuple of Entry
        The ledger on which the new entry rests.
    event : str
        What happened.
    content : dict
        What is to be kept of it.
    recorded_at : datetime.datetime
        When, with its zone.

    Returns
    -------
    Entry
        The new entry.

    Raises
    ------
    FileExistsError
        If another writer has taken the number.
    ValueError
        If the time has no zone.
    """
    if recorded_at.tzinfo is None:
        raise ValueError("a time without its zone cannot be put into UTC")
    entry: dict[str, Any] = {
        "number": len(entries) + 1,
        "event": event,
        "recorded_at": recorded_at.astimezone(UTC).isoformat(timespec="seconds"),
        "schema_version": SCHEMA_VERSION,
        "content": content,
        "previous": entries[-1].hash if entries else BEFORE_FIRST,
    }
    entry["hash"] = hashlib.sha256(_serialise(entry)).hexdigest()
    written = _serialise(entry)
    create_file(entry_path(store, entry["number"]), written)
    return Entry(**json.loads(written))  # as a reader gets it: lists for tuples, text for enums


def entry_path(store: Store, number: int) -> Path:
    """Say where an entry is kept.

    Parameters
    ----------
    store : Store
        The store.
    number : int
        Number of the entry.

    Returns
    -------
    pathlib.Path
        Its file.
    """
    return store.ledger / f"{number:08}.json"


def parse_entry(store: Store, content: bytes, number: int, previous: str | None) -> Entry:
    """Read one entry and check that no byte of it was changed.

    Parameters
    ----------
    store : Store
        The store.
    content : bytes
        The entry's file.
    number : int
        Number in the file's name.
    previous : str or None
        Hash of the entry before it; None where that one cannot be read.

    Returns
    -------
    Entry
        The entry.

    Raises
    ------
    StoreError
        If the entry was changed, does not follow the one before it, or is of a newer layout.
    """
    place = str(entry_path(store, number))
    entry = _parse_fields(content)
    if entry is None or entry["number"] != number:
        raise StoreError(place, "the ledger entry was changed", _RESTORE)
    if previous is not None and entry["previous"] != previous:
        raise StoreError(place, "the ledger entry does not follow the one before it", _RESTORE)
    if entry["schema_version"] > SCHEMA_VERSION:
        raise StoreError(
            place,
            f"written with layout {entry['schema_version']}, newer than {SCHEMA_VERSION}",
            "use the version of arcgain that wrote it, or a later one",
        )
    return Entry(**entry)


def _parse_fields(content: bytes) -> dict[str, Any] | None:
    """Give an entry's fields, or None unless every byte is as it was written."""
    try:
        entry = json.loads(content)
    except ValueError:
        return None
    if not isinstance(entry, dict) or set(entry) != _FIELDS or _serialise(entry) != content:
        return None
    body = {name: value for name, value in entry.items() if name != "hash"}
    return entry if entry["hash"] == hashlib.sha256(_serialise(body)).hexdigest() else None


def _serialise(entry: dict[str, Any]) -> bytes:
    """Give the one spelling of an entry."""
    text = json.dumps(entry, ensure_ascii=False, allow_nan=False, sort_keys=True, indent=1)
    return (text + "\n").encode()


def _read_bytes(store: Store, number: int) -> bytes | None:
    """Read an entry's file, or None if there is none."""
    try:
        return entry_path(store, number).read_bytes()
    except FileNotFoundError:
        return None


def _check_end(store: Store, last: int, until: int | None) -> None:
    """Refuse a ledger that goes on after a gap or ends too early.

    Raises
    ------
    StoreError
        If it does.
    """
    beyond = [p.name for p in store.ledger.glob(ENTRY_PATTERN) if int(p.stem) > last]
    # An entry may have been added since the last look; then the next number is there by now.
    if beyond and not entry_path(store, last + 1).exists():
        raise StoreError(str(entry_path(store, last + 1)), "the ledger entry is missing", _RESTORE)
    if until is not None:
        raise StoreError(
            str(store.ledger),
            f"the ledger ends at {last}, before {until}",
            f"ask for at most {last}",
        )
