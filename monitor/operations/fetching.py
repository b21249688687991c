"""Asking the services: one request at a time, at the pace of each, never one that has just failed, only for news."""

import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from urllib.parse import urlsplit

import requests

from monitor.errors import ServiceUnavailableError
from monitor.store import weather as store
from monitor.weather.providers import PROVIDERS, Answer, Request, http

Clock = Callable[[], datetime]


@dataclass
class _Turn:
    """Whose turn it is at one host: the lock is held while it is asked; the last request came back at ``ended``."""

    lock: threading.Lock = field(default_factory=threading.Lock)
    ended: float | None = None


_TURNS: dict[str, _Turn] = {}
"""By host, for the whole process: the services count requests by address, not by yard."""


@dataclass
class Wire:
    """One run's line to the services, for one yard.

    A host that gives no answer at all is not asked again in the same run, and a source that is refused or answers with
    an error after all tries neither; others on the same host are.
    """

    contact: str
    clock: Clock
    pause: Callable[[float], None] = time.sleep
    _session: requests.Session | None = field(default=None, init=False)
    _out: dict[str, str] = field(default_factory=dict, init=False)

    def get(self, source: str, request: Request) -> Answer:
        """The answer to a request for one of ``PROVIDERS``, after its pause. Raises ServiceUnavailableError."""
        host = urlsplit(request.url).hostname or request.url
        for name in (host, source):
            if name in self._out:
                raise ServiceUnavailableError(f"not asked again, for it has just failed: {self._out[name]}")
        if self._session is None:
            self._session = http.session(self.contact)
        turn = _TURNS.setdefault(host, _Turn())
        with turn.lock:
            if turn.ended is not None and (wait_s := turn.ended + PROVIDERS[source].pause_s - time.monotonic()) > 0:
                self.pause(wait_s)
            try:
                return http.get(self._session, request, self.clock)
            except http.RefusedError as error:
                if error.status != 404:
                    self._out[source] = str(error)
                raise
            except ServiceUnavailableError as error:
                self._out[host] = str(error)
                raise
            finally:
                turn.ended = time.monotonic()


@dataclass(frozen=True)
class News:
    """What came of asking for news: ``answer`` as it came; with ``unchanged`` the kept answer that still holds.

    Without an answer the service was not asked: it wants the kept one to be used until ``until``.
    """

    answer: Answer | None
    unchanged: store.Fetch | None = None
    until: datetime | None = None


def news(conn: sqlite3.Connection, yard_id: int, source: str, wire: Wire, request: Request) -> News:
    """Ask for what is newer than the kept answer of the same address, if it is time. Raises ServiceUnavailableError."""
    before = store.newest_fetch(conn, yard_id, source, http.address(request))
    if before is None:
        return News(wire.get(source, request))
    saved = store.caching_headers(conn, before)
    until = http.holds_until(saved)
    if until is not None and before.fetched_at <= wire.clock() < until:
        return News(None, before, until)
    answer = wire.get(source, http.conditional(request, saved))
    return News(answer, before if answer.status == 304 else None)
