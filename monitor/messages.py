"""What is told to a yard's people, and when: notices, the messages that carry them, quiet hours. Pure and light."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

from monitor.register import parse_quiet_hours

NoticeKind = Literal["storm_ended", "storm_coming"]

FIRST_RETRY = timedelta(minutes=5)
"""Wait before a notice is tried again; it doubles with each try, up to `LONGEST_RETRY`."""

LONGEST_RETRY = timedelta(hours=2)

GIVE_UP_AFTER: dict[NoticeKind, timedelta] = {"storm_coming": timedelta(hours=24), "storm_ended": timedelta(hours=48)}
"""A notice older than this is no news any more and is not tried again; the listing still shows it as not sent."""


@dataclass(frozen=True)
class Notice:
    """One message to the crew about one storm of one yard."""

    yard_key: str
    kind: NoticeKind
    storm_start: datetime
    title: str
    body: str


@dataclass(frozen=True)
class Message:
    """What goes out to the people of one yard. ``key`` is the same each time that the same message is tried."""

    key: str
    yard_key: str
    title: str
    body: str


def quiet_until(quiet_hours: str, now: datetime, time_zone: str) -> datetime | None:
    """End of the quiet hours that ``now`` lies in (UTC); None outside them, or where none are set.

    ``quiet_hours`` is ``21:00-05:30`` on the yard's clock, or empty. Raises ValueError for anything else.
    """
    if not quiet_hours:
        return None
    begin, end = parse_quiet_hours(quiet_hours)
    zone = ZoneInfo(time_zone)
    local = now.astimezone(zone)
    for days in (-1, 0):
        day = local.date() + timedelta(days=days)
        starts = datetime.combine(day, begin, zone)
        stops = datetime.combine(day + timedelta(days=1 if end <= begin else 0), end, zone)
        if starts.astimezone(now.tzinfo) <= now < stops.astimezone(now.tzinfo):
            return stops.astimezone(now.tzinfo)
    return None
