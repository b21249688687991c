"""The crew's forms: a look at a cover, work done, and corrections of both; they work without a script."""

import re
import sqlite3
import uuid
from collections.abc import Mapping
from typing import Any

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.errors import LogError, StormwalkError
from monitor.exchange.entry_values import MOST_FINDINGS, EntryError, action_from, inspection_from
from monitor.inspections import ACTIONS, DEFECTS, PLACES, SEVERITIES, Action, Finding, Inspection
from monitor.operations.log import record_finding
from monitor.operations.photos import photo_folder, record_photo
from monitor.register import Yard
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.store.accounts import Account
from monitor.units import exact_text
from monitor.web.boat_page import open_entries
from monitor.web.entries import (
    action_form_values,
    inspection_form_values,
    log_action,
    log_inspection,
    rows_written,
)
from monitor.web.form_reading import Refusal, Sent, form_page, refusal
from monitor.web.site import go, now, reading, the_yard, web, writing, yard_url
from monitor.web.templating import page, plain_word
from monitor.wording import defect_text

LABELS = {
    "inspected_at": "When",
    "acted_at": "When",
    "inside": "Inside too",
    "snow_depth": "Depth of snow",
    "snow_water_mm": "Water in the snow",
    "band_drop": "Perimeter band below the rub rail",
    "gust_seen": "Gust read off a meter",
    "note": "In your own words",
    "defect": "What",
    "place": "Where",
    "severity": "How bad",
    "action": "What was done",
    "quantity": "How many",
    "finding": "Finding put right",
}
"""Names of the fields as they stand on the pages."""

OFTEN_FOUND = ("snow_lying", "standing_water", "loose_band", "tear", "open_weld", "vent_lost")
"""Defects with a button of their own."""

_ROW = re.compile(r"(?:defect|note)-([0-9]{1,4})")

ROWS_SHOWN = 3
"""Rows for findings on a fresh form; the first stands open."""
ROWS_ADDED = 3

BACK = {"today": "", "walk": "walk"}
"""Where a form may lead back to; anything else is the boat's page."""

NOTHING_LOGGED = "Nothing was logged; what you wrote stands below."
PHOTOS_AGAIN = "Choose the photos again: a browser does not keep them."


def show_inspection(request: Request, account: Account) -> Response:
    """An empty form for a look at a boat's cover; ``?defect=`` chooses what was found first."""
    query = request.query_params
    with reading(request) as conn:
        yard = the_yard(request, conn)
        fields = {"boat": query.get("boat", ""), "back": query.get("back", "today"), "id": str(uuid.uuid4())}
        if query.get("defect") in DEFECTS:
            fields["defect-0"] = query["defect"]
        return _inspection_page(request, conn, yard, fields)


def take_inspection(request: Request, account: Account, sent: Sent) -> Response:
    """Log a look, then its photos; or show the form again with what was typed."""
    fields = {"boat": request.query_params.get("boat", ""), **sent.fields}
    with writing(request) as conn:
        yard = the_yard(request, conn)
        if "more" in fields or "add" in fields:
            return _inspection_page(request, conn, yard, _with_rows(fields))
        try:
            entry = inspection_from(inspection_form_values(fields))
            _, said = log_inspection(conn, yard, entry, account, now(request))
        except StormwalkError as error:
            return _inspection_page(request, conn, yard, fields, _refused(error, rows_written(fields), sent))
        said += _keep_photos(request, conn, yard, account, sent.photos, entry.id, inspection_id=entry.id)
    return go(_way_back(yard, fields), said)


def show_action(request: Request, account: Account) -> Response:
    """An empty form for work done; ``?action=`` and ``?finding=`` choose."""
    query = request.query_params
    with reading(request) as conn:
        yard = the_yard(request, conn)
        fields = {name: query.get(name, "") for name in ("boat", "action", "finding")}
        return _action_page(request, conn, yard, fields | {"back": query.get("back", ""), "id": str(uuid.uuid4())})


def take_action(request: Request, account: Account, sent: Sent) -> Response:
    """Log work done, then its photos; or show the form again with what was typed."""
    fields = {"boat": request.query_params.get("boat", ""), **sent.fields}
    with writing(request) as conn:
        yard = the_yard(request, conn)
        try:
            entry = action_from(action_form_values(fields))
            _, said = log_action(conn, yard, entry, account, now(request))
        except StormwalkError as error:
            return _action_page(request, conn, yard, fields, _refused(error, [], sent))
        said += _keep_photos(request, conn, yard, account, sent.photos, entry.id, action_id=entry.id)
    return go(_way_back(yard, fields), said)


def show_correction(request: Request, account: Account) -> Response:
    """The form of an entry as it was logged, to be logged anew."""
    with reading(request) as conn:
        yard = the_yard(request, conn)
        entry, boat = _entry_to_correct(conn, yard, request.query_params.get("entry", ""))
        fields = _fields_of(entry, yard) | {"boat": boat, "back": "boat", "id": str(uuid.uuid4()), "corrects": entry.id}
        return _correction_page(request, conn, yard, entry, fields)


