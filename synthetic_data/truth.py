"""The known truth of the invented network: effects and variance components.

Numbers come from published trials of joint mobilisation of the hip where there are any; the others
are proposals, chosen so that every question has an answer that can be recovered. They describe an
invented network and are no evidence about any treatment.

References
----------
Hando et al. (2012). J. Man. Manip. Ther. 20:192 (range of hips with osteoarthritis).
Estébanez-de-Miguel et al. (2018). Musculoskelet. Sci. Pract., pp. 81-86 (force and gain).
Beselga et al. (2016). Man. Ther. 22:80 (gain within one session).
Chatfield (1995). Problem Solving: A Statistician's Guide, 2nd ed. (two hips of one person).
"""

from dataclasses import dataclass

DEFINITIONS = (
    "hip_internal_rotation_supine90_passive",
    "hip_external_rotation_supine90_passive",
    "hip_flexion_supine_passive",
    "hip_extension_prone_passive",
)
"""Test definitions of the network, in the order of every array over definitions."""

TECHNIQUES = ("long_axis_distraction", "lateral_distraction", "inferior_glide")
"""Techniques of the network, in the order of every array over techniques."""

END_FEELS = ("capsular", "muscular", "bone_to_bone", "empty")
"""End feels of the network, in the order of every array over end feels."""


@dataclass(frozen=True)
class Truth:
    """Effects and variance components from which the network is made.

    A gain is the change of the true range over the bouts of one visit. In a visit with two bouts
    the technique and the grade act in the first; the second adds its own gain and its bias.

    Attributes
    ----------
    baseline_deg, baseline_sd_deg : tuple of float, length 4
        True range by definition before any treatment, in degrees.
    untreated_surplus_deg : tuple of float, length 4
        How much more range an untreated hip has, in degrees, by definition.
    day_sd_deg : float
        Standard deviation of a hip's true range from day to day, in degrees.
    first_bout_gain_deg : float
        Mean gain of a first bout: long-axis distraction, grade I or II, 60 s, internal rotation.
    into_resistance_deg : float
        Grade III or IV minus grade I or II.
    technique_deg : tuple of float, length 3
        Technique minus long-axis distraction.
    definition_deg : tuple of float, length 4
        Definition minus internal rotation.
    end_feel_deg : tuple of float, length 4
        Pretest end feel minus capsular.
    second_bout_gain_deg : float
        Mean gain of a neutral second bout.
    congruent_deg, opposed_deg : float
        Bias in or against the direction of the tested rotation, minus neutral; mean of both manners.
    combined_minus_held_deg : float
        Bias added during the technique minus bias held; rotation tests only.
    per_doubling_deg : float
        Change of a first bout's gain for twice the seconds.
    pretest_slope : float
        Change of the gain per degree of true pretest range.
    second_bout_share : float
        Share of the deviations of persons and places that falls on the second of two bouts.
    clinic_sd_deg, clinician_sd_deg, patient_sd_deg, hip_sd_deg, visit_sd_deg : float
        Standard deviations of the gain.
    technique_by_clinic_sd_deg : float
        Standard deviation of a technique's effect between clinics; centred over the clinics, so
        that the contrasts hold on their average.
    sem_deg : float
        Standard error of measurement of one reading.
    retained_share, retained_days : float
        Share of a gain still there after no day, and days in which it falls to 1/e of that.
    pain_0_10, pain_sd : float
        Pain at the first test of a treated hip.
    pain_change_below, pain_change_into : float
        Mean change of pain over a visit, grades I-II and III-IV, before the scale's ends cut it.
    pain_patient_sd, pain_visit_sd, pain_reading_sd : float
        Standard deviations of the change between patients and visits, and of one answer.
    choice_per_sd : float
        Log odds of lateral instead of long-axis distraction per standard deviation of stiffness.
    retest_missing_logit : float
        Log odds that a treated side is not retested, at a gain of 3 degrees without more pain.
    retest_missing_per_deg, retest_missing_if_pain : float
        Change of these log odds per degree of gain, and where pain rose.
    """

    # Hando 2012 and like samples of osteoarthritis; external rotation and extension: proposals near them.
    baseline_deg: tuple[float, float, float, float] = (22.0, 33.0, 105.0, 4.0)
    baseline_sd_deg: tuple[float, float, float, float] = (9.0, 8.0, 11.0, 7.0)
    untreated_surplus_deg: tuple[float, float, float, float] = (8.0, 3.0, 10.0, 5.0)  # proposal
    day_sd_deg: float = 1.5  # proposal
    # Low and medium force: no clear change; high force: 5.6 to 10.6 after three sessions
    # (Estébanez-de-Miguel 2018); one session 4.4 in internal rotation (Beselga 2016).
    first_bout_gain_deg: float = 0.5
    into_resistance_deg: float = 3.0
    technique_deg: tuple[float, float, float] = (0.0, 1.5, 0.5)  # proposal
    definition_deg: tuple[float, float, float, float] = (
        0.0,
        -0.3,
        0.8,
        -0.5,
    )  # proposal; flexion gains most
    end_feel_deg: tuple[float, float, float, float] = (0.0, -1.0, -1.0, -1.0)  # proposal
    second_bout_gain_deg: float = 1.0  # proposal
    congruent_deg: float = 1.0  # proposal
    opposed_deg: float = -0.5  # proposal
    combined_minus_held_deg: float = 0.5  # proposal
    per_doubling_deg: float = 0.3  # proposal
    pretest_slope: float = -0.10  # proposal: stiffer hips gain a little more
    second_bout_share: float = 0.25  # proposal
    clinic_sd_deg: float = 1.0  # proposal
    clinician_sd_deg: float = 1.0  # proposal
    # Together 3.5 degrees (proposal), split by the correlation of 0.7 between the gains of two
    # hips of one person (Chatfield 1995, our own calculation).
    patient_sd_deg: float = 2.9
    hip_sd_deg: float = 1.9
    visit_sd_deg: float = 1.0  # proposal
    technique_by_clinic_sd_deg: float = 0.4  # proposal
    sem_deg: float = 3.0  # proposal within the 3 to 4 usual in goniometry of the hip
    retained_share: float = 0.5  # proposal
    retained_days: float = 21.0  # proposal
    pain_0_10: float = 4.5  # Hando 2012: 4.3
    pain_sd: float = 1.8  # proposal
    pain_change_below: float = -1.2  # proposal; low force eased pain most (the 2018 trial, 2019)
    pain_change_into: float = -0.6  # proposal
    pain_patient_sd: float = 0.8  # proposal; 1.5 in all
    pain_visit_sd: float = 1.2  # proposal
    pain_reading_sd: float = 0.4  # proposal
    choice_per_sd: float = 0.4  # proposal
    retest_missing_logit: float = -1.5  # proposal: 15 to 35 % in all
    retest_missing_per_deg: float = -0.12  # proposal
    retest_missing_if_pain: float = 0.7  # proposal
