from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from spoilt_answers import spoilt

from monitor.errors import ProviderContractError
from monitor.weather.providers.logger import LoggerMapping, guess_mapping, parse

FILES = Path(__file__).parents[2] / "fixtures" / "weather" / "logger"  # invented numbers
FETCHED = datetime(2026, 12, 1, tzinfo=UTC)

NEW_YORK = LoggerMapping(
    time_column="Date & Time",
    time_zone="America/New_York",
    time_format="%m/%d/%Y %H:%M",
    columns={
        "air_temperature_c": ("Temp", "°F"),
        "wind_speed_ms": ("Wind", "mph"),
        "wind_gust_ms": ("Gust", "mph"),
        "precipitation_mm": ("Rain", "in"),
    },
)


def body(name):
    return (FILES / name).read_bytes()


def read(answer, mapping=None, **settings):
    return parse(answer, **{"fetched_at": FETCHED, "mapping": mapping, **settings})


def lines(*rows, header="hour_ending,air_temperature_c"):
    return "\n".join([header, *rows, ""]).encode()


def complaint_about(answer, mapping=None, **settings):
    with pytest.raises(ProviderContractError) as caught:
        read(answer, mapping, **settings)
    return str(caught.value)


# --- a file that names its columns as we do ----------------------------------------------------------------------


def test_canonical_headers_need_no_mapping_and_state_their_units():
    parsed = read(body("canonical.csv"))
    assert parsed.hours.loc[pd.Timestamp("2026-01-10T07:00Z")].to_dict() == pytest.approx(
        {
            "air_temperature_c": 0.0,  # (32 - 32) / 1.8
            "relative_humidity_pct": 91.0,
            "wind_speed_ms": 6.25856,  # 14 x 0.44704
            "wind_gust_ms": 13.4112,  # 30 x 0.44704
            "wind_from_deg": 45.0,
            "precipitation_mm": 1.27,  # 0.05 x 25.4
        }
    )
    assert set(parsed.kinds) == {"observed"}
    assert parsed.notes == ("Columns not read: battery_v.",)


def test_an_empty_cell_is_missing():
    hours = read(body("canonical.csv")).hours
    assert np.isnan(hours.loc[pd.Timestamp("2026-01-10T08:00Z"), "wind_speed_ms"])
    assert hours.loc[pd.Timestamp("2026-01-10T08:00Z"), "wind_gust_ms"] == pytest.approx(33 * 0.44704)


@pytest.mark.parametrize(
    ("header", "variable", "unit"),
    [
        ("wind_gust_ms", "wind_gust_ms", "m/s"),
        ("wind_gust_mph", "wind_gust_ms", "mph"),
        ("wind_gust_kt", "wind_gust_ms", "kt"),
        ("wind_speed_kmh", "wind_speed_ms", "kmh"),
        ("air_temperature_f", "air_temperature_c", "f"),
        ("air_temperature_K", "air_temperature_c", "K"),
        ("precipitation_in", "precipitation_mm", "in"),
        ("snow_depth_cm", "snow_depth_m", "cm"),
        ("snowfall_depth_in", "snowfall_depth_mm", "in"),
        ("visibility_mi", "visibility_km", "mi"),
        ("solar_wm2", "solar_wm2", "W/m²"),
    ],
)
def test_the_unit_is_read_from_the_header(header, variable, unit):
    assert guess_mapping(["hour_ending", header]).columns == {variable: (header, unit)}


@pytest.mark.parametrize(("unit", "celsius"), [("F", 0.0), ("°F", 0.0), ("C", 32.0), ("°C", 32.0)])
def test_a_mapping_may_spell_temperature_with_or_without_the_degree_sign(unit, celsius):
    mapping = LoggerMapping("at", {"air_temperature_c": ("Temp", unit)})
    parsed = read(lines("2026-01-10T06:00Z,32", "2026-01-10T07:00Z,32", header="at,Temp"), mapping)
    assert parsed.hours["air_temperature_c"].tolist() == [celsius] * 2


def test_a_header_that_says_nothing_asks_for_a_mapping():
    for header in (["Time", "wind_gust_ms"], ["hour_ending", "Gust"], ["hour_ending"]):
        with pytest.raises(ProviderContractError, match="does not say what its columns are"):
            guess_mapping(header)


