"""People and what they may sign in with: names, passwords, roles, tries that fail, sessions, and links for guests."""

import hashlib
import re
import time
from contextlib import closing
from datetime import timedelta
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from hypothesis import given
from hypothesis import strategies as st
from invented_yard import DAY, HOUR, WRAPPED

from monitor.errors import StormwalkError
from monitor.operations.accounts import (
    SignInRefusedError,
    TooManyTriesError,
    account_of_id,
    add_account,
    address_block,
    begin_attempt,
    change_password,
    close_account,
    extend_session,
    guest_boat,
    guest_token,
    is_this_computer,
    is_to_be_extended,
    make_guest_link,
    reopen_account,
    session_of,
    set_password,
    set_role,
    sign_in,
    sign_out_everywhere,
    the_account,
)
from monitor.store import accounts as store
from monitor.store.connection import connect

CHEAP = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
NOW = WRAPPED
MINUTE = timedelta(minutes=1)
SECOND = timedelta(seconds=1)
PASSWORD = "broom by the door"
HERE, PHONE, STRANGER = "127.0.0.1", "192.0.2.20", "198.51.100.7"


def add(conn, name, role="crew"):
    return add_account(conn, name, role, PASSWORD, NOW, CHEAP)


@pytest.fixture
def ida(conn):
    """The yard's only lead."""
    return add(conn, "Ida", "lead")


@pytest.fixture
def bo(conn, ida):
    return add(conn, "Bo")


def try_to_sign_in(conn, name, password, client=PHONE, now=NOW, **options):
    attempt = begin_attempt(conn, name, client, now)
    return sign_in(conn, attempt, password, device="Firefox on Android", now=now, hasher=CHEAP, **options)


def fail(conn, times, name="Ida", client=STRANGER, now=NOW):
    for _ in range(times):
        with pytest.raises(SignInRefusedError):
            try_to_sign_in(conn, name, "not this one", client, now)


def is_signed_in(conn, token, now=NOW):
    return session_of(conn, token, now) is not None


# --- names


@pytest.mark.parametrize("name", ["ida", "IDA", " Ida  ", "Ｉｄａ"])
def test_a_name_differently_written_is_the_same_name(conn, ida, name):
    with pytest.raises(StormwalkError, match=r"There is an account .* already, open or closed\. Nothing"):
        add(conn, name)
    assert the_account(conn, name) == ida
    assert try_to_sign_in(conn, name, PASSWORD)[0] == ida


# Full case folding, Unicode CaseFolding.txt (from memory): U+00DF and U+1E9E fold to "ss", U+FB00 to "ff",
# U+03C2 (final sigma) to U+03C3.
@pytest.mark.parametrize("one, other", [("Straß", "STRASS"), ("ﬀ", "FF"), ("Νίκος", "ΝΊΚΟΣ"), ("Åse", "A\u030ase")])
def test_names_fold_as_unicode_says(one, other):
    assert store.folded(one) == store.folded(other)


@given(st.text(max_size=30))
def test_folding_twice_is_folding_once(name):
    assert store.folded(store.folded(name)) == store.folded(name)


def test_a_name_is_kept_as_it_was_written_but_for_blanks(conn, ida):
    assert add(conn, "  Märta   af Ugglas ").name == "Märta af Ugglas"


@pytest.mark.parametrize("name", ["", "   ", "x" * 61, "Bo\u202eaD", "a\x00b", "Bo\u200b", "---", "Bo, Ida", "Bo;Ida"])
def test_a_name_that_cannot_be_read_is_refused(conn, ida, name):
    with pytest.raises(StormwalkError, match=r"The name .* will not do\. Nothing was added\."):
        add(conn, name)
    assert store.accounts(conn) == [ida]


# --- passwords


# NIST SP 800-63B, 5.1.1.2 (as quoted in secondary pages): at least 8 characters, 64 allowed at least; each code point
# is one character.
@pytest.mark.parametrize("password", ["ten chars!", "x" * 64, "x" * 200, "påskeøl æble", "🛥️🌊⚓🪢🧰🪣🧹🔦🧤"])
def test_a_password_of_10_to_200_characters_is_taken_and_opens_the_account(conn, ida, password):
    add_account(conn, "Bo", "crew", password, NOW, CHEAP)
    assert try_to_sign_in(conn, "Bo", password)[0].name == "Bo"


