"""Logging what was seen and done: what is taken, what is refused and in which words, what it does to the register."""

import uuid
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

import pytest
from invented_yard import COVERS, DAY, HOUR, WRAPPED, YARD

from monitor.errors import LogError, RegisterError
from monitor.exchange.entry_values import NewFinding, finding_from_text, length_from_text
from monitor.inspections import ACTIONS, DEFECTS, PLACES, STAND_DEFECTS
from monitor.operations.log import (
    STAND_CAUTION,
    log_rows,
    record_action,
    record_finding,
    record_inspection,
)
from monitor.operations.register import import_covers
from monitor.store import inspections as store
from monitor.store import register

SEEN = datetime(2023, 12, 2, 14, 30, tzinfo=UTC)
"""09:30 on the yard's clock."""


def look(conn, boat="01", at=SEEN, *findings, **choices):
    settings = {"inspector": "Ida", "recorded_at": at or SEEN} | choices
    return record_inspection(conn, YARD, boat, inspected_at=at, findings=findings, **settings)


def find(conn, boat="01", finding=None, **choices):
    finding = finding or NewFinding("chafe", "bow", 1)
    return record_finding(conn, YARD, boat, finding, **({"recorded_at": SEEN + HOUR} | choices))


def work(conn, boat="01", action="taped", at=SEEN, **choices):
    settings = {"actor": "Ida", "recorded_at": at or SEEN} | choices
    return record_action(conn, YARD, boat, action=action, acted_at=at, **settings)


def log(conn, **choices):
    return store.log_of_yard(conn, register.yard_id(conn, "north"), **choices)


def counts(conn, **choices):
    entries = log(conn, **choices)
    return len(entries.inspections), len(entries.findings), len(entries.actions)


def builds(conn, boat="01", at=None):
    """Moment, vents and posts of each build of the boat's cover."""
    cover = register.find_cover(conn, "north", boat, at)
    return [(build.built_at, build.vent_count, build.post_count) for build in cover.builds]


@contextmanager
def refused(conn, error=LogError):
    """Checks that the block is refused, and that nothing was logged."""
    before = counts(conn, history=True)
    with pytest.raises(error) as refusal:
        yield refusal
    assert counts(conn, history=True) == before


# --- inspections


def test_an_inspection_without_findings_says_that_all_was_sound(conn):
    (said,) = look(conn)
    (visit,) = log(conn).inspections
    assert said == f"Logged inspection {visit.id[:8]} of boat 01 (Plum): all sound."
    assert (visit.inspected_at, visit.inspector, visit.inside) == (SEEN, "Ida", False)


def test_an_inspection_is_logged_with_all_that_it_found(conn):
    said = look(
        conn,
        "02",
        SEEN,
        NewFinding("sag", "stern", 2, "over the cockpit"),
        NewFinding("vent_lost", "vent", 1),
        snow_depth_m=0.15,
        snow_water_mm=30.0,
        band_drop_m=0.2,
        inside=True,
        note="two of us",
    )
    entries = log(conn)
    (visit,) = entries.inspections
    assert said == [
        f"Logged inspection {visit.id[:8]} of boat 02 (Fig): 2 findings.",
        *(
            f"Finding {finding.id[:8]}: {words}."
            for finding, words in zip(
                sorted(entries.findings, key=lambda f: -f.severity),
                ["sag at stern, severity 2 (repair soon)", "vent lost, severity 1 (watch)"],
                strict=True,
            )
        ),
    ]
    assert (visit.snow_depth_m, visit.snow_water_mm, visit.band_drop_m) == (0.15, 30.0, 0.2)
    assert (visit.inside, visit.note) == (True, "two of us")
    assert {(f.defect, f.place, f.severity, f.note) for f in entries.findings} == {
        ("sag", "stern", 2, "over the cockpit"),
        ("vent_lost", "vent", 1, ""),
    }