def test_two_columns_for_one_variable_are_refused():
    with pytest.raises(ProviderContractError, match="columns wind_gust_ms and wind_gust_mph both give wind_gust_ms"):
        guess_mapping(["hour_ending", "wind_gust_ms", "wind_gust_mph"])


# --- rows finer than an hour -------------------------------------------------------------------------------------


def test_rows_are_put_together_as_the_hour_of_each_variable_asks():
    # the three rows that end at 00:20, 00:40 and 01:00 summer time = 05:00 UTC
    hours = read(body("twenty_minutes_new_york.csv"), NEW_YORK).hours
    assert hours.loc[pd.Timestamp("2026-11-01T05:00Z")].to_dict() == pytest.approx(
        {
            "air_temperature_c": (49 - 32) / 1.8,  # instant: the last
            "wind_speed_ms": 9 * 0.44704,  # mean of 8, 9, 10 mph
            "wind_gust_ms": 18 * 0.44704,  # the highest
            "precipitation_mm": 0.05 * 25.4,  # 0.02 + 0.02 + 0.01 in
        }
    )


def test_the_repeated_hour_of_autumn_is_told_apart_by_the_order_of_the_rows():
    # clocks went from 02:00 back to 01:00 on 1 November 2026: 01:20, 01:40 twice, and 01:00 is the end of both
    hours = read(body("twenty_minutes_new_york.csv"), NEW_YORK).hours
    assert list(hours.index) == list(pd.date_range("2026-11-01T05:00Z", "2026-11-01T08:00Z", freq="h"))
    np.testing.assert_allclose(hours["wind_gust_ms"] / 0.44704, [18, 22, 26, 27])
    np.testing.assert_allclose(hours["precipitation_mm"][:3], np.array([0.05, 0.0, 0.12]) * 25.4, atol=1e-12)


def test_a_sum_with_a_missing_row_is_missing_and_a_maximum_is_not():
    last = read(body("twenty_minutes_new_york.csv"), NEW_YORK).hours.loc[pd.Timestamp("2026-11-01T08:00Z")]
    assert np.isnan(last["precipitation_mm"])
    assert last["wind_gust_ms"] == pytest.approx(27 * 0.44704)


def test_newest_first_gives_the_same_hours():
    header, *rows = body("twenty_minutes_new_york.csv").splitlines(keepends=True)
    turned = header + b"".join(rows[::-1])
    pd.testing.assert_frame_equal(
        read(turned, NEW_YORK).hours, read(body("twenty_minutes_new_york.csv"), NEW_YORK).hours
    )


def test_an_hour_of_which_less_than_half_is_known_has_no_mean_or_maximum():
    rows = ["2026-01-10 06:20,,", "2026-01-10 06:40,,", "2026-01-10 07:00,5.0,9.0", "2026-01-10 07:20,1.0,2.0"]
    hours = read(lines(*rows, header="hour_ending,wind_speed_ms,wind_gust_ms")).hours
    assert hours.loc[pd.Timestamp("2026-01-10T07:00Z")].isna().all()


def test_times_that_mark_the_start_are_moved_by_one_interval():
    mapping = LoggerMapping("t", {"precipitation_mm": ("mm", "mm")}, time_is="start")
    half_hours = lines(
        "2026-01-10 06:00,1", "2026-01-10 06:30,2", "2026-01-10 07:00,4", "2026-01-10 07:30,8", header="t,mm"
    )
    assert read(half_hours, mapping).hours["precipitation_mm"].to_dict() == {
        pd.Timestamp("2026-01-10T07:00Z"): 3.0,
        pd.Timestamp("2026-01-10T08:00Z"): 12.0,
    }
    single = read(lines("2026-01-10 06:00,1", header="t,mm"), mapping).hours
    assert list(single.index) == [pd.Timestamp("2026-01-10T07:00Z")]


def test_rows_coarser_than_an_hour_are_refused():
    found = complaint_about(lines("2026-01-10 06:00,1", "2026-01-10 09:00,2", "2026-01-10 12:00,3"))
    assert "rows are 180 minutes apart; expected an hour or less" in found


