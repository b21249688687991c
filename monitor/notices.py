"""Of which storms the crew is told, and in what words: one has ended, or one is coming. Pure functions.

Each storm gives one notice of each kind. It is known by the moment it began, give or take the hours by which a forecast
moves, so that the same storm in the next pull is no new one; two storms a day apart are two.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol

from monitor.assessment import YardAssessment
from monitor.messages import Notice, NoticeKind
from monitor.preparation import Preparation, before_the_storm, by_cover, preparation_text
from monitor.ranking import RankedCover
from monitor.storms import Storm
from monitor.units import show_speed, show_water
from monitor.wording import CAUTIONS, berth_text, local_text, reason_text


@dataclass(frozen=True)
class NoticeRules:
    """What we chose about telling people.

    quiet_h
        Hours without storm weather after which a storm has ended.
    told_up_to
        A storm that ended longer ago is no news any more: the service was off, the list says it all.
    ahead
        How far ahead a storm is announced; beyond, forecasts of gusts and snow change too much.
    same_storm
        A forecast storm whose start moves by less than this is still the same storm.
    top
        Covers named in a notice.
    """

    quiet_h: int = 12
    told_up_to: timedelta = timedelta(hours=72)
    ahead: timedelta = timedelta(hours=48)
    same_storm: timedelta = timedelta(hours=18)
    top: int = 5


class OfficialAlert(Protocol):
    """A watch, warning or advisory of a weather service, as far as a notice quotes it."""

    @property
    def event(self) -> str:
        """The service's name for it."""

    @property
    def onset(self) -> datetime:
        """When it begins (UTC)."""

    @property
    def ends(self) -> datetime:
        """When it ends (UTC)."""

    @property
    def headline(self) -> str:
        """The service's own sentence."""


def worth_telling(storm: Storm) -> bool:
    """Whether a storm is more than a sprinkling: it is called after its snow, wind, ice or rain on snow."""
    return bool(storm.snow or storm.wind or storm.rain_on_snow or storm.freezing_rain_mm)


def due_notices(
    past: YardAssessment,
    ahead: YardAssessment | None,
    told: Iterable[tuple[NoticeKind, datetime]],
    rules: NoticeRules,
    alerts: Sequence[OfficialAlert] = (),
) -> list[Notice]:
    """Notices that are due now and were not given before. Hours that are not known yet are not taken as quiet.

    Parameters
    ----------
    past : YardAssessment
        The yard now, with its storms so far.
    ahead : YardAssessment, optional
        The same yard run ahead on the forecast; None where there is none.
    told : iterable
        Kind and start of every storm that a notice was made for.
    rules : NoticeRules
    alerts : sequence of OfficialAlert
        What a weather service has out for the yard; those that meet a coming storm are quoted.
    """
    known: dict[NoticeKind, list[datetime]] = {"storm_ended": [], "storm_coming": []}
    for kind, start in told:
        known[kind].append(start)
    now = past.as_of
    notices = []
    for storm in _untold(past.storms, known["storm_ended"], rules):
        recent = now - storm.end <= rules.told_up_to
        if recent and worth_telling(storm) and _known_hours_after(past, storm.end) >= rules.quiet_h:
            notices.append(_ended(past, storm, rules))
    if ahead is not None:
        for storm in _untold(ahead.storms, known["storm_coming"], rules):
            # One that is under way counts by what is still to come of it: a flurry may be the beginning of a gale.
            rest = next((part for part in ahead.coming if part.start <= storm.end and storm.start <= part.end), None)
            if rest is not None and rest.start <= now + rules.ahead and worth_telling(rest):
                notices.append(_coming(past, ahead, storm.start, rest, alerts, rules))
    return notices


def _untold(storms: Sequence[Storm], told: Sequence[datetime], rules: NoticeRules) -> list[Storm]:
    """Storms that no notice was made for. A start that was told stands for the storm it lies in, else for the nearest
    one, if near enough; each start for one storm, so that a second storm soon after the first is told too."""
    open_storms = list(range(len(storms)))
    left = []
    for start in told:
        inside = [i for i, storm in enumerate(storms) if storm.start <= start <= storm.end]
        if not inside:
            left.append(start)
        elif inside[0] in open_storms:
            open_storms.remove(inside[0])
    pairs = sorted((abs(start - storms[i].start), i, n) for n, start in enumerate(left) for i in open_storms)
    used: set[int] = set()
    for distance, i, n in pairs:
        if distance < rules.same_storm and i in open_storms and n not in used:
            open_storms.remove(i)
            used.add(n)
    return [storms[i] for i in open_storms]


