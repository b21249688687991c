"""Which services a yard asks, how their stations are found, and whom it believes."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import requests
import responses
from invented_yard import HOUR, YARD, metar, open_meteo

from monitor.errors import StormwalkError
from monitor.operations import fetching, sources
from monitor.operations.weather import import_weather, merged_weather, record_reading, refresh_weather, weekly_check
from monitor.operations.weather_status import weather_status
from monitor.settings import Settings
from monitor.store import register
from monitor.store import weather as store
from monitor.weather.providers import http, metar_archive, ncei_daily, nws_grid
from monitor.weather.providers.hand import reading
from monitor.weather.stations import iem_network_url

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2026, 1, 10, 12, 20, tzinfo=UTC)
FIRST = datetime(2026, 1, 10, 1, tzinfo=UTC)
NEW = replace(YARD, station="")
POINT_URL = "https://api.weather.gov/points/43.65,-70.25"
GRID_URL = "https://api.weather.gov/gridpoints/QXG/70,61"
NETWORK_URL = iem_network_url("ME_ASOS")


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch):
    patient = http.session
    monkeypatch.setattr(http, "session", lambda contact: patient(contact, backoff_factor_s=0, backoff_jitter_s=0))
    monkeypatch.setattr(fetching, "_TURNS", {})


def pull(conn, yard=NEW, now=NOW, **choices):
    register.save_yards(conn, [yard])
    return refresh_weather(conn, yard, lambda: now, Settings(), pause=lambda seconds: None, **choices)


def network():
    """The fixture's list of stations, with the daily station that the archive names beside the nearest one."""
    table = json.loads((FIXTURES / "stations" / "iem_network.json").read_bytes())
    table["data"][0]["ncei91"] = "USW00099999"
    return json.dumps(table).encode()


def services_of_the_us():
    """Every service that a yard in the United States asks, each with an answer."""
    responses.get(POINT_URL, body=(FIXTURES / "nws" / "point.json").read_bytes())
    responses.get(f"{GRID_URL}/stations", body=(FIXTURES / "stations" / "nws_stations.json").read_bytes())
    responses.get(NETWORK_URL, body=network())
    responses.get(GRID_URL, body=(FIXTURES / "nws" / "grid.json").read_bytes())
    responses.get(metar_archive.URL, body=metar(FIRST, 3))
    responses.get(
        "https://api.weather.gov/stations/KQXM/observations", body=b'{"type": "FeatureCollection", "features": []}'
    )
    responses.get(ncei_daily.URL, body=b"")


def asked():
    """Addresses of the requests that were made, oldest first."""
    return [call.request.url for call in responses.calls]


def uses(conn, yard):
    register.save_yards(conn, [yard])
    return [used.source for used in sources.used_sources(conn, yard)]


# --- what stormwalk chooses


@pytest.mark.parametrize(
    "time_zone, expected",
    [
        ("America/New_York", ["metar-archive", "nws-observations", "nws-grid", "ncei-daily"]),
        ("America/Puerto_Rico", ["metar-archive", "nws-observations", "nws-grid", "ncei-daily"]),
        ("Europe/Berlin", ["metar-archive", "bright-sky", "met-norway"]),
        ("America/Halifax", ["metar-archive", "met-norway"]),
        ("Europe/Oslo", ["metar-archive", "met-norway"]),
        ("UTC", ["metar-archive", "met-norway"]),
    ],
)
def test_sources_free_for_business_use_are_chosen_by_country(conn, time_zone, expected):
    assert uses(conn, replace(NEW, time_zone=time_zone)) == expected


def test_open_meteo_is_used_only_where_the_yard_states_its_plan(conn):
    assert "open-meteo" not in uses(conn, NEW)
    assert uses(conn, replace(NEW, open_meteo_plan="own_server"))[-3:] == [
        "open-meteo",
        "open-meteo-archive",
        "ncei-daily",
    ]