@pytest.mark.parametrize("password, length", [("", 0), ("nine char", 9), ("x" * 201, 201)])
def test_a_password_too_short_or_too_long_is_refused_with_its_length(conn, ida, password, length):
    with pytest.raises(StormwalkError, match=f"^The password has {length} characters; 10 to 200 are"):
        add_account(conn, "Bo", "crew", password, NOW, CHEAP)
    assert store.account_named(conn, "Bo") is None


@pytest.mark.parametrize("password", ["Bo Henriksen", "bo henriksen", " BO HENRIKSEN "])
def test_the_name_is_no_password(conn, ida, password):
    with pytest.raises(StormwalkError, match=r"^The password is the name\. Nothing was changed\."):
        add_account(conn, "Bo Henriksen", "crew", password, NOW, CHEAP)


def test_nothing_is_cut_off_a_password(conn, ida):
    add_account(conn, "Bo", "crew", "x" * 199 + "y", NOW, CHEAP)
    fail(conn, 1, "Bo", PHONE)
    with pytest.raises(SignInRefusedError):
        try_to_sign_in(conn, "Bo", "x" * 199)


def test_every_keyboard_writes_the_same_password(conn, ida):
    add_account(conn, "Bo", "crew", "e\u0301t\u00e9 ﬁne boat", NOW, CHEAP)  # NFKC: composed, the ligature two letters
    assert try_to_sign_in(conn, "Bo", "\u00e9te\u0301 fine boat")


def test_only_a_hash_of_the_password_is_kept(conn, ida, path):
    assert store.password_hash(conn, ida.id).startswith("$argon2id$")
    conn.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert PASSWORD.encode() not in Path(path).read_bytes()


def test_the_hash_is_as_slow_as_owasp_asks_at_least():
    # OWASP Password Storage Cheat Sheet (as quoted in secondary pages): Argon2id, 19 MiB, 2 passes, 1 lane at least.
    from monitor.operations.accounts import _default_hasher

    hasher = _default_hasher()
    assert hasher.hash("x").startswith("$argon2id$")
    assert hasher.memory_cost >= 19 * 1024
    assert hasher.time_cost >= 2
    assert hasher.parallelism >= 1


def test_a_hash_made_when_computers_were_slower_is_renewed_at_the_next_sign_in(conn, ida):
    before = store.password_hash(conn, ida.id)
    stronger = PasswordHasher(time_cost=2, memory_cost=16, parallelism=1)
    attempt = begin_attempt(conn, "Ida", PHONE, NOW)
    sign_in(conn, attempt, PASSWORD, device="", now=NOW, hasher=stronger)
    renewed = store.password_hash(conn, ida.id)
    assert "m=8,t=1" in before
    assert "m=16,t=2" in renewed
    sign_in(conn, begin_attempt(conn, "Ida", PHONE, NOW), PASSWORD, device="", now=NOW, hasher=stronger)
    assert store.password_hash(conn, ida.id) == renewed


class Counting(PasswordHasher):
    """Notes which hashes were compared."""

    def __init__(self):
        super().__init__(time_cost=1, memory_cost=8, parallelism=1)
        self.seen = []

    def verify(self, hash, password):
        self.seen.append(hash)
        return super().verify(hash, password)


def test_an_unknown_name_costs_as_much_as_a_wrong_password_and_is_told_in_the_same_words(conn, ida, bo):
    close_account(conn, bo, NOW)
    told, hashes = [], []
    for name, password in (("Ida", "not this one"), ("Nobody", PASSWORD), ("Bo", PASSWORD), ("x" * 300, PASSWORD)):
        hasher = Counting()
        attempt = begin_attempt(conn, name, PHONE, NOW)
        with pytest.raises(SignInRefusedError) as refusal:
            sign_in(conn, attempt, password, device="", now=NOW, hasher=hasher)
        told.append(str(refusal.value))
        hashes.append([re.match(r"\$argon2id\$v=19\$[^$]+", kept).group() for kept in hasher.seen])
    assert len(set(told)) == 1
    assert hashes == [["$argon2id$v=19$m=8,t=1,p=1"]] * 4


@pytest.mark.thorough
def test_the_time_that_a_refusal_takes_does_not_tell_a_known_name(conn, ida):
    real = PasswordHasher()
    set_password(conn, ida, PASSWORD, real)

    def took(name):
        attempt = begin_attempt(conn, name, HERE, NOW)
        began = time.perf_counter()
        with pytest.raises(SignInRefusedError):
            sign_in(conn, attempt, "not this one", device="", now=NOW, hasher=real)
        return time.perf_counter() - began

    took("warm up")
    known, unknown = (min(took(name) for _ in range(5)) for name in ("Ida", "Nobody"))
    assert known == pytest.approx(unknown, rel=0.5)  # without the comparison it would be a hundred times less


