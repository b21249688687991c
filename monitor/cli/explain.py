"""``stormwalk explain``: the score of one boat's cover, taken apart."""

import sqlite3
from typing import TYPE_CHECKING

import click

from monitor.cli.inputs import json_option, print_json, ranking_moments, the_yard, with_database, yard_option

if TYPE_CHECKING:
    from monitor.explanation import Step


@click.command("explain")
@click.argument("boat")
@yard_option
@click.option("--as-of", metavar="TIME", help="As it could have been known at that moment.")
@click.option("--hindsight", is_flag=True, help="With --as-of: use also what was fetched or logged later.")
@json_option
@with_database
def command(
    conn: sqlite3.Connection, boat: str, yard_key: str | None, as_of: str | None, hindsight: bool, as_json: bool
) -> None:
    """Every number behind the score of BOAT: value, hour, source, formula and reference.

    Example: stormwalk explain 07
    """
    from monitor.explanation import METHODS, explain
    from monitor.operations import ranking as operations
    from monitor.operations.yard_hours import HAZARD_PARAMETERS
    from monitor.ranking import HAZARDS
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
        click.echo(f"  {step.name}: {number_text(step, 'not recorded')}")
    total = sum(reason.weight for reason in found.line.reasons)
    for reason in found.line.reasons:
        share = reason.weight / total if total else 0.0
        click.echo(f"\n{HAZARDS[reason.hazard].label}: p {reason.p:.3f}, {share:.0%} of the score")
        click.echo(f"  {HAZARDS[reason.hazard].exposure}")
        click.echo(f"  {reason_text(reason, yard.time_zone, yard.display_units)}")
        for step in found.steps[reason.hazard]:
            line = f"    {step.name} = {number_text(step, 'none reported')}"
            if step.hour_ending is not None:
                line += f", hour ending {local_text(step.hour_ending, yard.time_zone)}"
            click.echo(line + (f" ({source_text(step.source)})" if step.source else ""))
        for formula, reference in METHODS[reason.hazard]:
            click.echo(f"    by {formula} [{reference}]")
        click.echo(f"  check: {reason.check}")
    if found.not_assessed:
        click.echo(f"\nNot assessed: {', '.join(HAZARDS[name].label for name in found.not_assessed)}.")
    click.echo(f"\n{OWN_JUDGEMENT}")


def number_text(step: "Step", without: str) -> str:
    """A step's number with its unit, or ``without`` where there is none."""
    return without if step.value is None else f"{step.value:.4g} {step.unit}".rstrip()
