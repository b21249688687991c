import json
import math
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
from monitor.weather.providers.nws_grid import ICE_WATER_RATIO, parse, parse_point, point_request, requests_for

ANSWERS = Path(__file__).parents[2] / "fixtures" / "weather" / "nws"  # invented numbers, the published shape
FETCHED = datetime(2026, 1, 9, 15, 30, tzinfo=UTC)


def body(name):
    return (ANSWERS / name).read_bytes()


def read(answer, fetched_at=FETCHED):
    return parse(answer, fetched_at=fetched_at)


def storm(**layers):
    """The grid of the storm with layers replaced, or removed by None."""
    answer = json.loads(body("grid.json"))
    for name, layer in layers.items():
        if layer is None:
            del answer["properties"][name]
        else:
            answer["properties"][name] = layer
    return json.dumps(answer).encode()


def layer(*intervals, uom="wmoUnit:mm"):
    """A layer of intervals (start and duration, value) from January 2026: ``("09T12:00/PT3H", 1.5)``."""
    values = []
    for interval, value in intervals:
        start, _, duration = interval.partition("/")
        values.append({"validTime": f"2026-01-{start}:00+00:00/{duration}", "value": value})
    return {"uom": uom, "values": values} if uom else {"values": values}


def alone(name, *intervals, **settings):
    """A grid of one layer."""
    properties = {"updateTime": "2026-01-09T15:12:40+00:00", name: layer(*intervals, **settings)}
    return json.dumps({"type": "Feature", "properties": properties}).encode()


def at(text):
    return pd.Timestamp(f"2026-01-{text}:00Z")


# --- a forecast storm --------------------------------------------------------------------------------------------


def test_an_hour_of_the_storm_is_read():
    # hour ending 16:00: what is summed is of 15:00/PT3H, what is instantaneous of 16:00/PT2H; hand conversions
    hours = read(body("grid.json")).hours
    assert hours.loc[at("09T16:00")].drop("present_weather").to_dict() == pytest.approx(
        {
            "air_temperature_c": -2.5,
            "dew_point_c": -4.0,
            "relative_humidity_pct": 84.0,
            "wind_speed_ms": 10.0,  # 36 km/h / 3.6
            "wind_gust_ms": 20.0,  # 72 km/h / 3.6
            "wind_from_deg": 40.0,
            "precipitation_mm": 2.0,  # 6.0 mm in 3 h
            "snowfall_depth_mm": 10.0,  # 60 mm in 6 h
            "freezing_rain_mm": 0.0,
            "cloud_cover_pct": 96.0,
            "visibility_km": 0.402336,
        }
    )
    assert hours.loc[at("09T16:00"), "present_weather"] == "+SN BLSN"


def test_everything_is_forecast_also_before_the_time_of_issue():
    parsed = read(body("grid.json"), fetched_at=datetime(2026, 1, 9, 20, tzinfo=UTC))
    assert parsed.hours.index[0] == at("09T12:00")
    assert set(parsed.kinds) == {"forecast"}
    assert parsed.notes[0] == "Forecast issued 2026-01-09 15:12 UTC."


def test_nothing_is_flagged_by_the_parser():
    assert (read(body("grid.json")).flags == "").all(axis=None)


def test_water_of_the_snow_is_left_to_the_rule_for_the_phase():
    assert "snowfall_water_mm" not in read(body("grid.json")).hours


def test_a_forecast_that_the_office_has_not_renewed_is_told():
    parsed = read(body("grid.json"), fetched_at=datetime(2026, 1, 11, 3, tzinfo=UTC))
    assert parsed.notes[1] == "That was 36 h before it was fetched: the office has not renewed it."


# --- what an hour is ---------------------------------------------------------------------------------------------


def test_an_instant_belongs_to_the_interval_that_begins_with_it():
    # 12:00/PT2H, 14:00/PT1H: at 12:00 and 13:00 the first value, at 14:00 the second
    hours = read(alone("temperature", ("09T12:00/PT2H", -1.0), ("09T14:00/PT1H", 2.0), uom="wmoUnit:degC")).hours
    assert hours["air_temperature_c"].to_dict() == {at("09T12:00"): -1.0, at("09T13:00"): -1.0, at("09T14:00"): 2.0}


