"""A database looked at from outside: read alone, whatever its version or state, for the doctor and for backups."""

import hashlib
import sqlite3
import zlib
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path

from monitor.errors import StoreError
from monitor.store.append_only import APPEND_ONLY, append_only_tables_unprotected
from monitor.store.connection import check_log, open_to_look
from monitor.store.migrations import APPLICATION_ID, SCHEMA_VERSION
from monitor.store.rows import moment_of, utc_text
from monitor.yard_clock import CLOCK_ERROR

MOST_LINES = 10
"""Lines of SQLite's own report on a damaged file; they are told by the hundred otherwise."""

_MOMENTS = {
    "cover_builds": "recorded_at",
    "weather_fetches": "fetched_at",
    "inspections": "recorded_at",
    "findings": "recorded_at",
    "actions": "recorded_at",
    "rankings": "created_at",
    "notices": "made_at",
    "photos": "recorded_at",
    "photo_withdrawals": "withdrawn_at",
    "walks": "created_at",
    "job_runs": "started_at",
}
"""When the clock of this computer, or of a phone, said that a row was stored."""


@dataclass(frozen=True)
class YardFacts:
    """What the doctor needs of a yard: when the covers it has now were wrapped, first and last, and the stretches of
    hours, first and last, of which the weather is known (UTC)."""

    key: str
    time_zone: str
    first_wrapped_on: date | None
    last_wrapped_on: date | None
    hours: tuple[tuple[datetime, datetime], ...]


@dataclass(frozen=True)
class JobFacts:
    """How a job stands: its newest run's outcome and sentence, failures since it was last done, when that was."""

    job: str
    outcome: str
    message: str
    failures: int
    last_done_at: datetime | None


@contextmanager
def looked_at(path: Path) -> Iterator[sqlite3.Connection]:
    """A connection that can only read, also to a file of an older version, or one in a folder that may only be read.

    All that is read belongs to one moment; others may write meanwhile. Raises StoreError where there is no such file,
    or where it is not stormwalk's. A damaged file shows as sqlite3.DatabaseError when it is read.
    """
    check_log(path)
    if not path.is_file():
        raise StoreError(f'No database at {path}. Run "stormwalk init" to make one, or name another with --db.')
    with closing(open_to_look(path)) as conn:
        conn.execute("BEGIN")
        (application_id,) = conn.execute("PRAGMA application_id").fetchone()
        if application_id != APPLICATION_ID:
            raise StoreError(f"{path} is not a database of stormwalk. Name stormwalk's own file with --db.")
        yield conn


def schema_version(conn: sqlite3.Connection) -> int:
    """The file's version; 0 where it was never set up."""
    return int(conn.execute("PRAGMA user_version").fetchone()[0])


def damage(conn: sqlite3.Connection) -> list[str]:
    """What SQLite finds wrong with the file and its indexes, and rows that refer to missing ones; empty if nothing."""
    lines = [str(row[0]) for row in conn.execute(f"PRAGMA integrity_check({MOST_LINES})")]
    found = [] if lines == ["ok"] else lines
    if not found:
        orphans = conn.execute("PRAGMA foreign_key_check").fetchall()
        tables = sorted({str(row[0]) for row in orphans})
        found = [f"{sum(row[0] == table for row in orphans)} rows of {table} refer to missing ones" for table in tables]
    return found


def altered(conn: sqlite3.Connection) -> list[str]:
    """Answers of weather services and rankings that are not as they were kept, by the hash that was kept with them."""
    kept = {
        "The weather answer": "SELECT id, body, body_sha256 FROM weather_fetches WHERE body IS NOT NULL ORDER BY id",
        "The ranking": "SELECT id, rows, rows_sha256 FROM rankings ORDER BY id",
    }
    return [
        f"{what} {key} is not as it was kept."
        for what, query in kept.items()
        for key, packed, sha256 in conn.execute(query)
        if not _is_as_kept(packed, sha256)
    ]


def _is_as_kept(packed: bytes, sha256: str) -> bool:
    try:
        return hashlib.sha256(zlib.decompress(packed)).hexdigest() == sha256
    except zlib.error:
        return False


def unprotected_tables(conn: sqlite3.Connection) -> list[str]:
    """Tables of facts that lack a trigger, or do not exist; of a file of this program's version."""
    return append_only_tables_unprotected(conn)


