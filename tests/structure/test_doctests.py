"""Examples in docstrings are tests."""

import doctest
import importlib

import pytest

from tests.structure.test_house_rules import MODULES, ROOT

NAMES = [
    str(path.relative_to(ROOT).with_suffix("")).replace("/", ".")
    for path in MODULES
    if ">>>" in path.read_text(encoding="utf-8")
]


@pytest.mark.parametrize("name", NAMES)
def test_the_examples_hold(name):
    result = doctest.testmod(importlib.import_module(name))
    assert result.attempted > 0
    assert result.failed == 0
