"""What may be said of a contrast, decided by rule from its interval."""

from pipeline.cell import Cell
from pipeline.summary import ContrastResult, Verdict


def judge(cell: Cell, worthwhile: float | None, *, is_simultaneous: bool) -> Verdict:
    """Choose the word for a contrast.

    Parameters
    ----------
    cell : Cell
        The contrast, first level minus second.
    worthwhile : float or None
        Smallest worthwhile difference in the cell's unit; without one nothing is "alike".
    is_simultaneous : bool
        True to decide by the simultaneous interval.

    Returns
    -------
    Verdict
        ``larger`` or ``smaller`` where the interval excludes zero, ``alike`` where it lies inside
        plus or minus the smallest worthwhile difference, else ``unsure``; ``none`` without an
        interval. A difference that is surely there and surely small is ``larger`` or ``smaller``.
    """
    low = cell.simultaneous_low if is_simultaneous else cell.low
    high = cell.simultaneous_high if is_simultaneous else cell.high
    if low is None or high is None:
        return Verdict("none", is_simultaneous)
    if low > 0 or high < 0:
        word = "larger" if low > 0 else "smaller"
    elif worthwhile is not None and -worthwhile < low and high < worthwhile:
        word = "alike"
    else:
        word = "unsure"
    return Verdict(word, is_simultaneous)


def agree(contrasts: tuple[ContrastResult, ...]) -> bool:
    """Say whether estimates of one contrast tell the same.

    Parameters
    ----------
    contrasts : tuple of ContrastResult
        The contrast, estimated in several ways; those without an estimate do not count.

    Returns
    -------
    bool
        True where their words and their signs are the same.
    """
    known = [c for c in contrasts if c.cell.value is not None]
    words = {c.verdict.word for c in known}
    signs = {(c.cell.value or 0) > 0 for c in known}
    return len(words) <= 1 and len(signs) <= 1