def take_correction(request: Request, account: Account, sent: Sent) -> Response:
    """Log the correction of an entry; the one it corrects stays readable."""
    with reading(request) as conn:
        yard = the_yard(request, conn)
        entry, boat = _entry_to_correct(conn, yard, sent.fields.get("corrects", ""))
    if isinstance(entry, Inspection):
        return take_inspection(request, account, sent)
    if isinstance(entry, Action):
        return take_action(request, account, sent)
    with writing(request) as conn:
        try:
            checked = inspection_from(inspection_form_values({**sent.fields, "boat": boat, "corrects": ""}))
            if len(checked.findings) != 1:
                raise EntryError(["defect: nothing is chosen."])
            said = record_finding(
                conn,
                yard,
                boat,
                checked.findings[0],
                recorded_at=now(request),
                corrects_id=entry.id,
                finding_id=checked.id,
            )
        except StormwalkError as error:
            fields = {**sent.fields, "boat": boat}
            return _correction_page(request, conn, yard, entry, fields, _refused(error, [0], sent))
        said += _keep_photos(request, conn, yard, account, sent.photos, checked.id, finding_id=checked.id)
    return go(yard_url(yard.key, "boat", number=boat), said)


def _inspection_page(
    request: Request, conn: sqlite3.Connection, yard: Yard, fields: dict[str, str], refused: Refusal | None = None
) -> Response:
    cover = register_store.find_cover(conn, yard.key, fields.get("boat", ""))
    corrected = fields.get("corrects")
    return page(
        request,
        "inspect.html",
        status=200 if refused is None else 422,
        yard=yard,
        boat=cover.boat,
        typed=fields,
        rows=range(max(_row_count(fields), ROWS_SHOWN)),
        often_found=OFTEN_FOUND,
        findings_of_corrected=_findings_of(conn, yard, corrected) if corrected else [],
        problem="" if refused is None else refused.sentence,
        wrong={} if refused is None else refused.at,
        **_choices(),
    )


def _action_page(
    request: Request, conn: sqlite3.Connection, yard: Yard, fields: dict[str, str], refused: Refusal | None = None
) -> Response:
    cover = register_store.find_cover(conn, yard.key, fields.get("boat", ""))
    findings = [
        (one.finding.id, f"{defect_text(one.finding.defect, one.finding.place)}, {SEVERITIES[one.finding.severity]}")
        for one in open_entries(conn, yard, cover.boat.number)
    ]
    named = fields.get("finding", "")
    if named and named not in dict(findings):
        findings.append((named, f"the finding named before, {named[:8]}"))
    return page(
        request,
        "act.html",
        status=200 if refused is None else 422,
        yard=yard,
        boat=cover.boat,
        typed=fields,
        findings=findings,
        problem="" if refused is None else refused.sentence,
        wrong={} if refused is None else refused.at,
        **_choices(),
    )


def _correction_page(
    request: Request,
    conn: sqlite3.Connection,
    yard: Yard,
    entry: Inspection | Finding | Action,
    fields: dict[str, str],
    refused: Refusal | None = None,
) -> Response:
    if isinstance(entry, Inspection):
        return _inspection_page(request, conn, yard, fields, refused)
    if isinstance(entry, Action):
        return _action_page(request, conn, yard, fields, refused)
    cover = register_store.find_cover(conn, yard.key, fields["boat"])
    return page(
        request,
        "correct_finding.html",
        status=200 if refused is None else 422,
        yard=yard,
        boat=cover.boat,
        typed=fields,
        problem="" if refused is None else refused.sentence,
        wrong={} if refused is None else refused.at,
        **_choices(),
    )


def _choices() -> dict[str, Any]:
    severities = [(str(number), f"{number} {word}") for number, word in SEVERITIES.items()]
    return {
        "labels": LABELS,
        "defects": [(word, plain_word(word)) for word in DEFECTS],
        "places": [(word, plain_word(word)) for word in PLACES],
        "severities": severities,
        "actions": [(word, plain_word(word)) for word in ACTIONS],
    }


def _refused(error: StormwalkError, rows: list[int], sent: Sent) -> Refusal:
    closing = f"{NOTHING_LOGGED} {PHOTOS_AGAIN}" if sent.photos else NOTHING_LOGGED
    if isinstance(error, EntryError):
        return refusal(error.problems, LABELS, rows, closing)
    return Refusal(f"{str(error).removesuffix('Nothing was logged.').rstrip()}\n{closing}", {})


def _row_count(fields: Mapping[str, str]) -> int:
    """One more than the last row of findings that the form had; at most as many as an entry takes."""
    return min(max(_row_numbers(fields), default=-1) + 1, MOST_FINDINGS)


