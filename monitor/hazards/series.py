"""Hour by hour what the weather did to each cover of a yard, as it was built then: all hazards in one place. Pure."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.hazards import column
from monitor.hazards.cover_air import (
    AirCovers,
    AirForcing,
    AirParameters,
    CoverAir,
    air_forcing,
    air_under_covers,
    vent_wind_factor,
)
from monitor.hazards.freeze_thaw import FreezeThawParameters, completed_cycles
from monitor.hazards.ice import FreezingRain, freezing_rain
from monitor.hazards.sky import Sky, SkyParameters, sky_over
from monitor.hazards.snow import CoverSnow, SnowForcing, SnowParameters, StoreReset, snow_forcing, snow_on_covers
from monitor.hazards.wind import WindParameters, filled_gust_ms, gust_work_kpah, pressure_on_covers, speed_factor
from monitor.inspections import Action, Inspection
from monitor.register import Cover, CoverBuild, Yard, flattest_slope_deg, panel_slopes_deg
from monitor.weather.table import Merged

Floats = NDArray[np.float64]

WET_MM = 0.1
"""From this much water in a pocket, or in lying snow, a freeze-thaw cycle counts as wet."""


@dataclass(frozen=True)
class HazardParameters:
    """What we chose ourselves, one dataclass a hazard."""

    snow: SnowParameters = field(default_factory=SnowParameters)
    wind: WindParameters = field(default_factory=WindParameters)
    freeze_thaw: FreezeThawParameters = field(default_factory=FreezeThawParameters)
    sky: SkyParameters = field(default_factory=SkyParameters)
    air: AirParameters = field(default_factory=AirParameters)


@dataclass(frozen=True)
class YardWeather:
    """What is the same for every cover of a yard, worked out once; arrays are (H,)."""

    hour_ending: pd.DatetimeIndex
    sources: pd.DataFrame
    snow: SnowForcing
    sky: Sky
    air: AirForcing
    icing: FreezingRain
    gust_ms: Floats
    gust_estimated: NDArray[np.bool_]
    wind_from_deg: Floats
    air_cycles: Floats
    temperature_missing: NDArray[np.bool_]


@dataclass(frozen=True)
class CoverSeries:
    """Modelled hours of covers; arrays are (H, C), NaN where the weather is unknown.

    Snow load [kPa] and depth [m] on the flattest part, water in its pocket [mm], gust pressure across the cover [Pa],
    gust work done in the hour [kPa h], freeze-thaw cycles of the film completed in the hour and those of them that were
    wet, temperature of the film, or of the air where the film's cannot be known [degC], temperature [degC] and relative
    humidity [%] of the air inside, and whether the hour was damp inside or brought condensation (False where unknown).
    """

    hour_ending: pd.DatetimeIndex
    cover_ids: tuple[int, ...]
    snow_load_kpa: Floats
    snow_depth_m: Floats
    pocket_mm: Floats
    gust_pressure_pa: Floats
    gust_work_kpah: Floats
    cycles: Floats
    wet_cycles: Floats
    film_temperature_c: Floats
    inside_temperature_c: Floats
    inside_rh_pct: Floats
    damp: NDArray[np.bool_]
    condensation: NDArray[np.bool_]


def yard_weather(
    merged: Merged, yard: Yard, start: datetime, end: datetime, parameters: HazardParameters
) -> YardWeather:
    """Hours ``start`` < hour_ending <= ``end`` (UTC), every hour present, with the arrays that all covers share.

    Where no source tells of sunshine, snow slides by the sun that the time of day and the clouds let through.
    """
    index = pd.date_range(
        pd.Timestamp(start).floor("h") + pd.Timedelta(hours=1), pd.Timestamp(end).floor("h"), freq="h", unit="s"
    )
    index.name = "hour_ending"
    values = _snow_from_one_witness(merged).reindex(index)
    gust_ms, estimated = filled_gust_ms(values)
    temperature = column(values, "air_temperature_c")
    sky = sky_over(values, yard.latitude_deg, yard.longitude_deg, parameters.sky)
    return YardWeather(
        hour_ending=index,
        sources=merged.sources.reindex(index).fillna(""),
        snow=snow_forcing(values.assign(solar_wm2=sky.solar_wm2), parameters.snow),
        sky=sky,
        air=air_forcing(values, sky, parameters.air),
        icing=freezing_rain(values),
        gust_ms=gust_ms,
        gust_estimated=estimated,
        wind_from_deg=column(values, "wind_from_deg"),
        air_cycles=completed_cycles(temperature, parameters.freeze_thaw),
        temperature_missing=np.isnan(temperature),
    )


def cover_series(
    weather: YardWeather,
    yard: Yard,
    covers: Sequence[Cover],
    actions: Sequence[Action],
    inspections: Sequence[Inspection],
    parameters: HazardParameters,
) -> CoverSeries:
    """Hour by hour what the weather did to each cover as it was built then. Needs stored covers (with an id).

    A cover holds nothing before it is wrapped; ``cleared_snow`` and ``drained_water`` empty its stores from their hour;
    a depth or weight of snow that somebody measured takes the place of the model's at that hour.
    """
    hours = weather.hour_ending
    slope = _over_time(covers, hours, lambda cover, build: flattest_slope_deg(build, cover.boat.beam_m))

    def height_m(build: CoverBuild) -> float:
        return build.ridge_above_ground_m or parameters.wind.default_height_m

    def gust_factor(cover: Cover, build: CoverBuild) -> float:
        return float(speed_factor(height_m(build), yard.terrain, cover.boat.shelter, parameters.wind))

    def vent_factor(cover: Cover, build: CoverBuild) -> float:
        at_vents = vent_wind_factor(height_m(build), yard.terrain, cover.boat.shelter, parameters.wind, parameters.air)
        return float(at_vents)

    snow = snow_on_covers(weather.snow, slope, parameters.snow, _resets(covers, actions, inspections, hours))
    air = _air(weather, covers, _over_time(covers, hours, vent_factor), snow, parameters)
    outside = weather.air.air_temperature_c[:, None]
    film = np.where(np.isnan(air.film_temperature_c), outside, air.film_temperature_c)
    cycles = completed_cycles(film, parameters.freeze_thaw)
    wet = (snow.pocket_mm > WET_MM) | (snow.liquid_mm > WET_MM)
    pressure = pressure_on_covers(
        weather.gust_ms,
        weather.wind_from_deg,
        _over_time(covers, hours, gust_factor),
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
        cycles=cycles,
        wet_cycles=cycles * wet,
        film_temperature_c=film,
        inside_temperature_c=air.inside_temperature_c,
        inside_rh_pct=air.inside_rh_pct,
        damp=air.damp,
        condensation=air.condensation,
    )


def _air(
    weather: YardWeather,
    covers: Sequence[Cover],
    wind_factor: Floats,
    snow: CoverSnow,
    parameters: HazardParameters,
) -> CoverAir:
    """Film and air of each cover, with its vents, colour and ground as recorded, and the snow of its flattest part."""
    air, hours = parameters.air, weather.hour_ending

    def vent_m2(_: Cover, build: CoverBuild) -> float:
        return build.vent_count * (air.vent_m2 if build.vent_area_m2 is None else build.vent_area_m2)

    inputs = AirCovers(
        vent_m2=_over_time(covers, hours, vent_m2),
        plan_m2=np.array([cover.boat.length_m * cover.boat.beam_m for cover in covers]),
        slope_deg=_over_time(covers, hours, lambda cover, build: panel_slopes_deg(build, cover.boat.beam_m)["port"]),
        wind_factor=wind_factor,
        film_absorbs=_over_time(covers, hours, lambda _, build: air.film_sun[build.film_colour][0]),
        film_transmits=_over_time(covers, hours, lambda _, build: air.film_sun[build.film_colour][1]),
        wet_ground=_over_time(covers, hours, lambda _, build: air.wet_ground[build.ground]),
    )
    return air_under_covers(weather.air, inputs, air, snow.depth_m)


def cover_ids(covers: Sequence[Cover]) -> tuple[int, ...]:
    """Ids of stored covers; ValueError where one is not stored yet."""
    ids = [cover.id for cover in covers]
    if None in ids:
        raise ValueError(f"cover of boat {covers[ids.index(None)].boat.number} is not stored yet and has no id")
    return tuple(cover_id for cover_id in ids if cover_id is not None)


def _snow_from_one_witness(merged: Merged) -> pd.DataFrame:
    """Values without the snowfall of a source where another one told the precipitation: a gauge's 0 is no snow."""
    values, sources = merged.values, merged.sources
    if "snowfall_water_mm" not in values or "precipitation_mm" not in values:
        return values
    other = (sources["precipitation_mm"] != "") & (sources["precipitation_mm"] != sources["snowfall_water_mm"])
    return values.assign(snowfall_water_mm=values["snowfall_water_mm"].mask(other))


