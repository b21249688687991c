"""Weather in the database: every answer of a service as it came, the hours read from it, and what was known when."""

import hashlib
import json
import sqlite3
import zlib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from typing import TYPE_CHECKING, Any, cast

from monitor.errors import StoreError
from monitor.store.connection import write
from monitor.store.migrations import OUTCOMES
from monitor.store.rows import insert, limit_text, moment_of, utc_text
from monitor.variables import KINDS, PRESENT_WEATHER, SOURCES, VARIABLES, Kind

if TYPE_CHECKING:
    import pandas as pd

    from monitor.weather.providers import Answer
    from monitor.weather.table import ParsedHours, SourceSeries

_COLUMNS = (*VARIABLES, PRESENT_WEATHER)
_ONE_HOUR = timedelta(hours=1)

FILE = "file:"
"""Begins the address of an answer that was read from a file."""

_KNOWN = """
    WITH carriers AS (
        SELECT coalesce(same_as, id) AS fetch_id, source, max(fetched_at) AS seen_at, rows_sha256 FROM weather_fetches
        WHERE yard_id = :yard_id AND outcome IN ('stored', 'same') AND fetched_at <= :known_at GROUP BY 1),
    known AS (
        SELECT * FROM carriers JOIN weather_stretches USING (fetch_id)
        WHERE last_hour >= :start AND first_hour <= :end)
"""
"""Stretches of hours known by then, each with the last time that its fetch, or one with the same rows, was made."""


@dataclass(frozen=True)
class Fetch:
    """One attempt to get weather, without the body of the answer.

    ``outcome`` is ``stored`` (its hours are new), ``same`` (the hours of fetch ``same_as`` again), ``refused`` (not in
    the agreed shape), ``empty`` (no hours in it) or ``failed`` (no answer). ``message`` has the notes or the error.
    """

    id: int
    yard_id: int
    source: str
    fetched_at: datetime
    outcome: str
    same_as: int | None
    message: str
    url: str
    status: int | None
    headers: Mapping[str, str]


@dataclass(frozen=True)
class StoredSeries:
    """All hours of one kind from one source as known at a moment; ``fetched_at`` tells when each was last fetched."""

    series: "SourceSeries"
    fetched_at: "pd.Series"


@dataclass(frozen=True)
class SourceLog:
    """How the fetches of one source went. Counts are by outcome; times are None where there was none such."""

    source: str
    counts: Mapping[str, int]
    last_answer_at: datetime | None
    last_trouble: Fetch | None


def store_hours(conn: sqlite3.Connection, yard_id: int, source: str, answer: "Answer", parsed: "ParsedHours") -> Fetch:
    """Keep an answer and the hours read from it, in one transaction.

    Hours equal to those of another fetch of this yard and source are not stored again: the outcome is ``same``, and
    they read as if they were. An answer without hours is ``empty``.
    """
    rows = _rows(parsed)
    message = "\n".join(parsed.notes)
    if not rows:
        return record_empty(conn, yard_id, source, answer, message)

    def add_rows(fetch_id: int) -> None:
        marks = ", ".join("?" * (len(_COLUMNS) + 4))
        conn.executemany(
            f"INSERT INTO weather_hours (fetch_id, hour_ending, kind, {', '.join(_COLUMNS)}, flags) VALUES ({marks})",
            [(fetch_id, *row) for row in rows],
        )
        conn.executemany(
            "INSERT INTO weather_stretches (fetch_id, first_hour, last_hour, kind) VALUES (?, ?, ?, ?)",
            [(fetch_id, *stretch) for stretch in _stretches(rows)],
        )

    return store_rows(conn, yard_id, source, answer, message, rows, add_rows)


def store_rows(
    conn: sqlite3.Connection,
    yard_id: int,
    source: str,
    answer: "Answer",
    message: str,
    rows: list[tuple[Any, ...]],
    add_rows: Callable[[int], None],
) -> Fetch:
    """Keep an answer and what was read from it, in one transaction.

    ``add_rows`` writes the rows under the number of the new fetch. It is not called where a fetch of this yard and
    source holds equal rows: then the outcome is ``same``.
    """
    rows_sha256 = hashlib.sha256(json.dumps(rows).encode()).hexdigest()
    with write(conn):
        twin = conn.execute(
            """SELECT id FROM weather_fetches
               WHERE yard_id = ? AND source = ? AND outcome = 'stored' AND rows_sha256 = ?""",
            (yard_id, source, rows_sha256),
        ).fetchone()
        if twin is not None:
            return _record(conn, yard_id, source, answer, "same", message, twin["id"], rows_sha256)
        fetch = _record(conn, yard_id, source, answer, "stored", message, None, rows_sha256)
        add_rows(fetch.id)
    return fetch


