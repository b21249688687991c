"""``stormwalk explain``: the score of one boat's cover, taken apart."""

import sqlite3
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from monitor.cli.inputs import json_option, print_json, ranking_moments, the_yard, with_database, yard_option
from monitor.units import (
    show_area,
    show_length,
    show_load,
    show_pressure,
    show_speed,
    show_temperature,
    show_water,
)

if TYPE_CHECKING:
    from monitor.explanation import Step


HARDLY_COUNTS = 0.01
"""A reason with a smaller share of the score is told in short."""

IN_US: dict[str, Callable[[float], str]] = {
    "°C": lambda value: show_temperature(value, "us"),
    "m/s": lambda value: show_speed(value, "us"),
    "mm": lambda value: show_water(value, "us"),
    "m": lambda value: show_length(value, "us"),
    "m2": lambda value: show_area(value, "us"),
    "Pa": lambda value: show_pressure(value, "us"),
    "kPa": lambda value: show_load(value, "us"),
}
"""A number in SI as a yard with US units reads it."""


@click.command("explain")
@click.argument("boat")
@yard_option
@click.option("--as-of", metavar="TIME", help="As it could have been known at that moment.")
@click.option("--hindsight", is_flag=True, help="With --as-of: use also what was fetched or logged later.")
@click.option("--full", is_flag=True, help="Take apart the reasons that hardly count, too.")
@json_option
@with_database
def command(
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    as_of: str | None,
    hindsight: bool,
    full: bool,
    as_json: bool,
) -> None:
    """Every number behind the score of BOAT: value, hour, source, formula and reference.

    Numbers are in the units of the formulas, with the yard's own beside them.

    Example: stormwalk explain 07
    """
    from monitor.explanation import METHODS, explain
    from monitor.operations import ranking as operations
    from monitor.operations.yard_hours import HAZARD_PARAMETERS
    from monitor.ranking import HAZARDS
    from monitor.variables import VARIABLES
    from monitor.wording import OWN_JUDGEMENT, headline, local_text, reason_text, source_text

    yard = the_yard(conn, yard_key)
    when, known = ranking_moments(as_of, hindsight, yard.time_zone)
    assessment = operations.assess_yard(conn, yard, as_of=when, known_at=known, with_series=True)
    operations.cover_on(assessment, boat)
    found = explain(assessment, boat, HAZARD_PARAMETERS)
    if as_json:
        print_json(found.as_json())
        return
    click.echo(headline(found.line, found.cover.boat))
    click.echo(f"as of {local_text(when, yard.time_zone, year=True)}; score = 1 - product of (1 - p) over the reasons")
    click.echo("\nBuild in force")
    for step in found.build:
        click.echo(f"  {step.name}: {number_text(step, 'not recorded', yard.display_units)}")
    total, in_short = sum(reason.weight for reason in found.line.reasons), 0
    for reason in found.line.reasons:
        share = reason.weight / total if total else 0.0
        click.echo(f"\n{HAZARDS[reason.hazard].label}: p {reason.p:.3f}, {share:.0%} of the score")
        click.echo(f"  {HAZARDS[reason.hazard].exposure}")
        click.echo(f"  {reason_text(reason, yard.time_zone, yard.display_units)}")
        if share < HARDLY_COUNTS and not full:
            in_short += 1
            continue
        for step in found.steps[reason.hazard]:
            name = VARIABLES[step.name].label if step.name in VARIABLES else step.name
            line = f"    {name} = {number_text(step, 'none reported', yard.display_units)}"
            if step.hour_ending is not None:
                line += f", hour ending {local_text(step.hour_ending, yard.time_zone)}"
            click.echo(line + (f" ({source_text(step.source)})" if step.source else ""))
        for formula, reference in METHODS[reason.hazard]:
            click.echo(f"    by {formula} [{reference}]")
        click.echo(f"  check: {reason.check}")
    if in_short:
        those, them = ("1 reason", "it") if in_short == 1 else (f"{in_short} reasons", "them")
        click.echo(f"\nTold in short: {those} below {HARDLY_COUNTS:.0%} of the score. --full takes {them} apart.")
    if found.not_assessed:
        click.echo(f"\nNot assessed: {', '.join(HAZARDS[name].label for name in found.not_assessed)}.")
    click.echo(f"\n{OWN_JUDGEMENT}")


def number_text(step: "Step", without: str, units: str) -> str:
    """A step's number with the unit of its formula, and in brackets in US units; ``without`` where there is none."""
    if step.value is None:
        return without
    shown = f"{step.value:.4g} {step.unit}".rstrip()
    return f"{shown} ({IN_US[step.unit](step.value)})" if units == "us" and step.unit in IN_US else shown
