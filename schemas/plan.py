"""An analysis plan: the questions asked, decided before the numbers are seen."""

from datetime import date
from enum import StrEnum
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from schemas.errors import nearest_names
from schemas.vocabulary import ROTATION_BIAS, code_list


class Question(StrEnum):
    """A ready-made analysis."""

    TECHNIQUE = "technique"  # which technique went with more range?
    BIAS = "bias"  # does a rotation bias go with more range at the second step?
    GRADE = "grade"  # do III-IV go with more range, and I-II with more pain relief?


class PairKind(StrEnum):
    """Which two tests make a pair; never mixed in one estimate."""

    WITHIN_VISIT = "within_visit"  # before the first bout, after the last
    STEPWISE = "stepwise"  # around one bout
    COURSE = "course"  # first and last test of an episode


class Assignment(StrEnum):
    """How patients came to their treatment."""

    CLINICIAN = "clinician"  # the clinician chose, as in routine records
    RANDOM = "random"
    NOT_STATED = "not_stated"


class Pretest(StrEnum):
    """Which of the three contrasts for the pretest is the primary one."""

    ADJUSTED = "adjusted"
    UNADJUSTED = "unadjusted"
    CORRECTED = "corrected"  # adjusted for the pretest corrected for measurement error


COVARIATES = {
    "side": "side",
    "definition": "test definition",
    "instrument": "instrument",
    "purpose": "purpose of the grade",
    "bias_relation": "rotation bias",
    "condition": "condition",
    "end_feel": "pretest end feel",
    "activity": "activity",
    "sex": "sex",
    "age_years": "age",
    "duration_weeks": "duration of the complaint",
    "pain_before": "pretest pain",
    "total_seconds": "total seconds of treatment",
    "visit_number": "number of the visit",
}
"""What a gain may be adjusted for beside pretest and clinic: column of the pairs, and words."""

NUMERIC_COVARIATES = ("age_years", "duration_weeks", "pain_before", "total_seconds", "visit_number")
"""Covariates that are numbers: centred on their mean. The others are categories."""


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Contrast(_Part):
    """A difference between two levels, ``first`` minus ``second``."""

    first: str
    second: str


class MeasurementError(_Part):
    """Measurement error of one test definition with one instrument.

    Attributes
    ----------
    definition, instrument : str
        The test it holds for.
    sem_deg : float
        Standard error of measurement of one reading, in degrees.
    conditions : {"same_session", "between_days"}
        Under which it was found; the two are never mixed.
    source : str
        Where it was published, or how it was estimated.
    """

    definition: str
    instrument: str
    sem_deg: float = Field(gt=0)
    conditions: str = Field(pattern="^(same_session|between_days)$")
    source: str = Field(min_length=1)


class Worthwhile(_Part):
    """Smallest difference between groups that would matter, with who set it.

    Attributes
    ----------
    degrees : float
        In degrees of range.
    source : str
        Who set it, or where it was published.
    """

    degrees: float = Field(gt=0)
    source: str = Field(min_length=1)


BIAS_LEVELS = ("neutral", "congruent_held", "congruent_combined", "opposed")
PURPOSE_LEVELS = ("pain", "range")


class Analysis(_Part):
    """One question on one motion.

    Attributes
    ----------
    question : Question
        What is asked.
    motion : str
        Motion whose gain is the outcome.
    pair : PairKind
        Kind of pair; the bias question always uses the stepwise pairs.
    levels : tuple of str
        Techniques compared, in the order shown; for the other questions the levels are given.
    primary : Contrast or None
        The one primary contrast; for bias (congruent - neutral) and grade (range - pain) it is given.
    covariates : tuple of str
        Adjusted for, beside the pretest and (with several clinics) the clinic.
    pretest : Pretest
        Which contrast for the pretest is primary.
    """

    question: Question
    motion: str
    pair: PairKind = PairKind.WITHIN_VISIT
    levels: tuple[str, ...] = ()
    primary: Contrast | None = None
    covariates: tuple[str, ...] = ()
    pretest: Pretest = Pretest.ADJUSTED

    @model_validator(mode="after")
    def _names_exist(self) -> Self:
        _known(self.motion, code_list("motion"), "a motion")
        for covariate in self.covariates:
            _known(covariate, COVARIATES, "a covariate")
        for level in self.levels:
            _known(level, code_list("technique"), "a technique")
        return self

    @model_validator(mode="after")
    def _question_is_complete(self) -> Self:
        if self.question is Question.TECHNIQUE:
            if len(self.levels) < 2 or self.primary is None:
                raise ValueError(
                    "the technique question needs two or more levels and a primary contrast"
                )
            for level in (self.primary.first, self.primary.second):
                _known(level, self.levels, "one of the levels")
        elif self.levels or self.primary:
            raise ValueError(
                f"the {self.question} question has its levels and primary contrast given"
            )
        if self.question is Question.BIAS and self.motion not in ROTATION_BIAS:
            raise ValueError(
                "a rotation bias has a relation to internal or external rotation alone"
            )
        return self


def _known(name: str, names: object, what: str) -> None:
    known = tuple(names)  # type: ignore[arg-type, var-annotated]  # any container of names
    if name not in known:
        raise ValueError(f"“{name}” is not {what}; {nearest_names(name, known)}")


class Plan(_Part):
    """Analysis plan of one report.

    Attributes
    ----------
    report : str
        Name of the report; versions are published under it.
    version : int
        Raised with every change of the plan.
    date : datetime.date
        Date of the version that is published: the day up to which records were taken in.
    title : str
        Title of the report.
    population : str
        Whose records these are, in words.
    invented : bool
        True for invented records; the report says so at its top.
    assignment : Assignment
        How patients came to their treatment; the report's cautions depend on it.
    clinics : tuple of str
        Clinics that are analysed; empty for all.
    joint : str
        Joint that is analysed.
    smallest_count : int
        No published number rests on fewer patients.
    smallest_worthwhile : Worthwhile or None
        Needed before a verdict can be "alike".
    measurement_error : tuple of MeasurementError
        Measurement error for each test, with its source.
    analyses : tuple of Analysis
        The questions, the main one first.
    seed : int
        Of anything drawn at random.
    """

    report: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$")
    version: int = Field(ge=1)
    date: date
    title: str = Field(min_length=1, max_length=200)
    population: str = Field(min_length=1, max_length=300)
    invented: bool = False
    assignment: Assignment = Assignment.CLINICIAN
    clinics: tuple[str, ...] = ()
    joint: str = "hip"
    smallest_count: int = Field(default=11, ge=1)
    smallest_worthwhile: Worthwhile | None = None
    measurement_error: tuple[MeasurementError, ...] = ()
    analyses: tuple[Analysis, ...] = Field(min_length=1)
    seed: int = Field(default=1, ge=0)

    @model_validator(mode="after")
    def _tests_exist(self) -> Self:
        _known(self.joint, code_list("joint"), "a joint")
        for error in self.measurement_error:
            _known(error.definition, code_list("test_definition"), "a test definition")
        return self
