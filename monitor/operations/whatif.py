"""One boat's season worked out again for its cover changed: read what was known, calculate, keep nothing."""

import sqlite3
from datetime import datetime, timedelta

from monitor.assessment import YardAssessment
from monitor.changes import Change
from monitor.errors import StormwalkError
from monitor.operations.ranking import assess_yard, cover_on
from monitor.operations.weather import merged_weather
from monitor.operations.yard_hours import HAZARD_PARAMETERS
from monitor.register import Cover, Yard
from monitor.weather.table import Merged
from monitor.whatif import WhatIf, what_if
from monitor.wording import local_text

LONGEST_FORECAST = timedelta(days=16)
"""No service forecasts further."""


def what_if_boat(
    conn: sqlite3.Connection, yard: Yard, boat: str, change: Change, *, as_of: datetime, known_at: datetime
) -> WhatIf:
    """Compare a boat's cover with the same cover changed, up to ``as_of`` (UTC), by what was known at ``known_at``.

    Where both are one moment and hours after it were forecast, the season goes on with them too. Raises StormwalkError
    where the boat has no cover then, or the change does not fit it.
    """
    assessment = assess_yard(conn, yard, as_of=as_of, known_at=known_at)
    _check(change, cover_on(assessment, boat), yard, as_of)
    forecast = _forecast(conn, yard, assessment) if as_of == known_at else None
    return what_if(assessment, boat, change, HAZARD_PARAMETERS, forecast)


def _check(change: Change, cover: Cover, yard: Yard, as_of: datetime) -> None:
    """Refuse a moment outside the season, and vents of another size where there are none."""
    wrapped_at = cover.builds[0].built_at
    moments = [(moment, "re-tensioned") for moment in change.retensioned_at]
    moments += [(moment, "cleared") for moment in change.cleared_at]
    moments += [] if change.since is None else [(change.since, "changed")]
    for moment, what in moments:
        if not wrapped_at <= moment <= as_of:
            begin, end, asked = (local_text(one, yard.time_zone, year=True) for one in (wrapped_at, as_of, moment))
            raise StormwalkError(
                f"Boat {cover.boat.number}: it cannot have been {what} on {asked}; the season in question runs from "
                f"its wrapping, {begin}, to {end}. Nothing was worked out. Choose a moment between them."
            )
    if change.vent_area_m2 is not None and change.vents is None and cover.build_at(as_of).vent_count == 0:
        raise StormwalkError(
            f"Boat {cover.boat.number} has no vents, so none of them can be larger or smaller. Nothing was worked out. "
            f"Say how many with --vents."
        )


def _forecast(conn: sqlite3.Connection, yard: Yard, assessment: YardAssessment) -> tuple[Merged, datetime] | None:
    """The season's weather with what is forecast of the hours after the assessment's moment, and its last hour."""
    start = min(cover.builds[0].built_at for cover in assessment.covers)
    merged = merged_weather(conn, yard, assessment.as_of, start, assessment.as_of + LONGEST_FORECAST)
    ahead = merged.sources[merged.sources.index > assessment.as_of]
    if ahead.empty:
        return None
    told = ahead.apply(lambda column: column.str.endswith(":forecast")).any(axis=1)
    return (merged, told[told].index[-1].to_pydatetime()) if told.any() else None
