"""What one cover took since its wrapping, in SI: peaks, sums, each storm, and the model beside what was seen."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.assessment import YardAssessment
from monitor.clocks import VENT_CHANGES, Log
from monitor.hazards import column
from monitor.hazards.ice import freezing_rain
from monitor.hazards.snow import KPA_PER_MM, SnowParameters, snow_forcing
from monitor.hazards.wind import WindParameters, filled_gust_ms, speed_factor
from monitor.inspections import Inspection
from monitor.register import Cover
from monitor.storms import Storm

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

TRACE_MM = 0.1
"""Less water than this, lying as snow or standing in a sag, is nothing to a reader."""

SNOW_CHANGES = frozenset({"cleared_snow"})
INSIDE_DEFECTS = frozenset({"damp_inside", "mould_inside"})
POCKET_DEFECTS = frozenset({"sag", "standing_water"})


@dataclass(frozen=True)
class Peak:
    """A highest value and the hour in which it stood (UTC)."""

    value: float
    hour_ending: datetime


@dataclass(frozen=True)
class TopGust:
    """The gust behind the highest pressure: pressure across the cover [Pa], gust at 10 m [m/s], and whose it is."""

    pressure_pa: float
    gust_ms: float
    estimated: bool
    hour_ending: datetime
    source: str


@dataclass(frozen=True)
class StormOnCover:
    """A storm, and what the model says that it did to this cover; None where nothing of it is known.

    ``freezing_rain_mm`` is None where no source would have told, NaN where no amount was.
    """

    storm: Storm
    load: Peak | None
    pressure: Peak | None
    cycles: int
    freezing_rain_mm: float | None
    missing_h: int
    hours: int


@dataclass(frozen=True)
class Missing:
    """Hours since the wrapping of which nobody knows the temperature, what fell, the wind, the air inside; and any."""

    temperature_h: int
    water_h: int
    wind_h: int
    inside_h: int
    any_h: int


@dataclass(frozen=True)
class Took:
    """What the weather did to a cover from its wrapping on, by the model. ``hours`` 0 says that none is known.

    ``load`` and ``pocket_mm`` are of the flattest part; ``damp_h`` and ``condensation_h`` are counted among
    ``damp_known_h`` hours, 0 where humidity is never known. ``freezing_rain_mm`` as in `StormOnCover`, of the
    ``icing_known_h`` hours in which a source would have told.
    """

    hours: int
    load: Peak | None
    gust: TopGust | None
    pocket: Peak | None
    cycles: int
    wet_cycles: int
    damp_h: int
    damp_known_h: int
    condensation_h: int
    freezing_rain_mm: float | None
    freezing_rain_h: int
    icing_known_h: int
    storms: tuple[StormOnCover, ...]
    missing: Missing


@dataclass(frozen=True)
class SnowSeen:
    """Snow measured at an inspection, and the model's before that measurement was taken in; one of each pair is None.

    ``disturbed`` says that snow was cleared, or measured, after the model's hour: then there is nothing to compare.
    """

    visit: Inspection
    seen_m: float | None
    seen_mm: float | None
    model_m: float | None
    model_mm: float | None
    hour_ending: datetime | None
    disturbed: bool


@dataclass(frozen=True)
class GustSeen:
    """A gust read at the boat; the weather's at 10 m and the model's at the cover in that hour, NaN where unknown."""

    visit: Inspection
    gust_ms: float
    at_cover_ms: float
    estimated: bool
    source: str
    hour_ending: datetime | None


@dataclass(frozen=True)
class InsideSeen:
    """A look inside, the damp defects that it found, and the damp hours of the model since the one before."""

    visit: Inspection
    found: tuple[str, ...]
    damp_h: int
    known_h: int
    hours: int
    since: datetime


@dataclass(frozen=True)
class PocketSeen:
    """Sag or standing water found, or neither though the model has water; the model's water in the pocket then."""

    visit: Inspection
    found: tuple[str, ...]
    model_mm: float
    hour_ending: datetime | None


@dataclass(frozen=True)
class Seen:
    """All that can be held against the model, oldest first."""

    snow: tuple[SnowSeen, ...]
    gust: tuple[GustSeen, ...]
    inside: tuple[InsideSeen, ...]
    pocket: tuple[PocketSeen, ...]


