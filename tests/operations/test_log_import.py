"""Inspection files into the log: all or nothing, twice is once, everything that stands in the way told at once."""

import base64
import csv
import io
import json
import shutil
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_yard import DAY, HOUR, YARD
from PIL import Image
from PIL.ExifTags import IFD, Base

from monitor.errors import LogError
from monitor.exchange.entry_values import NewFinding
from monitor.exchange.log_files import LogFileError
from monitor.inspections import finding_id
from monitor.operations.log import STAND_CAUTION, record_action, record_finding, record_inspection
from monitor.operations.log_import import export_log, import_log
from monitor.operations.photos import original_bytes, photo_folder, photos_of_boat
from monitor.store import inspections as store
from monitor.store import register
from monitor.store.connection import connect

NOW = datetime(2023, 12, 10, 12, tzinfo=UTC)
AT = datetime(2023, 12, 2, 14, 30, tzinfo=UTC)
"""09:30 on the yard's clock."""

SOUND = {"boat": "01", "at": "2023-12-02 09:30", "by": "Ida"}
CHAFE = SOUND | {"defect": "chafe", "place": "bow", "severity": "1"}
TAPED = SOUND | {"action": "taped"}

VISIT = "6f0c6f6e-5b1c-4f0a-9d3b-2a1d3c4e5f60"
OTHER = "0b7c1f3a-5b1c-4f0a-9d3b-2a1d3c4e5f60"


def table(*rows):
    header = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([row.get(name, "") for name in header] for row in rows)
    return text.getvalue().encode()


def load(conn, content, path=None, **choices):
    folder = photo_folder(Path(path)) if path is not None else Path("nowhere.photos")
    settings = {"now": NOW, "by": "", "photo_files": None, "photo_folder": folder} | choices
    return import_log(conn, YARD, content, "paper.csv", **settings)


def log(conn, **choices):
    return store.log_of_yard(conn, register.yard_id(conn, "north"), **choices)


def state(conn):
    """All that an import could change: the log, builds, covers and photos."""
    rows = {table: conn.execute(f"SELECT * FROM {table} ORDER BY 1, 2").fetchall() for table in TABLES}
    return {table: [tuple(row) for row in found] for table, found in rows.items()}


TABLES = ("inspections", "findings", "actions", "photos", "covers", "cover_builds")


def problems(conn, content, path=None, **choices):
    """Every problem for which a file is refused; nothing of it was taken."""
    before = state(conn)
    with pytest.raises(LogFileError) as refusal:
        load(conn, content, path, **choices)
    assert state(conn) == before
    return [str(problem) for problem in refusal.value.problems]


# --- what is logged


def test_paper_is_logged_as_if_it_had_been_typed(conn):
    rows = [
        CHAFE | {"snow_depth_in": "6", "inside": "yes", "note": "thin"},
        SOUND | {"boat": "02"},
        TAPED | {"at": "2023-12-02 10:00"},
    ]
    assert load(conn, table(*rows)) == ["paper.csv: logged 2 inspections, 1 finding, 1 action."]
    first, second = sorted(log(conn).inspections, key=lambda one: one.cover_id)
    assert (first.inspected_at, first.recorded_at, first.inspector, first.inside) == (AT, NOW, "Ida", True)
    assert first.snow_depth_m == 0.1524  # 6 x 25.4 mm
    (found,) = log(conn).findings
    assert (found.inspection_id, found.defect, found.place, found.severity, found.note) == (
        first.id,
        "chafe",
        "bow",
        1,
        "thin",
    )
    assert second.inspected_at == AT
    (act,) = log(conn).actions
    assert act.acted_at == AT + HOUR / 2


def test_a_stand_that_moved_is_told_at_once(conn):
    row = SOUND | {"defect": "stand_shifted", "place": "stands", "severity": "3"}
    assert load(conn, table(row))[1:] == [STAND_CAUTION]
    assert load(conn, table(row))[1:] == []