def record_empty(conn: sqlite3.Connection, yard_id: int, source: str, answer: "Answer", message: str) -> Fetch:
    """Keep an answer that has no hours: the service has none, or it was asked for something else, as for a place."""
    return _record(conn, yard_id, source, answer, "empty", message)


def record_unchanged(conn: sqlite3.Connection, answer: "Answer", before: Fetch) -> Fetch:
    """Keep a "not modified" (304): the hours of an earlier fetch, known to hold still. ValueError where it has none."""
    if before.outcome not in ("stored", "same"):
        raise ValueError(f"fetch {before.id} is {before.outcome} and holds no hours that could be unchanged")
    carrier = before.id if before.same_as is None else before.same_as
    with write(conn):
        (rows_sha256,) = conn.execute("SELECT rows_sha256 FROM weather_fetches WHERE id = ?", (carrier,)).fetchone()
        return _record(conn, before.yard_id, before.source, answer, "same", "", carrier, rows_sha256)


def record_refusal(conn: sqlite3.Connection, yard_id: int, source: str, answer: "Answer", message: str) -> Fetch:
    """Keep an answer that could not be read, and the sentence that says why."""
    return _record(conn, yard_id, source, answer, "refused", message)


def record_failure(
    conn: sqlite3.Connection, yard_id: int, source: str, failed_at: datetime, message: str, url: str = ""
) -> Fetch:
    """Keep that a service gave no answer, and the sentence that says why; ``url`` without any key."""
    with write(conn):
        values = {"fetched_at": utc_text(failed_at), "url": url, "headers": "{}"}
        return _insert_fetch(
            conn, {"yard_id": yard_id, "source": source, "outcome": "failed", "message": message} | values
        )


def read_hours(
    conn: sqlite3.Connection,
    yard_id: int,
    known_at: datetime | None = None,
    start: datetime | None = None,
    end: datetime | None = None,
) -> list[StoredSeries]:
    """What was known of the weather at a moment, one series for each source and kind.

    For each source and hour one stored row counts, as a whole: of the best kind, and of that the one fetched last. A
    series has the columns that have a value or a flag in one of its hours.

    Parameters
    ----------
    known_at : datetime, optional
        Fetches after this moment do not count. [UTC]
    start, end : datetime, optional
        First and last ``hour_ending``, both included. [UTC]
    """
    rank = " ".join(f"WHEN '{kind}' THEN {position}" for position, kind in enumerate(reversed(KINDS)))
    # Of two answers of the same second the hash decides: the order of arrival in the database must not.
    stretches = conn.execute(
        f"""{_KNOWN} SELECT source, fetch_id, seen_at, first_hour, last_hour FROM known
            ORDER BY source, CASE kind {rank} END, seen_at, rows_sha256""",
        _moments(yard_id, known_at, start, end),
    )
    found: list[StoredSeries] = []
    for source, of_source in groupby(map(tuple, stretches), key=lambda stretch: stretch[0]):
        winners = _winners([stretch[1:] for stretch in of_source], start, end)
        rows = conn.execute(
            f"""SELECT kind, hour_ending, {", ".join(_COLUMNS)}, flags, value ->> 2
                FROM json_each(?) CROSS JOIN weather_hours ON fetch_id = value ->> 0 AND hour_ending = value ->> 1""",
            (json.dumps(winners),),
        ).fetchall()
        for kind in KINDS:
            if of_kind := [tuple(row)[1:] for row in rows if row["kind"] == kind]:
                found.append(_series(source, kind, sorted(of_kind, key=lambda row: row[0])))
    return sorted(found, key=lambda stored: SOURCES.index(stored.series.source))


