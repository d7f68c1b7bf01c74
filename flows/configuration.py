"""Read codebooks, plans and settings from YAML, with errors that name file, line and remedy."""

import re
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.scanner import RoundTripScanner

from pipeline.intake import SignedCodebook
from schemas.codebook import Codebook
from schemas.errors import ArcgainError, CodebookError, PlanError, SettingsError, nearest_names
from schemas.plan import Plan
from schemas.settings import Settings

Model = TypeVar("Model", bound=BaseModel)
_MOST_SHOWN = 5
_LONGEST_MESSAGE = 600
_LONGEST_FILE = 2_000_000
_MOST_NODES, _DEEPEST = 200_000, 50
_TOO_DEEP = "it is nested too deeply, or says the same too often"


def read_codebook(path: Path) -> SignedCodebook:
    """Read a codebook.

    Parameters
    ----------
    path : pathlib.Path
        YAML file.

    Returns
    -------
    SignedCodebook
        The codebook and its text.
    """
    text = _text(path, CodebookError)
    return SignedCodebook(_parse(text, path, Codebook, CodebookError), text)


def parse_codebook(text: str, name: str) -> Codebook:
    """Read a codebook that is kept as text.

    Parameters
    ----------
    text : str
        YAML text.
    name : str
        What to call it in messages.

    Returns
    -------
    Codebook
        The codebook.
    """
    return _parse(text, Path(name), Codebook, CodebookError)


def read_plan(path: Path) -> tuple[Plan, str]:
    """Read an analysis plan.

    Parameters
    ----------
    path : pathlib.Path
        YAML file.

    Returns
    -------
    tuple of Plan and str
        The plan and its text.
    """
    text = _text(path, PlanError)
    return _parse(text, path, Plan, PlanError), text


def read_settings(path: Path) -> Settings:
    """Read the settings of a workspace.

    Parameters
    ----------
    path : pathlib.Path
        ``network.yaml``.

    Returns
    -------
    Settings
        The settings.
    """
    return _parse(_text(path, SettingsError), path, Settings, SettingsError)


def _text(path: Path, error: type[ArcgainError]) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise error(str(path), "there is no such file", "Check the path and the name.") from None
    except UnicodeDecodeError:
        raise error(str(path), "the file is not UTF-8 text", "Save it as UTF-8.") from None
    except OSError as problem:
        raise error(
            str(path), f"cannot be read ({problem.strerror})", "Name a YAML file that you may read."
        ) from problem


class _Scanner(RoundTripScanner):
    """Stops at a bracket too deep: the library looks through all open ones at every token."""

    def fetch_flow_collection_start(self, TokenClass: Any, to_push: str) -> None:  # noqa: ANN401, N803 - the library's own
        """Open a bracket.

        Raises
        ------
        RecursionError
            If too many are open; one so deep is refused after reading in any case.
        """
        if self.flow_level > _DEEPEST:
            raise RecursionError(_TOO_DEEP)
        super().fetch_flow_collection_start(TokenClass, to_push)


def _load(text: str, path: Path, error: type[ArcgainError]) -> Any:  # noqa: ANN401 - whatever YAML holds
    if len(text) > _LONGEST_FILE:
        raise error(
            path.name, f"the file has more than {_LONGEST_FILE:,} characters", "Name another file."
        )
    try:
        reader = YAML(typ="rt", pure=True)
        reader.Scanner = _Scanner
        return reader.load(text)
    except MarkedYAMLError as problem:
        line = f", line {problem.problem_mark.line + 1}" if problem.problem_mark else ""
        raise error(
            f"{path.name}{line}",
            f"this is not valid YAML: {_short(problem.problem or 'it cannot be read')}",
            "Check the indentation, and put quotation marks around values with a colon or a hash.",
        ) from None
    except YAMLError as problem:
        raise error(
            path.name, f"this is not valid YAML: {_short(str(problem))}", "Check the file."
        ) from None
    except RecursionError:
        raise error(path.name, _TOO_DEEP, "Write it flat, as the examples show.") from None
    except (ValueError, TypeError, OverflowError, KeyError, AttributeError) as problem:
        raise error(
            path.name,
            f"it holds a date, number or key that cannot be one ({_short(str(problem))})",
            "Correct the value, or put it into quotation marks.",
        ) from None


def _parse(text: str, path: Path, model: type[Model], error: type[ArcgainError]) -> Model:
    content = _load(text, path, error)
    if not isinstance(content, dict):
        raise error(path.name, "the file holds no settings", "Write “name: value” lines into it.")
    unknown = [str(name) for name in content if name not in model.model_fields]
    if 2 * len(unknown) > len(content):
        raise error(
            path.name,
            f"this is no {model.__name__.lower()}: most of its settings are others "
            f"({', '.join(unknown[:4])})",
            f"Name a file whose settings are {', '.join(list(model.model_fields)[:4])} and so on.",
        )
    try:
        plain = _Plain().of(content)
    except ValueError as problem:
        raise error(path.name, str(problem), "Write it flat, as the examples show.") from None
    try:
        return model.model_validate(plain)
    except ValidationError as problems:
        raise _explained(problems, content, path, model, error) from None


