"""What a question compares: its levels in order, its contrasts and the finer cells, with words."""

from dataclasses import dataclass, replace

import polars as pl

from schemas.plan import BIAS_LEVELS, PURPOSE_LEVELS, Analysis, Question
from schemas.vocabulary import code_list, label_of

BIAS_LABELS = {
    "neutral": "neutral",
    "congruent_held": "congruent, held",
    "congruent_combined": "congruent, combined",
    "opposed": "opposed",
    "not_recorded": "bias not recorded",
}
PURPOSE_LABELS = {"pain": "grades I–II, for pain", "range": "grades III–IV, for range"}

SIDES: dict[str, tuple[str, ...]] = {
    "congruent bias": ("congruent_held", "congruent_combined"),
    "congruent bias combined": ("congruent_combined",),
    "congruent bias held": ("congruent_held",),
    "opposed bias": ("opposed",),
    "no bias": ("neutral",),
    "grades III–IV": ("range",),
    "grades I–II": ("pain",),
}
"""Levels behind a side of a contrast whose words are not those of one level."""


@dataclass(frozen=True)
class ContrastPlan:
    """A difference to be estimated.

    Attributes
    ----------
    name : str
        For the cell.
    first, second : tuple of str
        Codes of the levels on each side; the mean of several counts them equally.
    first_label, second_label : str
        Words.
    """

    name: str
    first: tuple[str, ...]
    second: tuple[str, ...]
    first_label: str
    second_label: str


@dataclass(frozen=True)
class Compared:
    """Levels and contrasts of one comparison.

    Attributes
    ----------
    name : str
        Dotted name.
    outcome : {"gain", "pain"}
        The outcome.
    question : Question
        The question.
    labels : dict of str to str
        Codes of all levels of the plan, in order, with words.
    present : tuple of str
        Codes of the levels that have pairs, in order.
    primary : ContrastPlan
        The primary contrast.
    family : tuple of ContrastPlan
        All others.
    """

    name: str
    outcome: str
    question: Question
    labels: dict[str, str]
    present: tuple[str, ...]
    primary: ContrastPlan
    family: tuple[ContrastPlan, ...]

    def with_cells(self, pairs: pl.DataFrame) -> pl.DataFrame:
        """Keep the pairs that belong to a finer cell, and name it in ``cell``.

        Parameters
        ----------
        pairs : polars.DataFrame
            Selected pairs.

        Returns
        -------
        polars.DataFrame
            For techniques by bias, for grades by single grade; empty where there is nothing finer.
        """
        if self.question is Question.TECHNIQUE:
            kept = pairs.filter(pl.col("bias").is_in(list(BIAS_LABELS)))
            if kept["bias"].n_unique() < 2:
                return kept.clear().with_columns(pl.lit("").alias("cell"))
            return kept.with_columns((pl.col("level") + "." + pl.col("bias")).alias("cell"))
        if self.question is Question.GRADE:
            single = pl.col("grade").is_in(["I", "II", "III", "IV"])
            return pairs.filter(single).with_columns(
                (pl.col("level") + "." + pl.col("grade")).alias("cell")
            )
        return pairs.clear().with_columns(pl.lit("").alias("cell"))

    def cell_order(self, pairs: pl.DataFrame) -> tuple[str, ...]:
        """Give the codes of the cells that have pairs, in the plan's order.

        Parameters
        ----------
        pairs : polars.DataFrame
            As ``with_cells`` gives them.

        Returns
        -------
        tuple of str
            Codes.
        """
        present = set(pairs["cell"].unique().to_list())
        inner = (
            list(BIAS_LABELS) if self.question is Question.TECHNIQUE else ["I", "II", "III", "IV"]
        )
        wanted = [f"{level}.{code}" for level in self.labels for code in inner]
        return tuple(code for code in wanted if code in present)

    def cell_labels(self, code: str) -> tuple[str, str]:
        """Give the words of a cell.

        Parameters
        ----------
        code : str
            Code of the cell.

        Returns
        -------
        tuple of str
            Its group and its own label.
        """
        level, _, inner = code.partition(".")
        own = BIAS_LABELS[inner] if self.question is Question.TECHNIQUE else f"grade {inner}"
        return self.labels[level], own


def compared_levels(pairs: pl.DataFrame, analysis: Analysis, outcome: str) -> Compared:
    """Say what a question compares in some pairs.

    Parameters
    ----------
    pairs : polars.DataFrame
        Selected pairs with ``level``.
    analysis : Analysis
        The question.
    outcome : {"gain", "pain"}
        The outcome.

    Returns
    -------
    Compared
        Levels and contrasts; those of levels without pairs are left out of the family.
    """
    labels = _level_labels(analysis)
    found = set(pairs["level"].unique().to_list())
    present = tuple(code for code in labels if code in found)
    contrasts = _CONTRASTS[analysis.question](analysis, labels, present)
    known = [c for c in contrasts[1:] if set(c.first + c.second) <= found]
    return Compared(
        name=f"{analysis.question}.{analysis.motion}.{outcome}",
        outcome=outcome,
        question=analysis.question,
        labels=labels,
        present=present,
        primary=contrasts[0],
        family=tuple(known),
    )


def _level_labels(analysis: Analysis) -> dict[str, str]:
    if analysis.question is Question.TECHNIQUE:
        order = [*analysis.levels] or list(code_list("technique"))
        return {code: label_of("technique", code) for code in order}
    if analysis.question is Question.BIAS:
        return {code: BIAS_LABELS[code] for code in BIAS_LEVELS}
    return {code: PURPOSE_LABELS[code] for code in PURPOSE_LEVELS}


def _technique_contrasts(
    analysis: Analysis, labels: dict[str, str], present: tuple[str, ...]
) -> list[ContrastPlan]:
    del present
    first, second = (
        ("", "") if analysis.primary is None else (analysis.primary.first, analysis.primary.second)
    )
    codes = list(labels)
    others = [
        (a, b)
        for place, a in enumerate(codes)
        for b in codes[place + 1 :]
        if {a, b} != {first, second}
    ]
    return [
        ContrastPlan(f"{a}-{b}", (a,), (b,), labels[a], labels[b])
        for a, b in [(first, second), *others]
    ]


def _bias_contrasts(
    analysis: Analysis, labels: dict[str, str], present: tuple[str, ...]
) -> list[ContrastPlan]:
    del analysis, labels
    congruent = tuple(code for code in SIDES["congruent bias"] if code in present)
    return [
        replace(
            _of_sides("congruent-neutral", "congruent bias", "no bias"),
            first=congruent or SIDES["congruent bias held"],
        ),
        _of_sides("combined-held", "congruent bias combined", "congruent bias held"),
        _of_sides("opposed-neutral", "opposed bias", "no bias"),
    ]


def _grade_contrasts(
    analysis: Analysis, labels: dict[str, str], present: tuple[str, ...]
) -> list[ContrastPlan]:
    del analysis, labels, present
    return [_of_sides("range-pain", "grades III–IV", "grades I–II")]


def _of_sides(name: str, first: str, second: str) -> ContrastPlan:
    return ContrastPlan(name, SIDES[first], SIDES[second], first, second)


_CONTRASTS = {
    Question.TECHNIQUE: _technique_contrasts,
    Question.BIAS: _bias_contrasts,
    Question.GRADE: _grade_contrasts,
}
