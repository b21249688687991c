"""The service that never sleeps through a storm: APScheduler runs the jobs, the database remembers when they ran.

Each job has a name, a rule for when it is due, and work to do. What is due follows from the last run that was done, so
that a restart, a kill or a laptop asleep for a day leads to one catch-up and no more.
"""

import logging
import random
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Literal
from zlib import crc32
from zoneinfo import ZoneInfo

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

from monitor.errors import StoreError, StormwalkError
from monitor.operations.backup import NIGHTLY_KEPT, back_up
from monitor.operations.service import Sends, notices_to_try, rank_and_watch, season_over, send_notices
from monitor.operations.weather import FetchReport, fetch_alerts, recheck_weather, refresh_weather, weekly_check
from monitor.register import Yard
from monitor.settings import BACKUP_HOUR, BESIDE, OFF, Settings
from monitor.store import service as store
from monitor.store.connection import connect
from monitor.store.register import yard as yard_of
from monitor.store.register import yards

log = logging.getLogger("stormwalk.service")

Clock = Callable[[], datetime]
Work = Callable[[sqlite3.Connection], str]
Lane = Literal["weather", "notices", "backup"]

TIDY, BACKUP = "tidy", "backup"
"""The jobs that belong to no yard."""

LANES: tuple[Lane, ...] = ("weather", "notices", "backup")
"""Jobs of one lane run one after another; neither a slow weather service nor a slow disk holds up what is to be told.
"""

HISTORY = timedelta(days=60)
"""How long the runs of jobs are remembered."""

FIRST_RETRY = timedelta(minutes=5)
"""A job that failed is not due again before this; the wait doubles with each failure, up to `LONGEST_RETRY`."""

LONGEST_RETRY = timedelta(hours=1)

LOOK_EVERY_S = (45.0, 90.0)
"""Seconds between looks at what is due, drawn anew each time so that yards do not all ask a service at once."""

HEARTBEAT_S = 20.0
"""Seconds, by a clock that nobody sets, between checks that a clock which was set back puts off no look."""


@dataclass(frozen=True)
class Job:
    """A named piece of work; ``next_after`` gives from the start of the last run that was done when the next is due."""

    name: str
    yard_key: str
    lane: Lane
    next_after: Callable[[datetime], datetime]
    work: Work


@dataclass(frozen=True)
class JobState:
    """How a job stands: its newest run, the last one that was done, how often it failed since, when it is due.

    ``outcome`` is ``done``, ``failed``, ``running``, ``cut off`` (its process ended while it ran) or ``never``.
    """

    job: str
    yard_key: str
    outcome: str
    started_at: datetime | None
    message: str
    last_done_at: datetime | None
    failures: int
    next_due_at: datetime


def job_names(yard_key: str) -> tuple[str, ...]:
    """Names of a yard's jobs."""
    return tuple(f"{kind} {yard_key}" for kind in ("pull", "recheck", "weekly check", "notices"))


def every(interval: timedelta) -> Callable[[datetime], datetime]:
    """Due an interval after the last run."""
    return lambda last: last + interval


def each_hour(minute: int) -> Callable[[datetime], datetime]:
    """Due at the next such minute: each yard has its own, so that not all ask a service on the full hour."""

    def next_after(last: datetime) -> datetime:
        due = last.replace(minute=minute, second=0, microsecond=0)
        return due if due > last else due + timedelta(hours=1)

    return next_after


def each_night(hour: int, minute: int, time_zone: str) -> Callable[[datetime], datetime]:
    """Due at the next such time on the yard's clock, once a night also where the clock shows it twice or not at all."""
    zone = ZoneInfo(time_zone)

    def next_after(last: datetime) -> datetime:
        day = last.astimezone(zone).date()
        tonight, tomorrow = (
            datetime.combine(day + timedelta(days=days), time(hour, minute), zone).astimezone(UTC) for days in (0, 1)
        )
        return tonight if tonight > last else tomorrow

    return next_after


def utc_now() -> datetime:
    """The clock of the service, to the second (UTC)."""
    return datetime.now(UTC).replace(microsecond=0)


def due_at(conn: sqlite3.Connection, job: Job, now: datetime) -> datetime:
    """When a job is due next: at once where it never was done, else by its rule after the last run that was.

    After a failure no sooner than a wait that doubles. A last run that lies ahead, because the clock was set back, puts
    nothing off: the job is due at once, and goes on by the new clock.
    """
    done = store.last_run(conn, job.name, "done")
    failed = store.last_run(conn, job.name, "failed")
    due = now if done is None or done > now else job.next_after(done)
    if failed is not None and failed <= now:
        failures = store.failures_in_a_row(conn, job.name)
        if failures:
            due = max(due, failed + min(FIRST_RETRY * 2 ** min(failures - 1, 10), LONGEST_RETRY))
    return due


