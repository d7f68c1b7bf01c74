"""The built wheel holds all that a run needs, and works from any folder."""

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]

RUN = """
import sys
from pathlib import Path

import flows
assert Path(flows.__file__).is_relative_to(sys.argv[1]), flows.__file__

from flows.intake import Request, take_in
from flows.publication import publish
from flows.workspace import create_workspace
from synthetic_data.open_data.folder import open_data_folder

data = open_data_folder()
root = Path("workspace")
create_workspace(root, "Wheel")
take_in(root, Request(data / "hips.csv", data / "hips.yaml"))
print(publish(root, data / "hips-plan.yaml").page.read_text(encoding="utf-8"))
"""


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(folder)]
    subprocess.run(build, check=True, cwd=ROOT, capture_output=True)
    (wheel,) = folder.glob("*.whl")
    with zipfile.ZipFile(wheel) as content:
        content.extractall(folder / "site")
    return wheel, folder / "site"


def test_everything_that_is_no_code_is_in_it(installed):
    names = set(zipfile.ZipFile(installed[0]).namelist())
    tracked = subprocess.run(
        ["git", "ls-files", "schemas", "pipeline", "reports", "flows", "synthetic_data"],
        check=True, cwd=ROOT, capture_output=True, text=True,
    )  # fmt: skip
    assert set(tracked.stdout.split()) <= names
    assert not [name for name in names if name.startswith("tests/")]


def test_it_publishes_from_another_folder(installed, tmp_path):
    _, site = installed
    done = subprocess.run(
        [sys.executable, "-c", RUN, str(site)], cwd=tmp_path, capture_output=True, text=True, check=False,
        env=os.environ | {"PYTHONPATH": str(site)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Soft-tissue stretch went with larger gains" in done.stdout


@pytest.mark.parametrize("name", ["pipeline", "schemas", "reports"])
def test_a_file_that_hides_a_part_of_the_program_is_named(name, tmp_path):
    (tmp_path / f"{name}.py").write_text("", encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-c", "from flows.cli import main; main()", "list"], cwd=tmp_path,
        capture_output=True, text=True, check=False, env=os.environ | {"PYTHONPATH": str(tmp_path)},
    )  # fmt: skip
    assert done.returncode == 2
    assert "hides a part of arcgain" in done.stderr
    assert "Remedy: rename" in done.stderr
