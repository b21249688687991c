"""Whether a yard's coordinates and its time zone can be of one place: finds a lost sign, or two numbers exchanged."""

import importlib.resources
import re
from datetime import datetime, timedelta
from functools import cache
from zoneinfo import ZoneInfo

HOURS_OFF_THE_SUN = 3.5
"""From the sun's time by longitude to a zone's own, at most: the west of China, 3.1 h off, is the farthest. [h]"""

LATITUDES_OF_A_ZONE_DEG = 27.0
"""From the town that a zone is named after, at most; 3,000 km along a meridian. Our own choice. [deg]"""

_NOWHERE = re.compile(r"Etc/.*|UTC|UCT|GMT.*|Zulu|Universal|Greenwich|localtime|posixrules|Factory")
"""Zones that are of no place."""

_COORDINATES = re.compile(r"([+-])(\d\d)(\d\d)(?:\d\d)?[+-]\d{5,7}")
"""Of zone.tab: latitude and longitude in degrees, minutes and perhaps seconds, without separators (ISO 6709)."""


def not_of_one_place(latitude_deg: float, longitude_deg: float, time_zone: str) -> tuple[str, str] | None:
    """Which of ``latitude`` and ``longitude`` does not fit a time zone, and why in a sentence; None where both fit."""
    if _NOWHERE.fullmatch(time_zone):
        return None
    offset_h = standard_offset_h(time_zone)
    if not _near_meridian(longitude_deg, offset_h):
        found = f"{longitude_deg:g} is too far from the clock of {time_zone} (UTC{offset_h:+g} h)"
        if _near_meridian(-longitude_deg, offset_h) and _near_parallel(latitude_deg, time_zone):
            return "longitude", f"{found}; is it {-longitude_deg:g}? East is plus, west is minus."
        if _near_meridian(latitude_deg, offset_h) and _near_parallel(longitude_deg, time_zone):
            return "longitude", f"{found}; are latitude and longitude exchanged?"
        return "longitude", f"{found}; expected a place in that zone. Check longitude and time zone."
    if not _near_parallel(latitude_deg, time_zone):
        found = f"{latitude_deg:g} is on the other side of the equator than {time_zone}"
        if _near_parallel(-latitude_deg, time_zone):
            return "latitude", f"{found}; is it {-latitude_deg:g}? North is plus, south is minus."
        return "latitude", f"{found}; expected a place in that zone. Check latitude and time zone."
    return None


def _near_meridian(longitude_deg: float, offset_h: float) -> bool:
    return abs((longitude_deg / 15 - offset_h + 12) % 24 - 12) <= HOURS_OFF_THE_SUN


def _near_parallel(latitude_deg: float, time_zone: str) -> bool:
    town_deg = _latitudes().get(time_zone, latitude_deg)
    return latitude_deg * town_deg >= 0 or abs(latitude_deg - town_deg) <= LATITUDES_OF_A_ZONE_DEG


def standard_offset_h(time_zone: str) -> float:
    """How far a zone's winter clock is ahead of UTC. [h]"""
    zone = ZoneInfo(time_zone)
    offsets = [datetime(2026, month, 15, 12, tzinfo=zone).utcoffset() or timedelta() for month in (1, 7)]
    return min(offsets) / timedelta(hours=1)


@cache
def _latitudes() -> dict[str, float]:
    """Latitude of the town of each zone, from the time zone database's zone.tab. [deg]"""
    table = (importlib.resources.files("tzdata") / "zoneinfo" / "zone.tab").read_text("utf-8")
    found = {}
    for line in table.splitlines():
        columns = line.split("\t")
        if len(columns) >= 3 and (match := _COORDINATES.fullmatch(columns[1])):
            sign, degrees, minutes = match.groups()
            found[columns[2]] = (-1 if sign == "-" else 1) * (int(degrees) + int(minutes) / 60)
    return found
