"""Yards, boats, covers and their builds: identical imports, build history, and what was known when."""

import sqlite3
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.errors import RegisterError
from monitor.register import CoverBuild, Yard
from monitor.store import register
from monitor.store.register import SaveCounts

WRAPPED_AT = datetime(2025, 11, 3, 15, tzinfo=UTC)
LATER = datetime(2026, 1, 5, 9, tzinfo=UTC)
NORTH = Yard("north", "North Yard", 43.66, -70.25, 3.0, "America/New_York", terrain="open_water", crew_size=3)
AS_WRAPPED = CoverBuild(WRAPPED_AT, ridge_rise_m=1.2)
WITH_VENTS = replace(AS_WRAPPED, built_at=LATER, vent_count=2, vent_area_m2=0.03)

REGISTER_TABLES = ("yards", "boats", "covers", "cover_builds")


def contents(conn):
    return {table: [tuple(row) for row in conn.execute(f"SELECT * FROM {table}")] for table in REGISTER_TABLES}


def test_a_yard_comes_back_as_it_was_given(conn):
    full = replace(
        NORTH, contact="crew@north.example", station="EXMP", open_meteo_plan="own_server", display_units="us"
    )
    register.add_yard(conn, full)
    assert register.yard(conn, "north") == full
    assert register.yards(conn) == [full]


def test_an_unknown_yard_is_answered_with_those_there_are(conn):
    with pytest.raises(RegisterError, match=r'no yard "south".*"stormwalk yard add"'):
        register.yard(conn, "south")
    register.add_yard(conn, NORTH)
    register.add_yard(conn, replace(NORTH, key="east"))
    with pytest.raises(RegisterError, match=r'no yard "south"\. Known yards: east, north\.'):
        register.yard_id(conn, "south")


def test_a_yard_key_is_given_once(conn):
    register.add_yard(conn, NORTH)
    with pytest.raises(RegisterError, match=r'a yard "north" already'):
        register.add_yard(conn, NORTH)


def test_an_update_tells_whether_anything_changed(conn):
    register.add_yard(conn, NORTH)
    assert not register.update_yard(conn, NORTH)
    assert register.update_yard(conn, replace(NORTH, crew_size=4))
    assert register.yard(conn, "north").crew_size == 4
    with pytest.raises(RegisterError, match="no yard"):
        register.update_yard(conn, replace(NORTH, key="south"))


def test_yards_are_imported_all_or_none(conn):
    east = replace(NORTH, key="east")
    assert register.save_yards(conn, [NORTH, east]) == SaveCounts(added=2)
    assert register.save_yards(conn, [NORTH, replace(east, name="East")]) == SaveCounts(changed=1, unchanged=1)
    before = contents(conn)
    with pytest.raises(sqlite3.IntegrityError, match="CHECK constraint failed: terrain"):
        register.save_yards(conn, [replace(NORTH, name="changed"), replace(NORTH, key="west", terrain="hilly")])
    assert contents(conn) == before


def test_covers_come_back_as_they_were_given(conn, make_cover):
    register.add_yard(conn, NORTH)
    every_field = CoverBuild(
        built_at=LATER,
        ridge_rise_m=1.25,
        ridge_above_ground_m=4.5,
        bow_slope_deg=31.5,
        port_slope_deg=40,
        starboard_slope_deg=41.0,
        stern_slope_deg=28.0,
        flattest_slope_deg=12.0,
        post_count=5,
        band_drop_m=0.2,
        belly_band_count=4,
        belly_band_spacing_m=1.8,
        vent_count=3,
        vent_area_m2=0.045,
        film_colour="clear",
        film_thickness_mm=0.19,
        ground="standing_water",
        door=True,
    )
    given_covers = [
        make_cover("A-12", builds=[AS_WRAPPED, every_field], x_m=3.5, y_m=-2.0, owner_name="Ines", owner_contact="1"),
        make_cover("B-1", boat_type="motor", row="B", place=1),
    ]
    assert register.save_covers(conn, "north", given_covers, LATER) == SaveCounts(added=2)
    read = register.covers(conn, "north")
    assert read == given_covers
    assert [cover.id for cover in read] == [1, 2]
    assert type(read[0].builds[1].door) is bool
    assert register.cover(conn, 2) == given_covers[1]


