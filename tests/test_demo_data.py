"""The demo's yard, winter and log are complete, consistent with one another, and come out of their recipe unchanged."""

import csv
import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fixtures.demo import make_winter
from monitor.exchange.register_csv import decode, read_covers, read_yards
from monitor.hazards.snow import SnowParameters, snow_forcing
from monitor.inspections import ACTIONS, DEFECTS, PLACES, SEVERITIES, STAND_DEFECTS
from monitor.register import flattest_slope_deg
from monitor.weather import quality
from monitor.weather.providers import metar_archive

DEMO = Path(make_winter.__file__).parent
SEASON_START = datetime(2025, 10, 1, tzinfo=UTC)
SEASON_END = datetime(2026, 2, 24, tzinfo=UTC)


def read_csv(name):
    with (DEMO / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def number(text):
    return None if text in {"M", ""} else 0.0 if text == "T" else float(text)


class Report:
    """One routine report of winter.csv, read with nothing but the csv module."""

    def __init__(self, row):
        self.at = datetime.strptime(row["valid"], "%Y-%m-%d %H:%M").replace(tzinfo=UTC)
        self.temperature_f = number(row["tmpf"])
        self.water_in = number(row["p01i"])
        self.gust_kt = max(number(row["gust"]) or 0.0, number(row["peak_wind_gust"]) or 0.0)
        self.codes = "" if row["wxcodes"] == "M" else row["wxcodes"]


@pytest.fixture(scope="module")
def rows():
    return read_csv("winter.csv")


@pytest.fixture(scope="module")
def reports(rows):
    return [Report(row) for row in rows if row["valid"].endswith(":53")]


@pytest.fixture(scope="module")
def covers():
    return read_csv("covers.csv")


@pytest.fixture(scope="module")
def log():
    return json.loads((DEMO / "log.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def parsed():
    return metar_archive.parse((DEMO / "winter.csv").read_bytes(), fetched_at=SEASON_END)


@pytest.fixture(scope="module")
def register():
    yards, covers = (decode((DEMO / name).read_bytes(), name) for name in ("yards.csv", "covers.csv"))
    (yard,) = read_yards(yards, "yards.csv")
    return yard, read_covers(covers, "covers.csv", yard)


def between(reports, first, last):
    start, end = (datetime.fromisoformat(text).replace(tzinfo=UTC) for text in (first, last))
    return [report for report in reports if start <= report.at < end]


# -- the winter


def test_the_recipe_gives_the_committed_winter_byte_for_byte():
    assert make_winter.winter_csv().encode() == (DEMO / "winter.csv").read_bytes()


def test_the_winter_stays_small_enough_to_ship():
    assert (DEMO / "winter.csv").stat().st_size < 700_000


def test_the_columns_are_those_of_the_recorded_archive_answer(rows, shared):
    with (shared / "samples" / "iem_asos_JFK_202012.csv").open(encoding="utf-8", newline="") as file:
        assert list(rows[0]) == next(csv.reader(file))


def test_routine_reports_cover_the_season_with_few_hours_missing(reports):
    moments = [report.at for report in reports]
    assert moments[0] == SEASON_START + timedelta(minutes=53)
    assert moments[-1] == SEASON_END - timedelta(minutes=7)
    hours = (SEASON_END - SEASON_START) // timedelta(hours=1)
    assert 5 <= hours - len(moments) <= hours * 0.01


def test_reports_stand_in_the_order_of_time_without_repeats(rows):
    stamps = [row["valid"] for row in rows]
    assert stamps == sorted(set(stamps))


def test_special_reports_stand_between_the_routine_ones(rows):
    specials = [row for row in rows if not row["valid"].endswith(":53")]
    assert len(specials) >= 20
    assert all(row["mslp"] == "M" for row in specials)


def test_a_gust_is_reported_only_well_above_the_mean_wind(rows):
    gusts = [(number(row["gust"]), number(row["sknt"])) for row in rows if row["gust"] != "M"]
    assert 100 < len(gusts) < len(rows) / 2
    assert all(gust_kt >= wind_kt + 4 for gust_kt, wind_kt in gusts)


def test_dew_point_never_passes_the_air_temperature(rows):
    assert all(number(row["dwpf"]) <= number(row["tmpf"]) for row in rows)
    assert all(0 < number(row["relh"]) <= 100 for row in rows)


def test_falling_snow_closes_in_the_view_and_covers_the_sky(rows):
    snow = [row for row in rows if "SN" in row["wxcodes"].split(" ")[0]]
    assert len(snow) > 100
    assert all("OVC" in (row["skyc1"], row["skyc2"], row["skyc3"]) for row in snow)
    assert sum(number(row["vsby"]) <= 5 for row in snow) > 0.9 * len(snow)


def test_january_is_colder_than_december_and_october_mild(reports):
    def mean_f(first, last):
        month = [report.temperature_f for report in between(reports, first, last)]
        return sum(month) / len(month)

    assert 46 < mean_f("2025-10-01", "2025-11-01") < 58
    assert mean_f("2026-01-01", "2026-02-01") < mean_f("2025-12-01", "2026-01-01") < 34


def test_the_gauge_fails_once_while_snow_falls(rows):
    out = [row for row in rows if row["metar"].endswith("PNO")]
    first, last = (datetime.strptime(out[i]["valid"], "%Y-%m-%d %H:%M") for i in (0, -1))
    assert timedelta(hours=24) < last - first < timedelta(hours=72)
    assert all(row["p01i"] == "0.00" for row in out)
    assert any("SN" in row["wxcodes"] for row in out)


def test_snow_depth_stands_in_six_hourly_remarks(rows):
    depths_in = {row["valid"]: int(found[1]) for row in rows if (found := re.search(r" 4/(\d{3})", row["metar"]))}
    assert {stamp[11:13] for stamp in depths_in} == {"05", "11", "17", "23"}
    assert max(depths_in.values()) >= 6


def test_the_archive_reader_takes_every_hour_and_sets_only_the_gauge_aside(parsed, reports):
    assert parsed.notes == ()
    assert len(parsed.hours) == len(reports)
    doubted = {name: set(parsed.flags[name]) - {"", "none_reported"} for name in parsed.flags}
    assert {name: words for name, words in doubted.items() if words} == {"precipitation_mm": {"gauge_out"}}
    assert (parsed.flags["precipitation_mm"] == "gauge_out").sum() == make_winter.GAUGE_OUT[1]


def test_no_quality_rule_doubts_the_invented_weather(parsed):
    assert (quality.flag(parsed.hours) == "").all(axis=None)


def test_water_is_neither_lost_nor_made_by_the_gauge(parsed):
    winter = make_winter.make_winter()
    measured_mm = parsed.hours["precipitation_mm"].where(parsed.flags["precipitation_mm"] == "", 0.0)
    hours = parsed.hours.index[parsed.flags["precipitation_mm"] == ""]
    fallen_mm = sum(winter.rate_mm_h[(hours - parsed.hours.index[0]) // timedelta(hours=1)])
    # The gauge tips every 0.254 mm; only what is left in it before a silent spell or the fault may differ.
    assert measured_mm.sum() == pytest.approx(fallen_mm, abs=6 * 0.254)


def test_the_model_sees_most_of_what_was_coded_as_snow_as_snow(parsed):
    forcing = snow_forcing(quality.usable(parsed.hours, parsed.flags), SnowParameters())
    coded = parsed.hours["present_weather"].str.contains("SN") & (parsed.flags["precipitation_mm"] == "")
    assert forcing.snowfall_water_mm[coded].sum() > 0.8 * parsed.hours["precipitation_mm"][coded].sum()


# -- five storms of different character, by plain rules on the raw file (1 in = 25.4 mm)


def test_november_brings_a_gale_without_snow_that_backs_to_the_northwest(rows, reports):
    gale = between(reports, "2025-11-14", "2025-11-17")
    assert 48 <= max(report.gust_kt for report in gale) <= 55
    assert not any("SN" in report.codes for report in gale)
    strong = [row for row in rows if "2025-11-15" < row["valid"] < "2025-11-17" and (number(row["gust"]) or 0) >= 40]
    assert 110 <= number(strong[0]["drct"]) <= 150
    assert 300 <= number(strong[-1]["drct"]) <= 330


def test_december_brings_an_inch_of_water_as_wet_snow_that_melts(reports):
    storm = [report for report in between(reports, "2025-12-05", "2025-12-07") if "SN" in report.codes]
    assert 25 <= sum(report.water_in for report in storm) * 25.4 <= 31
    assert all(30 <= report.temperature_f <= 33 for report in storm)
    assert max(report.gust_kt for report in storm) < 25
    assert max(report.temperature_f for report in between(reports, "2025-12-07", "2025-12-09")) >= 40


def test_january_brings_dry_snow_in_a_strong_northeaster(rows, reports):
    storm = [report for report in between(reports, "2026-01-11", "2026-01-13") if "SN" in report.codes]
    assert 16 <= sum(report.water_in for report in storm) * 25.4 <= 20
    assert all(report.temperature_f <= 20 for report in storm)
    assert max(report.gust_kt for report in storm) >= 40
    windy = [row for row in rows if row["valid"].startswith("2026-01-12 0") and row["drct"] != "M"]
    assert all(20 <= number(row["drct"]) <= 60 for row in windy if row["valid"] < "2026-01-12 05")


def test_late_january_brings_some_millimetres_of_freezing_rain(reports):
    icy = [report for report in reports if "FZRA" in report.codes]
    assert {f"{report.at:%Y-%m-%d}" for report in icy} == {"2026-01-27"}
    assert 3 <= sum(report.water_in for report in icy) * 25.4 <= 8
    assert all(report.temperature_f < 32 for report in icy)


def test_the_last_storm_is_snow_then_rain_on_it_then_frost(reports):
    storm = between(reports, "2026-02-20", "2026-02-24")
    snow = [report for report in storm if "SN" in report.codes]
    rain = [report for report in storm if "RA" in report.codes and "SN" not in report.codes]
    assert 14 <= sum(report.water_in for report in snow) * 25.4 <= 20
    assert 10 <= sum(report.water_in for report in rain) * 25.4 <= 18
    assert max(report.at for report in snow) < min(report.at for report in rain)
    assert 33 <= max(report.gust_kt for report in storm) <= 38
    after = between(reports, "2026-02-22 12:00", "2026-02-24")
    assert min(report.temperature_f for report in after) < 25
    assert max(report.temperature_f for report in after) > 34
    last_rough = max(report.at for report in storm if report.gust_kt >= 27 or re.search("SN|RA", report.codes))
    assert timedelta(hours=24) <= SEASON_END - last_rough <= timedelta(hours=48)


def test_quiet_days_lie_between_the_storms(reports):
    rough = [
        report.at
        for report in reports
        if report.gust_kt >= 40 or "FZRA" in report.codes or (report.codes and (report.water_in or 0) >= 0.03)
    ]
    storms = [rough[:1]]
    for at in rough[1:]:
        if at - storms[-1][-1] > timedelta(hours=48):
            storms.append([])
        storms[-1].append(at)
    long_ones = [storm for storm in storms if len(storm) >= 6]
    assert len(long_ones) >= 4


# -- yard and covers


def test_there_is_one_yard_and_its_station_is_the_winters(rows):
    (yard,) = read_csv("yards.csv")
    assert {row["station"] for row in rows} == {yard["station"]}


def test_the_register_takes_both_files(register, covers):
    yard, wrapped = register
    assert yard.station == make_winter.STATION
    assert len(wrapped) == len({cover["boat"] for cover in covers})
    assert sum(len(cover.builds) for cover in wrapped) == len(covers)


def test_the_flattest_parts_run_from_nearly_level_to_steep(register):
    _, wrapped = register
    slopes = [flattest_slope_deg(build, cover.boat.beam_m) for cover in wrapped for build in cover.builds]
    assert min(slopes) < 8
    assert max(slopes) > 45


def test_at_least_28_boats_stand_under_cover(covers):
    assert len({cover["boat"] for cover in covers}) >= 28


def test_every_recorded_column_of_the_covers_takes_several_values(covers):
    for column in set(covers[0]) - {"yard"}:
        assert len({cover[column] for cover in covers}) >= 2, column


def test_no_two_covers_were_built_alike(covers):
    names = {"boat", "boat_name", "owner_name", "owner_contact", "row", "place", "x_m", "y_m"}
    builds = [tuple(value for column, value in cover.items() if column not in names) for cover in covers]
    assert len(set(builds)) == len(builds)


def test_no_two_boats_share_a_berth(covers):
    berths = {cover["boat"]: (cover["row"], cover["place"]) for cover in covers}
    spots = {cover["boat"]: (cover["x_m"], cover["y_m"]) for cover in covers}
    assert len(set(berths.values())) == len(berths) == len(set(spots.values()))


def test_some_covers_were_rebuilt_during_the_winter(covers):
    rebuilt = [cover for cover in covers if cover["built_on"]]
    assert len(rebuilt) >= 3
    assert all(cover["built_on"] > cover["wrapped_on"] for cover in rebuilt)


def test_owners_are_reached_only_at_an_address_that_cannot_exist(covers):
    # RFC 2606 section 3 keeps example.org for examples.
    assert all(cover["owner_contact"].endswith("@example.org") for cover in covers)


# -- the log


def test_the_log_speaks_only_the_closed_lists(log):
    findings = [finding for entry in log for finding in entry["findings"]]
    assert {finding["place"] for finding in findings} <= set(PLACES)
    assert {finding["defect"] for finding in findings} <= set(DEFECTS)
    assert {finding["severity"] for finding in findings} <= set(SEVERITIES)
    assert {action["action"] for entry in log for action in entry["actions"]} <= set(ACTIONS)


def test_entries_have_the_agreed_keys(log):
    for entry in log:
        assert set(entry) == {"boat", "at", "by", "inside", "note", "snow_depth_in", "findings", "actions"}
        assert all(set(finding) == {"place", "defect", "severity", "note"} for finding in entry["findings"])
        assert all(set(action) == {"action", "note", "minutes_later"} for action in entry["actions"])


def test_stand_defects_are_always_make_safe_now_and_reported(log):
    for entry in log:
        if any(finding["defect"] in STAND_DEFECTS for finding in entry["findings"]):
            assert all(f["severity"] == 3 for f in entry["findings"] if f["defect"] in STAND_DEFECTS)
            assert "stands_reported" in {action["action"] for action in entry["actions"]}


def test_inspections_lie_after_wrapping_within_the_season_and_in_daylight(log, covers):
    wrapped = {cover["boat"]: cover["wrapped_on"] for cover in covers}
    for entry in log:
        at = datetime.strptime(entry["at"], "%Y-%m-%dT%H:%M:%SZ").replace(tzinfo=UTC)
        assert SEASON_START < at < SEASON_END
        assert entry["at"][:10] > wrapped[entry["boat"]]
        assert 13 <= at.hour < 21, "08:00 to 16:00 in winter on the US east coast"


def test_one_person_sees_one_boat_at_a_time(log):
    visits = [(entry["at"], entry["by"]) for entry in log]
    assert len(set(visits)) == len(visits)
    assert [entry["at"] for entry in log] == sorted(entry["at"] for entry in log)


def test_the_crew_found_all_sound_more_often_than_not(log):
    sound = sum(not entry["findings"] for entry in log)
    assert len(log) * 0.4 < sound < len(log) * 0.8


def test_every_boat_was_looked_at_and_no_storm_drew_a_look_at_all(log, covers):
    boats = {cover["boat"] for cover in covers}
    assert {entry["boat"] for entry in log} == boats
    storm_ends = ("2025-11-16", "2025-12-06", "2026-01-12", "2026-01-28")
    for end in storm_ends:
        last = (datetime.fromisoformat(end) + timedelta(days=4)).date().isoformat()
        seen = {entry["boat"] for entry in log if end <= entry["at"][:10] <= last}
        assert 0 < len(seen) < len(boats)


def test_a_build_that_changed_was_changed_by_a_logged_action(log, covers):
    worked_on = {(entry["boat"], entry["at"][:10]) for entry in log if entry["actions"]}
    assert {(cover["boat"], cover["built_on"]) for cover in covers if cover["built_on"]} <= worked_on


def test_nobody_has_been_round_since_the_last_storm(log):
    assert max(entry["at"] for entry in log) < "2026-02-20T18"
