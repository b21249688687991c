"""What every page of the web app stands on: the app's parts, a connection of the request, the yard it names."""

import re
import sqlite3
import unicodedata
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Literal
from urllib.parse import quote, urlencode

from starlette.requests import Request
from starlette.responses import RedirectResponse

from monitor.register import Yard
from monitor.store import register as register_store
from monitor.store.connection import connect, connect_read_only
from monitor.web.live import Clock, Pages

if TYPE_CHECKING:
    from argon2 import PasswordHasher

FLASH = "stormwalk_said"
"""Cookie that carries what was logged over the redirect to the next page, which shows it once."""

_LONGEST_FLASH = 3000
_FLASH_SECONDS = 120

KEPT_FOR_A_YEAR = {"Cache-Control": "public, max-age=31536000, immutable"}
"""Headers of a file whose address changes with it."""

_CONTENT_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".png": "image/png",
    ".svg": "image/svg+xml",
}


@dataclass(frozen=True)
class WebApp:
    """The parts of one running web app; ``hosts`` are the names under which it answers."""

    database: Path
    pages: Pages
    hosts: list[str]
    clock: Clock
    version: str
    hasher: "PasswordHasher | None" = None


def web(request: Request) -> WebApp:
    """The app that answers this request."""
    app: WebApp = request.app.state.web
    return app


def now(request: Request) -> datetime:
    """The moment of the request, to the second (UTC)."""
    return web(request).clock().replace(microsecond=0)


@contextmanager
def reading(request: Request) -> Iterator[sqlite3.Connection]:
    """A connection that can only read, closed at the end."""
    with closing(connect_read_only(web(request).database)) as conn:
        yield conn


@contextmanager
def writing(request: Request) -> Iterator[sqlite3.Connection]:
    """A connection that can write, closed at the end."""
    with closing(connect(web(request).database)) as conn:
        yield conn


def the_yard(request: Request, conn: sqlite3.Connection) -> Yard:
    """The yard in the request's address. Raises RegisterError where there is none."""
    return register_store.yard(conn, request.path_params["key"])


def yard_url(key: str, page: str = "", **query: str) -> str:
    """Address of a yard's page: ``yard_url("north", "boat", number="07")`` is ``/yards/north/boat?number=07``."""
    address = f"/yards/{quote(key, safe='')}/{page}"
    return f"{address}?{urlencode(query)}" if query else address


def media_type_of(name: PurePosixPath) -> str:
    """Media type of one of the app's own files, by its ending."""
    return _CONTENT_TYPES[name.suffix]


def disposition(kind: Literal["inline", "attachment"], name: str) -> str:
    """Value of Content-Disposition with a file's name (RFC 6266).

    A name that plain ASCII cannot say stands there in UTF-8 besides (RFC 8187).
    """
    decomposed = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    plain = re.sub(r"[^A-Za-z0-9._-]", "-", decomposed)
    value = f'{kind}; filename="{plain}"'
    return value if plain == name else f"{value}; filename*=UTF-8''{quote(name, safe='')}"


def go(address: str, said: list[str] | None = None) -> RedirectResponse:
    """Send the browser on after a form was taken; ``said`` is what the next page tells, once."""
    answer = RedirectResponse(address, status_code=303)
    if said:
        text = quote("\n".join(said), safe="")[:_LONGEST_FLASH]
        answer.set_cookie(FLASH, text, max_age=_FLASH_SECONDS, httponly=True, samesite="lax", path="/")
    return answer
