"""The pages in a real browser, opened from disk: drawn, readable, usable by keyboard, calling nobody."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from dashboards_picture import NASTY_NAME, make_assessment

from dashboards import write_pages

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1440, "height": 900}
PAGES = ["index.html", "weather.html", "cover-7.html", "cover-bare.html"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_pages(tmp_path_factory.mktemp("pages"), make_assessment()).parent


@pytest.fixture
def opened(page, folder):
    """Opens a page at a size; in the end nobody was asked for anything and the console holds no complaint."""
    asked, complaints = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on(
        "console", lambda message: complaints.append(message.text) if message.type in ("error", "warning") else None
    )
    page.on("pageerror", lambda error: complaints.append(str(error)))

    def open_page(name="index.html", size=DESK, scheme="light"):
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=scheme)
        page.goto((folder / name).as_uri())
        return page

    yield open_page
    assert not complaints
    assert asked
    assert all(url.startswith(("file:", "data:")) for url in asked)


def draw_all(page):
    """Scroll every chart into view and wait until it is drawn; how many there are."""
    charts = page.locator(".chart")
    for i in range(charts.count()):
        charts.nth(i).scroll_into_view_if_needed()
        page.wait_for_function("chart => chart.dataset.drawn === 'yes'", arg=charts.nth(i).element_handle())
    return charts.count()


@pytest.mark.parametrize("size", [PHONE, pytest.param(DESK, marks=pytest.mark.thorough)], ids=["phone", "desk"])
@pytest.mark.parametrize("name", PAGES)
def test_a_page_opens_from_disk_draws_its_charts_and_fits_the_screen(opened, name, size):
    page = opened(name, size)
    assert draw_all(page) == (3 if name == "index.html" else 1)
    assert page.locator(".chart .main-svg").count() >= page.locator(".chart").count()
    across = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert across[0] <= across[1]


def test_what_is_drawn_is_what_the_page_holds(opened):
    page = opened("cover-7.html")
    draw_all(page)
    lengths = page.evaluate(
        "document.querySelector('.chart').data.map(t => [t.name, t.x.length, t.y.length, t.y.includes(null)])"
    )
    by_name = {name: counts for name, *counts in lengths}
    # Wrapped 37 h after the season's first hour of 744 (20 October 01:00Z to 21 October 14:00Z).
    assert by_name["snow load"] == [706, 706, False]
    assert by_name["gust pressure across"] == [706, 706, True]
    for counted in ("cycles of the film", "wet ones of them", "damp inside", "condensation on the film"):
        assert by_name[counted] == [706, 706, True]
    ends = page.evaluate(
        "(t => [t.x[0], t.x[t.x.length - 1]])(document.querySelector('.chart').data.find(t => t.name === 'snow load'))"
    )
    assert ends == ["2025-10-21 11:00", "2025-11-19 19:00"]


def test_the_hover_names_the_source_of_each_hour(opened):
    page = opened("cover-7.html")
    draw_all(page)
    notes = page.evaluate("document.querySelector('.chart').data.find(t => t.name === 'damp inside').customdata")
    assert len(notes) == 706
    # Nobody knows the hour that the clocks of 2 November repeat.
    assert set(notes) == {
        ", metar-archive, observed",
        ", weather not known",
        ", weather not known (EDT)",
        ", weather not known (EST)",
    }


def test_the_list_leads_to_the_weather_in_detail_and_back(opened):
    page = opened()
    page.get_by_role("link", name="Weather in detail").click()
    assert page.locator("h1").inner_text().startswith("Weather of Tarn Slip")
    page.get_by_role("link", name="all covers").click()
    assert page.locator("h2").first.inner_text() == "Which covers first"


@pytest.mark.thorough
@pytest.mark.parametrize("name", PAGES)
def test_a_printed_page_fits_the_paper(opened, name):
    page = opened(name, DESK)
    draw_all(page)
    page.set_viewport_size({"width": 720, "height": 1000})  # A4 within its margins, about
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    page.wait_for_function("[...document.querySelectorAll('.chart')].every(c => c.layout.width === 680)")
    across = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert across[0] <= across[1]
    assert not page.locator("nav").first.is_visible()
    # A4 is 297 mm, 1123 px, high: a chart of a cover or of the weather has its place on one sheet with its words.
    drawn = page.locator(".chart").last
    assert drawn.bounding_box()["height"] < 900
    before = float(drawn.get_attribute("data-height"))
    page.emulate_media(media="screen")
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.wait_for_function(
        "before => [...document.querySelectorAll('.chart')].pop().layout.height === before", arg=before
    )
    assert page.evaluate("[...document.querySelectorAll('.chart')].every(c => c.layout.width !== 680)")


def test_no_chart_offers_to_share_itself(opened):
    page = opened()
    draw_all(page)
    titles = page.locator(".modebar-btn").evaluate_all("buttons => buttons.map(b => b.dataset.title || '')")
    assert titles
    assert not [title for title in titles if "share" in title.lower() or "cloud" in title.lower()]
    assert page.get_by_text("Share chart").count() == 0
    assert page.locator(".modebar-btn--logo").count() == 0


@pytest.mark.parametrize(
    "name, size, scheme",
    [
        ("index.html", PHONE, "light"),
        pytest.param("index.html", DESK, "dark", marks=pytest.mark.thorough),
        pytest.param("cover-7.html", PHONE, "dark", marks=pytest.mark.thorough),
        pytest.param("cover-7.html", DESK, "light", marks=pytest.mark.thorough),
        pytest.param("weather.html", PHONE, "light", marks=pytest.mark.thorough),
        pytest.param("weather.html", DESK, "dark", marks=pytest.mark.thorough),
    ],
    ids=[
        "list-phone-light",
        "list-desk-dark",
        "cover-phone-dark",
        "cover-desk-light",
        "weather-phone-light",
        "weather-desk-dark",
    ],
)
def test_axe_finds_no_barrier(opened, name, size, scheme):
    page = opened(name, size, scheme)
    draw_all(page)
    for i in range(page.locator("details").count()):
        page.locator("details").nth(i).evaluate("details => { details.open = true }")
    found = Axe().run(page, options={"preload": False})  # it would ask for the style sheet again, which file: refuses
    assert found.violations_count == 0, found.generate_report()


def test_links_lead_from_the_list_to_a_cover_along_the_list_and_back(opened):
    page = opened()
    page.locator(".covers a").first.click()
    assert page.locator("h1").inner_text() == f"7 {NASTY_NAME}"
    page.get_by_role("navigation", name="Along the list").get_by_role("link", name="After it").click()
    assert page.locator(".score").inner_text().endswith("number 2 of 6")
    page.get_by_role("link", name="all covers").first.click()
    assert page.locator("h2").first.inner_text() == "Which covers first"


def test_a_click_on_a_berth_opens_its_cover(opened):
    page = opened()
    draw_all(page)
    page.locator("#chart-berths").scroll_into_view_if_needed()
    where = page.evaluate(
        """() => {
          const chart = document.getElementById("chart-berths"), { xaxis, yaxis } = chart._fullLayout;
          const boat = chart.data.find((trace) => trace.customdata && trace.customdata.includes("cover-12.html"));
          const i = boat.customdata.indexOf("cover-12.html");
          const across = xaxis._offset + xaxis.l2p(boat.x[i]), down = yaxis._offset + yaxis.l2p(boat.y[i]);
          scrollBy(0, chart.getBoundingClientRect().y + down - 300);
          const box = chart.getBoundingClientRect();
          return [box.x + across, box.y + down];
        }"""
    )
    page.mouse.move(*where)
    page.locator("#chart-berths .hoverlayer .hovertext").wait_for()
    page.mouse.click(*where)
    page.wait_for_url("**/cover-12.html")


def test_the_keyboard_reaches_the_list_past_the_skip_link_and_opens_a_cover(opened):
    page = opened()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    page.keyboard.press("Enter")
    for _ in range(30):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.closest('.covers') !== null"):
            break
    assert page.evaluate("document.activeElement.getAttribute('href')") == "cover-7.html"
    page.keyboard.press("Enter")
    page.wait_for_url("**/cover-7.html")


def test_a_boat_is_found_by_name_number_or_berth(opened):
    page = opened()
    field = page.get_by_label("Find a boat")
    field.fill("plain")
    assert page.locator(".covers > li:visible").count() == 1
    assert page.locator("#found").inner_text() == "1 of 6"
    field.fill("row b")
    assert page.locator(".covers > li:visible").count() == 3
    field.fill("")
    assert page.locator(".covers > li:visible").count() == 6


def test_the_numbers_behind_the_reasons_are_folded_on_a_phone_and_shown_on_a_desk(opened):
    page = opened(size=PHONE)
    numbers = page.get_by_role("button", name="Numbers behind the reasons")
    assert numbers.get_attribute("aria-pressed") == "false"
    assert not page.locator(".reasons small").first.is_visible()
    assert page.locator(".reasons p").first.is_visible()
    numbers.click()
    assert page.locator(".reasons small").first.is_visible()
    page = opened(size=DESK)
    assert page.locator(".reasons small").first.is_visible()


def test_targets_for_a_thumb_are_large_enough(opened):
    page = opened(size=PHONE)
    for target in page.locator("nav a, .covers h4 a, .counts a, button, input, summary").all():
        assert target.bounding_box()["height"] >= 44


def test_a_thumb_on_a_chart_scrolls_the_page(browser, folder):
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True)
    page = context.new_page()
    page.goto((folder / "cover-7.html").as_uri())
    draw_all(page)
    page.locator(".chart").evaluate("chart => chart.scrollIntoView({ block: 'start' })")
    before = page.evaluate("scrollY")
    thumb = context.new_cdp_session(page)
    thumb.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": 195, "y": 500}]})
    for y in range(490, 200, -10):
        thumb.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": 195, "y": y}]})
    thumb.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_function("before => scrollY > before + 50", arg=before)
    context.close()


def test_charts_take_the_ink_of_a_dark_page(opened):
    page = opened("cover-7.html", scheme="dark")
    draw_all(page)
    ink = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--ink').trim()")
    assert page.evaluate("document.querySelector('.chart').layout.font.color") == ink
    page.emulate_media(color_scheme="light")
    page.wait_for_function("ink => document.querySelector('.chart').layout.font.color !== ink", arg=ink)


def test_without_scripts_the_list_and_its_numbers_are_all_there(browser, folder):
    context = browser.new_context(java_script_enabled=False, viewport=PHONE)
    page = context.new_page()
    page.goto((folder / "index.html").as_uri())
    assert page.locator(".covers > li").count() == 6
    assert page.locator(".reasons small").first.is_visible()
    assert page.get_by_text("The chart needs JavaScript").first.is_visible()
    context.close()
