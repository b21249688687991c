"""Hours, days and gaps of a yard's season on its own clock."""

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from dashboards_picture import (
    FIRST,
    FORECAST_HOURS,
    FREEZING_RAIN,
    TOO_COLD_HOUR,
    UNKNOWN_HOURS,
    make_assessment,
)

from monitor.presentation.season import Season, hover_notes, local_days, local_times

NEW_YORK = "America/New_York"


def hours(first, count):
    return pd.date_range(first, periods=count, freq="h", tz="UTC")


def test_the_autumns_repeated_hour_stands_twice_on_the_yards_clock():
    # The clocks of New York go back at 06:00Z on the first Sunday of November (Energy Policy Act of 2005).
    local = local_times(hours("2025-11-02 04:00", 4), NEW_YORK)
    assert [str(each) for each in local] == [
        "2025-11-02T00:00:00",
        "2025-11-02T01:00:00",
        "2025-11-02T01:00:00",
        "2025-11-02T02:00:00",
    ]


def test_the_springs_missing_hour_is_missing_on_the_yards_clock():
    local = local_times(hours("2026-03-08 06:00", 2), NEW_YORK)
    assert [str(each) for each in local] == ["2026-03-08T01:00:00", "2026-03-08T03:00:00"]


def test_the_hover_tells_the_two_repeated_hours_apart_and_names_the_source():
    notes = hover_notes(hours("2025-11-02 04:00", 4), ["metar-archive:observed"] * 3 + [""], NEW_YORK)
    assert notes.tolist() == [
        ", metar-archive, observed",
        ", metar-archive, observed (EDT)",
        ", metar-archive, observed (EST)",
        ", weather not known",
    ]


@pytest.mark.parametrize("day, count", [("2025-11-02", 25), ("2026-03-08", 23), ("2026-01-10", 24)])
def test_days_have_the_hours_that_they_have(day, count):
    days = local_days(hours(pd.Timestamp(day) - pd.Timedelta(days=1), 96), NEW_YORK)
    assert days.hours[list(days.dates.astype("datetime64[D]").astype(str)).index(day)] == count


def test_an_hour_that_ends_at_midnight_belongs_to_the_day_before():
    days = local_days(hours("2026-01-10 04:00", 3), NEW_YORK)  # ends at 23:00, 00:00 and 01:00
    assert [str(date)[:10] for date in days.dates] == ["2026-01-09", "2026-01-10"]
    assert days.hours.tolist() == [2, 1]


def test_sums_and_extremes_of_a_day_are_of_its_known_hours_and_nan_where_none_is_known():
    days = local_days(hours("2026-01-10 06:00", 48), NEW_YORK)
    values = np.full(48, np.nan)
    values[[1, 2]] = 3.0, 5.0
    np.testing.assert_array_equal(days.total(values), [8.0, np.nan])
    np.testing.assert_array_equal(days.largest(values), [5.0, np.nan])
    np.testing.assert_array_equal(days.smallest(values), [3.0, np.nan])
    assert days.count(np.isnan(values)).tolist() == [22, 24]


def test_columns_of_many_covers_are_summed_by_day_alike():
    days = local_days(hours("2026-01-10 06:00", 48), NEW_YORK)
    both = np.column_stack([np.arange(48.0), np.ones(48)])
    np.testing.assert_array_equal(days.largest(both), [[23.0, 1.0], [47.0, 1.0]])


def test_a_gust_that_was_not_reported_is_no_missing_hour():
    season = Season(make_assessment())
    quiet = 100  # wind measured, no gust reported
    assert np.isnan(season.gust_ms[quiet])
    assert not season.wind_missing[quiet]
    head, table = season.hourly_table()
    assert "none reported" in {row[5] for row in table}
    assert head[5] == "gust [mph]"


def test_hours_that_nobody_knows_are_missing_and_those_that_a_forecast_knows_are_named_so():
    season = Season(make_assessment())
    unknown = np.flatnonzero(season.temperature_missing)
    assert unknown.tolist() == [*range(UNKNOWN_HOURS.start, FORECAST_HOURS.start), TOO_COLD_HOUR]
    sources = season.source_of(["air_temperature_c"])
    assert sources[UNKNOWN_HOURS.start] == ""
    assert sources[FORECAST_HOURS.start] == "nws-grid:forecast"
    assert sources[0] == "metar-archive:observed"


def test_the_hover_of_a_day_names_who_told_how_many_of_its_hours():
    season = Season(make_assessment())
    days = local_days(season.hour_ending, NEW_YORK)
    cold = season.daily_panels(days)[0].series[0].notes.tolist()
    assert cold[5] == ", metar-archive, observed 24 h"
    # Row 300 ends at 13:00Z on 1 November, 09:00 EDT: 8 of the day's hours end before it, 16 are not known. Of the next
    # day's 25 hours 4 are not known, 20 told by the forecast, rows 320 to 339 of which the airport has the last ten.
    assert cold[13] == ", metar-archive, observed 8 h, 16 of 24 h missing"
    assert cold[14] == ", metar-archive, observed 11 h, nws-grid, forecast 10 h, 4 of 25 h missing"


