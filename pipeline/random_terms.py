"""Which random terms some pairs can carry, and why others are left out.

Gains of one patient, one hip, one visit, one clinician and one clinic are alike, and a technique may do
more in one clinic than in another. Leaving such a term out makes intervals too narrow; a term that the
records can't tell from another makes the fit meaningless. So the pairs decide, by these rules, before
anything is fitted. Clinics are counted and never named.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.cohort import PATIENT
from pipeline.mixed_model.basis import orthonormal_basis
from pipeline.mixed_model.description import RandomTerm
from pipeline.mixed_model.group_code import Codes, codes_of
from pipeline.mixed_model.sufficient_statistics import Statistics
from schemas.errors import ModelError
from schemas.vocabulary import NOT_RECORDED

FEWEST_CLINICS = 5
"""With fewer clinics each has a fixed mean: a variance between them is hardly known; common practice, no
source."""

ENOUGH_CLINICS = 10
"""With fewer clinics nothing is said on how far clinics in general differ; common practice, no source."""

ABSORBED = 1e-8
"""A term of which the fixed part leaves a smaller share can't be told apart from it."""

BY: dict[str, tuple[str, ...]] = {
    "patient": tuple(PATIENT),
    "hip": (*PATIENT, "side"),
    "visit": (*PATIENT, "side", "visit"),
    "clinician": ("clinician",),
    "clinic": ("clinic",),
    "level_by_clinic": ("clinic", "level"),
}
"""Columns that name the groups of each term, in the order in which terms are shown."""

_PRECEDENCE = ("clinic", "hip", "visit", "clinician", "level_by_clinic")
"""Of two terms that divide the pairs alike the later one is left out; the patient comes before all."""

WORDS = {
    "patient": "patient",
    "hip": "hip of a patient",
    "visit": "visit of a hip",
    "clinician": "clinician",
    "clinic": "clinic",
    "level_by_clinic": "{level} by clinic",
}
"""Words of each term; ``{level}`` is what is compared."""


@dataclass(frozen=True)
class RandomTerms:
    """The random terms of a model, and those left out.

    Attributes
    ----------
    names : tuple of str
        Names of the terms, of ``BY``; the patient first.
    left_out : tuple of (str, str)
        Name and reason of each term that was thought of and left out.
    n_clinics : int
        Clinics behind the pairs.
    """

    names: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]
    n_clinics: int

    @property
    def terms(self) -> tuple[RandomTerm, ...]:
        """The terms as the engine takes them."""
        return tuple(RandomTerm(by=BY[name]) for name in self.names)

    @property
    def has_fixed_clinics(self) -> bool:
        """True where there are several clinics, too few for a variance between them."""
        return 1 < self.n_clinics < FEWEST_CLINICS

    def with_term(self, name: str) -> "RandomTerms":
        """Take one more term.

        Parameters
        ----------
        name : str
            The term.

        Returns
        -------
        RandomTerms
            All of them, in the order of ``BY``.
        """
        names = tuple(other for other in BY if other in {*self.names, name})
        return RandomTerms(names, self.left_out, self.n_clinics)

    def without(self, name: str, reason: str) -> "RandomTerms":
        """Leave one more term out.

        Parameters
        ----------
        name : str
            The term.
        reason : str
            Why.

        Returns
        -------
        RandomTerms
            The others.
        """
        kept = tuple(other for other in self.names if other != name)
        return RandomTerms(kept, (*self.left_out, (name, reason)), self.n_clinics)


def with_groups(pairs: pl.DataFrame) -> pl.DataFrame:
    """Give each clinic a group for clinicians that were not recorded.

    Parameters
    ----------
    pairs : polars.DataFrame
        Pairs with ``clinic`` and ``clinician``. A clinician's pseudonym is the clinic's own, unless the
        network numbers clinicians across clinics.

    Returns
    -------
    polars.DataFrame
        The same pairs.
    """
    is_known = pl.col("clinician").is_not_null() & (pl.col("clinician") != NOT_RECORDED)
    other = pl.concat_str(pl.lit(NOT_RECORDED), "clinic", separator=" ")
    return pairs.with_columns(
        pl.when(is_known).then("clinician").otherwise(other).alias("clinician")
    )


