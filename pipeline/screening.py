"""Screen for identifiers: nothing is stored before an export has passed it.

First defence: a column that the codebook does not declare is refused. Second: every distinct value of
the declared columns is searched for the 18 classes of the Safe Harbor rule (45 CFR 164.514(b)(2)(i)), and
a header that promises one is refused however it is declared. Free text cannot be searched safely, so a
column of it has to be ignored.
"""

import re

import polars as pl

from pipeline.coded import frame_as_coded
from pipeline.identifier.masking import mask
from pipeline.identifier.search import Finding, find_identifiers
from pipeline.reading.reading import LINE, RECORD, PartText, Reading
from schemas.codebook import Codebook
from schemas.errors import CodebookError, DeliveryError, nearest_names
from schemas.layout import Layout

_SHOWN = 8
_LONGEST = 80


def screen(reading: Reading, codebook: Codebook) -> dict[str, pl.DataFrame]:
    """Pass an export on only if every column is declared and no identifier is found.

    Parameters
    ----------
    reading : Reading
        The export as text.
    codebook : Codebook
        Its codebook.

    Returns
    -------
    dict of str to polars.DataFrame
        The declared columns of each part, ``RECORD`` and ``LINE``; columns ignored on purpose are gone.

    Raises
    ------
    DeliveryError
        If a column is not declared, or an identifier is found. Nothing has been stored then.
    """
    frames: dict[str, pl.DataFrame] = {}
    findings: list[str] = []
    named = _named_values(codebook)
    for name, layout in codebook.alone.items():
        text = reading.parts[name]
        _check_columns(text, layout, codebook)
        frames[name] = frame_as_coded(text.frame.select(*layout.columns, RECORD, LINE))
        where = "" if len(reading.parts) == 1 else f"{text.place}: "
        found = find_identifiers(frames[name], layout, named)
        findings += [where + _words(finding) for finding in found]
    if findings:
        more = f"; and {len(findings) - _SHOWN} more" if len(findings) > _SHOWN else ""
        raise DeliveryError(
            reading.name,
            "the screen for identifiers stopped this export, and nothing was stored: "
            f"{'; '.join(findings[:_SHOWN])}{more}",
            "Remove the identifiers at the source, or list the column under “ignore” in the codebook, "
            "and send the export again.",
        )
    return frames


def _named_values(codebook: Codebook) -> dict[str, set[str]]:
    """List the values that conditions of the codebook name, by header."""
    named: dict[str, set[str]] = {}
    for layout in codebook.layouts.values():
        conditions = (*(record.when for record in layout.records), *layout.out_of_scope)
        for condition in conditions:
            for header, values in condition.items():
                named.setdefault(header, set()).update(values)
    return named


def _words(finding: Finding) -> str:
    if finding.record == 0:
        return f"column “{finding.column}” is named like {finding.what}"
    number = "1 value" if finding.n_values == 1 else f"{finding.n_values} values"
    return (
        f"column “{finding.column}” holds {finding.what} in {number} "
        f"(first in record {finding.record}, like “{finding.masked}”)"
    )


def _check_columns(text: PartText, layout: Layout, codebook: Codebook) -> None:
    headers = [header for header in text.frame.columns if header not in {RECORD, LINE}]
    undeclared = [h for h in headers if h not in layout.columns and h not in layout.ignore]
    if undeclared and not set(headers) & set(layout.columns):
        raise DeliveryError(
            text.place,
            "none of the columns that the codebook declares is in the header; nothing was stored",
            "Export with a header row, say in header_row where it stands, or use the codebook of this "
            "layout.",
        )
    if undeclared:
        shown = ", ".join(f"“{_shown_header(header)}”" for header in undeclared[:_SHOWN])
        more = f" and {len(undeclared) - _SHOWN} more" if len(undeclared) > _SHOWN else ""
        raise DeliveryError(
            text.place,
            f"the codebook does not declare the column {shown}{more}; nothing was stored",
            "Declare what the column holds, or list it under “ignore” with the reason.",
        )
    for header in layout.columns:
        if header not in headers:
            raise CodebookError(
                f"{codebook.clinic}/{codebook.codebook}, column “{header}”",
                f"{text.place} has no such column; {nearest_names(header, headers)}",
                "Correct the name in the codebook, or export with this column.",
            )


def _shown_header(header: str) -> str:
    """Mask a header that may be a cell: a row of the records where the header should be."""
    return mask(header) if re.search(r"\d{3}|@|\d[./-]\d", header) else header[:_LONGEST]
