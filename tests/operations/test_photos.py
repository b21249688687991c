"""Photos into the log: the file is safe before its row is there, odd clocks are told, and what is damaged is said."""

import errno
import io
import os
import uuid
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from invented_yard import HOUR, WRAPPED, YARD
from PIL import Image
from PIL.ExifTags import GPS, IFD, Base

from monitor.errors import LogError, StoreError
from monitor.exchange.entry_values import NewFinding
from monitor.operations import photos as operations
from monitor.operations.log import record_action, record_inspection
from monitor.operations.photos import (
    original_bytes,
    original_path,
    photo,
    photo_folder,
    photo_rows,
    photos_of_boat,
    recent_inspection,
    record_photo,
    upright_copy,
    withdraw_photo,
)
from monitor.store import inspections as log_store
from monitor.store import photos as photo_store
from monitor.store import register

SEEN = datetime(2023, 12, 2, 14, 30, tzinfo=UTC)
"""09:30 on the yard's clock."""

VISIT = "6f0c6f6e-5b1c-4f0a-9d3b-2a1d3c4e5f60"
WORK = "0b7c1f3a-5b1c-4f0a-9d3b-2a1d3c4e5f60"


def a_photo(colour=(200, 30, 30), kind="JPEG", size=(80, 60), when=None, offset=None, place=False):
    exif = Image.Exif()
    if when is not None:
        exif.get_ifd(IFD.Exif)[Base.DateTimeOriginal] = when
    if offset is not None:
        exif.get_ifd(IFD.Exif)[Base.OffsetTimeOriginal] = offset
    if place:
        exif.get_ifd(IFD.GPSInfo)[GPS.GPSLatitude] = (43.0, 39.0, 36.0)
        exif.get_ifd(IFD.GPSInfo)[GPS.GPSProcessingMethod] = b"SECRETPLACE"
    file = io.BytesIO()
    Image.new("RGB", size, colour).save(file, kind, exif=exif)
    return file.getvalue()


RED = a_photo()


@pytest.fixture
def folder(path):
    return photo_folder(Path(path))


@pytest.fixture
def take(conn, folder):
    """Logs a photo of boat 01's inspection with one finding, or of the action there."""
    record_inspection(
        conn,
        YARD,
        "01",
        inspector="Ida",
        inspected_at=SEEN,
        recorded_at=SEEN,
        findings=[NewFinding("chafe", "bow", 1)],
        inspection_id=VISIT,
    )
    record_action(conn, YARD, "01", action="taped", actor="Ida", acted_at=SEEN, recorded_at=SEEN, action_id=WORK)

    def record(data=RED, **choices):
        owner = {} if {"finding_id", "action_id", "inspection_id"} & set(choices) else {"inspection_id": VISIT}
        given = {"photo_id": None, "recorded_at": SEEN + HOUR, "taken_by": "Ida"} | owner | choices
        return record_photo(conn, folder, YARD, data=data, **given)

    return record


def the_finding(conn):
    (found,) = log_store.log_of_yard(conn, register.yard_id(conn, "north")).findings
    return found


