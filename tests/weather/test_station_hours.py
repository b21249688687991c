import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.weather.metar import decode
from monitor.weather.providers import metar_archive
from monitor.weather.station_hours import MEASURED, ReadingRules, hours_of_reports
from monitor.weather.table import check_flags, check_hours


def table(*reports):
    """Reports of 10 January 2026, each (time, columns); what is not given is missing, and the station sees all."""
    rows = []
    for time, given_columns in reports:
        row = {
            **dict.fromkeys((*MEASURED, "peak_wind_ms", "peak_age_min", "ice_mm"), np.nan),
            "at": pd.Timestamp(f"2026-01-10T{time}Z"),
            "weather": "",
            "standing": 0,
            "tells_gust": True,
            "sees_weather": True,
            "sees_freezing_rain": True,
            "gauge_is_out": False,
        }
        rows.append({**row, **{name: value for name, value in given_columns.items() if name != "failed"}})
    failed = [{name: name in columns.get("failed", ()) for name in MEASURED} for _, columns in reports]
    return pd.DataFrame(rows), pd.DataFrame(failed)


def read(*reports, **rules):
    hours, flags = hours_of_reports(*table(*reports), ReadingRules(**rules))
    check_hours(hours)
    check_flags(flags, hours)
    return hours, flags


def cell(name, *reports, at="07:00", **rules):
    """Value and flag of one variable in one hour."""
    hours, flags = read(*reports, **rules)
    hour = pd.Timestamp(f"2026-01-10T{at}Z")
    return hours.loc[hour, name], flags.loc[hour, name] if name in flags else ""


# --- which report stands for an hour -----------------------------------------------------------------------------


def test_a_report_at_the_full_hour_belongs_to_the_hour_that_ends():
    hours, _ = read(("06:00", {"air_temperature_c": 4.0}), ("06:53", {"air_temperature_c": 10.0}))
    assert hours["air_temperature_c"].tolist() == [4.0, 10.0]
    assert [f"{hour:%H:%M}" for hour in hours.index] == ["06:00", "07:00"]


@pytest.mark.parametrize(
    ("reports", "expected"),
    [
        ((("06:51", 2, 1.0), ("06:58", 0, 2.0)), 1.0),  # a special after the routine report
        ((("06:53", 1, 1.0), ("07:00", 0, 2.0)), 1.0),  # a bare reading after it
        ((("06:20", 2, 1.0), ("06:47", 0, 2.0)), 2.0),  # nothing but the minute tells
        ((("06:10", 0, 1.0), ("06:20", 0, 2.0)), 2.0),
        ((("06:53", 2, 1.0), ("06:53", 2, 2.0)), 2.0),  # a correction
    ],
)
def test_the_surest_report_near_the_full_hour_stands_else_the_last(reports, expected):
    rows = [(time, {"standing": standing, "air_temperature_c": value}) for time, standing, value in reports]
    assert cell("air_temperature_c", *rows)[0] == expected


def test_calm_has_no_direction():
    assert np.isnan(cell("wind_from_deg", ("06:53", {"wind_from_deg": 0.0, "wind_speed_ms": 0.0}))[0])
    assert cell("wind_from_deg", ("06:53", {"wind_from_deg": 360.0, "wind_speed_ms": 3.0}))[0] == 360.0


# --- gusts -------------------------------------------------------------------------------------------------------


def test_the_gust_of_the_hour_is_the_highest_of_all_reports_and_peaks():
    early = ("06:10", {"wind_speed_ms": 9.0, "wind_gust_ms": 16.0})
    routine = {"wind_speed_ms": 8.0, "wind_gust_ms": 14.0, "peak_wind_ms": 17.0, "peak_age_min": 22.0}
    assert cell("wind_gust_ms", early, ("06:53", routine)) == (17.0, "")
    assert cell("wind_gust_ms", early, ("06:53", {**routine, "peak_age_min": 61.0})) == (16.0, "")