# --- roles


def test_the_first_account_is_a_leads(conn):
    with pytest.raises(StormwalkError, match=r"^Bo cannot be the first account as crew"):
        add(conn, "Bo")
    assert not store.any_account(conn)
    assert add(conn, "Ida", "lead").is_lead
    assert not add(conn, "Bo").is_lead


def test_there_are_no_other_roles(conn, ida):
    with pytest.raises(StormwalkError, match=r"'owner' is no role\. Nothing was changed\. Roles: lead, crew\."):
        add(conn, "Bo", "owner")
    with pytest.raises(StormwalkError, match="no role"):
        set_role(conn, ida, "Lead")


@pytest.mark.parametrize(
    "leave", [lambda c, a: close_account(c, a, NOW), lambda c, a: set_role(c, a, "crew")], ids=["closed", "demoted"]
)
def test_the_last_open_lead_stays(conn, ida, bo, leave):
    refused = "^Ida is the last open lead: nobody could manage people after that. Nothing was changed."
    with pytest.raises(StormwalkError, match=refused):
        leave(conn, ida)
    assert set_role(conn, bo, "lead") == "Bo is lead now."
    close_account(conn, the_account(conn, "Bo"), NOW)  # a closed lead does not count
    with pytest.raises(StormwalkError, match=refused):
        leave(conn, ida)
    reopen_account(conn, bo)
    leave(conn, ida)
    assert store.open_leads(conn) == 1


def test_a_closed_account_opens_nothing_until_it_is_reopened(conn, ida, bo):
    _, token = try_to_sign_in(conn, "Bo", PASSWORD)
    said = close_account(conn, bo, NOW)
    assert said == "The account of Bo is closed; what was logged under the name stays. One session was ended."
    assert not is_signed_in(conn, token)
    fail(conn, 1, "Bo", PHONE)
    with pytest.raises(SignInRefusedError):
        try_to_sign_in(conn, "Bo", PASSWORD)
    assert reopen_account(conn, bo) == "The account of Bo is open again, with the password it had."
    assert try_to_sign_in(conn, "Bo", PASSWORD)[0].id == bo.id
    assert not is_signed_in(conn, token)


def test_what_is_so_already_is_said_and_changes_nothing(conn, ida, bo):
    assert set_role(conn, bo, "crew") == "Bo is crew already; nothing was changed."
    assert reopen_account(conn, bo) == "The account of Bo is open already; nothing was changed."
    close_account(conn, bo, NOW)
    assert close_account(conn, bo, NOW + DAY) == "The account of Bo is closed already; nothing was changed."
    assert account_of_id(conn, bo.id).closed_at == NOW


def test_an_account_that_is_not_there_is_said_with_those_that_are(conn, ida, bo):
    with pytest.raises(StormwalkError, match=r"There is no account 'Eve'\. Nothing was changed\. Accounts: Bo, Ida\."):
        the_account(conn, "Eve")
    with pytest.raises(StormwalkError, match="There is no such account"):
        account_of_id(conn, 999)


# --- tries that fail


def test_the_sixth_try_within_a_quarter_of_an_hour_waits(conn, ida):
    for minute in range(5):
        fail(conn, 1, now=NOW + minute * MINUTE)
    with pytest.raises(TooManyTriesError) as refusal:
        try_to_sign_in(conn, "Ida", PASSWORD, STRANGER, NOW + 5 * MINUTE)
    # Five count until the first is 15 min old: at 15 min, 10 min from now.
    assert refusal.value.retry_after_s == 600
    assert "try again in 10 minutes" in str(refusal.value)
    with pytest.raises(TooManyTriesError) as refusal:
        try_to_sign_in(conn, "Ida", PASSWORD, STRANGER, NOW + 15 * MINUTE - SECOND)
    assert refusal.value.retry_after_s == 1
    assert "try again in 1 minute," in str(refusal.value)
    assert try_to_sign_in(conn, "Ida", PASSWORD, STRANGER, NOW + 15 * MINUTE)