def files(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


# --- where it lies


def test_photos_lie_beside_their_database():
    assert photo_folder(Path("yards/north.db")) == Path("yards/north.photos")


def test_a_photo_is_kept_as_taken_under_its_hash(conn, folder, take):
    said, moment = take(a_photo(place=True))
    assert moment.startswith("The picture does not say when it was taken: the time of logging stands instead.")
    (logged,) = photos_of_boat(conn, YARD, "01")
    assert said == f"Logged photo {logged.id[:8]} of boat 01, taken Sat 2 Dec 2023 10:30 EST."
    assert files(folder) == [f"{logged.sha256[:2]}/{logged.sha256}.jpg"]
    assert original_bytes(folder, logged) == a_photo(place=True)
    assert (logged.width_px, logged.height_px, logged.media_type) == (80, 60, "image/jpeg")
    assert (logged.inspection_id, logged.finding_id, logged.action_id) == (VISIT, None, None)
    assert photo_store.whose(conn, logged).boat == "01"


def test_two_photos_of_the_same_bytes_share_their_file(conn, folder, take):
    take()
    take(action_id=WORK)
    assert len(photos_of_boat(conn, YARD, "01")) == 2
    assert len(files(folder)) == 1


def test_the_same_photo_again_changes_nothing(conn, folder, take):
    key = str(uuid.uuid4())
    for choices in ({"photo_id": key}, {}):
        take(**choices)
        (said,) = take(**choices, recorded_at=SEEN + 9 * HOUR)
        assert "was logged before; nothing was changed." in said
    assert len(photos_of_boat(conn, YARD, "01")) == 2


def test_an_id_with_other_bytes_is_refused(conn, take):
    key = str(uuid.uuid4())
    take(photo_id=key)
    with pytest.raises(LogError, match="is logged with sha256"):
        take(a_photo((1, 2, 3)), photo_id=key)
    assert len(photos_of_boat(conn, YARD, "01")) == 1


def test_a_photo_of_a_finding_belongs_to_its_inspection(conn, take):
    take(finding_id=the_finding(conn).id[:8])
    (logged,) = photos_of_boat(conn, YARD, "01")
    assert (logged.inspection_id, logged.finding_id) == (VISIT, the_finding(conn).id)
    (row,) = photo_rows(conn, YARD, "01")
    assert row["what"].startswith(f"of finding {the_finding(conn).id[:8]}, 80 x 60 px")
    assert photo_rows(conn, YARD, "02") == []


# --- what is refused, and that nothing is left of it


@pytest.mark.parametrize(
    "choices, sentence",
    [
        ({"inspection_id": "ffff"}, "fits none of the inspections"),
        ({"inspection_id": ""}, "fits none of the inspections"),
        ({"inspection_id": "../../etc/passwd"}, "fits none of the inspections"),
        ({"finding_id": "ffff"}, "fits none of the findings"),
        ({"action_id": "ffff"}, "fits none of the actions"),
        ({"action_id": WORK, "inspection_id": VISIT}, "not both"),
        ({"inspection_id": None}, "belongs to nothing"),
        ({"taken_by": "  "}, "name of who took the photo is empty"),
        ({"boat": "02"}, "is of boat 01, not of boat 02"),
        ({"data": b"<svg/>"}, "HTML, SVG or XML"),
        ({"data": RED[:-200]}, "damaged or cut off"),
        ({"taken_at": SEEN + 5 * HOUR}, "has not come yet"),
    ],
)
def test_what_cannot_be_taken_leaves_no_row(conn, folder, take, choices, sentence):
    with pytest.raises(LogError, match=sentence):
        take(**choices)
    assert photos_of_boat(conn, YARD, "01") == []


def test_what_belongs_nowhere_leaves_no_file_either(folder, take):
    with pytest.raises(LogError, match="fits none"):
        take(inspection_id="ffff")
    assert not folder.exists()


def test_a_full_disk_leaves_neither_row_nor_half_a_file(conn, folder, take, monkeypatch):
    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(operations.os, "fsync", full)
    with pytest.raises(StoreError, match="No space left on device"):
        take()
    assert photos_of_boat(conn, YARD, "01") == []
    assert [name for name in files(folder) if name.endswith(".jpg")] == []


def test_the_file_is_on_disk_for_good_before_its_row_is_written(folder, take, monkeypatch):
    done = []
    monkeypatch.setattr(operations.os, "fsync", lambda handle: done.append("sync"))

    def add(conn, entry):
        done.append("row")
        assert original_path(folder, entry.sha256, entry.media_type).read_bytes() == RED
        raise LogError("stopped here")

    monkeypatch.setattr(operations.store, "add_photo", add)
    with pytest.raises(LogError, match="stopped here"):
        take()
    assert done[-1] == "row"
    assert done.count("sync") >= 3  # the new folders' parents, the file, and its folder
    assert len(files(folder)) == 1  # a spare file does no harm


def test_a_damaged_original_is_put_right_by_the_same_photo(conn, folder, take):
    take()
    (logged,) = photos_of_boat(conn, YARD, "01")
    original_path(folder, logged.sha256, logged.media_type).write_bytes(b"")
    take()
    assert original_bytes(folder, logged) == RED


# --- the camera's clock


@pytest.mark.parametrize(
    "when, offset, taken",
    [
        ("2023:12:02 09:28:10", None, datetime(2023, 12, 2, 14, 28, 10, tzinfo=UTC)),  # EST is UTC-5
        ("2023:12:02 09:28:10", "-05:00", datetime(2023, 12, 2, 14, 28, 10, tzinfo=UTC)),
        ("2023:12:02 15:28:10", "+01:00", datetime(2023, 12, 2, 14, 28, 10, tzinfo=UTC)),
    ],
)
def test_the_time_is_the_cameras_on_the_yards_clock_unless_it_says_its_offset(conn, take, when, offset, taken):
    (said,) = take(a_photo(when=when, offset=offset))
    assert "Sat 2 Dec 2023 09:28 EST" in said
    assert photos_of_boat(conn, YARD, "01")[0].taken_at == taken


@pytest.mark.parametrize(
    "when, offset, doubt",
    [
        ("2024:12:02 09:28:10", None, "has not come yet"),
        ("2000:01:01 00:00:07", None, "is before the boat was wrapped"),
        ("0001:01:01 00:00:00", "+05:00", "is before the boat was wrapped"),
        ("9999:12:31 23:59:59", None, "has not come yet"),
    ],
)
def test_a_camera_with_a_wrong_clock_is_not_believed_and_that_is_said(conn, take, when, offset, doubt):
    _, said = take(a_photo(when=when, offset=offset))
    assert doubt in said
    assert "the time of logging stands instead" in said
    assert photos_of_boat(conn, YARD, "01")[0].taken_at == SEEN + HOUR


def test_a_time_given_goes_before_the_cameras(conn, take):
    take(a_photo(when="2000:01:01 00:00:07"), taken_at=SEEN)
    assert photos_of_boat(conn, YARD, "01")[0].taken_at == SEEN


def test_a_photo_without_more_belongs_to_the_inspection_of_the_last_12_hours(conn, take):
    assert recent_inspection(conn, YARD, "01", SEEN + 11 * HOUR) == VISIT
    for boat, now in (("01", SEEN + 13 * HOUR), ("02", SEEN)):
        with pytest.raises(LogError, match=f"Boat {boat} has no inspection in the last 12 hours"):
            recent_inspection(conn, YARD, boat, now)


# --- what is shown


def test_the_copy_is_small_upright_made_once_and_says_no_place(conn, folder, take):
    take(a_photo(size=(3200, 1600), place=True))
    (logged,) = photos_of_boat(conn, YARD, "01")
    copy = upright_copy(folder, logged)
    assert Image.open(io.BytesIO(copy)).size == (1600, 800)
    assert b"SECRETPLACE" not in copy
    assert b"Exif" not in copy
    (kept,) = [name for name in files(folder) if name.startswith("upright/")]
    (folder / kept).write_bytes(copy + b"\xff\xd9")
    assert upright_copy(folder, logged) == copy + b"\xff\xd9"  # kept, not made again
    (folder / kept).write_bytes(b"")
    assert upright_copy(folder, logged) == copy  # half a copy is made again


def test_a_folder_that_may_only_be_read_still_shows_its_photos(conn, folder, take, monkeypatch):
    take()
    (logged,) = photos_of_boat(conn, YARD, "01")

    def refused(*arguments, **named):
        raise PermissionError(errno.EACCES, "no")

    monkeypatch.setattr(Path, "mkdir", refused)
    assert upright_copy(folder, logged).startswith(b"\xff\xd8")


def test_a_missing_or_changed_original_is_told(conn, folder, take):
    take()
    (logged,) = photos_of_boat(conn, YARD, "01")
    path = original_path(folder, logged.sha256, logged.media_type)
    path.write_bytes(RED + b"x")
    for way in (original_bytes, upright_copy):
        with pytest.raises(LogError, match=f"photo {logged.id[:8]} is damaged: its {len(RED) + 1} bytes"):
            way(folder, logged)
    path.unlink()
    for way in (original_bytes, upright_copy):
        with pytest.raises(
            LogError, match=r"cannot be read \(No such file or directory\)\. Restore .*\.jpg from a backup"
        ):
            way(folder, logged)


def test_a_withdrawn_photo_is_shown_nowhere_and_its_file_stays(conn, folder, take):
    take()
    (logged,) = photos_of_boat(conn, YARD, "01")
    (said,) = withdraw_photo(conn, YARD, logged.id[:8], by="Ida", at=SEEN + 2 * HOUR, note="a face")
    assert said.startswith(f"Withdrew photo {logged.id[:8]}")
    assert photos_of_boat(conn, YARD, "01") == photo_rows(conn, YARD) == []
    with pytest.raises(LogError, match="never logged, or it was withdrawn"):
        photo(conn, logged.id)
    assert original_bytes(folder, logged) == RED
    (said,) = withdraw_photo(conn, YARD, logged.id, by="Ida", at=SEEN + 3 * HOUR, note="")
    assert "was withdrawn before" in said
    for wrong in ("", "zz", "%"):
        with pytest.raises(LogError, match="fits none of the photos"):
            withdraw_photo(conn, YARD, wrong, by="Ida", at=SEEN, note="")


def test_a_photo_of_an_earlier_cover_stays_with_its_boat(conn, take):
    take()
    again = SEEN + timedelta(days=3)
    record_action(conn, YARD, "01", action="rewrapped", actor="Ida", acted_at=again, recorded_at=again)
    assert len(photos_of_boat(conn, YARD, "01")) == 1
    assert WRAPPED < SEEN < again
