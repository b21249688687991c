import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from spoilt_answers import spoilt

from monitor.errors import ProviderContractError, StormwalkError
from monitor.register import Yard
from monitor.weather.providers.nws_observations import MOST_REPORTS, parse, requests_for
from monitor.weather.station_hours import ReadingRules

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "nws"  # invented numbers, the published shape
FETCHED = datetime(2026, 1, 10, 5, 20, tzinfo=UTC)
KNOT_MS = 1852 / 3600
INCH_MM = 25.4


def body(name):
    return (ANSWERS / name).read_bytes()


def read(answer, fetched_at=FETCHED, **settings):
    return parse(answer, fetched_at=fetched_at, **settings)


def collection(*features):
    return json.dumps({"type": "FeatureCollection", "features": list(features)}).encode()


def feature(time="04:53", text="", station="KQXM", **properties):
    """A report of 10 January 2026; a quantity is (code of its unit, value) or (code, value, mark)."""
    quantities = {
        name: dict(zip(("unitCode", "value", "qualityControl"), value, strict=False))
        if isinstance(value, tuple)
        else value
        for name, value in properties.items()
    }
    return {
        "type": "Feature",
        "properties": {
            "station": f"https://api.weather.gov/stations/{station}",
            "timestamp": f"2026-01-10T{time}:00+00:00",
            "rawMessage": text,
            **quantities,
        },
    }


def cell(name, *features, at="05:00", **settings):
    """Value and flag of one variable in one hour."""
    parsed = read(collection(*features), **settings)
    hour = pd.Timestamp(f"2026-01-10T{at}Z")
    return parsed.hours.loc[hour, name], parsed.flags.loc[hour, name] if name in parsed.flags else ""


# --- a stormy night ----------------------------------------------------------------------------------------------


def test_an_hour_of_snow_is_read():
    # routine report of 04:53, special of 04:20, readings of 04:55 and 05:00; hand conversions
    hours = read(body("observations.json")).hours
    found = hours.loc[pd.Timestamp("2026-01-10T05:00Z")]
    assert found.drop("present_weather").to_dict() == pytest.approx(
        {
            "air_temperature_c": -0.6,  # T1006
            "dew_point_c": -3.3,
            "relative_humidity_pct": 82.0,
            "wind_speed_ms": 7.2022,  # 14 kt x 0.514444
            "wind_gust_ms": 15.9478,  # peak of 04:31: 31 kt; the special has 27
            "wind_from_deg": 50.0,
            "precipitation_mm": 1.016,  # P0004: 0.04 in x 25.4; the special's 0.02 is part of it
            "freezing_rain_mm": 0.0,
            "snow_depth_m": 0.0762,  # 4/003: 3 in
            "cloud_cover_pct": 100.0,
            "visibility_km": 4.83,
        },
        abs=1e-4,
    )
    assert found["present_weather"] == "SN BR -SN"


def test_everything_is_observed_and_ends_at_full_hours():
    parsed = read(body("observations.json"))
    assert set(parsed.kinds) == {"observed"}
    assert [f"{hour:%H:%M}" for hour in parsed.hours.index] == ["03:00", "04:00", "05:00"]
    assert parsed.notes == ()


def test_a_calm_dry_hour_has_no_direction_no_gust_and_no_water():
    parsed = read(body("observations.json"))
    calm = parsed.hours.loc[pd.Timestamp("2026-01-10T03:00Z")]
    assert (calm["wind_speed_ms"], calm["precipitation_mm"], calm["present_weather"]) == (0.0, 0.0, "")
    assert np.isnan([calm["wind_from_deg"], calm["wind_gust_ms"]]).all()
    assert parsed.flags.loc[pd.Timestamp("2026-01-10T03:00Z"), "wind_gust_ms"] == "none_reported"


def test_one_report_is_read_like_a_collection():
    one = json.loads(body("observations.json"))["features"][2]
    assert read(json.dumps(one).encode()).hours["air_temperature_c"].tolist() == [-0.6]


# --- the text is the better witness ------------------------------------------------------------------------------


