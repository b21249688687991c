"""Command lines as nobody would type them, made of what the program itself says of its commands and options."""

import contextlib
import io
import sys
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import Any
from unittest import mock

import click
import requests
from fuzz_mutations import hostile_text

from monitor.cli import main, stormwalk

WORDS = (
    "north",
    "01",
    "02",
    "03",
    "Ida",
    "Per,Ida",
    "2023-10-25 10:00",
    "2023-11-05T01:30",
    "2023-11-10T14:00Z",
    "21:00-05:30",
    "America/New_York",
    "6in",
    "15 cm",
    "28kn",
    "60 cm2",
    "-2.5 °C",
    "loose_band@port:2:aft",
    "wind_gust_ms=Gust:mph",
    "metar-archive,logger",
    "walk first=10",
    "walk first",
    "wind",
    "usual",
    "1",
    "120 USD",
)

FILES = (
    "covers.csv",
    "winter.csv",
    "queue.json",
    "photo.jpg",
    "backup.zip",
    "junk",
    "empty",
    "folder",
    "nowhere",
    "no/where/at",
    "",
)
"""To be read; the first five are good ones."""

TARGETS = (
    "out",
    "out.html",
    "folder",
    "folder/new",
    "covers.csv",
    "no/where/at",
    "/dev/full",
    "/proc/nowhere",
    "x" * 300,
    "",
)
"""To be written; nothing that leads out of the working folder into somebody's files."""

LIVE_ON = {("watch",): ("--status", "--print-unit", "--print-task"), ("serve",): ("--print-unit", "--print-task")}
"""Commands that run for good unless one of these is given."""

LEFT_OUT = {("demo",)}
"""Takes long, and has tests of its own."""


@dataclass(frozen=True)
class Outcome:
    """What a command left behind."""

    exit_code: object
    out: str
    err: str


def commands() -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Every command by the words that call it."""
    left: list[tuple[tuple[str, ...], click.Command]] = [((), stormwalk)]
    while left:
        words, one = left.pop()
        if isinstance(one, click.Group):
            context = click.Context(one)
            named = ((name, one.get_command(context, name)) for name in one.list_commands(context))
            left += [((*words, name), found) for name, found in named if found is not None]
        elif words not in LEFT_OUT:
            yield words, one


def arguments(words: tuple[str, ...], command: click.Command, draw: Random) -> list[str]:
    """A command with options at random: near to good ones, hostile ones, doubled ones, too many."""
    line = [*words]
    if words in LIVE_ON:
        line.append(draw.choice(LIVE_ON[words]))
    for parameter in command.params:
        if not parameter.required and draw.random() < 0.6:
            continue
        if parameter.required and draw.random() < 0.03:
            continue
        is_flag = isinstance(parameter, click.Option) and parameter.is_flag
        times = draw.choice([1, 1, 1, 2]) if parameter.multiple else max(parameter.nargs, 1)
        made = [] if is_flag else [_value(parameter, draw) for _ in range(times)]
        option = [parameter.opts[0]] if isinstance(parameter, click.Option) else []
        if isinstance(parameter, click.Argument) and made and made[0].startswith("-") and draw.random() < 0.8:
            option = ["--"]
        line += [*option, *made] if not parameter.multiple else [part for one in made for part in (*option, one)]
    if draw.random() < 0.05:
        line.insert(draw.randint(0, len(line)), draw.choice(["--", "--nowhere", "-", "", "extra", "--help", "--yard"]))
    return [part.replace("\0", "") for part in line]  # no system hands NUL to a program


def _value(parameter: click.Parameter, draw: Random) -> str:
    of = parameter.type
    if isinstance(of, click.Path):
        return draw.choice(FILES if of.exists or parameter.name == "file" else TARGETS)
    if isinstance(of, click.Choice) and draw.random() < 0.9:
        return str(draw.choice(of.choices))
    if isinstance(of, click.types.IntParamType | click.types.FloatParamType) and draw.random() < 0.9:
        return draw.choice(
            ["0", "1", "2", "3", "24", "43.6", "-70", "1e9", "-1", "nan", "inf", "1e-320", "9" * 30, "9" * 5000]
        )
    return draw.choice(WORDS) if draw.random() < 0.6 else hostile_text(draw, WORDS)


def run(line: list[str], stdin: str = "") -> Outcome:
    """Run the program with these arguments in this process; no service answers. Whatever escapes it is raised."""
    out, err = io.StringIO(), io.StringIO()
    unreachable = mock.patch.object(requests.Session, "send", side_effect=requests.ConnectionError("no network"))
    typed = mock.patch.object(sys, "stdin", io.StringIO(stdin))
    with (
        mock.patch.object(sys, "argv", ["stormwalk", *line]),
        typed,
        unreachable,
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore")
        code: Any = None
        try:
            main()
        except SystemExit as stop:
            code = stop.code or 0
    return Outcome(code, out.getvalue(), err.getvalue())


def fill_folder(folder: Path, covers: bytes, winter: bytes, queue: bytes, photo: bytes) -> None:
    """Good and bad files for the options that read one."""
    for name, content in (("covers.csv", covers), ("winter.csv", winter), ("queue.json", queue), ("photo.jpg", photo)):
        (folder / name).write_bytes(content)
    (folder / "junk").write_bytes(bytes(range(256)))
    (folder / "empty").touch()
    (folder / "folder").mkdir()
