"""Documents in the app: condition report, memo, season's review and walk sheet, shown, saved or as PDF; and a guest's.

Each is the file that the command line writes, with links above it where it is shown as a page.
"""

import sqlite3
from collections.abc import Callable, Hashable, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Literal
from urllib.parse import quote, urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.changes import Change
from monitor.documents import pdf
from monitor.documents.page import file_stem, with_ways
from monitor.errors import StoreError, StormwalkError
from monitor.exchange.change_options import (
    BUILD_OPTIONS,
    DAY_OPTIONS,
    LONGEST_PRICE,
    PRICE,
    RETENSIONED_AT,
    change_fields,
)
from monitor.exchange.entry_values import EntryError, past_moment
from monitor.operations.accounts import guest_boat
from monitor.operations.condition import condition_report, report_name
from monitor.operations.memo import memo_of_boat
from monitor.operations.photos import photo_folder
from monitor.operations.season_review import season_document
from monitor.operations.walk_sheet import sheet_of_walk
from monitor.presentation.proposal import Proposal
from monitor.register import Cover, Yard
from monitor.store import register as register_store
from monitor.store.service import newest_entries, newest_pictures_and_walks
from monitor.units import show_length
from monitor.web.making import Maker, TooManyWaitingError
from monitor.web.security import need, need_reader
from monitor.web.site import disposition, now, reading, the_yard, web, yard_url
from monitor.web.templating import is_loopback, page, plain_word

NEVER_KEPT = {"Cache-Control": "private, no-store"}
"""Of every document: it tells of a customer's boat, and the next look at it is to be the newest."""

SHOWN_HERE_ALONE = (
    "No QR codes: this sheet was printed from an address that only the yard's own computer reaches. Open the app under "
    "its name in the network and print it there, and each cover gets a code that opens its inspection form."
)

MOST_MOMENTS = 20
"""Moments of a re-tensioning in one memo."""

Make = Callable[[sqlite3.Connection, Yard, datetime], str]
Ways = tuple[tuple[str, str], ...]
Form = Literal["page", "file", "pdf"]


@dataclass(frozen=True)
class Asked:
    """A document asked for: what tells it from others, how it is made, its file's name, and where one goes from it."""

    what: tuple[Hashable, ...]
    make: Make
    stem: Callable[[Yard, datetime], str]
    ways: Ways
    as_file: str
    as_pdf: str


async def guest_report(request: Request) -> Response:
    """The condition report of the one boat that a guest's link was made for, without its owner.

    Whoever has the link sees it, and links are handed on; so the owner's name is not on it, though it may be theirs.
    """
    return await _guest(request, "page")


async def guest_file(request: Request) -> Response:
    """The same, to be saved."""
    return await _guest(request, "file")


async def guest_pdf(request: Request) -> Response:
    """The same as PDF."""
    return await _guest(request, "pdf")


async def _guest(request: Request, form: Form) -> Response:
    yard, boat = await run_in_threadpool(_of_guest, request)
    folder = f"/guest/{quote(request.path_params['token'], safe='')}"
    asked = _condition(request, boat, (), (f"{folder}/report.html", f"{folder}/report.pdf"))
    return await _answer(request, yard, asked, form)


async def condition(request: Request) -> Response:
    """The condition report of a boat; with its owner's name for a lead who asks for it."""
    account, boat = need_reader(request), request.query_params.get("boat", "")
    owner = bool(request.query_params.get("owner"))
    if owner:
        need(request, "lead")
    yard = await run_in_threadpool(_yard, request)
    ways = [(f"To boat {boat}", yard_url(yard.key, "boat", number=boat))]
    if account is not None and account.is_lead:
        other = {} if owner else {"owner": "1"}
        words = "Without the owner's name" if owner else "With the owner's name"
        ways.append((words, yard_url(yard.key, "condition", boat=boat, **other)))
    asked = _condition(request, boat, tuple(ways), _files(request), with_owner=owner)
    return await _answer(request, yard, asked, _form(request))


def _condition(request: Request, boat: str, ways: Ways, files: tuple[str, str], with_owner: bool = False) -> Asked:
    folder = photo_folder(web(request).database)

    def make(conn: sqlite3.Connection, yard: Yard, moment: datetime) -> str:
        return condition_report(conn, folder, yard, boat, as_of=moment, known_at=moment, with_owner=with_owner)

    def stem(yard: Yard, moment: datetime) -> str:
        return report_name(yard, boat, moment)

    return Asked(("condition", boat, with_owner), make, stem, ways, *files)


