"""What the season would have done to a cover built otherwise: before, after, difference and range. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Literal

import numpy as np

from monitor.assessment import YardAssessment
from monitor.changes import Change, changed_cover, kept_cover
from monitor.hazards.panels import PanelParameters, with_slopes
from monitor.hazards.series import HazardParameters
from monitor.register import Cover, CoverBuild, panel_slopes_deg
from monitor.reruns import (
    QUANTITIES,
    SIDES,
    Column,
    Run,
    Season,
    Side,
    WeightOnCover,
    without_measured_snow,
)
from monitor.sensitivity import ENDS, End, Input, InputBounds, inputs_for, with_words_for_ends
from monitor.weather.table import Merged

NOTICEABLE_SHARE = 0.02
"""A change by less than this share of what was there before is told as hardly any: our own judgement."""

Effect = Literal["less", "more", "hardly", "none", "unknown"]

AS_RECORDED = "as recorded"
"""The name of the parameter set in which every input is as recorded or as chosen."""

TABLE_VENTS = tuple(range(13))
TABLE_SLOPES_DEG = tuple(range(5, 55, 5))


@dataclass(frozen=True)
class Span:
    """A number as recorded, and the lowest and highest of it over all parameter sets."""

    low: float
    default: float
    high: float


@dataclass(frozen=True)
class Comparison:
    """One quantity before and after; ``difference`` is taken within each parameter set.

    ``shares`` says what part of the one-at-a-time swings of the difference each input has; empty where none moves it.
    """

    name: str
    before: Span
    after: Span
    difference: Span
    shares: Mapping[str, float]

    @property
    def effect(self) -> Effect:
        """What the change does, as recorded: noticeably less or more, hardly anything, nothing, or not known."""
        if np.isnan(self.difference.default):
            return "unknown"
        if self.difference.default == 0:
            return "none"
        least = max(QUANTITIES[self.name].least, NOTICEABLE_SHARE * abs(self.before.default))
        if abs(self.difference.default) < least:
            return "hardly"
        return "less" if self.difference.default < 0 else "more"

    @property
    def certain(self) -> bool:
        """Whether the difference has one sign in every parameter set."""
        return self.difference.low >= 0 or self.difference.high <= 0


@dataclass(frozen=True)
class Ahead:
    """The season with what is forecast up to ``until``, as recorded alone: quantities and call before and after."""

    until: datetime
    values: Mapping[Side, Mapping[str, float]]
    calls: Mapping[Side, str]


@dataclass(frozen=True)
class Today:
    """Score and call of the day, of the cover with every build in its time."""

    score: float
    call: str


@dataclass(frozen=True)
class WhatIf:
    """A cover's season as it was and as it would have been.

    ``today`` is None where "before" is the cover as it was. It is not where the build was changed during the season and
    another one is asked for from the wrapping on: then ``cover``, before, has the build of now from the wrapping on
    too, so that two builds are compared over the same hours.
    ``influence`` are the inputs by their mean share in the swings of the differences, largest first. ``vents`` and
    ``slopes`` hold the changed cover's quantities by number of vents and by slope of every panel. ``sets`` names every
    parameter set that the ranges are taken over. ``measured_left_out`` counts measurements of snow left out on both
    sides, because they were made on the cover as it was. ``missing_shares`` are of hours in which precipitation, gust,
    or what the air inside follows from, is unknown.
    """

    cover: Cover
    changed: Cover
    change: Change
    wrapped_at: datetime
    as_of: datetime
    comparisons: tuple[Comparison, ...]
    calls: Mapping[Side, str]
    influence: tuple[tuple[Input, float], ...]
    vents: Mapping[int, Mapping[str, float]]
    slopes: Mapping[int, Mapping[str, float]]
    weights: Mapping[Side, WeightOnCover]
    sets: tuple[str, ...]
    measured_left_out: int
    missing_shares: Mapping[str, float]
    ahead: Ahead | None = None
    today: Today | None = None

    def __getitem__(self, name: str) -> Comparison:
        return next(comparison for comparison in self.comparisons if comparison.name == name)


def what_if(
    assessment: YardAssessment,
    boat: str,
    change: Change,
    parameters: HazardParameters,
    forecast: tuple[Merged, datetime] | None = None,
    bounds: InputBounds | None = None,
    panels: PanelParameters | None = None,
) -> WhatIf:
    """Compare a boat's cover with the same cover changed, over the season so far.

    Parameters
    ----------
    assessment : YardAssessment
        The yard at the moment in question, without hours ahead.
    boat : str
        The yard's number. KeyError where it has no cover.
    change : Change
    parameters : HazardParameters
        Those that the yard is ranked with.
    forecast : tuple, optional
        Weather that goes on behind the assessment's, and the moment (UTC) at which it ends.
    bounds : InputBounds, optional
        How far inputs may be off.
    panels : PanelParameters, optional
    """
    bounds, panels = bounds or InputBounds(), panels or PanelParameters()
    recorded, assessment = assessment, _like_with_like(assessment, boat, change)
    season = Season(assessment, boat, change, with_words_for_ends(parameters, bounds))
    inputs = inputs_for(season.weather, parameters, bounds)
    plain = season.run(_recorded_columns(season, inputs))
    runs = [plain]
    for one in inputs:
        if one.acts_on == "snow":
            for end in ENDS:
                swapped = season.with_other_snow(plain.part({AS_RECORDED}), one.parameters(season.parameters, end))
                runs.append(_named(swapped, f"{one.name} {end}"))
    for end in ENDS:
        runs += _all_at(season, inputs, end)
    values = season.values(runs)
    sets = tuple(dict.fromkeys(name for name, side in values if side in SIDES))
    comparisons = tuple(_compared(name, values, sets, inputs) for name in QUANTITIES)
    return WhatIf(
        cover=season.cover,
        changed=season.covers["after"],
        change=change,
        wrapped_at=season.wrapped_at,
        as_of=assessment.as_of,
        comparisons=comparisons,
        calls={side: assessment.parameters.call(values[AS_RECORDED, side]["score"]) for side in SIDES},
        influence=_influence(comparisons, inputs),
        vents={count: values[f"{count} vents", "table"] for count in TABLE_VENTS},
        slopes={slope: values[f"{slope} deg", "table"] for slope in TABLE_SLOPES_DEG},
        weights={side: season.weight(side, panels) for side in SIDES},
        sets=sets,
        measured_left_out=season.measured_left_out + _differing(recorded, assessment),
        missing_shares=season.missing_shares(),
        ahead=None if forecast is None else _ahead(assessment, boat, change, season.parameters, forecast),
        today=None if assessment is recorded else _today(recorded, boat, season.parameters),
    )


def _like_with_like(assessment: YardAssessment, boat: str, change: Change) -> YardAssessment:
    """The assessment as given; or with the boat's build of now from the wrapping on, where only that is comparable.

    Measurements of snow that were made on other slopes are taken out with the builds that had them.
    """
    cover = assessment.cover_of(boat)
    had = [build for build in cover.builds if build.built_at <= assessment.as_of]
    if not change.of_build or change.since is not None or len(had) <= 1:
        return assessment
    kept = kept_cover(cover, assessment.as_of)

    def slopes(build: CoverBuild) -> tuple[object, ...]:
        return panel_slopes_deg(build, cover.boat.beam_m), build.flattest_slope_deg

    inspections = [
        visit
        if visit.cover_id != cover.id or slopes(cover.build_at(visit.inspected_at)) == slopes(kept.builds[0])
        else without_measured_snow(visit)
        for visit in assessment.log.inspections
    ]
    return replace(
        assessment,
        covers=tuple(kept if one is cover else one for one in assessment.covers),
        log=replace(assessment.log, inspections=inspections),
    )


def _differing(recorded: YardAssessment, compared: YardAssessment) -> int:
    """How many inspections differ."""
    pairs = zip(recorded.log.inspections, compared.log.inspections, strict=True)
    return sum(was != now for was, now in pairs)


def _today(assessment: YardAssessment, boat: str, parameters: HazardParameters) -> Today:
    season = Season(assessment, boat, Change(), parameters)
    found = season.values([season.run([Column(AS_RECORDED, "before", season.cover)])])
    score = found[AS_RECORDED, "before"]["score"]
    return Today(score, assessment.parameters.call(score))


def _recorded_columns(season: Season, inputs: Sequence[Input]) -> list[Column]:
    """Before and after as recorded; with each input of the cover at its ends; and the two tables."""
    columns = [Column(AS_RECORDED, side, season.covers[side]) for side in SIDES]
    for one in inputs:
        if one.acts_on == "cover":
            columns += [
                Column(f"{one.name} {end}", side, one.cover(season.covers[side], end)) for end in ENDS for side in SIDES
            ]
    for count in TABLE_VENTS:
        change = replace(season.change, vents=count)
        columns.append(Column(f"{count} vents", "table", changed_cover(season.cover, change, season.parameters)))
    for slope_deg in TABLE_SLOPES_DEG:
        builds = tuple(
            build if season.change.since and build.built_at < season.change.since else with_slopes(build, slope_deg)
            for build in season.covers["after"].builds
        )
        columns.append(Column(f"{slope_deg} deg", "table", replace(season.covers["after"], builds=builds)))
    return columns


def _all_at(season: Season, inputs: Sequence[Input], end: End) -> list[Run]:
    """Every input at one end; shelter, kind to film and hard on air, at all of its own. And the weather's end alone."""
    covers = dict(season.covers)
    shelter = next(one for one in inputs if one.name == "shelter")
    for one in inputs:
        if one is not shelter:
            covers = {side: one.cover(cover, end) for side, cover in covers.items()}
    together = [
        column
        for side, cover in covers.items()
        for column in (
            Column(f"all {end}", side, cover),
            *(Column(f"all {end}, shelter {berth}", side, shelter.cover(cover, berth)) for berth in ENDS),
        )
    ]
    alone = [
        Column(f"{one.name} {end}", side, season.covers[side])
        for one in inputs
        if one.acts_on == "weather"
        for side in SIDES
    ]
    run = season.run([*alone, *together], _parameters_at(season, inputs, end, "weather"))
    all_snow = _parameters_at(season, inputs, end, "snow")
    return [
        run.part({column.name for column in alone}),
        season.with_other_snow(run.part({column.name for column in together}), all_snow),
    ]


