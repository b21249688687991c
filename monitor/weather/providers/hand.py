"""Readings by hand, of a snow stake, a gauge, a gust meter: as kept in a small JSON text, as canonical hours. Pure."""

import json
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta

import pandas as pd

from monitor.errors import StormwalkError
from monitor.units import Dimension, UnreadableError, parse_quantity
from monitor.variables import VARIABLES
from monitor.weather.answers import broken, decoded, member, moment, number
from monitor.weather.table import ParsedHours, hourly_index, no_flags

SERVICE = "hand reading"

READABLE = ("snow_depth_m", "precipitation_mm", "rain_mm", "snowfall_depth_mm", "wind_gust_ms", "air_temperature_c")
"""What people read by hand."""

MOST_HOURS = 72
"""Longest time over which a gauge is left: longer says nothing of a storm. Our own choice."""

_DIMENSION: dict[str, tuple[Dimension, float]] = {
    "m": ("length", 1.0),
    "mm": ("length", 1000.0),
    "m/s": ("speed", 1.0),
    "°C": ("temperature", 1.0),
}
"""By canonical unit: how a person's text is read, and the canonical value of 1 in that dimension's base unit."""


def reading(variable: str, text: str) -> float:
    """A reading such as ``6in`` or ``45 mph`` in the canonical unit. Raises StormwalkError with what is expected."""
    of = VARIABLES[variable]
    dimension, factor = _DIMENSION[of.unit]
    try:
        value = parse_quantity(text, dimension, None) * factor
    except UnreadableError as error:
        raise StormwalkError(f"{of.label}: {error}. Nothing was stored.") from None
    if not of.low <= value <= of.high:
        raise StormwalkError(
            f"{of.label}: {text} would be {value:g} {of.unit}, which is not between {of.low:g} and {of.high:g}. "
            f"Nothing was stored. Read it again."
        )
    return value


def written(at: datetime, by: str, values: Mapping[str, float], over_h: int = 1) -> bytes:
    """A reading as it is kept: who, when (UTC), canonical values, and the hours over which amounts were collected."""
    text = {"at": at.astimezone(UTC).isoformat(), "by": by, "over_h": over_h, "values": dict(values)}
    return json.dumps(text, sort_keys=True).encode()


def parse(body: bytes, *, fetched_at: datetime) -> ParsedHours:
    """Canonical hours of one reading; all are observed.

    What is of the moment, a depth, stands for the last full hour before it was read; a gust and an amount for the hour
    in which it was read. An amount collected over several hours is divided evenly over those up to that one, so that
    its sum is kept.

    Raises ProviderContractError where the text is none that ``written`` gives.
    """
    answer = decoded(SERVICE, body)
    at = moment(SERVICE, "time", answer.get("at") if isinstance(answer, dict) else None)
    over_h = answer.get("over_h", 1)
    if isinstance(over_h, bool) or not isinstance(over_h, int) or not 1 <= over_h <= MOST_HOURS:
        raise broken(SERVICE, f"1 to {MOST_HOURS} hours", f"{over_h!r:.40}")
    cells: dict[str, dict[datetime, float]] = {}
    for name, value in member(SERVICE, answer, "values", dict).items():
        if name not in READABLE:
            raise broken(SERVICE, f"values named {', '.join(READABLE)}", f"{name!r:.40}")
        read = number(SERVICE, name, value)
        begun = at.replace(minute=0, second=0, microsecond=0)
        ending = begun if begun == at else begun + timedelta(hours=1)
        if VARIABLES[name].hour == "sum":
            cells[name] = {ending - timedelta(hours=back): read / over_h for back in range(over_h)}
        else:
            cells[name] = {begun if VARIABLES[name].hour == "instant" else ending: read}
    if not cells:
        raise broken(SERVICE, "at least one value", "none")
    index = hourly_index(sorted({hour for column in cells.values() for hour in column}))
    columns = [name for name in VARIABLES if name in cells]
    hours = pd.DataFrame(
        {name: [cells[name].get(hour, float("nan")) for hour in index.to_pydatetime()] for name in columns},
        index=index,
        dtype="float64",
    )
    return ParsedHours(hours, no_flags(hours), pd.Series("observed", index=index, dtype="str"))
