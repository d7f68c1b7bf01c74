"""Take one delivery in: from an export file to an entry of the ledger, or a dry run of it."""

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from flows.clock import now
from flows.configuration import parse_codebook, read_codebook
from flows.workspace import open_workspace
from pipeline.intake import SignedCodebook, prepare_delivery
from pipeline.reading.export import read_export
from pipeline.reading.reading import Reading
from pipeline.rereading import Kept, reread_delivery
from pipeline.store.bucket import add_accounts
from pipeline.store.delivery import Delivery, Receipt, commit_delivery, find_delivery
from pipeline.store.holding import Account, Held
from pipeline.store.kept import find_layout, read_held
from pipeline.store.ledger import Store
from pipeline.store.part import RAW
from schemas.errors import ArcgainError, CodebookError
from schemas.table import QUARANTINED, SOURCE_ROW

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
        Up to ``MOST_ROWS`` quarantined facts: reason, table, file, record, line, column and value.
    n_quarantined : int
        How many there are.
    problems : tuple of dict
        Quarantined facts by reason, file, column and value: how many, and the first record and line;
        most first.
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
    problems: tuple[dict[str, str | int | None], ...] = ()


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
    reading = _read(request, signed)
    delivery = prepare_delivery(reading, signed, place.settings, place.key(), request.exported_on)
    account, quarantine = _survey(delivery)
    return _taken(delivery, account, quarantine, "", is_stored=False)


def _survey(delivery: Delivery) -> tuple[Account, pl.DataFrame]:
    """Count what would become of a delivery, bucket by bucket."""
    account: Account = {}
    quarantine = []
    for bucket in delivery.buckets:
        account = add_accounts(account, bucket.account)
        quarantine.append(bucket.quarantine)
    return account, pl.concat(quarantine)


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
    reading = _read(request, signed)
    again = _sent_again(place.store, reading, signed)
    if again is not None:
        return again
    key = place.key()
    delivery = prepare_delivery(reading, signed, place.settings, key, request.exported_on)
    del reading  # a large export need not be held as received while its facts are made
    receipt = commit_delivery(place.store, delivery, key, now())
    logger.info("delivery %s: %s", receipt.delivery, dict(receipt.account))
    return _stored(delivery, receipt)


def read_again(workspace: Path, codebook: Path) -> list[Taken | ArcgainError]:
    """Read deliveries that are held again, with a corrected codebook.

    Parameters
    ----------
    workspace : pathlib.Path
        The workspace.
    codebook : pathlib.Path
        The corrected codebook; deliveries of its clinic and layout that an older version read are
        read again from what was kept of them.

    Returns
    -------
    list of Taken or ArcgainError
        What became of each; one that needs the export itself does not keep the others out.

    Raises
    ------
    CodebookError
        If no delivery was read with an older version.
    """
    place = open_workspace(workspace)
    signed = read_codebook(codebook)
    newest = signed.codebook
    held = [
        one
        for one in find_layout(place.store, newest.clinic, newest.codebook)
        if one.codebook_version < newest.version
    ]
    if not held:
        raise CodebookError(
            f"{newest.clinic}/{newest.codebook}, version {newest.version}",
            "the store holds no delivery that an older version of this codebook has read",
            "Take the export in with “arcgain ingest”, or raise the version of the corrected codebook.",
        )
    key = place.key()
    results: list[Taken | ArcgainError] = []
    for one in held:
        try:
            delivery = reread_delivery(_kept(place.store, one), signed, place.settings, key)
            receipt = commit_delivery(place.store, delivery, key, now())
        except ArcgainError as error:
            results.append(error)
            continue
        results.append(_stored(delivery, receipt))
    return results


def _read(request: Request, signed: SignedCodebook) -> Reading:
    codebook = signed.codebook
    return read_export(request.export, codebook.file, codebook.places, codebook.set_aside)


def _kept(store: Store, held: Held) -> Kept:
    return Kept(
        source_name=held.source_name,
        source_sha256=held.source_sha256,
        exported_on=held.exported_on,
        codebook=parse_codebook(held.texts["codebook"], f"{held.clinic}/{held.codebook}"),
        raw=read_held(store, held, RAW),
        quarantine=read_held(store, held, QUARANTINED),
        n_out_of_scope=held.account[SOURCE_ROW]["out_of_scope"],
    )


def _sent_again(store: Store, reading: Reading, signed: SignedCodebook) -> Taken | None:
    codebook = signed.codebook
    receipt = find_delivery(
        store, codebook.clinic, codebook.codebook, signed.sha256, reading.sha256
    )
    if receipt is None:
        return None
    return _known(reading.name, codebook.clinic, codebook.codebook, receipt)


def _known(export: str, clinic: str, codebook: str, receipt: Receipt) -> Taken:
    return Taken(
        export=export,
        clinic=clinic,
        codebook=codebook,
        delivery=receipt.delivery,
        is_new=False,
        is_stored=True,
        account=receipt.account,
        quarantine=(),
        n_quarantined=0,
    )


def _stored(delivery: Delivery, receipt: Receipt) -> Taken:
    quarantine = receipt.quarantine
    if quarantine is None:
        return _known(delivery.source_name, delivery.clinic, delivery.codebook, receipt)
    return _taken(delivery, receipt.account, quarantine, receipt.delivery, is_stored=True)


def _taken(
    delivery: Delivery,
    account: Account,
    quarantine: pl.DataFrame,
    identifier: str,
    *,
    is_stored: bool,
) -> Taken:
    shown = quarantine.head(MOST_ROWS).select(
        "reason",
        "table",
        pl.col("source_file").alias("file"),
        pl.col("source_record").alias("record"),
        pl.col("source_line").alias("line"),
        "column",
        "value",
    )
    return Taken(
        export=delivery.source_name,
        clinic=delivery.clinic,
        codebook=delivery.codebook,
        delivery=identifier,
        is_new=True,
        is_stored=is_stored,
        account=account,
        quarantine=tuple(shown.to_dicts()),
        n_quarantined=quarantine.height,
        problems=tuple(_problems(quarantine).to_dicts()),
    )


def _problems(quarantine: pl.DataFrame) -> pl.DataFrame:
    """Count quarantined facts that have the same problem with the same value."""
    same = ["reason", pl.col("source_file").alias("file"), "column", "value"]
    return (
        quarantine.group_by(same)
        .agg(
            pl.len().alias("facts"),
            pl.col("source_record").min().alias("record"),
            pl.col("source_line").min().alias("line"),
        )
        .sort("facts", "file", "record", "reason", "column", descending=[True, *[False] * 4])
    )
