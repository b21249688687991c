"""Sunrise and sunset at a yard, and which day's light a walk has. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from astral import Observer, SunDirection
from astral.sun import SUN_APPARENT_RADIUS, elevation, time_of_transit

from monitor.register import Yard

HALF_A_DAY = timedelta(hours=13)
"""From noon to a sunrise or sunset of the same day, at most; an hour more than half a day, as noon is not exact."""


@dataclass(frozen=True)
class Daylight:
    """The light of one day of the yard's calendar, to the second (UTC).

    ``sunrise`` or ``sunset`` is None where the sun does not cross the horizon that day; ``remark`` then says so in a
    sentence.
    """

    day: date
    sunrise: datetime | None
    sunset: datetime | None
    remark: str = ""


def daylight(yard: Yard, day: date) -> Daylight:
    """Daylight of a day on the yard's calendar: the upper edge of the sun at a level horizon, with usual refraction.

    Both moments belong to the noon of that day, so that sunset follows sunrise; near the poles either may fall on the
    neighbouring date. High hills or sheds around the yard are not known here.
    """
    observer = Observer(yard.latitude_deg, yard.longitude_deg)
    noon = _solar_noon(yard, day)
    rises = [noon - moment for moment in _crossings(SunDirection.RISING, observer, noon)]
    sets = [moment - noon for moment in _crossings(SunDirection.SETTING, observer, noon)]
    rise = min((noon - ago for ago in rises if timedelta(0) <= ago <= HALF_A_DAY), default=None)
    fall = min((noon + wait for wait in sets if timedelta(0) <= wait <= HALF_A_DAY), default=None)
    if rise is not None and fall is not None:
        return Daylight(day, rise, fall)
    if elevation(observer, noon) > 0:
        missing = "set" if fall is None else "rise"
        return Daylight(day, rise, fall, f"The sun does not {missing} at the yard on {day}: the light sets no limit.")
    remark = f"The sun does not rise at the yard on {day}: without daylight the light sets no limit. Take lamps."
    return Daylight(day, None, None, remark)


def coming_daylight(yard: Yard, moment: datetime) -> Daylight:
    """The daylight that holds a moment (UTC) or comes next; at sunset and after, the next day's."""
    day = moment.astimezone(ZoneInfo(yard.time_zone)).date()
    light = daylight(yard, day)
    if light.sunset is not None and moment >= light.sunset:
        return daylight(yard, day + timedelta(days=1))
    return light


def _solar_noon(yard: Yard, day: date) -> datetime:
    """The mean sun's highest point nearest to noon on the yard's clock; the true one is up to 17 minutes off."""
    clock_noon = datetime.combine(day, time(12), ZoneInfo(yard.time_zone)).astimezone(UTC)
    mean_noon = datetime.combine(clock_noon.date(), time(12), UTC) - timedelta(hours=yard.longitude_deg / 15)
    return mean_noon + round((clock_noon - mean_noon) / timedelta(days=1)) * timedelta(days=1)


def _crossings(direction: SunDirection, observer: Observer, noon: datetime) -> Iterator[datetime]:
    """Every sunrise or sunset of the days around a noon, to the second; none where the sun does not get there.

    astral's ``sunrise`` and ``sunset`` give one moment a date, and miss the second where a UTC date holds two.
    """
    for days in (-1, 0, 1):
        day = noon.date() + timedelta(days=days)
        try:
            moment = time_of_transit(observer, day, 90.0 + SUN_APPARENT_RADIUS, direction)
        except ValueError:  # the sun stays on one side of the horizon
            continue
        yield moment.replace(microsecond=0)
