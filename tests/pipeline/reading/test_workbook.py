"""Workbooks: each kind of cell as text; errors, formulas, merged and hidden parts are not lost."""

import base64
import datetime as dt
import io
import struct
import tracemalloc
import zipfile
import zlib

import openpyxl
import pytest
import xlsxwriter

from pipeline.reading.reading import LINE, RECORD
from pipeline.reading.workbook import read_workbook
from schemas.errors import DeliveryError
from schemas.export_file import Place

SHEET = "xl/worksheets/sheet1.xml"


def book(fill, *sheets):
    target = io.BytesIO()
    with xlsxwriter.Workbook(target, {"default_date_format": "yyyy-mm-dd"}) as workbook:
        fill(workbook.add_worksheet("data"), workbook)
        for sheet in sheets:
            workbook.add_worksheet(sheet)
    return target.getvalue()


def grid(*rows):
    return book(lambda sheet, _: [sheet.write_row(at, 0, row) for at, row in enumerate(rows)])


def edited(received, part, *changes):
    """Change the text of one part of a workbook."""
    source, target = zipfile.ZipFile(io.BytesIO(received)), io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as container:
        for entry in source.namelist():
            content = source.read(entry)
            for before, after in changes if entry == part else ():
                assert before in content
                content = content.replace(before, after)
            container.writestr(entry, content)
    return target.getvalue()


def reading(received, header_row=1, sheet=None, ignored=()):
    places = {"rows": Place(sheet=sheet)}
    return read_workbook(received, "export.xlsx", places, header_row, ignored)["rows"]


def rows(part):
    return part.frame.drop(RECORD, LINE).rows()


def refusal(received, **options):
    with pytest.raises(DeliveryError) as error:
        reading(received, **options)
    return error.value


def test_each_kind_of_cell_is_text():
    def fill(sheet, workbook):
        sheet.write_row(0, 0, list("abcdefghijk"))
        sheet.write_row(1, 0, [7, 34.5, 0.1, True, "007", " x "])
        sheet.write_datetime(1, 6, dt.date(2026, 1, 5))
        stamp = workbook.add_format({"num_format": "yyyy-mm-dd hh:mm"})
        sheet.write_datetime(1, 7, dt.datetime(2026, 1, 5, 14, 30), stamp)  # noqa: DTZ001
        sheet.write_number(1, 8, 0.25, workbook.add_format({"num_format": "hh:mm:ss"}))
        sheet.write_number(1, 9, 1.5, workbook.add_format({"num_format": "[h]:mm:ss"}))
        sheet.write_number(1, 10, 0.8, workbook.add_format({"num_format": "0 %"}))
        sheet.write_row(2, 0, [1e-7, 1e22, -3, False, "1,5"])

    part = reading(book(fill))
    assert rows(part) == [
        ("7", "34.5", "0.1", "TRUE", "007", " x ", "2026-01-05", "2026-01-05 14:30:00", "06:00:00",
         "36:00:00", "0.8"),
        ("0.0000001", "1" + "0" * 22, "-3", "FALSE", "1,5", "", "", "", "", "", ""),
    ]  # fmt: skip
    assert part.place == "export.xlsx, sheet “data”"


def test_the_line_is_the_row_of_the_sheet_and_blank_rows_are_none():
    def fill(sheet, _):
        sheet.merge_range("B2:D2", "A title")
        sheet.write_row(4, 1, ["id", 2026])
        sheet.write_row(5, 1, ["A", 1])
        sheet.write_row(8, 1, ["B", 2])
        sheet.set_row(8, None, None, {"hidden": True})
        sheet.set_column(2, 2, None, None, {"hidden": True})

    part = reading(book(fill), header_row=5)
    assert part.frame.columns == ["id", "2026", RECORD, LINE]
    assert part.frame.rows() == [("A", "1", 1, 6), ("B", "2", 2, 9)]
    assert "row 9, but the last row is 7" in refusal(grid(*[["a"]] * 7), header_row=9).problem


def test_an_error_keeps_its_text_and_a_formula_without_value_is_told():
    def fill(sheet, _):
        sheet.write_row(0, 0, list("abcde"))
        sheet.write_formula(1, 0, "=NA()", None, "#N/A")
        sheet.write_formula(1, 1, "=1/0", None, "#DIV/0!")
        sheet.write_formula(1, 2, "=1+1", None, 2)
        sheet.write_formula(1, 3, '=""', None, "")
        sheet.write_formula(1, 4, '="a"', None, "a")

    # Spreadsheet programs mark a formula whose value is the empty text; this library does not.
    received = edited(book(fill), SHEET, (b'r="D2"', b'r="D2" t="str"'))
    assert rows(reading(received)) == [("#N/A", "#DIV/0!", "2", "", "a")]
    workbook = openpyxl.Workbook()
    sheet = workbook.active
    sheet["B1"], sheet["C1"], sheet["D1"] = "a", "b", "c"
    sheet["B2"], sheet["C2"] = 1, "=1+1"
    sheet["D9"] = "=A1"  # nothing else in this row: it is a record all the same
    target = io.BytesIO()
    workbook.save(target)
    part = reading(target.getvalue())
    assert rows(part) == [("1", "#FORMULA", ""), ("", "", "#FORMULA")]
    assert part.frame[LINE].to_list() == [2, 9]


