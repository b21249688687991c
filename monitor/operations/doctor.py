"""A look at everything that can go wrong with a database, its photos, its backups and its service; nothing is changed.

Each check says what was found, how bad it is and what to do, or why it cannot be made.
"""

import hashlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from importlib import metadata
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal
from zoneinfo import TZPATH, ZoneInfo

from monitor.errors import StormwalkError
from monitor.operations import readable
from monitor.operations.photos import original_path, photo_folder
from monitor.operations.yard_hours import data_age_now
from monitor.store import backup as backup_store
from monitor.store import chain, health
from monitor.store import register as register_store
from monitor.store.connection import SMALL_FILES_BYTES
from monitor.store.migrations import SCHEMA_VERSION
from monitor.store.service import scheduler_runs
from monitor.wording import utc_text
from monitor.yard_clock import CLOCK_ERROR

Level = Literal["ok", "watch", "act now"]
Lines = Iterator["Check"]

SEASON_BYTES = 100_000_000
"""One season of one yard in the database, without photos: the most that it is meant to take."""

FRESH = timedelta(hours=6)
"""Weather of this age is as it should be: services are asked each hour, and answer late now and then."""

STALE = timedelta(hours=48)
"""Weather of this age hides a whole storm."""

SEASON = timedelta(days=270)
"""A yard whose last cover was wrapped longer ago has no winter to watch."""

LEFT_OVER = timedelta(hours=1)
"""A file that is written now is younger than this; an older one belongs to a process that was killed."""

OVERDUE = {
    "pull": timedelta(hours=3),
    "recheck": timedelta(hours=36),
    "weekly check": timedelta(days=9),
    "tidy": timedelta(hours=36),
    "backup": timedelta(hours=36),
}
"""A job is overdue when it was last done so long ago, by the words its name begins with: its interval and some."""

FAILING = 3
"""A job that failed so often in a row does not come right by itself."""

BACKUP_AGES = (timedelta(days=2), timedelta(days=7))
"""From which age on a newest backup is to be watched, and to be acted on."""

MOST_NAMED = 20
"""Faults of one kind that are told one by one."""


@dataclass(frozen=True)
class Check:
    """One finding: what was looked at, how bad it is, what was found and what to do (empty where all is well)."""

    check: str
    level: Level
    found: str
    to_do: str = ""


def examine(database: Path, *, now: datetime, backups: Path | None, read_photos: bool = False) -> list[Check]:
    """Look at a database and all that belongs to it.

    Parameters
    ----------
    backups : pathlib.Path or None
        Where its backups lie; None where the nightly backup is off.
    read_photos : bool
        Read every photo and compare its hash; without it only that the file is there and of its size.

    Raises
    ------
    StoreError
        There is no file, or it is not stormwalk's.
    """
    photos = photo_folder(database)
    folder = backup_store.backup_folder(database) if backups is None else backups
    checks = examine_data(database, photos, now=now, read_photos=read_photos, backups=folder)
    checks += _each(database, "weather", lambda conn: _weather(conn, now))
    checks += _each(database, "time zones", lambda conn: _time_zones(conn, now))
    checks += _each(database, "jobs", lambda conn: _jobs(conn, database, now))
    checks += _each(database, "accounts", _accounts)
    checks += _each(database, "backups", lambda conn: _backups(conn, database, backups, folder, now))
    checks += _each(database, "disk", lambda conn: _disk(conn, database, photos, folder))
    return [*checks, *_left_overs([database.parent, photos, folder], now)]


def examine_data(
    database: Path, photos: Path, *, now: datetime, read_photos: bool, backups: Path | None = None
) -> list[Check]:
    """Look at what is stored alone: the file, what is in it, its triggers, the log's chain, the photos, the times."""
    checks = _each(database, "file", _file)
    checks += _each(database, "contents", _contents)
    checks += _each(database, "protection", _protection)
    checks += _each(database, "log chain", lambda conn: _chain(conn, database, backups))
    checks += _each(database, "photos", lambda conn: _photos(conn, photos, read_photos))
    checks += _each(database, "clock", lambda conn: _clock(conn, now))
    return checks


