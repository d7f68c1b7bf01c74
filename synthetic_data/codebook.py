"""The codebooks of the clinics, as the YAML text that lies beside each export."""

import io
from collections.abc import Callable, Mapping
from typing import Any

from ruamel.yaml import YAML

from schemas.codebook import Codebook
from synthetic_data.brackwell import brackwell_codebook
from synthetic_data.harbour import harbour_codebook
from synthetic_data.lindeveen import lindeveen_codebook
from synthetic_data.millrace import millrace_codebook
from synthetic_data.saltgrove import saltgrove_codebook
from synthetic_data.tarnside import tarnside_codebook

_CODEBOOKS: dict[str, Callable[[], dict[str, Any]]] = {
    "harbour": harbour_codebook,
    "millrace": millrace_codebook,
    "tarnside": tarnside_codebook,
    "lindeveen": lindeveen_codebook,
    "saltgrove": saltgrove_codebook,
    "brackwell": brackwell_codebook,
}


def codebook_text(clinic: str) -> str:
    """Write the codebook of a clinic.

    Parameters
    ----------
    clinic : str
        Code of the clinic.

    Returns
    -------
    str
        YAML text.
    """
    return as_yaml(_CODEBOOKS[clinic]())


def as_yaml(content: Mapping[str, Any]) -> str:
    """Write a mapping as YAML, in the order given.

    Parameters
    ----------
    content : mapping of str to object
        What to write.

    Returns
    -------
    str
        YAML text.
    """
    writer = YAML(typ="safe", pure=True)
    writer.default_flow_style = None
    writer.sort_base_mapping_type_on_output = False  # type: ignore[assignment]  # ships as None
    writer.allow_unicode = True
    writer.representer.ignore_aliases = lambda _: True  # what stands twice is written twice
    writer.width = 4096  # a list of codes stays on one line
    text = io.StringIO()
    writer.dump(dict(content), text)
    return text.getvalue()


def read_codebook(text: str) -> Codebook:
    """Read a codebook.

    Parameters
    ----------
    text : str
        YAML text.

    Returns
    -------
    Codebook
        The validated codebook.
    """
    return Codebook.model_validate(YAML(typ="safe", pure=True).load(text))
