"""Pages about people: signing in, one's own password and sessions, a lead's list of people, links for guests."""

import asyncio
import re
import sqlite3
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from functools import partial
from typing import Any, TypeVar

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from monitor.errors import StormwalkError
from monitor.operations import accounts as operations
from monitor.operations.accounts import Attempt, SignInRefusedError, TooManyTriesError
from monitor.store import accounts as store
from monitor.store import register as register_store
from monitor.store.accounts import Account
from monitor.web.form_reading import expect_utf8
from monitor.web.security import (
    NO_ACCOUNT,
    account_of,
    device_of,
    forget_signed_in,
    keep_signed_in,
    local_path,
    need,
    never_kept,
    session_of_request,
    token_of,
)
from monitor.web.site import go, now, reading, the_yard, web, writing, yard_url
from monitor.web.templating import is_loopback, page
from monitor.wording import local_text

MOST_FIELDS, LARGEST_FIELD_BYTES = 10, 4_000
"""Of a form about people: a password of 200 characters, whatever they are, fits in."""

_HASHING = {
    True: ThreadPoolExecutor(1, "password-here"),
    False: ThreadPoolExecutor(2, "password-elsewhere"),
}
"""Threads that look at passwords, for the yard's own computer (True) and for others.

So few that three hashes of 64 MiB are the most in memory at once, and apart, so that the yard's computer never stands
behind strangers in a queue.
"""

T = TypeVar("T")


async def _hashing(request: Request, call: Callable[[], T]) -> T:
    """Run what takes long because of a password."""
    threads = _HASHING[operations.is_this_computer(_client(request))]
    return await asyncio.get_running_loop().run_in_executor(threads, call)


def _client(request: Request) -> str:
    return request.client.host if request.client else ""


async def _form(request: Request) -> dict[str, str]:
    """Fields of a form without files."""
    expect_utf8(request)
    async with request.form(max_files=0, max_fields=MOST_FIELDS, max_part_size=LARGEST_FIELD_BYTES) as form:
        return {name: value for name, value in form.items() if isinstance(value, str)}


# --- signing in and out


def sign_in_page(request: Request) -> Response:
    """The form; who is signed in already goes on at once."""
    target = local_path(request.query_params.get("next", "/"))
    if account_of(request) is not None:
        return never_kept(RedirectResponse(target, status_code=303))
    return _sign_in_form(request, target=target, problem="" if request.state.has_accounts else NO_ACCOUNT)


async def sign_in(request: Request) -> Response:
    """Open a session, or say why not; the form keeps what was typed but for the password."""
    form = await _form(request)
    name, password, target = form.get("name", "").strip(), form.get("password", ""), local_path(form.get("next", "/"))
    refuse = partial(_sign_in_form, request, name=name, target=target)
    if not name or not password:
        return await run_in_threadpool(refuse, status=422, problem="Give both your name and your password.")
    try:
        attempt = await _attempt(request, name)
        token = await _hashing(request, partial(_open_session, request, attempt, password))
    except SignInRefusedError as error:
        return await run_in_threadpool(refuse, status=401, problem=str(error), error=error)
    answer = go(target)
    keep_signed_in(answer, request, token)
    return never_kept(answer)


async def _attempt(request: Request, name: str) -> Attempt:
    """Count a try with a password, and wait before it where too many failed on the yard's own computer."""

    def begin() -> Attempt:
        with writing(request) as conn:
            return operations.begin_attempt(conn, name, _client(request), now(request))

    attempt = await run_in_threadpool(begin)
    await asyncio.sleep(attempt.pause_s)
    return attempt


def _open_session(request: Request, attempt: Attempt, password: str) -> str:
    with writing(request) as conn:
        _, token = operations.sign_in(
            conn,
            attempt,
            password,
            device=device_of(request),
            now=now(request),
            replaces=token_of(request),
            hasher=web(request).hasher,
        )
    return token


def _sign_in_form(
    request: Request,
    *,
    target: str,
    name: str = "",
    problem: str = "",
    status: int = 200,
    error: SignInRefusedError | None = None,
) -> Response:
    wait_s = error.retry_after_s if isinstance(error, TooManyTriesError) else 0
    answer = page(request, "sign_in.html", status=429 if wait_s else status, problem=problem, name=name, next=target)
    if wait_s:
        answer.headers["Retry-After"] = str(wait_s)
    return never_kept(answer)


def sign_out(request: Request) -> Response:
    """End the session of this browser."""
    if token := token_of(request):
        with writing(request) as conn:
            operations.end_session(conn, token)
    return _signed_out(request)


def _signed_out(request: Request) -> Response:
    answer = go("/sign-in", ["You are signed out."])
    forget_signed_in(answer, request)
    return never_kept(answer)


# --- one's own account


def own_account(request: Request) -> Response:
    """Password, and the browsers that are signed in."""
    need(request, "crew")
    return _account_page(request)


