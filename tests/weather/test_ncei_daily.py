import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spoilt_answers import spoilt

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.weather.providers.ncei_daily import parse_days, requests_for

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "ncei"  # invented numbers, the published shape
INCH_MM = 25.4
MPH_MS = 0.44704


def body(name):
    return (ANSWERS / name).read_bytes()


def rows(*days):
    """An answer of days of January 2026, each (day, elements)."""
    return json.dumps([{"DATE": f"2026-01-{day}", "STATION": "USW00099901", **said} for day, said in days]).encode()


def day(parsed, text):
    return parsed.days.loc[pd.Timestamp(f"2026-01-{text}")]


# --- days --------------------------------------------------------------------------------------------------------


def test_a_day_of_the_storm_is_read():
    parsed = parse_days(body("days_metric.json"))
    assert day(parsed, "09").dropna().to_dict() == {
        "precipitation_mm": 12.7,
        "snowfall_depth_mm": 152.0,
        "snow_depth_m": 0.0,
        "air_temperature_max_c": 0.6,
        "air_temperature_min_c": -5.0,
        "wind_speed_ms": 6.3,
        "gust_2min_ms": 14.3,
        "gust_5s_ms": 21.9,
        "blowing_snow": 1.0,
    }
    assert parsed.station == "USW00099901"
    assert parsed.notes == ()


def test_days_are_dates_without_a_zone_and_one_that_is_not_there_is_a_gap():
    index = parse_days(body("days_metric.json")).days.index
    assert index.name == "day"
    assert index.tz is None
    assert [f"{each:%m-%d}" for each in index] == ["01-09", "01-10", "01-11", "01-13"]


def test_an_element_that_a_day_does_not_have_is_missing():
    days = parse_days(body("days_metric.json")).days
    assert days["gust_5s_ms"].isna().tolist() == [False, True, False, True]
    assert days["snow_depth_m"].isna().tolist() == [False, False, False, True]


def test_a_mark_is_seen_or_unknown_never_absent():
    days = parse_days(body("days_metric.json")).days
    np.testing.assert_array_equal(days["glaze"], [np.nan, 1.0, np.nan, np.nan])
    np.testing.assert_array_equal(days["freezing_rain"], [np.nan, 1.0, np.nan, np.nan])
    assert "ice_pellets" not in days  # the station never reports it


@pytest.mark.parametrize("empty", [b"", b"\n", b"[]", b'"STATION","DATE","PRCP"\n'])
def test_an_empty_answer_is_no_days_and_says_so(empty):
    parsed = parse_days(empty)
    assert parsed.days.empty
    assert parsed.notes == ("NCEI has no days of this station for these dates.",)


def test_a_station_without_any_of_the_elements_has_days_and_no_columns():
    parsed = parse_days(rows(("09", {"TAVG": "  1.0"})))
    assert parsed.days.shape == (1, 0)


# --- attributes --------------------------------------------------------------------------------------------------


def test_a_trace_is_zero_and_flagged():
    parsed = parse_days(body("days_metric.json"))
    assert day(parsed, "11")["precipitation_mm"] == 0.0
    assert parsed.flags["precipitation_mm"].tolist() == ["", "", "trace", ""]
    assert parsed.flags["snow_depth_m"].tolist() == ["trace", "", "", ""]


def test_a_value_that_failed_a_check_is_kept_and_flagged():
    parsed = parse_days(body("days_metric.json"))
    assert day(parsed, "11")["air_temperature_max_c"] == 21.1
    assert parsed.flags["air_temperature_max_c"].tolist() == ["", "", "qc_failed", ""]


def test_a_failed_check_weighs_more_than_a_trace():
    parsed = parse_days(rows(("09", {"PRCP": "0.0", "PRCP_ATTRIBUTES": "T,X,W"})))
    assert parsed.flags["precipitation_mm"].tolist() == ["qc_failed"]


def test_a_zero_that_is_only_presumed_is_unknown_and_told():
    parsed = parse_days(body("observation_days.csv"), units="standard")
    assert np.isnan(day(parsed, "12")["precipitation_mm"])
    assert parsed.notes[0] == "2 values were missing and only presumed to be zero: read as unknown."


def test_days_that_end_at_the_observation_are_told():
    parsed = parse_days(body("observation_days.csv"), units="standard")
    assert parsed.day_ends["snow_depth_m"].tolist() == ["07:00", "07:00", "07:00", ""]
    assert parsed.day_ends["air_temperature_max_c"].tolist()[0] == "18:00"
    assert "Days of snow_depth_m end at 07:00 local time, not at midnight." in parsed.notes
    assert parse_days(body("days_metric.json")).day_ends["snow_depth_m"].tolist()[0] == "24:00"


