"""How much each cover has been exposed to each hazard, counted from the moment that fits it. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.clocks import Clocks
from monitor.hazards.series import CoverSeries, HazardParameters, YardWeather, cover_ids, cover_series
from monitor.hazards.wind import off_bow_deg, off_bow_side
from monitor.inspections import Action, Inspection
from monitor.register import BELLY_BAND_SPACING_M, Cover, Yard, belly_band_spacing_m
from monitor.units import show_length, show_water

Floats = NDArray[np.float64]

BLOCK = 500
"""Covers computed at a time: keeps a yard of 10,000 covers within memory without slowing a small one."""


@dataclass(frozen=True)
class Exposure:
    """One hazard's exposure of every cover of a ranking, in the order of the covers; all arrays are (C,).

    ``hour_ending`` is the hour (datetime64, UTC) that the value belongs to, NaT where there is none; ``note`` is a
    short addition for people, such as the direction off the bow. NaN means that no hour is known.
    """

    hazard: str
    value: Floats
    hour_ending: NDArray[np.datetime64]
    missing_share: Floats
    source: Sequence[str]
    note: Sequence[str]


def exposures(
    weather: YardWeather,
    series: CoverSeries,
    covers: Sequence[Cover],
    clocks: Mapping[int, Clocks],
    inspections: Sequence[Inspection],
    as_of: datetime,
    units: str = "metric",
    actions: Sequence[Action] = (),
) -> list[Exposure]:
    """Exposure of each cover to each hazard at ``as_of`` (UTC), each from its own clock on.

    Values are SI; ``units`` (``metric`` or ``us``) are those of the lengths and amounts in the notes for people.

    Only hours up to the last of ``weather`` count; hours unknown are counted as missing, never as calm. Ice is left
    out, as not assessed, where no source would have told of freezing rain in any hour; damp, where humidity is never
    known.
    """
    of = [clocks[cover_id] for cover_id in series.cover_ids]
    since_inspection = _Window(weather.hour_ending, _moments([clock.inspected_at for clock in of]))
    since_retensioning = _Window(weather.hour_ending, _moments([clock.retensioned_at for clock in of]))
    since_inside = _Window(weather.hour_ending, _moments([clock.looked_inside_at for clock in of]))
    wet = since_inspection.total(series.wet_cycles, weather.temperature_missing)
    gust_missing = np.isnan(weather.gust_ms)
    spacing = np.array([_spacing_m(cover, as_of) for cover in covers])
    work = since_retensioning.total(series.gust_work_kpah, gust_missing) * spacing / BELLY_BAND_SPACING_M
    snow_peak, snow_at = since_inspection.peak(series.snow_load_kpa)
    gust_peak, gust_at = since_inspection.peak(series.gust_pressure_pa)
    last = np.full(len(covers), max(len(weather.hour_ending) - 1, 0))
    pocket: Floats = series.pocket_mm[-1] if len(weather.hour_ending) else np.zeros(len(covers))
    return [
        Exposure(
            "snow",
            snow_peak,
            since_inspection.hours(snow_at, snow_peak > 0),
            since_inspection.missing_share(weather.snow.missing),
            _named(weather, snow_at, ("snowfall_water_mm", "precipitation_mm")),
            _snow_notes(covers, clocks, inspections, actions, units),
        ),
        Exposure(
            "pocket",
            pocket,
            since_inspection.hours(last, np.asarray(pocket > 0)),
            since_inspection.missing_share(weather.snow.missing),
            _named(weather, last, ("precipitation_mm",)),
            ["modelled"] * len(covers),
        ),
        Exposure(
            "gust",
            gust_peak,
            since_inspection.hours(gust_at, gust_peak > 0),
            since_inspection.missing_share(gust_missing),
            _named(weather, gust_at, ("wind_gust_ms", "wind_speed_ms")),
            _gust_notes(weather, covers, gust_at),
        ),
        Exposure(
            "slack",
            work,
            since_retensioning.hours(last, work > 0),
            since_retensioning.missing_share(gust_missing),
            _named(weather, last, ("wind_gust_ms", "wind_speed_ms")),
            [_spacing_note(cover, as_of, units) for cover in covers],
        ),
        Exposure(
            "freeze_thaw",
            since_inspection.total(series.cycles, weather.temperature_missing),
            since_inspection.last_hit(series.cycles),
            since_inspection.missing_share(weather.temperature_missing),
            _named(weather, last, ("air_temperature_c",)),
            _cycle_notes(wet, weather),
        ),
        *_ice(weather, series, since_inspection, last),
        *_damp(weather, series, since_inside, last),
        unseen(of, as_of),
    ]


def unseen(clocks: Sequence[Clocks], as_of: datetime) -> Exposure:
    """Days since each cover's last inspection at ``as_of`` (UTC): the one exposure that grows from minute to minute."""
    inspected = _moments([clock.inspected_at for clock in clocks])
    days = (np.datetime64(_naive(as_of), "s") - inspected) / np.timedelta64(1, "D")
    return Exposure(
        "unseen",
        np.maximum(days, 0.0),
        inspected,
        np.zeros(len(clocks)),
        ["inspection log"] * len(clocks),
        ["" if clock.inspected_ever else "never inspected since wrapping" for clock in clocks],
    )