def test_a_gust_that_the_service_lost_is_read_from_the_text():
    # as recorded: "28008G19KT" with windGust null, Z
    lost = feature(
        text="KQXM 100453Z 28008G19KT 10SM CLR 01/M06 RMK AO2 SLP132", windGust=("wmoUnit:km_h-1", None, "Z")
    )
    value, flag = cell("wind_gust_ms", lost)
    assert value == pytest.approx(19 * KNOT_MS)
    assert flag == ""


def test_wind_and_temperature_that_the_service_lost_are_read_from_the_text():
    lost = feature(text="KQXM 100453Z AUTO 01022G29KT 10SM OVC010 M07/M11 A2997 RMK AO2", temperature=None)
    for name, expected in {"wind_speed_ms": 22 * KNOT_MS, "wind_from_deg": 10.0, "air_temperature_c": -7.0}.items():
        assert cell(name, lost)[0] == pytest.approx(expected)


def test_where_the_text_says_nothing_the_decoded_value_counts():
    silent = feature(
        text="KQXM 100453Z AUTO RMK AO2",
        temperature=("wmoUnit:degC", -4.4, "V"),
        windSpeed=("wmoUnit:km_h-1", 36.0, "V"),
        windDirection=("wmoUnit:degree_(angle)", 250, "V"),
        cloudLayers=[{"base": {"unitCode": "wmoUnit:m", "value": 300}, "amount": "BKN"}, {"amount": "FEW"}],
    )
    found = {name: cell(name, silent)[0] for name in ("air_temperature_c", "wind_speed_ms", "wind_from_deg")}
    assert found == pytest.approx({"air_temperature_c": -4.4, "wind_speed_ms": 10.0, "wind_from_deg": 250.0})
    assert cell("cloud_cover_pct", silent)[0] == 75.0


def test_a_decoded_direction_does_not_stand_in_for_variable_wind():
    variable = feature(text="KQXM 100453Z VRB04KT RMK AO2", windDirection=("wmoUnit:degree_(angle)", 0, "V"))
    assert np.isnan(cell("wind_from_deg", variable)[0])


def test_no_gust_in_the_text_of_a_known_wind_is_none_reported():
    quiet = feature(text="KQXM 100453Z 28008KT 10SM CLR 01/M06 RMK AO2 SLP132", windGust=("wmoUnit:km_h-1", None, "Z"))
    value, flag = cell("wind_gust_ms", quiet)
    assert np.isnan(value)
    assert flag == "none_reported"


def test_no_gust_without_a_text_is_missing():
    # null is ambiguous there: the service has dropped gusts
    bare = feature("04:55", windSpeed=("wmoUnit:km_h-1", 36.0), windGust=("wmoUnit:km_h-1", None, "Z"))
    value, flag = cell("wind_gust_ms", bare)
    assert np.isnan(value)
    assert flag == ""


@pytest.mark.parametrize(
    ("peak", "kt"), [("PK WND 26034/0431", 34), ("PK WND 26034/31", 34), ("PK WND 26034/0331", 24)]
)
def test_the_peak_wind_of_the_remarks_counts_where_it_is_of_this_hour(peak, kt):
    report = feature(text=f"KQXM 100453Z 26015G24KT 10SM CLR RMK AO2 {peak} SLP132")
    assert cell("wind_gust_ms", report)[0] == pytest.approx(kt * KNOT_MS)


# --- readings between the reports --------------------------------------------------------------------------------


def reading(time, gust_kmh=None, temperature_c=-1):
    return feature(
        time,
        temperature=("wmoUnit:degC", temperature_c, "V"),
        windSpeed=("wmoUnit:km_h-1", 18.0, "V"),
        windGust=("wmoUnit:km_h-1", gust_kmh, "S"),
        visibility=("wmoUnit:m", 16090, "C"),
    )


ROUTINE = feature(text="KQXM 100453Z 26010KT 10SM CLR 01/M06 RMK AO2 SLP132 T00061061")
WITHOUT_PRESSURE = feature(text="KQXM 100453Z 26010KT 10SM CLR 01/M06 RMK AO2 T00061061")


@pytest.mark.parametrize("report", [ROUTINE, WITHOUT_PRESSURE])
def test_a_later_reading_in_whole_degrees_does_not_take_the_place_of_a_report(report):
    assert cell("air_temperature_c", reading("05:00"), report)[0] == 0.6