def known_mark(conn: sqlite3.Connection, yard_id: int, known_at: datetime | None = None) -> tuple[int, int]:
    """What differs between two moments, or two looks, wherever `read_hours` may: fetches are only added.

    Count and newest number of the fetches with hours that were made by then: earlier moments know a part of what later
    ones know, so that an equal count and number are the same fetches.
    """
    count, newest = conn.execute(
        """SELECT count(*), coalesce(max(id), 0) FROM weather_fetches
           WHERE yard_id = ? AND outcome IN ('stored', 'same') AND fetched_at <= ?""",
        (yard_id, limit_text(known_at)),
    ).fetchone()
    return count, newest


def last_hours(
    conn: sqlite3.Connection, yard_id: int, known_at: datetime | None = None
) -> dict[tuple[str, Kind], datetime]:
    """The last hour that a yard has from each source and kind."""
    rows = conn.execute(
        f"{_KNOWN} SELECT source, kind, max(last_hour) FROM known GROUP BY source, kind",
        _moments(yard_id, known_at, None, None),
    )
    return {(source, kind): moment_of(last_hour) for source, kind, last_hour in rows}


def asked_span(conn: sqlite3.Connection, yard_id: int, source: str) -> tuple[datetime, datetime] | None:
    """First and last hour of what was, not of a forecast, that a service itself has given; files do not count."""
    first, last = conn.execute(
        """SELECT min(first_hour), max(last_hour)
           FROM weather_fetches AS fetch JOIN weather_stretches ON fetch_id = coalesce(same_as, fetch.id)
           WHERE yard_id = ? AND source = ? AND outcome IN ('stored', 'same') AND kind <> 'forecast'
               AND substr(url, 1, length(?)) <> ?""",
        (yard_id, source, FILE, FILE),
    ).fetchone()
    return None if first is None else (moment_of(first), moment_of(last))


def last_hours_at(conn: sqlite3.Connection, yard_id: int, source: str) -> datetime | None:
    """When a service itself last gave hours, or said that the kept ones still hold; None where it never did."""
    (last,) = conn.execute(
        """SELECT max(fetched_at) FROM weather_fetches AS fetch
           WHERE yard_id = ? AND source = ? AND outcome IN ('stored', 'same') AND substr(url, 1, length(?)) <> ?
               AND EXISTS (SELECT 1 FROM weather_stretches WHERE fetch_id = coalesce(same_as, fetch.id))""",
        (yard_id, source, FILE, FILE),
    ).fetchone()
    return None if last is None else moment_of(last)


def last_answer(conn: sqlite3.Connection, yard_id: int, source: str) -> Fetch | None:
    """The last fetch of a source that was answered in the agreed shape, with hours or without."""
    return _newest(conn, yard_id, source, ("stored", "same", "empty"))


def answered(conn: sqlite3.Connection, yard_id: int, source: str, url: str) -> Fetch | None:
    """The last fetch of one address that came to an end: with hours, without, or refused; None where none did."""
    return _newest(conn, yard_id, source, ("stored", "same", "empty", "refused"), url)


def caching_headers(conn: sqlite3.Connection, fetch: Fetch) -> dict[str, str]:
    """Headers of an answer that still count, names in lower case: its own, and those of the body that it stands for.

    A "not modified" (304) repeats only some of them.
    """
    headers: dict[str, str] = {}
    if fetch.same_as is not None and fetch.status == 304:
        rows = conn.execute(
            """SELECT headers FROM weather_fetches
               WHERE yard_id = ? AND source = ? AND url = ? AND id <= ? AND status IS NOT 304
               ORDER BY fetched_at DESC, id DESC LIMIT 1""",
            (fetch.yard_id, fetch.source, fetch.url, fetch.id),
        )
        for (text,) in rows:
            headers |= json.loads(text)
    headers = {name.lower(): value for name, value in headers.items()}
    return headers | {name.lower(): value for name, value in fetch.headers.items()}


def newest_fetch(conn: sqlite3.Connection, yard_id: int, source: str, url: str | None = None) -> Fetch | None:
    """The last fetch that gave hours, of one address or of any; its headers make the next request conditional."""
    return _newest(conn, yard_id, source, ("stored", "same"), url)