def test_actions_build_the_register_on_in_the_order_of_their_time(conn):
    later = {"action": "vents_added", "quantity": "2", "at": "2023-12-05 10:00"}
    rows = [
        SOUND | later,
        SOUND | {"at": "2023-12-06 09:00"},
        SOUND | {"action": "rewrapped", "at": "2023-12-04 10:00"},
        SOUND,
    ]
    load(conn, table(*rows))
    old, new = [cover for cover in register.all_covers(conn, "north") if cover.boat.number == "01"]
    assert [build.vent_count for build in new.builds] == [4, 6]
    assert [(one.inspected_at, one.cover_id) for one in log(conn).inspections] == [
        (AT, old.id),
        (datetime(2023, 12, 6, 14, tzinfo=UTC), new.id),
    ]


def test_an_entry_comes_after_what_it_names_wherever_it_stands_in_the_file(conn):
    found = finding_id(VISIT, "bow", "chafe")
    rows = [
        SOUND | {"action": "taped", "finding": found, "at": "2023-12-02 09:00"},
        SOUND | {"id": OTHER, "corrects": VISIT, "at": "2023-12-01 09:00", "note": "a day earlier"},
        CHAFE | {"inspection": VISIT},
        SOUND | {"id": VISIT},
    ]
    load(conn, table(*rows))
    (visit,) = log(conn).inspections
    assert (visit.id, visit.note) == (OTHER, "a day earlier")
    assert log(conn).actions[0].finding_id == found


def test_entries_that_name_each_other_in_a_circle_are_refused(conn):
    rows = [SOUND | {"id": VISIT, "corrects": OTHER}, SOUND | {"id": OTHER, "corrects": VISIT}]
    (told,) = problems(conn, table(*rows))
    assert "fits none of the inspections" in told


def test_findings_go_to_inspections_logged_before(conn):
    load(conn, table(SOUND | {"id": VISIT}))
    rows = [CHAFE | {"inspection": VISIT[:8], "at": "", "by": ""}]
    assert load(conn, table(*rows)) == ["paper.csv: logged 1 finding."]
    assert load(conn, table(*rows)) == ["paper.csv: logged nothing new; 1 logged before."]
    assert log(conn).findings[0].inspection_id == VISIT


# --- twice is once


ENTRIES = st.lists(
    st.fixed_dictionaries(
        {
            "boat": st.sampled_from(["01", "02", "03"]),
            "at": st.integers(0, 5).map(lambda day: f"2023-12-0{day + 2} 09:30"),
            "by": st.sampled_from(["Ida", "Bo"]),
            "action": st.sampled_from(["", "vents_added", "rewrapped", "cleared_snow"]),
        }
    ),
    min_size=1,
    max_size=4,
    unique_by=lambda row: (row["boat"], row["at"], row["by"], row["action"]),
)


def consistent(rows):
    """At most one re-wrap of a boat in a day: the register has one cover for a day of wrapping."""
    wraps = [(row["boat"], row["at"]) for row in rows if row["action"] == "rewrapped"]
    return len(wraps) == len(set(wraps))


@given(rows=ENTRIES.filter(consistent))
def test_importing_twice_is_importing_once(law_conn, rows):
    rows = [row | {"quantity": "2"} if row["action"] == "vents_added" else row for row in rows]
    law_conn.execute("BEGIN IMMEDIATE")
    try:
        load(law_conn, table(*rows))
        once = state(law_conn)
        (said,) = load(law_conn, table(*reversed(rows)), now=NOW + DAY)
        assert said == f"paper.csv: logged nothing new; {len(rows)} logged before."
        assert state(law_conn) == once
    finally:
        law_conn.rollback()


@pytest.fixture(scope="module")
def law_conn(yard_file, tmp_path_factory):
    """A database for laws: each example writes in a transaction and takes it back."""
    with closing(connect(shutil.copy(yard_file, tmp_path_factory.mktemp("law") / "law.db"))) as opened:
        yield opened


