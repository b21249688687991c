"""Ranking a yard out of its database: what moves a cover, what was known when, and what is kept."""

import math
import random
import shutil
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from invented_yard import COVERS, DAY, GALE, HOUR, SNOW, WRAPPED, YARD, in_hours, metar

from monitor.cli.demo import AS_OF, load_demo
from monitor.errors import StormwalkError
from monitor.exchange.entry_values import NewFinding
from monitor.operations.kept_rankings import keep_ranking, kept_ranking
from monitor.operations.log import record_action, record_finding, record_inspection
from monitor.operations.ranking import assess_yard
from monitor.operations.register import export_covers, import_covers, set_curve
from monitor.operations.weather import import_weather
from monitor.store import rankings as ranking_store
from monitor.store import register
from monitor.store.connection import connect
from monitor.wording import reason_value_text

HOURS = 30 * 24
END = WRAPPED + HOURS * HOUR
STORM = range(480, 500)
"""Hours of the storm: it ends nine days before ``END``."""

AFTER = WRAPPED + 21 * DAY
"""The day after the storm."""


def weather(conn, *, fetched_at=END, without=(), hours=HOURS, **columns):
    report = import_weather(
        conn, YARD, "metar-archive", metar(WRAPPED + HOUR, hours, without=without, **columns), "x.csv", fetched_at
    )
    assert report.good, report.sentence


def assess(conn, as_of=END, known_at=None, **choices):
    return assess_yard(conn, YARD, as_of=as_of, known_at=known_at or as_of, **choices)


def ranked(conn, as_of=END, known_at=None):
    """Each boat's line, in the order of the list."""
    return {line.boat: line for line in assess(conn, as_of, known_at).ranked}


def reasons(line):
    return {reason.hazard: reason for reason in line.reasons}


def look(conn, boat, at, *findings, **choices):
    return record_inspection(
        conn, YARD, boat, inspector="Ida", inspected_at=at, recorded_at=at, findings=findings, **choices
    )


def work(conn, boat, at, action, **choices):
    return record_action(conn, YARD, boat, action=action, actor="Ida", acted_at=at, **({"recorded_at": at} | choices))


@pytest.fixture(scope="module")
def storm_file(yard_file, tmp_path_factory):
    """Makes a database file of the invented yard after a storm of this weather."""

    def make(storm):
        path = shutil.copy(yard_file, tmp_path_factory.mktemp("storm") / "storm.db")
        with closing(connect(path)) as conn:
            weather(conn, **in_hours(STORM, storm))
        return path

    return make


@pytest.fixture(scope="module")
def gale_file(storm_file):
    return storm_file(GALE)


@pytest.fixture(scope="module")
def snow_file(storm_file):
    return storm_file(SNOW)


@pytest.fixture
def after_gale(gale_file, tmp_path):
    """The invented yard after a westerly gale: abeam of the boats 01 and 02, ahead of 03."""
    with closing(connect(shutil.copy(gale_file, tmp_path / "gale.db"))) as conn:
        yield conn


@pytest.fixture
def after_snow(snow_file, tmp_path):
    """The invented yard after 40 mm of water as snow, cold ever since."""
    with closing(connect(shutil.copy(snow_file, tmp_path / "snow.db"))) as conn:
        yield conn


# --- what moves a cover


def test_score_and_call_follow_from_the_reasons(after_gale):
    look(after_gale, "03", AFTER, NewFinding("tear", "port", 2))
    for line in ranked(after_gale).values():
        assert line.score == pytest.approx(1 - math.prod(1 - reason.p for reason in line.reasons))
        assert [reason.weight for reason in line.reasons] == sorted((r.weight for r in line.reasons), reverse=True)
        limits = {"walk first": (0.60, 1), "walk today": (0.35, 0.60), "this week": (0.15, 0.35), "no call": (0, 0.15)}
        low, high = limits[line.call]
        assert low <= line.score < high


