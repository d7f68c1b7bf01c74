"""The layout of one part of an export, with the columns that it looks up in other parts.

A codebook of several parts is a set of layouts: from here on every stage works on rows of one layout.
"""

from dataclasses import dataclass, field

from schemas.column import Column
from schemas.errors import nearest_names
from schemas.export_file import ROWS, ExportFile
from schemas.field import POINTER, REQUIRED, ROW_KIND, fields_of
from schemas.record import Conditions, Piece, Record


@dataclass(frozen=True)
class Link:
    """How a part looks up columns in another part.

    Attributes
    ----------
    part : str
        The other part.
    on : dict of str to str
        Own header to the header there; together they find at most one row.
    brings : tuple of str
        Headers of the columns that are looked up.
    """

    part: str
    on: dict[str, str]
    brings: tuple[str, ...]


@dataclass(frozen=True)
class Layout:
    """Rows of one part of an export: what each column holds and what each row becomes.

    Attributes
    ----------
    part : str
        Name of the part; ``ROWS`` where there is but one.
    clinic, joint : str
        Of all rows.
    file : ExportFile
        How the export is written.
    columns : dict of str to Column
        Header to what it holds; own columns, then those looked up.
    ignore : dict of str to str
        Own header that is dropped on purpose, with the reason.
    records : tuple of Record
        What each row becomes, variants written out.
    numbers : tuple of str
        Position of each record in the codebook, for messages.
    out_of_scope : tuple of Conditions
        Rows that are no record on purpose.
    links : tuple of Link
        Where columns are looked up, in order.
    """

    part: str
    clinic: str
    joint: str
    file: ExportFile
    columns: dict[str, Column]
    ignore: dict[str, str]
    records: tuple[Record, ...]
    numbers: tuple[str, ...] = ()
    out_of_scope: tuple[Conditions, ...] = ()
    links: tuple[Link, ...] = field(default=())

    @property
    def own(self) -> tuple[str, ...]:
        """Declared headers of the part itself."""
        brought = {header for link in self.links for header in link.brings}
        return tuple(header for header in self.columns if header not in brought)

    @property
    def patient(self) -> str:
        """Header of the column with the patient."""
        return next(h for h, column in self.columns.items() if column.field == "patient")

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

    def sources(self, record: Record) -> dict[str, str]:
        """Say which column each field of a record is taken from.

        Parameters
        ----------
        record : Record
            A record of this layout.

        Returns
        -------
        dict of str to str
            Field to column header; constants are not among them.

        Raises
        ------
        ValueError
            If several columns hold a field and the record does not say which one to take.
        """
        return {name: piece.column for name, piece in self.pieces(record).items()}

    def pieces(self, record: Record) -> dict[str, Piece]:
        """Say which piece of which column each field of a record is taken from.

        Parameters
        ----------
        record : Record
            A record of this layout.

        Returns
        -------
        dict of str to Piece
            Field to column and component; the component of a whole cell is empty.

        Raises
        ------
        ValueError
            If several columns hold a field and the record does not say which one to take.
        """
        found = dict(record.pieces)
        for name in fields_of(record.table):
            if name in found or name in record.set:
                continue
            if name == "visit_date" and record.table != "visit" and self._numbers_visits(record):
                continue  # the date says which visit it is only where nothing else does
            holders = [h for h, column in self.columns.items() if column.field == name]
            if len(holders) > 1:
                raise ValueError(
                    f"{self.named(record)}: the columns {', '.join(holders)} all hold "
                    f"“{name}”; say under “take” which one this record uses"
                )
            if holders:
                found[name] = Piece(column=holders[0], component="")
        return found

    def named(self, record: Record) -> str:
        """Name a record in a message.

        Parameters
        ----------
        record : Record
            A record of this layout.

        Returns
        -------
        str
            Its position in the codebook, and its table.
        """
        number = next(n for n, r in zip(self.numbers, self.records, strict=True) if r is record)
        return f"record {number} ({record.table})"

    def _numbers_visits(self, record: Record) -> bool:
        held = any(column.field == "visit" for column in self.columns.values())
        return held or "visit" in record.set or "visit" in record.take

    def check(self) -> None:
        """Check that columns and records fit together.

        Raises
        ------
        ValueError
            If they don't; pydantic turns it into the user's message.
        """
        people = [header for header, column in self.columns.items() if column.field == "patient"]
        if len(people) != 1:
            where = "" if self.part == ROWS else f"part “{self.part}”: "
            raise ValueError(
                f"{where}one column must hold the field “patient”; found {len(people)}"
            )
        for record in self.records:
            self._check_headers(record)
            self._check_required(record)
            self._check_pieces(record)
        self._check_components()

    def used(self) -> set[str]:
        """List the headers that a record, a condition or a look-up uses.

        Returns
        -------
        set of str
            Headers.
        """
        found: set[str] = set()
        for record in self.records:
            found |= {*record.when, *record.where_filled, *self.sources(record).values()}
        found |= {header for condition in self.out_of_scope for header in condition}
        return found | {header for link in self.links for header in link.on}

    def _check_headers(self, record: Record) -> None:
        taken = [piece.column for piece in record.pieces.values()]
        for header in (*record.when, *record.where_filled, *taken):
            if header not in self.columns:
                raise ValueError(
                    f"{self.named(record)} names the column “{header}”, which is not "
                    f"among the columns; {nearest_names(header, self.columns)}"
                )

    def _check_required(self, record: Record) -> None:
        sources = self.sources(record)
        for alternatives in REQUIRED[record.table]:
            if not any(name in sources or name in record.set for name in alternatives):
                raise ValueError(
                    f"{self.named(record)} says nothing of {' or '.join(alternatives)}; "
                    "declare a column that holds it, or set it as a constant"
                )

    def _check_pieces(self, record: Record) -> None:
        for name, piece in self.pieces(record).items():
            column = self.columns[piece.column]
            if column.field != name:
                raise ValueError(
                    f"{self.named(record)} takes “{name}” from the column “{piece.column}”, which holds "
                    f"“{column.field}”"
                )
            components = column.composite.components if column.composite else ("",)
            if piece.component not in components:
                what = f"the component “{piece.component}”" if piece.component else "a whole cell"
                known = (
                    nearest_names(piece.component, components)
                    if column.composite
                    else "it has none"
                )
                raise ValueError(
                    f"{self.named(record)} takes {what} of the column “{piece.column}”; {known}"
                )

    def _check_components(self) -> None:
        taken = {
            (piece.column, piece.component)
            for record in self.records
            for piece in self.pieces(record).values()
        }
        for header, column in self.columns.items():
            composite = column.composite
            if composite is None or isinstance(composite.order, str):
                continue
            idle = [name for name in composite.components if (header, name) not in taken]
            if idle:
                raise ValueError(
                    f"no record takes {' or '.join(idle)} of the column “{header}”, which would be lost; "
                    "add a record that takes it, or name it “ignored” in the order"
                )


NO_FACTS = (ROW_KIND, POINTER)
"""Fields that say something about rows and become no value."""