def _each(database: Path, check: str, look: Callable[[sqlite3.Connection], Iterable[Check]]) -> list[Check]:
    """One check on a connection of its own; a file that cannot be read, or lacks a table, ends in a finding."""
    try:
        with health.looked_at(database) as conn:
            return list(look(conn))
    except (sqlite3.Error, OSError, *readable.UNREADABLE) as error:
        to_do = f"Restore a backup. Keep {database} as it is."
        if shutil.disk_usage(database.parent).free < SMALL_FILES_BYTES:
            to_do = "Make room on the disk, which is full, and look again."
        return [Check(check, "act now", f"It could not be looked at: {error}.", to_do)]


def _file(conn: sqlite3.Connection) -> Lines:
    version = health.schema_version(conn)
    if version > SCHEMA_VERSION:
        yield Check(
            "file",
            "act now",
            f"It is of database version {version}, newer than this stormwalk, which knows {SCHEMA_VERSION}.",
            "Install the newer stormwalk.",
        )
    elif version < SCHEMA_VERSION:
        yield Check(
            "file",
            "watch",
            f"It is of database version {version}; this stormwalk writes {SCHEMA_VERSION}.",
            'Run "stormwalk init" to bring it up to date; a copy of it is kept.',
        )
    damage = health.damage(conn)
    for line in damage:
        yield Check("file", "act now", f"It is damaged: {line}.", "Restore the last backup made before the damage.")
    if not damage:
        yield Check("file", "ok", f"Database version {version}; no damage, no row that refers to a missing one.")


def _contents(conn: sqlite3.Connection) -> Lines:
    if not health.is_current(conn):
        yield Check("contents", "ok", "Not looked at: the file is of another version.")
        return
    wrong = readable.faults(conn)
    more = [f"And {len(wrong) - MOST_NAMED} more such faults."] if len(wrong) > MOST_NAMED else []
    for one in [*wrong[:MOST_NAMED], *more]:
        yield Check("contents", "act now", one, "Restore the last backup made before the damage.")
    if not wrong:
        yield Check("contents", "ok", "All of it can be read; weather answers and rankings are as they were kept.")


def _protection(conn: sqlite3.Connection) -> Lines:
    if health.schema_version(conn) != SCHEMA_VERSION:
        yield Check("protection", "ok", "Not looked at: the file is of another version.")
        return
    bare = health.unprotected_tables(conn)
    if bare:
        yield Check(
            "protection",
            "act now",
            f"Facts in {', '.join(bare)} can be changed: a trigger was taken away or does not know every column.",
            "Find out who worked on the file; restore a backup made before.",
        )
    else:
        yield Check("protection", "ok", "Facts can only be added: every trigger is in its place.")


def _chain(conn: sqlite3.Connection, database: Path, backups: Path | None) -> Lines:
    if health.schema_version(conn) < 7:
        yield Check("log chain", "ok", "Not kept yet: the file is of an older version.")
        return
    found = chain.faults(conn)
    made = [] if backups is None else backup_store.backups_in(backups, database)
    before = _before(conn, found[:MOST_NAMED], [path for _, path in made])
    for fault in found[:MOST_NAMED]:
        was = before.get(fault, "")
        yield Check("log chain", "act now", fault.sentence + was, "Compare with a backup, and ask who had the file.")
    if len(found) > MOST_NAMED:
        yield Check("log chain", "act now", f"And {len(found) - MOST_NAMED} more such facts.", "Restore a backup.")
    cut = []
    for _, path in made:
        try:
            earlier = backup_store.read_manifest(path).chain
        except StormwalkError:
            continue  # told with the backups
        if not chain.goes_on_from(conn, earlier):
            cut.append((path, earlier))
    for path, earlier in cut[-1:]:
        yield Check(
            "log chain",
            "act now",
            f"{path.name} has a log of {earlier.count} facts that this one does not go on from: facts were cut off its "
            f"end, or the whole chain was computed anew.",
            f"Restore {path.name} to a new place and compare.",
        )
    head = chain.head(conn)
    if not found and not cut:
        yield Check("log chain", "ok", f"{head.count} facts, each as it was stored. Head {head.sha256}.")