def test_importing_the_same_covers_again_changes_nothing(conn, yard_id, make_cover):
    same = [make_cover("A-12"), make_cover("A-13")]
    before = contents(conn)
    assert register.save_covers(conn, "north", same, LATER) == SaveCounts(unchanged=2)
    assert contents(conn) == before


def test_an_export_imported_again_changes_nothing(conn, yard_id, make_cover):
    register.add_build(conn, 1, WITH_VENTS, LATER)
    register.start_new_cover(conn, 2, date(2026, 1, 5), LATER, LATER)
    before = contents(conn)
    exported = register.all_covers(conn, "north")
    assert register.save_covers(conn, "north", exported, LATER + timedelta(days=1)) == SaveCounts(unchanged=3)
    assert contents(conn) == before


def test_a_changed_boat_is_changed_and_its_builds_stay(conn, yard_id, make_cover):
    moved = make_cover("A-12", row="C", place=3)
    assert register.save_covers(conn, "north", [moved, make_cover("A-13")], LATER) == SaveCounts(changed=1, unchanged=1)
    assert register.find_cover(conn, "north", "A-12").boat.row == "C"
    assert len(contents(conn)["cover_builds"]) == 2


def test_a_boat_given_with_two_covers_takes_the_fields_of_the_newer_one(conn, yard_id, make_cover):
    autumn = make_cover("A-12", name="Puffin")
    january = make_cover("A-12", name="Puffin II", wrapped_on=date(2026, 1, 5), builds=[WITH_VENTS])
    counts = register.save_covers(conn, "north", [january, autumn], LATER)
    assert counts == SaveCounts(added=1, unchanged=1)
    assert register.save_covers(conn, "north", [autumn, january], LATER) == SaveCounts(unchanged=2)
    assert register.find_cover(conn, "north", "A-12").boat.name == "Puffin II"


def test_a_new_build_leaves_the_earlier_one_to_the_past(conn, yard_id, make_cover):
    counts = register.save_covers(conn, "north", [make_cover("A-12", builds=[WITH_VENTS])], LATER)
    assert counts == SaveCounts(changed=1)
    cover = register.find_cover(conn, "north", "A-12")
    assert cover.builds == (AS_WRAPPED, WITH_VENTS)
    assert cover.build_at(LATER - timedelta(seconds=1)).vent_count == 0
    assert cover.build_at(LATER).vent_count == 2


def test_a_correction_of_a_build_counts_from_when_it_was_recorded(conn, yard_id):
    measured = replace(AS_WRAPPED, ridge_rise_m=0.9)
    assert register.add_build(conn, 1, measured, LATER)
    assert not register.add_build(conn, 1, measured, LATER + timedelta(days=1))
    assert register.cover(conn, 1).builds == (measured,)
    assert register.cover(conn, 1, known_at=LATER).builds == (measured,)
    assert register.cover(conn, 1, known_at=LATER - timedelta(seconds=1)).builds == (AS_WRAPPED,)
    current = conn.execute("SELECT ridge_rise_m FROM cover_builds_current WHERE cover_id = 1").fetchall()
    assert [row["ridge_rise_m"] for row in current] == [0.9]


def test_a_build_can_be_set_back_to_what_it_was(conn, yard_id):
    register.add_build(conn, 1, replace(AS_WRAPPED, ridge_rise_m=0.9), LATER)
    assert register.add_build(conn, 1, AS_WRAPPED, LATER)
    assert register.cover(conn, 1).builds == (AS_WRAPPED,)


