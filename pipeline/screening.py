"""Screen for identifiers: nothing is stored before an export has passed it.

First defence: a column that the codebook does not declare is refused. Second: every distinct value
of the declared columns is searched for e-mail addresses, telephone numbers, web and network
addresses, social security numbers, dates outside date columns and names in columns of person
numbers; headers that promise a name, an address or a date of birth are refused however they are
declared. The classes are those of the Safe Harbor rule (45 CFR 164.514(b)(2)) that a pattern can
find; free text cannot be searched safely, so a column of it has to be ignored.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

import polars as pl

from pipeline.reading.delimited import RECORD, Reading
from schemas.codebook import Codebook, Column
from schemas.errors import CodebookError, DeliveryError, nearest_names
from schemas.field import IDENTIFIER_FIELDS

_EMAIL = r"[\w.+-]+@[\w-]+\.\w+"
_WEB = r"(?i)\b(https?://|www\.)\S+"
_NETWORK = r"\b(\d{1,3}\.){3}\d{1,3}\b"
_SOCIAL = r"^\d{3}-\d{2}-\d{4}$"
_DATE = r"\b(\d{1,2}[./-]\d{1,2}[./-]\d{2,4}|\d{4}[./-]\d{1,2}[./-]\d{1,2})\b"
_PHONE = r"^\s*(\+\d[\d\s()/.-]{6,}\d|\(?0\d{1,5}\)?[\s/-][\d\s/-]{4,}\d|\(?\d{3}\)?[\s.-]\d{3}[\s.-]\d{4})\s*$"
_NAME = r"^\s*\p{L}[\p{L}'’-]+[,\s]+\p{L}[\p{L}'’.-]*(\s+\p{L}[\p{L}'’-]+)?\s*$|^\s*\p{Lu}\p{Ll}{2,}\s*$|^\s*\p{L}{4,}\s*$"

_EVERYWHERE = {
    "an e-mail address": _EMAIL,
    "a web address": _WEB,
    "a network address": _NETWORK,
    "a social security number": _SOCIAL,
    "a telephone number": _PHONE,
}
_DIGITS = r"^\s*0\d{8,14}\s*$"
"""A telephone number without a break; person and visit numbers may look so as well."""

_PERSON_FIELDS = ("patient", "clinician")

_HEADERS = {
    "a date of birth": re.compile(
        r"(?i)(^|[^a-z])(dob|birth ?da(y|te)|date ?of ?birth|geb(urts)?[._ ]?(dat|tag)\w*|naissance|nacimiento)"
    ),
    "a name": re.compile(
        r"(?i)(^|[^a-z])(first|last|full|sur|family|patient|vor|nach|familien)[ _.-]?name|^(name|prenom|prénom|nom|apellido)s?$"
    ),
    "an address or telephone": re.compile(
        r"(?i)(^|[^a-z])(e-?mail|phone|telefon|mobile|handy|fax|street|strasse|straße|address|adresse|postcode|zip ?code|plz)"
    ),
}
_SHOWN = 8


@dataclass(frozen=True)
class Finding:
    """Identifiers of one class found in one column.

    Attributes
    ----------
    column : str
        Header.
    what : str
        Class of identifier.
    n_values : int
        Distinct values that match; 0 where the header alone is the reason.
    record : int
        First record that holds one; 0 for the header.
    masked : str
        The first value with its letters and digits masked.
    """

    column: str
    what: str
    n_values: int
    record: int
    masked: str


def mask(text: str) -> str:
    """Show the shape of a value and not the value.

    Parameters
    ----------
    text : str
        A value that may identify someone.

    Returns
    -------
    str
        Letters as ``x``, digits as ``9``, at most 40 characters.

    Examples
    --------
    >>> mask("a.b@example.org")
    'x.x@xxxxxxx.xxx'
    """
    shape = re.sub(r"[^\W\d_]", "x", re.sub(r"\d", "9", text.strip()))
    return shape if len(shape) <= 40 else shape[:39] + "…"


def screen(reading: Reading, codebook: Codebook) -> pl.DataFrame:
    """Pass an export on only if every column is declared and no identifier is found.

    Parameters
    ----------
    reading : Reading
        The export as text.
    codebook : Codebook
        Its codebook.

    Returns
    -------
    polars.DataFrame, shape (n_records, n_declared + 1)
        The declared columns and ``source_record``; columns ignored on purpose are gone.

    Raises
    ------
    CodebookError
        If a declared column is missing from the export.
    DeliveryError
        If a column is not declared, or an identifier is found. Nothing has been stored then.
    """
    _check_columns(reading, codebook)
    frame = reading.frame.select(*codebook.columns, RECORD)
    findings = list(find_identifiers(frame, codebook))
    if findings:
        shown = "; ".join(_words(finding) for finding in findings[:_SHOWN])
        more = f"; and {len(findings) - _SHOWN} more" if len(findings) > _SHOWN else ""
        raise DeliveryError(
            reading.name,
            f"the screen for identifiers stopped this export, and nothing was stored: {shown}{more}",
            "Remove the identifiers at the source, or list the column under “ignore” in the codebook, "
            "and send the export again.",
        )
    return frame


def find_identifiers(frame: pl.DataFrame, codebook: Codebook) -> Iterator[Finding]:
    """Search the declared columns for identifiers.

    Parameters
    ----------
    frame : polars.DataFrame
        Text columns by header, and ``source_record``.
    codebook : Codebook
        Says what each column is meant to hold.

    Yields
    ------
    Finding
        One for each column and class.
    """
    for header, column in codebook.columns.items():
        for what, pattern in _HEADERS.items():
            if pattern.search(header):
                yield Finding(header, what, 0, 0, "")
        values = frame[header].unique()
        for what, regex in _patterns(column).items():
            found = values.filter(values.str.contains(regex))
            if found.len():
                where = frame.filter(pl.col(header).is_in(found.implode()))[RECORD]
                first = frame[header][int(where[0]) - 1]
                yield Finding(header, what, found.len(), int(where[0]), mask(first))


def _patterns(column: Column) -> dict[str, str]:
    patterns = dict(_EVERYWHERE)
    if column.field == "visit_date":
        del patterns["a telephone number"]  # a date with spaces would look like one
    else:
        patterns["a date outside a date column"] = _DATE
    if column.field not in IDENTIFIER_FIELDS:
        patterns["a telephone number without a break"] = _DIGITS
    if column.field in _PERSON_FIELDS:
        patterns["a person's name"] = _NAME
    return patterns


def _words(finding: Finding) -> str:
    if finding.record == 0:
        return f"column “{finding.column}” is named like {finding.what}"
    number = "1 value" if finding.n_values == 1 else f"{finding.n_values} values"
    return (
        f"column “{finding.column}” holds {finding.what} in {number} "
        f"(first in record {finding.record}, like “{finding.masked}”)"
    )


def _check_columns(reading: Reading, codebook: Codebook) -> None:
    headers = [header for header in reading.frame.columns if header != RECORD]
    undeclared = [h for h in headers if h not in codebook.columns and h not in codebook.ignore]
    if undeclared:
        raise DeliveryError(
            f"{reading.name}, line 1",
            f"the codebook does not declare the column {', '.join(f'“{h}”' for h in undeclared)}; "
            "nothing was stored",
            "Declare what the column holds, or list it under “ignore” with the reason.",
        )
    for header in codebook.columns:
        if header not in headers:
            raise CodebookError(
                f"{codebook.clinic}/{codebook.codebook}, column “{header}”",
                f"{reading.name} has no such column; {nearest_names(header, headers)}",
                "Correct the name in the codebook, or export with this column.",
            )
