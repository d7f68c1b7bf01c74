"""One demo workspace for all errands: made once by the README's own command."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

PROGRAM = [sys.executable, "-c", "from flows.cli import main; main()"]


def arcgain(*words, cwd, **environment):
    """Run the command in a process of its own, as a user would."""
    return subprocess.run(
        [*PROGRAM, *map(str, words)],
        capture_output=True,
        text=True,
        cwd=cwd,
        timeout=300,
        env=os.environ | environment,
        check=False,
    )


@pytest.fixture(scope="session")
def demo(tmp_path_factory):
    """Run the demo once; tests that change the workspace take a copy."""
    folder = tmp_path_factory.mktemp("demo") / "arcgain-demo"
    done = arcgain("demo", folder, cwd=folder.parent)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    return folder, done.stdout


@pytest.fixture
def workspace(demo, tmp_path):
    """Copy the demo workspace, so that a test may change it."""
    folder = tmp_path / "workspace"
    shutil.copytree(demo[0], folder, ignore=shutil.ignore_patterns(".prefect"))
    return Path(folder)
