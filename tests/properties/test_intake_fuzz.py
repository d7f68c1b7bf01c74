"""Whatever arrives, under any clinic's codebook: a delivery whose account adds up, or a clear refusal.

Cells, rows and columns of valid exports are changed before they are written, and bytes afterwards.
``ARCGAIN_FUZZ=long`` runs many more examples, other ones each time.
"""

import copy
import csv
import io
import json
import os
import re
import subprocess
import sys
import time
import zipfile
from datetime import date, datetime
from pathlib import Path

import openpyxl
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import xlsxwriter
from hypothesis import given
from hypothesis import strategies as st

from flows.configuration import parse_codebook
from flows.intake import Request, check_export
from flows.workspace import create_workspace
from schemas.codebook import Codebook
from schemas.errors import ArcgainError, CodebookError
from synthetic_data.clinic import CLINICS
from synthetic_data.codebook import codebook_text
from tests.properties.conftest import IS_LONG, changes, check_account, examples, mutated, take

CSV = {"harbour": ("utf-8", ","), "millrace": ("cp1252", ";"), "tarnside": ("utf-8-sig", ",")}
N_ROWS = 16
"""Rows that are kept of each table: enough for every kind of row, few enough to be quick."""

IDENTIFIER = re.compile(r"(?:H|ML|TS-|SG|BW|N)\d{4,5}|\bL\d{5}")
"""How the clinics number patients and clinicians; no such number may be shown or kept."""

LONGEST_MESSAGE = 20_000

HOSTILE = [
    "", " ", "=1+1", "+1", "@x", "-1", "=HYPERLINK(1)", "<script>alert(1)</script>", "&lt;", "]]>",
    "\0", "\ud800", "\x1f", "\x1fplace", "\ufeff", "\u202e35", "35\u200f", "3\u200b5", "\u2028", "\x85",
    "NaN", "Infinity", "-Infinity", "1e308", "1e-400", "1e999999999", "9" * 400, "-0", "-0.0", "0x1F",
    "٣٥", "３５", "२५", "²", "½", "1_000", "1,5", "1.5", "35°", "true", "null", "[]", "{}", '"', "'", ",",
    ";", "\t", "\n", "a\r\nb", "%", "%s", "{0}", "\\", "\\N", "$1", "S 20-0-120", "45-0-30", "0-0-0-0",
    "2024-02-30", "9999-12-31", "0000-00-00", "45123", "B", "L", "R", "x" * 300, "é" * 40,
    10**30, -(10**30), float("nan"), float("inf"), -0.0, 1e308, True, False, None,
    datetime(9999, 12, 31, 23, 59), date(1900, 1, 1),  # noqa: DTZ001 - cells of a workbook have no zone
]  # fmt: skip

hostile = st.sampled_from(HOSTILE) | st.text(max_size=6) | st.integers() | st.floats()
spots = st.integers(0, 10_000)
edits = st.lists(
    st.tuples(
        st.sampled_from(
            ["cell"] * 6
            + [
                "swap",
                "swap",
                "repeat",
                "drop",
                "add",
                "rename",
                "blank",
                "short",
                "long",
                "column",
            ]
        ),
        spots,
        spots,
        hostile,
    ),
    min_size=1,
    max_size=5,
)


def edited(table, changed):  # noqa: C901 - one case for each kind of change
    """Change cells, rows and columns; ``table`` has its header in the first row."""
    table = [list(row) for row in table]
    for kind, down, across, value in changed:
        row = table[down % len(table)]
        if not row:
            continue
        other = table[across % len(table)]
        column = across % len(row)
        match kind:
            case "cell":
                row[column] = value
            case "swap" if other:
                at = down % len(other)
                row[column], other[at] = other[at], row[column]
            case "repeat":
                table.insert(down % len(table) + 1, list(row))
            case "drop":
                table = [line[:column] + line[column + 1 :] for line in table]
            case "add":
                table = [[*line, value] for line in table]
            case "rename":
                table[0][column % len(table[0])] = value
            case "blank":
                table.insert(across % len(table) + 1, [""] * len(row))
            case "short":
                row.pop()
            case "long":
                row.append(value)
            case "column":
                for line in table[1:]:
                    line[column % len(line) if line else 0 :][:1] = [value]
                    if column < len(line):
                        line[column] = value
    return table


def leaves(node):
    """Give every holder of a plain value within an object of JSON, with its place there."""
    inner = node.items() if isinstance(node, dict) else enumerate(node)
    for place, child in list(inner):
        if isinstance(child, dict | list):
            yield from leaves(child)
        else:
            yield node, place


