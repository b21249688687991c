"""Fetching weather: what is kept, what is refused, what is asked again, and how it reads back."""

import json
import logging
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from urllib.parse import parse_qs, urlsplit

import pytest
import requests
import responses
from invented_yard import COVERS, DAY, GALE, HOUR, QUIET, WRAPPED, YARD, in_hours, metar, open_meteo

from monitor.errors import StormwalkError
from monitor.operations import fetching
from monitor.operations.ranking import assess_yard
from monitor.operations.register import import_covers
from monitor.operations.sources import drop_source
from monitor.operations.weather import import_weather, merged_weather, refresh_weather
from monitor.operations.weather_status import hour_rows, weather_status
from monitor.settings import Settings
from monitor.store import register
from monitor.store import weather as store
from monitor.store.connection import connect
from monitor.weather.providers import PROVIDERS
from monitor.weather.providers.metar_archive import URL as METAR_URL
from monitor.weather.providers.open_meteo import CUSTOMER_URL, FREE_URL

NOW = datetime(2023, 11, 2, 12, 20, tzinfo=UTC)
BOTH = replace(YARD, open_meteo_plan="noncommercial")
MODEL_ALONE = replace(YARD, station="", open_meteo_plan="noncommercial")
KEY = "k3y-that-nobody-may-see"

FIRST = datetime(2023, 11, 1, 1, tzinfo=UTC)
"""First hour_ending of the answers below."""


@pytest.fixture(autouse=True)
def rested(monkeypatch):
    """No service was asked just now."""
    monkeypatch.setattr(fetching, "_TURNS", {})


def pull(conn, yard=YARD, *, now=NOW, settings=None, pause=lambda seconds: None, **choices):
    """A pull from the station and Open-Meteo's forecast alone, as far as the yard has them."""
    register.save_yards(conn, [yard])
    for source in ("nws-grid", "nws-observations", "ncei-daily", "open-meteo-archive"):
        drop_source(conn, yard, source, now)
    if not yard.station:
        drop_source(conn, yard, "metar-archive", now)
    return refresh_weather(conn, yard, lambda: now, settings or Settings(), pause=pause, **choices)


def asked():
    """Queries of the requests that were made, oldest first."""
    return [
        {name: of[0] for name, of in parse_qs(urlsplit(call.request.url).query).items()} for call in responses.calls
    ]


def spans_asked():
    return [(query["sts"], query["ets"]) for query in asked() if "sts" in query]


def fetches(conn):
    return conn.execute("SELECT id, source, outcome, message FROM weather_fetches ORDER BY id").fetchall()


def stored_hours(conn):
    return [tuple(row) for row in conn.execute("SELECT * FROM weather_hours ORDER BY fetch_id, hour_ending")]


def last_body(conn):
    return store.raw_answer(conn, fetches(conn)[-1]["id"])


# --- fetching


@responses.activate
def test_every_service_of_the_yard_is_asked_and_its_hours_are_kept(conn):
    responses.get(METAR_URL, body=metar(FIRST, 24))
    responses.get(FREE_URL, body=open_meteo(FIRST, 48, cloud_cover=40.0))
    reports = pull(conn, BOTH, start=FIRST - HOUR)
    assert [(report.source, report.good) for report in reports] == [("metar-archive", True), ("open-meteo", True)]
    assert reports[0].sentence == "metar-archive: 24 hours stored, 2023-11-01 01:00 to 2023-11-02 00:00 UTC."
    assert reports[1].sentence == "open-meteo: 48 hours stored, 2023-11-01 01:00 to 2023-11-03 00:00 UTC."
    merged = merged_weather(conn, BOTH)
    assert list(merged.sources["air_temperature_c"].unique()) == [
        "metar-archive:observed",  # what was measured stands before what was modelled
        "open-meteo:analysis",  # up to the moment of the fetch
        "open-meteo:forecast",  # and from there on
    ]
    assert (merged.sources["air_temperature_c"] == "open-meteo:analysis").sum() == 12


@responses.activate
def test_the_services_are_told_who_asks(conn):
    responses.get(METAR_URL, body=metar(FIRST, 3))
    pull(conn)
    assert responses.calls[0].request.headers["User-Agent"].endswith("(yard@example.org)")


@responses.activate
def test_the_same_hours_again_are_said_to_be_the_same(conn):
    responses.get(METAR_URL, body=metar(FIRST, 24))
    pull(conn, start=FIRST)
    before = stored_hours(conn)
    (report,) = pull(conn, start=FIRST, now=NOW + HOUR)
    assert report.good
    assert report.sentence == "metar-archive: the same hours as before, 2023-11-01 01:00 to 2023-11-02 00:00 UTC."
    assert stored_hours(conn) == before


