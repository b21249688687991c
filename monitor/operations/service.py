"""What the service does by itself for one yard: rank, watch for storms, tell people. Each call is whole or nothing."""

import sqlite3
from datetime import datetime, timedelta
from typing import Protocol

from monitor.assessment import YardAssessment
from monitor.clocks import taken_off
from monitor.errors import StormwalkError
from monitor.messages import Message, quiet_until
from monitor.notices import NoticeRules, due_notices
from monitor.operations.kept_rankings import KeptRanking, keep_ranking
from monitor.operations.ranking import assess_yard, storm_is_coming
from monitor.operations.weather import current_alerts
from monitor.register import Yard
from monitor.store import inspections as log_store
from monitor.store import rankings as ranking_store
from monitor.store import register as register_store
from monitor.store import service as store
from monitor.store.connection import write
from monitor.weather.providers.nws_alerts import COVER_EVENTS

NOTICE_RULES = NoticeRules()

KEEP_EVERY = timedelta(hours=24)
"""A ranking is kept at least this often, and whenever a call changed: a season of them stays small."""


class Sends(Protocol):
    """Takes messages to the people of a yard: `monitor.sending.Sender`, or a test's own."""

    def has_address(self, yard_key: str) -> bool:
        """Whether anybody is to be told of this yard."""

    def send(self, message: Message) -> str:
        """Send a message; returns what to note. Raises StormwalkError with a sentence where it did not go out."""


def season_over(conn: sqlite3.Connection, yard: Yard) -> str:
    """That every cover of a yard has come off, in a sentence; empty where one is on, or none was ever loaded."""
    covers = register_store.covers(conn, yard.key)
    off = taken_off(log_store.log_of_yard(conn, register_store.yard_id(conn, yard.key)))
    if not covers or any(cover.stored_id not in off for cover in covers):
        return ""
    return "Every cover has come off: weather is asked for again when new covers are loaded."


def rank_and_watch(
    conn: sqlite3.Connection, yard: Yard, now: datetime, rules: NoticeRules = NOTICE_RULES
) -> tuple[KeptRanking | None, list[str]]:
    """Rank a yard as of now and look for storms; the ranking if it was kept, and the titles of new notices."""
    assessment = assess_yard(conn, yard, as_of=now, known_at=now)
    return keep_if_changed(conn, assessment), watch_storms(conn, assessment, rules)


def keep_if_changed(conn: sqlite3.Connection, assessment: YardAssessment) -> KeptRanking | None:
    """Keep a ranking where a call changed or the last one kept is a day old; None where it was not kept."""
    now = assessment.as_of
    head = ranking_store.last_ranking(conn, register_store.yard_id(conn, assessment.yard.key), now)
    if head is not None and now - head.as_of < KEEP_EVERY:
        before = {row["cover"]: row["call"] for row in ranking_store.ranking(conn, head.id).rows}
        if before == {line.cover: line.call for line in assessment.ranked}:
            return None
    return keep_ranking(conn, assessment, created_at=now)


def watch_storms(conn: sqlite3.Connection, past: YardAssessment, rules: NoticeRules = NOTICE_RULES) -> list[str]:
    """Make the notices that are due for a yard; returns their titles. The same storm gives no second one."""
    yard, now = past.yard, past.as_of
    yard_id = register_store.yard_id(conn, yard.key)
    ahead, ahead_h = None, round(rules.ahead.total_seconds() / 3600)
    if storm_is_coming(conn, past, ahead_h):
        ahead = assess_yard(conn, yard, as_of=now, known_at=now, ahead_h=ahead_h)
    alerts = [alert for alert in current_alerts(conn, yard, now) if alert.event in COVER_EVENTS]
    with write(conn):  # what was told is read and added to in one step, so that two processes do not both tell it
        due = due_notices(past, ahead, store.told(conn, yard_id), rules, alerts)
        for notice in due:
            store.add_notice(conn, yard_id, notice, now)
    return [notice.title for notice in due]


def notices_to_try(conn: sqlite3.Connection, yard: Yard, now: datetime) -> list[store.StoredNotice]:
    """Notices that may be tried now: none in the yard's quiet hours, none that is no news any more."""
    if quiet_until(yard.quiet_hours, now, yard.time_zone) is not None:
        return []
    waiting = store.notices(conn, register_store.yard_id(conn, yard.key), unsent_only=True)
    return [each for each in waiting if not each.given_up(now) and each.next_try(now) <= now]


def send_notices(conn: sqlite3.Connection, yard: Yard, now: datetime, sends: Sends) -> list[str]:
    """Send what waits; sentences of what went out. Raises StormwalkError, after all were tried, where one did not.

    A notice that does not go out is kept and tried again, later each time. One that went out is noted at once; where
    the process is killed in that moment, the crew gets it twice rather than never.
    """
    said, failed = [], []
    for waiting in notices_to_try(conn, yard, now):
        title = waiting.notice.title
        try:
            note = sends.send(Message(waiting.id, yard.key, title, waiting.notice.body))
        except StormwalkError as error:
            store.add_try(conn, waiting.id, now, str(error), sent=False)
            failed.append(f"{title}: not sent, tried {waiting.tries + 1} times. {error}")
        else:
            store.add_try(conn, waiting.id, now, note, sent=True)
            said.append(f"{title}: {note}.")
    if failed:
        raise StormwalkError(" ".join([*failed, *said]))
    return said
