"""Who may use the web app: accounts and their passwords, signing in, sessions, and links for guests.

The parts that say how much is too much were chosen by us; the published figures they keep to stand beside them.
"""

import hashlib
import ipaddress
import secrets
import sqlite3
import unicodedata
import uuid
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import cache
from typing import TYPE_CHECKING

from monitor.errors import StormwalkError
from monitor.store import accounts as store
from monitor.store.accounts import ROLES, Account, GuestLink, Session
from monitor.store.connection import write

if TYPE_CHECKING:
    from argon2 import PasswordHasher
    from itsdangerous import URLSafeSerializer

SHORTEST_PASSWORD, LONGEST_PASSWORD = 10, 200
"""NIST SP 800-63B, 5.1.1.2 asks for at least 8 characters and to allow at least 64; every code point is one."""

LONGEST_NAME = 60

SESSION_LASTS = timedelta(days=30)
SESSION_EXTENDED_EVERY = timedelta(days=1)
"""A session that is used lasts on; it is written down at most this often."""

FAILURES_COUNT_FOR = timedelta(minutes=15)
MOST_FAILURES_OF_PAIR = 5
MOST_FAILURES_OF_ADDRESS = 30
"""Failed sign-ins under one name from one address, and from one address, after which it has to wait.

Never counted per name alone: whoever knows a lead's name could else keep the lead out.
"""

LONGEST_PAUSE_S = 8.0
"""The yard's own computer never waits longer than this for a try; others are refused."""

GUEST_LINK_DAYS, MOST_GUEST_LINK_DAYS = 90, 400

_GUEST_SECRET = "guest links"
_NOTHING = "Nothing was changed."


class SignInRefusedError(StormwalkError):
    """A name and password that do not open an account."""


