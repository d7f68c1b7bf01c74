"""Parts: one immutable Parquet file for each table, clinic and delivery.

Parts are not compressed. A million range tests take 29 MB instead of 8, and in return a plain search
of the workspace's bytes proves that a withdrawn pseudonym is gone: in a compressed file the search
would find nothing either way. Repeated text is stored once in a part's dictionary all the same.
"""

import hashlib
from contextlib import suppress
from dataclasses import asdict, dataclass
from io import BytesIO
from itertools import count
from typing import Any

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.coded import is_text
from pipeline.compact import PSEUDONYMS
from pipeline.store.file import NewFile, delete_file
from pipeline.store.ledger import Store
from pipeline.store.upgrade import upgrade_frame
from schemas.errors import StoreError
from schemas.table import SCHEMA_VERSION, TABLES

RAW = "raw"
"""Name of the part that holds a delivery's screened rows as the clinic sent them."""

_RESTORE = "restore this file from a backup of the workspace"


@dataclass(frozen=True)
class Part:
    """One file that the ledger names.

    Attributes
    ----------
    path : str
        Place below the store's folder.
    sha256 : str
        Hash of its bytes.
    rows : int
        Number of rows.
    schema_version : int
        Layout in which it was written.
    """

    path: str
    sha256: str
    rows: int
    schema_version: int

    def as_json(self) -> dict[str, Any]:
        """Give what a ledger entry holds of the part.

        Returns
        -------
        dict
            Its fields by name.
        """
        return asdict(self)


def write_part(
    store: Store,
    folder: str,
    delivery: str,
    frame: pl.DataFrame,
    *,
    revision: int = 0,
    schema_version: int = SCHEMA_VERSION,
) -> Part:
    """Write a part under a name that is free; nothing is ever overwritten.

    Parameters
    ----------
    store : Store
        The store.
    folder : str
        Folder below the store's.
    delivery : str
        The delivery's identifier.
    frame : polars.DataFrame
        The rows.
    revision : int
        0 for the first writing, else the number of the ledger entry that is to name the part.
    schema_version : int
        Layout of the rows.

    Returns
    -------
    Part
        The part; it counts once a ledger entry names it.
    """
    writer = PartWriter(store, folder, delivery, revision=revision, schema_version=schema_version)
    try:
        writer.add(frame)
        return writer.finish()
    finally:
        writer.abandon()


class PartWriter:
    """Write a part in pieces: Parquet of plain types, uncompressed and without statistics.

    A part is read whole, since its hash is checked: statistics would only repeat pseudonyms in it.

    Parameters
    ----------
    store : Store
        The store.
    folder : str
        Folder below the store's.
    delivery : str
        The delivery's identifier.
    revision : int
        0 for the first writing, else the number of the ledger entry that is to name the part.
    schema_version : int
        Layout of the rows.
    """

    def __init__(
        self,
        store: Store,
        folder: str,
        delivery: str,
        *,
        revision: int = 0,
        schema_version: int = SCHEMA_VERSION,
    ) -> None:
        self._store, self._place = store, f"{folder}/{delivery}"
        self._revision, self._layout, self._rows = revision, schema_version, 0
        self._file = NewFile(store.folder / f"{self._place}.parquet")
        self._parquet: pq.ParquetWriter | None = None

    def add(self, frame: pl.DataFrame) -> None:
        """Write some rows.

        Parameters
        ----------
        frame : polars.DataFrame
            The next rows; the same columns each time.
        """
        table = pa.table({name: _as_arrow(frame[name]) for name in frame.columns})
        if self._parquet is None:
            texts = [name for name, kind in frame.schema.items() if is_text(kind)]
            self._parquet = pq.ParquetWriter(
                pa.PythonFile(self._file, mode="w"),
                table.schema,
                compression="none",
                write_statistics=False,
                store_schema=False,
                use_dictionary=texts,
            )
        self._parquet.write_table(table)
        self._rows += frame.height

    def finish(self) -> Part:
        """Give the part a name that is free; nothing is ever overwritten.

        Returns
        -------
        Part
            The part; it counts once a ledger entry names it.
        """
        if self._parquet is not None:
            self._parquet.close()
        # A taken name is that of a stopped writer, or of one that stores the same delivery right now.
        numbers = count(self._revision)
        while True:
            number = next(numbers)
            path = f"{self._place}{f'-r{number}' if number else ''}.parquet"
            try:
                self._file.name_as(self._store.folder / path)
            except FileExistsError:
                continue
            return Part(path, self._file.sha256, self._rows, self._layout)

    def abandon(self) -> None:
        """Leave nothing behind, unless the part has its name."""
        if self._parquet is not None:
            with suppress(OSError):  # a full disk, say: what is there is deleted anyway
                self._parquet.close()
        self._file.discard()


