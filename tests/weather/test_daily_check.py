"""Measured days beside the merged hours."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd
import pytest

from monitor.weather.daily_check import check_day, largest_differences
from monitor.weather.table import NONE_REPORTED, SourceSeries, hourly_index, merge_by_priority, no_flags

FIRST = datetime(2026, 7, 1, 1, tzinfo=UTC)
HOUR = timedelta(hours=1)


def merged(count=96, **columns):
    """Hours that count up: 0, 1, 2 ... unless given."""
    index = hourly_index([FIRST + number * HOUR for number in range(count)])
    given = {name: np.broadcast_to(np.asarray(values, dtype=float), count) for name, values in columns.items()}
    hours = pd.DataFrame(given or {"precipitation_mm": np.arange(count, dtype=float)}, index=index)
    flags = no_flags(hours)
    if "wind_gust_ms" in hours:
        flags.loc[hours["wind_gust_ms"].isna(), "wind_gust_ms"] = NONE_REPORTED
    return merge_by_priority([SourceSeries("metar-archive", "observed", hours, flags)], ["metar-archive"])


def of_rain(ends="", time_zone="America/New_York", day=date(2026, 7, 2), table=None):
    ends = {"precipitation_mm": ends} if ends else {}
    (check,) = check_day(day, "S", {"precipitation_mm": 10.0}, {}, ends, table or merged(), time_zone)
    return check


@pytest.mark.parametrize(
    "ends, time_zone, first_ending",
    [
        # 2 July, standard time all year: New York is 5 h behind UTC, in July too. The day begins at 05:00 UTC, so its
        # first hour ends at 06:00 on 2 July: number 29 of the table, which begins with 01:00 on 1 July as number 0.
        ("", "America/New_York", 29),
        ("24:00", "America/New_York", 29),
        ("24:00", "UTC", 24),
        ("24:00", "Europe/Berlin", 23),
        ("07:00", "America/New_York", 12),  # up to 07:00 = 12:00 UTC: hours that end 13:00 on 1 July to 12:00 on 2 July
        ("18:00", "UTC", 18),
    ],
)
def test_a_day_is_held_against_the_24_hours_up_to_its_end(ends, time_zone, first_ending):
    check = of_rain(ends, time_zone)
    assert check.hours_known == 24
    assert check.of_hours == sum(range(first_ending, first_ending + 24))
    assert check.difference == check.of_hours - 10.0


def test_hours_that_nobody_knows_are_counted_and_not_filled():
    check = of_rain(time_zone="UTC", table=merged(30))
    assert (check.hours_known, check.of_hours) == (6, sum(range(24, 30)))
    none = of_rain(day=date(2026, 8, 1))
    assert none.hours_known == 0
    assert np.isnan(none.of_hours)
    assert np.isnan(none.difference)


def test_a_gust_is_the_highest_and_an_hour_without_one_to_report_is_known():
    gusts = np.full(96, np.nan)
    gusts[30], gusts[31] = 18.0, 21.5
    table = merged(wind_gust_ms=gusts)
    (check,) = check_day(date(2026, 7, 2), "S", {"gust_5s_ms": 24.1}, {}, {}, table, "UTC")
    assert (check.of_hours, check.hours_known) == (21.5, 24)
    assert check.difference == pytest.approx(-2.6)


def test_the_largest_difference_is_that_of_a_whole_and_sound_day():
    table = merged(precipitation_mm=0.5)
    days = [
        (date(2026, 7, 1), 10.0, {}),  # its first hours lie before the table
        (date(2026, 7, 2), 9.0, {}),  # 12 mm by the hours
        (date(2026, 7, 3), 99.0, {"precipitation_mm": "qc_failed"}),
    ]
    zone = "Europe/Berlin"
    checks = [
        each for day, mm, flag in days for each in check_day(day, "S", {"precipitation_mm": mm}, flag, {}, table, zone)
    ]
    assert largest_differences(checks)["precipitation_mm"].day == date(2026, 7, 2)
    assert [check.flag for check in checks] == ["", "", "qc_failed"]