def test_a_try_that_has_to_wait_does_not_make_the_wait_longer(conn, ida):
    fail(conn, 5)
    for _ in range(50):
        with pytest.raises(TooManyTriesError):
            begin_attempt(conn, "Ida", STRANGER, NOW + MINUTE)
    assert try_to_sign_in(conn, "Ida", PASSWORD, STRANGER, NOW + 15 * MINUTE)


def test_tries_sent_at_once_are_counted_before_any_password_was_looked_at(conn, ida):
    attempts = [begin_attempt(conn, "Ida", STRANGER, NOW) for _ in range(5)]
    with pytest.raises(TooManyTriesError):
        begin_attempt(conn, "Ida", STRANGER, NOW)
    assert sign_in(conn, attempts[0], PASSWORD, device="", now=NOW, hasher=CHEAP)[0] == ida


def test_a_success_forgets_the_failures_of_name_and_address_alone(conn, ida, bo):
    fail(conn, 4)
    fail(conn, 4, client=PHONE)
    fail(conn, 4, "Bo")
    try_to_sign_in(conn, "Ida", PASSWORD, STRANGER)
    kept = {
        (name, client): len(store.failures(conn, client, NOW - HOUR, name))
        for name in ("Ida", "Bo")
        for client in (STRANGER, PHONE)
    }
    assert kept == {("Ida", STRANGER): 0, ("Ida", PHONE): 4, ("Bo", STRANGER): 4, ("Bo", PHONE): 0}


def test_an_address_waits_after_30_failures_under_whatever_names(conn, ida):
    for number in range(30):
        fail(conn, 1, f"name {number}", now=NOW + number * SECOND)
    with pytest.raises(TooManyTriesError) as refusal:
        try_to_sign_in(conn, "Ida", PASSWORD, STRANGER, NOW + 30 * SECOND)
    assert refusal.value.retry_after_s == 15 * 60 - 30
    assert try_to_sign_in(conn, "Ida", PASSWORD, PHONE, NOW + 30 * SECOND)
    assert try_to_sign_in(conn, "Ida", PASSWORD, STRANGER, NOW + 15 * MINUTE)


def test_a_lead_gets_in_while_strangers_hammer_with_the_leads_name(conn, ida):
    for number in range(40):
        stranger = f"198.51.100.{number}"
        fail(conn, 5, client=stranger)
        with pytest.raises(TooManyTriesError):
            begin_attempt(conn, "Ida", stranger, NOW)
    at_the_yard = begin_attempt(conn, "Ida", HERE, NOW)
    assert at_the_yard.pause_s == 0
    assert sign_in(conn, at_the_yard, PASSWORD, device="", now=NOW, hasher=CHEAP)[0] == ida
    assert try_to_sign_in(conn, "Ida", PASSWORD, PHONE)[0] == ida


@pytest.mark.parametrize("client", [HERE, "127.8.9.1", "::1", "::ffff:127.0.0.1"])
def test_the_yards_own_computer_is_slowed_and_never_locked_out(conn, ida, client):
    pauses = []
    for _ in range(40):
        pauses.append(begin_attempt(conn, "Ida", client, NOW).pause_s)
    # Five at once; then 1, 2, 4 s and 8 s for good.
    assert pauses == [0.0] * 5 + [1.0, 2.0, 4.0] + [8.0] * 32
    assert try_to_sign_in(conn, "Ida", PASSWORD, client)[0] == ida
    assert begin_attempt(conn, "Ida", client, NOW).pause_s == 0


@pytest.mark.parametrize(
    "client, block",
    [
        ("192.0.2.20", "192.0.2.20"),
        ("::ffff:192.0.2.20", "192.0.2.20"),
        ("2001:db8:1:2:aaaa::1", "2001:db8:1:2::/64"),
        ("2001:db8:1:2:ffff:ffff:ffff:ffff", "2001:db8:1:2::/64"),
        ("fe80::1%eth0", "fe80::/64"),
        ("::1", "::1"),
        ("no address", "no address"),
    ],
)
def test_addresses_that_one_visitor_can_choose_from_count_as_one(client, block):
    # RFC 4291, 2.5.1 (from memory): the last 64 bits of an IPv6 unicast address are the interface's own to choose.
    assert address_block(client) == block
    assert is_this_computer(client) == (client == "::1")


def test_old_failures_are_removed_and_a_clock_set_back_keeps_nobody_out(conn, ida):
    fail(conn, 5)
    fail(conn, 1, "Bo", now=NOW + 15 * MINUTE)
    assert conn.execute("SELECT count(*) FROM sign_in_failures").fetchone()[0] == 1
    fail(conn, 5, now=NOW + DAY)
    assert try_to_sign_in(conn, "Ida", PASSWORD, STRANGER, NOW)  # the clock was a day ahead, and is right again


