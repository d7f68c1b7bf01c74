"""Write out the JSON Schema of codebooks."""

import json
from pathlib import Path

from schemas.codebook import Codebook
from schemas.errors import SettingsError
from schemas.json_schema import json_schema

SCHEMA_FILE = "codebook.schema.json"
"""Its name in the folder of codebooks."""

SCHEMA_LINE = f"# yaml-language-server: $schema={SCHEMA_FILE}\n"
"""First line of a codebook beside it, by which editors find it."""


def codebook_schema_text() -> str:
    """Give the JSON Schema of a codebook.

    Returns
    -------
    str
        JSON text.
    """
    return json.dumps(json_schema(Codebook), ensure_ascii=False, indent=1) + "\n"


def write_codebook_schema(path: Path) -> None:
    """Write the JSON Schema of a codebook.

    Parameters
    ----------
    path : pathlib.Path
        File; an earlier one is replaced.

    Raises
    ------
    SettingsError
        If it cannot be written.
    """
    try:
        path.write_text(codebook_schema_text(), encoding="utf-8")
    except OSError as problem:
        raise SettingsError(
            str(path),
            f"cannot be written ({problem.strerror})",
            "Name a file in a folder of yours.",
        ) from problem