def edited_lines(lines, changed):  # noqa: C901 - one case for each kind of change
    """Change values, members and lines of NDJSON."""
    lines = copy.deepcopy(lines)
    for kind, down, across, value in changed:
        found = list(leaves(lines))
        if not found:
            break
        (node, place), (other, there) = found[down % len(found)], found[across % len(found)]
        if isinstance(value, date):
            value = value.isoformat()  # noqa: PLW2901 - JSON has no dates
        match kind:
            case "cell" | "column":
                node[place] = value
            case "swap":
                node[place], other[there] = other[there], node[place]
            case "repeat" | "blank":
                lines.insert(down % len(lines), copy.deepcopy(lines[across % len(lines)]))
            case "drop" | "short":
                del node[place]
            case "add" | "long":
                node[place] = [value, {"x": value}]
            case "rename":
                if isinstance(node, dict):
                    node[str(value)] = node.pop(place)
    return lines


def as_csv(table, encoding, delimiter):
    target = io.StringIO()
    writer = csv.writer(target, delimiter=delimiter, lineterminator="\n")
    writer.writerows(["" if cell is None else str(cell) for cell in row] for row in table)
    return target.getvalue().encode(
        encoding, "replace" if encoding == "cp1252" else "surrogatepass"
    )


def plain(cell):
    """A text that may stand in XML and in Parquet."""
    return cell.encode("utf-8", "replace").decode() if isinstance(cell, str) else cell


def as_workbook(tables):
    target = io.BytesIO()
    options = {
        "in_memory": True,
        "nan_inf_to_errors": True,
        "strings_to_formulas": False,
        "strings_to_urls": False,
        "default_date_format": "dd-mm-yyyy",
    }
    with xlsxwriter.Workbook(target, options) as book:
        for name, table in tables.items():
            sheet = book.add_worksheet(name)
            for down, row in enumerate(table):
                for across, cell in enumerate(row):
                    value = (
                        str(cell) if isinstance(cell, int) and abs(cell) > 2**53 else plain(cell)
                    )
                    if value is not None and value != "":
                        sheet.write(down, across, value)
    return target.getvalue()


def as_parquet(table):
    header = [plain(str(name)) for name in table[0]]
    width = len(header)
    rows = [[*row[:width], *[None] * (width - len(row))] for row in table[1:]]
    columns = {}
    for at, name in enumerate(header):
        cells = [plain(row[at]) for row in rows]
        kinds = {type(cell) for cell in cells if cell is not None}
        if len(kinds) > 1 or any(isinstance(c, int) and abs(c) >= 2**63 for c in cells):
            cells = [None if cell is None else plain(str(cell)) for cell in cells]
        columns[name] = cells
    target = io.BytesIO()
    pq.write_table(pa.table(columns), target)
    return target.getvalue()


def first_rows(export):
    """Give the first rows of each table of an export, by file or sheet; of NDJSON, its first lines."""
    if export.clinic in CSV:
        encoding, delimiter = CSV[export.clinic]
        with export.path.open(encoding=encoding, newline="") as file:
            return {export.path.name: [*csv.reader(file, delimiter=delimiter)][: N_ROWS + 1]}
    if export.clinic == "lindeveen":
        book = openpyxl.load_workbook(export.path, data_only=True)
        return {
            sheet.title: [
                list(row) for row in sheet.iter_rows(max_row=N_ROWS + 3, values_only=True)
            ]
            for sheet in book
        }
    if export.clinic == "saltgrove":
        lines = export.path.read_text(encoding="utf-8").splitlines()[:4]
        return {export.path.name: [json.loads(line) for line in lines]}
    frames = {path.name: pl.read_parquet(path).head(N_ROWS) for path in export.path.iterdir()}
    return {name: [f.columns, *map(list, f.iter_rows())] for name, f in sorted(frames.items())}


def written(clinic, tables):
    """Write tables as the clinic does: name of each file to its bytes."""
    if clinic in CSV:
        return {name: as_csv(table, *CSV[clinic]) for name, table in tables.items()}
    if clinic == "lindeveen":
        return {"lindeveen.xlsx": as_workbook(tables)}
    if clinic == "saltgrove":
        return {name: "\n".join(map(json.dumps, t)).encode() for name, t in tables.items()}
    return {name: as_parquet(table) for name, table in tables.items()}


@pytest.fixture(scope="session")
def short(sent):
    """Give a clinic's first export and the first rows of its tables."""
    found = {export.clinic: (export, first_rows(export)) for export in reversed(sent)}
    return lambda clinic: found[clinic]  # a function, so that a failing example is shown without it


