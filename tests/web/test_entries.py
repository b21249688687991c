"""Entries as forms and phones give them: what is read, what is refused in which words, and that each is logged once."""

import shutil
import uuid
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_yard import COVERS, DAY, HOUR, WRAPPED, YARD, record_yard

from monitor.errors import LogError, RegisterError
from monitor.exchange.entry_values import (
    EntryError,
    NewAction,
    NewFinding,
    NewInspection,
    action_from,
    inspection_from,
    past_moment,
)
from monitor.exchange.log_columns import LONGEST_NOTE
from monitor.inspections import ACTIONS, DEFECTS, PLACES
from monitor.operations.log import record_action, record_finding
from monitor.operations.register import import_covers
from monitor.store import inspections as store
from monitor.store import register
from monitor.store.connection import connect
from monitor.web.entries import (
    IdTakenError,
    NotThereError,
    action_form_values,
    inspection_form_values,
    log_action,
    log_inspection,
)

NOW = datetime(2023, 12, 2, 14, 30, tzinfo=UTC)
"""09:30 on the yard's clock."""
KEY = "0d4ad0c9-6c6f-4a8f-9a0b-3f0a8f5a1c11"
OTHER_KEY = "7f1f7a52-58a4-4f6e-8a55-5a3a0a7f2b22"


@dataclass(frozen=True)
class Somebody:
    name: str


IDA, OLA = Somebody("Ida"), Somebody("Ola")


@pytest.fixture(scope="module")
def yard_database(tmp_path_factory):
    path = tmp_path_factory.mktemp("entries") / "yard.db"
    with closing(connect(path, create=True)) as conn:
        record_yard(conn)
    return path


@pytest.fixture
def conn(yard_database, tmp_path):
    """The yard with its covers and an empty log; a copy for each test, which is quicker than making it."""
    with closing(connect(shutil.copy(yard_database, tmp_path))) as conn:
        yield conn


def log(conn):
    return store.log_of_yard(conn, register.yard_id(conn, "north"), history=True)


def problems(read, values):
    with pytest.raises(EntryError) as refusal:
        read(values)
    assert str(refusal.value) == f"{' '.join(refusal.value.problems)} Nothing was logged."
    return list(refusal.value.problems)


# --- reading


def test_an_inspection_is_read_with_its_measures_in_si():
    entry = inspection_from(
        {
            "id": KEY.upper(),
            "yard": "north",
            "boat": " 01 ",
            "inspected_at": "2023-12-02T14:00:00Z",
            "inside": True,
            "snow_depth": "6 in",
            "snow_water_mm": "30 mm",
            "band_drop": "20cm",
            "gust_seen": "28kn",
            "note": "two of us\r\nfrom the ladder",
            "findings": [{"defect": "loose_band", "place": "port", "severity": 2, "note": ""}],
        }
    )
    assert entry == NewInspection(
        id=KEY,
        boat="01",
        yard="north",
        inspected_at=datetime(2023, 12, 2, 14, tzinfo=UTC),
        inside=True,
        findings=(NewFinding("loose_band", "port", 2, ""),),
        snow_depth_m=0.1524,  # 6 in of 25.4 mm
        snow_water_mm=30.0,
        band_drop_m=0.2,
        gust_seen_ms=28 * 1852 / 3600,
        note="two of us\nfrom the ladder",
    )


def test_an_action_is_read():
    values = {"id": KEY, "boat": "01", "action": "vents_added", "quantity": 2, "finding": OTHER_KEY}
    assert action_from(values) == NewAction(KEY, "01", "vents_added", quantity=2.0, finding=OTHER_KEY)


def test_what_is_left_out_is_not_given_and_an_id_is_made():
    first, second = (inspection_from({"boat": "01", "note": None, "snow_depth": ""}) for _ in range(2))
    assert first.id != second.id
    assert uuid.UUID(first.id).version == 4
    assert first.snow_depth_m is first.inspected_at is first.corrects is None
    assert (first.inside, first.findings, first.note) == (False, (), "")