@responses.activate
def test_an_answer_without_hours_is_no_failure(conn):
    responses.get(METAR_URL, body=metar(FIRST, 0))
    (report,) = pull(conn, start=FIRST)
    assert (report.good, report.sentence) == (True, "metar-archive: no hours in the answer.")
    assert fetches(conn)[0]["outcome"] == "empty"


@responses.activate
@pytest.mark.parametrize("failing, working", [(METAR_URL, FREE_URL), (FREE_URL, METAR_URL)])
def test_a_service_that_fails_never_stops_the_other(conn, failing, working):
    responses.get(failing, body=requests.exceptions.ConnectionError())
    responses.get(working, body=metar(FIRST, 24) if working == METAR_URL else open_meteo(FIRST, 24))
    reports = {report.good: report for report in pull(conn, BOTH, start=FIRST)}
    host = urlsplit(failing).hostname
    assert reports[False].sentence == (
        f"{reports[False].source}: {host} could not be reached (5 tries). Nothing was stored. The next pull tries "
        f'again; "stormwalk weather status" shows how old the weather is.'
    )
    assert {row["source"]: row["outcome"] for row in fetches(conn)} == {
        reports[False].source: "failed",
        reports[True].source: "stored",
    }
    assert len(stored_hours(conn)) == 24


@responses.activate
def test_a_service_that_refuses_is_quoted_and_recorded(conn):
    responses.get(FREE_URL, status=400, json={"error": True, "reason": "Latitude must be in range of -90 to 90°."})
    (report,) = pull(conn, MODEL_ALONE)
    assert report.sentence == (
        'open-meteo: api.open-meteo.com refused the request with 400: "Latitude must be in range of -90 to 90°." '
        "(1 try). Nothing was stored. Asking again will not help: check the yard's place, station, plan and contact."
    )
    (kept,) = fetches(conn)
    assert (kept["outcome"], f"open-meteo: {kept['message']}") == ("failed", report.sentence)


TROUBLE = " Nothing was read from this answer. If the next pull says the same, the service has changed and stormwalk "
TROUBLE += "needs an update."

BROKEN = {
    "Open-Meteo, another unit": (
        MODEL_ALONE,
        FREE_URL,
        open_meteo(FIRST, 3).replace(b'"\\u00b0C"', b'"deg"', 1),
        "open-meteo: Open-Meteo: expected temperature_2m in one of °C, c, °F, f, K, got 'deg'.",
    ),
    "Open-Meteo, no times": (
        MODEL_ALONE,
        FREE_URL,
        open_meteo(FIRST, 3).replace(b'"time": [', b'"hour": ['),
        'open-meteo: Open-Meteo: expected a list "time" in the block "hourly", got only cloud_cover, dew_point_2m, '
        "hour, precipitation, relative_humidity_2m, temperature_2m, wind_direction_10m, wind_gusts_10m, "
        "wind_speed_10m.",
    ),
    "Open-Meteo, cut off": (
        MODEL_ALONE,
        FREE_URL,
        open_meteo(FIRST, 3)[:200],
        "open-meteo: Open-Meteo: expected a whole JSON answer, got",
    ),
    "Open-Meteo, not JSON": (
        MODEL_ALONE,
        FREE_URL,
        b"upstream connect error",
        "open-meteo: Open-Meteo: expected a JSON answer, got text that is not JSON at character 0: "
        "'upstream connect error'.",
    ),
    "Open-Meteo, a web page": (
        MODEL_ALONE,
        FREE_URL,
        b"<!DOCTYPE html><title>Maintenance</title>",
        "open-meteo: Open-Meteo: expected a JSON answer, got a web page (HTML).",
    ),
    "METAR archive, a column gone": (
        YARD,
        METAR_URL,
        metar(FIRST, 3).replace(b"valid", b"when"),
        'metar-archive: METAR archive: expected a header with "station" and "valid", got',
    ),
    "METAR archive, a word for a number": (
        YARD,
        METAR_URL,
        metar(FIRST, 3, tmpf={1: "cold"}),
        "metar-archive: METAR archive: expected a number or M in line 3, column tmpf, got 'cold'.",
    ),
    "METAR archive, cut off": (
        YARD,
        METAR_URL,
        metar(FIRST, 3)[:-20],
        "metar-archive: METAR archive: expected whole lines, got an answer cut off in line 4.",
    ),
    "METAR archive, a web page": (
        YARD,
        METAR_URL,
        b"\n<html><body>Sorry</body></html>\n",
        "metar-archive: METAR archive: expected a table, got a web page (HTML).",
    ),
    "METAR archive, over capacity but with status 200": (
        YARD,
        METAR_URL,
        b"ERROR: server over capacity, please try later\n",
        'metar-archive: METAR archive: expected a header with "station" and "valid", got '
        "'ERROR: server over capacity, please try later'.",
    ),
}


