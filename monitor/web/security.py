"""Who asks, and whether a page of ours did: headers on every answer, the same-origin check, sessions, rights."""

import ipaddress
import re
import sqlite3
from contextlib import closing
from http import HTTPStatus
from typing import TYPE_CHECKING
from urllib.parse import quote, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware import Middleware
from starlette.middleware.body_limit import RequestBodyLimitMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.requests import HTTPConnection, Request
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.errors import StoreError, StormwalkError
from monitor.operations.accounts import (
    SESSION_LASTS,
    extend_session,
    is_this_computer,
    is_to_be_extended,
    session_of,
)
from monitor.store.accounts import Account, Session, any_account
from monitor.store.connection import connect, connect_read_only, sentence_of

if TYPE_CHECKING:
    from monitor.web.site import WebApp

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "connect-src 'self'; manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(), microphone=()",
}
"""On every answer. Plotly needs inline styles; no script stands in a page.

The referrer stays inside the site, where it does no harm. Without any, browsers send ``Origin: null`` with a form
(Fetch Standard, "append a request Origin header"), and over plain http nothing else tells our forms from a stranger's.
"""

HTTPS_ONLY = "max-age=604800"
"""A week: long enough that a phone does not fall back to http between two storms, short enough to undo."""

LARGEST_REQUEST_BYTES = 16 * 1024 * 1024

RETRY_AFTER_S = 60
"""A program that got "not now" asks again after this; a disk is not emptied sooner."""

GO_BACK = "Go back in the browser: what you wrote stands in the form."

BARE = {
    400: (
        "Wrong address",
        "The app is not reached under the name in this address. Nothing was done. Open it by the name that the yard "
        'uses; whoever runs it adds another with "stormwalk serve --allow-host NAME".',
    ),
    413: (
        "Too large",
        f"What was sent is larger than {LARGEST_REQUEST_BYTES // 1024 // 1024} MB. Nothing was logged. Send fewer or "
        f"smaller photos.",
    ),
}
"""Title and sentence where the middlewares below answer with a bare word of English."""

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

OPEN_PATHS = ("/sign-in", "/sw.js", "/manifest.webmanifest", "/openapi.json")
_FILES = ("/static/", "/app/")
OPEN_FOLDERS = ("/guest/", *_FILES)
"""What somebody who is not signed in may ask for; everything else needs an account, also a page made tomorrow."""

NO_ACCOUNT = (
    'Nobody has an account yet, so pages can only be read, on this computer alone. Run "stormwalk account add NAME '
    '--role lead" on it, then sign in.'
)


class SignInNeeded(StormwalkError):  # noqa: N818 -- a state of the visitor, told like an error
    """The page is for people who are signed in."""


class NotAllowed(StormwalkError):  # noqa: N818
    """The page is for others than the one who asks."""


def middleware(app: "WebApp") -> list[Middleware]:
    """What stands between the network and the pages, outermost first."""
    return [
        Middleware(SecurityHeaders),
        Middleware(PlainQuery),
        Middleware(InSentences),
        Middleware(TrustedHostMiddleware, allowed_hosts=app.hosts, www_redirect=False),
        Middleware(RequestBodyLimitMiddleware, max_body_size=LARGEST_REQUEST_BYTES),
        Middleware(SameOrigin),
        Middleware(Sessions, web=app),
    ]


def account_of(request: HTTPConnection) -> Account | None:
    """Who is signed in; None where nobody is."""
    return getattr(request.state, "account", None)


def session_of_request(request: HTTPConnection) -> Session | None:
    """The session of this browser; None where nobody is signed in."""
    return getattr(request.state, "session", None)


def need(request: HTTPConnection, role: str) -> Account:
    """Who is signed in, with the rights of ``role`` (``crew`` or ``lead``). Raises SignInNeeded or NotAllowed."""
    account = need_reader(request)
    if account is None:
        raise NotAllowed(NO_ACCOUNT)
    if role == "lead" and not account.is_lead:
        raise NotAllowed(f"This is for a lead, and {account.name} is {account.role}. Nothing was changed. Ask a lead.")
    return account


def need_reader(request: HTTPConnection) -> Account | None:
    """Who is signed in; None where there is no account at all, and pages are for reading. Raises SignInNeeded."""
    account = account_of(request)
    if account is None and getattr(request.state, "has_accounts", True):
        raise SignInNeeded("Sign in first.")
    return account


def refused(request: Request, error: Exception) -> Response:
    """The answer where `need` refused: a sentence, to a browser on a page, to a program as JSON."""
    from monitor.web.templating import page

    signed_out = isinstance(error, SignInNeeded)
    status = HTTPStatus.UNAUTHORIZED if signed_out else HTTPStatus.FORBIDDEN
    if not signed_out or request.url.path.startswith("/api/"):
        return told(request, status, "Not allowed", str(error))
    here = _here(request)
    if request.method in SAFE_METHODS:
        return never_kept(RedirectResponse(f"/sign-in?next={quote(here, safe='')}", status_code=303))
    problem = "You are not signed in any more, so nothing was stored. Sign in, go back, and send the form again."
    return never_kept(page(request, "sign_in.html", status=status, problem=problem, name="", next=local_path(here)))