def test_the_forecast_begins_after_the_last_hour_that_anybody_observed():
    assert Season(make_assessment()).forecast_begin() is None
    assert Season(make_assessment()).forecast_text() == ""
    season = Season(make_assessment(ahead_h=48))
    # Row 743 ends at 00:00Z on 20 November, 19:00 EST on the 19th.
    assert season.forecast_row == 744
    assert str(season.forecast_begin()) == "2025-11-19T19:00:00"
    assert season.forecast_text().startswith("Forecast, not observed, from Wed 19 Nov 19:00 EST on: 48 h, by nws-grid.")


def test_a_forecast_that_fills_a_gap_of_the_past_is_no_look_ahead():
    season = Season(make_assessment())
    assert season.source_of(["air_temperature_c"])[FORECAST_HOURS.start] == "nws-grid:forecast"
    assert season.forecast_row is None


def test_us_units_are_those_of_the_chart():
    season = Season(make_assessment("us"))
    temperature, water, wind = season.hourly_panels()
    rows = season.recent()
    np.testing.assert_allclose(temperature.series[0].values, season.temperature_c[rows] * 1.8 + 32)
    np.testing.assert_allclose(water.series[1].values, season.rain_mm[rows] / 25.4)
    # 1 mph = 0.44704 m/s exactly
    np.testing.assert_allclose(wind.series[0].values, season.wind_ms[rows] / 0.44704)
    assert [each.unit for each in (temperature, water, wind)] == ["°F", "in", "mph"]


def test_metric_values_are_as_merged():
    season = Season(make_assessment("metric"))
    temperature, _, wind = season.hourly_panels()
    rows = season.recent()
    np.testing.assert_array_equal(temperature.series[0].values, season.temperature_c[rows])
    np.testing.assert_array_equal(wind.series[0].values, season.wind_ms[rows])


def test_storms_are_named_by_kind_and_dates():
    season = Season(make_assessment())
    first = season.storm_bands(named=True)[0]
    assert first.label.startswith("1 ")
    assert "gale" in first.label
    assert first.text.startswith("storm 1: ")
    assert " EST to " in first.text
    assert [band.label for band in season.storm_bands(named=False)][:2] == ["1", "2"]


def test_a_storm_is_shaded_from_the_begin_of_its_first_hour():
    assessment = make_assessment()
    band = Season(assessment).storm_bands(named=False)[0]
    first_hour_ends = local_times(pd.DatetimeIndex([assessment.storms[0].start]), NEW_YORK)[0]
    assert band.start == first_hour_ends - np.timedelta64(1, "h")


def test_hours_of_the_model_are_the_hours_of_the_season():
    assessment = make_assessment()
    assert Season(assessment).hour_ending[0] == FIRST
    assert Season(assessment).hours == len(assessment.series.hour_ending)
    assert Season(replace(assessment, series=None)).hours == len(assessment.weather.values)


def test_a_yard_without_weather_has_no_hours():
    assert Season(make_assessment(weather=False)).hours == 0


def test_the_public_daily_index_knows_frost_and_thaw_of_a_day_and_leaves_a_day_with_gaps_unknown():
    days = Season(make_assessment()).freeze_thaw_days()
    # The picture's sine runs from -4 to 8 degC until 3 November, from -8 to 4 after: each day freezes and thaws. Nobody
    # knows 15 h of 1 November and 5 h of 2 November; the first day begins with its last four hours.
    assert days[date(2025, 10, 25)] == days[date(2025, 11, 15)] == "yes"
    assert days[date(2025, 11, 1)] == days[date(2025, 11, 2)] == days[date(2025, 10, 19)] == "–"
    assert days[date(2025, 11, 10)] == "yes"  # one hour was set aside, of 24


def test_a_day_that_stays_above_freezing_is_no_day_of_the_index():
    assessment = make_assessment()
    warm = replace(assessment.weather, values=assessment.weather.values.assign(air_temperature_c=5.0))
    assert set(Season(replace(assessment, weather=warm)).freeze_thaw_days().values()) == {"no", "–"}


def test_the_freezing_rain_of_the_season_is_that_of_the_codes():
    icing = Season(make_assessment()).icing
    assert np.flatnonzero(icing.falls).tolist() == list(range(FREEZING_RAIN.start, FREEZING_RAIN.stop))
    assert not Season(make_assessment(codes=False)).icing.assessed.any()