@responses.activate
@pytest.mark.parametrize("yard, url, body, sentence", BROKEN.values(), ids=BROKEN)
def test_an_answer_in_another_shape_is_kept_as_it_came_and_no_hour_is_read_from_it(conn, yard, url, body, sentence):
    good = open_meteo(FIRST, 3) if url == FREE_URL else metar(FIRST, 3)
    responses.get(url, body=good)
    responses.get(url, body=body)
    pull(conn, yard, start=FIRST - HOUR)
    before = stored_hours(conn)
    (report,) = pull(conn, yard, start=FIRST - HOUR, now=NOW + HOUR)
    assert not report.good
    assert report.sentence.startswith(sentence)
    assert report.sentence.endswith(TROUBLE)
    assert stored_hours(conn) == before
    assert [row["outcome"] for row in fetches(conn)] == ["stored", "refused"]
    assert f"{report.source}: {fetches(conn)[-1]['message']}" == report.sentence
    assert last_body(conn) == body
    assert len(merged_weather(conn, yard).values) == 3


def test_a_yard_that_uses_no_service_is_told_how_to_begin(conn):
    with pytest.raises(StormwalkError) as refusal:
        pull(conn, replace(YARD, station=""))
    assert str(refusal.value) == (
        'Yard north uses no weather service. Nothing was fetched. Choose one with "stormwalk weather sources --yard '
        'north --auto" or "--use NAME", or import files with "stormwalk weather import".'
    )


def test_a_service_that_the_yard_does_not_use_is_not_asked(conn):
    with pytest.raises(StormwalkError) as refusal:
        pull(conn, source="open-meteo")
    assert str(refusal.value) == (
        "Yard north has no Open-Meteo plan, which open-meteo needs. Nothing was fetched. The free service is for "
        "non-commercial use only; a business needs a customer key or its own server. Set it with "
        '"stormwalk yard add north ...".'
    )


@responses.activate
def test_only_the_source_named_is_asked(conn):
    responses.get(FREE_URL, body=open_meteo(FIRST, 3))
    assert [report.source for report in pull(conn, BOTH, source="open-meteo")] == ["open-meteo"]


@responses.activate
@pytest.mark.parametrize(
    "plan, setting, missing, todo",
    [
        ("customer_key", "STORMWALK_OPEN_METEO_KEY", "no key was given", "Set the key"),
        ("own_server", "STORMWALK_OPEN_METEO_SERVER", "no address was given", "Set the server's address"),
    ],
)
def test_a_plan_without_its_setting_is_said_and_stops_no_other_service(conn, plan, setting, missing, todo):
    responses.get(METAR_URL, body=metar(FIRST, 3))
    station, model = pull(conn, replace(YARD, open_meteo_plan=plan), start=FIRST)
    assert station.good
    assert model.sentence == (
        f'open-meteo: Yard "North Basin": nothing was asked of Open-Meteo, for its plan is {plan}, and {missing}. '
        f"{todo}. It is read from {setting} in the environment."
    )
    assert [(row["source"], row["outcome"]) for row in fetches(conn)] == [
        ("metar-archive", "stored"),
        ("open-meteo", "failed"),
    ]


@responses.activate
def test_the_customer_key_is_sent_and_stands_nowhere_else(conn, path, caplog):
    caplog.set_level(logging.DEBUG)
    yard, settings = replace(MODEL_ALONE, open_meteo_plan="customer_key"), Settings(open_meteo_key=KEY)
    responses.get(CUSTOMER_URL, body=open_meteo(FIRST, 3))
    responses.get(CUSTOMER_URL, status=401, json={"error": True, "reason": f"The apikey {KEY} is not known."})
    responses.get(CUSTOMER_URL, body=requests.exceptions.ConnectTimeout(f"https://x/?apikey={KEY}"))
    reports = [report for hours in range(3) for report in pull(conn, yard, settings=settings, now=NOW + hours * HOUR)]
    assert [query["apikey"] for query in asked()] == [KEY] * 3
    assert [report.good for report in reports] == [True, False, False]
    said = " ".join(report.sentence for report in reports)
    assert KEY not in said + repr(settings) + caplog.text + json.dumps(weather_status(conn, yard, NOW))
    log = path.with_name(f"{path.name}-wal")
    assert KEY.encode() not in path.read_bytes() + (log.read_bytes() if log.exists() else b"")
    conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert KEY.encode() not in path.read_bytes()
    assert "The apikey *** is not known." in reports[1].sentence


