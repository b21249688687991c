"""What is in the database, and what the user is told, after each odd thing that a service can do."""

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import requests
import responses
from invented_yard import DAY, HOUR, YARD, metar, open_meteo

from monitor.errors import ServiceUnavailableError
from monitor.operations import fetching
from monitor.operations.sources import drop_source, use_source
from monitor.operations.weather import current_alerts, fetch_alerts, import_weather, merged_weather, refresh_weather
from monitor.settings import Settings
from monitor.store import register
from monitor.store import sources as source_store
from monitor.store import weather as store
from monitor.store.bulletins import read_days
from monitor.store.sources import SourceChoice
from monitor.weather.providers import bright_sky, http, met_norway, metar_archive, ncei_daily, nws_alerts, nws_grid
from monitor.weather.providers.open_meteo import FREE_URL

FIXTURES = Path(__file__).parents[2] / "fixtures" / "weather"
NOW = datetime(2026, 1, 10, 12, 20, tzinfo=UTC)
FIRST = datetime(2026, 1, 10, 1, tzinfo=UTC)
GRID_URL = "https://api.weather.gov/gridpoints/QXG/70,61"
OBSERVATIONS_URL = "https://api.weather.gov/stations/KQXM/observations"
SOURCES = ("metar-archive", "nws-grid", "nws-observations", "ncei-daily")

NEEDS_UPDATE = (
    "Nothing was read from this answer. If the next pull says the same, the service has changed and stormwalk needs an "
    "update."
)
TRIES_AGAIN = 'Nothing was stored. The next pull tries again; "stormwalk weather status" shows how old the weather is.'
CHECK_YARD = "Nothing was stored. Asking again will not help: check the yard's place, station, plan and contact."

PLACES = {
    "nws-grid": ("QXG/70,61", {"grid_url": GRID_URL, "state": "ME"}),
    "nws-observations": ("KQXM", {}),
    "ncei-daily": ("USW00099999", {}),
}


@pytest.fixture(autouse=True)
def no_waiting(monkeypatch):
    """No pause between the tries, and no service was asked just now."""
    patient = http.session
    monkeypatch.setattr(http, "session", lambda contact: patient(contact, backoff_factor_s=0, backoff_jitter_s=0))
    monkeypatch.setattr(fetching, "_TURNS", {})


def use_only(conn, source, yard=YARD):
    """Let the yard ask one service alone, its place known."""
    register.save_yards(conn, [yard])
    for other in (*SOURCES, "met-norway", "open-meteo", "open-meteo-archive", "bright-sky"):
        if other != source:
            drop_source(conn, yard, other, NOW)
    station, details = PLACES.get(source, ("", {}))
    choice = SourceChoice(source, True, station, details, "auto", NOW)
    source_store.choose_source(conn, register.yard_id(conn, yard.key), choice)


def pull(conn, source, yard=YARD, *, now=NOW, start=None):
    return refresh_weather(conn, yard, lambda: now, Settings(), source=source, start=start, pause=lambda seconds: None)


def fetches(conn):
    return [tuple(row) for row in conn.execute("SELECT source, outcome, status FROM weather_fetches ORDER BY id")]


def hours(conn):
    return conn.execute("SELECT count(*) FROM weather_hours").fetchone()[0]


def grid(**layers):
    """An answer of the Weather Service's grid with these layers: (unit, {valid time: value})."""
    properties = {"updateTime": "2026-01-10T11:00:00+00:00"}
    for name, (unit, values) in layers.items():
        properties[name] = {"uom": unit, "values": [{"validTime": at, "value": of} for at, of in values.items()]}
    return json.dumps({"properties": properties}).encode()


TEMPERATURE = ("wmoUnit:degC", {"2026-01-10T12:00:00+00:00/PT12H": -3.0})
GOOD_GRID = grid(temperature=TEMPERATURE)

MODEL = replace(YARD, open_meteo_plan="noncommercial")

# --- answers that are read, and what of them is known afterwards


def known(conn, variable, yard=YARD):
    """Every known value of a variable in the merged table, by hour_ending."""
    values = merged_weather(conn, yard).values
    return {} if variable not in values else values[variable].dropna().to_dict()