def test_a_gust_between_the_reports_counts():
    assert cell("wind_gust_ms", reading("04:15", gust_kmh=54.0), ROUTINE)[0] == pytest.approx(15.0)


def test_an_hour_of_readings_alone_has_wind_and_temperature_but_no_water():
    readings = [reading(f"04:{minute:02d}", gust_kmh=36.0) for minute in range(5, 60, 5)]
    assert cell("air_temperature_c", *readings) == (-1.0, "")
    assert cell("wind_gust_ms", *readings)[0] == pytest.approx(10.0)
    assert np.isnan(cell("precipitation_mm", *readings)[0])


def test_keys_that_are_gone_are_missing():
    hours = read(collection(feature())).hours
    assert hours.drop(columns="present_weather").isna().all(axis=None)
    assert hours["present_weather"].isna().all()


# --- water -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "quantity", "expected_mm"),
    [
        ("10SM -RA RMK AO2 SLP132 P0017", None, 0.17 * INCH_MM),
        ("10SM -RA RMK AO2 SLP132 P0000", None, 0.05),  # a trace
        ("10SM -RA RMK AO2 SLP132", ("wmoUnit:mm", 2.54, "C"), 2.54),
        ("10SM -RA RMK AO2 SLP132", ("unit:m", 0.0025, "qc:C"), 2.5),  # as in 2019
        ("10SM -RA RMK AO2 SLP132", ("unit:m", None, "qc:Z"), np.nan),
        ("10SM CLR RMK AO2 SLP132", ("wmoUnit:mm", None, "Z"), 0.0),  # would have told
        ("10SM CLR RMK AO1 SLP132", None, np.nan),
        ("10SM CLR", None, np.nan),
    ],
)
def test_precipitation_of_the_hour(text, quantity, expected_mm):
    report = feature(text=f"KQXM 100453Z 26010KT {text}", precipitationLastHour=quantity)
    np.testing.assert_allclose(cell("precipitation_mm", report)[0], expected_mm)


def test_a_trace_is_what_the_rules_say():
    report = feature(text="KQXM 100453Z 26010KT 10SM -RA RMK AO2 SLP132 P0000")
    assert cell("precipitation_mm", report, rules=ReadingRules(trace_mm=0.02))[0] == 0.02


@pytest.mark.parametrize(
    ("text", "codes", "freezing_mm"),
    [
        ("1SM -FZRA BR RMK AO2 SLP132 P0005", "-FZRA BR", 1.27),  # 0.05 in
        ("1SM FZFG RMK AO2 SLP132 P0005", "FZFG", 0.0),
        ("1SM -RA RMK AO2 FZRANO SLP132 P0005", "-RA", np.nan),
    ],
)
def test_freezing_rain_is_the_water_of_hours_that_code_it(text, codes, freezing_mm):
    report = feature(text=f"KQXM 100453Z 05010KT {text}")
    assert cell("present_weather", report)[0] == codes
    np.testing.assert_allclose(cell("freezing_rain_mm", report)[0], freezing_mm)


@pytest.mark.parametrize(
    ("weather", "codes"),
    [
        ([{"rawString": "TSRA", "weather": "thunderstorms"}, {"rawString": "TSRA", "weather": "rain"}], "TSRA"),
        ([{"intensity": "light", "modifier": "freezing", "weather": "rain", "rawString": ""}], "-FZRA"),
        ([{"intensity": None, "modifier": "freezing", "weather": "drizzle"}], "FZDZ"),
        ([{"intensity": "heavy", "modifier": "showers", "weather": "snow"}], "+SHSN"),
        ([{"intensity": None, "modifier": None, "weather": "thunderstorms", "inVicinity": True}], "VCTS"),
        ([{"weather": "unheard_of"}, None, {"weather": "fog_mist"}], "BR"),
        ([], ""),
        (None, ""),
    ],
)
def test_decoded_weather_counts_in_a_reading_without_text(weather, codes):
    bare = feature("04:55", presentWeather=weather, visibility=("wmoUnit:m", 1600, "C"))
    assert cell("present_weather", bare)[0] == codes