@pytest.mark.parametrize("defect", sorted(set(DEFECTS) - STAND_DEFECTS))
@pytest.mark.parametrize("severity", [0, 1, 2, 3])
def test_every_defect_of_the_list_is_taken(conn, defect, severity):
    look(conn, "01", SEEN, NewFinding(defect, "port", severity, "seen"))
    assert log(conn).findings[0].severity == severity


@pytest.mark.parametrize("place", PLACES)
def test_every_place_of_the_list_is_taken(conn, place):
    look(conn, "01", SEEN, NewFinding("tear", place, 1))
    assert log(conn).findings[0].place == place


@pytest.mark.parametrize("defect", sorted(STAND_DEFECTS))
def test_a_stand_defect_is_severity_3_and_goes_to_the_stand_crew(conn, defect):
    said = look(conn, "01", SEEN, NewFinding(defect, "stands", 3))
    assert said[-1] == STAND_CAUTION
    assert STAND_CAUTION == (
        "This is for the yard's stand crew: tell them now. Nobody else touches a stand or its blocking."
    )


@pytest.mark.parametrize("defect", sorted(STAND_DEFECTS))
@pytest.mark.parametrize("severity", [1, 2])
def test_a_stand_defect_of_any_other_severity_is_refused(conn, defect, severity):
    with refused(conn) as refusal:
        look(conn, "01", SEEN, NewFinding(defect, "stands", severity))
    assert str(refusal.value) == (
        f"{defect} is always severity 3, or 0 where it was found sound; found {severity}. Nothing was logged. Log it "
        "again as 3, and tell the yard's stand crew."
    )


def test_a_stand_found_sound_needs_no_caution(conn):
    assert STAND_CAUTION not in look(conn, "01", SEEN, NewFinding("stand_shifted", "stands", 0))


@pytest.mark.parametrize(
    "finding, sentence",
    [
        (NewFinding("rip", "port", 2), f"'rip' is not a defect; expected one of {', '.join(DEFECTS)}."),
        (NewFinding("tear", "left", 2), f"'left' is not a place; expected one of {', '.join(PLACES)}."),
        (NewFinding("tear", "port", 4), "Severity 4 is not one of 0, 1, 2, 3."),
        (NewFinding("tear", "port", -1), "Severity -1 is not one of 0, 1, 2, 3."),
        (NewFinding("other", "port", 1, "  "), 'A defect "other" needs a note that says what was seen.'),
    ],
)
def test_a_finding_outside_the_lists_is_refused_with_the_whole_inspection(conn, finding, sentence):
    with refused(conn) as refusal:
        look(conn, "01", SEEN, NewFinding("chafe", "bow", 1), finding)
    assert str(refusal.value) == f"{sentence} Nothing was logged."


@pytest.mark.parametrize(
    "measured, sentence",
    [
        ({"snow_depth_m": 15.0}, "The snow depth of 15 m is not between 0 and 6 m."),
        ({"snow_depth_m": -0.1}, "The snow depth of -0.1 m is not between 0 and 6 m."),
        ({"snow_water_mm": float("nan")}, "The snow water of nan mm is not between 0 and 2000 mm."),
        ({"band_drop_m": 20.0}, "The band drop of 20 m is not between 0 and 2 m."),
    ],
)
def test_a_measure_that_only_a_slip_of_the_pen_gives_is_refused(conn, measured, sentence):
    with refused(conn) as refusal:
        look(conn, **measured)
    assert str(refusal.value) == f"{sentence} Nothing was logged. Check the number and its unit."


def test_the_same_defect_twice_at_one_place_is_refused(conn):
    with refused(conn) as refusal:
        look(conn, "01", SEEN, NewFinding("tear", "port", 1), NewFinding("tear", "port", 2))
    assert str(refusal.value) == (
        "tear at port is given twice. Nothing was logged. Give it once, with the worse severity and a note."
    )


