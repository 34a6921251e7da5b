"""The page about parking in a browser without a network, and the sheet on one A4 page."""

from collections.abc import Iterator
from typing import Any

import pytest
from test_park_command import ASKED, farm_in, run
from test_report_browser import CHROMIUM

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = farm_in(tmp_path_factory.mktemp("park") / "farm")
    out = tmp_path_factory.mktemp("out")
    assert run(folder, *ASKED, "--out", str(out)).exit_code == 0
    return out


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no Chromium browser on this computer")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield opened
        opened.close()


def test_choosing_a_place_shows_what_it_draws(browser, pages):
    context = browser.new_context(offline=True, viewport={"width": 1366, "height": 900})
    page, asked, complaints = context.new_page(), [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.goto((pages / "park.html").as_uri())
    page.wait_for_selector(".map-frame[data-drawn]")
    first, picture = page.inner_text("#told-title"), page.get_attribute(".leaflet-image-layer", "src")
    rows = page.query_selector_all(".ranked .go")
    on_field = next(row for row in rows if "inside" in row.evaluate("node => node.closest('tr').textContent"))
    on_field.click()
    assert page.inner_text("#told-title") != first
    assert page.get_attribute(".leaflet-image-layer", "src") != picture
    assert page.query_selector(".place-mark.chosen").inner_text() == on_field.inner_text()
    assert all(url.startswith(("file:", "data:")) for url in asked) and complaints == []
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 0
    context.close()


def test_the_sheet_is_one_page(browser, pages):
    page = browser.new_page()
    page.goto((pages / "sheet.html").as_uri())
    printed = page.pdf(format="A4", prefer_css_page_size=True)
    assert printed.count(b"/Type /Page\n") + printed.count(b"/Type /Page ") + printed.count(b"/Type /Page/") == 1
    page.close()
