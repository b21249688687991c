"""Live pages, read-only: the yard as the database knows it now, made anew when something changed, kept until then.

The app knows no page by itself: it is given a `Renderer`, so that nothing here depends on how pages look.
"""

import hashlib
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Protocol
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.datastructures import MutableHeaders
from starlette.middleware import Middleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.assessment import YardAssessment
from monitor.errors import StormwalkError
from monitor.operations.ranking import assess_yard, with_hours_of
from monitor.register import Yard
from monitor.service import TIDY, JobState, job_names
from monitor.store import register as register_store
from monitor.store.connection import connect_read_only
from monitor.store.service import newest_entries

LONGEST_KEPT = timedelta(minutes=10)
"""A page is made anew after this even where nothing was stored: the age of its data and the days unseen go on."""

INDEX = "index.html"

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
"""On every answer. Plotly needs inline styles; no script stands in a page."""

CONTENT_TYPES = {".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8"}

Clock = Callable[[], datetime]


class Renderer(Protocol):
    """Makes pages. ``static`` is the folder of the addresses of style, script and library, ending in a slash."""

    def static_files(self) -> Mapping[str, bytes]:
        """Style, script and library by file name."""

    def page_names(self, assessment: YardAssessment) -> Mapping[str, int]:
        """The cover's id by the file name of its page."""

    def yard_page(self, assessment: YardAssessment, name: str, static: str, jobs: list[JobState]) -> str | None:
        """HTML of a page on the whole yard by its file name, ``index.html`` first; None where there is none."""

    def cover_page(self, assessment: YardAssessment, cover_id: int, static: str, jobs: list[JobState]) -> str:
        """HTML of one cover's page; the assessment has the hours of that cover."""

    def list_page(self, yards: list[Yard], static: str) -> str:
        """HTML of the list of yards."""

    def trouble_page(self, title: str, sentence: str, static: str) -> str:
        """HTML of a page that says why there is no other."""


@dataclass
class _Kept:
    """The pages of one yard as of one moment; made when first asked for."""

    state: tuple[object, ...]
    assessment: YardAssessment
    jobs: list[JobState]
    pages: dict[str, bytes] = field(default_factory=dict)


class Pages:
    """Pages of the yards of one database, kept until something of the yard changed; safe for several threads."""

    def __init__(self, database: Path, render: Renderer, states: Callable[[str], list[JobState]], clock: Clock) -> None:
        self._database = database
        self._render = render
        self._states = states
        self._clock = clock
        self._kept: dict[str, _Kept] = {}
        self._making: dict[str, threading.Lock] = {}
        self._lock = threading.Lock()
        files = render.static_files()
        digest = hashlib.sha256(b"".join(files[name] for name in sorted(files))).hexdigest()[:12]
        self.files = files
        self.static = f"/static/{digest}/"

    def yards(self) -> list[Yard]:
        """The yards there are."""
        with self._reading() as conn:
            return register_store.yards(conn)

    def list_page(self) -> str:
        """The list of yards."""
        return self._render.list_page(self.yards(), self.static)

    def trouble_page(self, title: str, sentence: str) -> str:
        """A page that says why there is no other."""
        return self._render.trouble_page(title, sentence, self.static)

    def page(self, yard_key: str, name: str) -> bytes | None:
        """A yard's page by its file name; None where there is none. Raises StormwalkError where it cannot be made."""
        with self._lock:
            making = self._making.setdefault(yard_key, threading.Lock())
        with making, self._reading() as conn:  # one at a time: two visitors at once do not work out the same twice
            yard = register_store.yard(conn, yard_key)
            now = self._clock()
            kept = self._kept.get(yard_key)
            state = newest_entries(conn, register_store.yard_id(conn, yard_key), [*job_names(yard_key), TIDY])
            if kept is None or kept.state != state or not _fresh(kept.assessment.as_of, now):
                assessment = assess_yard(conn, yard, as_of=now, known_at=now)
                kept = self._kept[yard_key] = _Kept(state, assessment, self._states(yard_key))
            if name not in kept.pages:
                made = self._make(kept, name)
                if made is None:
                    return None
                kept.pages[name] = made.encode()
            return kept.pages[name]

    def _make(self, kept: _Kept, name: str) -> str | None:
        cover_id = self._render.page_names(kept.assessment).get(name)
        if cover_id is None:
            return self._render.yard_page(kept.assessment, name, self.static, kept.jobs)
        alone = with_hours_of(kept.assessment, cover_id)
        return self._render.cover_page(alone, cover_id, self.static, kept.jobs)

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with closing(connect_read_only(self._database)) as conn:
            yield conn


def make_app(pages: Pages, hosts: list[str]) -> Starlette:
    """The app: ``/`` the only yard or the list of them, ``/<yard>/`` its page, ``/<yard>/<page>`` those of its covers.

    It answers only requests that name one of ``hosts``, so that no foreign page can reach it by another name.
    """

    def start(request: Request) -> Response:
        known = pages.yards()
        if len(known) == 1:
            return RedirectResponse(f"/{quote(known[0].key, safe='')}/")
        return _html(pages.list_page())

    def yard_page(request: Request) -> Response:
        name = request.path_params.get("name", INDEX)
        try:
            page = pages.page(request.path_params["key"], name)
        except StormwalkError as error:
            return _html(pages.trouble_page("No page", str(error)), status=404)
        if page is None:
            sentence = (
                "There is no such page. A cover that was unwrapped has none; the yard's page lists those there are."
            )
            return _html(pages.trouble_page("No page", sentence), status=404)
        return _html(page)

    def static_file(request: Request) -> Response:
        name = request.path_params["name"]
        if name not in pages.files or not request.url.path.startswith(pages.static):
            return Response("no such file", status_code=404, media_type="text/plain")
        kept_for_a_year = {"Cache-Control": "public, max-age=31536000, immutable"}
        return Response(pages.files[name], media_type=CONTENT_TYPES[Path(name).suffix], headers=kept_for_a_year)

    return Starlette(
        routes=[
            Route("/", start),
            Route("/static/{version}/{name}", static_file),
            Route("/{key}/", yard_page),
            Route("/{key}/{name}", yard_page),
        ],
        middleware=[
            Middleware(_SecurityHeaders),
            Middleware(TrustedHostMiddleware, allowed_hosts=hosts, www_redirect=False),
        ],
    )


class _SecurityHeaders:
    """Puts `HEADERS` on every answer."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        await self._app(scope, receive, send_with_headers if scope["type"] == "http" else send)


def _fresh(as_of: datetime, now: datetime) -> bool:
    return timedelta(0) <= now - as_of < LONGEST_KEPT


def _html(page: str | bytes, status: int = 200) -> Response:
    return HTMLResponse(page, status_code=status, headers={"Cache-Control": "no-cache"})
