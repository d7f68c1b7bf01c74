"""Reason codes: why a fact was quarantined, and why a test gave no gain.

Each code has a label for the report and, where a clinic can mend it, a remedy.
"""

from dataclasses import dataclass
from enum import StrEnum


class Quarantine(StrEnum):
    """Why a fact that was read did not enter the canonical tables."""

    ROW_TORN = "row_torn"
    LINE_UNREADABLE = "line_unreadable"
    MISSING_KEY = "missing_key"
    LOOK_UP_MISSING = "look_up_missing"
    LOOK_UP_AMBIGUOUS = "look_up_ambiguous"
    MISSING_VALUE = "missing_value"
    UNKNOWN_CODE = "unknown_code"
    FORMULA_WITHOUT_VALUE = "formula_without_value"
    NOT_A_NUMBER = "not_a_number"
    WORDS_INSTEAD_OF_NUMBER = "words_instead_of_number"
    CENSORED_OR_BANDED = "censored_or_banded"
    COMPOSITE_UNREADABLE = "composite_unreadable"
    ORDER_UNKNOWABLE = "order_unknowable"
    SIGN_UNKNOWABLE = "sign_unknowable"
    PERCENT_UNCLEAR = "percent_unclear"
    NORM_DIFFERS = "norm_differs"
    COMPONENT_UNDECLARED = "component_undeclared"
    POSITION_DIFFERS = "position_differs"
    ANGLE_IMPOSSIBLE = "angle_impossible"
    PAIN_IMPOSSIBLE = "pain_impossible"
    AGE_IMPOSSIBLE = "age_impossible"
    DURATION_IMPOSSIBLE = "duration_impossible"
    DATE_UNREADABLE = "date_unreadable"
    DATE_IMPOSSIBLE = "date_impossible"
    GRADE_UNREADABLE = "grade_unreadable"
    GRADE_IMPOSSIBLE = "grade_impossible"
    TWO_GRADES = "two_grades"
    DOSE_UNREADABLE = "dose_unreadable"
    DOSE_IMPOSSIBLE = "dose_impossible"
    DOSE_TOTAL_ONLY = "dose_total_only"
    EVENT_IMPOSSIBLE = "event_impossible"
    SIDE_UNKNOWN = "side_unknown"
    CONFLICTING_VALUES = "conflicting_values"
    NO_RECORD = "no_record"


class NoPair(StrEnum):
    """Why a test, or a treated side, gave no matched pair; the first that applies."""

    NO_TREATMENT = "no_treatment"
    NO_PRETEST = "no_pretest"
    NO_RETEST = "no_retest"
    NO_INTERIM = "no_interim"
    OTHER_TEST = "other_test"
    OTHER_SIDE = "other_side"
    OTHER_INSTRUMENT = "other_instrument"
    BEFORE_LAST_BOUT = "before_last_bout"
    PARTLY_RETESTED = "partly_retested"
    DETAIL_MISSING = "detail_missing"
    ORDER_UNKNOWN = "order_unknown"


class NotModelled(StrEnum):
    """Why a matched pair is not among the rows of a model; the first that applies."""

    OTHER_MOTION = "other_motion"
    OUT_OF_SCOPE = "out_of_scope"
    SEVERAL_TECHNIQUES = "several_techniques"
    SEVERAL_PURPOSES = "several_purposes"
    SEVERAL_BIASES = "several_biases"
    NOT_RECORDED = "not_recorded"
    NOT_COMPARED = "not_compared"
    NOT_SECOND_STEP = "not_second_step"
    NOT_ROTATION = "not_rotation"
    OTHER_DOSE = "other_dose"
    LITTLE_PAIN = "little_pain"
    MISSING_COVARIATE = "missing_covariate"


@dataclass(frozen=True)
class ReasonText:
    """Words for one reason code.

    Attributes
    ----------
    label : str
        What happened, for reports and accounts.
    remedy : str
        What the clinic can do; empty where nothing is to be done.
    """

    label: str
    remedy: str = ""


