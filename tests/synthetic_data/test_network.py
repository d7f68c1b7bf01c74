"""The invented network: the same for a seed, true to its truth, and every planted defect in its place."""

import csv
import hashlib
import os
import subprocess
import sys

import polars as pl
import pytest
from ruamel.yaml import YAML

from schemas.codebook import Codebook
from synthetic_data.export import write_exports
from synthetic_data.identifier_export import identifier_exports
from synthetic_data.network import make_network
from synthetic_data.open_data.folder import open_data_folder

SEED = 20261031


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    network = make_network(SEED)
    return network, write_exports(network, tmp_path_factory.mktemp("exports"))


def records(export):
    """Data records of an export, read by the standard library."""
    codebook = Codebook.model_validate(YAML(typ="safe", pure=True).load(export.codebook_path))
    with export.path.open(encoding=codebook.file.encoding, newline="") as file:
        return list(csv.DictReader(file, delimiter=codebook.file.delimiter))


def test_a_seed_gives_the_same_bytes_in_any_process(tmp_path):
    program = (
        "import sys, pathlib\n"
        "from synthetic_data.export import write_exports\n"
        "from synthetic_data.network import make_network\n"
        "write_exports(make_network(7, 100), pathlib.Path(sys.argv[1]))\n"
    )
    digests = []
    for seed in ("1", "2"):
        folder = tmp_path / seed
        environment = os.environ | {
            "PYTHONHASHSEED": seed,
            "TZ": "Asia/Tokyo" if seed == "1" else "UTC",
        }
        subprocess.run([sys.executable, "-c", program, str(folder)], check=True, env=environment)
        digests.append(
            {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}
        )
    assert digests[0] == digests[1]
    assert len(digests[0]) >= 5


def test_another_seed_gives_another_network(made, tmp_path):
    other = write_exports(make_network(SEED + 1), tmp_path)
    assert other[0].path.read_bytes() != made[1][0].path.read_bytes()


def test_the_exports_have_different_shapes(made):
    codebooks = {
        export.clinic: Codebook.model_validate(
            YAML(typ="safe", pure=True).load(export.codebook_path)
        )
        for export in made[1]
    }
    assert {c.file.delimiter for c in codebooks.values()} == {",", ";"}
    assert {c.file.decimal_mark for c in codebooks.values()} == {".", ","}
    units = {
        c.unit for book in codebooks.values() for c in book.columns.values() if c.field == "angle"
    }
    assert units == {"deg", "rad"}
    assert not set(codebooks["harbour"].columns) & set(codebooks["millrace"].columns)


def test_every_planted_defect_stands_where_the_answer_key_says(made):
    network, exports = made
    rows = {export.path.name: records(export) for export in exports}
    planted = [d for d in network.answer_key.defects if d.column]
    assert planted
    for defect in planted:
        assert rows[defect.file][defect.record - 1][defect.column] == defect.value, defect
    assert {str(d.outcome) for d in network.answer_key.defects} >= {
        "quarantined",
        "duplicate",
        "superseded",
    }


def test_a_repeated_row_equals_another_one(made):
    network, exports = made
    rows = {export.path.name: records(export) for export in exports}
    for defect in network.answer_key.defects:
        if str(defect.outcome) == "duplicate":
            row = rows[defect.file][defect.record - 1]
            assert rows[defect.file].count(row) == 2


def test_retests_are_missing_as_often_as_in_practice(made):
    for count in made[0].answer_key.retests:
        share = count.n_missing / count.n_owed
        assert 0.10 < share < 0.40, count


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
