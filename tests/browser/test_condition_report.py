"""The condition report in a real browser: on a phone and on a desk, by screen readers and by keyboard."""

from contextlib import closing

import pytest
from axe_playwright_python.sync_playwright import Axe
from condition_picture import AS_OF, fill

from monitor.operations.condition import condition_report
from monitor.operations.photos import photo_folder
from monitor.store.connection import connect

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1440, "height": 900}


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    folder = tmp_path_factory.mktemp("condition")
    yard = fill(folder / "yard.db")
    with closing(connect(folder / "yard.db")) as conn:
        html = condition_report(conn, photo_folder(folder / "yard.db"), yard, "02", as_of=AS_OF, known_at=AS_OF)
    path = folder / "condition.html"
    path.write_text(html, encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def opened(page, address):
    """Opens the report at a size; in the end nobody else was asked for anything and the console holds no complaint."""
    asked, complaints = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on(
        "console", lambda message: complaints.append(message.text) if message.type in ("error", "warning") else None
    )
    page.on("pageerror", lambda error: complaints.append(str(error)))

    def open_report(size, scheme="light"):
        page.set_viewport_size(size)
        page.emulate_media(color_scheme=scheme)
        page.goto(address)
        return page

    yield open_report
    assert complaints == []
    assert {url for url in asked if not url.startswith("data:")} == {address}


@pytest.mark.parametrize(
    "size, scheme",
    [
        (PHONE, "dark"),
        (DESK, "light"),
        *(pytest.param(*rest, marks=pytest.mark.thorough) for rest in ((PHONE, "light"), (DESK, "dark"))),
    ],
    ids=["phone dark", "desk light", "phone light", "desk dark"],
)
def test_a_report_fits_the_screen_and_has_no_barrier_folded_or_not(opened, size, scheme):
    page = opened(size, scheme)
    across = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert across[0] <= across[1]
    page.locator("summary").click()
    assert page.locator("details.days tbody tr").count() == 30
    across = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert across[0] <= across[1]
    result = Axe().run(page)
    assert result.violations_count == 0, result.generate_report()


def test_the_table_of_days_opens_by_keyboard_and_chart_and_photos_have_words(opened):
    page = opened(PHONE)
    summary = page.locator("summary")
    assert summary.bounding_box()["height"] >= 44  # WCAG 2.2, criterion 2.5.5: 44 CSS pixels
    assert not page.locator("details.days table").is_visible()
    summary.focus()
    page.keyboard.press("Enter")
    assert page.locator("details.days table").is_visible()
    words = page.locator("img").evaluate_all("all => all.map(one => one.alt)")
    assert len(words) == 3
    assert words[0].startswith("The season of this cover with its log: snow load")
    assert page.locator("img").evaluate_all("all => all.every(one => one.complete && one.naturalWidth > 0)")
