"""The round: each party's stops with what is done of them, and for a lead the planning and changing of it."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from monitor.assessment import YardAssessment
from monitor.clocks import Log, taken_off
from monitor.documents import pdf
from monitor.documents.walk_sheet import clock_text, way_text
from monitor.errors import StoreError, StormwalkError
from monitor.exchange.entry_values import EntryError, past_moment
from monitor.operations import walks
from monitor.presentation.rows import CoverRow, cover_row
from monitor.register import Boat, Cover, Yard
from monitor.store import inspections as log_store
from monitor.store import register as register_store
from monitor.store.accounts import Account
from monitor.walks.plan import MINUTES, WALKED_CALLS, LeftOut, PartyRound, PlannedStop, WalkRequest, party_text
from monitor.web.form_reading import Refusal, Sent, read_form, refusal
from monitor.web.security import need, need_reader
from monitor.web.site import go, now, reading, the_yard, web, writing, yard_url
from monitor.web.templating import page
from monitor.web.today import no_list
from monitor.wording import berth_text, local_text

LABELS = {
    "crew": "Who walks",
    "party_size": "People in a party",
    "start": "Start",
    "limit": "Time there is",
    "minutes": "Minutes at a cover",
}

LATEST = datetime(2099, 12, 31, tzinfo=UTC)
"""A walk is planned ahead; later than this is a slip of the pen."""

A_DAY = timedelta(days=1)
"""A round that began so long ago is no longer that of today."""

JUDGED = "own judgement"
"""Notes of a plan that say so tell what it rests on; the others warn."""

NOT_PLANNED = "No walk was planned; what you wrote stands below."
OLDER_WALKS = 20


@dataclass(frozen=True)
class Stop:
    """One stop as the page shows it; ``looked`` says who has looked since the walk's start, or that nobody need.

    ``stand_crew`` and ``check`` are of the list as it is now: what keeps people away, and what to look at first.
    """

    boat: str
    name: str
    berth: str
    call: str
    call_class: str
    score: str
    arrive: str
    minutes: str
    way: str
    looked: str
    stand_crew: tuple[str, ...]
    check: str


@dataclass(frozen=True)
class Round:
    """One party's round; ``mine`` where the one who reads walks it."""

    number: int
    names: str
    mine: bool
    finish: str
    stops: tuple[Stop, ...]
    done: int


def walk_page(request: Request) -> Response:
    """The newest walk, or the one of ``?id=``."""
    need_reader(request)
    return _walk_page(request)


async def change_walk(request: Request) -> Response:
    """Plan a walk, or change one."""
    account = need(request, "lead")
    sent = await read_form(request)
    take = _plan if sent.fields.get("do") == "plan" else _change
    return await run_in_threadpool(take, request, account, sent)


def _plan(request: Request, account: Account, sent: Sent) -> Response:
    fields = sent.fields
    with writing(request) as conn:
        yard = the_yard(request, conn)
        try:
            asked = _request_from(fields, yard, now(request))
            stored = walks.plan_walk(conn, yard, asked, by=account.name, now=now(request))
        except EntryError as error:
            return _walk_page(request, fields, refusal(error.problems, LABELS, [], NOT_PLANNED))
        except StormwalkError as error:
            return _walk_page(request, fields, Refusal(f"{error}\n{NOT_PLANNED}", {}))
    stops = sum(len(one.stops) for one in stored.plan.rounds)
    return go(yard_url(yard.key, "walk"), [f"Planned a walk to {stops} covers, {stored.id[:8]}."])