def told(request: Request, status: int, title: str, sentence: str) -> Response:
    """A sentence that no cache keeps: to a browser on a page, to a program as JSON."""
    from monitor.web.templating import page

    if request.url.path.startswith("/api/"):
        return never_kept(JSONResponse({"problem": sentence}, status_code=status))
    return never_kept(page(request, "trouble.html", status=status, title=title, sentence=sentence))


def _here(request: Request) -> str:
    return request.url.path + (f"?{request.url.query}" if request.url.query else "")


def local_path(text: str) -> str:
    """Where to go after signing in: ``text`` if it is a path of this site, else the start.

    A browser takes ``\\`` for ``/``, leaves out tabs and line ends, and reads ``//name`` as another site (URL Standard,
    from memory); none of these is let through.
    """
    plain = text.startswith("/") and not text.startswith("//") and "\\" not in text and len(text) <= 2000
    if not plain or any(ord(letter) <= 0x20 or ord(letter) == 0x7F for letter in text):
        return "/"
    parts = urlsplit(text)
    return "/" if parts.scheme or parts.netloc or parts.path in ("/sign-in", "/sign-out") else text


# --- the session's cookie


def cookie_name(request: HTTPConnection) -> str:
    """Name of the session's cookie.

    Over https its prefix ``__Host-`` makes browsers refuse one that was set over http or for a whole domain (RFC
    6265bis, 4.1.3.2), so nobody on the network can plant it.
    """
    return "__Host-stormwalk" if request.url.scheme == "https" else "stormwalk"


def token_of(request: HTTPConnection) -> str:
    """The token that the browser sent; empty where it sent none."""
    return request.cookies.get(cookie_name(request), "")


def keep_signed_in(answer: Response, request: HTTPConnection, token: str) -> None:
    """Let the browser keep a session's token."""
    _set_cookie(answer, request, token, int(SESSION_LASTS.total_seconds()))


def forget_signed_in(answer: Response, request: HTTPConnection) -> None:
    """Let the browser forget the session's token."""
    _set_cookie(answer, request, "", 0)


def _set_cookie(answer: Response, request: HTTPConnection, token: str, max_age_s: int) -> None:
    answer.set_cookie(
        cookie_name(request),
        token,
        max_age=max_age_s,
        path="/",
        secure=request.url.scheme == "https",
        httponly=True,
        samesite="lax",
    )


def device_of(request: HTTPConnection) -> str:
    """The browser and system that ask, in two words where they can be told, for the list of one's sessions."""
    agent = request.headers.get("user-agent", "")
    systems = ("iPhone", "iPad", "Android", "CrOS", "Windows", "Macintosh", "Linux")
    browsers = {"Edg": "Edge", "OPR": "Opera", "Firefox": "Firefox", "Chrome": "Chrome", "Safari": "Safari"}
    system = next((word for word in systems if word in agent), "")
    browser = next((name for word, name in browsers.items() if re.search(rf"\b{word}\w*/", agent)), "")
    if browser and system:
        return f"{browser} on {system}"
    return "".join(letter for letter in agent[:60] if letter.isprintable()) or "unknown browser"


# --- middlewares


class SecurityHeaders:
    """Puts `HEADERS` on every answer, and over https that it is to stay so."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and add to its answer."""

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(HEADERS)
                if scope["scheme"] == "https":
                    headers["Strict-Transport-Security"] = HTTPS_ONLY
            await send(message)

        await self._app(scope, receive, send_with_headers if scope["type"] == "http" else send)


class InSentences:
    """Says in a sentence, on a page or as JSON, what the checks of host and size answer with a bare word."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and put a sentence in the place of a bare word."""
        replaced = False

        async def send_sentence(message: Message) -> None:
            nonlocal replaced
            if message["type"] == "http.response.start" and message["status"] in BARE:
                media_type = Headers(raw=message["headers"]).get("content-type", "")
                replaced = media_type.startswith("text/plain")
                if replaced:
                    answer = told(Request(scope), message["status"], *BARE[message["status"]])
                    return await answer(scope, receive, send)
            if not replaced:
                await send(message)

        await self._app(scope, receive, send_sentence if scope["type"] == "http" else send)


class PlainQuery:
    """Percent-encodes what a query may not hold (RFC 3986, 3.4), so that nobody after it need fear other letters."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on with such a query."""
        if scope["type"] == "http":
            plain = _NOT_IN_A_QUERY.sub(lambda found: b"%%%02X" % found[0][0], scope["query_string"])
            scope = {**scope, "query_string": plain}
        await self._app(scope, receive, send)


_NOT_IN_A_QUERY = re.compile(rb"[^\x21-\x7e]")


