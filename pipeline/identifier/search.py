"""Search an export for identifiers: the columns by their headers, then each distinct value once.

Where a column holds person, visit or episode numbers, those are what it is for, and they are replaced
by keyed hashes; but a name, an address of any kind, a hyphenated social security number or a national
number must not come. A check digit proves nothing on one number: a national number is found in such a
column where nearly all values of its shape hold, and so many that chance cannot explain them.
"""

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.coded import code_text
from pipeline.identifier import contact, day, free_text, name, number, place
from pipeline.identifier.header import is_zip_header, promised_identifiers
from pipeline.identifier.masking import mask
from pipeline.identifier.pattern import Pattern
from pipeline.reading.reading import RECORD
from schemas.column import Column
from schemas.field import BOOLEAN_FIELDS, IDENTIFIER_FIELDS, POINTER, ROW_KIND, list_of
from schemas.layout import Layout

LEAST_SHARE = 0.9
"""Of the values of a scheme's shape, the share that has to hold: a few are always mistyped."""
LARGEST_CHANCE = 1e-5
"""Chance at most that arbitrary numbers would hold as often; five of them with a check digit mod 11."""
LARGEST_SAMPLE = 20_000
"""Distinct values of person numbers whose shape is looked at; evenly spaced where there are more."""
MOST_CHECKED = 1_000
"""Values of one shape whose check digit is computed."""

_NUMBER = r"^[+−-]?\d{1,6}([.,]\d{1,20})?$"
_PERSON_NUMBER = r"^[A-Za-z]{0,3}[-_ ]?[0-9]+([-_/.][0-9]+)?$"
"""Most person and visit numbers: nothing but a check digit can tell whose numbers they are. A telephone
number of two groups ("0935-0216524") looks so too and passes here; it becomes a keyed hash."""
_PERSONS = ("patient", "clinician")
_NUMBERED = (*IDENTIFIER_FIELDS, POINTER)
"""Fields whose values are replaced by keyed hashes."""


@dataclass(frozen=True)
class Finding:
    """Identifiers of one class found in one column.

    Attributes
    ----------
    column : str
        Header.
    what : str
        Identifier, in words.
    n_values : int
        Distinct values that match; 0 where the header alone is the reason.
    record : int
        First record that holds one; 0 for the header.
    masked : str
        The first value with its letters and digits masked.
    safe_harbor : str
        Letter of its class in 45 CFR 164.514(b)(2)(i).
    """

    column: str
    what: str
    n_values: int
    record: int
    masked: str
    safe_harbor: str


def find_identifiers(
    frame: pl.DataFrame, layout: Layout, named: Mapping[str, Collection[str]] | None = None
) -> Iterator[Finding]:
    """Search the declared columns for identifiers.

    Parameters
    ----------
    frame : polars.DataFrame, shape (n_records, n_declared + 1)
        Text columns by header, and ``source_record``.
    layout : Layout
        Says what each column is meant to hold.
    named : mapping of str to collection of str, or None
        Header to values that conditions of the codebook name, beside those of the layout's records:
        like declared codes, they are no names and no free text.

    Yields
    ------
    Finding
        One for each column and kind of identifier.
    """
    for header, column in layout.columns.items():
        values = _distinct(frame[header], layout.missing_in(header))
        yield from _by_header(header, column, values, frame)
        known = {*column.codes, *column.not_tested, *_conditions(layout, header)}
        known |= set((named or {}).get(header, ()))
        found: dict[tuple[str, str], list[pl.Series]] = {}
        for pattern, hits in search_values(values, known, column):
            found.setdefault((pattern.what, pattern.safe_harbor), []).append(hits)
        for (what, letter), parts in found.items():
            yield _finding(frame, header, (what, letter), pl.concat(parts).unique())


def search_values(
    values: pl.Series, known: Collection[str], column: Column
) -> Iterator[tuple[Pattern, pl.Series]]:
    """Search the distinct values of one column.

    Parameters
    ----------
    values : polars.Series, shape (n_values,)
        Distinct texts without spaces around them, none of them a marker of a missing value.
    known : collection of str
        Values that the codebook names; they are searched for contacts alone.
    column : Column
        What the column is meant to hold.

    Yields
    ------
    tuple of Pattern and polars.Series
        Each pattern with the values that it finds and none before it has found.
    """
    if column.field in _NUMBERED:
        national = list(_national_numbers(values))
        yield from national
        seen = pl.concat([hits for _, hits in national]) if national else values.clear()
        left = values.filter(~values.str.contains(_PERSON_NUMBER) & ~values.is_in(seen.implode()))
        patterns = (*number.UNMISTAKABLE, *_person_patterns(column.field))
    else:
        left = values.filter(~values.str.contains(_NUMBER))
        patterns = _patterns(column)
    for pattern, hits in _each(left, contact.UNMISTAKABLE):
        yield pattern, hits
        left = left.filter(~left.is_in(hits.implode()))
    yield from _each(left.filter(~left.is_in(sorted(known))), patterns)


