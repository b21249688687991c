"""One cover's condition as plain values: first page, season, build, storms, photos, log, the model beside the log."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from monitor.assessment import YardAssessment
from monitor.clocks import Log
from monitor.departures import CoverCheck, Departure, check_cover
from monitor.inspections import Action, Finding, Inspection, Photo
from monitor.presentation.condition_words import LoggedThings, Part, first_page
from monitor.presentation.cover_season import CoverSeason
from monitor.presentation.cover_took import CoverHours, Seen, StormOnCover, Took
from monitor.presentation.panels import TimeChart
from monitor.presentation.rows import LogRow, boat_rows, build_rows, freezing_rain_text, log_rows
from monitor.presentation.season import Season
from monitor.register import Cover, CoverBuild
from monitor.units import NOT_KNOWN, show_length, show_load, show_pressure, show_speed, show_water
from monitor.wording import defect_text, local_text, plain_word, source_text

Entry = Inspection | Finding | Action

Pairs = list[tuple[str, str]]


@dataclass(frozen=True)
class BuildShown:
    """A build from a moment on: all of it for the first one, what changed for the others."""

    since: str
    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class StormRow:
    """A storm, and what the model says that it did to this cover."""

    start: str
    end: str
    what: str
    load: str
    pressure: str
    pressure_at: str
    cycles: str
    freezing_rain: str
    missing: str


@dataclass(frozen=True)
class Earlier:
    """What an entry said before it was corrected, and when it was written down."""

    what: str
    who: str
    when: str
    note: str
    written: str


@dataclass(frozen=True)
class LogLine:
    """An entry as it stands, numbered as on the chart; ``earlier`` is what it said before, newest first."""

    row: LogRow
    corrected: str
    earlier: tuple[Earlier, ...]


@dataclass(frozen=True)
class PhotoLine:
    """A photo: what it shows, when and by whom it was taken; ``weight`` is higher the more it should be shown."""

    id: str
    shows: str
    when: str
    who: str
    note: str
    weight: tuple[int, int, float]


@dataclass(frozen=True)
class Compared:
    """One thing seen beside what the model had."""

    when: str
    what: str
    seen: str
    model: str
    note: str = ""


@dataclass(frozen=True)
class Condition:
    """All that a condition report shows of a cover, in words, but for the chart.

    ``took`` holds the numbers behind the words, in SI. ``departures`` are of the build in force; ``not_recorded`` what
    nobody wrote down of it.
    """

    cover: Cover
    took: Took
    first_page: tuple[Part, ...]
    chart: TimeChart | None
    boat: tuple[tuple[str, str], ...]
    builds: tuple[BuildShown, ...]
    departures: tuple[Departure, ...]
    not_recorded: tuple[Departure, ...]
    storms: tuple[StormRow, ...]
    photos: tuple[PhotoLine, ...]
    log: tuple[LogLine, ...]
    compared: tuple[Compared, ...]


def condition(assessment: YardAssessment, cover: Cover, history: Log, photos: Sequence[Photo] = ()) -> Condition:
    """Everything about one cover for its report.

    Parameters
    ----------
    assessment : YardAssessment
        With the hourly series of the cover, and the log as it stood then.
    cover : Cover
        One of the assessment's.
    history : Log
        Every entry of this cover as it was written by then, corrected ones too.
    photos : sequence of Photo
        Oldest first, each naming any version of the entry it belongs to. One of an entry that the log does not have is
        left out.
    """
    took_part = CoverHours(assessment, cover)
    took = took_part.took()
    units, zone, as_of = assessment.yard.display_units, assessment.yard.time_zone, assessment.as_of
    logged = _logged(assessment.log, cover)
    line = next((line for line in assessment.ranked if line.cover == cover.id), None)
    still_open = assessment.open_findings.get(cover.boat.number, [])
    check = check_cover(cover, as_of, units)
    rows = log_rows(assessment, cover.id)
    return Condition(
        cover=cover,
        took=took,
        first_page=first_page(assessment, took, cover.builds[0].built_at, logged, still_open, line),
        chart=_chart(assessment, cover, rows) if took.hours else None,
        boat=tuple(boat_rows(cover.boat, units)),
        builds=tuple(_builds(cover, as_of, zone, units)),
        departures=tuple(one for one in check.departures if one.kind == "departs"),
        not_recorded=tuple(one for one in check.departures if one.kind == "not recorded"),
        storms=tuple(_storm_row(storm, zone, units) for storm in took.storms),
        photos=tuple(_photo_lines(photos, logged, history, zone)),
        log=tuple(_log_lines(assessment, cover, logged, rows, history)),
        compared=tuple(_compared(took_part.seen(assessment.log), zone, units)),
    )


def _logged(log: Log, cover: Cover) -> LoggedThings:
    visits = {visit.id: visit for visit in log.inspections if visit.cover_id == cover.id}
    return LoggedThings(
        inspections=tuple(visits.values()),
        findings=tuple((found, visits[found.inspection_id]) for found in log.findings if found.inspection_id in visits),
        actions=tuple(act for act in log.actions if act.cover_id == cover.id),
    )


def _chart(assessment: YardAssessment, cover: Cover, rows: Sequence[LogRow]) -> TimeChart | None:
    season = Season(assessment)
    if assessment.series is None or not season.hours:
        return None
    return CoverSeason(assessment, assessment.series, season).chart(cover, rows)


def _builds(cover: Cover, as_of: datetime, zone: str, units: str) -> Iterator[BuildShown]:
    before: Mapping[str, str] = {}
    for build in cover.builds:
        if build.built_at > as_of and before:
            return
        rows = dict(build_rows(_check(cover, build, units), build, units))
        shown = rows.items() if not before else _changed(before, rows)
        yield BuildShown(local_text(build.built_at, zone, year=True), tuple(shown))
        before = rows


def _check(cover: Cover, build: CoverBuild, units: str) -> CoverCheck:
    return check_cover(cover, build.built_at, units)


def _changed(before: Mapping[str, str], rows: Mapping[str, str]) -> Iterable[tuple[str, str]]:
    changed = [(name, f"{value}; before: {before[name]}") for name, value in rows.items() if before[name] != value]
    return changed or [("change", "none in what is recorded here")]


def _storm_row(on_cover: StormOnCover, zone: str, units: str) -> StormRow:
    storm, load, pressure = on_cover.storm, on_cover.load, on_cover.pressure
    return StormRow(
        start=local_text(storm.start, zone, year=True),
        end=local_text(storm.end, zone),
        what=storm.character(),
        load=NOT_KNOWN if load is None else show_load(load.value, units),
        pressure=NOT_KNOWN if pressure is None else show_pressure(pressure.value, units),
        pressure_at="" if pressure is None else local_text(pressure.hour_ending, zone),
        cycles=str(on_cover.cycles),
        freezing_rain=freezing_rain_text(on_cover.freezing_rain_mm, units),
        missing=f"{on_cover.missing_h} of {on_cover.hours}" if on_cover.missing_h else "none",
    )


def _log_lines(
    assessment: YardAssessment, cover: Cover, logged: LoggedThings, rows: Sequence[LogRow], history: Log
) -> Iterator[LogLine]:
    """The standing entries in the order of `log_rows`, each with what it corrected."""
    written: dict[str, Entry] = {
        entry.id: entry for entries in (history.inspections, history.findings, history.actions) for entry in entries
    }
    keyed: list[tuple[datetime, int, str]] = [(visit.inspected_at, 0, visit.id) for visit in logged.inspections]
    keyed += [(visit.inspected_at, 1, found.id) for found, visit in logged.findings]
    keyed += [(act.acted_at, 2, act.id) for act in logged.actions]
    zone = assessment.yard.time_zone
    for (_, _, entry_id), row in zip(sorted(keyed), rows, strict=True):
        versions = list(_versions(written, entry_id))
        corrected = local_text(written[entry_id].recorded_at, zone, year=True) if len(versions) > 1 else ""
        yield LogLine(row, corrected, tuple(_earlier(assessment, cover, history, version) for version in versions[1:]))


def _versions(written: Mapping[str, Entry], entry_id: str) -> Iterator[Entry]:
    """An entry, what it corrects, and so on back to the first."""
    version = written.get(entry_id)
    while version is not None:
        yield version
        version = written.get(version.corrects_id or "")


def _earlier(assessment: YardAssessment, cover: Cover, history: Log, version: Entry) -> Earlier:
    """A corrected entry in the words of the log."""
    if isinstance(version, Action):
        alone = Log([], [], [version])
    elif isinstance(version, Inspection):
        alone = Log([version], [found for found in history.findings if found.inspection_id == version.id], [])
    else:
        alone = Log([visit for visit in history.inspections if visit.id == version.inspection_id], [version], [])
    rows = log_rows(replace(assessment, log=alone), cover.id)
    row = rows[1 if isinstance(version, Finding) else 0]
    written = local_text(version.recorded_at, assessment.yard.time_zone, year=True)
    return Earlier(row.what, row.who, row.when, row.note, written)


def _photo_lines(photos: Sequence[Photo], logged: LoggedThings, history: Log, zone: str) -> Iterator[PhotoLine]:
    first = _first_versions(history)
    shows: dict[str, tuple[str, int]] = {}
    for visit in logged.inspections:
        shows[first[visit.id]] = ("the cover at its inspection", 0)
    for found, _ in logged.findings:
        shows[first[found.id]] = (defect_text(found.defect, found.place), 1 + found.severity)
    for act in logged.actions:
        shows[first[act.id]] = (f"done: {plain_word(act.action)}", 1)
    for photo in photos:
        named = [entry for entry in (photo.finding_id, photo.inspection_id, photo.action_id) if entry is not None]
        known = [shows[first[entry]] for entry in named if entry in first and first[entry] in shows]
        if known:
            what, weight = known[0]
            moment = photo.taken_at
            yield PhotoLine(
                photo.id,
                what,
                local_text(moment, zone, year=True),
                photo.taken_by,
                photo.note,
                (weight, 1 if photo.finding_id or photo.action_id else 0, moment.timestamp()),
            )


def _first_versions(history: Log) -> dict[str, str]:
    """For each entry the id of the one that it corrects in the end, or its own."""
    corrects = {
        entry.id: entry.corrects_id
        for entries in (history.inspections, history.findings, history.actions)
        for entry in entries
    }
    first = {}
    for entry_id in corrects:
        root = entry_id
        while (before := corrects.get(root)) is not None and before in corrects:
            root = before
        first[entry_id] = root
    return first


def _compared(seen: Seen, zone: str, units: str) -> list[Compared]:
    """Everything seen beside the model, oldest first."""
    rows: list[tuple[datetime, Compared]] = []

    def add(moment: datetime, what: str, was_seen: str, model: str, note: str = "") -> None:
        rows.append((moment, Compared(local_text(moment, zone, year=True), what, was_seen, model, note)))

    for snow in seen.snow:
        if snow.seen_m is not None:
            what, was_seen = "depth of snow", show_length(snow.seen_m, units)
            model = NOT_KNOWN if snow.model_m is None else show_length(snow.model_m, units)
        else:
            what, was_seen = "water in the snow", show_water(snow.seen_mm or 0.0, units)
            model = NOT_KNOWN if snow.model_mm is None else show_water(snow.model_mm, units)
        hour = _hour(snow.hour_ending, zone)
        note = f"by {snow.visit.inspector}; the model's at {hour}, before this was taken into it"
        if snow.disturbed:
            model, note = "not comparable", f"by {snow.visit.inspector}; snow was cleared or measured just before"
        add(snow.visit.inspected_at, what, was_seen, model, note)
    for gust in seen.gust:
        if gust.hour_ending is None or gust.gust_ms != gust.gust_ms:
            model, note = NOT_KNOWN, f"by {gust.visit.inspector}; nobody told the wind of that hour"
        else:
            model = f"{show_speed(gust.at_cover_ms, units)} at the cover"
            told = "estimated from the mean wind" if gust.estimated else source_text(gust.source)
            note = (
                f"by {gust.visit.inspector}; {show_speed(gust.gust_ms, units)} at 10 m, {told}, hour ending "
                f"{local_text(gust.hour_ending, zone)}"
            )
        add(gust.visit.inspected_at, "gust", show_speed(gust.visit.gust_seen_ms or 0.0, units), model, note)
    for look in seen.inside:
        found = " and ".join(plain_word(defect) for defect in look.found) or "neither damp nor mould"
        model = f"damp in {look.damp_h} of {look.known_h} known h" if look.known_h else NOT_KNOWN
        unknown = f", {look.hours - look.known_h} h unknown" if look.hours > look.known_h else ""
        note = f"by {look.visit.inspector}; counted since {local_text(look.since, zone)}{unknown}"
        add(look.visit.inspected_at, "damp inside", found, model, note)
    for pocket in seen.pocket:
        found = " and ".join(plain_word(defect) for defect in pocket.found) or "neither sag nor standing water"
        add(
            pocket.visit.inspected_at,
            "sag, standing water",
            found,
            f"{show_water(pocket.model_mm, units)} in a pocket",
            f"by {pocket.visit.inspector}; the model's at {_hour(pocket.hour_ending, zone)}",
        )
    rows.sort(key=lambda row: (row[0], row[1].what))
    return [row for _, row in rows]


def _hour(moment: datetime | None, zone: str) -> str:
    return "no hour yet" if moment is None else local_text(moment, zone)
