"""``stormwalk rank``: which covers first, and why."""

import shutil
import sqlite3
import textwrap
from typing import TYPE_CHECKING

import click

from monitor.cli.inputs import (
    csv_option,
    csv_text,
    json_option,
    now,
    one_format,
    print_json,
    print_rows,
    ranking_moments,
    the_yard,
    with_database,
    yard_option,
)
from monitor.errors import StoreError, StormwalkError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.operations.kept_rankings import KeptRanking
    from monitor.preparation import Preparation
    from monitor.register import Yard

REASONS_SHOWN = 3
MOST_AHEAD_H = 240
NO_CALL = "no call"
INDENT = " " * 9


@click.command("rank")
@yard_option
@click.option("--as-of", metavar="TIME", help="Rank as it could have been known at that moment.")
@click.option("--hindsight", is_flag=True, help="With --as-of: use also what was fetched or logged later.")
@click.option(
    "--ahead",
    "ahead_h",
    type=click.IntRange(1, MOST_AHEAD_H),
    metavar="HOURS",
    help="Rank so many hours ahead, on the forecast.",
)
@click.option("--prepare", is_flag=True, help="With --ahead: list only what to do before.")
@click.option("--top", type=click.IntRange(1), help="Show only the first so many.")
@click.option("--stored", "show_stored", is_flag=True, help="List the rankings kept in the database.")
@click.option("--reprint", metavar="ID", help="Print a kept ranking again, as it was.")
@json_option
@csv_option
@with_database
def command(
    conn: sqlite3.Connection,
    yard_key: str | None,
    as_of: str | None,
    hindsight: bool,
    ahead_h: int | None,
    prepare: bool,
    top: int | None,
    show_stored: bool,
    reprint: str | None,
    as_json: bool,
    as_csv: bool,
) -> None:
    """Rank the covers of a yard for inspection, with reasons.

    Every ranking is kept with its parameters and the age of its data, so that it can be printed again. With --ahead it
    is the one to expect if nobody lifts a hand, with what to do before the storm.

    Example: stormwalk rank --yard north --top 5
    """
    one_format(as_json, as_csv)
    if prepare and ahead_h is None:
        raise click.UsageError("--prepare goes with --ahead.")
    if ahead_h is not None and hindsight:
        raise click.UsageError("--ahead looks at what was forecast then; --hindsight goes without it.")
    yard = the_yard(conn, yard_key)
    if show_stored:
        print_stored(conn, yard, as_json=as_json, as_csv=as_csv)
        return
    from monitor.operations import kept_rankings, ranking
    from monitor.store.health import clock_trouble

    not_kept = ""
    if reprint is not None:
        if as_of is not None or hindsight or ahead_h is not None:
            raise click.UsageError(
                "--reprint prints a ranking as it was; --as-of, --hindsight and --ahead make a new one."
            )
        kept = kept_rankings.kept_ranking(conn, yard, reprint)
    else:
        when, known = ranking_moments(as_of, hindsight, yard.time_zone)
        if as_of is None and (trouble := clock_trouble(conn, now())):
            click.echo(f"{trouble} Set it first: what is newer than the clock is not in this list.", err=True)
        before: Sequence[Preparation] = ()
        if ahead_h is None:
            assessment = ranking.assess_yard(conn, yard, as_of=when, known_at=known)
        else:
            assessment, before = ranking.look_ahead(conn, yard, as_of=when, known_at=known, ahead_h=ahead_h)
        try:
            kept = kept_rankings.keep_ranking(conn, assessment, now(), before)
        except StoreError as error:  # the list is wanted all the same
            kept, not_kept = kept_rankings.ranking_to_show(assessment, before), str(error)
    if prepare:
        print_preparation(kept, as_json=as_json, as_csv=as_csv)
    else:
        print_ranking(kept, top, as_json=as_json, as_csv=as_csv)
    if not_kept:
        raise StormwalkError(f"{not_kept} The list was made all the same; it is not kept.")


