"""One cover's season worked out again, for the cover changed and for other parameters, many at a time. Pure."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from datetime import datetime
from typing import Any, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.assessment import YardAssessment
from monitor.changes import Change, actions_of, changed_cover
from monitor.clocks import Clocks, Log, open_findings
from monitor.hazards.exposure import exposures
from monitor.hazards.mould import SENSITIVITIES, MouldParameters, mould_index
from monitor.hazards.panels import PanelParameters, StatedCase, panels_of_cover, stated_cases, without_air
from monitor.hazards.series import WET_MM, CoverSeries, HazardParameters, YardWeather, cover_series, yard_weather
from monitor.hazards.snow import KPA_PER_MM
from monitor.inspections import Action, Inspection
from monitor.ranking import OpenFinding, rank_covers
from monitor.register import BELLY_BAND_SPACING_M, PANELS, Cover, belly_band_spacing_m

Floats = NDArray[np.float64]
Side = Literal["before", "after"]
SIDES: tuple[Side, Side] = ("before", "after")


@dataclass(frozen=True)
class Quantity:
    """One number of a season that is compared; less of each is better. A change below ``least`` is none to speak of."""

    label: str
    unit: str
    kind: str
    least: float


QUANTITIES: dict[str, Quantity] = {
    "snow_peak": Quantity("peak snow load, flattest part", "kPa", "load", 0.005),
    "snow_load_hours": Quantity("snow load summed over the hours", "kPa h", "load hours", 0.05),
    "snow_hours": Quantity("hours with snow lying", "h", "hours", 0.5),
    "pocket_peak": Quantity("most water in a pocket", "mm", "water", 0.05),
    "gust_peak": Quantity("highest gust pressure", "Pa", "pressure", 0.5),
    "gust_work": Quantity("gust work since wrapping x band spacing / 1.8 m", "kPa h", "load hours", 0.05),
    "gust_work_now": Quantity("gust work since re-tensioning x band spacing / 1.8 m", "kPa h", "load hours", 0.05),
    "cycles": Quantity("freeze-thaw cycles of the film", "cycles", "count", 0.5),
    "wet_cycles": Quantity("of them with the film wet", "cycles", "count", 0.5),
    "condensation": Quantity("hours of condensation", "h", "hours", 0.5),
    "damp": Quantity("damp hours inside", "h", "hours", 0.5),
    **{
        f"mould_{name}": Quantity(f"highest mould index (0 to 6), {name.replace('_', ' ')}", "", "index", 0.05)
        for name in SENSITIVITIES
    },
    "score": Quantity("score now", "", "score", 0.005),
}


@dataclass(frozen=True)
class WeightOnCover:
    """The heaviest hour of a cover [kg], and the highest of each panel [kPa] and post [kg] in any hour.

    Modelled, not a design check. ``cases`` are factors beside the balanced load.
    """

    peak_kg: float
    hour_ending: datetime | None
    panel_peak_kpa: Mapping[str, float]
    post_peak_kg: tuple[float, ...]
    cases: tuple[StatedCase, ...]


@dataclass(frozen=True)
class Column:
    """A cover in one parameter set, worked out beside others; ``side`` says whose actions and measurements it has."""

    name: str
    side: Side | Literal["table"]
    cover: Cover


@dataclass(frozen=True)
class Run:
    """Columns with their modelled hours."""

    columns: tuple[Column, ...]
    series: CoverSeries

    def part(self, names: Collection[str]) -> "Run":
        """The columns of these names alone."""
        kept = [place for place, column in enumerate(self.columns) if column.name in names]
        return Run(tuple(self.columns[place] for place in kept), _columns_of([self.series], [kept]))


class Season:
    """One boat's season up to the assessment's moment, and ways to work it out for covers changed."""

    def __init__(self, assessment: YardAssessment, boat: str, change: Change, parameters: HazardParameters) -> None:
        self.assessment, self.change, self.parameters = assessment, change, parameters
        self.cover = assessment.cover_of(boat)
        self.wrapped_at = self.cover.builds[0].built_at
        self.covers: dict[Side, Cover] = {
            "before": self.cover,
            "after": changed_cover(self.cover, change, parameters),
        }
        self.weather = self._weather(parameters)
        log = assessment.log
        self._actions = [action for action in log.actions if action.cover_id == self.cover.id]
        self._more_actions = actions_of(change, self.cover.id or 0)
        visits = [visit for visit in log.inspections if visit.cover_id == self.cover.id]
        moment = change.snow_changed_at(self.wrapped_at)
        self._visits = [visit if moment is None else _unmeasured(visit, moment) for visit in visits]
        self._bare_visits = [_unmeasured(visit, change.since or self.wrapped_at) for visit in visits]
        self.measured_left_out = sum(was != now for was, now in zip(visits, self._visits, strict=True))

    def run(self, columns: Sequence[Column], parameters: HazardParameters | None = None) -> Run:
        """All columns in one pass."""
        parameters = parameters or self.parameters
        weather = self.weather if parameters.sky == self.parameters.sky else self._weather(parameters)
        series = cover_series(weather, self.assessment.yard, *self._beside(columns), parameters)
        return Run(tuple(columns), series)

    def with_other_snow(self, run: Run, parameters: HazardParameters) -> Run:
        """The run with the snow of other parameters over the air and cycles that it has: snow changes them little."""
        weather = without_air(self.weather)
        snow = cover_series(weather, self.assessment.yard, *self._beside(run.columns), parameters)
        series = replace(
            run.series,
            snow_load_kpa=snow.snow_load_kpa,
            snow_depth_m=snow.snow_depth_m,
            pocket_mm=snow.pocket_mm,
        )
        return Run(run.columns, series)

    def values(self, runs: Sequence[Run]) -> dict[tuple[str, str], dict[str, float]]:
        """Every quantity of every column of all runs, by the column's name and side."""
        run = _joined(runs)
        found = self._since_wrapping(run) | {"score": np.array(self._scores(run))}
        return {
            (column.name, column.side): {name: float(found[name][place]) for name in QUANTITIES}
            for place, column in enumerate(run.columns)
        }

    def _scores(self, run: Run) -> list[float]:
        """Score of each column, through the same curves, clocks and findings as the yard's ranking."""
        assessment, ids = self.assessment, run.series.cover_ids
        covers, _, visits = self._beside(run.columns)
        clocks = {key: self._clocks(column) for key, column in zip(ids, run.columns, strict=True)}
        found = exposures(self.weather, run.series, covers, clocks, visits, assessment.as_of)
        findings = {key: self._worst_open(column) for key, column in zip(ids, run.columns, strict=True)}
        ranked = rank_covers(
            [cover.boat.number for cover in covers],
            ids,
            found,
            {key: finding for key, finding in findings.items() if finding is not None},
            assessment.data_age_h,
            assessment.parameters,
        )
        score_of = {line.cover: line.score for line in ranked}
        return [score_of[key] for key in ids]

    def _since_wrapping(self, run: Run) -> dict[str, Floats]:
        series, weather = run.series, self.weather
        rows = self.rows()
        spacing = np.array([_spacing_m(column.cover, self.assessment.as_of) for column in run.columns])
        per_band = spacing / BELLY_BAND_SPACING_M
        gust_unknown, air_unknown = np.isnan(weather.gust_ms), weather.air.missing
        work = [
            _total(series.gust_work_kpah[self.rows(since), place : place + 1], gust_unknown[self.rows(since)])
            for place, since in enumerate(self._clocks(column).retensioned_at for column in run.columns)
        ]
        cold_unknown = weather.temperature_missing[rows]
        return {
            **self._snow(run, rows),
            "gust_peak": _peak(series.gust_pressure_pa[rows]),
            "gust_work": _total(series.gust_work_kpah[rows], gust_unknown[rows]) * per_band,
            "gust_work_now": np.concatenate(work) * per_band,
            "cycles": _total(series.cycles[rows], cold_unknown),
            "wet_cycles": _total(series.wet_cycles[rows], cold_unknown),
            "condensation": _total(series.condensation[rows].astype(np.float64), air_unknown[rows]),
            "damp": _total(series.damp[rows].astype(np.float64), air_unknown[rows]),
            **_mould(run, rows),
        }

    def _snow(self, run: Run, rows: slice) -> dict[str, Floats]:
        """Snow and pockets: not known where no hour told of snow or rain and nobody measured any.

        An hour without temperature or precipitation keeps the snow in the model, and adds to no sum and no count.
        """
        load = run.series.snow_load_kpa[rows]
        known = ~(self.weather.snow.missing[rows] | self.weather.temperature_missing[rows])
        found = {
            "snow_peak": _peak(load),
            "snow_load_hours": load[known].sum(axis=0),
            "snow_hours": (load[known] > WET_MM * KPA_PER_MM).sum(axis=0).astype(np.float64),
            "pocket_peak": _peak(run.series.pocket_mm[rows]),
        }
        if known.size and not known.any():
            found |= {name: np.full_like(found[name], np.nan) for name in ("snow_load_hours", "snow_hours")}
        if self.weather.snow.missing[rows].all():
            return {name: np.where(values > 0, values, np.nan) for name, values in found.items()}
        return found

    def weight(self, side: Side, panels: PanelParameters) -> WeightOnCover:
        cover = self.covers[side]
        _, actions, visits = self._beside([Column("", side, cover)])
        alone = replace(cover, id=1)
        found = panels_of_cover(self.weather, self.assessment.yard, alone, actions, visits, self.parameters, panels)
        others = [other for other in self.assessment.covers if other.boat.number != cover.boat.number]
        heaviest = int(found.weight_kg.argmax()) if len(found.weight_kg) else None
        return WeightOnCover(
            peak_kg=0.0 if heaviest is None else float(found.weight_kg[heaviest]),
            hour_ending=None if heaviest is None else found.hour_ending[heaviest].to_pydatetime(),
            panel_peak_kpa=dict(zip(PANELS, found.load_kpa.max(axis=0, initial=0.0).tolist(), strict=True)),
            post_peak_kg=tuple(found.post_kg.max(axis=0, initial=0.0).tolist()),
            cases=tuple(stated_cases(self.weather, cover, others, found, panels)),
        )

    def missing_shares(self) -> dict[str, float]:
        rows = self.rows()
        weather = self.weather
        missing = {"snow": weather.snow.missing, "gust": np.isnan(weather.gust_ms), "air": weather.air.missing}
        return {name: float(hours[rows].mean()) if hours[rows].size else 0.0 for name, hours in missing.items()}

    def rows(self, since: datetime | None = None) -> slice:
        """The hours that end after a moment, after the wrapping where none is given."""
        moment = pd.Timestamp(since or self.wrapped_at)
        return slice(int(self.weather.hour_ending.searchsorted(moment, side="right")), None)

    def _weather(self, parameters: HazardParameters) -> YardWeather:
        assessment = self.assessment
        start = min(cover.builds[0].built_at for cover in assessment.covers)
        return yard_weather(assessment.weather, assessment.yard, start, assessment.as_of, parameters)

    def _beside(self, columns: Sequence[Column]) -> tuple[list[Cover], list[Action], list[Inspection]]:
        """Covers numbered from 1, and a copy of the boat's log for each."""
        covers, actions, visits = [], [], []
        for number, column in enumerate(columns, start=1):
            covers.append(replace(column.cover, id=number))
            done = self._actions + ([] if column.side == "before" else self._more_actions)
            actions += [replace(action, cover_id=number) for action in done]
            seen = self._bare_visits if column.name.endswith(" deg") else self._visits
            visits += [replace(visit, cover_id=number) for visit in seen]
        return covers, actions, visits

    def _clocks(self, column: Column) -> Clocks:
        clocks = self.assessment.clocks[self.cover.id or 0]
        if column.side == "before":
            return clocks
        inside = [self.change.since] if self.change.since and self.change.of_vents else []
        return replace(
            clocks,
            retensioned_at=max(clocks.retensioned_at, *self.change.retensioned_at, clocks.wrapped_at),
            looked_inside_at=max(clocks.looked_inside_at, *inside, clocks.wrapped_at),
        )

    def _worst_open(self, column: Column) -> OpenFinding | None:
        """The boat's worst finding that is open, and that what else was done has not put right."""
        boat = self.cover.boat.number
        entries = self.assessment.open_findings.get(boat, [])
        if column.side != "before" and self._more_actions:
            log = Log([one.inspection for one in entries], [one.finding for one in entries], self._more_actions)
            owners = {one.inspection.cover_id: boat for one in entries} | {self.cover.id or 0: boat}
            entries = open_findings(log, owners).get(boat, [])
        if not entries:
            return None
        worst = entries[0]
        return OpenFinding(worst.finding.severity, worst.seen_at, worst.finding.defect, "inspection")


