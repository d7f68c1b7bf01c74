"""House rules that no linter has."""

import ast
import json
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("schemas", "pipeline", "reports", "flows", "synthetic_data")
MODULES = sorted(path for package in PACKAGES for path in (ROOT / package).rglob("*.py"))
LONGEST = 400
VAGUE = {"utils", "helpers", "common", "base", "misc"}


def names(modules):
    return [str(path.relative_to(ROOT)) for path in modules]


@pytest.mark.parametrize("path", MODULES, ids=names(MODULES))
def test_a_module_is_short_and_says_what_it_is(path):
    text = path.read_text(encoding="utf-8")
    assert ast.get_docstring(ast.parse(text)), "no docstring"
    assert len(text.splitlines()) <= LONGEST
    assert path.stem not in VAGUE


def test_a_package_file_holds_a_docstring_alone():
    for path in (p for p in MODULES if p.name == "__init__.py"):
        body = ast.parse(path.read_text(encoding="utf-8")).body
        assert len(body) == 1, path


def test_only_three_rooms_of_the_pipeline_touch_the_disk():
    touching = {"read_bytes", "read_text", "write_bytes", "write_text", "open", "mkdir", "unlink"}
    free = ("pipeline/store/", "pipeline/reading/", "pipeline/publication.py")
    for path in MODULES:
        name = str(path.relative_to(ROOT))
        if not name.startswith("pipeline/") or name.startswith(free):
            continue
        tree = ast.parse(path.read_text(encoding="utf-8"))
        calls = {
            node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            for node in ast.walk(tree)
            if isinstance(node, ast.Call)
        }
        assert not calls & touching, name


def test_help_does_not_load_what_is_slow():
    slow = ("prefect", "pandera", "scipy", "statsmodels", "polars", "altair", "duckdb")
    program = (
        "import json, sys\nfrom flows.cli import run\nrun(['--help'])\n"
        f"print(json.dumps([m for m in {slow!r} if m in sys.modules]))"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert json.loads(done.stdout.splitlines()[-1]) == []


def test_there_is_no_package_under_tests_to_hide_the_real_one():
    assert not list((ROOT / "tests").rglob("__init__.py"))


def test_the_lock_names_no_registry_and_pins_every_dependency():
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    assert "http" + "://" not in lock
    assert "https" + "://" not in lock
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    pinned = {
        line.split("==")[0].split("[")[0].lower().replace(".", "-")
        for line in lock.splitlines()
        if "==" in line
    }
    wanted = [*project["project"]["dependencies"], *project["dependency-groups"]["dev"]]
    for requirement in wanted:
        name = (
            requirement.split(">")[0].split("[")[0].split("=")[0].strip().lower().replace(".", "-")
        )
        assert name in pinned, requirement


def test_the_top_level_is_as_agreed():
    allowed = {
        "README.md", "DEVELOPERS.md", "CHANGELOG.md", "pyproject.toml", "requirements.lock", "Makefile",
        *PACKAGES, "tests",
    }  # fmt: skip
    listed = subprocess.run(
        ["git", "ls-files"], capture_output=True, text=True, check=True, cwd=ROOT
    )
    top = {name.split("/")[0] for name in listed.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} <= allowed
