"""``stormwalk doctor``: everything that can go wrong, looked at without changing anything."""

import os
import sys
from pathlib import Path

import click

from monitor.cli.inputs import json_option, now, print_json, print_rows


@click.command("doctor")
@click.option("--photos", is_flag=True, help="Read every photo and compare each byte; takes longer.")
@json_option
@click.pass_obj
def command(path: Path, photos: bool, as_json: bool) -> None:
    """Look at the database, its log, photos and backups, the weather, the disk, the clock and the service.

    Each line says what was found, how bad it is (ok, watch, act now) and what to do. Nothing is changed, and the
    service may run meanwhile. Exit 0 where nothing is to be acted on, else 1.

    The head of the log's chain stands in it: kept elsewhere, it shows later whether facts were cut off the end.

    Example: stormwalk doctor --photos
    """
    from monitor.operations.doctor import examine
    from monitor.settings import BESIDE, OFF, Settings
    from monitor.store.backup import backup_folder
    from monitor.wording import utc_text

    moment = now()
    setting = Settings.from_environment(os.environ).backups
    folder = backup_folder(path) if setting == BESIDE else None if setting == OFF else Path(setting)
    checks = examine(path, now=moment, backups=folder, read_photos=photos)
    rows = [{"check": one.check, "level": one.level, "found": one.found, "to_do": one.to_do} for one in checks]
    acts = sum(one.level == "act now" for one in checks)
    if as_json:
        print_json({"database": str(path), "at": utc_text(moment), "act_now": acts, "checks": rows})
    else:
        print_rows(
            {"check": "looked at", "level": "how bad", "found": "found", "to_do": "what to do"}, rows, as_json=False
        )
    if acts:
        click.echo(f"{acts} findings are to be acted on.", err=True)
        sys.exit(1)
