"""What services that answer hour by hour have in common: full hours, stated units, rain told from snow. Pure."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

import pandas as pd

from monitor.weather.answers import broken
from monitor.weather.table import hourly_index
from monitor.weather.units import conversion, units_of


def full_hours(service: str, times: Sequence[datetime]) -> pd.DatetimeIndex:
    """Times (UTC) in their sequence as the index of a canonical table.

    Raises ProviderContractError where one is within an hour, or stands twice.
    """
    index = hourly_index(times)
    if bool((index != index.floor("h")).any()):
        raise broken(service, "full hours in UTC", f"{index[index != index.floor('h')][0]:%Y-%m-%d %H:%MZ}")
    if index.has_duplicates:
        raise broken(service, "every hour once", f"{index[index.duplicated()][0]:%Y-%m-%d %H:%MZ} twice")
    return index


def in_stated_unit(service: str, name: str, variable: str, values: pd.Series, unit: Any) -> pd.Series:
    """A column of the service, ``name``, in the canonical unit of ``variable``, by the unit that is stated for it.

    Raises ProviderContractError for a unit that ``units.py`` does not know for the variable.
    """
    if not isinstance(unit, str) or unit not in units_of(variable):
        raise broken(service, f"{name} in one of {', '.join(units_of(variable))}", f"{unit!r:.60}")
    return conversion(variable, unit)(values) + 0.0  # never -0


def rain_and_snow(water_mm: pd.Series, rains: pd.Series, snows: pd.Series) -> dict[str, pd.Series]:
    """Water split by what the service says it falls as: ``rain_mm`` and ``snowfall_water_mm``.

    No water is neither. Where the service says neither rain nor snow, or a mixture (both False), both are unknown.
    """
    dry = water_mm == 0
    known = water_mm.notna()
    return {
        "rain_mm": water_mm.where(rains).mask((snows & known) | dry, 0.0),
        "snowfall_water_mm": water_mm.where(snows).mask((rains & known) | dry, 0.0),
    }
