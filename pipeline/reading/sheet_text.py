"""The cells of a sheet as text: the stored values, in one way of writing for each kind."""

from collections.abc import Callable, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any

import polars as pl

from pipeline.reading.cell_text import FALSE, TRUE, duration_text, number_text


def column_text(cells: Sequence[Any]) -> pl.Series:
    """Write the cells of a column.

    Parameters
    ----------
    cells : sequence, shape (n_rows,)
        Text, numbers, true or false, days, moments, times and durations.

    Returns
    -------
    polars.Series, shape (n_rows,)
        Text: a whole number without a decimal point, ``TRUE`` and ``FALSE``, a day as
        ``YYYY-MM-DD``, a moment with the time behind it, a time as ``HH:MM:SS``, a duration in hours
        such as ``36:00:00``.
    """
    kinds = set(map(type, cells))
    if kinds <= {str}:
        return pl.Series(cells, dtype=pl.String)
    if kinds == {float}:
        return number_text(pl.Series(cells, dtype=pl.Float64))
    text: list[str] = list(cells)
    for kind in kinds - {str}:
        places = [at for at, cell in enumerate(cells) if type(cell) is kind]
        for at, written in zip(places, _written(kind, [cells[at] for at in places]), strict=True):
            text[at] = written
    return pl.Series(text, dtype=pl.String)


def _written(kind: type, cells: list[Any]) -> list[str]:
    if kind is float:
        numbers: list[str] = number_text(pl.Series(cells, dtype=pl.Float64)).to_list()
        return numbers
    return [_WRITERS.get(kind, str)(cell) for cell in cells]


def _moment(moment: datetime) -> str:
    return str(moment.date()) if moment.time() == time() else f"{moment.date()} {moment.time()}"


_WRITERS: dict[type, Callable[[Any], str]] = {
    bool: lambda cell: TRUE if cell else FALSE,
    date: date.isoformat,
    datetime: _moment,
    time: time.isoformat,
    timedelta: duration_text,
}