def _change(request: Request, account: Account, sent: Sent) -> Response:
    fields = sent.fields
    with writing(request) as conn:
        yard = the_yard(request, conn)
        try:
            if fields.get("do") not in ("add", "drop", "hand_over"):
                raise StormwalkError("The form does not say what to change. Nothing was changed. Open the walk again.")
            walks.change_walk(
                conn,
                yard,
                fields.get("walk", ""),
                change=fields["do"],
                boat=fields.get("boat", ""),
                party=fields.get("party", ""),
                by=account.name,
                now=now(request),
                note=fields.get("note", "").strip(),
            )
        except StormwalkError as error:
            return _walk_page(request, fields, Refusal(str(error), {}))
    done = {"add": "added to the walk", "drop": "dropped from the walk", "hand_over": "handed over"}[fields["do"]]
    return go(yard_url(yard.key, "walk", id=fields.get("walk", "")), [f"Boat {fields.get('boat')} was {done}."])


def _request_from(fields: Mapping[str, str], yard: Yard, moment: datetime) -> WalkRequest:
    """The walk that a form asks for. Raises EntryError with every field that cannot be read."""
    problems: list[str] = []

    def number(name: str, text: str, whole: bool = False) -> float | None:
        text = text.strip()
        if not text:
            return None
        if re.fullmatch(r"[0-9]{1,4}" if whole else r"[0-9]{1,4}(\.[0-9]{1,3})?", text):
            return float(text)
        problems.append(f"{name}: {text[:40]!r} is not a {'whole ' if whole else ''}number.")
        return None

    start = None
    try:
        start = past_moment("start", fields.get("start", ""), yard, LATEST)
    except EntryError as error:
        problems += error.problems
    size = number("party_size", fields.get("party_size", ""), whole=True)
    limit = number("limit", fields.get("limit", ""))
    minutes = {call: number("minutes", fields.get(_minutes_name(call), "")) or MINUTES[call] for call in MINUTES}
    if problems:
        raise EntryError(problems)
    return WalkRequest(
        crew=tuple(name.strip() for name in re.split(r"[\n,;]+", fields.get("crew", "")) if name.strip()),
        start=start or moment,
        party_size=2 if size is None else int(size),
        minutes=minutes,
        limit_min=limit,
        ignore_daylight=bool(fields.get("ignore_daylight")),
        calls=tuple(call for call in MINUTES if fields.get(_call_name(call))),
    )


def _walk_page(request: Request, fields: Mapping[str, str] | None = None, refused: Refusal | None = None) -> Response:
    account = need_reader(request)
    wanted = request.query_params.get("id") or (fields or {}).get("walk") or None
    with reading(request) as conn:
        yard = the_yard(request, conn)
        stored = walks.walk(conn, yard, wanted)
        older = walks.walks(conn, yard)
        covers = register_store.all_covers(conn, yard.key)
        log = log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key))
    off = taken_off(log)
    try:
        hints = _hints(web(request).pages.assessment(yard.key))
    except StormwalkError as error:
        if isinstance(error, StoreError):
            raise
        if wanted is None and refused is None:
            return no_list(request, yard, "walk", error)
        hints = {}
    boats = {cover.boat.number: cover.boat for cover in covers}
    seen = {} if stored is None else _seen(covers, log, off, stored.plan.start, yard)
    rounds: list[Round] = []
    if stored is not None:
        mine = "" if account is None else account.name.casefold()
        rounds = [
            _round(number, one, stored.plan.start, yard, boats, seen, hints, mine)
            for number, one in enumerate(stored.plan.rounds, start=1)
        ]
        rounds.sort(key=lambda one: not one.mine)
    warnings = [] if stored is None else [note for note in stored.plan.notes if JUDGED not in note]
    if stored is not None and wanted is None and now(request) - stored.plan.start >= A_DAY:
        began = local_text(stored.plan.start, yard.time_zone, year=True)
        warnings.insert(0, f"This walk began on {began}. None is planned since.")
    typed = dict(fields) if fields is not None and fields.get("do") == "plan" else _fresh_form(yard, account)
    return page(
        request,
        "walk.html",
        status=200 if refused is None else 422,
        yard=yard,
        here="walk",
        stored=stored,
        rounds=rounds,
        warnings=warnings,
        remarks=[] if stored is None else [note for note in stored.plan.notes if JUDGED in note],
        left_out=[] if stored is None else [_left_out(one, boats) for one in stored.plan.left_out],
        older=older[:OLDER_WALKS],
        typed=typed,
        wrong={} if refused is None else refused.at,
        problem="" if refused is None else refused.sentence,
        labels=LABELS,
        pdf_is_possible=pdf.is_installed(),
        calls=[(call, _minutes_name(call), _call_name(call), f"{MINUTES[call]:g}") for call in MINUTES],
    )


