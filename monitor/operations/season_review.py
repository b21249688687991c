"""A yard's season out of the database and into words: its review, its curves fitted, its walks; nothing is stored."""

import sqlite3
from collections.abc import Sequence
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.documents.season_review import season_review as write_review
from monitor.errors import StormwalkError
from monitor.evaluation.metrics import Share
from monitor.operations.calibration import calibrate_yard
from monitor.operations.ranking import assess_yard, while_on
from monitor.operations.register import ranking_parameters
from monitor.operations.review import review_season
from monitor.operations.walks import walk, walks
from monitor.presentation.season_review import SeasonContent, season_content
from monitor.presentation.season_tables import WalkDone
from monitor.register import Yard
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.wording import local_text


def season_of_yard(
    conn: sqlite3.Connection,
    yard: Yard,
    *,
    until: datetime,
    start: datetime | None = None,
    hindsight: bool = False,
) -> SeasonContent:
    """What the review of a yard's season up to ``until`` (UTC) says; arguments and errors as for `review_season`."""
    _check_season(yard, start, until)
    review = review_season(conn, yard, until=until, start=start, hindsight=hindsight)
    calibration = calibrate_yard(conn, yard, until=until)
    in_force = ranking_parameters(conn, yard, until).curves
    return season_content(review, calibration, in_force, _walks_done(conn, yard, review.start, until))


def season_document(
    conn: sqlite3.Connection,
    yard: Yard,
    *,
    until: datetime,
    known_at: datetime,
    start: datetime | None = None,
    hindsight: bool = False,
) -> str:
    """HTML of the season's review. ``known_at`` is by when the weather was known whose age and sources it names.

    The same arguments give the same bytes again as long as nothing is logged, corrected or fetched of that time.
    """
    content = season_of_yard(conn, yard, until=until, start=start, hindsight=hindsight)
    assessment = assess_yard(conn, yard, as_of=while_on(conn, yard, until, known_at), known_at=known_at)
    return write_review(
        yard,
        content,
        as_of=until,
        data_age_h=assessment.data_age_h,
        version=assessment.version,
        credits=tuple(dict.fromkeys(status.credit for status in assessment.sources if status.newest_hour is not None)),
        not_assessed=assessment.not_assessed,
    )


def _check_season(yard: Yard, start: datetime | None, until: datetime) -> None:
    if start is not None and start >= until:
        begin, end = (local_text(moment, yard.time_zone, year=True) for moment in (start, until))
        raise StormwalkError(f"The season would begin {begin} and end {end}, before it began. Choose an earlier start.")


def _walks_done(conn: sqlite3.Connection, yard: Yard, start: datetime, until: datetime) -> Sequence[WalkDone]:
    """Kept walks that were to be over within the season, oldest first, beside the inspections of their day."""
    zone = ZoneInfo(yard.time_zone)
    boats = {cover.id: cover.boat.number for cover in register_store.all_covers(conn, yard.key)}
    log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key), as_of=until)
    done = []
    for head in walks(conn, yard):
        if not start <= head.starts_at <= until:
            continue
        kept = walk(conn, yard, head.id)
        if kept is None or max(party.finish for party in kept.plan.rounds) > until:
            continue
        day = head.starts_at.astimezone(zone).date()
        seen = {boats[one.cover_id] for one in log.inspections if one.inspected_at.astimezone(zone).date() == day}
        planned = {stop.boat for party in kept.plan.rounds for stop in party.stops}
        done.append(
            WalkDone(head.starts_at, Share(len(planned & seen), len(planned)), len(seen - planned), head.changes)
        )
    return sorted(done, key=lambda one: one.starts_at)
