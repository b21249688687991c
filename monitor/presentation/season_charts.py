"""Charts of a season's review as plain values, before anything draws them: shares with intervals, and counts. Pure."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal
from zoneinfo import ZoneInfo

from monitor.evaluation.orders import WEATHER_ALONE, OrderQuality
from monitor.evaluation.replay import Replayed
from monitor.evaluation.review import SeasonReview
from monitor.presentation.panels import BLUE, GREEN, ORANGE, VERMILLION
from monitor.wording import plain_word

Sign = Literal["circle", "square", "triangle", "diamond"]

_LOOKS: tuple[tuple[str, Sign], ...] = (
    (BLUE, "circle"),
    (ORANGE, "square"),
    (GREEN, "triangle"),
    (VERMILLION, "diamond"),
)

_APART = 0.16
"""How far the signs of two series stand apart at one step of the axis."""


@dataclass(frozen=True)
class SharePoint:
    """A share with its interval, all in per cent, and where it stands on the axis; ``text`` is for the hover, ``name``
    stands over it where it is not empty."""

    x: float
    value: float
    low: float
    high: float
    text: str
    name: str = ""


@dataclass(frozen=True)
class ShareSeries:
    """Shares of one kind, told apart by sign as well as by colour."""

    label: str
    colour: str
    sign: Sign
    points: tuple[SharePoint, ...]


@dataclass(frozen=True)
class ShareChart:
    """Shares with intervals. ``steps`` name places of the axis where it has no numbers of its own; ``dashed`` is a line
    to hold them against, through (x, y). ``label`` says in words what is drawn."""

    label: str
    x_title: str
    y_title: str
    series: tuple[ShareSeries, ...]
    dashed_label: str
    dashed: tuple[tuple[float, float], ...]
    x_range: tuple[float, float]
    steps: tuple[tuple[float, str], ...] = ()

    @property
    def top(self) -> float:
        """Upper end of the axis of shares: the highest interval with a little room, or all. [%]"""
        highest = max((point.high for series in self.series for point in series.points), default=100.0)
        return min(max(1.08 * highest, max((y for _, y in self.dashed), default=0.0)), 102.0)


@dataclass(frozen=True)
class CountGrid:
    """How often each row's thing came in each column; ``counts`` is row by row."""

    label: str
    rows: tuple[str, ...]
    columns: tuple[str, ...]
    counts: tuple[tuple[int, ...], ...]


def orders_chart(review: SeasonReview) -> ShareChart | None:
    """Precision of the first k covers of every walk, by the list and by each simple order; None without a choice."""
    shown = [order for order in review.orders if order.name != WEATHER_ALONE]
    if not shown or not shown[0].firsts:
        return None
    series = tuple(
        ShareSeries(order.name, colour, sign, _points_of(order, _APART * (place - (len(shown) - 1) / 2)))
        for place, (order, (colour, sign)) in enumerate(zip(shown, _LOOKS, strict=True))
    )
    firsts = shown[0].firsts
    steps = tuple((float(place), f"first {first.k}\n{first.walks} walks") for place, first in enumerate(firsts))
    return ShareChart(
        label="Of the first covers of every walk, the share that needed a hand: by the list, in berth order, oldest "
        "inspection first and worst slope first, with 95 % intervals",
        x_title="so many covers looked at on every walk that had more",
        y_title="needed a hand [%]",
        series=series,
        dashed_label="any order, on average",
        dashed=tuple((float(place), 100 * first.by_chance) for place, first in enumerate(firsts)),
        x_range=(-0.5, len(firsts) - 0.5),
        steps=steps,
    )


def _points_of(order: OrderQuality, shift: float) -> tuple[SharePoint, ...]:
    return tuple(
        SharePoint(
            place + shift,
            100 * first.precision.value,
            100 * first.precision.low,
            100 * first.precision.high,
            f"first {first.k}: {first.found.hits} of {first.found.of}",
        )
        for place, first in enumerate(order.firsts)
    )


def calibration_chart(review: SeasonReview) -> ShareChart | None:
    """What the scores of each call said, against what was seen; None without any inspection."""
    if review.quality is None or review.quality_of_hazards is None:
        return None
    pairs = (("score as shown", review.quality), ("hazards alone", review.quality_of_hazards))
    series = tuple(
        ShareSeries(
            label,
            colour,
            sign,
            tuple(
                SharePoint(
                    100 * band.mean_score,
                    100 * band.observed.value,
                    100 * band.observed.low,
                    100 * band.observed.high,
                    f"{band.call}: {band.needed.hits} of {band.needed.of}",
                    band.call if quality is review.quality else "",
                )
                for band in quality.bands
                if band.needed.of
            ),
        )
        for (label, quality), (colour, sign) in zip(pairs, _LOOKS, strict=False)
    )
    return ShareChart(
        label="Share of inspections that needed a hand against their mean score, by call, with 95 % intervals",
        x_title="said: mean score before the inspections [%]",
        y_title="seen: needed a hand [%]",
        series=series,
        dashed_label="said is seen",
        dashed=((0.0, 0.0), (100.0, 100.0)),
        x_range=(0.0, 100.0),
    )


def found_grid(review: SeasonReview) -> CountGrid | None:
    """New findings by defect, most first, and month on the yard's clock; None where nothing new was found."""
    zone = review.yard.time_zone
    found = [
        (finding.defect, _month(one.inspection.inspected_at, zone))
        for one in review.replayed
        for finding in one.brought.new
    ]
    if not found:
        return None
    months = months_of(review.replayed, zone)
    defects = sorted({defect for defect, _ in found}, key=lambda name: (-sum(d == name for d, _ in found), name))
    return CountGrid(
        label="New findings by month and defect",
        rows=tuple(plain_word(defect) for defect in defects),
        columns=tuple(month_text(month) for month in months),
        counts=tuple(tuple(found.count((defect, month)) for month in months) for defect in defects),
    )


def months_of(replayed: Sequence[Replayed], time_zone: str) -> list[tuple[int, int]]:
    """Every month (year, month) from the first inspection to the last, on the yard's clock."""
    if not replayed:
        return []
    seen = [_month(one.inspection.inspected_at, time_zone) for one in replayed]
    first, last = (year * 12 + month - 1 for year, month in (min(seen), max(seen)))
    return [(count // 12, count % 12 + 1) for count in range(first, last + 1)]


def inspections_in(replayed: Sequence[Replayed], month: tuple[int, int], time_zone: str) -> int:
    """How many inspections were made in a month of the yard's clock."""
    return sum(_month(one.inspection.inspected_at, time_zone) == month for one in replayed)


def month_text(month: tuple[int, int]) -> str:
    """``Oct 2025``."""
    return f"{datetime(*month, 1):%b %Y}"


def _month(moment: datetime, time_zone: str) -> tuple[int, int]:
    local = moment.astimezone(ZoneInfo(time_zone))
    return local.year, local.month
