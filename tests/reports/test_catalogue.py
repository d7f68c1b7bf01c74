"""The list of all published versions."""

from reports.catalogue import render_catalogue


def _version(identifier, date, published_at, **more):
    return {
        "report": "network", "identifier": identifier, "date": date, "title": "Title <b>", "finding": f"Finding {identifier}.",
        "published_at": published_at, **more,
    }  # fmt: skip


def test_newest_first_in_each_report(read_page):
    versions = [
        _version("aaa", "2025-01-31", "2025-02-01T10:00:00Z"),
        _version("bbb", "2025-03-31", "2025-04-01T10:00:00Z"),
        _version("ccc", "2025-03-31", "2025-04-02T10:00:00Z"),
        _version("ddd", "2024-03-31", "2024-04-02T10:00:00Z", report="single"),
    ]
    page = render_catalogue(versions)
    read = read_page(page)
    links = [attributes["href"] for tag, attributes in read.tags if tag == "a"]
    assert links == [f"network/{i}/index.html" for i in ("ccc", "bbb", "aaa")] + [
        "single/ddd/index.html"
    ]
    assert "Title <b>" in read.text
    assert "b" not in {tag for tag, _ in read.tags}
    assert "31 March 2025" in read.text
    assert page == render_catalogue(versions[::-1])


def test_nothing_published_yet(read_page):
    assert "Nothing has been published yet." in read_page(render_catalogue([])).text
