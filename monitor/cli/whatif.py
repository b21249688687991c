"""``stormwalk whatif``: what the season would have done to one boat's cover, built or kept otherwise."""

import sqlite3
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, TypeVar

import click

from monitor.cli.inputs import (
    json_option,
    moment,
    print_json,
    print_rows,
    ranking_moments,
    the_yard,
    with_database,
    yard_option,
)
from monitor.exchange.change_options import BUILD_OPTIONS, ChangeOption, ContradictionError, change_fields

if TYPE_CHECKING:
    from monitor.changes import Change
    from monitor.register import Yard
    from monitor.whatif import WhatIf

F = TypeVar("F", bound=Callable[..., Any])

_METAVARS = {"area": "AREA", "length": "LENGTH"}


def change_options(options: Sequence[ChangeOption]) -> Callable[[F], F]:
    """Gives a command an option for each thing that can be changed, in their order."""

    def add(command: F) -> F:
        for option in reversed(options):
            match option.kind:
                case "yes":
                    decorate = click.option(option.flag, is_flag=True, help=option.meaning)
                case "count":
                    decorate = click.option(option.flag, type=click.IntRange(0, int(option.most)), help=option.meaning)
                case "choice":
                    decorate = click.option(option.flag, type=click.Choice(option.choices), help=option.meaning)
                case _:
                    decorate = click.option(option.flag, metavar=_METAVARS[option.kind], help=option.meaning)
            command = decorate(command)
        return command

    return add


@click.command("whatif")
@click.argument("boat")
@yard_option
@click.option("--as-of", metavar="TIME", help="As it could have been known at that moment.")
@click.option("--hindsight", is_flag=True, help="With --as-of: use also what was fetched or logged later.")
@change_options(BUILD_OPTIONS)
@click.option("--retension", metavar="TIME", multiple=True, help="Bands re-tensioned then; may be given again.")
@click.option("--clear", metavar="TIME", multiple=True, help="Snow cleared then; may be given again.")
@click.option("--from", "since", metavar="TIME", help="The changed build from then on, not from the wrapping.")
@click.option("--table", is_flag=True, help="Also by number of vents, 0 to 12, and by slope, 5 to 50 deg.")
@json_option
@with_database
def command(
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    as_of: str | None,
    hindsight: bool,
    table: bool,
    as_json: bool,
    **given: Any,
) -> None:
    """What the season would have done to BOAT's cover, built otherwise: before, after and difference, with ranges.

    A raised ridge lifts every panel as ridge and half-beam tell; a measured slope by as much. Nothing is stored.

    Example: stormwalk whatif 07 --vents 8 --ground dry --table
    """
    from monitor.operations.whatif import what_if_boat

    if not table and not any(value not in (None, ()) for name, value in given.items() if name != "since"):
        raise click.UsageError(
            "Nothing is changed: say what if, with one or more of --vents, --vent-area, --ridge-raise, "
            "--belly-spacing, --ground, --film-colour, --retension and --clear; or ask for the tables alone with "
            "--table."
        )
    yard = the_yard(conn, yard_key)
    change = change_from(given, yard)
    when, known = ranking_moments(as_of, hindsight, yard.time_zone)
    found = what_if_boat(conn, yard, boat, change, as_of=when, known_at=known)
    if as_json:
        from monitor.whatif_wording import as_plain

        print_json(as_plain(found))
    else:
        print_text(found, yard, table=table)


def change_from(given: dict[str, Any], yard: "Yard") -> "Change":
    """The change that the options say; contradictions are wrong usage."""
    from monitor.changes import Change

    try:
        of_build = change_fields(given, lambda option: option.flag)
    except ContradictionError as error:
        raise click.UsageError(str(error)) from None
    change = Change(
        **of_build,
        retensioned_at=tuple(moment(text, yard.time_zone, "--retension") for text in given["retension"]),
        cleared_at=tuple(moment(text, yard.time_zone, "--clear") for text in given["clear"]),
        since=None if given["since"] is None else moment(given["since"], yard.time_zone, "--from"),
    )
    if change.since is not None and not change.of_build:
        raise click.UsageError("--from says from when on a changed build counts; no change of the build is given.")
    return change


def print_text(found: "WhatIf", yard: "Yard", *, table: bool) -> None:
    """The comparison for people: the numbers, then what they come to in plain sentences."""
    from monitor import whatif_wording as wording
    from monitor.cli.rank import echo_wrapped
    from monitor.wording import CAUTIONS, OWN_JUDGEMENT, berth_text, local_text

    zone, units = yard.time_zone, yard.display_units
    boat = found.cover.boat
    said = wording.change_text(found.change, found.cover, zone, units)
    echo_wrapped(f"{boat.number} {boat.name}, {berth_text(boat)}: what if {said}")
    echo_wrapped(wording.basis_text(found, zone))
    click.echo()
    columns = {"what": "", "before": "before", "after": "after", "difference": "difference"}
    print_rows(columns, wording.comparison_rows(found, units), as_json=False)
    click.echo()
    sentences = [*wording.verdict(found, units), wording.influence_text(found)]
    if table or found.change.of_vents:
        sentences.append(wording.vents_text(found))
    sentences += wording.weight_text(found.weights, zone, units)
    for sentence in filter(None, sentences):
        echo_wrapped(f"- {sentence}")
    if found.ahead is not None:
        click.echo()
        echo_wrapped(f"With the forecast up to {local_text(found.ahead.until, zone)}, inputs as recorded:")
        print_rows(
            {"what": "", "before": "before", "after": "after"}, wording.ahead_rows(found.ahead, units), as_json=False
        )
    if table:
        click.echo("\nBy number of vents, the cover otherwise as changed; gain: what the last two vents took off")
        print_rows(
            {
                "vents": "vents",
                "condensation_h": "condensation h",
                "condensation_gain_h": "gain h",
                "damp_h": "damp h",
                "damp_gain_h": "gain h",
            },
            _whole(wording.vent_rows(found)),
            as_json=False,
        )
        click.echo("\nBy slope of every panel, the cover otherwise as changed")
        print_rows(wording.slope_columns(units), wording.slope_texts(found, units), as_json=False)
    click.echo()
    for sentence in (*wording.remarks(found), wording.ranges_text(found), OWN_JUDGEMENT):
        echo_wrapped(sentence)
    if found.change.cleared_at:
        echo_wrapped(" ".join(CAUTIONS[:2]))


def _whole(rows: Any) -> list[dict[str, object]]:
    return [{key: None if value is None else f"{value:.0f}" for key, value in row.items()} for row in rows]