@pytest.mark.parametrize(
    "text, told",
    [
        ("Ida\x1b[31m", r"'\x1b' at place 4"),
        ("Ida\x07", r"'\x07' at place 4"),
        ("I\x00da", r"'\x00' at place 2"),
        ("Ida\udcff", r"'\udcff' at place 4"),
    ],
)
def test_letters_that_a_terminal_would_obey_are_not_written_down(conn, text, told):
    for act in (
        lambda: look(conn, inspector=text),
        lambda: look(conn, "01", SEEN, NewFinding("tear", "bow", 2, text)),
        lambda: look(conn, note=text),
        lambda: work(conn, actor=text),
        lambda: work(conn, note=text),
    ):
        with refused(conn) as refusal:
            act()
        assert f"has a letter that cannot be written down, {told}. Nothing was logged." in str(refusal.value)
    look(conn, note="Ida\tsaid:\nno")  # tabs and lines are


@pytest.mark.parametrize("name", ["", "   "])
def test_somebody_has_looked_or_worked(conn, name):
    with refused(conn) as refusal:
        look(conn, inspector=name)
    assert str(refusal.value) == "The name of who looked is empty. Nothing was logged. Say who it was."
    with refused(conn) as refusal:
        work(conn, actor=name)
    assert str(refusal.value) == "The name of who did it is empty. Nothing was logged. Say who it was."


def test_an_unknown_boat_offers_near_ones(conn):
    with refused(conn, RegisterError) as refusal:
        look(conn, "1")
    assert str(refusal.value) == 'Yard "north" has no boat 1 with a cover. Did you mean 01?'


@pytest.mark.parametrize("act", [look, work])
def test_before_the_wrapping_there_was_nothing_to_log(conn, act):
    with refused(conn, RegisterError) as refusal:
        act(conn, at=WRAPPED - HOUR)
    assert str(refusal.value) == ("Boat 01 had no cover then: its first was wrapped on 2023-10-20. Give a later time.")


def test_a_cover_whose_first_build_came_in_the_afternoon_was_not_there_in_the_morning(conn):
    header, plum, *_ = COVERS.splitlines()
    late = [
        header.replace("wrapped_on", "wrapped_on,built_on"),
        plum.replace("01,Plum", "08,Ash").replace(",A,1,", ",C,1,"),
    ]
    late[1] = late[1].replace("2023-10-20", "2023-10-20,2023-10-20T15:00")
    import_covers(conn, YARD, "\n".join(late).encode(), "covers.csv", WRAPPED)
    with refused(conn) as refusal:
        look(conn, "08", WRAPPED + 10 * HOUR)
    assert str(refusal.value) == (
        "Boat 08 was wrapped on 2023-10-20; Fri 20 Oct 2023 10:00 EDT is before that. Nothing was logged. "
        "Check the time."
    )


def test_an_entry_that_a_phone_sends_twice_is_logged_once(conn):
    key = str(uuid.uuid4())
    look(conn, "01", SEEN, NewFinding("tear", "port", 2), inspection_id=key)
    said = look(conn, "01", SEEN, NewFinding("tear", "port", 2), inspection_id=key, recorded_at=SEEN + DAY)
    assert said == [f"Inspection {key[:8]} of boat 01 was logged before; nothing was changed."]
    assert counts(conn) == (1, 1, 0)
    act = str(uuid.uuid4())
    work(conn, "01", "vents_added", quantity=2, action_id=act)
    said = work(conn, "01", "vents_added", quantity=2, action_id=act, recorded_at=SEEN + DAY)
    assert said == [f"Action {act[:8]} was logged before; nothing was changed."]
    assert [vents for _, vents, _ in builds(conn)] == [4, 6]
    found = str(uuid.uuid4())
    find(conn, finding_id=found)
    assert find(conn, finding_id=found) == [f"Finding {found[:8]} was logged before; nothing was changed."]
    assert counts(conn) == (1, 2, 1)


def test_one_id_never_stands_for_two_things(conn):
    key = str(uuid.uuid4())
    look(conn, "01", SEEN, inspection_id=key)
    with refused(conn):
        look(conn, "02", SEEN, inspection_id=key)


