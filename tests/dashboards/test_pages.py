"""The pages of a yard as HTML: what they say, what they escape, and that they call nobody."""

import json
import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from html.parser import HTMLParser

import pytest
from dashboards_picture import AS_OF, CREDIT, NASTY_NAME, NASTY_NOTE, assessment_of, make_assessment, many_covers
from plotly.offline import get_plotlyjs

import dashboards
from dashboards.pages import YARD_PAGES, compare_page, cover_pages, page_names, weather_page, yard_page
from monitor.clocks import Log
from monitor.hazards.mould import MouldParameters, mould_index
from monitor.presentation.cover_air import mould_indices
from monitor.presentation.rows import data_age_text, gust_text, linked, reason_row, storm_rows
from monitor.ranking import Reason
from monitor.wording import CAUTIONS


class Page(HTMLParser):
    """Elements of a page in their order, and its words as a person reads them."""

    def __init__(self, html):
        super().__init__()
        self.elements = []
        self.charts = {}
        self._words = []
        self._inside = []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._inside.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        while self._inside and self._inside.pop()[0] != tag:
            pass

    def handle_data(self, data):
        tag, attributes = self._inside[-1] if self._inside else ("", {})
        if tag == "script" and "data-chart" in attributes:
            self.charts[attributes["data-chart"]] = json.loads(data)
        elif tag not in ("script", "style"):
            self._words.append(data)

    @property
    def words(self):
        return re.sub(r"\s+", " ", " ".join(self._words))

    def all(self, tag):
        return [attributes for name, attributes in self.elements if name == tag]


@pytest.fixture(scope="module")
def assessment():
    return make_assessment()


@pytest.fixture(scope="module")
def bare():
    """The yard where ice and damp are not assessed."""
    return make_assessment(left_out=("ice", "damp"))


@pytest.fixture(scope="module")
def yard(assessment):
    return Page(yard_page(assessment))


@pytest.fixture(scope="module")
def covers(assessment):
    return dict(cover_pages(assessment))


def test_a_folder_of_pages_is_written_with_one_page_a_cover(tmp_path, assessment):
    index = dashboards.write_pages(tmp_path / "pages", assessment)
    assert index == tmp_path / "pages" / "index.html"
    assert index.read_text(encoding="utf-8") == yard_page(assessment)
    assert (index.parent / "weather.html").read_text(encoding="utf-8") == weather_page(assessment)
    names = {path.name for path in index.parent.glob("cover-*.html")}
    assert names == set(page_names(assessment.covers).values())
    assert len(names) == len(assessment.covers)
    assert (index.parent / "plotly.min.js").read_text(encoding="utf-8") == get_plotlyjs()
    assert all((index.parent / name).is_file() for name in YARD_PAGES)


def test_a_file_beside_each_covers_page_hands_its_chart_to_the_page_that_compares(tmp_path, assessment, covers):
    dashboards.write_pages(tmp_path, assessment)
    for name, html in covers.items():
        script = (tmp_path / name.replace(".html", ".js")).read_text(encoding="utf-8")
        called = re.fullmatch(r"stormwalk\.season\((.*)\);\n", script, re.DOTALL)
        assert json.loads(f"[{called.group(1)}]") == [name, Page(html).charts["chart-cover"]]
        assert not set("<>&") & set(script)


def test_a_cover_without_a_modelled_hour_hands_over_nothing(tmp_path):
    dashboards.write_pages(tmp_path, make_assessment(weather=False))
    assert (tmp_path / "cover-7.js").read_text() == 'stormwalk.season("cover-7.html", null);\n'


def test_the_same_assessment_gives_the_same_bytes(tmp_path):
    for name in ("one", "two"):
        dashboards.write_pages(tmp_path / name, make_assessment())
    one, two = ({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()} for name in ("one", "two"))
    assert one == two


def test_covers_stand_in_the_order_of_the_ranking_with_call_score_and_berth(assessment, yard):
    words = yard.words
    places = [words.index(f"{line.rank} {line.boat} ") for line in assessment.ranked]
    assert places == sorted(places)
    first = assessment.ranked[0]
    boat = assessment.cover_of(first.boat).boat
    assert f"{first.call} row {boat.row}, place {boat.place} score {first.score:.2f}" in words