def test_the_gale_names_its_hour_its_source_and_its_side(after_gale):
    gust = reasons(ranked(after_gale)["01"])["gust"]
    # By hand: 45 kt = 23.15 m/s; over open water at 4 m (4 / 10)^0.115 = 0.89998; 0.613 x 20.835^2 = 266.1 Pa; abeam.
    assert gust.value == pytest.approx(266.1, abs=0.1)
    assert gust.hour_ending == WRAPPED + (STORM[0] + 1) * HOUR
    assert (gust.source, gust.note) == ("metar-archive:observed", "90° off the bow to port")
    assert gust.threshold == {"one_in_ten": 150.0, "one_in_two": 400.0}
    assert gust.missing_share == 0


def test_the_exposed_boat_comes_before_the_sheltered_one(after_gale):
    lines = ranked(after_gale)
    assert list(lines) == ["01", "02", "03"]
    assert lines["03"].score < lines["01"].score


def test_a_cover_looked_at_and_found_sound_drops(after_gale):
    before = ranked(after_gale)
    look(after_gale, "01", AFTER)
    after = ranked(after_gale)
    assert list(after)[-1] == "01"
    assert after["01"].score < before["01"].score
    assert after["02"] == replace(before["02"], rank=1)
    assert reasons(after["01"])["unseen"].value == pytest.approx(9.0)
    # The gale was before the look: what counts is the quiet since, 4 kt x 1.3615 = 2.80 m/s, so 0.613 (2.80 x 0.9)^2.
    assert reasons(after["01"])["gust"].value == pytest.approx(3.89, abs=0.01)


def test_gust_work_counts_on_until_somebody_tightens(after_gale):
    look(after_gale, "01", AFTER)
    assert "slack" in reasons(ranked(after_gale)["01"])
    work(after_gale, "01", AFTER + HOUR, "retensioned_band")
    assert "slack" not in reasons(ranked(after_gale)["01"])


def test_an_open_finding_of_severity_3_goes_to_the_top(after_gale):
    look(after_gale, "03", AFTER, NewFinding("tear", "port", 3, "two metres"))
    first = next(iter(ranked(after_gale).values()))
    assert (first.boat, first.call) == ("03", "walk first")
    assert first.reasons[0].hazard == "open_finding"
    assert first.reasons[0].p == 0.95
    assert first.reasons[0].note == "tear at port: two metres"
    assert first.reasons[0].hour_ending == AFTER


def test_a_finding_put_right_is_no_reason_any_more(after_gale):
    look(after_gale, "03", AFTER, NewFinding("tear", "port", 3))
    work(after_gale, "03", AFTER + HOUR, "taped")
    assert "open_finding" not in reasons(ranked(after_gale)["03"])


def test_the_worst_of_several_findings_speaks_for_all(after_gale):
    look(after_gale, "03", AFTER, NewFinding("chafe", "bow", 1), NewFinding("damp_inside", "inside", 2), inside=True)
    finding = reasons(ranked(after_gale)["03"])["open_finding"]
    assert (finding.p, finding.note) == (0.50, "damp inside, and 1 more")


def test_a_corrected_finding_counts_as_corrected(after_gale):
    look(after_gale, "03", AFTER, NewFinding("tear", "port", 3))
    (row,) = after_gale.execute("SELECT id FROM findings").fetchall()
    correction = NewFinding("tear", "port", 1)
    record_finding(after_gale, YARD, "03", correction, recorded_at=AFTER + HOUR, corrects_id=row["id"])
    assert reasons(ranked(after_gale)["03"])["open_finding"].p == 0.15
    assert reasons(ranked(after_gale, AFTER)["03"])["open_finding"].p == 0.95  # as it stood before the correction


def test_cleared_snow_lowers_the_load_from_then_on(after_snow):
    def load(as_of):
        series = assess(after_snow, as_of, known_at=END, with_series=True).series
        return series.snow_load_kpa[-1, series.cover_ids.index(assess(after_snow).cover_of("02").id)]

    before = ranked(after_snow)["02"]
    assert load(END) > 0.2
    work(after_snow, "02", AFTER, "cleared_snow")
    assert load(AFTER - HOUR) > 0.2
    assert load(AFTER + HOUR) == load(END) == 0
    look(after_snow, "02", AFTER + HOUR)
    after = ranked(after_snow)["02"]
    assert "snow" not in reasons(after)
    assert after.score < before.score