class SameOrigin:
    """Refuses what changes something unless a page of this site sent it.

    Browsers say so in ``Sec-Fetch-Site`` (W3C Fetch Metadata), over plain http in ``Origin`` alone. Who sends neither
    is no browser of today; a program names its origin as a browser would.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it with 403."""
        if scope["type"] != "http" or scope["method"] in SAFE_METHODS or _is_same_origin(scope):
            return await self._app(scope, receive, send)
        sentence = "This request did not come from a page of this site. Nothing was changed. Load the page again."
        await refused(Request(scope), NotAllowed(sentence))(scope, receive, send)


def _is_same_origin(scope: Scope) -> bool:
    headers = Headers(scope=scope)
    said = headers.get("sec-fetch-site")
    if said is not None:
        return said in ("same-origin", "none")
    scheme, _, host = headers.get("origin", "").lower().partition("://")
    # Behind a proxy that does not tell, we take a page of https for http; never the other way round.
    return host != "" and host == headers.get("host", "").lower() and (scheme == "https" or scheme == scope["scheme"])


class Sessions:
    """Finds out who is signed in, and refuses whoever is not, but for the open pages.

    A session that is used lasts on; that is written down once a day.
    """

    def __init__(self, app: ASGIApp, web: "WebApp") -> None:
        self._app = app
        self._web = web
        self._shown_elsewhere = any(
            host != "localhost" and not is_this_computer(host.strip("[]")) for host in web.hosts
        )

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Put account and session into the request's state, and pass it on or refuse it."""
        if scope["type"] != "http" or scope["path"].startswith(_FILES):
            return await self._app(scope, receive, send)
        request = Request(scope)
        try:
            extended = await run_in_threadpool(self._look_up, request)
        except StormwalkError as error:  # the database is gone or busy
            return await not_now(request, str(error))(scope, receive, send)
        except sqlite3.Error as error:
            sentence = sentence_of(error, self._web.database, "Nothing of this was stored.")
            return await not_now(request, sentence)(scope, receive, send)

        async def send_with_cookie(message: Message) -> None:
            if message["type"] == "http.response.start":
                _finish(MutableHeaders(scope=message), request, extended)
            await send(message)

        try:
            self._check(request)
        except (SignInNeeded, NotAllowed) as error:
            answer = await run_in_threadpool(refused, request, error)
            return await answer(scope, receive, send)
        await self._app(scope, receive, send_with_cookie)

    def _look_up(self, request: Request) -> bool:
        """Set the request's state; whether the session was extended."""
        state, token, now = request.state, token_of(request), self._web.clock()
        with closing(connect_read_only(self._web.database)) as conn:
            found = session_of(conn, token, now) if token else None
            state.has_accounts = found is not None or any_account(conn)
        state.account, state.session = found or (None, None)
        if found is None or not is_to_be_extended(found[1], now):
            return False
        try:
            with closing(connect(self._web.database)) as conn:
                extend_session(conn, found[1], now)
        except StoreError:  # busy: the next request of this browser tries again
            return False
        return True

    def _check(self, request: Request) -> None:
        path = request.url.path
        if request.state.has_accounts:
            if not (path in OPEN_PATHS or path.startswith(OPEN_FOLDERS)):
                need_reader(request)
        elif self._shown_elsewhere or not _may_be_this_computer(request):
            raise NotAllowed(NO_ACCOUNT)
        elif request.method not in SAFE_METHODS:
            need(request, "crew")


def not_now(request: Request, sentence: str) -> Response:
    """Where the database does not answer: to a program as JSON, on a page with a way to ask again, else as text."""
    from monitor.web.templating import page

    if request.url.path.startswith("/api/"):
        return later(JSONResponse({"problem": sentence}, status_code=503))
    if "text/html" not in request.headers.get("accept", ""):
        return later(PlainTextResponse(sentence, status_code=503))
    again = ""
    if request.method in SAFE_METHODS:
        again = local_path(_here(request))
    else:
        sentence = f"{sentence} {GO_BACK}"
    return later(page(request, "trouble.html", status=503, title="Not now", sentence=sentence, again=again))


def later(answer: Response) -> Response:
    """The answer, marked so that whoever asks does so again in a while and no cache keeps it."""
    answer.headers["Retry-After"] = str(RETRY_AFTER_S)
    return never_kept(answer)


def _may_be_this_computer(request: Request) -> bool:
    """False where the address of who asks is known to be another computer's."""
    client = request.client.host if request.client else ""
    try:
        ipaddress.ip_address(client)
    except ValueError:  # no address at all: not asked over a network
        return True
    return is_this_computer(client)


def _finish(headers: MutableHeaders, request: Request, extended: bool) -> None:
    """Keep what a person saw out of shared caches, and the cookie as long as its session."""
    if account_of(request) is not None and not re.search("no-store|private", headers.get("cache-control", "")):
        headers["Cache-Control"] = "private, no-cache"
    own = f"{cookie_name(request)}="
    if extended and not any(cookie.startswith(own) for cookie in headers.getlist("set-cookie")):
        renewed = Response()
        keep_signed_in(renewed, request, token_of(request))
        headers.append("set-cookie", renewed.headers["set-cookie"])


def never_kept(answer: Response) -> Response:
    """The answer, marked so that no cache keeps it."""
    answer.headers["Cache-Control"] = "no-store"
    return answer
