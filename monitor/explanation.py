"""Every number behind one cover's score, with hour, source, formula and reference. Pure: an assessment in, rows out."""

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from monitor.assessment import YardAssessment
from monitor.hazards import column
from monitor.hazards.cover_air import vent_wind_factor
from monitor.hazards.freeze_thaw import daily_extremes, daily_freeze_thaw
from monitor.hazards.ice import freezing_rain, radial_ice_mm
from monitor.hazards.series import CoverSeries, HazardParameters
from monitor.hazards.sky import known_dew_point_c, sky_over
from monitor.hazards.snow import KPA_PER_MM
from monitor.hazards.wind import direction_weight, filled_gust_ms, off_bow_deg, speed_factor, velocity_pressure_pa
from monitor.ranking import RankedCover, Reason
from monitor.register import (
    BELLY_BAND_SPACING_M,
    Cover,
    CoverBuild,
    belly_band_spacing_m,
    flattest_slope_deg,
    panel_slopes_deg,
)
from monitor.variables import PRESENT_WEATHER, VARIABLES

Floats = NDArray[np.float64]

METHODS: dict[str, tuple[tuple[str, str], ...]] = {
    "snow": (
        ("phase of precipitation: logistic in temperature and humidity", "Jennings et al. 2018, Nature Comm. 9:1148"),
        ("share kept by a slippery, unheated slope", "ASCE/SEI 7-16, section 7.4"),
        ("melt by degree hours, heat of rain, refreezing, retention", "SNOW-17 and HBV type; factors are our choice"),
        (
            "sliding 0.197 sin(slope) in an hour, none while ice of freezing rain lies",
            "Marion et al. 2013, Solar Energy 97:112",
        ),
        ("freezing rain joins the load as ice, as deep as the rain", "our own rule"),
        ("a depth or weight that somebody measured takes the place of the model's at its hour", "the yard's log"),
        ("load = 0.00980665 kPa per mm of water", "weight of water at standard gravity"),
    ),
    "pocket": (("pocket between straps, filled by rain and melt water", "our own heuristic, no source"),),
    "gust": (
        ("gust at the cover = gust at 10 m x shelter x (height / 10 m)^exponent", "exponent after EN 1991-1-4"),
        (
            "where none is reported: gust = mean wind x (1 + 2.1 / ln(10 m / 0.03 m))",
            "form: WMO TD-1555, Eq. 14; 2.1 is ours",
        ),
        ("velocity pressure = 0.613 V^2", "ASCE 7-16, section 26.10"),
        ("direction weight sin^2 + (0.3 cos)^2; 0.5 where no direction is known", "projected areas, our own argument"),
    ),
    "slack": (("gust work = sum of (pressure - 30 Pa) above 0, in kPa h", "our own heuristic, no source"),),
    "freeze_thaw": (
        (
            "a cycle is down to -1 and back up to +1 degC on the modelled film, or on the air where that is unknown",
            "our own choice of limits",
        ),
        ("a cycle is wet while more than 0.1 mm of water lies in the pocket or in the snow", "our own judgement"),
        ("film temperature: as for damp", "heat balance of film, sky, sun and the air inside"),
        (
            "public daily index beside it: days with Tmin <= 0 < Tmax of the air",
            "definition of xclim; Hershfield 1974 mapped it",
        ),
    ),
    "ice": (
        (
            "freezing rain and drizzle from coded or measured weather alone, never from temperature",
            "METAR codes FZRA, FZDZ",
        ),
        ("ice on film = depth of the freezing rain", "our own rule"),
        (
            "round masts and rails, for information: sum of sqrt(P^2 + (3.6 V 0.067 P^0.846)^2) / (0.9 pi)",
            "Jones 1998, Atmos. Res. 46:87-97, simple model, conservative",
        ),
    ),
    "damp": (
        ("damp: relative humidity inside >= 80 % and air inside above 0 degC", "lowest limit in Hukka & Viitanen 1999"),
        ("condensation: more than 0.1 g/m2 onto the film in the hour", "our own choice"),
        (
            "sky emissivity (0.787 + 0.764 ln(Td / 273 K)) (1 + 0.0224 N - 0.0035 N^2 + 0.00028 N^3)",
            "Clark & Allen 1978, Walton 1983, as in the EnergyPlus Engineering Reference",
        ),
        ("sun where none is reported: clear sky, times 1 - 0.75 (N / 10)^3.4", "Haurwitz 1945; Kasten & Czeplak 1980"),
        (
            "film = (ho Ta + hi Ti + hs Tsky + hg Ta + a I) / (ho + hi + hs + hg), ho = 5.7 + 3.8 V, hi = 7.5, "
            "hs + hg = 4 x 0.85 sigma Ta^3; snow hides sky and sun",
            "steady heat balance; wind term from memory",
        ),
        ("air through vents and gaps: wind and warmth in quadrature", "ASHRAE Fundamentals 2009, ch. 16, Eqs. 37-39"),
        ("vapour from outside, ground and film in balance", "Lewis relation; wet share of the ground is our guess"),
        ("saturation vapour pressure over water and ice", "Alduchov & Eskridge 1996"),
    ),
    "unseen": (("days between the last inspection and the ranking", "the yard's log"),),
    "open_finding": (("p by the worst open severity", "our own judgement"),),
}
"""How each hazard is worked out, and after whom."""