def test_the_flat_cover_carries_more_snow_than_the_steep_one(after_snow):
    lines = ranked(after_snow)
    assert reasons(lines["02"])["snow"].value > reasons(lines["01"])["snow"].value


def test_equal_covers_stand_in_the_order_of_their_numbers(tmp_path):
    header, plum, *_ = COVERS.splitlines()
    rows = [
        plum.replace("01,Plum", f"{number},Twin").replace(",A,1,", f",A,{n},") for n, number in enumerate((10, 9), 1)
    ]
    with closing(connect(tmp_path / "twins.db", create=True)) as conn:
        register.save_yards(conn, [YARD])
        import_covers(conn, YARD, "\n".join([header, *rows]).encode(), "covers.csv", WRAPPED)
        assert list(ranked(conn)) == ["9", "10"]


# --- missing hours


@pytest.mark.parametrize("missing", [range(520, 560), range(600, 720), [530, 620, 719]])
def test_hours_that_nobody_knows_never_lower_a_score(conn, path, missing, tmp_path):
    other = shutil.copy(path, tmp_path / "gaps.db")
    weather(conn, **in_hours(STORM, SNOW))
    whole = ranked(conn)
    with closing(connect(other)) as gapped:
        weather(gapped, without=missing, **in_hours(STORM, SNOW))
        lines = ranked(gapped)
    for boat, line in lines.items():
        assert line.score > whole[boat].score
        for hazard, reason in reasons(line).items():
            assert reason.p >= (reasons(whole[boat])[hazard].p if hazard in reasons(whole[boat]) else 0)
    assert reasons(lines["02"])["snow"].missing_share == pytest.approx(len(missing) / HOURS)


def test_a_whole_season_without_weather_raises_every_weather_hazard_by_a_tenth(conn):
    weather(conn, hours=1)
    line = ranked(conn)["01"]
    for hazard in ("snow", "gust", "slack", "freeze_thaw"):
        assert reasons(line)[hazard].p == pytest.approx(0.1, abs=0.001)  # 1 - (1 - 0)(1 - 0.1 x 719/720)
        assert reasons(line)[hazard].missing_share == pytest.approx(719 / 720)


def test_where_no_source_tells_what_falls_the_snow_is_not_known_rather_than_none(conn):
    weather(conn, **in_hours(range(HOURS), {"p01i": "M"}))
    found = assess(conn)
    snow = reasons(found.ranked[0])["snow"]
    assert snow.missing_share == 1
    assert reason_value_text(snow, "us") == "not known"
    remark = "No source tells what falls here: snow load and pockets are not known"
    assert any(line.startswith(remark) for line in keep_ranking(conn, found, created_at=END).remarks)


def test_where_what_falls_is_told_no_remark_says_otherwise(conn):
    weather(conn, **in_hours(range(1, HOURS), {"p01i": "M"}))
    assert not any("what falls" in line for line in keep_ranking(conn, assess(conn), created_at=END).remarks)


def test_without_any_weather_the_list_rests_on_the_log(conn):
    look(conn, "02", AFTER, NewFinding("sag", "stern", 2))
    assessment = assess(conn)
    assert assessment.data_age_h is None
    assert [line.boat for line in assessment.ranked] == ["02", "01", "03"]
    assert all(line.data_age_h is None for line in assessment.ranked)
    kept = keep_ranking(conn, assessment, created_at=END)
    assert kept.heading == (
        "North Basin: covers to look at as of Sat 18 Nov 2023 23:00 EST\n"
        "No weather was known at this time: the list below rests on the log alone."
    )


def test_old_weather_is_said_to_be_old(conn):
    weather(conn, hours=HOURS - 9)
    kept = keep_ranking(conn, assess(conn), created_at=END)
    assert kept.lines[0].data_age_h == 9
    assert kept.heading == (
        "North Basin: covers to look at as of Sat 18 Nov 2023 23:00 EST; weather up to Sat 18 Nov 14:00 EST\n"
        'That is 9 h old (limit 3 h). Run "stormwalk weather refresh".'
    )


# --- no list


