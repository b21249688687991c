"""What an airport's report (METAR) says in its own text. Pure.

The groups are read by the international code and, in the remarks, by the US rules (FMH-1); both from memory, and
checked in the tests against a month that the archive's own program has decoded.
"""

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from monitor.weather.units import conversion

CLOUD_PCT = {"CLR": 0.0, "SKC": 0.0, "NCD": 0.0, "FEW": 25.0, "SCT": 44.0, "BKN": 75.0, "OVC": 100.0, "VV": 100.0}
"""Sky cover of a layer; eighths as METAR classes them: FEW 1-2, SCT 3-4, BKN 5-7, OVC 8."""

FREEZING_RAIN = re.compile(r"FZ(?:\w\w)*?(?:RA|DZ)")
"""Freezing rain or drizzle among weather codes; freezing fog (FZFG) is neither."""

FALLING_ICE = re.compile(r"(?<!BL)(?<!DR)(?:SN|PL)")
"""Snow or ice pellets among weather codes; not what the wind lifts from the ground."""

_UNIT = {"KT": "kt", "MPS": "m/s", "KMH": "km/h"}

_TIME = re.compile(r"(?<!\S)\d{6}Z(?!\S)")
_TREND = re.compile(r"\s(?:BECMG|TEMPO|NOSIG|INTER)(?!\S)")
_WIND = re.compile(r"(?<!\S)(\d{3}|VRB|///)P?(\d{2,3})(?:GP?(\d{2,3}))?(KT|MPS|KMH)(?!\S)")
_WEATHER = re.compile(
    r"(?:[-+]|VC)?(?:MI|PR|BC|DR|BL|SH|TS|FZ)*(?:DZ|RA|SN|SG|IC|PL|GR|GS|UP|BR|FG|FU|VA|DU|SA|HZ|PY|PO|SQ|FC|SS|DS)+"
    r"|(?:[-+]|VC)?(?:TS|SH)"
)
_NO_WEATHER_GROUP = re.compile(r"(?<!\S)//(?!\S)")  # an automatic station's missing present weather
_CLOUD = re.compile(r"(?<!\S)(?:(CLR|SKC|NCD)|(FEW|SCT|BKN|OVC|VV)(?:\d{3}|///)(?:CB|TCU|///)?)(?!\S)")
_WHOLE_DEGREES = re.compile(r"(?<!\S)(M?\d{2})/(M?\d{2})?(?:(?=//|XX)..)?(?!\S)")

_TENTHS_OF_DEGREES = re.compile(r"(?<!\S)T([01])(\d{3})(?:([01])(\d{3}))?(?!\S)")
_PEAK_WIND = re.compile(r"(?<!\S)PK WND (?:\d{3}|///|VRB)P?(\d{2,3})/(\d{2})?(\d{2})(?!\S)")
_PRECIPITATION = re.compile(r"(?<!\S)P(\d{4})(?!\S)")  # hundredths of an inch since the last routine report
_ICE = re.compile(r"(?<!\S)I1(\d{3})(?!\S)")  # hundredths of an inch in the last hour
_SNOW_DEPTH = re.compile(r"(?<!\S)4/(\d{3})(?!\S)")  # whole inches on the ground
_SEA_LEVEL_PRESSURE = re.compile(r"(?<!\S)SLP(?:\d{3}|NO)(?!\S)")
_GAUGE_OUT = re.compile(r"(?<!\S)(?:PNO|6////)(?!\S)")
_NO_WEATHER_SENSOR = re.compile(r"(?<!\S)(?:PWINO|AO1A?)(?!\S)")
_NO_ICE_SENSOR = re.compile(r"(?<!\S)FZRANO(?!\S)")
_TELLS_RAIN_FROM_SNOW = re.compile(r"(?<!\S)AO2A?(?!\S)")
_CORRECTED = re.compile(r"(?<!\S)COR(?!\S)")
_FALLING = re.compile(r"(?<!BL)(?<!DR)(?<!VC)(?:DZ|RA|SN|SG|PL|GR|GS|UP)")
_FELL_BETWEEN = re.compile(r"(?:DZ|RA|SN|SG|PL|GR|GS|UP)[BE]\d{2}")  # began or ended at a minute


@dataclass(frozen=True)
class Metar:
    """One report; NaN where the text does not say, ``weather`` is empty where it codes none.

    Attributes
    ----------
    wind_speed_ms, wind_gust_ms, wind_from_deg : float
        Calm and variable wind have no direction. A text with a wind and no gust says that there was none to report.
    peak_wind_ms : float
        Highest wind since the last routine report, where above the threshold of reporting; blew at ``peak_wind_at``.
    precipitation_mm : float
        Since the last routine report; 0 is a trace, ``nothing_fell`` says whether none at all can be taken for certain.
    ice_mm : float
        Ice on the sensor, in the last hour.
    is_routine : bool
        Has a sea-level pressure, which US specials lack.
    sees_weather, sees_freezing_rain : bool
        Whether the station would have told.
    """

    wind_speed_ms: float
    wind_gust_ms: float
    wind_from_deg: float
    peak_wind_ms: float
    peak_wind_at: datetime | None
    air_temperature_c: float
    dew_point_c: float
    precipitation_mm: float
    nothing_fell: bool
    ice_mm: float
    snow_depth_m: float
    cloud_cover_pct: float
    weather: str
    is_routine: bool
    is_corrected: bool
    gauge_is_out: bool
    sees_weather: bool
    sees_freezing_rain: bool