async def season(request: Request) -> Response:
    """The review of the yard's season, for leads."""
    need(request, "lead")
    yard = await run_in_threadpool(_yard, request)
    hindsight = bool(request.query_params.get("hindsight"))

    def make(conn: sqlite3.Connection, yard: Yard, moment: datetime) -> str:
        return season_document(conn, yard, until=moment, known_at=moment, hindsight=hindsight)

    if hindsight:
        other = ("By what was known then", yard_url(yard.key, "season"))
    else:
        other = ("With hindsight", yard_url(yard.key, "season", hindsight="1"))
    ways = (("To the list", yard_url(yard.key)), other)
    asked = Asked(
        ("season", hindsight), make, lambda yard, moment: file_stem("season", yard, moment), ways, *_files(request)
    )
    return await _answer(request, yard, asked, _form(request))


async def sheet(request: Request) -> Response:
    """The walk as a sheet to print."""
    need_reader(request)
    yard = await run_in_threadpool(_yard, request)
    walk_id, party = request.query_params.get("id") or None, request.query_params.get("party", "")
    base_url = None if is_loopback(request.url.hostname) else f"{request.url.scheme}://{request.url.netloc}"

    def make(conn: sqlite3.Connection, yard: Yard, moment: datetime) -> str:
        return sheet_of_walk(
            conn, yard, walk_id, now=moment, party=party, base_url=base_url, no_address=SHOWN_HERE_ALONE
        )

    back = {} if walk_id is None else {"id": walk_id}
    asked = Asked(
        ("sheet", walk_id, party, base_url),
        make,
        lambda yard, moment: file_stem("walk", yard, moment),
        (("To the walk", yard_url(yard.key, "walk", **back)),),
        *_files(request),
    )
    return await _answer(request, yard, asked, _form(request))


async def memo(request: Request) -> Response:
    """A form for a proposal; with ``?as=`` the memo on it. Nothing is stored, so that both are asked for by address."""
    need(request, "lead")
    typed = {name: value for name, value in request.query_params.items() if value.strip()}
    boat = typed.get("boat", "")
    yard, cover = await run_in_threadpool(_boat, request, boat)
    if not typed.get("as"):
        return await run_in_threadpool(_memo_form, request, yard, cover, typed)
    try:
        proposal, moments, price = _proposal(typed, yard, now(request))
        folder, with_owner = photo_folder(web(request).database), bool(typed.get("with_owner"))

        def make(conn: sqlite3.Connection, yard: Yard, moment: datetime) -> str:
            return memo_of_boat(
                conn,
                yard,
                boat,
                proposal,
                as_of=moment,
                known_at=moment,
                photos=folder,
                retensioned_at=moments,
                price=price,
                with_owner=with_owner,
            )

        again = {name: value for name, value in typed.items() if name != "as"}
        ways = (
            (f"To boat {boat}", yard_url(yard.key, "boat", number=boat)),
            ("Another proposal", yard_url(yard.key, "memo", **again)),
        )
        asked = Asked(
            ("memo", boat, proposal, moments, price, with_owner),
            make,
            lambda yard, moment: file_stem("memo", yard, moment, boat),
            ways,
            *_files(request),
        )
        return await _answer(request, yard, asked, _form(request))
    except StoreError:
        raise
    except StormwalkError as error:
        return await run_in_threadpool(_memo_form, request, yard, cover, typed, str(error))


def _memo_form(request: Request, yard: Yard, cover: Cover, typed: Mapping[str, str], problem: str = "") -> Response:
    build = cover.build_at(now(request))
    spacing_m = build.belly_band_spacing_m
    return page(
        request,
        "memo.html",
        status=422 if problem else 200,
        yard=yard,
        boat=cover.boat,
        typed=typed,
        wrong={},
        problem=problem,
        build_options=BUILD_OPTIONS,
        choices={option.name: [(word, plain_word(word)) for word in option.choices] for option in BUILD_OPTIONS},
        day_options=DAY_OPTIONS,
        as_it_is={
            "vents": str(build.vent_count),
            "belly_spacing": "" if spacing_m is None else show_length(spacing_m, yard.display_units),
            "ground": plain_word(build.ground),
            "film_colour": plain_word(build.film_colour),
        },
        retensioned_at=RETENSIONED_AT,
        price=PRICE,
        pdf_is_possible=pdf.is_installed(),
    )