@pytest.fixture(scope="session")
def scratch(tmp_path_factory):
    return tmp_path_factory.mktemp("changed")


def placed(scratch, clinic, files):
    """Put the files of an export on disk, in place of those that were there."""
    root = scratch / clinic
    root.mkdir(exist_ok=True)
    for old in root.iterdir():
        old.unlink()
    for name, received in files.items():
        (root / name).write_bytes(received)
    return root if clinic == "brackwell" else root / next(iter(files))


def check_refusal(error):
    assert error.place
    assert error.problem
    assert error.remedy
    assert len(str(error)) < LONGEST_MESSAGE
    assert "fault of the program" not in str(error)
    assert not IDENTIFIER.search(str(error)), str(error)
    str(error).encode()  # what cannot be written cannot be shown


def check_delivery(reading, delivery):
    check_account(reading, delivery)
    kept = (delivery.quarantine, delivery.raw, *delivery.tables.values())
    for frame in kept:
        text = frame.with_columns(pl.selectors.categorical().cast(pl.String)).write_csv()
        assert not IDENTIFIER.search(text), IDENTIFIER.search(text)
        assert "\ud800" not in text


def outcome(path, export):
    """Take in; a refusal must say something, a delivery must add up."""
    try:
        reading, delivery = take(path, export.signed, export.exported_on)
    except ArcgainError as error:
        check_refusal(error)
        return error
    check_delivery(reading, delivery)
    return delivery


@pytest.mark.parametrize("clinic", CLINICS)
def test_the_export_that_is_changed_is_taken_in_before(short, scratch, clinic):
    export, tables = short(clinic)
    delivery = outcome(placed(scratch, clinic, written(clinic, tables)), export)
    assert delivery.account["range_test"]["accepted"] > 5, delivery


@pytest.mark.parametrize("clinic", CLINICS)
@examples(few=6)
@given(data=st.data(), changed=edits)
def test_a_valid_export_with_changed_cells_rows_and_columns(short, scratch, clinic, data, changed):
    export, tables = short(clinic)
    name = data.draw(st.sampled_from(sorted(tables)))
    change = edited_lines if clinic == "saltgrove" else edited
    other = tables | {name: change(tables[name], changed)}
    outcome(placed(scratch, clinic, written(clinic, other)), export)


@pytest.mark.parametrize("clinic", CLINICS)
@examples(few=5)
@given(data=st.data(), changed=changes)
def test_a_valid_export_with_changed_bytes(short, scratch, clinic, data, changed):
    export, tables = short(clinic)
    files = written(clinic, tables)
    name = data.draw(st.sampled_from(sorted(files)))
    if clinic == "lindeveen":
        source, target = zipfile.ZipFile(io.BytesIO(files[name])), io.BytesIO()
        part = data.draw(st.sampled_from(source.namelist()))
        with zipfile.ZipFile(target, "w") as container:
            for entry in source.namelist():
                content = source.read(entry)
                container.writestr(entry, mutated(content, changed) if entry == part else content)
        received = target.getvalue()
    else:
        received = mutated(files[name], changed)
    outcome(placed(scratch, clinic, files | {name: received}), export)


LONG_CELLS = {
    "digits": "7" * 10_000_000,
    "words": "word " * 200_000 if not IS_LONG else "word " * 2_000_000,
    "names": "dr. van der " * 800_000,
    "markup": "<b>" * 3_000_000,
    "commas": "1,5 " * 2_500_000,
}


@pytest.mark.parametrize(
    ("clinic", "kind"),
    [
        ("harbour", "words"),
        ("saltgrove", "digits"),
        *((clinic, kind) for clinic in ("harbour", "saltgrove") for kind in LONG_CELLS if IS_LONG),
    ],
)
def test_a_cell_of_ten_megabytes_costs_seconds_at_most(short, scratch, clinic, kind):
    export, tables = short(clinic)
    (name,) = tables
    table = copy.deepcopy(tables[name])
    if clinic == "saltgrove":
        table[0]["hips"][0]["tests"][0]["gon"] = LONG_CELLS[kind]
    else:
        table[5][14] = LONG_CELLS[kind]
    start = time.perf_counter()
    outcome(placed(scratch, clinic, written(clinic, {name: table})), export)
    # Going back over the cell for each of its words would take hours; the limit is loose on purpose.
    assert time.perf_counter() - start < 60


