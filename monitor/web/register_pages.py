"""The register in the web app, for leads: the yard, its boats and berths, and how each cover is built."""

from collections.abc import Mapping

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.exchange.register_columns import COVER_COLUMNS, YARD_COLUMNS
from monitor.operations.register import save_yard
from monitor.register import Boat, Cover, CoverBuild, Yard
from monitor.store import register as store
from monitor.store.accounts import Account
from monitor.web.form_reading import Refusal, Sent, form_page
from monitor.web.register_forms import (
    FormRefused,
    cover_from_texts,
    form_fields,
    local_iso,
    texts_of_cover,
    texts_of_yard,
    yard_from_texts,
)
from monitor.web.site import go, now, reading, the_yard, writing, yard_url
from monitor.web.templating import page

CHANGED, WRONG = "changed", "wrong"
"""Why a build is written down anew: the cover was changed, or the record was wrong from the start."""


def show_register(request: Request, account: Account) -> Response:
    """The yard's boats, and the yard itself as a form."""
    with reading(request) as conn:
        yard = the_yard(request, conn)
    return _register_page(request, yard, texts_of_yard(yard))


def take_yard(request: Request, account: Account, sent: Sent) -> Response:
    """Change the yard; its key stays."""
    with writing(request) as conn:
        yard = the_yard(request, conn)
        texts = {**sent.fields, "id": yard.key}
        try:
            changed = yard_from_texts(texts, yard.display_units)
        except FormRefused as error:
            return _register_page(request, yard, texts, error.refusal)
        said = save_yard(conn, changed)
    return go(yard_url(yard.key, "register"), [said])


def show_boat(request: Request, account: Account) -> Response:
    """A boat and its berth as a form; without ``?boat=`` an empty one for a boat that is new."""
    with reading(request) as conn:
        yard = the_yard(request, conn)
        number = request.query_params.get("boat", "")
        if not number:
            return _boat_page(request, yard, None, {})
        cover = store.find_cover(conn, yard.key, number)
    return _boat_page(request, yard, cover, texts_of_cover(cover, cover.builds[-1], yard))


def take_boat(request: Request, account: Account, sent: Sent) -> Response:
    """Change a boat and its berth, or add one with its first cover."""
    number = request.query_params.get("boat", "")
    with writing(request) as conn:
        yard = the_yard(request, conn)
        known = store.find_cover(conn, yard.key, number) if number else None
        texts: Mapping[str, str] = sent.fields
        if known is not None:
            texts = {**texts_of_cover(known, known.builds[-1], yard), **sent.fields, "boat": number}
        covers = store.covers(conn, yard.key)
        others = [one.boat for one in covers if one.boat.number != number]
        try:
            cover = cover_from_texts(texts, yard, others)
            if known is None and any(one.boat.number == cover.boat.number for one in covers):
                sentence = f"{cover.boat.number} is not free; another boat has this number."
                raise FormRefused(Refusal(f"Boat: {sentence} Nothing was stored.", {"boat": sentence}))
        except FormRefused as error:
            return _boat_page(request, yard, known, dict(texts), error.refusal)
        counts = store.save_covers(conn, yard.key, [cover], now(request))
    what = f"boat {cover.boat.number} ({cover.boat.name})"
    said = f"Added {what}." if counts.added else f"Changed {what}." if counts.changed else f"Nothing of {what} changed."
    return go(yard_url(yard.key, "boat", number=cover.boat.number), [said])


def show_build(request: Request, account: Account) -> Response:
    """The build of a boat's cover as a form."""
    with reading(request) as conn:
        yard = the_yard(request, conn)
        cover = store.find_cover(conn, yard.key, request.query_params.get("boat", ""))
    build = cover.build_at(now(request))
    fields = texts_of_cover(cover, build, yard) | {"built_on": local_iso(now(request), yard), "why": CHANGED}
    return _build_page(request, yard, cover, build, fields)


