"""The invented network: the same for a seed, of the stated size, with clinicians shared by two clinics."""

import hashlib
import os
import subprocess
import sys
from dataclasses import replace

import polars as pl
import pytest
from ruamel.yaml import YAML

from schemas.codebook import Codebook
from synthetic_data.clinic import CLINICS
from synthetic_data.export import write_exports
from synthetic_data.identifier_export import identifier_exports
from synthetic_data.network import make_network
from synthetic_data.open_data.folder import open_data_folder
from synthetic_data.truth import Truth


def codebooks(made):
    return {
        export.clinic: Codebook.model_validate(
            YAML(typ="safe", pure=True).load(export.codebook_path)
        )
        for export in made[1]
    }


def test_a_seed_gives_the_same_bytes_in_any_process(tmp_path):
    program = (
        "import sys, pathlib\n"
        "from synthetic_data.export import write_exports\n"
        "from synthetic_data.network import make_network\n"
        "write_exports(make_network(7, 300), pathlib.Path(sys.argv[1]))\n"
    )
    digests = []
    for seed in ("1", "2"):
        folder = tmp_path / seed
        environment = os.environ | {
            "PYTHONHASHSEED": seed,
            "TZ": "Asia/Tokyo" if seed == "1" else "UTC",
            "POLARS_MAX_THREADS": seed,
        }
        subprocess.run([sys.executable, "-c", program, str(folder)], check=True, env=environment)
        files = sorted(path for path in folder.rglob("*") if path.is_file())
        digests.append(
            {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
        )
    assert digests[0] == digests[1]
    # Six codebooks, seven exports, one of them a folder of five files.
    assert len(digests[0]) == 6 + 6 + 5


def test_the_answer_key_is_the_same_each_time(made):
    assert make_network(11, 300).answer_key == made[0].answer_key


def test_another_seed_gives_another_network(made, tmp_path):
    other = write_exports(make_network(12, 300), tmp_path)
    for one, two in zip(made[1], other, strict=True):
        assert one.path.name == two.path.name
        if one.path.is_file():
            assert one.path.read_bytes() != two.path.read_bytes()


def test_the_seed_says_where_the_defects_are_too(made):
    other = replace(made[0], seed=12).answer_key.defects
    assert other != made[0].answer_key.defects


def test_too_few_patients_are_refused():
    with pytest.raises(ValueError, match="at least 300"):
        make_network(1, 299)


def test_the_exports_have_six_shapes(made):
    books = codebooks(made)
    assert tuple(books) == CLINICS
    assert [book.file.format for book in books.values()] == [
        *("delimited", "delimited", "delimited", "workbook", "ndjson", "parquet"),
    ]
    assert {b.file.delimiter for b in books.values() if b.file.format == "delimited"} == {",", ";"}
    assert {book.file.decimal_mark for book in books.values()} == {".", ","}
    angles = [
        column
        for book in books.values()
        for layout in book.layouts.values()
        for column in layout.columns.values()
        if column.field == "angle"
    ]
    assert {column.unit for column in angles} == {"deg", "rad", "gon"}
    assert {column.zero for column in angles} == {"neutral", "straight_180"}
    assert {column.sign for column in angles} == {"as_recorded", "lack_is_positive"}
    assert {column.composite.order for column in angles if column.composite} == {
        *("sftr", ("external_rotation", "zero", "internal_rotation")),
        ("flexion", "zero", "extension"),
    }
    assert not set(books["harbour"].columns) & set(books["millrace"].columns)


def test_exports_are_sent_in_order_of_their_days(made):
    days = [export.exported_on for export in made[1]]
    assert days == sorted(days)
    assert [d.file for d in made[0].deliveries] == [export.path.name for export in made[1]]


def test_clinicians_have_one_numbering_and_some_work_at_two_clinics():
    visits = make_network(3, 900).events.visits
    at = visits.group_by("clinician").agg(pl.col("clinic").unique().sort())
    several = at.filter(pl.col("clinic").list.len() > 1)
    assert several["clinic"].to_list() == [["brackwell", "tarnside"]] * 2
    assert at.height == 6 * 6 - 2


def test_a_clinician_is_the_same_person_at_both_clinics():
    """With no other deviation than the clinician's, gains of one person agree and others differ."""
    alone = Truth(
        day_sd_deg=0, clinic_sd_deg=0, clinician_sd_deg=5, patient_sd_deg=0, hip_sd_deg=0,
        visit_sd_deg=0, technique_by_clinic_sd_deg=0, pretest_slope=0, end_feel_deg=(0, 0, 0, 0),
        per_doubling_deg=0, technique_deg=(0, 0, 0), into_resistance_deg=0, congruent_deg=0,
        opposed_deg=0, combined_minus_held_deg=0, definition_deg=(0, 0, 0, 0),
    )  # fmt: skip
    events = make_network(3, 900, truth=alone).events
    key = ["clinic", "patient", "visit", "side", "definition"]
    before = events.tests.filter((pl.col("block") == "pretest") & (pl.col("trial") == 1))
    after = events.tests.filter((pl.col("block") == "retest") & (pl.col("n_bouts") == 1))
    gains = (
        after.join(before, on=key, suffix="_before")
        .join(events.visits, on=key[:3])
        .group_by("clinician", "clinic")
        .agg(
            gain=(pl.col("true_deg") - pl.col("true_deg_before")).mean(),
            spread=(pl.col("true_deg") - pl.col("true_deg_before")).std(),
        )
    )
    assert gains["spread"].max() < 1e-9
    both = gains.filter(pl.len().over("clinician") == 2).sort("clinician")
    assert both.height == 4
    first, second = both["gain"].to_list()[::2], both["gain"].to_list()[1::2]
    assert first == pytest.approx(second, abs=1e-9)
    assert gains["gain"].std() == pytest.approx(5, rel=0.4)


def test_retests_are_missing_as_often_as_in_practice():
    counts = make_network(20261031).answer_key.retests
    assert [count.clinic for count in counts] == sorted(CLINICS)
    for count in counts:
        assert 0.10 < count.n_missing / count.n_owed < 0.40, count


def test_each_identifier_export_says_in_its_name_what_is_wrong(tmp_path):
    exports = {export.path.stem: export for export in identifier_exports(tmp_path)}
    assert set(exports) == {
        "identifier_email", "identifier_phone", "identifier_name", "identifier_birth_date", "identifier_undeclared",
    }  # fmt: skip
    assert "@" in exports["identifier_email"].path.read_text(encoding="utf-8")


def test_the_open_data_are_the_published_table():
    """Chatfield (1995), as distributed in R package faraway 1.0.9: 39 people, two hips each."""
    rows = pl.read_csv(open_data_folder() / "hips.csv")
    assert rows.columns == ["fbef", "faft", "rbef", "raft", "grp", "side", "person"]
    assert (rows.height, rows["person"].n_unique()) == (78, 39)
    assert rows["grp"].value_counts().sort("grp")["count"].to_list() == [24, 54]
    assert (rows["raft"].sum(), (rows["raft"] ** 2).sum()) == (2317, 75247)
    gain = rows.group_by("grp").agg((pl.col("raft") - pl.col("rbef")).mean()).sort("grp")
    assert gain["raft"].to_list() == pytest.approx([0.958333, 6.592593], abs=1e-6)
