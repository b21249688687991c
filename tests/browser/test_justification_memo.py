"""The justification memo in a real browser: read on a phone and on a desk, and by screen readers."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from memo_picture import BUILD, OTHERS, RIDGE, assessed, cover, gale, log_of, memo, seen

from monitor.changes import Change
from monitor.presentation.proposal import Proposal

PHONE = {"width": 390, "height": 844}
DESK = {"width": 1440, "height": 900}

EVERYTHING = Proposal(Change(vents=8, ridge_raise_m=RIDGE.change.ridge_raise_m), retension=True, rewrap=True)


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """A memo with every section there is."""
    log = log_of(
        seen("loose_band", "port", key="l", note="under a hand " * 10),
        seen("leaning_post", "frame", key="p"),
        seen("stand_shifted", "stands", 3, key="s"),
        seen("tear", "bow", key="t"),
    )
    one = assessed(gale(30), (cover(BUILD, name="Curlew of the Far Northern Isles"), *OTHERS), log)
    path = tmp_path_factory.mktemp("memo") / "memo.html"
    path.write_text(memo(one, EVERYTHING, with_owner=True), encoding="utf-8")
    return path.as_uri()


@pytest.mark.parametrize(
    "size, scheme",
    [
        (PHONE, "dark"),
        (DESK, "light"),
        *(pytest.param(*rest, marks=pytest.mark.thorough) for rest in ((PHONE, "light"), (DESK, "dark"))),
    ],
    ids=["phone dark", "desk light", "phone light", "desk dark"],
)
def test_a_memo_fits_the_screen_calls_nobody_and_has_no_barrier(page, address, size, scheme):
    asked, complaints = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text) if message.type in ("error", "warning") else 0)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.set_viewport_size(size)
    page.emulate_media(color_scheme=scheme)
    page.goto(address)
    across = page.evaluate("[document.documentElement.scrollWidth, document.documentElement.clientWidth]")
    assert across[0] <= across[1]
    assert page.evaluate("[...document.images].every(image => image.complete && image.naturalWidth > 0)")
    result = Axe().run(page)
    assert result.violations_count == 0, result.generate_report()
    assert complaints == []
    assert {url for url in asked if not url.startswith("data:")} == {address}
