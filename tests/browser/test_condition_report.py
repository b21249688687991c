"""The condition report in a real browser: on a phone and on a desk, by screen readers and by keyboard."""

from contextlib import closing
from functools import partial

import pytest
from condition_picture import AS_OF, fill
from in_browser import PHONE, Watched, barriers, fits, looks, show

from monitor.operations.condition import condition_report
from monitor.operations.photos import photo_folder
from monitor.store.connection import connect


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
    watched = Watched(page)
    yield partial(show, page, address)
    assert watched.complaints == []
    assert watched.called() == {address}


@looks("phone dark", "desk light")
def test_a_report_fits_the_screen_and_has_no_barrier_folded_or_not(opened, size, scheme):
    page = opened(size, scheme)
    assert fits(page)
    page.locator("summary").click()
    assert page.locator("details.days tbody tr").count() == 30
    assert fits(page)
    assert barriers(page) == ""


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
