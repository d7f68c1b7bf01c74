"""How a number is written: decimals by unit, signs, spaces, intervals and markers.

Rounding is half to even, once, from the stored value.
"""

from decimal import ROUND_HALF_EVEN, Decimal

from pipeline.cell import UNRELIABLE, Cell

MINUS = "\N{MINUS SIGN}"
THIN_SPACE = "\N{NARROW NO-BREAK SPACE}"
HARD_SPACE = "\N{NO-BREAK SPACE}"

COUNT_UNITS = frozenset(
    {
        *(
            "patients",
            "pairs",
            "tests",
            "sides",
            "facts",
            "readings",
            "clinics",
            "clinicians",
            "visits",
        ),
    }
)
"""Units of whole numbers."""

SMALLEST_BASE = 20
"""Below so many patients in a base no percentage is written."""

_DECIMALS = {"deg": 1, "points": 1, "years": 1, "weeks": 1}
_GROUPED_FROM = 10_000


def fixed(value: float, decimals: int) -> str:
    """Write a number with fixed decimals, as shown on the page.

    Parameters
    ----------
    value : float
        The number.
    decimals : int
        Digits after the point.

    Returns
    -------
    str
        With U+2212 as minus and thin no-break spaces from 10 000; never a negative zero.

    Examples
    --------
    >>> fixed(0.25, 1), fixed(0.35, 1), fixed(-0.04, 1)
    ('0.2', '0.4', '0.0')
    """
    exact = Decimal(repr(float(value)))
    rounded = exact.quantize(Decimal(1).scaleb(-decimals), rounding=ROUND_HALF_EVEN)
    written = f"{abs(rounded):,f}" if abs(rounded) >= _GROUPED_FROM else f"{abs(rounded):f}"
    return (MINUS if rounded < 0 else "") + written.replace(",", THIN_SPACE)


def number(value: float, unit: str) -> str:
    """Write a number without its unit, in the decimals of the unit.

    Parameters
    ----------
    value : float
        The number; a share is written in per cent.
    unit : str
        Unit of the cell it is from.

    Returns
    -------
    str
        The number as shown.
    """
    if unit == "share":
        return fixed_percent(value, 0)
    if unit in COUNT_UNITS:
        return fixed(value, 0)
    if unit in _DECIMALS:
        return fixed(value, _DECIMALS[unit])
    return fixed(value, 0 if float(value).is_integer() else 2)


def fixed_percent(share: float, decimals: int) -> str:
    """Write a share in per cent, without the sign.

    Parameters
    ----------
    share : float
        Between 0 and 1.
    decimals : int
        Digits after the point.

    Returns
    -------
    str
        Per cent.

    Examples
    --------
    >>> fixed_percent(0.523, 0)
    '52'
    """
    return fixed(float(Decimal(repr(float(share))) * 100), decimals)


def quantity(value: float, unit: str) -> str:
    """Write a number with its unit, for a sentence.

    Parameters
    ----------
    value : float
        The number.
    unit : str
        Unit of the cell it is from.

    Returns
    -------
    str
        Such as ``1.8°`` or ``52 %``.
    """
    written = number(value, unit)
    if unit == "deg":
        return f"{written}°"
    if unit == "share":
        return f"{written}{HARD_SPACE}%"
    if unit in COUNT_UNITS and value == 1:
        unit = unit.removesuffix("s")
    return f"{written}{HARD_SPACE}{unit}" if unit else written


def is_shown(cell: Cell) -> bool:
    """Say whether a cell has a number to show.

    Parameters
    ----------
    cell : Cell
        The cell.

    Returns
    -------
    bool
        False where its marker stands instead of every number of it.
    """
    return cell.status in {"", UNRELIABLE} and cell.value is not None


def marked(cell: Cell, written: str) -> str:
    """Give what is written for a cell, or its marker where there is nothing to write.

    Parameters
    ----------
    cell : Cell
        The cell.
    written : str
        What is written where the cell is shown.

    Returns
    -------
    str
        The text, its marker, or both where the estimate is of low reliability.
    """
    if not is_shown(cell):
        return f"[{cell.status or 'x'}]"
    return f"{written} [{UNRELIABLE}]" if cell.status == UNRELIABLE else written


def plain(cell: Cell) -> str:
    """Write the value of a cell in a table.

    Parameters
    ----------
    cell : Cell
        The cell.

    Returns
    -------
    str
        Number or marker.
    """
    return (
        marked(cell, number(cell.value, cell.unit)) if cell.value is not None else marked(cell, "")
    )


def limits(low: float | None, high: float | None, unit: str) -> str:
    """Write an interval.

    Parameters
    ----------
    low, high : float or None
        Its limits.
    unit : str
        Unit of the limits.

    Returns
    -------
    str
        Such as ``4.6 to 6.1``; empty where there is no interval.
    """
    if low is None or high is None:
        return ""
    return f"{number(low, unit)} to {number(high, unit)}"


def estimate(cell: Cell) -> str:
    """Write a value with its 95 % interval in a table.

    Parameters
    ----------
    cell : Cell
        The cell.

    Returns
    -------
    str
        Such as ``5.4 (4.6 to 6.1)``, or the marker.
    """
    if cell.value is None:
        return marked(cell, "")
    interval = limits(cell.low, cell.high, cell.unit)
    written = number(cell.value, cell.unit)
    return marked(cell, f"{written} ({interval})" if interval else written)


def simultaneous(cell: Cell) -> str:
    """Write the simultaneous interval of a contrast in a table.

    Parameters
    ----------
    cell : Cell
        The contrast.

    Returns
    -------
    str
        The interval or the marker; ``[z]`` for a contrast that belongs to no family.
    """
    interval = limits(cell.simultaneous_low, cell.simultaneous_high, cell.unit)
    return marked(cell, interval or "[z]")


def probability(value: float | None) -> str:
    """Write a p-value.

    Parameters
    ----------
    value : float or None
        Between 0 and 1.

    Returns
    -------
    str
        Three decimals, ``<0.001``, or ``[z]`` where there is none.
    """
    if value is None:
        return "[z]"
    return "<0.001" if value < 0.001 else fixed(value, 3)


def count_of(value: int | None, cell: Cell) -> str:
    """Write what a cell rests on, in a table.

    Parameters
    ----------
    value : int or None
        Number of patients or pairs.
    cell : Cell
        The cell that it is from.

    Returns
    -------
    str
        The number, or the cell's marker.
    """
    return marked(cell, "[z]" if value is None else fixed(value, 0))


def share_of(cell: Cell) -> str:
    """Write a share with its interval in a table, in per cent without the sign.

    Parameters
    ----------
    cell : Cell
        A share.

    Returns
    -------
    str
        The share; ``[u]`` alone where its base is too small for a percentage.
    """
    if is_shown(cell) and cell.n_patients is not None and cell.n_patients < SMALLEST_BASE:
        return f"[{UNRELIABLE}]"
    return estimate(cell)
