"""A season's inspections once more, each walk beside the list as it could have been known just before it. Pure.

Only new information counts as an outcome. A defect that was open at its place already and is seen again no worse tells
the yard nothing: the list put that cover high because the finding was open, and to count it again would reward the list
for remembering, and a yard for logging one tear at every walk. One that has grown counts, with its severity now.
"""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.clocks import Log, clocks, open_findings
from monitor.hazards.exposure import BLOCK, exposures
from monitor.hazards.series import CoverSeries, HazardParameters, YardWeather, cover_series, yard_weather
from monitor.inspections import Action, Finding, Inspection
from monitor.ranking import OpenFinding, RankedCover, RankingParameters, boat_order, rank_covers
from monitor.register import Cover, Yard, flattest_slope_deg
from monitor.weather.table import Merged

WALK_GAP = timedelta(hours=3)
"""A longer pause between two inspections of a day makes two walks of it. Our own judgement."""

JUST_BEFORE = timedelta(seconds=1)


@dataclass(frozen=True)
class Walk:
    """Inspections of one round, oldest first: of one day, without a long pause, no cover twice."""

    inspections: tuple[Inspection, ...]

    @property
    def before(self) -> datetime:
        """The moment just before the first of them (UTC): the list of the walk is the one of then."""
        return self.inspections[0].inspected_at - JUST_BEFORE


@dataclass(frozen=True)
class KnownThen:
    """What was known of a yard at a moment (UTC): all that its list could rest on.

    ``covers`` are those on the boats then; ``open_worst`` has the worst open finding by cover; ``weather`` may go on
    after the moment, which is not looked at.
    """

    as_of: datetime
    covers: tuple[Cover, ...]
    vents_changed_at: Mapping[int, datetime]
    open_worst: Mapping[int, OpenFinding]
    log: Log
    weather: Merged
    parameters: RankingParameters

    @property
    def season(self) -> datetime:
        """When the first of the covers was wrapped: the weather counts from there."""
        return min(cover.builds[0].built_at for cover in self.covers)


@dataclass(frozen=True)
class Brought:
    """What an inspection brought to light: findings that were new or had grown, and those only seen again."""

    new: tuple[Finding, ...]
    again: tuple[Finding, ...]

    @property
    def worst(self) -> int:
        """Worst severity among the new ones; 0 where nothing new was found."""
        return max((finding.severity for finding in self.new), default=0)


@dataclass(frozen=True)
class Replayed:
    """One inspection beside the line that its cover had on the list of its walk, and what it brought.

    ``place_by_berth`` counts from 0 along the rows; ``waited_days`` are since the cover's last known inspection or its
    wrapping; ``ranked`` is how many covers the list had.
    """

    inspection: Inspection
    walk: int
    line: RankedCover
    cover: Cover
    ranked: int
    place_by_berth: int
    waited_days: float
    slope_deg: float
    brought: Brought


def walks_of(inspections: Sequence[Inspection], time_zone: str) -> list[Walk]:
    """Inspections as walks: another begins with another local day, after a long pause, or with a cover seen already."""
    zone = ZoneInfo(time_zone)
    walks: list[list[Inspection]] = []
    for visit in sorted(inspections, key=lambda visit: (visit.inspected_at, visit.id)):
        if walks:
            last = walks[-1][-1].inspected_at
            same_day = last.astimezone(zone).date() == visit.inspected_at.astimezone(zone).date()
            seen = any(earlier.cover_id == visit.cover_id for earlier in walks[-1])
            if same_day and not seen and visit.inspected_at - last <= WALK_GAP:
                walks[-1].append(visit)
                continue
        walks.append([visit])
    return [Walk(tuple(walk)) for walk in walks]


def brought_to_light(log: Log, boat_of_cover: Mapping[int, str]) -> dict[str, Brought]:
    """What each inspection brought that was not known before it, by its id.

    Parameters
    ----------
    log : Log
        As it stands now, corrections in it.
    boat_of_cover : mapping
        Boat number of every cover: an open finding outlives the cover it was seen on.

    Notes
    -----
    Known before is what was open, just before the inspection, at the same place with the same defect and at least as
    severe. A finding of severity 0 says that something is sound and is none.
    """
    findings: dict[str, list[Finding]] = defaultdict(list)
    for finding in log.findings:
        if finding.severity > 0:
            findings[finding.inspection_id].append(finding)
    by_boat = _by_boat(log, boat_of_cover)
    brought = {}
    for visit in log.inspections:
        boat = boat_of_cover.get(visit.cover_id)
        if boat is None:
            continue
        found = findings[visit.id]
        known: dict[tuple[str, str], int] = {}
        if found:
            for entry in open_findings(_before(by_boat[boat], visit.inspected_at), boat_of_cover).get(boat, []):
                here = (entry.finding.place, entry.finding.defect)
                known[here] = max(entry.finding.severity, known.get(here, 0))
        new = tuple(f for f in found if f.severity > known.get((f.place, f.defect), 0))
        brought[visit.id] = Brought(new, tuple(f for f in found if f not in new))
    return brought


