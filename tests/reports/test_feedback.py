"""Feedback as a page and as a workbook; the workbook is read back with openpyxl."""

import io
import shutil
import zipfile
from datetime import date, datetime

import openpyxl
import polars as pl
import pytest

import reports.feedback
from pipeline.feedback import make_feedback
from pipeline.store.snapshot import FATES, DeliveryRecord
from reports.feedback import MOST_SHOWN, feedback_page, feedback_workbook
from schemas.reason import REASON_TEXT, Quarantine
from schemas.table import QUARANTINE

DAY = date(2026, 7, 1)
NETWORK = "Invented network"
EXPORT = DeliveryRecord("b" * 12, "harbour", "events", 2, "full", date(2026, 6, 30), "june.xlsx")
OLD = DeliveryRecord("a" * 12, "harbour", "events", 1, "full", date(2026, 3, 31), "march.xlsx")
PSEUDONYM = "p-5e2f"
HOSTILE = (
    "=1+1", "+1", "-1", "@SUM(A1)", "=HYPERLINK(\"x\")", "</script><b>x", "{=1}", "http://x.example",
    "\u202e>45", "\x00\x1b\x0bx", "0012", "1e5", "TRUE", " ", "&amp;", "_x0041_",
)  # fmt: skip


def build(facts, export=EXPORT, network_facts=100, ledger_number=12):
    """Feedback from facts of (table, reason, column, value, record, line)."""
    rows = [
        {
            "clinic": "harbour", "table": table, "reason": str(reason), "column": column, "value": value,
            "patient": PSEUDONYM, "source_file": f"{export.source_name}, sheet Tests",
            "source_record": record, "source_line": line, "delivery": export.delivery, "codebook_version": 2,
        }
        for table, reason, column, value, record, line in facts
    ]  # fmt: skip
    frame = pl.DataFrame(rows, schema=QUARANTINE)
    counts = dict(frame.group_by("table").len().iter_rows())
    account = {
        name: dict.fromkeys(FATES, 0)
        | {
            "read": network_facts + 7 + counts.get(name, 0),
            "accepted": network_facts,
            "duplicate": 7,
        }
        | {"quarantined": counts.get(name, 0)}
        for name in ("source_row", "range_test", "treatment")
    }
    return make_feedback(
        "harbour",
        frame,
        account,
        (export, OLD),
        replaced={OLD.delivery},
        ledger_number=ledger_number,
    )


MIXED = build([
    ("treatment", Quarantine.GRADE_UNREADABLE, "grade", "xxxxxx", 3, 4),
    ("range_test", Quarantine.GRADE_UNREADABLE, "grade", "xxxxxx", 3, 4),
    ("treatment", Quarantine.UNKNOWN_CODE, "bias", "xx", 4, None),
    ("source_row", Quarantine.NO_RECORD, None, None, 5, 6),
    ("range_test", Quarantine.CENSORED_OR_BANDED, "angle", ">45", 6, 7),
])  # fmt: skip
HOSTILE_FEEDBACK = build(
    [
        ("treatment", Quarantine.UNKNOWN_CODE, text, text, n, n + 1)
        for n, text in enumerate(HOSTILE, 1)
    ],
    DeliveryRecord("b" * 12, "harbour", "events", 2, "full", date(2026, 6, 30), "=<b>.xlsx"),
)
LONG = build([
    ("treatment", list(Quarantine)[n % 30], "grade", "xxx", n, n + 1)
    for n in range(1, MOST_SHOWN + 500)
])  # fmt: skip
NOTHING = build([])


def book_of(feedback, network=NETWORK):
    return openpyxl.load_workbook(io.BytesIO(feedback_workbook(feedback, network, DAY)))


def cells_of(book):
    return [c for sheet in book for row in sheet.iter_rows() for c in row if c.value is not None]


def test_the_page_says_at_once_what_was_read_and_what_is_wrong(read_page):
    read = read_page(feedback_page(MIXED, NETWORK, DAY))
    glance = "\n".join(read.findings)
    assert (
        "Of 218 facts read, 200 are in use, 4 could not be taken in (quarantined), and 14 repeat others. "
        "Beside them, 1 whole row could not be used."
    ) in glance
    assert "To correct: 4 places in 1 file or sheet." in glance
    assert f"{REASON_TEXT[Quarantine.GRADE_UNREADABLE].label} (1 place)" in glance
    assert (
        "For the clinic to look at first: 1 place; for the network, in the codebook: 3 places."
        in glance
    )
    head = "\n".join(read.sentences[:2])
    assert "june.xlsx of 30 June 2026" in head
    assert "march.xlsx" not in head  # replaced
    assert "1 July 2026" in head