def test_the_list_counts_its_calls(assessment, yard):
    for call in ("walk first", "walk today", "this week", "no call"):
        count = sum(line.call == call for line in assessment.ranked)
        assert f"{count} {call}" in yard.words


def test_a_reason_carries_value_hour_source_threshold_missing_share_and_what_to_check():
    gust = Reason(
        hazard="gust",
        p=0.2,
        value=191.52,
        unit="Pa",
        hour_ending=datetime(2026, 1, 10, 6, tzinfo=UTC),
        source="metar-archive:observed",
        threshold={"one_in_ten": 150.0, "one_in_two": 400.0},
        missing_share=0.25,
        check="perimeter band",
        note="90° off the bow to port",
    )
    row = reason_row(gust, "America/New_York", "us")
    # 1 psf = 4.4482216 N / 0.09290304 m2 = 47.88026 Pa: 191.52 Pa is 4.0 psf, 150 Pa 3.1 psf, 400 Pa 8.4 psf
    assert (row.label, row.value) == ("gust", "4.0 psf")
    assert row.details == (
        "Sat 10 Jan 01:00 EST",
        "90° off the bow to port",
        "metar-archive, observed",
        "1 in 10 at 3.1, 1 in 2 at 8.4 psf",
        "25 % of the hours missing",
    )
    assert row.check == "perimeter band"
    assert reason_row(gust, "America/New_York", "metric").value == "192 Pa"


def test_a_reason_of_which_no_hour_is_known_says_so():
    unknown = Reason("snow", 0.1, None, "kPa", None, "", {"one_in_ten": 0.15, "one_in_two": 0.5}, 1.0, "sag")
    row = reason_row(unknown, "Europe/Oslo", "metric")
    assert row.value == "not known"
    assert "100 % of the hours missing" in row.details


def test_an_open_finding_says_what_it_is_and_how_bad(assessment):
    line = next(line for line in assessment.ranked if line.boat == "7")
    finding = next(reason for reason in line.reasons if reason.hazard == "open_finding")
    row = reason_row(finding, "America/New_York", "us")
    assert row.value == "tied to stand, severity 3, make safe now"
    assert "seen Wed 12 Nov 10:00 EST" in row.details


def test_three_reasons_stand_in_the_list_one_without_a_call_and_all_on_the_covers_page(assessment, covers):
    yard = yard_page(assessment)
    names = page_names(assessment.covers)
    for line in assessment.ranked:
        row = re.search(rf'<li value="{line.rank}" .*?</ul>', yard, re.DOTALL)
        shown = 0 if row is None or not line.reasons else row.group().count("<p>Check:")
        assert shown == min(len(line.reasons), 1 if line.call == "no call" else 3)
        assert covers[names[line.cover]].count("<p>Check:") == len(line.reasons)


def test_a_cover_without_a_reason_says_so(yard):
    assert "No reason: nothing known so far speaks for a look." in yard.words


def test_the_list_can_be_narrowed_to_what_its_covers_have(yard):
    fields = {each["id"]: each for each in yard.all("select") + yard.all("input")}
    assert list(fields) == ["row", "call", "defect", "boat"]
    labels = {each.get("for") for each in yard.all("label")}
    assert labels == set(fields)
    assert "Row all rows A B Call all calls" in yard.words
    assert "Open finding all covers any open finding loose belly band tied to stand Show all again" in yard.words
    first = next(each for each in yard.all("li") if each.get("data-row") == "A" and "data-defects" in each)
    assert set(first["data-defects"].split("|")) == {"loose belly band", "tied to stand"}


def test_without_scripts_nothing_of_the_list_is_hidden_and_the_fields_are_not_offered(yard):
    hidden = [(tag, each.get("id")) for tag, each in yard.elements if "hidden" in each]
    assert hidden == [("div", "narrow")]


