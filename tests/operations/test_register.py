"""Yards, covers and curves through the shell: what each step says and refuses, and that nothing changes twice."""

from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from invented_yard import COVERS, DAY, WRAPPED, YARD

from monitor.errors import RegisterError, StormwalkError
from monitor.operations.register import (
    check_covers,
    curve_rows,
    export_covers,
    export_yards,
    import_covers,
    import_yards,
    ranking_parameters,
    save_yard,
    set_curve,
)
from monitor.ranking import Curve, RankingParameters
from monitor.store import register
from monitor.store.connection import connect

NOW = datetime(2023, 12, 1, 12, tzinfo=UTC)


@pytest.fixture
def empty(tmp_path):
    with closing(connect(tmp_path / "new.db", create=True)) as conn:
        yield conn


def test_a_yard_is_added_then_changed_then_left_alone(empty):
    assert save_yard(empty, YARD) == (
        'Added yard north (North Basin). Next: "stormwalk covers import FILE --yard north".'
    )
    assert save_yard(empty, replace(YARD, crew_size=3)) == "Changed yard north."
    assert save_yard(empty, replace(YARD, crew_size=3)) == "Yard north is so already; nothing was changed."
    assert register.yards(empty) == [replace(YARD, crew_size=3)]


@pytest.mark.parametrize(
    "changed, about",
    [
        ({"key": ""}, "id"),
        ({"time_zone": "Eastern"}, "time_zone"),
        ({"name": ""}, "name"),
        ({"crew_size": 0}, "crew_size"),
        ({"latitude_deg": 91.0}, "latitude_deg"),
    ],
)
def test_a_yard_passes_the_checks_of_a_register_file(empty, changed, about):
    with pytest.raises(RegisterError) as refusal:
        save_yard(empty, replace(YARD, **changed))
    about_it, what_now = str(refusal.value).splitlines()
    assert about_it.startswith(f"Yard {replace(YARD, **changed).key}, {about}: ")
    assert what_now == "Nothing was stored. Correct it and add the yard again."
    assert register.yards(empty) == []


def test_yards_go_out_and_come_back_unchanged(conn, empty):
    content = export_yards(conn).encode()
    assert import_yards(empty, content, "yards.csv") == "yards.csv: 1 yards added, 0 changed, 0 as they were."
    assert import_yards(empty, content, "yards.csv") == "yards.csv: 0 yards added, 0 changed, 1 as they were."
    assert register.yards(empty) == [YARD]


@pytest.mark.parametrize("units", ["metric", "us"])
def test_covers_go_out_and_come_back_unchanged(conn, units):
    content = export_covers(conn, YARD, units).encode()
    before = register.all_covers(conn, "north")
    assert import_covers(conn, YARD, content, "out.csv", NOW) == (
        "out.csv: 0 covers added to yard north, 0 changed, 3 as they were."
    )
    assert register.all_covers(conn, "north") == before


def test_importing_the_same_file_again_changes_nothing(conn):
    before = conn.execute("SELECT count(*) FROM cover_builds").fetchone()[0]
    assert import_covers(conn, YARD, COVERS.encode(), "covers.csv", NOW) == (
        "covers.csv: 0 covers added to yard north, 0 changed, 3 as they were."
    )
    assert conn.execute("SELECT count(*) FROM cover_builds").fetchone()[0] == before


def test_a_bad_row_is_named_and_nothing_is_loaded(conn):
    bad = COVERS.replace("01,Plum", "11,Nut").replace(",A,", ",B,").replace("sheltered", "cosy").replace("1.8,2", "x,2")
    with pytest.raises(RegisterError) as refusal:
        import_covers(conn, YARD, bad.encode(), "covers.csv", NOW)
    sentences = str(refusal.value).splitlines()
    assert [line.partition(": ")[0] for line in sentences] == [
        "covers.csv line 3, column belly_band_spacing_m",
        "covers.csv line 4, column shelter",
        "Nothing was loaded. Correct covers.csv and import again.",
    ]
    assert [cover.boat.number for cover in register.covers(conn, "north")] == ["01", "02", "03"]


