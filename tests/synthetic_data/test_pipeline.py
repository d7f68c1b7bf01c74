"""All planted defects, and nothing else, are found by the pipeline, and every fact is accounted for."""

from collections import Counter

import polars as pl
import pytest

from pipeline.cohort import build_cohort
from pipeline.intake import SignedCodebook, prepare_delivery
from pipeline.pairing import match_pairs
from pipeline.reading.export import read_export
from pipeline.store.pseudonym import PseudonymKey
from schemas.plan import PairKind
from schemas.reason import NoPair
from schemas.settings import Settings
from synthetic_data.answer_key import Outcome
from synthetic_data.clinic import CLINICS
from synthetic_data.codebook import read_codebook


@pytest.fixture(scope="module")
def taken(made):
    """Take every export through the stages before the store."""
    deliveries = {}
    for export in made[1]:
        text = export.codebook_path.read_text(encoding="utf-8")
        codebook = read_codebook(text)
        deliveries[export.path.name] = prepare_delivery(
            read_export(export.path, codebook.file, codebook.places, codebook.set_aside),
            SignedCodebook(codebook, text),
            Settings(shared_clinician_numbers=True),
            PseudonymKey(bytes(range(32))),
            export.exported_on,
        )
    return deliveries


def in_its_part(row, folder):
    """Count a record on over the files that are read as one, as the answer key does."""
    file, record, table, reason = row
    if not folder.is_dir():
        return record, table, reason
    alike = sorted(folder.glob(file.partition("_")[0] + "_*.parquet"))
    before = [pl.scan_parquet(p).select(pl.len()).collect().item() for p in alike if p.name < file]
    return record + sum(before), table, reason


@pytest.mark.parametrize("clinic", CLINICS)
def test_the_pipeline_quarantines_what_was_planted_and_nothing_else(made, taken, clinic):
    columns = ["source_file", "source_record", "table", "reason"]
    folders = {export.path.name: export.path for export in made[1]}
    for name, sent in taken.items():
        if not name.startswith(clinic):
            continue
        planted = Counter(
            (d.record, d.table, str(d.reason))
            for d in made[0].answer_key.defects
            if d.outcome is Outcome.QUARANTINED and d.file == name
        )
        rows = sent.quarantine.select(columns).iter_rows()
        assert Counter(in_its_part(row, folders[name]) for row in rows) == planted


@pytest.mark.parametrize("clinic", CLINICS)
def test_the_account_of_the_pipeline_is_that_of_the_answer_key(made, taken, clinic):
    for fact in made[0].answer_key.facts:
        if fact.clinic == clinic:
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
    assert sum(planted.values()) == 16
    other = [str(NoPair.OTHER_INSTRUMENT), str(NoPair.OTHER_TEST)]
    for name, sent in taken.items():
        pairs = match_pairs(build_cohort(sent.tables, "hip"), PairKind.WITHIN_VISIT)
        found = pairs.unmatched.filter(pl.col("reason").is_in(other))["reason"].to_list()
        assert Counter(found) == Counter({r: n for (file, r), n in planted.items() if file == name})


def test_a_test_that_was_not_done_is_accepted_without_an_angle(made, taken):
    planted = Counter(d.file for d in made[0].answer_key.defects if d.outcome is Outcome.NOT_TESTED)
    assert sum(planted.values()) == 7
    for name, sent in taken.items():
        tests = sent.tables["range_test"].filter(pl.col("angle_hundredth_deg").is_null())
        assert tests.height == planted[name], name
        assert tests["reason_not_done"].null_count() == 0


@pytest.mark.parametrize("clinic", CLINICS)
def test_no_angle_that_was_accepted_differs_from_the_true_reading(made, taken, clinic):
    """By clinic, the sorted angles: accepted ones are among those that were read (sums of counts)."""
    events = made[0].events
    true = events.tests.filter(pl.col("is_done") & (pl.col("clinic") == clinic))
    hundredths = Counter((true["angle_deg"] * 100).round().cast(pl.Int64).to_list())
    accepted = Counter()
    for name, sent in taken.items():
        if name.startswith(clinic):
            accepted.update(sent.tables["range_test"]["angle_hundredth_deg"].drop_nulls().to_list())
    if clinic == "millrace":  # four decimals of a radian: up to 0.003 degrees off
        accepted = Counter()
        for angle in taken["millrace_2025-09-30.csv"].tables["range_test"]["angle_hundredth_deg"]:
            accepted[round(angle / 10) * 10] += 1
    changed = sum(
        d.outcome in {Outcome.COPIED, Outcome.SUPERSEDED, Outcome.CORRECTION}
        for d in made[0].answer_key.defects
        if d.clinic == clinic
    )
    assert (accepted - hundredths).total() <= changed
    assert accepted.total() > 900


def test_a_clinician_of_two_clinics_has_one_pseudonym(taken):
    seen = {name: set(sent.tables["visit"]["clinician"].to_list()) for name, sent in taken.items()}
    tarnside, brackwell = (*(seen["tarnside_2025-09-30.csv"], seen["brackwell_2025-09-30"]),)
    assert len(tarnside & brackwell) == 2
    assert not seen["millrace_2025-09-30.csv"] & tarnside


def test_the_phase_of_the_second_clinic_gives_the_order_of_its_events(taken, rows):
    """Its export knows before and after only, and no order is stated beyond that."""
    sent = taken["millrace_2025-09-30.csv"]
    records = rows["millrace_2025-09-30.csv"][""]
    place = ["patient", "visit", "joint", "side"]
    treated = sent.tables["treatment"].select(*place, pl.col("event").alias("bout"))
    assert treated.height == treated.unique(place).height
    tests = sent.tables["range_test"].join(treated, on=place, how="inner")
    phase = pl.Series([records[number - 1]["Phase"] for number in tests["source_record"]])
    is_before = tests["event"] < tests["bout"]
    assert is_before.to_list() == (phase == "vor").to_list()
    assert (~is_before).to_list() == (tests["event"] > tests["bout"]).to_list()
    assert not tests["order_is_stated"].any()