@responses.activate
def test_the_nearest_stations_are_found_in_the_services_own_lists_and_remembered(conn):
    services_of_the_us()
    reports = {report.source: report for report in pull(conn)}
    assert {source: report.good for source, report in reports.items()} == dict.fromkeys(
        ["metar-archive", "nws-observations", "nws-grid", "ncei-daily"], True
    )
    chosen = {used.source: used for used in sources.used_sources(conn, NEW)}
    assert {source: used.station for source, used in chosen.items()} == {
        "metar-archive": "QXM",
        "nws-observations": "KQXM",
        "nws-grid": "QXG/70,61",
        "ncei-daily": "USW00099999",
    }
    # QXM lies at 43.65 N 70.31 W, 0.06 degrees west of the yard: 0.06 x 111.195 km x cos(43.65) = 4.83 km; 14 - 4 m.
    assert sources.choice_text(chosen["metar-archive"]) == (
        "station QXM, NORTHPORT, 4.8 km away, 10 m higher; chosen by stormwalk"
    )
    assert sources.choice_text(chosen["nws-grid"]) == "grid cell QXG/70,61 of the yard's place; chosen by stormwalk"
    assert sources.choice_text(chosen["ncei-daily"]).startswith(
        "station USW00099999, the daily station listed with QXM"
    )
    lookups = [url for url in asked() if "/points/" in url or "/network/" in url]
    assert lookups == [POINT_URL, NETWORK_URL]  # each once, though two sources choose from them
    responses.calls.reset()
    pull(conn, now=NOW + HOUR)
    assert POINT_URL not in asked()
    assert NETWORK_URL not in asked()
    kept = conn.execute(
        "SELECT url, outcome FROM weather_fetches WHERE message LIKE 'Looked up%' ORDER BY id"
    ).fetchall()
    assert [tuple(row) for row in kept] == [
        (POINT_URL, "empty"),
        (NETWORK_URL, "empty"),
        (f"{GRID_URL}/stations", "empty"),
    ]
    assert store.raw_answer(conn, 1) == (FIXTURES / "nws" / "point.json").read_bytes()


@responses.activate
def test_status_explains_each_choice(conn):
    services_of_the_us()
    pull(conn)
    status = weather_status(conn, NEW, NOW)
    choices = {of["source"]: of["choice"] for of in status["sources"]}
    assert choices["metar-archive"] == {
        "station": "QXM",
        "chosen_by": "auto",
        "sentence": "station QXM, NORTHPORT, 4.8 km away, 10 m higher; chosen by stormwalk",
        "name": "NORTHPORT",
        "distance_km": pytest.approx(4.83, abs=0.01),
        "above_yard_m": 10.0,
    }
    assert all(of["terms"] and of["credit"] for of in status["sources"])


@responses.activate
def test_a_yard_that_moves_gets_stations_anew(conn):
    services_of_the_us()
    pull(conn)
    moved = replace(NEW, longitude_deg=-69.9, latitude_deg=43.9)
    register.save_yards(conn, [moved])
    assert [used.station for used in sources.used_sources(conn, moved)] == ["", "", "", ""]
    assert sources.used_sources(conn, NEW)[0].station == "QXM"


@responses.activate
def test_without_network_it_is_said_and_what_needs_no_lookup_goes_on(conn):
    yard = replace(NEW, time_zone="Europe/Berlin", latitude_deg=54.4, longitude_deg=10.2)
    responses.get(iem_network_url("DE__ASOS"), body=requests.exceptions.ConnectionError())
    responses.get(
        "https://api.brightsky.dev/weather", body=(FIXTURES / "bright_sky" / "storm_morning.json").read_bytes()
    )
    reports = {report.source: report for report in pull(conn, yard)}
    assert reports["metar-archive"].sentence == (
        "metar-archive: mesonet.agron.iastate.edu could not be reached (5 tries). Nothing was stored. The next pull "
        'tries again; "stormwalk weather status" shows how old the weather is.'
    )
    assert reports["bright-sky"].good
    responses.replace(responses.GET, iem_network_url("DE__ASOS"), body=b'{"data": []}')
    (report,) = pull(conn, yard, now=NOW + HOUR, source="metar-archive")
    assert report.sentence == (
        "metar-archive: its lists name no station within 100 km of yard north. It is not asked any more. Name one with "
        '"stormwalk weather sources --yard north --use metar-archive --station ID".'
    )
    assert "metar-archive" not in uses(conn, yard)  # so that the list is not fetched every hour
    assert weather_status(conn, yard, NOW)["without_station"] == ["metar-archive"]


# --- what a person chooses


def test_the_station_of_the_yards_entry_counts_before_a_lookup_and_a_persons_choice_before_both(conn):
    (used, *_) = sources.used_sources(conn, YARD)
    assert (used.station, used.chosen_by) == ("QXM", "register")
    said = sources.use_source(conn, YARD, "metar-archive", "QXN", NOW)
    assert said == (
        "Yard north uses metar-archive, station QXN. Public domain, free for business use; at most one request a "
        "second."
    )
    (used, *_) = sources.used_sources(conn, YARD)
    assert (used.station, used.chosen_by) == ("QXN", "person")
    assert sources.choice_text(used) == "station QXN; chosen by a person"


