"""A clinic's codebook: what its export is, what each column holds, what each row becomes.

A column that the codebook does not declare is refused, not carried along. Every field has its
meaning stated (unit, scale, date format, codes); nothing is guessed from the values.
"""

from collections.abc import Iterator
from datetime import date
from enum import StrEnum
from functools import cached_property
from typing import Any, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from schemas.column import Column
from schemas.errors import nearest_names
from schemas.export_file import ROWS, DelimitedFile, ExportFile, Place
from schemas.field import check_codes
from schemas.layout import Layout, Link
from schemas.record import Conditions, Record


class DeliveryKind(StrEnum):
    """What a later export of the same layout means for earlier ones."""

    FULL = "full"  # rows that are no longer in it are superseded
    INCREMENT = "increment"  # only what is in it is new


class _Stated(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class DeliveryTerms(_Stated):
    """What a delivery is.

    Attributes
    ----------
    kind : DeliveryKind
        Whether each export is complete or holds only what is new.
    exported_on : datetime.date or None
        Day of the export, where it is always the same; else given with each delivery.
    """

    kind: DeliveryKind
    exported_on: date | None = None


class LookUp(_Stated):
    """How the rows of a part find their row of another part.

    Attributes
    ----------
    on : dict of str to str
        Own header to the header there.
    take : tuple of str or None
        Headers that are looked up; None: all that the other part declares.
    """

    on: dict[str, str] = Field(min_length=1)
    take: tuple[str, ...] | None = None


class Part(Place):
    """One table of an export: a file of a folder, a sheet of a workbook, a list of an NDJSON file.

    Attributes
    ----------
    file, sheet, header_row, rows
        Where it is; see ``Place``.
    look_up : dict of str to LookUp
        Other part to how its columns are looked up.
    columns : dict of str to Column
        Header to what the column holds.
    ignore : dict of str to str
        Header of a column that is dropped on purpose, with the reason.
    out_of_scope : tuple of dict
        Conditions as in ``when``: rows that are no record on purpose.
    """

    look_up: dict[str, LookUp] = Field(default_factory=dict)
    columns: dict[str, Column] = Field(min_length=1)
    ignore: dict[str, str] = Field(default_factory=dict)
    out_of_scope: tuple[Conditions, ...] = ()


class Codebook(_Stated):
    """The codebook of one clinic and export layout.

    Attributes
    ----------
    codebook : str
        Name of the layout, unique in the clinic.
    joint : str
        Joint of all records that do not take it from a column.
    clinic : str
        Code of the clinic.
    version : int
        Raised with every change.
    reviewed_by : str or None
        Role of the person who signed the codebook off; a draft cannot ingest.
    reviewed_on : datetime.date or None
        Day of signing off.
    delivery : DeliveryTerms
        Full or increment, and the day of the export.
    file : DelimitedFile, Workbook, JsonLines or ParquetFile
        How the export is written.
    columns : dict of str to Column
        Column header to what it holds, where the export has one part.
    ignore : dict of str to str
        Header of a column that is dropped on purpose, with the reason; with ``parts``, the sheet or file.
    parts : dict of str to Part
        Name to part, where the export has several files, sheets or lists.
    records : tuple of Record
        What each row becomes.
    out_of_scope : tuple of dict
        Conditions as in ``when``: rows that are no record on purpose.
    """

    codebook: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$")
    joint: str = "hip"
    clinic: str = Field(pattern=r"^[a-z0-9][a-z0-9_-]{0,63}$")
    version: int = Field(ge=1)
    reviewed_by: str | None = None
    reviewed_on: date | None = None
    delivery: DeliveryTerms
    file: ExportFile = DelimitedFile()
    columns: dict[str, Column] = Field(default_factory=dict)
    ignore: dict[str, str] = Field(default_factory=dict)
    parts: dict[str, Part] = Field(default_factory=dict)
    records: tuple[Record, ...] = Field(min_length=1)
    out_of_scope: tuple[Conditions, ...] = ()

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        if bool(self.columns) == bool(self.parts):
            raise ValueError("declare either columns (an export of one part) or parts, one of them")
        if self.parts and self.out_of_scope:
            raise ValueError("with parts, out_of_scope belongs to the part whose rows it is about")
        check_codes("joint", {self.joint: self.joint})
        for part in self._all_parts.values():
            both = sorted(set(part.columns) & set(part.ignore))
            if both:
                raise ValueError(f"declared and ignored at once: {', '.join(both)}")
        self._records_have_parts()
        for layout in self.layouts.values():
            layout.check()
        self._every_column_is_used()
        return self

    @property
    def places(self) -> dict[str, Place]:
        """Where each part is, by name."""
        return {
            name: Place(**{option: getattr(part, option) for option in Place.model_fields})
            for name, part in self._all_parts.items()
        }

    @property
    def set_aside(self) -> tuple[str, ...]:
        """Sheets or files that are ignored on purpose."""
        return tuple(self.ignore) if self.parts else ()

    @cached_property
    def alone(self) -> dict[str, Layout]:
        """Layout of every part by itself: no look-up and no record."""
        return {
            name: Layout(
                part=name,
                clinic=self.clinic,
                joint=self.joint,
                file=self.file,
                columns=part.columns,
                ignore=part.ignore,
                records=(),
            )
            for name, part in self._all_parts.items()
        }

    @cached_property
    def layouts(self) -> dict[str, Layout]:
        """Layout of each part whose rows yield records, by name of the part."""
        found = {}
        for name in self._all_parts:
            own = {
                f"{number}" + (f", variant {variant}" if record.each else ""): one
                for number, record in enumerate(self.records, start=1)
                for variant, one in enumerate(record.written_out(), start=1)
                if record.part in {name, None}
            }
            if own:
                found[name] = self._layout(name, own)
        return found

    @property
    def layout(self) -> Layout:
        """The layout of an export of one part."""
        return self.layouts[ROWS]

    @cached_property
    def _all_parts(self) -> dict[str, Part]:
        if self.parts:
            return self.parts
        place = {
            option: getattr(self.file, option)
            for option in ("sheet", "header_row", "rows")
            if hasattr(self.file, option)
        }
        only: dict[str, Any] = {
            "columns": self.columns,
            "ignore": self.ignore,
            "out_of_scope": self.out_of_scope,
        }
        return {ROWS: Part(**place, **only)}

    def _layout(self, name: str, records: dict[str, Record]) -> Layout:
        part = self._all_parts[name]
        links = tuple(self._links(name, (name,)))
        columns = dict(part.columns)
        for link in links:
            columns |= {h: self._column_of(link.part, h) for h in link.brings}
        return Layout(
            part=name,
            clinic=self.clinic,
            joint=self.joint,
            file=self.file,
            columns=columns,
            ignore=part.ignore,
            records=tuple(records.values()),
            numbers=tuple(records),
            out_of_scope=part.out_of_scope,
            links=links,
        )

    def _links(self, name: str, above: tuple[str, ...]) -> Iterator[Link]:
        """Give the look-ups of a part, each followed by those of the part that it finds.

        Raises
        ------
        ValueError
            If a part is not there, or parts look each other up in a circle.
        """
        part = self._all_parts[name]
        for other, look_up in part.look_up.items():
            if other in above:
                raise ValueError(f"the parts {' → '.join((*above, other))} look each other up")
            if other not in self.parts:
                raise ValueError(
                    f"part “{name}” looks up the part “{other}”, which is not among the parts; "
                    + nearest_names(other, self.parts)
                )
            beyond = list(self._links(other, (*above, other)))
            known = {*self.parts[other].columns, *(h for link in beyond for h in link.brings)}
            self._check_look_up(name, other, look_up, known)
            wanted = known - set(look_up.on.values()) if look_up.take is None else set(look_up.take)
            direct = tuple(h for h in self.parts[other].columns if h in wanted)
            # What the other part looks up itself is found through the columns that it brings here.
            yield Link(other, look_up.on, direct)
            for link in beyond:
                kept = tuple(h for h in link.brings if h in wanted)
                if kept:
                    on = self._carried(link, look_up, direct)
                    yield Link(link.part, on, kept)

    @staticmethod
    def _carried(link: Link, look_up: LookUp, direct: tuple[str, ...]) -> dict[str, str]:
        """Say by which headers of the first part the row of a third part is found.

        Raises
        ------
        ValueError
            If the second part's key is not brought along.
        """
        own = {there: here for here, there in look_up.on.items()}
        on = {}
        for header, there in link.on.items():
            if header not in direct and header not in own:
                raise ValueError(
                    f"the look-up has to take “{header}” as well, to find “{link.part}”"
                )
            on[own.get(header, header)] = there
        return on

    def _check_look_up(self, name: str, other: str, look_up: LookUp, known: set[str]) -> None:
        own = self._all_parts[name].columns
        for here, there in look_up.on.items():
            for header, columns, where in ((here, own, name), (there, known, other)):
                if header not in columns:
                    raise ValueError(
                        f"part “{name}” looks up “{other}” by the column “{header}”, which part "
                        f"“{where}” does not declare; {nearest_names(header, columns)}"
                    )
        for header in look_up.take or ():
            if header not in known:
                raise ValueError(
                    f"part “{name}” looks up the column “{header}”, which part “{other}” does not "
                    f"declare; {nearest_names(header, known)}"
                )
        brought = known - set(look_up.on.values()) if look_up.take is None else set(look_up.take)
        twice = sorted(brought & set(own))
        if twice:
            raise ValueError(
                f"the parts “{name}” and “{other}” both declare {', '.join(f'“{h}”' for h in twice)}; "
                "list under “take” of the look-up only what is wanted"
            )

    def _column_of(self, part: str, header: str) -> Column:
        return self.parts[part].columns[header]

    def _records_have_parts(self) -> None:
        for number, record in enumerate(self.records, start=1):
            if record.part is None and self.parts:
                raise ValueError(
                    f"record {number} ({record.table}) does not say which part yields it"
                )
            if record.part is not None and record.part not in self._all_parts:
                raise ValueError(
                    f"record {number} ({record.table}) names the part “{record.part}”; "
                    + nearest_names(record.part, self._all_parts)
                )

    def _every_column_is_used(self) -> None:
        used: dict[str, set[str]] = {name: set() for name in self._all_parts}
        for name, layout in self.layouts.items():
            headers = layout.used()
            used[name] |= headers
            for link in layout.links:
                used[link.part] |= {*(headers & set(link.brings)), *link.on.values()}
        for name, part in self._all_parts.items():
            idle = [header for header in part.columns if header not in used[name]]
            if idle:
                where = "" if name == ROWS else f" of part “{name}”"
                raise ValueError(
                    f"no record takes the column {', '.join(f'“{h}”' for h in idle)}{where}, so what it "
                    "holds would be lost; add a record that takes it, or move it to “ignore”"
                )
