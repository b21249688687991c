"""``stormwalk report``: documents for the customer and the yard, and the one on the condition of a boat's cover."""

import importlib
import importlib.util
import sqlite3
from pathlib import Path

import click

from monitor.cli.inputs import now, past_moment, the_yard, with_database, write_file, write_out, yard_option

LATER_LOADED: dict[str, tuple[str, str]] = {
    "memo": ("monitor.cli.report_memo", "One proposal for a boat's cover, with what it rests on."),
    "season": ("monitor.cli.report_season", "What the season did, and how well the list foresaw it."),
}
"""Name of each document with a module of its own, that module, and its line in the help."""

file_type = click.Path(dir_okay=False, path_type=Path)


class ReportGroup(click.Group):
    """Group that imports a document's command only when it runs, and leaves out one whose module is not there."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        there = [name for name, (module, _) in LATER_LOADED.items() if importlib.util.find_spec(module) is not None]
        return [*super().list_commands(ctx), *there]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in LATER_LOADED or importlib.util.find_spec(LATER_LOADED[cmd_name][0]) is None:
            return super().get_command(ctx, cmd_name)
        command: click.Command = importlib.import_module(LATER_LOADED[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        lines = {name: command.get_short_help_str(100) for name, command in self.commands.items()}
        lines |= {name: line for name, (_, line) in LATER_LOADED.items()}
        with formatter.section("Commands"):
            formatter.write_dl([(name, lines[name]) for name in self.list_commands(ctx)])


@click.group("report", cls=ReportGroup)
def command() -> None:
    """Write documents: self-contained HTML that prints well, or PDF.

    Example: stormwalk report condition 07
    """


@command.command("condition")
@click.argument("boat")
@yard_option
@click.option("--as-of", metavar="TIME", help="As it could have been known at that moment; default: now.")
@click.option("--ranking", "ranking_id", metavar="ID", help="The state of a kept ranking, judged by its curves.")
@click.option("--out", type=file_type, metavar="FILE", help="Write the HTML page here.")
@click.option("--pdf", type=file_type, metavar="FILE", help="Write a PDF here; needs the pdf extra.")
@click.option("--with-owner", is_flag=True, help="Put the owner's name on it; never the contact.")
@with_database
def condition(
    conn: sqlite3.Connection,
    boat: str,
    yard_key: str | None,
    as_of: str | None,
    ranking_id: str | None,
    out: Path | None,
    pdf: Path | None,
    with_owner: bool,
) -> None:
    """Condition of BOAT's cover this season, for its owner.

    A page of plain words first, then the season as a chart, storms, photos, build, log, and the model beside what was
    seen. Where neither file is named, the page is written into the working folder under yard, boat and day.

    Example: stormwalk report condition 07 --pdf kestrel.pdf
    """
    if as_of is not None and ranking_id is not None:
        raise click.UsageError("--as-of and --ranking exclude each other: a ranking has its own moment.")
    from monitor.operations.condition import condition_report, report_name, state_of_ranking
    from monitor.operations.photos import photo_folder

    database: Path = click.get_current_context().find_root().obj
    yard = the_yard(conn, yard_key)
    if ranking_id is not None:
        state = state_of_ranking(conn, yard, ranking_id)
        yard, moment, known_at, parameters = state.yard, state.as_of, state.known_at, state.parameters
        again = f"--ranking {state.id[:8]}"
    else:
        moment = now() if as_of is None else past_moment(as_of, yard.time_zone, "--as-of")
        known_at, parameters, again = moment, None, ""
    html = condition_report(
        conn,
        photo_folder(database),
        yard,
        boat,
        as_of=moment,
        known_at=known_at,
        with_owner=with_owner,
        parameters=parameters,
        again=again,
    )
    if pdf is not None:
        from monitor.documents.pdf import to_pdf

        write_file(pdf, to_pdf(html))
    if out is not None or pdf is None:
        write_out(out or Path(f"{report_name(yard, boat, moment)}.html"), html)