def lists_before(
    known: Sequence[KnownThen], yard: Yard, parameters: HazardParameters, only: Collection[int] | None = None
) -> list[list[RankedCover]]:
    """The ranked list of each moment, as `monitor.ranking` makes it, in the order of the moments.

    The hours of the covers are worked out once for all moments that knew the same of the time before them, and each
    moment's exposures are counted in its part of them. A moment that knew something else than later ones, such as hours
    that were revised afterwards, gets hours of its own.

    Parameters
    ----------
    known : sequence of KnownThen
        Oldest first.
    yard : Yard
    parameters : HazardParameters
    only : collection of int, optional
        Ids of the covers to rank; a list then has no others.
    """
    lists: dict[int, list[RankedCover]] = {}
    for moments in _runs(known):
        lists |= _lists_of_run({place: known[place] for place in moments}, yard, parameters, only)
    return [lists[place] for place in range(len(known))]


def replayed(
    walks: Sequence[Walk],
    known: Sequence[KnownThen],
    lists: Sequence[Sequence[RankedCover]],
    brought: Mapping[str, Brought],
) -> list[Replayed]:
    """Each inspection beside its line; one of a cover that the list of its walk did not have is left out."""
    found = []
    for number, (walk, then, lines) in enumerate(zip(walks, known, lists, strict=True)):
        covers = {cover.id: cover for cover in then.covers}
        along_rows = sorted(then.covers, key=lambda cover: (cover.boat.row, cover.boat.place))
        place = {cover.id: position for position, cover in enumerate(along_rows)}
        of_cover = {line.cover: line for line in lines}
        since = clocks({cover.id or 0: cover.builds[0].built_at for cover in then.covers}, {}, then.log)
        for visit in walk.inspections:
            if visit.cover_id not in of_cover:
                continue
            cover = covers[visit.cover_id]
            waited = then.as_of - since[visit.cover_id].inspected_at
            found.append(
                Replayed(
                    inspection=visit,
                    walk=number,
                    line=of_cover[visit.cover_id],
                    cover=cover,
                    ranked=len(lines),
                    place_by_berth=place[visit.cover_id],
                    waited_days=waited / timedelta(days=1),
                    slope_deg=flattest_slope_deg(cover.build_at(then.as_of), cover.boat.beam_m),
                    brought=brought[visit.id],
                )
            )
    return found


def _by_boat(log: Log, boat_of_cover: Mapping[int, str]) -> dict[str, Log]:
    inspections: dict[str, list[Inspection]] = defaultdict(list)
    findings: dict[str, list[Finding]] = defaultdict(list)
    actions: dict[str, list[Action]] = defaultdict(list)
    boat_of_visit = {}
    for visit in log.inspections:
        if (boat := boat_of_cover.get(visit.cover_id)) is not None:
            inspections[boat].append(visit)
            boat_of_visit[visit.id] = boat
    for finding in log.findings:
        if finding.inspection_id in boat_of_visit:
            findings[boat_of_visit[finding.inspection_id]].append(finding)
    for action in log.actions:
        if (boat := boat_of_cover.get(action.cover_id)) is not None:
            actions[boat].append(action)
    return {boat: Log(inspections[boat], findings[boat], actions[boat]) for boat in inspections}


def _before(log: Log, moment: datetime) -> Log:
    """The entries of what happened before a moment."""
    visits = [visit for visit in log.inspections if visit.inspected_at < moment]
    ids = {visit.id for visit in visits}
    findings = [finding for finding in log.findings if finding.inspection_id in ids]
    return Log(visits, findings, [action for action in log.actions if action.acted_at < moment])


def _runs(known: Sequence[KnownThen]) -> Iterator[list[int]]:
    """Places of the moments that one run of hours serves, that of the last one of them; latest run first."""
    run: list[int] = []
    for place in reversed(range(len(known))):
        if run and not _agrees(known[place], known[run[0]]):
            yield run
            run = []
        run.append(place)
    if run:
        yield run


def _agrees(then: KnownThen, later: KnownThen) -> bool:
    """Whether a later moment knew of the time up to ``then`` what was known then, as far as the hours depend on it."""
    builds = {cover.id: _builds_by(cover, then.as_of) for cover in later.covers}
    return (
        then.season == later.season
        and all(builds.get(cover.id) == _builds_by(cover, then.as_of) for cover in then.covers)
        and _stores_changed(then.log, then.as_of) == _stores_changed(later.log, then.as_of)
        and _same_weather(then.weather, later.weather, then.season, then.as_of)
    )


