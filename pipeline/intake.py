"""From a clinic's export to a delivery that is ready for the store: the stages in their order."""

import hashlib
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.harmonisation import harmonise, mask_unreadable
from pipeline.pseudonymisation import pseudonymise
from pipeline.reading.delimited import Reading
from pipeline.reshaping import reshape
from pipeline.screening import screen
from pipeline.store.delivery import Delivery
from pipeline.store.pseudonym import PseudonymKey
from pipeline.validation import Validated, validate
from schemas.codebook import Codebook
from schemas.errors import CodebookError, DeliveryError
from schemas.settings import Settings


@dataclass(frozen=True)
class SignedCodebook:
    """A codebook with the text that it was read from.

    Attributes
    ----------
    codebook : Codebook
        The codebook.
    text : str
        Its YAML text.
    """

    codebook: Codebook
    text: str

    @property
    def sha256(self) -> str:
        """SHA-256 of the text."""
        return hashlib.sha256(self.text.encode()).hexdigest()


def prepare_delivery(
    reading: Reading,
    signed: SignedCodebook,
    settings: Settings,
    key: PseudonymKey,
    exported_on: date | None = None,
) -> Delivery:
    """Take one export through every stage up to the store.

    Parameters
    ----------
    reading : Reading
        The export as text.
    signed : SignedCodebook
        Its codebook.
    settings : Settings
        Of the workspace.
    key : PseudonymKey
        Of the workspace.
    exported_on : datetime.date or None
        Day of the export; where None, the codebook has to state it.

    Returns
    -------
    Delivery
        Accepted facts, quarantine, pseudonymised raw text and the account. Nothing is stored yet.

    Raises
    ------
    CodebookError
        If the codebook is not signed off or does not fit the export.
    DeliveryError
        If the day of the export is not known, or the screen stops it.
    """
    codebook = signed.codebook
    day = _day_of_export(codebook, exported_on, reading.name)
    _check_signed(codebook)
    safe = pseudonymise(
        screen(reading, codebook),
        codebook,
        key,
        date_policy=settings.date_policy,
        exported_on=day,
        shared_clinicians=settings.shared_clinician_numbers,
    )
    columns = harmonise(safe.frame, codebook)
    divided = validate(reshape(safe.frame, columns, codebook), safe.frame, codebook)
    raw = mask_unreadable(safe.frame.select(safe.raw_columns), columns)
    return _delivery(reading, signed, day, divided, raw)


def _day_of_export(codebook: Codebook, exported_on: date | None, name: str) -> date:
    day = exported_on or codebook.delivery.exported_on
    if day is None:
        raise DeliveryError(
            name,
            "the day of the export is not known, so it cannot be put in order with others",
            "Give it with --exported-on YYYY-MM-DD, or state it in the codebook.",
        )
    return day


def _check_signed(codebook: Codebook) -> None:
    if codebook.reviewed_by is None or codebook.reviewed_on is None:
        raise CodebookError(
            f"{codebook.clinic}/{codebook.codebook}",
            "the codebook is a draft: nobody has signed it off",
            "Have it checked against the export, then fill in reviewed_by and reviewed_on.",
        )


def _delivery(
    reading: Reading, signed: SignedCodebook, day: date, divided: Validated, raw: pl.DataFrame
) -> Delivery:
    codebook = signed.codebook
    provenance = [
        pl.lit(reading.name).alias("source_file"),
        pl.lit(codebook.version, dtype=pl.Int64).alias("codebook_version"),
    ]
    return Delivery(
        clinic=codebook.clinic,
        codebook=codebook.codebook,
        codebook_version=codebook.version,
        codebook_sha256=signed.sha256,
        kind=str(codebook.delivery.kind),
        exported_on=day,
        source_name=reading.name,
        source_sha256=reading.sha256,
        tables={name: facts.with_columns(provenance) for name, facts in divided.tables.items()},
        quarantine=divided.quarantine.with_columns(provenance),
        raw=raw,
        account=divided.account,
        texts={"codebook": signed.text},
    )