# --- sessions


def test_a_session_lasts_30_days_from_its_use_and_is_written_once_a_day(conn, ida):
    _, token = try_to_sign_in(conn, "Ida", PASSWORD)
    _, session = session_of(conn, token, NOW)
    assert session.expires_at == NOW + 30 * DAY
    assert not is_to_be_extended(session, NOW + DAY - SECOND)
    assert is_to_be_extended(session, NOW + DAY)
    extend_session(conn, session, NOW + DAY)
    assert is_signed_in(conn, token, NOW + 31 * DAY - SECOND)
    assert not is_signed_in(conn, token, NOW + 31 * DAY)


def test_a_session_that_ended_is_not_brought_back_by_its_use(conn, ida):
    _, token = try_to_sign_in(conn, "Ida", PASSWORD)
    _, session = session_of(conn, token, NOW)
    sign_out_everywhere(conn, ida)
    extend_session(conn, session, NOW + DAY)
    assert not is_signed_in(conn, token)


def test_only_the_hash_of_a_token_is_kept(conn, ida):
    _, token = try_to_sign_in(conn, "Ida", PASSWORD)
    (row,) = conn.execute("SELECT * FROM sessions").fetchall()
    assert row["token_sha256"] == hashlib.sha256(token.encode()).hexdigest()
    assert token not in "".join(map(str, row))
    assert len(token) == 43  # 32 random bytes as base64 without padding: ceil(32 * 8 / 6)
    assert not is_signed_in(conn, row["token_sha256"])
    assert not is_signed_in(conn, token.lower())


def test_every_sign_in_has_a_token_of_its_own_and_ends_the_session_it_replaces(conn, ida):
    _, first = try_to_sign_in(conn, "Ida", PASSWORD)
    _, second = try_to_sign_in(conn, "Ida", PASSWORD)
    assert first != second
    assert is_signed_in(conn, first)
    _, third = try_to_sign_in(conn, "Ida", PASSWORD, replaces=first)
    assert [is_signed_in(conn, token) for token in (first, second, third)] == [False, True, True]
    with pytest.raises(SignInRefusedError):
        try_to_sign_in(conn, "Ida", "not this one", replaces=third)
    assert is_signed_in(conn, third)


def test_sessions_that_have_expired_are_removed(conn, ida):
    for _ in range(3):
        try_to_sign_in(conn, "Ida", PASSWORD)
    try_to_sign_in(conn, "Ida", PASSWORD, now=NOW + 30 * DAY)
    assert conn.execute("SELECT count(*) FROM sessions").fetchone()[0] == 1


def test_ones_own_password_is_changed_with_the_old_one_and_ends_all_other_sessions(conn, ida):
    tokens = [try_to_sign_in(conn, "Ida", PASSWORD)[1] for _ in range(3)]

    def change(old, new, client=PHONE):
        attempt = begin_attempt(conn, "Ida", client, NOW)
        return change_password(conn, ida, attempt, old, new, device="", now=NOW, hasher=CHEAP)

    with pytest.raises(SignInRefusedError, match=r"^The old password is not right\. Nothing was changed\."):
        change("not this one", "three other words")
    with pytest.raises(StormwalkError, match=r"^The password has 5 characters"):
        change(PASSWORD, "short")
    assert all(is_signed_in(conn, token) for token in tokens)
    fresh = change(PASSWORD, "three other words")
    assert not any(is_signed_in(conn, token) for token in tokens)
    assert is_signed_in(conn, fresh)
    fail(conn, 1, client=PHONE)
    assert try_to_sign_in(conn, "Ida", "three other words")


def test_whoever_found_a_phone_cannot_guess_the_old_password_for_long(conn, ida):
    for _ in range(5):
        attempt = begin_attempt(conn, "Ida", PHONE, NOW)
        with pytest.raises(SignInRefusedError):
            change_password(conn, ida, attempt, "a guess of it", "three other words", device="", now=NOW, hasher=CHEAP)
    with pytest.raises(TooManyTriesError):
        begin_attempt(conn, "Ida", PHONE, NOW)