@pytest.mark.parametrize(
    "values, problem",
    [
        ({"inside": 0}, "inside: found 0, expected true or false."),
        ({"inside": "yes"}, "inside: found 'yes', expected true or false."),
        ({"note": False}, "note: found false, expected text."),
        ({"boat": 1}, "boat: found 1, expected text."),
        ({"boat": " "}, "boat: is missing."),
        ({"boat": "7" * 81}, "boat: has 81 letters, at most 80 are taken."),
        ({"note": "a" * (LONGEST_NOTE + 1)}, "note: has 4001 letters, at most 4000 are taken."),
        ({"note": "a\0b"}, "note: has letters that cannot be written down."),
        ({"note": "\ud800"}, "note: has letters that cannot be written down."),
        ({"id": "1"}, "id: found '1', expected a UUID."),
        ({"id": f"{{{KEY}}}"}, f"id: found '{{{KEY}}}', expected a UUID."),
        ({"corrects": "0d4ad0c9"}, "corrects: found '0d4ad0c9', expected a UUID."),
        ({"snow_depth": 0.15}, "snow_depth: found 0.15, expected text."),
        ({"snow_depth": "15"}, "snow_depth: 15 has no unit; write for example 6in or 15cm."),
        ({"gust_seen": "a lot"}, "gust_seen: a lot is not a speed such as 15 m/s, 30 mph or 28 kn."),
        ({"snow_water_mm": True}, "snow_water_mm: found true, expected text."),
        ({"snow_water_mm": -1}, "snow_water_mm: found -1, expected a number from 0 to 100000."),
        ({"snow_water_mm": float("inf")}, "snow_water_mm: found inf, expected a number from 0 to 100000."),
        ({"snow_water_mm": "1,5"}, "snow_water_mm: found '1,5', expected a number from 0 to 100000 of mm."),
        ({"snow_water_mm": "9" * 70}, f"snow_water_mm: found '{'9' * 70}', expected a number from 0 to 100000 of mm."),
        ({"colour": "red"}, "'colour': is not known here; leave it out."),
        ({"findings": {}}, "findings: expected a list of objects with defect, place, severity and note."),
        ({"findings": ["tear"]}, "findings: expected a list of objects with defect, place, severity and note."),
        ({"findings": [{}] * 101}, "findings: has 101, at most 100 are taken."),
    ],
)
def test_a_value_of_another_kind_is_refused_in_a_sentence(values, problem):
    assert problems(inspection_from, {"boat": "01", **values}) == [problem]


@pytest.mark.parametrize("severity", [None, True, False, 2.0, "2", 4, -1])
def test_a_severity_is_one_of_four_whole_numbers_and_nothing_else(severity):
    finding = {"defect": "tear", "place": "bow", "severity": severity}
    (problem,) = problems(inspection_from, {"boat": "01", "findings": [finding]})
    assert problem.startswith("Finding 1, severity: found ")
    assert problem.endswith(", expected 0, 1, 2 or 3.")


@pytest.mark.parametrize(
    "text",
    ["now", "2023-12-02", "14:00", "20231202T140000Z", "2023-W48-6T10:00", "2023-13-02T14:00Z", "1023-12-02T14:00Z"]
    + ["2023-12-02T14:00:60Z", "2023-12-02T25:00", "٢٠٢٣-12-02T14:00Z"],
)
def test_a_moment_is_a_date_and_a_time(text):
    (problem,) = problems(inspection_from, {"boat": "01", "inspected_at": text})
    assert problem.startswith(f"inspected_at: found {text!r}, expected a date and time such as ")


def test_every_problem_is_told_at_once():
    findings = [
        {"defect": "rip", "place": "left", "severity": 9},
        {"defect": "tear", "place": "bow", "severity": 1, "x": 1},
    ]
    assert problems(inspection_from, {"id": "x", "inside": 1, "findings": findings, "more": 1}) == [
        "id: found 'x', expected a UUID.",
        "boat: is missing.",
        "inside: found 1, expected true or false.",
        "Finding 1, severity: found 9, expected 0, 1, 2 or 3.",
        f"Finding 1, defect: found 'rip', expected one of {', '.join(DEFECTS)}.",
        f"Finding 1, place: found 'left', expected one of {', '.join(PLACES)}.",
        "Finding 2, 'x': is not known here; leave it out.",
        "'more': is not known here; leave it out.",
    ]
    assert problems(action_from, {"boat": "01", "action": "", "quantity": "two"}) == [
        "action: is missing.",
        "quantity: found 'two', expected a number from 0 to 100000.",
    ]


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)
FIELDS = [
    "id",
    "yard",
    "boat",
    "inspected_at",
    "inside",
    "snow_depth",
    "snow_water_mm",
    "gust_seen",
    "note",
    "findings",
]