def test_more_rows_later_add_only_themselves(conn):
    load(conn, table(CHAFE))
    assert load(conn, table(CHAFE, TAPED)) == ["paper.csv: logged 1 action; 2 logged before."]


@pytest.mark.parametrize(
    "change, sentence",
    [
        ({"severity": "2"}, "is logged with severity 1, now it says 2"),
        ({"place": "stern"}, "logged already, without some of these findings"),
        ({"note": "thin"}, "is logged with note '', now it says 'thin'"),
        ({"inside": "yes"}, "is logged with inside"),
    ],
)
def test_a_row_that_was_changed_since_is_refused_with_its_line(conn, change, sentence):
    load(conn, table(SOUND | {"boat": "02"}, CHAFE))
    (told,) = problems(conn, table(SOUND | {"boat": "02"}, CHAFE | change))
    assert told.startswith("paper.csv line 3: ")
    assert sentence in told


def test_a_phones_entry_that_came_over_the_air_as_well_is_known(conn):
    finding = NewFinding("chafe", "bow", 1)
    record_inspection(
        conn, YARD, "01", inspector="Ida", inspected_at=AT, recorded_at=AT, findings=[finding], inspection_id=VISIT
    )
    record_action(conn, YARD, "01", action="taped", actor="Ida", acted_at=AT, recorded_at=AT, action_id=OTHER)
    seen = {"id": VISIT, "boat": "01", "inspected_at": "2023-12-02T14:30:00Z", "findings": [vars(finding)]}
    done = {"id": OTHER, "boat": "01", "acted_at": "2023-12-02T14:30:00Z", "action": "taped"}
    queue = json.dumps({"by": "Ida", "inspections": [seen], "actions": [done]}).encode()
    assert load(conn, queue) == ["paper.csv: logged nothing new; 3 logged before."]


# --- nothing, where anything is wrong


def test_one_bad_row_of_a_thousand_loads_nothing(conn):
    rows = [SOUND | {"at": f"2023-11-{1 + n // 60:02} 10:{n % 60:02}", "by": f"P{n}"} for n in range(999)]
    rows.insert(700, SOUND | {"boat": "99"})
    (told,) = problems(conn, table(*rows))
    assert told.startswith("paper.csv line 702, column boat: ")


@pytest.mark.thorough
def test_one_row_of_a_thousand_that_the_log_refuses_undoes_the_rest(conn):
    rows = [SOUND | {"at": f"2023-11-{1 + n // 60:02} 10:{n % 60:02}", "by": f"P{n}"} for n in range(999)]
    rows.insert(700, SOUND | {"corrects": "ffff"})
    (told,) = problems(conn, table(*rows))
    assert told.startswith("paper.csv line 702: The id 'ffff' fits none of the inspections")
    assert "Nothing was logged" not in told


def test_everything_that_stands_in_the_way_is_told_at_once(conn):
    rows = [
        SOUND | {"boat": "1"},
        SOUND | {"at": "2024-01-01 09:00"},
        SOUND | {"at": "2023-10-01 09:00"},
        SOUND | {"photos": "IMG_1.jpg"},
    ]
    told = problems(conn, table(*rows))
    assert [one.split(":")[0] for one in told] == [
        "paper.csv line 2, column boat",
        "paper.csv line 3, column at",
        "paper.csv line 4, column at",
        "paper.csv line 5, column photos",
    ]
    assert "Did you mean 01?" in told[0]
    assert "has not come yet" in told[1]
    assert "is not after boat 01 was first wrapped" in told[2]
    assert "Name the folder with --photos" in told[3]


def test_what_hangs_on_a_refused_entry_is_not_told_again(conn):
    rows = [
        SOUND | {"id": VISIT, "corrects": "ffff"},
        CHAFE | {"inspection": VISIT, "id": OTHER},
        TAPED | {"finding": OTHER},
    ]
    assert len(problems(conn, table(*rows))) == 1


