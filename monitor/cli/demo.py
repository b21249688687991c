"""``stormwalk demo``: an invented yard and winter, from the register to the ranked list and its pages."""

import json
from contextlib import closing
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from monitor.errors import StormwalkError

if TYPE_CHECKING:
    import sqlite3

    from monitor.register import Yard

AS_OF = datetime(2026, 2, 23, 12, 0, tzinfo=UTC)
"""The morning after the last storm of the invented winter."""

EXPLAINED = 3
SMALL_SHARE = 0.01


@click.command("demo")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("stormwalk-demo"),
    show_default=True,
    help="Folder for the demo's database and pages.",
)
def command(out: Path) -> None:
    """Invented yard and winter, everything end to end, no network.

    Loads a register, a winter of weather and a log of inspections, ranks the covers after the last storm, says why the
    first ones are first, and writes the pages. Running it again makes it anew.

    Example: stormwalk demo --out try-it
    """
    from dashboards import write_pages
    from monitor.cli.rank import print_ranking
    from monitor.operations.ranking import assess_yard, keep_ranking
    from monitor.store.connection import connect
    from monitor.wording import local_text

    database = out / "demo.db"
    try:
        out.mkdir(parents=True, exist_ok=True)
        _remove_earlier(database)
        with closing(connect(database, create=True)) as conn:
            yard = load_demo(conn)
            assessment = assess_yard(conn, yard, as_of=AS_OF, known_at=AS_OF, with_series=True)
            kept = keep_ranking(conn, assessment, created_at=AS_OF)
        index = write_pages(out / "pages", assessment)
    except OSError as error:
        raise StormwalkError(f"{out} cannot be written: {error.strerror}. Choose another folder with --out.") from None
    click.echo(
        f"An invented yard, {len(assessment.covers)} boats, an invented winter. Its storms, small ones left out:"
    )
    for storm in assessment.storms:
        if storm.snow or storm.wind == "gale" or storm.freezing_rain_mm:
            span = f"{local_text(storm.start, yard.time_zone)} to {local_text(storm.end, yard.time_zone)}"
            click.echo(f"  {span}: {storm.character()}")
    click.echo()
    print_ranking(kept, None, as_json=False, as_csv=False)
    click.echo(f"\nWhy the first {EXPLAINED} are first:")
    for line in kept.lines[:EXPLAINED]:
        click.echo(f"  {kept.titles[line.cover]}: {_why(line)}")
    click.echo(f"\nPages: {index}")
    click.echo(
        f"Go on with its database: stormwalk --db {database} "
        f"explain {kept.lines[0].boat} --as-of {AS_OF:%Y-%m-%dT%H:%MZ}"
    )


def _remove_earlier(database: Path) -> None:
    """Remove the database of an earlier demo, and refuse to touch one that is anything else."""
    from monitor.store.connection import connect
    from monitor.store.register import yards

    if not database.exists():
        return
    with closing(connect(database)) as conn:
        keys = [yard.key for yard in yards(conn)]
    if keys not in ([], [_demo_yard().key]):
        raise StormwalkError(f"{database} holds other yards than the demo's and is left alone. Choose another --out.")
    for path in (database, Path(f"{database}-wal"), Path(f"{database}-shm")):
        path.unlink(missing_ok=True)


def _read(name: str) -> bytes:
    return files("fixtures").joinpath("demo", name).read_bytes()


def _demo_yard() -> "Yard":
    from monitor.exchange.register_csv import decode, read_yards

    (yard,) = read_yards(decode(_read("yards.csv"), "yards.csv"), "yards.csv")
    return yard


def load_demo(conn: "sqlite3.Connection", covers: bytes | None = None) -> "Yard":
    """Put the demo's files into a database, by the same ways that a yard's own go; other ``covers`` where given."""
    from monitor.operations.register import import_covers, import_yards
    from monitor.operations.weather import import_weather

    yard = _demo_yard()
    import_yards(conn, _read("yards.csv"), "yards.csv")
    wrapping = datetime(2025, 10, 1, 12, tzinfo=UTC)
    import_covers(conn, yard, covers or _read("covers.csv"), "covers.csv", wrapping)
    report = import_weather(conn, yard, "metar-archive", _read("winter.csv"), "winter.csv", AS_OF)
    if not report.good:
        raise StormwalkError(report.sentence)
    for entry in json.loads(_read("log.json")):
        _log(conn, yard, entry)
    return yard


def _log(conn: "sqlite3.Connection", yard: "Yard", entry: dict[str, Any]) -> None:
    from monitor.operations.log import NewFinding, record_action, record_inspection

    at = datetime.fromisoformat(entry["at"])
    depth_in = entry["snow_depth_in"]
    record_inspection(
        conn,
        yard,
        entry["boat"],
        inspector=entry["by"],
        inspected_at=at,
        recorded_at=at,
        inside=entry["inside"],
        findings=[NewFinding(f["defect"], f["place"], f["severity"], f["note"]) for f in entry["findings"]],
        snow_depth_m=None if depth_in is None else depth_in * 0.0254,
        note=entry["note"],
    )
    for action in entry["actions"]:
        then = at + timedelta(minutes=action["minutes_later"])
        record_action(
            conn,
            yard,
            entry["boat"],
            action=action["action"],
            actor=entry["by"],
            acted_at=then,
            recorded_at=then,
            note=action["note"],
        )


def _why(line: Any) -> str:
    from monitor.ranking import HAZARDS

    total = sum(reason.weight for reason in line.reasons)
    shares = [
        f"{HAZARDS[reason.hazard].label} {reason.weight / total:.0%}"
        for reason in line.reasons[:EXPLAINED]
        if reason.weight / total >= SMALL_SHARE
    ]
    first = line.reasons[0]
    return f"score {line.score:.2f}, of which {', '.join(shares)}. Check first: {first.note or first.check}."
