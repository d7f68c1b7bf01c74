"""What a row of an export becomes: canonical records, their conditions, constants and sources."""

from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from schemas.errors import nearest_names
from schemas.field import check_codes, fields_of
from schemas.table import TABLES

Conditions = dict[str, tuple[str, ...]]
"""Column header to the values for which a condition holds."""


class _Stated(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Piece(_Stated):
    """One value out of a composite cell.

    Attributes
    ----------
    column : str
        Header of the column.
    component : str
        Name of the value in the column's order.
    hip_flexion_deg : int or None
        Take the value only where the cell states this hip flexion in brackets, as in ``R(F90)``.
    """

    column: str
    component: str
    hip_flexion_deg: int | None = None


class Variant(_Stated):
    """What one of several records that are alike has for itself.

    Attributes
    ----------
    when, where_filled, set, take
        As in ``Record``; added to those of the record.
    """

    when: Conditions = Field(default_factory=dict)
    where_filled: tuple[str, ...] = ()
    set: dict[str, str | int] = Field(default_factory=dict)
    take: dict[str, str | Piece] = Field(default_factory=dict)

    @property
    def pieces(self) -> dict[str, Piece]:
        """Field to the piece that it is taken from, a whole cell being a piece without name."""
        return {
            field: Piece(column=source, component="") if isinstance(source, str) else source
            for field, source in self.take.items()
        }


class Record(Variant):
    """One canonical record that a row of the export yields.

    Attributes
    ----------
    table : str
        Canonical table.
    part : str or None
        Part of the export whose rows yield it, where there are several.
    when : dict of str to tuple of str
        Column header to the values for which a row yields this record; empty: every row.
    where_filled : tuple of str
        Headers of columns: a row where all of these are missing yields no record (a retest that was
        not done leaves its cell empty in an export with one row per visit). A value that is taken
        out of a composite cell needs no such condition: where it is missing there is no record.
    set : dict of str to str or int
        Field to a constant that the export lacks.
    take : dict of str to str or Piece
        Field to the header it is taken from, where several columns hold that field, or to a piece of a
        composite cell.
    repeats : bool or None
        True where the export repeats the record on several rows: equal repeats are one fact.
        By default true for patient, joint_episode and visit.
    both_sides : {"refuse", "each"}
        Where the side is both: the row says the same of each side, or cannot be assigned to either.
    each : tuple of Variant
        Several records that are alike, each with what it has for itself: a wide row.
    """

    table: str = Field(json_schema_extra={"enum": list(TABLES)})
    part: str | None = None
    repeats: bool | None = None
    both_sides: Literal["refuse", "each"] = "refuse"
    each: tuple[Variant, ...] = ()

    @model_validator(mode="after")
    def _fields_exist(self) -> Self:
        if self.table not in TABLES:
            raise ValueError(
                f"“{self.table}” is not a canonical table; {nearest_names(self.table, TABLES)}"
            )
        known = fields_of(self.table)
        parts: tuple[Variant, ...] = (self, *self.each)
        for part in parts:
            for field in (*part.set, *part.take):
                if field not in known:
                    raise ValueError(
                        f"the table {self.table} has no field “{field}”; {nearest_names(field, known)}"
                    )
            for field, value in part.set.items():
                if isinstance(value, str):
                    check_codes(field, {value: value})
        return self

    def written_out(self) -> "tuple[Record, ...]":
        """Give one record for each variant.

        Returns
        -------
        tuple of Record
            The record itself where it has no variants.
        """
        if not self.each:
            return (self,)
        return tuple(self._with(variant) for variant in self.each)

    def _with(self, own: Variant) -> "Record":
        merged: dict[str, Any] = {
            "each": (),
            "when": self.when | own.when,
            "where_filled": (*self.where_filled, *own.where_filled),
            "set": {k: v for k, v in self.set.items() if k not in own.take} | own.set,
            "take": {k: v for k, v in self.take.items() if k not in own.set} | own.take,
        }
        return self.model_copy(update=merged)
