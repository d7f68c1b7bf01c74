"""Standardised differences between two groups, for Table 1.

References
----------
Austin PC (2009). Balance diagnostics for comparing the distribution of baseline covariates between
treatment groups. Stat. Med. 28:3083-3107. A category is compared as the proportion that it is.
"""

from math import sqrt


def standardised_difference_of_means(
    mean: float, sd: float, other_mean: float, other_sd: float
) -> float | None:
    """Compare two means.

    Parameters
    ----------
    mean, sd : float
        Of the first group.
    other_mean, other_sd : float
        Of the second.

    Returns
    -------
    float or None
        Difference in units of the root mean square of the two standard deviations; None where
        neither group varies.

    Examples
    --------
    >>> round(standardised_difference_of_means(52, 10, 50, 12), 4)
    0.1811
    """
    spread = sqrt((sd**2 + other_sd**2) / 2)
    return None if spread == 0 else (mean - other_mean) / spread


def standardised_difference_of_shares(share: float, other_share: float) -> float | None:
    """Compare two proportions.

    Parameters
    ----------
    share, other_share : float
        Of the first and the second group, 0 to 1.

    Returns
    -------
    float or None
        As for means, with the variance p (1 - p); None where neither group varies.

    Examples
    --------
    >>> round(standardised_difference_of_shares(0.6, 0.5), 4)
    0.202
    """
    return standardised_difference_of_means(
        share, sqrt(share * (1 - share)), other_share, sqrt(other_share * (1 - other_share))
    )