def _before(conn: sqlite3.Connection, faults: Sequence[chain.Fault], backups: Sequence[Path]) -> dict[chain.Fault, str]:
    """What the newest backup that still knows it says of each fact that was changed or removed."""
    known: dict[chain.Fault, str] = {}
    wanted = [fault for fault in faults if fault.kind in ("changed", "removed")]
    for path in reversed(backups if wanted else []):
        try:
            with (
                TemporaryDirectory() as folder,
                health.looked_at(backup_store.unpack_database(path, Path(folder))) as old,
            ):
                for fault in wanted:
                    was = "" if fault in known else chain.difference(conn, old, fault)
                    if was:
                        known[fault] = f" {path.name} has it with {was}."
        except (StormwalkError, sqlite3.Error):
            continue  # a backup that cannot be read, or is older than the log, is told elsewhere
        if len(known) == len(wanted):
            break
    return known


def _photos(conn: sqlite3.Connection, folder: Path, read_bytes: bool) -> Lines:
    rows = health.photo_files(conn)
    missing, changed, expected = [], [], set()
    for photo_id, sha256, media_type, byte_count in rows:
        path = original_path(folder, sha256, media_type)
        expected.add(path)
        if not path.is_file():
            missing.append(f"{photo_id[:8]} ({path})")
        elif path.stat().st_size != byte_count or (read_bytes and _sha256(path) != sha256):
            changed.append(f"{photo_id[:8]} ({path})")
    for what, named in (("missing", missing), ("not as it was taken", changed)):
        for one in named[:MOST_NAMED]:
            yield Check("photos", "act now", f"The file of photo {one} is {what}.", "Copy it back from a backup.")
        if len(named) > MOST_NAMED:
            more = f"The files of {len(named) - MOST_NAMED} more photos are {what}."
            yield Check("photos", "act now", more, "Restore the last backup to a new place and copy them back.")
    originals = (path for path in folder.glob("[0-9a-f][0-9a-f]/*") if not path.name.endswith(".part"))
    spare = sorted(set(originals) - expected)
    if spare:
        yield Check(
            "photos",
            "watch",
            f"{len(spare)} files in {folder} belong to no photo of the log, the first {spare[0].name}.",
            "Leave them: an entry that was cut off may still be sent again. After a season they may be deleted.",
        )
    if not missing and not changed:
        how = "compared byte by byte" if read_bytes else "by their size; --photos compares every byte"
        yield Check("photos", "ok", f"{len(rows)} photos, all there ({how}).")


def _clock(conn: sqlite3.Connection, now: datetime) -> Lines:
    if trouble := health.clock_trouble(conn, now):
        yield Check("clock", "act now", trouble, "Set this computer's clock, and let it be set by the network.")
    else:
        yield Check("clock", "ok", f"It is {utc_text(now)}; nothing was stored later than that.")


def _weather_age(conn: sqlite3.Connection, yard: health.YardFacts, now: datetime) -> timedelta:
    """The age that a ranking would tell; of the newest hour of any kind in a file of another version."""
    newest = now - max(last for _, last in yard.hours)
    if health.schema_version(conn) != SCHEMA_VERSION:
        return newest
    age_h = data_age_now(conn, register_store.yard(conn, yard.key), now)
    return newest if age_h is None else timedelta(hours=age_h)


def _weather(conn: sqlite3.Connection, now: datetime) -> Lines:
    for yard in health.yard_facts(conn):
        pull = f'Run "stormwalk weather refresh --yard {yard.key}", and see "stormwalk weather status".'
        if not yard.hours:
            yield Check("weather", "watch", f"Yard {yard.key} has no weather yet.", pull)
            continue
        age = _weather_age(conn, yard, now)
        wrapped = yard.last_wrapped_on is not None and now.date() - yard.last_wrapped_on <= SEASON
        level: Level = "ok" if age <= FRESH else "act now" if wrapped and age > STALE else "watch"
        newest = f"Yard {yard.key}: the newest hour of weather is {_age(max(age, timedelta(0)))} old."
        yield Check("weather", level, newest, "" if level == "ok" else pull)
        zone = _zone(yard.time_zone)
        days = [] if zone is None else _days_without_hours(yard.hours, yard.first_wrapped_on, zone, now)
        if days:
            named = ", ".join(f"{day:%Y-%m-%d}" for day in days[:5])
            yield Check(
                "weather",
                "watch",
                f"Yard {yard.key}: {len(days)} days without a single hour of weather ({named}"
                f"{' ...' if len(days) > 5 else ''}).",
                f"{pull} What a service no longer gives can be imported from a file.",
            )