def test_where_the_forecast_begins_is_said_in_words_and_drawn_apart():
    ahead = make_assessment(ahead_h=48)
    page = Page(yard_page(ahead))
    # The last hour that anybody observed ends at 00:00Z on 20 November, 19:00 EST.
    begins = "Forecast, not observed, from Wed 19 Nov 19:00 EST on: 48 h, by nws-grid."
    assert page.words.count(begins) == 2
    assert "Looks 48 h ahead: calls, scores and reasons are those of Fri 21 Nov 19:30 EST" in page.words
    assert "Forecast by nws-grid, fetched Wed 19 Nov 18:30 EST, up to Fri 21 Nov 19:00 EST." in page.words
    own = Page(dict(cover_pages(ahead))["cover-7.html"])
    assert begins in own.words
    for chart in (page.charts["chart-recent"], page.charts["chart-season"], own.charts["chart-cover"]):
        dotted = [shape for shape in chart["layout"]["shapes"] if shape["line"].get("dash") == "dot"]
        assert [line["x0"] for line in dotted] == ["2025-11-19T19:00:00"]
        assert "<b>forecast →</b>" in [words["text"] for words in chart["layout"]["annotations"]]


def test_a_page_of_the_past_speaks_of_no_forecast(yard):
    assert "Forecast, not observed" not in yard.words
    assert "ahead:" not in yard.words
    for chart in ("chart-recent", "chart-season"):
        assert "<b>forecast →</b>" not in [words["text"] for words in yard.charts[chart]["layout"]["annotations"]]


def test_a_look_ahead_without_any_forecast_says_that_those_hours_are_missing(assessment):
    words = Page(yard_page(replace(assessment, ahead_h=24))).words
    assert "No forecast is known for those hours; they count as missing." in words


def test_every_table_can_be_saved_under_a_name_with_yard_date_and_what_it_holds(yard, covers, assessment):
    own, weather = Page(covers["cover-7.html"]), Page(weather_page(assessment))
    for page in (yard, own, weather, Page(compare_page(assessment))):
        names = [each.get("data-file") for each in page.all("table")]
        assert all(names)
        assert len(set(names)) == len(names)
    assert yard.all("body")[0]["data-file"] == "tarn_2025-11-19_yard"
    assert own.all("body")[0]["data-file"] == "tarn_2025-11-19_boat-7"
    assert weather.all("body")[0]["data-file"] == "tarn_2025-11-19_weather"


def test_every_line_of_every_chart_tells_value_unit_and_source_under_the_pointer(yard, covers, assessment):
    weather = Page(weather_page(assessment))
    for charts in (yard.charts, Page(covers["cover-7.html"]).charts, weather.charts):
        for name, chart in charts.items():
            for trace in chart["data"]:
                if trace["name"] in ("bow points here", "hours missing", "storms", "inspected", "found", "done"):
                    continue
                if name == "chart-berths":
                    assert all(", score 0." in words for words in trace["hovertext"])
                elif trace.get("hoverinfo") == "skip":  # the point of a lone hour: its line speaks
                    assert trace["name"] in [other["name"] for other in chart["data"] if other is not trace]
                else:
                    template = trace["hovertemplate"]
                    assert re.fullmatch(r"%\{y:\.\df\} (psf|in|mph|°F|%|h|cycles)%\{customdata\}", template)
                    notes = " ".join(trace["meta"]["notes"])
                    assert "metar-archive, observed" in notes or name == "chart-sources"


def test_both_kinds_of_page_say_as_of_when_and_how_old_the_weather_is(yard, covers):
    for page in (yard, *map(Page, covers.values())):
        assert "As of Wed 19 Nov 2025 19:30 EST , clock of America/New_York" in page.words
        assert "The newest weather hour is less than 1 h old." in page.words


@pytest.mark.parametrize(
    "age_h, text, warned",
    [
        (0.2, "The newest weather hour is less than 1 h old.", False),
        (3.0, "The newest weather hour is 3 h old.", False),
        (9.0, "Old data: the newest weather hour is 9 h old.", True),
        (72.0, "Old data: the newest weather hour is 72 h old (3 days).", True),
    ],
)
def test_old_weather_is_warned_of(assessment, age_h, text, warned):
    words = Page(yard_page(replace(assessment, data_age_h=age_h))).words
    assert text in words
    assert ("Old data:" in words) is warned