@given(st.dictionaries(st.sampled_from([*FIELDS, "action", "quantity", "finding", "x"]), anything))
def test_whatever_is_sent_is_read_or_refused_with_sentences(values):
    for read in (inspection_from, action_from):
        told, entry = (), None
        try:
            entry = read(values)
        except EntryError as error:
            told = error.problems
        assert (entry is None) == bool(told)
        assert all(problem.endswith(".") for problem in told)
        if entry is not None:
            assert uuid.UUID(entry.id)
            assert 0 < len(entry.boat) <= 80
            assert entry.note.encode().decode() == entry.note


# --- forms


def test_a_form_is_read_as_the_same_entry_in_json():
    form = {
        "id": KEY,
        "boat": "01",
        "inside": "1",
        "snow_depth": "15 cm",
        "note": "",
        "corrects": "",
        "defect-0": "tear",
        "place-0": "bow",
        "severity-0": "2",
        "note-0": "a hand long",
        "defect-1": "",
        "place-1": "",
        "severity-1": "",
        "note-1": " ",
        "defect-12": "sag",
        "place-12": "stern",
        "severity-12": "1",
        "photos": b"",
        "back": "walk",
    }
    assert inspection_from(inspection_form_values(form)) == NewInspection(
        id=KEY,
        boat="01",
        inside=True,
        snow_depth_m=0.15,
        findings=(NewFinding("tear", "bow", 2, "a hand long"), NewFinding("sag", "stern", 1, "")),
    )


def test_a_note_without_a_defect_is_not_dropped():
    form = {"boat": "01", "defect-0": "", "place-0": "", "severity-0": "", "note-0": "a hole"}
    assert [problem.partition(" found")[0] for problem in problems(inspection_from, inspection_form_values(form))] == [
        "Finding 1, severity:",
        "Finding 1, defect: is missing.",
        "Finding 1, place: is missing.",
    ]


def test_all_sound_with_a_finding_is_refused():
    form = {"boat": "01", "sound": "1", "defect-0": "tear", "place-0": "bow", "severity-0": "1"}
    assert problems(inspection_form_values, form) == [
        "All sound was chosen, and findings are written below: leave out the one or the other."
    ]
    assert inspection_from(inspection_form_values({"boat": "01", "sound": "1", "inside": "1"})).inside


def test_an_action_form_is_read():
    form = {
        "id": "",
        "boat": "01",
        "action": "post_added",
        "quantity": "2",
        "finding": "",
        "note": "oak",
        "photos": b"",
    }
    entry = action_from(action_form_values(form))
    assert (entry.action, entry.quantity, entry.finding, entry.note) == ("post_added", 2.0, None, "oak")


# --- logging


def look(conn, account=IDA, now=NOW, **values):
    return log_inspection(conn, YARD, inspection_from({"id": KEY, "boat": "01"} | values), account, now)


def work(conn, account=IDA, now=NOW, **values):
    return log_action(conn, YARD, action_from({"id": KEY, "boat": "01", "action": "taped"} | values), account, now)


TEAR = {"defect": "tear", "place": "bow", "severity": 2}
SAG = {"defect": "sag", "place": "stern", "severity": 1}


def test_an_entry_that_comes_late_keeps_its_own_moment_and_gets_that_of_its_arrival(conn):
    is_new, said = look(conn, now=NOW + 5 * HOUR, inspected_at="2023-12-02T14:30:00Z")
    (visit,) = log(conn).inspections
    assert is_new
    assert said == [f"Logged inspection {KEY[:8]} of boat 01 (Plum): all sound."]
    assert (visit.inspected_at, visit.recorded_at, visit.inspector) == (NOW, NOW + 5 * HOUR, "Ida")