# --- from when on


@responses.activate
def test_a_service_asked_for_the_first_time_is_asked_back_to_the_first_wrapping_month_by_month(conn):
    responses.get(METAR_URL, body=metar(WRAPPED + HOUR, 24))
    done = []
    pull(conn, now=datetime(2023, 12, 5, 9, 30, tzinfo=UTC), progress=lambda *step: done.append(step))
    assert spans_asked() == [  # the newest first: it is what the crew needs
        ("2023-12-01T00:01:00Z", "2023-12-05T09:31:00Z"),
        ("2023-11-01T00:01:00Z", "2023-12-01T00:01:00Z"),
        ("2023-10-20T04:01:00Z", "2023-11-01T00:01:00Z"),
    ]
    assert done == [("metar-archive", number, 3) for number in (1, 2, 3)]


@responses.activate
def test_a_yard_without_covers_begins_with_the_last_three_days(tmp_path):
    responses.get(METAR_URL, body=metar(FIRST, 3))
    with closing(connect(tmp_path / "new.db", create=True)) as conn:
        pull(conn)
    assert spans_asked()[-1][0] == "2023-10-30T12:01:00Z"


@responses.activate
def test_the_first_pull_of_a_day_asks_for_three_days_again_and_later_ones_for_some_hours(conn):
    responses.get(METAR_URL, body=metar(WRAPPED + HOUR, round((NOW - WRAPPED) / HOUR)))
    pull(conn)
    responses.calls.reset()
    pull(conn, now=NOW + HOUR)
    assert spans_asked() == [("2023-11-02T07:01:00Z", "2023-11-02T13:21:00Z")]
    responses.calls.reset()
    pull(conn, now=NOW + 12 * HOUR)  # twenty past midnight (UTC)
    assert spans_asked() == [
        ("2023-10-31T00:01:00Z", "2023-11-01T00:01:00Z"),
        ("2023-11-01T00:01:00Z", "2023-11-03T00:21:00Z"),
    ]


@responses.activate
def test_what_a_broken_off_first_pull_left_open_is_asked_for_by_the_next(conn):
    december = datetime(2023, 12, 1, tzinfo=UTC)
    late = datetime(2023, 12, 5, 9, 30, tzinfo=UTC)
    responses.get(METAR_URL, body=metar(december + HOUR, 105))
    responses.get(METAR_URL, status=404)
    assert [report.good for report in pull(conn, now=late)] == [True, False]
    responses.reset()
    responses.calls.reset()
    responses.get(METAR_URL, body=metar(datetime(2023, 11, 1, 1, tzinfo=UTC), 720))
    pull(conn, now=late + HOUR)
    assert spans_asked()[1:] == [
        ("2023-11-01T00:01:00Z", "2023-12-01T00:01:00Z"),
        ("2023-10-20T04:01:00Z", "2023-11-01T00:01:00Z"),
    ]


def killed(request):
    raise KeyboardInterrupt


@responses.activate
def test_pieces_that_are_kept_are_not_fetched_again_after_a_kill(conn):
    # As after "kill -9" in the middle of the second request: the first answer is whole in the database, no more.
    late = datetime(2023, 12, 5, 9, 30, tzinfo=UTC)
    responses.get(METAR_URL, body=metar(datetime(2023, 12, 1, 1, tzinfo=UTC), 105))
    responses.add_callback(responses.GET, METAR_URL, killed)
    with pytest.raises(KeyboardInterrupt):
        pull(conn, now=late)
    assert [row["outcome"] for row in fetches(conn)] == ["stored"]
    responses.reset()
    responses.get(METAR_URL, body=metar(datetime(2023, 11, 1, 1, tzinfo=UTC), 720))
    responses.calls.reset()
    pull(conn, now=late + HOUR)
    assert spans_asked()[1:] == [
        ("2023-11-01T00:01:00Z", "2023-12-01T00:01:00Z"),
        ("2023-10-20T04:01:00Z", "2023-11-01T00:01:00Z"),
    ]
    responses.calls.reset()
    pull(conn, now=late + 2 * HOUR)
    assert len(spans_asked()) == 1  # the last piece is always fetched


