"""A season's chart on paper: the same numbers as on the pages, nothing lost in thinning, the same bytes each time."""

from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from dashboards_picture import make_assessment
from hypothesis import given
from hypothesis import strategies as st

from monitor.documents.charts import _thinned, as_data_uri, season_svg
from monitor.presentation.cover_season import CoverSeason
from monitor.presentation.panels import StormBand
from monitor.presentation.rows import log_rows
from monitor.presentation.season import Season


@pytest.fixture(scope="module")
def chart():
    assessment = make_assessment()
    season = CoverSeason(assessment, assessment.series, Season(assessment))
    cover = assessment.covers[0]
    return season.chart(cover, log_rows(assessment, cover.id))


@pytest.fixture(scope="module")
def svg(chart):
    return season_svg(chart)


def test_every_panel_is_named_with_its_unit_and_the_axis_with_its_zone(chart, svg):
    words = " ".join(text for text in ElementTree.fromstring(svg).itertext())
    for panel in chart.panels:
        assert f"{panel.title} [{panel.unit}]" in words
    assert chart.axis_title in words


def test_every_entry_of_the_log_stands_on_the_axis_by_its_number(chart, svg):
    words = {text.strip() for text in ElementTree.fromstring(svg).itertext()}
    drawn = {number for word in words if word.replace(",", "").isdecimal() for number in word.split(",")}
    assert {str(mark.number) for mark in chart.marks} <= drawn


def test_the_same_chart_is_drawn_in_the_same_bytes(chart, svg):
    assert season_svg(chart) == svg


def test_storms_are_one_shape_of_each_panel_however_many_there_are(chart):
    times = chart.times[0] + np.arange(40) * np.timedelta64(12, "h")
    storms = tuple(StormBand("", "", start, start + np.timedelta64(3, "h")) for start in times)

    def shapes(some):
        parts = [part.get("id", "") for part in ElementTree.fromstring(season_svg(replace(chart, storms=some))).iter()]
        return len([part for part in parts if "patch" in part or "Collection" in part])

    assert shapes(storms) == shapes(storms[:1]) > shapes(())


def test_the_picture_runs_nothing_and_calls_nobody(svg):
    root = ElementTree.fromstring(svg)
    assert not [part for part in root.iter() if part.tag.endswith(("script", "foreignObject", "image"))]
    links = {value for part in root.iter() for name, value in part.attrib.items() if name.endswith("href")}
    assert all(link.startswith("#") for link in links)
    assert as_data_uri(svg).startswith("data:image/svg+xml;base64,")


@given(
    st.lists(st.one_of(st.just(np.nan), st.floats(0, 100)), min_size=1, max_size=400),
    st.integers(1, 20),
)
def test_thinning_keeps_the_lowest_the_highest_both_ends_and_every_gap(values, repeats):
    line = np.repeat(np.array(values), repeats)
    times = np.datetime64("2026-01-01T01", "s") + np.arange(len(line)) * np.timedelta64(1, "h")
    kept_times, kept = _thinned(times, line)
    assert kept_times[0] == times[0]
    assert kept_times[-1] == times[-1]
    assert set(kept_times.tolist()) <= set(times.tolist())
    if not np.isnan(line).all():
        assert np.nanmin(kept) == np.nanmin(line)
        assert np.nanmax(kept) == np.nanmax(line)

    def stretches(of):
        return int(np.count_nonzero(np.diff(np.isnan(of).astype(int)) == 1))

    assert stretches(kept) == stretches(line)