@pytest.mark.parametrize(
    ("columns", "flag"),
    [
        ({"wind_speed_ms": 4.0}, "none_reported"),
        ({"wind_speed_ms": 4.0, "tells_gust": False}, ""),
        ({}, ""),  # no wind at all: missing
        ({"wind_speed_ms": 9.0, "wind_gust_ms": 7.0}, "none_reported"),  # of a calmer part of the hour
    ],
)
def test_no_gust_is_none_reported_where_wind_was_known_and_a_gust_would_have_been_told(columns, flag):
    value, found = cell("wind_gust_ms", ("06:53", columns))
    assert np.isnan(value)
    assert found == flag


def test_a_rejected_gust_counts_only_in_an_hour_without_another():
    rejected = ("06:10", {"wind_speed_ms": 8.0, "wind_gust_ms": 60.0, "failed": ["wind_gust_ms"]})
    routine = {"wind_speed_ms": 8.0}
    assert cell("wind_gust_ms", rejected, ("06:53", {**routine, "wind_gust_ms": 14.0})) == (14.0, "")
    assert cell("wind_gust_ms", rejected, ("06:53", routine)) == (60.0, "qc_failed")


def test_a_rejected_mean_wind_does_not_put_a_gust_in_doubt():
    absurd = {"wind_speed_ms": 300.0, "wind_gust_ms": 14.0, "failed": ["wind_speed_ms"]}
    assert cell("wind_gust_ms", ("06:53", absurd)) == (14.0, "")
    assert cell("wind_speed_ms", ("06:53", absurd)) == (300.0, "qc_failed")


# --- water, snow, weather ----------------------------------------------------------------------------------------


def test_only_a_report_near_the_full_hour_has_the_sum_of_the_hour():
    assert np.isnan(cell("precipitation_mm", ("06:20", {"precipitation_mm": 3.0}))[0])
    both = ("06:20", {"precipitation_mm": 3.0}), ("06:53", {"precipitation_mm": 4.0})
    assert cell("precipitation_mm", *both) == (4.0, "")


@pytest.mark.parametrize(
    ("columns", "flag"),
    [
        ({"gauge_is_out": True}, "gauge_out"),
        ({"weather": "-SN BR", "wind_speed_ms": 8.2}, "gauge_out"),
        ({"weather": "-SN BR", "wind_speed_ms": 7.8}, ""),
        ({"weather": "BLSN", "wind_speed_ms": 20.0}, ""),
        ({"gauge_is_out": True, "failed": ["precipitation_mm"]}, "qc_failed"),
        ({}, ""),
    ],
)
def test_an_empty_gauge_is_not_believed_in_blown_snow_or_when_it_is_out(columns, flag):
    assert cell("precipitation_mm", ("06:53", {"precipitation_mm": 0.0, **columns})) == (0.0, flag)


@pytest.mark.parametrize(
    ("columns", "expected", "flag"),
    [
        ({"weather": "-FZRA", "precipitation_mm": 1.2}, 1.2, ""),
        ({"weather": "FZFG", "precipitation_mm": 1.2}, 0.0, ""),
        ({"weather": "-FZRA"}, np.nan, ""),
        ({"sees_freezing_rain": False}, np.nan, ""),
        ({"weather": "-FZRA", "precipitation_mm": 0.0, "gauge_is_out": True}, 0.0, "gauge_out"),
        ({"weather": "-FZRA", "precipitation_mm": 0.0, "gauge_is_out": True, "ice_mm": 2.0}, 1.8, ""),  # 2 x 0.9
        ({"weather": "-FZRA", "precipitation_mm": 1.2, "failed": ["precipitation_mm"]}, 1.2, "qc_failed"),
    ],
)
def test_freezing_rain_is_the_gauge_s_water_or_the_ice_where_that_is_more(columns, expected, flag):
    value, found = cell("freezing_rain_mm", ("06:53", columns))
    np.testing.assert_allclose(value, expected)
    assert found == flag


def test_weather_is_that_of_all_reports_each_code_once_and_missing_where_none_could_tell():
    assert cell("present_weather", ("06:10", {"weather": "-SNPL BR"}), ("06:53", {"weather": "-SN BR"}))[0] == (
        "-SNPL BR -SN"
    )
    assert cell("present_weather", ("06:53", {}))[0] == ""
    assert pd.isna(cell("present_weather", ("06:53", {"sees_weather": False}))[0])


