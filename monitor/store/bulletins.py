"""What services say besides hours: days as measured, watches and warnings. Kept beside the hours, never joined."""

import json
import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from monitor.store.rows import limit_text, moment_of, utc_text
from monitor.store.weather import Fetch, record_empty, store_rows

if TYPE_CHECKING:
    from monitor.weather.providers import Answer
    from monitor.weather.providers.ncei_daily import ParsedDays
    from monitor.weather.providers.nws_alerts import Alert


@dataclass(frozen=True)
class StoredDay:
    """A station's day: what was measured by name, with flags and, where told, the local time at which its day ends."""

    source: str
    station: str
    day: date
    day_ends: Mapping[str, str]
    measured: Mapping[str, float]
    flags: Mapping[str, str]
    fetched_at: datetime


@dataclass(frozen=True)
class StoredAlert:
    """A watch, warning or advisory as it was last told; times in UTC."""

    id: str
    event: str
    severity: str
    onset: datetime
    ends: datetime
    headline: str
    fetched_at: datetime


def store_days(conn: sqlite3.Connection, yard_id: int, source: str, answer: "Answer", parsed: "ParsedDays") -> Fetch:
    """Keep an answer and its days, in one transaction; outcomes as for hours."""
    message = "\n".join(parsed.notes)
    rows: list[tuple[Any, ...]] = []
    for day in parsed.days.index:
        measured = {name: value for name, value in parsed.days.loc[day].items() if value == value}
        flags = {name: word for name, word in parsed.flags.loc[day].items() if word and name in measured}
        ends = {name: told for name, told in parsed.day_ends.loc[day].items() if told and name in measured}
        texts = (json.dumps(ends), json.dumps(measured), json.dumps(flags))
        rows.append((parsed.station, day.strftime("%Y-%m-%d"), *texts))
    if not rows:
        return record_empty(conn, yard_id, source, answer, message)

    def add_rows(fetch_id: int) -> None:
        conn.executemany(
            "INSERT INTO weather_days (fetch_id, station, day, day_ends, measured, flags) VALUES (?, ?, ?, ?, ?, ?)",
            [(fetch_id, *row) for row in rows],
        )

    return store_rows(conn, yard_id, source, answer, message, rows, add_rows)


def read_days(
    conn: sqlite3.Connection, yard_id: int, known_at: datetime | None = None, first: date | None = None
) -> list[StoredDay]:
    """Each station's days as known at a moment, by day and station; of one day the answer fetched last counts."""
    rows = conn.execute(
        """WITH carriers AS (
               SELECT coalesce(same_as, id) AS fetch_id, source, max(fetched_at) AS seen_at, rows_sha256
               FROM weather_fetches
               WHERE yard_id = ? AND outcome IN ('stored', 'same') AND fetched_at <= ? GROUP BY 1)
           SELECT * FROM carriers JOIN weather_days USING (fetch_id) WHERE day >= ? ORDER BY seen_at, rows_sha256""",
        (yard_id, limit_text(known_at), "" if first is None else first.isoformat()),
    )
    newest = {(row["day"], row["station"]): row for row in rows}
    return [
        StoredDay(
            source=row["source"],
            station=row["station"],
            day=date.fromisoformat(row["day"]),
            day_ends=json.loads(row["day_ends"]),
            measured=json.loads(row["measured"]),
            flags=json.loads(row["flags"]),
            fetched_at=moment_of(row["seen_at"]),
        )
        for _, row in sorted(newest.items())
    ]


def store_alerts(
    conn: sqlite3.Connection, yard_id: int, source: str, answer: "Answer", alerts: Iterable["Alert"]
) -> Fetch:
    """Keep an answer and the alerts in force that it tells, in one transaction; without any it is ``empty``."""
    rows: list[tuple[Any, ...]] = [
        (of.id, of.event, of.severity, utc_text(of.onset), utc_text(of.ends), of.headline) for of in alerts
    ]
    if not rows:
        return record_empty(conn, yard_id, source, answer, "No alert is in force.")

    def add_rows(fetch_id: int) -> None:
        conn.executemany(
            """INSERT INTO weather_alerts (fetch_id, alert_id, event, severity, onset, ends, headline)
               VALUES (?, ?, ?, ?, ?, ?, ?)""",
            [(fetch_id, *row) for row in rows],
        )

    return store_rows(conn, yard_id, source, answer, "", rows, add_rows)


def read_alerts(
    conn: sqlite3.Connection, yard_id: int, source: str, address: str, known_at: datetime | None = None
) -> list[StoredAlert]:
    """Alerts of the last answer to a request that begins with ``address``, by onset; an empty answer ends them all."""
    last = conn.execute(
        """SELECT coalesce(same_as, id) AS fetch_id, fetched_at FROM weather_fetches
           WHERE yard_id = ? AND source = ? AND outcome IN ('stored', 'same', 'empty') AND fetched_at <= ?
               AND substr(url, 1, length(?)) = ?
           ORDER BY fetched_at DESC, id DESC LIMIT 1""",
        (yard_id, source, limit_text(known_at), address, address),
    ).fetchone()
    if last is None:
        return []
    rows = conn.execute("SELECT * FROM weather_alerts WHERE fetch_id = ? ORDER BY onset, event, alert_id", (last[0],))
    return [
        StoredAlert(
            id=row["alert_id"],
            event=row["event"],
            severity=row["severity"],
            onset=moment_of(row["onset"]),
            ends=moment_of(row["ends"]),
            headline=row["headline"],
            fetched_at=moment_of(last["fetched_at"]),
        )
        for row in rows
    ]
