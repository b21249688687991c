"""Accounts, sessions, failed sign-ins and guest links in the database, as they are now."""

import sqlite3
import unicodedata
from dataclasses import dataclass
from datetime import datetime

from monitor.store.connection import write
from monitor.store.rows import insert, moment_of, utc_text

ROLES = ("lead", "crew")
"""A lead may do all; crew walks, logs, and sees everything but how to reach an owner."""


@dataclass(frozen=True)
class Account:
    """One person who may sign in; ``closed_at`` is None while the account is open."""

    id: int
    name: str
    role: str
    created_at: datetime
    closed_at: datetime | None

    @property
    def is_lead(self) -> bool:
        """Whether the account may do all."""
        return self.role == "lead"


@dataclass(frozen=True)
class Session:
    """One browser that is signed in; ``token_sha256`` names it, and is of no use for signing in."""

    token_sha256: str
    account_id: int
    created_at: datetime
    expires_at: datetime
    device: str


@dataclass(frozen=True)
class GuestLink:
    """A link that shows one boat to whoever has it, until it expires or is revoked."""

    id: str
    yard_key: str
    boat: str
    boat_name: str
    created_at: datetime
    created_by: str
    expires_at: datetime
    revoked_at: datetime | None

    def is_open(self, now: datetime) -> bool:
        """Whether the link still shows the boat."""
        return self.revoked_at is None and now < self.expires_at


def folded(name: str) -> str:
    """A name as it is told apart: upper and lower case, letters of one meaning, and blanks however many, are alike.

    The compatibility caseless match of the Unicode Standard, section 3.13, D146 (from memory), composed at the end.
    """
    once = unicodedata.normalize("NFKD", unicodedata.normalize("NFD", name).casefold())
    return " ".join(unicodedata.normalize("NFKC", once.casefold()).split())


def add_account(conn: sqlite3.Connection, name: str, role: str, password_hash: str, now: datetime) -> Account | None:
    """Add an account; None where one of this name is there, open or closed."""
    with write(conn):
        if account_named(conn, name) is not None:
            return None
        values = {
            "name": name,
            "folded_name": folded(name),
            "role": role,
            "password_hash": password_hash,
            "created_at": utc_text(now),
        }
        return account(conn, insert(conn, "accounts", values))


def account(conn: sqlite3.Connection, account_id: int) -> Account | None:
    """The account of this id; None where there is none."""
    row = conn.execute("SELECT * FROM accounts WHERE id = ?", (account_id,)).fetchone()
    return None if row is None else _account(row)


def account_named(conn: sqlite3.Connection, name: str) -> Account | None:
    """The account of this name, however it is written; None where there is none."""
    row = conn.execute("SELECT * FROM accounts WHERE folded_name = ?", (folded(name),)).fetchone()
    return None if row is None else _account(row)


def accounts(conn: sqlite3.Connection) -> list[Account]:
    """Every account, open ones first, then by name."""
    return [_account(row) for row in conn.execute("SELECT * FROM accounts ORDER BY closed_at IS NOT NULL, folded_name")]


def any_account(conn: sqlite3.Connection) -> bool:
    """Whether there is an account at all, open or closed."""
    return conn.execute("SELECT 1 FROM accounts LIMIT 1").fetchone() is not None


def open_leads(conn: sqlite3.Connection) -> int:
    """How many open accounts have the rights of a lead."""
    (count,) = conn.execute("SELECT count(*) FROM accounts WHERE role = 'lead' AND closed_at IS NULL").fetchone()
    return int(count)


def password_hash(conn: sqlite3.Connection, account_id: int) -> str:
    """The kept hash of an account's password."""
    (kept,) = conn.execute("SELECT password_hash FROM accounts WHERE id = ?", (account_id,)).fetchone()
    return str(kept)


def set_password_hash(conn: sqlite3.Connection, account_id: int, new: str) -> None:
    """Keep another hash for an account's password."""
    with write(conn):
        conn.execute("UPDATE accounts SET password_hash = ? WHERE id = ?", (new, account_id))


def set_role(conn: sqlite3.Connection, account_id: int, role: str) -> None:
    """Give an account the rights of ``role``."""
    with write(conn):
        conn.execute("UPDATE accounts SET role = ? WHERE id = ?", (role, account_id))


