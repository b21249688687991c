"""A season out of the database: each walk with what was known just before it, and what its inspections brought."""

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from monitor import __version__
from monitor.clocks import Log, open_findings, taken_off
from monitor.errors import StormwalkError
from monitor.evaluation.replay import KnownThen, Replayed, Walk, brought_to_light, lists_before, replayed, walks_of
from monitor.evaluation.review import THRESHOLD, ReviewParameters, SeasonReview, review
from monitor.inspections import Inspection
from monitor.operations.ranking import register_then, vents_changed_at, worst_open
from monitor.operations.register import ranking_parameters
from monitor.operations.weather import merged_weather
from monitor.operations.yard_hours import HAZARD_PARAMETERS
from monitor.register import Cover, Yard, covers_on_boats
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.weather.table import Merged
from monitor.wording import local_text

LATE = timedelta(hours=24)
"""An inspection entered later than this after it was made was not known to the walks in between."""

EARLIER_SEASON = timedelta(days=150)
"""A cover that came off longer ago than this belongs to an earlier season. Our own judgement."""


@dataclass(frozen=True)
class SeasonReplay:
    """A season's inspections beside their lists, and what that rests on."""

    start: datetime
    until: datetime
    replayed: tuple[Replayed, ...]
    log: Log
    left_out: int
    notes: tuple[str, ...]


def review_season(
    conn: sqlite3.Connection,
    yard: Yard,
    *,
    until: datetime,
    start: datetime | None = None,
    hindsight: bool = False,
    threshold: int = THRESHOLD,
    parameters: ReviewParameters | None = None,
) -> SeasonReview:
    """Review a yard's season up to ``until`` (UTC), by default from the first wrapping of the covers on its boats then.

    Covers that came off in spring count as long as the season is not long past.

    Each walk is judged by the list as it could have been known just before it. With ``hindsight`` weather, log and
    builds count as they are known now, as far as they tell of the time before the walk; curves stay those of then, for
    curves fitted to these inspections would flatter themselves. Raises StormwalkError where no cover was on by then.
    """
    season = replay_season(conn, yard, until=until, start=start, hindsight=hindsight)
    return review(
        yard,
        season.replayed,
        [action for action in season.log.actions if action.acted_at >= season.start],
        start=season.start,
        until=season.until,
        version=__version__,
        hindsight=hindsight,
        threshold=threshold,
        left_out=season.left_out,
        notes=season.notes,
        parameters=parameters,
    )


def replay_season(
    conn: sqlite3.Connection,
    yard: Yard,
    *,
    until: datetime,
    start: datetime | None = None,
    hindsight: bool = False,
    inspected_alone: bool = False,
) -> SeasonReplay:
    """A season's inspections beside the lists before them; ``inspected_alone`` ranks no other covers than theirs.

    Arguments and errors else as for `review_season`.
    """
    register = register_store.all_covers(conn, yard.key)
    yard_id = register_store.yard_id(conn, yard.key)
    log = log_store.log_of_yard(conn, yard_id, as_of=until)
    long_off = {cover_id: off for cover_id, off in taken_off(log).items() if until - off > EARLIER_SEASON}
    on_boats = covers_on_boats(register, until, long_off)
    if not on_boats:
        raise StormwalkError(
            f"Yard {yard.key} had no cover by {local_text(until, yard.time_zone, year=True)}, so there is no season "
            f"to look back on. Choose a later moment, or load covers first."
        )
    begin = start or min(cover.builds[0].built_at for cover in on_boats)
    boats = {cover.id: cover.boat.number for cover in register if cover.id is not None}
    inspections = [visit for visit in log.inspections if visit.inspected_at >= begin]
    source = _Now(conn, yard, register, log, until) if hindsight else _Then(conn, yard, yard_id)
    walks, known = [], []
    for walk in walks_of(inspections, yard.time_zone):
        then = source.before(walk)
        if then is not None:
            walks.append(walk)
            known.append(then)
    only = {visit.cover_id for visit in inspections} if inspected_alone else None
    lists = lists_before(known, yard, HAZARD_PARAMETERS, only)
    found = tuple(replayed(walks, known, lists, brought_to_light(log, boats)))
    left_out = len(inspections) - len(found)
    return SeasonReplay(begin, until, found, log, left_out, _notes(inspections, known, left_out, hindsight))