# --- the service's own check -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("mark", "flag"), [("X", "qc_failed"), ("B", "qc_failed"), ("qc:X", "qc_failed"), ("Z", ""), ("V", ""), ("Q", ""),
                       ("G", ""), (None, "")]
)  # fmt: skip
def test_rejected_values_are_kept_and_flagged_and_unchecked_ones_are_good(mark, flag):
    report = feature(temperature=("wmoUnit:degC", 40.0, mark), windGust=("wmoUnit:km_h-1", 180.0, mark))
    assert cell("air_temperature_c", report) == (40.0, flag)
    assert cell("wind_gust_ms", report) == (50.0, flag)


def test_what_the_check_rejected_is_not_good_because_the_text_says_it_too():
    report = feature(text="KQXM 100453Z 26010KT CLR 40/M06 RMK AO2 SLP132", temperature=("wmoUnit:degC", 40.0, "X"))
    assert cell("air_temperature_c", report) == (40.0, "qc_failed")


# --- order, repeats, corrections ---------------------------------------------------------------------------------


def test_repeats_are_told_and_change_nothing():
    once, twice = read(collection(ROUTINE)), read(collection(ROUTINE, ROUTINE))
    pd.testing.assert_frame_equal(once.hours, twice.hours)
    assert twice.notes == ("1 reports stood twice in the Weather Service's answer.",)


def test_a_corrected_report_replaces_the_one_of_the_same_minute():
    wrong = feature(text="KQXM 100453Z VRB05KT CLR 10/M06 RMK AO2 SLP132")
    right = feature(text="KQXM 100453Z COR VRB05KT CLR 00/M06 RMK AO2 SLP132")
    for both in ((wrong, right), (right, wrong)):
        assert cell("air_temperature_c", *both)[0] == 0.0


@settings(max_examples=25)
@given(st.permutations(range(6)), st.lists(st.integers(0, 5), max_size=3))
def test_sequence_and_repeats_of_the_reports_change_nothing(sequence, repeated):
    features = json.loads(body("observations.json"))["features"]
    shuffled = read(collection(*(features[position] for position in [*sequence, *repeated])))
    pd.testing.assert_frame_equal(shuffled.hours, read(body("observations.json")).hours)
    pd.testing.assert_frame_equal(shuffled.flags, read(body("observations.json")).flags)


def test_an_hour_without_reports_is_a_gap():
    hours = read(collection(feature("02:53"), feature("04:53"))).hours
    assert [f"{hour:%H:%M}" for hour in hours.index] == ["03:00", "05:00"]


def test_an_hour_that_had_not_ended_is_left_out():
    parsed = read(body("observations.json"), fetched_at=datetime(2026, 1, 10, 4, 58, tzinfo=UTC))
    assert [f"{hour:%H:%M}" for hour in parsed.hours.index] == ["03:00", "04:00"]
    assert parsed.notes == ("The last hour had not ended and was left out.",)


def test_several_stations_need_to_be_told_apart():
    other = feature(station="KQXN", text="KQXN 100453Z 26010KT CLR 10/M06 RMK AO2")
    with pytest.raises(ProviderContractError, match="one station, or to be told which to read, got 2: KQXM, KQXN"):
        read(collection(ROUTINE, other))
    assert cell("air_temperature_c", ROUTINE, other, station="QXN")[0] == 10.0
    with pytest.raises(ProviderContractError, match="reports of KQXO, got only KQXM"):
        read(collection(ROUTINE), station="KQXO")


# --- answers -----------------------------------------------------------------------------------------------------


def test_an_answer_without_reports_is_empty_and_says_so():
    parsed = read(body("no_observations.json"))
    assert parsed.hours.empty
    assert parsed.notes == ("The Weather Service sent no reports for these hours.",)


def test_a_full_answer_is_told():
    times = [f"{minute // 60:02d}:{minute % 60:02d}" for minute in range(MOST_REPORTS)]
    parsed = read(collection(*(feature(time) for time in times)), fetched_at=FETCHED + timedelta(days=1))
    assert parsed.notes[0] == "The Weather Service's answer is full with 500 reports: older ones may be missing."