async def change_own_account(request: Request) -> Response:
    """Change the password, end one session, or end all of them."""
    account, form = need(request, "crew"), await _form(request)
    match form.get("do"):
        case "password":
            return await _change_password(request, account, form)
        case "end":
            return await run_in_threadpool(_end_one, request, account, form.get("session", ""))
        case "everywhere":
            return await run_in_threadpool(_end_all, request, account)
    return await run_in_threadpool(_account_page, request, _NO_SUCH_BUTTON, 422)


async def _change_password(request: Request, account: Account, form: Mapping[str, str]) -> Response:

    async def refuse(problem: str, status: int = 422) -> Response:
        return await run_in_threadpool(_account_page, request, problem, status)

    if form.get("new", "") != form.get("again", ""):
        return await refuse(_DIFFER)

    def change(attempt: Attempt) -> str:
        with writing(request) as conn:
            return operations.change_password(
                conn,
                account,
                attempt,
                form.get("old", ""),
                form.get("new", ""),
                device=device_of(request),
                now=now(request),
                hasher=web(request).hasher,
            )

    try:
        operations.check_password(account.name, form.get("new", ""))  # a slip in the new one is no failed try
        token = await _hashing(request, partial(change, await _attempt(request, account.name)))
    except TooManyTriesError as error:
        answer = await refuse(str(error), 429)
        answer.headers["Retry-After"] = str(error.retry_after_s)
        return answer
    except StormwalkError as error:
        return await refuse(str(error))
    answer = go("/account", ["Your password is changed. Every other browser was signed out."])
    keep_signed_in(answer, request, token)
    return never_kept(answer)


def _end_one(request: Request, account: Account, token_sha256: str) -> Response:
    own = session_of_request(request)
    with writing(request) as conn:
        ended = store.end_session(conn, token_sha256, account.id)
    if own is not None and own.token_sha256 == token_sha256:
        return _signed_out(request)
    return never_kept(go("/account", ["That browser was signed out." if ended else "That session had ended already."]))


def _end_all(request: Request, account: Account) -> Response:
    with writing(request) as conn:
        operations.sign_out_everywhere(conn, account)
    return _signed_out(request)


def _account_page(request: Request, problem: str = "", status: int = 200) -> Response:
    account, own = need(request, "crew"), session_of_request(request)
    with reading(request) as conn:
        zone = _zone(conn)
        rows = [
            {
                "id": each.token_sha256,
                "device": each.device,
                "since": local_text(each.created_at, zone, year=True),
                "until": local_text(each.expires_at, zone, year=True),
                "is_this": own is not None and each.token_sha256 == own.token_sha256,
            }
            for each in store.sessions(conn, account.id, now(request))
        ]
    limits = {"shortest": operations.SHORTEST_PASSWORD, "longest": operations.LONGEST_PASSWORD}
    return never_kept(page(request, "account.html", status=status, problem=problem, sessions=rows, **limits))


# --- people, for a lead


def people(request: Request) -> Response:
    """Everybody with an account."""
    need(request, "lead")
    return _people_page(request)


async def change_people(request: Request) -> Response:
    """Add somebody, or change one account."""
    lead, form = need(request, "lead"), await _form(request)
    try:
        said = await _hashing(request, partial(_change_person, request, lead, form))
    except StormwalkError as error:
        return await run_in_threadpool(_people_page, request, form, str(error), 422)
    return never_kept(go("/people", [said]))


def _change_person(request: Request, lead: Account, form: Mapping[str, str]) -> str:
    do, moment, hasher = form.get("do"), now(request), web(request).hasher
    if do in ("add", "password") and form.get("password", "") != form.get("again", ""):
        raise StormwalkError(_DIFFER)
    with writing(request) as conn:
        if do == "add":
            name, role = form.get("name", ""), form.get("role", "")
            added = operations.add_account(conn, name, role, form.get("password", ""), moment, hasher)
            return f"{added.name} may sign in as {added.role}. Tell the password in person."
        number = form.get("account", "")
        account = operations.account_of_id(conn, int(number) if re.fullmatch(r"[0-9]{1,15}", number) else 0)
        match do:
            case "role":
                return operations.set_role(conn, account, form.get("role", ""))
            case "password":
                if account.id == lead.id:
                    raise StormwalkError(
                        "Your own password is changed under your account, where the old one is asked. Nothing was "
                        "changed."
                    )
                return operations.set_password(conn, account, form.get("password", ""), hasher)
            case "close":
                return operations.close_account(conn, account, moment)
            case "reopen":
                return operations.reopen_account(conn, account)
            case "sign_out":
                return operations.sign_out_everywhere(conn, account)
    raise StormwalkError(_NO_SUCH_BUTTON)