@pytest.mark.parametrize(("name", "variable"), [("windGust", "wind_gust_ms"), ("windSpeed", "wind_speed_ms")])
def test_a_mean_and_a_maximum_belong_to_the_hours_that_end_in_the_interval_or_with_it(name, variable):
    hours = read(alone(name, ("09T12:00/PT2H", 36.0), ("09T14:00/PT1H", 72.0), uom="wmoUnit:km_h-1")).hours
    assert hours[variable].to_dict() == {at("09T13:00"): 10.0, at("09T14:00"): 10.0, at("09T15:00"): 20.0}


def test_a_total_is_divided_over_its_hours_and_not_repeated():
    hours = read(alone("quantitativePrecipitation", ("09T12:00/PT6H", 25.0))).hours
    assert [f"{hour:%H:%M}" for hour in hours.index] == ["13:00", "14:00", "15:00", "16:00", "17:00", "18:00"]
    assert hours["precipitation_mm"].sum() == pytest.approx(25.0, abs=1e-9)


@pytest.mark.parametrize(
    ("duration", "hours"), [("PT1H", 1), ("P1D", 24), ("P1DT1H", 25), ("P5DT8H", 128), ("PT12H", 12), ("PT120M", 2)]
)
def test_durations_in_days_hours_and_minutes_are_read(duration, hours):
    found = read(alone("snowfallAmount", (f"09T12:00/{duration}", 12.0))).hours["snowfall_depth_mm"]
    assert len(found) == hours
    np.testing.assert_allclose(found, 12.0 / hours)


def test_an_interval_of_half_hours_is_shared_by_the_minutes_in_each_hour():
    # 12:30 to 14:00 is 30 minutes of the hour ending 13:00 and 60 of the next
    found = read(alone("quantitativePrecipitation", ("09T12:30/PT1H30M", 3.0))).hours["precipitation_mm"]
    assert found.to_dict() == pytest.approx({at("09T13:00"): 1.0, at("09T14:00"): 2.0})


def test_half_hours_of_wind_are_averaged_and_of_gust_the_highest_counts():
    halves = ("09T12:00/PT30M", 36.0), ("09T12:30/PT30M", 72.0)
    assert read(alone("windSpeed", *halves, uom="wmoUnit:km_h-1")).hours["wind_speed_ms"].tolist() == [15.0]
    assert read(alone("windGust", *halves, uom="wmoUnit:km_h-1")).hours["wind_gust_ms"].tolist() == [20.0]


def test_ice_is_told_as_water():
    # 3.0 mm of ice of 900 kg/m3 are 2.7 mm of water
    hours = read(body("grid.json")).hours
    assert ICE_WATER_RATIO == 0.9
    assert hours["freezing_rain_mm"].sum() == pytest.approx(2.7, abs=1e-9)


partitions = st.lists(
    st.tuples(st.integers(1, 60 * 30), st.floats(0, 80), st.booleans()), min_size=1, max_size=12
)  # length [min], amount [mm], a gap before it


@given(partitions)
def test_totals_survive_any_partition_into_intervals(pieces):
    start, values = datetime(2026, 1, 9, tzinfo=UTC), []
    for minutes, amount, gap in pieces:
        start += timedelta(minutes=90 * gap)
        days, rest = divmod(minutes, 24 * 60)
        duration = f"P{days}DT{rest // 60}H{rest % 60}M"
        values.append({"validTime": f"{start.isoformat()}/{duration}", "value": amount})
        start += timedelta(minutes=minutes)
    properties = {
        "updateTime": "2026-01-09T00:00:00Z",
        "quantitativePrecipitation": {"uom": "wmoUnit:mm", "values": values},
    }
    hours = read(json.dumps({"properties": properties}).encode()).hours
    total = math.fsum(amount for _, amount, _ in pieces)
    assert math.fsum(hours["precipitation_mm"]) == pytest.approx(total, rel=1e-12, abs=1e-9)
    assert (hours["precipitation_mm"] >= 0).all()


# --- order and repeats -------------------------------------------------------------------------------------------


@settings(max_examples=25)
@given(st.randoms(use_true_random=False))
def test_sequence_and_repeats_of_the_intervals_change_nothing(random):
    answer = json.loads(body("grid.json"))
    for name in ("temperature", "quantitativePrecipitation", "windGust", "weather"):
        values = answer["properties"][name]["values"]
        values.append(random.choice(values))
        random.shuffle(values)
    shuffled = read(json.dumps(answer).encode())
    pd.testing.assert_frame_equal(shuffled.hours, read(body("grid.json")).hours)
    assert shuffled.notes == read(body("grid.json")).notes