def test_a_password_set_by_a_lead_ends_every_session(conn, ida, bo):
    tokens = [try_to_sign_in(conn, "Bo", PASSWORD)[1] for _ in range(2)]
    assert set_password(conn, bo, "three other words", CHEAP) == "Bo has a new password. 2 sessions were ended."
    assert not any(is_signed_in(conn, token) for token in tokens)
    assert try_to_sign_in(conn, "Bo", "three other words")


# --- links for guests


@pytest.fixture
def link(conn):
    return make_guest_link(conn, "north", "02", by="Ida", now=NOW)


REFUSED = "This link shows nothing: it has ended, or it was not copied whole. Ask the yard for a new one."


def what_a_guest_is_told(conn, token, now=NOW):
    with pytest.raises(StormwalkError) as refusal:
        guest_boat(conn, token, now)
    return str(refusal.value)


def test_a_link_opens_its_own_boat_for_90_days(conn, link):
    token = guest_token(conn, link)
    assert guest_boat(conn, token, NOW) == ("north", "02")
    assert guest_boat(conn, token, NOW + 90 * DAY - SECOND) == ("north", "02")
    assert what_a_guest_is_told(conn, token, NOW + 90 * DAY) == REFUSED


def test_forged_expired_and_revoked_links_are_told_in_the_same_words(conn, link):
    from itsdangerous import URLSafeSerializer

    token = guest_token(conn, link)
    signed, signature = token.rsplit(".", 1)
    other = make_guest_link(conn, "north", "03", by="Ida", now=NOW)
    for forged in (
        "",
        "x",
        signed,
        f"{signed}.",
        f"{guest_token(conn, other).rsplit('.', 1)[0]}.{signature}",  # another link's id under this signature
        token[:-1] + ("A" if token[-1] != "A" else "Q"),
        URLSafeSerializer("guess", salt="stormwalk guest link").dumps(link.id),
        link.id,
        "ø" * 40,
    ):
        assert what_a_guest_is_told(conn, forged) == REFUSED
    assert store.revoke_guest_link(conn, "north", link.id, NOW)
    assert what_a_guest_is_told(conn, token) == REFUSED
    assert guest_boat(conn, guest_token(conn, other), NOW) == ("north", "03")


def test_a_signed_link_of_another_database_opens_nothing(conn, link, tmp_path):
    from invented_yard import COVERS, YARD

    from monitor.operations.register import import_covers
    from monitor.store import register

    with closing(connect(tmp_path / "other.db", create=True)) as elsewhere:
        register.save_yards(elsewhere, [YARD])
        import_covers(elsewhere, YARD, COVERS.encode(), "covers.csv", WRAPPED)
        assert what_a_guest_is_told(elsewhere, guest_token(conn, link)) == REFUSED  # no link was ever made there
        make_guest_link(elsewhere, "north", "02", by="Bo", now=NOW)
        assert what_a_guest_is_told(elsewhere, guest_token(conn, link)) == REFUSED


def test_the_secret_is_made_once(conn, link):
    token = guest_token(conn, link)
    make_guest_link(conn, "north", "01", by="Ida", now=NOW)
    assert guest_token(conn, link) == token
    assert conn.execute("SELECT count(*) FROM secrets").fetchone()[0] == 1


@pytest.mark.parametrize("days", [0, -1, 401])
def test_a_link_lasts_at_most_400_days(conn, days):
    with pytest.raises(StormwalkError, match=f"^A guest link lasts 1 to 400 days; {days} was asked. No link was made."):
        make_guest_link(conn, "north", "02", by="Ida", now=NOW, days=days)
    longest = make_guest_link(conn, "north", "02", by="Ida", now=NOW, days=400)
    assert longest.expires_at == NOW + 400 * DAY


@pytest.mark.parametrize("yard, boat", [("north", "99"), ("south", "02"), ("north", "")])
def test_a_link_needs_a_boat_that_is_there(conn, yard, boat):
    with pytest.raises(StormwalkError, match="has no boat"):
        make_guest_link(conn, yard, boat, by="Ida", now=NOW)
    assert store.guest_links(conn, "north") == []


def test_a_link_is_revoked_by_its_own_yard_and_once(conn, link):
    assert not store.revoke_guest_link(conn, "south", link.id, NOW)
    assert store.revoke_guest_link(conn, "north", link.id, NOW + DAY)
    assert not store.revoke_guest_link(conn, "north", link.id, NOW + 2 * DAY)
    (kept,) = store.guest_links(conn, "north")
    assert (kept.revoked_at, kept.created_by, kept.boat) == (NOW + DAY, "Ida", "02")