def assess(
    weather: YardWeather,
    yard: Yard,
    covers: Sequence[Cover],
    actions: Sequence[Action],
    inspections: Sequence[Inspection],
    clocks: Mapping[int, Clocks],
    as_of: datetime,
    parameters: HazardParameters,
) -> list[Exposure]:
    """Exposures of any number of covers, worked out a block at a time so that memory stays bounded."""
    blocks = []
    for first in range(0, len(covers), BLOCK):
        block = covers[first : first + BLOCK]
        series = cover_series(weather, yard, block, actions, inspections, parameters)
        blocks.append(exposures(weather, series, block, clocks, inspections, as_of, yard.display_units, actions))
    return joined(blocks)


def split(found: Sequence[Exposure]) -> list[list[Exposure]]:
    """The exposures of each cover alone; `joined` puts them together again."""
    return [[_of_cover(exposure, place) for exposure in found] for place in range(len(found[0].value))]


def joined(parts: Sequence[Sequence[Exposure]]) -> list[Exposure]:
    """The exposures of all covers, from those of parts of them that went through the same weather."""
    return [_joined(of_hazard) for of_hazard in zip(*parts, strict=True)]


class _Window:
    """The hours that end after each cover's own moment: first row of each column, in an (H, C) array."""

    def __init__(self, hour_ending: pd.DatetimeIndex, since: NDArray[np.datetime64]) -> None:
        self._hours = hour_ending.tz_convert(None).to_numpy().astype("datetime64[s]")
        self._first = np.searchsorted(self._hours, since, side="right")

    def _inside(self) -> NDArray[np.bool_]:
        inside: NDArray[np.bool_] = np.arange(len(self._hours))[:, None] >= self._first[None, :]
        return inside

    def peak(self, values: Floats) -> tuple[Floats, NDArray[np.intp]]:
        """Highest known value of each column and its row; NaN and row 0 where no hour is known."""
        if not len(self._hours):
            return np.full(values.shape[1], np.nan), np.zeros(values.shape[1], dtype=np.intp)
        candidates = np.where(self._inside() & ~np.isnan(values), values, -np.inf)
        row = candidates.argmax(axis=0)
        top = candidates[row, np.arange(values.shape[1])]
        return np.where(np.isneginf(top), np.nan, top), row

    def total(self, values: Floats, missing: NDArray[np.bool_]) -> Floats:
        """Sum of the known values of each column; NaN where hours have passed and none of them is known."""
        known = np.nan_to_num(values, nan=0.0)
        from_here = np.vstack([known[::-1].cumsum(axis=0)[::-1], np.zeros((1, values.shape[1]))])
        total = from_here[self._first, np.arange(values.shape[1])]
        return np.where(self.missing_share(missing) == 1, np.nan, total)

    def total_of_yard(self, values: Floats, missing: NDArray[np.bool_]) -> Floats:
        """The same for values (H,) that all covers share."""
        from_here = np.append(values[::-1].cumsum()[::-1], 0.0)
        return np.where(self.missing_share(missing) == 1, np.nan, from_here[self._first])

    def begins_by(self, row: NDArray[np.intp]) -> NDArray[np.bool_]:
        """Whether each column's window has begun by a row of it; never by a row below 0."""
        return (row >= self._first) & (row >= 0)

    def missing_share(self, missing: NDArray[np.bool_]) -> Floats:
        """Share of each column's hours that are unknown; 0 where no hour has passed."""
        from_here = np.append(missing[::-1].cumsum()[::-1], 0)
        count = len(self._hours) - self._first
        return from_here[self._first] / np.maximum(count, 1)

    def hours(self, row: NDArray[np.intp], valid: NDArray[np.bool_]) -> NDArray[np.datetime64]:
        """The hour of each row, NaT where not valid."""
        if not len(self._hours):
            return np.full(len(row), np.datetime64("NaT"), dtype="datetime64[s]")
        return np.where(valid, self._hours[row], np.datetime64("NaT"))

    def last_hit(self, values: Floats) -> NDArray[np.datetime64]:
        """The last hour of each column in which something was counted, NaT where nothing was."""
        hit = (values > 0) & self._inside()
        row = len(self._hours) - 1 - hit[::-1].argmax(axis=0) if len(self._hours) else np.zeros(values.shape[1], int)
        return self.hours(row, np.asarray(hit.any(axis=0)))