class _Plain:
    """Plain dictionaries, lists and scalars of a tree that still knows its line numbers."""

    def __init__(self) -> None:
        self._n_nodes = 0

    def of(self, node: Any, depth: int = 0) -> Any:  # noqa: ANN401 - whatever YAML holds
        """Copy a node.

        Raises
        ------
        ValueError
            If it has no end, or a name twice.
        """
        self._n_nodes += 1
        if self._n_nodes > _MOST_NODES or depth > _DEEPEST:  # aliases of aliases, or of itself
            raise ValueError(_TOO_DEEP)
        if isinstance(node, dict):
            names = [str(key) for key in node]
            if len(set(names)) < len(names):
                twice = next(name for name in names if names.count(name) > 1)
                raise ValueError(f"the setting “{_short(twice)}” stands there twice")
            return {
                name: self.of(value, depth + 1)
                for name, value in zip(names, node.values(), strict=True)
            }
        if isinstance(node, list):
            return [self.of(item, depth + 1) for item in node]
        return node


def _short(text: str) -> str:
    return text if len(text) <= _LONGEST_MESSAGE else text[:_LONGEST_MESSAGE] + " …"


def _explained(
    problems: ValidationError,
    content: Any,  # noqa: ANN401 - whatever YAML holds
    path: Path,
    model: type[BaseModel],
    error: type[ArcgainError],
) -> ArcgainError:
    found = problems.errors(include_url=False)
    lines = [_one(detail, content, model) for detail in found[:_MOST_SHOWN]]
    more = f"; and {len(found) - _MOST_SHOWN} more" if len(found) > _MOST_SHOWN else ""
    first = _line(content, found[0])
    return error(
        f"{path.name}, line {first}" if first else path.name,
        "; ".join(lines) + more,
        "Correct the file; “arcgain schema” writes a JSON Schema by which editors complete and check it.",
    )


def _one(detail: Any, content: Any, model: type[BaseModel]) -> str:  # noqa: ANN401 - pydantic's own
    where = ".".join(str(step) for step in _steps(content, detail["loc"]))
    line = _line(content, detail)
    place = f"{where} (line {line})" if where and line else where
    if detail["type"] == "extra_forbidden":
        hint = nearest_names(str(detail["loc"][-1]), _settings_at(model, detail["loc"][:-1]))
        return f"{place} is not a setting; {hint}"
    message = _short(str(detail["msg"]).removeprefix("Value error, "))
    return f"{place}: {message}" if place else message


def _steps(content: Any, location: tuple[str | int, ...]) -> list[str | int]:  # noqa: ANN401
    """Leave out the steps that name a kind of setting and do not stand in the file."""
    node, steps = content, []
    for place, step in enumerate(location):
        is_last = place == len(location) - 1
        if _position(node, step) is None and not (is_last and isinstance(node, dict)):
            continue
        steps.append(step)
        node = node[step] if _position(node, step) is not None else None
    return steps


def _settings_at(model: type[BaseModel], location: tuple[str | int, ...]) -> list[str]:
    """List the settings that are known at a place of a model."""
    models: list[type[BaseModel]] = [model]
    for step in location:
        inner = [m for found in models for m in _models_in(found.model_fields.get(str(step)))]
        models = inner or models  # a key, a position or the tag of a kind stays with what it holds
        tagged = [m for m in models if _tag(m) == step]
        models = tagged or models
    return sorted({name for found in models for name in found.model_fields})


def _models_in(field: Any) -> list[type[BaseModel]]:  # noqa: ANN401 - a type of any shape
    """Find the models that a field, or a type inside it, is made of."""
    kind = getattr(field, "annotation", field)
    if isinstance(kind, type) and issubclass(kind, BaseModel):
        return [kind]
    return [found for inner in get_args(kind) for found in _models_in(inner)]


def _tag(model: type[BaseModel]) -> str | None:
    kinds = get_args(getattr(model.model_fields.get("format"), "annotation", None))
    return str(kinds[0]) if kinds else None


def _line(content: Any, detail: Any) -> int | None:  # noqa: ANN401
    """Line of the innermost part of an error's place, or of what its message names."""
    node, line = content, None
    for step in detail["loc"]:
        position = _position(node, step)
        if position is not None:
            line = position + 1
            node = node[step]
    return line or _line_named(content, str(detail["msg"]))


def _line_named(content: Any, message: str) -> int | None:  # noqa: ANN401
    """Line of the record, or else of the column or part, that a message is about."""
    record = re.search(r"\brecord (\d+)", message)
    if record and "records" in content:
        position = _position(content["records"], int(record[1]) - 1)
        return None if position is None else position + 1
    for name in re.findall("“([^”]+)”", message):
        position = _position_below(content, name)
        if position is not None:
            return position + 1
    return None


def _position_below(node: Any, name: str, depth: int = 0) -> int | None:  # noqa: ANN401
    """Find a key anywhere in the tree."""
    position = _position(node, name)
    if position is not None:
        return position
    if depth > _DEEPEST:
        return None
    inner = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    found = (_position_below(child, name, depth + 1) for child in inner)
    return next((place for place in found if place is not None), None)


def _position(node: Any, step: str | int) -> int | None:  # noqa: ANN401 - ruamel's node types
    if isinstance(node, CommentedMap) and step in node:
        return int(node.lc.key(step)[0])
    if isinstance(node, CommentedSeq) and isinstance(step, int) and step < len(node):
        return int(node.lc.item(step)[0])
    return None
