"""Replace person and visit numbers by pseudonyms and dates by offsets, before anything is stored.

A pseudonym is a keyed hash: the same number of the same clinic always gives the same pseudonym, and
none can be turned back without the key. A date becomes the number of days since an index date that
is hidden in the key and differs from patient to patient, beside the year (or year and month).
"""

from dataclasses import dataclass
from datetime import date

import polars as pl

from pipeline.notation.date import read_date
from pipeline.notation.number import read_whole
from pipeline.screening import mask
from pipeline.store.pseudonym import PseudonymKey, index_day, pseudonym
from schemas.codebook import Codebook, Record
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
    """

    frame: pl.DataFrame
    raw_columns: tuple[str, ...]


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


def pseudonymise(
    frame: pl.DataFrame,
    codebook: Codebook,
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
    codebook : Codebook
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
    work = _Worker(codebook, key, date_policy, exported_on, shared_clinicians)
    patient = next(h for h, c in codebook.columns.items() if c.field == "patient")
    safe = frame.with_columns(work.by_value(frame, patient, "patient"))
    for header, column in codebook.columns.items():
        if column.field == "clinician":
            safe = safe.with_columns(work.by_value(safe, header, "clinician"))
        elif column.field == "visit_date":
            safe = work.with_offsets(safe, patient, header)
        elif column.field in {"visit", "episode"}:
            safe = work.within_patient(safe, patient, header, column.field)
        elif column.field == "age_years":
            safe = safe.with_columns(_without_great_ages(safe[header]))
    raw_columns = tuple(safe.columns)
    for record in codebook.records:
        safe = work.with_keys(safe, patient, record)
    return Pseudonymised(safe, raw_columns)


def _without_great_ages(ages: pl.Series) -> pl.Series:
    """Replace ages over 89 by 90, also in what is kept as raw."""
    values = ages.unique().to_list()
    read = [read_whole(value.strip().removesuffix("+")) for value in values]
    new = [
        str(OLDEST) if isinstance(age, int) and OLDEST < age <= OLDEST_BELIEVED else value
        for age, value in zip(read, values, strict=True)
    ]
    return ages.replace_strict(values, new, return_dtype=pl.String)


@dataclass(frozen=True)
class _Worker:
    codebook: Codebook
    key: PseudonymKey
    date_policy: DatePolicy
    exported_on: date
    shared_clinicians: bool

    def by_value(self, frame: pl.DataFrame, header: str, kind: str) -> pl.Series:
        missing = self.codebook.missing_in(header)
        values = frame[header].unique().to_list()
        new = ["" if v.strip() in missing else self.number_of(kind, v.strip()) for v in values]
        return frame[header].replace_strict(values, new, return_dtype=pl.String)

    def within_patient(
        self, frame: pl.DataFrame, patient: str, header: str, kind: str
    ) -> pl.DataFrame:
        missing = self.codebook.missing_in(header)
        pairs = frame.select(patient, header).unique()
        new = [
            "" if not p or v.strip() in missing else self.part_of(kind, p, v.strip())
            for p, v in pairs.iter_rows()
        ]
        return self._mapped(frame, pairs, new, (patient, header), header)

    def with_offsets(self, frame: pl.DataFrame, patient: str, header: str) -> pl.DataFrame:
        pairs = frame.select(patient, header).unique()
        texts = {text: self._day(header, text) for text in pairs[header].unique()}
        index = {
            p: index_day(self.key, self.codebook.clinic, p) for p in pairs[patient].unique() if p
        }
        new = [self._offset(index.get(p), texts[text]) for p, text in pairs.iter_rows()]
        return self._mapped(frame, pairs, new, (patient, header), header)

    def _day(self, header: str, text: str) -> tuple[int, str] | str:
        """Read a date once per distinct text: its ordinal and period, or why there is none."""
        if text.strip() in self.codebook.missing_in(header):
            return ""
        column = self.codebook.columns[header]
        found = read_date(text, date_format=str(column.date_format), latest=self.exported_on)
        if isinstance(found, Quarantine):
            return f"!{found}|{mask(text)}"
        kept = "%Y" if self.date_policy is DatePolicy.STRICT else "%Y-%m"
        return found.toordinal(), found.strftime(kept)

    @staticmethod
    def _offset(index: int | None, day: tuple[int, str] | str) -> str:
        if isinstance(day, str):
            return day
        # Without a patient there is no index date, but then the record has no key anyway.
        return "" if index is None else f"{day[0] - index}|{day[1]}"

    def with_keys(self, frame: pl.DataFrame, patient: str, record: Record) -> pl.DataFrame:
        """Add the visit, episode and clinician that a record takes from a constant or a date."""
        sources = self.codebook.sources(record)
        for field in ("visit", "episode", "clinician"):
            constant = record.set.get(field)
            if field == "episode" and field not in sources and constant is None:
                constant = SINGLE_EPISODE
            if constant is not None:
                frame = self._constant(frame, patient, field, str(constant))
        if "visit" not in sources and "visit" not in record.set and "visit_date" in sources:
            frame = self._visit_of_day(frame, patient, sources["visit_date"])
        return frame

    def _constant(
        self, frame: pl.DataFrame, patient: str, field: str, constant: str
    ) -> pl.DataFrame:
        name = key_column(field, constant)
        if name in frame.columns:
            return frame
        people = frame.select(patient).unique()
        new = [self.part_of(field, p, constant) if p else "" for p in people[patient]]
        return self._mapped(frame, people, new, (patient,), name)

    def _visit_of_day(self, frame: pl.DataFrame, patient: str, header: str) -> pl.DataFrame:
        name = key_column("visit", header)
        if name in frame.columns:
            return frame
        pairs = frame.select(patient, header).unique()
        new = [
            self.part_of("visit", p, day.partition("|")[0]) if p and day and day[0] != "!" else ""
            for p, day in pairs.iter_rows()
        ]
        return self._mapped(frame, pairs, new, (patient, header), name)

    def part_of(self, kind: str, patient: str, text: str) -> str:
        if kind == "clinician":
            return self.number_of(kind, text)
        return pseudonym(self.key, kind, self.codebook.clinic, patient, text)

    def number_of(self, kind: str, text: str) -> str:
        """Give the pseudonym of a person; clinicians may be numbered across the network."""
        is_shared = kind == "clinician" and self.shared_clinicians
        return pseudonym(self.key, kind, "" if is_shared else self.codebook.clinic, text)

    @staticmethod
    def _mapped(
        frame: pl.DataFrame, old: pl.DataFrame, new: list[str], on: tuple[str, ...], name: str
    ) -> pl.DataFrame:
        table = old.with_columns(pl.Series("\x1fnew", new, dtype=pl.String))
        joined = frame.join(table, on=list(on), how="left", maintain_order="left")
        return joined.with_columns(pl.col("\x1fnew").alias(name)).drop("\x1fnew")