def test_a_clock_set_back_between_two_imports_still_lets_the_later_one_count(conn, yard_id, make_cover):
    changed = make_cover("A-12", builds=[replace(AS_WRAPPED, vent_count=4)])
    register.save_covers(conn, "north", [changed], WRAPPED_AT - timedelta(hours=2))
    assert register.cover(conn, 1) == changed
    again = register.save_covers(conn, "north", [changed], WRAPPED_AT - timedelta(hours=3))
    assert again == SaveCounts(unchanged=1)


def test_a_cover_is_unknown_before_it_was_recorded(conn, yard_id):
    before = WRAPPED_AT - timedelta(seconds=1)
    assert register.covers(conn, "north", known_at=before) == []
    assert len(register.covers(conn, "north", known_at=WRAPPED_AT)) == 2


def test_a_rewrap_is_a_new_cover_built_as_the_old_one_was(conn, yard_id):
    register.add_build(conn, 1, WITH_VENTS, LATER)
    wrapped_at = LATER + timedelta(days=20)
    new_id = register.start_new_cover(conn, 1, wrapped_at.date(), wrapped_at, wrapped_at)
    new = register.cover(conn, new_id)
    assert new.builds == (replace(WITH_VENTS, built_at=wrapped_at),)
    assert new.wrapped_on == date(2026, 1, 25)
    assert new.boat == register.cover(conn, 1).boat
    assert register.cover(conn, 1).builds == (AS_WRAPPED, WITH_VENTS)
    with pytest.raises(RegisterError, match="A-12 already has a cover wrapped on 2026-01-25"):
        register.start_new_cover(conn, 1, wrapped_at.date(), wrapped_at, wrapped_at)
    with pytest.raises(RegisterError, match="no cover with the id 99"):
        register.start_new_cover(conn, 99, wrapped_at.date(), wrapped_at, wrapped_at)


def test_the_cover_on_a_boat_is_the_newest_one_wrapped_by_then(conn, yard_id):
    new_id = register.start_new_cover(conn, 1, date(2026, 1, 5), LATER, LATER)

    def ids(at):
        return [cover.id for cover in register.covers(conn, "north", at=at)]

    assert ids(None) == [new_id, 2]
    # the day counts on the yard's clock: 5 January begins at 05:00 UTC in New York
    assert ids(datetime(2026, 1, 5, 4, 59, tzinfo=UTC)) == [1, 2]
    assert ids(datetime(2026, 1, 5, 5, 0, tzinfo=UTC)) == [new_id, 2]
    assert ids(datetime(2025, 11, 3, 3, 59, tzinfo=UTC)) == []
    assert [cover.id for cover in register.all_covers(conn, "north")] == [1, new_id, 2]


def test_a_time_without_a_zone_is_refused(conn, yard_id):
    with pytest.raises(ValueError, match="has no time zone"):
        register.covers(conn, "north", at=datetime(2026, 1, 5))


def test_a_boat_is_found_by_its_number_or_like_ones_are_named(conn, yard_id):
    assert register.find_cover(conn, "north", "A-13").id == 2
    with pytest.raises(RegisterError, match=r'"north" has no boat a13 with a cover\. Did you mean A-13, A-12\?'):
        register.find_cover(conn, "north", "a13")
    with pytest.raises(RegisterError, match=r"no boat ZZZ with a cover\. Import its cover first"):
        register.find_cover(conn, "north", "ZZZ")
    with pytest.raises(RegisterError, match=r"A-13 had no cover then: its first was wrapped on 2025-11-03"):
        register.find_cover(conn, "north", "A-13", at=datetime(2025, 10, 1, tzinfo=UTC))


def test_the_same_number_at_two_yards_is_two_boats(conn, yard_id, make_cover):
    register.add_yard(conn, replace(NORTH, key="east"))
    register.save_covers(conn, "east", [make_cover("A-12", name="Heron")], LATER)
    assert register.find_cover(conn, "east", "A-12").boat.name == "Heron"
    assert register.find_cover(conn, "north", "A-12").boat.name == "Puffin"