def set_closed(conn: sqlite3.Connection, account_id: int, closed_at: datetime | None) -> None:
    """Close an account at a moment, or open it again (None)."""
    with write(conn):
        text = None if closed_at is None else utc_text(closed_at)
        conn.execute("UPDATE accounts SET closed_at = ? WHERE id = ?", (text, account_id))


# --- sessions


def add_session(conn: sqlite3.Connection, session: Session) -> None:
    """Keep a session; those that have expired are removed."""
    with write(conn):
        conn.execute("DELETE FROM sessions WHERE expires_at <= ?", (utc_text(session.created_at),))
        values = {
            "token_sha256": session.token_sha256,
            "account_id": session.account_id,
            "created_at": utc_text(session.created_at),
            "expires_at": utc_text(session.expires_at),
            "device": session.device,
        }
        insert(conn, "sessions", values)


def session(conn: sqlite3.Connection, token_sha256: str, now: datetime) -> tuple[Account, Session] | None:
    """The session with its account; None where it is not known, has expired, or the account is closed."""
    row = conn.execute(
        """SELECT accounts.*, sessions.token_sha256, sessions.account_id, sessions.created_at AS began_at,
                  sessions.expires_at, sessions.device
           FROM sessions JOIN accounts ON accounts.id = sessions.account_id
           WHERE sessions.token_sha256 = ? AND sessions.expires_at > ? AND accounts.closed_at IS NULL""",
        (token_sha256, utc_text(now)),
    ).fetchone()
    return None if row is None else (_account(row), _session(row))


def sessions(conn: sqlite3.Connection, account_id: int, now: datetime) -> list[Session]:
    """The sessions of an account that have not expired, newest first."""
    rows = conn.execute(
        """SELECT *, created_at AS began_at FROM sessions WHERE account_id = ? AND expires_at > ?
           ORDER BY created_at DESC, token_sha256""",
        (account_id, utc_text(now)),
    )
    return [_session(row) for row in rows]


def session_counts(conn: sqlite3.Connection, now: datetime) -> dict[int, int]:
    """How many sessions each account has that have not expired; accounts without any are left out."""
    rows = conn.execute(
        "SELECT account_id, count(*) FROM sessions WHERE expires_at > ? GROUP BY account_id", (utc_text(now),)
    )
    return dict(rows.fetchall())


def extend_session(conn: sqlite3.Connection, token_sha256: str, expires_at: datetime) -> None:
    """Let a session last until ``expires_at``; one that was revoked meanwhile stays so."""
    with write(conn):
        conn.execute("UPDATE sessions SET expires_at = ? WHERE token_sha256 = ?", (utc_text(expires_at), token_sha256))


def end_session(conn: sqlite3.Connection, token_sha256: str, account_id: int | None = None) -> bool:
    """Revoke one session, where given only if it is of this account; whether there was one."""
    with write(conn):
        ended = conn.execute(
            "DELETE FROM sessions WHERE token_sha256 = :token AND (:account IS NULL OR account_id = :account)",
            {"token": token_sha256, "account": account_id},
        )
        return ended.rowcount > 0


def end_sessions(conn: sqlite3.Connection, account_id: int) -> int:
    """Revoke every session of an account; how many there were."""
    with write(conn):
        return conn.execute("DELETE FROM sessions WHERE account_id = ?", (account_id,)).rowcount


# --- failed sign-ins


def failures(conn: sqlite3.Connection, address: str, after: datetime, name: str | None = None) -> list[datetime]:
    """When sign-ins from an address failed after a moment, oldest first; those under one name alone where given."""
    rows = conn.execute(
        """SELECT failed_at FROM sign_in_failures WHERE address = :address AND failed_at > :after
               AND (:name IS NULL OR folded_name = :name) ORDER BY failed_at""",
        {"address": address, "after": utc_text(after), "name": None if name is None else folded(name)},
    )
    return [moment_of(failed_at) for (failed_at,) in rows]


def add_failure(conn: sqlite3.Connection, name: str, address: str, failed_at: datetime) -> None:
    """Note that a sign-in failed."""
    with write(conn):
        values = {"failed_at": utc_text(failed_at), "folded_name": folded(name), "address": address}
        insert(conn, "sign_in_failures", values)


