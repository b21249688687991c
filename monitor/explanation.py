"""Every number behind one cover's score, with hour, source, formula and reference. Pure: an assessment in, rows out."""

import math
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import pandas as pd

from monitor.assessment import YardAssessment
from monitor.hazards.exposure import HazardParameters
from monitor.hazards.wind import direction_weight, off_bow_deg, speed_factor, velocity_pressure_pa
from monitor.ranking import RankedCover, Reason
from monitor.register import BELLY_BAND_SPACING_M, Cover, belly_band_spacing_m, flattest_slope_deg, panel_slopes_deg
from monitor.variables import VARIABLES

METHODS: dict[str, tuple[tuple[str, str], ...]] = {
    "snow": (
        ("phase of precipitation: logistic in temperature and humidity", "Jennings et al. 2018, Nature Comm. 9:1148"),
        ("share kept by a slippery, unheated slope", "ASCE/SEI 7-16, section 7.4"),
        ("melt by degree hours, heat of rain, refreezing, retention", "SNOW-17 and HBV type; factors are our choice"),
        ("sliding 0.197 sin(slope) in an hour", "Marion et al. 2013, Solar Energy 97:112"),
        ("load = 0.00980665 kPa per mm of water", "weight of water at standard gravity"),
    ),
    "pocket": (("pocket between straps, filled by rain and melt water", "our own heuristic, no source"),),
    "gust": (
        ("gust at the cover = gust at 10 m x shelter x (height / 10 m)^exponent", "exponent after EN 1991-1-4"),
        ("velocity pressure = 0.613 V^2", "ASCE 7-16, section 26.10"),
        ("direction weight sin^2 + (0.3 cos)^2", "projected areas, our own argument"),
    ),
    "slack": (("gust work = sum of (pressure - 30 Pa) above 0, in kPa h", "our own heuristic, no source"),),
    "freeze_thaw": (("a cycle is down to -1 and back up to +1 degC, on air temperature", "our own choice of limits"),),
    "ice": (("freezing rain from present-weather codes", "METAR codes"),),
    "damp": (("hours at 80 % relative humidity or more above freezing", "after Ojanen & Viitanen"),),
    "unseen": (("days between the last inspection and the ranking", "the yard's log"),),
    "open_finding": (("p by the worst open severity", "our own judgement"),),
}
"""How each hazard is worked out, and after whom."""


@dataclass(frozen=True)
class Step:
    """One number on the way to a hazard's exposure."""

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
        steps={reason.hazard: _steps(reason, assessment, cover, parameters) for reason in line.reasons},
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
    )


def _steps(reason: Reason, assessment: YardAssessment, cover: Cover, parameters: HazardParameters) -> tuple[Step, ...]:
    curve = assessment.parameters.curves.get(reason.hazard)
    first: list[Step] = []
    if reason.hazard in ("snow", "pocket"):
        first = _snow_steps(reason, assessment, cover)
    elif reason.hazard == "gust":
        first = _gust_steps(reason, assessment, cover, parameters)
    elif reason.hazard == "slack" and reason.value is not None:
        spacing = belly_band_spacing_m(cover.build_at(assessment.as_of), cover.boat.length_m) or BELLY_BAND_SPACING_M
        first = [
            Step("gust work", reason.value * BELLY_BAND_SPACING_M / spacing, "kPa h", reason.hour_ending),
            Step("belly band spacing / 1.8 m", spacing / BELLY_BAND_SPACING_M, ""),
        ]
    elif reason.hazard == "freeze_thaw":
        first = _weather_steps(reason, assessment, ("air_temperature_c",))
    if curve is None:
        return (*first, Step(f"p of severity {reason.value:.0f}", reason.p, ""))
    value = 0.0 if reason.value is None else reason.value
    return (
        *first,
        Step("steepness k = ln 9 / ln(x50 / x10)", curve.steepness, ""),
        Step("p = 1 / (1 + (x50 / x)^k)", 0.0 if value <= 0 else 1 / (1 + (curve.x50 / value) ** curve.steepness), ""),
        Step("p with the missing hours", reason.p, ""),
    )


def _snow_steps(reason: Reason, assessment: YardAssessment, cover: Cover) -> list[Step]:
    series = assessment.series
    if series is None or reason.hour_ending is None or cover.id is None:
        return []
    row = series.hour_ending.get_loc(pd.Timestamp(reason.hour_ending))
    column = series.cover_ids.index(cover.id)
    hour = reason.hour_ending
    return [
        *_weather_steps(reason, assessment, ("air_temperature_c", "precipitation_mm", "snowfall_water_mm")),
        Step("snow and water on the flattest part", float(series.snow_load_kpa[row, column]) / 0.00980665, "mm", hour),
        Step("depth of snow", float(series.snow_depth_m[row, column]), "m", hour),
        Step("water in the pocket", float(series.pocket_mm[row, column]), "mm", hour),
    ]


def _gust_steps(reason: Reason, assessment: YardAssessment, cover: Cover, parameters: HazardParameters) -> list[Step]:
    if reason.hour_ending is None:
        return []
    weather = _weather_steps(reason, assessment, ("wind_gust_ms", "wind_speed_ms", "wind_from_deg"))
    build = cover.build_at(reason.hour_ending)
    height = build.ridge_above_ground_m or parameters.wind.default_height_m
    factor = float(speed_factor(height, assessment.yard.terrain, cover.boat.shelter, parameters.wind))
    wind_from = next((s.value for s in weather if s.name == "wind_from_deg" and s.value is not None), math.nan)
    weight = float(direction_weight(wind_from, cover.boat.heading_deg, parameters.wind.end_area_ratio))
    steps = [*weather, Step("gust at the cover / gust at 10 m", factor, "")]
    if reason.value is not None and weight > 0:
        pressure = reason.value / weight
        speed = math.sqrt(pressure / float(velocity_pressure_pa(1.0)))
        steps += [
            Step("gust at the cover", speed, "m/s", reason.hour_ending),
            Step("velocity pressure", pressure, "Pa", reason.hour_ending),
        ]
    if not math.isnan(wind_from):
        steps.append(Step("wind off the bow", float(off_bow_deg(wind_from, cover.boat.heading_deg)), "deg"))
    return [*steps, Step("direction weight", weight, "")]


def _weather_steps(reason: Reason, assessment: YardAssessment, variables: tuple[str, ...]) -> list[Step]:
    if reason.hour_ending is None:
        return []
    hour = pd.Timestamp(reason.hour_ending)
    steps = []
    for name in variables:
        if name not in assessment.weather.values or hour not in assessment.weather.values.index:
            continue
        value = float(assessment.weather.values.at[hour, name])  # type: ignore[arg-type]
        source = str(assessment.weather.sources.at[hour, name])
        if source:
            known = None if math.isnan(value) else value
            steps.append(Step(name, known, VARIABLES[name].unit, reason.hour_ending, source))
    return steps


def _plain(step: Step) -> dict[str, Any]:
    plain = asdict(step)
    moment = step.hour_ending
    plain["hour_ending"] = None if moment is None else moment.strftime("%Y-%m-%dT%H:%M:%SZ")
    return plain
