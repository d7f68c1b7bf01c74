"""Files that are there wholly or not at all, also after a power cut.

A file is written aside under a hidden name, synced, given its final name, and its folder is synced.
"""

import hashlib
import os
from itertools import count
from pathlib import Path

ASIDE = ".tmp"
"""Ending of a file that is still being written; nothing that ends so is ever read."""

READABLE = 0o666
"""Permission asked for a new file; the process's umask takes away from it."""


def create_file(path: Path, content: bytes, *, mode: int = READABLE) -> None:
    """Create a file that must not exist yet; of several writers exactly one succeeds.

    Parameters
    ----------
    path : pathlib.Path
        Final name.
    content : bytes
        Whole content.
    mode : int
        Permission bits.

    Raises
    ------
    FileExistsError
        If the name is taken; the file that has it is left as it is.
    """
    make_folder(path.parent)
    aside = _write_aside(path, content, mode)
    try:
        path.hardlink_to(aside)  # unlike a rename, a link never replaces a file
    finally:
        aside.unlink()
    sync_folder(path.parent)


class NewFile:
    """A file that is written in pieces, hashed on the way, and named when it is whole.

    Parameters
    ----------
    path : pathlib.Path
        Where it is going to be; the name is taken at the end.
    """

    def __init__(self, path: Path) -> None:
        make_folder(path.parent)
        self._aside, handle = _open_aside(path, READABLE)
        self._file = os.fdopen(handle, "wb")
        self._hash = hashlib.sha256()
        self.closed = False

    def write(self, data: bytes) -> int:
        """Write the next bytes.

        Parameters
        ----------
        data : bytes
            The bytes.

        Returns
        -------
        int
            How many.
        """
        self._hash.update(data)
        return self._file.write(data)

    def tell(self) -> int:
        """Give the number of bytes written.

        Returns
        -------
        int
            Bytes.
        """
        return self._file.tell()

    def flush(self) -> None:
        """Hand everything to the system."""
        if not self._file.closed:
            self._file.flush()

    def close(self) -> None:
        """Do nothing: the file is closed when it gets its name."""

    @property
    def sha256(self) -> str:
        """Hash of what was written."""
        return self._hash.hexdigest()

    def name_as(self, path: Path) -> None:
        """Sync the file and give it a name that must be free.

        Parameters
        ----------
        path : pathlib.Path
            The name, in the folder that was named at first.
        """
        if not self._file.closed:
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
        path.hardlink_to(self._aside)  # unlike a rename, a link never replaces a file
        self._aside.unlink()
        sync_folder(path.parent)

    def discard(self) -> None:
        """Delete what was written, unless it has its name."""
        self._file.close()
        self._aside.unlink(missing_ok=True)


def replace_file(path: Path, content: bytes, *, mode: int = READABLE) -> None:
    """Write a file, in place of an earlier one if there is one.

    Parameters
    ----------
    path : pathlib.Path
        Final name.
    content : bytes
        Whole content.
    mode : int
        Permission bits.
    """
    make_folder(path.parent)
    _write_aside(path, content, mode).replace(path)
    sync_folder(path.parent)


def delete_file(path: Path) -> None:
    """Delete a file for good; a file that is gone already is no mistake.

    Parameters
    ----------
    path : pathlib.Path
        The file.
    """
    path.unlink(missing_ok=True)
    sync_folder(path.parent)


def make_folder(path: Path, *, mode: int = 0o777) -> None:
    """Make a folder and those above it, each synced with the one that holds it.

    Parameters
    ----------
    path : pathlib.Path
        The folder; one that exists is left as it is.
    mode : int
        Permission bits of the last folder.
    """
    if path.is_dir():
        return
    make_folder(path.parent)
    path.mkdir(mode=mode, exist_ok=True)  # another writer may have been quicker
    sync_folder(path.parent)


def sync_folder(path: Path) -> None:
    """Wait until a folder's list of names is on disk.

    Parameters
    ----------
    path : pathlib.Path
        The folder.
    """
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _write_aside(path: Path, content: bytes, mode: int) -> Path:
    """Write and sync a file beside its final name.

    Raises
    ------
    OSError
        If it cannot be written, as on a full disk; then nothing is left.
    """
    aside, handle = _open_aside(path, mode)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
    except OSError:
        aside.unlink()
        raise
    return aside


def _open_aside(path: Path, mode: int) -> tuple[Path, int]:
    """Open a hidden file that nobody else writes: exclusive, so threads and processes differ."""
    attempts = count()
    while True:
        aside = path.with_name(f".{path.name}.{os.getpid()}-{next(attempts)}{ASIDE}")
        try:
            return aside, os.open(aside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        except FileExistsError:
            continue
