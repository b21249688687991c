"""The log: entries that arrive once and whole, corrections, and what was known when."""

import uuid
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from monitor.errors import LogError
from monitor.inspections import Action, Finding, Inspection
from monitor.store import register
from monitor.store.inspections import Log, add_action, add_finding, add_inspection, log_of_cover, log_of_yard

NINE = datetime(2026, 1, 10, 9, tzinfo=UTC)
HOUR = timedelta(hours=1)


def new_id():
    return str(uuid.uuid4())


def inspection(**changed):
    fields = {"id": new_id(), "cover_id": 1, "inspected_at": NINE, "recorded_at": NINE, "inspector": "Ines"}
    return Inspection(**({"inside": False} | fields | changed))


def finding(of, **changed):
    fields = {"id": new_id(), "inspection_id": of.id, "place": "bow", "defect": "tear", "severity": 2}
    return Finding(**({"recorded_at": of.recorded_at} | fields | changed))


def action(**changed):
    fields = {"id": new_id(), "cover_id": 1, "acted_at": NINE, "recorded_at": NINE, "actor": "Jo", "action": "taped"}
    return Action(**(fields | changed))


def correction_of(entry, **changed):
    return replace(entry, id=new_id(), corrects_id=entry.id, recorded_at=entry.recorded_at + HOUR, **changed)


def test_an_entry_comes_back_as_it_was_given(conn, yard_id):
    seen = inspection(inside=True, note="dry", snow_depth_m=0.25, snow_water_mm=60.0, band_drop_m=0.19)
    found = [finding(seen, note="20 cm"), finding(seen, place="stands", defect="stand_shifted", severity=3)]
    done = action(note="both sides", quantity=2.0, finding_id=found[0].id)
    assert add_inspection(conn, seen, found)
    assert add_action(conn, done)
    log = log_of_yard(conn, yard_id)
    assert log.inspections == [seen]
    assert sorted(log.findings, key=lambda entry: entry.severity) == found
    assert log.actions == [done]
    assert type(log.inspections[0].inside) is bool


def test_an_inspection_without_findings_is_one_too(conn, yard_id):
    seen = inspection()
    assert add_inspection(conn, seen)
    assert log_of_cover(conn, 1) == Log([seen], [], [])
    assert log_of_cover(conn, 2) == Log([], [], [])


def test_an_entry_sent_twice_arrives_once(conn, yard_id):
    seen = inspection()
    found, done = [finding(seen), finding(seen, place="stern")], action()
    later_found = finding(seen, place="ridge", defect="sag")
    for again, arrived_at in enumerate((NINE, NINE + HOUR, NINE + 2 * HOUR)):
        arrived = [replace(entry, recorded_at=arrived_at) for entry in (seen, *found, done, later_found)]
        assert add_inspection(conn, arrived[0], arrived[1:3]) == (again == 0)
        assert add_action(conn, arrived[3]) == (again == 0)
        assert add_finding(conn, arrived[4]) == (again == 0)
    log = log_of_yard(conn, yard_id, history=True)
    assert [len(entries) for entries in (log.inspections, log.findings, log.actions)] == [1, 3, 1]
    assert {entry.recorded_at for entry in (*log.inspections, *log.findings, *log.actions)} == {NINE}


def test_an_entry_sent_twice_after_its_correction_still_arrives_once(conn, yard_id):
    seen = inspection()
    found = finding(seen)
    add_inspection(conn, seen, [found])
    add_inspection(conn, correction_of(seen, note="corrected"))
    add_finding(conn, correction_of(found, severity=3))
    assert not add_inspection(conn, seen, [found])


def test_an_id_stands_for_one_entry(conn, yard_id):
    seen = inspection(note="first")
    found, done = finding(seen), action()
    add_inspection(conn, seen, [found])
    add_action(conn, done)
    with pytest.raises(LogError, match=r"Inspection .* is logged with note 'first', now it says 'second'"):
        add_inspection(conn, replace(seen, note="second"))
    with pytest.raises(LogError, match=r"Finding .* is logged with severity 2, now it says 1"):
        add_finding(conn, replace(found, severity=1))
    with pytest.raises(LogError, match=r"Action .* is logged with cover_id 1, now it says 2"):
        add_action(conn, replace(done, cover_id=2))
    with pytest.raises(LogError, match="is logged already, without some of these findings"):
        add_inspection(conn, seen, [found, finding(seen, place="stern")])
    assert log_of_yard(conn, yard_id) == Log([seen], [found], [done])


