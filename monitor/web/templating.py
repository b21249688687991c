"""Pages out of templates: what all of them have, the app's own style and script, and the words of closed lists."""

import hashlib
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from jinja2 import Environment, PackageLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import Response
from starlette.templating import Jinja2Templates

from monitor.operations.accounts import is_this_computer
from monitor.register import Yard
from monitor.web.security import account_of
from monitor.web.site import FLASH, web, yard_url
from monitor.wording import CAUTIONS, local_text
from monitor.wording import plain_word as plain_word

_STATIC = Path(__file__).parent / "static"
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
"""Names of this computer: a browser keeps pages for offline use there even without https."""


def is_loopback(host: str | None) -> bool:
    """Whether an address of the app is one that only this computer reaches."""
    return host in LOOPBACK or is_this_computer(host or "")


@cache
def app_files() -> dict[str, bytes]:
    """The app's own style, script and icons by file name."""
    return {path.name: path.read_bytes() for path in sorted(_STATIC.iterdir()) if path.is_file()}


@cache
def app_static() -> str:
    """Folder of the addresses of `app_files`, ending in a slash; it changes with them."""
    digest = hashlib.sha256()
    for name, content in app_files().items():
        digest.update(f"{name}\0{len(content)}\0".encode() + content)
    return f"/app/{digest.hexdigest()[:12]}/"


def _moment(value: datetime, yard: Yard, year: bool = False) -> str:
    return local_text(value, yard.time_zone, year=year)


def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("monitor.web"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["plain"] = plain_word
    environment.filters["moment"] = _moment
    environment.globals["yard_url"] = yard_url
    return environment


templates = Jinja2Templates(env=_environment())
"""Every template of the app; undefined names are errors, and everything is escaped."""


def page(request: Request, template: str, *, status: int = 200, **values: Any) -> Response:
    """Render a template extending ``base.html``.

    Besides ``values`` a template has ``account`` (None where nobody is signed in), ``yard`` (None unless given),
    ``here`` (the name of the page in the navigation, "" unless given), ``data_age`` and ``data_is_old`` ("" and False
    unless given), ``problem`` (the sentence on top of a refused form, "" unless given), ``again`` (the address to try
    once more, "" unless given), ``said`` (what the last form did), ``offline_possible``, ``cautions``, ``version`` and
    ``app_static``.
    """
    said = [line for line in unquote(request.cookies.get(FLASH, "")).split("\n") if line]
    shared = {
        "account": account_of(request),
        "yard": None,
        "here": "",
        "data_age": "",
        "data_is_old": False,
        "problem": "",
        "again": "",
        "said": said,
        "offline_possible": request.url.scheme == "https" or is_loopback(request.url.hostname),
        "cautions": CAUTIONS,
        "version": web(request).version,
        "app_static": app_static(),
    }
    answer = templates.TemplateResponse(
        request, template, {**shared, **values}, status_code=status, headers={"Cache-Control": "private, no-cache"}
    )
    if said:
        answer.delete_cookie(FLASH, path="/")
    return answer