def test_every_place_is_listed_with_its_problem_and_its_remedy(read_page):
    read = read_page(feedback_page(MIXED, NETWORK, DAY))
    listed = read.text.split("What to do")[-1]
    assert "june.xlsx, sheet Tests, exported on 30 June 2026" in listed
    for reason in (c.reason for c in MIXED.reasons):
        label, remedy = REASON_TEXT[reason].label, REASON_TEXT[reason].remedy
        assert label[1:] in listed
        assert remedy in listed
        assert remedy in read.text.split("Places to correct")[0]
    words = listed.splitlines()
    at = words.index(">45")
    assert words[at - 3 : at] == ["7", "6", "angle"]
    at = words.index("xx")
    assert words[at - 3 : at] == ["not kept", "4", "bias"]
    assert "whole row" in words
    assert "none shown" in words


def test_a_page_without_anything_to_correct_says_so_and_keeps_the_account(read_page):
    read = read_page(feedback_page(NOTHING, NETWORK, DAY))
    assert "Nothing to correct" in read.findings[0]
    assert "table-list" not in read.ids
    assert {"table-exports", "table-account"} <= set(read.ids)
    book = book_of(NOTHING)
    assert "Nothing to correct" in book["Rows"]["A2"].value
    assert book["Rows"]["A1"].value == "File"


def test_a_long_list_is_cut_on_the_page_alone(read_page):
    page = feedback_page(LONG, NETWORK, DAY)
    total = MOST_SHOWN + 499
    assert f"The first 2000 of {total} places are listed here." in read_page(page).text
    assert page.count(b'<th scope="row">') - _grid_rows(LONG) == MOST_SHOWN
    assert book_of(LONG)["Rows"].max_row == total + 1
    assert len(page) < 1_500_000
    assert b"are listed here" not in feedback_page(MIXED, NETWORK, DAY)


def _grid_rows(feedback):
    return len(feedback.reasons) + len(feedback.exports) + len(feedback.tables)


def test_nothing_from_an_export_becomes_markup(read_page):
    page = feedback_page(HOSTILE_FEEDBACK, "<i>", DAY)
    read = read_page(page)
    tags = {tag for tag, _ in read.tags}
    assert not tags & {"b", "i", "script"}
    assert "</script><b>x" in read.text
    assert not any(ord(c) < 32 and c != "\n" for c in page.decode())
    hrefs = [own["href"] for tag, own in read.tags if tag == "a"]
    assert hrefs == ["#findings"]


def test_nothing_from_an_export_becomes_a_formula_a_number_or_a_link():
    book = book_of(HOSTILE_FEEDBACK, "=network")
    whole = {"Row or line", "Record", "Facts held back"}
    head = [c.value for c in book["Rows"][1]]
    for row in book["Rows"].iter_rows(min_row=2):
        for title, cell in zip(head, row, strict=True):
            assert cell.data_type == ("n" if title in whole else "s"), (title, cell.value)
    assert all(c.data_type in {"s", "n"} and c.hyperlink is None for c in cells_of(book))
    values = [row[head.index("Value found")].value for row in book["Rows"].iter_rows(min_row=2)]
    kept = [text for text in HOSTILE if text.isprintable() and text != "_x0041_"]
    assert [value for value in values if value in kept] == kept
    files = zipfile.ZipFile(io.BytesIO(feedback_workbook(HOSTILE_FEEDBACK, "=n", DAY)))
    sheets = [files.read(name) for name in files.namelist() if "worksheets/sheet" in name]
    assert len(sheets) == 3
    assert not any(b"<f>" in sheet or b"<f " in sheet or b"<hyperlink" in sheet for sheet in sheets)


def test_text_cells_stay_text_when_they_are_edited():
    book = book_of(HOSTILE_FEEDBACK)
    text = [c for c in cells_of(book) if c.data_type == "s"]
    assert text
    assert {c.number_format for c in text} == {"@"}


def test_no_pseudonym_is_in_page_or_workbook():
    assert PSEUDONYM.encode() not in feedback_page(MIXED, NETWORK, DAY)
    files = zipfile.ZipFile(io.BytesIO(feedback_workbook(MIXED, NETWORK, DAY)))
    assert not any(PSEUDONYM.encode() in files.read(name) for name in files.namelist())


def test_same_arguments_same_bytes_and_another_day_other_bytes():
    assert feedback_page(MIXED, NETWORK, DAY) == feedback_page(MIXED, NETWORK, DAY)
    book = feedback_workbook(MIXED, NETWORK, DAY)
    assert book == feedback_workbook(MIXED, NETWORK, DAY)
    assert book != feedback_workbook(MIXED, NETWORK, date(2026, 7, 2))
    files = zipfile.ZipFile(io.BytesIO(book))
    assert {info.date_time[:3] for info in files.infolist()} == {(1980, 1, 1)}
    assert openpyxl.load_workbook(io.BytesIO(book)).properties.created == datetime(2026, 7, 1)  # noqa: DTZ001 - as openpyxl gives it