@pytest.mark.parametrize("inspected_at", ["2023-12-02T09:15", "2023-12-02 09:15:00", "2023-12-02T15:15:00+01:00"])
def test_a_moment_without_an_offset_is_on_the_yards_clock(conn, inspected_at):
    look(conn, inspected_at=inspected_at)
    assert log(conn).inspections[0].inspected_at == datetime(2023, 12, 2, 14, 15, tzinfo=UTC)


@pytest.mark.parametrize(
    "moment, said",
    [
        # The clock of New York was put back at 02:00 EDT on 5 November 2023, and forward at 02:00 EST on 12 March.
        (
            "2023-11-05T01:30",
            "shows it twice; write it with its offset, 2023-11-05T01:30-04:00 or 2023-11-05T01:30-05:00.",
        ),
        ("2023-03-12T02:30", "it was put forward past it; write 2023-03-12 03:30, or the time in UTC."),
    ],
)
def test_an_hour_that_the_clock_shows_twice_or_never_is_refused(conn, moment, said):
    with pytest.raises(EntryError) as refusal:
        look(conn, inspected_at=moment)
    assert said in str(refusal.value)
    assert not log(conn).inspections


def test_a_moment_ahead_is_refused_but_for_a_clocks_error(conn):
    assert look(conn, inspected_at="2023-12-02T14:40:00Z")[0]
    with pytest.raises(EntryError, match="inspected_at: 2023-12-02 09:40 EST has not come yet"):  # on the yard's clock
        look(conn, id=OTHER_KEY, inspected_at="2023-12-02T14:40:01Z")
    with pytest.raises(EntryError, match=r"acted_at: .* has not come yet"):
        work(conn, acted_at="2023-12-02T14:41:00Z")


def test_a_moment_before_the_wrapping_is_refused(conn):
    for record, name in ((look, "inspected_at"), (work, "acted_at")):
        with pytest.raises((LogError, RegisterError), match="wrapped on 2023-10-20"):
            record(conn, **{name: "2023-10-19T12:00"})
    assert not log(conn).inspections + log(conn).actions


def test_a_boat_that_is_not_there_is_told_apart(conn):
    for record in (look, work):
        with pytest.raises(NotThereError, match='Yard "north" has no boat 77'):
            record(conn, boat="77")


def test_the_same_entry_again_is_not_new_and_changes_nothing(conn):
    entry = {"note": "wet", "findings": [TEAR, SAG], "snow_depth": "6in", "inspected_at": "2023-12-02T14:30:00Z"}
    assert look(conn, **entry)[0]
    before = log(conn)
    is_new, said = look(conn, now=NOW + DAY, **entry | {"findings": [SAG, TEAR]})
    assert not is_new
    assert said == [f"Inspection {KEY[:8]} of boat 01 was logged before; nothing was changed."]
    assert log(conn) == before
    assert work(conn, acted_at="2023-12-02T14:30:00Z") != work(conn, acted_at="2023-12-02T14:30:00Z", now=NOW + DAY)
    assert len(log(conn).actions) == 1


def test_an_entry_without_a_moment_comes_again_with_that_of_its_first_arrival(conn):
    assert look(conn)[0]
    assert not look(conn, now=NOW + HOUR)[0]
    assert work(conn)[0]
    assert not work(conn, now=NOW + HOUR)[0]
    assert (log(conn).inspections[0].inspected_at, log(conn).actions[0].acted_at) == (NOW, NOW)


@pytest.mark.parametrize(
    "change",
    [
        {"note": "dry"},
        {"boat": "02"},
        {"inside": True},
        {"snow_depth": "7in"},
        {"inspected_at": "2023-12-02T14:29:00Z"},
        {"findings": [TEAR]},
        {"findings": []},
        {"findings": [TEAR, SAG | {"severity": 2}]},
        {"findings": [TEAR, SAG, {"defect": "chafe", "place": "bow", "severity": 1}]},
        {"account": OLA},
    ],
    ids=str,
)
def test_an_id_that_stands_for_another_inspection_is_refused(conn, change):
    entry = {"note": "wet", "findings": [TEAR, SAG], "snow_depth": "6in", "inspected_at": "2023-12-02T14:30:00Z"}
    look(conn, **entry)
    before = log(conn)
    with pytest.raises(IdTakenError):
        look(conn, **entry | change)
    assert log(conn) == before


