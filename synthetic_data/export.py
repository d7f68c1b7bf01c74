"""Writing of the exports, each clinic's in its own shape, with the codebook beside them."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from synthetic_data.clinic import CLINICS
from synthetic_data.codebook import codebook_text
from synthetic_data.delivery import Delivery
from synthetic_data.network import Network
from synthetic_data.text_file import write_delimited, write_lines
from synthetic_data.typed_file import write_folder, write_workbook


@dataclass(frozen=True)
class Export:
    """One written export.

    Attributes
    ----------
    clinic : str
        Code of the clinic.
    path : pathlib.Path
        The file, or the folder of an export of several files.
    codebook_path : pathlib.Path
        Its codebook; exports of one layout share it.
    exported_on : datetime.date
        Day of the export.
    """

    clinic: str
    path: Path
    codebook_path: Path
    exported_on: date


def write_exports(
    network: Network, folder: Path, *, clinics: Sequence[str] = CLINICS
) -> tuple[Export, ...]:
    """Write the exports of a network.

    Parameters
    ----------
    network : Network
        The network.
    folder : pathlib.Path
        Where to write; it is made where it does not exist.
    clinics : sequence of str
        Clinics whose exports are written; an export is the same whichever others are written.

    Returns
    -------
    tuple of Export
        In order of sending.
    """
    folder.mkdir(parents=True, exist_ok=True)
    exports = []
    for clinic in clinics:
        codebook_path = folder / f"{clinic}.yaml"
        codebook_path.write_text(codebook_text(clinic), encoding="utf-8", newline="\n")
        for sent in network.sent_by(clinic):
            path = folder / sent.file
            _write(sent, path)
            exports.append(Export(clinic, path, codebook_path, sent.exported_on))
    return tuple(sorted(exports, key=lambda export: export.exported_on))


def _write(sent: Delivery, path: Path) -> None:
    if sent.clinic == "lindeveen":
        write_workbook(sent, path)
    elif sent.clinic == "saltgrove":
        write_lines(sent, path)
    elif sent.clinic == "brackwell":
        write_folder(sent, path)
    else:
        separator, encoding, line_end = {
            "harbour": (",", "utf-8", "\n"),
            "millrace": (";", "cp1252", "\r\n"),
            "tarnside": (",", "utf-8-sig", "\r\n"),
        }[sent.clinic]
        write_delimited(sent, path, separator=separator, encoding=encoding, line_end=line_end)
