"""Machine-readable results: every number of a report under the name that it is shown by."""

import json
from dataclasses import asdict

from pipeline.cell import Cell
from pipeline.imprint import Imprint
from pipeline.summary import Summary, cells_of
from reports.number import COUNT_UNITS, is_shown

_WORDS = ("label", "unit", "status", "note")


def results_json(summary: Summary, imprint: Imprint) -> bytes:
    """Write all cells of a summary as canonical JSON.

    Parameters
    ----------
    summary : Summary
        What the report says.
    imprint : Imprint
        What the version says of itself.

    Returns
    -------
    bytes
        Sorted keys, UTF-8, no NaN.

    Raises
    ------
    ValueError
        If two different cells have one name, or a number is not finite: a fault of the program.
    """
    cells: dict[str, dict[str, object]] = {}
    for cell in cells_of(summary):
        facts = published_facts(cell)
        if cells.setdefault(cell.name, facts) != facts:
            raise ValueError(f"two different cells are named {cell.name}")
    content = {
        "report": summary.report,
        "identifier": imprint.identifier,
        "date": summary.date,
        "clinics": list(summary.clinics),
        "smallest_count": summary.smallest_count,
        "cells": cells,
    }
    text = json.dumps(content, sort_keys=True, ensure_ascii=False, allow_nan=False, indent=1)
    return (text + "\n").encode()


def published_facts(cell: Cell) -> dict[str, object]:
    """Give what is published of a cell.

    Parameters
    ----------
    cell : Cell
        The cell.

    Returns
    -------
    dict of str to object
        Its fields without the empty ones; words alone where a marker stands for its numbers.
    """
    known = {key: fact for key, fact in asdict(cell).items() if key != "name" and fact is not None}
    if not is_shown(cell):
        return {key: known[key] for key in _WORDS}
    return {key: _whole(fact, cell) if key == "value" else fact for key, fact in known.items()}


def _whole(value: float, cell: Cell) -> float:
    """Write a count without a point."""
    return int(value) if cell.unit in COUNT_UNITS and float(value).is_integer() else value
