"""The walk sheet in a real browser: read on a phone and on a desk, by screen readers, and printed."""

import re
import shutil
import subprocess
from functools import partial

import pytest
from conftest import skip_or_fail
from documents_picture import BASE_URL, lines_of, plan_of, sheet
from in_browser import DESK, PHONE, Watched, barriers, fits, looks, show

from monitor.walks.plan import LeftOut

pytestmark = pytest.mark.thorough  # the app and the pages from disk are opened in the ordinary run


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """Two parties, eight covers, one left out."""
    lines = lines_of()
    left_out = [LeftOut("21", "walk first", 0.7, "the latest finish comes before it")]
    plan = plan_of(lines, (("Ida", "Sam"), ("Bo", "Kim", "Lee")), left_out=left_out, notes=("A note of the plan.",))
    path = tmp_path_factory.mktemp("sheet") / "walk.html"
    path.write_text(sheet(lines, plan), encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def opened(page, address):
    """Opens the sheet at a size; in the end nobody else was asked for anything and the console holds no complaint."""
    watched = Watched(page)
    yield partial(show, page, address)
    assert watched.complaints == []
    assert watched.called() == {address}


@looks("phone dark", "desk light")
def test_a_sheet_fits_the_screen_and_has_no_barrier(opened, size, scheme):
    page = opened(size, scheme)
    assert fits(page)
    assert barriers(page) == ""


def test_a_phone_gets_links_in_place_of_codes_and_boxes(opened):
    page = opened(PHONE)
    link = page.get_by_role("link", name="Inspect 02")
    assert link.get_attribute("href") == f"{BASE_URL}/yards/tarn/inspect?boat=02"
    assert link.bounding_box()["height"] >= 44  # WCAG 2.2, criterion 2.5.5: 44 CSS pixels
    assert page.locator(".qr:visible, .hand:visible").count() == 0


def test_a_desk_shows_codes_on_white_even_in_the_dark(opened):
    page = opened(DESK, "dark")
    assert page.locator(".qr:visible").count() == 8
    assert (
        page.locator(".qr").first.evaluate("drawing => getComputedStyle(drawing).backgroundColor")
        == "rgb(255, 255, 255)"
    )
    assert page.locator("body").evaluate("body => getComputedStyle(body).backgroundColor") == "rgb(18, 22, 26)"


def test_printed_from_the_browser_it_is_black_on_white_whole_and_numbered(opened, tmp_path):
    page = opened(DESK, "dark")
    path = tmp_path / "printed.pdf"
    page.pdf(path=path, prefer_css_page_size=True, tagged=True)
    page.emulate_media(media="print", color_scheme="dark")
    colours = page.evaluate("[getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor]")
    assert colours == ["rgb(0, 0, 0)", "rgb(255, 255, 255)"]
    if shutil.which("pdftotext") is None:
        skip_or_fail("no pdftotext: apt-get install poppler-utils")
    text = subprocess.run(["pdftotext", "-raw", path, "-"], capture_output=True, text=True, check=True).stdout
    pages = text.split("\f")[:-1]
    for number, printed in enumerate(pages, 1):
        heads = len(re.findall(r"^\d\. \d\d .* walk (first|today) 0", printed, re.MULTILINE))
        assert printed.count("Check: snow still lying") == heads
        assert printed.count("Defect, place, severity") == heads
        assert f"Page {number} of {len(pages)}" in printed
    assert len(re.findall(r"^\d\. \d\d .* walk (first|today) 0", text, re.MULTILINE)) == 8
    assert text.count("Before you touch a cover") == 2
