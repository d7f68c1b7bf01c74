"""The errors a user can cause, each with its place, its problem and its remedy.

Nothing else is raised for a user's mistake. The command line turns the family into one message and
exit code 2; any other exception is a fault of the program and keeps its traceback.
"""

import difflib
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(eq=False)
class ArcgainError(Exception):
    """A user's mistake: where it is, what is wrong and what to do.

    Attributes
    ----------
    place : str
        File, record, column or command that the message is about.
    problem : str
        What is wrong there, with the value found (masked where it may identify someone).
    remedy : str
        What to do, in words a clinic can act on.
    """

    place: str
    problem: str
    remedy: str

    def __post_init__(self) -> None:
        # All fields go to Exception.args, so that the error survives pickling between workers.
        super().__init__(self.place, self.problem, self.remedy)

    def __str__(self) -> str:
        return f"{self.place}: {self.problem}\nRemedy: {self.remedy}"


class SettingsError(ArcgainError):
    """The workspace or its ``network.yaml`` cannot be used."""


class CodebookError(ArcgainError):
    """A codebook is not valid, or does not fit the export it is meant for."""


class DeliveryError(ArcgainError):
    """A clinic's export cannot be taken in."""


class PlanError(ArcgainError):
    """An analysis plan is not valid, or asks for what the records cannot give."""


class ModelError(ArcgainError):
    """The records cannot carry a model."""


class ConvergenceError(ModelError):
    """A fit did not converge; it is never published."""


class StoreError(ArcgainError):
    """The store is damaged, or an operation on it is refused."""


class DisclosureError(ArcgainError):
    """Publishing would disclose what has to stay withheld."""


def nearest_names(name: str, known: Iterable[str], most: int = 3) -> str:
    """Say which known names come nearest to a name that was not found.

    Parameters
    ----------
    name : str
        The name that was not found.
    known : Iterable of str
        Names that exist.
    most : int
        At most so many are named.

    Returns
    -------
    str
        For a message: ``nearest: a, b``, or the known names where none is near.

    Examples
    --------
    >>> nearest_names("angel", ["angle_deg", "angle", "side"])
    'nearest: angle'
    >>> nearest_names("age", ["age_years", "side"])
    'nearest: age_years'
    """
    names = sorted(set(known))
    parts = [known_name for known_name in names if name in known_name.split("_")]
    close = difflib.get_close_matches(name, names, n=most, cutoff=0.6)
    near = list(dict.fromkeys([*parts, *close]))[:most]
    if near:
        return "nearest: " + ", ".join(near)
    shown = ", ".join(names[:12]) + (", …" if len(names) > 12 else "")
    return f"known: {shown}" if names else "none is known"