def test_what_is_not_assessed_and_whose_judgement_it_is_are_said_plainly(bare):
    for html in (yard_page(bare), *dict(cover_pages(bare)).values()):
        words = Page(html).words
        assert "Not assessed: ice, damp." in words
        assert "curves that are our own judgement" in words


def test_where_all_is_assessed_nothing_is_said_to_be_missing(yard, covers):
    for page in (yard, *map(Page, covers.values())):
        assert "Not assessed" not in page.words


def test_every_page_carries_the_cautions_and_the_credits_with_their_links(yard, covers):
    for page in (yard, *map(Page, covers.values())):
        for caution in CAUTIONS:
            assert caution in page.words
        assert "Airport reports from an archive of <METAR>" in page.words
        assert {"href": "https://weather.example/credit", "rel": "noreferrer"} in page.all("a")


def test_a_credit_links_its_address_and_nothing_else():
    assert linked(CREDIT) == [
        ("Weather data by Example Service (", ""),
        ("https://weather.example/credit", "https://weather.example/credit"),
        (")", ""),
    ]
    assert linked("javascript:alert(1)") == [("javascript:alert(1)", "")]


def test_names_and_notes_are_shown_as_written_and_never_run(yard, covers):
    assert NASTY_NAME in yard.words
    own = Page(covers["cover-7.html"])
    assert NASTY_NAME in own.words
    assert own.words.count(NASTY_NOTE) == 3  # an inspection's and a finding's note in the log, the latter also as open
    assert "Jo <b>Ash</b>" in own.words
    for page in (yard, *map(Page, covers.values())):
        scripts = page.all("script")
        run = [script.get("src") for script in scripts if script.get("type") != "application/json"]
        assert run == (["pages.js", "list.js"] if page is yard else ["pages.js"])
        assert page.all("body")[0]["data-library"] == "plotly.min.js"  # pages.js loads it once a chart comes near
        assert not page.all("img")
        assert not [name for _, attributes in page.elements for name in attributes if name.startswith("on")]


def test_pages_load_nothing_but_their_own_files(tmp_path, assessment):
    index = dashboards.write_pages(tmp_path, assessment)
    own = {path.name for path in tmp_path.iterdir()}
    for path in tmp_path.glob("*.html"):
        page = Page(path.read_text(encoding="utf-8"))
        loaded = [each["src"] for each in page.all("script") if "src" in each]
        loaded += [each["href"] for each in page.all("link")]
        assert set(loaded) - {"data:,"} <= own
        for link in page.all("a"):
            target = link["href"].partition("#")[0].partition("?")[0]
            assert not target or target in own or target.startswith("https://")
    for name in ("pages.css", "pages.js", "list.js", "compare.js"):
        assert not re.search(r"https?:|@import|url\(|XMLHttpRequest", (tmp_path / name).read_text())
    assert "://" not in re.sub(r"<a href=[^>]*>[^<]*</a>", "", index.read_text(encoding="utf-8"))


def test_links_within_a_page_lead_somewhere(yard, covers):
    for page in (yard, *map(Page, covers.values())):
        names = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
        assert len(names) == len(set(names))
        for link in page.all("a"):
            if link["href"].startswith("#"):
                assert link["href"][1:] in names


def test_every_chart_has_its_numbers_in_a_table_beside_it(yard, covers):
    assert list(yard.charts) == ["chart-berths", "chart-recent", "chart-season"]
    for page in (yard, *map(Page, covers.values())):
        for chart in page.charts:
            at = page.elements.index(("script", {"type": "application/json", "data-chart": chart}))
            tags = [tag for tag, _ in page.elements[at:]]
            assert tags.index("table") < (tags.index("figure") if "figure" in tags else len(tags))