def _days_without_hours(
    hours: Sequence[tuple[datetime, datetime]], wrapped_on: date | None, zone: ZoneInfo, now: datetime
) -> list[date]:
    """Whole days on the yard's clock of which nothing is known, since the first cover was wrapped or the first hour."""
    known: set[date] = set()
    for first, last in hours:
        day, end = (moment - timedelta(minutes=30) for moment in (first, last))
        known.add(end.astimezone(zone).date())
        while day <= end:
            known.add(day.astimezone(zone).date())
            day += timedelta(hours=12)
    start = min(known) if wrapped_on is None else wrapped_on
    count = (min(now.astimezone(zone).date(), max(known)) - start).days
    return [day for day in (start + timedelta(days=n) for n in range(count)) if day not in known]


def _time_zones(conn: sqlite3.Connection, now: datetime) -> Lines:
    version = _tzdata()
    for yard in health.yard_facts(conn):
        zone = _zone(yard.time_zone)
        if zone is None:
            yield Check(
                "time zones",
                "act now",
                f"Yard {yard.key}: its time zone {yard.time_zone!r} is not known here ({version}).",
                'Update the package tzdata, or set the yard\'s zone right with "stormwalk yard".',
            )
            continue
        year = [datetime.combine(now.date() + timedelta(days=n), time(12), UTC) for n in range(800)]
        offsets = [moment.astimezone(zone).utcoffset() for moment in year]
        changes = [year[n].date() for n in range(1, len(year)) if offsets[n] != offsets[n - 1]]
        past = [moment - timedelta(days=370) for moment in year[:370]]
        changed_before = len({moment.astimezone(zone).utcoffset() for moment in past}) > 1
        if changed_before and not changes:
            yield Check(
                "time zones",
                "watch",
                f"Yard {yard.key}: the clock in {yard.time_zone} changed in the last year, and no further change is "
                f"known ({version}).",
                "Update the package tzdata.",
            )
        else:
            rule = f"it changes next about {changes[0]:%Y-%m-%d}" if changes else "it does not change"
            yield Check("time zones", "ok", f"Yard {yard.key}: clock of {yard.time_zone}, {rule} ({version}).")


def _zone(name: str) -> ZoneInfo | None:
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):  # a zone that is not found is a KeyError, a folder's name an OSError
        return None


def _tzdata() -> str:
    """Where the rules of the clocks come from: the system's own files are looked into before the package."""
    for folder in map(Path, TZPATH):
        listing = folder / "tzdata.zi"
        if listing.is_file():
            with listing.open(encoding="utf-8") as file:
                return f"{file.readline().strip('# ').strip()} in {folder}"
    try:
        return f"package tzdata {metadata.version('tzdata')}"
    except metadata.PackageNotFoundError:
        return "no tzdata"


def _jobs(conn: sqlite3.Connection, database: Path, now: datetime) -> Lines:
    facts, runs = health.job_facts(conn), scheduler_runs(database)
    if not facts:
        yield Check("jobs", "ok", "No job ever ran here: weather is pulled by hand.")
        return
    if not runs:
        yield Check("jobs", "watch", "The service is not running.", 'Start "stormwalk serve" or "stormwalk watch".')
    for job in facts:
        limit = next((each for words, each in OVERDUE.items() if job.job.startswith(words)), None)
        waited = None if job.last_done_at is None else now - job.last_done_at
        overdue = limit is not None and (waited is None or waited > limit)
        if job.failures:
            level: Level = "act now" if job.failures >= FAILING else "watch"
            yield Check("jobs", level, f"{job.job} failed {job.failures} times in a row: {job.message}", _SEE_JOBS)
        elif overdue:
            when = "was never done" if waited is None else f"was last done {_age(waited)} ago"
            yield Check("jobs", "act now" if runs else "watch", f"{job.job} {when}.", _SEE_JOBS)
    if runs and all(not job.failures for job in facts):
        yield Check("jobs", "ok", f"The service runs; {len(facts)} jobs have a history.")