@pytest.mark.parametrize("clinic", ["harbour", "millrace", "saltgrove"])
def test_a_hundred_thousand_columns_are_refused_at_once(short, scratch, clinic):
    export, tables = short(clinic)
    (name,) = tables
    if clinic == "saltgrove":
        table = copy.deepcopy(tables[name])
        table[0] |= {f"k{n}": 1 for n in range(100_000)}
    else:
        more = [f"k{n}" for n in range(100_000)]
        table = [
            row + (more if at == 0 else [""] * len(more)) for at, row in enumerate(tables[name])
        ]
    start = time.perf_counter()
    error = outcome(placed(scratch, clinic, written(clinic, {name: table})), export)
    assert isinstance(error, ArcgainError)
    assert time.perf_counter() - start < 20


JSON = {
    "deep list": b"[" * 100_000,
    "deep object": b'{"a":' * 100_000 + b"1" + b"}" * 100_000,
    "huge whole number": b'{"patient": {"id": ' + b"9" * 5000 + b"}}",
    "huge exponent": b'{"visit": {"no": 1e99999999}}',
    "lone surrogate": b'{"patient": {"id": "\\ud800"}, "\\udc00": 1}',
    "no object": b"1",
}


@pytest.mark.parametrize("kind", JSON)
def test_a_hostile_line_of_json_costs_itself_at_most(short, scratch, kind):
    export, tables = short("saltgrove")
    ((name, received),) = written("saltgrove", tables).items()
    outcome(placed(scratch, "saltgrove", {name: received + b"\n" + JSON[kind]}), export)


def with_part(received, part, change):
    source, target = zipfile.ZipFile(io.BytesIO(received)), io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as container:
        for entry in source.namelist():
            content = source.read(entry)
            container.writestr(entry, change(content) if entry.endswith(part) else content)
    return target.getvalue()


ENTITIES = b"".join(
    b'<!ENTITY e%d "%s">' % (n, b"&e%d;" % (n - 1) * 10 if n else b"x" * 100) for n in range(9)
)
SHEETS = {
    "blanks": ("sheet1.xml", lambda b: b.replace(b"</sheetData>", b" " * 300_000_000 + b"</sheetData>")),
    "text": ("sharedStrings.xml", lambda b: b.replace(b"</sst>", b"x" * 300_000_000 + b"</sst>")),
    "entities": ("sheet1.xml", lambda b: b"<!DOCTYPE x [" + ENTITIES + b"]>" + b),
    "far cell": ("sheet1.xml", lambda b: b.replace(
        b"</sheetData>", b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>')),
    "reference": ("sheet1.xml", lambda b: b.replace(b'r="B5"', b'r="B99999999999999999999"')),
}  # fmt: skip


@pytest.mark.parametrize("kind", SHEETS)
def test_a_workbook_that_swells_is_refused_or_read_in_bounds(short, scratch, kind):
    export, tables = short("lindeveen")
    ((name, received),) = written("lindeveen", tables).items()
    start = time.perf_counter()
    outcome(placed(scratch, "lindeveen", {name: with_part(received, *SHEETS[kind])}), export)
    assert time.perf_counter() - start < 30


@pytest.fixture(scope="session")
def workspace(tmp_path_factory):
    return create_workspace(
        tmp_path_factory.mktemp("w") / "w", "Lowmoor", shared_clinicians=True
    ).root


@pytest.mark.parametrize("clinic", CLINICS)
@examples(few=2)
@given(received=st.binary(max_size=300))
def test_any_bytes_by_the_command(short, scratch, workspace, clinic, received):
    export, tables = short(clinic)
    files = written(clinic, tables)
    path = placed(scratch, clinic, files | {sorted(files)[0]: received})
    try:
        check_export(workspace, Request(path, export.codebook_path, export.exported_on))
    except ArcgainError as error:
        check_refusal(error)


def check_codebook(text):
    try:
        assert isinstance(parse_codebook(text, "file.yaml"), Codebook)
    except CodebookError as error:
        check_refusal(error)


@pytest.mark.parametrize("clinic", CLINICS)
@examples(few=5)
@given(data=st.data())
def test_a_valid_codebook_that_was_changed(clinic, data):
    """Lines are dropped, repeated, moved and spoilt; no tag and no date, see below."""
    lines = codebook_text(clinic).splitlines()
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(lines) - 1))
        kind = data.draw(st.sampled_from(["drop", "repeat", "swap", "insert", "indent", "cut"]))
        other = data.draw(st.integers(0, len(lines) - 1))
        match kind:
            case "drop" if len(lines) > 1:
                del lines[at]
            case "repeat":
                lines.insert(other, lines[at])
            case "swap":
                lines[at], lines[other] = lines[other], lines[at]
            case "insert":
                spot = other % (len(lines[at]) + 1)
                new = data.draw(st.text("{}[]:,-#&*|>'\"%@`\t ?é=1x", min_size=1, max_size=3))
                lines[at] = lines[at][:spot] + new + lines[at][spot:]
            case "indent":
                lines[at] = " " * (other % 5) + lines[at].lstrip()
            case "cut":
                lines[at] = lines[at][: other % (len(lines[at]) + 1)]
    check_codebook("\n".join(lines))


