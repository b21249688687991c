"""What the service remembers: runs of its jobs, notices and their sending, and who may schedule."""

import sqlite3
import uuid
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from monitor.errors import StoreError
from monitor.messages import FIRST_RETRY, GIVE_UP_AFTER, LONGEST_RETRY, Notice, NoticeKind
from monitor.store.connection import write
from monitor.store.rows import entry_of, insert, moment_of, utc_text


@dataclass(frozen=True)
class JobRun:
    """One run of a job; ``finished_at`` is None while it goes on, and for good where the process was killed."""

    id: int
    job: str
    started_at: datetime
    finished_at: datetime | None
    outcome: str
    message: str


@dataclass(frozen=True)
class StoredNotice:
    """A notice with its history: how often it was tried, when last, and whether it went out."""

    id: str
    notice: Notice
    made_at: datetime
    tries: int
    last_try_at: datetime | None
    last_message: str
    sent_at: datetime | None

    def next_try(self, now: datetime) -> datetime:
        """When it may be tried next: at once, then after waits that double; a clock set back puts nothing off."""
        if self.last_try_at is None or self.last_try_at > now:
            return min(self.made_at, now)
        wait: timedelta = min(FIRST_RETRY * 2 ** min(self.tries - 1, 10), LONGEST_RETRY)
        return self.last_try_at + wait

    def given_up(self, now: datetime) -> bool:
        """Whether it was not sent and is too old to be tried again."""
        return self.sent_at is None and now - self.made_at > GIVE_UP_AFTER[self.notice.kind]

    def state(self, now: datetime) -> str:
        """``sent``, ``waiting`` or ``given up``."""
        if self.sent_at is not None:
            return "sent"
        return "given up" if self.given_up(now) else "waiting"


@contextmanager
def only_scheduler(database: Path) -> Iterator[None]:
    """Hold the right to schedule for this database while the block runs.

    The right is a lock on a small file beside the database, which the operating system gives back when the process
    ends, however it ends. Raises StoreError where another process holds it.
    """
    with closing(sqlite3.connect(_lock_file(database), timeout=0, isolation_level=None)) as lock:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode != sqlite3.SQLITE_BUSY:
                raise StoreError(
                    f"The lock file {_lock_file(database)} cannot be used ({error}). The service was not started. "
                    f"Allow this user to write beside the database."
                ) from error
            raise StoreError(
                f"Another stormwalk service already runs on {database}. This one was not started, so that nothing is "
                f"fetched or told twice. Stop the other first."
            ) from error
        yield


def scheduler_runs(database: Path) -> bool:
    """Whether a process holds the right to schedule for this database now."""
    if not _lock_file(database).exists():
        return False
    with closing(sqlite3.connect(_lock_file(database), timeout=0, isolation_level=None)) as lock:
        try:
            lock.execute("SELECT count(*) FROM sqlite_master").fetchone()
        except sqlite3.OperationalError:
            return True
    return False


def _lock_file(database: Path) -> Path:
    return database.with_name(f"{database.name}.scheduler")


def start_job(conn: sqlite3.Connection, job: str, started_at: datetime) -> int:
    """Note that a job begins; returns the run's number."""
    with write(conn):
        return insert(conn, "job_runs", {"job": job, "started_at": utc_text(started_at)})


def finish_job(conn: sqlite3.Connection, run_id: int, finished_at: datetime, outcome: str, message: str) -> None:
    """Note how a run ended: ``done`` or ``failed``, with the sentence to show."""
    with write(conn):
        conn.execute(
            "UPDATE job_runs SET finished_at = ?, outcome = ?, message = ? WHERE id = ?",
            (utc_text(finished_at), outcome, message, run_id),
        )


