"""Two covers side by side where pages are served: their seasons come from the pages beside, under the app's policy."""

import pytest
from dashboards_picture import make_assessment
from in_browser import Watched, served
from playwright.sync_api import expect
from starlette.applications import Starlette
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route

from dashboards.pages import YARD_PAGES, Live, cover_page, page_names, static_files
from monitor.web.security import HEADERS

pytestmark = pytest.mark.thorough  # the app and the pages from disk are opened in the ordinary run

TYPES = {"css": "text/css", "js": "text/javascript"}


@pytest.fixture
def address():
    """Where the pages of the invented yard are served as the app serves them."""
    assessment, live = make_assessment(), Live("/static/0/")
    covers = {name: cover_id for cover_id, name in page_names(assessment.covers).items()}
    files = static_files()

    def page(request):
        name = request.path_params["name"]
        if name in YARD_PAGES:
            return HTMLResponse(YARD_PAGES[name](assessment, live), headers=HEADERS)
        if name in covers:
            return HTMLResponse(cover_page(assessment, covers[name], live), headers=HEADERS)
        return Response("no such page", status_code=404)

    def file(request):
        name = request.path_params["name"]
        return Response(files[name], media_type=TYPES[name.rpartition(".")[2]], headers=HEADERS)

    app = Starlette(routes=[Route("/static/0/{name}", file), Route("/yards/tarn/pages/{name}", page)])
    with served(app) as at:
        yield f"{at}/"


def test_two_served_covers_are_compared_and_saved_under_the_policy_without_a_complaint(page, address):
    watched = Watched(page)
    page.goto(f"{address}yards/tarn/pages/compare.html?one=cover-12.html&other=cover-7.html")
    expect(page.locator("#chart-pair")).to_have_attribute("data-pair", "cover-12.html cover-7.html")
    assert page.get_by_role("status").inner_text().startswith("12 Plain Sailing and 7 Gull")
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save as CSV: Where they differ").click()
    assert waiting.value.suggested_filename == "tarn_2025-11-19_compare_compared.csv"
    page.goto(f"{address}yards/tarn/pages/index.html?row=B")
    assert page.get_by_role("status").inner_text() == "3 of 6 covers shown."
    assert watched.complaints == []
    assert watched.called(address, "blob:") == set()