def _mould(run: Run, rows: slice) -> dict[str, Floats]:
    """Highest index of each class of material, all classes in one pass."""
    classes, count = len(SENSITIVITIES), len(run.columns)
    temperature_c = np.tile(run.series.inside_temperature_c[rows], (1, classes))
    humidity_pct = np.tile(run.series.inside_rh_pct[rows], (1, classes))
    index = mould_index(
        temperature_c, humidity_pct, [name for name in SENSITIVITIES for _ in range(count)], MouldParameters()
    )
    peaks = _peak(index).reshape(classes, count)
    return {f"mould_{name}": peak for name, peak in zip(SENSITIVITIES, peaks, strict=True)}


def _unmeasured(visit: Inspection, after: datetime) -> Inspection:
    """The inspection without its measured snow where it came after a moment."""
    return visit if visit.inspected_at <= after else without_measured_snow(visit)


def without_measured_snow(visit: Inspection) -> Inspection:
    """The inspection, with nothing measured of the snow on the cover."""
    return replace(visit, snow_depth_m=None, snow_water_mm=None)


def _joined(runs: Sequence[Run]) -> Run:
    columns = tuple(column for run in runs for column in run.columns)
    return Run(columns, _columns_of([run.series for run in runs], [range(len(run.columns)) for run in runs]))


