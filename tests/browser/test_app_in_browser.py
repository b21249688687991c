"""The crew's app in a real browser: usable at 390 px, by keyboard, by screen reader, without script, under its policy.

One server and one signed-in browser serve all tests; those without script have a browser of their own.
"""

import re
from contextlib import closing

import pytest
from in_browser import PHONE, barriers, served
from invented_app import NOW, PASSWORD, Clock, app_of, fill, picture
from invented_yard import HOUR, YARD
from playwright.sync_api import expect

from monitor.exchange.entry_values import NewFinding
from monitor.operations.log import record_inspection
from monitor.operations.photos import photo_folder, record_photo
from monitor.operations.walks import plan_walk
from monitor.store.connection import connect
from monitor.walks.plan import MINUTES, WalkRequest

VISIT = "11111111-1111-4111-8111-111111111111"
PHOTO = "33333333-3333-4333-8333-333333333333"
PAGES = {
    "list": "/yards/north/",
    "boat": "/yards/north/boat?number=01&history=1",
    "look": "/yards/north/inspect?boat=01",
    "work": "/yards/north/act?boat=01",
    "correction": f"/yards/north/correct?entry={VISIT}",
    "walk": "/yards/north/walk",
    "map": "/yards/north/map",
    "log": "/yards/north/log",
    "photo": f"/yards/north/photo?boat=01&id={PHOTO}",
    "photograph": f"/yards/north/photograph?entry={VISIT}",
    "register": "/yards/north/register",
    "new boat": "/yards/north/register/boat",
    "build": "/yards/north/register/cover?boat=01",
    "owner": "/yards/north/register/erase-owner?boat=01",
    "trouble": "/yards/north/boat?number=99",
}
SIZES = {"phone": (390, 844), "tablet": (768, 1024), "desk": (1440, 900)}

FOCUSABLE = "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']"


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """Where the app of the invented yard is served; everything has happened there once."""
    path = fill(tmp_path_factory.mktemp("app") / "yard.db")
    with closing(connect(path)) as conn:
        findings = [NewFinding("stand_shifted", "stands", 3), NewFinding("loose_band", "port", 2, "flaps")]
        seen = {"inspector": "Per", "inspected_at": NOW - 3 * HOUR, "recorded_at": NOW}
        record_inspection(conn, YARD, "01", **seen, findings=findings, inspection_id=VISIT)
        kept = {"photo_id": PHOTO, "data": picture(), "inspection_id": VISIT, "recorded_at": NOW, "taken_by": "Per"}
        record_photo(conn, photo_folder(path), YARD, **kept)
        asked = WalkRequest(("Ida", "Per", "Jo", "Sam"), NOW, ignore_daylight=True, calls=tuple(MINUTES))
        plan_walk(conn, YARD, asked, by="Ida", now=NOW)
    with served(app_of(path, Clock(NOW))) as at:
        yield at


def signed_in(context, address, name="Ida"):
    page = context.new_page()
    page.goto(f"{address}/sign-in")
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url("**/yards/north/")
    return page


@pytest.fixture(scope="module")
def complaints():
    return []


@pytest.fixture(scope="module")
def tab(browser, address, complaints):
    """A lead's browser, with the app's script and without what it keeps for later."""
    context = browser.new_context(viewport=PHONE, service_workers="block")
    page = signed_in(context, address)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda message: complaints.append(message.text) if "Policy" in message.text else None)
    yield page
    context.close()


@pytest.fixture(scope="module")
def plain_tab(browser, address):
    """Per's phone, whose browser runs no script."""
    context = browser.new_context(viewport=PHONE, java_script_enabled=False)
    yield signed_in(context, address, "Per")
    context.close()


def show(tab, address, name, size="phone", scheme="light"):
    width, height = SIZES[size]
    tab.set_viewport_size({"width": width, "height": height})
    tab.emulate_media(color_scheme=scheme)
    tab.goto(address + PAGES[name])
    return tab


ELSEWHERE = [(size, scheme) for size in SIZES for scheme in ("light", "dark") if (size, scheme) != ("phone", "light")]


