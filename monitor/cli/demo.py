"""``stormwalk demo``: an invented yard and winter, from the register to the ranked list, its walk and its documents."""

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

CREW = ("Ansel", "Brigita", "Maren", "Teodor")
TOLD_OF = "05"
"""Boat whose condition report and memo are written: damp since December, and wet ground under it."""
PROPOSED_VENTS = 12

EXPLAINED = 3
SMALL_SHARE = 0.01


@click.command("demo")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("stormwalk-demo"),
    show_default=True,
    help="Folder for the demo's database, pages and documents.",
)
def command(out: Path) -> None:
    """Invented yard and winter, everything end to end, no network.

    Loads a register, a winter of weather and a log of inspections, ranks the covers after the last storm, says why the
    first ones are first, plans the walk, and writes the walk's sheet, a condition report, a memo on more vents, the
    review of the season and the pages. Running it again makes it anew.

    Example: stormwalk demo --out try-it
    """
    from dashboards import write_pages
    from monitor.cli.rank import print_ranking
    from monitor.operations.kept_rankings import keep_ranking
    from monitor.operations.ranking import assess_yard
    from monitor.operations.season_review import season_of_yard
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
            documents = _write_documents(conn, yard, out)
            season = season_of_yard(conn, yard, until=AS_OF, hindsight=True)
        index = write_pages(out / "pages", assessment, season)
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
    click.echo()
    for what, file in documents.items():
        click.echo(f"{what}: {file}")
    click.echo(f"Pages: {index}")
    click.echo(
        f"Go on with its database: stormwalk --db {database} "
        f"explain {kept.lines[0].boat} --as-of {AS_OF:%Y-%m-%dT%H:%MZ}"
    )


def _write_documents(conn: "sqlite3.Connection", yard: "Yard", out: Path) -> dict[str, Path]:
    """Plan the walk of that morning, and write what people take along, get, sign and learn from; what is where."""
    from monitor.changes import Change
    from monitor.operations.condition import condition_report
    from monitor.operations.memo import memo_of_boat
    from monitor.operations.photos import photo_folder
    from monitor.operations.season_review import season_document
    from monitor.operations.walk_sheet import sheet_of_walk
    from monitor.operations.walks import plan_walk
    from monitor.presentation.proposal import Proposal
    from monitor.walks.plan import WalkRequest

    photos = photo_folder(out / "demo.db")
    plan_walk(conn, yard, WalkRequest(CREW, start=AS_OF, as_of=AS_OF), by="Maren", now=AS_OF)
    vents = Proposal(Change(vents=PROPOSED_VENTS))
    made = {
        "Walk sheet": ("walk.html", sheet_of_walk(conn, yard, now=AS_OF)),
        f"Condition report of boat {TOLD_OF}": (
            f"condition-{TOLD_OF}.html",
            condition_report(conn, photos, yard, TOLD_OF, as_of=AS_OF, known_at=AS_OF),
        ),
        f"Memo on {PROPOSED_VENTS} vents for boat {TOLD_OF}": (
            f"memo-{TOLD_OF}.html",
            memo_of_boat(conn, yard, TOLD_OF, vents, photos=photos, as_of=AS_OF, known_at=AS_OF),
        ),
        "Review of the season": (
            "season.html",
            season_document(conn, yard, until=AS_OF, known_at=AS_OF, hindsight=True),  # its weather came at the end
        ),
    }
    for name, page in made.values():
        (out / name).write_text(page, encoding="utf-8")
    return {what: out / name for what, (name, _) in made.items()}


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
    from monitor.exchange.entry_values import NewFinding
    from monitor.operations.log import record_action, record_inspection

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
