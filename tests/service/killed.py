"""A service in a process of its own that stops for good at one place: run by ``test_killed.py``, which kills it there.

Arguments: the database, the place, a file to make once it is reached, and a file for what is sent.
"""

import json
import sys
import time
from contextlib import closing
from pathlib import Path

from simulated_service import BEGIN, Airport, Clock

import monitor.operations.ranking
import monitor.service
import monitor.store.rankings
import monitor.store.service
import monitor.store.weather
from monitor.settings import Settings
from monitor.store.connection import connect
from monitor.store.service import only_scheduler

STORM_BEGINS_H = 20


class Outbox:
    """Sends into a file, one line a message; may stop before or after."""

    def __init__(self, file, stop=lambda place: None):
        self._file = Path(file)
        self._stop = stop

    def has_address(self, yard_key):
        return True

    def send(self, message):
        self._stop("before a notice is sent")
        with self._file.open("a") as out:
            out.write(json.dumps([message.key, message.title]) + "\n")
        self._stop("before it is noted that a notice was sent")
        return "sent to 1 address"


def make_airport():
    """An airport with a gale in its forecast."""
    gale = {"wind_speed_10m": 13.0, "wind_gusts_10m": 23.0}
    hours = range(STORM_BEGINS_H, STORM_BEGINS_H + 10)
    return Airport(forecast=lambda hour: gale if (hour - BEGIN).total_seconds() / 3600 in hours else {})


def make_service(path, outbox, now=BEGIN):
    """The service of a database at a fixed moment, fed by the airport."""
    monitor.service.refresh_weather = make_airport().refresh
    for name in ("recheck_weather", "weekly_check", "fetch_alerts"):
        setattr(monitor.service, name, lambda *_: [])
    return monitor.service.Service(Path(path), Settings(), outbox, Clock(now))


def main():
    path, place, reached, sent = sys.argv[1:]

    def stop(here):
        if here == place:
            Path(reached).touch()
            time.sleep(120)

    def stopping_insert(module, table, here):
        insert = module.insert

        def wrapped(conn, name, values):
            number = insert(conn, name, values)
            if name == table:
                stop(here)
            return number

        module.insert = wrapped

    service = make_service(path, Outbox(sent, stop))
    ask = monitor.service.refresh_weather

    def refresh(conn, yard, clock, settings):
        stop("before a pull")
        reports = ask(conn, yard, clock, settings)
        stop("after a pull")
        return reports

    monitor.service.refresh_weather = refresh
    stopping_insert(monitor.store.weather, "weather_fetches", "while an answer is stored")
    stopping_insert(monitor.store.rankings, "rankings", "while a ranking is kept")
    stopping_insert(monitor.store.service, "notices", "while a notice is made")
    with only_scheduler(Path(path)), closing(connect(path)):
        service.run_due()


if __name__ == "__main__":
    main()