@pytest.mark.parametrize(
    ("size", "scheme"),
    [("phone", "light"), *(pytest.param(*one, marks=pytest.mark.thorough) for one in ELSEWHERE)],
)
def test_no_page_hinders_anybody_as_far_as_axe_can_tell(tab, address, complaints, size, scheme):
    for name in PAGES:
        assert barriers(show(tab, address, name, size, scheme)) == "", name
    assert complaints == []  # nothing broke the policy, and no script failed


def test_no_page_is_wider_than_a_phone_and_nothing_to_tap_is_lower_than_44_px(tab, address):
    for name in PAGES:
        page = show(tab, address, name)
        sizes = page.evaluate(
            """() => ({
                wide: document.documentElement.scrollWidth,
                low: [...document.querySelectorAll(
                    "nav a, .who a, .button, button, summary, .links a, .boats a, .cover h3 a, .findings a, .tick," +
                    " .entry a.boat, .left-out > li > a, select, textarea, [type=text], [type=datetime-local]"
                )].filter((one) => one.checkVisibility() && one.getBoundingClientRect().height < 43.9)
                  .map((one) => one.outerHTML.slice(0, 80)),
            })"""
        )
        assert sizes["wide"] <= 390, name
        assert sizes["low"] == [], name


OTHERS = [pytest.param(name, marks=pytest.mark.thorough) for name in PAGES if name not in ("list", "look", "map")]


@pytest.mark.parametrize("name", ["list", "look", "map", *OTHERS])
def test_the_keyboard_alone_reaches_everything(tab, address, name):
    page = show(tab, address, name)
    count = page.evaluate(
        """(focusable) => {
            const all = [...document.querySelectorAll(focusable)].filter(
                (one) => one.checkVisibility() && !one.disabled && !(one.type === "radio" && !one.checked));
            all.forEach((one, number) => (one.dataset.stop = number));
            document.activeElement.blur();
            return all.length;
        }""",
        FOCUSABLE,
    )
    assert count >= 5  # the trouble page has no more
    reached = set()
    inside_a_picker = 7  # month, day, year, hour, minute, half of the day, the calendar
    for _ in range(count + 3 + inside_a_picker * page.locator("[type=datetime-local]").count()):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.dataset.stop"))
    assert {str(number) for number in range(count)} <= reached


def test_two_taps_log_a_cover_without_any_script(plain_tab, address):
    page = plain_tab
    page.goto(f"{address}/yards/north/")
    page.get_by_role("link", name="Log a look at 03").click()
    page.get_by_role("button", name="All sound").click()
    expect(page.locator(".said")).to_contain_text("of boat 03 (Pear): all sound.")
    assert page.url == f"{address}/yards/north/"


def test_a_refused_form_puts_the_sentence_first_and_loses_nothing_without_any_script(plain_tab, address):
    page = plain_tab
    page.goto(f"{address}/yards/north/inspect?boat=02")
    page.get_by_role("button", name="tear").click()
    assert page.get_by_label("What").first.input_value() == "tear"
    page.get_by_label("In your own words").fill("behind the mast")
    page.get_by_role("button", name="Log what was found").click()
    expect(page.locator("#problem")).to_be_focused()
    expect(page.locator("#problem")).to_contain_text("Finding 1, where")
    assert page.get_by_label("In your own words").input_value() == "behind the mast"
    page.get_by_label("Where").first.select_option("bow")
    page.get_by_label("How bad").first.select_option("1")
    page.get_by_role("button", name="Log what was found").click()
    expect(page.locator(".said")).to_contain_text("tear at bow, severity 1")


def test_a_boat_of_the_drawing_opens_with_the_keyboard(tab, address):
    page = show(tab, address, "map")
    page.get_by_role("link", name=re.compile("^02 Fig, ")).first.focus()
    page.keyboard.press("Enter")
    page.wait_for_url("**/boat?number=02")
    expect(page.locator("h1")).to_have_text("02 Fig")


def test_paper_shows_the_list_without_what_is_there_to_tap(tab, address):
    page = show(tab, address, "list")
    page.emulate_media(media="print")
    assert not page.locator("nav").is_visible()
    assert not page.get_by_role("link", name="Log a look at 01").is_visible()
    assert page.get_by_role("heading", name="01 Plum").is_visible()
    page.emulate_media(media="screen")