def test_charts_on_a_page_hold_the_config_and_no_zone_in_their_hours(covers):
    chart = Page(covers["cover-7.html"]).charts["chart-cover"]
    assert chart["config"] == {"showSendToCloud": False, "displaylogo": False, "responsive": True}
    runs = next(trace["x"]["runs"] for trace in chart["data"] if trace["name"] == "snow load")
    # Wrapped at 14:00Z on 21 October, 10:00 EDT: the first hour modelled ends at 11:00. The clocks go back once.
    assert runs[0] == "2025-10-21T11:00"
    assert runs[3] == "2025-11-02T01:00"
    assert len(runs) == 6


def test_the_numbers_of_a_covers_day_are_those_of_its_hours(assessment, covers):
    page = Page(covers["cover-12.html"])
    day = assessment.series.hour_ending.tz_convert("America/New_York") - timedelta(hours=1)
    of_day = day.strftime("%Y-%m-%d") == "2025-11-06"
    column = assessment.series.cover_ids.index(2)
    # 1 psf = 4.4482216 N / 0.09290304 m2 = 47.88026 Pa, so 1 kPa = 20.8854 psf
    load_psf = assessment.series.snow_load_kpa[of_day, column].max() * 20.8854
    gust_psf = assessment.series.gust_pressure_pa[of_day, column].max() * 0.0208854
    assert f"Thu 6 Nov 2025 {load_psf:.2f} {gust_psf:.1f}" in page.words


def drawn(page, name):
    """Values of a line of a cover's chart, unpacked."""
    (packed,) = [trace["y"] for trace in page.charts["chart-cover"]["data"] if trace["name"] == name]
    if isinstance(packed, dict):
        pairs = zip(packed["repeats"][::2], packed["repeats"][1::2], strict=True)
        return [value for value, count in pairs for _ in range(count)]
    return packed


@pytest.mark.parametrize("page, cover_id", [("cover-7.html", 1), ("cover-12.html", 2), ("cover-a-1--3.html", 3)])
@pytest.mark.parametrize(
    "hazard, name, tolerance",
    [
        ("freeze_thaw", "cycles of the film", 0),
        ("ice", "freezing rain ice since last inspection", 0.005),  # shown in 0.01 in
        ("damp", "damp inside", 0),
    ],
)
def test_what_is_counted_in_the_chart_ends_at_the_exposure(assessment, covers, page, cover_id, hazard, name, tolerance):
    exposure = next(exposure for exposure in assessment.exposures if exposure.hazard == hazard)
    of_this_cover = exposure.value[[cover.id for cover in assessment.covers].index(cover_id)]
    last = drawn(Page(covers[page]), name)[-1]
    shown = of_this_cover / 25.4 if hazard == "ice" else of_this_cover
    assert 0 < last == pytest.approx(shown, abs=tolerance)


def test_wet_cycles_stand_apart_and_are_never_more_than_all(covers):
    page = Page(covers["cover-7.html"])
    cycles, wet = drawn(page, "cycles of the film"), drawn(page, "wet ones of them")
    assert [value is None for value in cycles] == [value is None for value in wet]
    pairs = [(of_all, of_wet) for of_all, of_wet in zip(cycles, wet, strict=True) if of_all is not None]
    assert all(of_wet <= of_all for of_all, of_wet in pairs)
    assert any(of_wet for _, of_wet in pairs)


def test_the_humidity_inside_is_drawn_with_the_line_from_which_it_is_damp(assessment, covers):
    page = Page(covers["cover-12.html"])
    humidity = drawn(page, "relative humidity inside")
    series = assessment.series
    modelled = series.inside_rh_pct[-len(humidity) :, series.cover_ids.index(2)]
    assert [value is None for value in humidity] == [value != value for value in modelled]
    assert all(abs(a - b) <= 0.5 for a, b in zip(humidity, modelled, strict=True) if a is not None)
    assert 80.0 in [shape.get("y0") for shape in page.charts["chart-cover"]["layout"]["shapes"]]


def test_hours_that_nobody_knows_are_a_gap_in_what_is_counted(covers):
    for name in (
        "cycles of the film",
        "damp inside",
        "relative humidity inside",
        "freezing rain ice since last inspection",
    ):
        assert None in drawn(Page(covers["cover-12.html"]), name)


