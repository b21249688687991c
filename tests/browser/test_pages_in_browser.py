"""The pages in a real browser, opened from disk: drawn, readable, usable by keyboard, calling nobody.

A page is opened once and shared by the tests that only look at it; what changes a page puts it back, or opens it anew.
"""

import csv
import io
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from dashboards_picture import NASTY_NAME, assessment_of, make_assessment, many_covers
from in_browser import DESK, PHONE, barriers, fits

from dashboards import write_pages
from monitor.inspections import Finding

PAGES = ["index.html", "weather.html", "cover-7.html", "cover-bare.html", "compare.html"]
CHARTS = {"index.html": 3}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return write_pages(tmp_path_factory.mktemp("pages"), make_assessment()).parent


class Tabs:
    """One tab for each page of the folder, and what all of them asked for and complained about."""

    def __init__(self, browser, folder):
        self._browser = browser
        self._folder = folder
        self._tabs = {}
        self.asked = []
        self.complaints = []

    def fresh(self, name, size=DESK, query="", **context):
        page = self._browser.new_context(viewport=size, **context).new_page()
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("console", self._note)
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.goto((self._folder / name).as_uri() + query)
        return page

    def open(self, name="index.html", size=DESK, scheme="light"):
        page = self._tabs.get(name)
        if page is None or page.is_closed():
            page = self._tabs[name] = self.fresh(name, size)
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=scheme, media="screen")
        return page

    def _note(self, message):
        if message.type in ("error", "warning"):
            self.complaints.append(message.text)

    def close(self):
        for context in self._browser.contexts:
            context.close()


@pytest.fixture(scope="module")
def every_tab(browser, folder):
    tabs = Tabs(browser, folder)
    yield tabs
    tabs.close()


@pytest.fixture
def tabs(every_tab):
    """In the end nobody was asked for anything and no console holds a complaint."""
    every_tab.complaints.clear()
    yield every_tab
    assert not every_tab.complaints
    assert every_tab.asked
    assert all(url.startswith(("file:", "data:", "blob:")) for url in every_tab.asked)


def draw_all(page):
    """Scroll every chart into view and wait until it is drawn; how many there are."""
    charts = page.locator(".chart")
    for i in range(charts.count()):
        charts.nth(i).scroll_into_view_if_needed()
        page.wait_for_function("chart => chart.dataset.drawn === 'yes'", arg=charts.nth(i).element_handle())
    return charts.count()


def listed(page):
    return page.locator(".covers > li:visible .boat").all_inner_texts()


# --- drawn -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [PHONE, pytest.param(DESK, marks=pytest.mark.thorough)], ids=["phone", "desk"])
@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.thorough) if name == "cover-bare.html" else name for name in PAGES]
)
def test_a_page_opens_from_disk_draws_its_charts_and_fits_the_screen(tabs, name, size):
    page = tabs.open(name, size)
    assert draw_all(page) == CHARTS.get(name, 1)
    assert page.locator(".chart .main-svg").count() >= page.locator(".chart").count()
    assert fits(page)


def test_what_is_drawn_is_what_the_page_holds(tabs):
    page = tabs.open("cover-7.html")
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


def test_the_hover_names_the_source_of_each_hour(tabs):
    page = tabs.open("cover-7.html")
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


@pytest.mark.thorough
def test_charts_below_the_screen_wait_until_they_come_near(tabs):
    page = tabs.fresh("index.html", PHONE)
    page.wait_for_function("window.Plotly !== undefined")  # loaded once there was time
    assert page.locator(".chart[data-drawn]").count() == 0
    assert page.locator("#chart-season").bounding_box()["y"] > 844 + 800
    assert page.locator("#chart-season").inner_text() == "The chart is drawn when it comes into sight."
    page.locator("#chart-season").scroll_into_view_if_needed()
    page.wait_for_function("document.querySelector('#chart-season').dataset.drawn === 'yes'")