def row_counts(conn: sqlite3.Connection) -> dict[str, int]:
    """Number of rows by table."""
    tables = conn.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE '%sqlite%' ORDER BY name"
    ).fetchall()
    return {name: int(conn.execute(f'SELECT count(*) FROM "{name}"').fetchone()[0]) for (name,) in tables}


def newest_moment(conn: sqlite3.Connection) -> tuple[str, datetime] | None:
    """The table with the newest time of storing, and that time; None where nothing is stored."""
    found = []
    for table in sorted(_tables(conn) & _MOMENTS.keys()):
        (newest,) = conn.execute(f"SELECT max({_MOMENTS[table]}) FROM {table}").fetchone()
        if newest is not None:
            found.append((moment_of(newest), table))
    return max(found)[::-1] if found else None


def clock_trouble(conn: sqlite3.Connection, now: datetime) -> str:
    """That this computer's clock is behind what was stored by it, in a sentence; empty where it is not."""
    newest = newest_moment(conn)
    if newest is None or newest[1] <= now + CLOCK_ERROR:
        return ""
    return (
        f"The newest of {newest[0]} was stored at {utc_text(newest[1])}, and now it is {utc_text(now)}: the clock was "
        f"set back, or was ahead then."
    )


def photo_files(conn: sqlite3.Connection) -> list[tuple[str, str, str, int]]:
    """Id, hash, media type and size of every photo, withdrawn ones too; none where the file is older than photos."""
    if "photos" not in _tables(conn):
        return []
    return [tuple(row) for row in conn.execute("SELECT id, sha256, media_type, byte_count FROM photos ORDER BY id")]


def yard_facts(conn: sqlite3.Connection) -> list[YardFacts]:
    """Every yard, with the hours of which some source told what the weather was."""
    if "weather_stretches" not in _tables(conn):
        return []
    yards = conn.execute(
        """SELECT yards.id, yards.key, yards.time_zone, min(covers.wrapped_on), max(covers.wrapped_on) FROM yards
           LEFT JOIN boats ON boats.yard_id = yards.id
           LEFT JOIN covers ON covers.boat_id = boats.id AND covers.id = (
               SELECT id FROM covers WHERE boat_id = boats.id ORDER BY wrapped_on DESC LIMIT 1)
           GROUP BY yards.id ORDER BY yards.key"""
    ).fetchall()
    return [
        YardFacts(
            key,
            zone,
            None if first is None else date.fromisoformat(first),
            None if last is None else date.fromisoformat(last),
            tuple(
                (moment_of(begin), moment_of(end))
                for begin, end in conn.execute(
                    """SELECT DISTINCT first_hour, last_hour FROM weather_stretches
                       JOIN weather_fetches ON weather_fetches.id = fetch_id
                       WHERE yard_id = ? AND kind <> 'forecast' ORDER BY first_hour""",
                    (yard_id,),
                )
            ),
        )
        for yard_id, key, zone, first, last in yards
    ]


def job_facts(conn: sqlite3.Connection) -> list[JobFacts]:
    """Every job that ever ran, by name; none where the file is older than jobs."""
    if "job_runs" not in _tables(conn):
        return []
    rows = conn.execute(
        """SELECT newest.job, newest.outcome, newest.message,
                  (SELECT started_at FROM job_runs WHERE job = newest.job AND outcome = 'done'
                   ORDER BY id DESC LIMIT 1),
                  (SELECT count(*) FROM job_runs WHERE job = newest.job AND outcome = 'failed' AND id > coalesce(
                      (SELECT max(id) FROM job_runs WHERE job = newest.job AND outcome = 'done'), 0))
           FROM job_runs AS newest WHERE newest.id IN (SELECT max(id) FROM job_runs GROUP BY job) ORDER BY newest.job"""
    )
    return [
        JobFacts(job, outcome, message, failures, None if done is None else moment_of(done))
        for job, outcome, message, done, failures in rows
    ]


def open_accounts(conn: sqlite3.Connection) -> dict[str, int]:
    """Number of accounts that can sign in, by role; empty where there are none."""
    if "accounts" not in _tables(conn):
        return {}
    return dict(
        map(tuple, conn.execute("SELECT role, count(*) FROM accounts WHERE closed_at IS NULL GROUP BY role").fetchall())
    )


def is_current(conn: sqlite3.Connection) -> bool:
    """Whether the file is of the version that this program writes."""
    return schema_version(conn) == SCHEMA_VERSION and _tables(conn) >= APPEND_ONLY.keys()


def _tables(conn: sqlite3.Connection) -> set[str]:
    return {str(name) for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