@pytest.mark.parametrize(
    ("builds", "sentence"),
    [((), "has no build"), ((AS_WRAPPED, replace(AS_WRAPPED, vent_count=1)), "has two builds for one moment")],
)
def test_a_cover_needs_one_build_for_each_moment(conn, yard_id, make_cover, builds, sentence):
    before = contents(conn)
    with pytest.raises(RegisterError, match=sentence):
        register.save_covers(conn, "north", [make_cover("A-1"), make_cover("A-2", builds=builds)], LATER)
    assert contents(conn) == before


def test_a_cover_given_twice_is_refused(conn, yard_id, make_cover):
    with pytest.raises(RegisterError, match=r"Boat A-1, wrapped on 2025-11-03, is given twice"):
        register.save_covers(conn, "north", [make_cover("A-1"), make_cover("A-1", row="B")], LATER)


def test_an_import_that_fails_halfway_stores_nothing(conn, yard_id, make_cover):
    before = contents(conn)
    with pytest.raises(sqlite3.IntegrityError, match="CHECK constraint failed: heading_deg"):
        register.save_covers(conn, "north", [make_cover("A-1"), make_cover("A-2", heading_deg=400)], LATER)
    assert contents(conn) == before


def test_an_owner_is_forgotten_on_disk_and_the_history_stays(path, conn, yard_id, make_cover):
    name, contact = "Ines Quellmalz", "+1 207 555 0142"
    register.save_covers(conn, "north", [make_cover("A-12", owner_name=name, owner_contact=contact)], LATER)
    files = [path, path.with_name("stormwalk.db-wal")]
    assert any(name.encode() in file.read_bytes() for file in files)
    assert register.erase_owner(conn, "north", "A-12")
    assert not register.erase_owner(conn, "north", "A-12")
    cover = register.find_cover(conn, "north", "A-12")
    assert (cover.boat.owner_name, cover.boat.owner_contact) == ("", "")
    assert cover.builds == (AS_WRAPPED,)
    for file in files:
        assert name.encode() not in file.read_bytes()
        assert contact.encode() not in file.read_bytes()
    with pytest.raises(RegisterError, match="no boat A-99"):
        register.erase_owner(conn, "north", "A-99")


def test_a_boat_with_covers_cannot_be_removed(conn, yard_id):
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY constraint failed"):
        conn.execute("DELETE FROM boats WHERE number = 'A-12'")


STATES = st.builds(
    CoverBuild,
    built_at=st.integers(0, 3).map(lambda day: WRAPPED_AT + timedelta(days=day)),
    ridge_rise_m=st.none() | st.sampled_from([0.9, 1.2]),
    vent_count=st.integers(0, 2),
    door=st.booleans(),
)


@given(saves=st.lists(st.tuples(STATES, st.integers(0, 5)), max_size=12), known_day=st.integers(0, 5))
def test_of_the_builds_known_by_then_the_one_saved_last_for_a_moment_counts(law_conn, make_cover, saves, known_day):
    saves = sorted(saves, key=lambda save: save[1])  # recorded in the order of time
    recorded = [(state, WRAPPED_AT + timedelta(days=day)) for state, day in [(AS_WRAPPED, 0), *saves]]
    known_at = WRAPPED_AT + timedelta(days=known_day)
    expected = {}
    for state, recorded_at in recorded:
        if recorded_at <= known_at:
            expected[state.built_at] = state
    law_conn.execute("BEGIN IMMEDIATE")
    try:
        for state, recorded_at in recorded:
            register.save_covers(law_conn, "north", [make_cover("A-12", builds=[state])], recorded_at)
        (cover,) = register.covers(law_conn, "north", known_at=known_at)
    finally:
        law_conn.rollback()
    assert cover.builds == tuple(expected[moment] for moment in sorted(expected))
