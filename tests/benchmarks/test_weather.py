"""An hour's pull for 200 yards from services on this machine, and the size of a season of one yard in the database.

Run with ``pytest --benchmark-only tests/benchmarks/test_weather.py``; an ordinary run skips these. The services are a
small server on 127.0.0.1 that answers at once, so the time is our own: the pauses that the real services want (a second
and more between two requests to one of them) come on top, and are counted in ``extra_info``.
"""

import json
import threading
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from time import perf_counter
from urllib.parse import parse_qs, urlsplit

import pytest
from invented_yard import HOUR, YARD, metar
from made_yard import START, made_covers

from monitor.operations import fetching
from monitor.operations.service import rank_and_watch
from monitor.operations.weather import merged_weather, refresh_weather
from monitor.settings import Settings
from monitor.store import rankings, register
from monitor.store import sources as source_store
from monitor.store.connection import connect
from monitor.store.sources import SourceChoice
from monitor.weather.providers import metar_archive, nws_observations

YARDS = 200
NOW = datetime(2026, 1, 10, 12, 20, tzinfo=UTC)
LAYERS = {
    "temperature": ("wmoUnit:degC", lambda hour: -5 + hour % 24 / 3),
    "dewpoint": ("wmoUnit:degC", lambda hour: -8 + hour % 24 / 4),
    "relativeHumidity": ("wmoUnit:percent", lambda hour: 70 + hour % 20),
    "windSpeed": ("wmoUnit:km_h-1", lambda hour: 10 + hour % 15),
    "windGust": ("wmoUnit:km_h-1", lambda hour: 20 + hour % 25),
    "windDirection": ("wmoUnit:degree_(angle)", lambda hour: hour * 10 % 360),
    "skyCover": ("wmoUnit:percent", lambda hour: hour * 7 % 100),
    "quantitativePrecipitation": ("wmoUnit:mm", lambda hour: hour % 9 / 10),
}


class Services(BaseHTTPRequestHandler):
    """The three services of a yard in the United States, whose answers change from hour to hour of ``now``."""

    now = NOW
    asked = 0

    def do_GET(self) -> None:
        type(self).asked += 1
        address = urlsplit(self.path)
        query = {name: values[0] for name, values in parse_qs(address.query).items()}
        if "asos.py" in address.path:
            begin, end = (datetime.fromisoformat(query[name]) for name in ("sts", "ets"))
            body = metar(begin.replace(minute=0) + HOUR, max(int((end - begin) / HOUR), 1))
        elif "observations" in address.path:
            body = observations(datetime.fromisoformat(query["start"]), datetime.fromisoformat(query["end"]))
        else:
            body = grid(self.now)
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *words: object) -> None:
        """Say nothing."""


def observations(begin, end):
    """A report seven minutes before each hour ends."""
    first = begin.replace(minute=53, second=0)
    times = [first + hour * HOUR for hour in range(int((end - first) / HOUR) + 1)]
    station = "https://api.weather.gov/stations/KQXM"
    features = [
        {
            "properties": {
                "station": station,
                "timestamp": at.isoformat(),
                "rawMessage": f"KQXM {at:%d%H%M}Z 270{8 + at.hour % 9:02}KT 10SM OVC020 M0{at.hour % 7}/M09 A2992 RMK "
                "AO2 SLP134",
            }
        }
        for at in times
        if at <= end
    ]
    return json.dumps({"type": "FeatureCollection", "features": features}).encode()


def grid(now):
    """A forecast of 156 hours, hour by hour, another one every hour."""
    issued = now.replace(minute=0)
    seed = int(issued.timestamp() / 3600)
    properties = {"updateTime": issued.isoformat()}
    for name, (unit, value) in LAYERS.items():
        values = [
            {"validTime": f"{(issued + hour * HOUR).isoformat()}/PT1H", "value": value(hour + seed)}
            for hour in range(156)
        ]
        properties[name] = {"uom": unit, "values": values}
    return json.dumps({"properties": properties}).encode()


@pytest.fixture
def services(monkeypatch):
    """The server, and the addresses of the services turned to it."""
    Services.now, Services.asked = NOW, 0
    server = ThreadingHTTPServer(("127.0.0.1", 0), Services)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    base = f"http://127.0.0.1:{server.server_port}"
    monkeypatch.setattr(metar_archive, "URL", f"{base}/asos.py")
    monkeypatch.setattr(nws_observations, "URL", f"{base}/stations/{{station}}/observations")
    monkeypatch.setattr(fetching, "_TURNS", {})
    yield base
    server.shutdown()
    server.server_close()
    thread.join()


def use_services(conn, yard, base):
    yard_id = register.add_yard(conn, yard)
    places = {
        "nws-grid": (True, "QXG/70,61", {"grid_url": f"{base}/gridpoints/QXG/70,61"}),
        "nws-observations": (True, "KQXM", {}),
        "ncei-daily": (False, "", {}),  # once a week
    }
    for source, (used, station, details) in places.items():
        source_store.choose_source(conn, yard_id, SourceChoice(source, used, station, details, "auto", NOW))