def _proposal(typed: Mapping[str, str], yard: Yard, moment: datetime) -> tuple[Proposal, tuple[datetime, ...], str]:
    """What a form proposes, moments of re-tensioning (UTC), and the price. Raises StormwalkError."""
    change = Change(**change_fields(typed, lambda option: option.label))
    proposal = Proposal(change, **{option.name: bool(typed.get(option.name)) for option in DAY_OPTIONS})
    if not proposal.topics:
        raise StormwalkError("Nothing is proposed. No memo was written. Fill in what is to be changed.")
    lines = [line.strip() for line in typed.get(RETENSIONED_AT.name, "").splitlines() if line.strip()]
    if lines and not proposal.retension:
        raise StormwalkError("Re-tensioned at: goes with re-tensioning. No memo was written. Choose it too.")
    if len(lines) > MOST_MOMENTS:
        raise StormwalkError(
            f"Re-tensioned at: {len(lines)} moments, expected at most {MOST_MOMENTS}. No memo was written."
        )
    price = typed.get(PRICE.name, "").strip()
    if len(price) > LONGEST_PRICE:
        raise StormwalkError(f"Price: {len(price)} characters, expected at most {LONGEST_PRICE}. No memo was written.")
    try:
        moments = [past_moment(RETENSIONED_AT.label, line, yard, moment) for line in lines]
    except EntryError as error:
        raise StormwalkError(f"{' '.join(error.problems)} No memo was written.") from None
    return proposal, tuple(one for one in moments if one is not None), price


# --- made, and handed out


async def _answer(request: Request, yard: Yard, asked: Asked, form: Form) -> Response:
    """The document as ``form`` says: page, file or pdf."""
    maker: Maker = request.app.state.maker
    moment, state = now(request), await run_in_threadpool(_state, request, yard)
    try:
        made_at, html = await maker.made(
            yard.key, asked.what, state, moment, partial(_make, request, yard, asked, moment)
        )
        if form != "pdf":
            return _html(html, yard, asked, made_at, form)
        try:
            made = await maker.made(yard.key, ("pdf", *asked.what), (state, made_at), moment, partial(pdf.to_pdf, html))
        except StormwalkError as error:
            return page(request, "trouble.html", status=404, title="No PDF", sentence=str(error))
    except TooManyWaitingError as error:
        answer = page(request, "trouble.html", status=503, title="Not now", sentence=str(error))
        answer.headers["Retry-After"] = "60"
        return answer
    headers = {**NEVER_KEPT, "Content-Disposition": disposition("attachment", f"{asked.stem(yard, made_at)}.pdf")}
    return Response(made, media_type="application/pdf", headers=headers)


def _html(html: str, yard: Yard, asked: Asked, made_at: datetime, form: Form) -> Response:
    kind: Literal["attachment", "inline"] = "attachment" if form == "file" else "inline"
    headers = {**NEVER_KEPT, "Content-Disposition": disposition(kind, f"{asked.stem(yard, made_at)}.html")}
    if form != "file":
        ways = [*asked.ways, ("Save as a file", asked.as_file)]
        if pdf.is_installed():
            ways.append(("Save as PDF", asked.as_pdf))
        html = with_ways(html, ways)
    return Response(html, media_type="text/html; charset=utf-8", headers=headers)


def _make(request: Request, yard: Yard, asked: Asked, moment: datetime) -> tuple[datetime, str]:
    with reading(request) as conn:
        return moment, asked.make(conn, yard, moment)


def _state(request: Request, yard: Yard) -> Hashable:
    with reading(request) as conn:
        yard_id = register_store.yard_id(conn, yard.key)
        return newest_entries(conn, yard_id, ()), newest_pictures_and_walks(conn)


def _form(request: Request) -> Form:
    match request.query_params.get("as"):
        case "file":
            return "file"
        case "pdf":
            return "pdf"
    return "page"


def _files(request: Request) -> tuple[str, str]:
    """Addresses of the same document as a file and as PDF."""
    query = [(name, value) for name, value in request.query_params.multi_items() if name != "as"]
    as_file, as_pdf = (f"{request.url.path}?{urlencode([*query, ('as', form)])}" for form in ("file", "pdf"))
    return as_file, as_pdf


def _yard(request: Request) -> Yard:
    with reading(request) as conn:
        return the_yard(request, conn)


def _boat(request: Request, number: str) -> tuple[Yard, Cover]:
    with reading(request) as conn:
        yard = the_yard(request, conn)
        return yard, register_store.find_cover(conn, yard.key, number)


def _of_guest(request: Request) -> tuple[Yard, str]:
    with reading(request) as conn:
        yard_key, boat = guest_boat(conn, request.path_params["token"], now(request))
        return register_store.yard(conn, yard_key), boat


routes = [
    Route("/guest/{token}", guest_report),
    Route("/guest/{token}/report.html", guest_file),
    Route("/guest/{token}/report.pdf", guest_pdf),
    Route("/yards/{key}/condition", condition),
    Route("/yards/{key}/memo", memo),
    Route("/yards/{key}/season", season),
    Route("/yards/{key}/sheet", sheet),
]
