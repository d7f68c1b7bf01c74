"""The page: one report as a single HTML file that needs no other, with its data files."""

import base64
import hashlib
from dataclasses import dataclass
from importlib.resources import files
from itertools import groupby

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from pipeline.imprint import Imprint
from pipeline.summary import Comparison, Summary
from reports.figure.before_after import before_after_figure
from reports.figure.drawing import Figure
from reports.phrase import clinics_words, date_words, isolated
from reports.results import results_json
from reports.section import (
    ComparisonSection,
    FlowBox,
    comparison_section,
    flow_boxes,
    flow_marker_notes,
)
from reports.table.content import Table, csv_bytes, marker_notes, shown_entries
from reports.table.patients import flow_table, table_one
from reports.table.record import before_after_table, reasons_table, retests_table
from reports.wording import findings
from reports.wording_en import CARE_LIST, LIMITS, STOP_LIST, TEXT


@dataclass(frozen=True)
class _Content:
    """What a report's page is made of, beside the summary itself."""

    main: ComparisonSection
    further: tuple[tuple[ComparisonSection, ...], ...]
    flow: tuple[FlowBox, ...]
    flow_notes: tuple[str, ...]
    flow_table: Table
    table_one: Table
    before_after_figure: Figure | None
    before_after: Table | None
    retests: Table
    reasons: Table

    @property
    def tables(self) -> tuple[Table, ...]:
        comparisons = [self.main, *(section for group in self.further for section in group)]
        listed = [table for section in comparisons for table in section.tables]
        others = (self.flow_table, self.table_one, self.before_after, self.retests, self.reasons)
        return (*listed, *(table for table in others if table is not None and table.rows))


def render_report(summary: Summary, imprint: Imprint) -> dict[str, bytes]:
    """Render a report.

    Parameters
    ----------
    summary : Summary
        What the report says; its cells have been through disclosure control.
    imprint : Imprint
        What the version says of itself.

    Returns
    -------
    dict of str to bytes
        Relative path to content: ``index.html``, ``data/results.json`` and one CSV file a table.

    Raises
    ------
    ValueError
        If two tables have one name: a fault of the program.
    """
    content = _content(summary)
    data = {"data/results.json": results_json(summary, imprint)}
    for table in content.tables:
        path = f"data/{table.name}.csv"
        if path in data:
            raise ValueError(f"two tables are named {table.name}")
        data[path] = csv_bytes(table)
    page = render_template(
        "report.html.j2",
        summary=summary,
        imprint=imprint,
        content=content,
        findings=findings(summary),
        limits=[LIMITS[code] for code in summary.limits],
        date=date_words(summary.date),
        clinics=clinics_words(len(summary.clinics)),
        citation=_citation(summary, imprint),
        files=sorted(data),
        stop_list=STOP_LIST,
        care_list=CARE_LIST,
    )
    return {"index.html": page, **data}


def render_template(name: str, **content: object) -> bytes:
    """Render one template with the shared style.

    Parameters
    ----------
    name : str
        Name of the template.
    **content : object
        What it shows; text is always escaped.

    Returns
    -------
    bytes
        HTML in UTF-8, with a content security policy that allows its own style alone.
    """
    style = files("reports").joinpath("templates", "style.css").read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    environment = Environment(
        loader=PackageLoader("reports"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters.update(isolated=isolated, shown=shown_entries, marker_notes=marker_notes)
    page = environment.get_template(name).render(
        style=Markup(style),  # noqa: S704 - our own file
        style_digest=digest,
        text=TEXT,
        **content,
    )
    return page.encode()


def _content(summary: Summary) -> _Content:
    least = summary.smallest_count
    further = tuple(
        tuple(comparison_section(summary, comparison) for comparison in group)
        for _, group in groupby(summary.comparisons[1:], key=_panel_key)
    )
    before_after = summary.before_after
    return _Content(
        main=comparison_section(summary, summary.comparisons[0]),
        further=further,
        flow=flow_boxes(summary.flow),
        flow_notes=flow_marker_notes(summary.flow, least),
        flow_table=flow_table(summary.flow, least),
        table_one=table_one(summary.table_one, least),
        before_after_figure=before_after_figure(before_after) if before_after else None,
        before_after=before_after_table(before_after, least) if before_after else None,
        retests=retests_table(summary.retests, least),
        reasons=reasons_table(summary.retests, least),
    )


def _panel_key(comparison: Comparison) -> tuple[str, ...]:
    """Range and pain after grades stand side by side; every other comparison stands alone."""
    if comparison.question == "grade":
        return comparison.question, comparison.motion, comparison.pair_kind
    return (comparison.name,)


def _citation(summary: Summary, imprint: Imprint) -> str:
    authors = "; ".join(imprint.authors) or imprint.network
    parts = (
        authors,
        summary.title,
        f"{TEXT['version']} {imprint.identifier}, {date_words(summary.date)}",
        imprint.software,
    )
    return ". ".join(isolated(part).rstrip(".") for part in parts) + "."
