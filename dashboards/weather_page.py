"""What stands on the weather page: sources and terms, coverage, hours by source, gaps and flags of the season."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from dashboards.figures import time_panels
from monitor.assessment import YardAssessment
from monitor.presentation.panels import BLUE, GREEN, GREY, ORANGE, SKY, VERMILLION, Notes, Panel, Series
from monitor.presentation.rows import source_rows
from monitor.presentation.season import Days, Flags, Season, day_text, local_days
from monitor.variables import PRESENT_WEATHER, VARIABLES
from monitor.weather.providers import PROVIDERS
from monitor.weather.table import NONE_REPORTED
from monitor.wording import local_text, source_text

GAPS_SHOWN = 60
"""Longest gaps that are listed; the others are counted."""

QUANTITIES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Air temperature", ("air_temperature_c",)),
    ("Humidity", ("dew_point_c", "relative_humidity_pct")),
    ("Snow and rain", ("precipitation_mm", "snowfall_water_mm")),
    ("Mean wind", ("wind_speed_ms",)),
    ("Gust", ("wind_gust_ms",)),
    ("Weather codes", (PRESENT_WEATHER,)),
)
"""What the charts and gaps tell apart, each by the variables of which one is enough."""

FLAGS = {
    "range": "outside what can be",
    "step": "jumps as weather does not",
    "stuck": "the same for too long",
    "contradiction": "at odds with the other values of its hour",
    "phantom": "precipitation in cold, dry, clear air",
    "gauge_out": "the gauge was out of order",
    "qc_failed": "marked by the service itself",
}
"""Flags of values that are kept and not used, in words."""

_COLOURS = (BLUE, ORANGE, GREEN, SKY, VERMILLION)
_DAY_H = 26.0


def weather_content(assessment: YardAssessment, season: Season) -> dict[str, Any]:
    """Content of the weather page, besides what every page has."""
    content: dict[str, Any] = {
        "source_list": _sources(assessment, season),
        "coverage": _coverage(assessment, season),
        "never_told": _never_told(season),
        "hours": season.hours,
        "forecast": season.forecast_text(),
        "first": "",
        "last": "",
        "by_source": None,
        "gaps": [],
        "gaps_left": 0,
        "flags": _flags(assessment, season),
    }
    if season.hours:
        zone = season.zone
        gaps = _gaps(season)
        days = local_days(season.hour_ending, zone)
        quantities = _quantities(assessment, season)
        content |= {
            "first": local_text(season.hour_ending[0].to_pydatetime(), zone, year=True),
            "last": local_text(season.hour_ending[-1].to_pydatetime(), zone, year=True),
            "by_source": None
            if not quantities
            else {
                "figure": time_panels(
                    days.dates,
                    _panels(quantities, days),
                    f"day, clock of {zone}",
                    storms=season.storm_bands(named=False),
                    step_h=24,
                    forecast_from=season.forecast_begin(),
                ),
                "table": _table(quantities, days),
            },
            "gaps": [gap.row(zone) for gap in gaps[:GAPS_SHOWN]],
            "gaps_left": max(len(gaps) - GAPS_SHOWN, 0),
        }
    return content


@dataclass(frozen=True)
class _Quantity:
    """Who told of a quantity in each hour: key of the series, ``none_reported``, or empty; shape (H,)."""

    label: str
    teller: NDArray[np.object_]

    @property
    def missing(self) -> Flags:
        missing: Flags = self.teller == ""
        return missing

    def by_teller(self) -> list[str]:
        """Who told of any hour, most hours first, ``none_reported`` last."""
        count = Counter(name for name in self.teller.tolist() if name)
        return sorted(count, key=lambda name: (name == NONE_REPORTED, -count[name], name))


@dataclass(frozen=True)
class _Gap:
    """Hours one after the other of which nobody knows the quantities."""

    start: pd.Timestamp
    end: pd.Timestamp
    hours: int
    what: tuple[str, ...]

    def row(self, zone: str) -> tuple[str, str, str, str]:
        return (
            ", ".join(self.what),
            f"{self.hours}",
            local_text(self.start.to_pydatetime(), zone, year=True),
            local_text(self.end.to_pydatetime(), zone, year=True),
        )


def _quantities(assessment: YardAssessment, season: Season) -> list[_Quantity]:
    """Quantities that any source told of in any hour."""
    found = []
    for label, variables in QUANTITIES:
        teller = np.array(season.source_of(variables), dtype=object)
        if variables[0] in assessment.weather.flags:
            none = assessment.weather.none_reported(variables[0]).reindex(season.hour_ending, fill_value=False)
            teller[none.to_numpy(dtype=bool)] = NONE_REPORTED
        if (teller != "").any():
            found.append(_Quantity(label, teller))
    return found


def _panels(quantities: Sequence[_Quantity], days: Days) -> list[Panel]:
    """Hours of each day by who told of them: one colour a series in all panels, hatched what was not observed."""
    order = Counter(name for each in quantities for name in each.teller.tolist() if name not in ("", NONE_REPORTED))
    keys = sorted(order, key=lambda name: (-order[name], name))
    colour = {key: _COLOURS[place % len(_COLOURS)] for place, key in enumerate(keys)} | {NONE_REPORTED: GREY}
    panels = []
    for quantity in quantities:
        missing = days.count(quantity.missing)
        counts = zip(missing.tolist(), days.hours.tolist(), strict=True)
        said = Notes.of([f", {missed} of {hours} h missing" if missed else "" for missed, hours in counts])
        panels.append(
            Panel(
                title=f"{quantity.label}, hours of the day",
                unit="h",
                decimals=0,
                series=tuple(
                    Series(
                        _teller_text(name),
                        days.count(quantity.teller == name).astype(np.float64),
                        "bars" if name.endswith(":observed") else "hatched",
                        colour[name],
                        said,
                    )
                    for name in quantity.by_teller()
                ),
                missing=missing > 0,
                top=_DAY_H,
            )
        )
    return panels


def _table(quantities: Sequence[_Quantity], days: Days) -> tuple[list[str], list[list[str]]]:
    """Who told of how many hours of each day, newest first."""
    cells: list[list[str]] = [[] for _ in days.dates]
    for quantity in quantities:
        counts = {_teller_text(name): days.count(quantity.teller == name) for name in quantity.by_teller()}
        counts["missing"] = days.count(quantity.missing)
        for day, row in enumerate(cells):
            row.append("; ".join(f"{count[day]} {name}" for name, count in counts.items() if count[day]))
    head = ["day", *(quantity.label.lower() for quantity in quantities), "hours of the day"]
    rows = zip(days.dates, cells, days.hours.tolist(), strict=True)
    return head, [[day_text(date), *row, f"{hours}"] for date, row, hours in rows][::-1]


def _sources(assessment: YardAssessment, season: Season) -> list[dict[str, object]]:
    """Each source with the hours it counts in, its credit and its terms."""
    used = season.sources.to_numpy(dtype=object)
    rows = []
    for status, row in zip(assessment.sources, source_rows(assessment.sources, season.zone), strict=True):
        told = np.zeros(used.shape, dtype=bool)
        for kind in ("observed", "analysis", "forecast"):
            told |= used == f"{status.source}:{kind}"
        provider = PROVIDERS.get(status.source)
        rows.append(
            {
                **row,
                "counts_in": f"{int(told.any(axis=1).sum())} of {season.hours} h",
                "terms": "" if provider is None else provider.terms,
            }
        )
    return rows


def _coverage(assessment: YardAssessment, season: Season) -> list[tuple[str, str, str, str, str]]:
    """By variable: how many hours are known, in how many none was reported, how many are missing, and who told."""
    rows = []
    for name in map(str, season.sources.columns):
        source = season.sources[name]
        if (source == "").all():
            continue
        none = np.zeros(season.hours, dtype=bool)
        if name in assessment.weather.flags:
            none = assessment.weather.none_reported(name).reindex(season.hour_ending, fill_value=False).to_numpy()
        missing = (source == "").to_numpy()
        known = int((~missing & ~none).sum())
        counts = source[source != ""].value_counts()
        rows.append(
            (
                _label(name),
                f"{known} of {season.hours} h",
                f"{int(none.sum())} h" if none.any() else "–",
                f"{int(missing.sum())} h" if missing.any() else "none",
                "; ".join(f"{source_text(str(key))} {count} h" for key, count in counts.items()),
            )
        )
    return rows


def _never_told(season: Season) -> list[str]:
    """Variables that no source told of in any hour."""
    told = {name for name in season.sources if (season.sources[name] != "").any()}
    return [_label(name) for name in (*VARIABLES, PRESENT_WEATHER) if name not in told]


def _gaps(season: Season) -> list[_Gap]:
    """Gaps of temperature, humidity, precipitation and wind, longest first; those of the same hours are one."""
    humidity: Flags = np.array([source == "" for source in season.source_of(dict(QUANTITIES)["Humidity"])], dtype=bool)
    together: dict[tuple[int, int], list[str]] = {}
    for what, missing in (
        ("air temperature", season.temperature_missing),
        ("humidity", humidity),
        ("snow and rain", season.water_missing),
        ("wind", season.wind_missing),
    ):
        edges = np.flatnonzero(np.diff(np.concatenate(([False], missing, [False])).astype(np.int8)))
        for start, end in edges.reshape(-1, 2).tolist():
            together.setdefault((start, end), []).append(what)
    gaps = [
        _Gap(season.hour_ending[start], season.hour_ending[end - 1], end - start, tuple(what))
        for (start, end), what in together.items()
    ]
    return sorted(gaps, key=lambda gap: (-gap.hours, gap.start, gap.what))


def _flags(assessment: YardAssessment, season: Season) -> list[tuple[str, str, str, str, str]]:
    """Values that were set aside: variable, flag, its meaning, source, and how many hours; most hours first."""
    count: Counter[tuple[str, str, str]] = Counter()
    flags = assessment.weather.flags
    flags = flags[flags.index.isin(season.hour_ending)]
    for name in flags:
        for words, hours in flags[name].value_counts().items():
            for word in str(words).split():
                if word != NONE_REPORTED:
                    flag, _, source = word.partition("@")
                    count[str(name), flag, source] += int(hours)
    order = sorted(count, key=lambda key: (-count[key], key))
    return [
        (
            _label(name),
            flag.replace("_", " "),
            FLAGS.get(flag, ""),
            source_text(source),
            f"{count[name, flag, source]} h",
        )
        for name, flag, source in order
    ]


def _label(name: str) -> str:
    return VARIABLES[name].label if name in VARIABLES else "weather codes"


def _teller_text(name: str) -> str:
    return "none reported" if name == NONE_REPORTED else source_text(name)
