"""A weather service, a clock and a sender of our own making, for tests that let weeks pass in seconds."""

import json
from datetime import timedelta

from invented_yard import HOUR, WRAPPED, YARD, metar

from monitor.errors import ServiceUnavailableError
from monitor.operations.weather import FetchReport, import_weather

MINUTE = timedelta(minutes=1)

BEGIN = WRAPPED.replace(hour=12)
"""Noon UTC of the day on which the invented covers were wrapped: the service's first."""


def forecast_answer(first_hour_ending, count, **variables):
    """Open-Meteo's answer: quiet and cold, but for the ``variables`` given, each a number or a list of them."""
    quiet = {
        "temperature_2m": ("°C", -4.0),
        "dew_point_2m": ("°C", -6.0),
        "relative_humidity_2m": ("%", 86.0),
        "precipitation": ("mm", 0.0),
        "cloud_cover": ("%", 90.0),
        "wind_speed_10m": ("m/s", 3.0),
        "wind_gusts_10m": ("m/s", 5.0),
        "wind_direction_10m": ("°", 270.0),
    }
    hourly = {"time": [f"{first_hour_ending + number * HOUR:%Y-%m-%dT%H:%M}" for number in range(count)]}
    for name, (_, usual) in quiet.items():
        value = variables.get(name, usual)
        hourly[name] = value if isinstance(value, list) else [value] * count
    answer = {
        "latitude": YARD.latitude_deg,
        "longitude": YARD.longitude_deg,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "hourly_units": {"time": "iso8601", **{name: unit for name, (unit, _) in quiet.items()}},
        "hourly": hourly,
    }
    return json.dumps(answer).encode()


class Clock:
    """A clock that stands still until it is set."""

    def __init__(self, now):
        self.now = now

    def __call__(self):
        return self.now

    def advance(self, step):
        self.now += step


class People:
    """Keeps the messages it is given; refuses those that come while ``down``."""

    def __init__(self):
        self.got = []
        self.tried = 0
        self.down = False

    def has_address(self, yard_key):
        return True

    def send(self, message):
        self.tried += 1
        if self.down:
            raise ServiceUnavailableError("the mail server does not answer.")
        self.got.append(message)
        return "sent to 1 address"

    def titles(self):
        return [message.title for message in self.got]


class Airport:
    """An airport that reports each hour, and a forecast of as many hours more; ``weather`` is what each hour brings.

    ``weather(hour)`` gives METAR columns for the hour that ends then, ``forecast(hour)`` Open-Meteo's variables.
    """

    def __init__(self, weather=lambda hour: {}, forecast=None, days=3):
        self.weather = weather
        self.forecast = forecast
        self.days = days
        self.pulls = []
        self.down = lambda now: False

    def refresh(self, conn, yard, clock, settings):
        """What `refresh_weather` does, without a network."""
        now = clock()
        self.pulls.append((yard.key, now))
        if self.down(now):
            return [FetchReport("metar-archive", False, "metar-archive: the service did not answer (503).")]
        last = now.replace(minute=0, second=0, microsecond=0)
        count = self.days * 24
        first = last - (count - 1) * HOUR
        columns = {"sknt": {}, "tmpf": {}}
        for number in range(count):
            hour = first + number * HOUR
            lively = {"sknt": f"{4 + hour.hour % 2}.00", "tmpf": f"{25 + hour.hour % 2}.00"}
            for name, text in (lively | self.weather(hour)).items():
                columns.setdefault(name, {})[number] = text
        reports = [import_weather(conn, yard, "metar-archive", metar(first, count, **columns), "live.csv", now)]
        if self.forecast is not None:
            answer = forecast_answer(last + HOUR, 72, **self._series(last))
            reports.append(import_weather(conn, yard, "open-meteo", answer, "live.json", now))
        return reports

    def _series(self, last):
        hours = [last + number * HOUR for number in range(1, 73)]
        quiet = {"wind_speed_10m": 3.0, "wind_gusts_10m": 5.0, "precipitation": 0.0}
        return {name: [self.forecast(hour).get(name, value) for hour in hours] for name, value in quiet.items()}


def nothing(conn, yard, clock, settings):
    """A fetch of nothing."""
    return []


def plug_in(monkeypatch, airport):
    """Let the service ask the airport instead of the network."""
    monkeypatch.setattr("monitor.service.refresh_weather", airport.refresh)
    monkeypatch.setattr("monitor.service.recheck_weather", nothing)
    monkeypatch.setattr("monitor.service.weekly_check", nothing)
    monkeypatch.setattr("monitor.service.fetch_alerts", nothing)
