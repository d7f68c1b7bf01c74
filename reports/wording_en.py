"""The English catalogue: every word of a report that is not a label of the records."""

FORBIDDEN = (
    r"caus(?:es?d?|ing|al|ally|ation)",
    r"led to",
    r"leads? to",
    r"leading to",
    r"improv\w*",
    r"effective\w*",
    r"efficac\w*",
    r"effects? of",
    r"works?",
    r"worked",
    r"better",
    r"best",
    r"worse",
    r"superior\w*",
    r"inferior to",
    r"benefi\w*",
    r"due to",
    r"because of",
    r"thanks to",
    r"produc\w*",
    r"no difference",
    r"trend towards",
    r"significan\w*",
    r"prove[sdn]?",
    r"should be used",
    r"recommend\w*",
)
"""Whole words that a page of results must not hold: a causal claim, a verdict or a worn phrase."""

MARKERS = {
    "c": "withheld for confidentiality: fewer than {smallest_count} patients, or could be derived from a total",
    "x": "not recorded",
    "z": "not applicable",
    "u": "estimate of low reliability; below 20 patients in a base, no percentage is shown",
    "n": "not estimable",
}

NUMBER_WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")

FIFTHS = ("lowest fifth", "second fifth", "middle fifth", "fourth fifth", "highest fifth")

PAIR_KIND = {
    "within_visit": "before and after treatment in one visit",
    "stepwise": "before and after one treatment step",
    "course": "first and last test of an episode",
}

QUESTION = {
    ("technique", "gain"): "Which technique went with more {motion}?",
    ("technique", "pain"): "Which technique went with less pain?",
    ("bias", "gain"): "Did a rotation bias go with more {motion} at the second step?",
    ("bias", "pain"): "Did a rotation bias go with less pain at the second step?",
    ("grade", "gain"): "Did the purpose of the grade go with more {motion}?",
    ("grade", "pain"): "Did the purpose of the grade go with less pain?",
}

COMPARED = {
    "technique": "We compared {n_levels} treatments",
    "bias": "We compared {n_levels} rotation biases at the second step",
    "grade": "We compared grades by purpose",
}

OUTCOME_NAME = {"gain": "gain of {motion}", "pain": "change of pain, tested with {motion}"}

LIMITS = {
    "assignment_not_stated": (
        "How treatments were assigned",
        (
            "The records do not say how people came to their treatment. If it was not by chance, the groups "
            "may differ in more than the treatment; the direction is not known."
        ),
    ),
    "not_assigned": (
        "Confounding by choice of treatment",
        (
            "Clinicians chose the treatment; what they went by is recorded only in part. If stiffer hips had one "
            "treatment more often, regression to the mean makes its unadjusted gain too large; beyond that the "
            "direction is not known."
        ),
    ),
    "few_clinics": (
        "Selection of clinics",
        (
            "Fewer than five clinics took part, so that each has a mean of its own in the model. How far clinics "
            "differ, and what other clinics would find, can't be told; intervals may be too narrow."
        ),
    ),
    "one_clinic": (
        "A single clinic",
        (
            "All records are from one clinic. Its patients, clinicians and way of measuring can't be told apart from "
            "the treatment; the direction is not known."
        ),
    ),
    "retests_missing": (
        "Missing retests",
        (
            "Not every treated side was retested. If those that gained little were retested less often, mean gains are "
            "too large; a difference between treatments may be off in either direction."
        ),
    ),
    "no_measurement_error": (
        "Unknown measurement error",
        (
            "For at least one test the plan names no measurement error, so its gains can't be set against it. Nothing is said "
            "about single patients there."
        ),
    ),
    "between_people_only": (
        "Comparison between people",
        (
            "Each patient had one of the treatments compared. Differences between people stay mixed with differences "
            "between treatments; the direction is not known."
        ),
    ),
}
"""Limit code to the bias it names, and its direction where that can be said."""

STOP_LIST = (
    "malignancy in the area",
    "fracture that has not healed, or dislocation",
    "infection of the joint or the bone",
    "acute inflammatory flare, or active systemic rheumatoid arthritis",
    "ankylosis or surgical fusion",
    "severe osteoporosis",
    "instability of the joint",
    "neurological deficit that is getting stronger",
    "bleeding disorder that is not stable, or high-dose anticoagulation",
    "no consent, or an unclear diagnosis",
)
"""Usual stop list of joint mobilisation: common practice, no source."""

CARE_LIST = (
    "hip replacement (position limits)",
    "osteoporosis",
    "hypermobility",
    "anticoagulants",
    "long-term steroids",
    "pregnancy",
    "recent surgery",
    "suspected avascular necrosis, or slipped epiphysis in the young",
    "night pain or weight loss without a known reason",
)
"""Usual list of precautions: common practice, no source."""