@responses.activate
def test_a_month_in_which_the_station_said_nothing_is_asked_for_once(conn):
    late = datetime(2023, 12, 5, 9, 30, tzinfo=UTC)
    responses.get(METAR_URL, body=metar(FIRST, 0))
    pull(conn, now=late)
    assert len(spans_asked()) == 3
    responses.calls.reset()
    pull(conn, now=late + HOUR)
    assert spans_asked() == [("2023-12-01T00:01:00Z", "2023-12-05T10:31:00Z")]


@responses.activate
def test_a_month_that_cannot_be_read_stops_no_other_and_is_asked_for_again_a_day_later(conn):
    late = datetime(2023, 12, 5, 9, 30, tzinfo=UTC)
    responses.get(METAR_URL, body=metar(datetime(2023, 12, 1, 1, tzinfo=UTC), 105))
    responses.get(METAR_URL, body=metar(FIRST, 3, tmpf="cold"))
    responses.get(METAR_URL, body=metar(WRAPPED + HOUR, 0))
    assert [report.good for report in pull(conn, now=late)] == [True, False, True]
    responses.calls.reset()
    pull(conn, now=late + HOUR)
    assert len(spans_asked()) == 1
    responses.calls.reset()
    pull(conn, now=late + 25 * HOUR)
    assert ("2023-11-01T00:01:00Z", "2023-12-01T00:01:00Z") in spans_asked()


@responses.activate
def test_hours_missed_while_nobody_pulled_are_caught_up(conn):
    responses.get(METAR_URL, body=metar(WRAPPED + HOUR, round((NOW - WRAPPED) / HOUR)))
    pull(conn)
    responses.calls.reset()
    pull(conn, now=NOW + 14 * DAY)
    assert spans_asked() == [("2023-11-02T12:01:00Z", "2023-11-16T12:21:00Z")]


@responses.activate
def test_a_cover_that_was_on_earlier_than_all_others_is_made_up_for(conn):
    responses.get(METAR_URL, body=metar(FIRST, 24))
    pull(conn)
    earlier = "\n".join([COVERS.splitlines()[0], COVERS.splitlines()[1].replace("2023-10-20", "2023-10-02")])
    import_covers(
        conn,
        YARD,
        earlier.replace("01,Plum,sail,9,3.0,stands,A,1", "09,Nut,sail,9,3,stands,B,1").encode(),
        "covers.csv",
        NOW + HOUR,
    )
    responses.calls.reset()
    pull(conn, now=NOW + 2 * HOUR)
    assert spans_asked()[-1] == ("2023-10-02T04:01:00Z", "2023-11-01T00:01:00Z")
    responses.calls.reset()
    pull(conn, now=NOW + 3 * HOUR)
    assert len(spans_asked()) == 1


@responses.activate
def test_a_file_imported_by_hand_does_not_count_as_having_asked(conn):
    import_weather(conn, YARD, "metar-archive", metar(FIRST, 24), "november.csv", NOW)
    responses.get(METAR_URL, body=metar(FIRST, 24))
    pull(conn)
    assert spans_asked()[-1][0] == "2023-10-20T04:01:00Z"


@responses.activate
def test_from_says_where_to_begin(conn):
    responses.get(METAR_URL, body=metar(FIRST, 3))
    pull(conn, start=datetime(2023, 11, 1, 5, 40, tzinfo=UTC))
    assert spans_asked() == [("2023-11-01T05:01:00Z", "2023-11-02T12:21:00Z")]


def test_hours_still_to_come_are_not_asked_for(conn):
    (report,) = pull(conn, start=NOW + DAY)
    assert not report.good
    assert report.sentence == (
        "metar-archive: it gives no hours from 2023-11-03 12:20 UTC on, because they are still to come or too long "
        "ago. Nothing was fetched. Choose another --from."
    )


