"""YAML settings: a mistake is told with file, line, what is wrong and what was probably meant."""

from pathlib import Path

import pytest

from flows.configuration import read_codebook, read_plan, read_settings
from flows.workspace import create_workspace, open_workspace
from schemas.errors import CodebookError, PlanError, SettingsError

CODEBOOK = """\
codebook: visits
clinic: harbour
version: 1
delivery: {kind: full}
columns:
  id: {field: patient}
  ir: {field: angle, unit: deg}
  hip: {field: side}
records:
  - table: range_test
    set: {visit: one, event: 1, definition: hip_internal_rotation_prone_passive}
"""

PLAN = """\
report: network
version: 1
date: 2026-10-31
title: A title
population: Invented hips
analyses:
  - question: technique
    motion: internal_rotation
    levels: [lateral_distraction, long_axis_distraction]
    primary: {first: lateral_distraction, second: long_axis_distraction}
"""


def written(tmp_path, text) -> Path:
    path = tmp_path / "file.yaml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_right_codebook_and_plan_are_read(tmp_path):
    assert read_codebook(written(tmp_path, CODEBOOK)).codebook.columns["ir"].unit == "deg"
    assert read_plan(written(tmp_path, PLAN))[0].smallest_count == 11


@pytest.mark.parametrize(
    ("old", "new", "line", "problem"),
    [
        ("field: angle, unit", "field: angel, unit", 7, "“angel” is not a field; nearest: angle"),
        (", unit: deg", "", 7, "needs its unit stated"),
        ("unit: deg", "unit: Grad", 7, "unit “Grad” of the field “angle” is not known"),
        ("{field: side}", "{field: side, codes: {L: lft}}", 8, "“lft”, which is not a code of “side”; nearest: left"),
        ("table: range_test", "table: range_tests", 10, "nearest: range_test"),
        ("event: 1, ", "", None, "says nothing of event or phase"),
        ("prone_passive", "prone_passiv", 10, "nearest: hip_internal_rotation_prone_passive"),
        ("kind: full", "kind: whole", 4, "'full' or 'increment'"),
        ("version: 1", "vresion: 1", None, "vresion"),
        ("hip: {field: side}", "hip: {field: side}\n  lev: {field: angle, unit: deg}", None, "say under “take”"),
        ("columns:", "columns: [", 7, "not valid YAML"),
        ("hip: {field: side}", "hip: {field: side}\n  note: {field: end_feel}\n  grade: {field: grade, scale: oscillatory}",
         None, "no record takes the column “grade”"),
        ("{field: patient}", "{field: visit}", None, "one column must hold the field “patient”"),
    ],
)  # fmt: skip
def test_a_mistake_in_a_codebook_is_named_with_its_line(tmp_path, old, new, line, problem):
    with pytest.raises(CodebookError) as error:
        read_codebook(written(tmp_path, CODEBOOK.replace(old, new, 1)))
    assert problem in error.value.problem
    assert error.value.remedy
    if line:
        assert error.value.place == f"file.yaml, line {line}"


@pytest.mark.parametrize(
    ("old", "new", "problem"),
    [
        ("question: technique", "question: tecnique", "'technique', 'bias' or 'grade'"),
        ("first: lateral_distraction", "first: inferior_glide", "is not one of the levels"),
        ("motion: internal_rotation", "motion: internal", "nearest: internal_rotation"),
        ("title: A title", "title: ''", "at least 1 character"),
    ],
)
def test_a_mistake_in_a_plan_is_named(tmp_path, old, new, problem):
    with pytest.raises(PlanError, match=r"file\.yaml, line") as error:
        read_plan(written(tmp_path, PLAN.replace(old, new, 1)))
    assert problem in error.value.problem


@pytest.mark.parametrize(
    ("text", "problem"), [("", "no settings"), ("- a\n", "no settings"), ("a: b: c\n", "YAML")]
)
def test_what_is_no_mapping_is_refused(tmp_path, text, problem):
    with pytest.raises(SettingsError, match=problem):
        read_settings(written(tmp_path, text))


def test_a_missing_or_binary_file_is_refused(tmp_path):
    with pytest.raises(CodebookError, match="no such file"):
        read_codebook(tmp_path / "absent.yaml")
    path = tmp_path / "binary.yaml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CodebookError, match="not UTF-8"):
        read_codebook(path)
    with pytest.raises(CodebookError, match="cannot be read"):
        read_codebook(tmp_path)


def test_a_workspace_is_made_once_with_a_key_that_nobody_else_reads(tmp_path):
    place = create_workspace(tmp_path / "w", 'The "Quoted" Network: a: b')
    assert place.settings.network == 'The "Quoted" Network: a: b'
    key = tmp_path / "w" / "keys" / "pseudonym.key"
    assert key.stat().st_mode & 0o777 == 0o600
    assert (tmp_path / "w" / "keys").stat().st_mode & 0o777 == 0o700
    with pytest.raises(SettingsError, match="not empty"):
        create_workspace(tmp_path / "w", "again")
    with pytest.raises(SettingsError, match="no workspace"):
        open_workspace(tmp_path)
