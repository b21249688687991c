"""Looking ahead on the forecast: the ranking to expect, what it rests on, and what to do before the storm."""

import math

import pytest
from invented_yard import DAY, HOUR, SNOW, WRAPPED, YARD, in_hours, metar
from simulated_service import forecast_answer

from monitor.errors import StormwalkError
from monitor.exchange.entry_values import NewFinding
from monitor.operations.kept_rankings import keep_ranking, kept_ranking
from monitor.operations.log import record_inspection
from monitor.operations.ranking import assess_yard, look_ahead
from monitor.operations.weather import import_weather
from monitor.preparation import LEAST_GROWTH, by_cover, preparation_text
from monitor.store import rankings as ranking_store
from monitor.store import register

HOURS = 10 * 24
NOW = WRAPPED + HOURS * HOUR
FETCHED = NOW - 2 * HOUR


def seen(conn, **columns):
    """Ten quiet days as the airport reported them; wind and air never the same for long, as an instrument's are not."""
    odd = range(1, HOURS, 2)
    columns = {"sknt": dict.fromkeys(odd, "5.00"), "tmpf": dict.fromkeys(odd, "26.00")} | columns
    report = import_weather(conn, YARD, "metar-archive", metar(WRAPPED + HOUR, HOURS, **columns), "x.csv", NOW)
    assert report.good, report.sentence


def forecast(conn, hours=72, *, fetched_at=FETCHED, storm=(), **of_storm):
    """A forecast of quiet hours, but for the variables of the storm in the hours numbered in ``storm``."""
    quiet = {"wind_speed_10m": 3.0, "wind_gusts_10m": 5.0, "precipitation": 0.0}
    quiet |= {"relative_humidity_2m": 86.0, "dew_point_2m": -6.0}
    hourly = {
        name: [of_storm.get(name, value) if number in storm else value for number in range(hours)]
        for name, value in quiet.items()
    }
    answer = forecast_answer(FETCHED + HOUR, hours, **hourly)
    report = import_weather(conn, YARD, "open-meteo", answer, "f.json", fetched_at)
    assert report.good, report.sentence


GALE = {"storm": range(20, 32), "wind_speed_10m": 14.0, "wind_gusts_10m": 24.0}
"""24 m/s from the west, 19 to 30 h after ``NOW``: the first hour of the answer ends an hour before it."""

HEAVY = {"storm": range(20, 32), "precipitation": 3.0, "relative_humidity_2m": 97.0, "dew_point_2m": -4.4}
"""36 mm of water, as snow: it is 4 degrees below freezing."""


@pytest.fixture
def gale_ahead(conn):
    seen(conn)
    forecast(conn, **GALE)
    return conn


def ahead(conn, hours=48, as_of=NOW, **choices):
    return assess_yard(conn, YARD, as_of=as_of, known_at=as_of, ahead_h=hours, **choices)


def reasons(line):
    return {reason.hazard: reason for reason in line.reasons}


def lines(assessment):
    return {line.boat: line for line in assessment.ranked}


# --- the ranking ahead


def test_the_gust_ahead_is_that_of_the_forecast_with_its_hour_and_source(gale_ahead):
    gust = reasons(lines(ahead(gale_ahead))["01"])["gust"]
    # By hand: over open water at 4 m 24 m/s x (4 / 10)^0.115 = 21.599; 0.613 x 21.599^2 = 286.0 Pa; wind abeam.
    assert gust.value == pytest.approx(24**2 * 0.4**0.23 * 0.613, rel=1e-6)
    assert gust.value == pytest.approx(286.0, abs=0.1)
    assert gust.source == "open-meteo:forecast"
    assert gust.hour_ending == NOW + 19 * HOUR


def test_a_look_that_ends_before_the_storm_does_not_see_it(gale_ahead):
    soon = ahead(gale_ahead, hours=18)
    assert lines(soon)["01"].score < lines(ahead(gale_ahead))["01"].score
    assert reasons(lines(soon)["01"])["gust"].value == pytest.approx(5**2 * 0.4**0.23 * 0.613)  # 5 m/s in quiet hours
    assert soon.coming == ()