def test_depth_of_snow_is_the_last_of_the_hour_from_whatever_report():
    assert cell("snow_depth_m", ("06:10", {"snow_depth_m": 0.1}), ("06:53", {}))[0] == 0.1


@given(st.lists(st.tuples(st.integers(0, 179), st.floats(0, 40), st.booleans()), min_size=1, max_size=12))
def test_no_gust_is_lost_and_none_is_made(readings):
    # minutes after 05:00, gust [m/s], rejected
    reports = [
        (f"{5 + minute // 60:02d}:{minute % 60:02d}", {"wind_gust_ms": gust, "failed": ["wind_gust_ms"] * rejected})
        for minute, gust, rejected in sorted(readings)
    ]
    hours, flags = read(*reports)
    highest = {}
    for minute, gust, rejected in readings:
        hour = pd.Timestamp("2026-01-10T05:00Z") + pd.Timedelta(minutes=minute)
        sound, wrong = highest.setdefault(hour.ceil("h"), ([], []))
        (wrong if rejected else sound).append(gust)
    for hour, (sound, wrong) in highest.items():
        assert hours.loc[hour, "wind_gust_ms"] == max(sound or wrong)
        assert flags.loc[hour, "wind_gust_ms"] == ("" if sound else "qc_failed")


# --- the same reports by two ways (Kennedy, December 2020, recorded answer of the archive) --------------------------


def test_texts_give_the_hours_that_the_archive_s_columns_give(shared):
    """A check of one way against the other: the archive decodes its columns, we the texts."""
    body = (shared / "samples" / "iem_asos_JFK_202012.csv").read_bytes()
    expected = metar_archive.parse(body, fetched_at=pd.Timestamp("2021-02-01T00:00Z").to_pydatetime())
    rows = pd.read_csv(shared / "samples" / "iem_asos_JFK_202012.csv", dtype=str, keep_default_na=False)
    at = pd.to_datetime(rows["valid"], utc=True)
    texts = [decode(text, time.to_pydatetime()) for text, time in zip(rows["metar"], at, strict=True)]
    reports = pd.DataFrame([vars(text) for text in texts]).assign(
        at=at,
        peak_age_min=[
            np.nan if text.peak_wind_at is None else (time - text.peak_wind_at).total_seconds() / 60
            for text, time in zip(texts, at, strict=True)
        ],
        relative_humidity_pct=np.nan,
        visibility_km=np.nan,
        standing=lambda frame: frame["is_routine"].astype(int),
        tells_gust=lambda frame: frame["wind_speed_ms"].notna(),
    )
    reports["precipitation_mm"] = reports["precipitation_mm"].replace(0.0, ReadingRules().trace_mm)
    reports.loc[reports["nothing_fell"], "precipitation_mm"] = 0.0
    failed = pd.DataFrame(False, index=reports.index, columns=list(MEASURED))
    hours, flags = hours_of_reports(reports, failed, ReadingRules())
    for name in ("wind_speed_ms", "wind_gust_ms", "wind_from_deg", "snow_depth_m", "cloud_cover_pct"):
        pd.testing.assert_series_equal(hours[name], expected.hours[name])
    for name in ("air_temperature_c", "dew_point_c"):
        np.testing.assert_allclose(hours[name], expected.hours[name], atol=0.05)  # the archive rounds to 0.1 °F
    pd.testing.assert_series_equal(hours["present_weather"], expected.hours["present_weather"])
    pd.testing.assert_series_equal(flags["wind_gust_ms"], expected.flags["wind_gust_ms"])
    told = hours["precipitation_mm"].notna()
    np.testing.assert_allclose(hours["precipitation_mm"][told], expected.hours["precipitation_mm"][told])
    assert not (told & (expected.flags["precipitation_mm"] != "")).any()  # the archive's zeros that nobody believes
    assert (expected.hours["precipitation_mm"][~told] == 0).all()
    assert (len(hours), int((~told).sum())) == (719, 83)
