"""The content digest: one hash for what a snapshot says.

It is made of values alone. File names, times, ledger numbers, identifiers of deliveries and the bytes
of Parquet files have no part in it, so two stores that say the same have the same digest.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from io import BytesIO

import polars as pl

from pipeline.store.holding import Account
from schemas.table import QUARANTINE, TABLES

_SLICE_ROWS = 200_000  # bounds the memory of one spelling to about 40 MB


def digest_clinic(
    tables: Mapping[str, pl.DataFrame],
    quarantine: pl.DataFrame,
    account: Account,
    codebooks: Iterable[tuple[str, str]],
    tombstones: Iterable[str],
) -> str:
    """Hash what the store says about one clinic.

    Parameters
    ----------
    tables : Mapping of str to polars.DataFrame
        Current facts by canonical table, sorted by key.
    quarantine : polars.DataFrame
        Quarantined facts, in any order.
    account : dict of str to dict of str to int
        Facts by table and fate.
    codebooks : Iterable of tuple of str and str
        Names and hashes of the codebooks that read the deliveries.
    tombstones : Iterable of str
        Marks of withdrawn patients.

    Returns
    -------
    str
        SHA-256, 64 hex digits.
    """
    pieces = {
        name: _digest_rows(tables[name].select(list(table.key | table.values)))
        for name, table in TABLES.items()
        if name in tables and tables[name].height
    }
    columns = [name for name in QUARANTINE if name not in {"delivery", "source_file"}]
    return digest_text(
        {
            "tables": pieces,
            "quarantine": _digest_rows(quarantine.select(columns).sort(columns)),
            "account": account,
            "codebooks": sorted(set(codebooks)),
            "tombstones": sorted(tombstones),
        }
    )


def digest_text(content: object) -> str:
    """Hash what JSON can hold.

    Parameters
    ----------
    content : object
        Dicts, lists, text and numbers.

    Returns
    -------
    str
        SHA-256, 64 hex digits.
    """
    text = json.dumps(content, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()


def _digest_rows(frame: pl.DataFrame) -> str:
    """Hash rows in their order: names, then quoted text, bare numbers, nothing for a missing value."""
    digest = hashlib.sha256(json.dumps([frame.columns, frame.height]).encode())
    for rows in frame.iter_slices(_SLICE_ROWS):
        buffer = BytesIO()
        rows.write_csv(buffer, include_header=False, quote_style="non_numeric")
        digest.update(buffer.getbuffer())
    return digest.hexdigest()