# --- findings


def test_a_finding_belongs_to_the_boats_newest_inspection_of_the_last_12_hours(conn):
    look(conn, "01", SEEN - 3 * HOUR)
    look(conn, "01", SEEN)
    look(conn, "02", SEEN + timedelta(minutes=20))
    find(conn, "01")
    entries = log(conn)
    (finding,) = entries.findings
    (visit,) = [visit for visit in entries.inspections if visit.id == finding.inspection_id]
    assert (visit.cover_id, visit.inspected_at) == (1, SEEN)


def test_a_finding_without_a_recent_inspection_is_told_how_to_begin(conn):
    look(conn, "01", SEEN)
    with refused(conn) as refusal:
        find(conn, "01", recorded_at=SEEN + 12 * HOUR)
    assert str(refusal.value) == (
        "Boat 01 has no inspection in the last 12 hours to add the finding to. Nothing was logged. Log one with "
        '"stormwalk log inspection 01 --by NAME --finding ...", or name an earlier one with --inspection.'
    )


def test_a_finding_can_name_its_inspection_by_the_beginning_of_the_id(conn):
    look(conn, "01", SEEN, inspection_id="abc-1")
    look(conn, "01", SEEN + DAY, inspection_id="abd-2")
    find(conn, "01", inspection_id="abc", recorded_at=SEEN + 5 * DAY)
    assert log(conn).findings[0].inspection_id == "abc-1"


@pytest.mark.parametrize("beginning, fits", [("ab", "2"), ("x", "none"), ("", "none")])
def test_a_beginning_that_fits_no_entry_or_several_is_refused(conn, beginning, fits):
    look(conn, "01", SEEN, inspection_id="abc-1")
    look(conn, "01", SEEN + DAY, inspection_id="abd-2")
    with refused(conn) as refusal:
        find(conn, "01", inspection_id=beginning)
    assert str(refusal.value) == (
        f"The id {beginning!r} fits {fits} of the inspections in yard north; expected exactly one. Nothing was logged. "
        '"stormwalk log list" shows the ids.'
    )


def test_a_finding_goes_to_no_other_boats_inspection(conn):
    look(conn, "01", SEEN, inspection_id="abc-1")
    with refused(conn) as refusal:
        find(conn, "02", inspection_id="abc")
    assert str(refusal.value) == "Inspection abc-1 is of boat 01, not of boat 02. Nothing was logged."


# --- corrections


def test_a_corrected_finding_stands_in_for_the_first_which_stays_readable(conn):
    look(conn, "01", SEEN, NewFinding("tear", "port", 2))
    (first,) = log(conn).findings
    find(conn, "01", NewFinding("hole", "port", 1), corrects_id=first.id[:8], recorded_at=SEEN + 3 * DAY)
    (standing,) = log(conn).findings
    assert (standing.defect, standing.severity, standing.corrects_id) == ("hole", 1, first.id)
    assert standing.inspection_id == first.inspection_id
    assert counts(conn, history=True) == (1, 2, 0)


def test_a_correction_of_an_inspection_keeps_its_time_unless_another_is_given(conn):
    look(conn, "01", SEEN, NewFinding("tear", "port", 2), note="wrong")
    (first,) = log(conn).inspections
    look(conn, "01", None, note="right", corrects_id=first.id[:8], recorded_at=SEEN + DAY)
    (second,) = log(conn).inspections
    assert (second.inspected_at, second.note, second.corrects_id) == (SEEN, "right", first.id)
    assert log(conn).findings[0].inspection_id == second.id  # what was found then was not taken back
    look(conn, "01", SEEN - HOUR, corrects_id=second.id[:8], recorded_at=SEEN + DAY)
    assert log(conn).inspections[0].inspected_at == SEEN - HOUR
    assert counts(conn, history=True) == (3, 1, 0)


