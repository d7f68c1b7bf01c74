"""Verification: whether every byte that the ledger names is as it was written."""

from dataclasses import dataclass

from pipeline.store.holding import read_holding
from pipeline.store.ledger import ENTRY_PATTERN, Entry, Store, entry_path, parse_entry
from pipeline.store.lock import try_alone
from pipeline.store.part import read_content
from pipeline.store.writer import find_leftovers
from schemas.errors import StoreError


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with a store.

    Attributes
    ----------
    place : str
        The file.
    problem : str
        What is wrong with it.
    remedy : str
        What to do.
    """

    place: str
    problem: str
    remedy: str


def verify_store(store: Store) -> tuple[Problem, ...]:
    """Check the chain of the ledger, each file that it names, and that there are no others.

    Leftovers are looked for only while no writer is at work, since a writer's files are named last.

    Parameters
    ----------
    store : Store
        The store.

    Returns
    -------
    tuple of Problem
        What is wrong; empty where all is well.
    """
    with try_alone(store.lock) as is_alone:
        entries, problems = _check_ledger(store)
        if problems:  # what a damaged ledger names is not known
            return problems
        return _check_parts(store, entries) + (_check_leftovers(store, entries) if is_alone else ())


def _check_ledger(store: Store) -> tuple[tuple[Entry, ...], tuple[Problem, ...]]:
    """Check each entry by itself and against the one before it."""
    numbers = [int(path.stem) for path in store.ledger.glob(ENTRY_PATTERN)]
    entries: list[Entry] = []
    problems: list[Problem] = []
    previous: str | None = "0" * 64
    for number in range(1, max(numbers, default=0) + 1):
        try:
            content = entry_path(store, number).read_bytes()
            entry = parse_entry(store, content, number, previous)
        except FileNotFoundError:
            problems.append(_missing_entry(store, number))
            previous = None
        except StoreError as error:
            problems.append(Problem(error.place, error.problem, error.remedy))
            previous = None
        else:
            entries.append(entry)
            previous = entry.hash
    return tuple(entries), tuple(problems)


def _missing_entry(store: Store, number: int) -> Problem:
    return Problem(
        str(entry_path(store, number)),
        "the ledger entry is missing",
        "restore store/ledger from a backup of the workspace; write nothing to it until then",
    )


def _check_parts(store: Store, entries: tuple[Entry, ...]) -> tuple[Problem, ...]:
    """Check the files that the ledger names."""
    problems = []
    for held in read_holding(entries).deliveries:
        for part in held.parts.values():
            try:
                read_content(store, part)
            except StoreError as error:
                problems.append(Problem(error.place, error.problem, error.remedy))
    return tuple(problems)


def _check_leftovers(store: Store, entries: tuple[Entry, ...]) -> tuple[Problem, ...]:
    """List files that the ledger does not name."""
    return tuple(
        Problem(
            str(path),
            "no ledger entry names this file: a writer was stopped, or a withdrawal was not completed",
            "run any command that writes to the store (ingest, withdraw): it deletes such files",
        )
        for path in find_leftovers(store, read_holding(entries))
    )