@responses.activate
def test_requests_to_one_host_are_as_far_apart_as_it_wants_and_a_failure_ends_them(conn, monkeypatch):
    monkeypatch.setattr(fetching, "time", SimpleNamespace(monotonic=lambda: 100.0))  # a clock that stands still
    waited = []
    responses.get(METAR_URL, body=metar(FIRST, 3))
    responses.get(FREE_URL, body=open_meteo(FIRST, 3))
    december = datetime(2023, 12, 5, tzinfo=UTC)
    pull(conn, BOTH, now=december, start=WRAPPED, pause=waited.append)
    assert PROVIDERS["metar-archive"].pause_s >= 1  # the archive's own limit: one request a second and address
    assert PROVIDERS["ncei-daily"].pause_s >= 3
    assert waited == [1.0, 1.0]  # before the second and the third month; the other service at once
    pull(conn, BOTH, now=december, start=FIRST, source="metar-archive", pause=waited.append)
    assert len(waited) == 4  # the next pull waits for its turn too, whatever yard it is for
    responses.replace(responses.GET, METAR_URL, status=404)
    waited.clear()
    assert [report.good for report in pull(conn, now=december, start=WRAPPED, pause=waited.append)] == [False]
    assert len(waited) == 1


# --- how it reads back


def take(conn, content, *, source="metar-archive", fetched_at=NOW, **choices):
    report = import_weather(conn, YARD, source, content, "file.csv", fetched_at, **choices)
    assert report.good, report.sentence
    return report


def status_of(conn, source, now=NOW):
    (status,) = [status for status in weather_status(conn, YARD, now)["sources"] if status["source"] == source]
    return status


def test_a_gust_that_was_not_reported_is_not_missing(conn):
    take(conn, metar(FIRST, 24, sknt="20.00"))
    status = status_of(conn, "metar-archive")
    assert status["gust_none_reported_h"] == 24
    assert status["gaps"] == []
    merged = merged_weather(conn, YARD)
    assert merged.values["wind_gust_ms"].isna().all()
    assert merged.none_reported("wind_gust_ms").all()
    assert not merged.missing("wind_gust_ms").any()


def test_a_gust_that_was_not_reported_is_not_filled_by_a_model(conn):
    take(conn, metar(FIRST, 24))
    take(conn, open_meteo(FIRST, 24, wind_gusts_10m=30.0), source="open-meteo")
    assert merged_weather(conn, YARD).values["wind_gust_ms"].isna().all()


def test_the_hazard_estimates_a_gust_that_was_not_reported_from_the_mean_wind(conn):
    hours = round((NOW - WRAPPED) / HOUR)
    take(conn, metar(WRAPPED + HOUR, hours, sknt="20.00"))
    assessment = assess_yard(conn, YARD, as_of=NOW, known_at=NOW)
    (line,) = [line for line in assessment.ranked if line.boat == "01"]
    (gust,) = [reason for reason in line.reasons if reason.hazard == "gust"]
    # By hand: 20 kt = 10.289 m/s; no gust reported: x (1 + 2.1 / ln(10 / 0.03)) = 14.008 m/s; over open water
    # at 4 m (4 / 10)^0.115 = 0.89998 = 12.607 m/s; 0.613 V^2 = 97.43 Pa; from 270, bow 0: abeam, weight 1.
    assert gust.value == pytest.approx(97.43, abs=0.02)
    assert gust.missing_share == 0
    assert gust.note == "90° off the bow to port, gust estimated from mean wind"


def test_a_flagged_value_is_kept_flagged_and_not_used(conn):
    take(conn, metar(FIRST, 3, tmpf={1: "250.00"}))
    take(conn, open_meteo(FIRST, 3, temperature_2m=-3.5), source="open-meteo")
    (stored,) = conn.execute(
        "SELECT air_temperature_c FROM weather_hours WHERE hour_ending = '2023-11-01T02:00:00Z' AND kind = 'observed'"
    ).fetchone()
    assert stored == pytest.approx((250 - 32) / 1.8)
    row = hour_rows(conn, YARD, FIRST, FIRST + 2 * HOUR, NOW)[0]
    assert row["hour_ending"] == "2023-11-01T02:00:00Z"
    assert row["air_temperature_c"] == -3.5
    assert row["sources"]["air_temperature_c"] == "open-meteo:analysis"
    assert row["flags"]["air_temperature_c"] == "range@metar-archive:observed"
    by_source = {source["source"]: source for source in weather_status(conn, YARD, NOW)["sources"]}
    assert by_source["metar-archive"]["flags"]["air_temperature_c"] == {"range": 1}
    assert [gap for gap in by_source["metar-archive"]["gaps"] if gap["variable"] == "air_temperature_c"] == [
        {"variable": "air_temperature_c", "start": "2023-11-01T01:00:00Z", "end": "2023-11-01T02:00:00Z", "hours": 1}
    ]