def test_without_a_time_an_entry_is_of_the_moment_it_was_recorded(conn):
    look(conn, "01", None, recorded_at=SEEN)
    work(conn, "01", "taped", None, recorded_at=SEEN + HOUR)
    assert log(conn).inspections[0].inspected_at == SEEN
    assert log(conn).actions[0].acted_at == SEEN + HOUR


def test_a_correction_stays_with_its_boat(conn):
    look(conn, "01", SEEN, NewFinding("tear", "port", 2), inspection_id="1111")
    work(conn, "01", action_id="2222")
    (finding,) = log(conn).findings
    with refused(conn) as refusal:
        look(conn, "02", None, corrects_id="1111")
    assert str(refusal.value) == "Inspection 1111 is of boat 01, not of boat 02. Nothing was logged."
    with refused(conn) as refusal:
        find(conn, "02", corrects_id=finding.id)
    assert str(refusal.value) == "Inspection 1111 is of boat 01, not of boat 02. Nothing was logged."
    with refused(conn) as refusal:
        work(conn, "02", at=None, corrects_id="2222")
    assert str(refusal.value) == "Action 2222 is of boat 01, not of boat 02. Nothing was logged."


def test_what_is_corrected_already_is_corrected_by_its_correction(conn):
    look(conn, "01", SEEN, inspection_id="1111")
    look(conn, "01", None, corrects_id="1111", inspection_id="2222")
    with refused(conn):
        look(conn, "01", None, corrects_id="1111")
    look(conn, "01", None, corrects_id="2222", inspection_id="3333")
    assert [visit.id for visit in log(conn).inspections] == ["3333"]


# --- actions


AS_READ = {
    "retensioned_band": "re-tensioned band",
    "retensioned_belly_bands": "re-tensioned belly bands",
    "rewelded": "re-welded",
    "rewrapped": "re-wrapped",
}
"""Actions that are not read as they are typed, with a blank for each underscore."""


@pytest.mark.parametrize("action", ACTIONS)
def test_every_action_of_the_list_is_taken(conn, action):
    said = work(conn, "01", action)
    (entry,) = log(conn).actions
    words = AS_READ.get(action, action.replace("_", " "))
    assert said[0] == f"Logged action {entry.id[:8]} at boat 01 (Plum): {words}."


def test_an_action_outside_the_list_is_refused(conn):
    with refused(conn) as refusal:
        work(conn, "01", "swept")
    assert str(refusal.value).startswith("Action 'swept' is not known. Nothing was stored.")


def test_an_action_can_name_the_finding_that_it_puts_right(conn):
    look(conn, "01", SEEN, NewFinding("sag", "stern", 2))
    (finding,) = log(conn).findings
    work(conn, "01", "other", finding_id=finding.id[:8], note="new strap")
    assert log(conn).actions[0].finding_id == finding.id


def test_an_action_names_no_other_boats_finding(conn):
    look(conn, "01", SEEN, NewFinding("sag", "stern", 2))
    (finding,) = log(conn).findings
    with refused(conn) as refusal:
        work(conn, "02", "other", finding_id=finding.id)
    assert str(refusal.value) == f"Finding {finding.id[:8]} is of boat 01, not of boat 02. Nothing was logged."


@pytest.mark.parametrize(
    "quantity, shown", [(0, "0"), (-1, "-1"), (1.5, "1.5"), (float("nan"), "nan"), (float("inf"), "inf")]
)
@pytest.mark.parametrize("action", ["vents_added", "post_added"])
def test_vents_and_posts_are_counted_in_whole_ones(conn, action, quantity, shown):
    with refused(conn) as refusal:
        work(conn, "01", action, quantity=quantity)
    assert str(refusal.value) == (
        f"{action}: the quantity is {shown}, expected a whole number from 1. Nothing was logged."
    )


