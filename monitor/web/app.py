"""The web app put together: every page's route, what guards them, and a sentence for whatever goes wrong."""

import sqlite3
from pathlib import PurePosixPath

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from monitor.errors import StoreError, StormwalkError
from monitor.store.connection import sentence_of
from monitor.web import (
    account_pages,
    api,
    boat_page,
    chart_pages,
    document_pages,
    forms,
    log_pages,
    photo_pages,
    register_pages,
    today,
    walk_pages,
)
from monitor.web.making import Maker
from monitor.web.security import HEADERS, NotAllowed, SignInNeeded, middleware, not_now, refused, told
from monitor.web.site import KEPT_FOR_A_YEAR, media_type_of
from monitor.web.site import WebApp as WebApp
from monitor.web.site import web as app_of
from monitor.web.templating import app_files, app_static, page

MODULES = (
    account_pages,
    api,
    today,
    boat_page,
    forms,
    log_pages,
    photo_pages,
    register_pages,
    walk_pages,
    chart_pages,
    document_pages,
)
"""Each exposes ``routes``, a list of Starlette's Route."""

SENTENCES = {
    400: "What was sent cannot be read ({detail}). Nothing was stored. Load the page again.",
    404: "There is no such page. Go back, or begin at the yard's list.",
    405: "This page cannot be asked in this way. Nothing was changed.",
    413: "What was sent is larger than the limit. Nothing was logged. Send fewer or smaller photos.",
}

FAILED = (
    'stormwalk failed here. What was logged before is kept. "stormwalk doctor" on the yard\'s computer tells whether '
    "the database is damaged; if it is not, please report this."
)


def make_app(app: WebApp) -> Starlette:
    """The app: pages and forms for the crew, the machine interface for their phones, and the charts."""
    routes = [route for module in MODULES for route in module.routes]
    starlette = Starlette(
        routes=[*routes, Route("/app/{digest}/{name}", _app_file)],
        middleware=middleware(app),
        exception_handlers={
            SignInNeeded: refused,
            NotAllowed: refused,
            StormwalkError: _in_a_sentence,
            sqlite3.Error: _database_error,
            HTTPException: _http_error,
            ClientDisconnect: _nobody_there,
            Exception: _failed,
        },
    )
    starlette.state.web = app
    starlette.state.maker = Maker()
    return starlette


def _app_file(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in app_files() or not request.url.path.startswith(app_static()):
        raise HTTPException(404)
    return Response(app_files()[name], media_type=media_type_of(PurePosixPath(name)), headers=KEPT_FOR_A_YEAR)


def _in_a_sentence(request: Request, error: Exception) -> Response:
    """404 for what is not there; 503 where the database does not answer as it should."""
    if isinstance(error, StoreError):
        return not_now(request, str(error))
    return page(request, "trouble.html", status=404, title="Not here", sentence=str(error))


def _database_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, sqlite3.Error)
    return not_now(request, sentence_of(error, app_of(request).database, "Nothing of this was stored."))


def _failed(request: Request, error: Exception) -> Response:
    """An error of the program, or of a database that holds what it never wrote; the server's log has where."""
    if request.url.path.startswith("/api/"):
        return JSONResponse({"problem": FAILED}, status_code=500, headers=HEADERS)
    answer = page(request, "trouble.html", status=500, title="Not now", sentence=FAILED)
    answer.headers.update(HEADERS)  # it is made outside of all that would put them there
    return answer


def _nobody_there(request: Request, error: Exception) -> Response:
    """Whoever asked went away in the middle of the request: no fault of the app's, and nobody hears the answer."""
    return PlainTextResponse("The request broke off. Nothing was stored.", status_code=400)


def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    sentence = SENTENCES.get(error.status_code, "{detail}.").format(detail=str(error.detail).rstrip("."))
    answer = told(request, error.status_code, "Not here", sentence)
    answer.headers.update(error.headers or {})  # of 405, what may be asked instead
    return answer
