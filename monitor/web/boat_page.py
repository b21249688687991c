"""One boat's page: why it stands where it does on the list, how its cover is built, what is open, what was logged."""

import sqlite3
from dataclasses import dataclass
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.clocks import OpenEntry, open_findings, taken_off
from monitor.departures import check_cover
from monitor.documents import pdf
from monitor.errors import StoreError, StormwalkError
from monitor.inspections import STAND_DEFECTS
from monitor.operations.photos import photos_of_boat
from monitor.presentation.rows import ReasonRow, boat_rows, build_rows, finding_rows, reason_row
from monitor.register import Cover, Yard
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.web.log_pages import log_lines
from monitor.web.security import need_reader
from monitor.web.site import now, reading, the_yard, web
from monitor.web.templating import page
from monitor.web.today import inspected_text, state_of

QUICK_ACTIONS = ("cleared_snow", "drained_water", "retensioned_band", "retensioned_belly_bands", "taped")
"""What is done most often on a round, offered as buttons of their own."""


@dataclass(frozen=True)
class Standing:
    """Where the list puts a boat, and why."""

    call: str
    call_class: str
    score: str
    reasons: tuple[ReasonRow, ...]
    inspected: str
    charts: str


def boat_page(request: Request) -> Response:
    """Everything known of a boat's cover."""
    need_reader(request)
    number = request.query_params.get("number", "")
    history = bool(request.query_params.get("history"))
    with reading(request) as conn:
        yard = the_yard(request, conn)
        cover = register_store.find_cover(conn, yard.key, number)
        photos = photos_of_boat(conn, yard, number)
        values = _about(conn, yard, cover, request)
        lines = log_lines(conn, yard, number, history=history, photos=photos)
    standing, state = _standing(request, yard, cover)
    return page(
        request,
        "boat.html",
        here="boat",
        standing=standing,
        lines=lines,
        history=history,
        quick_actions=QUICK_ACTIONS,
        pdf_is_possible=pdf.is_installed(),
        **{**values, **state},
    )


def open_entries(conn: sqlite3.Connection, yard: Yard, boat: str) -> list[OpenEntry]:
    """Findings of a boat that are still open, worst first, from the log alone."""
    covers = {c.id: c.boat.number for c in register_store.all_covers(conn, yard.key) if c.id is not None}
    log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key))
    return open_findings(log, covers).get(boat, [])


def _about(conn: sqlite3.Connection, yard: Yard, cover: Cover, request: Request) -> dict[str, Any]:
    build = cover.build_at(now(request))
    check = check_cover(cover, max(now(request), cover.builds[0].built_at), yard.display_units)
    entries = open_entries(conn, yard, cover.boat.number)
    off = taken_off(log_store.log_of_cover(conn, cover.stored_id))
    return {
        "yard": yard,
        "boat": cover.boat,
        "wrapped_on": cover.wrapped_on,
        "came_off": off.get(cover.stored_id),
        "build_count": len(cover.builds),
        "built_at": build.built_at,
        "build": build_rows(check, build, yard.display_units),
        "berth": boat_rows(cover.boat, yard.display_units),
        "departures": [departure for departure in check.departures if departure.kind == "departs"],
        "findings": [{**row, "id": entry.finding.id} for row, entry in zip(_rows(entries, yard), entries, strict=True)],
        "stand_crew": any(entry.finding.defect in STAND_DEFECTS for entry in entries),
    }


def _rows(entries: list[OpenEntry], yard: Yard) -> list[dict[str, str | bool]]:
    return finding_rows(entries, yard.time_zone)


def _standing(request: Request, yard: Yard, cover: Cover) -> tuple[Standing | None, dict[str, Any]]:
    """Where the list puts the boat; None for one that is not on it: its cover came off, or is still to be wrapped."""
    pages = web(request).pages
    try:
        assessment = pages.assessment(yard.key)
    except StoreError:
        raise
    except StormwalkError:
        return None, {}
    line = next((line for line in assessment.ranked if line.boat == cover.boat.number), None)
    if line is None:
        return None, state_of(assessment)
    clocks = assessment.clocks[line.cover]
    standing = Standing(
        call=line.call,
        call_class=line.call.replace(" ", "-"),
        score=f"{line.score:.2f}",
        reasons=tuple(reason_row(reason, yard.time_zone, yard.display_units) for reason in line.reasons),
        inspected=inspected_text(clocks.inspected_at, clocks.inspected_ever, yard),
        charts=pages.page_name(assessment, line.cover),
    )
    return standing, state_of(assessment)


routes = [Route("/yards/{key}/boat", boat_page)]
