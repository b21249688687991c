"""Rows of photos: what may be added, what comes again, what is shown of them."""

import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from monitor.errors import LogError
from monitor.inspections import Action, Finding, Inspection, Photo
from monitor.register import Yard
from monitor.store import inspections as log
from monitor.store import photos as store
from monitor.store import register
from monitor.store.connection import connect

SEEN = datetime(2026, 1, 10, 14, tzinfo=UTC)
VISIT = Inspection("visit", 1, SEEN, SEEN, "Ida", False)
CHAFE = Finding("chafe", "visit", "bow", "chafe", 1, SEEN)
TAPED = Action("taped", 1, SEEN, SEEN, "Ida", "taped")
PHOTO = Photo("p", SEEN, SEEN, "Ida", "a" * 64, "image/jpeg", 1000, 80, 60, inspection_id="visit")


@pytest.fixture(scope="module")
def logged_file(tmp_path_factory, make_cover):
    """A database file with an inspection, its finding and an action at the cover 1 of two."""
    path = tmp_path_factory.mktemp("logged") / "stormwalk.db"
    with closing(connect(path, create=True)) as conn:
        register.add_yard(conn, Yard("north", "North Yard", 43.66, -70.25, 3.0, "America/New_York"))
        register.save_covers(conn, "north", [make_cover("A-12"), make_cover("A-13")], SEEN)
        log.add_inspection(conn, VISIT, [CHAFE])
        log.add_action(conn, TAPED)
    return path


@pytest.fixture
def logged(logged_file, tmp_path):
    """An open connection to the test's own copy."""
    with closing(connect(shutil.copy(logged_file, tmp_path / "stormwalk.db"))) as conn:
        yield conn


def test_a_photo_comes_back_as_it_was_added(logged):
    assert store.add_photo(logged, PHOTO)
    assert store.photo(logged, "p") == PHOTO
    assert store.photos_of_cover(logged, 1) == [PHOTO]
    assert store.photos_of_cover(logged, 2) == []
    assert store.whose(logged, PHOTO) == store.Whose("north", "A-12", 1)


def test_the_same_photo_again_changes_nothing_whatever_the_clocks_say(logged):
    assert store.add_photo(logged, PHOTO)
    later = replace(PHOTO, recorded_at=SEEN + timedelta(days=1), taken_at=SEEN + timedelta(days=1))
    assert not store.add_photo(logged, later)
    assert store.photo(logged, "p") == PHOTO


@pytest.mark.parametrize("change", [{"sha256": "b" * 64}, {"taken_by": "Bo"}, {"note": "x"}, {"finding_id": "chafe"}])
def test_an_id_stands_for_one_photo(logged, change):
    store.add_photo(logged, PHOTO)
    with pytest.raises(LogError, match=f"is logged with {next(iter(change))}"):
        store.add_photo(logged, replace(PHOTO, **change))


@pytest.mark.parametrize(
    "change, sentence",
    [
        ({"inspection_id": None}, "either an inspection or an action"),
        ({"action_id": "taped"}, "either an inspection or an action"),
        ({"inspection_id": "other"}, "not among the inspections"),
        ({"inspection_id": None, "action_id": "other"}, "not among the actions"),
        ({"finding_id": "other"}, "not of its inspection"),
    ],
)
def test_a_photo_belongs_to_one_entry_of_the_log(logged, change, sentence):
    with pytest.raises(LogError, match=sentence):
        store.add_photo(logged, replace(PHOTO, **change))
    assert store.photo_ids(logged, 1) == []


def test_photos_come_oldest_first(logged):
    for number in (2, 0, 1):
        store.add_photo(logged, replace(PHOTO, id=f"p{number}", taken_at=SEEN + timedelta(minutes=number)))
    assert [one.id for one in store.photos_of_cover(logged, 1)] == ["p0", "p1", "p2"]
    assert [(cover, one.id) for cover, one in store.photos_of_yard(logged, 1)] == [(1, "p0"), (1, "p1"), (1, "p2")]
    assert store.photos_of_yard(logged, 2) == []


def test_a_photo_goes_with_the_correction_of_what_it_shows(logged):
    store.add_photo(logged, replace(PHOTO, finding_id="chafe"))
    store.add_photo(logged, replace(PHOTO, id="q", inspection_id=None, action_id="taped"))
    log.add_inspection(logged, replace(VISIT, id="visit 2", corrects_id="visit"))
    log.add_inspection(logged, replace(VISIT, id="visit 3", corrects_id="visit 2"))
    log.add_finding(logged, replace(CHAFE, id="chafe 2", severity=2, corrects_id="chafe"))
    log.add_action(logged, replace(TAPED, id="taped 2", corrects_id="taped"))
    seen, done = store.photos_of_cover(logged, 1)
    assert (seen.inspection_id, seen.finding_id, done.action_id) == ("visit 3", "chafe 2", "taped 2")


def test_a_withdrawn_photo_is_shown_nowhere_and_stays(logged):
    store.add_photo(logged, PHOTO)
    assert store.withdraw(logged, "p", at=SEEN, by="Ida", note="a face")
    assert store.photo(logged, "p") is None
    assert store.photos_of_cover(logged, 1) == store.photos_of_yard(logged, 1) == []
    assert store.photo_ids(logged, 1) == ["p"]
    assert not store.withdraw(logged, "p", at=SEEN + timedelta(days=1), by="Bo", note="")
    assert not store.add_photo(logged, PHOTO)  # a phone that sends it again does not bring it back
    assert store.photo(logged, "p") is None


def test_only_a_logged_photo_can_be_withdrawn(logged):
    with pytest.raises(LogError, match="no photo"):
        store.withdraw(logged, "p", at=SEEN, by="Ida", note="")


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE photos SET note = 'x'",
        "DELETE FROM photos",
        "DELETE FROM photo_withdrawals",
        "INSERT OR REPLACE INTO photo_withdrawals VALUES ('p', '2026-01-10T14:00:00Z', 'Bo', '')",
    ],
)
def test_rows_of_photos_are_only_added(logged, statement):
    store.add_photo(logged, PHOTO)
    store.withdraw(logged, "p", at=SEEN, by="Ida", note="")
    with pytest.raises(sqlite3.IntegrityError, match="only added"):
        logged.execute(statement)