def test_no_chart_offers_to_share_itself(tabs):
    page = tabs.open()
    draw_all(page)
    titles = page.locator(".modebar-btn").evaluate_all("buttons => buttons.map(b => b.dataset.title || '')")
    assert titles
    assert not [title for title in titles if "share" in title.lower() or "cloud" in title.lower()]
    assert page.get_by_text("Share chart").count() == 0
    assert page.locator(".modebar-btn--logo").count() == 0


def test_charts_take_the_ink_of_a_dark_page(tabs):
    page = tabs.open("cover-7.html", scheme="dark")
    draw_all(page)
    ink = page.evaluate("getComputedStyle(document.documentElement).getPropertyValue('--ink').trim()")
    page.wait_for_function("ink => document.querySelector('.chart').layout.font.color === ink", arg=ink)
    page.emulate_media(color_scheme="light")
    page.wait_for_function("ink => document.querySelector('.chart').layout.font.color !== ink", arg=ink)


# --- for everybody ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name, size, scheme",
    [
        ("index.html", PHONE, "light"),
        ("compare.html", PHONE, "dark"),
        *(
            pytest.param(name, size, scheme, marks=pytest.mark.thorough)
            for name in PAGES
            for size in (PHONE, DESK)
            for scheme in ("light", "dark")
        ),
    ],
)
def test_axe_finds_no_barrier(tabs, name, size, scheme, request):
    page = tabs.fresh(name, size, color_scheme=scheme)
    page.locator("details").evaluate_all("all => all.forEach(details => { details.open = true })")
    if request.node.get_closest_marker("thorough"):
        draw_all(page)
    else:  # rows of one table are alike, and there are hundreds
        page.evaluate(
            "document.querySelectorAll('tbody tr:nth-child(n+4), .covers > li:nth-child(n+3)').forEach(e => e.remove())"
        )
    found = barriers(page, from_disk=True)
    page.context.close()
    assert found == ""


def test_the_keyboard_reaches_the_list_past_the_skip_link_and_opens_a_cover(tabs):
    page = tabs.fresh("index.html")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    page.keyboard.press("Enter")
    passed = []
    for _ in range(30):
        page.keyboard.press("Tab")
        passed.append(page.evaluate("document.activeElement.id"))
        if page.evaluate("document.activeElement.closest('.covers') !== null"):
            break
    assert {"boat", "row", "call", "defect", "everything", "numbers"} <= set(passed)
    assert page.evaluate("document.activeElement.getAttribute('href')") == "cover-7.html"
    page.keyboard.press("Enter")
    page.wait_for_url("**/cover-7.html")


def test_targets_for_a_thumb_are_large_enough(tabs):
    for name in ("index.html", "compare.html"):
        page = tabs.open(name, PHONE)
        heights = page.locator("nav a, .covers h4 a, .counts a, button, input, select, summary").evaluate_all(
            "all => all.filter(one => one.checkVisibility()).map(one => one.getBoundingClientRect().height)"
        )
        assert min(heights) >= 44


@pytest.mark.parametrize("size", [PHONE, pytest.param(DESK, marks=pytest.mark.thorough)], ids=["phone", "desk"])
def test_no_word_of_the_log_is_cut_off(tabs, size):
    page = tabs.open("cover-7.html", size)
    log = page.get_by_role("table").filter(has=page.get_by_role("columnheader", name="note", exact=True))
    assert log.get_by_role("row").count() > 2  # its roles are kept though its rows are blocks of their own
    sizes = page.evaluate(
        """() => {
            const table = document.querySelector("table[data-file=log]");
            const cells = [...table.querySelectorAll("tbody td")].map((one) => one.getBoundingClientRect());
            return { right: Math.max(...cells.map((one) => one.right)), wide: table.parentElement.scrollWidth,
                     room: table.parentElement.clientWidth };
        }"""
    )
    assert sizes["right"] <= size["width"]
    assert sizes["wide"] <= sizes["room"]