def test_a_service_is_dropped_used_and_left_to_stormwalk_again(conn):
    sources.drop_source(conn, YARD, "ncei-daily", NOW)
    sources.use_source(conn, YARD, "met-norway", "", NOW)
    assert uses(conn, YARD) == ["metar-archive", "nws-observations", "nws-grid", "met-norway"]
    sources.choose_again(conn, YARD, NOW)
    assert uses(conn, YARD) == ["metar-archive", "nws-observations", "nws-grid", "ncei-daily"]


@pytest.mark.parametrize("source", ["hand", "logger", "nonsense"])
def test_only_a_service_can_be_used_or_dropped(conn, source):
    refusal = f"'{source}' is no service that can be asked; expected one of open-meteo, open-meteo-archive, "
    with pytest.raises(StormwalkError, match=refusal):
        sources.use_source(conn, YARD, source, "", NOW)
    with pytest.raises(StormwalkError, match=refusal):
        sources.drop_source(conn, YARD, source, NOW)


def test_open_meteo_is_not_used_without_a_plan(conn):
    with pytest.raises(StormwalkError, match="Yard north has no Open-Meteo plan, which open-meteo needs"):
        sources.use_source(conn, YARD, "open-meteo", "", NOW)


# --- the weekly check


@responses.activate
def test_once_a_week_the_place_is_looked_up_and_the_days_are_fetched_again(conn):
    services_of_the_us()
    pull(conn)
    point = json.loads((FIXTURES / "nws" / "point.json").read_bytes())
    point["properties"]["forecastGridData"] = "https://api.weather.gov/gridpoints/QXG/71,61"
    responses.replace(responses.GET, POINT_URL, json=point)
    responses.calls.reset()
    reports = weekly_check(conn, NEW, lambda: NOW + 7 * 24 * HOUR, Settings(), pause=lambda seconds: None)
    assert [report.sentence for report in reports if report.source == "nws-grid"] == [
        "nws-grid: the yard's grid cell is now QXG/71,61."
    ]
    days = [call.request.url for call in responses.calls if call.request.url.startswith(ncei_daily.URL)]
    assert [("startDate=2025-12-18" in url, "startDate=2026-01-01" in url) for url in days] == [
        (True, False),
        (False, True),
    ]


# --- whom the yard believes


def test_an_observation_replaces_a_forecast_which_stays_in_the_database(conn):
    import_weather(conn, YARD, "open-meteo", open_meteo(FIRST, 3), "x.json", FIRST - 2 * HOUR)
    assert set(merged_weather(conn, YARD).sources["air_temperature_c"]) == {"open-meteo:forecast"}
    import_weather(conn, YARD, "metar-archive", metar(FIRST, 3), "x.csv", NOW)
    assert set(merged_weather(conn, YARD).sources["air_temperature_c"]) == {"metar-archive:observed"}
    assert set(merged_weather(conn, YARD, FIRST).sources["air_temperature_c"]) == {"open-meteo:forecast"}
    assert conn.execute("SELECT count(*) FROM weather_hours WHERE kind = 'forecast'").fetchone()[0] == 3


def test_a_yard_sets_whom_it_believes_in_general_and_for_one_variable(conn):
    logger = "hour_ending,air_temperature_c,wind_gust_ms\n2026-01-10 01:00,1.5,9\n"
    import_weather(conn, YARD, "logger", logger.encode(), "x.csv", NOW)
    import_weather(conn, YARD, "metar-archive", metar(FIRST, 1, gust="30.00", sknt="15.00"), "x.csv", NOW)

    def believed(known_at=None):
        row = merged_weather(conn, YARD, known_at).sources.iloc[0]
        return row["air_temperature_c"], row["wind_gust_ms"]

    assert believed() == ("logger:observed", "logger:observed")
    said = sources.set_order(conn, YARD, "metar-archive, logger", "wind_gust_ms", NOW)
    assert said.startswith("Yard north believes gust at 10 m of: metar-archive, logger, hand, nws-observations, ")
    assert believed() == ("logger:observed", "metar-archive:observed")
    sources.set_order(conn, YARD, "metar-archive", "", NOW + HOUR)
    assert believed() == ("metar-archive:observed", "metar-archive:observed")
    sources.set_order(conn, YARD, "usual", "", NOW + 2 * HOUR)
    assert believed() == ("logger:observed", "metar-archive:observed")
    assert believed(NOW) == ("logger:observed", "metar-archive:observed")  # the order that stood then
    assert weather_status(conn, YARD, NOW)["order"]["wind_gust_ms"][:2] == ["metar-archive", "logger"]


