"""What may be said of a result, by rule: findings, headings, verdicts and cautions in words."""

from pipeline.cell import Cell
from pipeline.summary import Comparison, ContrastResult, Summary
from reports.number import SMALLEST_BASE, is_shown, limits, number, quantity
from reports.phrase import capital, clinics_words, in_words, isolated
from reports.wording_en import COMPARED, OUTCOME_NAME, QUESTION, TEXT

MOST_WORDS = 25
"""Of one sentence of the findings."""

_SIZES = (
    (0.07, "less than a tenth of"),
    (0.15, "about a tenth of"),
    (0.22, "about a fifth of"),
    (0.29, "about a quarter of"),
    (0.42, "about a third of"),
    (0.58, "about half of"),
    (0.71, "about two thirds of"),
    (0.90, "about four fifths of"),
    (1.10, "about as large as"),
)
"""Upper bound of a ratio, and words for it."""


def findings(summary: Summary) -> tuple[str, str, str]:
    """Write the three sentences that a report opens with.

    Parameters
    ----------
    summary : Summary
        What the report says.

    Returns
    -------
    tuple of str
        What was compared, what was found with its uncertainty, what the records can't tell; each
        of at most 25 words.
    """
    main = summary.comparisons[0]
    return _compared(summary, main), _found(main), _cannot_tell(summary)


def heading(comparison: Comparison) -> str:
    """Write the heading of a comparison: its result where the verdict allows, else its question.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        The heading.
    """
    contrast = comparison.primary
    if contrast is None or contrast.verdict.word in {"unsure", "none"}:
        return question(comparison)
    first, second = _names(comparison, contrast)
    if contrast.verdict.word == "alike":
        return capital(f"{first} and {second} were alike{_within(comparison)}")
    motion = f" of {isolated(comparison.motion)}" if comparison.outcome == "gain" else ""
    return capital(_went_with(comparison, contrast, first, second, motion))


def question(comparison: Comparison) -> str:
    """Write the question of a comparison.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        The question.
    """
    return QUESTION[comparison.question, comparison.outcome].format(
        motion=isolated(comparison.motion)
    )


def verdict_words(comparison: Comparison, contrast: ContrastResult) -> str:
    """Write the verdict on a contrast for a table.

    Parameters
    ----------
    comparison : Comparison
        The comparison it belongs to.
    contrast : ContrastResult
        The contrast.

    Returns
    -------
    str
        A few words.
    """
    word = contrast.verdict.word
    if word == "none":
        return TEXT["withheld"] if contrast.cell.status == "c" else TEXT["not_estimable"]
    if word == "unsure":
        return "can't tell"
    if word == "alike":
        return f"alike{_within(comparison)}"
    if comparison.outcome == "pain":
        return "pain fell by more" if _is_less(contrast) else "pain fell by less"
    return f"{word} gain"


def primary_sentence(comparison: Comparison) -> str:
    """Write what was found for the primary contrast, with its interval.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        One sentence.
    """
    contrast = comparison.primary
    if (
        contrast is None
        or contrast.verdict.word in {"unsure", "none"}
        or not is_shown(contrast.cell)
    ):
        return _found_candidates(comparison)[0]
    first, second = _names(comparison, contrast)
    return TEXT["difference"].format(first=capital(first), second=second, size=_size(contrast.cell))


def against_error(comparison: Comparison) -> str:
    """Set the primary contrast against the measurement error of one patient.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        One sentence; empty where there is no number to set against it.
    """
    contrast, error = comparison.primary, comparison.minimal_detectable_change
    if contrast is None or contrast.cell.value is None or not is_shown(contrast.cell):
        return ""
    if comparison.outcome == "pain":
        return TEXT["no_error_pain"]
    if error is None or error.value is None:
        return TEXT["no_error"]
    ratio = abs(contrast.cell.value) / error.value
    size = next((words for bound, words in _SIZES if ratio <= bound), "larger than")
    return TEXT["against_error"].format(
        size=size, mdc=quantity(error.value, error.unit), source=isolated(error.note)
    )


def pretest_sentence(comparison: Comparison) -> str:
    """Say whether the three ways of handling the pretest agree.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        One sentence.
    """
    primary = TEXT[f"pretest_{comparison.primary_pretest}"]
    return TEXT["agree" if comparison.pretest_agrees else "disagree"].format(primary=primary)


def cautions(summary: Summary, comparison: Comparison) -> tuple[str, ...]:
    """Write the cautions that stand at a comparison's figure.

    Parameters
    ----------
    summary : Summary
        The report, for the limits that apply.
    comparison : Comparison
        The comparison.

    Returns
    -------
    tuple of str
        Sentences.
    """
    said = []
    if "not_assigned" in summary.limits:
        said.append(TEXT["caution_choice"])
    elif "between_people_only" in summary.limits:
        said.append(TEXT["caution_people"])
    else:
        said.append(TEXT["caution_plain"])
    if comparison.question in {"grade", "bias"}:
        said.append(TEXT[f"caution_{comparison.question}"])
    return tuple(said)


def outcome_name(comparison: Comparison) -> str:
    """Name the outcome of a comparison.

    Parameters
    ----------
    comparison : Comparison
        The comparison.

    Returns
    -------
    str
        Such as "gain of internal rotation".
    """
    return OUTCOME_NAME[comparison.outcome].format(motion=isolated(comparison.motion))


def share_words(cell: Cell) -> str:
    """Write a share with its base.

    Parameters
    ----------
    cell : Cell
        A share between 0 and 1.

    Returns
    -------
    str
        Per cent; empty where there is none to show.
    """
    if cell.value is None or not is_shown(cell):
        return ""
    if cell.n_patients is not None and cell.n_patients < SMALLEST_BASE:
        return ""
    return quantity(cell.value, "share")


