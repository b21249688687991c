"""Commands that write, one after another for good, in a process that the tests kill; what it says is what was done.

Arguments: what to write, the database, and a folder elsewhere with what is needed for it; or ``once`` and a command.
"""

import importlib
import os
import sys
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

from faulty_disks import make_older
from invented_app import picture

from monitor.cli import COMMANDS, main

IMPORTED = 5
"""Inspections in each file that is imported."""


def commands(kind, database, work):
    """The words of each command in turn; every one is new."""
    for number in count():
        boat = f"{number % 3 + 1:02}"
        if kind == "log":
            finding = ("--finding", "tear@bow:2", "--finding", "sag@port:1")
            yield ("log", "inspection", boat, "--by", "Ida", *finding)
            yield ("log", "action", boat, "--action", "taped", "--by", "Ola")
        elif kind == "photos":
            photo = work / f"{number}.jpg"
            photo.write_bytes(picture("green", (320 + number, 200)))
            yield ("log", "photo", "01", photo, "--by", "Ida")
        elif kind == "imports":
            seen = datetime.now(UTC) - timedelta(days=10, minutes=number)
            lines = [f"02,{seen + timedelta(seconds=n):%Y-%m-%dT%H:%M:%SZ},Ida" for n in range(IMPORTED)]
            paper = work / f"{number}.csv"
            paper.write_text("\n".join(["boat,at,by", *lines, ""]))
            yield ("log", "import", paper)
        elif kind == "migrations":
            make_older(database)
            yield ("init",)
        elif kind == "backups":
            yield ("backup", "--to", database.with_name(f"backup-{number}.zip"))
        elif kind == "restores":
            yield ("restore", work / "whole.zip", "--to", database.with_name(f"restored-{number}.db"))


def run():
    """Never ends by itself."""
    kind, database, work = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    os.environ["STORMWALK_DB"] = str(database)
    for words in commands(kind, database, work):
        sys.argv = ["stormwalk", *map(str, words)]
        with suppress(SystemExit):
            main()


def run_once():
    """Load what a command needs, say so, and run it when told to."""
    sys.argv = ["stormwalk", *sys.argv[2:]]
    importlib.import_module(COMMANDS[sys.argv[1]][0])
    import sqlite_utils  # noqa: F401 -- the migrations need it

    print("loaded", flush=True)
    sys.stdin.readline()
    main()


if __name__ == "__main__":
    run_once() if sys.argv[1] == "once" else run()
