"""``stormwalk walk``: who looks at which covers, in which order; planned, listed, shown and changed."""

import math
import re
import sqlite3
from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import click

from monitor.cli.inputs import (
    json_option,
    moment,
    now,
    print_json,
    print_rows,
    ranking_moments,
    the_yard,
    with_database,
    yard_option,
)
from monitor.cli.rank import echo_wrapped
from monitor.cli.walk_sheet import command as sheet
from monitor.errors import StormwalkError

if TYPE_CHECKING:
    from monitor.operations.walks import StoredWalk
    from monitor.register import Yard

INDENT = " " * 4
LARGEST_CREW = 200

by_option = click.option("--by", required=True, metavar="NAME", help="Who changes the walk.")
walk_option = click.option("--walk", "walk_id", metavar="ID", help="The beginning of its id; default: the newest walk.")
note_option = click.option("--note", default="", help="In your own words.")


@click.group("walk")
def command() -> None:
    """Plan the walk round the covers, list and show plans, change them.

    A plan is kept as it was made; what is changed of it later is kept beside it.

    Example: stormwalk walk plan --crew "Ida, Per" --limit 180
    """


@command.command("plan")
@yard_option
@click.option(
    "--crew", metavar="NAMES|NUMBER", help="Who walks: names with commas, or how many. Default: the yard's crew."
)
@click.option(
    "--party-size", type=click.IntRange(1, 20), default=2, show_default=True, help="People who stay together."
)
@click.option(
    "--minutes",
    "minutes_texts",
    multiple=True,
    metavar="CALL=MINUTES",
    help='Minutes at a cover, such as "walk first=30"; repeat for each call.',
)
@click.option(
    "--start",
    metavar="TIME",
    help="On the yard's clock; 07:30 alone is the next one. Default: now, or the moment of --as-of.",
)
@click.option("--limit", "limit_min", type=float, metavar="MINUTES", help="So long at most. Default: until sunset.")
@click.option("--ignore-daylight", is_flag=True, help="Walk before sunrise and after sunset too.")
@click.option("--call", "calls", multiple=True, metavar="CALL", help="Only covers with this call; repeat for each.")
@click.option("--as-of", metavar="TIME", help="Plan on the ranking as it could have been known at that moment.")
@click.option("--by", default="", metavar="NAME", help="Who plans.")
@json_option
@with_database
def plan(
    conn: sqlite3.Connection,
    yard_key: str | None,
    crew: str | None,
    party_size: int,
    minutes_texts: tuple[str, ...],
    start: str | None,
    limit_min: float | None,
    ignore_daylight: bool,
    calls: tuple[str, ...],
    as_of: str | None,
    by: str,
    as_json: bool,
) -> None:
    """Plan a walk from the ranking of now, and keep it.

    It says which covers, by whom, in which order, and what is left out and why.
    Covers of the call "walk first" come before any other, then those with the most score for the time. Without --call
    the walk takes up "walk first", "walk today" and "this week".

    Example: stormwalk walk plan --crew "Ida, Per, Jo, Kai" --start 07:30 --limit 180
    """
    from monitor.operations.walks import plan_walk
    from monitor.walks.plan import MINUTES, WALKED_CALLS, WalkRequest

    yard = the_yard(conn, yard_key)
    when, _ = ranking_moments(as_of, False, yard.time_zone)
    request = WalkRequest(
        crew=crew_from_text(crew, yard.crew_size),
        start=when if start is None else start_moment(start, when, yard.time_zone),
        party_size=party_size,
        minutes={**MINUTES, **minutes_from_texts(minutes_texts)},
        limit_min=limit_min,
        ignore_daylight=ignore_daylight,
        calls=calls or WALKED_CALLS,
        as_of=None if as_of is None else when,
    )
    print_walk(conn, yard, plan_walk(conn, yard, request, by=by, now=now()), as_json=as_json)