def test_the_numbers_behind_the_reasons_are_folded_on_a_phone(tabs):
    page = tabs.fresh("index.html", PHONE)
    numbers = page.get_by_role("button", name="Numbers behind the reasons")
    assert numbers.get_attribute("aria-pressed") == "false"
    assert not page.locator(".reasons small").first.is_visible()
    assert page.locator(".reasons p").first.is_visible()
    numbers.click()
    assert page.locator(".reasons small").first.is_visible()


@pytest.mark.thorough
def test_the_numbers_behind_the_reasons_are_shown_on_a_desk(tabs):
    page = tabs.fresh("index.html", DESK)
    assert page.get_by_role("button", name="Numbers behind the reasons").get_attribute("aria-pressed") == "true"
    assert page.locator(".reasons small").first.is_visible()


@pytest.mark.thorough
def test_a_thumb_on_a_chart_scrolls_the_page(tabs):
    page = tabs.fresh("cover-7.html", PHONE, has_touch=True, is_mobile=True)
    draw_all(page)
    page.locator(".chart").evaluate("chart => chart.scrollIntoView({ block: 'start' })")
    before = page.evaluate("scrollY")
    thumb = page.context.new_cdp_session(page)
    thumb.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": 195, "y": 500}]})
    for y in range(490, 200, -10):
        thumb.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": [{"x": 195, "y": y}]})
    thumb.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_function("before => scrollY > before + 50", arg=before)


def test_without_scripts_the_list_and_its_numbers_are_all_there(tabs):
    page = tabs.fresh("index.html", PHONE, java_script_enabled=False)
    assert page.locator(".covers > li").count() == 6
    assert page.locator(".reasons small").first.is_visible()
    assert page.get_by_text("The chart needs JavaScript").first.is_visible()
    assert not page.get_by_text("Show only").is_visible()
    assert page.get_by_text("Save this table as CSV").count() == 0
    page.goto(page.url.replace("index.html", "compare.html"))
    assert page.locator("#facts tbody tr:visible").count() == 6
    assert not page.get_by_label("One cover", exact=True).is_visible()


# --- ways through ----------------------------------------------------------------------------------------------------


def test_links_lead_from_the_list_to_a_cover_along_the_list_to_the_weather_and_back(tabs):
    page = tabs.fresh("index.html")
    page.locator(".covers a").first.click()
    assert page.locator("h1").inner_text() == f"7 {NASTY_NAME}"
    page.get_by_role("navigation", name="Along the list").get_by_role("link", name="After it").click()
    assert page.locator(".score").inner_text().endswith("number 2 of 6")
    page.get_by_role("link", name="all covers").first.click()
    page.get_by_role("link", name="Weather in detail").click()
    assert page.locator("h1").inner_text().startswith("Weather of Tarn Slip")
    page.get_by_role("link", name="all covers").click()
    assert page.locator("h2").first.inner_text() == "Which covers first"


@pytest.mark.thorough
def test_a_click_on_a_berth_opens_its_cover(tabs):
    page = tabs.fresh("index.html")
    draw_all(page)
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


# --- the list, narrowed ----------------------------------------------------------------------------------------------


def test_the_list_is_narrowed_by_words_row_call_and_open_finding_and_says_how_many_are_left(tabs):
    page = tabs.open()
    said = page.get_by_role("status")
    page.get_by_role("button", name="Show all again").click()
    assert said.inner_text() == "All 6 covers shown."
    page.get_by_label("Boat", exact=True).fill("plain")
    assert listed(page) == ["12 Plain Sailing"]
    assert said.inner_text() == "1 of 6 covers shown."
    page.get_by_label("Boat", exact=True).fill("")
    page.get_by_label("Row").select_option("B")
    assert len(listed(page)) == 3
    page.get_by_label("Row").select_option("")
    page.get_by_label("Open finding").select_option("tied to stand")
    assert len(listed(page)) == 1
    page.get_by_label("Open finding").select_option("any open finding")
    page.get_by_label("Row").select_option("B")
    assert listed(page) == []
    assert said.inner_text() == "0 of 6 covers shown: none is like this."
    page.get_by_role("button", name="Show all again").click()
    calls = page.get_by_label("Call", exact=True).locator("option").all_inner_texts()[1:]
    for call in calls:
        page.get_by_label("Call", exact=True).select_option(call)
        assert set(page.locator(".covers > li:visible .where .call").all_inner_texts()) == {
            page.locator(".group:visible h3 .call").inner_text()
        }
    page.get_by_role("button", name="Show all again").click()


