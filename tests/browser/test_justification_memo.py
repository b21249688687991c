"""The justification memo in a real browser: read on a phone and on a desk, and by screen readers."""

import pytest
from in_browser import Watched, barriers, fits, looks, show
from memo_picture import BUILD, OTHERS, RIDGE, assessed, cover, gale, log_of, memo, seen

from monitor.changes import Change
from monitor.presentation.proposal import Proposal

pytestmark = pytest.mark.thorough  # the app and the pages from disk are opened in the ordinary run

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


@looks("phone dark", "desk light")
def test_a_memo_fits_the_screen_calls_nobody_and_has_no_barrier(page, address, size, scheme):
    watched = Watched(page)
    show(page, address, size, scheme)
    assert fits(page)
    assert page.evaluate("[...document.images].every(image => image.complete && image.naturalWidth > 0)")
    assert barriers(page) == ""
    assert watched.complaints == []
    assert watched.called() == {address}
