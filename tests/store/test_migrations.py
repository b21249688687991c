"""The tables: what they mirror, and that facts can only be added."""

import hashlib
import sqlite3
from contextlib import closing
from dataclasses import fields

import pytest

from monitor import inspections as log
from monitor import register, variables
from monitor.store import chain, connection, migrations
from monitor.store.append_only import APPEND_ONLY, append_only_tables_unprotected
from monitor.store.connection import connect

T = "2026-01-10T01:00:00Z"

ROWS = {
    "yards": "(1, 'north', 'North Yard', 43.7, -70.2, 3, 'UTC', 'open', 'metric', '', '', 2, '', '')",
    "boats": "(1, 1, 'A-12', 'Puffin', 'sail', 9.1, 3.0, 'stands', 'A', 12, 270, 'partly', NULL, NULL, '', '')",
    "covers": "(1, 1, '2025-11-03')",
    "cover_builds": f"""(1, 1, '{T}', '{T}', 1.2, NULL, NULL, NULL, NULL, NULL, NULL, 3, 0.2, 4, NULL, 2, NULL, 'white',
        NULL, 'damp', 0)""",
    "weather_fetches": f"(1, 1, 'logger', '{T}', 'stored', NULL, 'ab', '', '', 200, '{{}}', 'cd', x'00')",
    "weather_hours": f"(1, '{T}', 'observed'{', 1.5' * len(variables.VARIABLES)}, NULL, NULL)",
    "weather_stretches": f"(1, '{T}', '{T}', 'observed')",
    "inspections": f"('i1', 1, '{T}', '{T}', 'Ines', 0, '', NULL, NULL, NULL, NULL, NULL), "
    f"('i2', 1, '{T}', '{T}', 'Ines', 0, '', NULL, NULL, NULL, 'i1', NULL)",
    "findings": f"('f1', 'i1', 'bow', 'tear', 2, '{T}', '', NULL), ('f2', 'i1', 'bow', 'tear', 1, '{T}', '', 'f1')",
    "actions": f"('a1', 1, '{T}', '{T}', 'Ines', 'taped', '', NULL, 'f1', NULL), "
    f"('a2', 1, '{T}', '{T}', 'Ines', 'rewelded', '', NULL, 'f1', 'a1')",
    "rankings": f"('r1', 1, '{T}', '{T}', '1.0', NULL, '{{}}', 'ab', x'00')",
    "ranking_curves": f"(1, 1, 'snow', 0.15, 0.5, '{T}', '')",
    "source_choices": f"(1, 1, 'metar-archive', 1, 'QXM', '{{}}', 'auto', '{T}')",
    "source_orders": f"(1, 1, '', '[]', '{T}')",
    "notices": f"('n1', 1, 'storm_ended', '{T}', 'Storm over', 'Walk first: 01', '{T}')",
    "notice_tries": f"(1, 'n1', '{T}', 0, 'no answer')",
    "weather_days": "(1, 'USW00014764', '2026-01-10', '{}', '{\"snowfall_depth_mm\": 51.0}', '{}')",
    "weather_alerts": f"(1, 'urn:oid:1', 'Winter Storm Warning', 'Severe', '{T}', '{T}', '')",
    "photos": f"""('p1', 'i1', 'f1', NULL, '{T}', '{T}', 'Ines', '', '{"ab" * 32}', 'image/jpeg', 9, 4, 3)""",
    "photo_withdrawals": f"('p1', '{T}', 'Ines', 'the wrong boat')",
    "walks": f"('w1', 1, '{T}', '{T}', 'Ines', '{{}}', '{{}}')",
    "walk_changes": f"(1, 'w1', '{T}', 'Ines', 'drop', 'A-12', '', '')",
    "log_chain": f"(1, 'inspections', 'i1', '{'ab' * 32}', '{'cd' * 32}')",
}
"""Rows of each table, in the order in which they refer to one another; where one can be corrected, a correction too."""


@pytest.fixture
def filled(conn):
    for table, rows in ROWS.items():
        conn.execute(f"INSERT INTO {table} VALUES {rows}")
    return conn


@pytest.fixture(params=["our connection", "a plain connection"])
def writer(request, path, filled):
    """A connection that tries to change facts: ours, and one with SQLite's default settings."""
    with closing(connect(path) if request.param == "our connection" else sqlite3.connect(path)) as opened:
        yield opened


