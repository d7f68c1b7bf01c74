"""Planting of defects in one export, each on a patient of its own and written down."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import polars as pl

from schemas.codebook import Codebook
from schemas.export_file import ROWS
from schemas.reason import Quarantine
from schemas.table import SOURCE_ROW
from synthetic_data.answer_key import Defect, Outcome
from synthetic_data.delivery import Delivery
from synthetic_data.fact import facts_from
from synthetic_data.layout import MARKS, Parts

NO_FACT = frozenset(
    {str(Quarantine.NO_RECORD), str(Quarantine.ROW_TORN), str(Quarantine.LINE_UNREADABLE)}
)
"""Reasons for which a row as a whole is quarantined."""


@dataclass(frozen=True)
class Cell:
    """A cell to be spoilt.

    Attributes
    ----------
    n : int
        How often.
    where : polars.Expr
        In which rows.
    column : str
        Header.
    value : str or None
        What is written there; None empties the cell.
    reason : str
        Reason code; empty where nothing is wrong with the fact itself.
    part : str
        Part of the export.
    outcome : Outcome
        What ought to become of the facts that rest on the cell.
    """

    n: int
    where: pl.Expr
    column: str
    value: str | None
    reason: str
    part: str = ROWS
    outcome: Outcome = Outcome.QUARANTINED


class Planting:
    """The defects of one export.

    Parameters
    ----------
    file : str
        Name of the file or folder.
    codebook : Codebook
        Its codebook.
    parts : dict of str to polars.DataFrame
        Cells with marks.
    rng : numpy.random.Generator
        Source of randomness.
    """

    def __init__(
        self, file: str, codebook: Codebook, parts: Parts, rng: np.random.Generator
    ) -> None:
        self.parts = dict(parts)
        self.defects: list[Defect] = []
        self._file, self._codebook, self._rng = file, codebook, rng
        self._used: set[str] = set()

    def delivery(self, exported_on: date) -> Delivery:
        """Close the export.

        Parameters
        ----------
        exported_on : datetime.date
            Day of the export.

        Returns
        -------
        Delivery
            Without the marks.
        """
        parts = {name: rows.drop(MARKS) for name, rows in self.parts.items()}
        order = list(parts)
        ranked = sorted(
            self.defects, key=lambda d: (order.index(d.part or ROWS), d.record, d.table)
        )
        return Delivery(self._codebook.clinic, self._file, exported_on, parts, tuple(ranked))

    def spoil(self, cells: Sequence[Cell]) -> None:
        """Spoil cells.

        Parameters
        ----------
        cells : sequence of Cell
            What is spoilt, the rarest rows first.
        """
        for cell in cells:
            for at in self.pick(cell.part, cell.where, cell.n):
                self.write(cell.part, at, cell.column, cell.value)
                if str(cell.reason) in NO_FACT:
                    tables = [SOURCE_ROW]
                else:
                    row = self.parts[cell.part].row(at, named=True)
                    tables = facts_from(self._codebook.layouts[cell.part], row, cell.column)
                for table in tables:
                    self.note(
                        *(cell.part, at, table, cell.outcome),
                        *(str(cell.reason), cell.column, cell.value or ""),
                    )

    def note(  # noqa: PLR0913, PLR0917 - the fields of a defect
        self,
        part: str,
        at: int,
        table: str,
        outcome: Outcome,
        reason: str,
        column: str,
        value: str,
    ) -> None:
        """Write a defect down.

        Parameters
        ----------
        part : str
            Part of the export.
        at : int
            Position of the row, from 0.
        table : str
            Canonical table of the fact.
        outcome : Outcome
            What ought to become of it.
        reason, column, value : str
            As in ``Defect``.
        """
        place = "" if part == ROWS else part
        clinic = self._codebook.clinic
        self.defects.append(
            Defect(
                *(clinic, self._file, place, at + 1, table, outcome),
                *(reason, column, value),
            )
        )

    def pick(self, part: str, where: pl.Expr, n: int) -> list[int]:
        """Pick rows of different patients, so that no defect hides another.

        Parameters
        ----------
        part : str
            Part of the export.
        where : polars.Expr
            Which rows may be picked.
        n : int
            How many; fewer where there are no more.

        Returns
        -------
        list of int
            Positions, ascending.
        """
        rows = self.parts[part]
        candidates = rows.select(pl.arg_where(where)).to_series().to_numpy()
        patients = rows["_patient"]
        picked: list[int] = []
        for index in self._rng.permutation(candidates):
            if len(picked) == n:
                break
            patient = str(patients[int(index)])
            if patient not in self._used:
                self._used.add(patient)
                picked.append(int(index))
        return sorted(picked)

    def write(self, part: str, at: int, column: str, value: str | None) -> None:
        """Write a cell.

        Parameters
        ----------
        part, column : str
            Part of the export, and header.
        at : int
            Position of the row, from 0.
        value : str or None
            What is written.
        """
        rows = self.parts[part]
        changed = rows[column].clone().scatter([at], [value])
        self.parts[part] = rows.with_columns(changed.alias(column))

    def repeat(self, part: str, where: pl.Expr, n: int) -> list[int]:
        """Repeat rows, each right below itself; what is planted below them moves down.

        Parameters
        ----------
        part : str
            Part of the export.
        where : polars.Expr
            Which rows may be repeated.
        n : int
            How many.

        Returns
        -------
        list of int
            Positions of the repetitions.
        """
        rows = self.parts[part]
        picked = self.pick(part, where, n)
        order = np.insert(np.arange(len(rows)), np.array(picked, dtype=np.int64) + 1, picked)
        self.parts[part] = rows[order]
        self.defects = [self._moved(defect, part, picked) for defect in self.defects]
        return [at + number + 1 for number, at in enumerate(picked)]

    @staticmethod
    def _moved(defect: Defect, part: str, repeated: Sequence[int]) -> Defect:
        if (defect.part or ROWS) != part:
            return defect
        return replace(
            defect, record=defect.record + sum(at < defect.record - 1 for at in repeated)
        )

    def duplicate(self, part: str, where: pl.Expr, n: int) -> None:
        """Repeat rows exactly.

        Parameters
        ----------
        part : str
            Part of the export.
        where : polars.Expr
            Which rows may be repeated.
        n : int
            How many.
        """
        self.note_duplicates(part, self.repeat(part, where, n))

    def note_duplicates(self, part: str, at: Sequence[int]) -> None:
        """Write down rows that repeat another one exactly.

        Parameters
        ----------
        part : str
            Part of the export.
        at : sequence of int
            Their positions.
        """
        layout = self._codebook.layouts[part]
        once = {"patient", "joint_episode", "visit"}
        for place in at:
            row = self.parts[part].row(place, named=True)
            for table in facts_from(layout, row, None):
                if table not in once:
                    self.note(part, place, table, Outcome.DUPLICATE, "", "", "")

    def conflict(self, part: str, at: Sequence[int], column: str, added: int) -> None:
        """Change a number in rows that repeat another one, so that neither can be believed.

        Parameters
        ----------
        part, column : str
            Part of the export, and header.
        at : sequence of int
            Positions of the repetitions.
        added : int
            What is added.
        """
        for place in at:
            right = str(self.parts[part][place, column])
            wrong = f"{float(right) + added:g}"
            self.write(part, place, column, wrong)
            for where, value in ((place - 1, right), (place, wrong)):
                reason = str(Quarantine.CONFLICTING_VALUES)
                self.note(part, where, "range_test", Outcome.QUARANTINED, reason, column, value)

    def tear(self, part: str, where: pl.Expr, n: int) -> None:
        """Mark rows that cannot be read; the writer gives them a cell too many.

        Parameters
        ----------
        part : str
            Part of the export.
        where : polars.Expr
            Which rows may be torn.
        n : int
            How many.
        """
        reason = str(Quarantine.ROW_TORN)
        for at in self.pick(part, where, n):
            self.note(part, at, SOURCE_ROW, Outcome.QUARANTINED, reason, "", "")

    def tear_line(self, part: str, where: pl.Expr) -> None:
        """Mark a line that cannot be read; in each part it counts as one row.

        Parameters
        ----------
        part : str
            A part whose rows lie in the line.
        where : polars.Expr
            Rows of this part whose line may be torn.
        """
        for at in self.pick(part, where, 1):
            place = self.parts[part].select("_patient", "_visit").row(at)
            for name, rows in self.parts.items():
                is_here = (pl.col("_patient") == place[0]) & (pl.col("_visit") == place[1])
                within = rows.select(pl.arg_where(is_here)).to_series()
                self.parts[name] = rows.filter(~pl.int_range(pl.len()).is_in(within[1:].to_list()))
                reason = str(Quarantine.LINE_UNREADABLE)
                self.note(name, within[0], SOURCE_ROW, Outcome.QUARANTINED, reason, "", "")

    def copy_forward(self, part: str, columns: Sequence[str], n: int) -> None:
        """Let all retests of a visit repeat its pretests, where each test is a row.

        Parameters
        ----------
        part : str
            Part of the export.
        columns : sequence of str
            Headers of the columns with angles.
        n : int
            At how many visits.
        """
        is_retest, place = pl.col("_block") == "retest", ["_patient", "_visit"]
        whole = pl.col("_pretested").filter(is_retest).all().over(place)
        single = pl.col("_bouts").max().over(place) == 1
        for at in self.pick(part, is_retest & whole & single, n):
            rows = self.parts[part].with_row_index("_at")
            here = rows.filter(*(pl.col(k) == rows[at, k] for k in place))
            test = ["_side", "_definition"]
            before = here.filter(pl.col("_block") == "pretest").unique(
                test, keep="first", maintain_order=True
            )
            pairs = here.filter(is_retest).join(before, on=test, maintain_order="left")
            for row in pairs.iter_rows(named=True):
                for column in columns:
                    if row[column] is not None:
                        self._copy(part, row["_at"], column, row[f"{column}_right"])

    def copy_across(self, part: str, columns: dict[str, str], where: pl.Expr, n: int) -> None:
        """Let the columns after repeat those before, where both are in one row.

        Parameters
        ----------
        part : str
            Part of the export.
        columns : dict of str to str
            Header before to header after.
        where : polars.Expr
            Which rows may be changed.
        n : int
            How many.
        """
        full = pl.all_horizontal(
            pl.col(before).is_null() == pl.col(after).is_null() for before, after in columns.items()
        )
        full &= pl.len().over("_patient", "_visit") == 1
        for at in self.pick(part, where & full, n):
            row = self.parts[part].row(at, named=True)
            for before, after in columns.items():
                if row[before] is not None:
                    self._copy(part, at, after, row[before])

    def _copy(self, part: str, at: int, column: str, value: str) -> None:
        self.write(part, at, column, value)
        row = self.parts[part].row(at, named=True)
        for table in facts_from(self._codebook.layouts[part], row, column):
            self.note(part, at, table, Outcome.COPIED, "", column, value)