@pytest.mark.parametrize("quantity, shown", [(-1, "-1"), (float("nan"), "nan"), (float("inf"), "inf")])
def test_any_other_quantity_is_a_number(conn, quantity, shown):
    with refused(conn) as refusal:
        work(conn, "01", "taped", quantity=quantity)
    assert str(refusal.value) == f"taped: the quantity is {shown}, expected a number from 0. Nothing was logged."


def test_vents_and_posts_added_make_dated_builds(conn):
    said = work(conn, "01", "vents_added", quantity=2)
    assert said[1:] == ["The cover has 6 vents from then on."]
    said = work(conn, "01", "post_added", SEEN + DAY, quantity=1)
    assert said[1:] == ["The cover has 5 posts from then on."]
    assert builds(conn) == [(WRAPPED, 4, 4), (SEEN, 6, 4), (SEEN + DAY, 6, 5)]


def test_without_a_quantity_the_build_stays_and_the_sentence_says_so(conn):
    said = work(conn, "01", "vents_added")
    assert said[1:] == [
        "How many was not said, so the recorded build stays as it is: correct the entry with --quantity, or import a "
        "register row with that built_on."
    ]
    assert builds(conn) == [(WRAPPED, 4, 4)]


def test_a_quantity_given_later_counts_from_the_action_on(conn):
    work(conn, "01", "vents_added", action_id="1111")
    work(conn, "01", "vents_added", None, quantity=2, corrects_id="1111", recorded_at=SEEN + DAY)
    assert builds(conn) == [(WRAPPED, 4, 4), (SEEN, 6, 4)]


def test_a_corrected_quantity_counts_in_the_place_of_the_first(conn):
    work(conn, "01", "vents_added", quantity=2, action_id="1111")
    said = work(conn, "01", "vents_added", None, quantity=3, corrects_id="1111", recorded_at=SEEN + DAY)
    assert said[1:] == [
        "Took back what vents added of 2023-12-02 had added to the build.",
        "The cover has 7 vents from then on.",
    ]
    assert builds(conn) == [(WRAPPED, 4, 4), (SEEN, 7, 4)]


def test_a_correction_reaches_the_builds_that_rest_on_what_it_takes_back(conn):
    work(conn, "01", "vents_added", quantity=2, action_id="1111")
    work(conn, "01", "post_added", SEEN, quantity=1)  # at the same minute
    work(conn, "01", "vents_added", SEEN + DAY, quantity=1)
    assert builds(conn)[-1] == (SEEN + DAY, 7, 5)
    work(conn, "01", "other", None, note="was boat 02", corrects_id="1111", recorded_at=SEEN + 2 * DAY)
    assert builds(conn) == [(WRAPPED, 4, 4), (SEEN, 4, 5), (SEEN + DAY, 5, 5)]


def test_an_addition_logged_late_reaches_the_later_builds(conn):
    work(conn, "01", "vents_added", SEEN + DAY, quantity=1)
    work(conn, "01", "vents_added", SEEN, quantity=2, recorded_at=SEEN + 2 * DAY)
    assert builds(conn) == [(WRAPPED, 4, 4), (SEEN, 6, 4), (SEEN + DAY, 7, 4)]


def test_an_addition_moved_to_its_right_day_counts_from_there(conn):
    work(conn, "01", "vents_added", SEEN, quantity=2, action_id="1111")
    work(conn, "01", "vents_added", SEEN - DAY, quantity=2, corrects_id="1111", recorded_at=SEEN)
    cover = register.find_cover(conn, "north", "01")
    assert [cover.build_at(SEEN + days * DAY).vent_count for days in (-2, -1, 0, 5)] == [4, 6, 6, 6]
    work(conn, "01", "vents_added", SEEN + DAY, quantity=2, corrects_id=log(conn).actions[0].id, recorded_at=SEEN + DAY)
    cover = register.find_cover(conn, "north", "01")
    assert [cover.build_at(SEEN + days * DAY).vent_count for days in (-2, -1, 0, 1, 5)] == [4, 4, 4, 6, 6]