def _as_arrow(column: pl.Series) -> pa.Array:
    """Give a column to the writer; text in numbers keeps them, with the names that occur and no others."""
    if not isinstance(column.dtype, pl.Enum | pl.Categorical):
        return column.to_arrow()
    codes = column.to_physical()
    if isinstance(column.dtype, pl.Enum) and column.name not in PSEUDONYMS:
        # The names of a code list, or of the delivery and its files: they may all be there.
        listed = pa.array(column.dtype.categories.to_list(), pa.string())
        return pa.DictionaryArray.from_arrays(codes.cast(pl.Int32).to_arrow(), listed)
    used = codes.unique().drop_nulls()
    named = pl.DataFrame({"number": used, "name": used.cat.to(column.dtype).cast(pl.String)})
    names = named.sort("name")
    places = np.zeros(int(used.to_numpy().max(initial=0)) + 1, dtype=np.int32)
    places[names["number"].to_numpy()] = np.arange(names.height, dtype=np.int32)
    placed = pl.Series(places).gather(codes)
    return pa.DictionaryArray.from_arrays(
        placed.to_arrow(), pa.array(names["name"].to_list(), pa.string())
    )


def part_folder(name: str, clinic: str) -> str:
    """Say in which folder a clinic's parts of one name lie.

    Parameters
    ----------
    name : str
        A canonical table, ``quarantine`` or ``raw``.
    clinic : str
        The clinic.

    Returns
    -------
    str
        Folder below the store's.
    """
    return f"raw/{clinic}" if name == RAW else f"parts/{name}/{clinic}"


def delete_parts(store: Store, parts: dict[str, Part]) -> None:
    """Delete parts that no ledger entry names.

    Parameters
    ----------
    store : Store
        The store.
    parts : dict of str to Part
        The parts by name.
    """
    for part in parts.values():
        delete_file(store.folder / part.path)


def read_content(store: Store, part: Part) -> bytes:
    """Read a part's bytes and check that they are those that were written.

    Parameters
    ----------
    store : Store
        The store.
    part : Part
        The part.

    Returns
    -------
    bytes
        The file's content.

    Raises
    ------
    StoreError
        If the file is missing or was changed.
    """
    path = store.folder / part.path
    try:
        content = path.read_bytes()
    except FileNotFoundError as error:
        raise StoreError(str(path), "the file is missing", _RESTORE) from error
    if hashlib.sha256(content).hexdigest() != part.sha256:
        raise StoreError(str(path), "the file was changed after it was written", _RESTORE)
    return content


def read_stored(store: Store, part: Part) -> pl.DataFrame:
    """Read a part in the layout in which it was written.

    Parameters
    ----------
    store : Store
        The store.
    part : Part
        The part.

    Returns
    -------
    polars.DataFrame, shape (part.rows, n_columns)
        Its rows, in stored order.
    """
    return pl.read_parquet(BytesIO(read_content(store, part)))


def read_rows(store: Store, name: str, part: Part) -> pl.DataFrame:
    """Read a part in today's layout; facts come sorted by their full key.

    Parameters
    ----------
    store : Store
        The store.
    name : str
        Canonical table or ``quarantine``.
    part : Part
        The part.

    Returns
    -------
    polars.DataFrame, shape (part.rows, n_columns)
        Its rows.
    """
    frame = read_stored(store, part)
    if part.schema_version == SCHEMA_VERSION:
        return frame  # was sorted before it was written
    frame = upgrade_frame(name, frame, part.schema_version)
    return frame.sort(list(TABLES[name].key)) if name in TABLES else frame