def of_open_meteo(times, **columns):
    units = {"temperature_2m": "°C", "precipitation": "mm", "wind_gusts_10m": "m/s", "snow_depth": "m"}
    return json.dumps(
        {
            "utc_offset_seconds": 0,
            "hourly_units": {"time": "iso8601", **{name: units[name] for name in columns}},
            "hourly": {"time": times, **columns},
        }
    ).encode()


THREE = ["2026-01-10T01:00", "2026-01-10T02:00", "2026-01-10T03:00"]

READ = {
    "null": (
        "open-meteo",
        of_open_meteo(THREE, temperature_2m=[-1.0, None, -3.0]),
        "air_temperature_c",
        {1: -1.0, 3: -3.0},
    ),
    "leading nulls": (
        "open-meteo",
        of_open_meteo(THREE, temperature_2m=[None, None, -3.0]),
        "air_temperature_c",
        {3: -3.0},
    ),
    "a gap": ("metar-archive", metar(FIRST, 3, without=[1], tmpf="32.00"), "air_temperature_c", {1: 0.0, 3: 0.0}),
    "rows twice and out of order": (
        "metar-archive",
        b"\n".join(
            [(lines := metar(FIRST, 3, tmpf="32.00").split(b"\n"))[0], lines[3], lines[1], lines[2], lines[1], b""]
        ),
        "air_temperature_c",
        {1: 0.0, 2: 0.0, 3: 0.0},
    ),
    "a list body": (
        "open-meteo",
        b"[" + of_open_meteo(THREE, temperature_2m=[-1.0, -2.0, -3.0]) + b"]",
        "air_temperature_c",
        {1: -1.0, 2: -2.0, 3: -3.0},
    ),
    "a changed unit that is known": (
        "nws-grid",
        grid(windGust=("unit:m_s-1", {"2026-01-10T12:00:00+00:00/PT1H": 20.0})),
        "wind_gust_ms",
        {13: 20.0},
    ),
    # 48 mm in one day and six hours: 30 hours of 1.6 mm
    "an interval of days": (
        "nws-grid",
        grid(quantitativePrecipitation=("wmoUnit:mm", {"2026-01-10T12:00:00+00:00/P1DT6H": 48.0})),
        "precipitation_mm",
        dict.fromkeys(range(13, 43), 1.6),
    ),
    "an empty layer": (
        "nws-grid",
        grid(temperature=TEMPERATURE, iceAccumulation=("wmoUnit:mm", {})),
        "freezing_rain_mm",
        {},
    ),
}


@responses.activate
@pytest.mark.parametrize("source, body, variable, expected", READ.values(), ids=READ)
def test_what_an_answer_tells_is_known_and_nothing_else(conn, source, body, variable, expected):
    yard = MODEL if source == "open-meteo" else YARD
    use_only(conn, source, yard)
    url = {"open-meteo": FREE_URL, "metar-archive": metar_archive.URL, "nws-grid": GRID_URL}[source]
    responses.get(url, body=body)
    (report,) = pull(conn, source, yard, start=FIRST - HOUR)
    assert report.good, report.sentence
    assert fetches(conn) == [(source, "stored", 200)]
    found = {(hour - FIRST) / HOUR + 1: value for hour, value in known(conn, variable, yard).items()}
    assert found == pytest.approx(expected)
    assert store.raw_answer(conn, 1) == body


DST = {
    # Clocks in New York are put forward at 2026-03-08 07:00 UTC and back at 2026-11-01 06:00 UTC.
    "spring": (datetime(2026, 3, 8, 5, tzinfo=UTC), ["00:00", "01:00", "02:00", "03:00"], -18000, "2026-03-08"),
    "autumn": (datetime(2026, 11, 1, 5, tzinfo=UTC), ["01:00", "02:00", "03:00", "04:00"], -14400, "2026-11-01"),
}


