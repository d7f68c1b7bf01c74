"""Publishing without the orchestrator: the network's smallest count, unchanged inputs, missing clinics."""

import json
from pathlib import Path

import pytest

from flows.intake import Request, check_export, take_in
from flows.publication import publish
from flows.workspace import create_workspace
from schemas.errors import PlanError
from synthetic_data.open_data.folder import open_data_folder

DATA = open_data_folder()


@pytest.fixture
def workspace(tmp_path):
    root = tmp_path / "w"
    create_workspace(root, "Network")
    take_in(root, Request(DATA / "hips.csv", DATA / "hips.yaml"))
    return root


def plan(folder: Path, old: str, new: str) -> Path:
    path = folder / "plan.yaml"
    text = (DATA / "hips-plan.yaml").read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def cells(published):
    return json.loads(
        (published.page.parent / "data" / "results.json").read_text(encoding="utf-8")
    )["cells"]


def test_a_dry_run_stores_nothing(tmp_path):
    root = tmp_path / "w"
    create_workspace(root, "Network")
    taken = check_export(root, Request(DATA / "hips.csv", DATA / "hips.yaml"))
    assert taken.account["range_test"]["accepted"] == 312
    assert not taken.is_stored
    assert list((root / "store" / "ledger").iterdir()) == []


def test_a_plan_cannot_ask_for_less_than_the_networks_smallest_count(workspace, tmp_path):
    lower = plan(tmp_path, "joint: hip", "joint: hip\nsmallest_count: 1")
    settings = workspace / "network.yaml"
    settings.write_text(settings.read_text().replace("smallest_count: 11", "smallest_count: 13"))
    found = cells(publish(workspace, lower))
    assert found["technique.rotation.gain.level.usual_care"]["status"] == "c"  # 12 patients
    assert found["technique.rotation.gain.primary"]["status"] == "c"


def test_the_same_inputs_are_unchanged_and_another_plan_is_another_version(workspace, tmp_path):
    one = publish(workspace, DATA / "hips-plan.yaml")
    again = publish(workspace, DATA / "hips-plan.yaml")
    assert (one.is_new, again.is_new, again.identifier) == (True, False, one.identifier)
    other = publish(workspace, plan(tmp_path, "version: 1", "version: 2"))
    assert other.identifier != one.identifier
    page = (workspace / "published" / "index.html").read_text(encoding="utf-8")
    assert one.identifier in page
    assert other.identifier in page
    latest = json.loads((workspace / "published" / "latest.json").read_text(encoding="utf-8"))
    assert latest == {"hips-trial": other.identifier}


def test_no_published_file_names_a_clinic_or_holds_a_pseudonym(workspace):
    version = publish(workspace, DATA / "hips-plan.yaml").page.parent
    for path in version.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert b"bath-trial" not in content, path
            assert b"p-0" not in content and b"p-f" not in content, path  # noqa: PT018 - one thought


def test_a_clinic_that_never_sent_anything_is_named(workspace, tmp_path):
    with pytest.raises(PlanError, match="no delivery of elsewhere") as error:
        publish(workspace, plan(tmp_path, "[bath-trial]", "[bath-trial, elsewhere]"))
    assert "Ingest" in error.value.remedy
