"""What the crew's phones talk to: entries and photos that arrive once, in order, however often they are sent."""

import json
import sqlite3
from collections.abc import Awaitable, Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from monitor.errors import StoreError, StormwalkError
from monitor.exchange.entry_values import EntryError, action_from, inspection_from, past_moment
from monitor.exchange.log_columns import LONGEST_NOTE
from monitor.exchange.log_entries import UUID
from monitor.inspections import Action, Finding, Inspection
from monitor.operations import photos
from monitor.pictures import LARGEST_PHOTO_BYTES
from monitor.register import Yard
from monitor.store import inspections as log_store
from monitor.store import photos as photo_store
from monitor.store import register as register_store
from monitor.store.accounts import Account
from monitor.store.connection import sentence_of
from monitor.web.entries import IdTakenError, NotThereError, log_action, log_inspection
from monitor.web.security import later, need
from monitor.web.site import now, web, writing
from monitor.web.templating import app_files, app_static

LARGEST_ENTRY_BYTES = 1_000_000

MADE_BY = "Stormwalk-Account"
"""Header with the name, percent-encoded, of the account an entry was written under; another's entry is not taken."""

_HERE = Path(__file__).parent
_PHOTO_OWNERS = ("inspection_id", "finding_id", "action_id")
_METHODS = ("GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "QUERY")

Endpoint = Callable[[Request], Awaitable[Response]]


class _ProblemError(Exception):
    """Ends a request with a status and a sentence."""

    def __init__(self, status: int, sentence: str, *, retry: bool = False) -> None:
        super().__init__(sentence)
        self.status = status
        self.retry = retry


async def _me(request: Request) -> Response:
    account = need(request, "crew")
    return _json({"name": account.name, "role": account.role})


async def _post_inspection(request: Request) -> Response:
    def record(conn: sqlite3.Connection, values: Mapping[str, Any], account: Account) -> Response:
        entry = inspection_from(values)
        return _logged(entry.id, *log_inspection(conn, _yard(conn, entry.yard), entry, account, now(request)))

    return await _post(request, record)


async def _post_action(request: Request) -> Response:
    def record(conn: sqlite3.Connection, values: Mapping[str, Any], account: Account) -> Response:
        entry = action_from(values)
        return _logged(entry.id, *log_action(conn, _yard(conn, entry.yard), entry, account, now(request)))

    return await _post(request, record)


async def _post(
    request: Request, record: Callable[[sqlite3.Connection, Mapping[str, Any], Account], Response]
) -> Response:
    account = _author(request)
    _expect_type(request, "application/json")
    values = _object(await _body(request, LARGEST_ENTRY_BYTES))

    def in_thread() -> Response:
        with writing(request) as conn:
            return record(conn, values, account)

    return await run_in_threadpool(in_thread)


async def _put_photo(request: Request) -> Response:
    account = _author(request)
    photo_id = str(request.path_params["id"]).lower()
    query = _photo_query(request, photo_id)
    data = await _body(request, LARGEST_PHOTO_BYTES)
    return await run_in_threadpool(_record_photo, request, account, photo_id, query, data)


def _record_photo(request: Request, account: Account, photo_id: str, query: Mapping[str, str], data: bytes) -> Response:
    """Take a photo whose entry is in the log; one that came before its entry is to be sent again."""
    owners = {name: query[name].lower() for name in _PHOTO_OWNERS if query.get(name)}
    with writing(request) as conn:
        yard = register_store.yard_of_cover(conn, _owner(conn, owners).cover_id)
        taken_at = past_moment("taken_at", query.get("taken_at", ""), yard, now(request))
        folder = photos.photo_folder(web(request).database)
        is_known = photo_store.was_logged(conn, photo_id)
        try:
            said = photos.record_photo(
                conn,
                folder,
                yard,
                photo_id=photo_id,
                data=data,
                **owners,
                taken_at=taken_at,
                recorded_at=now(request),
                taken_by=account.name,
                note=query.get("note", ""),
            )
        except StormwalkError as error:
            raise IdTakenError(str(error)) if is_known else error from error
    return _logged(photo_id, not is_known, said)


def _photo_query(request: Request, photo_id: str) -> dict[str, str]:
    """The photo's query, each part known and of its kind. Raises EntryError."""
    query = {name: value.strip() for name, value in request.query_params.items()}
    problems = [f"{name!a}: is not known here." for name in query.keys() - {*_PHOTO_OWNERS, "taken_at", "note"}]
    problems += [f"{name}: is given twice." for name in query if len(request.query_params.getlist(name)) > 1]
    ids = {"id": photo_id} | {name: query[name] for name in _PHOTO_OWNERS if query.get(name)}
    problems += [
        f"{name}: found {value!a}, expected a UUID." for name, value in ids.items() if not UUID.fullmatch(value)
    ]
    if bool(query.get("inspection_id") or query.get("finding_id")) == bool(query.get("action_id")):
        problems.append("A photo belongs to an inspection or its finding, or to an action: give the id of one.")
    note = query.get("note", "")
    if len(note) > LONGEST_NOTE or any(ord(letter) < 32 and letter not in "\n\t" for letter in note):
        problems.append(f"note: expected at most {LONGEST_NOTE} letters that can be written down.")
    if problems:
        raise EntryError(problems)
    return query


def _author(request: Request) -> Account:
    """Whoever is signed in; refused where the entry was written under another name, so that nobody's name is wrong."""
    account = need(request, "crew")
    written_by = unquote(request.headers.get(MADE_BY, "")).strip()
    if written_by and written_by != account.name:
        sentence = f"This was written by {written_by}, and {account.name} is signed in. Nothing was logged."
        raise _ProblemError(403, f"{sentence} Sign in as {written_by} to send it.")
    return account


async def _body(request: Request, most_bytes: int) -> bytes:
    """The body, never more of it than allowed."""
    parts, size = [], 0
    async for part in request.stream():
        size += len(part)
        if size > most_bytes:
            raise _ProblemError(413, f"What was sent is larger than {most_bytes / 1e6:g} MB. Nothing was logged.")
        parts.append(part)
    return b"".join(parts)


def _expect_type(request: Request, expected: str) -> None:
    found = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if found != expected:
        raise _ProblemError(
            415, f"The entry came as {found or 'nothing named'!a}, expected {expected}. Nothing was logged."
        )


def _object(body: bytes) -> dict[str, Any]:
    """A JSON object without doubled keys or numbers that are none. Raises _ProblemError."""
    try:
        values = json.loads(body.decode(), object_pairs_hook=_once_each, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise _ProblemError(422, f"The entry is not readable as JSON ({error}). Nothing was logged.") from None
    if not isinstance(values, dict):
        raise _ProblemError(422, "The entry is not a JSON object. Nothing was logged.")
    return values


def _once_each(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) < len(pairs):
        raise ValueError("a key is given twice")
    return values


def _no_constant(text: str) -> float:
    raise ValueError(f"{text} is not a number")


def _yard(conn: sqlite3.Connection, key: str) -> Yard:
    """The yard named, or the only one there is."""
    known = register_store.yards(conn)
    found = [yard for yard in known if yard.key == key or (not key and len(known) == 1)]
    if not found:
        raise _ProblemError(404, f"There is no yard {key!r}. Nothing was logged. Name the yard by its key.")
    return found[0]


def _owner(conn: sqlite3.Connection, owners: Mapping[str, str]) -> Inspection | Action:
    """The entry that a photo belongs to. A photo that came before it is to be sent again."""
    inspection_id = owners.get("inspection_id")
    if "finding_id" in owners:
        finding = log_store.logged_entry(conn, Finding, owners["finding_id"])
        if finding is None:
            raise _too_early(owners["finding_id"])
        inspection_id = inspection_id or finding.inspection_id
    if inspection_id is None:
        action = log_store.logged_entry(conn, Action, owners["action_id"])
        if action is None:
            raise _too_early(owners["action_id"])
        return action
    inspection = log_store.logged_entry(conn, Inspection, inspection_id)
    if inspection is None:
        raise _too_early(inspection_id)
    return inspection


def _too_early(entry_id: str) -> _ProblemError:
    sentence = f"The entry {entry_id} of this photo is not in the log yet. Nothing was stored. Send the entry first."
    return _ProblemError(409, sentence, retry=True)


def _logged(entry_id: str, is_new: bool, said: list[str]) -> Response:
    return _json({"id": entry_id, "new": is_new, "said": said}, 201 if is_new else 200)


def _json(content: Mapping[str, Any], status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    return JSONResponse(content, status_code=status, headers={"Cache-Control": "no-store", **(headers or {})})


def _problem(status: int, sentence: str, *, retry: bool = False, headers: Mapping[str, str] | None = None) -> Response:
    content = {"problem": sentence} | ({"retry": True} if retry else {})
    return _json(content, status, headers)


def _route(path: str, **endpoints: Endpoint) -> Route:
    """A route of the API: whatever goes wrong is answered in JSON, another method too."""

    async def endpoint(request: Request) -> Response:
        handle = endpoints.get(request.method)
        if handle is None:
            if not endpoints:
                return _problem(404, "There is nothing at this address.")
            allowed = {"Allow": ", ".join(endpoints)}
            return _problem(405, "This address cannot be asked in this way. Nothing was changed.", headers=allowed)
        try:
            return await handle(request)
        except _ProblemError as error:
            return _problem(error.status, str(error), retry=error.retry)
        except IdTakenError as error:
            return _problem(409, str(error))
        except NotThereError as error:
            return _problem(404, str(error))
        except StoreError as error:
            return later(_problem(503, str(error)))
        except sqlite3.Error as error:
            return later(_problem(503, sentence_of(error, web(request).database, "Nothing was logged.")))
        except StormwalkError as error:
            return _problem(422, str(error))

    return Route(path, endpoint, methods=_METHODS)


def _openapi(request: Request) -> Response:
    return Response(_openapi_text(), media_type="application/json", headers={"Cache-Control": "no-cache"})


@cache
def _openapi_text() -> bytes:
    return (_HERE / "openapi.json").read_bytes()


def _service_worker(request: Request) -> Response:
    """The script that keeps pages for use without a network, told which files the pages of this version need."""
    needed = [app_static() + name for name in app_files() if name != "sw.js"]
    text = f"const FILES = {json.dumps(needed)};\n".encode() + app_files()["sw.js"]
    headers = {"Cache-Control": "no-cache", "Service-Worker-Allowed": "/"}
    return Response(text, media_type="text/javascript", headers=headers)


def _manifest(request: Request) -> Response:
    content = {
        "name": "stormwalk",
        "short_name": "stormwalk",
        "description": "Winter covers by need: what to look at, and what was seen.",
        "start_url": "/",
        "scope": "/",
        "display": "standalone",
        "background_color": "#ffffff",
        "theme_color": "#0072b2",
        "icons": [
            {"src": f"{app_static()}icon.svg", "sizes": "any", "type": "image/svg+xml"},
            *({"src": f"{app_static()}icon-{px}.png", "sizes": f"{px}x{px}", "type": "image/png"} for px in (192, 512)),
        ],
    }
    return JSONResponse(content, media_type="application/manifest+json", headers={"Cache-Control": "no-cache"})


routes = [
    _route("/api/me", GET=_me),
    _route("/api/inspections", POST=_post_inspection),
    _route("/api/actions", POST=_post_action),
    _route("/api/photos/{id}", PUT=_put_photo),
    _route("/api/{rest:path}"),
    Route("/openapi.json", _openapi),
    Route("/sw.js", _service_worker),
    Route("/manifest.webmanifest", _manifest),
]
