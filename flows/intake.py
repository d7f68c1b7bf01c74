"""Take one delivery in: from an export file to an entry of the ledger, or a dry run of it."""

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from flows.clock import now
from flows.configuration import read_codebook
from flows.workspace import open_workspace
from pipeline.intake import SignedCodebook, prepare_delivery
from pipeline.reading.delimited import Reading, read_delimited
from pipeline.store.delivery import Delivery, commit_delivery, find_delivery
from pipeline.store.ledger import Store

logger = logging.getLogger(__name__)


@dataclass(frozen=True)
class Request:
    """One export to take in.

    Attributes
    ----------
    export : pathlib.Path
        The file.
    codebook : pathlib.Path
        Its codebook.
    exported_on : datetime.date or None
        Day of the export, where the codebook does not state it.
    """

    export: Path
    codebook: Path
    exported_on: date | None = None


@dataclass(frozen=True)
class Taken:
    """What became of one export.

    Attributes
    ----------
    export : str
        Name of the file.
    clinic, codebook : str
        Clinic and layout.
    delivery : str
        Identifier in the store; empty after a dry run.
    is_new : bool
        False where the same file was taken in before, and nothing changed.
    is_stored : bool
        False after a dry run.
    account : Mapping of str to Mapping of str to int
        Counts by table.
    quarantine : tuple of dict
        Up to ``MOST_ROWS`` quarantined facts: reason, table, record, column and value.
    n_quarantined : int
        How many there are.
    """

    export: str
    clinic: str
    codebook: str
    delivery: str
    is_new: bool
    is_stored: bool
    account: Mapping[str, Mapping[str, int]]
    quarantine: tuple[dict[str, str | int | None], ...]
    n_quarantined: int


MOST_ROWS = 200
"""So many quarantined facts are shown by the command; the store holds them all."""


def check_export(workspace: Path, request: Request) -> Taken:
    """Do everything that taking in does, and store nothing.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    request : Request
        The export.

    Returns
    -------
    Taken
        What would become of it.
    """
    place = open_workspace(workspace)
    signed = read_codebook(request.codebook)
    reading = read_delimited(request.export, signed.codebook.file)
    delivery = prepare_delivery(reading, signed, place.settings, place.key(), request.exported_on)
    return _taken(delivery, delivery.account, "", is_new=True, is_stored=False)


def take_in(workspace: Path, request: Request) -> Taken:
    """Take one export into the store.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    request : Request
        The export.

    Returns
    -------
    Taken
        What became of it; an export that was taken in before changes nothing.
    """
    place = open_workspace(workspace)
    signed = read_codebook(request.codebook)
    reading = read_delimited(request.export, signed.codebook.file)
    again = _sent_again(place.store, reading, signed)
    if again is not None:
        return again
    key = place.key()
    delivery = prepare_delivery(reading, signed, place.settings, key, request.exported_on)
    receipt = commit_delivery(place.store, delivery, key, now())
    logger.info("delivery %s: %s", receipt.delivery, dict(receipt.account))
    return _taken(
        delivery, receipt.account, receipt.delivery, is_new=receipt.is_new, is_stored=True
    )


def _sent_again(store: Store, reading: Reading, signed: SignedCodebook) -> Taken | None:
    codebook = signed.codebook
    receipt = find_delivery(
        store, codebook.clinic, codebook.codebook, signed.sha256, reading.sha256
    )
    if receipt is None:
        return None
    return Taken(
        export=reading.name,
        clinic=codebook.clinic,
        codebook=codebook.codebook,
        delivery=receipt.delivery,
        is_new=False,
        is_stored=True,
        account=receipt.account,
        quarantine=(),
        n_quarantined=0,
    )


def _taken(
    delivery: Delivery,
    account: Mapping[str, Mapping[str, int]],
    identifier: str,
    *,
    is_new: bool,
    is_stored: bool,
) -> Taken:
    shown = delivery.quarantine.head(MOST_ROWS).select(
        "reason", "table", pl.col("source_record").alias("record"), "column", "value"
    )
    return Taken(
        export=delivery.source_name,
        clinic=delivery.clinic,
        codebook=delivery.codebook,
        delivery=identifier,
        is_new=is_new,
        is_stored=is_stored,
        account=account,
        quarantine=tuple(shown.to_dicts()),
        n_quarantined=delivery.quarantine.height,
    )