def test_the_table_of_days_has_cycles_of_the_film_and_the_public_index_of_the_air_beside_them(covers):
    words = Page(covers["cover-12.html"]).words
    assert "freeze-thaw cycles of the film of them wet air freezes and thaws (public daily index)" in words
    for day, index in (("Tue 28 Oct 2025", "yes"), ("Sat 1 Nov 2025", "–")):
        assert re.search(rf"{day} [\d.]+ [\d.]+ \d+ \d+ {index} ", words)


def test_the_table_of_days_counts_damp_hours_and_ice(assessment, covers):
    page = Page(covers["cover-12.html"])
    series = assessment.series
    begins = series.hour_ending.tz_convert("America/New_York") - timedelta(hours=1)
    of_day = begins.strftime("%Y-%m-%d") == "2025-11-17"
    column = series.cover_ids.index(2)
    damp, condensation = series.damp[of_day, column].sum(), series.condensation[of_day, column].sum()
    # 4 h of 1.5 mm of freezing rain, 6 mm or 0.24 in, fell on 17 November
    assert re.search(rf"Mon 17 Nov 2025 .*? 0\.24 {damp} {condensation} 0 Sun 16 Nov", page.words)


def test_where_ice_and_damp_are_not_assessed_their_panels_are_left_out_and_the_air_says_so(bare):
    for html in dict(cover_pages(bare)).values():
        page = Page(html)
        names = {trace["name"] for trace in page.charts["chart-cover"]["data"]}
        assert not names & {"damp inside", "relative humidity inside", "freezing rain ice since last inspection"}
        assert "Damp and condensation are not assessed" in page.words
        assert "Mould index" not in page.words
        assert "condensation hours" not in page.words


def test_the_air_under_a_cover_is_told_with_vents_openings_ground_and_hours(assessment, covers):
    words = Page(covers["cover-12.html"]).words
    # 60 cm2 are 9.3 in2; two of them and 100 cm2 of gaps are 220 cm2 or 34.1 in2 (1 in2 = 6.4516 cm2)
    assert "vents 2, 9.3 in² free area each" in words
    assert "all openings 34.1 in², of it 15.5 in² taken for gaps at the band" in words
    assert "ground under the boat damp; 15 % of it taken as wet" in words
    assert "counted since the last look inside or vent change Wed 12 Nov 2025 12:00 EST" in words
    damp = next(exposure for exposure in assessment.exposures if exposure.hazard == "damp")
    assert f"damp hours {damp.value[1]:.0f} of 175 known h" in words  # 12 November 17:00Z to 20 November 00:00Z
    bare_cover = Page(covers["cover-bare.html"]).words
    assert "counted since its wrapping Tue 21 Oct 2025 10:00 EDT" in bare_cover
    assert re.search(r"damp hours \d+ of \d+ known h \(\d+ %\); 31 h more are unknown", bare_cover)


def test_a_vent_whose_free_area_nobody_recorded_is_taken_and_said_so(assessment):
    first, *others = assessment.covers
    unrecorded = replace(first, builds=tuple(replace(build, vent_area_m2=None) for build in first.builds))
    pages = dict(cover_pages(replace(assessment, covers=(unrecorded, *others))))
    words = Page(pages["cover-7.html"]).words
    assert "vents 2, free area not recorded, taken as 15.5 in² each" in words  # 100 cm2


def test_the_mould_index_is_given_by_material_as_an_index(assessment, covers):
    page = Page(covers["cover-a-1--4.html"])
    series, column = assessment.series, assessment.series.cover_ids.index(4)
    since = int(series.hour_ending.searchsorted(assessment.covers[3].builds[0].built_at, side="right"))
    inside_c, humidity = series.inside_temperature_c[since:, column], series.inside_rh_pct[since:, column]
    index = mould_index(inside_c, humidity, "very_sensitive", MouldParameters())
    highest = max(value for value in index if value == value)
    assert highest > index[-1] > 0
    assert f"bare wood, cotton {index[-1]:.2f} now, {highest:.2f} at most plywood, cushions, canvas" in page.words
    assert "An index of risk after Hukka and Viitanen (1999), not a sighting" in page.words