def contents(conn, table):
    return [tuple(row) for row in conn.execute(f"SELECT * FROM {table}")]


def changed_column(table):
    """A column of the table that is no key, and another value for it."""
    return {
        "cover_builds": ("vent_count", "9"),
        "weather_fetches": ("message", "'9'"),
        "weather_hours": ("air_temperature_c", "9"),
        "weather_stretches": ("last_hour", "'2026-01-10T02:00:00Z'"),
        "rankings": ("version", "'9'"),
        "ranking_curves": ("x50", "9"),
        "source_choices": ("station", "'9'"),
        "source_orders": ("sources", "'[9]'"),
        "notices": ("title", "'9'"),
        "notice_tries": ("message", "'9'"),
        "weather_days": ("measured", "'9'"),
        "weather_alerts": ("headline", "'9'"),
        "walks": ("plan", "'9'"),
        "log_chain": ("chain_sha256", f"'{'9' * 64}'"),
    }.get(table, ("note", "'9'"))


@pytest.mark.parametrize("table", APPEND_ONLY)
def test_a_row_is_never_changed_removed_or_replaced(table, writer, filled):
    column, value = changed_column(table)
    columns = [row[1] for row in writer.execute(f"PRAGMA table_info({table})")]
    replacement = ", ".join(value if name == column else name for name in columns)
    before = contents(filled, table)
    for statement in (
        f"UPDATE {table} SET {column} = {value}",
        f"UPDATE OR REPLACE {table} SET {column} = {value}",
        f"DELETE FROM {table}",
        f"INSERT OR REPLACE INTO {table} SELECT {replacement} FROM {table} LIMIT 1",
        f"REPLACE INTO {table} SELECT {replacement} FROM {table} LIMIT 1",
        f"INSERT INTO {table} SELECT {replacement} FROM {table} LIMIT 1",
        f"INSERT OR IGNORE INTO {table} SELECT {replacement} FROM {table} LIMIT 1",
    ):
        with pytest.raises(sqlite3.IntegrityError, match=f"rows of {table} are only added"):
            writer.execute(statement)
        writer.rollback()
    assert contents(filled, table) == before


@pytest.mark.parametrize("table", ["inspections", "findings", "actions"])
def test_a_correction_is_not_pushed_out_by_another_of_the_same_entry(table, writer, filled):
    columns = [row[1] for row in writer.execute(f"PRAGMA table_info({table})")]
    as_new = ", ".join("'new'" if name == "id" else name for name in columns)
    before = contents(filled, table)
    with pytest.raises(sqlite3.IntegrityError, match=f"rows of {table} are only added"):
        writer.execute(f"INSERT OR REPLACE INTO {table} SELECT {as_new} FROM {table} WHERE corrects_id IS NOT NULL")
    writer.rollback()
    assert contents(filled, table) == before


@pytest.mark.parametrize("table", APPEND_ONLY)
def test_an_identical_row_sent_again_passes_and_adds_nothing(table, writer, filled):
    before = contents(filled, table)
    key = ", ".join(APPEND_ONLY[table][0])
    cursor = writer.execute(f"INSERT INTO {table} SELECT * FROM {table} WHERE true ON CONFLICT ({key}) DO NOTHING")
    assert cursor.rowcount == 0
    writer.rollback()
    assert contents(filled, table) == before


@pytest.mark.parametrize("suffix", ["no_update", "no_delete", "no_replace"])
def test_a_lost_trigger_is_noticed(conn, suffix):
    assert append_only_tables_unprotected(conn) == []
    conn.execute(f"DROP TRIGGER findings_{suffix}")
    assert append_only_tables_unprotected(conn) == ["findings"]


def test_a_trigger_that_does_not_know_a_new_column_is_noticed(conn):
    conn.execute("ALTER TABLE actions ADD COLUMN minutes REAL")
    assert append_only_tables_unprotected(conn) == ["actions"]


def test_a_table_rebuilt_without_its_triggers_is_noticed(conn):
    sqlite_utils = pytest.importorskip("sqlite_utils")
    sqlite_utils.Database(conn, execute_plugins=False).table("ranking_curves").transform(rename={"reason": "why"})
    assert append_only_tables_unprotected(conn) == ["ranking_curves"]


