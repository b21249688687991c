"""All hazards of all covers: weather and builds in, hourly series and exposures since the right moment out. Pure."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.clocks import Clocks
from monitor.hazards.freeze_thaw import FreezeThawParameters, completed_cycles
from monitor.hazards.snow import SnowForcing, SnowParameters, StoreReset, snow_forcing, snow_on_covers
from monitor.hazards.wind import (
    WindParameters,
    filled_gust_ms,
    gust_work_kpah,
    off_bow_deg,
    off_bow_side,
    pressure_on_covers,
    speed_factor,
)
from monitor.inspections import Action
from monitor.register import BELLY_BAND_SPACING_M, Cover, CoverBuild, Yard, belly_band_spacing_m, flattest_slope_deg
from monitor.weather.table import Merged

Floats = NDArray[np.float64]

BLOCK = 1000
"""Covers computed at a time: keeps a yard of 10,000 covers within memory without slowing a small one."""

NOT_ASSESSED = ("ice", "damp")
"""Hazards of the ranking's table that are not modelled yet; every listing says so."""


@dataclass(frozen=True)
class HazardParameters:
    """What we chose ourselves, one dataclass a hazard."""

    snow: SnowParameters = field(default_factory=SnowParameters)
    wind: WindParameters = field(default_factory=WindParameters)
    freeze_thaw: FreezeThawParameters = field(default_factory=FreezeThawParameters)


@dataclass(frozen=True)
class YardWeather:
    """What is the same for every cover of a yard, worked out once; arrays are (H,)."""

    hour_ending: pd.DatetimeIndex
    sources: pd.DataFrame
    snow: SnowForcing
    gust_ms: Floats
    gust_estimated: NDArray[np.bool_]
    wind_from_deg: Floats
    cycles: Floats
    temperature_missing: NDArray[np.bool_]


@dataclass(frozen=True)
class CoverSeries:
    """Modelled hours of covers; arrays are (H, C), NaN where the weather is unknown.

    Snow load [kPa] and depth [m] on the flattest part, water in its pocket [mm], gust pressure across the cover [Pa],
    gust work done in the hour [kPa h], freeze-thaw cycles completed in the hour.
    """

    hour_ending: pd.DatetimeIndex
    cover_ids: tuple[int, ...]
    snow_load_kpa: Floats
    snow_depth_m: Floats
    pocket_mm: Floats
    gust_pressure_pa: Floats
    gust_work_kpah: Floats
    cycles: Floats


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


def yard_weather(merged: Merged, start: datetime, end: datetime, parameters: HazardParameters) -> YardWeather:
    """Hours ``start`` < hour_ending <= ``end`` (UTC), every hour present, with the arrays that all covers share."""
    index = pd.date_range(
        pd.Timestamp(start).floor("h") + pd.Timedelta(hours=1), pd.Timestamp(end).floor("h"), freq="h", unit="s"
    )
    index.name = "hour_ending"
    values = _snow_from_one_witness(merged).reindex(index)
    gust_ms, estimated = filled_gust_ms(values)
    temperature = _column(values, "air_temperature_c")
    return YardWeather(
        hour_ending=index,
        sources=merged.sources.reindex(index).fillna(""),
        snow=snow_forcing(values, parameters.snow),
        gust_ms=gust_ms,
        gust_estimated=estimated,
        wind_from_deg=_column(values, "wind_from_deg"),
        cycles=completed_cycles(temperature, parameters.freeze_thaw),
        temperature_missing=np.isnan(temperature),
    )