def test_cells_without_a_reference_follow_one_another():
    changes = [(b' r="%s"' % cell, b"") for cell in (b"A2", b"B2", b"2")]
    workbook = openpyxl.Workbook()
    workbook.active.append(["a", "b"])
    workbook.active.append([1, "=1+1"])
    target = io.BytesIO()
    workbook.save(target)
    assert rows(reading(edited(target.getvalue(), SHEET, *changes))) == [("1", "#FORMULA")]


def test_merged_cells_among_the_records_are_refused_by_range():
    def fill(sheet, _):
        sheet.write_row(0, 0, ["id", "angle"])
        sheet.merge_range("A2:A3", "A")
        sheet.write_column(1, 1, [1, 2])

    error = refusal(book(fill))
    assert error.place == "export.xlsx, sheet “data”, A2:A3"
    assert "merged" in error.problem


def test_sheets_are_taken_by_name_and_none_is_passed_over():
    def fill(sheet, workbook):
        sheet.write_column(0, 0, ["a", 1])
        other = workbook.add_worksheet("notes")
        other.write_column(0, 0, ["b", 2])
        other.hide()

    received = book(fill, "blank")
    assert "2 sheets with content" in refusal(received).problem
    assert "hidden sheet “notes”" in refusal(received, sheet="data").problem
    assert "no sheet “dat”; nearest: data" in refusal(received, sheet="dat").problem
    assert rows(reading(received, ignored=["notes"])) == [("1",)]
    assert rows(reading(received, sheet="notes", ignored=["data"])) == [("2",)]
    places = {"one": Place(sheet="data"), "two": Place(sheet="notes", header_row=1)}
    parts = read_workbook(received, "export.xlsx", places)
    assert {name: rows(part) for name, part in parts.items()} == {"one": [("1",)], "two": [("2",)]}