def _spacing_m(cover: Cover, as_of: datetime) -> float:
    spacing = belly_band_spacing_m(cover.build_at(as_of), cover.boat.length_m)
    return BELLY_BAND_SPACING_M if spacing is None else spacing


def _spacing_note(cover: Cover, as_of: datetime, units: str) -> str:
    spacing = belly_band_spacing_m(cover.build_at(as_of), cover.boat.length_m)
    shown_m = BELLY_BAND_SPACING_M if spacing is None else spacing
    shown = f"{shown_m:.1f} m" if units == "metric" else show_length(shown_m, units)
    return f"belly band spacing not recorded, taken as {shown}" if spacing is None else f"belly bands every {shown}"


def _gust_notes(weather: YardWeather, covers: Sequence[Cover], rows: NDArray[np.intp]) -> list[str]:
    if not len(weather.hour_ending):
        return [""] * len(covers)
    notes = []
    for cover, row in zip(covers, rows.tolist(), strict=True):
        wind_from = float(weather.wind_from_deg[row])
        if np.isnan(wind_from):
            note = "direction not reported"
        else:
            angle = float(off_bow_deg(wind_from, cover.boat.heading_deg))
            note = f"{angle:.0f}° off the bow to {off_bow_side(wind_from, cover.boat.heading_deg)}"
        notes.append(note + (", gust estimated from mean wind" if weather.gust_estimated[row] else ""))
    return notes


def _ice(weather: YardWeather, series: CoverSeries, window: "_Window", last: NDArray[np.intp]) -> list[Exposure]:
    """Ice from freezing rain, the same for every cover of the yard; nothing where nobody would have told of it."""
    if not weather.icing.assessed.any():
        return []
    amount, unknown = np.nan_to_num(weather.icing.amount_mm, nan=0.0), ~weather.icing.assessed
    fell = np.flatnonzero(amount > 0)
    row = np.full(len(series.cover_ids), fell[-1] if len(fell) else -1)
    return [
        Exposure(
            "ice",
            window.total_of_yard(amount, unknown),
            window.hours(row, window.begins_by(row)),
            window.missing_share(unknown),
            _named(weather, last, ("freezing_rain_mm", "present_weather")),
            ["from coded weather"] * len(series.cover_ids),
        )
    ]