def test_a_yard_without_covers_is_told_to_load_them(tmp_path):
    with closing(connect(tmp_path / "new.db", create=True)) as conn:
        register.save_yards(conn, [YARD])
        with pytest.raises(StormwalkError) as refusal:
            assess(conn)
    assert str(refusal.value) == (
        'Yard north has no covers yet: load them with "stormwalk covers import FILE --yard north".'
    )


def test_before_the_first_wrapping_there_is_no_list(conn):
    with pytest.raises(StormwalkError) as refusal:
        assess(conn, WRAPPED - HOUR)
    assert str(refusal.value) == (
        "Yard north had no cover on Thu 19 Oct 2023 23:00 EDT; the first was wrapped on Fri 20 Oct 2023 00:00 EDT. "
        "Choose a later moment."
    )


def test_at_the_moment_of_wrapping_nothing_has_happened_yet(conn):
    weather(conn, **in_hours(STORM, GALE))
    assert {line.score for line in ranked(conn, WRAPPED).values()} == {0.0}


# --- what was known when


def test_the_order_of_rows_in_the_register_never_matters(demo_file, tmp_path):
    with closing(connect(demo_file)) as conn:
        yard = register.yards(conn)[0]
        header, *rows = export_covers(conn, yard, "metric").splitlines()
        as_imported = assess_yard(conn, yard, as_of=AS_OF, known_at=AS_OF).ranked
        expected = [replace(line, cover=0) for line in as_imported]
    for seed in (1, 2):
        random.Random(seed).shuffle(rows)
        content = "\n".join([header, *rows]).encode()
        with closing(connect(tmp_path / f"{seed}.db", create=True)) as conn:
            load_demo(conn, covers=content)
            found = assess_yard(conn, yard, as_of=AS_OF, known_at=AS_OF).ranked
            assert [replace(line, cover=0) for line in found] == expected
            assert [line.cover for line in found] != [line.cover for line in as_imported]


def test_weather_fetched_later_is_not_seen_but_in_hindsight(conn):
    weather(conn, fetched_at=END + DAY, **in_hours(STORM, GALE))
    blind = ranked(conn)["01"]
    assert blind.data_age_h is None
    assert reasons(blind)["gust"].value is None
    assert reasons(blind)["gust"].missing_share == 1
    assert keep_ranking(conn, assess(conn), created_at=END).heading.endswith(
        "the list below rests on the log alone. Weather of this time was fetched or imported later: add --hindsight to "
        "use it."
    )
    hindsight = ranked(conn, END, known_at=END + DAY)["01"]
    assert hindsight.data_age_h == 0
    assert reasons(hindsight)["gust"].value == pytest.approx(266.1, abs=0.1)


def test_weather_after_the_moment_is_not_seen_even_in_hindsight(after_gale):
    early = WRAPPED + 10 * DAY
    line = ranked(after_gale, early, known_at=END)["01"]
    assert reasons(line)["gust"].value == pytest.approx(3.89, abs=0.01)  # the quiet before the gale
    assert line.data_age_h == 0


def test_what_was_logged_later_is_not_seen_but_in_hindsight(after_gale):
    record_inspection(
        after_gale,
        YARD,
        "03",
        inspector="Ida",
        inspected_at=AFTER,
        recorded_at=END + DAY,  # typed in from a clipboard
        findings=[NewFinding("tear", "port", 3)],
    )
    assert "open_finding" not in reasons(ranked(after_gale)["03"])
    assert reasons(ranked(after_gale)["03"])["unseen"].value == pytest.approx(30)
    hindsight = reasons(ranked(after_gale, END, known_at=END + DAY)["03"])
    assert hindsight["open_finding"].p == 0.95
    assert hindsight["unseen"].value == pytest.approx(9)


def test_what_happened_after_the_moment_is_not_seen_even_in_hindsight(after_gale):
    look(after_gale, "03", END + DAY, NewFinding("tear", "port", 3))
    assert ranked(after_gale, END, known_at=END + 2 * DAY) == ranked(after_gale)