@dataclass(frozen=True)
class Step:
    """One number on the way to a hazard's exposure, in SI; ``hour_ending`` is the hour that it belongs to, or up to."""

    name: str
    value: float | None
    unit: str
    hour_ending: datetime | None = None
    source: str = ""


@dataclass(frozen=True)
class Explanation:
    """A cover's score taken apart."""

    line: RankedCover
    cover: Cover
    build: tuple[Step, ...]
    steps: dict[str, tuple[Step, ...]]
    not_assessed: tuple[str, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values for JSON."""
        total = math.fsum(reason.weight for reason in self.line.reasons)
        ranked = self.line.as_json()
        for row, reason in zip(ranked["reasons"], self.line.reasons, strict=True):
            row["share"] = reason.weight / total if total else 0.0
            row["steps"] = [_plain(step) for step in self.steps[reason.hazard]]
            row["methods"] = [{"formula": f, "reference": r} for f, r in METHODS[reason.hazard]]
        return {
            **ranked,
            "boat_name": self.cover.boat.name,
            "build": [_plain(step) for step in self.build],
            "not_assessed": list(self.not_assessed),
        }


def explain(assessment: YardAssessment, boat: str, parameters: HazardParameters) -> Explanation:
    """Take the score of a boat's cover apart. KeyError where the boat is not among the ranked covers.

    ``assessment`` must carry its hourly series.
    """
    cover = assessment.cover_of(boat)
    line = next(line for line in assessment.ranked if line.cover == cover.id)
    return Explanation(
        line=line,
        cover=cover,
        build=_build_steps(cover, assessment.as_of),
        steps={reason.hazard: _steps(_Case(reason, assessment, cover, parameters)) for reason in line.reasons},
        not_assessed=assessment.not_assessed,
    )


def _build_steps(cover: Cover, as_of: datetime) -> tuple[Step, ...]:
    build = cover.build_at(as_of)
    slopes = panel_slopes_deg(build, cover.boat.beam_m)
    return (
        *(Step(f"slope of the {panel} panel", slope, "deg") for panel, slope in slopes.items()),
        Step("slope of the flattest part", flattest_slope_deg(build, cover.boat.beam_m), "deg"),
        Step("ridge above the ground", build.ridge_above_ground_m, "m"),
        Step("heading of the bow", cover.boat.heading_deg, "deg"),
        Step("belly band spacing", belly_band_spacing_m(build, cover.boat.length_m), "m"),
        Step("vents", float(build.vent_count), ""),
        Step("free area of each vent", build.vent_area_m2, "m2"),
    )


@dataclass(frozen=True)
class _Case:
    """One reason of one cover, with what its steps are taken from."""

    reason: Reason
    assessment: YardAssessment
    cover: Cover
    parameters: HazardParameters

    @cached_property
    def series(self) -> CoverSeries:
        if self.assessment.series is None:
            raise ValueError("an explanation needs an assessment with its hourly series")
        return self.assessment.series

    @cached_property
    def weather(self) -> pd.DataFrame:
        """Merged weather of the modelled hours."""
        return self.assessment.weather.values.reindex(self.series.hour_ending)

    @property
    def hour(self) -> datetime | None:
        """The hour of the reason, as the model knows it; None where it has none."""
        hour = self.reason.hour_ending
        return hour if hour is not None and pd.Timestamp(hour) in self.series.hour_ending else None

    def of_cover(self, values: Floats | NDArray[np.bool_]) -> Floats:
        """The cover's column of an array (H, C) of the series."""
        return np.asarray(values[:, self.series.cover_ids.index(self.cover.id or 0)], dtype=np.float64)

    def at(self, hour: datetime, values: Floats) -> float | None:
        """The value of an hour out of (H,); None where it is unknown."""
        value = float(values[self.row(hour)])
        return None if math.isnan(value) else value

    def row(self, hour: datetime) -> int:
        return int(self.series.hour_ending.get_indexer(pd.DatetimeIndex([hour]))[0])

    def since(self, moment: datetime) -> slice:
        """Rows of the hours that end after a moment."""
        return slice(int(self.series.hour_ending.searchsorted(pd.Timestamp(moment), side="right")), None)

    def build(self, hour: datetime) -> CoverBuild:
        """The build in force in an hour: one that is made at its very end counts from the next."""
        return self.cover.build_at(hour - timedelta(microseconds=1))

    def weather_steps(self, hour: datetime, names: Sequence[str]) -> list[Step]:
        """The weather of an hour as merged, with its sources; what no source looked for is left out."""
        merged = self.assessment.weather
        steps = []
        for name in names:
            if name not in merged.values or pd.Timestamp(hour) not in merged.values.index:
                continue
            source = str(merged.sources.at[pd.Timestamp(hour), name])
            if source:
                steps.append(Step(name, self.at(hour, column(self.weather, name)), VARIABLES[name].unit, hour, source))
        return steps


def _steps(case: _Case) -> tuple[Step, ...]:
    reason = case.reason
    of_hazard = {
        "snow": _snow_steps,
        "pocket": _pocket_steps,
        "gust": _gust_steps,
        "slack": _slack_steps,
        "freeze_thaw": _freeze_thaw_steps,
        "ice": _ice_steps,
        "damp": _damp_steps,
    }
    known = reason.hazard in of_hazard and reason.value is not None
    first = of_hazard[reason.hazard](case) if known else []
    curve = case.assessment.parameters.curves.get(reason.hazard)
    if curve is None:
        return (*first, Step(f"p of severity {reason.value:.0f}", reason.p, ""))
    value = 0.0 if reason.value is None else reason.value
    weight = case.assessment.parameters.missing_weight
    return (
        *first,
        Step("steepness k = ln 9 / ln(x50 / x10)", curve.steepness, ""),
        Step("p = 1 / (1 + (x50 / x)^k)", 0.0 if value <= 0 else 1 / (1 + (curve.x50 / value) ** curve.steepness), ""),
        Step("share m of the hours missing", reason.missing_share, ""),
        Step(f"p with the missing hours = 1 - (1 - p)(1 - {weight:g} m)", reason.p, ""),
    )


def _snow_steps(case: _Case) -> list[Step]:
    hour = case.hour
    if hour is None:
        return []
    series = case.series
    load_kpa = case.at(hour, case.of_cover(series.snow_load_kpa)) or 0.0
    start = _start_of_snow(case, hour)
    return [
        start,
        *_frozen_rain(case, hour, start.hour_ending),
        *case.weather_steps(hour, ("air_temperature_c", "precipitation_mm", "snowfall_water_mm")),
        Step("depth of snow", case.at(hour, case.of_cover(series.snow_depth_m)), "m", hour),
        Step("water in the pocket", case.at(hour, case.of_cover(series.pocket_mm)), "mm", hour),
        Step("snow and water on the flattest part", load_kpa / KPA_PER_MM, "mm", hour),
        Step("load = 0.00980665 kPa x mm", load_kpa, "kPa", hour),
    ]


def _start_of_snow(case: _Case, hour: datetime) -> Step:
    """What the store of snow was last set to, by a measurement, a broom or the new film, and the first hour after."""
    starts: list[tuple[datetime, Step]] = [
        (case.cover.builds[0].built_at, Step("bare film, wrapped", 0.0, "mm", None, "register"))
    ]
    for visit in case.assessment.log.inspections:
        if visit.cover_id != case.cover.id:
            continue
        by = f"inspection by {visit.inspector}"
        if visit.snow_water_mm is not None:
            starts.append(
                (visit.inspected_at, Step("water in the snow, measured", visit.snow_water_mm, "mm", None, by))
            )
        elif visit.snow_depth_m is not None:
            starts.append((visit.inspected_at, Step("depth of snow, measured", visit.snow_depth_m, "m", None, by)))
    for action in case.assessment.log.actions:
        if action.cover_id == case.cover.id and action.action == "cleared_snow":
            starts.append((action.acted_at, Step("snow cleared", 0.0, "mm", None, f"action by {action.actor}")))
    moment, step = max((start for start in starts if start[0] < hour), key=lambda start: start[0], default=starts[0])
    return Step(step.name, step.value, step.unit, _first_hour_after(moment), step.source)


def _frozen_rain(case: _Case, hour: datetime, start: datetime | None) -> list[Step]:
    """Freezing rain that joined the load from its start up to an hour; nothing where none did."""
    icing = freezing_rain(case.weather)
    rows = slice(0 if start is None else max(case.row(start), 0), case.row(hour) + 1)
    fallen_mm = float(np.nansum(np.where(icing.falls, icing.amount_mm, 0.0)[rows]))
    return [Step("freezing rain since then, in the load as ice until it melts", fallen_mm, "mm", hour)] * (
        fallen_mm > 0
    )


def _pocket_steps(case: _Case) -> list[Step]:
    hour = case.hour
    if hour is None:
        return []
    return [
        *case.weather_steps(hour, ("air_temperature_c", "precipitation_mm", "snowfall_water_mm")),
        Step("snow and water on the flattest part", _load_mm(case, hour), "mm", hour),
        Step("water in the pocket", case.at(hour, case.of_cover(case.series.pocket_mm)), "mm", hour),
    ]


def _load_mm(case: _Case, hour: datetime) -> float:
    return (case.at(hour, case.of_cover(case.series.snow_load_kpa)) or 0.0) / KPA_PER_MM


def _gust_steps(case: _Case) -> list[Step]:
    hour = case.hour
    if hour is None:
        return []
    wind, cover = case.parameters.wind, case.cover
    gust, estimated = filled_gust_ms(case.weather)
    gust_ms = gust[case.row(hour)]
    height_m = case.build(hour).ridge_above_ground_m or wind.default_height_m
    factor = float(speed_factor(height_m, case.assessment.yard.terrain, cover.boat.shelter, wind))
    wind_from_deg = float(column(case.weather, "wind_from_deg")[case.row(hour)])
    weight = float(direction_weight(wind_from_deg, cover.boat.heading_deg, wind.end_area_ratio))
    pressure_pa = float(velocity_pressure_pa(factor * gust_ms))
    taken = "gust at 10 m, estimated from the mean wind" if estimated[case.row(hour)] else "gust at 10 m"
    off_bow = [] if math.isnan(wind_from_deg) else [float(off_bow_deg(wind_from_deg, cover.boat.heading_deg))]
    return [
        *case.weather_steps(hour, ("wind_gust_ms", "wind_speed_ms", "wind_from_deg")),
        Step(taken, gust_ms, "m/s", hour),
        Step("gust at the cover / gust at 10 m", factor, ""),
        Step("gust at the cover", factor * gust_ms, "m/s", hour),
        Step("velocity pressure = 0.613 V^2", pressure_pa, "Pa", hour),
        *(Step("wind off the bow", angle, "deg", hour) for angle in off_bow),
        Step("direction weight", weight, "", hour),
        Step("pressure across the cover", weight * pressure_pa, "Pa", hour),
    ]


def _slack_steps(case: _Case) -> list[Step]:
    since = case.assessment.clocks[case.cover.id or 0].retensioned_at
    work = case.of_cover(case.series.gust_work_kpah)[case.since(since)]
    spacing = belly_band_spacing_m(case.cover.build_at(case.assessment.as_of), case.cover.boat.length_m)
    return [
        Step("hours since the last re-tensioning, or the wrapping", float(len(work)), "h", case.hour),
        Step("gust work in them", float(np.nansum(work)), "kPa h", case.hour),
        Step(
            "belly band spacing / 1.8 m" + (", not recorded" if spacing is None else ""),
            1.0 if spacing is None else spacing / BELLY_BAND_SPACING_M,
            "",
        ),
    ]


def _freeze_thaw_steps(case: _Case) -> list[Step]:
    series, hour = case.series, case.hour
    since = case.assessment.clocks[case.cover.id or 0].inspected_at
    rows = case.since(since)
    cycles = case.of_cover(series.cycles)[rows].sum()
    wet = case.of_cover(series.wet_cycles)[rows].sum()
    last = [] if hour is None else case.weather_steps(hour, ("air_temperature_c",))
    if hour is not None:
        film = case.at(hour, case.of_cover(series.film_temperature_c))
        last.append(Step("film temperature in the hour that completed the last cycle", film, "°C", hour))
    return [
        *last,
        Step("cycles of the film since the last inspection", float(cycles), "cycles", hour),
        Step("of them wet", float(wet), "cycles"),
        *([Step("wet share", float(wet / cycles), "")] if cycles else []),
        *_daily_index_steps(case, since),
    ]


def _daily_index_steps(case: _Case, since: datetime) -> list[Step]:
    """Days that freeze and thaw by the air, out of the whole local days of the window, and those that nobody knows."""
    hours = case.series.hour_ending
    zone = case.assessment.yard.time_zone
    if not len(hours):
        return []
    air = pd.Series(column(case.weather, "air_temperature_c"), index=hours)
    days = daily_extremes(air, zone, case.parameters.freeze_thaw)
    first = pd.Timestamp(since).tz_convert(zone).tz_localize(None).ceil("D")
    end = hours[-1].tz_convert(zone).tz_localize(None).normalize()
    whole = days[(days.index >= first) & (days.index < end)]
    index_days = float(daily_freeze_thaw(whole["min_c"], whole["max_c"]).sum())
    unknown = float(whole["min_c"].isna().sum())
    return [
        Step("public daily index: days that freeze and thaw", index_days, "days"),
        Step("of so many whole local days since the last inspection", float(len(whole)), "days"),
        Step("of them unknown", unknown, "days"),
    ]


def _ice_steps(case: _Case) -> list[Step]:
    """Each hour of freezing rain with its codes, their sum, and what a mast or rail would carry."""
    merged, hours = case.assessment.weather, case.series.hour_ending
    icing = freezing_rain(case.weather)
    rows = range(len(hours))[case.since(case.assessment.clocks[case.cover.id or 0].inspected_at)]
    fell = [row for row in rows if icing.falls[row]]
    steps = []
    for row in fell:
        codes = str(case.weather[PRESENT_WEATHER].iloc[row]) if PRESENT_WEATHER in case.weather else ""
        coded = f", coded {codes}" if "FZ" in codes else ""
        hour = hours[row].to_pydatetime()
        named = [str(merged.sources.at[hours[row], name]) for name in _TELL_ICE if name in merged.sources]
        amount_mm = case.at(hour, icing.amount_mm)
        known = "" if amount_mm is not None else ", amount not known"
        steps.append(Step(f"freezing rain{coded}{known}", amount_mm, "mm", hour, next(filter(None, named), "")))
    amounts_mm = icing.amount_mm[fell]
    round_a_rail = radial_ice_mm(amounts_mm, column(case.weather, "wind_speed_ms")[fell])
    steps.append(Step("ice on the film", float(np.nansum(amounts_mm)), "mm", case.hour))
    if fell:
        steps.append(Step("ice round a mast or rail, for information", float(np.nansum(round_a_rail)), "mm", case.hour))
        left_out = int(np.isnan(round_a_rail).sum())
        steps += [Step("hours left out of it, wind or amount unknown", float(left_out), "h")] * (left_out > 0)
    return steps


_TELL_ICE = ("freezing_rain_mm", PRESENT_WEATHER)


def _damp_steps(case: _Case) -> list[Step]:
    series, hour = case.series, case.hour
    rows = case.since(case.assessment.clocks[case.cover.id or 0].looked_inside_at)
    humidity = case.of_cover(series.inside_rh_pct)[rows]
    known = ~np.isnan(humidity)
    steps = [] if hour is None else _last_damp_hour(case, hour)
    steps += [
        Step("hours since the last look inside or vent change", float(len(humidity)), "h"),
        Step("of them unknown", float((~known).sum()), "h"),
    ]
    if known.any():
        steps.append(Step("mean relative humidity inside", float(humidity[known].mean()), "%"))
    return [
        *steps,
        Step("hours with condensation on the film", float(case.of_cover(series.condensation)[rows].sum()), "h"),
        Step("damp hours", float(case.of_cover(series.damp)[rows].sum()), "h", hour),
    ]


def _last_damp_hour(case: _Case, hour: datetime) -> list[Step]:
    """The balance of the hour: weather, sky and sun, the cover's openings and ground, film and air inside."""
    air, series, build, row = case.parameters.air, case.series, case.build(hour), case.row(hour)
    yard, boat = case.assessment.yard, case.cover.boat
    sky = sky_over(case.weather, yard.latitude_deg, yard.longitude_deg, case.parameters.sky)
    height_m = build.ridge_above_ground_m or case.parameters.wind.default_height_m
    factor = float(vent_wind_factor(height_m, yard.terrain, boat.shelter, case.parameters.wind, air))
    vent_m2 = air.vent_m2 if build.vent_area_m2 is None else build.vent_area_m2
    absorbs, transmits = air.film_sun[build.film_colour]
    reported = case.weather_steps(hour, ("cloud_cover_pct", "solar_wm2"))
    return [
        *case.weather_steps(hour, ("air_temperature_c", "dew_point_c", "relative_humidity_pct", "wind_speed_ms")),
        Step("dew point", case.at(hour, known_dew_point_c(case.weather)), "°C", hour),
        *reported,
        Step(_said("cloud", bool(sky.cloud_estimated[row])), float(sky.cloud_tenths[row]), "tenths", hour),
        Step(_said("sun on level ground", bool(sky.solar_estimated[row])), float(sky.solar_wm2[row]), "W/m2", hour),
        Step("temperature at which the sky radiates", case.at(hour, sky.temperature_c), "°C", hour),
        Step("wind at the vents / wind at 10 m", factor, ""),
        Step(f"share of the sun that the {build.film_colour} film absorbs", absorbs, ""),
        Step("share of the sun that it lets through", transmits, ""),
        Step("vents", float(build.vent_count), ""),
        Step("free area of each" + (", not recorded" if build.vent_area_m2 is None else ""), vent_m2, "m2"),
        Step("free area of all gaps at the band, taken as", air.leak_m2, "m2"),
        Step(
            f"wet share of the ground, recorded as {build.ground.replace('_', ' ')}", air.wet_ground[build.ground], ""
        ),
        Step("snow on the film", case.at(hour, case.of_cover(series.snow_depth_m)), "m", hour),
        Step("film temperature", case.at(hour, case.of_cover(series.film_temperature_c)), "°C", hour),
        Step("temperature inside", case.at(hour, case.of_cover(series.inside_temperature_c)), "°C", hour),
        Step("relative humidity inside", case.at(hour, case.of_cover(series.inside_rh_pct)), "%", hour),
        Step("condensation in the hour (1 yes, 0 no)", case.at(hour, case.of_cover(series.condensation)), "", hour),
    ]


def _said(what: str, estimated: bool) -> str:
    return f"{what}, estimated" if estimated else f"{what}, as reported"


def _first_hour_after(moment: datetime) -> datetime:
    """End of the hour in which a moment lies."""
    return moment.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)


def _plain(step: Step) -> dict[str, Any]:
    plain = asdict(step)
    moment = step.hour_ending
    plain["hour_ending"] = None if moment is None else moment.strftime("%Y-%m-%dT%H:%M:%SZ")
    return plain