def test_covers_are_checked_against_common_practice_and_shown_not_refused(conn):
    checks = {cover.boat.number: check for cover, check in check_covers(conn, YARD, None, NOW)}
    assert list(checks) == ["01", "02", "03"]
    assert checks["02"].flattest_slope_deg == 5
    assert any(departure.kind == "departs" for departure in checks["02"].departures)
    # Common practice, no source: film = 2 x (way from ridge to rub rail + 8 in + 6 in). By hand for boat 01, whose
    # ridge stands 1.5 m above the rub rail over a half-beam of 1.5 m: 2 x (2.1213 + 0.2032 + 0.1524) = 4.954 m.
    assert checks["01"].film_width_m == pytest.approx(4.954, abs=0.001)


def test_a_file_is_checked_before_it_is_imported(empty):
    register.save_yards(empty, [YARD])
    checks = check_covers(empty, YARD, (COVERS.encode(), "covers.csv"), NOW)
    assert [cover.boat.number for cover, _ in checks] == ["01", "02", "03"]
    assert register.covers(empty, "north") == []


def test_without_covers_there_is_nothing_to_check(empty):
    register.save_yards(empty, [YARD])
    with pytest.raises(StormwalkError) as refusal:
        check_covers(empty, YARD, None, NOW)
    assert str(refusal.value) == (
        'Yard north has no covers yet. Load them with "stormwalk covers import FILE", or check a file before with '
        "--file."
    )


def test_curves_are_the_defaults_until_the_yard_sets_its_own(conn):
    assert ranking_parameters(conn, YARD).curves == RankingParameters().curves
    set_curve(conn, YARD, "snow", 0.1, 0.35, reason="old film", now=NOW)
    assert ranking_parameters(conn, YARD).curves["snow"] == Curve(0.1, 0.35)
    assert ranking_parameters(conn, YARD).curves["gust"] == RankingParameters().curves["gust"]
    assert ranking_parameters(conn, YARD, NOW - DAY).curves["snow"] == RankingParameters().curves["snow"]
    by = {row["hazard"]: row["by"] for row in curve_rows(conn, YARD)}
    assert (by["snow"], by["gust"]) == ("this yard: old film", "default, our own judgement")


def test_a_curve_set_without_a_reason_says_so(conn):
    set_curve(conn, YARD, "gust", 100, 300, reason="", now=NOW)
    by = {row["hazard"]: row["by"] for row in curve_rows(conn, YARD)}
    assert by["gust"] == "this yard: no reason given"


def test_a_curve_of_a_hazard_that_has_none_is_refused(conn):
    with pytest.raises(RegisterError) as refusal:
        set_curve(conn, YARD, "open_finding", 1, 2, reason="", now=NOW)
    assert str(refusal.value).startswith("There is no curve for 'open_finding'; expected one of snow, pocket, gust,")
    assert str(refusal.value).endswith("Nothing was set.")


@pytest.mark.parametrize("x10, x50", [(2, 1), (1, 1), (0, 1), (-1, 1), (float("nan"), 1), (1, float("inf"))])
def test_a_curve_needs_two_exposures_in_order(conn, x10, x50):
    with pytest.raises(
        RegisterError, match=r"^snow load: .* are not a curve: 0 < x10 < x50 is expected, .*Nothing was"
    ):
        set_curve(conn, YARD, "snow", x10, x50, reason="", now=NOW)
    assert ranking_parameters(conn, YARD).curves == RankingParameters().curves


def test_covers_recorded_before_the_yard_has_any_weather_begin_with_the_day_of_wrapping(conn):
    assert {cover.builds[0].built_at for cover in register.covers(conn, "north")} == {WRAPPED}
