"""The page that reviews a season: drawn from the document's own numbers, on disk where asked, live made once a log."""

import json
import re
from contextlib import closing
from datetime import timedelta

import pytest
from dashboards_picture import make_assessment
from invented_app import NOW, Clock, fill
from invented_yard import HOUR, WRAPPED, YARD, metar
from season_picture import NASTY_NAME, content, content_of

import dashboards
from dashboards.pages import Live, review_page, yard_page
from dashboards.review_page import grid_figure, shares_figure
from monitor.cli.serve import DashboardPages
from monitor.operations.log import record_inspection
from monitor.operations.weather import import_weather
from monitor.presentation.season_review import FOR_THE_YARD
from monitor.store.connection import connect
from monitor.web import live
from monitor.web.live import Pages
from monitor.wording import CAUTIONS


@pytest.fixture(scope="module")
def assessment():
    return make_assessment()


@pytest.fixture(scope="module")
def html(assessment):
    return review_page(assessment, content())


def words(page):
    plain = re.sub(r"<(script|style).*?</\1>", "", page, flags=re.S)
    import html as entities

    return re.sub(r"\s+", " ", entities.unescape(re.sub(r"<[^>]+>", " ", plain)))


# --- what it says


def test_it_says_all_that_the_document_says(html):
    text = words(html)
    for sentence in (FOR_THE_YARD, *CAUTIONS, *(one.title for one in content().plain), *content().curves_said):
        assert sentence in text
    for one in content().plain:
        assert one.answer in text
        assert all(point in text for point in one.points)
    for table in (content().firsts, content().halves, content().bands, content().metrics, content().curves):
        for row in table.rows:
            assert all(cell.replace("\n", ", ") in text for cell in row)


def test_names_are_escaped_and_no_script_stands_in_it(html):
    scripts = re.findall(r"<script\b([^>]*)>", html)
    assert [one for one in scripts if "application/json" not in one] == [' src="pages.js" defer']
    assert f"01 {NASTY_NAME}" in words(html)
    assert not re.search(r"\son\w+=", re.sub(r"<script.*?</script>", "", html, flags=re.S))


def test_its_charts_are_those_of_the_document(html):
    charts = dict(re.findall(r'data-chart="([^"]+)">(.*?)</script>', html, re.S))
    assert list(charts) == ["chart-orders", "chart-scores", "chart-found"]
    dashed, *series = json.loads(charts["chart-orders"])["data"]
    assert dashed["name"] == "any order, on average"
    for drawn, one in zip(series, content().orders.series, strict=True):
        assert drawn["name"] == one.label
        assert drawn["y"] == [pytest.approx(point.value, abs=0.05) for point in one.points]
        ends = [value + up for value, up in zip(drawn["y"], drawn["error_y"]["array"], strict=True)]
        assert ends == [pytest.approx(point.high, abs=0.11) for point in one.points]
    assert len({one["marker"]["symbol"] for one in series}) == 4


def test_the_grid_writes_each_number_into_its_disc_and_draws_no_zero():
    (trace,) = grid_figure(content().found).to_plotly_json()["data"]
    drawn = list(zip(trace["y"], trace["x"], trace["text"], strict=True))
    assert ("snow lying", "Nov 2025", "2") in drawn
    assert len(drawn) == 6  # of the eight findings of the invention two pairs are alike
    assert max(trace["marker"]["size"]) > min(trace["marker"]["size"]) >= 18


def test_a_chart_over_numbers_has_a_diagonal_and_names_its_calls():
    figure = shares_figure(content().calibration).to_plotly_json()
    dashed, *_, named = figure["data"]
    assert (dashed["x"], dashed["y"]) == ([0.0, 100.0], [0.0, 100.0])
    assert list(named["text"]) == ["no call", "this week", "walk today", "walk first"]


# --- on disk


def test_the_page_and_the_link_to_it_are_written_where_a_review_is_given_and_gone_where_none_is(tmp_path, assessment):
    index = dashboards.write_pages(tmp_path, assessment, content())
    assert (tmp_path / "review.html").read_text(encoding="utf-8") == review_page(assessment, content())
    assert 'href="review.html"' in index.read_text(encoding="utf-8")
    dashboards.write_pages(tmp_path, assessment)
    assert not (tmp_path / "review.html").exists()
    assert 'href="review.html"' not in index.read_text(encoding="utf-8")


def test_the_same_season_gives_the_same_page(assessment, html):
    assert review_page(assessment, content_of()) == html


# --- live


@pytest.fixture
def served(tmp_path, monkeypatch):
    """Pages of the invented yard, their clock, and how often its season was worked out."""
    made = []
    work_out = live.season_of_yard
    monkeypatch.setattr(live, "season_of_yard", lambda *a, **k: made.append(1) or work_out(*a, **k))
    clock = Clock(NOW)
    path = fill(tmp_path / "app.db")
    return path, Pages(path, DashboardPages(), lambda key: [], clock), clock, made


def test_a_live_yards_page_leads_to_a_review_that_is_made_only_when_it_is_opened(served, assessment):
    _, pages, _, made = served
    assert b'href="review.html"' in pages.page("north", "index.html")
    assert made == []
    assert "No inspection was logged in this time" in words(pages.page("north", "review.html").decode())
    assert 'src="/static/x/pages.js"' in review_page(assessment, content(), Live("/static/x/"))
    assert 'href="review.html"' in yard_page(assessment, Live("/static/x/"))


def test_a_live_review_is_kept_until_something_is_logged(served):
    path, pages, clock, made = served
    for _ in range(2):
        pages.page("north", "review.html")
    with closing(connect(path)) as conn:
        import_weather(conn, YARD, "metar-archive", metar(WRAPPED + 59 * HOUR, 2), "more.csv", NOW)
    clock.now = NOW + timedelta(hours=3)
    assert b"13:30 EDT" in pages.page("north", "review.html")  # the page is new, the season in it is not
    assert len(made) == 1
    with closing(connect(path)) as conn:
        record_inspection(conn, YARD, "01", inspector="Ida", inspected_at=NOW, recorded_at=NOW)
    assert "Of 1 inspections 0 found something new" in words(pages.page("north", "review.html").decode())
    assert len(made) == 2