def test_an_inspection_with_one_wrong_finding_is_not_logged_at_all(conn, yard_id):
    seen = inspection()
    with pytest.raises(LogError, match=r"keel. is not a place; expected one of ridge.*Nothing was logged"):
        add_inspection(conn, seen, [finding(seen), finding(seen, place="keel")])
    with pytest.raises(LogError, match="belongs to another inspection"):
        add_inspection(conn, seen, [finding(inspection())])
    assert log_of_yard(conn, yard_id, history=True) == Log([], [], [])


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"defect": "dent"}, "is not a defect; expected one of"),
        ({"severity": 4}, "Severity 4 is not one of 0, 1, 2, 3"),
        ({"severity": -1}, "Severity -1 is not one of"),
        ({"defect": "stand_shifted", "severity": 2}, r"always severity 3.*found 2.*tell the yard.s stand crew"),
        ({"defect": "tied_to_stand", "severity": 1}, "always severity 3.*found 1"),
        ({"defect": "other"}, "needs a note"),
        ({"inspection_id": "nowhere"}, "inspection nowhere is not logged"),
    ],
)
def test_a_finding_that_cannot_be_is_refused_with_a_sentence(conn, yard_id, changed, sentence):
    seen = inspection()
    add_inspection(conn, seen)
    with pytest.raises(LogError, match=sentence):
        add_finding(conn, finding(seen, **changed))
    assert log_of_yard(conn, yard_id).findings == []


def test_a_stand_found_sound_again_is_a_finding_of_severity_0(conn, yard_id):
    seen = inspection()
    assert add_inspection(conn, seen, [finding(seen, place="stands", defect="tied_to_stand", severity=0)])


def test_an_action_that_cannot_be_is_refused_with_a_sentence(conn, yard_id):
    seen = inspection(cover_id=2)
    found = finding(seen)
    add_inspection(conn, seen, [found])
    for wrong, sentence in (
        (action(action="moved_stand"), r"'moved_stand' is not known.*Known actions: cleared_snow"),
        (action(cover_id=99), "no cover with the id 99"),
        (action(finding_id="nowhere"), "names finding nowhere, not logged for its cover"),
        (action(finding_id=found.id), "not logged for its cover"),
    ):
        with pytest.raises(LogError, match=sentence):
            add_action(conn, wrong)
    with pytest.raises(LogError, match="no cover with the id 99"):
        add_inspection(conn, inspection(cover_id=99))
    assert log_of_yard(conn, yard_id).actions == []


def test_a_correction_stands_for_what_it_corrects_and_the_chain_stays_readable(conn, yard_id):
    first = inspection(note="bow torn")
    second = correction_of(first, note="stern torn")
    third = correction_of(second, note="stern torn, 30 cm", inspected_at=NINE - HOUR)
    for entry in (first, second, third):
        add_inspection(conn, entry)
    assert log_of_cover(conn, 1).inspections == [third]
    assert log_of_cover(conn, 1, history=True).inspections == [third, first, second]  # by the time of the check
    known = [log_of_cover(conn, 1, known_at=NINE + hours * HOUR).inspections for hours in (-1, 0, 1, 2)]
    assert known == [[], [first], [second], [third]]


def test_a_correction_names_the_last_of_its_chain_at_the_same_cover(conn, yard_id):
    seen, elsewhere = inspection(), inspection(cover_id=2)
    found, done = finding(seen), action()
    add_inspection(conn, seen, [found])
    add_inspection(conn, elsewhere, [finding(elsewhere)])
    add_action(conn, done)
    corrections = [correction_of(seen), correction_of(found, severity=3), correction_of(done, note="twice")]
    for add, right, wrong_cover in (
        (add_inspection, corrections[0], replace(corrections[0], id=new_id(), cover_id=2)),
        (add_finding, corrections[1], replace(corrections[1], id=new_id(), inspection_id=elsewhere.id)),
        (add_action, corrections[2], replace(corrections[2], id=new_id(), cover_id=2)),
    ):
        with pytest.raises(LogError, match="corrects nowhere, which is not logged"):
            add(conn, replace(right, corrects_id="nowhere"))
        with pytest.raises(LogError, match="which is not logged"):
            add(conn, replace(right, corrects_id=right.id))
        with pytest.raises(LogError, match="which belongs to another cover"):
            add(conn, wrong_cover)
        assert add(conn, right)
        with pytest.raises(LogError, match=rf"is corrected by {right.id} already\. .*Correct that one"):
            add(conn, replace(right, id=new_id()))
    log = log_of_cover(conn, 1)
    assert (log.inspections, log.actions) == ([corrections[0]], [corrections[2]])
    assert [entry.id for entry in log.findings] == [corrections[1].id]