def test_a_check_tries_everything_and_logs_nothing(conn, path):
    before = state(conn)
    (said,) = load(conn, table(CHAFE, TAPED), path, check=True)
    assert said == (
        "paper.csv can be imported: 1 inspection, 1 finding, 1 action. Nothing was logged: it was only checked."
    )
    assert state(conn) == before
    assert len(problems(conn, table(SOUND | {"corrects": "ffff"}), path, check=True)) == 1
    assert not photo_folder(Path(path)).exists()


# --- photos


def a_photo(colour=(200, 30, 30), when=None):
    exif = Image.Exif()
    if when is not None:
        exif.get_ifd(IFD.Exif)[Base.DateTimeOriginal] = when
    file = io.BytesIO()
    Image.new("RGB", (80, 60), colour).save(file, "JPEG", exif=exif)
    return file.getvalue()


@pytest.fixture
def scans(tmp_path):
    """A folder with photos, a letter, and a photo beside the folder."""
    folder = tmp_path / "scans"
    folder.mkdir()
    (folder / "IMG 1.jpg").write_bytes(a_photo())
    (folder / "IMG_2.png").write_bytes(a_photo((1, 2, 3), when="2023:12:02 09:35:00"))  # a JPEG, whatever its name
    (folder / "letter.jpg").write_bytes(b"Dear yard")
    (folder / "large.jpg").write_bytes(a_photo() + bytes(15_000_000))
    (tmp_path / "outside.jpg").write_bytes(a_photo())
    return folder


def test_photos_named_in_a_table_are_logged_with_their_entry(conn, path, scans):
    rows = [
        CHAFE | {"photos": "IMG 1.jpg | IMG_2.png"},
        SOUND | {"photos": "IMG 1.jpg"},
        TAPED | {"photos": "IMG 1.jpg"},
    ]
    said = load(conn, table(*rows), path, photo_files=scans)
    assert said == ["paper.csv: logged 1 inspection, 1 finding, 1 action, 4 photos."]
    photos = photos_of_boat(conn, YARD, "01")
    assert sorted((one.finding_id is not None, one.action_id is not None) for one in photos) == [
        (False, False),
        (False, True),
        (True, False),
        (True, False),
    ]
    # the camera's own time where it has one, else the entry's
    assert {one.taken_at for one in photos} == {AT, AT + timedelta(minutes=5)}
    assert {one.taken_by for one in photos} == {"Ida"}
    folder = photo_folder(Path(path))
    assert {original_bytes(folder, one) for one in photos} == {
        (scans / n).read_bytes() for n in ("IMG 1.jpg", "IMG_2.png")
    }
    assert load(conn, table(*rows), path, photo_files=scans, now=NOW + DAY) == [
        "paper.csv: logged nothing new; 7 logged before."
    ]


def test_photos_that_cannot_be_taken_are_told_with_their_line(conn, path, scans):
    rows = [SOUND | {"photos": "IMG 1.jpg|img_2.png|letter.jpg|large.jpg", "boat": boat} for boat in ("01", "02")]
    told = problems(conn, table(*rows), path, photo_files=scans)
    assert len(told) == 6
    assert told[0].startswith("paper.csv line 2, column photos: img_2.png: There is no file img_2.png in ")
    assert "letter.jpg: The photo cannot be taken: it is of an unknown kind" in told[1]
    assert "large.jpg: The photo cannot be taken: it has 15.0 MB" in told[2]
    assert told[5].startswith("paper.csv line 3, column photos: ")


@pytest.mark.parametrize("name", ["../outside.jpg", "scans/../outside.jpg", "/etc/hostname"])
def test_a_name_that_climbs_out_of_the_folder_never_reaches_the_disk(conn, path, scans, monkeypatch, name):
    touched = []
    monkeypatch.setattr(Path, "open", lambda self, *rest: touched.append(self))
    (told,) = problems(conn, table(SOUND | {"photos": name}), path, photo_files=scans)
    assert "is not a plain file name" in told
    assert touched == []


