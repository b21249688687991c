"""The log's hash chain: every stored fact is sealed together with all before it, so that a later change shows.

Of each fact the SHA-256 of its canonical form is kept: a JSON object of its columns by name, sorted, without those that
are NULL, no blanks, UTF-8. A column that a later version adds is NULL in old rows and leaves their hashes alone; giving
it a value afterwards does not. Such a column must therefore be allowed to be NULL, and no column may be renamed.
Each link is the SHA-256 of the JSON list ``[seq, table, entry id, hash of the fact, link before]``; before the first
stands `BEFORE_THE_FIRST`.

Triggers keep an accident away; the chain shows what somebody did who went round them. Nobody can take out, add, change
or reorder facts without breaking it, but for cutting off its end or computing all of it anew: that shows against a head
kept elsewhere, in a backup or on paper.
"""

import hashlib
import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

from monitor.store.append_only import APPEND_ONLY
from monitor.store.rows import insert

CHAINED: dict[str, str] = {
    "inspections": "recorded_at",
    "findings": "recorded_at",
    "actions": "recorded_at",
    "photos": "recorded_at",
    "photo_withdrawals": "withdrawn_at",
}
"""Tables whose rows are chained, and when a row was stored."""

BEFORE_THE_FIRST = "0" * 64

_COVER_OF = {
    "inspections": "SELECT cover_id FROM inspections WHERE id = :id",
    "findings": """SELECT cover_id FROM findings JOIN inspections ON inspections.id = inspection_id
                   WHERE findings.id = :id""",
    "actions": "SELECT cover_id FROM actions WHERE id = :id",
    "photos": """SELECT coalesce(inspections.cover_id, actions.cover_id) FROM photos
                 LEFT JOIN inspections ON inspections.id = photos.inspection_id
                 LEFT JOIN actions ON actions.id = photos.action_id WHERE photos.id = :id""",
}
_COVER_OF["photo_withdrawals"] = _COVER_OF["photos"]


@dataclass(frozen=True)
class Head:
    """How far a chain reaches: number of facts, and the last link."""

    count: int
    sha256: str


@dataclass(frozen=True)
class Fault:
    """One thing that is not as it was stored.

    ``kind`` is ``changed``, ``removed``, ``added`` (never chained), ``twice``, ``gap`` (links are missing) or
    ``broken`` (a link does not follow from the one before). ``boat`` is empty where it can no longer be told.
    """

    kind: str
    table: str
    entry_id: str
    boat: str
    detail: str

    @property
    def sentence(self) -> str:
        """What was found, for people."""
        boat = f" ({self.boat})" if self.boat else ""
        text = f"{self.table} {self.entry_id}{boat}: {self.detail}"
        return text.encode("utf-8", "backslashreplace").decode()


def add_fact(conn: sqlite3.Connection, table: str, values: Mapping[str, Any]) -> None:
    """Store a fact and chain it, in the transaction that the caller holds; both are there afterwards or neither.

    Raises ValueError where the caller holds none.
    """
    if not conn.in_transaction:
        raise ValueError("a fact and its link are stored in one transaction: hold store.connection.write")
    insert(conn, table, values)
    key = APPEND_ONLY[table][0][0]
    _append(conn, head(conn), table, conn.execute(f"SELECT * FROM {table} WHERE {key} = ?", (values[key],)))


def chain_what_is_there(conn: sqlite3.Connection, tables: Sequence[str]) -> None:
    """Chain the facts of tables that were stored before there was a chain, by time of recording, id and table."""
    known = [
        (row[0], row[1], table)
        for table in tables
        for row in conn.execute(f"SELECT {CHAINED[table]}, {APPEND_ONLY[table][0][0]} FROM {table}").fetchall()
    ]
    end = head(conn)
    for _, entry_id, table in sorted(known):
        key = APPEND_ONLY[table][0][0]
        end = _append(conn, end, table, conn.execute(f"SELECT * FROM {table} WHERE {key} = ?", (entry_id,)))


def head(conn: sqlite3.Connection) -> Head:
    """The chain's end; 0 facts and `BEFORE_THE_FIRST` where there is none."""
    row = conn.execute("SELECT seq, chain_sha256 FROM log_chain ORDER BY seq DESC LIMIT 1").fetchone()
    return Head(0, BEFORE_THE_FIRST) if row is None else Head(int(row[0]), str(row[1]))


def goes_on_from(conn: sqlite3.Connection, earlier: Head) -> bool:
    """Whether the chain went through an earlier head: if not, its end was cut off or it was computed anew."""
    if earlier.count == 0:
        return True
    row = conn.execute("SELECT chain_sha256 FROM log_chain WHERE seq = ?", (earlier.count,)).fetchone()
    return row is not None and row[0] == earlier.sha256