def test_a_boat_entered_into_the_register_later_counts_as_entered(after_gale):
    late = COVERS.replace("01,Plum", "11,Sloe").replace(",A,1,", ",B,1,").splitlines()[:2]
    import_covers(after_gale, YARD, "\n".join(late).encode(), "late.csv", END + DAY)
    assert list(ranked(after_gale)) == ["01", "11", "02", "03"]


def test_a_build_recorded_later_is_not_seen_but_in_hindsight(after_snow):
    before = reasons(ranked(after_snow)["02"])["snow"].value
    steeper = COVERS.replace(",0.7,3.0,5,", ",1.6,3.0,,")  # boat 02 measured anew
    import_covers(after_snow, YARD, steeper.encode(), "covers.csv", END + DAY)
    as_known, in_hindsight = ranked(after_snow)["02"], ranked(after_snow, END, known_at=END + DAY)["02"]
    assert reasons(as_known)["snow"].value == pytest.approx(before)
    assert reasons(in_hindsight)["snow"].value < 0.8 * before


def test_ranking_again_gives_the_very_same_numbers(after_gale):
    first, again = assess(after_gale), assess(after_gale)
    assert first.ranked == again.ranked
    assert assess(after_gale, with_series=True).ranked == first.ranked


# --- curves


def test_the_yards_own_curve_changes_the_score_and_only_from_when_it_was_set(after_gale):
    before = ranked(after_gale)["01"]
    set_curve(after_gale, YARD, "gust", 50.0, 200.0, reason="old film", now=END + HOUR)
    assert ranked(after_gale)["01"] == before
    after = ranked(after_gale, END, known_at=END + HOUR)["01"]
    # By hand: k = ln 9 / ln(200/50) = 1.58496; p = 1 / (1 + (200 / 266.1)^1.58496) = 0.6111
    assert reasons(after)["gust"].p == pytest.approx(0.6111, abs=0.0002)
    assert reasons(after)["gust"].threshold == {"one_in_ten": 50.0, "one_in_two": 200.0}
    assert after.score > before.score


# --- kept rankings


def test_a_kept_ranking_prints_again_as_it_was_whatever_comes_later(after_gale):
    look(after_gale, "03", AFTER, NewFinding("tear", "port", 2, 'so long: "ﬁve" <feet> ⛵'))
    kept = keep_ranking(after_gale, assess(after_gale), created_at=END)
    weather(after_gale, fetched_at=END + DAY, hours=HOURS + 24, **in_hours(range(100, 110), GALE))
    look(after_gale, "01", END - HOUR, NewFinding("hole", "bow", 3))
    work(after_gale, "03", END - HOUR, "rewrapped")
    set_curve(after_gale, YARD, "gust", 50.0, 200.0, reason="", now=END)
    import_covers(after_gale, YARD, COVERS.replace("Plum", "Renamed").encode(), "covers.csv", END + DAY)
    register.save_yards(after_gale, [replace(YARD, name="South Basin", display_units="us", time_zone="UTC")])
    assert kept_ranking(after_gale, YARD, kept.id) == kept
    assert kept_ranking(after_gale, YARD, kept.id[:8]) == kept
    assert assess(after_gale).ranked != kept.lines


def test_the_same_ranking_is_not_kept_twice(after_gale):
    first = keep_ranking(after_gale, assess(after_gale), created_at=END)
    again = keep_ranking(after_gale, assess(after_gale), created_at=END + HOUR)
    other = keep_ranking(after_gale, assess(after_gale, END + HOUR), created_at=END + HOUR)
    assert again == first
    assert len(ranking_store.rankings(after_gale, register.yard_id(after_gale, "north"))) == 2
    assert other.id != first.id


@pytest.mark.parametrize("beginning, fitting", [("", 0), ("zz", 0), ("no such", 0)])
def test_a_kept_ranking_is_named_by_the_beginning_of_its_id(after_gale, beginning, fitting):
    keep_ranking(after_gale, assess(after_gale), created_at=END)
    with pytest.raises(StormwalkError) as refusal:
        kept_ranking(after_gale, YARD, beginning)
    assert str(refusal.value) == (
        f"The id {beginning!r} fits {fitting} of the rankings kept for yard north; expected exactly one. "
        '"stormwalk rank --stored" lists them.'
    )


