"""The weather page: who told of which hours, what is missing, what was set aside, and under which terms."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from dashboards_picture import CREDIT, FREEZING_RAIN, make_assessment

from dashboards.pages import weather_page
from dashboards.weather_page import GAPS_SHOWN, weather_content
from monitor.assessment import SourceStatus
from monitor.presentation.season import Season
from monitor.weather.providers import PROVIDERS
from monitor.weather.table import FAULTS, SourceSeries, hourly_index, merge_by_priority, no_flags


@pytest.fixture(scope="module")
def assessment():
    return make_assessment()


@pytest.fixture(scope="module")
def content(assessment):
    return weather_content(assessment, Season(assessment))


def with_hours(assessment, *series):
    """The same yard with other weather, as merged in this order, and without a model."""
    merged = merge_by_priority(list(series), [each.source for each in series])
    return replace(assessment, weather=merged, series=None, storms=())


def hours_of(count, **columns):
    index = hourly_index(pd.date_range("2026-01-10 06:00", periods=count, freq="h", tz="UTC"))
    return pd.DataFrame({name: np.asarray(values, dtype=float) for name, values in columns.items()}, index=index)


def panel(content, title):
    """Series of one panel of the chart by label, as {label: counts}."""
    figure = content["by_source"]["figure"]
    at = next(word.yref for word in figure.layout.annotations if title in word.text).split()[0]
    return {t.name: t.y.tolist() for t in figure.data if t.yaxis == at and t.type == "bar"}


def test_each_source_carries_newest_hour_age_failure_credit_and_terms(assessment, content):
    archive, grid = content["source_list"]
    assert (archive["source"], archive["newest"], archive["age"]) == (
        "metar-archive",
        "Wed 19 Nov 19:00 EST",
        "under 1 h",
    )
    assert grid["failure"] == "503 twice, then a good answer"
    assert grid["terms"] == PROVIDERS["nws-grid"].terms
    html = weather_page(assessment)
    assert CREDIT.split("(")[0] in html
    assert PROVIDERS["metar-archive"].terms in html


def test_a_source_counts_in_the_hours_in_which_any_of_its_values_is_used(content):
    # 744 h, of which the airport has nothing in 30, and the forecast stands in for it in ten of these.
    assert [row["counts_in"] for row in content["source_list"]] == ["714 of 744 h", "10 of 744 h"]


def test_a_source_of_another_name_has_no_terms_and_is_still_listed(assessment):
    strange = SourceStatus("buoy", None, None, None, "", "Our own buoy")
    listed = weather_content(replace(assessment, sources=(strange,)), Season(assessment))["source_list"]
    assert [(row["source"], row["age"], row["terms"]) for row in listed] == [("buoy", "not known", "")]


def test_coverage_tells_known_from_none_reported_and_from_missing(content):
    rows = {row[0]: row[1:] for row in content["coverage"]}
    # Gusts: 30 h of a blow, one alone, 40 h of wind: 71 of 744. Nobody knows 30 h. The other 643 had none to report.
    assert rows["gust at 10 m"] == ("71 of 744 h", "643 h", "30 h", "metar-archive, observed 714 h")
    # Temperature: one hour was set aside, the forecast knows ten.
    assert rows["air temperature"] == (
        "723 of 744 h",
        "–",
        "21 h",
        "metar-archive, observed 713 h; nws-grid, forecast 10 h",
    )
    for known, unreported, missing, _ in rows.values():
        hours = [int(re.match(r"\d+", text).group()) for text in (known, unreported, missing) if text[0].isdigit()]
        assert sum(hours) == 744


def test_what_no_source_tells_of_is_named(content):
    assert "cloud cover" in content["never_told"]
    assert "air temperature" not in content["never_told"]
    without = make_assessment(codes=False)
    assert "weather codes" in weather_content(without, Season(without))["never_told"]


def test_the_hours_of_each_day_add_up_to_the_day_with_those_missing(assessment, content):
    head, rows = content["by_source"]["table"]
    assert head == [
        "day",
        "air temperature",
        "humidity",
        "snow and rain",
        "mean wind",
        "gust",
        "weather codes",
        "hours of the day",
    ]
    for _, *cells, hours in rows:
        for text in cells:
            assert sum(int(part.split()[0]) for part in text.split("; ")) == int(hours)
    by_day = {row[0]: row[1] for row in rows}
    # 2 November has 25 h; the unknown hours end at 03:00 EST, the forecast knows the next ten.
    assert by_day["Sun 2 Nov 2025"] == "11 metar-archive, observed; 10 nws-grid, forecast; 4 missing"


def test_what_was_observed_is_plain_and_what_was_forecast_hatched(content):
    figure = content["by_source"]["figure"]
    shapes = {t.name: t.marker.pattern.shape for t in figure.data if t.type == "bar"}
    assert shapes == {"metar-archive, observed": None, "nws-grid, forecast": "/", "none reported": "/"}
    colours = {t.name: t.marker.color for t in figure.data if t.type == "bar"}
    assert len(set(colours.values())) == 3
    assert [t.name for t in figure.data if t.showlegend and t.type == "bar"] == list(shapes)


def test_a_day_in_which_nobody_told_of_an_hour_is_marked(content):
    figure = content["by_source"]["figure"]
    missing = next(t for t in figure.data if t.name == "hours missing" and t.yaxis == figure.data[1].yaxis)
    assert [str(day)[:10] for day in missing.x] == ["2025-11-01", "2025-11-02", "2025-11-10"]


def test_gusts_that_were_not_reported_are_hours_told_of(content):
    gusts = panel(content, "Gust, hours of the day")
    assert sum(gusts["none reported"]) == 643
    assert sum(gusts["metar-archive, observed"]) == 71


def test_gaps_stand_longest_first_and_those_of_the_same_hours_together(content):
    assert content["gaps"] == [
        ("humidity, snow and rain", "30", "Sat 1 Nov 2025 09:00 EDT", "Sun 2 Nov 2025 13:00 EST"),
        ("air temperature, wind", "20", "Sat 1 Nov 2025 09:00 EDT", "Sun 2 Nov 2025 03:00 EST"),
        ("air temperature", "1", "Mon 10 Nov 2025 12:00 EST", "Mon 10 Nov 2025 12:00 EST"),
    ]


def test_of_many_gaps_the_longest_are_listed_and_the_others_counted(assessment):
    temperature = np.arange(400.0) % 20
    temperature[::4] = np.nan
    hours = hours_of(400, air_temperature_c=temperature)
    many = with_hours(assessment, SourceSeries("logger", "observed", hours, no_flags(hours)))
    content = weather_content(many, Season(many))
    assert len(content["gaps"]) == GAPS_SHOWN
    # 100 gaps of temperature of one hour each; of all else nobody ever told
    assert content["gaps"][0][:2] == ("humidity, snow and rain, wind", "400")
    assert len(content["gaps"]) + content["gaps_left"] == 101


def test_values_set_aside_are_counted_by_variable_flag_and_source(content):
    assert content["flags"] == [("air temperature", "range", "outside what can be", "metar-archive, observed", "1 h")]


def test_flags_of_several_sources_in_one_cell_are_counted_apart(assessment):
    hours = hours_of(30, air_temperature_c=np.zeros(30), wind_gust_ms=np.full(30, np.nan))
    first, second = no_flags(hours), no_flags(hours)
    first.iloc[3:8, 0] = "stuck"
    second.iloc[5:9, 0] = "step"
    first["wind_gust_ms"] = "none_reported"
    both = with_hours(
        assessment,
        SourceSeries("logger", "observed", hours, first),
        SourceSeries("metar-archive", "observed", hours, second),
    )
    assert weather_content(both, Season(both))["flags"] == [
        ("air temperature", "stuck", "the same for too long", "logger, observed", "5 h"),
        ("air temperature", "step", "jumps as weather does not", "metar-archive, observed", "4 h"),
    ]


@pytest.mark.parametrize("flag", FAULTS)
def test_every_flag_has_its_meaning_in_words(assessment, flag):
    hours = hours_of(3, air_temperature_c=np.zeros(3))
    flags = no_flags(hours)
    flags.iloc[0, 0] = flag
    one = with_hours(assessment, SourceSeries("logger", "observed", hours, flags))
    ((_, shown, meaning, _, count),) = weather_content(one, Season(one))["flags"]
    assert shown == flag.replace("_", " ")
    assert meaning
    assert count == "1 h"


def test_hours_of_which_nobody_knows_anything_have_no_chart(assessment):
    hours = hours_of(3, air_temperature_c=np.full(3, np.nan))
    nothing = with_hours(assessment, SourceSeries("logger", "observed", hours, no_flags(hours)))
    content = weather_content(nothing, Season(nothing))
    assert content["by_source"] is None
    assert content["coverage"] == []
    assert "No hour to show." in weather_page(nothing)


def test_a_yard_without_weather_says_so_on_its_weather_page():
    html = weather_page(make_assessment(weather=False))
    for sentence in (
        "no weather source yet",
        "No hour of weather is known.",
        "No hour to show.",
        "No value is flagged.",
    ):
        assert sentence in html


def test_codes_of_freezing_rain_are_hours_told_of(content):
    codes = panel(content, "Weather codes, hours of the day")
    assert sum(codes["metar-archive, observed"]) == 714 > FREEZING_RAIN.stop
