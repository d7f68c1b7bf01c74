"""The list of all published versions, newest first in each report."""

from collections.abc import Mapping, Sequence
from urllib.parse import quote

from reports.page import render_template
from reports.phrase import date_words

_FIELDS = ("report", "identifier", "date", "title", "finding", "published_at")


def render_catalogue(versions: Sequence[Mapping[str, str]]) -> bytes:
    """Render the list of published versions.

    Parameters
    ----------
    versions : sequence of mapping
        For each version ``report``, ``identifier``, ``date``, ``title``, ``finding`` and
        ``published_at``.

    Returns
    -------
    bytes
        ``index.html`` of the folder of published versions.
    """
    listed = sorted(
        ({name: version[name] for name in _FIELDS} for version in versions),
        key=lambda version: (version["date"], version["published_at"], version["identifier"]),
        reverse=True,
    )
    reports: dict[str, list[dict[str, str]]] = {}
    for version in listed:
        link = f"{quote(version['report'], safe='')}/{quote(version['identifier'], safe='')}/index.html"
        entry = {**version, "link": link, "date_words": date_words(version["date"])}
        reports.setdefault(version["report"], []).append(entry)
    return render_template("catalogue.html.j2", reports=reports)
