"""Who may write or sweep: a lock on one file, which the system lifts when a process dies.

The lock guards the sweeping of leftovers and nothing else. Which writer comes first is decided by the
exclusive creation of a ledger entry; readers take no lock.
"""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


@contextmanager
def hold_shared(path: Path) -> Iterator[None]:
    """Hold the lock together with other writers, so that nobody sweeps meanwhile.

    Parameters
    ----------
    path : pathlib.Path
        The lock file.

    Yields
    ------
    None
        While the lock is held.
    """
    with _opened(path) as handle:
        fcntl.flock(handle, fcntl.LOCK_SH)
        yield


@contextmanager
def hold_alone(path: Path) -> Iterator[None]:
    """Wait until no other writer is at work, then hold the lock alone.

    Parameters
    ----------
    path : pathlib.Path
        The lock file.

    Yields
    ------
    None
        While the lock is held.
    """
    with _opened(path) as handle:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield


@contextmanager
def try_alone(path: Path) -> Iterator[bool]:
    """Hold the lock alone if nobody else has it; never wait.

    Parameters
    ----------
    path : pathlib.Path
        The lock file.

    Yields
    ------
    bool
        Whether the lock is held.
    """
    with _opened(path) as handle:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            yield False
            return
        yield True


@contextmanager
def _opened(path: Path) -> Iterator[int]:
    """Open the lock file; closing it lifts the lock."""
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o666)
    try:
        yield handle
    finally:
        os.close(handle)