def fetch_log(conn: sqlite3.Connection, yard_id: int) -> list[SourceLog]:
    """How the fetches of a yard went, for each source that was ever tried."""
    counts: dict[str, dict[str, int]] = {}
    for source, outcome, count in conn.execute(
        "SELECT source, outcome, count(*) FROM weather_fetches WHERE yard_id = ? GROUP BY source, outcome", (yard_id,)
    ):
        counts.setdefault(source, dict.fromkeys(OUTCOMES, 0))[outcome] = count
    log = []
    for source in sorted(counts, key=SOURCES.index):
        answered = _newest(conn, yard_id, source, ("stored", "same", "empty"))
        trouble = _newest(conn, yard_id, source, ("refused", "failed"))
        log.append(SourceLog(source, counts[source], answered.fetched_at if answered else None, trouble))
    return log


def raw_answer(conn: sqlite3.Connection, fetch_id: int) -> bytes:
    """The body of an answer, byte for byte. Raises StoreError where there is none or it does not match its hash."""
    row = conn.execute("SELECT body, body_sha256 FROM weather_fetches WHERE id = ?", (fetch_id,)).fetchone()
    if row is None or row["body"] is None:
        found = "no fetch with this number" if row is None else "no answer came with it"
        raise StoreError(f"Weather fetch {fetch_id}: {found}.")
    body = zlib.decompress(row["body"])
    if hashlib.sha256(body).hexdigest() != row["body_sha256"]:
        raise StoreError(f"Weather fetch {fetch_id}: the kept answer does not match its hash. Restore a backup.")
    return body


def _record(
    conn: sqlite3.Connection,
    yard_id: int,
    source: str,
    answer: "Answer",
    outcome: str,
    message: str,
    same_as: int | None = None,
    rows_sha256: str | None = None,
) -> Fetch:
    values: dict[str, Any] = {
        "yard_id": yard_id,
        "source": source,
        "fetched_at": utc_text(answer.fetched_at),
        "outcome": outcome,
        "same_as": same_as,
        "rows_sha256": rows_sha256,
        "message": message,
        "url": answer.url,
        "status": answer.status,
        "headers": json.dumps(dict(answer.headers)),
        "body_sha256": hashlib.sha256(answer.body).hexdigest(),
        "body": zlib.compress(answer.body),
    }
    with write(conn):
        return _insert_fetch(conn, values)


def _insert_fetch(conn: sqlite3.Connection, values: Mapping[str, Any]) -> Fetch:
    fetch_id = insert(conn, "weather_fetches", values)
    return _fetch(conn.execute("SELECT * FROM weather_fetches WHERE id = ?", (fetch_id,)).fetchone())


def _newest(
    conn: sqlite3.Connection, yard_id: int, source: str, outcomes: tuple[str, ...], url: str | None = None
) -> Fetch | None:
    found = []
    for outcome in outcomes:  # one by one: each is the end of a stretch of the index
        row = conn.execute(
            """SELECT * FROM weather_fetches
               WHERE yard_id = ? AND source = ? AND outcome = ? AND (url = ? OR ?)
               ORDER BY fetched_at DESC, id DESC LIMIT 1""",
            (yard_id, source, outcome, url, url is None),
        ).fetchone()
        if row is not None:
            found.append(_fetch(row))
    return max(found, key=lambda fetch: (fetch.fetched_at, fetch.id), default=None)


def _fetch(row: sqlite3.Row) -> Fetch:
    return Fetch(
        id=row["id"],
        yard_id=row["yard_id"],
        source=row["source"],
        fetched_at=moment_of(row["fetched_at"]),
        outcome=row["outcome"],
        same_as=row["same_as"],
        message=row["message"],
        url=row["url"],
        status=row["status"],
        headers=json.loads(row["headers"]),
    )


def _rows(parsed: "ParsedHours") -> list[tuple[Any, ...]]:
    """One tuple an hour: hour_ending, kind, a value or None for each of ``_COLUMNS``, flags as JSON or None."""
    hours = parsed.hours
    count = len(hours)
    columns = [_values(hours[name]) if name in hours.columns else [None] * count for name in _COLUMNS]
    flags: list[dict[str, str]] = [{} for _ in range(count)]
    for name in (column for column in _COLUMNS if column in parsed.flags.columns):
        for of_hour, flag in zip(flags, parsed.flags[name].tolist(), strict=True):
            if flag:
                of_hour[name] = flag
    hour_ending = cast("pd.DatetimeIndex", hours.index).strftime("%Y-%m-%dT%H:%M:%SZ").tolist()
    flag_texts = [json.dumps(of_hour) if of_hour else None for of_hour in flags]
    return list(zip(hour_ending, parsed.kinds.tolist(), *columns, flag_texts, strict=True))