@pytest.mark.thorough
def test_what_was_chosen_stands_in_the_address_and_is_chosen_again_from_it(tabs):
    page = tabs.fresh("index.html")
    page.get_by_label("Row").select_option("B")
    page.get_by_label("Boat", exact=True).fill("no reasons")
    assert page.evaluate("location.search") == "?boat=no+reasons&row=B"
    page = tabs.fresh("index.html", query="?boat=no+reasons&row=B&call=nonsense")
    assert listed(page) == ["bare No Reasons"]
    assert page.get_by_label("Call", exact=True).input_value() == ""
    assert page.get_by_role("status").inner_text() == "1 of 6 covers shown."


def test_the_map_and_the_table_of_berths_follow_the_list(tabs):
    page = tabs.open()
    draw_all(page)
    page.get_by_role("button", name="Show all again").click()
    page.get_by_label("Row").select_option("A")
    shown = """() => document.getElementById('chart-berths').data.filter(t => t.customdata).flatMap(
        t => t.customdata.map((name, i) => [name, t.marker.opacity[i] === 1, t.text[i] !== '']))"""
    marks = {name: marks for name, *marks in page.evaluate(shown)}
    assert marks["cover-12.html"] == [True, True]
    assert marks["cover-bare.html"] == [False, False]
    page.evaluate("document.querySelector('#berth-table').closest('details').open = true")
    assert page.locator("#berth-table tbody tr:visible").count() == 3
    page.get_by_role("button", name="Show all again").click()
    assert all(full and words for _, full, words in page.evaluate(shown))
    assert page.locator("#berth-table tbody tr:visible").count() == 6


# --- two covers side by side -----------------------------------------------------------------------------------------


def choose(page, one, other):
    page.get_by_label("One cover", exact=True).select_option(one)
    page.get_by_label("The other", exact=True).select_option(other)
    page.wait_for_function("pair => document.querySelector('#chart-pair').dataset.pair === pair", arg=f"{one} {other}")


def load_of(script):
    """Snow load of each hour in the file that hands a cover's season over."""
    text = script.read_text(encoding="utf-8").removeprefix("stormwalk.season(").removesuffix(");\n")
    _, chart = json.loads(f"[{text}]")
    load = next(trace["y"] for trace in chart["data"] if trace["name"] == "snow load")
    pairs = zip(load["repeats"][::2], load["repeats"][1::2], strict=True)
    return [value for value, count in pairs for _ in range(count)]