REASON_TEXT: dict[str, ReasonText] = {
    Quarantine.ROW_TORN: ReasonText(
        "a row with more or fewer cells than the header",
        "Look for a line break or a separator inside a cell, put the cell in quotation marks, and "
        "send the row again.",
    ),
    Quarantine.LINE_UNREADABLE: ReasonText(
        "a line that is not a record",
        "Write one complete record on each line, and send the line again.",
    ),
    Quarantine.MISSING_KEY: ReasonText(
        "a key is missing (patient, visit, side, test or event)",
        "Fill in the cell that says whose or which record this is, and send the row again.",
    ),
    Quarantine.LOOK_UP_MISSING: ReasonText(
        "the key of this row is not in the sheet or file that it points to",
        "Add the row that is missing there, or correct the key here, and send both together.",
    ),
    Quarantine.LOOK_UP_AMBIGUOUS: ReasonText(
        "the key of this row stands on several different rows of the sheet or file it points to",
        "Keep one row for each key there, and send both together.",
    ),
    Quarantine.MISSING_VALUE: ReasonText(
        "the value is missing", "Fill in the value, or give the reason why it was not recorded."
    ),
    Quarantine.UNKNOWN_CODE: ReasonText(
        "a code that the codebook does not declare",
        "Add the code to the codebook's list for that column, or correct it in the export.",
    ),
    Quarantine.FORMULA_WITHOUT_VALUE: ReasonText(
        "a formula or an error instead of a value",
        "Mend the formula, or replace it by its value, and send the file again.",
    ),
    Quarantine.NOT_A_NUMBER: ReasonText(
        "not a number", "Write the value as a number, with the decimal mark the codebook states."
    ),
    Quarantine.WORDS_INSTEAD_OF_NUMBER: ReasonText(
        "words where a number belongs",
        "Record the measured number; a word such as “full” cannot be compared with a retest.",
    ),
    Quarantine.CENSORED_OR_BANDED: ReasonText(
        "a limit or a band, not one value",
        "Record the measured number instead of a limit such as “>45” or a band such as “30-35”.",
    ),
    Quarantine.COMPOSITE_UNREADABLE: ReasonText(
        "several values in one cell, not in the notation the codebook declares",
        "Write the values in the declared order and with the declared separator, or use one column for "
        "each; of a neutral-zero triplet one number is 0.",
    ),
    Quarantine.ORDER_UNKNOWABLE: ReasonText(
        "several values in one cell whose order cannot be known",
        "Declare the order of the values in the codebook; only a number that no extension reaches tells "
        "flexion from extension, and rotations are never told apart by size.",
    ),
    Quarantine.SIGN_UNKNOWABLE: ReasonText(
        "a lack of range with a minus sign",
        "Write a lack of range with the minus sign or with the word, not with both; in a column "
        "of lacks write no minus sign.",
    ),
    Quarantine.PERCENT_UNCLEAR: ReasonText(
        "a number of 2 or less that may be a percentage or a share of 1",
        "Write the percent sign in the cell, such as “80 %”.",
    ),
    Quarantine.NORM_DIFFERS: ReasonText(
        "the norm is of another motion than the test",
        "Name the norm of this motion in the codebook, or send the angle in degrees.",
    ),
    Quarantine.COMPONENT_UNDECLARED: ReasonText(
        "the cell holds a motion that no record of the codebook takes",
        "Add a record to the codebook for this motion, or leave it out of the cell.",
    ),
    Quarantine.POSITION_DIFFERS: ReasonText(
        "the position in the cell is not that of the declared test",
        "Check the position in brackets, or add a record to the codebook for the test in that position.",
    ),
    Quarantine.ANGLE_IMPOSSIBLE: ReasonText(
        "an angle outside what the joint can reach",
        "Check the reading, its unit and its sign, correct it at the source and send it again.",
    ),
    Quarantine.PAIN_IMPOSSIBLE: ReasonText(
        "pain outside 0 to 10", "Check the value and the scale that the codebook declares."
    ),
    Quarantine.AGE_IMPOSSIBLE: ReasonText(
        "an age below 0 or over 120", "Check the age; write 90 for anyone of 90 or over."
    ),
    Quarantine.DURATION_IMPOSSIBLE: ReasonText(
        "a duration below 0 or over 100 years", "Check the duration and its unit."
    ),
    Quarantine.DATE_UNREADABLE: ReasonText(
        "a date that does not fit the declared format",
        "Write the date in the format that the codebook declares for this column.",
    ),
    Quarantine.DATE_IMPOSSIBLE: ReasonText(
        "a date before 1980 or after the export",
        "Check the day, the month and the year, and the date format in the codebook.",
    ),
    Quarantine.GRADE_UNREADABLE: ReasonText(
        "a grade that cannot be read",
        "Write one grade of the scale that the codebook declares, with at most one modifier.",
    ),
    Quarantine.GRADE_IMPOSSIBLE: ReasonText(
        "a grade or modifier that its scale does not have",
        "Oscillatory grades run from I to V with modifiers on III and IV only; traction from I to III.",
    ),
    Quarantine.TWO_GRADES: ReasonText(
        "two grades in one cell",
        "Write one grade for each bout, or say in the codebook which of two grades counts; a second grade "
        "V after a slash is refused in any case, since it may mean “of five”.",
    ),
    Quarantine.DOSE_UNREADABLE: ReasonText(
        "a dose that cannot be read",
        "Write the sets and the time of each, such as “2 x 45 s”, or use two columns.",
    ),
    Quarantine.DOSE_IMPOSSIBLE: ReasonText(
        "sets or seconds outside 1 to 50 sets or 1 to 3600 seconds",
        "Check the number of sets, the seconds of each and their unit.",
    ),
    Quarantine.DOSE_TOTAL_ONLY: ReasonText(
        "a total time without the number of sets",
        "Write the sets and the time of each, or say in the codebook that a total counts as one set.",
    ),
    Quarantine.EVENT_IMPOSSIBLE: ReasonText(
        "an order that is not a whole number of 1 or more",
        "Number the tests and treatments of a visit in the order in which they were done.",
    ),
    Quarantine.SIDE_UNKNOWN: ReasonText(
        "a side that is neither left nor right",
        "Say left or right; one value for both sides cannot be assigned to either.",
    ),
    Quarantine.CONFLICTING_VALUES: ReasonText(
        "two different values for one record in one export",
        "Keep the right one of the two rows and send the export again.",
    ),
    Quarantine.NO_RECORD: ReasonText(
        "a row that no record of the codebook describes",
        "Add a record to the codebook for this kind of row, or declare the kind as out of scope.",
    ),
    NoPair.NO_TREATMENT: ReasonText("tested, not treated"),
    NoPair.NO_PRETEST: ReasonText("no test before the treatment"),
    NoPair.NO_RETEST: ReasonText("no retest"),
    NoPair.NO_INTERIM: ReasonText("no test between the bouts"),
    NoPair.OTHER_TEST: ReasonText("retested with another test"),
    NoPair.OTHER_SIDE: ReasonText("retested on the other side only"),
    NoPair.OTHER_INSTRUMENT: ReasonText("retested with another instrument"),
    NoPair.BEFORE_LAST_BOUT: ReasonText("retested before the last bout only"),
    NoPair.PARTLY_RETESTED: ReasonText("some of the tests retested, not all"),
    NoPair.DETAIL_MISSING: ReasonText(
        "end feel or pain recorded at the pretest, not at the retest"
    ),
    NoPair.ORDER_UNKNOWN: ReasonText("order of visits not recorded"),
    NotModelled.OTHER_MOTION: ReasonText("another motion than the one compared"),
    NotModelled.OUT_OF_SCOPE: ReasonText("a thrust, which is out of scope"),
    NotModelled.SEVERAL_TECHNIQUES: ReasonText("several techniques between the two tests"),
    NotModelled.SEVERAL_PURPOSES: ReasonText("grades of both purposes between the two tests"),
    NotModelled.SEVERAL_BIASES: ReasonText("several rotation biases between the two tests"),
    NotModelled.NOT_RECORDED: ReasonText("what is compared was not recorded"),
    NotModelled.NOT_COMPARED: ReasonText("a technique the plan does not compare"),
    NotModelled.NOT_SECOND_STEP: ReasonText("not a second step after a neutral first"),
    NotModelled.NOT_ROTATION: ReasonText("not a rotation test, so a bias has no relation to it"),
    NotModelled.OTHER_DOSE: ReasonText("another dose than the one compared"),
    NotModelled.LITTLE_PAIN: ReasonText("pretest pain below 2, or not recorded on both tests"),
    NotModelled.MISSING_COVARIATE: ReasonText("a number needed for adjustment is missing"),
}