# --- clocks ------------------------------------------------------------------------------------------------------


def local(*rows, zone="America/New_York"):
    mapping = LoggerMapping("t", {"air_temperature_c": ("temp", "°C")}, time_zone=zone)
    return lines(*rows, header="t,temp"), mapping


@pytest.mark.parametrize(("written", "hour_utc"), [("2026-01-10 06:00", 11), ("2026-07-10 06:00", 10)])
def test_local_times_are_read_in_winter_and_summer(written, hour_utc):
    # New York is 5 h behind UTC in winter, 4 h in summer
    assert [time.hour for time in read(*local(f"{written},1")).hours.index] == [hour_utc]


def test_an_hour_that_no_clock_showed_is_refused_with_its_line():
    # clocks went from 02:00 to 03:00 on 8 March 2026
    found = complaint_about(*local("2026-03-08 01:00,1", "2026-03-08 02:00,2", "2026-03-08 03:00,3"))
    assert "line 3, column t: found '2026-03-08 02:00', expected a time that the clock showed" in found
    assert "Etc/GMT+5" in found


def test_a_repeated_hour_passed_once_is_refused_with_its_line():
    found = complaint_about(*local("2026-11-01 00:00,1", "2026-11-01 01:00,2", "2026-11-01 02:00,3"))
    assert "line 3, column t: found '2026-11-01 01:00', expected rows that pass this hour twice" in found


def test_a_logger_that_ignores_summer_time_has_a_fixed_zone():
    rows = [f"2026-11-01 {hour:02d}:00,{hour}" for hour in range(4)]
    hours = read(*local(*rows, zone="Etc/GMT+5")).hours
    assert list(hours.index) == list(pd.date_range("2026-11-01T05:00Z", periods=4, freq="h"))


def test_times_with_their_own_offset_are_read_by_that():
    hours = read(*local("2026-11-01T01:00:00-04:00,1", "2026-11-01T06:00:00Z,2")).hours
    assert [time.hour for time in hours.index] == [5, 6]


def test_an_unknown_zone_is_refused():
    assert "time zone 'Eastern' is not known" in complaint_about(*local("2026-01-10 06:00,1", zone="Eastern"))


@pytest.mark.parametrize("written", ["0001-01-01 00:00", "9999-12-31 23:00", "noon", ""])
def test_a_time_that_cannot_be_read_is_refused_with_its_line(written):
    found = complaint_about(*local("2026-01-10 06:00,1", f"{written},2"))
    assert f"line 3, column t: found {written!r}, expected a time such as 2026-01-10 06:00" in found


def test_a_time_after_the_reading_points_at_the_clock():
    found = complaint_about(lines("2026-12-02 06:00,1"))
    assert "found '2026-12-02 06:00', expected a time before 2026-12-01 00:00Z" in found
    assert "check clock and time zone" in found


def test_the_hour_that_had_not_ended_is_left_out():
    rows = ["2026-11-30 23:00,1", "2026-11-30 23:30,2", "2026-12-01 00:00,3", "2026-12-01 00:30,4"]
    parsed = read(lines(*rows), fetched_at=datetime(2026, 12, 1, 0, 40, tzinfo=UTC))
    assert parsed.hours.index[-1] == pd.Timestamp("2026-12-01T00:00Z")
    assert parsed.notes == ("The last hour had not ended and was left out.",)


# --- files -------------------------------------------------------------------------------------------------------


def test_semicolons_and_decimal_commas_are_read():
    mapping = LoggerMapping(
        time_column="Zeit",
        time_zone="Europe/Berlin",
        time_format="%d.%m.%Y %H:%M",
        columns={
            "air_temperature_c": ("Temperatur", "°C"),
            "wind_gust_ms": ("Böe", "m/s"),
            "precipitation_mm": ("Niederschlag", "mm"),
        },
    )
    hours = read(body("decimal_comma.csv"), mapping).hours
    assert hours.loc[pd.Timestamp("2026-01-10T05:00Z")].to_dict() == {
        "air_temperature_c": -1.5,
        "wind_gust_ms": 11.2,
        "precipitation_mm": 0.4,
    }
    assert read(body("decimal_comma.csv").decode().encode("cp1252"), mapping).hours.equals(hours)
    assert read(b"\xef\xbb\xbf" + body("decimal_comma.csv"), mapping).hours.equals(hours)