def forget_failures(conn: sqlite3.Connection, name: str, address: str) -> None:
    """Remove what failed under one name from one address."""
    with write(conn):
        conn.execute("DELETE FROM sign_in_failures WHERE folded_name = ? AND address = ?", (folded(name), address))


def forget_failures_outside(conn: sqlite3.Connection, first: datetime, last: datetime) -> None:
    """Remove what failed up to ``first``, or after ``last``: a clock that was set back left it there."""
    with write(conn):
        conn.execute(
            "DELETE FROM sign_in_failures WHERE failed_at <= ? OR failed_at > ?", (utc_text(first), utc_text(last))
        )


# --- guest links and the secret that signs them


def secret(conn: sqlite3.Connection, name: str) -> str | None:
    """The secret of this name; None where it was never made."""
    kept = conn.execute("SELECT value FROM secrets WHERE name = ?", (name,)).fetchone()
    return None if kept is None else str(kept[0])


def make_secret(conn: sqlite3.Connection, name: str, fresh: str) -> str:
    """The secret of this name, which is ``fresh`` where there was none yet."""
    with write(conn):
        conn.execute("INSERT INTO secrets (name, value) VALUES (?, ?) ON CONFLICT DO NOTHING", (name, fresh))
        return secret(conn, name) or fresh


def add_guest_link(
    conn: sqlite3.Connection, link_id: str, yard_key: str, boat: str, by: str, now: datetime, expires_at: datetime
) -> bool:
    """Keep a guest link; False where the yard has no such boat."""
    with write(conn):
        added = conn.execute(
            """INSERT INTO guest_links (id, boat_id, created_at, created_by, expires_at)
               SELECT ?, boats.id, ?, ?, ? FROM boats JOIN yards ON yards.id = boats.yard_id
               WHERE yards.key = ? AND boats.number = ?""",
            (link_id, utc_text(now), by, utc_text(expires_at), yard_key, boat),
        )
        return added.rowcount > 0


_LINKS = """
    SELECT guest_links.*, yards.key AS yard_key, boats.number AS boat, boats.name AS boat_name
    FROM guest_links JOIN boats ON boats.id = guest_links.boat_id JOIN yards ON yards.id = boats.yard_id
"""


def guest_link(conn: sqlite3.Connection, link_id: str) -> GuestLink | None:
    """The guest link of this id, whatever its state; None where there is none."""
    row = conn.execute(f"{_LINKS} WHERE guest_links.id = ?", (link_id,)).fetchone()
    return None if row is None else _link(row)


def guest_links(conn: sqlite3.Connection, yard_key: str) -> list[GuestLink]:
    """Every guest link of a yard, newest first."""
    rows = conn.execute(
        f"{_LINKS} WHERE yards.key = ? ORDER BY guest_links.created_at DESC, guest_links.id", (yard_key,)
    )
    return [_link(row) for row in rows]


def revoke_guest_link(conn: sqlite3.Connection, yard_key: str, link_id: str, now: datetime) -> bool:
    """Revoke a yard's guest link for good; False where the yard has no such link, or it was revoked before."""
    with write(conn):
        link = guest_link(conn, link_id)
        if link is None or link.yard_key != yard_key or link.revoked_at is not None:
            return False
        conn.execute("UPDATE guest_links SET revoked_at = ? WHERE id = ?", (utc_text(now), link_id))
    return True


def _moment_or_none(text: str | None) -> datetime | None:
    return None if text is None else moment_of(text)


def _account(row: sqlite3.Row) -> Account:
    return Account(row["id"], row["name"], row["role"], moment_of(row["created_at"]), _moment_or_none(row["closed_at"]))


def _session(row: sqlite3.Row) -> Session:
    return Session(
        token_sha256=row["token_sha256"],
        account_id=row["account_id"],
        created_at=moment_of(row["began_at"]),
        expires_at=moment_of(row["expires_at"]),
        device=row["device"],
    )


def _link(row: sqlite3.Row) -> GuestLink:
    return GuestLink(
        id=row["id"],
        yard_key=row["yard_key"],
        boat=row["boat"],
        boat_name=row["boat_name"],
        created_at=moment_of(row["created_at"]),
        created_by=row["created_by"],
        expires_at=moment_of(row["expires_at"]),
        revoked_at=_moment_or_none(row["revoked_at"]),
    )