@pytest.mark.parametrize(
    ("received", "problem"),
    [
        (grid(["a", "", "c"], [1, 2, 3]), "column B has no name"),
        (grid(["a", "b"], [1, 2, 3]), "column C has no name"),
        (grid(["a", "b", "a "], [1, 2, 3]), "the name a (columns 1, 3)"),
        (grid(["a"]), "no record"),
        (grid(), "0 sheets with content"),
        (b"a,b\n1,2\n", "damaged, or is none"),
        (b"PK\x03\x04xl/workbook.xml", "damaged"),
        (grid(["a"], [1])[:-50], "damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(2000), "damaged"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "EncryptedPackage".encode("utf-16-le"), "password"),
        (b"%PDF-1.7", "this is a PDF document"),
    ],
)
def test_a_workbook_that_would_lose_something_is_refused(received, problem):
    assert problem in refusal(received).problem


def test_columns_that_hold_nothing_are_none():
    assert rows(reading(grid(["a", "", "c"], [1, "", 3]))) == [("1", "3")]


SMALL = grid(["a", "b"], [1, "x"])
LAUGHS = b'<!DOCTYPE x [<!ENTITY l0 "ha">%s]>' % b"".join(
    b'<!ENTITY l%d "%s">' % (n, b"&l%d;" % (n - 1) * 10) for n in range(1, 10)
)


def bomb(**sizes):
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as container:
        container.writestr("xl/workbook.xml", "")
        for name, size in sizes.items():
            container.writestr(f"{name}.xml", bytes(size))
    return target.getvalue()


def lying(received):
    """State a small size for a part that unpacks to a large one."""
    at = received.rindex(b"PK\x01\x02")
    assert received[at + 46 :].startswith(b"big.xml")
    return received[: at + 24] + (100).to_bytes(4, "little") + received[at + 28 :]


@pytest.mark.parametrize(
    ("received", "problem"),
    [
        (edited(SMALL, SHEET, (b"<worksheet", LAUGHS + b"<worksheet")), "document type definition"),
        (edited(SMALL, "xl/sharedStrings.xml", (b"<sst", LAUGHS + b"<sst")), "document type"),
        (bomb(big=20 * 1024**2), "times its size"),
        (lying(bomb(big=2 * 1024**2)), "damaged"),
        (bomb(**{f"p{n}": 1 for n in range(10_001)}), "parts"),
        (edited(SMALL, SHEET, (b'r="B2"', b'r="XFD1048576"')), "reaches to XFD1048576"),
        (
            edited(
                SMALL, SHEET, (b'row r="2"', b'row r="1048576"'), (b'r="B2"', b'r="XFD1048576"')
            ),
            "reaches to XFD1048576",
        ),
        (edited(SMALL, "xl/_rels/workbook.xml.rels", (b"worksheets/sheet1", b"x/y")), "damaged"),
    ],
    ids=["laughs", "laughs in texts", "bomb", "lying bomb", "parts", "far", "farther", "no part"],
)
def test_a_workbook_built_to_do_harm_is_refused_in_bounded_memory(received, problem):
    tracemalloc.start()
    try:
        error = refusal(received)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert problem in error.problem
    assert peak < 100 * 1024**2


def test_an_extent_that_is_stated_but_not_filled_is_harmless():
    received = edited(
        SMALL,
        SHEET,
        (b'ref="A1:B2"', b'ref="A1:XFD1048576"'),
        (b"</sheetData>", b'<row r="1048576"><c r="XFD1048576" s="0"/></row></sheetData>'),
    )
    assert rows(reading(received)) == [("1", "x")]


OLD = zlib.decompress(
    base64.b85decode(
        "c-rk)O=wd=5dQY{z5J9UO=>E%LJ5UdO<O@k^wP%GYELQEi$4gOnjobmk(h(^VzuTd2%Z!#g?jK(_2LgI=*@!=(Ss"
        "lei5`0r6g;$f&P-lvQX@2=fyn#9%+Aiv>`r!Pci($&bAkNg!>$50U>GeZnr=8Mbc)DbuJ}RirpaQtbP<_0nhI_gE"
        "u_Q1Gw&NGuOY8@0U93YuZRPmiB91>CQ`{nsDT)j7-EWJ7*aaro`yR_K6FZ4?ZVFr-y;0J*ghA2Ks48d50PzNokT7"
        "&5#Dd*@o}w3+I++n9*fUM(d<SCUUME_zM)FC21e4;vDqeT=+-@00xjuyBAG~Yy$yHK3Y;JeMx%pcV|fH=xtH+W3<"
        "2ND`}$?b);CtKK>8omdgmYXE?UHm`kR^#%)>mRIGMBXpjYP>9r0KumW3Dl9Hq=irZR~OtLW#v5TcBqjvGKMd2Tk*"
        "0&<w6G#ViqB|1oSv6T;fIVAj5hlE$Qj)!<0Z6XI`1NkY&)q7vxMW-esr$sX_7end#=;c^p;tG3^vrk$K;WR$N;?X"
        "bss`R=|<SyYsvZS(avcnP%FNn=GY3-wN_6XibwpYkINY1VtdD5Nz64^=e@_6A=aQQ=I5j}LB#mS$43m8xX>h>+h("
        "@42g)<N@0c;|12j!W}fv76Q%*@iXVW`uz7QjKRvt=BYbuGm}E@K)l@^YMblSK__0mk+&NIgLEoPm_MC{WS6888$S"
        "RwI*T3)_RRmbg?!pYhA3Jsw8U?@37X6N8BkLsK3yNj8N;mSu;Y_%m|(*nN`%9RU0;J*sx*4hK&Y5mEHp6VN<sr#U"
        "0k$0e{z7BP!aTN&Z_LMT&kIdZj#sB$a8*)s;V6VW@InYLh<Y?}dzGG<q5{n36bV>ds$!7+015XVZ@Uzqf_z9luyl"
        "od0<IpXi|jM*"
    )
)
"""A workbook of the old kind, written with xlwt 1.3: a hidden sheet, an error, a day and a formula."""


def test_a_workbook_of_the_old_kind():
    part = reading(OLD, sheet="data", ignored=["notes"])
    assert rows(part) == [("A", "34.5", "2026-01-05"), ("B", "#N/A", ""), ("C", "#DIV/0!", "TRUE")]
    assert part.frame[LINE].to_list() == [2, 3, 5]
    assert "hidden sheet “notes”" in refusal(OLD, sheet="data").problem


def record(kind, content=b""):
    """Write a record of a binary workbook: [MS-XLSB] 2.1.4."""
    head = bytes([kind]) if kind < 128 else bytes([kind & 127 | 128, kind >> 7])
    assert len(content) < 128
    return head + bytes([len(content)]) + content


def words(*numbers):
    return b"".join(number.to_bytes(4, "little") for number in numbers)


def wide(text):
    return words(len(text)) + text.encode("utf-16-le")


def binary(*cells, merged=None):
    """Write a binary workbook; each cell is its row, column, kind of record and content."""
    sheet, last = record(129) + record(148, words(0, 1, 0, 1)) + record(145), -1
    for row, column, kind, content in cells:
        if row != last:
            sheet, last = sheet + record(0, words(row, 0) + bytes(9)), row
        sheet += record(kind, words(column, 0) + content)
    sheet += record(146) + (record(176, words(*merged)) if merged else b"") + record(130)
    named = record(156, words(0, 1) + wide("rId1") + wide("data"))
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as container:
        container.writestr("[Content_Types].xml", "<Types/>")
        container.writestr(
            "xl/_rels/workbook.bin.rels",
            '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
            '<Relationship Id="rId1" Target="worksheets/sheet1.bin"/></Relationships>',
        )
        book = record(131) + record(143) + named + record(144) + record(132)
        container.writestr("xl/workbook.bin", book)
        container.writestr("xl/worksheets/sheet1.bin", sheet)
    return target.getvalue()


def test_a_binary_workbook():
    # Kinds of [MS-XLSB] 2.4: 6 text, 5 number, 4 true or false, 3 error; 2.5.97.2: 42 is #N/A.
    header = [(0, 0, 6, wide("id")), (0, 1, 6, wide("angle"))]
    first = [(1, 0, 6, wide("A")), (1, 1, 5, struct.pack("<d", 34.5))]
    second = [(2, 0, 4, b"\x01"), (2, 1, 3, b"\x2a")]
    part = reading(binary(*header, *first, *second))
    assert rows(part) == [("A", "34.5"), ("TRUE", "#N/A")]
    assert part.frame[LINE].to_list() == [2, 3]
    far = (1_048_575, 16_383, 5, struct.pack("<d", 1))
    assert "reaches to XFD1048576" in refusal(binary(*header, far)).problem
    merged = refusal(binary(*header, *first, *second, merged=(1, 2, 0, 0)))
    assert merged.place == "export.xlsx, sheet “data”, A2:A3"


NAMES = (
    " ".join(
        f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"'
        for short in ("office", "table", "text")
    )
    + ' xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"'
)


def open_document(*rows_of_cells):
    table = "".join(
        f"<table:table-row>{''.join(cells)}</table:table-row>" for cells in rows_of_cells
    )
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as container:
        kind = "application/vnd.oasis.opendocument.spreadsheet"
        container.writestr("mimetype", kind)
        container.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0">'
            f'<manifest:file-entry manifest:full-path="/" manifest:media-type="{kind}"/>'
            "</manifest:manifest>",
        )
        container.writestr(
            "content.xml",
            f'<?xml version="1.0"?><office:document-content {NAMES}><office:body><office:spreadsheet>'
            f'<table:table table:name="data">{table}</table:table></office:spreadsheet></office:body>'
            "</office:document-content>",
        )
    return target.getvalue()