def test_what_an_import_counted_is_not_counted_again(conn):
    header, plum, *_ = COVERS.splitlines()
    counted = [header.replace("wrapped_on", "wrapped_on,built_on"), plum.replace("2023-10-20", "2023-10-20,2023-12-20")]
    counted[1] = counted[1].replace(",4,100,damp", ",9,100,damp")  # nine vents on 20 December
    import_covers(conn, YARD, "\n".join(counted).encode(), "covers.csv", SEEN)
    work(conn, "01", "vents_added", SEEN, quantity=2, recorded_at=SEEN + 30 * DAY)
    assert [(vents, posts) for _, vents, posts in builds(conn)] == [(4, 4), (6, 4), (9, 4)]


def test_posts_that_nobody_counted_stay_uncounted_until_one_is_added(conn):
    header, plum, *_ = COVERS.splitlines()
    row = plum.replace("01,Plum", "08,Ash").replace(",A,1,", ",C,1,").replace("1.5,4.0,,4,4,", "1.5,4.0,,,4,")
    import_covers(conn, YARD, f"{header}\n{row}".encode(), "covers.csv", WRAPPED)
    work(conn, "08", "vents_added", SEEN, quantity=1)
    assert builds(conn, "08")[-1] == (SEEN, 5, None)
    work(conn, "08", "post_added", SEEN + DAY, quantity=1)
    assert builds(conn, "08")[-1] == (SEEN + DAY, 5, 1)


def test_a_rewrap_starts_a_new_cover_built_as_the_old_one(conn):
    work(conn, "01", "vents_added", SEEN, quantity=2)
    said = work(conn, "01", "rewrapped", SEEN + DAY)
    assert said[1:] == [
        "A new cover begins on 2023-12-03, built as the old one; import the register to change its build."
    ]
    assert builds(conn, "01") == [(SEEN + DAY, 6, 4)]
    assert builds(conn, "01", SEEN) == [(WRAPPED, 4, 4), (SEEN, 6, 4)]


def test_vents_added_in_the_minute_of_a_rewrap_are_of_the_new_cover(conn):
    work(conn, "01", "rewrapped", SEEN, action_id="1111")
    work(conn, "01", "vents_added", SEEN, quantity=2, action_id="2222")
    assert [vents for _, vents, _ in builds(conn)] == [4, 6]
    work(conn, "01", "vents_added", None, quantity=1, corrects_id="2222", recorded_at=SEEN)
    assert [vents for _, vents, _ in builds(conn)] == [4, 5]
    assert [vents for _, vents, _ in builds(conn, at=SEEN - DAY)] == [4]


def test_on_the_day_of_a_rewrap_what_happened_before_is_the_old_covers(conn):
    old = register.find_cover(conn, "north", "01").id
    work(conn, "01", "rewrapped", SEEN)
    look(conn, "01", SEEN - HOUR, recorded_at=SEEN + HOUR)
    look(conn, "01", SEEN + HOUR)
    assert [visit.cover_id == old for visit in log(conn).inspections] == [True, False]


def test_two_rewraps_on_one_day_are_refused(conn):
    work(conn, "01", "rewrapped", SEEN)
    with refused(conn, RegisterError) as refusal:
        work(conn, "01", "rewrapped", SEEN + HOUR)
    assert str(refusal.value).startswith("Boat 01 already has a cover wrapped on 2023-12-02.")


def test_a_rewrap_is_neither_made_nor_unmade_by_a_correction(conn):
    work(conn, "01", "taped", action_id="1111")
    work(conn, "02", "rewrapped", action_id="2222")
    for boat, action, corrected in (("01", "rewrapped", "1111"), ("02", "other", "2222")):
        with refused(conn) as refusal:
            work(conn, boat, action, None, corrects_id=corrected, note="x", recorded_at=SEEN + HOUR)
        assert str(refusal.value) == (
            "A re-wrap cannot be made or unmade by a correction, because a new cover began with it. Nothing was "
            'logged. Log it as an action of its own, or correct wrapped_on through "stormwalk covers import".'
        )