def test_mould_of_covers_computed_together_is_that_of_each_alone(assessment):
    since = {cover.id: 37 for cover in assessment.covers}
    together = mould_indices(assessment.series, since)
    for cover_id in since:
        assert mould_indices(assessment.series, {cover_id: 37})[cover_id] == together[cover_id]


def test_a_cover_without_a_known_hour_has_no_mould_index(assessment):
    assert mould_indices(assessment.series, {1: len(assessment.series.hour_ending)}) == {}
    assert mould_indices(assessment.series, {}) == {}


def test_the_log_is_numbered_in_the_order_of_time(covers):
    words = Page(covers["cover-7.html"]).words
    assert "2 done: cleared snow Tue 4 Nov 2025 10:00 EST Una Bell" in words
    assert "1 inspected, inside too, all sound; measured snow 2 in deep Tue 4 Nov 2025 09:00 EST Una Bell" in words
    assert "5 found tied to stand: severity 3, make safe now" in words
    assert "Nothing is logged for this cover" in Page(covers["cover-bare.html"]).words


def test_a_stand_is_for_the_stand_crew_alone(yard, covers):
    for page in (yard, Page(covers["cover-7.html"])):
        assert "For the stand crew alone: tied to stand." in page.words
    assert "stand crew alone" not in Page(covers["cover-12.html"]).words


def test_an_earlier_build_stays_readable(covers):
    words = Page(covers["cover-a-1--3.html"]).words
    assert "vents 4, 37.2 in² free area together" in words  # 4 x 60 cm2, 1 in2 = 6.4516 cm2
    assert "Another build, from Tue 21 Oct 2025 10:00 EDT" in words
    assert "vents 2, 18.6 in² free area together" in words


def test_departures_from_common_practice_are_shown_with_their_effect(covers):
    words = Page(covers["cover-7.html"]).words
    assert "slope for water: flattest part 8.0 deg; expected 12 deg or more on every panel." in words


def test_boats_without_a_position_are_named_below_the_map(yard):
    assert "Not on the map, as no position is recorded: Ørsted 3 Nowhere, row B, place 2" in yard.words


def test_a_yard_without_positions_is_drawn_as_rows_and_places():
    page = Page(yard_page(make_assessment(positions=False)))
    chart = page.charts["chart-berths"]
    assert chart["layout"]["yaxis"]["ticktext"] == ["A", "B"]
    assert "Not on the map" not in page.words


def test_a_yard_without_any_weather_says_so_and_still_ranks_its_findings():
    assessment = make_assessment("metric", weather=False)
    page = Page(yard_page(assessment))
    assert "No weather is known for this yard" in page.words
    assert "No hour of weather is known." in page.words
    assert "No storm so far." in page.words
    assert list(page.charts) == ["chart-berths"]
    assert "tied to stand, severity 3, make safe now" in page.words
    for _, html in cover_pages(assessment):
        assert not Page(html).charts
        assert "No hour of this cover is modelled" in Page(html).words


def test_a_yard_without_covers_says_what_to_do():
    assessment = make_assessment(weather=False)
    page = Page(yard_page(replace(assessment, covers=(), ranked=(), exposures=(), clocks={}, log=Log(), series=None)))
    assert "This yard has no covers yet. Import them" in page.words


def test_without_hourly_series_a_covers_page_has_no_chart_and_says_so(assessment):
    for _, html in cover_pages(replace(assessment, series=None)):
        assert not Page(html).charts


def test_storms_are_listed_newest_first_with_snow_and_top_gust(assessment, yard):
    rows = storm_rows(assessment.storms, "America/New_York", "us")
    assert [int(row["number"]) for row in rows] == list(range(len(rows), 0, -1))
    snow = rows[-1]
    # 20 h of 1.4 mm at -2 degC and 90 %: share of snow 1 / (1 + exp(-10.04 - 2.82 + 8.1)) = 0.9915 (Jennings et al.
    # 2018), so 27.76 mm or 1.09 in
    assert snow["snow"] == "1.09 in"
    assert snow["gust"] == "48 mph from NE (45°)"  # 21.5 m/s / 0.44704 = 48.1 mph
    assert "dry snow with gale" in yard.words