class _Then:
    """What was known at each moment then, read anew for each."""

    def __init__(self, conn: sqlite3.Connection, yard: Yard, yard_id: int) -> None:
        self._conn, self._yard, self._yard_id = conn, yard, yard_id

    def before(self, walk: Walk) -> KnownThen | None:
        """Just before a walk; None where no cover was on."""
        conn, yard, as_of = self._conn, self._yard, walk.before
        register = register_then(conn, yard, as_of)
        log = log_store.log_of_yard(conn, self._yard_id, as_of=as_of, known_at=as_of)
        covers = covers_on_boats(register, as_of, taken_off(log))
        if not covers:
            return None
        weather = merged_weather(conn, yard, as_of, min(cover.builds[0].built_at for cover in covers), as_of)
        return _known(conn, yard, as_of, register, covers, log, weather)


class _Now:
    """What is known now of the time before each moment, read once."""

    def __init__(
        self, conn: sqlite3.Connection, yard: Yard, register: Sequence[Cover], log: Log, until: datetime
    ) -> None:
        self._conn, self._yard, self._register, self._log = conn, yard, register, log
        first = min(cover.builds[0].built_at for cover in register)
        self._weather = merged_weather(conn, yard, None, first, until)

    def before(self, walk: Walk) -> KnownThen | None:
        """Just before a walk; None where no cover was on."""
        as_of = walk.before
        covers = covers_on_boats(self._register, as_of, taken_off(self._log))
        if not covers:
            return None
        visits = [visit for visit in self._log.inspections if visit.inspected_at <= as_of]
        ids = {visit.id for visit in visits}
        findings = [finding for finding in self._log.findings if finding.inspection_id in ids]
        log = Log(visits, findings, [action for action in self._log.actions if action.acted_at <= as_of])
        return _known(self._conn, self._yard, as_of, self._register, covers, log, self._weather)


def _known(
    conn: sqlite3.Connection,
    yard: Yard,
    as_of: datetime,
    register: Sequence[Cover],
    covers: Sequence[Cover],
    log: Log,
    weather: Merged,
) -> KnownThen:
    boats = {cover.id: cover.boat.number for cover in register if cover.id is not None}
    still_open = open_findings(log, boats)
    worst = {
        cover.id: worst_open(still_open[cover.boat.number])
        for cover in covers
        if cover.id is not None and cover.boat.number in still_open
    }
    changed = vents_changed_at(covers, as_of)
    return KnownThen(as_of, tuple(covers), changed, worst, log, weather, ranking_parameters(conn, yard, as_of))


def _notes(
    inspections: Sequence[Inspection], known: Sequence[KnownThen], left_out: int, hindsight: bool
) -> tuple[str, ...]:
    """What the replay rests on, in sentences."""
    if hindsight:
        notes = [
            "With hindsight: weather, log and builds as they are known now, as far as they tell of the time before "
            "each walk. The yard's curves are those of then."
        ]
    else:
        notes = ["Each walk by the list as it could have been known just before it."]
        late = sum(visit.corrects_id is None and visit.recorded_at - visit.inspected_at > LATE for visit in inspections)
        if late:
            notes.append(
                f"{late} inspections were entered more than a day late; walks in between did not know of them."
            )
    blind = sum(not _knows_weather(then) for then in known)
    if blind:
        advice = "" if hindsight else " With hindsight the weather that was fetched or imported later counts too."
        notes.append(f"On {blind} of {len(known)} walks no weather was known, and only the log told.{advice}")
    if left_out:
        notes.append(f"{left_out} inspections are left out, because no cover was recorded on their boat then.")
    return tuple(notes)


def _knows_weather(then: KnownThen) -> bool:
    values = then.weather.values
    before = values[(values.index > then.season) & (values.index <= then.as_of)]
    return bool(before.notna().to_numpy().any())