def test_status_tells_how_new_how_complete_and_how_clean_each_source_is(conn):
    take(conn, metar(FIRST, 24, without=range(6, 9)))
    take(conn, open_meteo(FIRST, 48), source="open-meteo", fetched_at=NOW - HOUR)
    report = import_weather(conn, YARD, "metar-archive", b"nonsense", "bad.csv", NOW + HOUR)
    assert not report.good
    status = weather_status(conn, YARD, NOW + 2 * HOUR)
    assert json.loads(json.dumps(status, allow_nan=False)) == status
    assert (status["yard"], status["at"]) == ("north", "2023-11-02T14:20:00Z")
    station, model = [of for of in status["sources"] if of["hours"]]
    assert station["source"] == "metar-archive"
    assert station["first_hour"] == "2023-11-01T01:00:00Z"
    assert station["newest_hour"] == "2023-11-02T00:00:00Z"
    assert station["age_h"] == pytest.approx(14 + 20 / 60, abs=0.01)
    assert (station["hours"], station["kinds"]) == (21, {"observed": 21})
    assert station["gaps"] == [
        {"variable": name, "start": "2023-11-01T06:00:00Z", "end": "2023-11-01T09:00:00Z", "hours": 3}
        for name in ("air_temperature_c", "precipitation_mm", "wind_speed_ms", "wind_gust_ms")
    ]
    assert station["answers"] == {"stored": 1, "same": 0, "refused": 1, "empty": 0, "failed": 0}
    assert station["last_answer_at"] == "2023-11-02T12:20:00Z"
    assert station["last_trouble"]["at"] == "2023-11-02T13:20:00Z"
    assert station["last_trouble"]["outcome"] == "refused"
    assert station["last_trouble"]["message"].startswith("bad.csv: METAR archive: expected a header")
    assert "next pull" not in station["last_trouble"]["message"]  # no pull asks for a file again
    assert station["credit"] == PROVIDERS["metar-archive"].credit
    assert model["kinds"] == {"analysis": 35, "forecast": 13}
    assert model["newest_hour"] == "2023-11-02T11:00:00Z"  # a forecast is no news of the weather
    assert model["last_trouble"] is None


def test_status_of_a_yard_without_weather_says_what_it_will_ask(conn):
    status = weather_status(conn, YARD, NOW)
    assert [(of["source"], of["hours"], of["newest_hour"]) for of in status["sources"]] == [
        ("metar-archive", 0, None),
        ("nws-observations", 0, None),
        ("nws-grid", 0, None),
        ("ncei-daily", 0, None),
    ]
    assert status["sources"][0]["choice"]["sentence"] == "station QXM; entered for the yard"
    assert status["sources"][2]["choice"]["sentence"] == "grid cell not looked up yet; chosen by stormwalk"


def test_status_counts_what_is_known_of_the_last_day(conn):
    now = FIRST + 24 * HOUR + timedelta(minutes=20)  # the last 24 full hours are those ending 2 Nov 02:00 and before
    take(conn, metar(FIRST, 24, without=range(20, 22), **in_hours([22, 23], GALE)), fetched_at=now)
    coverage = status_of(conn, "metar-archive", now)["coverage"]
    # Hours 1 to 23 of the file and one that has not come: 24 = 2 gales + 19 without a gust + 2 left out + 1 to come.
    assert coverage["wind_gust_ms"] == {"of": 24, "known": 2, "none_reported": 19, "missing": 3}
    assert coverage["air_temperature_c"] == {"of": 24, "known": 21, "none_reported": 0, "missing": 3}
    assert weather_status(conn, YARD, now)["coverage"] == coverage


def test_hours_come_as_plain_rows_with_their_sources_and_flags(conn):
    take(conn, metar(FIRST, 4, **in_hours([1], GALE), wxcodes={1: "-SN BR"}, tmpf={2: "M"}))
    rows = hour_rows(conn, YARD, FIRST, FIRST + 2 * HOUR, NOW)  # after the first, up to and with the last
    assert json.loads(json.dumps(rows, allow_nan=False)) == rows
    assert [row["hour_ending"] for row in rows] == ["2023-11-01T02:00:00Z", "2023-11-01T03:00:00Z"]
    gale, next_hour = rows
    assert gale["wind_gust_ms"] == pytest.approx(45 * 1852 / 3600)
    assert gale["present_weather"] == "-SN BR"
    assert gale["sources"]["wind_gust_ms"] == "metar-archive:observed"
    assert "wind_gust_ms" not in gale["flags"]
    assert next_hour["air_temperature_c"] is None
    assert "air_temperature_c" not in next_hour["sources"]
    assert next_hour["wind_gust_ms"] is None
    assert next_hour["flags"] == {"wind_gust_ms": "none_reported"}
    assert next_hour["solar_wm2"] is None