def _row_numbers(fields: Mapping[str, str]) -> list[int]:
    return sorted({int(match.group(1)) for name in fields if (match := _ROW.fullmatch(name))})


def _with_rows(fields: dict[str, str]) -> dict[str, str]:
    """The same form with a defect put into its first free row, or with further rows."""
    count = max(_row_count(fields), ROWS_SHOWN)
    if fields.get("add") in DEFECTS:
        free = next((n for n in range(count) if not fields.get(f"defect-{n}")), count)
        return {**fields, f"defect-{free}": fields["add"]}
    return {**fields, f"defect-{count + ROWS_ADDED - 1}": ""}


def _way_back(yard: Yard, fields: Mapping[str, str]) -> str:
    back = fields.get("back", "")
    if back in BACK:
        return yard_url(yard.key, BACK[back])
    return yard_url(yard.key, "boat", number=fields["boat"].strip())


def _keep_photos(
    request: Request,
    conn: sqlite3.Connection,
    yard: Yard,
    account: Account,
    photos: tuple[bytes, ...],
    entry_id: str,
    *,
    inspection_id: str | None = None,
    finding_id: str | None = None,
    action_id: str | None = None,
) -> list[str]:
    """Log the photos sent with an entry, which stands whatever becomes of them; once, however often they are sent."""
    said = []
    for number, data in enumerate(photos, 1):
        try:
            said += record_photo(
                conn,
                photo_folder(web(request).database),
                yard,
                photo_id=str(uuid.uuid5(uuid.NAMESPACE_OID, f"{entry_id}/photo/{number}")),
                data=data,
                inspection_id=inspection_id,
                finding_id=finding_id,
                action_id=action_id,
                recorded_at=now(request),
                taken_by=account.name,
            )
        except StormwalkError as error:
            said.append(f"Photo {number} of {len(photos)}: {error}")
    return said


def _entry_to_correct(conn: sqlite3.Connection, yard: Yard, entry_id: str) -> tuple[Inspection | Finding | Action, str]:
    """The entry with this id and the boat it is of. Raises LogError where there is none, or it is corrected already."""
    log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key), history=True)
    every: list[Inspection | Finding | Action] = [*log.inspections, *log.findings, *log.actions]
    entries = {entry.id: entry for entry in every}
    entry = entries.get(entry_id)
    if entry is None:
        raise LogError(f"There is no entry {entry_id[:40]!r} in the log of yard {yard.key}.")
    later = next((one for one in entries.values() if one.corrects_id == entry_id), None)
    if later is not None:
        raise LogError(f"Entry {entry_id[:8]} was corrected already, by {later.id[:8]}. Correct that one.")
    owner = entries[entry.inspection_id] if isinstance(entry, Finding) else entry
    assert not isinstance(owner, Finding)
    return entry, register_store.cover(conn, owner.cover_id).boat.number


def _findings_of(conn: sqlite3.Connection, yard: Yard, inspection_id: str) -> list[tuple[str, str]]:
    """Id and words of what stands of the findings of an inspection, each to be corrected by itself."""
    log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key))
    return [(f.id, defect_text(f.defect, f.place)) for f in log.findings if f.inspection_id == inspection_id]


def _fields_of(entry: Inspection | Finding | Action, yard: Yard) -> dict[str, str]:
    """An entry as the fields of its form; its time is left empty, which keeps it."""
    if isinstance(entry, Finding):
        return {
            "defect-0": entry.defect,
            "place-0": entry.place,
            "severity-0": str(entry.severity),
            "note-0": entry.note,
        }
    if isinstance(entry, Action):
        quantity = "" if entry.quantity is None else f"{entry.quantity:g}"
        return {"action": entry.action, "quantity": quantity, "finding": entry.finding_id or "", "note": entry.note}
    length = "in" if yard.display_units == "us" else "cm"
    fields = {"note": entry.note} | ({"inside": "1"} if entry.inside else {})
    for name, value in (("snow_depth", entry.snow_depth_m), ("band_drop", entry.band_drop_m)):
        if value is not None:
            fields[name] = f"{exact_text(value, 'length', length)} {length}"
    if entry.snow_water_mm is not None:
        fields["snow_water_mm"] = repr(entry.snow_water_mm)
    if entry.gust_seen_ms is not None:
        fields["gust_seen"] = f"{exact_text(entry.gust_seen_ms, 'speed', 'ms')} m/s"
    return fields


_BOTH = ["GET", "POST"]

routes = [
    Route("/yards/{key}/inspect", form_page("crew", show_inspection, take_inspection), methods=_BOTH),
    Route("/yards/{key}/act", form_page("crew", show_action, take_action), methods=_BOTH),
    Route("/yards/{key}/correct", form_page("crew", show_correction, take_correction), methods=_BOTH),
]
