"""Read a delivery again from what the store kept of it, after its codebook was corrected.

What is kept is the screened text with pseudonyms in place of numbers and offsets in place of dates. A
corrected codebook may therefore say anything new about codes, units, composites and records; it may not
say that another column holds a person, a visit or a date, nor use a column that was dropped. Cells that
were masked because they might have identified someone stay masked.
"""

from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.bucketing import PART, PLACE
from pipeline.coded import frame_as_coded
from pipeline.intake import SignedCodebook, check_signed, finish
from pipeline.pseudonymisation import Pseudonymised, add_keys
from pipeline.reading.reading import LINE, RECORD, TORN, PartText, Reading
from pipeline.reshaping import count_out_of_scope
from pipeline.store.delivery import Delivery
from pipeline.store.pseudonym import PseudonymKey
from schemas.codebook import Codebook
from schemas.errors import CodebookError
from schemas.export_file import ROWS
from schemas.field import IDENTIFIER_FIELDS, POINTER
from schemas.layout import Layout
from schemas.reason import Quarantine
from schemas.settings import Settings
from schemas.table import SOURCE_ROW

_UNREAD = (Quarantine.ROW_TORN, Quarantine.LINE_UNREADABLE)

REPLACED_FIELDS = (*IDENTIFIER_FIELDS, POINTER, "visit_date")
"""Fields whose columns were rewritten before they were kept."""


@dataclass(frozen=True)
class Kept:
    """What the store kept of a delivery.

    Attributes
    ----------
    source_name, source_sha256 : str
        The export's name and hash.
    exported_on : datetime.date
        Day of the export.
    codebook : Codebook
        The codebook that it was read with.
    raw : polars.DataFrame
        Its rows as text.
    quarantine : polars.DataFrame
        Its quarantine, for the rows that could not be read at all.
    n_out_of_scope : int
        Rows that its account has as out of scope, those that nothing looked up among them.
    """

    source_name: str
    source_sha256: str
    exported_on: date
    codebook: Codebook
    raw: pl.DataFrame
    quarantine: pl.DataFrame
    n_out_of_scope: int = 0


def reread_delivery(
    kept: Kept, signed: SignedCodebook, settings: Settings, key: PseudonymKey
) -> Delivery:
    """Take what was kept of a delivery through the stages after pseudonymisation.

    Parameters
    ----------
    kept : Kept
        What the store kept of it.
    signed : SignedCodebook
        The corrected codebook.
    settings : Settings
        Of the workspace.
    key : PseudonymKey
        Of the workspace.

    Returns
    -------
    Delivery
        Accepted facts, quarantine, raw text and the account. Nothing is stored yet.

    Raises
    ------
    CodebookError
        If the codebook is not signed off, not newer, or needs the export itself.
    """
    codebook = signed.codebook
    check_signed(codebook)
    place = f"{codebook.clinic}/{codebook.codebook}"
    if codebook.version <= kept.codebook.version:
        raise CodebookError(
            f"{place}, version {codebook.version}",
            f"{kept.source_name} was read with version {kept.codebook.version}",
            "Raise the version of the corrected codebook.",
        )
    reason = why_not(kept.codebook, codebook)
    if reason:
        raise CodebookError(
            f"{place}, version {codebook.version}",
            f"{kept.source_name} cannot be read again from what is kept of it: {reason}",
            "Send the export itself again with “arcgain ingest”.",
        )
    safe: dict[str, Pseudonymised] = {}
    texts: dict[str, PartText] = {}
    for name, layout in codebook.layouts.items():
        texts[name] = _text_of(kept, name)
        columns = [h for h in texts[name].frame.columns if h in {*layout.columns, RECORD, LINE}]
        hidden = [h for h in texts[name].frame.columns if h.startswith("\x1f")]
        rows = texts[name].frame.select(*columns, *(h for h in hidden if h != PART))
        shared = settings.shared_clinician_numbers
        keyed = add_keys(frame_as_coded(rows), layout, key, shared_clinicians=shared)
        safe[name] = Pseudonymised(keyed, tuple(rows.columns))
    texts |= _looked_up(kept, codebook)
    reading = Reading(texts, kept.source_name, kept.source_sha256)
    return finish(reading, signed, kept.exported_on, safe, _count_unused(kept, texts))