def last_run(conn: sqlite3.Connection, job: str, outcome: str) -> datetime | None:
    """When the run of a job that was noted last as ``done``, or ``failed``, began; None where none was.

    The one noted last, not the one of the latest time: where the clock was set back they differ.
    """
    last = conn.execute(
        "SELECT started_at FROM job_runs WHERE job = ? AND outcome = ? ORDER BY id DESC LIMIT 1", (job, outcome)
    ).fetchone()
    return None if last is None else moment_of(last[0])


def failures_in_a_row(conn: sqlite3.Connection, job: str) -> int:
    """How often a job has failed since it was last done."""
    (count,) = conn.execute(
        """SELECT count(*) FROM job_runs WHERE job = :job AND outcome = 'failed' AND id > (
               SELECT coalesce(max(id), 0) FROM job_runs WHERE job = :job AND outcome = 'done')""",
        {"job": job},
    ).fetchone()
    return int(count)


def newest_run(conn: sqlite3.Connection, job: str) -> JobRun | None:
    """The newest run of a job, also one that goes on or was cut off; None where there was none."""
    row = conn.execute("SELECT * FROM job_runs WHERE job = ? ORDER BY id DESC LIMIT 1", (job,)).fetchone()
    return None if row is None else entry_of(JobRun, row)


def last_ended(conn: sqlite3.Connection, job: str) -> JobRun | None:
    """The newest run of a job that came to an end; None where none did."""
    row = conn.execute(
        "SELECT * FROM job_runs WHERE job = ? AND outcome <> 'running' ORDER BY id DESC LIMIT 1", (job,)
    ).fetchone()
    return None if row is None else entry_of(JobRun, row)


def job_runs(conn: sqlite3.Connection, limit: int = 50) -> list[JobRun]:
    """The newest runs of all jobs, newest first."""
    rows = conn.execute("SELECT * FROM job_runs ORDER BY id DESC LIMIT ?", (limit,))
    return [entry_of(JobRun, row) for row in rows]


def forget_old_runs(conn: sqlite3.Connection, before: datetime) -> int:
    """Remove the history of runs that began before a moment; returns how many. Runs are no facts about covers."""
    with write(conn):
        return conn.execute("DELETE FROM job_runs WHERE started_at < ?", (utc_text(before),)).rowcount


def add_notice(conn: sqlite3.Connection, yard_id: int, notice: Notice, made_at: datetime) -> str:
    """Keep a notice to be sent; returns its id. Whether it is due is decided in the same transaction by the caller."""
    notice_id = str(uuid.uuid4())
    values = {
        "id": notice_id,
        "yard_id": yard_id,
        "kind": notice.kind,
        "storm_start": utc_text(notice.storm_start),
        "title": notice.title,
        "body": notice.body,
        "made_at": utc_text(made_at),
    }
    with write(conn):
        insert(conn, "notices", values)
    return notice_id


def told(conn: sqlite3.Connection, yard_id: int) -> list[tuple[NoticeKind, datetime]]:
    """Kind and storm start of every notice that was made for a yard."""
    rows = conn.execute("SELECT kind, storm_start FROM notices WHERE yard_id = ?", (yard_id,))
    return [(kind, moment_of(start)) for kind, start in rows]


def add_try(conn: sqlite3.Connection, notice_id: str, tried_at: datetime, message: str, *, sent: bool) -> None:
    """Note one attempt to send a notice."""
    with write(conn):
        values = {"notice_id": notice_id, "tried_at": utc_text(tried_at), "sent": int(sent), "message": message}
        insert(conn, "notice_tries", values)