def size_mb(conn, path):
    conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path.stat().st_size / 1e6


class PassingTime:
    """The clock of the pauses: what was worked counts as it was, what was waited for as if it had been."""

    def __init__(self):
        self.waited_s = 0.0
        self.begin = perf_counter()

    def monotonic(self):
        return perf_counter() - self.begin + self.waited_s

    def wait(self, seconds):
        self.waited_s += seconds


def test_an_hour_of_200_yards_with_500_covers_each(benchmark, services, tmp_path, monkeypatch):
    """Pull, rank and look for storms, with the pauses that the real services want. Target: under 10 minutes.

    Measured on 10 of the yards; each costs the same. The archive is another host than the weather service.
    """
    measured, passing = 10, PassingTime()
    monkeypatch.setattr(metar_archive, "URL", services.replace("127.0.0.1", "localhost") + "/asos.py")
    monkeypatch.setattr(fetching.time, "monotonic", passing.monotonic)
    with closing(connect(tmp_path / "many.db", create=True)) as conn:
        yards = [replace(YARD, key=f"yard-{number}") for number in range(measured)]
        for yard in yards:
            use_services(conn, yard, services)
            register.save_covers(conn, yard.key, [replace(cover, id=None) for cover in made_covers(500)], START)

        def hour(number):
            Services.now = NOW + number * HOUR
            began = passing.monotonic()
            for yard in yards:
                refresh_weather(conn, yard, lambda: Services.now, Settings(), pause=passing.wait)
                rank_and_watch(conn, yard, Services.now)
            return passing.monotonic() - began

        hour(0)  # the first pull fetches the season
        before_s = passing.waited_s
        took_s = benchmark.pedantic(hour, (2,), rounds=1)
        assert len(rankings.rankings(conn, 1)) >= 1
    benchmark.extra_info.update(
        minutes_of_200_yards=round(took_s / measured * YARDS / 60, 1),
        paused_s_a_yard=round((passing.waited_s - before_s) / measured, 1),
    )


def test_an_hourly_pull_of_200_yards(benchmark, services, tmp_path):
    """Three services for each yard, all answered at once. Target: far less than an hour, pauses included."""
    waited = []
    with closing(connect(tmp_path / "many.db", create=True)) as conn:
        yards = [replace(YARD, key=f"yard-{number}") for number in range(YARDS)]
        for yard in yards:
            use_services(conn, yard, services)

        def pull(hour):
            Services.now = NOW + hour * HOUR
            return [
                report.good
                for yard in yards
                for report in refresh_weather(conn, yard, lambda: Services.now, Settings(), pause=waited.append)
            ]

        pull(0)  # the first pull of a yard is longer
        Services.asked = 0
        waited.clear()
        good = benchmark.pedantic(pull, (2,), rounds=1)
    seconds = benchmark.stats.stats.median
    benchmark.extra_info.update(
        yards=YARDS,
        requests=Services.asked,
        ms_a_yard=round(1000 * seconds / YARDS, 1),
        pauses_of_real_services_s=round(sum(waited)),
    )
    assert len(good) == Services.asked == 3 * YARDS  # station archive, station reports, forecast
    assert all(good)


def test_the_database_of_a_yard_after_a_season_of_hourly_pulls(benchmark, services, tmp_path):
    """Days of hourly pulls, of which a season of 180 is made. Target: less than 100 MB without photos."""
    days = 4
    path = tmp_path / "season.db"

    def pull_days(conn):
        for hour in range(24 * days):
            Services.now = NOW + hour * HOUR
            refresh_weather(conn, YARD, lambda: Services.now, Settings(), pause=lambda seconds: None)

    with closing(connect(path, create=True)) as conn:
        use_services(conn, YARD, services)
        refresh_weather(conn, YARD, lambda: NOW - HOUR, Settings(), pause=lambda seconds: None)
        before = size_mb(conn, path)
        benchmark.pedantic(pull_days, (conn,), rounds=1)
        mb_a_day = (size_mb(conn, path) - before) / days
        hours = len(merged_weather(conn, YARD, None, NOW - timedelta(days=1), NOW + timedelta(days=days)).values)
        by_table = {
            name: round(size / 1e6, 2)
            for name, size in conn.execute(
                "SELECT name, sum(pgsize) FROM dbstat GROUP BY name HAVING sum(pgsize) > 1e5"
            )
        }
    season_mb = mb_a_day * 180
    benchmark.extra_info.update(mb_a_day=round(mb_a_day, 3), mb_a_season=round(season_mb), mb_by_table=by_table)
    assert hours >= 24 * days
    assert season_mb < 100, f"{season_mb:.0f} MB: {by_table}"