def _stretches(rows: list[tuple[Any, ...]]) -> list[tuple[str, str, str]]:
    """First hour, last hour and kind of each run of hours without a gap or a change of kind."""
    stretches: list[tuple[str, str, str]] = []
    for hour, kind, *_ in rows:
        if stretches and kind == stretches[-1][2] and moment_of(hour) - moment_of(stretches[-1][1]) == _ONE_HOUR:
            stretches[-1] = (stretches[-1][0], hour, kind)
        else:
            stretches.append((hour, hour, kind))
    return stretches


def _winners(
    stretches: list[tuple[int, str, str, str]], start: datetime | None, end: datetime | None
) -> list[tuple[int, str, str]]:
    """For each hour that a source knows, ascending: the fetch whose row counts, the hour, and when it was last fetched.

    ``stretches`` (fetch, last fetched, first hour, last hour) come in the order in which a later one counts before an
    earlier one, so that each simply covers what was there.
    """
    import numpy as np

    def hours(texts: list[str]) -> Any:
        return np.array([text[:13] for text in texts], dtype="datetime64[h]").astype(int)

    first, last = hours([stretch[2] for stretch in stretches]), hours([stretch[3] for stretch in stretches])
    origin = first.min()
    owner = np.full(last.max() - origin + 1, -1)
    for number, (begin, stop) in enumerate(zip((first - origin).tolist(), (last - origin + 1).tolist(), strict=True)):
        owner[begin:stop] = number
    known = np.flatnonzero(owner >= 0)
    texts = np.datetime_as_string((origin + known).astype("datetime64[h]"), unit="s")
    winners = [
        (stretches[number][0], f"{text}Z", stretches[number][1])
        for number, text in zip(owner[known].tolist(), texts.tolist(), strict=True)
    ]
    low, high = "" if start is None else utc_text(start), limit_text(end)
    return [winner for winner in winners if low <= winner[1] <= high]


def _moments(
    yard_id: int, known_at: datetime | None, start: datetime | None, end: datetime | None
) -> dict[str, str | int]:
    return {
        "yard_id": yard_id,
        "known_at": limit_text(known_at),
        "start": "" if start is None else utc_text(start),
        "end": limit_text(end),
    }


def _values(column: "pd.Series") -> list[Any]:
    """Plain values, None for NaN; numpy's own scalars would be stored as bytes."""
    return [None if value != value else value for value in column.tolist()]


def _series(source: str, kind: Kind, rows: list[tuple[Any, ...]]) -> StoredSeries:
    """Rows of ``read_hours`` (hour, columns, flags, last fetched), sorted by hour, as frames."""
    import pandas as pd

    from monitor.weather.table import SourceSeries, hourly_index

    hour_ending, *columns, flag_texts, seen_at = zip(*rows, strict=True)
    index = hourly_index(list(hour_ending))
    flags = dict(_flag_columns(flag_texts))
    hours = {
        name: pd.Series(values, index=index, dtype="str" if name == PRESENT_WEATHER else "float64")
        for name, values in zip(_COLUMNS, columns, strict=True)
        if name in flags or any(value is not None for value in values)
    }
    return StoredSeries(
        SourceSeries(
            source,
            kind,
            pd.DataFrame(hours, index=index, columns=pd.Index(list(hours), dtype="str")),
            pd.DataFrame(flags, index=index, columns=pd.Index(list(flags), dtype="str"), dtype="str"),
        ),
        fetched_at=pd.Series(hourly_index(list(seen_at)), index=index, name="fetched_at"),
    )


def _flag_columns(texts: tuple[str | None, ...]) -> Iterator[tuple[str, list[str]]]:
    """Each column that is flagged in some hour, with its flags: "" in the other hours."""
    meaning = {text: json.loads(text) if text else {} for text in set(texts)}
    of_hours = [meaning[text] for text in texts]
    flagged = set().union(*meaning.values())
    for name in _COLUMNS:
        if name in flagged:
            yield name, [of_hour.get(name, "") for of_hour in of_hours]