def notices(conn: sqlite3.Connection, yard_id: int, *, unsent_only: bool = False) -> list[StoredNotice]:
    """A yard's notices, oldest first, with how their sending went."""
    rows = conn.execute(
        """SELECT notices.*, yards.key AS yard_key, count(tries.id) AS tries, max(tries.tried_at) AS last_try_at,
                  max(CASE WHEN tries.sent THEN tries.tried_at END) AS sent_at,
                  (SELECT message FROM notice_tries WHERE notice_id = notices.id ORDER BY id DESC LIMIT 1) AS said
           FROM notices JOIN yards ON yards.id = notices.yard_id
           LEFT JOIN notice_tries AS tries ON tries.notice_id = notices.id
           WHERE notices.yard_id = ? GROUP BY notices.id ORDER BY notices.made_at, notices.id""",
        (yard_id,),
    ).fetchall()
    kept = [
        StoredNotice(
            id=row["id"],
            notice=Notice(row["yard_key"], row["kind"], moment_of(row["storm_start"]), row["title"], row["body"]),
            made_at=moment_of(row["made_at"]),
            tries=row["tries"],
            last_try_at=None if row["last_try_at"] is None else moment_of(row["last_try_at"]),
            last_message=row["said"] or "",
            sent_at=None if row["sent_at"] is None else moment_of(row["sent_at"]),
        )
        for row in rows
    ]
    return [each for each in kept if each.sent_at is None] if unsent_only else kept


def newest_of_season(conn: sqlite3.Connection, yard_id: int) -> tuple[int, ...]:
    """What changes when something that the review of a yard's season rests on was logged, built, planned or chosen."""
    covers = "SELECT covers.id FROM covers JOIN boats ON boats.id = covers.boat_id WHERE boats.yard_id = :yard"
    visits = f"SELECT id FROM inspections WHERE cover_id IN ({covers})"
    walks = "SELECT id FROM walks WHERE yard_id = :yard"
    counted = conn.execute(
        f"""SELECT (SELECT count(*) FROM ({visits})),
                   (SELECT count(*) FROM findings WHERE inspection_id IN ({visits})),
                   (SELECT count(*) FROM actions WHERE cover_id IN ({covers})),
                   (SELECT count(*) FROM cover_builds WHERE cover_id IN ({covers})),
                   (SELECT count(*) FROM ranking_curves WHERE yard_id = :yard),
                   (SELECT count(*) FROM ({walks})),
                   (SELECT count(*) FROM walk_changes WHERE walk_id IN ({walks}))""",
        {"yard": yard_id},
    ).fetchone()
    return tuple(counted)


def newest_entries(conn: sqlite3.Connection, yard_id: int, jobs: Iterable[str]) -> tuple[object, ...]:
    """What changes when anything that a yard's page shows does: newest numbers and counts, the register's rows, and how
    the last runs of its jobs ended."""
    counted = conn.execute(
        """SELECT (SELECT max(id) FROM weather_fetches WHERE yard_id = :yard),
                  (SELECT count(*) FROM inspections), (SELECT count(*) FROM findings), (SELECT count(*) FROM actions),
                  (SELECT max(id) FROM cover_builds), (SELECT count(*) FROM covers),
                  (SELECT max(id) FROM ranking_curves), (SELECT max(id) FROM source_choices),
                  (SELECT max(id) FROM notice_tries)""",
        {"yard": yard_id},
    ).fetchone()
    boats = conn.execute("SELECT * FROM boats WHERE yard_id = ? ORDER BY id", (yard_id,)).fetchall()
    yard = conn.execute("SELECT * FROM yards WHERE id = ?", (yard_id,)).fetchone()
    ended = [last_ended(conn, job) for job in jobs]
    outcomes = tuple((run.job, run.outcome, run.message) for run in ended if run is not None and run.outcome != "done")
    return (tuple(counted), tuple(map(tuple, boats)), tuple(yard), outcomes)


def newest_pictures_and_walks(conn: sqlite3.Connection) -> tuple[object, ...]:
    """What changes when a photo is logged or withdrawn, or a walk planned or changed; beside `newest_entries`."""
    counted = conn.execute(
        """SELECT (SELECT count(*) FROM photos), (SELECT count(*) FROM photo_withdrawals),
                  (SELECT count(*) FROM walks), (SELECT count(*) FROM walk_changes)"""
    ).fetchone()
    return tuple(counted)
