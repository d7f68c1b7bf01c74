"""From a clinic's export to a delivery that is ready for the store: the stages in their order."""

import hashlib
from dataclasses import dataclass, replace
from datetime import date

import polars as pl

from pipeline.bucketing import Buckets, HarmonisedPart
from pipeline.coded import distinct_names
from pipeline.compact import PSEUDONYMS, Names, compact_kinds, number_names
from pipeline.harmonisation import harmonise, mask_unreadable
from pipeline.linking import count_unused, link_parts
from pipeline.pseudonymisation import Pseudonymised, kind_of_key, pseudonymise
from pipeline.reading.reading import Reading
from pipeline.screening import screen
from pipeline.store.delivery import Delivery
from pipeline.store.pseudonym import PseudonymKey
from schemas.codebook import Codebook
from schemas.errors import CodebookError, DeliveryError
from schemas.layout import Layout
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
    check_signed(codebook)
    frames = screen(reading, codebook)
    linked = {name: link_parts(frames, layout) for name, layout in codebook.layouts.items()}
    n_unused = _count_unused(codebook, frames, linked)
    safe = {
        name: pseudonymise(
            linked[name],
            layout,
            key,
            date_policy=settings.date_policy,
            exported_on=day,
            shared_clinicians=settings.shared_clinician_numbers,
        )
        for name, layout in codebook.layouts.items()
    }
    return finish(reading, signed, day, safe, n_unused)


def finish(
    reading: Reading,
    signed: SignedCodebook,
    day: date,
    safe: dict[str, Pseudonymised],
    n_unused: int,
) -> Delivery:
    """Decode and reshape the parts, divide their facts and make the delivery.

    Parameters
    ----------
    reading : Reading
        The export as text.
    signed : SignedCodebook
        Its codebook.
    day : datetime.date
        Day of the export.
    safe : dict of str to Pseudonymised
        Rows of each part without identifiers.
    n_unused : int
        Rows that nothing looks up.

    Returns
    -------
    Delivery
        Ready for the store.
    """
    codebook = signed.codebook
    kinds = compact_kinds(codebook.clinic, codebook.joint)
    names = _name_pseudonyms(codebook, safe)
    parts = []
    for name, layout in codebook.layouts.items():
        text = replace(reading.parts[name], frame=pl.DataFrame())  # its place and its torn rows
        raw = safe[name].frame.select(safe[name].raw_columns)
        frame = _with_numbers(safe[name].frame, layout, names)
        columns = harmonise(frame, layout, kinds, safe[name].persons)
        parts.append(HarmonisedPart(layout, text, frame, mask_unreadable(raw, columns), columns))
    looked_up = tuple(t for name, t in reading.parts.items() if name not in codebook.layouts)
    return Delivery(
        clinic=codebook.clinic,
        codebook=codebook.codebook,
        codebook_version=codebook.version,
        codebook_sha256=signed.sha256,
        kind=str(codebook.delivery.kind),
        exported_on=day,
        source_name=reading.name,
        source_sha256=reading.sha256,
        buckets=Buckets(tuple(parts), kinds, names, codebook.version, looked_up, n_unused),
        texts={"codebook": signed.text},
    )


def _name_pseudonyms(codebook: Codebook, safe: dict[str, Pseudonymised]) -> Names:
    """List the pseudonyms of each kind over all parts."""
    found: dict[str, list[pl.Series]] = {kind: [] for kind in PSEUDONYMS}
    for name, layout in codebook.layouts.items():
        for header, kind in _pseudonym_columns(safe[name].frame, layout).items():
            found[kind].append(safe[name].frame[header])
    return {kind: distinct_names(columns) for kind, columns in found.items()}


def _pseudonym_columns(frame: pl.DataFrame, layout: Layout) -> dict[str, str]:
    """List the columns that hold pseudonyms, each with what they stand for."""
    own = {header: column.field for header, column in layout.columns.items()}
    made = {header: kind_of_key(header) for header in frame.columns}
    return {header: kind for header, kind in (made | own).items() if kind in PSEUDONYMS}


def _with_numbers(frame: pl.DataFrame, layout: Layout, names: Names) -> pl.DataFrame:
    return frame.with_columns(
        number_names(frame[header], names[kind])
        for header, kind in _pseudonym_columns(frame, layout).items()
    )


def _count_unused(
    codebook: Codebook, frames: dict[str, pl.DataFrame], linked: dict[str, pl.DataFrame]
) -> int:
    """Count rows of parts without records that nothing looks up."""
    wide = [(layout, linked[name]) for name, layout in codebook.layouts.items()]
    others = [name for name in codebook.alone if name not in codebook.layouts]
    return sum(count_unused(frames[name], name, wide) for name in others)


def _day_of_export(codebook: Codebook, exported_on: date | None, name: str) -> date:
    day = exported_on or codebook.delivery.exported_on
    if day is None:
        raise DeliveryError(
            name,
            "the day of the export is not known, so it cannot be put in order with others",
            "Give it with --exported-on YYYY-MM-DD, or state it in the codebook.",
        )
    return day


def check_signed(codebook: Codebook) -> None:
    """Refuse a codebook that nobody has signed off.

    Parameters
    ----------
    codebook : Codebook
        The codebook.

    Raises
    ------
    CodebookError
        If it is a draft.
    """
    if codebook.reviewed_by is None or codebook.reviewed_on is None:
        raise CodebookError(
            f"{codebook.clinic}/{codebook.codebook}",
            "the codebook is a draft: nobody has signed it off",
            "Have it checked against the export, then fill in reviewed_by and reviewed_on.",
        )