@pytest.mark.parametrize("first, texts, offset_s, day", DST.values(), ids=DST)
def test_a_clock_change_neither_loses_nor_doubles_an_hour(conn, first, texts, offset_s, day):
    # The service uses one offset for the whole answer: 02:00 on a morning that skips it is 07:00 UTC all the same.
    answer = json.loads(of_open_meteo([f"{day}T{text}" for text in texts], temperature_2m=[1.0, 2.0, 3.0, 4.0]))
    body = json.dumps(answer | {"utc_offset_seconds": offset_s}).encode()
    report = import_weather(conn, YARD, "open-meteo", body, "day.json", datetime(2026, 12, 1, tzinfo=UTC))
    assert report.good
    assert known(conn, "air_temperature_c") == {first + number * HOUR: number + 1.0 for number in range(4)}


def test_a_season_over_both_clock_changes_has_every_hour_once(conn):
    count = 24 * 200
    first = datetime(2025, 10, 1, 1, tzinfo=UTC)
    assert import_weather(conn, YARD, "metar-archive", metar(first, count), "season.csv", NOW + 200 * DAY).good
    index = merged_weather(conn, YARD).values.index
    assert len(index) == count
    assert index.is_unique
    assert (index[1:] - index[:-1]).unique().tolist() == [HOUR]


# --- answers that are refused

HTML = b"<!DOCTYPE html><title>Maintenance</title>"

REFUSED = {
    "unknown unit": (
        "nws-grid",
        GRID_URL,
        grid(temperature=("wmoUnit:degR", {"2026-01-10T12:00:00+00:00/PT1H": 5.0})),
        "nws-grid: Weather Service grid: expected temperature in one of degC, degF, K, got 'wmoUnit:degR'. "
        f"{NEEDS_UPDATE}",
    ),
    "HTML instead of JSON": (
        "nws-grid",
        GRID_URL,
        HTML,
        f"nws-grid: Weather Service grid: expected a JSON answer, got a web page (HTML). {NEEDS_UPDATE}",
    ),
    "a cut-off body": (
        "met-norway",
        met_norway.URL,
        (FIXTURES / "met_norway" / "winter_night.json").read_bytes()[:300],
        f"met-norway: MET Norway: expected a whole JSON answer, got one cut off after 300 characters. {NEEDS_UPDATE}",
    ),
    "intervals that overlap": (
        "nws-grid",
        GRID_URL,
        grid(
            quantitativePrecipitation=(
                "wmoUnit:mm",
                {"2026-01-10T12:00:00+00:00/PT6H": 6.0, "2026-01-10T15:00:00+00:00/PT6H": 6.0},
            )
        ),
        "nws-grid: Weather Service grid: expected intervals of quantitativePrecipitation one after another, got one "
        f"from 2026-01-10 15:00Z inside the one from 2026-01-10 12:00Z. {NEEDS_UPDATE}",
    ),
    "an hour twice": (
        "open-meteo",
        FREE_URL,
        of_open_meteo([THREE[0], THREE[0]], temperature_2m=[1.0, 2.0]),
        f"open-meteo: Open-Meteo: expected every hour once, got 2026-01-10 01:00Z twice. {NEEDS_UPDATE}",
    ),
    "nested too deeply": (
        "open-meteo",
        FREE_URL,
        b"[" * 200_000,
        None,
    ),
    "Bright Sky in K and J": (
        "bright-sky",
        bright_sky.URL,
        (FIXTURES / "bright_sky" / "si_units.json").read_bytes(),
        None,
    ),
    "HTML instead of days": (
        "ncei-daily",
        ncei_daily.URL,
        HTML,
        "ncei-daily: NCEI daily summaries: expected JSON or a table, got a web page (HTML), which is how a wrong "
        f"station or date is answered. {NEEDS_UPDATE}",
    ),
}


@responses.activate
@pytest.mark.parametrize("source, url, body, sentence", REFUSED.values(), ids=REFUSED)
def test_an_answer_that_cannot_be_read_is_kept_and_nothing_is_read_from_it(conn, source, url, body, sentence):
    yard = MODEL if source == "open-meteo" else YARD
    use_only(conn, source, yard)
    responses.get(url, body=body)
    report, *more = pull(conn, source, yard, start=NOW - 2 * HOUR)
    assert (report.good, more) == (False, [])
    assert sentence is None or report.sentence == sentence
    assert NEEDS_UPDATE in report.sentence
    assert fetches(conn) == [(source, "refused", 200)]
    assert (hours(conn), read_days(conn, 1)) == (0, [])
    assert store.raw_answer(conn, 1) == body