# --- CSV and older forms -----------------------------------------------------------------------------------------


def test_a_table_in_inches_and_fahrenheit_is_read():
    # 0.30 in, 2.0 in, 7.0 in; 35 °F and 27 °F
    found = day(parse_days(body("observation_days.csv"), units="standard"), "10")
    assert found.to_dict() == pytest.approx(
        {
            "precipitation_mm": 7.62,
            "snowfall_depth_mm": 50.8,
            "snow_depth_m": 0.1778,
            "air_temperature_max_c": 5 / 3,  # 3 x 5/9
            "air_temperature_min_c": -25 / 9,  # -5 x 5/9
            "glaze": 1.0,
        }
    )


def test_old_orders_are_read():
    old = b"STATION,DATE,PRCP,TMAX\nGHCND:USW00099901,20260109,0.50,31\nGHCND:USW00099901,20260110,-9999,-9999\n"
    parsed = parse_days(old, units="standard")
    np.testing.assert_allclose(parsed.days["precipitation_mm"], [12.7, np.nan])
    assert parsed.station == "USW00099901"


def test_a_table_without_a_station_is_one_station_s():
    parsed = parse_days(b"DATE,PRCP\n2026-01-09,0.50\n", units="standard")
    assert (parsed.station, len(parsed.days)) == ("", 1)


def test_numbers_instead_of_texts_are_read():
    parsed = parse_days(rows(("09", {"PRCP": 12.7, "TMAX": 0.6, "SNOW": 152})))
    assert day(parsed, "09").to_dict() == {
        "precipitation_mm": 12.7,
        "snowfall_depth_mm": 152.0,
        "air_temperature_max_c": 0.6,
    }


@settings(max_examples=25)
@given(st.permutations(range(4)), st.lists(st.integers(0, 3), max_size=3))
def test_sequence_and_repeats_of_the_days_change_nothing(sequence, repeated):
    days = json.loads(body("days_metric.json"))
    shuffled = parse_days(json.dumps([days[position] for position in [*sequence, *repeated]]).encode())
    expected = parse_days(body("days_metric.json"))
    pd.testing.assert_frame_equal(shuffled.days, expected.days)
    pd.testing.assert_frame_equal(shuffled.flags, expected.flags)
    assert shuffled.notes == ((f"{len(repeated)} days stood twice in the answer.",) if repeated else ())


def test_a_day_that_stands_twice_with_different_values_is_refused():
    with pytest.raises(ProviderContractError, match="every day once, got 2026-01-09 twice, with different values"):
        parse_days(rows(("09", {"PRCP": "1.0"}), ("09", {"PRCP": "2.0"})))


def test_several_stations_need_to_be_told_apart():
    both = [{"DATE": "2026-01-09", "STATION": name, "PRCP": text} for name, text in [("USA", "1.0"), ("USB", "2.0")]]
    answer = json.dumps(both).encode()
    with pytest.raises(ProviderContractError, match="one station, or to be told which to read, got 2: USA, USB"):
        parse_days(answer)
    assert parse_days(answer, station="GHCND:USB").days["precipitation_mm"].tolist() == [2.0]
    with pytest.raises(ProviderContractError, match="days of USC, got only USA, USB"):
        parse_days(answer, station="USC")


# --- units -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("units", ["metric", "standard"])
def test_the_archive_s_own_tenths_are_refused(units):
    with pytest.raises(
        ProviderContractError,
        match=rf"expected {units} units, got no decimal point in \d+ numbers, as in the archive's own tenths. Nothing",
    ):
        parse_days(body("native_tenths.json"), units=units)


def test_zeros_say_nothing_of_the_units():
    parsed = parse_days(rows(*((f"{day:02d}", {"PRCP": "0", "AWND": "0"}) for day in range(1, 10))))
    assert parsed.days["precipitation_mm"].tolist() == [0.0] * 9


def test_a_few_whole_numbers_are_no_tenths():
    parsed = parse_days(rows(("09", {"PRCP": "5", "TMAX": "3", "TMIN": "-2"})))
    assert day(parsed, "09")["precipitation_mm"] == 5.0


@pytest.mark.parametrize(
    ("units", "elements", "found"),
    [
        ("metric", {"TMAX": "200"}, "TMAX of 2026-01-09 that would be air_temperature_max_c 200"),
        ("metric", {"WSF5": "219.0"}, "WSF5 of 2026-01-09 that would be gust_5s_ms 219"),
        ("metric", {"SNWD": "-5"}, "SNWD of 2026-01-09 that would be snow_depth_m -0.005"),
        ("standard", {"TMIN": "-250"}, "TMIN of 2026-01-09 that would be air_temperature_min_c"),
        ("standard", {"SNWD": "533"}, "SNWD of 2026-01-09 that would be snow_depth_m 13.5382"),
        ("metric", {"PRCP": "0.42"}, "hundredths in PRCP, as in inches"),
    ],
)
def test_numbers_that_cannot_be_in_the_stated_units_are_refused(units, elements, found):
    with pytest.raises(ProviderContractError, match=f"expected {units} units, got {found}"):
        parse_days(rows(("09", elements)), units=units)