def test_days_unseen_are_counted_to_the_end_of_the_look(gale_ahead):
    assert reasons(lines(ahead(gale_ahead, 48))["01"])["unseen"].value == pytest.approx(HOURS / 24 + 2)


def test_hours_that_no_forecast_reaches_are_missing_and_never_calm(conn):
    seen(conn)
    forecast(conn, hours=26)  # reaches 24 h beyond NOW
    line = lines(ahead(conn, 72))["01"]
    # 48 of the 240 + 72 hours are known to nobody.
    assert reasons(line)["gust"].missing_share == pytest.approx(48 / 312)
    kept = keep_ranking(conn, ahead(conn, 72), NOW)
    assert "It ends 48 h too early; those hours are not known." in kept.heading


def test_the_storm_to_come_is_found_whole_and_by_itself(gale_ahead):
    found = ahead(gale_ahead)
    (storm,) = found.coming
    assert (storm.start, storm.end, storm.wind) == (NOW + 19 * HOUR, NOW + 30 * HOUR, "gale")
    assert found.storms[-1] == storm


def test_an_observation_stands_before_the_forecast_of_its_hour(gale_ahead):
    sources = ahead(gale_ahead).weather.sources["wind_speed_ms"]
    assert (sources[sources.index <= NOW] == "metar-archive:observed").all()
    assert (sources[sources.index > NOW] == "open-meteo:forecast").all()


def test_without_a_forecast_it_is_said_in_a_sentence(conn):
    seen(conn)
    with pytest.raises(StormwalkError) as refusal:
        ahead(conn)
    assert str(refusal.value) == (
        "Yard north: no forecast is known for the hours after Mon 30 Oct 00:00 EDT, so nothing can be said ahead. "
        'Fetch one with "stormwalk weather refresh"; "stormwalk weather status" says which sources the yard has '
        "and how they went."
    )


def test_a_look_ahead_of_the_past_uses_the_forecast_of_that_time(conn):
    seen(conn)
    forecast(conn)
    forecast(conn, fetched_at=NOW + HOUR, **GALE)
    assert ahead(conn).coming == ()
    later = assess_yard(conn, YARD, as_of=NOW + HOUR, known_at=NOW + HOUR, ahead_h=48)
    assert [storm.wind for storm in later.coming] == ["gale"]


def test_the_heading_says_how_far_the_forecast_reaches_whose_and_how_old_it_is(gale_ahead):
    assert keep_ranking(gale_ahead, ahead(gale_ahead), NOW).heading.split("\n") == [
        "North Basin: covers that need a hand first by Wed 1 Nov 2023 00:00 EDT, 48 h ahead of Mon 30 Oct 00:00 EDT",
        "Forecast by open-meteo up to Wed 1 Nov 00:00 EDT, fetched Sun 29 Oct 22:00 EDT, 2.0 h before.",
        "Weather seen so far: up to Mon 30 Oct 00:00 EDT.",
        "Expected: gale without snow from Mon 30 Oct 19:00 EDT to Tue 31 Oct 06:00 EDT.",
    ]


def test_an_old_forecast_is_called_old(conn):
    seen(conn)
    forecast(conn, fetched_at=FETCHED - DAY)
    assert "26.0 h before. That is old (limit 12 h)." in keep_ranking(conn, ahead(conn), NOW).heading


def test_the_credit_of_the_forecast_stands_below(gale_ahead):
    remarks = keep_ranking(gale_ahead, ahead(gale_ahead), NOW).remarks
    assert any("Open-Meteo.com" in remark and "CC BY 4.0" in remark for remark in remarks)


# --- what to do before


def test_before_a_gale_bands_are_tightened_where_it_bites_most(gale_ahead):
    then, before = look_ahead(gale_ahead, YARD, as_of=NOW, known_at=NOW, ahead_h=48)
    boats = {cover.id: cover.boat.number for cover in then.covers}
    by_boat = {boats[cover]: items for cover, items in by_cover(before).items()}
    gust = by_boat["01"][0]
    assert gust.hazard == "gust"
    assert gust.what == "tighten the perimeter band, most on the windward side; tape open welds, pleats and tears"
    assert gust.then == pytest.approx(286.0, abs=0.1)
    # 03 lies with its bow to the east: the west wind meets its stern.
    assert sum(item.growth for item in by_boat["01"]) > sum(item.growth for item in by_boat.get("03", []))
    now = lines(assess_yard(gale_ahead, YARD, as_of=NOW, known_at=NOW))
    grown = reasons(lines(then)["01"])["gust"].weight - reasons(now["01"])["gust"].weight
    assert gust.growth == pytest.approx(grown)
    assert all(item.growth >= LEAST_GROWTH for item in before)


