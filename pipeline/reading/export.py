"""An export as it was received: one file, or a folder of files, read into the parts of a codebook."""

import hashlib
from collections.abc import Collection, Mapping
from fnmatch import fnmatchcase
from pathlib import Path

import polars as pl

from pipeline.reading.delimited import read_delimited
from pipeline.reading.ndjson import read_ndjson
from pipeline.reading.parquet import read_parquet
from pipeline.reading.reading import RECORD, PartText, Reading
from pipeline.reading.received import hash_of, receive
from pipeline.reading.workbook import read_workbook
from schemas.errors import DeliveryError, nearest_names
from schemas.export_file import (
    DelimitedFile,
    ExportFile,
    JsonLines,
    Place,
    Workbook,
)

_OF_THE_SYSTEM = {"thumbs.db", "desktop.ini"}


def read_export(
    path: Path, file: ExportFile, places: Mapping[str, Place], ignored: Collection[str] = ()
) -> Reading:
    """Read an export.

    Parameters
    ----------
    path : pathlib.Path
        A file, or a folder with several. Files of the system, whose name begins with a dot or is
        ``Thumbs.db`` or ``desktop.ini``, are left out.
    file : ExportFile
        How the files are written.
    places : mapping of str to Place
        Name of each part to where it is. In a folder each place names its file, or a pattern; files
        that match one pattern are read one after another by name, the number of the record runs on,
        and the line is that in its own file.
    ignored : collection of str
        Names, or patterns, of files and sheets that are left out on purpose.

    Returns
    -------
    Reading
        The parts as text.

    Raises
    ------
    DeliveryError
        If something cannot be read, is missing, or is in the export and named by no part.
    """
    if not _is_folder(path):
        received = receive(path)
        _refuse_file_names(path, places)
        parts = _read_file(received, path.name, file, places, ignored)
        return Reading(parts, path.name, hash_of(received))
    received_files = {name: path / name for name in _files_in(path)}
    by_file = _places_by_file(path.name, received_files, places, ignored)
    pieces: dict[str, list[PartText]] = {part: [] for part in places}
    digest = hashlib.sha256()
    for name, at in received_files.items():
        received = receive(at)
        digest.update(f"{name}\0{hash_of(received)}\n".encode())
        if name in by_file:
            for part, text in _read_file(received, name, file, by_file[name], ignored).items():
                pieces[part].append(text)
    parts = {part: _joined(texts, places[part]) for part, texts in pieces.items()}
    return Reading(parts, path.name, digest.hexdigest())


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except (OSError, ValueError):  # a loop of links, a zero byte in the name: receive says it
        return False


def _refuse_file_names(path: Path, places: Mapping[str, Place]) -> None:
    """Refuse a single file where the codebook tells several apart.

    Raises
    ------
    DeliveryError
        If the name is not the one stated.
    """
    patterns = {place.file for place in places.values() if place.file is not None}
    for pattern in sorted(patterns):
        if len(patterns) > 1 or not fnmatchcase(path.name, pattern):
            raise DeliveryError(
                path.name,
                f"the codebook expects the file “{pattern}” in a folder of files",
                "Give the folder that holds the files of the export.",
            )


def _files_in(folder: Path) -> list[str]:
    """Give the names in order.

    Raises
    ------
    DeliveryError
        If the folder is empty or cannot be read.
    """
    try:
        entries = sorted(folder.iterdir(), key=lambda entry: entry.name)
    except OSError as problem:
        raise DeliveryError(
            str(folder),
            f"the folder cannot be read ({problem.strerror or 'unknown reason'})",
            "Check that you may read the folder.",
        ) from problem
    names = [
        entry.name
        for entry in entries
        if not entry.name.startswith(".") and entry.name.lower() not in _OF_THE_SYSTEM
    ]
    if not names:
        raise DeliveryError(str(folder), "the folder is empty", "Name the folder of the export.")
    return names


def _places_by_file(
    folder: str, files: Collection[str], places: Mapping[str, Place], ignored: Collection[str]
) -> dict[str, dict[str, Place]]:
    """Give the parts that each file holds.

    Raises
    ------
    DeliveryError
        If a part names no file or one that is not there, or a file is named by no part.
    """
    by_file: dict[str, dict[str, Place]] = {}
    for part, place in places.items():
        if place.file is None:
            raise DeliveryError(
                folder,
                f"the export is a folder, but the codebook does not say which file holds “{part}”",
                "State the file of each part in the codebook, or name one file of the folder.",
            )
        matching = [
            name for name in files if fnmatchcase(name, place.file) and not _is_in(name, ignored)
        ]
        if not matching:
            raise DeliveryError(
                folder,
                f"there is no file “{place.file}” for “{part}”; "
                + nearest_names(place.file, files),
                "Export with that file, or correct its name in the codebook.",
            )
        for name in matching:
            by_file.setdefault(name, {})[part] = place
    for name in files:
        if name not in by_file and not _is_in(name, ignored):
            raise DeliveryError(
                folder,
                f"there is a file “{name}” that the codebook does not name",
                "Remove it from the export, or list it among what is ignored.",
            )
    return by_file


def _is_in(name: str, patterns: Collection[str]) -> bool:
    return any(name == pattern or fnmatchcase(name, pattern) for pattern in patterns)


def _read_file(
    received: bytes,
    name: str,
    file: ExportFile,
    places: Mapping[str, Place],
    ignored: Collection[str],
) -> dict[str, PartText]:
    if isinstance(file, Workbook):
        stated = {
            part: place if place.sheet else place.model_copy(update={"sheet": file.sheet})
            for part, place in places.items()
        }
        return read_workbook(received, name, stated, file.header_row, ignored)
    if isinstance(file, JsonLines):
        lists = {part: place.rows or file.rows for part, place in places.items()}
        return read_ndjson(received, name, lists)
    if isinstance(file, DelimitedFile):
        return {
            part: read_delimited(received, name, file, place.header_row)
            for part, place in places.items()
        }
    return {part: read_parquet(received, name) for part in places}


def _joined(texts: list[PartText], place: Place) -> PartText:
    """Read several files of one part as one; they must have the same columns, in any order.

    Raises
    ------
    DeliveryError
        If they have not.
    """
    first = texts[0]
    if len(texts) == 1:
        return first
    n_before = 0
    frames, torn, files = [], [], []
    for text in texts:
        differing = set(text.frame.columns) ^ set(first.frame.columns)
        if differing:
            raise DeliveryError(
                text.place,
                f"the columns are not those of {first.place}: {', '.join(sorted(differing)[:5])}",
                "Files that are read as one need the same columns.",
            )
        plain = pl.selectors.categorical().cast(pl.String)  # each file numbers its texts for itself
        frames.append(
            text.frame.select(first.frame.columns).with_columns(plain, pl.col(RECORD) + n_before)
        )
        files.append((n_before, text.place))
        torn.append(text.torn.with_columns(pl.col(RECORD) + n_before))
        n_before += text.n_rows
    name = f"{place.file} ({len(texts)} files)"
    return PartText(pl.concat(frames), name, pl.concat(torn), tuple(files))
