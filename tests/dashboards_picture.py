"""An invented yard at one moment, for tests of pages: gaps, a repeated hour, awkward names, storms, a log."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pandas as pd

from monitor.assessment import ForecastReach, SourceStatus, YardAssessment
from monitor.clocks import Log, clocks, open_findings
from monitor.hazards.exposure import exposures
from monitor.hazards.series import HazardParameters, cover_series, yard_weather
from monitor.inspections import Action, Finding, Inspection
from monitor.ranking import OpenFinding, RankingParameters, rank_covers
from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.storms import StormParameters, find_storms
from monitor.weather.table import Merged, SourceSeries, hourly_index, merge_by_priority, no_flags

FIRST = datetime(2025, 10, 20, 1, tzinfo=UTC)
"""Clocks in New York go back on 2 November 2025: 05:00Z is 01:00 EDT, 06:00Z is 01:00 EST."""
HOURS = 744
AS_OF = FIRST + timedelta(hours=HOURS - 1, minutes=30)
WRAPPED = datetime(2025, 10, 21, 14, tzinfo=UTC)

UNKNOWN_HOURS = slice(300, 330)
"""Nothing observed; the forecast knows temperature and mean wind of the last ten of them."""
FORECAST_HOURS = slice(320, 340)
NO_DIRECTION_HOUR = 500
LONE_GUST_HOUR = 450
TOO_COLD_HOUR = 520
"""A temperature that cannot be: set aside and flagged; nobody else knows the hour."""
FREEZING_RAIN = slice(690, 694)
"""1.5 mm of water in each hour at -1 degC, coded as freezing rain."""

NASTY_NAME = "Gull & <script>alert(\"ho\")</script> 'Tern'"
NASTY_NOTE = '</script><img src=x onerror="alert(1)"> 3 < 5 & "so"'
CREDIT = "Weather data by Example Service (https://weather.example/credit)"


def make_assessment(
    units: str = "us",
    *,
    weather: bool = True,
    positions: bool = True,
    codes: bool = True,
    left_out: tuple[str, ...] = (),
    ahead_h: int = 0,
) -> YardAssessment:
    """The yard; ``units`` us or metric, with or without any weather, its codes, or positions of the boats.

    Hazards ``left_out`` are not assessed, whatever the weather would allow. With ``ahead_h`` it looks ahead on the
    forecast, which blows at 15 m/s in gusts of 22 m/s in its first six hours.
    """
    yard = Yard(
        key="tarn",
        name='Tarn Slip & "Sons"',
        latitude_deg=41.2,
        longitude_deg=-71.2,
        elevation_m=3.0,
        time_zone="America/New_York",
        display_units=units,
    )
    covers = _covers(positions)
    log = _log()
    merged = _merged(codes, ahead_h) if weather else merge_by_priority([], [])
    return assessment_of(yard, covers, log, merged, left_out, ahead_h)


def assessment_of(
    yard: Yard,
    covers: tuple[Cover, ...],
    log: Log,
    merged: Merged,
    left_out: tuple[str, ...] = (),
    ahead_h: int = 0,
) -> YardAssessment:
    """Everything worked out from register, log and weather as the program does it."""
    parameters = HazardParameters()
    until = AS_OF + timedelta(hours=ahead_h)
    hours = yard_weather(merged, yard, FIRST - timedelta(hours=1), until, parameters)
    revented = {cover.id: cover.builds[-1].built_at for cover in covers if len(cover.builds) > 1}
    since = clocks({cover.id: WRAPPED for cover in covers}, revented, log)
    series = cover_series(hours, yard, covers, log.actions, log.inspections, parameters)
    measured = []
    if len(merged.values):
        measured = exposures(hours, series, covers, since, log.inspections, until, yard.display_units)
    measured = [exposure for exposure in measured if exposure.hazard not in left_out]
    entries = open_findings(log, {cover.id: cover.boat.number for cover in covers})
    worst = {
        cover.id: OpenFinding(
            entries[cover.boat.number][0].finding.severity,
            entries[cover.boat.number][0].seen_at,
            entries[cover.boat.number][0].finding.defect.replace("_", " "),
            "inspection log",
        )
        for cover in covers
        if cover.boat.number in entries
    }
    ranking = RankingParameters()
    age_h = 0.5 if len(merged.values) else None
    ids = [cover.id for cover in covers]
    ranked = rank_covers([cover.boat.number for cover in covers], ids, measured, worst, age_h, ranking)
    storms = find_storms(
        merged.values.reindex(hours.hour_ending),
        hours.snow,
        (series.snow_load_kpa > 0).any(axis=1),
        (series.pocket_mm > 0).any(axis=1),
        hours.air_cycles,
        StormParameters(),
    )
    return YardAssessment(
        yard=yard,
        as_of=AS_OF,
        version="0.0.test",
        covers=covers,
        ranked=tuple(replace(line, reasons=()) if line.boat == "bare" else line for line in ranked),
        exposures=tuple(measured),
        clocks=since,
        open_findings=entries,
        log=log,
        weather=merged,
        storms=tuple(storms),
        sources=_sources() if len(merged.values) else (),
        parameters=ranking,
        not_assessed=tuple(name for name in ranking.curves if name not in {each.hazard for each in measured}),
        data_age_h=age_h,
        ahead_h=ahead_h,
        forecast=ForecastReach(until.replace(minute=0), AS_OF - timedelta(hours=1), ("nws-grid",)) if ahead_h else None,
        series=series,
    )


def many_covers(count: int) -> tuple[Cover, ...]:
    """So many plain covers in rows of twenty."""
    return tuple(
        _cover(
            i,
            str(i),
            f"Boat number {i} of the Long Row",
            "ABCDEFGHIJKLMNOPQRSTUVWXYZ"[(i - 1) // 20 % 26],
            (i - 1) % 20 + 1,
            (i - 1) % 20 * 5.0,
            (i - 1) // 20 * 12.0,
            slope_deg=5.0 + i % 30,
        )
        for i in range(1, count + 1)
    )


def _covers(positions: bool) -> tuple[Cover, ...]:
    covers = (
        _cover(1, "7", NASTY_NAME, "A", 1, 0.0, 0.0, slope_deg=8.0),
        _cover(2, "12", "Plain Sailing", "A", 2, 6.0, 0.0, slope_deg=20.0),
        _cover(3, "A/1", "Slash", "A", 3, 12.0, 0.0, slope_deg=35.0, rebuilt=True),
        _cover(4, "a-1", "Hyphen", "B", 1, 0.0, 15.0, slope_deg=50.0),
        _cover(5, "Ørsted 3", "Nowhere", "B", 2, None, None, slope_deg=15.0),
        _cover(6, "bare", "No Reasons", "B", 3, 12.0, 15.0, slope_deg=60.0),
    )
    if positions:
        return covers
    return tuple(replace(cover, boat=replace(cover.boat, x_m=None, y_m=None)) for cover in covers)


def _cover(
    cover_id: int,
    number: str,
    name: str,
    row: str,
    place: int,
    x_m: float | None,
    y_m: float | None,
    slope_deg: float,
    rebuilt: bool = False,
) -> Cover:
    boat = Boat(
        number=number,
        name=name,
        boat_type="sail",
        length_m=9.8,
        beam_m=3.2,
        support="stands",
        row=row,
        place=place,
        heading_deg=45.0 * cover_id % 360,
        shelter="exposed",
        x_m=x_m,
        y_m=y_m,
    )
    first = CoverBuild(
        built_at=WRAPPED,
        ridge_rise_m=1.2,
        ridge_above_ground_m=4.0,
        flattest_slope_deg=slope_deg,
        belly_band_count=4,
        vent_count=2,
        vent_area_m2=0.006,
        film_thickness_mm=0.18,
    )
    builds = (first, replace(first, built_at=WRAPPED + timedelta(days=9), vent_count=4)) if rebuilt else (first,)
    return Cover(boat=boat, wrapped_on=date(2025, 10, 21), builds=builds, id=cover_id)


def _log() -> Log:
    def moment(day: int, hour: int) -> datetime:
        return datetime(2025, 11, day, hour, tzinfo=UTC)

    return Log(
        inspections=(
            Inspection("i1", 1, moment(4, 14), moment(4, 14), "Una Bell", True, NASTY_NOTE, snow_depth_m=0.05),
            Inspection("i2", 1, moment(12, 15), moment(12, 15), "Jo <b>Ash</b>", False),
            Inspection("i3", 2, moment(12, 16), moment(12, 16), "Una Bell", False, "snow brushed off"),
        ),
        findings=(
            Finding("f1", "i2", "port", "loose_belly_band", 2, moment(12, 15), NASTY_NOTE),
            Finding("f2", "i2", "stands", "tied_to_stand", 3, moment(12, 15), "strap round the after stand"),
        ),
        actions=(
            Action("a1", 1, moment(4, 15), moment(4, 15), "Una Bell", "cleared_snow"),
            Action("a2", 2, moment(12, 17), moment(12, 17), "Una Bell", "vents_added", quantity=2),
        ),
    )


def _sources() -> tuple[SourceStatus, ...]:
    newest = AS_OF.replace(minute=0)
    return (
        SourceStatus("metar-archive", newest, AS_OF, 0.5, "", "Airport reports from an archive of <METAR>"),
        SourceStatus("nws-grid", newest, AS_OF, 0.5, "503 twice, then a good answer", CREDIT),
    )


def _merged(codes: bool, ahead_h: int = 0) -> Merged:
    """Two sources: the airport with gaps, the forecast under it without gust; hour by hour made of sines and steps."""
    index = hourly_index(pd.date_range(FIRST, periods=HOURS, freq="h"))
    hour = np.arange(HOURS)
    temperature = 2.0 + 6.0 * np.sin(2 * np.pi * (hour - 9) / 24) - 4.0 * (hour > 360)
    wind = 4.0 + 2.0 * np.sin(hour / 17.0)
    gust = np.full(HOURS, np.nan)
    direction = (40.0 + hour) % 360
    water = np.zeros(HOURS)
    blow = slice(400, 430)
    wind[blow], gust[blow], direction[blow] = 14.0, 21.5, 45.0
    gust[LONE_GUST_HOUR] = 12.0
    snows = slice(404, 424)
    temperature[snows], water[snows] = -2.0, 1.4
    wind[560:600], gust[560:600] = 11.0, 16.0
    water[600:620], temperature[600:620] = 0.8, 5.0
    direction[NO_DIRECTION_HOUR] = np.nan
    temperature[FREEZING_RAIN], water[FREEZING_RAIN] = -1.0, 1.5
    temperature[TOO_COLD_HOUR] = -99.0
    hours = pd.DataFrame(
        {
            "air_temperature_c": temperature,
            "relative_humidity_pct": np.full(HOURS, 90.0),
            "wind_speed_ms": wind,
            "wind_gust_ms": gust,
            "wind_from_deg": direction,
            "precipitation_mm": water,
        },
        index=index,
    )
    if codes:
        weather = pd.Series("", index=index, dtype="str")
        weather.iloc[FREEZING_RAIN] = "-FZRA BR"
        hours["present_weather"] = weather
    flags = no_flags(hours)
    flags.iloc[TOO_COLD_HOUR, flags.columns.get_loc("air_temperature_c")] = "range"
    flags.loc[np.isnan(gust), "wind_gust_ms"] = "none_reported"
    hours.iloc[UNKNOWN_HOURS] = np.nan
    flags.iloc[UNKNOWN_HOURS] = ""
    forecast = pd.DataFrame({"air_temperature_c": 3.0, "wind_speed_ms": 5.0}, index=index[FORECAST_HOURS])
    if ahead_h:
        coming = pd.date_range(FIRST + timedelta(hours=HOURS), periods=ahead_h, freq="h")
        blows = np.arange(ahead_h) < 6
        ahead = {
            "air_temperature_c": 1.0,
            "relative_humidity_pct": 80.0,
            "wind_speed_ms": np.where(blows, 15.0, 5.0),
            "wind_gust_ms": np.where(blows, 22.0, np.nan),
            "wind_from_deg": 90.0,
            "precipitation_mm": 0.0,
        }
        forecast = pd.concat([forecast, pd.DataFrame(ahead, index=coming)])
        forecast.index = hourly_index(forecast.index)
    return merge_by_priority(
        [
            SourceSeries("metar-archive", "observed", hours, flags),
            SourceSeries("nws-grid", "forecast", forecast, no_flags(forecast)),
        ],
        ["metar-archive", "nws-grid"],
    )