def test_a_storm_without_wind_direction_or_with_an_estimated_gust_says_so(assessment):
    storm = assessment.storms[0]
    assert gust_text(replace(storm, top_gust_from_deg=None), "metric") == "21.5 m/s, direction not reported"
    estimated = replace(storm, top_gust_estimated=True)
    assert gust_text(estimated, "metric") == "21.5 m/s from NE (45°), estimated from mean wind"
    assert gust_text(replace(storm, top_gust_ms=float("nan"), top_gust_at=None), "us") == "not known"


@pytest.mark.parametrize(
    "freezing_rain_mm, text",
    [(None, "not assessed"), (float("nan"), "reported, amount not known"), (0.0, "none"), (2.54, "0.10 in")],
)
def test_freezing_rain_that_nobody_would_have_told_of_is_not_none(assessment, freezing_rain_mm, text):
    storm = replace(assessment.storms[0], freezing_rain_mm=freezing_rain_mm)
    assert storm_rows([storm], "America/New_York", "us")[0]["freezing"] == text


def test_the_curves_are_shown_in_the_yards_units(yard):
    # 0.15 kPa and 0.50 kPa are 3.1 psf and 10.4 psf (1 kPa = 20.8854 psf, as above)
    assert "flattest part since the last inspection 3.1 psf 10.4 psf" in yard.words
    assert "ice (not assessed)" not in yard.words
    metric = Page(yard_page(make_assessment("metric")))
    assert "flattest part since the last inspection 0.15 kPa 0.50 kPa" in metric.words


def test_a_hazard_that_is_not_assessed_is_marked_among_the_curves(bare):
    words = Page(yard_page(bare)).words
    assert "ice (not assessed)" in words
    assert "damp (not assessed)" in words


def test_lengths_in_reasons_are_in_the_yards_units(assessment, covers):
    # 9.8 m of hull parted in five by 4 bands: 1.96 m or 77.2 in
    assert "belly bands every 6 ft 5 in" in Page(covers["cover-7.html"]).words
    metric = dict(cover_pages(make_assessment("metric")))["cover-7.html"]
    assert "belly bands every 2.0 m" in Page(metric).words


def test_an_hour_that_a_count_ends_at_is_told_as_the_last(covers):
    assert "last Mon 17 Nov 17:00 EST" in Page(covers["cover-12.html"]).words  # of the freezing rain


def test_page_names_are_plain_and_never_collide(assessment):
    names = page_names(assessment.covers)
    assert names == {
        1: "cover-7.html",
        2: "cover-12.html",
        3: "cover-a-1--3.html",
        4: "cover-a-1--4.html",
        5: "cover-rsted-3.html",
        6: "cover-bare.html",
    }


@pytest.mark.parametrize("number", ["../../etc/passwd", "船", "", "a" * 300, "CON", "x\x00y", '"><script>'])
def test_any_boat_number_makes_a_safe_page_name(number):
    (cover,) = many_covers(1)
    name = page_names((replace(cover, boat=replace(cover.boat, number=number)),))[1]
    assert re.fullmatch(r"cover-[a-z0-9-]{1,45}\.html", name)


def test_the_page_of_a_yard_of_500_covers_stays_below_a_megabyte(assessment):
    large = assessment_of(assessment.yard, many_covers(500), assessment.log, assessment.weather)
    page = yard_page(replace(large, version="0.0.test"))
    assert page.count('<li value="') == 500
    assert len(page.encode()) < 1_000_000
    _, of_a_cover = next(cover_pages(large))
    assert len(of_a_cover.encode()) < 100_000
    side_by_side = compare_page(large)
    assert side_by_side.count("<option ") == 1000
    assert len(side_by_side.encode()) < 1_000_000


def test_ages_read_as_a_person_says_them():
    assert data_age_text(None).startswith("No weather is known")
    assert data_age_text(50.0) == "Old data: the newest weather hour is 50 h old (2 days)."


def test_the_picture_holds_what_these_tests_need(assessment):
    assert assessment.as_of == AS_OF
    assert len(assessment.storms) >= 2
    assert any(not line.reasons for line in assessment.ranked)