@pytest.mark.parametrize(
    "text, variable, sentence",
    [
        ("metar-archive,ncei-daily", "", "'ncei-daily' is no source of hours; expected some of hand, logger, "),
        ("hand,hand", "", "A source stands twice in 'hand,hand'."),
        ("hand", "gust", "'gust' is no variable; expected one of air_temperature_c, "),
    ],
)
def test_an_order_that_cannot_be_is_refused(conn, text, variable, sentence):
    with pytest.raises(StormwalkError, match=sentence):
        sources.set_order(conn, YARD, text, variable, NOW)
    assert sources.orders(conn, YARD) == (sources.SOURCE_ORDER, {})


# --- readings by hand


def read(conn, at, recorded_at=None, over_h=1, **texts):
    values = {name: reading(name, text) for name, text in texts.items()}
    return record_reading(conn, YARD, values, at=at, by="Ida", recorded_at=recorded_at or at, over_h=over_h)


def test_what_the_crew_measures_wins_over_station_and_model(conn):
    import_weather(conn, YARD, "metar-archive", metar(FIRST, 3, sknt="15.00", gust="30.00"), "x.csv", NOW)
    model = json.loads(open_meteo(FIRST, 3))
    model["hourly"]["snow_depth"], model["hourly_units"]["snow_depth"] = [0.5] * 3, "m"
    import_weather(conn, YARD, "open-meteo", json.dumps(model).encode(), "x.json", NOW)
    read(conn, FIRST + timedelta(minutes=20), NOW, snow_depth_m="6in", wind_gust_ms="45 mph")
    merged = merged_weather(conn, YARD)
    # 6 in = 0.1524 m, of the last full hour; 45 mph = 20.1168 m/s, of the hour in which it was read
    assert merged.values["snow_depth_m"].tolist() == [pytest.approx(0.1524), 0.5, 0.5]
    assert merged.sources["snow_depth_m"].iloc[0] == "hand:observed"
    assert merged.values["wind_gust_ms"].iloc[1] == pytest.approx(20.1168)
    assert merged.sources["wind_gust_ms"].tolist() == [
        "metar-archive:observed",
        "hand:observed",
        "metar-archive:observed",
    ]


def test_two_readings_in_an_hour_are_joined_and_of_the_same_quantity_the_newer_counts(conn):
    read(conn, FIRST, wind_gust_ms="20 m/s", precipitation_mm="4mm")
    read(conn, FIRST, FIRST + HOUR, snow_depth_m="15cm", precipitation_mm="5mm")
    values = merged_weather(conn, YARD).values.loc[FIRST]
    assert values.dropna().to_dict() == {"wind_gust_ms": 20.0, "snow_depth_m": 0.15, "precipitation_mm": 5.0}
    assert merged_weather(conn, YARD, FIRST).values.loc[FIRST].dropna().to_dict() == {
        "wind_gust_ms": 20.0,
        "precipitation_mm": 4.0,
    }
    assert b'"by": "Ida"' in store.raw_answer(conn, 1)


def test_what_a_gauge_collected_over_hours_is_divided_and_its_sum_kept(conn):
    read(conn, FIRST + 23 * HOUR, over_h=24, precipitation_mm="0.4in")
    water = merged_weather(conn, YARD).values["precipitation_mm"]
    assert len(water) == 24
    assert water.sum() == pytest.approx(10.16, abs=1e-9)  # 0.4 x 25.4
    assert (water.index[0], water.index[-1]) == (FIRST, FIRST + 23 * HOUR)


@pytest.mark.parametrize(
    "variable, text, sentence",
    [
        ("snow_depth_m", "6", "snow lying on the ground: 6 is not given with its unit"),
        ("snow_depth_m", "deep", "snow lying on the ground: deep is not a length such as"),
        ("wind_gust_ms", "450 mph", "gust at 10 m: 450 mph would be 201.168 m/s, which is not between 0 and 75."),
    ],
)
def test_a_reading_that_cannot_be_is_refused(variable, text, sentence):
    with pytest.raises(StormwalkError, match=sentence):
        reading(variable, text)


def test_the_grid_of_a_yard_is_asked_for_by_four_decimals():
    assert nws_grid.point_request(NEW).url == POINT_URL
