"""Holdings: which deliveries, parts and tombstones the store has at one ledger number."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from pipeline.store.ledger import Entry
from pipeline.store.part import Part

Account = dict[str, dict[str, int]]
"""Counts of facts by table, then by what became of them."""

ACCEPTED = "accepted"
WITHDRAWN = "withdrawn"
"""Events that change what is held; others are only kept in the ledger."""


@dataclass(frozen=True)
class Held:
    """One delivery as it is held now.

    Attributes
    ----------
    number : int
        Ledger number under which it was accepted.
    delivery : str
        Identifier: 12 hex digits.
    clinic, codebook : str
        Where it is from, and the layout it was read with.
    codebook_version : int
        Version of the codebook.
    codebook_sha256 : str
        Hash of the codebook.
    kind : str
        ``full`` or ``increment``.
    exported_on : datetime.date
        Day that the clinic states for the export.
    source_name, source_sha256 : str
        The export's file name and hash.
    account : dict of str to dict of str to int
        Its facts by table and fate; withdrawn ones already moved.
    parts : dict of str to Part
        Its files by name: tables, ``quarantine``, ``raw``.
    texts : dict of str to str
        Texts kept with it.
    """

    number: int
    delivery: str
    clinic: str
    codebook: str
    codebook_version: int
    codebook_sha256: str
    kind: str
    exported_on: date
    source_name: str
    source_sha256: str
    account: Account
    parts: dict[str, Part]
    texts: dict[str, str]

    @property
    def rank(self) -> tuple[date, int]:
        """Place in the order of truth: the higher rank wins a key."""
        return self.exported_on, self.codebook_version

    @property
    def layout(self) -> tuple[str, str]:
        """Clinic and codebook, within which a full delivery replaces earlier ones."""
        return self.clinic, self.codebook


@dataclass(frozen=True)
class Holding:
    """What the store has.

    Attributes
    ----------
    number : int
        Ledger number.
    deliveries : tuple of Held
        Deliveries in the order in which they were accepted.
    tombstones : dict of str to frozenset of str
        Marks of withdrawn patients by clinic.
    """

    number: int
    deliveries: tuple[Held, ...]
    tombstones: dict[str, frozenset[str]]

    def find(self, delivery: str) -> Held | None:
        """Find a delivery by its identifier.

        Parameters
        ----------
        delivery : str
            The identifier.

        Returns
        -------
        Held or None
            The delivery, or None where it was never accepted.
        """
        return next((held for held in self.deliveries if held.delivery == delivery), None)

    def of_clinic(self, clinic: str) -> tuple[Held, ...]:
        """Choose the deliveries of one clinic.

        Parameters
        ----------
        clinic : str
            The clinic.

        Returns
        -------
        tuple of Held
            Its deliveries.
        """
        return tuple(held for held in self.deliveries if held.clinic == clinic)

    @property
    def paths(self) -> frozenset[str]:
        """Places of all files that are named, below the store's folder."""
        return frozenset(part.path for held in self.deliveries for part in held.parts.values())


def read_holding(entries: Iterable[Entry]) -> Holding:
    """Work out what the store has after some entries.

    Parameters
    ----------
    entries : Iterable of Entry
        The ledger from its first entry on.

    Returns
    -------
    Holding
        Deliveries, parts and tombstones.
    """
    held: dict[str, Held] = {}
    tombstones: dict[str, frozenset[str]] = {}
    number = 0
    for entry in entries:
        number = entry.number
        if entry.event == ACCEPTED:
            held[entry.content["delivery"]] = _read_accepted(entry)
        elif entry.event == WITHDRAWN:
            clinic = entry.content["clinic"]
            marks = tombstones.get(clinic, frozenset())
            tombstones[clinic] = marks | {entry.content["tombstone"]}
            for change in entry.content["changes"]:
                name = change["delivery"]
                held[name] = _apply_change(held[name], change)
    return Holding(number, tuple(held.values()), tombstones)


def _read_accepted(entry: Entry) -> Held:
    """Read what one accepted delivery brought."""
    content = entry.content | {
        "number": entry.number,
        "exported_on": date.fromisoformat(entry.content["exported_on"]),
        "parts": {name: Part(**part) for name, part in entry.content["parts"].items()},
    }
    return Held(**content)


def _apply_change(held: Held, change: dict[str, Any]) -> Held:
    """Put new parts in place of those that held a withdrawn patient, and move the counts."""
    parts = dict(held.parts)
    for replaced in change["replaced"]:
        if replaced["new"] is None:  # no row was left
            del parts[replaced["name"]]
        else:
            parts[replaced["name"]] = Part(**replaced["new"])
    return replace(held, parts=parts, account=move_withdrawn(held.account, change["removed"]))


def move_withdrawn(account: Account, removed: Account) -> Account:
    """Count facts as withdrawn that were counted as something else.

    Parameters
    ----------
    account : dict of str to dict of str to int
        Facts by table and fate.
    removed : dict of str to dict of str to int
        How many facts of each table and fate were withdrawn.

    Returns
    -------
    dict of str to dict of str to int
        The new account; its sums are those of the old one.
    """
    moved = {table: dict(counts) for table, counts in account.items()}
    for table, counts in removed.items():
        for fate, number in counts.items():
            moved[table][fate] -= number
            moved[table]["withdrawn"] += number
    return moved