TEXT = {
    # page
    "skip": "Skip to the findings",
    "version": "Version",
    "routine": "Results of routine records: associations, not advice for one person.",
    "invented": "Invented records. No patient and no clinic stands behind them.",
    "findings": "Findings",
    "contents": "Contents",
    "flow": "Who was counted",
    "patients": "Patients compared",
    "before_after": "Range before and after",
    "before_after_result": "Range before and after, by starting range",
    "retests": "Retests by clinic",
    "limits": "Limits of this report",
    "cautions": "Cautions",
    "cite": "Reproduce and cite",
    "further": "Further comparisons",
    "caution": "Caution.",
    "same_numbers": "The same numbers as a table",
    "rests_on": "What the estimate rests on",
    "file": "Data file",
    "all_versions": "All versions",
    "lost": "Lost at this step",
    # main comparison
    "no_comparison": "The plan asks for no further comparison.",
    "problem": "Nothing could be estimated: {problem}",
    "no_figure": "Every mean is withheld or could not be estimated; see the table.",
    "tests_used": "Tests: {definitions}. Instruments: {instruments}. Pairs: {pair_kind}.",
    "caption_interval": "Adjusted mean {outcome}. Dot: estimate. Line: 95 % confidence interval (95\N{NO-BREAK SPACE}%\N{NO-BREAK SPACE}CI). Dashed box: withheld.",
    "caption_mdc": "Dashed line: smallest change that the measurement can tell apart in one patient.",
    "adjusted_for": "Adjusted for {terms}.",
    "adjusted_for_nothing": "Not adjusted for anything beside the pretest.",
    "varying": "Taken as varying at random from one to the next: {terms}.",
    "fixed_clinics": "With fewer than five clinics each has a mean of its own; nothing is said on how far clinics differ.",
    "dropped": "Left out of the model: {terms}.",
    "difference": "{first} minus {second}: {size}.",
    "agree": "The three ways of handling the pretest agree; the plan's primary one is {primary}.",
    "disagree": "The three ways of handling the pretest disagree, so the finding depends on which one is right; "
    "the plan's primary one is {primary}.",
    "pretest_adjusted": "the pretest-adjusted one",
    "pretest_unadjusted": "the unadjusted one",
    "pretest_corrected": "the one on the pretest corrected for measurement error",
    "family_rule": "For contrasts other than the primary one, the simultaneous interval decides the words: it holds for "
    "all of them at once. Holm p: p-value corrected for their number.",
    "cautious": "A spread between groups was estimated at zero. With only {freedom} degrees of freedom ({groups}) the "
    "interval of the primary contrast would be {interval}.",
    "against_error": "The difference between group means is {size} the smallest change the measurement can tell apart in "
    "one patient ({mdc}; {source}).",
    "no_error": "No measurement error is known for this test, so the difference can't be set against it.",
    "no_error_pain": "No measurement error of the pain score is given, so the difference can't be set against it.",
    "caution_choice": "Clinicians chose the treatment. Adjustment covers what was recorded, not what was not. The "
    "direction of what is left is not known.",
    "caution_people": "Different people had the treatments. Differences between people stay mixed with them; the "
    "direction is not known.",
    "caution_plain": "This is an association in these records, not a claim about what a treatment does.",
    "caution_grade": "A grade states the clinician's intention, never a measured force; nothing is said about dose.",
    "caution_bias": "The second step follows a first one, so what was gained before it is already in its pretest.",
    # drawings
    "axis_gain": "Adjusted mean gain, degrees (right: more range)",
    "axis_pain": "Adjusted mean change of pain, points (left: less pain)",
    "axis_gain_narrow": "Degrees (right: more range)",
    "axis_pain_narrow": "Points (left: less pain)",
    "axis_range": "Range, degrees",
    "estimate_head": "Mean (95\N{NO-BREAK SPACE}%\N{NO-BREAK SPACE}CI)",
    "patients_head": "Patients",
    "label_head_narrow": "(patients)",
    "before_after_head": "Pretest, retest",
    "mdc_mark": "measurement error in one patient: {mdc}",
    "withheld": "withheld",
    "not_estimable": "not estimable",
    "not_shown": "no number",
    "group_label": "Starting range",
    # tables
    "patients_title": "Patients",
    "pairs_title": "Pairs",
    "mean_gain_title": "Mean gain, ° (95\N{NO-BREAK SPACE}%\N{NO-BREAK SPACE}CI)",
    "mean_pain_title": "Mean change of pain, points (95\N{NO-BREAK SPACE}%\N{NO-BREAK SPACE}CI)",
    "difference_gain_title": "Difference, ° (95\N{NO-BREAK SPACE}%\N{NO-BREAK SPACE}CI)",
    "difference_pain_title": "Difference, points (95\N{NO-BREAK SPACE}%\N{NO-BREAK SPACE}CI)",
    "simultaneous_title": "Simultaneous 95\N{NO-BREAK SPACE}%\N{NO-BREAK SPACE}CI",
    "holm_title": "Holm\N{NO-BREAK SPACE}p",
    "verdict_title": "In words",
    "level_title": "Level",
    "contrast_title": "Contrast",
    "pretest_title": "Handling of the pretest",
    "term_title": "Item",
    "value_title": "Value",
    "unit_title": "Unit",
    "note_title": "Note",
    "characteristic_title": "Characteristic",
    "difference_title": "Standardised difference",
    "reason_title": "Reason",
    "count_title": "Count",
    "clinic_title": "Clinic",
    "step_title": "Step",
    "treated_title": "Treated sides",
    "full_title": "In full",
    "partial_title": "In part",
    "none_title": "Not",
    "share_title": "In full, % (95\N{NO-BREAK SPACE}%\N{NO-BREAK SPACE}CI)",
    "pretest_mean_title": "Mean pretest, °",
    "retest_mean_title": "Mean retest, °",
    "gain_mean_title": "Mean gain, °",
    "caption_levels": "Adjusted means by level: {heading}",
    "caption_cells": "Adjusted means by technique and bias: {heading}",
    "caption_contrasts": "Differences between levels: {heading}",
    "caption_pretest": "Primary contrast, three ways of handling the pretest: {heading}",
    "caption_model": "What the estimate rests on: {heading}",
    "caption_table_one": "Table 1. Patients compared",
    "caption_before_after": "Mean pretest and retest by starting range: {motion}",
    "caption_retests": "Retests documented, treated sides by clinic",
    "caption_reasons": "Why a treated side is not documented in full",
    "caption_flow": "Who was counted, step by step",
    "primary_group": "Primary contrast",
    "family_group": "All other contrasts",
    "model_size": "In the model",
    "model_lost": "Matched pairs not in the model",
    "model_spread": "Spread (standard deviations)",
    "model_error": "Set beside the estimates",
    "flow_remaining": "{label}",
    "flow_lost": "Lost after: {label}",
    # sections
    "flow_intro": "Each loss is counted once, under the first reason that applies; losses and what remains add up.",
    "flow_turn": "From here on counted in {unit}.",
    "no_flow": "No flow was counted for this report.",
    "no_table_one": "No patients could be described.",
    "table_one_note": "Standardised differences above 0.10 in either direction are bold. Patients are counted, not pairs; "
    "there are no p-values.",
    "before_after_intro": "Low first readings tend to be followed by higher ones, high by lower, even without treatment. "
    "Where stiff joints gained more, part of that is regression to the mean.",
    "no_before_after": "There are too few pairs to show range before and after by starting range.",
    "caption_figure_before_after": "{motion}: open circle, mean pretest; filled dot, mean retest; pairs of the main "
    "comparison in groups of starting range, lowest first.",
    "retests_intro": "In full: every owed test was retested after the last treatment, with end feel and pain where the "
    "pretest had them.",
    "retests_note": "Where a clinic's interval lies apart from the share of all clinics, in either direction, look into "
    "it and find out why. It is no verdict on a clinic. Intervals are Wilson's and leave out usual variation between "
    "clinics.",
    "no_retests": "No treated sides were counted for retests within a visit.",
    "no_reasons": "No treated side lacks documentation.",
    "no_limits": "The analysis named no limit beyond those of routine records.",
    "stop_intro": "Usual reasons not to mobilise a joint (common practice, no source):",
    "care_intro": "Usual precautions (common practice, no source):",
    "caution_association": "Everything here is an association in records kept for care. An association alone doesn't say "
    "what brought a change about.",
    "caution_clinician": "A licensed clinician decides for each patient. Local rules prevail over anything written here.",
    "caution_person": "A group mean says little about one person: gains of single patients spread widely around it.",
    "reproduce_intro": "The same records, plan and program give the same version, byte for byte.",
    "command": "Command",
    "identifier": "Identifier",
    "input_hash": "Input hash",
    "content_digest": "Content digest of the records",
    "plan_hash": "Plan (SHA-256)",
    "code_hash": "Program files (SHA-256)",
    "software": "Program",
    "packages": "Packages",
    "citation": "Cite as",
    "files": "Data files",
    "results_file": "every number shown, by name",
    "nobody": "no author named",
    # catalogue
    "catalogue_title": "Published versions",
    "catalogue_intro": "Newest first in each report. A published version never changes.",
    "catalogue_empty": "Nothing has been published yet.",
    "published_at": "published",
    "records_to": "records up to",
}