def test_two_covers_are_laid_side_by_side_from_disk_on_the_same_axes(tabs, folder):
    page = tabs.open("compare.html")
    choose(page, "cover-12.html", "cover-a-1--3.html")
    assert re.fullmatch(
        r"12 Plain Sailing and A/1 Slash: \d+ of \d+ facts differ\.", page.get_by_role("status").inner_text()
    )
    rows = dict(
        page.locator("#differing tbody tr").evaluate_all("all => all.map(r => [r.cells[0].textContent, r.innerText])")
    )
    assert "20°, measured\t35°, measured" in rows["slope of the flattest part"]
    assert "film" not in rows
    data = page.evaluate(
        "document.querySelector('#chart-pair').data.map(t => [t.name, t.yaxis, (t.line || {}).dash, t.y.length])"
    )
    solid = [axis for name, axis, dash, length in data if name == "12 Plain Sailing" and dash == "solid"]
    dotted = [axis for name, axis, dash, length in data if name == "A/1 Slash" and dash == "dot"]
    assert solid == dotted
    assert len(solid) == 7  # snow, gust, freeze-thaw, ice, pocket, humidity inside, damp hours
    loads = """() => document.querySelector('#chart-pair').data
        .filter(t => t.yaxis === 'y2' && t.line && t.line.dash).map(t => t.y)"""
    one, other = (load_of(folder / name) for name in ("cover-12.js", "cover-a-1--3.js"))
    assert one != other
    assert page.evaluate(loads) == [one, other]
    choose(page, "cover-12.html", "cover-7.html")
    assert page.evaluate("location.search") == "?one=cover-12.html&other=cover-7.html"
    head = page.locator("#days thead th").evaluate_all("all => all.map(cell => cell.textContent)")
    assert head[1] == "Snow load, flattest part, modelled [psf]: 12 Plain Sailing"
    assert head[2] == f"Snow load, flattest part, modelled [psf]: 7 {NASTY_NAME}"
    assert page.locator("#days tbody tr").count() == 30  # 21 October to 19 November


@pytest.mark.thorough
def test_what_two_covers_were_chosen_stands_in_the_address(tabs):
    page = tabs.fresh("compare.html", query="?one=cover-7.html&other=nonsense")
    assert page.get_by_label("One cover", exact=True).input_value() == "cover-7.html"
    assert page.get_by_label("The other", exact=True).input_value() != "cover-7.html"


@pytest.mark.thorough
def test_a_cover_whose_season_is_not_there_is_told_in_words(tmp_path, browser):
    write_pages(tmp_path, make_assessment(weather=False))
    page = browser.new_page()
    page.goto((tmp_path / "compare.html").as_uri())
    page.get_by_text("Their seasons cannot be shown. No hour is modelled of 7").first.wait_for()
    assert page.locator("#differing tbody tr").count() > 3
    (tmp_path / "cover-12.js").unlink()
    page.goto((tmp_path / "compare.html").as_uri() + "?one=cover-12.html")
    page.get_by_text("Their seasons cannot be shown. cover-12.js did not load.").first.wait_for()
    page.close()


# --- tables as files -------------------------------------------------------------------------------------------------


def saved(page, name):
    with page.expect_download() as waiting:
        page.get_by_role("button", name=f"Save as CSV: {name}").click()
    text = Path(waiting.value.path()).read_bytes().decode("utf-8-sig")
    return waiting.value.suggested_filename, list(csv.reader(io.StringIO(text)))


def test_a_table_is_saved_as_csv_under_the_yard_the_boat_and_the_day(tabs):
    page = tabs.open("cover-7.html")
    page.evaluate("document.querySelector('details.numbers').open = true")
    name, rows = saved(page, "Its season as a table, day by day")
    assert name == "tarn_2025-11-19_boat-7_season.csv"
    head = page.locator("table[data-file=season] thead th").all_inner_texts()
    assert rows[0] == head
    assert rows[1][0] == "Wed 19 Nov 2025"
    assert len(rows) == 31  # the head, and 30 days from 21 October to 19 November
    name, rows = saved(page, "Log")
    assert name == "tarn_2025-11-19_boat-7_log.csv"
    assert "Jo <b>Ash</b>" in {row[3] for row in rows}


@pytest.mark.thorough
def test_a_cell_that_a_spreadsheet_would_take_for_a_formula_is_disarmed_and_a_number_stays_one(tabs):
    page = tabs.fresh("weather.html")
    page.evaluate(
        """() => {
          const body = document.querySelector("table[data-file=coverage]").tBodies[0];
          const texts = ['=HYPERLINK("x")', "+1 and more", "-3.2", "@here", "-a", '3, "so"', "–"];
          body.innerHTML = "";
          for (const text of texts) body.insertRow().insertCell().textContent = text;
        }"""
    )
    _, rows = saved(page, "What is known of each variable")
    assert [row[0] for row in rows[1:]] == [
        '\'=HYPERLINK("x")',
        "'+1 and more",
        "-3.2",
        "'@here",
        "'-a",
        '3, "so"',
        "–",
    ]


