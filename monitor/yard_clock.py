"""Times as people write them, on the yard's clock, as moments in UTC."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.units import UnreadableError

CLOCK_ERROR = timedelta(minutes=10)
"""What happened may lie ahead by so much: clocks of phones, cameras and computers are not exact."""


def moment_on(typed: datetime, time_zone: str) -> datetime:
    """The moment (UTC, to the second) of a time as it was written: without an offset it is on the yard's clock.

    Raises UnreadableError where that clock showed it twice, or never.
    """
    if typed.tzinfo is None:
        zone = ZoneInfo(time_zone)
        early, late = typed.replace(tzinfo=zone, fold=0), typed.replace(tzinfo=zone, fold=1)
        first, second = early.astimezone(UTC), late.astimezone(UTC)
        if first < second:
            either = f"{early.isoformat(timespec='minutes')} or {late.isoformat(timespec='minutes')}"
            raise UnreadableError(
                f"{typed:%Y-%m-%d %H:%M}",
                f"one moment: the clock in {time_zone} shows it twice; write it with its offset, {either}",
            )
        if first > second:
            raise UnreadableError(
                f"{typed:%Y-%m-%d %H:%M}",
                f"a time that the clock in {time_zone} showed: it was put forward past it; write "
                f"{first.astimezone(zone):%Y-%m-%d %H:%M}, or the time in UTC",
            )
        typed = early
    return typed.astimezone(UTC).replace(microsecond=0)