def _people_page(
    request: Request, form: Mapping[str, str] | None = None, problem: str = "", status: int = 200
) -> Response:
    typed = form if form is not None and form.get("do") == "add" else {}
    with reading(request) as conn:
        zone, counts = _zone(conn), store.session_counts(conn, now(request))
        rows = [
            {
                "id": each.id,
                "name": each.name,
                "role": each.role,
                "since": local_text(each.created_at, zone, year=True),
                "closed": "" if each.closed_at is None else local_text(each.closed_at, zone, year=True),
                "sessions": counts.get(each.id, 0),
            }
            for each in store.accounts(conn)
        ]
    values: dict[str, Any] = {
        "people": rows,
        "roles": store.ROLES,
        "name": typed.get("name", ""),
        "role": typed.get("role", "crew"),
        "shortest": operations.SHORTEST_PASSWORD,
        "longest": operations.LONGEST_PASSWORD,
    }
    return never_kept(page(request, "people.html", status=status, problem=problem, **values))


# --- links for guests, made by a lead


def guests(request: Request) -> Response:
    """The links of a yard, and a form for a new one."""
    need(request, "lead")
    return _guests_page(request, boat=request.query_params.get("boat", ""))


async def change_guests(request: Request) -> Response:
    """Make a link, or take one back."""
    need(request, "lead")
    return await run_in_threadpool(_change_guests, request, await _form(request))


def _change_guests(request: Request, form: Mapping[str, str]) -> Response:
    boat, moment = form.get("boat", ""), now(request)
    try:
        with writing(request) as conn:
            yard = the_yard(request, conn)
            said = _change_guest(conn, yard.key, form, need(request, "lead"), moment)
    except StormwalkError as error:
        return _guests_page(request, boat=boat, days=form.get("days", ""), problem=str(error), status=422)
    return never_kept(go(yard_url(yard.key, "guests"), [said]))


def _change_guest(
    conn: sqlite3.Connection, yard_key: str, form: Mapping[str, str], by: Account, moment: datetime
) -> str:
    match form.get("do"):
        case "make":
            days = form.get("days", "").strip()
            if not re.fullmatch(r"[0-9]{1,4}", days):
                raise StormwalkError(f"Days: found {days!r}, expected a whole number. No link was made.")
            link = operations.make_guest_link(
                conn, yard_key, form.get("boat", ""), by=by.name, now=moment, days=int(days)
            )
            return (
                f"The link of boat {link.boat} is in the list below. Whoever has its address sees the condition report "
                f"of that boat."
            )
        case "revoke":
            if store.revoke_guest_link(conn, yard_key, form.get("link", ""), moment):
                return "The link was taken back; it shows nothing any more."
            raise StormwalkError("There is no such link in force. Nothing was changed. Load the page again.")
    raise StormwalkError(_NO_SUCH_BUTTON)


def _guests_page(request: Request, *, boat: str = "", days: str = "", problem: str = "", status: int = 200) -> Response:
    moment, site = now(request), f"{request.url.scheme}://{request.url.netloc}"
    with writing(request) as conn:  # the first look makes the secret that signs the links
        yard = the_yard(request, conn)
        boats = {cover.boat.number: cover.boat.name for cover in register_store.all_covers(conn, yard.key)}
        rows = [
            {
                "id": link.id,
                "boat": link.boat,
                "boat_name": link.boat_name,
                "made": local_text(link.created_at, yard.time_zone, year=True),
                "by": link.created_by,
                "until": local_text(link.expires_at, yard.time_zone, year=True),
                "state": _link_state(link, moment),
                "address": f"{site}/guest/{operations.guest_token(conn, link)}" if link.is_open(moment) else "",
            }
            for link in store.guest_links(conn, yard.key)
        ]
    values: dict[str, Any] = {
        "yard": yard,
        "boats": boats,
        "boat": boat,
        "days": days or str(operations.GUEST_LINK_DAYS),
        "most_days": operations.MOST_GUEST_LINK_DAYS,
        "links": rows,
        "only_here": is_loopback(request.url.hostname),
    }
    return never_kept(page(request, "guests.html", status=status, problem=problem, **values))


def _link_state(link: store.GuestLink, moment: datetime) -> str:
    if link.revoked_at is not None:
        return "taken back"
    return "in force" if link.is_open(moment) else "has ended"


# --- shared

_DIFFER = "The two passwords are not the same. Nothing was changed. Type the new one twice."
_NO_SUCH_BUTTON = "The form has no such button. Nothing was changed. Load the page again."


def _zone(conn: sqlite3.Connection) -> str:
    """Whose clock times of people are told on: the first yard's."""
    yards = register_store.yards(conn)
    return yards[0].time_zone if yards else "UTC"


routes = [
    Route("/sign-in", sign_in_page, methods=["GET"]),
    Route("/sign-in", sign_in, methods=["POST"]),
    Route("/sign-out", sign_out, methods=["POST"]),
    Route("/account", own_account, methods=["GET"]),
    Route("/account", change_own_account, methods=["POST"]),
    Route("/people", people, methods=["GET"]),
    Route("/people", change_people, methods=["POST"]),
    Route("/yards/{key}/guests", guests, methods=["GET"]),
    Route("/yards/{key}/guests", change_guests, methods=["POST"]),
]