@responses.activate
def test_an_answer_at_which_stormwalk_itself_fails_is_kept_and_the_failure_is_not_hidden(conn, monkeypatch):
    use_only(conn, "nws-grid")
    responses.get(GRID_URL, body=GOOD_GRID)
    monkeypatch.setattr(nws_grid, "_layer", lambda properties, name: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        pull(conn, "nws-grid")
    assert fetches(conn) == [("nws-grid", "refused", 200)]
    assert store.raw_answer(conn, 1) == GOOD_GRID
    (log,) = store.fetch_log(conn, 1)
    assert log.last_trouble.message == (
        "stormwalk itself failed to read this answer. It is kept; please report it with the answer."
    )


# --- services that refuse, fail, or are slow

STATUS = {
    400: (
        {"json": {"title": "Bad Request", "detail": "Parameter 'x' is not recognized", "status": 400}},
        "api.weather.gov refused the request with 400: \"Parameter 'x' is not recognized\" (1 try). " + CHECK_YARD,
        1,
    ),
    403: ({"body": "Forbidden"}, f'api.weather.gov refused the request with 403: "Forbidden" (1 try). {CHECK_YARD}', 1),
    503: (
        {"json": {"title": "ForecastGridExpired", "detail": "issued long ago and has expired", "status": 503}},
        f'api.weather.gov answered 503: "issued long ago and has expired" (5 tries). {TRIES_AGAIN}',
        5,
    ),
}


@responses.activate
@pytest.mark.parametrize("status", STATUS)
def test_a_service_that_refuses_or_stays_down_is_recorded_and_what_was_known_stays(conn, status):
    answer, sentence, tries = STATUS[status]
    use_only(conn, "nws-grid")
    responses.get(GRID_URL, body=GOOD_GRID)
    pull(conn, "nws-grid", now=NOW - HOUR)
    before = known(conn, "air_temperature_c")
    responses.replace(responses.GET, GRID_URL, status=status, **answer)
    responses.calls.reset()
    (report,) = pull(conn, "nws-grid")
    assert (report.good, report.sentence) == (False, f"nws-grid: {sentence}")
    assert len(responses.calls) == tries
    assert fetches(conn) == [("nws-grid", "stored", 200), ("nws-grid", "failed", None)]
    assert known(conn, "air_temperature_c") == before
    (log,) = store.fetch_log(conn, 1)
    assert (log.last_trouble.message, log.last_trouble.url) == (sentence, GRID_URL)


@responses.activate
@pytest.mark.parametrize(
    "passing",
    [
        {"status": 500, "json": {"title": "UnexpectedProblem", "status": 500}},
        {"status": 429, "headers": {"Retry-After": "0"}, "body": "Too many"},
    ],
    ids=["500 that passes", "429 with Retry-After"],
)
def test_what_passes_is_tried_again_and_leaves_no_trace(conn, passing):
    use_only(conn, "nws-grid")
    responses.get(GRID_URL, **passing)
    responses.get(GRID_URL, body=GOOD_GRID)
    (report,) = pull(conn, "nws-grid")
    assert report.sentence == "nws-grid: 12 hours stored, 2026-01-10 12:00 to 2026-01-10 23:00 UTC."
    assert len(responses.calls) == 2
    assert fetches(conn) == [("nws-grid", "stored", 200)]


@responses.activate
def test_a_404_of_the_grid_has_the_place_looked_up_again_once(conn):
    use_only(conn, "nws-grid")
    moved = GRID_URL.replace("70,61", "71,61")
    point = json.loads((FIXTURES / "nws" / "point.json").read_bytes())
    point["properties"]["forecastGridData"] = moved
    responses.get("https://api.weather.gov/points/43.65,-70.25", json=point)
    responses.get(GRID_URL, status=404, json={"title": "Not Found", "status": 404})
    responses.get(moved, body=GOOD_GRID)
    (report,) = pull(conn, "nws-grid")
    assert report.good
    assert fetches(conn) == [("nws-grid", "empty", 200), ("nws-grid", "stored", 200)]  # the lookup is kept too
    responses.calls.reset()
    pull(conn, "nws-grid", now=NOW + HOUR)
    assert [call.request.url for call in responses.calls] == [moved]


@responses.activate
def test_a_404_that_stays_is_said_and_ends_the_matter(conn):
    use_only(conn, "nws-grid")
    responses.get("https://api.weather.gov/points/43.65,-70.25", body=(FIXTURES / "nws" / "point.json").read_bytes())
    responses.get(GRID_URL, status=404, json={"title": "Not Found", "status": 404})
    (report,) = pull(conn, "nws-grid")
    assert report.sentence == (
        f'nws-grid: api.weather.gov refused the request with 404: "Not Found" (1 try). {CHECK_YARD}'
    )
    assert len(responses.calls) == 2


@responses.activate
def test_a_host_that_does_not_answer_is_asked_once_in_a_pull_and_the_others_go_on(conn):
    for source in ("nws-grid", "nws-observations", "ncei-daily"):
        station, details = PLACES[source]
        choice = SourceChoice(source, True, station, details, "auto", NOW)
        source_store.choose_source(conn, 1, choice)
    responses.get(GRID_URL, body=requests.exceptions.ConnectionError())
    responses.get(OBSERVATIONS_URL, body=requests.exceptions.ConnectionError())
    responses.get(metar_archive.URL, body=metar(FIRST, 3))
    responses.get(ncei_daily.URL, body=b"")
    reports = {}
    for report in refresh_weather(conn, YARD, lambda: NOW, Settings(), pause=lambda seconds: None):
        reports.setdefault(report.source, report)
    assert {source: report.good for source, report in reports.items()} == {
        "metar-archive": True,
        "nws-observations": False,
        "nws-grid": False,
        "ncei-daily": True,
    }
    down = f"api.weather.gov could not be reached (5 tries). {TRIES_AGAIN}"
    assert reports["nws-observations"].sentence == f"nws-observations: {down}"
    assert reports["nws-grid"].sentence == f"nws-grid: not asked again, for it has just failed: {down}"
    assert sum("api.weather.gov" in call.request.url for call in responses.calls) == 1


# --- 304, Expires


@responses.activate
@pytest.mark.parametrize("source, url", [("nws-grid", GRID_URL), ("met-norway", met_norway.URL)])
def test_before_an_answer_expires_nothing_is_asked_and_after_it_only_for_news(conn, source, url):
    use_only(conn, source)
    body = GOOD_GRID if source == "nws-grid" else (FIXTURES / "met_norway" / "winter_night.json").read_bytes()
    first = {
        "Expires": "Sat, 10 Jan 2026 12:50:00 GMT",
        "Last-Modified": "Sat, 10 Jan 2026 12:10:00 GMT",
        "ETag": '"a"',
    }
    responses.get(url, body=body, headers=first)
    assert pull(conn, source)[0].good
    before = known(conn, "air_temperature_c")
    (waits,) = pull(conn, source, now=NOW + timedelta(minutes=29))
    assert (waits.good, waits.sentence) == (True, f"{source}: its last answer holds until 2026-01-10 12:50 UTC.")
    assert len(responses.calls) == 1
    responses.reset()
    responses.get(url, status=304, headers={"Expires": "Sat, 10 Jan 2026 13:50:00 GMT"})
    (same,) = pull(conn, source, now=NOW + timedelta(minutes=30))
    assert (same.good, same.sentence) == (True, f"{source}: unchanged since the last answer.")
    asked = responses.calls[-1].request.headers
    assert (asked["If-Modified-Since"], asked["If-None-Match"]) == ("Sat, 10 Jan 2026 12:10:00 GMT", '"a"')
    assert fetches(conn) == [(source, "stored", 200), (source, "same", 304)]
    assert known(conn, "air_temperature_c") == before
    pull(conn, source, now=NOW + timedelta(minutes=60))
    assert len(responses.calls) == 1  # the 304 has put the expiry off
    pull(conn, source, now=NOW + timedelta(minutes=91))
    assert responses.calls[-1].request.headers["If-Modified-Since"] == "Sat, 10 Jan 2026 12:10:00 GMT"
    (stored,) = store.read_hours(conn, 1)
    assert stored.fetched_at.iloc[-1] == NOW + timedelta(minutes=91)


# --- alerts and days


@responses.activate
def test_alerts_are_told_until_they_end_or_an_answer_has_them_no_more(conn):
    use_only(conn, "nws-grid")
    body = (FIXTURES / "nws" / "alerts.json").read_bytes()
    expected = sorted(nws_alerts.parse_alerts(body), key=lambda alert: alert.ends)
    asked_at, first_end = expected[0].ends - 2 * HOUR, expected[0].ends

    def fetch(now):
        (report,) = fetch_alerts(conn, YARD, lambda: now, Settings(), pause=lambda seconds: None)
        return report

    def told(now):
        return {(alert.event, alert.onset, alert.ends) for alert in current_alerts(conn, YARD, now)}

    every = {(alert.event, alert.onset, alert.ends) for alert in expected}
    responses.get(nws_alerts.URL, body=body)
    assert fetch(asked_at).sentence == f"nws-grid: {len(expected)} alerts are in force."
    assert told(asked_at) == every
    assert told(first_end) == {alert for alert in every if alert[2] > first_end} != every
    assert told(expected[-1].ends) == set()
    assert told(asked_at - HOUR) == set()  # not known then
    responses.replace(responses.GET, nws_alerts.URL, body=(FIXTURES / "nws" / "no_alerts.json").read_bytes())
    assert fetch(asked_at + HOUR).sentence == "nws-grid: no alert is in force."
    assert told(asked_at + HOUR) == set()
    assert told(asked_at + timedelta(minutes=59)) == every


def test_no_alert_is_asked_for_outside_the_united_states(conn):
    abroad = replace(YARD, time_zone="Europe/Berlin")
    assert fetch_alerts(conn, abroad, lambda: NOW, Settings()) == []


@responses.activate
def test_measured_days_are_fetched_once_a_week_and_the_newest_answer_counts(conn):
    use_only(conn, "ncei-daily")
    body = (FIXTURES / "ncei" / "days_metric.json").read_bytes()
    station = json.loads(body)[0]["STATION"]
    use_source(conn, YARD, "ncei-daily", station, NOW)
    responses.get(ncei_daily.URL, body=body)
    assert pull(conn, "ncei-daily")[0].good
    days = read_days(conn, 1)
    assert len(days) == len(json.loads(body))
    asked = len(responses.calls)
    assert pull(conn, "ncei-daily", now=NOW + 6 * DAY) == []
    assert len(responses.calls) == asked
    revised = json.loads(body)
    revised[0]["PRCP"] = " 99.9"
    responses.replace(responses.GET, ncei_daily.URL, json=revised)
    pull(conn, "ncei-daily", now=NOW + 7 * DAY)
    assert read_days(conn, 1)[0].measured["precipitation_mm"] == 99.9
    assert read_days(conn, 1, NOW + DAY) == days  # as it was known then
    assert hours(conn) == 0


def test_a_failure_to_reach_a_service_carries_no_status():
    assert not hasattr(ServiceUnavailableError("x"), "status")
    assert http.RefusedError("x", 404).status == 404


def test_open_meteo_of_a_model_without_showers_knows_its_rain(conn):
    body = json.loads(open_meteo(FIRST, 3, precipitation=2.0))
    body["hourly"] |= {"rain": [2.0] * 3, "showers": [None] * 3}
    body["hourly_units"] |= {"rain": "mm", "showers": "mm"}
    assert import_weather(conn, YARD, "open-meteo", json.dumps(body).encode(), "x.json", NOW).good
    assert list(known(conn, "rain_mm").values()) == [2.0] * 3
