"""Replace person and visit numbers by pseudonyms and dates by offsets, before anything is stored.

A pseudonym is a keyed hash: the same number of the same clinic always gives the same pseudonym, and
none can be turned back without the key. A date becomes the number of days since an index date that
is hidden in the key and differs from patient to patient, beside the year (or year and month).
"""

import dataclasses
from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.coded import as_coded, code_text
from pipeline.identifier.masking import mask
from pipeline.notation.date import read_date
from pipeline.notation.number import read_whole
from pipeline.store.pseudonym import PseudonymKey, index_day, pseudonym
from schemas.field import POINTER
from schemas.layout import Layout
from schemas.reason import Quarantine
from schemas.settings import DatePolicy

OLDEST, OLDEST_BELIEVED = 90, 120
"""90 stands for every age over 89, which are one class (45 CFR 164.514(b)(2)(i)(C)); an age over 120 is
a mistake that stays as it is and is quarantined."""

SINGLE_EPISODE = "single"
"""Episode of a patient where an export does not tell episodes apart."""


@dataclass(frozen=True)
class Pseudonymised:
    """An export without identifiers.

    Attributes
    ----------
    frame : polars.DataFrame
        The declared columns as text: person, visit and episode numbers as pseudonyms, dates as
        ``offset|period`` (one that cannot be read: ``!reason|masked value``). Behind them the columns
        that ``key_column`` names.
    raw_columns : tuple of str
        The columns that are kept as raw.
    persons : polars.Series of String
        The numbers of patients and clinicians as they stood in the export, so that one that stands
        where it does not belong is masked. Never kept.
    """

    frame: pl.DataFrame
    raw_columns: tuple[str, ...]
    persons: pl.Series = dataclasses.field(default_factory=lambda: pl.Series([], dtype=pl.String))


def key_column(field: str, source: str) -> str:
    """Name the column that holds a pseudonym made for records.

    Parameters
    ----------
    field : str
        ``visit``, ``episode`` or ``clinician``.
    source : str
        Header or constant that it is made from.

    Returns
    -------
    str
        A name that no header has.
    """
    return f"\x1f{field}\x1f{source}"


def kind_of_key(name: str) -> str:
    """Say what a column that ``key_column`` names holds.

    Parameters
    ----------
    name : str
        Name of a column.

    Returns
    -------
    str
        ``visit``, ``episode`` or ``clinician``; empty for any other column.
    """
    return name.split("\x1f")[1] if name.startswith("\x1f") and name.count("\x1f") == 2 else ""


def pseudonymise(
    frame: pl.DataFrame,
    layout: Layout,
    key: PseudonymKey,
    *,
    date_policy: DatePolicy,
    exported_on: date,
    shared_clinicians: bool = False,
) -> Pseudonymised:
    """Replace every identifier of a screened export.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n_records, n_declared + 1)
        Screened text columns.
    layout : Layout
        Says which columns hold identifiers and dates.
    key : PseudonymKey
        Key of the network.
    date_policy : DatePolicy
        What is kept of a date beside the offset.
    exported_on : datetime.date
        No date can be later.
    shared_clinicians : bool
        True where clinicians are numbered across the network.

    Returns
    -------
    Pseudonymised
        The export without identifiers.
    """
    names = _Names(layout, key, shared_clinicians)
    dates = _Dates(layout, key, date_policy, exported_on)
    patient = layout.patient
    safe = frame.with_columns(names.of_column(frame[patient], patient, "patient"))
    for header, column in layout.columns.items():
        if column.field in {"visit", "episode", "clinician", POINTER}:
            safe = safe.with_columns(names.of_column(safe[header], header, column.field))
        elif column.field == "visit_date":
            safe = safe.with_columns(dates.as_offsets(safe[header], safe[patient], header))
        elif column.field == "age_years":
            safe = safe.with_columns(_without_great_ages(safe[header]))
    raw_columns = tuple(safe.columns)
    persons = [
        code_text(frame[header]).texts.str.strip_chars()
        for header, column in layout.columns.items()
        if column.field in {"patient", "clinician"}
    ]
    keyed = add_keys(safe, layout, key, shared_clinicians=shared_clinicians)
    return Pseudonymised(keyed, raw_columns, pl.concat(persons).drop_nulls())


