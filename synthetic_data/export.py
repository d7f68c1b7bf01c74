"""Writing of the exports, each clinic's in its own shape, with the codebook beside them."""

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from synthetic_data.codebook import codebook_text
from synthetic_data.network import Network


@dataclass(frozen=True)
class Export:
    """One written export.

    Attributes
    ----------
    clinic : str
        Code of the clinic.
    path : pathlib.Path
        The CSV file.
    codebook_path : pathlib.Path
        Its codebook; exports of one layout share it.
    exported_on : datetime.date
        Day of the export.
    """

    clinic: str
    path: Path
    codebook_path: Path
    exported_on: date


def write_exports(network: Network, folder: Path) -> tuple[Export, ...]:
    """Write every export of a network.

    Parameters
    ----------
    network : Network
        The network.
    folder : pathlib.Path
        Where to write; it is made where it does not exist.

    Returns
    -------
    tuple of Export
        In order of sending.
    """
    folder.mkdir(parents=True, exist_ok=True)
    exports = []
    for sent in network.deliveries:
        path, codebook_path = folder / sent.file, folder / f"{sent.clinic}.yaml"
        if sent.clinic == "millrace":
            path.write_bytes(_as_millrace_writes(sent.rows))
        else:
            sent.rows.write_csv(path)
        codebook_path.write_text(codebook_text(sent.clinic), encoding="utf-8", newline="\n")
        exports.append(Export(sent.clinic, path, codebook_path, sent.exported_on))
    return tuple(exports)


def _as_millrace_writes(rows: pl.DataFrame) -> bytes:
    text = rows.write_csv(separator=";", line_terminator="\r\n")
    return text.encode("cp1252")