def _over_time(covers: Sequence[Cover], hours: pd.DatetimeIndex, value: Callable[[Cover, CoverBuild], float]) -> Floats:
    """A build's number for each cover (C,), or for each hour and cover (H, C) where one changed."""
    numbers = [[value(cover, build) for build in cover.builds] for cover in covers]
    first = np.array([of[0] for of in numbers], dtype=float)
    changed = [place for place, of in enumerate(numbers) if any(number != of[0] for number in of)]
    if not changed:
        return first
    table = np.tile(first, (len(hours), 1))
    for place in changed:
        for build, number in zip(covers[place].builds, numbers[place], strict=True):
            if build is not covers[place].builds[0]:
                table[hours > pd.Timestamp(build.built_at), place] = number
    return table


def _resets(
    covers: Sequence[Cover],
    actions: Sequence[Action],
    inspections: Sequence[Inspection],
    hours: pd.DatetimeIndex,
) -> list[StoreReset]:
    column = {cover.id: i for i, cover in enumerate(covers)}
    resets = [
        StoreReset(_hour_after(hours, cover.builds[0].built_at), i, snow_water_mm=0.0, pocket_mm=0.0)
        for i, cover in enumerate(covers)
    ]
    changes: list[tuple[datetime, StoreReset]] = []
    for visit in inspections:
        if visit.cover_id in column and (visit.snow_water_mm is not None or visit.snow_depth_m is not None):
            hour = _hour_after(hours, visit.inspected_at)
            measured = StoreReset(
                hour, column[visit.cover_id], snow_water_mm=visit.snow_water_mm, snow_depth_m=visit.snow_depth_m
            )
            changes.append((visit.inspected_at, measured))
    for action in actions:
        if action.cover_id not in column or action.action not in {"cleared_snow", "drained_water"}:
            continue
        hour = _hour_after(hours, action.acted_at)
        if action.action == "cleared_snow":
            changes.append((action.acted_at, StoreReset(hour, column[action.cover_id], snow_water_mm=0.0)))
        else:
            changes.append((action.acted_at, StoreReset(hour, column[action.cover_id], pocket_mm=0.0)))
    resets += [reset for _, reset in sorted(changes, key=lambda change: change[0])]
    return [reset for reset in resets if reset.hour < len(hours)]


def _hour_after(hours: pd.DatetimeIndex, moment: datetime) -> int:
    return int(hours.searchsorted(pd.Timestamp(moment), side="right"))