def print_stored(conn: sqlite3.Connection, yard: "Yard", *, as_json: bool, as_csv: bool) -> None:
    """The rankings kept for a yard, newest first; without pandas, which a list of names does not need."""
    from monitor.store.rankings import rankings
    from monitor.store.register import yard_id
    from monitor.wording import utc_text

    columns = {
        "id": "id",
        "as_of": "as of",
        "ahead_h": "ahead h",
        "created_at": "made",
        "version": "version",
        "data_age_h": "data age h",
    }
    rows = [
        {
            "id": head.id,
            "as_of": utc_text(head.as_of),
            "ahead_h": head.ahead_h,
            "created_at": utc_text(head.created_at),
            "version": head.version,
            "data_age_h": head.data_age_h,
        }
        for head in rankings(conn, yard_id(conn, yard.key))
    ]
    print_rows(columns, rows, as_json=as_json, as_csv=as_csv)


def print_ranking(kept: "KeptRanking", top: int | None, *, as_json: bool, as_csv: bool) -> None:
    """A ranking as one JSON list, as CSV, or as lines for people."""
    from monitor.wording import reason_text

    lines = kept.lines if top is None else kept.lines[:top]
    if as_json:
        print_json([line.as_json() for line in lines])
    elif as_csv:
        columns = ["rank", "boat", "cover", "score", "call", "reasons", "data_age_h"]
        rows = []
        for line in lines:
            reasons = " | ".join(reason_text(reason, kept.time_zone, kept.units) for reason in line.reasons)
            rows.append([line.rank, line.boat, line.cover, line.score, line.call, reasons, line.data_age_h])
        click.echo(csv_text(columns, rows), nl=False)
    else:
        echo_wrapped(kept.heading)
        for line in lines:
            click.echo(f"{line.rank:>3}  {line.call:<10}  {line.score:.2f}  {kept.titles[line.cover]}")
            called = line.call != NO_CALL
            for reason in line.reasons[: REASONS_SHOWN if called else 1]:
                echo_wrapped(f"- {reason_text(reason, kept.time_zone, kept.units)}", INDENT)
            if called and line.reasons:
                echo_wrapped(f"check: {'; '.join(reason.check for reason in line.reasons[:2])}", INDENT)
        click.echo()
        if kept.before:
            print_before(kept)
    for sentence in kept.remarks:
        echo_wrapped(sentence, err=as_json or as_csv)


def print_before(kept: "KeptRanking") -> None:
    """What to do before the storm, cover by cover, with the cautions for work at covers."""
    from monitor.preparation import by_cover, preparation_text
    from monitor.wording import CAUTIONS

    click.echo("Before the storm:")
    for cover, items in by_cover(kept.before).items():
        click.echo(f"  {kept.titles[cover]}")
        for item in items:
            echo_wrapped(f"- {preparation_text(item, kept.units)}", INDENT)
    click.echo()
    for caution in CAUTIONS:
        echo_wrapped(caution)
    click.echo()


def print_preparation(kept: "KeptRanking", *, as_json: bool, as_csv: bool) -> None:
    """The list before the storm alone: as JSON or CSV with numbers in the unit named, else in words."""
    rows = [item.as_json() for item in kept.before]
    if as_json:
        print_json(rows)
    elif as_csv:
        columns = ["boat", "cover", "hazard", "now", "then", "unit", "growth", "what"]
        click.echo(csv_text(columns, [[row[name] for name in columns] for row in rows]), nl=False)
    else:
        echo_wrapped(kept.heading)
        if kept.before:
            print_before(kept)
        else:
            click.echo("Nothing grows so much on any cover that a hand beforehand would help.")
    for sentence in kept.remarks:
        echo_wrapped(sentence, err=as_json or as_csv)


def echo_wrapped(text: str, indent: str = "", *, err: bool = False) -> None:
    """Print text wrapped to the terminal, line by line, with what follows a first line set under its words."""
    width = max(shutil.get_terminal_size((100, 24)).columns, 60)
    hang = indent + "  " * text.startswith("- ")
    for paragraph in text.split("\n"):
        click.echo(textwrap.fill(paragraph, width, initial_indent=indent, subsequent_indent=hang), err=err)