def _fresh_form(yard: Yard, account: Account | None) -> dict[str, str]:
    """The planning form as it is first shown."""
    fields = {"crew": "" if account is None else account.name, "party_size": "2"}
    return fields | {_call_name(call): "1" for call in WALKED_CALLS}


def _hints(assessment: YardAssessment) -> dict[str, CoverRow]:
    """The lines of the list as it is now, by boat."""
    covers = {cover.id: cover for cover in assessment.covers}
    return {line.boat: cover_row(line, covers[line.cover], "", assessment) for line in assessment.ranked}


def _seen(
    covers: Sequence[Cover], log: Log, off: Mapping[int, datetime], since: datetime, yard: Yard
) -> dict[str, str]:
    """By boat who looked last from a moment on, or that its cover came off: in words."""
    boats = {cover.stored_id: cover.boat.number for cover in covers}
    newest = {
        boats[visit.cover_id]: f"looked at by {visit.inspector}, {local_text(visit.inspected_at, yard.time_zone)}"
        for visit in log.inspections
        if visit.inspected_at >= since
    }
    gone = {
        boats[cover_id]: f"the cover came off, {local_text(moment, yard.time_zone)}"
        for cover_id, moment in off.items()
        if moment >= since
    }
    return newest | gone


def _round(
    number: int,
    one: PartyRound,
    start: datetime,
    yard: Yard,
    boats: Mapping[str, Boat],
    seen: Mapping[str, str],
    hints: Mapping[str, CoverRow],
    mine: str,
) -> Round:
    stops = tuple(_stop(stop, start, yard, boats, seen, hints.get(stop.boat)) for stop in one.stops)
    return Round(
        number=number,
        names=party_text(one.names),
        mine=mine in {name.casefold() for name in one.names},
        finish=clock_text(one.finish, start, yard.time_zone),
        stops=stops,
        done=sum(bool(stop.looked) for stop in stops),
    )


def _stop(
    stop: PlannedStop,
    start: datetime,
    yard: Yard,
    boats: Mapping[str, Boat],
    seen: Mapping[str, str],
    hint: CoverRow | None,
) -> Stop:
    boat = boats.get(stop.boat)
    return Stop(
        boat=stop.boat,
        name="" if boat is None else boat.name,
        berth="" if boat is None else berth_text(boat),
        call=stop.call,
        call_class=stop.call.replace(" ", "-"),
        score=f"{stop.score:.2f}",
        arrive=clock_text(stop.arrive, start, yard.time_zone),
        minutes=f"{stop.minutes:.0f} min",
        way=way_text(stop.walk_m, yard.display_units) if stop.walk_m else "",
        looked=seen.get(stop.boat, ""),
        stand_crew=() if hint is None else hint.stand_crew,
        check="" if hint is None or not hint.reasons else hint.reasons[0].check,
    )


def _left_out(one: LeftOut, boats: Mapping[str, Boat]) -> dict[str, str]:
    boat = boats.get(one.boat)
    return {
        "boat": one.boat,
        "name": "" if boat is None else boat.name,
        "call": one.call,
        "score": f"{one.score:.2f}",
        "why": one.why,
    }


def _minutes_name(call: str) -> str:
    return f"minutes-{call.replace(' ', '-')}"


def _call_name(call: str) -> str:
    return f"call-{call.replace(' ', '-')}"


routes = [
    Route("/yards/{key}/walk", walk_page, methods=["GET"]),
    Route("/yards/{key}/walk", change_walk, methods=["POST"]),
]