def _parameters_at(season: Season, inputs: Sequence[Input], end: End, acts_on: str) -> HazardParameters:
    parameters = season.parameters
    for one in inputs:
        if one.acts_on == acts_on:
            parameters = one.parameters(parameters, end)
    return parameters


def _named(run: Run, name: str) -> Run:
    return replace(run, columns=tuple(replace(column, name=name) for column in run.columns))


def _compared(
    name: str,
    values: Mapping[tuple[str, str], Mapping[str, float]],
    sets: Sequence[str],
    inputs: Sequence[Input],
) -> Comparison:
    before = {one: values[one, "before"][name] for one in sets}
    after = {one: values[one, "after"][name] for one in sets}
    difference = {one: after[one] - before[one] for one in sets}
    swings = {one.name: abs(difference[f"{one.name} harsher"] - difference[f"{one.name} kinder"]) for one in inputs}
    total = sum(swings.values())
    before_span, after_span, difference_span = (
        Span(min(numbers.values()), numbers[AS_RECORDED], max(numbers.values()))
        for numbers in (before, after, difference)
    )
    shares = {key: swing / total for key, swing in swings.items()} if total > 0 else {}
    return Comparison(name, before_span, after_span, difference_span, shares)


def _influence(comparisons: Sequence[Comparison], inputs: Sequence[Input]) -> tuple[tuple[Input, float], ...]:
    """Mean share of each input in the swings of what the change moves; mould and score follow from the rest."""
    moved = [
        comparison.shares
        for comparison in comparisons
        if comparison.shares and comparison.effect in ("less", "more") and QUANTITIES[comparison.name].kind in _MOVED
    ]
    if not moved:
        return ()
    mean = [(one, sum(shares[one.name] for shares in moved) / len(moved)) for one in inputs]
    return tuple(sorted(((one, share) for one, share in mean if share > 0), key=lambda pair: -pair[1]))


_MOVED = frozenset({"load", "load hours", "hours", "water", "pressure", "count"})


def _ahead(
    assessment: YardAssessment,
    boat: str,
    change: Change,
    parameters: HazardParameters,
    forecast: tuple[Merged, datetime],
) -> Ahead:
    weather, until = forecast
    season = Season(replace(assessment, weather=weather, as_of=until), boat, change, parameters)
    found = season.values([season.run([Column(AS_RECORDED, side, season.covers[side]) for side in SIDES])])
    values = {side: found[AS_RECORDED, side] for side in SIDES}
    calls = {side: assessment.parameters.call(values[side]["score"]) for side in SIDES}
    return Ahead(until, values, calls)
