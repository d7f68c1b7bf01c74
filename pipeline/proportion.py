"""Proportions with Wilson's score interval."""

from statsmodels.stats.proportion import proportion_confint


def wilson_interval(count: int, base: int) -> tuple[float, float]:
    """Give the 95 % interval of a proportion.

    Parameters
    ----------
    count : int
        How many have it.
    base : int
        Out of how many; at least 1.

    Returns
    -------
    tuple of float
        Lower and upper limit, inside 0 to 1.

    References
    ----------
    Wilson EB (1927). Probable inference. J. Am. Stat. Assoc. 22:209-212.

    Examples
    --------
    >>> [round(limit, 4) for limit in wilson_interval(81, 263)]
    [0.2553, 0.3662]
    """
    low, high = proportion_confint(count, base, alpha=0.05, method="wilson")
    return max(0.0, float(low)), min(1.0, float(high))