def test_the_sheets_are_ready_to_be_used():
    book = book_of(MIXED)
    assert book.sheetnames == ["Summary", "What to do", "Rows"]
    rows = book["Rows"]
    assert rows.freeze_panes == "A2"
    assert rows.auto_filter.ref == "A1:K5"
    assert rows.print_title_rows == "$1:$1"
    assert rows.column_dimensions["G"].width > 50
    assert rows["G2"].alignment.wrap_text
    assert book["What to do"].auto_filter.ref == "A1:F5"


def test_the_rows_say_where_what_and_who():
    values = [[c.value for c in row] for row in book_of(MIXED)["Rows"].iter_rows()]
    grade = REASON_TEXT[Quarantine.GRADE_UNREADABLE]
    assert values[1] == [
        "june.xlsx, sheet Tests", 4, 3, "grade", "xxxxxx", grade.label[0].upper() + grade.label[1:], grade.remedy,
        "clinic", "range tests, treatments", 2, "2026-06-30",
    ]  # fmt: skip
    assert [row[1] for row in values[1:]] == [4, "not kept", 6, 7]
    assert [row[7] for row in values[1:]] == ["clinic", *["network (codebook)"] * 3]


def test_the_summary_holds_the_account_and_it_adds_up():
    values = [[c.value for c in row] for row in book_of(MIXED)["Summary"].iter_rows()]
    at = next(n for n, row in enumerate(values) if row[0] == "What")
    account = {row[0]: row[1:] for row in values[at + 1 :] if row[0]}
    assert account["Range tests"] == [109, 100, 2, 7, 0, 0, 0]
    assert all(row[0] == sum(row[1:]) for row in account.values())


def test_more_places_than_a_sheet_holds_go_on_in_the_next(monkeypatch):
    monkeypatch.setattr(reports.feedback, "MOST_SHEET_ROWS", 1001)
    book = book_of(LONG)
    assert book.sheetnames[2:] == ["Rows", "Rows 2", "Rows 3"]
    assert [book[name].max_row for name in book.sheetnames[2:]] == [1001, 1001, 500]
    records = [c.value for name in book.sheetnames[2:] for c in book[name]["C"][1:]]
    assert records == LONG.rows["source_record"].to_list()
    assert book["Rows 3"]["A1"].value == "File"


def test_a_header_longer_than_a_cell_is_cut_not_lost():
    long = build([("treatment", Quarantine.UNKNOWN_CODE, "h" * 40_000, "xx", 1, 2)])
    assert book_of(long)["Rows"]["D2"].value == "h" * 32_767


def test_partial_exports_come_with_their_caution(read_page):
    partial = DeliveryRecord("b" * 12, "harbour", "events", 2, "increment", DAY, "june.xlsx")
    facts = [("treatment", Quarantine.TWO_GRADES, "grade", "3/4", 1, 2)]
    assert "stays listed" in read_page(feedback_page(build(facts, partial), NETWORK, DAY)).text
    assert "stays listed" not in read_page(feedback_page(build(facts), NETWORK, DAY)).text


CHROMIUM = shutil.which("chromium")
PAGES = {"mixed": MIXED, "hostile": HOSTILE_FEEDBACK, "nothing": NOTHING}


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        pytest.skip("no chromium is installed on this machine")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        started = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"]
        )
        yield started
        started.close()


@pytest.mark.browser
@pytest.mark.parametrize("name", PAGES)
@pytest.mark.parametrize("width", [1440, 390, 320])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_page_is_accessible_narrow_enough_and_silent(browser, tmp_path, name, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    path = tmp_path / "feedback.html"
    path.write_bytes(feedback_page(PAGES[name], NETWORK, DAY))
    messages = []
    # The checker's own script has to get past the page's policy; the page itself is unchanged.
    with browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=True, offline=True
    ) as context:
        page = context.new_page()
        page.on("console", lambda message: messages.append(message.text))
        page.goto(path.as_uri())
        assert page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        ) == 0  # fmt: skip
        results = Axe().run(page)
        assert results.violations_count == 0, results.generate_report()
        page.add_style_tag(content="html{font-size:200%}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert messages == []


@pytest.mark.browser
def test_the_page_prints_on_paper_without_losing_a_column(browser, tmp_path):
    path = tmp_path / "feedback.html"
    path.write_bytes(feedback_page(MIXED, NETWORK, DAY))
    with browser.new_context(
        viewport={"width": 673, "height": 950}
    ) as context:  # A4 less its margins
        page = context.new_page()
        page.goto(path.as_uri())
        page.emulate_media(media="print")
        wide = page.evaluate(
            "Math.max(...[...document.querySelectorAll('table')].map(t => t.getBoundingClientRect().right))"
        )
    assert wide <= 673
