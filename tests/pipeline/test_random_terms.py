"""Which random terms the pairs carry: what the records can tell apart, and the words for the rest."""

import numpy as np
import polars as pl
import pytest

from pipeline.gain_model import compare
from pipeline.mixed_model.description import Factor, ModelDescription
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.sufficient_statistics import collect
from pipeline.random_terms import RandomTerms, absorbed, random_terms, with_groups
from schemas.errors import ModelError
from schemas.plan import Analysis, Plan

LEVELS = ("lateral_distraction", "long_axis_distraction")
ALL = ("patient", "hip", "visit", "clinician", "clinic", "level_by_clinic")


def network(n_clinics=6, seed=3, n=12):
    """Of each clinic n patients, two hips, two visits, two definitions; three clinicians a clinic."""
    rng = np.random.default_rng(seed)
    rows = []
    for clinic in range(n_clinics):
        of_clinic, of_level = rng.normal(0, 1.5), rng.normal(0, 1.5, 2)
        of_clinician = rng.normal(0, 1.2, 3)
        for patient in range(n):
            of_patient = rng.normal(0, 1.5)
            for side in ("left", "right"):
                of_hip = rng.normal(0, 1.2)
                for visit in (1, 2):
                    who, level = rng.integers(0, 3), rng.integers(0, 2)
                    of_visit = rng.normal(0, 1.2)
                    total = of_clinic + of_level[level] + of_clinician[who] + of_patient
                    total += of_hip + of_visit + 2.0 * (level == 0) + 4.0
                    rows += [
                        {
                            "clinic": f"clinic{clinic}", "patient": f"p{patient}", "side": side,
                            "visit": f"v{visit}", "clinician": f"k{clinic}{who}",
                            "definition": definition, "instrument": "goniometer", "level": LEVELS[level],
                            "bias": "neutral", "grade": "III", "group": LEVELS[level],
                            "pretest_deg": round(rng.normal(25, 6), 1),
                            "gain_deg": round(total + rng.normal(0, 1), 1),
                            "pain_before": 4.0, "pain_change": -1.0,
                        }
                        for definition in (
                            "hip_internal_rotation_supine90_passive",
                            "hip_internal_rotation_prone_passive",
                        )
                    ]  # fmt: skip
    return pl.DataFrame(rows)


def chosen(frame):
    return random_terms(with_groups(frame))


def reason(frame, name):
    return dict(chosen(frame).left_out).get(name)


def test_a_network_of_six_clinics_carries_every_term():
    found = chosen(network())
    assert found == RandomTerms(ALL, (), 6)
    assert [term.by for term in found.terms] == [
        ("clinic", "patient"),
        ("clinic", "patient", "side"),
        ("clinic", "patient", "side", "visit"),
        ("clinician",),
        ("clinic",),
        ("clinic", "level"),
    ]


@pytest.mark.parametrize(("n_clinics", "is_random"), [(4, False), (5, True)])
def test_from_five_clinics_on_they_are_random(n_clinics, is_random):
    found = chosen(network(n_clinics))
    assert ("clinic" in found.names) == ("level_by_clinic" in found.names) == is_random
    assert found.has_fixed_clinics != is_random
    why = () if is_random else (("level_by_clinic", "fewer than five clinics"),)
    assert found.left_out == why


def test_a_single_clinic_needs_no_word_about_clinics():
    found = chosen(network(1))
    assert found == RandomTerms(("patient", "hip", "visit", "clinician"), (), 1)
    assert not found.has_fixed_clinics


first_of = {
    "visit": pl.col("visit") == "v1",
    "definition": pl.col("definition").str.contains("supine"),
    "side": pl.col("side") == "left",
}


@pytest.mark.parametrize(
    ("kept", "left_out"),
    [
        (("definition",), (("visit", "one pair for each"),)),
        (("visit",), (("visit", "one for each hip"),)),
        (("side",), (("hip", "one for each patient"),)),
        (("side", "definition"), (("hip", "one for each patient"), ("visit", "one pair for each"))),
        (("visit", "definition"), (("hip", "one pair for each"),)),
    ],
)
def test_hips_and_visits_that_are_not_several_are_left_out(kept, left_out):
    frame = network().filter(*(first_of[name] for name in kept))
    assert chosen(frame).left_out == left_out


@pytest.mark.parametrize(
    ("columns", "name", "why"),
    [
        ({"clinician": pl.col("clinic")}, "clinician", "one for each clinic"),
        ({"clinician": pl.lit("not_recorded")}, "clinician", "not recorded"),
        ({"clinician": pl.lit(None, pl.String)}, "clinician", "not recorded"),
        ({"clinician": pl.lit("k")}, "clinician", "the same in all pairs"),
        ({"clinician": pl.concat_str("clinic", "patient")}, "clinician", "one for each patient"),
        (
            {"level": pl.when(pl.col("clinic") > "clinic2").then(pl.lit(LEVELS[0]))
             .otherwise(pl.lit(LEVELS[1]))},
            "level_by_clinic", "fewer than two clinics use several",
        ),
    ],
)  # fmt: skip
def test_what_coincides_or_does_not_vary_is_left_out_with_its_reason(columns, name, why):
    frame = network().with_columns(**columns)
    found = chosen(frame)
    assert name not in found.names
    assert reason(frame, name) == why


def test_clinicians_that_coincide_with_fixed_clinics_are_left_out_as_well():
    frame = network(3).with_columns(clinician=pl.col("clinic"))
    assert reason(frame, "clinician") == "one for each clinic"