def test_a_kept_ranking_says_what_is_not_assessed_and_whom_to_credit(after_gale):
    assessment = assess(after_gale)
    remarks = keep_ranking(after_gale, assessment, created_at=END).remarks
    assert ("Not assessed: ice, damp." in remarks) == bool(assessment.not_assessed)
    assert any("Iowa Environmental Mesonet" in remark for remark in remarks)
    assert any("our own judgement" in remark for remark in remarks)


# --- what work changes


def test_a_rewrap_starts_a_new_cover_with_fresh_clocks(after_gale):
    before = ranked(after_gale)["01"]
    look(after_gale, "01", AFTER, NewFinding("tear", "port", 3))
    rewrapped_at = AFTER + 2 * DAY
    work(after_gale, "01", rewrapped_at, "rewrapped")
    after = ranked(after_gale)["01"]
    assert after.cover != before.cover
    assert reasons(after)["unseen"].value == pytest.approx((END - rewrapped_at) / DAY)
    assert reasons(after)["unseen"].note == "never inspected since wrapping"
    assert not {"slack", "open_finding"} & set(reasons(after))
    assert reasons(after)["gust"].value == pytest.approx(3.89, abs=0.01)
    assert len(ranked(after_gale)) == 3


def test_on_the_day_of_a_rewrap_the_old_cover_counts_until_its_hour(after_gale):
    old = ranked(after_gale)["01"].cover
    rewrapped_at = AFTER + timedelta(hours=15)
    work(after_gale, "01", rewrapped_at, "rewrapped")
    assert ranked(after_gale, rewrapped_at - HOUR, known_at=END)["01"].cover == old
    assert ranked(after_gale, rewrapped_at, known_at=END)["01"].cover != old


def test_a_rewrap_logged_later_is_not_seen_but_in_hindsight(after_gale):
    old = ranked(after_gale)["01"]
    work(after_gale, "01", AFTER, "rewrapped", recorded_at=END + DAY)
    assert ranked(after_gale)["01"] == old
    assert ranked(after_gale, END, known_at=END + DAY)["01"].cover != old.cover


def test_a_stand_defect_survives_a_rewrap_and_ends_with_a_look(after_gale):
    look(after_gale, "01", AFTER, NewFinding("tied_to_stand", "stands", 3), NewFinding("tear", "port", 2))
    work(after_gale, "01", AFTER + DAY, "rewrapped")
    work(after_gale, "01", AFTER + DAY + HOUR, "stands_reported")
    finding = reasons(ranked(after_gale)["01"])["open_finding"]
    assert (finding.p, finding.note) == (0.95, "tied to stand")
    look(after_gale, "01", AFTER + 2 * DAY)
    assert "open_finding" not in reasons(ranked(after_gale)["01"])


def test_vents_added_make_a_dated_build(after_gale):
    work(after_gale, "02", AFTER, "vents_added", quantity=3)
    cover = assess(after_gale).cover_of("02")
    assert cover.build_at(AFTER - HOUR).vent_count == 2
    assert cover.build_at(AFTER).vent_count == 5
    assert assess(after_gale).clocks[cover.id].looked_inside_at == AFTER


def test_a_correction_takes_added_vents_back(after_gale):
    said = work(after_gale, "02", AFTER, "vents_added", quantity=3)
    logged = said[0].split()[2]
    work(after_gale, "02", None, "customer_told", recorded_at=AFTER + HOUR, corrects_id=logged)
    cover = assess(after_gale).cover_of("02")
    assert [build.vent_count for build in cover.builds] == [2, 2]
    assert assess(after_gale).clocks[cover.id].looked_inside_at == WRAPPED


def test_a_ranking_of_the_demo_is_the_same_on_every_run(demo_file, tmp_path):
    with closing(connect(demo_file)) as conn:
        yard = register.yards(conn)[0]
        first = assess_yard(conn, yard, as_of=AS_OF, known_at=AS_OF)
    with closing(connect(shutil.copy(demo_file, tmp_path / "copy.db"))) as conn:
        assert assess_yard(conn, yard, as_of=AS_OF, known_at=datetime(2026, 3, 1, tzinfo=UTC)).ranked == first.ranked
