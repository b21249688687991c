"""Photos: shown, handed out as they were taken, added to an entry, withdrawn."""

import uuid

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.errors import LogError, StormwalkError
from monitor.inspections import Photo
from monitor.operations.photos import (
    original_bytes,
    photo,
    photo_folder,
    photos_of_boat,
    record_photo,
    upright_copy,
    withdraw_photo,
)
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.store.accounts import Account
from monitor.web.form_reading import Sent, form_page
from monitor.web.security import need_reader
from monitor.web.site import go, now, reading, the_yard, web, writing, yard_url
from monitor.web.templating import page

_ENDINGS = {"image/jpeg": "jpg", "image/png": "png", "image/webp": "webp"}
PRIVATE = {"Cache-Control": "private, no-cache"}


def shown_photo(request: Request) -> Response:
    """The upright copy, without what the camera wrote into the file."""
    need_reader(request)
    with reading(request) as conn:
        found = photo(conn, request.path_params["id"])
    return Response(upright_copy(photo_folder(web(request).database), found), media_type="image/jpeg", headers=PRIVATE)


def original_photo(request: Request) -> Response:
    """The bytes as they were taken, to be saved."""
    need_reader(request)
    with reading(request) as conn:
        found = photo(conn, request.path_params["id"])
    name = f"photo-{found.id[:8]}.{_ENDINGS[found.media_type]}"
    headers = {**PRIVATE, "Content-Disposition": f'attachment; filename="{name}"'}
    data = original_bytes(photo_folder(web(request).database), found)
    return Response(data, media_type=found.media_type, headers=headers)


def photo_page(request: Request) -> Response:
    """One photo with what is known of it."""
    need_reader(request)
    with reading(request) as conn:
        yard = the_yard(request, conn)
        number = request.query_params.get("boat", "")
        boat = register_store.find_cover(conn, yard.key, number).boat
        found = _of_boat(photos_of_boat(conn, yard, number), request.query_params.get("id", ""))
    return page(request, "photo.html", yard=yard, boat=boat, photo=found)


def show_withdrawal(request: Request, account: Account) -> Response:
    """Whoever opens the address of a withdrawal gets the photo's page, where the form is."""
    return photo_page(request)


def take_withdrawal(request: Request, account: Account, sent: Sent) -> Response:
    """Take a photo out of every page."""
    with writing(request) as conn:
        yard = the_yard(request, conn)
        _of_boat(photos_of_boat(conn, yard, sent.fields.get("boat", "")), sent.fields.get("id", ""))
        note = sent.fields.get("note", "").strip()
        said = withdraw_photo(conn, yard, sent.fields["id"], by=account.name, at=now(request), note=note)
    return go(yard_url(yard.key, "boat", number=sent.fields["boat"]), said)


def show_photograph(request: Request, account: Account, problem: str = "", note: str = "") -> Response:
    """A form that adds photos to an entry of the log."""
    entry_id = request.query_params.get("entry", "")
    with reading(request) as conn:
        yard = the_yard(request, conn)
        log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key))
        kinds = {
            "inspection": {one.id for one in log.inspections},
            "finding": {one.id for one in log.findings},
            "action": {one.id for one in log.actions},
        }
        kind = next((kind for kind, ids in kinds.items() if entry_id in ids), None)
    if kind is None:
        raise LogError(f"There is no entry {entry_id[:40]!r} that stands in the log of yard {yard.key}.")
    return page(
        request,
        "photograph.html",
        status=422 if problem else 200,
        yard=yard,
        kind=kind,
        typed={"id": str(uuid.uuid4()), "entry": entry_id, "note": note, "kind": kind},
        wrong={},
        problem=problem,
    )


def take_photograph(request: Request, account: Account, sent: Sent) -> Response:
    """Log photos of an entry."""
    fields, said = sent.fields, []
    note = fields.get("note", "").strip()
    if not sent.photos:
        return show_photograph(request, account, "No photo was chosen. Nothing was logged.", note)
    with writing(request) as conn:
        yard = the_yard(request, conn)
        kind, entry_id = fields.get("kind"), fields.get("entry", "")
        if kind not in ("inspection", "finding", "action"):
            raise LogError("The form does not say what the photo belongs to. Nothing was logged. Open it again.")
        for number, data in enumerate(sent.photos, 1):
            try:
                said += record_photo(
                    conn,
                    photo_folder(web(request).database),
                    yard,
                    photo_id=str(uuid.uuid5(uuid.NAMESPACE_OID, f"{fields.get('id', '')}/photo/{number}")),
                    data=data,
                    recorded_at=now(request),
                    taken_by=account.name,
                    note=note,
                    inspection_id=entry_id if kind == "inspection" else None,
                    finding_id=entry_id if kind == "finding" else None,
                    action_id=entry_id if kind == "action" else None,
                )
            except StormwalkError as error:
                again = " Those named before it are logged." if said else ""
                return show_photograph(request, account, f"Photo {number}: {error}{again}", note)
    return go(yard_url(yard.key, "log"), said)


def _of_boat(photos: list[Photo], photo_id: str) -> Photo:
    found = next((one for one in photos if one.id == photo_id), None)
    if found is None:
        raise LogError("There is no such photo of this boat: it was never logged, or it was withdrawn.")
    return found


_BOTH = ["GET", "POST"]

routes = [
    Route("/photos/{id}", shown_photo),
    Route("/photos/{id}/original", original_photo),
    Route("/yards/{key}/photo", photo_page),
    Route("/yards/{key}/photo/withdraw", form_page("crew", show_withdrawal, take_withdrawal), methods=_BOTH),
    Route("/yards/{key}/photograph", form_page("crew", show_photograph, take_photograph), methods=_BOTH),
]