def test_hours_read_as_they_were_known_at_a_moment(conn):
    take(conn, open_meteo(FIRST, 24, temperature_2m=-2.0), source="open-meteo", fetched_at=FIRST + 30 * HOUR)
    take(conn, open_meteo(FIRST, 24, temperature_2m=-9.0), source="open-meteo", fetched_at=FIRST + 40 * HOUR)
    take(conn, metar(FIRST, 24, tmpf="14.00"), fetched_at=FIRST + 50 * HOUR)

    def known(after_h):
        rows = hour_rows(conn, YARD, FIRST, FIRST + HOUR, FIRST + after_h * HOUR)
        return [(row["air_temperature_c"], row["sources"]["air_temperature_c"]) for row in rows]

    assert known(29) == []
    assert known(30) == [(-2.0, "open-meteo:analysis")]
    assert known(45) == [(-9.0, "open-meteo:analysis")]
    assert known(50) == [(pytest.approx(-10.0), "metar-archive:observed")]


def test_a_gap_stays_a_gap(conn):
    take(conn, metar(FIRST, 5, without=[2]))
    temperatures = [row["air_temperature_c"] for row in hour_rows(conn, YARD, FIRST - HOUR, FIRST + 4 * HOUR, NOW)]
    assert [temperature is None for temperature in temperatures] == [False, False, True, False, False]


# --- files


def test_a_file_that_cannot_be_read_is_kept_and_named(conn):
    body = metar(FIRST, 3).replace(b"270.00", b"west", 1)
    report = import_weather(conn, YARD, "metar-archive", body, "december.csv", NOW)
    assert not report.good
    assert report.sentence.startswith(
        "december.csv: METAR archive: expected a number or M in line 2, column drct, got 'west'."
    )
    assert stored_hours(conn) == []
    assert last_body(conn) == body


def test_one_station_is_taken_out_of_a_file_of_several(conn):
    other = metar(FIRST, 3, tmpf="50.00").replace(b"QXM", b"QZZ").partition(b"\n")[2]
    body = metar(FIRST, 3) + other
    report = import_weather(conn, YARD, "metar-archive", body, "both.csv", NOW)
    assert "expected one station, or to be told which to read, got 2: QXM, QZZ." in report.sentence
    take(conn, body, station="QZZ")
    assert merged_weather(conn, YARD).values["air_temperature_c"].tolist() == pytest.approx([10.0] * 3)


def test_the_yards_own_logger_stands_before_the_station(conn):
    take(conn, metar(FIRST, 2))
    logger = "hour_ending,air_temperature_c,wind_gust_mph\n2023-11-01 01:00,1.5,30\n2023-11-01 02:00,,22\n"
    take(conn, logger.encode(), source="logger")
    merged = merged_weather(conn, YARD)
    assert merged.sources["air_temperature_c"].tolist() == ["logger:observed", "metar-archive:observed"]
    assert merged.values["wind_gust_ms"].tolist() == pytest.approx([30 * 0.44704, 22 * 0.44704])
    assert merged.values["air_temperature_c"].tolist() == pytest.approx([1.5, (float(QUIET["tmpf"]) - 32) / 1.8])


def test_an_hour_that_had_not_ended_when_the_file_was_fetched_is_left_out(conn):
    report = take(conn, metar(FIRST, 24), fetched_at=FIRST + timedelta(hours=3, minutes=30))
    assert report.sentence == "file.csv: 4 hours stored, 2023-11-01 01:00 to 2023-11-01 04:00 UTC."
    assert report.notes == ("The last hour had not ended and was left out.",)


def test_missing_never_reads_as_calm(conn):
    take(conn, metar(FIRST, 3, sknt="M", drct="M"))
    rows = hour_rows(conn, YARD, FIRST - HOUR, FIRST + 2 * HOUR, NOW)
    assert [(row["wind_speed_ms"], row["wind_gust_ms"]) for row in rows] == [(None, None)] * 3
    assert not any("wind_speed_ms" in row["sources"] or "wind_gust_ms" in row["flags"] for row in rows)
    status = status_of(conn, "metar-archive")
    assert (status["gust_none_reported_h"], status["never_known"]) == (0, ["wind_speed_ms", "wind_gust_ms"])