def faults(conn: sqlite3.Connection) -> list[Fault]:
    """Everything that shows a fact changed, removed, added or reordered behind the program's back; empty if all holds.

    Reads each fact once; give it a transaction where others write meanwhile, so that facts and links fit each other.
    """
    with _any_text(conn):
        stored = {(table, key): sha256 for table in CHAINED for key, sha256 in _hashes(conn, table)}
        found: list[Fault] = []
        chained: set[tuple[str, str]] = set()
        expected, before = 1, BEFORE_THE_FIRST
        for seq, table, entry_id, entry_sha256, chain_sha256 in conn.execute(
            "SELECT seq, table_name, entry_id, entry_sha256, chain_sha256 FROM log_chain ORDER BY seq"
        ):
            entry = (table, entry_id)

            def fault(kind: str, detail: str, entry: tuple[str, str] = entry) -> None:
                found.append(Fault(kind, *entry, _boat(conn, *entry), detail))

            if seq != expected:
                fault("gap", f"before it {seq - expected} links of the chain are missing ({expected} to {seq - 1}).")
            if chain_sha256 != link_sha256(seq, table, entry_id, entry_sha256, before):
                fault("broken", f"link {seq} of the chain does not follow from the one before.")
            if entry in chained:
                fault("twice", f"link {seq} chains it a second time.")
            elif entry not in stored:
                fault("removed", f"it was stored as number {seq} of the log and is gone.")
            elif stored[entry] != entry_sha256:
                fault("changed", f"it is not as it was stored.{_what_was_added(conn, table, entry_id, entry_sha256)}")
            chained.add(entry)
            expected, before = seq + 1, chain_sha256
        for entry in sorted(stored.keys() - chained):
            found.append(Fault("added", *entry, _boat(conn, *entry), "it was put in without the program."))
    return found


def difference(conn: sqlite3.Connection, earlier: sqlite3.Connection, fault: Fault) -> str:
    """What an earlier copy of the database has for a fact that was changed or removed; empty where it does not know.

    Only a copy whose fact is as it was chained is believed.
    """
    if fault.table not in CHAINED or not _is_text(fault.entry_id):
        return ""
    query = f"SELECT * FROM {fault.table} WHERE {APPEND_ONLY[fault.table][0][0]} = ?"
    with _any_text(conn), _any_text(earlier):
        was = next(_facts(earlier.execute(query, (fault.entry_id,))), None)
        now = next(_facts(conn.execute(query, (fault.entry_id,))), None)
        sealed = conn.execute(
            "SELECT entry_sha256 FROM log_chain WHERE table_name = ? AND entry_id = ?", (fault.table, fault.entry_id)
        ).fetchone()
    if was is None or was == now or sealed is None or entry_sha256(was) != sealed[0]:
        return ""
    if now is None:
        told = ", ".join(f"{name} {value!r}" for name, value in was.items() if value is not None)
    else:
        told = ", ".join(
            f"{name} {was.get(name)!r} (now {value!r})" for name, value in now.items() if value != was.get(name)
        )
    return told.encode("utf-8", "backslashreplace").decode()


def entry_sha256(values: Mapping[str, Any]) -> str:
    """Hash of a fact's columns and values as they are stored."""
    return _sha256({name: values[name] for name in sorted(values) if values[name] is not None})


def link_sha256(seq: int, table: str, entry_id: str, entry_sha256: str, before: str) -> str:
    """Hash of a link, made of what it chains and the hash of the link before."""
    return _sha256([seq, table, entry_id, entry_sha256, before])


def _sha256(value: object) -> str:
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()


def _append(conn: sqlite3.Connection, end: Head, table: str, stored: sqlite3.Cursor) -> Head:
    """Chain the one row that a cursor gives, as the database has it; returns the new head."""
    (fact,) = _facts(stored)
    entry_id, seq, sha256 = fact[APPEND_ONLY[table][0][0]], end.count + 1, entry_sha256(fact)
    link = link_sha256(seq, table, entry_id, sha256, end.sha256)
    row = {"seq": seq, "table_name": table, "entry_id": entry_id, "entry_sha256": sha256, "chain_sha256": link}
    insert(conn, "log_chain", row)
    return Head(seq, link)


def _facts(cursor: sqlite3.Cursor) -> Iterator[dict[str, Any]]:
    names = [column[0] for column in cursor.description]
    for row in cursor:
        yield dict(zip(names, row, strict=True))


def _hashes(conn: sqlite3.Connection, table: str) -> Iterator[tuple[str, str]]:
    key = APPEND_ONLY[table][0][0]
    for fact in _facts(conn.execute(f"SELECT * FROM {table}")):
        yield fact[key], entry_sha256(fact)


def _what_was_added(conn: sqlite3.Connection, table: str, entry_id: str, sha256: str) -> str:
    """Which column had no value when the fact was stored, if that alone explains its hash."""
    if not _is_text(entry_id):
        return ""
    key = APPEND_ONLY[table][0][0]
    (fact,) = _facts(conn.execute(f"SELECT * FROM {table} WHERE {key} = ?", (entry_id,)))
    for name in fact:
        if fact[name] is not None and entry_sha256(fact | {name: None}) == sha256:
            return f" It had no {name} then; now that is {fact[name]!r}."
    return ""


def _boat(conn: sqlite3.Connection, table: str, entry_id: str) -> str:
    if table not in _COVER_OF or not _is_text(entry_id):
        return ""
    row = conn.execute(
        f"""SELECT boats.number, yards.key FROM covers JOIN boats ON boats.id = covers.boat_id
            JOIN yards ON yards.id = boats.yard_id WHERE covers.id = ({_COVER_OF[table]})""",
        {"id": entry_id},
    ).fetchone()
    return "" if row is None else f"boat {row[0]}, yard {row[1]}"


def _is_text(value: str) -> bool:
    """Whether SQLite can be asked for it: not where it holds bytes that are not UTF-8."""
    return not any("\ud800" <= letter <= "\udfff" for letter in value)


@contextmanager
def _any_text(conn: sqlite3.Connection) -> Iterator[None]:
    """Read text that is not UTF-8 too: somebody may have written it round the program."""
    before = conn.text_factory
    conn.text_factory = lambda data: data.decode("utf-8", "surrogateescape")
    try:
        yield
    finally:
        conn.text_factory = before
