"""Documents in the app in a real browser: on phone and desk, without barrier, under the app's policy, saved whole."""

import re
from contextlib import closing

import pytest
from conftest import skip_or_fail
from in_browser import DESK, PHONE, barriers, served
from invented_app import NOW, PASSWORD, Clock, app_of, fill, picture
from invented_yard import HOUR, YARD
from playwright.sync_api import expect

from monitor.documents import pdf
from monitor.exchange.entry_values import NewFinding
from monitor.operations.accounts import guest_token, make_guest_link
from monitor.operations.log import record_inspection
from monitor.operations.photos import photo_folder, record_photo
from monitor.operations.walks import plan_walk
from monitor.store.connection import connect
from monitor.walks.plan import MINUTES, WalkRequest

pytestmark = pytest.mark.thorough  # the app and the pages from disk are opened in the ordinary run

VISIT = "11111111-1111-4111-8111-111111111111"
CONDITION = "/yards/north/condition?boat=01"
MEMO = "/yards/north/memo?boat=01"
SHEET = "/yards/north/sheet"
SIZES = {"phone": PHONE, "desk": DESK}


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    """Where the app is served, and the path of a guest's link to boat 01."""
    path = fill(tmp_path_factory.mktemp("documents") / "yard.db")
    with closing(connect(path)) as conn:
        seen = {"inspector": "Per", "inspected_at": NOW - 3 * HOUR, "recorded_at": NOW}
        found = [NewFinding("loose_band", "port", 2, "flaps")]
        record_inspection(conn, YARD, "01", **seen, findings=found, inspection_id=VISIT)
        record_photo(
            conn, photo_folder(path), YARD, photo_id=None, data=picture(), inspection_id=VISIT, recorded_at=NOW,
            taken_by="Per",
        )  # fmt: skip
        asked = WalkRequest(("Ida", "Per"), NOW, ignore_daylight=True, calls=tuple(MINUTES))
        plan_walk(conn, YARD, asked, by="Ida", now=NOW)
        token = guest_token(conn, make_guest_link(conn, "north", "01", by="Ida", now=NOW))
    with served(app_of(path, Clock(NOW))) as address:
        yield address, f"/guest/{token}"


@pytest.fixture(scope="module")
def context(browser):
    """One browser, in which nobody is signed in at first; it tells what its console complained of."""
    opened = browser.new_context(accept_downloads=True)
    opened.set_default_timeout(20_000)
    opened.complaints = []
    opened.on(
        "console", lambda message: message.type in ("error", "warning") and opened.complaints.append(message.text)
    )
    opened.on("weberror", lambda error: opened.complaints.append(str(error.error)))
    yield opened
    opened.close()


@pytest.fixture(scope="module")
def page(context, app):
    """Ida's page, a lead."""
    opened = context.new_page()
    opened.goto(f"{app[0]}/sign-in")
    opened.get_by_label("Name").fill("Ida")
    opened.get_by_label("Password").fill(PASSWORD)
    opened.get_by_role("button", name="Sign in").click()
    opened.wait_for_url("**/yards/north/")
    return opened


def check(page, size):
    """Nothing wider than the screen, nothing to tap lower than 44 px above the document, no barrier."""
    page.set_viewport_size(SIZES[size])
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    low = page.locator(".ways a").evaluate_all(
        "all => all.filter((one) => one.getBoundingClientRect().height < 44).length"
    )
    assert low == 0
    assert barriers(page) == ""


def test_a_guest_reads_the_report_with_its_photo_and_saves_it(browser, app, tmp_path):
    address, link = app
    with closing(browser.new_context(accept_downloads=True)) as context:
        complaints = []
        page = context.new_page()
        page.on("console", lambda message: complaints.append(message.text))
        page.goto(address + link)
        expect(page.get_by_role("heading", level=1)).to_have_text("Condition report: 01 Plum")
        sizes = page.locator("img").evaluate_all("all => all.map((one) => one.naturalWidth)")
        assert len(sizes) > 1
        assert all(sizes)  # the chart and the photo are drawn, so the policy lets them be
        for size in SIZES:
            check(page, size)
        with page.expect_download() as saving:
            page.get_by_role("link", name="Save as a file").click()
        saved = saving.value
        assert saved.suggested_filename == "condition-north-01-2023-10-22.html"
        asked = []
        page.on("request", lambda request: asked.append(request.url))
        saved.save_as(tmp_path / saved.suggested_filename)
        page.goto(f"file://{tmp_path / saved.suggested_filename}")
        expect(page.get_by_role("heading", level=1)).to_have_text("Condition report: 01 Plum")
        assert page.locator(".ways").count() == 0
        assert [url for url in asked if not url.startswith(("file:", "data:"))] == []  # whole by itself
        assert complaints == []


@pytest.mark.parametrize(
    "path",
    [
        MEMO,
        f"{MEMO}&vents=8&as=page",
        *(pytest.param(path, marks=pytest.mark.thorough) for path in (CONDITION, "/yards/north/season", SHEET)),
    ],
)
def test_each_document_fits_phone_and_desk_and_has_no_barrier(page, app, context, path):
    page.goto(app[0] + path)
    for size in SIZES:
        check(page, size)
    assert context.complaints == []


def test_a_lead_goes_from_the_boat_over_the_form_to_a_memo_and_back(page, app, context):
    page.set_viewport_size(SIZES["phone"])
    page.goto(f"{app[0]}/yards/north/boat?number=01")
    page.get_by_role("link", name="Memo on a proposal").click()
    page.get_by_label("Vents").fill("x")
    page.get_by_role("button", name="Show the memo").click()
    expect(page.get_by_role("alert")).to_contain_text("Vents: found 'x'")
    context.complaints.clear()  # the browser's own line about an answer of 422
    page.get_by_label("Vents").fill("8")
    page.get_by_label("Price").fill("USD 120")
    page.get_by_role("button", name="Show the memo").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("01 Plum: 8 vents")
    expect(page.get_by_text("USD 120").first).to_be_visible()
    page.get_by_role("link", name="Another proposal").click()
    expect(page.get_by_label("Vents")).to_have_value("8")
    assert context.complaints == []


@pytest.mark.thorough
def test_a_report_is_saved_as_pdf_under_its_name(page, app):
    if not pdf.is_installed():
        skip_or_fail("WeasyPrint is not installed")
    page.goto(app[0] + CONDITION)
    with page.expect_download(timeout=60_000) as saving:
        page.get_by_role("link", name="Save as PDF").click()
    assert saving.value.suggested_filename == "condition-north-01-2023-10-22.pdf"
    assert saving.value.path().read_bytes().startswith(b"%PDF-")


def test_the_map_keeps_its_boats_forms_for_later_without_an_error(page, app, context):
    # The map's links are of SVG, whose href is an object; a script that takes it for text stops there.
    page.goto(f"{app[0]}/yards/north/map")
    expect(page.locator("#sync")).to_have_attribute("data-ready", "yes")
    expect(page.locator("#sync")).to_have_attribute("data-kept", re.compile("[1-9]"))
    kept = page.evaluate("async () => (await (await caches.open('stormwalk-pages')).keys()).map((one) => one.url)")
    assert any(url.endswith("/inspect?boat=03") for url in kept)
    assert context.complaints == []


def test_a_page_of_charts_leads_back_into_the_app(page, app):
    page.goto(f"{app[0]}/yards/north/pages/cover-01.html")
    page.get_by_role("link", name="Boat 01: log and documents").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("01 Plum")