def test_every_problem_is_told_at_once_and_nothing_is_read():
    found = complaint_about(
        lines(
            "2026-01-10 06:00,1.0,2.0",
            "yesterday,x,2.0",
            "2026-01-10 08:00,1.0",
            "2026-01-10 09:00,1.0,inf",
            header="hour_ending,air_temperature_c,wind_gust_mph",
        )
    )
    assert found.splitlines() == [
        "Logger file: 4 problems. Nothing was read. Correct them and import again.",
        "  line 4: found 2 cells, expected 3 as in the header",
        "  line 3, column hour_ending: found 'yesterday', expected a time such as 2026-01-10 06:00",
        "  line 3, column air_temperature_c: found 'x', expected a number in °C, or nothing",
        "  line 5, column wind_gust_mph: found 'inf', expected a number in mph, or nothing",
    ]


def test_a_long_list_of_problems_is_cut_with_their_count():
    found = complaint_about(lines(*[f"2026-01-10 06:00,x{number}" for number in range(60)]))
    assert "60 problems" in found
    assert found.splitlines()[-1] == "  and 10 more"


def test_a_time_format_that_does_not_fit_says_what_it_expects():
    found = complaint_about(
        body("canonical.csv"),
        LoggerMapping("hour_ending", {"rain_mm": ("precipitation_in", "in")}, time_format="%d.%m.%Y"),
    )
    assert "found '2026-01-10 06:00', expected a time as %d.%m.%Y" in found


def test_two_different_readings_of_one_time_are_refused_and_equal_ones_are_one():
    assert read(lines("2026-01-10 06:00,1", "2026-01-10 06:00,1", "2026-01-10 07:00,2")).hours.shape == (2, 1)
    found = complaint_about(lines("2026-01-10 06:00,1", "2026-01-10 06:00,2"))
    assert "line 3" in found
    assert "line 2 has other values" in found


@pytest.mark.parametrize(
    ("mapping", "complaint"),
    [
        (LoggerMapping("when", {"rain_mm": ("Rain", "in")}), "column 'when' is not in the header"),
        (LoggerMapping("Date & Time", {"rain_mm": ("Snow", "in")}), "column 'Snow' is not in the header"),
        (LoggerMapping("Date & Time", {"drizzle_mm": ("Rain", "in")}), "'drizzle_mm' is not a variable"),
        (LoggerMapping("Date & Time", {"rain_mm": ("Rain", "mph")}), "column 'Rain' in 'mph'; expected one of mm"),
        (LoggerMapping("Date & Time", {}), "the mapping names no variable"),
    ],
)
def test_a_mapping_that_does_not_fit_the_file_is_refused(mapping, complaint):
    assert complaint in complaint_about(body("twenty_minutes_new_york.csv"), mapping)


def test_an_empty_file_is_refused_and_one_without_rows_is_empty():
    assert "it is empty; expected a header row" in complaint_about(b"")
    assert "it has no header row" in complaint_about(b",\n,\n")
    parsed = read(lines())
    assert parsed.hours.empty
    assert parsed.notes == ("The logger's file has no rows.",)


@given(st.permutations(range(4)))
def test_the_sequence_of_rows_in_utc_changes_nothing(sequence):
    header, *rows = body("canonical.csv").splitlines(keepends=True)
    shuffled = header + b"".join(rows[position] for position in sequence)
    pd.testing.assert_frame_equal(read(shuffled).hours, read(body("canonical.csv")).hours)


PIECES = (b",", b"\n", b";", b'"', b"nan", b"inf", b"\x00", b"-04:00")
"""What such an answer may break at."""


@given(st.binary(max_size=60) | spoilt(body("canonical.csv"), *PIECES))
def test_whatever_comes_is_read_or_refused(answer):
    try:
        parsed = read(answer)
    except ProviderContractError:
        return
    assert len(parsed.hours) == len(parsed.kinds)
