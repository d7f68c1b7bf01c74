"""One export, not yet written."""

from dataclasses import dataclass
from datetime import date

import polars as pl

from synthetic_data.answer_key import UNREAD, Defect


@dataclass(frozen=True)
class Delivery:
    """One export, not yet written.

    Attributes
    ----------
    clinic : str
        Code of the clinic.
    file : str
        Name of the file or folder.
    exported_on : datetime.date
        Day of the export.
    parts : dict of str to polars.DataFrame
        Part to its cells as text in the file's order; null for an empty cell.
    defects : tuple of Defect
        What was planted in it.
    """

    clinic: str
    file: str
    exported_on: date
    parts: dict[str, pl.DataFrame]
    defects: tuple[Defect, ...]

    def unread(self, part: str) -> list[int]:
        """List the records of a part that are torn.

        Parameters
        ----------
        part : str
            Part of the export; empty for an export of one part.

        Returns
        -------
        list of int
            Positions in the part's frame, from 0.
        """
        return sorted(d.record - 1 for d in self.defects if d.part == part and d.reason in UNREAD)