# --- texts and listing


@pytest.mark.parametrize(
    "text, finding",
    [
        ("loose_band@port:2", NewFinding("loose_band", "port", 2)),
        (" tear @ bow : 3 : long: 2 m ", NewFinding("tear", "bow", 3, "long: 2 m")),
        ("sag@stern:0", NewFinding("sag", "stern", 0)),
    ],
)
def test_a_finding_is_read_from_one_text(text, finding):
    assert finding_from_text(text) == finding


@pytest.mark.parametrize(
    "text", ["", "tear", "tear@port", "tear@port:", "tear:port:2", "tear@port:two", "tear@port:-1"]
)
def test_a_finding_that_cannot_be_read_shows_how_to_write_it(text):
    with pytest.raises(LogError) as refusal:
        finding_from_text(text)
    assert str(refusal.value) == (
        f"Finding {text!r} cannot be read; expected DEFECT@PLACE:SEVERITY, for example loose_band@port:2. Nothing was "
        "logged."
    )


def test_a_measured_length_is_read_with_its_unit():
    assert length_from_text(None, "--snow-depth") is None
    assert length_from_text("6in", "--snow-depth") == pytest.approx(0.1524)
    assert length_from_text("15 cm", "--snow-depth") == pytest.approx(0.15)


@pytest.mark.parametrize(
    "text, problem", [("6", "6 has no unit; write for example 6in or 15cm"), ("deep", "deep is not ")]
)
def test_a_length_without_a_unit_is_refused(text, problem):
    with pytest.raises(LogError) as refusal:
        length_from_text(text, "--snow-depth")
    assert str(refusal.value).startswith(f"--snow-depth: {problem}")
    assert str(refusal.value).endswith(". Nothing was logged.")


def test_the_log_is_listed_oldest_first_with_what_was_measured(conn):
    work(conn, "02", "cleared_snow", SEEN + HOUR, note="soft broom")
    work(conn, "02", "vents_added", SEEN + 2 * HOUR, quantity=2)
    look(conn, "02", SEEN, NewFinding("snow_lying", "port", 2), snow_depth_m=0.15, snow_water_mm=30, inside=True)
    look(conn, "01", SEEN - DAY)
    rows = log_rows(conn, YARD)
    assert [(row["boat"], row["entry"], row["what"], row["who"], row["note"]) for row in rows] == [
        ("01", "inspection", "outside", "Ida", ""),
        ("02", "inspection", "inside and outside, snow depth 15 cm, snow water 30 mm", "Ida", ""),
        ("02", "finding", "snow lying at port, repair soon", "Ida", ""),
        ("02", "action", "cleared snow", "Ida", "soft broom"),
        ("02", "action", "vents added (2)", "Ida", ""),
    ]
    assert [row["at"] for row in rows] == [SEEN - DAY, SEEN, SEEN, SEEN + HOUR, SEEN + 2 * HOUR]
    as_typed = [row["what"] for row in log_rows(conn, YARD, raw=True)]
    assert as_typed[2:] == ["snow_lying at port, repair soon", "cleared_snow", "vents_added (2)"]
    assert [row["boat"] for row in log_rows(conn, YARD, "01")] == ["01"]
    assert log_rows(conn, YARD, "03") == []


def test_corrected_entries_are_listed_with_history_alone(conn):
    look(conn, "01", SEEN, inspection_id="1111")
    look(conn, "01", None, corrects_id="1111", inspection_id="2222")
    assert [row["id"] for row in log_rows(conn, YARD)] == ["2222"]
    assert [(row["id"], row["corrects"]) for row in log_rows(conn, YARD, history=True)] == [
        ("1111", None),
        ("2222", "1111"),
    ]


def test_the_log_of_an_unknown_boat_offers_near_ones(conn):
    with pytest.raises(RegisterError, match=r"Did you mean 03, 02, 01\?"):
        log_rows(conn, YARD, "04")