def test_photos_of_a_phones_queue_come_with_it(conn, path):
    image = base64.b64encode(a_photo()).decode()
    photo = {"id": OTHER, "image": image, "taken_at": "2023-12-02T14:31:00Z", "note": "port"}
    found = {"defect": "chafe", "place": "bow", "severity": 1, "note": "", "photos": [{"image": image}]}
    seen = {"id": VISIT, "boat": "01", "inspected_at": "2023-12-02T14:30:00Z", "findings": [found], "photos": [photo]}
    queue = json.dumps({"by": "Ida", "inspections": [seen]}).encode()
    assert load(conn, queue, path, check=True)[0].startswith("paper.csv can be imported: 1 inspection, 1 finding, 2 ph")
    assert load(conn, queue, path) == ["paper.csv: logged 1 inspection, 1 finding, 2 photos."]
    by_id = {one.id: one for one in photos_of_boat(conn, YARD, "01")}
    assert (by_id[OTHER].taken_at, by_id[OTHER].note) == (AT + timedelta(minutes=1), "port")
    assert load(conn, queue, path) == ["paper.csv: logged nothing new; 4 logged before."]
    broken = queue.replace(image.encode(), base64.b64encode(a_photo()[:-100]))
    (first, second) = problems(conn, broken, path)
    assert first.startswith("paper.csv, inspections[0]: The photo cannot be taken: it is damaged or cut off")
    assert second.startswith("paper.csv, inspections[0].findings[0]: The photo cannot be taken")


# --- an export goes back


def test_an_export_changes_nothing_where_it_came_from_and_makes_the_same_log_elsewhere(conn, yard_file, tmp_path):
    record_inspection(
        conn,
        YARD,
        "01",
        inspector="Ida",
        inspected_at=AT,
        recorded_at=AT,
        findings=[NewFinding("chafe", "bow", 1, "=1+1"), NewFinding("sag", "stern", 2)],
        inspection_id=VISIT,
        snow_depth_m=0.1,
        gust_seen_ms=12.5,
    )
    record_finding(conn, YARD, "01", NewFinding("tear", "port", 2), recorded_at=AT + HOUR)
    chafe = finding_id(VISIT, "bow", "chafe")
    record_finding(conn, YARD, "01", NewFinding("chafe", "bow", 2), recorded_at=AT + HOUR, corrects_id=chafe)
    record_inspection(
        conn, YARD, "01", inspector="Ida", inspected_at=None, recorded_at=AT + HOUR, corrects_id=VISIT, note="in rain"
    )
    record_action(
        conn, YARD, "01", action="vents_added", quantity=2, actor="Bo", acted_at=AT + DAY, recorded_at=AT + DAY
    )
    record_action(conn, YARD, "01", action="taped", actor="Bo", acted_at=AT, recorded_at=AT, finding_id=chafe)
    record_action(conn, YARD, "02", action="rewrapped", actor="Bo", acted_at=AT + DAY, recorded_at=AT + DAY)
    for units in ("metric", "us"):
        exported = export_log(conn, YARD, units)
        before = state(conn)
        assert load(conn, exported.encode()) == ["paper.csv: logged nothing new; 9 logged before."]
        assert state(conn) == before
    with closing(connect(shutil.copy(yard_file, tmp_path / "other.db"))) as other:
        load(other, exported.encode())

        def entries(where):
            found = log(where, history=True)
            rows = [*found.inspections, *found.findings, *found.actions]
            return sorted(repr(vars(row) | {"recorded_at": None}) for row in rows)

        assert entries(other) == entries(conn)
        assert register.all_covers(other, "north") == register.all_covers(conn, "north")


def test_an_empty_log_exports_its_header_alone(conn):
    assert export_log(conn, YARD, "us").count("\r\n") == 1
    with pytest.raises(LogError, match="a header alone"):
        load(conn, export_log(conn, YARD, "us").encode())