def _known_hours_after(assessment: YardAssessment, moment: datetime) -> int:
    """Hours after a moment, up to now, of which somebody measured or analysed anything. [h]"""
    sources = assessment.weather.sources
    since = sources[(sources.index > moment) & (sources.index <= assessment.as_of)]
    seen = since.apply(lambda column: column.str.endswith((":observed", ":analysis")))
    return int(seen.any(axis=1).sum()) if len(since) else 0


def _ended(assessment: YardAssessment, storm: Storm, rules: NoticeRules) -> Notice:
    called = [line for line in assessment.ranked if line.call in ("walk first", "walk today")]
    title = f"{assessment.yard.name}: storm over, {_count(called, 'walk first')} to walk first"
    lines = [
        f"{storm.character()}, {_span(storm, assessment)}. {_sizes(storm, assessment)}",
        f"{_count(called, 'walk first')} walk first, {_count(called, 'walk today')} walk today.",
        *_top(assessment, rules),
        *CAUTIONS[:2],
    ]
    return Notice(assessment.yard.key, "storm_ended", storm.start, title, "\n".join(lines))


def _coming(
    past: YardAssessment,
    ahead: YardAssessment,
    known_by: datetime,
    storm: Storm,
    alerts: Sequence[OfficialAlert],
    rules: NoticeRules,
) -> Notice:
    yard = ahead.yard
    title = f"{yard.name}: {storm.character()} expected from {local_text(storm.start, yard.time_zone)}"
    lines = [f"Forecast: {storm.character()}, {_span(storm, ahead)}. {_sizes(storm, ahead)}"]
    if ahead.forecast is not None:
        fetched = local_text(ahead.forecast.fetched_at, yard.time_zone)
        lines[0] += f" By {', '.join(ahead.forecast.sources)}, fetched {fetched}."
    for alert in alerts:
        if alert.onset <= storm.end and alert.ends >= storm.start:
            until = local_text(alert.ends, yard.time_zone)
            lines.append(f"Official: {alert.event}, until {until}. {alert.headline}".rstrip())
    preparations = before_the_storm(past.ranked, ahead.ranked)
    if preparations:
        lines += ["Before it comes:", *_first_things(ahead, preparations, rules)]
    lines += ["Covers that need a hand first if it comes so:", *_top(ahead, rules), *CAUTIONS[:3]]
    return Notice(yard.key, "storm_coming", known_by, title, "\n".join(lines))


def _first_things(assessment: YardAssessment, preparations: Sequence[Preparation], rules: NoticeRules) -> list[str]:
    boats = {cover.id: cover.boat for cover in assessment.covers}
    units = assessment.yard.display_units
    return [
        f"- {boats[cover].number} {boats[cover].name}, {berth_text(boats[cover])}: "
        + "; ".join(preparation_text(item, units) for item in items)
        for cover, items in list(by_cover(preparations).items())[: rules.top]
    ]


def _top(assessment: YardAssessment, rules: NoticeRules) -> list[str]:
    boats = {cover.id: cover.boat for cover in assessment.covers}
    lines = []
    for line in assessment.ranked[: rules.top]:
        boat = boats[line.cover]
        why = ""
        if line.reasons:
            why = f": {reason_text(line.reasons[0], assessment.yard.time_zone, assessment.yard.display_units)}"
        lines.append(f"{line.rank}. {boat.number} {boat.name}, {berth_text(boat)}, {line.call} {line.score:.2f}{why}")
    return lines


def _count(lines: Sequence[RankedCover], call: str) -> int:
    return sum(line.call == call for line in lines)


def _span(storm: Storm, assessment: YardAssessment) -> str:
    zone = assessment.yard.time_zone
    return f"{local_text(storm.start, zone)} to {local_text(storm.end, zone)}"


def _sizes(storm: Storm, assessment: YardAssessment) -> str:
    units = assessment.yard.display_units
    parts = []
    if storm.snow_water_mm > 0:
        parts.append(f"snow {show_water(storm.snow_water_mm, units)} of water")
    if storm.rain_mm > 0:
        parts.append(f"rain {show_water(storm.rain_mm, units)}")
    if storm.top_gust_at is not None:
        parts.append(f"top gust {show_speed(storm.top_gust_ms, units)}")
    if storm.missing_share > 0:
        parts.append(f"{storm.missing_share:.0%} of its hours not fully known")
    return ", ".join(parts).capitalize() + "." if parts else ""
