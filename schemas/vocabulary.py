"""Code lists: motions, techniques, instruments, grades, end feels, test definitions.

The lists are data (``schemas/code_list/*.yaml``), so that another joint is a matter of data. Every
code has a label and a definition in one sentence; synonyms help to draft a codebook.
"""

from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from ruamel.yaml import YAML

from schemas.errors import CodebookError, nearest_names

NOT_RECORDED = "not_recorded"
"""The code of its own that every coded column has for "the record does not say"."""

ROTATION_BIAS = {"internal_rotation": "internal", "external_rotation": "external"}
"""Motion to the bias direction that is congruent with it."""


@dataclass(frozen=True)
class Code:
    """One entry of a code list.

    Attributes
    ----------
    code : str
        Canonical code, as stored.
    label : str
        Words for reports.
    definition : str
        What it means, in one sentence.
    synonyms : tuple of str
        Other words seen in exports; for drafting a codebook, never for silent decoding.
    details : dict
        Further facts of the entry, such as a motion's limits in degrees.
    """

    code: str
    label: str
    definition: str
    synonyms: tuple[str, ...]
    details: dict[str, Any]


@cache
def code_list(name: str) -> dict[str, Code]:
    """Read one shipped code list.

    Parameters
    ----------
    name : str
        Name of the list, such as ``technique`` or ``test_definition``.

    Returns
    -------
    dict of str to Code
        Entries by canonical code, in the order of the list.

    Raises
    ------
    CodebookError
        If no list has that name.
    """
    folder = files("schemas") / "code_list"
    source = folder / f"{name}.yaml"
    if not source.is_file():
        known = [p.name.removesuffix(".yaml") for p in folder.iterdir() if p.name.endswith(".yaml")]
        raise CodebookError(
            name,
            "there is no such code list",
            f"Use a list that exists ({nearest_names(name, known)}).",
        )
    entries = YAML(typ="safe", pure=True).load(source.read_text(encoding="utf-8"))
    return {code: _entry(code, facts) for code, facts in entries.items()}


def _entry(code: str, facts: dict[str, Any]) -> Code:
    own = {"label", "definition", "synonyms"}
    return Code(
        code=code,
        label=facts["label"],
        definition=facts["definition"],
        synonyms=tuple(facts.get("synonyms", ())),
        details={key: value for key, value in facts.items() if key not in own},
    )


def label_of(list_name: str, code: str) -> str:
    """Give the label of a code, or the code itself where the list does not have it.

    Parameters
    ----------
    list_name : str
        Name of the code list.
    code : str
        Canonical code.

    Returns
    -------
    str
        Words for a report.

    Examples
    --------
    >>> label_of("technique", "lateral_distraction")
    'lateral distraction'
    """
    if code == NOT_RECORDED:
        return "not recorded"
    entry = code_list(list_name).get(code)
    return entry.label if entry else code


def motion_of(definition: str) -> str:
    """Give the motion that a test definition measures.

    Parameters
    ----------
    definition : str
        Code of a test definition.

    Returns
    -------
    str
        Code of its motion.
    """
    return str(code_list("test_definition")[definition].details["motion"])