def test_a_corrected_inspection_keeps_its_findings_under_the_correction(conn, yard_id):
    # a correction of the time or the note must not make an open finding vanish
    seen = inspection()
    found = finding(seen, severity=3)
    add_inspection(conn, seen, [found])
    corrected = correction_of(seen, inspected_at=NINE - HOUR)
    add_inspection(conn, corrected)
    assert log_of_cover(conn, 1).findings == [replace(found, inspection_id=corrected.id)]
    assert log_of_cover(conn, 1, history=True).findings == [found]
    assert log_of_cover(conn, 1, known_at=NINE).findings == [found]


def test_an_action_that_names_a_corrected_finding_names_its_correction(conn, yard_id):
    seen = inspection()
    found = finding(seen)
    done = action(finding_id=found.id)
    add_inspection(conn, seen, [found])
    add_action(conn, done)
    corrected = correction_of(found, severity=1)
    add_finding(conn, corrected)
    assert log_of_cover(conn, 1).actions == [replace(done, finding_id=corrected.id)]
    assert log_of_cover(conn, 1, history=True).actions == [done]


def test_as_of_leaves_out_what_happened_later_and_known_at_what_was_recorded_later(conn, yard_id):
    early, late = inspection(), inspection(inspected_at=NINE + 5 * HOUR, recorded_at=NINE + 5 * HOUR)
    told_late = inspection(inspected_at=NINE - HOUR, recorded_at=NINE + 3 * HOUR)
    for entry in (early, late, told_late):
        add_inspection(conn, entry, [finding(entry)])
    add_action(conn, action(acted_at=NINE + HOUR, recorded_at=NINE + HOUR))

    def seen(**moments):
        log = log_of_yard(conn, yard_id, **moments)
        assert [entry.inspection_id for entry in log.findings] == [entry.id for entry in log.inspections]
        return [entry.id for entry in log.inspections], len(log.actions)

    assert seen() == ([told_late.id, early.id, late.id], 1)
    assert seen(as_of=NINE) == ([told_late.id, early.id], 0)
    assert seen(as_of=NINE, known_at=NINE) == ([early.id], 0)
    assert seen(as_of=NINE + HOUR, known_at=NINE + HOUR) == ([early.id], 1)
    assert seen(as_of=NINE - 2 * HOUR) == ([], 0)


def test_a_correction_that_moves_a_check_to_later_takes_it_out_of_the_time_before(conn, yard_id):
    seen = inspection()
    add_inspection(conn, seen)
    add_inspection(conn, correction_of(seen, inspected_at=NINE + 3 * HOUR))
    assert log_of_cover(conn, 1, as_of=NINE + HOUR).inspections == []
    assert log_of_cover(conn, 1, as_of=NINE + HOUR, known_at=NINE).inspections == [seen]


def test_a_yard_reads_only_its_own_log(conn, yard_id, make_cover):
    yard = register.yard(conn, "north")
    east_id = register.add_yard(conn, replace(yard, key="east"))
    register.save_covers(conn, "east", [make_cover("E-1")], NINE)
    add_inspection(conn, inspection(cover_id=3))
    add_inspection(conn, inspection(cover_id=1))
    assert [entry.cover_id for entry in log_of_yard(conn, east_id).inspections] == [3]
    assert [entry.cover_id for entry in log_of_yard(conn, yard_id).inspections] == [1]


def test_the_log_of_an_old_cover_stays_when_the_boat_is_wrapped_anew(conn, yard_id):
    add_inspection(conn, inspection())
    register.start_new_cover(conn, 1, date(2026, 1, 12), NINE + 48 * HOUR, NINE + 48 * HOUR)
    assert [entry.cover_id for entry in log_of_yard(conn, yard_id).inspections] == [1]


def test_times_are_kept_to_the_second_in_utc(conn, yard_id):
    local = datetime.fromisoformat("2026-01-10T04:00:00.750-05:00")
    add_inspection(conn, inspection(inspected_at=local))
    assert log_of_cover(conn, 1).inspections[0].inspected_at == NINE
    assert conn.execute("SELECT inspected_at FROM inspections").fetchone()[0] == "2026-01-10T09:00:00Z"
    with pytest.raises(ValueError, match="has no time zone"):
        add_inspection(conn, inspection(inspected_at=datetime(2026, 1, 10, 9)))
