"""The yard's list by need, its berths as a drawing, and the list of yards: where a round begins."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from monitor.assessment import YardAssessment
from monitor.errors import StoreError, StormwalkError
from monitor.presentation.rows import CoverRow, cover_row, data_age_text, is_old, storm_rows
from monitor.ranking import RankedCover
from monitor.register import Cover, Yard
from monitor.store import register as register_store
from monitor.web.berth_drawing import berth_drawing
from monitor.web.security import need_reader
from monitor.web.site import reading, the_yard, web, yard_url
from monitor.web.templating import page
from monitor.wording import OWN_JUDGEMENT, local_text

STORMS_ON_THE_LIST = 3
"""Storms above the list, newest first; the charts have all of them."""


@dataclass(frozen=True)
class Line:
    """A cover of the list, and what the log says of it."""

    row: CoverRow
    call_class: str
    inspected: str
    open_count: int


def start(request: Request) -> Response:
    """The only yard's list, or the yards to choose from."""
    need_reader(request)
    with reading(request) as conn:
        yards = register_store.yards(conn)
    if len(yards) == 1:
        return RedirectResponse(yard_url(yards[0].key))
    return page(request, "yards.html", yards=yards)


def today(request: Request) -> Response:
    """Covers in the order in which they need somebody."""
    need_reader(request)
    with reading(request) as conn:
        yard = the_yard(request, conn)
    try:
        assessment = web(request).pages.assessment(yard.key)
    except StormwalkError as error:
        return no_list(request, yard, "today", error)
    covers = {cover.id: cover for cover in assessment.covers}
    lines = [_line(ranked, covers[ranked.cover], assessment) for ranked in assessment.ranked]
    calls = [*(name for name, _ in assessment.parameters.calls), assessment.parameters.lowest_call]
    return page(
        request,
        "today.html",
        here="today",
        lines=lines,
        counts=[(call, sum(line.row.call == call for line in lines)) for call in calls],
        storms=storm_rows(assessment.storms, yard.time_zone, yard.display_units)[:STORMS_ON_THE_LIST],
        own_judgement=OWN_JUDGEMENT,
        **state_of(assessment),
    )


def berths(request: Request) -> Response:
    """Boats where they stand, each a link to its page."""
    need_reader(request)
    with reading(request) as conn:
        yard = the_yard(request, conn)
    try:
        assessment = web(request).pages.assessment(yard.key)
    except StormwalkError as error:
        return no_list(request, yard, "map", error)
    drawing = berth_drawing(assessment, lambda boat: yard_url(yard.key, "boat", number=boat))
    return page(request, "berths.html", here="map", drawing=drawing, **state_of(assessment))


def no_list(request: Request, yard: Yard, here: str, error: StormwalkError) -> Response:
    """The page in the place of a list where no cover is on: why, and the way to everything that was logged.

    A database that does not answer is no such reason, and its error goes on.
    """
    if isinstance(error, StoreError):
        raise error
    with reading(request) as conn:
        boats = {cover.boat.number: cover.boat.name for cover in register_store.all_covers(conn, yard.key)}
    return page(request, "no_list.html", yard=yard, here=here, sentence=str(error), boats=boats)


def state_of(assessment: YardAssessment) -> dict[str, Any]:
    """What a page says of the moment it shows: yard, time, age of the weather."""
    yard = assessment.yard
    return {
        "yard": yard,
        "as_of": local_text(assessment.as_of, yard.time_zone, year=True),
        "data_age": data_age_text(assessment.data_age_h),
        "data_is_old": is_old(assessment.data_age_h),
    }


def _line(ranked: RankedCover, cover: Cover, assessment: YardAssessment) -> Line:
    href = yard_url(assessment.yard.key, "boat", number=cover.boat.number)
    clocks = assessment.clocks[ranked.cover]
    return Line(
        row=cover_row(ranked, cover, href, assessment),
        call_class=ranked.call.replace(" ", "-"),
        inspected=inspected_text(clocks.inspected_at, clocks.inspected_ever, assessment.yard),
        open_count=len(assessment.open_findings.get(cover.boat.number, [])),
    )


def inspected_text(moment: datetime, ever: bool, yard: Yard) -> str:
    """When somebody last looked at a cover."""
    when = local_text(moment, yard.time_zone)
    return f"last inspected {when}" if ever else f"not inspected since it was wrapped, {when}"


routes = [
    Route("/", start),
    Route("/yards/{key}/", today),
    Route("/yards/{key}/map", berths),
]
