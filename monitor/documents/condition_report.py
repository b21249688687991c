"""The condition report of one boat's cover, to a customer's eye: plain words first, then what stands behind them."""

import base64
from collections.abc import Mapping, Sequence
from datetime import datetime

from monitor.documents.charts import as_data_uri, season_svg
from monitor.documents.page import About, render
from monitor.presentation.condition import Condition, PhotoLine
from monitor.ranking import HAZARDS
from monitor.register import Yard
from monitor.wording import local_text

MOST_PICTURES = 12
"""Photos shown as pictures, on screen and paper; the rest are listed. Twelve fill two pages and some megabytes."""

WHAT = (
    "What the weather of the season did to this boat's winter cover, what we saw and did, what is open, and what we "
    "advise. The first page says it in plain words; the numbers behind it follow."
)

BASIS = (
    "Findings, measurements, photos and work are what people saw, did and wrote down. Loads, pressures, cycles, ice, "
    "water and damp are modelled hour by hour from public weather and this cover's build; they are not measured on the "
    "boat, and no check of a structure. What the list advises rests on curves that are our own judgement."
)

WITHDRAWN = "A photo that was withdrawn is shown nowhere, also where an earlier print had it."


def condition_report(
    yard: Yard,
    condition: Condition,
    *,
    pictures: Mapping[str, bytes],
    as_of: datetime,
    data_age_h: float | None,
    version: str,
    credits: tuple[str, ...] = (),
    not_assessed: Sequence[str] = (),
    owner: str = "",
    earlier_covers: Sequence[str] = (),
    again: str = "",
) -> str:
    """HTML of the report.

    Parameters
    ----------
    pictures : mapping
        JPEG bytes by the id of a photo. Of those in `pictured`, one that is not here is said to be unreadable.
    data_age_h : float or None
        Age of the newest weather hour at ``as_of``; None where no weather was known. [h]
    not_assessed : sequence of str
        Hazards of which nothing could be said.
    owner : str
        Name of the boat's owner; empty leaves it out.
    earlier_covers : sequence of str
        Days on which the boat's earlier covers were wrapped.
    again : str
        The option that prints this state again.
    """
    boat, zone = condition.cover.boat, yard.time_zone
    about = About(
        title=f"Condition report: {boat.number} {boat.name}",
        what=WHAT,
        yard=yard,
        as_of=as_of,
        data_age_h=data_age_h,
        version=version,
        credits=credits,
        remarks=tuple(_remarks(not_assessed, again)),
        basis=BASIS,
    )
    shown = pictured(condition.photos)
    return render(
        "condition_report.html",
        about,
        condition=condition,
        facts=[
            ("Yard", yard.name),
            ("Owner", owner),
            *((name.capitalize(), value) for name, value in condition.boat if name in ("boat", "berth")),
            ("Wrapped", local_text(condition.cover.builds[0].built_at, zone, year=True)),
        ],
        berth=[(name, value) for name, value in condition.boat if name not in ("boat", "berth")],
        earlier_covers=earlier_covers,
        chart=None if condition.chart is None else as_data_uri(season_svg(condition.chart)),
        chart_text=_chart_text(condition),
        table=([], []) if condition.chart is None else condition.chart.table,
        pictured=[(photo, _picture(pictures.get(photo.id))) for photo in shown],
        listed=[photo for photo in condition.photos if photo not in shown],
        withdrawn=WITHDRAWN,
    )


def pictured(photos: Sequence[PhotoLine]) -> tuple[PhotoLine, ...]:
    """The photos shown as pictures, oldest first: the worst findings before other photos, new ones before old."""
    chosen = sorted(photos, key=lambda photo: photo.weight, reverse=True)[:MOST_PICTURES]
    return tuple(photo for photo in photos if photo in chosen)


def _picture(jpeg: bytes | None) -> str:
    return "" if jpeg is None else f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}"


def _chart_text(condition: Condition) -> str:
    """What the chart shows, for those who do not see it; its numbers stand in the tables."""
    if condition.chart is None:
        return ""
    return f"{condition.chart.label}. The table of days and the table of storms have its numbers."


def _remarks(not_assessed: Sequence[str], again: str) -> list[str]:
    remarks = []
    if not_assessed:
        names = ", ".join(HAZARDS[name].label for name in not_assessed)
        remarks.append(f"Not assessed, because no weather source told of it: {names}.")
    if again:
        remarks.append(f"This state can be printed again: stormwalk report condition, with {again}.")
    return remarks