def _by_header(
    header: str, column: Column, values: pl.Series, frame: pl.DataFrame
) -> Iterator[Finding]:
    """Judge the header; of ZIP codes, three digits may stay where many people live behind them."""
    promises = promised_identifiers(header, column.field)
    if is_zip_header(header):
        is_unsafe = [place.unsafe_zip(text) for text in values]
        unsafe = values.filter(pl.Series(is_unsafe, dtype=pl.Boolean))
        promises = tuple(p for p in promises if p.safe_harbor != "B")
        if unsafe.len():
            yield _finding(
                frame,
                header,
                ("a ZIP code of more than three digits or of a small area", "B"),
                unsafe,
            )
    for promise in promises:
        yield Finding(header, promise.what, 0, 0, "", promise.safe_harbor)


def _patterns(column: Column) -> tuple[Pattern, ...]:
    """List the patterns of a column of codes, numbers or dates, the telling ones first."""
    words = (name.FULL_NAME, name.MARKED_NAME)
    if column.field == "visit_date":
        return words
    pairs = contact.FOUR_PAIRS if _holds_codes(column.field) else contact.FOUR_PAIRS_AT_ODDS
    ages = () if column.field == "age_years" else (day.GREAT_AGE,)
    numbers = (*number.UNMISTAKABLE, *day.DAYS, day.COMPACT_DAY, *number.SCHEMES)
    telephones = (*contact.NATIONAL_GROUPS, pairs)
    return (
        *numbers,
        *telephones,
        *ages,
        *place.PLACES,
        *number.LONG_NUMBERS,
        *words,
        free_text.FREE_TEXT,
    )


def _holds_codes(field: str) -> bool:
    return field == ROW_KIND or field in BOOLEAN_FIELDS or list_of(field) is not None


def _person_patterns(field: str) -> tuple[Pattern, ...]:
    """List what must not stand in a column of person, visit or episode numbers."""
    found = (*place.PLACES[:5], day.GREAT_AGE, name.FULL_NAME)
    if field in _PERSONS:
        return (*found, *day.DAYS, name.SINGLE_NAME)
    return found


def _distinct(texts: pl.Series, missing: frozenset[str]) -> pl.Series:
    """List the distinct values of a column."""
    values = code_text(texts).texts.drop_nulls().str.strip_chars()
    return values.filter(~values.is_in(sorted(missing)))


def _conditions(layout: Layout, header: str) -> set[str]:
    """List the values that tell kinds of rows apart."""
    conditions = [record.when for record in layout.records] + list(layout.out_of_scope)
    return {value for when in conditions for value in when.get(header, ())}


def _each(values: pl.Series, patterns: tuple[Pattern, ...]) -> Iterator[tuple[Pattern, pl.Series]]:
    """Search for one pattern after the other (an alternation of them all is far slower).

    What one has found the next ones leave alone.
    """
    for pattern in patterns:
        hits = values.filter(values.str.contains(pattern.regex)) if values.len() else values
        if pattern.holds is not None:
            hits = _spaced(hits, LARGEST_SAMPLE)
            hits = hits.filter(pl.Series([pattern.holds(text) for text in hits], dtype=pl.Boolean))
        if hits.len():
            yield pattern, hits
            values = values.filter(~values.is_in(hits.implode()))


def _national_numbers(values: pl.Series) -> Iterator[tuple[Pattern, pl.Series]]:
    """Find national numbers among person numbers: nearly all of one shape hold, and not by chance."""
    sample = _spaced(values, LARGEST_SAMPLE)
    for scheme in number.SCHEMES:
        shaped = sample.filter(sample.str.contains(scheme.regex))
        if not shaped.len() or scheme.holds is None:
            continue
        checked = _spaced(shaped, MOST_CHECKED)
        n_held = sum(map(scheme.holds, checked))
        by_chance = scheme.chance**n_held
        if n_held >= LEAST_SHARE * checked.len() and by_chance <= LARGEST_CHANCE:
            yield scheme, values.filter(values.str.contains(scheme.regex))


def _spaced(values: pl.Series, n_most: int) -> pl.Series:
    """Take evenly spaced values where there are too many."""
    return values if values.len() <= n_most else values.gather_every(-(-values.len() // n_most))


def _finding(frame: pl.DataFrame, header: str, what: tuple[str, str], hits: pl.Series) -> Finding:
    where = frame.filter(
        pl.col(header).cast(pl.String).str.strip_chars().is_in(hits.implode())
    ).row(0, named=True)
    return Finding(header, what[0], hits.len(), int(where[RECORD]), mask(where[header]), what[1])
