"""The wide export for benchmarks, read by the csv module."""

import csv
import re
from itertools import pairwise

from synthetic_data.codebook import read_codebook
from synthetic_data.wide_export import WIDE_COLUMNS, wide_codebook, write_wide


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_every_row_is_whole_and_fits_its_codebook(tmp_path):
    write_wide(tmp_path / "wide.csv", 3000, 1)
    rows = read(tmp_path / "wide.csv")
    columns = read_codebook(wide_codebook()).layout.columns
    assert len(rows) == 3000
    assert tuple(rows[0]) == WIDE_COLUMNS
    assert set(columns) == set(WIDE_COLUMNS)
    for row in rows:
        for header, column in columns.items():
            cell = row[header]
            assert not column.codes or not cell or cell in column.codes, header
        assert re.fullmatch(r"\d+-0-\d+", row["ROT before"])
        assert re.fullmatch(r"S (\d+-0|0-\d+)-\d+", row["S before"])
        assert re.fullmatch(r"(0[1-9]|1[0-2])/[0-3]\d/202\d", row["Visit date"])
        assert re.fullmatch(r"gr ([12]|[34][+-]?)", row["Grade"])
        after = [row[h] for h in ("ROT after", "S after", "Pain after", "IR feel after")]
        assert all(after) or not any(after)
    missing = sum(not row["ROT after"] for row in rows) / len(rows)
    assert 0.1 < missing < 0.2
    assert any("-0-" not in row["S before"][2:] for row in rows)  # a lack of extension


def test_a_patient_and_a_hip_are_the_same_at_every_visit(tmp_path):
    write_wide(tmp_path / "wide.csv", 600, 2)
    rows = read(tmp_path / "wide.csv")
    people = {(r["Chart No"], r["Gender"], r["Age"]) for r in rows}
    hips = {(r["Chart No"], r["Hip"], r["Problem"], r["Since (years)"]) for r in rows}
    places = {(r["Chart No"], r["Visit date"], r["Hip"]) for r in rows}
    assert (len(people), len(hips), len(places)) == (100, 200, 600)


def test_pieces_join_without_a_seam(tmp_path, monkeypatch):
    """A file longer than one piece has one header, and no patient in two pieces."""
    monkeypatch.setattr("synthetic_data.wide_export._CHUNK", 600)
    write_wide(tmp_path / "long.csv", 1500, 1)
    write_wide(tmp_path / "short.csv", 700, 1)
    rows = read(tmp_path / "long.csv")
    assert len(rows) == 1500
    numbers = [int(row["Chart No"][2:]) for row in rows]
    assert all(b - a in {0, 1} for a, b in pairwise(numbers))
    assert (numbers[0], numbers[-1]) == (1, 250)
    assert read(tmp_path / "short.csv") == rows[:700]
    again = tmp_path / "again.csv"
    write_wide(again, 1500, 1)
    assert again.read_bytes() == (tmp_path / "long.csv").read_bytes()
    write_wide(again, 1500, 2)
    assert again.read_bytes() != (tmp_path / "long.csv").read_bytes()