@examples(few=20)
@given(st.text(max_size=60) | st.text("{}[]:,-#&*!|>'\"%@` \n\tax1", max_size=30))
def test_any_text_as_codebook(text):
    check_codebook(text)


BOOK = codebook_text("harbour")
LAUGHS = "[" + ", ".join(
    f"&a{n} [" + ", ".join([f"*a{n - 1}" if n else "x"] * 9) + "]" for n in range(9)
) + "]"  # fmt: skip
FAULTS = {
    "deep lists": BOOK + "x: " + "[" * 3000,
    "deep mappings": BOOK + "".join(" " * n + "x:\n" for n in range(1000)),
    "question marks": "? " * 1000,
    "aliases of aliases": BOOK.replace("ignore: {", f"ignore: {{x: {LAUGHS}, "),
    "itself": "&a\ncodebook: x\nclinic: y\nversion: 1\nrecords: *a\ncolumns: *a\n",
    "no such month": BOOK.replace("2024-01-02", "2024-13-45"),
    "no such hour": BOOK.replace("2024-01-02", "2024-01-02T99:99:99"),
    "no whole number": BOOK.replace("version: 1", "version: !!int x"),
    "no truth value": BOOK.replace("version: 1", "version: !!bool x"),
    "huge whole number": BOOK.replace("version: 1", "version: " + "9" * 5000),
    "keys that are equal as text": BOOK.replace("  Age:", '  1: {field: trial}\n  "1":'),
    "message without bound": BOOK.replace(
        "columns:\n", "columns:\n" + "".join(f"  k{n}: {{field: end_feel}}\n" for n in range(4000))
    ),
}
REFUSED = {
    "key twice": BOOK + "version: 2\n",
    "tabs": BOOK.replace("  ", "\t"),
    "alias of nothing": BOOK + "x: *b\n",
    "merge of a number": BOOK + "<<: 3\n",
    "foreign tag": BOOK.replace("version: 1", "version: !!python/name:os.system"),
    "twenty thousand settings": "".join(f"k{n}: 1\n" for n in range(20_000)),
    "two documents": BOOK + "---\n" + BOOK,
    "zero byte": BOOK + "\0",
    "no version of YAML": "%YAML 9.9\n---\n" + BOOK,
    "encoding that is none": BOOK.replace("encoding: utf-8", "encoding: rot13"),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_a_hostile_codebook_is_refused(kind):
    with pytest.raises(CodebookError) as error:
        parse_codebook(REFUSED[kind], "file.yaml")
    check_refusal(error.value)


READ = """
import resource, sys
resource.setrlimit(resource.RLIMIT_AS, (2 << 30, 2 << 30))
resource.setrlimit(resource.RLIMIT_CPU, (6, 6))
from flows.configuration import parse_codebook
from schemas.errors import CodebookError
try:
    parse_codebook(sys.stdin.read(), "file.yaml")
except CodebookError as error:
    sys.exit(3 if len(str(error)) < 20_000 else 4)
"""


@pytest.mark.parametrize("kind", FAULTS)
def test_a_codebook_that_is_no_codebook_is_refused_in_bounded_time_and_memory(kind):
    done = subprocess.run(
        [sys.executable, "-c", READ],
        input=FAULTS[kind],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 3, done.stderr[-500:]


def test_a_patient_number_in_another_column_is_not_kept(short, scratch):
    export, tables = short("harbour")
    ((name, table),) = tables.items()
    table = [list(row) for row in table]
    table[3][14] = table[3][0]  # the number of the patient where the angle belongs
    outcome(placed(scratch, "harbour", written("harbour", {name: table})), export)


@pytest.mark.parametrize("clinic", ["millrace"])
def test_a_missing_header_row_shows_no_patient(short, scratch, clinic):
    export, tables = short(clinic)
    ((name, table),) = tables.items()
    outcome(placed(scratch, clinic, written(clinic, {name: table[1:]})), export)
