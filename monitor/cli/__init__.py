"""The command line: a group that imports a command's module only when that command runs."""

import importlib
import io
import os
import sqlite3
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import click

from monitor import __version__
from monitor.errors import StormwalkError

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("monitor.cli.demo", "Invented yard and winter, everything end to end, no network."),
    "init": ("monitor.cli.init", "Make a new, empty database."),
    "yard": ("monitor.cli.yard", "Add and list yards, set their hazard curves."),
    "covers": ("monitor.cli.covers", "Import, export and check the register of covers."),
    "weather": ("monitor.cli.weather", "Fetch or import weather, show what is known of it."),
    "rank": ("monitor.cli.rank", "Rank the covers of a yard for inspection, with reasons."),
    "explain": ("monitor.cli.explain", "Every number behind one cover's score."),
    "whatif": ("monitor.cli.whatif", "What the season would have done to a cover built otherwise."),
    "walk": ("monitor.cli.walk", "Plan who looks at which covers, in which order; change it, print it."),
    "log": ("monitor.cli.log", "Log inspections, findings and actions."),
    "calibrate": ("monitor.cli.calibrate", "Fit the yard's curves to what its inspections found."),
    "report": ("monitor.cli.report", "Write documents: condition report, memo on a proposal, season review."),
    "watch": ("monitor.cli.watch", "Pull weather, rank and watch for storms by itself, for good."),
    "account": ("monitor.cli.account", "Who may use the web app: add people, passwords, close accounts."),
    "serve": ("monitor.cli.serve", "Serve the web app to phones and this computer; pull, rank and watch for storms."),
    "notices": ("monitor.cli.notices", "What the crew was told of storms, and how its sending went."),
    "dashboard": ("monitor.cli.dashboard", "Write the pages of a yard; they open from disk."),
    "backup": ("monitor.cli.backup", "Write the database and its photos into one file, checked."),
    "restore": ("monitor.cli.restore", "Bring a backup back, to a new place."),
    "doctor": ("monitor.cli.doctor", "Look for everything that can go wrong, and say what to do."),
}
"""Name of each command, the module that holds it, and its line in the help."""


class LazyGroup(click.Group):
    """Group that knows its commands by name, module and line, so that ``--help`` imports none of them."""

    def __init__(self, *arguments: Any, lazily: Mapping[str, tuple[str, str]], **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.lazily = lazily

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(self.lazily)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.lazily:
            return None
        command: click.Command = importlib.import_module(self.lazily[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, line) for name, (_, line) in self.lazily.items()])


@click.group(cls=LazyGroup, lazily=COMMANDS)
@click.version_option(__version__, prog_name="stormwalk")
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Database file. Default: STORMWALK_DB, else stormwalk.db in the working folder.",
)
@click.pass_context
def stormwalk(ctx: click.Context, db: Path | None) -> None:
    """Rank a boatyard's winter covers for inspection after a storm.

    First steps: stormwalk init, yard add, covers import, weather refresh, rank.
    Try it without any of them: stormwalk demo.
    """
    ctx.obj = db or Path(os.environ.get("STORMWALK_DB") or "stormwalk.db")
    if not ctx.obj.name:
        raise click.UsageError("The database is named by --db or STORMWALK_DB as a folder; name the file in it.")
    if ctx.obj.is_symlink():  # what lies beside the database, a running service's mark too, goes by its own name
        ctx.obj = Path(os.path.realpath(ctx.obj))  # a loop of links stays as it is, and is refused when it is opened


def main() -> None:
    """Entry point: exit 0 done, 1 refused with one clear sentence, 2 wrong usage."""
    _open_what_is_closed()
    _write_any_name()
    try:
        sys.exit(stormwalk.main(prog_name="stormwalk", standalone_mode=False))
    except click.exceptions.Abort:
        click.echo("Stopped. What was written before this point is kept.", err=True)
    except click.ClickException as refusal:
        refusal.show()
        sys.exit(refusal.exit_code)
    except StormwalkError as refusal:
        click.echo(str(refusal), err=True)
    except UnicodeError as error:
        click.echo(f"A text that was given is not UTF-8 ({error}). Nothing was stored. Write it in UTF-8.", err=True)
    except sqlite3.Error as error:
        click.echo(
            f"The database answered with an error ({error}). Nothing of this command's last step was stored. "
            f'"stormwalk doctor" looks at what is wrong with it.',
            err=True,
        )
    except OSError as error:
        where = f"{error.filename}: " if error.filename else ""
        click.echo(f"{where}{error.strerror or error}. The command was stopped there.", err=True)
    sys.exit(1)


def _open_what_is_closed() -> None:
    """Stand-ins for streams that the program was started without, in their own order: each takes its own number."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, Path(os.devnull).open(mode, encoding="utf-8"))  # noqa: SIM115 -- open to the end


def _write_any_name() -> None:
    """Let every name through: files and pipes get UTF-8, a terminal that lacks a character its number."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding=None if stream.isatty() else "utf-8", errors="backslashreplace")