def test_intervals_that_overlap_are_refused():
    answer = alone("quantitativePrecipitation", ("09T12:00/PT6H", 6.0), ("09T15:00/PT3H", 3.0))
    with pytest.raises(
        ProviderContractError,
        match="expected intervals of quantitativePrecipitation one after another, got one from 2026-01-09 15:00Z "
        "inside the one from 2026-01-09 12:00Z",
    ):
        read(answer)


def test_an_interval_that_stands_twice_with_two_values_is_refused():
    answer = alone("windGust", ("09T12:00/PT1H", 6.0), ("09T12:00/PT1H", 7.0), uom="wmoUnit:km_h-1")
    with pytest.raises(ProviderContractError, match="intervals of windGust one after another"):
        read(answer)


def test_a_gap_between_intervals_stays_a_gap():
    hours = read(alone("windGust", ("09T12:00/PT1H", 36.0), ("09T15:00/PT1H", 36.0), uom="wmoUnit:km_h-1")).hours
    assert [f"{hour:%H:%M}" for hour in hours.index] == ["13:00", "16:00"]


# --- weather -----------------------------------------------------------------------------------------------------


def weather(*kinds):
    """The codes of an hour with this weather, each kind as (coverage, weather, intensity)."""
    value = [dict(zip(("coverage", "weather", "intensity"), kind, strict=True)) for kind in kinds]
    return read(alone("weather", ("09T12:00/PT1H", value), uom=None))


@pytest.mark.parametrize(
    ("kinds", "codes"),
    [
        ([("definite", "snow", "heavy")], "+SN"),
        ([("likely", "snow_showers", "light")], "-SHSN"),
        ([("likely", "rain", "moderate"), ("areas", "fog", None)], "RA FG"),
        ([("occasional", "drizzle", "very_light")], "-DZ"),
        ([("likely", "freezing_rain", "light"), ("likely", "sleet", "light")], "-FZRA -PL"),
        ([(None, "freezing_drizzle", None)], "FZDZ"),
        ([("areas", "freezing_fog", "heavy")], "FZFG"),  # fog has no sign in METAR
        ([("areas", "blowing_snow", None)], "BLSN"),
        ([("definite", "frost", None)], ""),
        ([(None, None, None)], ""),
        ([], ""),
        ([("chance", "snow", "light")], ""),
        ([("slight_chance", "rain", "light"), ("isolated", "thunderstorms", None)], ""),
    ],
)
def test_likely_weather_is_coded(kinds, codes):
    assert weather(*kinds).hours["present_weather"].tolist() == [codes]


def test_weather_of_the_storm_hour_by_hour():
    codes = read(body("grid.json")).hours["present_weather"]
    assert codes[at("09T15:00")] == "-SN"
    assert codes[at("10T00:00")] == "-FZRA -PL"
    assert codes[at("10T01:00")] == ""  # a slight chance
    assert pd.isna(codes[at("09T12:00")])  # before the first interval


def test_freezing_rain_that_is_only_possible_is_told():
    answer = alone("weather", ("09T12:00/PT6H", [{"coverage": "chance", "weather": "freezing_rain"}]), uom=None)
    hours = "6 hours between 2026-01-09 13:00 and 2026-01-09 18:00 UTC"
    assert f"Freezing rain or drizzle is possible, not likely, in {hours}." in read(answer).notes


def test_an_unknown_kind_of_weather_is_left_out_and_told():
    parsed = weather(("likely", "frogs", None), ("likely", "snow", "light"))
    assert parsed.hours["present_weather"].tolist() == ["-SN"]
    assert "Weather 'frogs' of the Weather Service's grid is not known and was left out." in parsed.notes


def test_weather_that_is_null_is_missing():
    hours = read(alone("weather", ("09T12:00/PT1H", None), ("09T13:00/PT1H", []), uom=None)).hours
    assert hours["present_weather"].isna().tolist() == [True, False]


# --- layers that lack something ----------------------------------------------------------------------------------


def test_an_empty_layer_without_unit_is_no_column_and_is_told():
    parsed = read(storm(iceAccumulation={"values": []}, snowfallAmount={"values": []}))
    assert not {"freezing_rain_mm", "snowfall_depth_mm"} & set(parsed.hours.columns)
    assert "The Weather Service's grid has no iceAccumulation here." in parsed.notes


