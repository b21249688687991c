"""Of which storms the crew is told, once each, and when quiet hours end."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, time, timedelta
from functools import cache
from zoneinfo import ZoneInfo

import pytest
from dashboards_picture import AS_OF, make_assessment
from hypothesis import given
from hypothesis import strategies as st

from monitor.assessment import ForecastReach
from monitor.messages import quiet_until
from monitor.notices import NoticeRules, due_notices, worth_telling
from monitor.storms import Storm
from monitor.wording import CAUTIONS

HOUR = timedelta(hours=1)
NOW = AS_OF.replace(minute=0)
RULES = NoticeRules()


def storm(begin_h, hours=4, **of):
    """A storm that begins so many hours after ``NOW`` (before it where negative) and lasts so long; a gale at first."""
    plain = {
        "snow_water_mm": 0.0,
        "rain_mm": 0.0,
        "freezing_rain_mm": None,
        "top_gust_ms": 20.0,
        "top_gust_at": NOW + begin_h * HOUR,
        "top_gust_from_deg": 270.0,
        "top_gust_estimated": False,
        "freeze_thaw_cycles": 0,
        "min_temperature_c": -2.0,
        "max_temperature_c": 1.0,
        "missing_share": 0.0,
        "snow": "",
        "wind": "gale",
        "rain_on_snow": False,
    }
    return Storm(start=NOW + begin_h * HOUR, end=NOW + (begin_h + hours - 1) * HOUR, **(plain | of))


@pytest.fixture(scope="module")
def yard():
    return replace(make_assessment(), as_of=NOW, storms=(), data_age_h=0.0)


def notices(yard, past=(), coming=None, told=(), alerts=(), storms=None):
    """What is due with these storms; ``coming`` are those in the forecast, ``storms`` the whole ones up to its end."""
    ahead = None
    if coming is not None:
        reach = ForecastReach(NOW + 48 * HOUR, NOW - HOUR, ("nws-grid",))
        whole = tuple(coming) if storms is None else tuple(storms)
        ahead = replace(yard, storms=whole, coming=tuple(coming), ahead_h=48, forecast=reach)
    return due_notices(replace(yard, storms=tuple(past)), ahead, told, RULES, alerts)


def kinds(found):
    return [(notice.kind, notice.storm_start) for notice in found]


# --- a storm that has ended


@pytest.mark.parametrize("hours_since, due", [(11, False), (12, True), (72, True), (73, False)])
def test_a_storm_has_ended_after_12_quiet_hours_and_is_no_news_after_three_days(yard, hours_since, due):
    gale = storm(-hours_since - 3)  # its fourth and last hour ends hours_since before NOW
    assert kinds(notices(yard, [gale])) == ([("storm_ended", gale.start)] if due else [])


def test_hours_that_nobody_knows_are_not_quiet_ones(yard):
    gale = storm(-33)
    sources = yard.weather.sources.copy()
    sources.loc[sources.index > NOW - 25 * HOUR] = ""
    blind = replace(yard, weather=replace(yard.weather, sources=sources))
    assert notices(blind, [gale]) == []
    sources.loc[sources.index > NOW - 25 * HOUR] = "nws-grid:forecast"
    assert notices(replace(yard, weather=replace(yard.weather, sources=sources)), [gale]) == []


def test_a_sprinkling_is_no_storm_to_tell_of(yard):
    sprinkle = storm(-20, wind="", snow_water_mm=0.3)
    assert not worth_telling(sprinkle)
    assert notices(yard, [sprinkle]) == []


def test_an_ended_storm_is_told_once_also_when_late_reports_move_its_start(yard):
    gale = storm(-20)
    assert notices(yard, [gale], told=[("storm_ended", gale.start)]) == []
    assert notices(yard, [gale], told=[("storm_ended", gale.start + 2 * HOUR)]) == []
    assert notices(yard, [gale], told=[("storm_ended", gale.start - 5 * HOUR)]) == []


def test_that_a_storm_was_announced_does_not_stand_for_its_end(yard):
    gale = storm(-20)
    assert kinds(notices(yard, [gale], told=[("storm_coming", gale.start)])) == [("storm_ended", gale.start)]


def test_a_second_storm_soon_after_the_first_is_told_too(yard):
    first, second = storm(-40), storm(-22)  # 14 quiet hours between them
    assert kinds(notices(yard, [first, second], told=[("storm_ended", first.start)])) == [("storm_ended", second.start)]


def test_the_notice_of_an_ended_storm_says_what_it_was_and_which_covers_come_first(yard):
    (notice,) = notices(yard, [storm(-20, snow="wet", snow_water_mm=25.4)])
    first = sum(line.call == "walk first" for line in yard.ranked)
    assert notice.title == f'Tarn Slip & "Sons": storm over, {first} to walk first'
    assert "Wet snow with gale" in notice.body or "wet snow with gale" in notice.body
    assert "1.00 in of water" in notice.body
    assert "top gust 45 mph" in notice.body  # 20 m/s / 0.44704
    line = yard.ranked[0]
    assert f"1. {line.boat} " in notice.body
    assert f"{line.call} {line.score:.2f}" in notice.body
    assert CAUTIONS[0] in notice.body
    assert notice.body.count("\n") < 15


# --- a storm that is coming


@pytest.mark.parametrize("begin_h, due", [(1, True), (48, True), (49, False)])
def test_a_storm_is_announced_up_to_48_hours_ahead(yard, begin_h, due):
    gale = storm(begin_h)
    assert kinds(notices(yard, coming=[gale])) == ([("storm_coming", gale.start)] if due else [])


@given(st.integers(-17, 17))
def test_the_same_storm_is_announced_once_though_its_forecast_moves(moved_h):
    base = replace(make_assessment_once(), as_of=NOW, storms=())
    gale = storm(20)
    assert notices(base, coming=[gale], told=[("storm_coming", gale.start + moved_h * HOUR)]) == []


make_assessment_once = cache(make_assessment)
"""hypothesis and fixtures do not mix: the same yard for each of its examples."""


def test_two_storms_of_one_forecast_are_two_notices_now_and_in_the_next_pull(yard):
    first, second = storm(5, hours=2), storm(20)
    assert kinds(notices(yard, coming=[first, second])) == [
        ("storm_coming", first.start),
        ("storm_coming", second.start),
    ]
    told = [("storm_coming", first.start)]
    assert kinds(notices(yard, coming=[first, second], told=told)) == [("storm_coming", second.start)]
    told.append(("storm_coming", second.start))
    assert notices(yard, coming=[storm(6, hours=2), storm(22)], told=told) == []


def test_a_gale_that_joins_a_flurry_of_some_hours_ago_is_announced_and_only_once(yard):
    flurry = storm(-3, hours=1, wind="", snow_water_mm=0.2)
    gale = storm(6, hours=10)
    whole = storm(-3, hours=19)  # less than 12 quiet hours between them: one storm
    found = notices(yard, [flurry], coming=[gale], storms=[whole])
    assert kinds(found) == [("storm_coming", whole.start)]
    assert "expected from " in found[0].title
    later = [("storm_coming", whole.start)]
    assert notices(yard, [flurry], coming=[storm(7, hours=9)], storms=[whole], told=later) == []


def test_the_end_of_a_storm_that_was_announced_is_not_announced_hour_by_hour(yard):
    long_gale = storm(-30, hours=40)
    for ahead_h in range(1, 9):
        rest = storm(ahead_h, hours=10 - ahead_h)
        told = [("storm_coming", long_gale.start)]
        assert notices(yard, coming=[rest], storms=[long_gale], told=told) == []


@dataclass(frozen=True)
class Alert:
    event: str
    onset: datetime
    ends: datetime
    headline: str


def test_official_alerts_that_meet_the_storm_are_quoted(yard):
    meets = Alert("Winter Storm Warning", NOW + 18 * HOUR, NOW + 30 * HOUR, "Heavy snow expected.")
    misses = Alert("Wind Advisory", NOW + 40 * HOUR, NOW + 45 * HOUR, "Not then.")
    (notice,) = notices(yard, coming=[storm(20)], alerts=[meets, misses])
    assert "Official: Winter Storm Warning, until " in notice.body
    assert "Heavy snow expected." in notice.body
    assert "Wind Advisory" not in notice.body


def test_the_notice_of_a_coming_storm_names_its_forecast(yard):
    (notice,) = notices(yard, coming=[storm(20)])
    assert "By nws-grid, fetched " in notice.body
    assert notice.title.startswith('Tarn Slip & "Sons": gale without snow expected from ')


# --- quiet hours


ZONE = "America/New_York"


def local(text):
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(ZONE)).astimezone(UTC)


@pytest.mark.parametrize(
    "now, until",
    [
        ("2026-01-10 20:59", None),
        ("2026-01-10 21:00", "2026-01-11 05:30"),
        ("2026-01-10 23:59", "2026-01-11 05:30"),
        ("2026-01-11 00:00", "2026-01-11 05:30"),
        ("2026-01-11 05:29", "2026-01-11 05:30"),
        ("2026-01-11 05:30", None),
        ("2026-01-11 12:00", None),
    ],
)
def test_quiet_hours_go_over_midnight(now, until):
    found = quiet_until("21:00-05:30", local(now), ZONE)
    assert found == (None if until is None else local(until))


def test_quiet_hours_within_a_day():
    assert quiet_until("12:00-13:00", local("2026-01-10 12:30"), ZONE) == local("2026-01-10 13:00")
    assert quiet_until("12:00-13:00", local("2026-01-10 00:30"), ZONE) is None


def test_none_are_quiet_where_none_are_set():
    assert quiet_until("", local("2026-01-10 02:30"), ZONE) is None


def test_quiet_hours_end_by_the_clock_on_the_nights_of_the_change():
    # Spring 2026: at 02:00 EST on 8 March it is 03:00 EDT. 05:30 EDT is 09:30 UTC; begun at 02:00 UTC, they last 7.5 h.
    evening = datetime(2026, 3, 8, 2, 0, tzinfo=UTC)
    assert quiet_until("21:00-05:30", evening, ZONE) == datetime(2026, 3, 8, 9, 30, tzinfo=UTC)
    assert quiet_until("21:00-05:30", datetime(2026, 3, 8, 9, 30, tzinfo=UTC), ZONE) is None
    # Autumn: at 02:00 EDT on 1 November it is 01:00 EST. From 01:00 UTC to 05:30 EST, 10:30 UTC: 9.5 h.
    evening = datetime(2026, 11, 1, 1, 0, tzinfo=UTC)
    assert quiet_until("21:00-05:30", evening, ZONE) == datetime(2026, 11, 1, 10, 30, tzinfo=UTC)
    # The repeated hour, both times, lies within them.
    assert quiet_until("21:00-05:30", datetime(2026, 11, 1, 5, 30, tzinfo=UTC), ZONE) is not None
    assert quiet_until("21:00-05:30", datetime(2026, 11, 1, 6, 30, tzinfo=UTC), ZONE) is not None


@given(st.times(), st.times(), st.datetimes(datetime(2026, 1, 1), datetime(2026, 12, 30)))
def test_the_end_of_quiet_hours_is_never_past_nor_over_a_day_and_an_hour_away(begin, end, moment):
    begin, end = (time(each.hour, each.minute) for each in (begin, end))
    if begin == end:
        return
    now = moment.replace(tzinfo=UTC)
    until = quiet_until(f"{begin:%H:%M}-{end:%H:%M}", now, ZONE)
    if until is not None:
        assert now < until <= now + timedelta(hours=25)
        assert quiet_until(f"{begin:%H:%M}-{end:%H:%M}", until, ZONE) is None