@pytest.mark.parametrize(
    ("quantity", "complaint"),
    [
        (("wmoUnit:furlong", 36.0), "expected windGust in one of km_h-1, m_s-1, kt, got 'wmoUnit:furlong'"),
        ((None, 36.0), "expected windGust in one of km_h-1, m_s-1, kt, got None"),
        (("wmoUnit:km_h-1", "36"), "a number or null as windGust, got '36'"),
        ("36 km/h", "windGust as an object with value and unit, got '36 km/h'"),
    ],
)
def test_a_quantity_in_another_shape_is_refused_by_name(quantity, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        read(collection(feature(windGust=quantity)))


@pytest.mark.parametrize(
    ("properties", "complaint"),
    [
        ({"timestamp": None}, "a time such as 2026-01-10T06:00:00.* as timestamp of a report, got None"),
        ({"timestamp": "2026-01-10T04:53:00"}, "as timestamp of a report, got '2026-01-10T04:53:00'"),
        ({"station": None}, 'the address of a station in every report, as "station", got None'),
    ],
)
def test_a_report_without_time_or_station_is_refused(properties, complaint):
    report = feature()
    report["properties"].update(properties)
    with pytest.raises(ProviderContractError, match=complaint):
        read(collection(report))


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (b"", "Weather Service observations: expected a JSON answer, got an empty body. Nothing was read"),
        (body("gateway.html"), r"a JSON answer, got a web page \(HTML\)"),
        (body("observations.json")[:9000], "a whole JSON answer, got one cut off after 9000 characters"),
        (
            body("problem_404.json"),
            'sent error 404 instead of an answer: "Data Unavailable For Requested Point: Unable',
        ),
        (b'{"type": "FeatureCollection"}', 'a list "features", got nothing of that name'),
    ],
)
def test_what_is_no_answer_is_refused_with_what_came(answer, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        read(answer)


PIECES = (b",", b"null", b"-1", b'"', b"{}", b"[]", b"9e99", b"KT ", b"G", b"/")
"""What such an answer may break at."""


@given(st.binary(max_size=60) | spoilt(json.dumps(json.loads(body("observations.json"))).encode(), *PIECES))
def test_whatever_comes_is_read_or_refused(answer):
    try:
        parsed = read(answer)
    except ProviderContractError:
        return
    assert len(parsed.hours) == len(parsed.kinds)


# --- requests ----------------------------------------------------------------------------------------------------


def yard(station="QXM"):
    return Yard("north", "North", 43.7, -70.25, 8.0, "America/New_York", station=station)


def test_each_day_is_one_request_of_whole_hours():
    # half a minute on: a reading at the full hour ends that hour, whether the service counts its bounds in or not
    now = datetime(2026, 1, 10, 5, 20, tzinfo=UTC)
    requests = requests_for(yard(), datetime(2026, 1, 8, 9, 40, tzinfo=UTC), now + timedelta(days=3), now)
    assert [(each.params["start"], each.params["end"]) for each in requests] == [
        ("2026-01-08T09:00:30Z", "2026-01-09T09:00:30Z"),
        ("2026-01-09T09:00:30Z", "2026-01-10T05:20:30Z"),
    ]
    assert {each.url for each in requests} == {"https://api.weather.gov/stations/KQXM/observations"}
    assert requests[0].params["limit"] == "500"


def test_no_more_than_the_last_week_is_asked_for():
    now = datetime(2026, 1, 10, 5, 20, tzinfo=UTC)
    requests = requests_for(yard(), now - timedelta(days=60), now, now)
    assert requests[0].params["start"] == "2026-01-03T05:00:30Z"
    assert len(requests) == 8
    assert requests_for(yard(), now - timedelta(days=60), now - timedelta(days=20), now) == []
    assert requests_for(yard(), now + timedelta(days=1), now + timedelta(days=2), now) == []


@pytest.mark.parametrize(("named", "asked"), [("qxm", "KQXM"), ("KQXM", "KQXM"), ("PAQX", "PAQX"), ("CYXX", "CYXX")])
def test_a_station_is_named_as_the_service_does(named, asked):
    [request] = requests_for(yard(""), FETCHED - timedelta(hours=3), FETCHED, FETCHED, station=named)
    assert request.url == f"https://api.weather.gov/stations/{asked}/observations"


def test_a_yard_without_a_station_is_told_so():
    with pytest.raises(StormwalkError, match='Yard "North" names no weather station'):
        requests_for(yard(""), FETCHED - timedelta(days=1), FETCHED, FETCHED)