def _columns_of(parts: Sequence[CoverSeries], kept: Sequence[Sequence[int]]) -> CoverSeries:
    """Columns of several series side by side, numbered from 1."""
    side_by_side: dict[str, Any] = {
        one.name: np.hstack(
            [getattr(part, one.name)[:, list(places)] for part, places in zip(parts, kept, strict=True)]
        )
        for one in fields(CoverSeries)
        if isinstance(getattr(parts[0], one.name), np.ndarray)
    }
    count = sum(map(len, kept))
    return replace(parts[0], cover_ids=tuple(range(1, count + 1)), **side_by_side)


def _spacing_m(cover: Cover, as_of: datetime) -> float:
    spacing = belly_band_spacing_m(cover.build_at(as_of), cover.boat.length_m)
    return BELLY_BAND_SPACING_M if spacing is None else spacing


def _peak(values: Floats) -> Floats:
    """Highest known value of each column; NaN where none is known."""
    top = np.where(np.isnan(values), -np.inf, values).max(axis=0, initial=-np.inf)
    return np.where(np.isneginf(top), np.nan, top)


def _total(values: Floats, unknown: NDArray[np.bool_]) -> Floats:
    """Sum of the known values of each column; NaN where hours have passed and none is known."""
    total: Floats = np.nan_to_num(values, nan=0.0).sum(axis=0)
    return np.full_like(total, np.nan) if unknown.size and unknown.all() else total