def cover_series(
    weather: YardWeather,
    yard: Yard,
    covers: Sequence[Cover],
    actions: Sequence[Action],
    parameters: HazardParameters,
) -> CoverSeries:
    """Hour by hour what the weather did to each cover as it was built then. Needs stored covers (with an id).

    A cover holds nothing before it is wrapped; ``cleared_snow`` and ``drained_water`` empty its stores from their hour.
    """
    hours = weather.hour_ending
    slope = _over_time(covers, hours, lambda cover, build: flattest_slope_deg(build, cover.boat.beam_m))
    height = _over_time(
        covers,
        hours,
        lambda _, build: build.ridge_above_ground_m or parameters.wind.default_height_m,
    )
    factor = speed_factor(height, yard.terrain, [cover.boat.shelter for cover in covers], parameters.wind)
    snow = snow_on_covers(weather.snow, slope, parameters.snow, _resets(covers, actions, hours))
    pressure = pressure_on_covers(
        weather.gust_ms,
        weather.wind_from_deg,
        factor,
        np.array([cover.boat.heading_deg for cover in covers]),
        parameters.wind,
    )
    return CoverSeries(
        hour_ending=hours,
        cover_ids=cover_ids(covers),
        snow_load_kpa=snow.load_kpa,
        snow_depth_m=snow.depth_m,
        pocket_mm=snow.pocket_mm,
        gust_pressure_pa=pressure,
        gust_work_kpah=gust_work_kpah(pressure, parameters.wind),
        cycles=np.broadcast_to(weather.cycles[:, None], pressure.shape),
    )


def exposures(
    weather: YardWeather,
    series: CoverSeries,
    covers: Sequence[Cover],
    clocks: Mapping[int, Clocks],
    as_of: datetime,
) -> list[Exposure]:
    """Exposure of each cover to each hazard at ``as_of`` (UTC), each from its own clock on.

    Only hours up to the last of ``weather`` count; hours unknown are counted as missing, never as calm.
    """
    of = [clocks[cover_id] for cover_id in series.cover_ids]
    inspected = _moments([clock.inspected_at for clock in of])
    since_inspection = _Window(weather.hour_ending, inspected)
    since_retensioning = _Window(weather.hour_ending, _moments([clock.retensioned_at for clock in of]))
    gust_missing = np.isnan(weather.gust_ms)
    spacing = np.array([_spacing_m(cover, as_of) for cover in covers])
    work = since_retensioning.total(series.gust_work_kpah, gust_missing) * spacing / BELLY_BAND_SPACING_M
    days = (np.datetime64(_naive(as_of), "s") - inspected) / np.timedelta64(1, "D")
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
            ["modelled"] * len(covers),
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
            [_spacing_note(cover, as_of) for cover in covers],
        ),
        Exposure(
            "freeze_thaw",
            since_inspection.total(series.cycles, weather.temperature_missing),
            since_inspection.last_hit(series.cycles),
            since_inspection.missing_share(weather.temperature_missing),
            _named(weather, last, ("air_temperature_c",)),
            ["on air temperature"] * len(covers),
        ),
        Exposure(
            "unseen",
            np.maximum(days, 0.0),
            inspected,
            np.zeros(len(covers)),
            ["inspection log"] * len(covers),
            ["" if clock.inspected_ever else "never inspected since wrapping" for clock in of],
        ),
    ]


def assess(
    weather: YardWeather,
    yard: Yard,
    covers: Sequence[Cover],
    actions: Sequence[Action],
    clocks: Mapping[int, Clocks],
    as_of: datetime,
    parameters: HazardParameters,
) -> list[Exposure]:
    """Exposures of any number of covers, worked out a block at a time so that memory stays bounded."""
    blocks = []
    for first in range(0, len(covers), BLOCK):
        block = covers[first : first + BLOCK]
        series = cover_series(weather, yard, block, actions, parameters)
        blocks.append(exposures(weather, series, block, clocks, as_of))
    return [_joined(parts) for parts in zip(*blocks, strict=True)]


def cover_ids(covers: Sequence[Cover]) -> tuple[int, ...]:
    """Ids of stored covers; ValueError where one is not stored yet."""
    ids = [cover.id for cover in covers]
    if None in ids:
        raise ValueError(f"cover of boat {covers[ids.index(None)].boat.number} is not stored yet and has no id")
    return tuple(cover_id for cover_id in ids if cover_id is not None)


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


