"""The names of columns: each has one, and none stands twice."""

from collections.abc import Sequence

from pipeline.reading.reading import LINE, RECORD
from schemas.errors import DeliveryError

MOST_COLUMNS = 10_000
"""More columns are a mistake of the delimiter or of the export. Common practice, no source."""

_SHOWN = 5


def check_header(header: Sequence[str], place: str) -> list[str]:
    """Check the names of columns.

    Parameters
    ----------
    header : sequence of str
        As they stand in the export.
    place : str
        File and line, for messages.

    Returns
    -------
    list of str
        The names without spaces around them.

    Raises
    ------
    DeliveryError
        If there are too many, or one is blank, stands twice or is kept for the reader's own columns.
    """
    if len(header) > MOST_COLUMNS:
        raise DeliveryError(
            place,
            f"there are {len(header)} columns, more than {MOST_COLUMNS}",
            "Check the delimiter in the codebook, and that this is the export meant.",
        )
    names = [title.strip() for title in header]
    blank = [str(at) for at, name in enumerate(names, start=1) if not name]
    if blank:
        raise DeliveryError(
            place,
            f"column {_some(blank)} has no name",
            "Give every column a name, or remove empty columns at the source.",
        )
    _refuse_double(names, place)
    taken = [name for name in names if name in {RECORD, LINE}]
    if taken:
        raise DeliveryError(
            place,
            f"the name {taken[0]} is kept for the number of the row and of its line",
            "Give that column another name at the source.",
        )
    return names


def _refuse_double(names: list[str], place: str) -> None:
    at: dict[str, list[str]] = {}
    for position, name in enumerate(names, start=1):
        at.setdefault(name, []).append(str(position))
    double = [f"{name} (columns {_some(found)})" for name, found in at.items() if len(found) > 1]
    if double:
        raise DeliveryError(
            place,
            f"the name {_some(double)} stands over more than one column",
            "Give every column a name of its own.",
        )


def _some(found: list[str]) -> str:
    more = f" and {len(found) - _SHOWN} more" if len(found) > _SHOWN else ""
    return ", ".join(found[:_SHOWN]) + more