def random_terms(pairs: pl.DataFrame) -> RandomTerms:
    """Choose the random terms that some pairs can carry.

    Parameters
    ----------
    pairs : polars.DataFrame, shape (n, …)
        Pairs of ``with_groups``, with the columns of ``BY``.

    Returns
    -------
    RandomTerms
        The patient always; every other term where its groups have several pairs and divide them
        otherwise than the terms before it.

    Raises
    ------
    ModelError
        If no patient has more than one pair, or there is one patient only.
    """
    codes = {name: codes_of(pairs.select(by)) for name, by in BY.items()}
    n_groups = {name: int(found.max()) + 1 for name, found in codes.items()}
    _check_patients(n_groups["patient"], pairs.height)
    chosen = RandomTerms(("patient",), (), n_groups["clinic"])
    for name in _PRECEDENCE:
        reason = _own_reason(name, n_groups, pairs)
        if reason is None:
            reason = _same_as(name, chosen, codes, n_groups)
        if reason is None:
            chosen = chosen.with_term(name)
        elif reason:
            chosen = chosen.without(name, reason)
    return chosen


def absorbed(statistics: Statistics, random: RandomTerms) -> str | None:
    """Find a term whose groups the fixed part tells apart wholly.

    Its variance would have nothing to be estimated from: the criterion is the same for all values.

    Parameters
    ----------
    statistics : Statistics
        Sums of the model's rows.
    random : RandomTerms
        Its random terms.

    Returns
    -------
    str or None
        Name of the first such term, the patient left aside.

    Raises
    ------
    ModelError
        If the outcome does not vary, or the fixed part fits it without remainder.
    """
    basis = orthonormal_basis(statistics)
    columns = statistics.sums[0] - np.outer(statistics.sums[0][:, 0], basis.origins)
    fitted = columns @ basis.transform[:, : len(basis.kept)]
    for name in random.names[1:]:
        groups = statistics.groups.select(BY[name])
        if groups.n_unique() > len(basis.kept):
            continue  # more groups than terms: something is left of them
        codes = codes_of(groups)
        sums = np.zeros((int(codes.max()) + 1, fitted.shape[1]))
        np.add.at(sums, codes, fitted)
        # trace(Z'Z) is the number of rows, trace(Z'PZ) the square of Z'Q.
        if 1.0 - float((sums**2).sum()) / statistics.n_rows < ABSORBED:
            return name
    return None


def _check_patients(n_patients: int, n_pairs: int) -> None:
    """Refuse pairs that can't tell patients from pairs.

    Raises
    ------
    ModelError
        If there is one patient, or no patient with two pairs.
    """
    if n_patients < 2:
        raise ModelError(
            "mixed model",
            "there are not two patients",
            "Widen the records or the plan's clinics until more patients have pairs.",
        )
    if n_patients == n_pairs:
        raise ModelError(
            "mixed model",
            "no patient has more than one pair, so that the variance between patients and the "
            "variance within can't be told apart",
            "Wait for further pairs of the same patients, such as the other side or a later visit.",
        )


def _own_reason(name: str, n_groups: dict[str, int], pairs: pl.DataFrame) -> str | None:
    """Say why a term is left out for its own sake; empty where it is not worth a word."""
    reason = None
    if "clinic" in BY[name] and "patient" not in BY[name]:
        reason = _clinic_reason(name, n_groups["clinic"], pairs)
    elif name == "clinician":
        reason = _clinician_reason(n_groups[name], pairs)
    if reason is None and n_groups[name] >= pairs.height:
        is_said = name == "visit" and n_groups["hip"] >= pairs.height
        reason = "" if is_said else "one pair for each"
    return reason


def _clinic_reason(name: str, n_clinics: int, pairs: pl.DataFrame) -> str | None:
    if n_clinics < 2:
        return ""
    if n_clinics < FEWEST_CLINICS:  # that they are fixed instead is said elsewhere
        return "" if name == "clinic" else "fewer than five clinics"
    if name == "level_by_clinic" and _clinics_with_several(pairs) < 2:
        return "fewer than two clinics use several"
    return None


def _clinician_reason(n_clinicians: int, pairs: pl.DataFrame) -> str | None:
    if pairs["clinician"].str.starts_with(f"{NOT_RECORDED} ").all():
        return "not recorded"
    return "the same in all pairs" if n_clinicians < 2 else None


def _clinics_with_several(pairs: pl.DataFrame) -> int:
    levels = pairs.group_by("clinic").agg(pl.col("level").n_unique() > 1)
    return int(levels["level"].sum())


def _same_as(
    name: str, chosen: RandomTerms, codes: dict[str, Codes], n_groups: dict[str, int]
) -> str | None:
    """Say which earlier term divides the pairs alike; a fixed clinic counts as well."""
    clinics = ("clinic",) if chosen.has_fixed_clinics else ()
    for other in (*chosen.names, *clinics):
        both = int(np.unique(codes[name] * n_groups[other] + codes[other]).size)
        if both == n_groups[name] == n_groups[other]:
            return f"one for each {other.replace('_', ' ')}"
    return None