class TooManyTriesError(SignInRefusedError):
    """Too many sign-ins failed; ``retry_after_s`` is how long to wait."""

    def __init__(self, retry_after_s: int) -> None:
        minutes = -(-retry_after_s // 60)
        super().__init__(
            f"Too many sign-ins failed here. Nobody is shut out: try again in {minutes} "
            f"minute{'s' if minutes > 1 else ''}, or sign in on the yard's own computer. Who is signed in stays so."
        )
        self.retry_after_s = retry_after_s


@dataclass(frozen=True)
class Attempt:
    """A try with a password that is counted already; ``pause_s`` is to pass before the password is looked at."""

    name: str
    address: str
    pause_s: float


# --- accounts


def add_account(
    conn: sqlite3.Connection, name: str, role: str, password: str, now: datetime, hasher: "PasswordHasher | None" = None
) -> Account:
    """Add an account. Raises StormwalkError for a name that is taken or unreadable, or a password that will not do.

    The first account is a lead's: without a lead nobody could manage the others.
    """
    name = check_new_name(conn, name)
    _check_role(role)
    check_password(name, password)
    password_hash = _hash(password, hasher)
    with write(conn):
        if role != "lead" and store.open_leads(conn) == 0:
            raise StormwalkError(
                f"{name} cannot be the first account as {role}: there would be nobody to manage people. Nothing was "
                f"added. Add a lead first."
            )
        added = store.add_account(conn, name, role, password_hash, now)
        if added is None:
            raise _taken(name)
    return added


def check_new_name(conn: sqlite3.Connection, name: str) -> str:
    """The name as it would be kept. Raises StormwalkError where it is taken or cannot be read."""
    name = _clean_name(name)
    if store.account_named(conn, name) is not None:
        raise _taken(name)
    return name


def the_account(conn: sqlite3.Connection, name: str) -> Account:
    """The account of this name, however it is written. Raises StormwalkError, naming those there are."""
    found = store.account_named(conn, name)
    if found is None:
        known = ", ".join(each.name for each in store.accounts(conn)) or "none yet"
        raise StormwalkError(f"There is no account {name!r}. {_NOTHING} Accounts: {known}.")
    return found


def account_of_id(conn: sqlite3.Connection, account_id: int) -> Account:
    """The account of this id. Raises StormwalkError where there is none."""
    found = store.account(conn, account_id)
    if found is None:
        raise StormwalkError(f"There is no such account. {_NOTHING} Load the page again.")
    return found


def set_password(
    conn: sqlite3.Connection, account: Account, password: str, hasher: "PasswordHasher | None" = None
) -> str:
    """Give an account another password and end its sessions; a sentence. Raises StormwalkError where it will not do."""
    check_password(account.name, password)
    password_hash = _hash(password, hasher)
    with write(conn):
        store.set_password_hash(conn, account.id, password_hash)
        ended = store.end_sessions(conn, account.id)
    return f"{account.name} has a new password. {_ended(ended)}"


def set_role(conn: sqlite3.Connection, account: Account, role: str) -> str:
    """Make an account a lead's or the crew's; a sentence. Raises StormwalkError for the last open lead."""
    _check_role(role)
    with write(conn):
        current = account_of_id(conn, account.id)
        if current.role == role:
            return f"{current.name} is {role} already; nothing was changed."
        _check_a_lead_is_left(conn, current)
        store.set_role(conn, account.id, role)
    return f"{account.name} is {role} now."


def close_account(conn: sqlite3.Connection, account: Account, now: datetime) -> str:
    """Close an account and end its sessions; a sentence. What it logged stays. Raises as `set_role`."""
    with write(conn):
        current = account_of_id(conn, account.id)
        if current.closed_at is not None:
            return f"The account of {current.name} is closed already; nothing was changed."
        _check_a_lead_is_left(conn, current)
        store.set_closed(conn, account.id, now)
        ended = store.end_sessions(conn, account.id)
    return f"The account of {account.name} is closed; what was logged under the name stays. {_ended(ended)}"


def reopen_account(conn: sqlite3.Connection, account: Account) -> str:
    """Open a closed account again, with the password it had; a sentence."""
    with write(conn):
        if account_of_id(conn, account.id).closed_at is None:
            return f"The account of {account.name} is open already; nothing was changed."
        store.set_closed(conn, account.id, None)
    return f"The account of {account.name} is open again, with the password it had."


def sign_out_everywhere(conn: sqlite3.Connection, account: Account) -> str:
    """End every session of an account; a sentence."""
    return f"{account.name}: {_ended(store.end_sessions(conn, account.id))}"


# --- signing in


def begin_attempt(conn: sqlite3.Connection, name: str, client: str, now: datetime) -> Attempt:
    """Count a try with a password, before the password is looked at, so that tries sent at once are counted too.

    `sign_in` and `change_password` take the count back when the password is right.

    Parameters
    ----------
    name : str
        The name as it was typed.
    client : str
        Address of the computer that asks.

    Raises
    ------
    TooManyTriesError
        Too many failed under this name from this address, or from this address; never for the yard's own computer.
    """
    name, address = name[: LONGEST_NAME + 1], address_block(client)  # a longer one is nobody's
    after = now - FAILURES_COUNT_FOR
    with write(conn):
        store.forget_failures_outside(conn, after, now + FAILURES_COUNT_FOR)
        of_pair = store.failures(conn, address, after, name)
        if is_this_computer(client):
            too_many = len(of_pair) - MOST_FAILURES_OF_PAIR
            pause_s = 0.0 if too_many < 0 else min(2.0**too_many, LONGEST_PAUSE_S)
        else:
            pause_s = 0.0
            of_address = store.failures(conn, address, after)
            for failed, most in ((of_pair, MOST_FAILURES_OF_PAIR), (of_address, MOST_FAILURES_OF_ADDRESS)):
                if len(failed) >= most:
                    free_at = failed[-most] + FAILURES_COUNT_FOR
                    raise TooManyTriesError(max(1, round((free_at - now).total_seconds())))
        store.add_failure(conn, name, address, now)
    return Attempt(name, address, pause_s)


def sign_in(
    conn: sqlite3.Connection,
    attempt: Attempt,
    password: str,
    *,
    device: str,
    now: datetime,
    replaces: str = "",
    hasher: "PasswordHasher | None" = None,
) -> tuple[Account, str]:
    """Open a session; the account, and the session's token for the browser.

    The token is always a new one, and the session of the token ``replaces`` ends. An unknown name takes as long as a
    wrong password, and is told in the same words. Raises SignInRefusedError.
    """
    hasher = hasher or _default_hasher()
    nobody = _hash_of_nobody(hasher)
    known = store.account_named(conn, attempt.name)
    kept = nobody if known is None else store.password_hash(conn, known.id)
    matches = _matches(hasher, kept, password)
    renewed = _hash(password, hasher) if matches and known is not None and hasher.check_needs_rehash(kept) else None
    with write(conn):
        account = None if known is None else store.account(conn, known.id)
        if account is None or account.closed_at is not None or not matches:
            raise SignInRefusedError("The name or the password is not right, or the account is closed. Try again.")
        store.forget_failures(conn, attempt.name, attempt.address)
        if renewed is not None:
            store.set_password_hash(conn, account.id, renewed)
        if replaces:
            store.end_session(conn, token_sha256(replaces))
        return account, _open_session(conn, account, device, now)


def change_password(
    conn: sqlite3.Connection,
    account: Account,
    attempt: Attempt,
    old: str,
    new: str,
    *,
    device: str,
    now: datetime,
    hasher: "PasswordHasher | None" = None,
) -> str:
    """Change one's own password: every session ends, and a new one is opened, whose token is returned.

    Raises SignInRefusedError where the old password is not right, and StormwalkError where the new one will not do.
    """
    hasher = hasher or _default_hasher()
    check_password(account.name, new)
    if not _matches(hasher, store.password_hash(conn, account.id), old):
        raise SignInRefusedError(f"The old password is not right. {_NOTHING}")
    password_hash = _hash(new, hasher)
    with write(conn):
        store.forget_failures(conn, attempt.name, attempt.address)
        store.set_password_hash(conn, account.id, password_hash)
        store.end_sessions(conn, account.id)
        return _open_session(conn, account, device, now)


def session_of(conn: sqlite3.Connection, token: str, now: datetime) -> tuple[Account, Session] | None:
    """Account and session of a browser's token; None where it is no session, or one no more."""
    return store.session(conn, token_sha256(token), now)


def is_to_be_extended(session: Session, now: datetime) -> bool:
    """Whether a session that is used now was written down long enough ago to be written again."""
    return session.expires_at - now <= SESSION_LASTS - SESSION_EXTENDED_EVERY


def extend_session(conn: sqlite3.Connection, session: Session, now: datetime) -> None:
    """Let a session last its full time from now."""
    store.extend_session(conn, session.token_sha256, now + SESSION_LASTS)


def end_session(conn: sqlite3.Connection, token: str) -> None:
    """Revoke the session of a token."""
    store.end_session(conn, token_sha256(token))


def token_sha256(token: str) -> str:
    """What is kept of a session's token; with 256 random bits in it nothing slower is needed."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def is_this_computer(client: str) -> bool:
    """Whether an address is the loopback of the computer that serves."""
    address = _ip_address(client)
    return address is not None and address.is_loopback


def address_block(client: str) -> str:
    """The address that failures are counted for: of IPv6 the first 64 bits, the rest is the visitor's to choose."""
    address = _ip_address(client)
    if isinstance(address, ipaddress.IPv6Address) and not address.is_loopback:
        return str(ipaddress.IPv6Network((address, 64), strict=False))
    return client if address is None else str(address)


# --- links for guests


def make_guest_link(
    conn: sqlite3.Connection, yard_key: str, boat: str, *, by: str, now: datetime, days: int = GUEST_LINK_DAYS
) -> GuestLink:
    """Make a link that shows one boat to whoever has it. Raises StormwalkError for an unknown boat or a bad term."""
    if not 1 <= days <= MOST_GUEST_LINK_DAYS:
        raise StormwalkError(
            f"A guest link lasts 1 to {MOST_GUEST_LINK_DAYS} days; {days} was asked. No link was made."
        )
    link_id = str(uuid.uuid4())
    store.make_secret(conn, _GUEST_SECRET, secrets.token_urlsafe(32))
    if not store.add_guest_link(conn, link_id, yard_key, boat, by, now, now + timedelta(days=days)):
        raise StormwalkError(f"Yard {yard_key} has no boat {boat!r}. No link was made. Choose a boat of the list.")
    made = store.guest_link(conn, link_id)
    assert made is not None
    return made


def guest_token(conn: sqlite3.Connection, link: GuestLink) -> str:
    """The signed part of a link's address."""
    signed = _signer(store.make_secret(conn, _GUEST_SECRET, secrets.token_urlsafe(32))).dumps(link.id)
    return signed if isinstance(signed, str) else signed.decode()


def guest_boat(conn: sqlite3.Connection, token: str, now: datetime) -> tuple[str, str]:
    """Yard key and boat number that a guest's token opens.

    Raises StormwalkError, in the same words whether the token is forged, has expired or was revoked.
    """
    from itsdangerous import BadData

    closed = StormwalkError(
        "This link shows nothing: it has ended, or it was not copied whole. Ask the yard for a new one."
    )
    secret = store.secret(conn, _GUEST_SECRET)
    if secret is None:
        raise closed
    try:
        link_id = _signer(secret).loads(token)
    except BadData:
        raise closed from None
    link = store.guest_link(conn, str(link_id))
    if link is None or not link.is_open(now):
        raise closed
    return link.yard_key, link.boat


def _signer(secret: str) -> "URLSafeSerializer":
    from itsdangerous import URLSafeSerializer

    options = {"key_derivation": "hmac", "digest_method": hashlib.sha256}
    return URLSafeSerializer(secret, salt="stormwalk guest link", signer_kwargs=options)


# --- checks and hashes


def _clean_name(name: str) -> str:
    cleaned = " ".join(unicodedata.normalize("NFC", name).split())
    readable = all(unicodedata.category(letter)[0] not in "CZ" or letter == " " for letter in cleaned)
    readable = readable and not set(",;") & set(cleaned)  # they part the names of a crew
    if not 1 <= len(cleaned) <= LONGEST_NAME or not readable or not any(letter.isalnum() for letter in cleaned):
        raise StormwalkError(
            f"The name {cleaned[: LONGEST_NAME + 1]!r} will not do. Nothing was added. A name has 1 to {LONGEST_NAME} "
            f"characters, a letter or digit among them, no comma or semicolon, and none that cannot be seen."
        )
    return cleaned


def _check_role(role: str) -> None:
    if role not in ROLES:
        raise StormwalkError(f"{role!r} is no role. {_NOTHING} Roles: {', '.join(ROLES)}.")


def check_password(name: str, password: str) -> None:
    """Raises StormwalkError with a sentence where a password will not do for this name."""
    length = len(_normal(password))
    if not SHORTEST_PASSWORD <= length <= LONGEST_PASSWORD:
        raise StormwalkError(
            f"The password has {length} characters; {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} are asked for. "
            f"{_NOTHING} Three or four words that do not belong together are easy to keep in mind."
        )
    if store.folded(password.strip()) == store.folded(name):
        raise StormwalkError(f"The password is the name. {_NOTHING} Choose one that nobody who knows you would try.")


def _check_a_lead_is_left(conn: sqlite3.Connection, leaving: Account) -> None:
    if leaving.is_lead and leaving.closed_at is None and store.open_leads(conn) == 1:
        raise StormwalkError(
            f"{leaving.name} is the last open lead: nobody could manage people after that. {_NOTHING} Make somebody "
            f"else a lead first."
        )


def _taken(name: str) -> StormwalkError:
    return StormwalkError(
        f"There is an account {name!r} already, open or closed. Nothing was added. Reopen it if it is the same person, "
        f"else choose a name that tells the two apart."
    )


def _ended(sessions: int) -> str:
    if sessions == 0:
        return "Nobody was signed in with it."
    return "One session was ended." if sessions == 1 else f"{sessions} sessions were ended."


def _open_session(conn: sqlite3.Connection, account: Account, device: str, now: datetime) -> str:
    token = secrets.token_urlsafe(32)
    store.add_session(conn, Session(token_sha256(token), account.id, now, now + SESSION_LASTS, device))
    return token


def _ip_address(client: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        address = ipaddress.ip_address(client.partition("%")[0])
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address


def _normal(password: str) -> str:
    """NIST SP 800-63B, 5.1.1.2: normalised before hashing, so that every keyboard writes the same password."""
    return unicodedata.normalize("NFKC", password)


@cache
def _default_hasher() -> "PasswordHasher":
    """Argon2id as RFC 9106 advises where memory is scarce (64 MiB, 3 passes, 4 lanes): the library's default."""
    from argon2 import PasswordHasher

    return PasswordHasher()


@cache
def _hash_of_nobody(hasher: "PasswordHasher") -> str:
    """What the password of an unknown name is compared with, so that it takes as long as a known one's."""
    return hasher.hash(secrets.token_urlsafe(32))


def _hash(password: str, hasher: "PasswordHasher | None") -> str:
    return (hasher or _default_hasher()).hash(_normal(password))


def _matches(hasher: "PasswordHasher", kept: str, password: str) -> bool:
    from argon2.exceptions import InvalidHashError, VerificationError

    try:
        return hasher.verify(kept, _normal(password))
    except (VerificationError, InvalidHashError):  # a kept hash that cannot be read opens nothing either
        return False