def test_a_value_that_failed_a_check_says_nothing_of_the_units():
    parsed = parse_days(rows(("09", {"TMAX": "200.0", "TMAX_ATTRIBUTES": ",X,W"})))
    assert day(parsed, "09")["air_temperature_max_c"] == 200.0


def test_other_units_are_a_mistake_of_the_caller():
    with pytest.raises(ValueError, match="units must be metric or standard, got 'imperial'"):
        parse_days(b"[]", units="imperial")


# --- answers -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (body("error.html"), r"a web page \(HTML\), which is how a wrong station or date is answered"),
        (body("error_400.json"), 'sent an error instead of days: "Errors found in the request". Nothing was read'),
        (body("days_metric.json")[:700], "a whole JSON answer, got one cut off after 700 characters"),
        (b"[1]", r"a list of days, got \[1\]"),
        (b'{"a": 1}', "a list of days, got"),
        (rows(("09", {"PRCP": [1]})), r"a text or a number as PRCP, got \[1\]"),
        (rows(("09", {"PRCP": "wet"})), "a number as PRCP of 2026-01-09, got 'wet'"),
        (rows(("09", {"PRCP": "inf"})), "a number as PRCP of 2026-01-09, got 'inf'"),
        (rows(("32", {"PRCP": "1.0"})), "a day such as 2026-01-10 as DATE, got '2026-01-32'"),
        (b'[{"PRCP": "1.0"}]', "a day such as 2026-01-10 as DATE, got ''"),
        (b"server over capacity\n", "a header with DATE, got server over capacity"),
        (b'"STATION","DATE","PRCP"\n"USA","2026-01-09"\n', "3 columns in line 2, got 2"),
        (b'"STATION","DATE","PRCP"\n"USA","2026-01-09","0.4', "a whole table, got one cut off"),
        (b"STATION,DATE,PRCP\nUSA,2026-01-09,0.4", "whole lines, got a table cut off in line 2"),
    ],
)
def test_what_is_no_answer_is_refused_with_what_came(answer, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        parse_days(answer)


@given(st.integers(1, len(body("observation_days.csv")) - 2))
def test_a_table_cut_off_in_a_line_is_refused_or_lacks_the_line(length):
    cut = body("observation_days.csv")[:length]
    try:
        parsed = parse_days(cut, units="standard")
    except ProviderContractError:
        return
    whole = parse_days(body("observation_days.csv"), units="standard")
    pd.testing.assert_frame_equal(parsed.days, whole.days.iloc[: len(parsed.days)])


PIECES = (b",", b"null", b"-1", b'"', b"{}", b"[]", b"9e99", b"\n", b"nan")
"""What such an answer may break at."""


@given(
    st.binary(max_size=60) | spoilt(body("days_metric.json"), *PIECES) | spoilt(body("observation_days.csv"), *PIECES)
)
def test_whatever_comes_is_read_or_refused(answer):
    try:
        parsed = parse_days(answer, units="standard")
    except ProviderContractError:
        return
    assert parsed.days.index.is_unique
    assert parsed.days.columns.equals(parsed.flags.columns)


# --- real years ----------------------------------------------------------------------------------------------------


def test_the_recorded_year_of_sitka_is_read(shared):
    # recorded CSV in standard units; counts and sums through pandas
    answer = (shared / "samples" / "ncei_ghcnd_sitka_2021_standard.csv").read_bytes()
    table = pd.read_csv(shared / "samples" / "ncei_ghcnd_sitka_2021_standard.csv")
    parsed = parse_days(answer, units="standard")
    assert (len(parsed.days), parsed.station, parsed.notes) == (365, "USW00025333", ())
    assert not {"snowfall_depth_mm", "snow_depth_m", "glaze"} & set(parsed.days)
    assert parsed.days["precipitation_mm"].sum() == pytest.approx(table["PRCP"].sum() * INCH_MM)
    np.testing.assert_allclose(parsed.days["gust_5s_ms"], table["WSF5"] * MPH_MS)
    np.testing.assert_allclose(parsed.days["air_temperature_min_c"], (table["TMIN"] - 32) / 1.8)
    missing = {"air_temperature_max_c": 1, "wind_speed_ms": 2, "gust_5s_ms": 1, "blowing_snow": 363, "ice_pellets": 364}
    assert parsed.days[list(missing)].isna().sum().to_dict() == missing


def test_the_recorded_year_of_sitka_is_not_metric(shared):
    answer = (shared / "samples" / "ncei_ghcnd_sitka_2021_standard.csv").read_bytes()
    with pytest.raises(ProviderContractError, match="expected metric units, got hundredths in PRCP, as in inches"):
        parse_days(answer, units="metric")


@pytest.mark.parametrize(
    ("first", "last", "snowfall_in", "deepest_in", "deepest_day", "precipitation_mm"),
    [
        ("2012-10-01", "2013-05-31", 26.1, 11.0, "2013-02-09", 730.2),
        ("2013-10-01", "2014-05-31", 57.4, 18.1, "2014-02-14", 826.0),
    ],
)
def test_winters_of_central_park_are_those_counted_from_the_file(
    shared, first, last, snowfall_in, deepest_in, deepest_day, precipitation_mm
):
    # station USW00094728, CSV in standard units; the figures are those counted in the file's description
    answer = (shared / "data" / "nyc_central_park_daily_2012_2014.csv").read_bytes()
    winter = parse_days(answer, units="standard").days.loc[first:last]
    assert winter["snowfall_depth_mm"].sum() == pytest.approx(snowfall_in * INCH_MM)
    assert winter["snow_depth_m"].max() == pytest.approx(deepest_in * 0.0254)
    assert winter["snow_depth_m"].idxmax() == pd.Timestamp(deepest_day)
    assert winter["precipitation_mm"].sum() == pytest.approx(precipitation_mm, abs=0.05)


def portland(shared, first, last):
    """Days of Portland in the archive's own tenths, as an answer without units would have them."""
    table = pd.read_csv(shared / "data" / "portland_me_daily_2010_2014.csv", dtype=str, keep_default_na=False)
    table = table[(table["date"] >= first) & (table["date"] <= last)].drop(columns="station")
    names = {name: f"{name.removesuffix('attr')}_ATTRIBUTES" for name in table.columns if name.endswith("attr")}
    return table.rename(columns={"date": "DATE", **names}).to_csv(index=False, quoting=1).encode()


@pytest.mark.parametrize("units", ["metric", "standard"])
@pytest.mark.parametrize("first", ["2010-10-01", "2012-01-10", "2013-02-05", "2014-02-01"])
def test_real_days_in_tenths_are_refused_even_when_few(shared, first, units):
    last = f"{pd.Timestamp(first) + pd.Timedelta(days=6):%Y-%m-%d}"
    with pytest.raises(ProviderContractError, match=f"expected {units} units, got"):
        parse_days(portland(shared, first, last), units=units)


# --- requests ----------------------------------------------------------------------------------------------------


YARD = Yard("north", "North", 43.7, -70.25, 8.0, "America/New_York")


def test_each_calendar_year_is_one_request_for_the_yard_s_local_days():
    # 03:00 UTC is the evening before in Maine
    now = datetime(2026, 1, 11, 3, tzinfo=UTC)
    requests = requests_for(YARD, datetime(2025, 11, 1, 3, tzinfo=UTC), now, now, station=" usw00099901 ")
    assert [(each.params["startDate"], each.params["endDate"]) for each in requests] == [
        ("2025-10-31", "2025-12-31"),
        ("2026-01-01", "2026-01-10"),
    ]
    assert requests[0].params["stations"] == "USW00099901"
    assert (requests[0].params["units"], requests[0].params["includeAttributes"]) == ("metric", "true")
    assert requests[0].params["dataTypes"].split(",") == [
        *("PRCP", "SNOW", "SNWD", "TMAX", "TMIN", "AWND", "WSF2", "WSF5", "WT04", "WT06", "WT09", "WT17")
    ]


def test_nothing_is_asked_of_days_to_come():
    now = datetime(2026, 1, 11, 3, tzinfo=UTC)
    assert requests_for(YARD, now, datetime(2026, 1, 20, tzinfo=UTC), now, station="USW00099901") == []
    [request] = requests_for(
        YARD, datetime(2026, 1, 9, tzinfo=UTC), datetime(2026, 2, 1, tzinfo=UTC), now, station="USW00099901"
    )
    assert request.params["endDate"] == "2026-01-10"


def test_a_yard_without_a_station_of_the_archive_is_told_so():
    now = datetime(2026, 1, 11, 3, tzinfo=UTC)
    with pytest.raises(StormwalkError, match='Yard "North" names no station of the daily archive'):
        requests_for(YARD, now, now, now, station=" ")