def test_clinicians_not_recorded_are_a_group_of_their_own_clinic():
    frame = network(2).with_columns(
        clinician=pl.when(pl.col("patient") > "p5").then("clinician").otherwise(pl.lit(None))
    )
    groups = with_groups(frame)["clinician"].unique().sort().to_list()
    assert groups == [
        "k00", "k01", "k02", "k10", "k11", "k12", "not_recorded clinic0", "not_recorded clinic1",
    ]  # fmt: skip
    # One who works at both clinics is one group.
    shared = network(2).with_columns(clinician=pl.lit("k") + pl.col("clinician").str.slice(2))
    assert with_groups(shared)["clinician"].n_unique() == 3


@pytest.mark.parametrize(
    ("frame", "problem"),
    [
        (network().unique(["clinic", "patient"]), "no patient has more than one pair"),
        (network(1, n=1), "not two patients"),
    ],
)
def test_without_several_pairs_of_a_patient_there_is_no_model(frame, problem):
    with pytest.raises(ModelError, match=problem) as refused:
        chosen(frame)
    assert refused.value.remedy


def test_a_term_that_the_fixed_part_takes_up_is_found():
    """Each site belongs to one clinic, each clinic to one site: nothing is left between clinics."""
    frame = with_groups(network()).with_columns(site=pl.col("clinic").str.slice(6))
    random = chosen(frame)
    fixed = (Factor(name="level"), Factor(name="site"))
    description = ModelDescription(outcome="gain_deg", fixed=fixed, random=random.terms)
    assert absorbed(collect(frame, description), random) == "clinic"
    without = description.model_copy(update={"fixed": fixed[:1]})
    assert absorbed(collect(frame, without), random) is None


def plan():
    return Plan.model_validate(
        {"report": "r", "version": 1, "date": "2026-01-01", "title": "t", "population": "p",
         "analyses": [analysis().model_dump()]}
    )  # fmt: skip


def analysis(**changes):
    content = {"question": "technique", "motion": "internal_rotation", "levels": LEVELS,
               "primary": {"first": LEVELS[0], "second": LEVELS[1]}}  # fmt: skip
    return Analysis.model_validate(content | changes)


def test_the_gain_model_is_the_one_described():
    """The same model written out for the engine gives the same numbers."""
    found = compare(network(), analysis(), plan(), outcome="gain")
    by_hand = fit(
        network(),
        ModelDescription.model_validate(
            {
                "outcome": "gain_deg",
                "fixed": [
                    {"kind": "factor", "name": "level", "levels": LEVELS},
                    {"kind": "factor", "name": "definition"},
                    {"kind": "number", "name": "pretest_deg"},
                ],
                "random": [
                    {"by": ("clinic", "patient")}, {"by": ("clinic", "patient", "side")},
                    {"by": ("clinic", "patient", "side", "visit")}, {"by": ("clinician",)},
                    {"by": ("clinic",)}, {"by": ("clinic", "level")},
                ],
            }
        ),
    )  # fmt: skip
    place = by_hand.terms.index("level=long_axis_distraction")
    assert found.primary.cell.value == pytest.approx(-by_hand.coefficients[place], rel=1e-5)
    assert found.primary.cell.standard_error == pytest.approx(
        by_hand.covariance[place, place] ** 0.5, rel=1e-5
    )
    spreads = [part.standard_deviations[0] for part in by_hand.components]
    assert [c.value for c in found.variances[:-1]] == pytest.approx(spreads, rel=1e-4, abs=1e-6)
    assert [c.name.rpartition(".")[2] for c in found.variances] == [*ALL, "residual"]
    assert found.fit[-1].value == pytest.approx(by_hand.criterion, rel=1e-9)
    counts = {cell.unit: cell.value for cell in found.fit[:-1]}
    assert counts == {"pairs": 576, "patients": 72, "clinics": 6, "clinicians": 18}
    assert found.varying == (
        "patient", "hip of a patient", "visit of a hip", "clinician", "clinic", "technique by clinic",
    )  # fmt: skip
    assert "clinic" not in found.adjusted_for


def test_differences_between_clinics_widen_the_interval_as_they_should():
    """Few clinics that differ in the difference itself: the clinics count, not the pairs."""
    found = compare(network(), analysis(), plan(), outcome="gain")
    assert 3 < found.primary.cell.degrees_of_freedom < 12
    fixed = compare(
        network().filter(pl.col("clinic") < "clinic4"), analysis(), plan(), outcome="gain"
    )
    assert fixed.primary.cell.degrees_of_freedom > 100
    assert fixed.adjusted_for[-1] == "clinic"
    assert fixed.dropped == ("technique by clinic: fewer than five clinics",)


def test_neither_the_order_of_rows_nor_that_of_names_changes_anything():
    frame = network()
    one = compare(frame, analysis(), plan(), outcome="gain")
    other = compare(
        frame.sample(fraction=1.0, shuffle=True, seed=2), analysis(), plan(), outcome="gain"
    )
    assert one == other


def test_a_clinic_that_a_covariate_takes_up_is_left_out_in_words():
    condition = pl.concat_str(pl.lit("condition"), pl.col("clinic").str.slice(6))
    frame = network().with_columns(condition=condition)
    found = compare(frame, analysis(covariates=("condition",)), plan(), outcome="gain")
    assert found.dropped == ("clinic: follows from other terms",)
    assert "clinic" not in found.varying
    assert "technique by clinic" in found.varying


def test_no_clinic_is_named():
    found = compare(network(4), analysis(covariates=("instrument",)), plan(), outcome="gain")
    assert "clinic2" not in str(found)