_SEE_JOBS = 'See "stormwalk watch --status" for what it said.'


def _accounts(conn: sqlite3.Connection) -> Lines:
    counts = health.open_accounts(conn)
    if counts and not counts.get("lead"):
        yield Check(
            "accounts",
            "act now",
            f"{sum(counts.values())} people may sign in, and none of them as a lead: nobody can manage the others.",
            'Run "stormwalk account add NAME --role lead".',
        )
    else:
        told = ", ".join(f"{count} {role}" for role, count in sorted(counts.items()))
        yield Check("accounts", "ok", f"Open accounts: {told or 'none; pages can only be read on this computer'}.")


def _backups(conn: sqlite3.Connection, database: Path, nightly: Path | None, folder: Path, now: datetime) -> Lines:
    made, run = backup_store.backups_in(folder, database), 'Run "stormwalk backup".'
    if nightly is None:
        yield Check("backups", "watch", "The nightly backup is switched off.", "Make sure that another one is made.")
    for _, path in made:
        try:
            backup_store.read_manifest(path)
        except StormwalkError as error:
            yield Check("backups", "act now", str(error), f"{run} Then delete {path.name}.")
    if not made:
        rows = health.row_counts(conn)
        stored = any(rows.get(table) for table in ("inspections", "actions"))
        level: Level = "act now" if stored and nightly is not None else "watch"
        yield Check("backups", level, f"There is no backup in {folder}.", run)
        return
    past = [moment for moment, _ in made if moment <= now + CLOCK_ERROR]
    if len(past) < len(made):
        ahead = made[-1][1].name
        yield Check(
            "backups",
            "watch",
            f"{len(made) - len(past)} backups are dated ahead of now, the last {ahead}: a clock was wrong.",
            "If the clock is right now, move them to another folder: they count as the newest.",
        )
    if not past:
        yield Check("backups", "act now", f"There is no backup in {folder} that was made before now.", run)
        return
    age = now - past[-1]
    level = "ok" if age <= BACKUP_AGES[0] else "watch" if age <= BACKUP_AGES[1] else "act now"
    newest = f"{len(past)} backups in {folder}, the newest {_age(max(age, timedelta(0)))} old."
    yield Check("backups", level, newest, "" if level == "ok" else run)


def _disk(conn: sqlite3.Connection, database: Path, photos: Path, folder: Path) -> Lines:
    sizes = {
        "database": sum(path.stat().st_size for path in database.parent.glob(f"{database.name}*") if path.is_file()),
        "photos": _size(photos),
        "backups": _size(folder),
    }
    told = ", ".join(f"{what} {size / 1e6:.0f} MB" for what, size in sizes.items())
    season = SEASON_BYTES * max(1, health.row_counts(conn).get("yards", 0)) + sizes["photos"]
    one_backup = sizes["database"] + sizes["photos"] + backup_store.SPARE_BYTES
    for place in dict.fromkeys([database.parent, folder if folder.is_dir() else database.parent]):
        free = shutil.disk_usage(place).free
        holds = place == folder or folder.parent == place
        need = season + (one_backup if holds else 0)
        level: Level = "act now" if holds and free < one_backup else "watch" if free < need else "ok"
        yield Check(
            "disk",
            level,
            f"{place}: {free / 1e6:.0f} MB free, {need / 1e6:.0f} MB are needed for a season like the last ({told}).",
            "" if level == "ok" else "Make room, or keep backups on another disk (STORMWALK_BACKUPS).",
        )


def _left_overs(folders: Iterable[Path], now: datetime) -> Lines:
    found = sorted(
        {
            path
            for folder in folders
            for path in (*folder.glob("*.part"), *folder.glob("*/*.part"))
            if now.timestamp() - path.stat().st_mtime > LEFT_OVER.total_seconds()
        }
    )
    for path in found[:MOST_NAMED]:
        yield Check("left over", "watch", f"{path} was left by a process that was cut off.", "Delete it.")
    if not found:
        yield Check("left over", "ok", "No half-written file lies about.")


def _size(folder: Path) -> int:
    return sum(Path(top, name).stat().st_size for top, _, names in os.walk(folder) for name in names)


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _age(age: timedelta) -> str:
    hours = age.total_seconds() / 3600
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"