@command.command("list")
@yard_option
@json_option
@with_database
def list_walks(conn: sqlite3.Connection, yard_key: str | None, as_json: bool) -> None:
    """List the walks that are kept, the one planned last first.

    Example: stormwalk walk list --json
    """
    from monitor.store.register import yard_id
    from monitor.store.walks import walk_heads
    from monitor.wording import local_text, utc_text

    yard = the_yard(conn, yard_key)
    columns = {"id": "id", "starts_at": "starts", "created_at": "planned", "created_by": "by", "changes": "changes"}
    rows = []
    for head in walk_heads(conn, yard_id(conn, yard.key)):
        starts, made = (
            utc_text(when) if as_json else local_text(when, yard.time_zone, year=True)
            for when in (head.starts_at, head.created_at)
        )
        rows.append(
            {
                "id": head.id if as_json else head.id[:8],
                "starts_at": starts,
                "created_at": made,
                "created_by": head.created_by,
                "changes": head.changes,
            }
        )
    print_rows(columns, rows, as_json=as_json)


@command.command("show")
@click.argument("walk_id", metavar="WALK", required=False)
@yard_option
@json_option
@with_database
def show(conn: sqlite3.Connection, walk_id: str | None, yard_key: str | None, as_json: bool) -> None:
    """Show a walk as it stands, with its history.

    WALK is the walk's id or its beginning; left out it is the walk planned last.

    Example: stormwalk walk show
    """
    from monitor.operations.walks import walk

    yard = the_yard(conn, yard_key)
    found = walk(conn, yard, walk_id)
    if found is None:
        raise StormwalkError(f'No walk is planned for yard {yard.key} yet. Plan one with "stormwalk walk plan".')
    print_walk(conn, yard, found, as_json=as_json)


@command.command("add")
@click.argument("boat")
@yard_option
@by_option
@click.option("--to", "party", default="", metavar="NAME", help="Whose round; default: who is done with it soonest.")
@walk_option
@note_option
@json_option
@with_database
def add(
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    by: str,
    party: str,
    walk_id: str | None,
    note: str,
    as_json: bool,
) -> None:
    """Add BOAT to a round, where it makes the way least longer.

    Example: stormwalk walk add 07 --to Ida --by Per
    """
    _change(conn, yard_key, walk_id, "add", boat, party, by, note, as_json)


@command.command("drop")
@click.argument("boat")
@yard_option
@by_option
@walk_option
@note_option
@json_option
@with_database
def drop(
    conn: sqlite3.Connection, boat: str, yard_key: str | None, by: str, walk_id: str | None, note: str, as_json: bool
) -> None:
    """Drop BOAT from its round.

    It then stands among those left out, with who dropped it.

    Example: stormwalk walk drop 07 --by Ida --note "owner is on board"
    """
    _change(conn, yard_key, walk_id, "drop", boat, "", by, note, as_json)


@command.command("hand-over")
@click.argument("boat")
@yard_option
@by_option
@click.option("--to", "party", required=True, metavar="NAME", help="A person of the party, or its number.")
@walk_option
@note_option
@json_option
@with_database
def hand_over(
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    by: str,
    party: str,
    walk_id: str | None,
    note: str,
    as_json: bool,
) -> None:
    """Hand BOAT over to another party.

    Example: stormwalk walk hand-over 07 --to Per --by Ida
    """
    _change(conn, yard_key, walk_id, "hand_over", boat, party, by, note, as_json)


command.add_command(sheet, "sheet")


def crew_from_text(text: str | None, crew_size: int) -> tuple[str, ...]:
    """Names between commas; a number, or the yard's crew where nothing was said, gives ``person 1`` and so on."""
    if text is not None and not text.strip().isdecimal():
        return tuple(" ".join(name.split()) for name in text.split(","))
    typed = str(crew_size) if text is None else text.strip()
    count = int(typed) if len(typed) <= 9 else 0
    if not 1 <= count <= LARGEST_CREW:
        raise StormwalkError(f"--crew: {typed:.60} people; expected 1 to {LARGEST_CREW}, or names between commas.")
    return tuple(f"person {number}" for number in range(1, count + 1))


def start_moment(text: str, after: datetime, time_zone: str) -> datetime:
    """When a walk begins (UTC): ``07:30`` is the next one on the yard's clock, anything else a date and time."""
    if not re.fullmatch(r"[0-9]{1,2}:[0-9]{2}", text.strip()):
        return moment(text, time_zone, "--start")
    local = after.astimezone(ZoneInfo(time_zone))
    clock = text.strip().zfill(5)
    today = moment(f"{local:%Y-%m-%d} {clock}", time_zone, "--start")
    return today if today >= after else moment(f"{local.date() + timedelta(days=1)} {clock}", time_zone, "--start")


