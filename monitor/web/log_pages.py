"""The log as people read it: the yard's log book with its CSV, and the lines of one boat for its page."""

import re
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.exchange.sheets import csv_text
from monitor.inspections import Photo
from monitor.operations.log import log_rows
from monitor.register import Yard
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.web.security import need_reader
from monitor.web.site import reading, the_yard
from monitor.web.templating import page
from monitor.wording import utc_text

MOST_LINES = 40
"""Lines of the log book on one page, newest first; the CSV has all of them."""
_SKIPPED = re.compile(r"[0-9]{1,6}")

CSV_COLUMNS = ("at", "boat", "entry", "what", "who", "note", "corrects", "id")


@dataclass(frozen=True)
class LogLine:
    """One entry; ``corrected`` where a later one stands for it. ``at`` is UTC."""

    id: str
    entry: str
    at: datetime
    boat: str
    what: str
    who: str
    note: str
    corrects: str
    corrected: bool
    photos: tuple[Photo, ...] = ()


def log_book(request: Request) -> Response:
    """Everything logged in a yard, or of one boat, newest first, less the first ``?skip=``; or all ``?format=csv``."""
    need_reader(request)
    boat, history = request.query_params.get("boat") or None, bool(request.query_params.get("history"))
    with reading(request) as conn:
        yard = the_yard(request, conn)
        if request.query_params.get("format") == "csv":
            rows = log_rows(conn, yard, boat, history=history, raw=True)
            sheet = csv_text(
                CSV_COLUMNS, [[{**row, "at": utc_text(row["at"])}[c] for c in CSV_COLUMNS] for row in rows]
            )
            headers = {"Content-Disposition": 'attachment; filename="log.csv"', "Cache-Control": "private, no-store"}
            return Response(sheet, media_type="text/csv; charset=utf-8", headers=headers)
        lines = log_lines(conn, yard, boat, history=history)
        asked = request.query_params.get("skip", "")
        skipped = int(asked) if _SKIPPED.fullmatch(asked) else 0
        boats = list(dict.fromkeys(cover.boat.number for cover in register_store.all_covers(conn, yard.key)))
    return page(
        request,
        "log.html",
        yard=yard,
        here="log",
        lines=lines[skipped : skipped + MOST_LINES],
        skipped=skipped,
        left_out=max(len(lines) - skipped - MOST_LINES, 0),
        most=MOST_LINES,
        boats=boats,
        boat=boat or "",
        history=history,
    )


def log_lines(
    conn: sqlite3.Connection, yard: Yard, boat: str | None, *, history: bool, photos: Sequence[Photo] = ()
) -> list[LogLine]:
    """Entries of a yard or of one boat, newest first, each with its photos; corrected ones too with ``history``.

    Raises RegisterError for an unknown boat.
    """
    rows = log_rows(conn, yard, boat, history=True)
    corrected_ids = {row["corrects"] for row in rows if row["corrects"]}
    with_findings = {
        finding.inspection_id
        for finding in log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key)).findings
        if finding.severity > 0
    }

    of_entry: dict[str, list[Photo]] = {}
    for photo in photos:
        of_entry.setdefault(photo.finding_id or photo.inspection_id or photo.action_id or "", []).append(photo)
    lines = []
    for row in rows:
        corrected = row["id"] in corrected_ids
        if corrected and not history:
            continue
        what = row["what"]
        if row["entry"] == "inspection" and not corrected and row["id"] not in with_findings:
            what += "; all sound"
        lines.append(
            LogLine(
                id=row["id"],
                entry=row["entry"],
                at=row["at"],
                boat=row["boat"],
                what=what,
                who=row["who"],
                note=row["note"],
                corrects=row["corrects"] or "",
                corrected=corrected,
                photos=tuple(of_entry.get(row["id"], ())),
            )
        )
    lines.reverse()
    return lines


routes = [Route("/yards/{key}/log", log_book)]
