"""JSON Schema of the files that people write, so that editors complete and check them."""

import inspect
import re
from typing import Any

from pydantic import BaseModel

DIALECT = "https://json-schema.org/draft/2020-12/schema"

_ATTRIBUTE = re.compile(r"^(\w[\w, ]*) ?(?:: .*)?$")


def json_schema(model: type[BaseModel]) -> dict[str, Any]:
    """Describe a model as JSON Schema, each setting with its words.

    Parameters
    ----------
    model : type of pydantic.BaseModel
        Such as ``Codebook``.

    Returns
    -------
    dict
        JSON Schema, draft 2020-12.
    """
    schema = model.model_json_schema()
    for name, part in (schema.get("$defs", {}) | {model.__name__: schema}).items():
        words = _attribute_words(_class_named(name, model))
        part["description"] = part.get("description", "").partition("\n")[0]
        for setting, rule in part.get("properties", {}).items():
            if setting in words:
                rule["description"] = words[setting]
    return {"$schema": DIALECT, **schema}


def _class_named(name: str, model: type[BaseModel]) -> type[BaseModel] | None:
    if name == model.__name__:
        return model
    found = [c for c in _subclasses(BaseModel) if c.__name__ == name and _is_ours(c)]
    return found[0] if found else None


def _is_ours(model: type) -> bool:
    return model.__module__.startswith("schemas.")


def _subclasses(model: type) -> list[type]:
    children: list[type] = model.__subclasses__()
    return [c for child in children for c in (child, *_subclasses(child))]


def _attribute_words(model: type[BaseModel] | None) -> dict[str, str]:
    """Take the words of each attribute from the numpydoc section "Attributes" of a class."""
    found: dict[str, str] = {}
    for base in reversed(model.__mro__ if model else ()):
        _, _, section = inspect.cleandoc(base.__doc__ or "").partition("Attributes\n----------\n")
        names: list[str] = []
        for line in section.splitlines():
            heading = _ATTRIBUTE.match(line)
            if heading:
                names = [name.strip() for name in heading[1].split(",")]
            for name in names if line.startswith("    ") else ():
                found[name] = f"{found.get(name, '')} {line.strip()}".strip()
    return {name: words.replace("``", "") for name, words in found.items()}