def _first_that_fits(candidates: tuple[str, ...]) -> str:
    """Take the fullest sentence within the limit, or the shortest of all."""
    return next((c for c in candidates if len(c.split()) <= MOST_WORDS), candidates[-1])


def _compared(summary: Summary, main: Comparison) -> str:
    n_levels = in_words(len(main.levels)) if main.levels else "the planned"
    what = COMPARED[main.question].format(n_levels=n_levels)
    counts = [
        quantity(cell.value, cell.unit)
        for unit in ("pairs", "patients")
        for cell in [c for c in main.fit if c.unit == unit][:1]
        if cell.value is not None and is_shown(cell)
    ]
    base = " of ".join(counts) if len(counts) == 2 else "the records"
    clinics = clinics_words(len(summary.clinics))
    if main.outcome == "pain":
        return _first_that_fits(
            (f"{what} for change of pain, in {base} from {clinics}.", f"{what} for change of pain.")
        )
    motion = isolated(main.motion)
    return _first_that_fits(
        (
            f"{what} for gain of {motion}, in {base.replace('pairs', 'matched test pairs')} from {clinics}.",
            f"{what} for gain of {motion}, in {base} from {clinics}.",
            f"{what} for gain of range, in {base} from {clinics}.",
        )
    )


def _found(main: Comparison) -> str:
    return _first_that_fits(_found_candidates(main))


def _found_candidates(comparison: Comparison) -> tuple[str, ...]:
    """Write the finding, from the fullest to the plain one."""
    contrast = comparison.primary
    if contrast is None:
        return (
            "The records were too few, or not suited, to estimate the difference that was asked for.",
        )
    first, second = _names(comparison, contrast)
    cell, word = contrast.cell, contrast.verdict.word
    if word == "none" or cell.value is None or not is_shown(cell):
        reason = (
            "is withheld for confidentiality" if cell.status == "c" else "could not be estimated"
        )
        return (f"The difference between {first} and {second} {reason}.",)
    outcome = "fall in pain" if comparison.outcome == "pain" else "gain"
    if word == "unsure":
        interval = _limits_with_unit(cell)
        names = f"{capital(first)} or {second}"
        fitting = f"differences from {interval} fit them"
        return (
            f"{names}: the records can't tell which {outcome} was larger; {fitting}.",
            f"The records can't tell which {outcome} was larger; {fitting}.",
        )
    size = _size(cell)
    if word == "alike":
        said = f"{capital(first)} and {second} were alike{_within(comparison)}: difference {size}"
    else:
        said = f"{capital(_went_with(comparison, contrast, first, second))}: {size}"
    return (*(f"{said}; {addition}." for addition in _additions(comparison)), f"{said}.")


def _additions(comparison: Comparison) -> tuple[str, ...]:
    """Say what a reader has to know of a finding before anything else."""
    if not comparison.pretest_agrees:
        return ("this depends on how the pretest is handled",)
    error = comparison.minimal_detectable_change
    if error is None or error.value is None or comparison.outcome == "pain":
        return ()
    return (f"measurement error in one patient: {quantity(error.value, error.unit)}",)


def _size(cell: Cell) -> str:
    """Write a difference with its interval, for a sentence."""
    if cell.value is None:
        return ""
    return f"{quantity(cell.value, cell.unit)} (95\u00a0% confidence interval {limits(cell.low, cell.high, cell.unit)})"


def _limits_with_unit(cell: Cell) -> str:
    if cell.low is None or cell.high is None:
        return quantity(cell.value or 0.0, cell.unit)
    low = number(cell.low, cell.unit) + ("°" if cell.unit == "deg" else "")
    return f"{low} to {quantity(cell.high, cell.unit)}"


def _went_with(
    comparison: Comparison, contrast: ContrastResult, first: str, second: str, motion: str = ""
) -> str:
    if comparison.outcome == "pain":
        return f"{first} went with a {'larger' if _is_less(contrast) else 'smaller'} fall in pain than {second}"
    return f"{first} went with {contrast.verdict.word} gains{motion} than {second}"


def _is_less(contrast: ContrastResult) -> bool:
    """Pain fell by more with the first level: its change lies lower."""
    return contrast.cell.value is not None and contrast.cell.value < 0


def _names(comparison: Comparison, contrast: ContrastResult) -> tuple[str, str]:
    """Name the two levels so that they can stand in a sentence."""
    first, second = isolated(contrast.first), isolated(contrast.second)
    if comparison.question != "bias":
        return first, second
    return tuple(label if "bias" in label else f"{label} bias" for label in (first, second))  # type: ignore[return-value]  # of two


def _within(comparison: Comparison) -> str:
    smallest = comparison.smallest_worthwhile
    if smallest is None or smallest.value is None:
        return ""
    return f" within ±{quantity(smallest.value, smallest.unit)}"


def _cannot_tell(summary: Summary) -> str:
    share = share_words(summary.retests.rows[-1].share_full) if summary.retests.rows else ""
    retested = (
        f", and {share} of treated sides were fully retested"
        if share and "retests_missing" in summary.limits
        else ""
    )
    if "not_assigned" in summary.limits:
        return f"Clinicians chose the treatments{retested}: these records can't tell what another choice would have brought."
    if "between_people_only" in summary.limits:
        return f"Different people had the treatments{retested}: these records can't tell people and treatments fully apart."
    if "one_clinic" in summary.limits:
        return f"All records are from one clinic{retested}: they can't tell what other clinics would find."
    return f"These records are associations{retested}: they can't tell what another choice would have brought."