def test_a_layer_that_is_gone_is_no_column_and_is_told():
    parsed = read(storm(windGust=None, weather=None))
    assert not {"wind_gust_ms", "present_weather"} & set(parsed.hours.columns)
    assert {
        "The Weather Service's grid has no windGust here.",
        "The Weather Service's grid has no weather here.",
    } <= set(parsed.notes)
    assert parsed.hours["wind_speed_ms"][at("09T16:00")] == 10.0


def test_a_grid_of_empty_layers_has_no_hours():
    parsed = read(alone("temperature", uom=None))
    assert parsed.hours.empty
    assert "The Weather Service's grid has no temperature here." in parsed.notes


def test_null_values_are_missing():
    hours = read(body("grid.json")).hours
    assert hours["dew_point_c"][at("09T17:00")] == -4.0
    assert hours["dew_point_c"].loc[at("09T18:00") : at("09T23:00")].isna().all()
    unknown = alone("quantitativePrecipitation", ("09T12:00/PT30M", None), ("09T12:30/PT30M", 1.0))
    assert read(unknown).hours["precipitation_mm"].isna().all()


def test_layers_that_end_early_are_told_and_stay_missing():
    parsed = read(body("grid.json"))
    assert parsed.hours["wind_gust_ms"].last_valid_index() == at("10T00:00")
    assert "wind_gust_ms is forecast to 2026-01-10 00:00 UTC only." in parsed.notes
    assert not any(note.startswith("wind_speed_ms") for note in parsed.notes)


def test_other_layers_are_passed_over():
    pd.testing.assert_frame_equal(
        read(storm(maxTemperature=None, hazards=None, snowLevel=None)).hours, read(body("grid.json")).hours
    )


# --- units -------------------------------------------------------------------------------------------------------


def test_units_of_other_years_are_read_from_the_answer():
    # 2019: unit:m_s-1; now: wmoUnit:km_h-1
    old = layer(("09T12:00/PT3H", 10.0), ("09T15:00/PT3H", 20.0), ("09T18:00/PT6H", 15.0), uom="unit:m_s-1")
    pd.testing.assert_series_equal(
        read(storm(windGust=old)).hours["wind_gust_ms"], read(body("grid.json")).hours["wind_gust_ms"]
    )


@pytest.mark.parametrize("uom", ["wmoUnit:furlong_h-1", "wmoUnit:degC", None])
def test_an_unknown_unit_is_refused_by_name(uom):
    with pytest.raises(ProviderContractError, match=f"expected windGust in one of km_h-1, m_s-1, kt, got {uom!r}"):
        read(storm(windGust=layer(("09T12:00/PT3H", 36.0), uom=uom)))


# --- answers -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "valid_time",
    [
        "2026-01-09T12:00:00+00:00",
        "2026-01-09T12:00:00+00:00/",
        "2026-01-09T12:00:00+00:00/P",
        "2026-01-09T12:00:00+00:00/PT0H",
        "2026-01-09T12:00:00+00:00/P1M",
        "2026-01-09T12:00:00+00:00/P31D",
        "2026-01-09T12:00:00+00:00/2026-01-09T15:00:00+00:00",
        "2026-01-09T12:00:00/PT3H",
        "soon/PT3H",
        None,
    ],
)
def test_an_interval_that_cannot_be_read_is_refused(valid_time):
    answer = storm(windGust={"uom": "wmoUnit:km_h-1", "values": [{"validTime": valid_time, "value": 36.0}]})
    with pytest.raises(ProviderContractError, match=r"expected (an interval|a time) such as .* (in|of) windGust, got"):
        read(answer)