def _damp(weather: YardWeather, series: CoverSeries, window: "_Window", last: NDArray[np.intp]) -> list[Exposure]:
    """Damp hours inside; nothing where temperature, humidity and wind are never known together."""
    missing = weather.air.missing
    if missing.all():
        return []
    damp, wet_film = series.damp.astype(float), window.total(series.condensation.astype(float), missing)
    return [
        Exposure(
            "damp",
            window.total(damp, missing),
            window.last_hit(damp),
            window.missing_share(missing),
            _named(weather, last, ("dew_point_c", "relative_humidity_pct")),
            ["modelled" + ("" if np.isnan(h) else f", condensation in {h:.0f} h") for h in wet_film.tolist()],
        )
    ]


def _snow_notes(
    covers: Sequence[Cover],
    clocks: Mapping[int, Clocks],
    inspections: Sequence[Inspection],
    actions: Sequence[Action],
    units: str,
) -> list[str]:
    """``modelled``, or from what measurement the model went on: that of the last inspection, if nobody cleared it."""
    measured = {
        (visit.cover_id, visit.inspected_at): visit
        for visit in inspections
        if visit.snow_depth_m is not None or visit.snow_water_mm is not None
    }
    cleared: dict[int, datetime] = {}
    for action in actions:
        if action.action == "cleared_snow":
            cleared[action.cover_id] = max(action.acted_at, cleared.get(action.cover_id, action.acted_at))
    notes = []
    for cover_id in cover_ids(covers):
        visit = measured.get((cover_id, clocks[cover_id].inspected_at))
        if visit is None:
            notes.append("modelled")
        elif cleared.get(cover_id, visit.inspected_at) > visit.inspected_at:
            notes.append("modelled, from film cleared at the last inspection")
        elif visit.snow_water_mm is not None:
            measure = f"{show_water(visit.snow_water_mm, units)} of water"
            notes.append(f"modelled on from {measure} measured by {visit.inspector}")
        else:
            depth = show_length(visit.snow_depth_m or 0.0, units)
            notes.append(f"modelled on from {depth} measured by {visit.inspector}")
    return notes


def _cycle_notes(wet: Floats, weather: YardWeather) -> list[str]:
    """How many of the cycles were wet: our own judgement is that those open welds and move blocking sooner."""
    basis = "on air temperature" if weather.air.missing.all() else "on modelled film temperature"
    return [basis + ("" if np.isnan(n) or n == 0 else f", {n:.0f} of them wet") for n in wet.tolist()]


def _named(weather: YardWeather, rows: NDArray[np.intp], variables: Sequence[str]) -> list[str]:
    """Source of the first of the variables that is known in each row's hour; the newest known one before it else."""
    named = pd.Series("", index=weather.hour_ending, dtype="str")
    for variable in reversed([v for v in variables if v in weather.sources]):
        column = weather.sources[variable]
        named = column.where(column != "", named)
    filled = named.where(named != "").ffill().fillna("").to_numpy()
    return [str(filled[row]) for row in rows.tolist()] if len(filled) else [""] * len(rows)


def _of_cover(exposure: Exposure, place: int) -> Exposure:
    alone = slice(place, place + 1)
    return Exposure(
        hazard=exposure.hazard,
        value=exposure.value[alone],
        hour_ending=exposure.hour_ending[alone],
        missing_share=exposure.missing_share[alone],
        source=exposure.source[alone],
        note=exposure.note[alone],
    )


def _joined(parts: Sequence[Exposure]) -> Exposure:
    return Exposure(
        hazard=parts[0].hazard,
        value=np.concatenate([part.value for part in parts]),
        hour_ending=np.concatenate([part.hour_ending for part in parts]),
        missing_share=np.concatenate([part.missing_share for part in parts]),
        source=[name for part in parts for name in part.source],
        note=[text for part in parts for text in part.note],
    )


def _moments(moments: Sequence[datetime]) -> NDArray[np.datetime64]:
    return np.array([_naive(moment) for moment in moments], dtype="datetime64[s]")


def _naive(moment: datetime) -> datetime:
    """UTC without its zone, as numpy keeps time."""
    return moment.replace(tzinfo=None)
