"""The review of a season in a real browser, as a document and as a page of charts: on a phone and on a desk."""

import pytest
from dashboards_picture import make_assessment
from in_browser import DESK, Watched, barriers, fits, looks, show
from season_picture import content, document

from dashboards import write_pages

pytestmark = pytest.mark.thorough  # the app and the pages from disk are opened in the ordinary run


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The pages with a review, and the document beside them."""
    made = write_pages(tmp_path_factory.mktemp("season"), make_assessment(), content()).parent
    (made / "document.html").write_text(document(), encoding="utf-8")
    return made


@pytest.fixture
def opened(page, folder):
    """Opens a file at a size; in the end nobody was asked for anything and the console holds no complaint."""
    watched = Watched(page)
    yield lambda name, size, scheme: show(page, (folder / name).as_uri(), size, scheme)
    assert watched.complaints == []
    assert watched.called("file:") == set()


@looks("phone dark")
def test_the_document_fits_the_screen_and_has_no_barrier(opened, size, scheme):
    page = opened("document.html", size, scheme)
    assert fits(page)
    assert page.evaluate("[...document.images].every(image => image.complete && image.naturalWidth > 0)")
    assert page.locator("img").count() == 3
    assert barriers(page) == ""


@looks("phone dark")
def test_the_page_draws_its_charts_fits_the_screen_and_has_no_barrier(opened, size, scheme):
    page = opened("review.html", size, scheme)
    charts = page.locator(".chart")
    for i in range(charts.count()):
        charts.nth(i).scroll_into_view_if_needed()
        page.wait_for_function("chart => chart.dataset.drawn === 'yes'", arg=charts.nth(i).element_handle())
    assert charts.count() == 3
    assert fits(page)
    page.locator("details").evaluate_all("all => all.forEach(details => { details.open = true })")
    assert fits(page)
    assert barriers(page, from_disk=True) == ""


def test_the_yards_page_leads_to_it_and_it_leads_back(opened):
    page = opened("index.html", DESK, "light")
    page.get_by_role("link", name="The season in review").click()
    assert page.locator("h1").inner_text().startswith("Season review: Tarn Slip")
    page.get_by_role("link", name="all covers").click()
    assert page.url.endswith("index.html")