@pytest.mark.parametrize(
    ("table", "kind", "own"),
    [
        ("yards", register.Yard, {"id"}),
        ("boats", register.Boat, {"id", "yard_id"}),
        ("cover_builds", register.CoverBuild, {"id", "cover_id", "recorded_at"}),
        ("inspections", log.Inspection, set()),
        ("findings", log.Finding, set()),
        ("actions", log.Action, set()),
    ],
)
def test_a_table_has_every_field_of_its_dataclass(conn, table, kind, own):
    columns = {row["name"] for row in conn.execute(f"PRAGMA table_info({table})")}
    assert columns == own | {field.name for field in fields(kind)}


def test_weather_hours_has_every_variable_as_a_number(conn):
    types = {row["name"]: row["type"] for row in conn.execute("PRAGMA table_info(weather_hours)")}
    assert {name for name, kind in types.items() if kind == "REAL"} == set(variables.VARIABLES)


@pytest.mark.parametrize(
    ("table", "column", "words"),
    [
        ("yards", "terrain", register.TERRAINS),
        ("boats", "shelter", register.SHELTERS),
        ("boats", "support", register.SUPPORTS),
        ("boats", "boat_type", register.BOAT_TYPES),
        ("weather_fetches", "source", variables.SOURCES),
        ("weather_hours", "kind", variables.KINDS),
        ("source_choices", "source", variables.SOURCES),
        ("source_choices", "chosen_by", ("auto", "person")),
        ("source_orders", "variable", ("", *variables.VARIABLES, variables.PRESENT_WEATHER)),
        ("findings", "place", log.PLACES),
        ("findings", "defect", log.DEFECTS),
        ("actions", "action", log.ACTIONS),
    ],
)
def test_a_closed_list_is_closed_in_the_database_too(filled, table, column, words):
    key = APPEND_ONLY[table][0][0] if table in APPEND_ONLY else "id"
    columns = [row["name"] for row in filled.execute(f"PRAGMA table_info({table})")]
    fresh = {key: "'new'" if table in ("findings", "actions") else "77", "corrects_id": "NULL", "number": "'new'"}
    fresh |= {"key": "'new'", "severity": "3", "note": "'said'"}
    for trigger in ("no_update", "no_delete", "no_replace"):
        filled.execute(f"DROP TRIGGER IF EXISTS {table}_{trigger}")
    filled.execute("PRAGMA foreign_keys = OFF")

    def insert(word):
        values = ", ".join(repr(word) if name == column else fresh.get(name, name) for name in columns)
        filled.execute(f"INSERT INTO {table} SELECT {values} FROM {table} LIMIT 1")
        filled.execute(f"DELETE FROM {table} WHERE {key} = {fresh[key]}")

    for word in words:
        insert(word)
    with pytest.raises(sqlite3.IntegrityError, match="CHECK constraint failed"):
        insert("something else")


@pytest.mark.parametrize(
    "row",
    [
        f"('f9', 'i1', 'bow', 'tear', 4, '{T}', '', NULL)",
        f"('f9', 'i1', 'stands', 'stand_shifted', 2, '{T}', '', NULL)",
        f"('f9', 'i1', 'bow', 'other', 1, '{T}', '', NULL)",
        "('f9', 'i1', 'bow', 'tear', 2, '2026-01-10 01:00:00', '', NULL)",
        f"('f9', 'i1', 'bow', 'tear', x'02', '{T}', '', NULL)",
        f"('', 'i1', 'bow', 'tear', 2, '{T}', '', NULL)",
        f"('f9', 'nowhere', 'bow', 'tear', 2, '{T}', '', NULL)",
    ],
)
def test_the_database_itself_refuses_a_finding_that_cannot_be(filled, row):
    with pytest.raises(sqlite3.IntegrityError):
        filled.execute(f"INSERT INTO findings VALUES {row}")


def test_the_views_of_what_stands_leave_out_what_was_corrected(filled):
    for table, current in (("inspections", "i2"), ("findings", "f2"), ("actions", "a2")):
        assert [row["id"] for row in filled.execute(f"SELECT id FROM {table}_current")] == [current]


LANDED = {
    "001_register": "72bd1ef39ec06ccf",
    "002_weather": "d7fcdbdc48bf2342",
    "003_log": "e5e4f9939ca3b090",
    "004_rankings": "fec361d059fadd25",
    "005_service": "394f7358435e3010",
    "006_walks": "deb9a965f0b8ef77",
    "007_chain": "fc7221bfb1ce5dd1",
    "008_unwrapped": "ae93b0199e92749b",
}
"""Digest of the tables, triggers and views after each migration that has landed."""