def _builds_by(cover: Cover, moment: datetime) -> tuple[Any, ...]:
    return (cover.boat, cover.builds[0], *(build for build in cover.builds[1:] if build.built_at <= moment))


def _stores_changed(log: Log, moment: datetime) -> tuple[Any, ...]:
    """What somebody measured or cleared by a moment."""
    measured = [visit for visit in log.inspections if visit.snow_depth_m is not None or visit.snow_water_mm is not None]
    emptied = [action for action in log.actions if action.action in ("cleared_snow", "drained_water")]
    return (
        [visit for visit in measured if visit.inspected_at <= moment],
        [action for action in emptied if action.acted_at <= moment],
    )


def _same_weather(one: Merged, other: Merged, start: datetime, end: datetime) -> bool:
    """Whether two tables have the same values from the same sources in the hours from one moment to another."""
    if one is other:
        return True
    hours = pd.date_range(pd.Timestamp(start).ceil("h"), pd.Timestamp(end).floor("h"), freq="h", unit="s")
    names = sorted({*one.values.columns, *other.values.columns})
    for name in names:
        if not all(name in merged.values.columns for merged in (one, other)):
            return False
    for first, second in ((one.sources, other.sources), (one.values, other.values)):
        if not first[names].reindex(hours).equals(second[names].reindex(hours)):
            return False
    return True


def _lists_of_run(
    moments: Mapping[int, KnownThen], yard: Yard, parameters: HazardParameters, only: Collection[int] | None
) -> dict[int, list[RankedCover]]:
    last = next(iter(moments.values()))
    covers: dict[int, Cover] = {}
    for then in moments.values():  # latest first: a cover's latest version stands for all
        for cover in then.covers:
            if cover.id is not None and (only is None or cover.id in only):
                covers.setdefault(cover.id, cover)
    weather = yard_weather(last.weather, yard, last.season, last.as_of, parameters)
    lines: dict[int, list[RankedCover]] = {place: [] for place in moments}
    of_run = list(covers.values())
    for first in range(0, len(of_run), BLOCK):
        block = of_run[first : first + BLOCK]
        series = cover_series(weather, yard, block, last.log.actions, last.log.inspections, parameters)
        for place, then in moments.items():
            lines[place] += _list_at(then, weather, series, yard)
    return {
        place: [replace(line, rank=rank) for rank, line in enumerate(sorted(of, key=_list_order), start=1)]
        for place, of in lines.items()
    }


def _list_at(then: KnownThen, weather: YardWeather, series: CoverSeries, yard: Yard) -> list[RankedCover]:
    """The covers of a series that stood at a moment, with their scores by the hours up to it."""
    column = {cover_id: place for place, cover_id in enumerate(series.cover_ids)}
    covers = [cover for cover in then.covers if cover.id in column]
    if not covers:
        return []
    columns = np.array([column[cover.id] for cover in covers if cover.id is not None])
    ids = [series.cover_ids[place] for place in columns.tolist()]
    count = int(weather.hour_ending.searchsorted(pd.Timestamp(then.as_of), side="right"))
    hours = slice(0, count)
    since = clocks(dict(zip(ids, (c.builds[0].built_at for c in covers), strict=True)), then.vents_changed_at, then.log)
    found = exposures(
        _up_to(weather, hours, len(weather.hour_ending)),
        _columns_up_to(series, hours, columns),
        covers,
        since,
        then.log.inspections,
        then.as_of,
        yard.display_units,
        then.log.actions,
    )
    return rank_covers([cover.boat.number for cover in covers], ids, found, then.open_worst, None, then.parameters)


def _list_order(line: RankedCover) -> tuple[Any, ...]:
    return (-line.score, boat_order(line.boat), line.cover)


def _up_to(part: Any, hours: slice, count: int) -> Any:
    """A dataclass of arrays (H,) with only these of its ``count`` hours, whatever dataclasses are in it."""
    if isinstance(part, pd.DataFrame):
        return part.iloc[hours]
    if isinstance(part, np.ndarray | pd.Index):
        return part[hours] if len(part) == count else part
    if is_dataclass(part) and not isinstance(part, type):
        cut = {field.name: _up_to(getattr(part, field.name), hours, count) for field in fields(part)}
        return replace(part, **cut)
    return part


def _columns_up_to(series: CoverSeries, hours: slice, columns: NDArray[np.intp]) -> CoverSeries:
    """The hours of these covers alone; without a copy where they are all of them."""
    ids = tuple(series.cover_ids[place] for place in columns.tolist())
    everyone = ids == series.cover_ids
    cut = {
        field.name: getattr(series, field.name)[hours] if everyone else getattr(series, field.name)[hours, columns]
        for field in fields(series)
        if field.name not in ("hour_ending", "cover_ids")
    }
    return CoverSeries(hour_ending=series.hour_ending[hours], cover_ids=ids, **cut)