def why_not(old: Codebook, new: Codebook) -> str:
    """Say why a corrected codebook needs the export itself.

    Parameters
    ----------
    old, new : Codebook
        The codebook that read it, and the corrected one.

    Returns
    -------
    str
        The reason; empty where what is kept is enough.
    """
    if set(old.layouts) != set(new.layouts):
        return "other parts of it yield records now"
    pairs = ((old.layouts[name], layout) for name, layout in new.layouts.items())
    return next((reason for pair in pairs if (reason := _layout_differs(*pair))), "")


def _layout_differs(old: Layout, new: Layout) -> str:
    if old.links != new.links:
        return "its parts are joined in another way now"
    for header, column in new.columns.items():
        before = old.columns.get(header)
        if before is None:
            return f"the column “{header}” was not kept"
        if before.field != column.field and {before.field, column.field} & set(REPLACED_FIELDS):
            return f"the column “{header}” was kept as {before.field}"
    if _replaced_markers(old) != _replaced_markers(new):
        return "a date format, or what means “not recorded” among numbers or dates, is another now"
    return ""


def _count_unused(kept: Kept, texts: dict[str, PartText]) -> int:
    """Count the rows that nothing looked up: they are out of scope, and were not kept."""
    seen = sum(
        count_out_of_scope(texts[name].frame, layout)
        for name, layout in kept.codebook.layouts.items()
    )
    return kept.n_out_of_scope - seen


def _replaced_markers(layout: Layout) -> dict[str, object]:
    """List what was said of columns that were rewritten, and had its effect then."""
    return {
        header: (layout.missing_in(header), column.date_format)
        for header, column in layout.columns.items()
        if column.field in REPLACED_FIELDS
    }


def _looked_up(kept: Kept, codebook: Codebook) -> dict[str, PartText]:
    """Give the unread rows of parts that are only looked up; all else of them is in the wide rows."""
    places = set(kept.raw[PLACE].unique().to_list())
    torn = kept.quarantine.filter(
        pl.col("table") == SOURCE_ROW,
        pl.col("reason").is_in([str(reason) for reason in _UNREAD]),
        ~pl.col("source_file").is_in(places),
    )
    names = [name for name in codebook.alone if name not in codebook.layouts]
    found = torn.partition_by("source_file") if names else []
    return {
        f"{names[0]}\x1f{number}": PartText(
            pl.DataFrame(), str(rows["source_file"][0]), rows.select(list(TORN))
        )
        for number, rows in enumerate(found)
    }


def _text_of(kept: Kept, name: str) -> PartText:
    rows = kept.raw
    if PART in rows.columns:
        rows = rows.filter(pl.col(PART) == name)
    elif name != ROWS:
        rows = rows.clear()
    torn = kept.quarantine.filter(
        pl.col("table") == SOURCE_ROW,
        pl.col("reason").is_in([str(reason) for reason in _UNREAD]),
    )
    names = rows[PLACE].unique(maintain_order=True).to_list() or [kept.source_name]
    torn = torn.filter(pl.col("source_file").is_in(names))
    before, files = 0, []
    for file in names:  # records of several files are counted on, as when they were first read
        files.append((before, file))
        numbers = (
            rows.filter(pl.col(PLACE) == file)[RECORD],
            torn.filter(source_file=file)[RECORD],
        )
        before = max(pl.concat(numbers).to_list(), default=0) + before
    moved = pl.col(RECORD) + pl.col(PLACE).replace_strict(
        {file: n for n, file in files}, return_dtype=pl.Int64
    )
    texts = rows.with_columns(moved).sort(RECORD).drop(PLACE)
    torn = torn.rename({"source_file": PLACE}).with_columns(moved).select(list(TORN))
    linked = [h for h in texts.columns if h.startswith("\x1f") and h != PART]
    plain = pl.selectors.string() - pl.selectors.by_name(linked, require_all=False)
    texts = texts.with_columns(plain.fill_null(""))
    several = tuple(files) if len(files) > 1 else ()
    return PartText(texts, names[0] if len(names) == 1 else kept.source_name, torn, several)
