"""What the README shows is true: its codebook is valid, its commands exist."""

import re
from pathlib import Path

import jsonschema
from ruamel.yaml import YAML

from schemas.codebook import Codebook
from schemas.json_schema import json_schema

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_codebook_shown_is_valid():
    (text,) = re.findall(r"```yaml\n(.*?)```", README, flags=re.S)
    content = YAML(typ="safe", pure=True).load(text)
    book = Codebook.model_validate(content)
    assert len(book.layout.records) == 4
    content["reviewed_on"] = str(content["reviewed_on"])  # JSON has no dates
    jsonschema.validate(content, json_schema(Codebook))


def test_every_command_shown_exists_and_every_command_is_shown():
    from flows.command import app

    shown = set(re.findall(r"^\| `arcgain (\w+)", README, flags=re.M))
    known = {name for name in app if not name.startswith("-")}
    assert shown == known