def _snow_from_one_witness(merged: Merged) -> pd.DataFrame:
    """Values without the snowfall of a source where another one told the precipitation: a gauge's 0 is no snow."""
    values, sources = merged.values, merged.sources
    if "snowfall_water_mm" not in values or "precipitation_mm" not in values:
        return values
    other = (sources["precipitation_mm"] != "") & (sources["precipitation_mm"] != sources["snowfall_water_mm"])
    return values.assign(snowfall_water_mm=values["snowfall_water_mm"].mask(other))


def _over_time(covers: Sequence[Cover], hours: pd.DatetimeIndex, value: Callable[[Cover, CoverBuild], float]) -> Floats:
    """A build's number for each cover (C,), or for each hour and cover (H, C) where one changed."""
    if all(len(cover.builds) == 1 for cover in covers):
        return np.array([value(cover, cover.builds[0]) for cover in covers], dtype=float)
    table = np.empty((len(hours), len(covers)))
    for column, cover in enumerate(covers):
        table[:, column] = value(cover, cover.builds[0])
        for build in cover.builds[1:]:
            table[hours > pd.Timestamp(build.built_at), column] = value(cover, build)
    return table[0] if len(table) and (table == table[0]).all() else table


def _resets(covers: Sequence[Cover], actions: Sequence[Action], hours: pd.DatetimeIndex) -> list[StoreReset]:
    column = {cover.id: i for i, cover in enumerate(covers)}
    resets = [
        StoreReset(_hour_after(hours, cover.builds[0].built_at), i, snow_water_mm=0.0, pocket_mm=0.0)
        for i, cover in enumerate(covers)
    ]
    for action in actions:
        if action.cover_id not in column or action.action not in {"cleared_snow", "drained_water"}:
            continue
        hour = _hour_after(hours, action.acted_at)
        if action.action == "cleared_snow":
            resets.append(StoreReset(hour, column[action.cover_id], snow_water_mm=0.0))
        else:
            resets.append(StoreReset(hour, column[action.cover_id], pocket_mm=0.0))
    return [reset for reset in resets if reset.hour < len(hours)]


def _hour_after(hours: pd.DatetimeIndex, moment: datetime) -> int:
    return int(hours.searchsorted(pd.Timestamp(moment), side="right"))


def _spacing_m(cover: Cover, as_of: datetime) -> float:
    spacing = belly_band_spacing_m(cover.build_at(as_of), cover.boat.length_m)
    return BELLY_BAND_SPACING_M if spacing is None else spacing


def _spacing_note(cover: Cover, as_of: datetime) -> str:
    spacing = belly_band_spacing_m(cover.build_at(as_of), cover.boat.length_m)
    if spacing is None:
        return "belly band spacing not recorded, taken as 1.8 m"
    return f"belly bands every {spacing:.1f} m"


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


def _named(weather: YardWeather, rows: NDArray[np.intp], variables: Sequence[str]) -> list[str]:
    """Source of the first of the variables that is known in each row's hour; the newest known one before it else."""
    named = pd.Series("", index=weather.hour_ending, dtype="str")
    for variable in reversed([v for v in variables if v in weather.sources]):
        column = weather.sources[variable]
        named = column.where(column != "", named)
    filled = named.where(named != "").ffill().fillna("").to_numpy()
    return [str(filled[row]) for row in rows.tolist()] if len(filled) else [""] * len(rows)


def _joined(parts: Sequence[Exposure]) -> Exposure:
    return Exposure(
        hazard=parts[0].hazard,
        value=np.concatenate([part.value for part in parts]),
        hour_ending=np.concatenate([part.hour_ending for part in parts]),
        missing_share=np.concatenate([part.missing_share for part in parts]),
        source=[name for part in parts for name in part.source],
        note=[text for part in parts for text in part.note],
    )


def _column(values: pd.DataFrame, name: str) -> Floats:
    if name not in values:
        return np.full(len(values), np.nan)
    return values[name].to_numpy(dtype=float)


def _moments(moments: Sequence[datetime]) -> NDArray[np.datetime64]:
    return np.array([_naive(moment) for moment in moments], dtype="datetime64[s]")


def _naive(moment: datetime) -> datetime:
    """UTC without its zone, as numpy keeps time."""
    return moment.replace(tzinfo=None)
