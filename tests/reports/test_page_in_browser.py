"""The page in a headless browser: accessible, narrow enough, offline, silent.

Accessibility is checked by axe-core, as axe-playwright-python ships it.
"""

import functools
import http.server
import shutil
import threading

import pytest

pytestmark = pytest.mark.browser

CHROMIUM = shutil.which("chromium")
SIZES = (1440, 390, 320)


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


@pytest.fixture(scope="module")
def folder(files, tmp_path_factory):
    root = tmp_path_factory.mktemp("report")
    for path, content in files.items():
        (root / path).parent.mkdir(exist_ok=True)
        (root / path).write_bytes(content)
    return root


def _open_all(page):
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", SIZES)
def test_axe_finds_no_violation(browser, folder, width, scheme):
    from axe_playwright_python.sync_playwright import Axe

    # The checker's own script has to get past the page's policy; the page itself is unchanged.
    with browser.new_context(
        viewport={"width": width, "height": 900}, color_scheme=scheme, bypass_csp=True
    ) as context:
        page = context.new_page()
        page.goto((folder / "index.html").as_uri())
        _open_all(page)
        results = Axe().run(page)
        assert results.violations_count == 0, results.generate_report()


@pytest.mark.parametrize("width", SIZES)
@pytest.mark.parametrize("zoom", [100, 200])
def test_the_page_never_scrolls_sideways(browser, folder, width, zoom):
    with browser.new_context(viewport={"width": width, "height": 900}, bypass_csp=True) as context:
        page = context.new_page()
        page.goto((folder / "index.html").as_uri())
        _open_all(page)
        if zoom != 100:
            page.add_style_tag(content=f"html{{font-size:{zoom}%}}")
        overflow = page.evaluate(
            "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        )
        assert overflow == 0


@pytest.mark.parametrize("width", SIZES)
def test_text_of_drawings_is_shown_at_eleven_pixels_or_more(browser, folder, width):
    with browser.new_context(viewport={"width": width, "height": 900}) as context:
        page = context.new_page()
        page.goto((folder / "index.html").as_uri())
        shown = page.evaluate(
            """[...document.querySelectorAll('svg')].filter(s => s.getBoundingClientRect().width > 0).flatMap(s =>
                [...s.querySelectorAll('text')].map(t => parseFloat(t.getAttribute('font-size'))
                    * s.getBoundingClientRect().width / s.viewBox.baseVal.width))"""
        )
        assert shown
        assert min(shown) >= 11


@pytest.mark.parametrize("width", SIZES)
def test_no_text_of_a_drawing_is_clipped_or_overlaps(browser, folder, width):
    with browser.new_context(viewport={"width": width, "height": 900}) as context:
        page = context.new_page()
        page.goto((folder / "index.html").as_uri())
        faults = page.evaluate(
            """[...document.querySelectorAll('svg')].filter(s => s.getBoundingClientRect().width > 0).flatMap(s => {
                const frame = s.getBoundingClientRect(), found = [];
                const boxes = [...s.querySelectorAll('text')].map(t => [t.textContent, t.getBoundingClientRect()]);
                boxes.forEach(([a, p], i) => {
                    if (p.left < frame.left - 1 || p.right > frame.right + 1 || p.bottom > frame.bottom + 1) found.push('clipped: ' + a);
                    boxes.slice(i + 1).forEach(([b, q]) => {
                        const wide = Math.min(p.right, q.right) - Math.max(p.left, q.left);
                        const high = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
                        if (wide > 1 && high > 4) found.push('overlap: ' + a + ' / ' + b);
                    });
                });
                return found; })"""
        )
        assert faults == []


def test_offline_from_disk_it_asks_for_itself_alone_and_stays_silent(browser, folder):
    requests, messages = [], []
    with browser.new_context(offline=True) as context:
        page = context.new_page()
        page.on("request", lambda request: requests.append(request.url))
        page.on("console", lambda message: messages.append(message.text))
        page.on("pageerror", lambda error: messages.append(str(error)))
        page.goto((folder / "index.html").as_uri())
        _open_all(page)
    assert requests == [(folder / "index.html").as_uri()]
    assert messages == []


def test_over_http_it_is_the_same(browser, folder):
    requests, messages = [], []

    class Quiet(http.server.SimpleHTTPRequestHandler):
        def log_message(self, *_):
            pass

    server = http.server.ThreadingHTTPServer(
        ("127.0.0.1", 0), functools.partial(Quiet, directory=str(folder))
    )
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        with browser.new_context() as context:
            page = context.new_page()
            page.on("request", lambda request: requests.append(request.url))
            page.on("console", lambda message: messages.append(message.text))
            address = f"http://127.0.0.1:{server.server_port}/index.html"
            page.goto(address)
            assert page.locator("h1").is_visible()
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert [url for url in requests if not url.startswith("data:")] == [address]
    assert messages == []


def test_the_skip_link_comes_first_and_regions_take_the_focus(browser, folder):
    with browser.new_context(viewport={"width": 390, "height": 900}) as context:
        page = context.new_page()
        page.goto((folder / "index.html").as_uri())
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.className") == "skip"
        regions = page.evaluate(
            "[...document.querySelectorAll('.scroll')].map(r => [r.tabIndex, document.getElementById(r.getAttribute('aria-labelledby')).textContent])"
        )
        assert all(index == 0 and name for index, name in regions)
        assert len({name for _, name in regions}) == len(regions)


@pytest.mark.parametrize("width", SIZES)
def test_the_list_of_versions_is_accessible_and_narrow_enough(browser, tmp_path, width):
    from axe_playwright_python.sync_playwright import Axe

    from reports.catalogue import render_catalogue

    version = {
        "report": "network",
        "identifier": "0123456789ab",
        "date": "2025-03-31",
        "title": "Hip range gains by technique and rotation bias",
        "finding": "Lateral distraction went with larger gains than long-axis distraction: 1.8°.",
        "published_at": "2025-04-01T10:00:00Z",
    }
    (tmp_path / "index.html").write_bytes(render_catalogue([version]))
    with browser.new_context(
        viewport={"width": width, "height": 900}, bypass_csp=True, color_scheme="dark"
    ) as context:
        page = context.new_page()
        page.goto((tmp_path / "index.html").as_uri())
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        results = Axe().run(page)
        assert results.violations_count == 0, results.generate_report()
