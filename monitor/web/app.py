"""The web app put together: every page's route, what guards them, and a sentence for whatever goes wrong."""

from pathlib import PurePosixPath

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from monitor.errors import StoreError, StormwalkError
from monitor.web import (
    account_pages,
    api,
    boat_page,
    chart_pages,
    forms,
    log_pages,
    photo_pages,
    register_pages,
    today,
    walk_pages,
)
from monitor.web.security import NotAllowed, SignInNeeded, middleware, refused
from monitor.web.site import KEPT_FOR_A_YEAR, media_type_of
from monitor.web.site import WebApp as WebApp
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
)
"""Each exposes ``routes``, a list of Starlette's Route."""

SENTENCES = {
    404: "There is no such page. Go back, or begin at the yard's list.",
    405: "This page cannot be asked in this way. Nothing was changed.",
    413: "What was sent is larger than the limit. Nothing was logged. Send fewer or smaller photos.",
}


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
            HTTPException: _http_error,
        },
    )
    starlette.state.web = app
    return starlette


def _app_file(request: Request) -> Response:
    name = request.path_params["name"]
    if name not in app_files() or not request.url.path.startswith(app_static()):
        return PlainTextResponse("no such file", status_code=404)
    return Response(app_files()[name], media_type=media_type_of(PurePosixPath(name)), headers=KEPT_FOR_A_YEAR)


def _in_a_sentence(request: Request, error: Exception) -> Response:
    """404 for what is not there; 503 where the database does not answer as it should."""
    status, title = (503, "Not now") if isinstance(error, StoreError) else (404, "Not here")
    return page(request, "trouble.html", status=status, title=title, sentence=str(error))


def _http_error(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    sentence = SENTENCES.get(error.status_code, f"{error.detail}.")
    return page(request, "trouble.html", status=error.status_code, title="Not here", sentence=sentence)
