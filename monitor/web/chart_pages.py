"""The charts inside the app: the pages that the renderer makes, and their style, script and library."""

from pathlib import PurePosixPath

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from monitor.errors import StormwalkError
from monitor.web.live import INDEX
from monitor.web.security import need_reader
from monitor.web.site import KEPT_FOR_A_YEAR, media_type_of, reading, the_yard, web
from monitor.web.templating import page
from monitor.web.today import no_list

NO_PAGE = "There is no such page. A cover that was unwrapped has none; the yard's page lists those there are."


def chart_page(request: Request) -> Response:
    """A page of charts by its file name."""
    need_reader(request)
    with reading(request) as conn:
        yard = the_yard(request, conn)
    try:
        made = web(request).pages.page(yard.key, request.path_params.get("name", INDEX))
    except StormwalkError as error:
        return no_list(request, yard, "charts", error)
    if made is None:
        return page(request, "trouble.html", status=404, yard=yard, title="No such page", sentence=NO_PAGE)
    return HTMLResponse(made, headers={"Cache-Control": "private, no-cache"})


def static_file(request: Request) -> Response:
    """A file that pages of charts share; its address changes with it."""
    pages, name = web(request).pages, request.path_params["name"]
    if name not in pages.files or not request.url.path.startswith(pages.static):
        raise HTTPException(404)
    return Response(pages.files[name], media_type=media_type_of(PurePosixPath(name)), headers=KEPT_FOR_A_YEAR)


routes = [
    Route("/yards/{key}/pages/", chart_page),
    Route("/yards/{key}/pages/{name}", chart_page),
    Route("/static/{digest}/{name}", static_file),
]
