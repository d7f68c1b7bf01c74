"""A clinic's codebook: what its export is, what each column holds, what each row becomes.

A column that the codebook does not declare is refused, not carried along. Every field has its
meaning stated (unit, scale, date format, codes); nothing is guessed from the values.
"""

from datetime import date
from enum import StrEnum
from typing import Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from schemas.errors import nearest_names
from schemas.field import FIELDS, REQUIRED, check_codes, fields_of, stated_options
from schemas.table import TABLES


class DeliveryKind(StrEnum):
    """What a later export of the same layout means for earlier ones."""

    FULL = "full"  # rows that are no longer in it are superseded
    INCREMENT = "increment"  # only what is in it is new


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Column(_Part):
    """What one column of the export holds.

    Attributes
    ----------
    field : str
        Field of the canonical tables, or ``row_kind``.
    unit : str or None
        UCUM unit of a number: angles ``deg``, ``rad`` or ``gon``; durations ``d``, ``wk``, ``mo``
        or ``a``; seconds ``s`` or ``min``. Required where the field has a unit.
    zero : {"neutral", "straight_180"}
        Zero convention of an angle: neutral-zero, or the system in which a straight hip is 180.
    sign : {"as_recorded", "lack_is_positive"}
        ``lack_is_positive``: the column holds a lack of range, which becomes negative.
    scale : str or None
        Grade: ``oscillatory`` or ``sustained_traction``. Pain: ``0-10`` or ``0-100``. Required there.
    date_format : str or None
        Format of a date, such as ``%d.%m.%Y``. Required for a date; an order is never guessed.
    codes : dict of str to str
        Value in the export to canonical code. A value that is not listed is quarantined.
    missing : tuple of str
        Values of this column that mean "not recorded", beside those of the whole file.
    """

    field: str
    unit: str | None = None
    zero: str = Field(default="neutral", pattern="^(neutral|straight_180)$")
    sign: str = Field(default="as_recorded", pattern="^(as_recorded|lack_is_positive)$")
    scale: str | None = None
    date_format: str | None = Field(default=None, pattern="%Y")  # two-digit years are never guessed
    codes: dict[str, str] = Field(default_factory=dict)
    missing: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _meaning_is_stated(self) -> Self:
        if self.field not in FIELDS:
            raise ValueError(f"“{self.field}” is not a field; {nearest_names(self.field, FIELDS)}")
        for option, allowed in stated_options(self.field).items():
            found = getattr(self, option)
            if found is None:
                raise ValueError(f"the field “{self.field}” needs its {option} stated")
            if allowed and found not in allowed:
                raise ValueError(
                    f"{option} “{found}” of the field “{self.field}” is not known; "
                    + nearest_names(found, allowed)
                )
        check_codes(self.field, self.codes)
        return self


class Record(_Part):
    """One canonical record that a row of the export yields.

    Attributes
    ----------
    table : str
        Canonical table.
    when : dict of str to tuple of str
        Column header to the values for which a row yields this record; empty: every row.
    where_filled : tuple of str
        Headers of columns: a row where all of these are missing yields no record (a retest that was
        not done leaves its cell empty in an export with one row per visit).
    set : dict of str to str or int
        Field to a constant that the export lacks.
    take : dict of str to str
        Field to the header it is taken from, where several columns hold that field.
    repeats : bool or None
        True where the export repeats the record on several rows: equal repeats are one fact.
        By default true for patient, joint_episode and visit.
    """

    table: str
    when: dict[str, tuple[str, ...]] = Field(default_factory=dict)
    where_filled: tuple[str, ...] = ()
    set: dict[str, str | int] = Field(default_factory=dict)
    take: dict[str, str] = Field(default_factory=dict)
    repeats: bool | None = None

    @model_validator(mode="after")
    def _fields_exist(self) -> Self:
        if self.table not in TABLES:
            raise ValueError(
                f"“{self.table}” is not a canonical table; {nearest_names(self.table, TABLES)}"
            )
        known = fields_of(self.table)
        for field in (*self.set, *self.take):
            if field not in known:
                raise ValueError(
                    f"the table {self.table} has no field “{field}”; {nearest_names(field, known)}"
                )
        for field, value in self.set.items():
            if isinstance(value, str):
                check_codes(field, {value: value})
        return self