def cell(text="", attributes='office:value-type="string"'):
    return f"<table:table-cell {attributes}><text:p>{text}</text:p></table:table-cell>"


def test_an_open_document():
    # Attributes as in OpenDocument 1.3 part 3, section 19.385 and following.
    error = 'table:formula="of:=NA()" office:value-type="string" office:string-value="" '
    part = reading(
        open_document(
            [cell("id"), cell("angle"), cell("day"), cell("late")],
            [
                cell("A"),
                cell("34,5", 'office:value-type="float" office:value="34.5"'),
                cell("05.01.26", 'office:value-type="date" office:date-value="2026-01-05"'),
                cell("WAHR", 'office:value-type="boolean" office:boolean-value="true"'),
            ],
            [
                cell("B"),
                cell("#N/A", error + 'calcext:value-type="error"'),
                '<table:table-cell table:formula="of:=1+1"/>',
                '<table:table-cell table:number-columns-repeated="16000"/>',
            ],
        )
    )
    assert rows(part) == [("A", "34.5", "2026-01-05", "TRUE"), ("B", "#N/A", "#FORMULA", "")]


def test_an_open_document_that_repeats_its_cells_without_end_is_refused():
    wide = cell("x", 'office:value-type="string" table:number-columns-repeated="9999"')
    received = open_document([cell("a")], [wide])
    assert "no name" in refusal(received).problem
    before = b'<table:table-row><table:table-cell office:value-type="string" table:number-c'
    after = before.replace(b"row>", b'row table:number-rows-repeated="99999">')
    rows_too = edited(received, "content.xml", (before, after))
    assert "reaches to" in refusal(rows_too).problem


def test_merged_cells_of_an_open_document_are_refused_by_range():
    spanned = cell("m", 'office:value-type="string" table:number-columns-spanned="2"')
    received = open_document([cell("a"), cell("b")], [spanned, "<table:covered-table-cell/>"])
    assert refusal(received).place == "export.xlsx, sheet “data”, A2:B2"