def take_build(request: Request, account: Account, sent: Sent) -> Response:
    """Write a build down anew: as a later version from a moment on, or in place of a record that was wrong."""
    with writing(request) as conn:
        yard = the_yard(request, conn)
        known = store.find_cover(conn, yard.key, request.query_params.get("boat", ""))
        current = known.build_at(now(request))
        before = texts_of_cover(known, current, yard)
        boat_and_day = {c.name: before[c.name] for c in COVER_COLUMNS if c.part != "build"}
        texts = {**before, **sent.fields, **boat_and_day}
        if sent.fields.get("why") == WRONG:
            texts["built_on"] = before["built_on"]
        try:
            cover = cover_from_texts(texts, yard)
        except FormRefused as error:
            return _build_page(request, yard, known, current, {**texts, **sent.fields}, error.refusal)
        address = yard_url(yard.key, "boat", number=known.boat.number)
        (build,) = cover.builds
        if _as_before(build, current):
            return go(address, [f"The build of {known.boat.number} is recorded so already; nothing was changed."])
        store.save_covers(conn, yard.key, [cover], now(request))
    how = "put right in the record" if sent.fields.get("why") == WRONG else "a new version stands"
    return go(address, [f"The build of {known.boat.number} ({known.boat.name}): {how}; earlier ones stay readable."])


def show_erasure(request: Request, account: Account) -> Response:
    """Ask before the owner is forgotten."""
    with reading(request) as conn:
        yard = the_yard(request, conn)
        boat = store.find_cover(conn, yard.key, request.query_params.get("boat", "")).boat
    return page(request, "erase_owner.html", yard=yard, here="register", boat=boat)


def take_erasure(request: Request, account: Account, sent: Sent) -> Response:
    """Forget the owner of a boat."""
    number = request.query_params.get("boat", "")
    with writing(request) as conn:
        yard = the_yard(request, conn)
        erased = store.erase_owner(conn, yard.key, number)
    said = f"The owner of boat {number} was erased." if erased else f"No owner of boat {number} was recorded."
    return go(yard_url(yard.key, "boat", number=number), [said, "Backups made before still hold the name."])


def _register_page(request: Request, yard: Yard, typed: Mapping[str, str], refused: Refusal | None = None) -> Response:
    with reading(request) as conn:
        boats = [cover.boat for cover in store.covers(conn, yard.key)]
    fields = form_fields(YARD_COLUMNS, ["yard"], yard.display_units, leave_out=["id"])
    return _form(request, "register.html", yard, typed, refused, fields=fields, boats=boats)


def _boat_page(
    request: Request, yard: Yard, cover: Cover | None, typed: Mapping[str, str], refused: Refusal | None = None
) -> Response:
    units = yard.display_units
    known = cover is not None
    fields = form_fields(COVER_COLUMNS, ["boat"], units, leave_out=["boat"] if known else [])
    build_fields = [] if known else form_fields(COVER_COLUMNS, ["cover", "build"], units)
    boat: Boat | None = None if cover is None else cover.boat
    return _form(
        request, "register_boat.html", yard, typed, refused, fields=fields, build_fields=build_fields, boat=boat
    )


def _build_page(
    request: Request,
    yard: Yard,
    cover: Cover,
    build: CoverBuild,
    typed: Mapping[str, str],
    refused: Refusal | None = None,
) -> Response:
    fields = form_fields(COVER_COLUMNS, ["build"], yard.display_units, leave_out=["built_on"])
    return _form(
        request, "register_cover.html", yard, typed, refused, fields=fields, boat=cover.boat, built_at=build.built_at
    )


def _form(
    request: Request, template: str, yard: Yard, typed: Mapping[str, str], refused: Refusal | None, **values: object
) -> Response:
    return page(
        request,
        template,
        status=200 if refused is None else 422,
        yard=yard,
        here="register",
        typed=dict(typed),
        wrong={} if refused is None else refused.at,
        problem="" if refused is None else refused.sentence,
        **values,
    )


def _as_before(build: CoverBuild, current: CoverBuild) -> bool:
    """Whether nothing but the moment differs."""
    names = [column.field for column in COVER_COLUMNS if column.part == "build" and column.field != "built_at"]
    return all(getattr(build, name) == getattr(current, name) for name in names)


_BOTH = ["GET", "POST"]

routes = [
    Route("/yards/{key}/register", form_page("lead", show_register, take_yard), methods=_BOTH),
    Route("/yards/{key}/register/boat", form_page("lead", show_boat, take_boat), methods=_BOTH),
    Route("/yards/{key}/register/cover", form_page("lead", show_build, take_build), methods=_BOTH),
    Route("/yards/{key}/register/erase-owner", form_page("lead", show_erasure, take_erasure), methods=_BOTH),
]
