"""The cell: one published number with what it rests on. Everything published is made of cells."""

from dataclasses import dataclass

WITHHELD = "c"
"""Withheld for confidentiality."""
NOT_RECORDED = "x"
NOT_APPLICABLE = "z"
UNRELIABLE = "u"
NOT_ESTIMABLE = "n"
"""Not estimable; the cell's note gives the reason."""


@dataclass(frozen=True)
class Cell:
    """One published number, with its uncertainty and its base.

    Attributes
    ----------
    name : str
        Dotted name, unique in a report: the name under which ``results.json`` holds it.
    label : str
        Words for it.
    unit : str
        ``deg``, ``points`` (of pain 0-10), ``patients``, ``pairs``, ``tests``, ``sides``, ``facts``,
        ``share`` (0 to 1), ``years``, ``weeks`` or empty.
    value : float or None
        The number; None where ``status`` says why.
    n_patients : int or None
        Patients that it rests on; None where no patient stands behind it. Not published itself
        where the cell is withheld.
    low, high : float or None
        Limits of the 95 % interval.
    simultaneous_low, simultaneous_high : float or None
        Limits of the interval that holds for all contrasts of a family at once.
    standard_error, degrees_of_freedom, p_value, adjusted_p_value, sd : float or None
        As the names say; ``sd`` belongs to a mean.
    n_pairs : int or None
        Pairs that it rests on.
    base : int or None
        Denominator of a share.
    status : str
        Empty, or one of the markers c, x, z, u, n.
    note : str
        Why there is no number, or what to know of it.
    """

    name: str
    label: str
    unit: str
    value: float | None
    n_patients: int | None
    low: float | None = None
    high: float | None = None
    simultaneous_low: float | None = None
    simultaneous_high: float | None = None
    standard_error: float | None = None
    degrees_of_freedom: float | None = None
    p_value: float | None = None
    adjusted_p_value: float | None = None
    sd: float | None = None
    n_pairs: int | None = None
    base: int | None = None
    status: str = ""
    note: str = ""
