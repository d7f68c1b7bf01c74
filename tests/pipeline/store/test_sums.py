"""Sums that are kept: the same result, no second reading, damage found, nothing left half-written."""

import os
from dataclasses import replace

import polars as pl
import pytest

from pipeline.mixed_model.description import Factor, Method, ModelDescription, Number, RandomTerm
from pipeline.mixed_model.fit import fit
from pipeline.mixed_model.sufficient_statistics import collect
from pipeline.store import sums
from pipeline.store.sums import Partition, cached_statistics, forget_sums
from schemas.errors import StoreError

MODEL = ModelDescription(
    outcome="gain",
    fixed=(Factor(name="technique"), Number(name="pretest")),
    random=(RandomTerm(by=("patient",)),),
)
ROWS = pl.DataFrame(
    {
        "clinic": ["a"] * 8 + ["b"] * 6 + ["c"] * 4,
        "patient": [f"p{i // 2}" for i in range(18)],
        "technique": ["x", "y", "y", "x", "x", "x", "y", "y", "x"] * 2,
        "pretest": [31.5, 28.0, 40.5, 22.5, 35.0, 30.0, 27.5, 33.0, 29.0] * 2,
        "gain": [4.5, 6.0, -1.5, 3.0, 2.5, 8.0, 5.5, 1.0, 0.5, 7.0, 2.0, 9.5, 3.5, 6.5, 4.0, 1.5,
                 5.0, 2.0],
    }
)  # fmt: skip


class Reader:
    """Partitions by clinic that count how often they are read."""

    def __init__(self, rows=ROWS):
        self.read = []
        self.partitions = [
            Partition(f"digest of {clinic}", lambda c=clinic, p=part: self._read(c, p))
            for (clinic,), part in rows.partition_by("clinic", as_dict=True).items()
        ]

    def _read(self, clinic, part):
        self.read.append(clinic)
        return part


def same(one, other):
    assert one.description == other.description
    assert one.columns == other.columns
    assert one.products.tolist() == other.products.tolist()
    assert one.groups.equals(other.groups)
    assert one.sums.tobytes() == other.sums.tobytes()
    assert (one.n_rows, one.n_left_out) == (other.n_rows, other.n_left_out)


def files(folder):
    return sorted(path.name for path in folder.iterdir())


def test_kept_sums_are_those_of_all_rows_and_nothing_is_read_twice(tmp_path):
    folder, reader = tmp_path / "sums", Reader()
    first = cached_statistics(reader.partitions, MODEL, folder)
    assert reader.read == ["a", "b", "c"]
    second = cached_statistics(reversed(reader.partitions), MODEL, folder)
    assert reader.read == ["a", "b", "c"]
    for found in (first, second):
        same(found, collect(ROWS, MODEL))
        assert fit(found).theta.tobytes() == fit(ROWS, MODEL).theta.tobytes()
    assert len(files(folder)) == 3


def test_only_new_parts_are_read(tmp_path):
    reader = Reader()
    cached_statistics(reader.partitions[:2], MODEL, tmp_path)
    changed = replace(reader.partitions[1], digest="another digest")
    cached_statistics([reader.partitions[0], changed, reader.partitions[2]], MODEL, tmp_path)
    assert reader.read == ["a", "b", "b", "c"] or reader.read == ["a", "b", "c", "b"]
    assert sorted(reader.read) == ["a", "b", "b", "c"]


def test_another_model_has_its_own_sums_and_another_method_has_not(tmp_path):
    reader = Reader()
    cached_statistics(reader.partitions, MODEL, tmp_path)
    by_ml = MODEL.model_copy(update={"method": Method.ML})
    found = cached_statistics(reader.partitions, by_ml, tmp_path)
    assert len(reader.read) == 3
    assert found.description.method is Method.ML
    assert fit(found).criterion == fit(ROWS, by_ml).criterion
    smaller = MODEL.model_copy(update={"fixed": (Number(name="pretest"),)})
    same(cached_statistics(reader.partitions, smaller, tmp_path), collect(ROWS, smaller))
    assert len(reader.read) == 6


def test_another_layout_has_its_own_sums(tmp_path, monkeypatch):
    reader = Reader()
    cached_statistics(reader.partitions, MODEL, tmp_path)
    monkeypatch.setattr(sums, "LAYOUT", 2)
    cached_statistics(reader.partitions, MODEL, tmp_path)
    assert len(reader.read) == 6


@pytest.mark.parametrize("damage", ["truncated", "empty", "one bit", "checksum"])
def test_damaged_sums_are_made_again(tmp_path, damage):
    reader = Reader()
    cached_statistics(reader.partitions, MODEL, tmp_path)
    path = next(tmp_path.iterdir())
    whole = path.read_bytes()
    spoilt = {
        "truncated": whole[:-1],
        "empty": b"",
        "one bit": whole[:200] + bytes([whole[200] ^ 1]) + whole[201:],
        "checksum": bytes([whole[0] ^ 1]) + whole[1:],
    }
    path.write_bytes(spoilt[damage])
    same(cached_statistics(reader.partitions, MODEL, tmp_path), collect(ROWS, MODEL))
    assert len(reader.read) == 4
    assert path.read_bytes() == whole


def test_a_stopped_writer_leaves_nothing_that_is_read(tmp_path, monkeypatch):
    reader = Reader()

    def full(handle):
        raise OSError("no space left")

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(OSError, match="no space left"):
            cached_statistics(reader.partitions, MODEL, tmp_path)
    assert files(tmp_path) == []
    # One that was killed leaves its hidden file, which has no final name.
    aside = tmp_path / ".abc.sums.1-0.tmp"
    aside.write_bytes(b"half")
    same(cached_statistics(reader.partitions, MODEL, tmp_path), collect(ROWS, MODEL))
    assert aside.name in files(tmp_path)


def test_a_part_without_usable_rows_is_kept_too(tmp_path):
    rows = ROWS.with_columns(gain=pl.when(pl.col("clinic") == "b").then(None).otherwise("gain"))
    reader = Reader(rows)
    for _ in range(2):
        found = cached_statistics(reader.partitions, MODEL, tmp_path)
        same(found, collect(rows, MODEL))
        assert found.n_left_out == 6
    assert len(reader.read) == 3


def test_categories_come_back_as_text_whether_kept_or_not(tmp_path):
    reader = Reader(ROWS.with_columns(pl.col("patient").cast(pl.Categorical)))
    cached_statistics(reader.partitions[:1], MODEL, tmp_path)
    found = cached_statistics(reader.partitions, MODEL, tmp_path)  # one kept, two new
    same(found, collect(ROWS, MODEL))


def test_the_same_digest_twice_is_refused(tmp_path):
    reader = Reader()
    with pytest.raises(StoreError) as error:
        cached_statistics([*reader.partitions, reader.partitions[0]], MODEL, tmp_path)
    assert error.value.place == str(tmp_path)
    assert "two partitions have the digest digest of a" in error.value.problem
    assert "counted twice" in error.value.remedy
    assert reader.read == []


def test_forgotten_sums_leave_no_pseudonym(tmp_path):
    folder, reader = tmp_path / "sums", Reader()
    assert forget_sums(folder) == 0
    cached_statistics(reader.partitions, MODEL, folder)
    (folder / ".abc.sums.1-0.tmp").write_bytes(b"p3")
    (folder / "notes.txt").write_text("not ours", encoding="utf-8")
    assert any(b"p3" in path.read_bytes() for path in folder.glob("*.sums"))
    assert forget_sums(folder) == 4
    assert files(folder) == ["notes.txt"]