@pytest.mark.parametrize("change", [{"note": "x"}, {"action": "rewelded"}, {"boat": "02"}, {"account": OLA}])
def test_an_id_that_stands_for_another_action_is_refused(conn, change):
    work(conn, acted_at="2023-12-02T14:30:00Z")
    with pytest.raises(IdTakenError):
        work(conn, **{"acted_at": "2023-12-02T14:30:00Z"} | change)
    assert len(log(conn).actions) == 1


def test_an_id_of_another_yard_is_refused(conn):
    from dataclasses import replace

    south = replace(YARD, key="south", name="South Basin")
    register.save_yards(conn, [south])
    import_covers(conn, south, COVERS.encode(), "covers.csv", WRAPPED)
    look(conn)
    with pytest.raises(IdTakenError, match="another yard"):
        log_inspection(conn, south, inspection_from({"id": KEY, "boat": "01"}), IDA, NOW)
    assert len(log(conn).inspections) == 1


def test_findings_added_later_do_not_stand_in_the_way_of_a_repeat(conn):
    look(conn, findings=[TEAR])
    record_finding(conn, YARD, "01", NewFinding("chafe", "bow", 1), recorded_at=NOW + HOUR, inspection_id=KEY)
    assert not look(conn, findings=[TEAR], now=NOW + HOUR)[0]
    assert len(log(conn).findings) == 2


def test_a_repeat_after_the_boat_was_wrapped_anew_is_still_a_repeat(conn):
    entry = {"inspected_at": "2023-12-02T14:00:00Z"}
    look(conn, **entry)
    rewrap = {"action": "rewrapped", "acted_at": "2023-12-02T13:00:00Z"}
    assert work(conn, **rewrap)[0]
    assert not look(conn, **entry)[0]
    assert not work(conn, **rewrap)[0]
    assert len(register.all_covers(conn, "north")) == 4


def test_a_repeat_after_its_correction_is_still_a_repeat(conn):
    entry = {"note": "wet", "inspected_at": "2023-12-02T14:30:00Z"}
    look(conn, **entry)
    correction = {"id": OTHER_KEY, "note": "dry", "corrects": KEY}
    assert look(conn, **correction)[0]
    assert not look(conn, **entry)[0]
    assert not look(conn, **correction, now=NOW + HOUR)[0]
    assert [visit.note for visit in log(conn).inspections] == ["wet", "dry"]


def test_a_refused_entry_leaves_nothing_behind(conn):
    with pytest.raises(LogError):
        look(conn, findings=[TEAR, {"defect": "other", "place": "bow", "severity": 1}])
    with pytest.raises(LogError):
        work(conn, action="post_added", quantity=1.5)
    assert log(conn).inspections == log(conn).findings == log(conn).actions == []


def test_the_action_names_what_it_puts_right(conn):
    look(conn, findings=[TEAR])
    (tear,) = log(conn).findings
    work(conn, finding=tear.id)
    record_action(conn, YARD, "02", action="taped", actor="Ola", acted_at=NOW, recorded_at=NOW)
    with pytest.raises(LogError, match="is of boat 01, not of boat 02"):
        work(conn, id=OTHER_KEY, boat="02", finding=tear.id)
    assert [action.finding_id for action in log(conn).actions if action.actor == "Ida"] == [tear.id]


@given(st.lists(st.sampled_from(ACTIONS), min_size=1, max_size=3, unique=True))
def test_every_action_of_the_list_is_read(actions):
    assert [action_from({"boat": "01", "action": action}).action for action in actions] == actions


@pytest.mark.parametrize("delay", [timedelta(0), timedelta(days=90)])
def test_a_photo_moment_and_an_entry_moment_are_read_alike(conn, delay):
    assert past_moment("taken_at", "2023-12-02T09:30", YARD, NOW + delay) == NOW
    assert past_moment("taken_at", "", YARD, NOW) is None
