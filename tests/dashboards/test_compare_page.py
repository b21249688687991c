"""The page that compares covers: every cover's build and exposures in one table."""

import re
from dataclasses import replace

import pytest
from dashboards_picture import make_assessment

from dashboards.compare_page import compare_content
from dashboards.pages import Live, compare_page, page_names
from monitor.clocks import Log
from monitor.presentation.season import Season


@pytest.fixture(scope="module")
def assessment():
    return make_assessment()


@pytest.fixture(scope="module")
def content(assessment):
    return compare_content(assessment, Season(assessment), page_names(assessment.covers))


def facts_of(content, page):
    (cover,) = [cover for cover in content["covers"] if cover["href"] == page]
    return dict(zip(content["head"], cover["facts"], strict=True))


def test_covers_stand_in_the_order_of_their_numbers(content):
    numbers = [cover["title"].partition(" ")[0] for cover in content["covers"]]
    assert numbers.index("7") < numbers.index("12")
    assert len(numbers) == 6


def test_the_first_two_of_the_list_are_shown_where_nobody_chose(assessment, content):
    names = page_names(assessment.covers)
    assert content["first"] == names[assessment.ranked[0].cover]
    assert content["second"] == names[assessment.ranked[1].cover]


def test_builds_are_those_of_now_in_the_yards_units(content):
    rebuilt, plain = facts_of(content, "cover-a-1--3.html"), facts_of(content, "cover-12.html")
    # 4 and 2 vents of 60 cm2 each, 1 in2 = 6.4516 cm2
    assert rebuilt["vents"] == "4, 37.2 in² free area together"
    assert plain["vents"] == "2, 18.6 in² free area together"
    assert (rebuilt["slope of the flattest part"], plain["slope of the flattest part"]) == (
        "35°, measured",
        "20°, measured",
    )
    assert plain["wrapped on"] == "21 Oct 2025"


def test_exposures_are_those_of_the_score(assessment, content):
    gust = next(exposure for exposure in assessment.exposures if exposure.hazard == "gust")
    shown = facts_of(content, "cover-12.html")["highest gust pressure across the cover since the last inspection"]
    assert shown == f"{gust.value[1] * 0.0208854:.1f} psf"  # 1 Pa = 0.0208854 psf
    metric = make_assessment("metric")
    in_metric = compare_content(metric, Season(metric), page_names(metric.covers))
    assert facts_of(in_metric, "cover-12.html")[
        "highest gust pressure across the cover since the last inspection"
    ].endswith(" Pa")


def test_what_is_open_and_what_departs_from_common_practice_stand_among_the_facts(content):
    facts = facts_of(content, "cover-7.html")
    assert facts["open findings"] == "tied to stand, loose belly band"
    assert "slope for water" in facts["departures from common practice"]
    assert facts_of(content, "cover-12.html")["open findings"] == "none"


def test_the_whole_table_stands_on_the_page_without_scripts(assessment):
    html = compare_page(assessment)
    table = re.search(r'<table id="facts".*?</table>', html, re.DOTALL).group()
    assert table.count("<tr>") == 7
    assert "cover-rsted-3.html" in table
    assert "&lt;script&gt;alert" in table
    assert '<section id="pair" aria-labelledby="choice" hidden' in html


def test_seasons_come_from_scripts_in_a_folder_and_from_pages_where_they_are_served(assessment):
    assert 'data-seasons="script"' in compare_page(assessment)
    live = compare_page(assessment, Live("/static/0/"))
    assert 'data-seasons="page"' in live
    assert '<script src="/static/0/compare.js" defer></script>' in live
    assert 'data-library="/static/0/plotly.min.js"' in live


def test_a_yard_of_one_cover_or_none_still_has_its_page(assessment):
    one = replace(assessment, covers=assessment.covers[:1], ranked=assessment.ranked[:1])
    assert compare_page(one).count("<option ") == 2
    none = replace(assessment, covers=(), ranked=(), exposures=(), clocks={}, log=Log(), series=None)
    assert "This yard has no covers yet. Import them" in compare_page(none)
