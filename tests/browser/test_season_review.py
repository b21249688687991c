"""The review of a season in a real browser, as a document and as a page of charts: on a phone and on a desk."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from dashboards_picture import make_assessment
from season_picture import content, document

from dashboards import write_pages

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1440, "height": 900}
LOOKS = ((PHONE, "dark"), (DESK, "light"), (PHONE, "light"), (DESK, "dark"))
SIZES = pytest.mark.parametrize(
    "size, scheme",
    [LOOKS[0], *(pytest.param(*rest, marks=pytest.mark.thorough) for rest in LOOKS[1:])],
    ids=["phone dark", "desk light", "phone light", "desk dark"],
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """The pages with a review, and the document beside them."""
    made = write_pages(tmp_path_factory.mktemp("season"), make_assessment(), content()).parent
    (made / "document.html").write_text(document(), encoding="utf-8")
    return made


@pytest.fixture
def opened(page, folder):
    """Opens a file at a size; in the end nobody was asked for anything and the console holds no complaint."""
    asked, complaints = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text) if message.type in ("error", "warning") else 0)
    page.on("pageerror", lambda error: complaints.append(str(error)))

    def open_file(name, size, scheme):
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=scheme)
        page.goto((folder / name).as_uri())
        return page

    yield open_file
    assert complaints == []
    assert all(url.startswith(("file:", "data:")) for url in asked)


def fits(page):
    needed, there = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    return needed <= there


@SIZES
def test_the_document_fits_the_screen_and_has_no_barrier(opened, size, scheme):
    page = opened("document.html", size, scheme)
    assert fits(page)
    assert page.evaluate("[...document.images].every(image => image.complete && image.naturalWidth > 0)")
    assert page.locator("img").count() == 3
    found = Axe().run(page)
    assert found.violations_count == 0, found.generate_report()


@SIZES
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
    found = Axe().run(page, options={"preload": False})  # it would ask for the style sheet again, which file: refuses
    assert found.violations_count == 0, found.generate_report()


def test_the_yards_page_leads_to_it_and_it_leads_back(opened):
    page = opened("index.html", DESK, "light")
    page.get_by_role("link", name="The season in review").click()
    assert page.locator("h1").inner_text().startswith("Season review: Tarn Slip")
    page.get_by_role("link", name="all covers").click()
    assert page.url.endswith("index.html")