@pytest.mark.parametrize(
    ("answer", "complaint"),
    [
        (b"", "Weather Service grid: expected a JSON answer, got an empty body. Nothing was read"),
        (body("gateway.html"), r"a JSON answer, got a web page \(HTML\)"),
        (body("grid.json")[:3000], "a whole JSON answer, got one cut off after 2998 characters"),
        (
            body("problem_503.json"),
            'sent error 503 instead of an answer: "Forecast Grid Expired: The requested forecast',
        ),
        (b"[]", 'an object "properties", got nothing of that name'),
        (b'{"properties": {}}', "a time such as .* as updateTime, got None"),
        (b'{"properties": {"updateTime": "2026-01-09T15:12:40Z"}}', "at least one of the layers .* only updateTime"),
        (storm(windGust=[]), r'an object "windGust", got \[\]'),
        (storm(windGust={}), 'a list "values", got nothing of that name'),
        (storm(windGust=layer(("09T12:00/PT3H", "36"))), "a number or null as windGust, got '36'"),
        (storm(weather=layer(("09T12:00/PT3H", "snow"))), "a list as value of weather, got 'snow'"),
    ],
)
def test_what_is_no_grid_is_refused_with_what_came(answer, complaint):
    with pytest.raises(ProviderContractError, match=complaint):
        read(answer)


@given(st.integers(1, len(body("grid.json").rstrip()) - 1))
def test_a_grid_cut_off_anywhere_is_refused(length):
    with pytest.raises(ProviderContractError, match="Nothing was read"):
        read(body("grid.json")[:length])


PIECES = (b",", b"null", b"-1", b'"', b"{}", b"[]", b"9e99", b"/P9D", b"PT")
"""What such an answer may break at."""


@given(st.binary(max_size=60) | spoilt(body("grid.json"), *PIECES))
def test_whatever_comes_is_read_or_refused(answer):
    try:
        parsed = read(answer)
    except ProviderContractError:
        return
    assert len(parsed.hours) == len(parsed.kinds)


# --- a real grid: Tallahassee, 3 February 2022 (recorded answer) -----------------------------------------------------


@pytest.fixture(scope="module")
def recorded(shared):
    return (shared / "samples" / "nws_gridpoints_TAE_20220203.json").read_bytes()


def intervals(answer, name):
    """Start, end and value of a layer, through pandas."""
    for each in json.loads(answer)["properties"][name]["values"]:
        start, duration = each["validTime"].split("/")
        begin = pd.Timestamp(start)
        yield begin, begin + pd.Timedelta(duration), each["value"]


@pytest.mark.parametrize(
    ("name", "variable", "total_mm"),
    [("quantitativePrecipitation", "precipitation_mm", 20.066), ("snowfallAmount", "snowfall_depth_mm", 0.0),
     ("iceAccumulation", "freezing_rain_mm", 0.0)],
)  # fmt: skip
def test_totals_of_the_recorded_grid_are_kept(recorded, name, variable, total_mm):
    raw = math.fsum(value for _, _, value in intervals(recorded, name))
    assert raw == pytest.approx(total_mm)
    found = read(recorded).hours[variable]
    assert math.fsum(found.dropna()) == pytest.approx(raw, abs=1e-9)
    for begin, end, value in intervals(recorded, name):
        assert found.loc[begin + pd.Timedelta(minutes=1) : end].sum() == pytest.approx(value, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "variable"),
    [("temperature", "air_temperature_c"), ("dewpoint", "dew_point_c"), ("relativeHumidity", "relative_humidity_pct"),
     ("skyCover", "cloud_cover_pct"), ("windDirection", "wind_from_deg")],
)  # fmt: skip
def test_instants_of_the_recorded_grid_are_those_of_the_interval_around_them(recorded, name, variable):
    found = read(recorded).hours[variable]
    expected = pd.Series(np.nan, index=found.index, name=variable)
    for begin, end, value in intervals(recorded, name):
        expected[(expected.index >= begin) & (expected.index < end)] = value
    pd.testing.assert_series_equal(found, expected)


@pytest.mark.parametrize(("name", "variable"), [("windSpeed", "wind_speed_ms"), ("windGust", "wind_gust_ms")])
def test_winds_of_the_recorded_grid_are_those_of_the_hours_in_the_interval(recorded, name, variable):
    found = read(recorded).hours[variable]
    expected = pd.Series(np.nan, index=found.index, name=variable)
    for begin, end, value in intervals(recorded, name):
        expected[(expected.index > begin) & (expected.index <= end)] = value / 3.6
    pd.testing.assert_series_equal(found, expected)