# --- paper -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["cover-7.html", *(pytest.param(name, marks=pytest.mark.thorough) for name in PAGES if "7" not in name)]
)
def test_a_printed_page_fits_the_paper_and_the_screen_comes_back(tabs, name):
    page = tabs.fresh(name, {"width": 720, "height": 1000}, color_scheme="dark")
    draw_all(page)
    before = page.locator(".chart").last.evaluate("chart => chart._fullLayout.height")
    page.emulate_media(media="print")
    # Nobody waits for a page that is printed: all is in its place when the event returns.
    widths = page.evaluate(
        """() => {
          dispatchEvent(new Event("beforeprint"));
          const drawings = document.querySelectorAll(".chart .main-svg:first-of-type");
          return [...drawings].map((svg) => svg.getAttribute("viewBox"));
        }"""
    )
    assert widths
    assert all(box.startswith("0 0 680 ") for box in widths)
    assert fits(page)
    assert not page.locator("nav").first.is_visible()
    assert page.locator("button:visible").count() == 0
    # A4 is 297 mm, 1123 px, high: a chart of a cover or of the weather has its place on one sheet with its words.
    assert page.locator(".chart").last.bounding_box()["height"] < 800
    ink = page.locator(".chart text").first.evaluate("words => getComputedStyle(words).fill")
    assert ink == "rgb(22, 25, 29)"  # #16191d, though the screen is dark
    page.emulate_media(media="screen")
    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.wait_for_function(
        "before => [...document.querySelectorAll('.chart')].pop()._fullLayout.height === before", arg=before
    )
    assert page.locator(".main-svg[viewBox]").count() == 0


@pytest.mark.thorough
def test_a_chart_that_nobody_scrolled_to_is_printed_too(tabs):
    page = tabs.fresh("index.html", PHONE)
    page.wait_for_function("window.Plotly !== undefined")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert page.locator(".chart .main-svg[viewBox]").count() >= 3


# --- what lies ahead -------------------------------------------------------------------------------------------------


@pytest.mark.thorough
def test_the_forecast_is_drawn_apart_on_every_chart_over_time(browser, tmp_path):
    write_pages(tmp_path, make_assessment(ahead_h=48))
    page = browser.new_page()
    for name in ("index.html", "weather.html", "cover-7.html", "compare.html"):
        page.goto((tmp_path / name).as_uri())
        draw_all(page)
        over_time = page.locator(".chart:not(#chart-berths)")
        assert over_time.get_by_text("forecast →").count() == over_time.count()
        assert page.get_by_text("Forecast, not observed, from Wed 19 Nov 19:00 EST on").first.is_visible()
    page.close()


# --- a large yard ----------------------------------------------------------------------------------------------------


@pytest.mark.thorough
def test_a_list_of_500_covers_is_narrowed_at_once(browser, tmp_path):
    small = make_assessment()
    covers = many_covers(500)
    finding = Finding("f9", "i1", "port", "tear", 2, small.as_of, "")
    log = replace(small.log, findings=(*small.log.findings, finding))
    write_pages(tmp_path, assessment_of(small.yard, covers, log, small.weather))
    page = browser.new_page()
    page.goto((tmp_path / "index.html").as_uri())
    page.get_by_label("Row").select_option("C")
    assert page.get_by_role("status").inner_text() == "20 of 500 covers shown."
    took_ms = page.evaluate(
        """() => {
          const field = document.getElementById("boat"), begin = performance.now();
          field.value = "7";
          field.dispatchEvent(new Event("input"));
          return performance.now() - begin;
        }"""
    )
    assert took_ms < 1000, f"{took_ms:.0f} ms"
    page.close()