def run_job(database: Path, job: Job, clock: Clock) -> bool:
    """Run a job on a connection of its own and note how it went; False where it failed.

    This is the one place that catches everything: a job that fails is recorded and shown, and stops no other.
    """
    with closing(connect(database)) as conn:
        run = store.start_job(conn, job.name, clock())
        try:
            message = job.work(conn)
        except StormwalkError as error:
            store.finish_job(conn, run, clock(), "failed", str(error))
            log.warning("%s: %s", job.name, error)
            return False
        except Exception as error:
            sentence = f"It stopped at an error of the program ({type(error).__name__}: {error}). It is tried again."
            store.finish_job(conn, run, clock(), "failed", sentence)
            log.exception("%s failed", job.name)
            return False
        store.finish_job(conn, run, clock(), "done", message)
    log.info("%s: %s", job.name, message)
    return True


class Service:
    """The jobs of all yards of one database, run by APScheduler in the background.

    The caller holds `store.service.only_scheduler`, so that no other process schedules for the same database. Raises
    StormwalkError for a setting that makes no sense. ``after_job`` is called with a yard's key when a job of it ended.
    """

    def __init__(self, database: Path, settings: Settings, sends: Sends, clock: Clock = utc_now) -> None:
        self._database = database
        self._settings = settings
        self._backup_hour = _hour(settings.backup_hour)
        self._sends = sends
        self._clock = clock
        self.after_job: Callable[[str], None] = lambda yard_key: None
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1}
        )
        self._unnoted: dict[str, datetime] = {}
        self._planned: dict[Lane, datetime] = {}
        self._busy = {lane: threading.Lock() for lane in LANES}
        self._stopping = threading.Event()
        self._heart = threading.Thread(target=self._beat, name="stormwalk heartbeat", daemon=True)

    def jobs(self, conn: sqlite3.Connection) -> list[Job]:
        """What is to be done for the yards there are now."""
        jobs, known = [], yards(conn)
        for yard in known:
            minute, key = own_minute(yard.key), yard.key
            pull, recheck, weekly, notices = job_names(key)
            jobs += [
                Job(pull, key, "weather", each_hour(minute), self._pull(yard)),
                Job(recheck, key, "weather", each_night(3, minute, yard.time_zone), self._recheck(yard)),
                Job(weekly, key, "weather", every(timedelta(days=7)), self._weekly(yard)),
                Job(notices, key, "notices", every(timedelta(0)), self._notices(yard)),
            ]
        if known and self._settings.backups != OFF:
            tonight = each_night(self._backup_hour, 0, known[0].time_zone)  # the first yard's night is the night of all
            jobs.append(Job(BACKUP, "", "backup", tonight, self._back_up))
        return [*jobs, Job(TIDY, "", "weather", every(timedelta(days=1)), self._tidy)]

    def run_due(self, lane: Lane | None = None) -> int:
        """Run every job, or every one of a lane, that is due now, one after another; returns how many ran."""
        ran = 0
        for each in LANES if lane is None else (lane,):
            with self._busy[each], closing(connect(self._database)) as conn:
                for job in self.jobs(conn):
                    if job.lane == each and not self._stopping.is_set() and self._is_due(conn, job):
                        self._run(job)
                        ran += 1
        return ran

    def _run(self, job: Job) -> None:
        """Run a job. Where the database, full or locked, cannot note how it went, it waits like one that failed."""
        try:
            run_job(self._database, job, self._clock)
        except (StoreError, sqlite3.Error) as error:
            self._unnoted[job.name] = self._clock()
            log.warning("%s: it could not be noted how it went. %s", job.name, error)
        else:
            self._unnoted.pop(job.name, None)
            if job.yard_key and not self._stopping.is_set():
                self.after_job(job.yard_key)

    def states(self, yard_key: str | None = None) -> list[JobState]:
        """How each job, or each of one yard and those of no yard, stands now, for people to read."""
        now = self._clock()
        lives = store.scheduler_runs(self._database)
        with closing(connect(self._database)) as conn:
            states = []
            for job in self.jobs(conn):
                if yard_key is not None and job.yard_key not in ("", yard_key):
                    continue
                run = store.newest_run(conn, job.name)
                outcome = "never" if run is None else run.outcome
                states.append(
                    JobState(
                        job=job.name,
                        yard_key=job.yard_key,
                        outcome="cut off" if outcome == "running" and not lives else outcome,
                        started_at=None if run is None else run.started_at,
                        message="" if run is None else run.message,
                        last_done_at=store.last_run(conn, job.name, "done"),
                        failures=store.failures_in_a_row(conn, job.name),
                        next_due_at=due_at(conn, job, now),
                    )
                )
        return states

    def start(self) -> None:
        """Begin to schedule; the first jobs that are due run at once."""
        self._scheduler.start()
        for lane in LANES:
            self._look_after(lane, 0.0)
        self._heart.start()

    def stop(self) -> None:
        """Stop scheduling after the job that runs now, if any."""
        self._stopping.set()
        self._scheduler.shutdown(wait=True)
        self._heart.join()

    def _is_due(self, conn: sqlite3.Connection, job: Job) -> bool:
        now = self._clock()
        if job.name in self._unnoted and timedelta(0) <= now - self._unnoted[job.name] < FIRST_RETRY:
            return False
        if job.lane == "notices":
            told = self._sends.has_address(job.yard_key)
            if not told or not notices_to_try(conn, yard_of(conn, job.yard_key), now):
                return False
        return due_at(conn, job, now) <= now

    def _look_after(self, lane: Lane, wait_s: float) -> None:
        """Plan the next look at what is due in a lane.

        Each look plans the one after it. The trigger never ends all the same: a job whose trigger ends is removed by
        the scheduler's own thread, which trips where it is shut down just then.
        """
        self._planned[lane] = when = datetime.now(UTC) + timedelta(seconds=wait_s)
        self._scheduler.add_job(
            self._look, IntervalTrigger(weeks=52), args=(lane,), id=lane, next_run_time=when, replace_existing=True
        )

    def _look(self, lane: Lane) -> None:
        try:
            self.run_due(lane)
        except (StoreError, sqlite3.Error) as error:
            log.warning("It could not be looked at what is due in the lane of %s. %s", lane, error)
        finally:
            if not self._stopping.is_set():
                self._look_after(lane, random.uniform(*LOOK_EVERY_S))

    def _beat(self) -> None:
        while not self._stopping.wait(HEARTBEAT_S):
            self.look_sooner_if_put_off()

    def look_sooner_if_put_off(self) -> None:
        """Plan the next look anew where a clock that was set back has put it off; one that runs is not put off."""
        latest = datetime.now(UTC) + timedelta(seconds=2 * LOOK_EVERY_S[1])
        for lane, planned in self._planned.items():
            if planned > latest and not self._stopping.is_set():
                log.warning("The clock was set back: looking at what is due in the lane of %s now.", lane)
                self._look_after(lane, 0.0)

    def _pull(self, yard: Yard) -> Work:
        def work(conn: sqlite3.Connection) -> str:
            if over := season_over(conn, yard):
                return over
            said, troubles = [], []
            try:
                said.append(_said(refresh_weather(conn, yard, self._clock, self._settings)))
            except StormwalkError as error:  # what is known, perhaps from the yard's own logger, is ranked all the same
                troubles.append(str(error))
            said += [report.sentence for report in fetch_alerts(conn, yard, self._clock, self._settings)]
            try:
                kept, titles = rank_and_watch(conn, yard, self._clock())
            except StormwalkError as error:
                troubles.append(str(error))
            else:
                said += [*(["Ranking kept."] if kept else []), *titles]
            if troubles:
                raise StormwalkError(" ".join(troubles))
            return " ".join(said)

        return work

    def _recheck(self, yard: Yard) -> Work:
        return lambda conn: season_over(conn, yard) or _said(recheck_weather(conn, yard, self._clock, self._settings))

    def _weekly(self, yard: Yard) -> Work:
        return lambda conn: season_over(conn, yard) or _said(weekly_check(conn, yard, self._clock, self._settings))

    def _notices(self, yard: Yard) -> Work:
        return lambda conn: " ".join(send_notices(conn, yard, self._clock(), self._sends))

    def _back_up(self, conn: sqlite3.Connection) -> str:
        folder = None if self._settings.backups == BESIDE else Path(self._settings.backups)
        made = back_up(self._database, folder, now=self._clock(), keep=NIGHTLY_KEPT)
        return " ".join(made.sentences)

    def _tidy(self, conn: sqlite3.Connection) -> str:
        return f"Forgot {store.forget_old_runs(conn, self._clock() - HISTORY)} old runs of jobs."


def own_minute(yard_key: str) -> int:
    """A minute of the hour that is the yard's own, the same after each restart and spread over yards."""
    return crc32(yard_key.encode()) % 60


def _hour(text: str) -> int:
    if not (text.isdecimal() and text.isascii() and int(text) <= 23):
        raise StormwalkError(f"{BACKUP_HOUR} is {text!r}, expected an hour from 0 to 23. Nothing was started.")
    return int(text)


def _said(reports: list[FetchReport]) -> str:
    """The sentences of a fetch. Raises StormwalkError with them where none of it went well."""
    sentences = " ".join(report.sentence for report in reports)
    if reports and not any(report.good for report in reports):
        raise StormwalkError(sentences)
    return sentences