def add_keys(
    frame: pl.DataFrame,
    layout: Layout,
    key: PseudonymKey,
    *,
    shared_clinicians: bool = False,
) -> pl.DataFrame:
    """Add the visit, episode and clinician that records take from a constant or a date.

    Parameters
    ----------
    frame : polars.DataFrame
        Pseudonymised columns.
    layout : Layout
        Says what its records take.
    key : PseudonymKey
        Key of the network.
    shared_clinicians : bool
        True where clinicians are numbered across the network.

    Returns
    -------
    polars.DataFrame
        The columns, and behind them those that ``key_column`` names.
    """
    names = _Names(layout, key, shared_clinicians)
    added: dict[str, pl.Expr | pl.Series] = {}
    for record in layout.records:
        sources = layout.sources(record)
        for field in ("visit", "episode", "clinician"):
            constant = record.set.get(field)
            if field == "episode" and field not in sources and constant is None:
                constant = SINGLE_EPISODE
            if constant is not None:
                text = str(constant)
                added[key_column(field, text)] = pl.lit(
                    names.of(field, text), dtype=pl.Enum([names.of(field, text)])
                )
        if "visit" not in sources and "visit" not in record.set and "visit_date" in sources:
            header = sources["visit_date"]
            name = key_column("visit", header)
            if name not in added:
                added[name] = names.of_days(frame[header])
    return frame.with_columns(**added)


def _without_great_ages(ages: pl.Series) -> pl.Series:
    """Replace ages over 89 by 90, also in what is kept as raw."""

    def kept(text: str) -> str:
        age = read_whole(text.strip().removesuffix("+"))
        return str(OLDEST) if isinstance(age, int) and OLDEST < age <= OLDEST_BELIEVED else text

    return code_text(ages).map_texts(kept).alias(ages.name)


@dataclass(frozen=True)
class _Names:
    """Pseudonyms of one clinic, made once per distinct number."""

    layout: Layout
    key: PseudonymKey
    shared_clinicians: bool

    def of_column(self, texts: pl.Series, header: str, kind: str) -> pl.Series:
        missing = self.layout.missing_in(header)

        def named(text: str) -> str:
            plain = text.strip()
            return "" if plain in missing else self.of(kind, plain)

        return code_text(texts).map_texts(named).alias(header)

    def of_days(self, days: pl.Series) -> pl.Series:
        """Name the visit of a day; the day counts from the patient's own hidden index date."""

        def named(day: str) -> str:
            return self.of("visit", day.partition("|")[0]) if day and day[0] != "!" else ""

        return code_text(days).map_texts(named)

    def of(self, kind: str, text: str) -> str:
        """Give the pseudonym of a number; clinicians may be numbered across the network."""
        is_shared = kind == "clinician" and self.shared_clinicians
        return pseudonym(self.key, kind, "" if is_shared else self.layout.clinic, text)


@dataclass(frozen=True)
class _Dates:
    """Offsets of dates from the index day of each patient."""

    layout: Layout
    key: PseudonymKey
    date_policy: DatePolicy
    exported_on: date

    def as_offsets(self, texts: pl.Series, patients: pl.Series, header: str) -> pl.Series:
        """Give ``offset|period``, ``!reason|masked value``, or nothing for a missing date."""
        dates, people = code_text(texts), code_text(patients)
        days = [self._day(header, text) for text in dates.texts]
        ordinal = [day[0] if isinstance(day, tuple) else None for day in days]
        tails = ["|" + day[1] if isinstance(day, tuple) else day for day in days]
        # Offset and date in one number, so that each pair is written out once and not once a row.
        n_dates = max(len(days), 1)
        first = people.texts.map_elements(self._index_day, return_dtype=pl.Int64)
        offset = dates.spread(pl.Series(ordinal, dtype=pl.Int64)) - people.spread(first)
        number = pl.select(
            pl.when(offset.is_not_null()).then(offset * n_dates).otherwise(-n_dates)
            + dates.codes.cast(pl.Int64)
        ).to_series()
        pairs = number.unique().sort()
        written = [self._text(pair, n_dates, ordinal, tails) for pair in pairs]
        places = pairs.search_sorted(number)
        return as_coded(pl.Series(written, dtype=pl.String)).gather(places).alias(header)

    def _index_day(self, patient: str) -> int | None:
        return index_day(self.key, self.layout.clinic, patient) if patient else None

    @staticmethod
    def _text(pair: int, n_dates: int, ordinal: list[int | None], tails: list[str]) -> str:
        offset, date_number = divmod(pair, n_dates)
        if ordinal[date_number] is None:
            return tails[date_number]
        # Without a patient there is no index date, but then the record has no key anyway.
        return "" if offset < 0 else f"{offset}{tails[date_number]}"

    def _day(self, header: str, text: str | None) -> tuple[int, str] | str:
        """Read a date: its ordinal and period, or why there is none."""
        if text is None or text.strip() in self.layout.missing_in(header):
            return ""
        column = self.layout.columns[header]
        found = read_date(text, date_format=str(column.date_format), latest=self.exported_on)
        if isinstance(found, Quarantine):
            return f"!{found}|{mask(text)}"
        kept = "%Y" if self.date_policy is DatePolicy.STRICT else "%Y-%m"
        return found.toordinal(), found.strftime(kept)