def test_the_recorded_grid_has_every_hour_and_says_where_it_ends(recorded):
    parsed = read(recorded, fetched_at=datetime(2022, 2, 4, 4, tzinfo=UTC))
    assert list(parsed.hours.index) == list(pd.date_range("2022-02-03T21:00Z", "2022-02-11T12:00Z", freq="h"))
    assert parsed.notes == (
        "Forecast issued 2022-02-04 03:15 UTC.",
        "precipitation_mm is forecast to 2022-02-10 12:00 UTC only.",
        "snowfall_depth_mm is forecast to 2022-02-08 00:00 UTC only.",
        "freezing_rain_mm is forecast to 2022-02-08 00:00 UTC only.",
        "visibility_km is forecast to 2022-02-05 09:00 UTC only.",
    )
    assert set(parsed.hours["present_weather"].dropna()) == {"", "-SHRA"}


# --- the place on the grid, and requests -------------------------------------------------------------------------


def yard(latitude_deg=43.7, longitude_deg=-70.25):
    return Yard("north", "North", latitude_deg, longitude_deg, 8.0, "America/New_York")


@pytest.mark.parametrize(
    ("latitude_deg", "longitude_deg", "asked"),
    [
        (43.70001, -70.25, "43.7,-70.25"),  # zeros at the end make the service send on
        (43.123456, -70.987654, "43.1235,-70.9877"),
        (30.0, -85.0, "30,-85"),
        (0.00001, -0.00001, "0,0"),
        (40.0, -100.0, "40,-100"),
    ],
)
def test_a_place_is_asked_for_with_four_decimals_at_most(latitude_deg, longitude_deg, asked):
    assert point_request(yard(latitude_deg, longitude_deg)).url == f"https://api.weather.gov/points/{asked}"


def test_the_answer_for_a_place_names_its_grid_and_stations():
    point = parse_point(body("point.json"))
    assert (point.grid_id, point.state, point.time_zone) == ("QXG", "ME", "America/New_York")
    assert point.grid_url == "https://api.weather.gov/gridpoints/QXG/70,61"
    assert point.stations_url == "https://api.weather.gov/gridpoints/QXG/70,61/stations"
    assert point.county_url == "https://api.weather.gov/zones/county/MEC999"


def test_state_and_county_may_be_missing():
    answer = json.loads(body("point.json"))
    del answer["properties"]["relativeLocation"], answer["properties"]["county"]
    point = parse_point(json.dumps(answer).encode())
    assert (point.state, point.county_url) == ("", "")


@pytest.mark.parametrize(
    ("changes", "complaint"),
    [
        ({"forecastGridData": None}, 'a text "forecastGridData", got nothing'),
        ({"observationStations": 7}, 'a text "observationStations", got 7'),
        ({"gridId": None}, 'a text "gridId"'),
        (
            {"forecastGridData": "https://elsewhere.example/grid"},
            "an address at https://api.weather.gov as forecastGrid",
        ),
    ],
)
def test_a_place_without_grid_or_stations_is_refused(changes, complaint):
    answer = json.loads(body("point.json"))
    answer["properties"] |= changes
    with pytest.raises(ProviderContractError, match=complaint):
        parse_point(json.dumps(answer).encode())


def test_a_place_outside_the_country_is_refused_in_the_service_s_words():
    with pytest.raises(ProviderContractError, match=r"Unable to provide data for requested point 54\.5,9\.8"):
        parse_point(body("problem_404.json"))


GRID = "https://api.weather.gov/gridpoints/QXG/70,61"


def test_one_request_brings_the_whole_forecast():
    now = datetime(2026, 1, 9, 15, 30, tzinfo=UTC)
    [request] = requests_for(yard(), now - timedelta(days=3), now + timedelta(days=3), now, grid_url=GRID)
    assert (request.url, request.params) == (GRID, {})
    assert request.headers == {"Accept": "application/geo+json"}


@pytest.mark.parametrize(("first_h", "last_h"), [(-48, -1), (-48, 0), (200, 300), (5, 5), (6, 5)])
def test_nothing_is_asked_of_hours_that_no_forecast_has(first_h, last_h):
    now = datetime(2026, 1, 9, 15, 30, tzinfo=UTC)
    span = now + timedelta(hours=first_h), now + timedelta(hours=last_h)
    assert requests_for(yard(), *span, now, grid_url=GRID) == []


def test_a_yard_without_a_place_on_the_grid_is_told_so():
    with pytest.raises(StormwalkError, match="its place on the Weather Service's grid is not known yet"):
        requests_for(yard(), FETCHED, FETCHED + timedelta(days=1), FETCHED, grid_url="")