def test_a_landed_migration_is_never_edited(tmp_path, monkeypatch):
    # The tables are built from the closed lists of the program. Whoever adds a word to one of them, or a variable,
    # writes a further migration that rebuilds the table, freezes the old list in the old one, and adds a digest here.
    found = {}
    for version, (name, _) in enumerate(migrations._MIGRATIONS, start=1):
        with monkeypatch.context() as patch:
            patch.setattr(migrations, "_MIGRATIONS", migrations._MIGRATIONS[:version])
            patch.setattr(connection, "SCHEMA_VERSION", version)
            with closing(connect(tmp_path / f"{name}.db", create=True)) as conn:
                parts = conn.execute("SELECT sql FROM sqlite_master WHERE name NOT LIKE '%sqlite%' ORDER BY name")
                text = "\n".join(" ".join(row["sql"].split()) for row in parts)
        found[name] = hashlib.sha256(text.encode()).hexdigest()[:16]
    assert found == LANDED


# --- from every earlier version

CHAINED_ROWS = {1: 0, 2: 0, 3: 6, 4: 6, 5: 6, 6: 8, 7: 8}
"""Facts of the log in a database of each version that is filled with ROWS: two inspections, findings and actions each,
and from version 6 on a photo and its withdrawal."""


def old_database(path, version, monkeypatch):
    """A database of an earlier version with every row of ROWS that it has a table for; the columns of each row."""
    with monkeypatch.context() as patch:
        patch.setattr(migrations, "_MIGRATIONS", migrations._MIGRATIONS[:version])
        patch.setattr(connection, "SCHEMA_VERSION", version)
        with closing(connect(path, create=True)) as conn:
            known = {row["name"] for row in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
            columns = {}
            for table in (name for name in ROWS if name in known and name != "log_chain"):
                columns[table] = [row["name"] for row in conn.execute(f"PRAGMA table_info({table})")]
                rows = ROWS[table]
                if version < 5 and table == "yards":
                    rows = rows.removesuffix(", '')") + ")"
                if version < 6 and table == "inspections":
                    rows = rows.replace(", NULL)", ")")
                conn.execute(f"INSERT INTO {table} VALUES {rows}")
            if version >= 7:
                chain.chain_what_is_there(conn, chain.CHAINED)
            return {table: (names, contents(conn, table)) for table, names in columns.items()}


@pytest.mark.parametrize("version", CHAINED_ROWS)
def test_a_database_of_any_earlier_version_keeps_every_row_and_is_chained_and_protected(path, monkeypatch, version):
    before = old_database(path, version, monkeypatch)
    assert ("inspections" in before) == (version >= 3)
    with closing(connect(path)) as conn:
        for table, (columns, rows) in before.items():
            assert rows, table
            assert [tuple(row) for row in conn.execute(f"SELECT {', '.join(columns)} FROM {table}")] == rows
        assert append_only_tables_unprotected(conn) == []
        assert conn.execute("PRAGMA foreign_key_check").fetchall() == []
        assert chain.head(conn).count == CHAINED_ROWS[version]
        assert chain.faults(conn) == []
        if version >= 3:
            with pytest.raises(sqlite3.IntegrityError, match="rows of findings are only added"):
                conn.execute("DELETE FROM findings")


def test_facts_stored_before_there_was_a_chain_are_chained_by_time_of_recording_and_id(path, monkeypatch):
    old_database(path, 6, monkeypatch)
    with closing(sqlite3.connect(path)) as conn:
        early = "'2026-01-09T01:00:00Z'"
        conn.execute(f"INSERT INTO actions VALUES ('z9', 1, {early}, {early}, 'Ines', 'taped', '', NULL, NULL, NULL)")
        conn.commit()
    with closing(connect(path)) as conn:
        order = [tuple(row) for row in conn.execute("SELECT seq, table_name, entry_id FROM log_chain ORDER BY seq")]
    assert order == [
        (1, "actions", "z9"),
        (2, "actions", "a1"),
        (3, "actions", "a2"),
        (4, "findings", "f1"),
        (5, "findings", "f2"),
        (6, "inspections", "i1"),
        (7, "inspections", "i2"),
        (8, "photo_withdrawals", "p1"),
        (9, "photos", "p1"),
    ]