def minutes_from_texts(texts: tuple[str, ...]) -> dict[str, float]:
    """Minutes by call out of texts such as ``walk first=30``. Raises StormwalkError with what is expected."""
    found = {}
    for text in texts:
        call, _, number = text.rpartition("=")
        try:
            minutes = float(number)
        except ValueError:
            minutes = math.nan
        if not call.strip() or not math.isfinite(minutes):
            raise StormwalkError(f'--minutes: {text!r:.60} is not CALL=MINUTES; write it as "walk first=30".')
        found[call.strip()] = minutes
    return found


def print_walk(conn: sqlite3.Connection, yard: "Yard", stored: "StoredWalk", *, as_json: bool) -> None:
    """A walk as one JSON document, or party by party, with what is left out, notes, history and cautions."""
    if as_json:
        print_json(stored.as_json())
        return
    from monitor.store.register import all_covers
    from monitor.units import UNITS
    from monitor.walks.plan import party_text
    from monitor.wording import CAUTIONS, berth_text, local_text

    plan, zone, units = stored.plan, yard.time_zone, yard.display_units
    foot_m = float(UNITS["length"]["ft"].factor)
    titles = {
        cover.boat.number: f"{cover.boat.number} {cover.boat.name}, {berth_text(cover.boat)}"
        for cover in all_covers(conn, yard.key)
    }
    echo_wrapped(f"{yard.name}: walk {stored.id[:8]}, from {local_text(plan.start, zone, year=True)}")
    until = "" if plan.latest_finish is None else f", to end by {local_text(plan.latest_finish, zone)}"
    light = [
        f"{name} {local_text(when, zone)}"
        for name, when in (("sunrise", plan.sunrise), ("sunset", plan.sunset))
        if when is not None
    ]
    echo_wrapped("; ".join([f"Ranking of {local_text(plan.as_of, zone)}{until}", *light]) + ".")
    echo_wrapped(f"Covers {100 * plan.covered_share:.0f} % of the yard's score.")
    click.echo()
    for note in plan.notes:
        echo_wrapped(f"- {note}")
    click.echo()
    for number, one in enumerate(plan.rounds, start=1):
        count = f"{len(one.stops)} cover{'s' * (len(one.stops) != 1)}"
        way = f"{one.walked_m / foot_m:.0f} ft" if units == "us" else f"{one.walked_m:.0f} m"
        done = f", {way} to walk, done {local_text(one.finish, zone)}" if one.stops else ""
        echo_wrapped(f"Party {number}, {party_text(one.names)}: {count}{done}")
        for stop in one.stops:
            title = titles.get(stop.boat, stop.boat)
            when = f"{stop.arrive.astimezone(ZoneInfo(zone)):%H:%M}"
            click.echo(f"{INDENT}{when}  {stop.call:<10}  {stop.score:.2f}  {title}")
    by_reason: dict[str, list[str]] = {}
    for out in plan.left_out:
        by_reason.setdefault(out.why, []).append(out.boat)
    if by_reason:
        click.echo(f"Left out: {len(plan.left_out)}")
    for why, boats in by_reason.items():
        echo_wrapped(f"- {', '.join(boats)}: {why}", INDENT)
    if stored.changes:
        click.echo("Changed since:")
    for change in stored.changes:
        to = f" to {change.party}" if change.party else ""
        note = f" ({change.note})" if change.note else ""
        what = f"{change.change.replace('_', ' ')} {change.boat}{to}, by {change.changed_by}{note}"
        echo_wrapped(f"- {local_text(change.changed_at, zone)}: {what}", INDENT)
    click.echo()
    for caution in CAUTIONS:
        echo_wrapped(caution)


def _change(
    conn: sqlite3.Connection,
    yard_key: str | None,
    walk_id: str | None,
    change: str,
    boat: str,
    party: str,
    by: str,
    note: str,
    as_json: bool,
) -> None:
    from monitor.operations.walks import change_walk

    yard = the_yard(conn, yard_key)
    changed = change_walk(conn, yard, walk_id, change=change, boat=boat, party=party, by=by, now=now(), note=note)
    print_walk(conn, yard, changed, as_json=as_json)