def test_before_snow_what_lies_is_cleared_and_pockets_are_drained(conn):
    seen(conn, **{name: of for name, of in in_hours(range(200, 205), SNOW).items() if name != "tmpf"})
    forecast(conn, **HEAVY)
    _, before = look_ahead(conn, YARD, as_of=NOW, known_at=NOW, ahead_h=48)
    snow = next(item for item in before if (item.boat, item.hazard) == ("02", "snow"))
    assert snow.what.startswith("push off what snow lies there, from the ground")
    assert snow.now > 0
    assert preparation_text(snow, "metric").startswith("snow load from 0.")


def test_an_open_finding_is_put_right_first(gale_ahead):
    record_inspection(
        gale_ahead,
        YARD,
        "01",
        inspector="Ida",
        inspected_at=NOW - DAY,
        recorded_at=NOW - DAY,
        findings=[NewFinding("loose_band", "port", 2, "aft")],
    )
    _, before = look_ahead(gale_ahead, YARD, as_of=NOW, known_at=NOW, ahead_h=48)
    first = next(item for item in before if item.boat == "01")
    assert preparation_text(first, "metric") == "open finding: put right first what is open: loose band at port: aft"


def test_a_stand_defect_goes_to_the_stand_crew_alone(gale_ahead):
    record_inspection(
        gale_ahead,
        YARD,
        "01",
        inspector="Ida",
        inspected_at=NOW - DAY,
        recorded_at=NOW - DAY,
        findings=[NewFinding("stand_shifted", "stands", 3)],
    )
    _, before = look_ahead(gale_ahead, YARD, as_of=NOW, known_at=NOW, ahead_h=48)
    first = next(item for item in before if item.boat == "01")
    assert first.what.endswith("for the yard's stand crew alone: keep clear, touch no stand, tell them now")


def test_before_quiet_weather_nothing_is_to_do(conn):
    seen(conn)
    forecast(conn)
    _, before = look_ahead(conn, YARD, as_of=NOW, known_at=NOW, ahead_h=24)
    assert [item for item in before if item.hazard in ("snow", "gust", "pocket", "ice")] == []


# --- what is kept


def test_a_ranking_ahead_is_kept_marked_and_printed_again_with_its_list(gale_ahead):
    then, before = look_ahead(gale_ahead, YARD, as_of=NOW, known_at=NOW, ahead_h=48)
    kept = keep_ranking(gale_ahead, then, NOW, before)
    assert kept_ranking(gale_ahead, YARD, kept.id[:8]) == kept
    stored = ranking_store.ranking(gale_ahead, kept.id)
    assert (stored.head.ahead_h, stored.parameters["ahead_h"]) == (48, 48)
    assert stored.head.as_of == NOW


def test_the_last_ranking_of_now_is_not_one_that_looks_ahead(gale_ahead):
    yard_id = register.yard_id(gale_ahead, YARD.key)
    assert ranking_store.last_ranking(gale_ahead, yard_id, NOW) is None
    plain = keep_ranking(gale_ahead, assess_yard(gale_ahead, YARD, as_of=NOW - HOUR, known_at=NOW - HOUR), NOW)
    keep_ranking(gale_ahead, ahead(gale_ahead), NOW)
    assert ranking_store.last_ranking(gale_ahead, yard_id, NOW).id == plain.id
    assert ranking_store.last_ranking(gale_ahead, yard_id, NOW - DAY) is None


def test_scores_ahead_follow_from_their_reasons(gale_ahead):
    for line in ahead(gale_ahead).ranked:
        assert line.score == pytest.approx(1 - math.prod(1 - reason.p for reason in line.reasons))
