"""The JSON Schema of a codebook accepts what the program accepts, and names what it refuses."""

import copy

import jsonschema
import pytest

from schemas.codebook import Codebook
from schemas.json_schema import json_schema
from tests.conftest import LONG

SCHEMA = json_schema(Codebook)


def problems(content):
    """Check with the reference implementation of JSON Schema in Python (jsonschema)."""
    found = jsonschema.Draft202012Validator(SCHEMA).iter_errors(content)
    return [error.message for error in found]


def test_the_schema_is_valid_and_accepts_a_right_codebook():
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    assert problems(LONG) == []


@pytest.mark.parametrize(
    ("path", "value", "said"),
    [
        (("columns", "angle", "field"), "angel", "'angel' is not one of"),
        (("columns", "angle", "unit"), "Grad", "'Grad' is not one of ['deg', 'rad', 'gon', '%']"),
        (("columns", "angle"), {"field": "angle"}, "'unit' is a required property"),
        (("columns", "hip", "codes"), {"L": "lft"}, "'lft' is not one of ['left', 'right'"),
        (("columns", "hip", "colour"), "red", "'colour' was unexpected"),
        (("records", 0, "table"), "patients", "'patients' is not one of"),
        (("vresion",), 1, "'vresion' was unexpected"),
        (("file",), {"format": "workbook", "delimiter": ";"}, "is not valid under any"),
    ],
)
def test_a_mistake_is_found_by_an_editor_too(path, value, said):
    content = copy.deepcopy(LONG)
    node = content
    for step in path[:-1]:
        node = node[step]
    node[path[-1]] = value
    found = problems(content)
    assert found
    assert any(said in message for message in found), found
    with pytest.raises(ValueError, match=r".+"):
        Codebook.model_validate(content)


def test_every_setting_has_words():
    parts = {"Codebook": SCHEMA} | SCHEMA["$defs"]
    bare = [
        f"{name}.{setting}"
        for name, part in parts.items()
        for setting, rule in part.get("properties", {}).items()
        if not rule.get("description")
    ]
    assert bare == []
