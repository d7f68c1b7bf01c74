"""The planted defects: one to a patient, and all of them, nothing else, found by the pipeline."""

import csv
from collections import Counter

import polars as pl
import pytest

from pipeline.cohort import build_cohort
from pipeline.intake import SignedCodebook, prepare_delivery
from pipeline.pairing import match_pairs
from pipeline.reading.delimited import read_delimited
from pipeline.store.pseudonym import PseudonymKey
from schemas.plan import PairKind
from schemas.reason import NoPair, Quarantine
from schemas.settings import Settings
from synthetic_data.answer_key import Outcome
from synthetic_data.codebook import read_codebook
from synthetic_data.export import write_exports
from synthetic_data.network import make_network

SEED, N_PATIENTS = 11, 160


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    network = make_network(SEED, N_PATIENTS)
    return network, write_exports(network, tmp_path_factory.mktemp("exports"))


@pytest.fixture(scope="module")
def rows(made):
    """Give the data records of each file, read by the standard library."""
    found = {}
    for export in made[1]:
        form = {"harbour": ("utf-8", ","), "millrace": ("cp1252", ";")}[export.clinic]
        with export.path.open(encoding=form[0], newline="") as file:
            found[export.path.name] = list(csv.DictReader(file, delimiter=form[1]))
    return found


@pytest.fixture(scope="module")
def taken(made):
    """Take every export through the stages before the store."""
    deliveries = {}
    for export in made[1]:
        text = export.codebook_path.read_text(encoding="utf-8")
        codebook = read_codebook(text)
        deliveries[export.path.name] = prepare_delivery(
            read_delimited(export.path, codebook.file),
            SignedCodebook(codebook, text),
            Settings(),
            PseudonymKey(bytes(range(32))),
            export.exported_on,
        )
    return deliveries


def test_no_two_defects_share_a_patient_but_the_parts_of_one(made, rows):
    """Each defect could otherwise hide another one."""
    header = {"harbour": "PatientNo", "millrace": "Patient"}
    spoilt = {}
    for defect in made[0].answer_key.defects:
        row = rows[defect.file][defect.record - 1]
        kind = "correction" if defect.outcome is Outcome.CORRECTION else str(defect.outcome)
        kind = kind.replace("superseded", "correction")
        spoilt.setdefault(row[header[defect.clinic]], set()).add((kind, str(defect.reason)))
    assert {len(kinds) for kinds in spoilt.values()} == {1}


def test_every_kind_of_defect_that_a_cell_can_have_is_planted(made):
    planted = {d.reason for d in made[0].answer_key.defects if d.outcome == "quarantined"}
    assert planted == {
        *(Quarantine.MISSING_KEY, Quarantine.MISSING_VALUE, Quarantine.UNKNOWN_CODE),
        *(Quarantine.WORDS_INSTEAD_OF_NUMBER, Quarantine.CENSORED_OR_BANDED),
        *(Quarantine.ANGLE_IMPOSSIBLE, Quarantine.PAIN_IMPOSSIBLE, Quarantine.GRADE_IMPOSSIBLE),
        *(Quarantine.DATE_UNREADABLE, Quarantine.DATE_IMPOSSIBLE, Quarantine.CONFLICTING_VALUES),
    }


def test_the_pipeline_quarantines_what_was_planted_and_nothing_else(made, taken):
    columns = ["clinic", "source_file", "source_record", "table", "reason"]
    found = [row for sent in taken.values() for row in sent.quarantine.select(columns).iter_rows()]
    planted = [
        (d.clinic, d.file, d.record, d.table, str(d.reason))
        for d in made[0].answer_key.defects
        if d.outcome is Outcome.QUARANTINED
    ]
    assert sorted(found) == sorted(planted)


def test_the_account_of_the_pipeline_is_that_of_the_answer_key(made, taken):
    for fact in made[0].answer_key.facts:
        assert taken[fact.file].account[fact.table] == {
            "read": fact.n_read,
            "accepted": fact.n_read - fact.n_quarantined - fact.n_duplicate,
            "quarantined": fact.n_quarantined,
            "duplicate": fact.n_duplicate,
            "out_of_scope": 0,
        }, fact


def test_a_retest_of_another_kind_gives_no_pair_and_says_why(made, taken):
    planted = Counter(
        (d.file, str(d.reason)) for d in made[0].answer_key.defects if d.outcome is Outcome.NO_PAIR
    )
    assert sum(planted.values()) == 10
    other = [str(NoPair.OTHER_INSTRUMENT), str(NoPair.OTHER_TEST)]
    for name, sent in taken.items():
        pairs = match_pairs(build_cohort(sent.tables, "hip"), PairKind.WITHIN_VISIT)
        found = pairs.unmatched.filter(pl.col("reason").is_in(other))["reason"].to_list()
        assert Counter(found) == Counter({r: n for (file, r), n in planted.items() if file == name})


def test_the_phase_of_the_second_clinic_gives_the_order_of_its_events(made, taken, rows):
    """Its export knows before and after only, and no order is stated beyond that."""
    sent = taken["millrace_2025-09-30.csv"]
    records = rows["millrace_2025-09-30.csv"]
    place = ["patient", "visit", "joint", "side"]
    treated = sent.tables["treatment"].select(*place, pl.col("event").alias("bout"))
    assert treated.height == treated.unique(place).height
    tests = sent.tables["range_test"].join(treated, on=place, how="inner")
    phase = pl.Series([records[number - 1]["Phase"] for number in tests["source_record"]])
    is_before = tests["event"] < tests["bout"]
    assert is_before.to_list() == (phase == "vor").to_list()
    assert (~is_before).to_list() == (tests["event"] > tests["bout"]).to_list()
    assert not tests["order_is_stated"].any()