class CoverHours:
    """The modelled hours of one cover from its wrapping on, taken out of an assessment with its hourly series."""

    def __init__(self, assessment: YardAssessment, cover: Cover) -> None:
        series = assessment.series
        if series is None:
            raise ValueError("what a cover took needs an assessment with its hourly series")
        self._assessment, self._cover, self._series = assessment, cover, series
        since = int(series.hour_ending.searchsorted(pd.Timestamp(cover.builds[0].built_at), side="right"))
        self._rows = slice(since, None)
        self.hour_ending = series.hour_ending[self._rows]
        weather = assessment.weather
        values = weather.values.reindex(self.hour_ending)
        self._sources = weather.sources.reindex(self.hour_ending).fillna("")
        self._gust_ms, self._estimated = filled_gust_ms(values)
        self._icing = freezing_rain(values)
        self._water_missing: Flags = snow_forcing(values, SnowParameters()).missing
        self._temperature_missing: Flags = np.isnan(column(values, "air_temperature_c"))
        self._wind_missing: Flags = np.isnan(self._gust_ms)
        self._load_kpa = self._of(series.snow_load_kpa)
        self._depth_m = self._of(series.snow_depth_m)
        self._pressure_pa = self._of(series.gust_pressure_pa)
        self._pocket_mm = self._of(series.pocket_mm)
        self._cycles, self._wet_cycles = self._of(series.cycles), self._of(series.wet_cycles)
        self._inside_missing: Flags = np.isnan(self._of(series.inside_rh_pct))
        self._damp, self._condensation = self._of(series.damp) > 0, self._of(series.condensation) > 0

    def took(self) -> Took:
        """Peaks and sums from the wrapping to the last hour."""
        every = slice(0, len(self.hour_ending))
        unknown = self._temperature_missing | self._water_missing | self._wind_missing
        none_known = bool((self._temperature_missing & self._water_missing & self._wind_missing).all())
        return Took(
            hours=0 if none_known else len(self.hour_ending),
            load=self._peak(self._load_kpa, every),
            gust=self._top_gust(),
            pocket=self._peak(self._pocket_mm, every),
            cycles=_sum(self._cycles),
            wet_cycles=_sum(self._wet_cycles),
            damp_h=int(self._damp[~self._inside_missing].sum()),
            damp_known_h=int((~self._inside_missing).sum()),
            condensation_h=int(self._condensation[~self._inside_missing].sum()),
            freezing_rain_mm=self._freezing_rain_mm(every),
            freezing_rain_h=int(self._icing.falls.sum()),
            icing_known_h=int(self._icing.assessed.sum()),
            storms=tuple(self._storms()),
            missing=Missing(
                temperature_h=int(self._temperature_missing.sum()),
                water_h=int(self._water_missing.sum()),
                wind_h=int(self._wind_missing.sum()),
                inside_h=int(self._inside_missing.sum()),
                any_h=int(unknown.sum()),
            ),
        )

    def seen(self, log: Log) -> Seen:
        """The log's measurements and findings, each beside the model.

        A measured depth or weight of snow replaces the model's at the start of the hour in which it was taken. The
        hour before that does not know of it, and ends at most an hour before somebody measured: its value is the
        model's own, with every earlier measurement in it and this one not.
        """
        visits = [visit for visit in log.inspections if visit.cover_id == self._cover.id]
        found: dict[str, list[str]] = {}
        for finding in log.findings:
            if finding.severity > 0:
                found.setdefault(finding.inspection_id, []).append(finding.defect)
        return Seen(
            snow=tuple(
                self._snow_seen(visit, log)
                for visit in visits
                if visit.snow_depth_m is not None or visit.snow_water_mm is not None
            ),
            gust=tuple(self._gust_seen(visit) for visit in visits if visit.gust_seen_ms is not None),
            inside=tuple(self._inside_seen(visit, found.get(visit.id, ()), log) for visit in visits if visit.inside),
            pocket=tuple(self._pocket_seen(visits, found)),
        )

    def _of(self, values: Floats | Flags) -> Floats:
        """The cover's column of an array (H, C), from the wrapping on."""
        place = self._series.cover_ids.index(self._cover.id or 0)
        return np.asarray(values[self._rows, place], dtype=np.float64)

    def _peak(self, values: Floats, rows: slice) -> Peak | None:
        part = values[rows]
        if not len(part) or np.isnan(part).all():
            return None
        row = int(np.nanargmax(part))
        return Peak(float(part[row]), self._moment(rows.start + row))

    def _top_gust(self) -> TopGust | None:
        peak = self._peak(self._pressure_pa, slice(0, len(self.hour_ending)))
        if peak is None:
            return None
        row = int(self.hour_ending.get_indexer(pd.DatetimeIndex([peak.hour_ending]))[0])
        return TopGust(
            peak.value, float(self._gust_ms[row]), bool(self._estimated[row]), peak.hour_ending, self._wind_source(row)
        )

    def _wind_source(self, row: int) -> str:
        named = (
            str(self._sources[name].iloc[row]) for name in ("wind_gust_ms", "wind_speed_ms") if name in self._sources
        )
        return next(filter(None, named), "")

    def _storms(self) -> Iterator[StormOnCover]:
        for storm in self._assessment.storms:
            first = int(self.hour_ending.searchsorted(pd.Timestamp(storm.start), side="left"))
            end = int(self.hour_ending.searchsorted(pd.Timestamp(storm.end), side="right"))
            if end <= first:
                continue  # it was over before the film was on
            rows = slice(first, end)
            unknown = self._temperature_missing | self._water_missing | self._wind_missing
            yield StormOnCover(
                storm=storm,
                load=self._peak(self._load_kpa, rows),
                pressure=self._peak(self._pressure_pa, rows),
                cycles=_sum(self._cycles[rows]),
                freezing_rain_mm=self._freezing_rain_mm(rows),
                missing_h=int(unknown[rows].sum()),
                hours=end - first,
            )

    def _freezing_rain_mm(self, rows: slice) -> float | None:
        falls, amount_mm = self._icing.falls[rows], self._icing.amount_mm[rows]
        if not self._icing.assessed[rows].any():
            return None
        if falls.any() and np.isnan(amount_mm[falls]).all():
            return float("nan")
        return float(np.nansum(np.where(falls, amount_mm, 0.0)))

    def _before(self, moment: datetime) -> int:
        """Row of the last hour that had ended by a moment; -1 where none had."""
        return int(self.hour_ending.searchsorted(pd.Timestamp(moment), side="right")) - 1

    def _moment(self, row: int) -> datetime:
        moment: datetime = self.hour_ending[row].to_pydatetime()
        return moment

    def _snow_seen(self, visit: Inspection, log: Log) -> SnowSeen:
        row = self._before(visit.inspected_at)
        hour = self._moment(row) if row >= 0 else None
        weighed = visit.snow_water_mm is not None
        changes = [act.acted_at for act in log.actions if act.cover_id == visit.cover_id and act.action in SNOW_CHANGES]
        changes += [
            other.inspected_at
            for other in log.inspections
            if other.cover_id == visit.cover_id
            and other.id != visit.id
            and (other.snow_depth_m is not None or other.snow_water_mm is not None)
        ]
        since = hour if hour is not None else self._cover.builds[0].built_at
        known = hour is not None and not self._water_missing[row]
        return SnowSeen(
            visit=visit,
            seen_m=None if weighed else visit.snow_depth_m,
            seen_mm=visit.snow_water_mm,
            model_m=float(self._depth_m[row]) if known and not weighed else None,
            model_mm=float(self._load_kpa[row] / KPA_PER_MM) if known and weighed else None,
            hour_ending=hour,
            disturbed=any(since <= moment < visit.inspected_at for moment in changes),
        )

    def _gust_seen(self, visit: Inspection) -> GustSeen:
        row = int(self.hour_ending.searchsorted(pd.Timestamp(visit.inspected_at), side="left"))
        if row >= len(self.hour_ending):
            return GustSeen(visit, float("nan"), float("nan"), False, "", None)
        wind, build = WindParameters(), self._cover.build_at(visit.inspected_at)
        height_m = build.ridge_above_ground_m or wind.default_height_m
        factor = float(speed_factor(height_m, self._assessment.yard.terrain, self._cover.boat.shelter, wind))
        gust_ms = float(self._gust_ms[row])
        return GustSeen(
            visit, gust_ms, factor * gust_ms, bool(self._estimated[row]), self._wind_source(row), self._moment(row)
        )

    def _inside_seen(self, visit: Inspection, found: Sequence[str], log: Log) -> InsideSeen:
        looks = [
            other.inspected_at
            for other in log.inspections
            if other.cover_id == visit.cover_id and other.inside and other.inspected_at < visit.inspected_at
        ]
        looks += [
            act.acted_at
            for act in log.actions
            if act.cover_id == visit.cover_id and act.action in VENT_CHANGES and act.acted_at < visit.inspected_at
        ]
        since = max([self._cover.builds[0].built_at, *looks])
        rows = slice(self._before(since) + 1, self._before(visit.inspected_at) + 1)
        known = ~self._inside_missing[rows]
        return InsideSeen(
            visit=visit,
            found=tuple(dict.fromkeys(defect for defect in found if defect in INSIDE_DEFECTS)),
            damp_h=int(self._damp[rows][known].sum()),
            known_h=int(known.sum()),
            hours=len(known),
            since=since,
        )

    def _pocket_seen(self, visits: Sequence[Inspection], found: dict[str, list[str]]) -> Iterator[PocketSeen]:
        for visit in visits:
            row = self._before(visit.inspected_at)
            model_mm = float(self._pocket_mm[row]) if row >= 0 else float("nan")
            defects = tuple(dict.fromkeys(d for d in found.get(visit.id, ()) if d in POCKET_DEFECTS))
            if defects or model_mm >= TRACE_MM:
                yield PocketSeen(visit, defects, model_mm, self._moment(row) if row >= 0 else None)


def _sum(values: Floats) -> int:
    return round(float(np.nansum(values)))