def decode(text: str, at: datetime) -> Metar:
    """Read the text of a report made at ``at`` (UTC). What cannot be read counts as not said; nothing is refused."""
    whole, _, remarks = text.partition(" RMK ")
    report = _TREND.split(_TIME.split(whole, maxsplit=1)[-1], maxsplit=1)[0]
    speed_ms, gust_ms, from_deg = _wind(report)
    peak_ms, peak_at = _peak_wind(remarks, at)
    air_c, dew_c = _temperatures(report, remarks)
    codes = [token for token in report.split() if _WEATHER.fullmatch(token)]
    gauge_is_out = _GAUGE_OUT.search(remarks) is not None
    amount_in = _hundredths(_PRECIPITATION, remarks)
    sees_weather = bool(text.strip()) and not (_NO_WEATHER_SENSOR.search(remarks) or _NO_WEATHER_GROUP.search(report))
    return Metar(
        wind_speed_ms=speed_ms,
        wind_gust_ms=gust_ms,
        wind_from_deg=from_deg,
        peak_wind_ms=peak_ms,
        peak_wind_at=peak_at,
        air_temperature_c=air_c,
        dew_point_c=dew_c,
        precipitation_mm=conversion("precipitation_mm", "inch")(amount_in),
        nothing_fell=(
            math.isnan(amount_in)
            and _TELLS_RAIN_FROM_SNOW.search(remarks) is not None
            and sees_weather
            and not gauge_is_out
            and not any(_FALLING.search(code) for code in codes)
            and _FELL_BETWEEN.search(remarks) is None
        ),
        ice_mm=conversion("freezing_rain_mm", "inch")(_hundredths(_ICE, remarks)),
        snow_depth_m=conversion("snow_depth_m", "inch")(_first_number(_SNOW_DEPTH, remarks)),
        cloud_cover_pct=cloud_cover_pct(clear or layer for clear, layer in _CLOUD.findall(report)),
        weather=" ".join(codes),
        is_routine=_SEA_LEVEL_PRESSURE.search(remarks) is not None,
        is_corrected=_CORRECTED.search(text) is not None,
        gauge_is_out=gauge_is_out,
        sees_weather=sees_weather,
        sees_freezing_rain=sees_weather and _NO_ICE_SENSOR.search(remarks) is None,
    )


def cloud_cover_pct(layers: Iterable[str]) -> float:
    """The densest layer's share of the sky; NaN where no layer is coded. [%]"""
    return max((CLOUD_PCT[layer] for layer in layers if layer in CLOUD_PCT), default=math.nan)


def _wind(report: str) -> tuple[float, float, float]:
    found = _WIND.search(report)
    if found is None:
        return math.nan, math.nan, math.nan
    direction, speed, gust, unit = found.groups()
    to_ms = conversion("wind_speed_ms", _UNIT[unit])
    has_direction = direction.isdigit() and float(speed) > 0
    return to_ms(float(speed)), to_ms(float(gust or "nan")), float(direction) if has_direction else math.nan


def _peak_wind(remarks: str, at: datetime) -> tuple[float, datetime | None]:
    found = _PEAK_WIND.search(remarks)
    if found is None or int(found[3]) > 59 or int(found[2] or 0) > 23:
        return math.nan, None
    same_hour = at.replace(minute=int(found[3]), second=0, microsecond=0)
    blew_at = same_hour if found[2] is None else same_hour.replace(hour=int(found[2]))
    if blew_at > at:
        blew_at -= timedelta(hours=1) if found[2] is None else timedelta(days=1)
    return conversion("wind_gust_ms", "kt")(float(found[1])), blew_at


def _temperatures(report: str, remarks: str) -> tuple[float, float]:
    """Air and dew point: the tenths of the remarks, else the whole degrees of the report. [°C]"""
    if tenths := _TENTHS_OF_DEGREES.search(remarks):
        air_sign, air, dew_sign, dew = tenths.groups()
        return _signed(air_sign == "1", air) / 10, _signed(dew_sign == "1", dew or "nan") / 10
    if whole := _WHOLE_DEGREES.search(report):
        air, dew = whole[1], whole[2] or "nan"
        return _signed(air[0] == "M", air.lstrip("M")), _signed(dew[0] == "M", dew.lstrip("M"))
    return math.nan, math.nan


def _signed(is_minus: bool, digits: str) -> float:
    return -float(digits) + 0.0 if is_minus else float(digits)


def _first_number(pattern: re.Pattern[str], text: str) -> float:
    found = pattern.search(text)
    return float(found[1]) if found else math.nan


def _hundredths(pattern: re.Pattern[str], text: str) -> float:
    return _first_number(pattern, text) / 100