class DelimitedFile(_Part):
    """How the text file is written.

    Attributes
    ----------
    encoding : str
        Encoding, such as ``utf-8`` or ``cp1252``. A byte-order mark is accepted and dropped.
    delimiter : str
        One character between the fields.
    decimal_mark : {".", ","}
        Decimal mark of numbers.
    missing : tuple of str
        Values that mean "not recorded" anywhere in the file; the empty cell always does.
    """

    encoding: str = "utf-8"
    delimiter: str = Field(default=",", pattern=r"^[\x20-\x7e\t]$")
    decimal_mark: str = Field(default=".", pattern="^[.,]$")
    missing: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _encoding_exists(self) -> Self:
        try:
            "".encode(self.encoding)
        except LookupError as unknown:
            raise ValueError(f"“{self.encoding}” is not an encoding") from unknown
        return self


class DeliveryTerms(_Part):
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


class Codebook(_Part):
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
    file : DelimitedFile
        How the file is written.
    columns : dict of str to Column
        Column header to what it holds.
    ignore : dict of str to str
        Header of a column that is dropped on purpose, with the reason.
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
    file: DelimitedFile = DelimitedFile()
    columns: dict[str, Column] = Field(min_length=1)
    ignore: dict[str, str] = Field(default_factory=dict)
    records: tuple[Record, ...] = Field(min_length=1)
    out_of_scope: tuple[dict[str, tuple[str, ...]], ...] = ()

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        both = sorted(set(self.columns) & set(self.ignore))
        if both:
            raise ValueError(f"declared and ignored at once: {', '.join(both)}")
        check_codes("joint", {self.joint: self.joint})
        people = [header for header, column in self.columns.items() if column.field == "patient"]
        if len(people) != 1:
            raise ValueError(f"one column must hold the field “patient”; found {len(people)}")
        for number, record in enumerate(self.records, start=1):
            self._headers_exist(number, record)
            self._required_fields(number, record)
        self._every_column_is_used()
        return self

    def _every_column_is_used(self) -> None:
        used: set[str] = set()
        for record in self.records:
            used |= {*record.when, *record.where_filled, *self.sources(record).values()}
        used |= {header for condition in self.out_of_scope for header in condition}
        idle = [header for header in self.columns if header not in used]
        if idle:
            raise ValueError(
                f"no record takes the column {', '.join(f'“{header}”' for header in idle)}, so what it "
                "holds would be lost; add a record that takes it, or move it to “ignore”"
            )

    def _headers_exist(self, number: int, record: Record) -> None:
        named = (*record.when, *record.where_filled, *record.take.values())
        for header in named:
            if header not in self.columns:
                raise ValueError(
                    f"record {number} ({record.table}) names the column “{header}”, which is not "
                    f"among the columns; {nearest_names(header, self.columns)}"
                )

    def _required_fields(self, number: int, record: Record) -> None:
        sources = self.sources(record, number)
        for alternatives in REQUIRED[record.table]:
            if not any(field in sources or field in record.set for field in alternatives):
                raise ValueError(
                    f"record {number} ({record.table}) says nothing of {' or '.join(alternatives)}; "
                    "declare a column that holds it, or set it as a constant"
                )

    def _visits_are_numbered(self, record: Record) -> bool:
        held = any(column.field == "visit" for column in self.columns.values())
        return held or "visit" in record.set or "visit" in record.take

    def missing_in(self, header: str) -> frozenset[str]:
        """Say which values of a column mean "not recorded".

        Parameters
        ----------
        header : str
            Header of a declared column.

        Returns
        -------
        frozenset of str
            The empty cell, the file's markers and the column's own.
        """
        return frozenset({"", *self.file.missing, *self.columns[header].missing})

    def sources(self, record: Record, number: int = 0) -> dict[str, str]:
        """Say which column each field of a record is taken from.

        Parameters
        ----------
        record : Record
            A record of this codebook.
        number : int
            Its position, for the message.

        Returns
        -------
        dict of str to str
            Field to column header; constants are not among them.

        Raises
        ------
        ValueError
            If several columns hold a field and the record does not say which one to take.
        """
        found = dict(record.take)
        for field in fields_of(record.table):
            if field in found or field in record.set:
                continue
            if (
                field == "visit_date"
                and record.table != "visit"
                and self._visits_are_numbered(record)
            ):
                continue  # the date says which visit it is only where nothing else does
            holders = [h for h, column in self.columns.items() if column.field == field]
            if len(holders) > 1:
                raise ValueError(
                    f"record {number} ({record.table}): the columns {', '.join(holders)} all hold "
                    f"“{field}”; say under “take” which one this record uses"
                )
            if holders:
                found[field] = holders[0]
        return found
