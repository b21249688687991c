"""Charts over time as plain values: panels, series, storms and log marks, before anything draws them. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Times = NDArray[np.datetime64]
"""Moments on the yard's clock, without the zone: plotly.js ignores an offset, so one would only seem to count."""

Lane = Literal["inspected", "found", "done"]

# Okabe & Ito 2008, colours that most kinds of colour vision tell apart; the grey is ours.
BLUE, SKY, GREEN = "#0072B2", "#56B4E9", "#009E73"
ORANGE, VERMILLION, GREY = "#E69F00", "#D55E00", "#767676"


@dataclass(frozen=True)
class Notes:
    """What the hover adds to each hour: ``texts[codes[h]]``, with ``codes`` (H,); few texts stand for many hours."""

    texts: tuple[str, ...]
    codes: NDArray[np.intp]

    @classmethod
    def of(cls, texts: Sequence[str]) -> "Notes":
        """Notes out of one text an hour."""
        place = {text: code for code, text in enumerate(dict.fromkeys(texts))}
        return cls(tuple(place), np.array([place[text] for text in texts], dtype=np.intp))

    def __getitem__(self, rows: slice) -> "Notes":
        return Notes(self.texts, self.codes[rows])

    def tolist(self) -> list[str]:
        """The text of each hour."""
        return [self.texts[code] for code in self.codes.tolist()]


@dataclass(frozen=True)
class Series:
    """One line or set of bars; ``values`` (H,) in the panel's unit, NaN where unknown; ``notes`` (H,) for the hover."""

    label: str
    values: Floats
    style: Literal["line", "dotted", "bars", "hatched", "points"]
    colour: str
    notes: Notes | None = None


@dataclass(frozen=True)
class Level:
    """A number to hold the curve against, drawn where it falls inside the panel, with no words if ``text`` is empty."""

    value: float
    text: str


@dataclass(frozen=True)
class Panel:
    """One quantity on the time axis. ``missing`` (H,) marks hours that nobody knows.

    ``from_zero`` fixes the floor of its axis, ``top`` the upper end where that is not left to the values.
    """

    title: str
    unit: str
    decimals: int
    series: tuple[Series, ...]
    missing: NDArray[np.bool_]
    levels: tuple[Level, ...] = ()
    from_zero: bool = True
    top: float | None = None

    def value_range(self) -> tuple[float, float]:
        """Lowest and highest number of the axis: the data, and the lowest level so that little looks little."""
        values = [series.values for series in self.series]
        if any(series.style in ("bars", "hatched") for series in self.series):
            values = [np.nansum(values, axis=0)]
        known = np.concatenate([part[~np.isnan(part)] for part in values])
        low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
        if self.from_zero:
            high = max(high, min((level.value for level in self.levels), default=0.0))
            return 0.0, self.top or high * 1.2 or 1.0
        room = max(0.08 * (high - low), 0.5)
        return low - room, high + room


@dataclass(frozen=True)
class StormBand:
    """A storm as shaded on a time axis; ``label`` stands above it, ``text`` is the whole name."""

    label: str
    text: str
    start: np.datetime64
    end: np.datetime64


@dataclass(frozen=True)
class LogMark:
    """An entry of the log on the time axis, by its number in the table below the chart."""

    number: int
    lane: Lane
    moment: np.datetime64
    text: str


@dataclass(frozen=True)
class TimeChart:
    """Panels on one time axis with what is marked on it, and the numbers behind them as a table (head, rows).

    ``times`` (H,) are ends of hours, or begins of days where ``step_h`` is 24; ``label`` says in words what is drawn.
    From ``forecast_from`` on nothing was observed: what is drawn rests on a forecast.
    """

    times: Times
    panels: tuple[Panel, ...]
    axis_title: str
    label: str
    storms: tuple[StormBand, ...] = ()
    marks: tuple[LogMark, ...] = ()
    step_h: int = 1
    table: tuple[list[str], list[list[str]]] = field(default_factory=lambda: ([], []))
    forecast_from: np.datetime64 | None = None
