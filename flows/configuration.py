"""Read codebooks, plans and settings from YAML, with errors that name file, line and remedy."""

from collections.abc import Iterable
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from ruamel.yaml import YAML
from ruamel.yaml.comments import CommentedMap, CommentedSeq
from ruamel.yaml.error import MarkedYAMLError, YAMLError

from pipeline.intake import SignedCodebook
from schemas.codebook import Codebook
from schemas.errors import ArcgainError, CodebookError, PlanError, SettingsError, nearest_names
from schemas.plan import Plan
from schemas.settings import Settings

Model = TypeVar("Model", bound=BaseModel)
_MOST_SHOWN = 5


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


def _parse(text: str, path: Path, model: type[Model], error: type[ArcgainError]) -> Model:
    try:
        content = YAML(typ="rt", pure=True).load(text)
    except MarkedYAMLError as problem:
        line = f", line {problem.problem_mark.line + 1}" if problem.problem_mark else ""
        raise error(
            f"{path.name}{line}",
            f"this is not valid YAML: {problem.problem or 'it cannot be read'}",
            "Check the indentation, and put quotation marks around values with a colon or a hash.",
        ) from None
    except YAMLError as problem:
        raise error(path.name, f"this is not valid YAML: {problem}", "Check the file.") from None
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
        return model.model_validate(_plain(content))
    except ValidationError as problems:
        raise _explained(problems, content, path, model, error) from None


def _plain(node: Any) -> Any:  # noqa: ANN401 - whatever YAML holds
    """Plain dictionaries, lists and scalars of a tree that still knows its line numbers."""
    if isinstance(node, dict):
        return {str(key): _plain(value) for key, value in node.items()}
    if isinstance(node, list):
        return [_plain(item) for item in node]
    return node


def _explained(
    problems: ValidationError,
    content: Any,  # noqa: ANN401 - whatever YAML holds
    path: Path,
    model: type[BaseModel],
    error: type[ArcgainError],
) -> ArcgainError:
    found = problems.errors(include_url=False)
    lines = [_one(detail, content, model.model_fields) for detail in found[:_MOST_SHOWN]]
    more = f"; and {len(found) - _MOST_SHOWN} more" if len(found) > _MOST_SHOWN else ""
    first = _line(content, found[0]["loc"])
    return error(
        f"{path.name}, line {first}" if first else path.name,
        "; ".join(lines) + more,
        "Correct the file; DEVELOPERS.md and the examples of “arcgain demo” show every setting.",
    )


def _one(detail: Any, content: Any, settings: Iterable[str]) -> str:  # noqa: ANN401 - pydantic's own
    where = ".".join(str(step) for step in detail["loc"])
    line = _line(content, detail["loc"])
    place = f"{where} (line {line})" if where and line else where
    if detail["type"] == "extra_forbidden":
        known = settings if len(detail["loc"]) == 1 else ()
        hint = nearest_names(str(detail["loc"][-1]), known) if known else "no such setting"
        return f"{place} is not a setting; {hint}"
    message = str(detail["msg"]).removeprefix("Value error, ")
    return f"{place}: {message}" if place else message


def _line(content: Any, location: tuple[str | int, ...]) -> int | None:  # noqa: ANN401
    """Line of the innermost part of a location that the file has."""
    node, line = content, None
    for step in location:
        position = _position(node, step)
        if position is None:
            return line
        line = position + 1
        node = node[step]
    return line


def _position(node: Any, step: str | int) -> int | None:  # noqa: ANN401 - ruamel's node types
    if isinstance(node, CommentedMap) and step in node:
        return int(node.lc.key(step)[0])
    if isinstance(node, CommentedSeq) and isinstance(step, int) and step < len(node):
        return int(node.lc.item(step)[0])
    return None
