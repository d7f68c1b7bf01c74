"""Publishing: a version is there wholly or not at all, once, and never changes."""

import json
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from pipeline.publication import (
    Inputs,
    find_version,
    hash_code,
    identify,
    list_versions,
    publish_version,
    replace_front,
    verify_versions,
)
from schemas.errors import StoreError

INPUTS = Inputs(
    report="network",
    kind="network",
    content_digest="c" * 64,
    plan_sha256="p" * 64,
    codebooks=("1", "2"),
    code_sha256="s" * 64,
    packages={"polars": "2.1.0"},
    smallest_count=11,
    seed=1,
)
CONTENT = {"index.html": b"<p>one</p>", "data/results.json": b"{}"}
ABOUT = {"title": "A title", "date": "2026-10-31"}


def publish(folder, inputs=INPUTS, content=CONTENT):
    return publish_version(folder, inputs, identify(inputs), content, ABOUT)


def test_the_identifier_is_made_from_every_input():
    changed = [
        replace(INPUTS, report="other"), replace(INPUTS, content_digest="d"), replace(INPUTS, seed=2),
        replace(INPUTS, plan_sha256="q"), replace(INPUTS, codebooks=("1",)), replace(INPUTS, code_sha256="t"),
        replace(INPUTS, packages={"polars": "2.1.1"}), replace(INPUTS, smallest_count=12),
    ]  # fmt: skip
    identifiers = {identify(inputs) for inputs in (INPUTS, *changed)}
    assert len(identifiers) == 1 + len(changed)
    assert all(len(name) == 12 and int(name, 16) >= 0 for name in identifiers)
    assert identify(INPUTS) == identify(replace(INPUTS))
    assert identify(INPUTS, ("earlier",)) != identify(INPUTS)


def test_a_version_is_written_read_only_with_its_hashes(tmp_path):
    version = publish(tmp_path)
    assert (version.folder / "index.html").read_bytes() == CONTENT["index.html"]
    assert (version.folder / "index.html").stat().st_mode & 0o222 == 0
    manifest = json.loads((version.folder / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["files"]["index.html"]["size"] == len(CONTENT["index.html"])
    assert manifest["inputs"]["seed"] == 1
    assert [v.identifier for v in list_versions(tmp_path)] == [identify(INPUTS)]
    assert find_version(tmp_path, INPUTS) == version
    assert find_version(tmp_path, replace(INPUTS, seed=2)) is None
    assert verify_versions(tmp_path) == ()


def test_the_same_version_again_changes_nothing_and_other_bytes_are_an_error(tmp_path):
    first = publish(tmp_path)
    assert publish(tmp_path) == first
    with pytest.raises(StoreError) as error:
        publish(tmp_path, content=CONTENT | {"index.html": b"<p>two</p>"})
    assert error.value.place.endswith("index.html")
    assert "nothing was published" in error.value.problem
    assert (first.folder / "index.html").read_bytes() == CONTENT["index.html"]


def test_what_a_killed_run_left_is_invisible_and_swept(tmp_path):
    leftover = tmp_path / "network" / ".new-0123456789ab"
    leftover.mkdir(parents=True)
    (leftover / "manifest.json").write_text("{}", encoding="utf-8")
    assert list_versions(tmp_path) == ()
    assert verify_versions(tmp_path) == ()
    publish(tmp_path)
    assert not leftover.exists()


@pytest.mark.parametrize(
    ("damage", "place", "problem"),
    [
        (lambda f: (f / "index.html").write_bytes(b"<p>0ne</p>"), "index.html", "has changed"),
        (lambda f: (f / "data" / "results.json").unlink(), "data/results.json", "is missing"),
        (lambda f: (f / "more.txt").write_bytes(b""), "more.txt", "not in the manifest"),
        (lambda f: (f / "manifest.json").write_bytes(b"{"), "manifest.json", "damaged"),
    ],
)
def test_any_damage_is_found(tmp_path, damage, place, problem):
    folder = publish(tmp_path).folder
    for path in folder.rglob("*"):
        path.chmod(0o755)
    damage(folder)
    (found,) = verify_versions(tmp_path)
    assert found.place == f"published/network/{folder.name}/{place}"
    assert problem in found.problem
    assert found.remedy


def test_the_front_page_and_the_pointer_are_replaced(tmp_path):
    publish(tmp_path)
    replace_front(tmp_path, lambda: (b"<p>all</p>", {"network": "0" * 12}))
    replace_front(tmp_path, lambda: (b"<p>newer</p>", {"network": "1" * 12}))
    assert (tmp_path / "index.html").read_bytes() == b"<p>newer</p>"
    assert json.loads((tmp_path / "latest.json").read_text(encoding="utf-8")) == {
        "network": "1" * 12
    }


def test_the_code_hash_is_stable():
    assert hash_code() == hash_code()
    assert len(hash_code()) == 64


def test_every_file_of_the_program_is_in_the_code_hash():
    """Templates and code lists decide what a report says as much as code does."""
    from pipeline.publication import _CODE, _source_files

    root = Path(__file__).resolve().parents[2]
    tracked = subprocess.run(
        ["git", "ls-files", *_CODE], check=True, cwd=root, capture_output=True, text=True
    )
    hashed = {name for package in _CODE for name, _ in _source_files(package)}
    assert set(tracked.stdout.split()) <= hashed
    assert not [name for name in hashed if name.endswith(".pyc")]
