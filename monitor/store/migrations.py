"""The tables, step by step from an empty file. A landed migration is never edited; add another.

Facts are only added: each table of ``append_only.APPEND_ONLY`` has three triggers that refuse anything else.
"""

import sqlite3
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from monitor import inspections as log
from monitor import register
from monitor.store.append_only import append_only_triggers, protect, table_columns
from monitor.store.chain import chain_what_is_there
from monitor.variables import KINDS, PRESENT_WEATHER, SOURCES, VARIABLES

if TYPE_CHECKING:
    from sqlite_utils import Database

APPLICATION_ID = 0x7374776B
"""Marks a file as stormwalk's in its header ("stwk")."""

OUTCOMES = ("stored", "same", "refused", "empty", "failed")
"""What became of a weather service's answer; ``same`` carries the rows of an earlier one."""


def migrate(conn: sqlite3.Connection) -> None:
    """Apply what is missing. The caller holds ``BEGIN IMMEDIATE`` with foreign keys off, checks, and commits."""
    from sqlite_utils import Database, Migrations

    migrations = Migrations("stormwalk")
    for version, (name, change) in enumerate(_MIGRATIONS, start=1):
        migrations(name=name)(_numbered(version, change))
    migrations.apply(Database(conn, execute_plugins=False))


def _numbered(version: int, change: "Callable[[Database], None]") -> "Callable[[Database], None]":
    def step(db: "Database") -> None:
        change(db)
        db.execute(f"PRAGMA user_version = {version}")

    return step


def _one_of(column: str, words: Sequence[str]) -> str:
    return f"CHECK ({column} IN ({', '.join(repr(word) for word in words)}))"


def _utc(column: str) -> str:
    return f"CHECK ({column} GLOB '????-??-??T??:??:??Z')"


_ACTIONS_UNTIL_008 = (
    *("cleared_snow", "drained_water", "retensioned_band", "retensioned_belly_bands", "taped", "rewelded"),
    *("vents_added", "vent_replaced", "post_added", "post_reset", "rewrapped", "stands_reported", "customer_told"),
    "other",
)
"""The actions that version 3 knew; version 8 takes the list of now, to be frozen like this when that grows again."""


def _actions_table(name: str, words: Sequence[str]) -> str:
    return f"""CREATE TABLE {name} (
            id          TEXT PRIMARY KEY CHECK (id <> ''),
            cover_id    INTEGER NOT NULL REFERENCES covers(id),
            acted_at    TEXT NOT NULL {_utc("acted_at")},
            recorded_at TEXT NOT NULL {_utc("recorded_at")},
            actor       TEXT NOT NULL,
            action      TEXT NOT NULL {_one_of("action", words)},
            note        TEXT NOT NULL,
            quantity    REAL,
            finding_id  TEXT REFERENCES findings(id),
            corrects_id TEXT UNIQUE REFERENCES actions(id)
        ) STRICT, WITHOUT ROWID"""


def _001_register(db: "Database") -> None:
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.executescript(f"""
        CREATE TABLE yards (
            id              INTEGER PRIMARY KEY,
            key             TEXT NOT NULL UNIQUE CHECK (key <> ''),
            name            TEXT NOT NULL,
            latitude_deg    REAL NOT NULL CHECK (latitude_deg BETWEEN -90 AND 90),
            longitude_deg   REAL NOT NULL CHECK (longitude_deg BETWEEN -180 AND 180),
            elevation_m     REAL NOT NULL,
            time_zone       TEXT NOT NULL,
            terrain         TEXT NOT NULL {_one_of("terrain", register.TERRAINS)},
            display_units   TEXT NOT NULL {_one_of("display_units", register.DISPLAY_UNITS)},
            contact         TEXT NOT NULL,
            station         TEXT NOT NULL,
            crew_size       INTEGER NOT NULL CHECK (crew_size >= 1),
            open_meteo_plan TEXT NOT NULL {_one_of("open_meteo_plan", ("", *register.OPEN_METEO_PLANS))}
        ) STRICT;

        CREATE TABLE boats (                              -- as they are now: owner data can be erased
            id            INTEGER PRIMARY KEY,
            yard_id       INTEGER NOT NULL REFERENCES yards(id),
            number        TEXT NOT NULL CHECK (number <> ''),
            name          TEXT NOT NULL,
            boat_type     TEXT NOT NULL {_one_of("boat_type", register.BOAT_TYPES)},
            length_m      REAL NOT NULL CHECK (length_m > 0),
            beam_m        REAL NOT NULL CHECK (beam_m > 0),
            support       TEXT NOT NULL {_one_of("support", register.SUPPORTS)},
            row           TEXT NOT NULL,
            place         INTEGER NOT NULL,
            heading_deg   REAL NOT NULL CHECK (heading_deg BETWEEN 0 AND 360),
            shelter       TEXT NOT NULL {_one_of("shelter", register.SHELTERS)},
            x_m           REAL,
            y_m           REAL,
            owner_name    TEXT NOT NULL,
            owner_contact TEXT NOT NULL,
            UNIQUE (yard_id, number)
        ) STRICT;

        CREATE TABLE covers (
            id         INTEGER PRIMARY KEY,
            boat_id    INTEGER NOT NULL REFERENCES boats(id),
            wrapped_on TEXT NOT NULL CHECK (wrapped_on GLOB '????-??-??'),
            UNIQUE (boat_id, wrapped_on)
        ) STRICT;

        CREATE TABLE cover_builds (                       -- of one cover and built_at, the row added last counts
            id                    INTEGER PRIMARY KEY,
            cover_id              INTEGER NOT NULL REFERENCES covers(id),
            built_at              TEXT NOT NULL {_utc("built_at")},
            recorded_at           TEXT NOT NULL {_utc("recorded_at")},
            ridge_rise_m          REAL CHECK (ridge_rise_m >= 0),
            ridge_above_ground_m  REAL CHECK (ridge_above_ground_m >= 0),
            bow_slope_deg         REAL CHECK (bow_slope_deg BETWEEN 0 AND 90),
            port_slope_deg        REAL CHECK (port_slope_deg BETWEEN 0 AND 90),
            starboard_slope_deg   REAL CHECK (starboard_slope_deg BETWEEN 0 AND 90),
            stern_slope_deg       REAL CHECK (stern_slope_deg BETWEEN 0 AND 90),
            flattest_slope_deg    REAL CHECK (flattest_slope_deg BETWEEN 0 AND 90),
            post_count            INTEGER CHECK (post_count >= 0),
            band_drop_m           REAL,
            belly_band_count      INTEGER CHECK (belly_band_count >= 0),
            belly_band_spacing_m  REAL CHECK (belly_band_spacing_m > 0),
            vent_count            INTEGER NOT NULL CHECK (vent_count >= 0),
            vent_area_m2          REAL CHECK (vent_area_m2 >= 0),
            film_colour           TEXT NOT NULL {_one_of("film_colour", register.FILM_COLOURS)},
            film_thickness_mm     REAL CHECK (film_thickness_mm > 0),
            ground                TEXT NOT NULL {_one_of("ground", register.GROUNDS)},
            door                  INTEGER NOT NULL CHECK (door IN (0, 1))
        ) STRICT;
        CREATE INDEX cover_builds_by_cover ON cover_builds (cover_id, built_at);
        CREATE VIEW cover_builds_current AS SELECT * FROM cover_builds AS build WHERE NOT EXISTS (
            SELECT 1 FROM cover_builds AS later
            WHERE later.cover_id = build.cover_id AND later.built_at = build.built_at AND later.id > build.id);
    """)
    protect(db.conn, "cover_builds")


def _002_weather(db: "Database") -> None:
    columns = ",\n            ".join(f"{name} REAL" for name in VARIABLES)
    db.executescript(f"""
        CREATE TABLE weather_fetches (                    -- every answer of a service, kept as it came
            id          INTEGER PRIMARY KEY,
            yard_id     INTEGER NOT NULL REFERENCES yards(id),
            source      TEXT NOT NULL {_one_of("source", SOURCES)},
            fetched_at  TEXT NOT NULL {_utc("fetched_at")},
            outcome     TEXT NOT NULL {_one_of("outcome", OUTCOMES)},
            same_as     INTEGER REFERENCES weather_fetches(id),   -- the fetch that holds these rows
            rows_sha256 TEXT,
            message     TEXT NOT NULL,
            url         TEXT NOT NULL,                    -- without any key
            status      INTEGER,
            headers     TEXT NOT NULL,                    -- JSON
            body_sha256 TEXT,
            body        BLOB,                             -- zlib
            CHECK ((body IS NULL) = (body_sha256 IS NULL)),
            CHECK ((same_as IS NOT NULL) = (outcome = 'same')),
            CHECK ((rows_sha256 IS NOT NULL) = (outcome IN ('stored', 'same')))
        ) STRICT;
        CREATE INDEX weather_fetches_by_yard
            ON weather_fetches (yard_id, source, outcome, fetched_at, same_as, rows_sha256);

        CREATE TABLE weather_hours (
            fetch_id    INTEGER NOT NULL REFERENCES weather_fetches(id),
            hour_ending TEXT NOT NULL CHECK (hour_ending GLOB '????-??-??T??:00:00Z'),
            kind        TEXT NOT NULL {_one_of("kind", KINDS)},
            {columns},
            present_weather TEXT,
            flags       TEXT,                             -- JSON: variable, flag; NULL without any
            PRIMARY KEY (fetch_id, hour_ending)
        ) STRICT, WITHOUT ROWID;

        CREATE TABLE weather_stretches (                  -- which hours a fetch holds: runs without gap, of one kind
            fetch_id   INTEGER NOT NULL REFERENCES weather_fetches(id),
            first_hour TEXT NOT NULL CHECK (first_hour GLOB '????-??-??T??:00:00Z'),
            last_hour  TEXT NOT NULL CHECK (last_hour GLOB '????-??-??T??:00:00Z' AND last_hour >= first_hour),
            kind       TEXT NOT NULL {_one_of("kind", KINDS)},
            PRIMARY KEY (fetch_id, first_hour)
        ) STRICT, WITHOUT ROWID;
    """)
    protect(db.conn, "weather_fetches", "weather_hours", "weather_stretches")


def _003_log(db: "Database") -> None:
    stands = ", ".join(repr(defect) for defect in sorted(log.STAND_DEFECTS))
    db.executescript(f"""
        CREATE TABLE inspections (                        -- without findings: all was sound; it resets the clock
            id            TEXT PRIMARY KEY CHECK (id <> ''),      -- UUID made where the fact arises
            cover_id      INTEGER NOT NULL REFERENCES covers(id),
            inspected_at  TEXT NOT NULL {_utc("inspected_at")},
            recorded_at   TEXT NOT NULL {_utc("recorded_at")},
            inspector     TEXT NOT NULL,
            inside        INTEGER NOT NULL CHECK (inside IN (0, 1)),
            note          TEXT NOT NULL,
            snow_depth_m  REAL CHECK (snow_depth_m >= 0),
            snow_water_mm REAL CHECK (snow_water_mm >= 0),
            band_drop_m   REAL,
            corrects_id   TEXT UNIQUE REFERENCES inspections(id)
        ) STRICT, WITHOUT ROWID;
        CREATE INDEX inspections_by_cover ON inspections (cover_id, inspected_at);

        CREATE TABLE findings (
            id            TEXT PRIMARY KEY CHECK (id <> ''),
            inspection_id TEXT NOT NULL REFERENCES inspections(id),
            place         TEXT NOT NULL {_one_of("place", log.PLACES)},
            defect        TEXT NOT NULL {_one_of("defect", log.DEFECTS)},
            severity      INTEGER NOT NULL CHECK (severity BETWEEN 0 AND 3),
            recorded_at   TEXT NOT NULL {_utc("recorded_at")},
            note          TEXT NOT NULL,
            corrects_id   TEXT UNIQUE REFERENCES findings(id),
            CHECK (defect NOT IN ({stands}) OR severity IN (0, 3)),
            CHECK (defect <> 'other' OR note <> '')
        ) STRICT, WITHOUT ROWID;
        CREATE INDEX findings_by_inspection ON findings (inspection_id);

        {_actions_table("actions", _ACTIONS_UNTIL_008)};
        CREATE INDEX actions_by_cover ON actions (cover_id, acted_at);
    """)
    for table in ("inspections", "findings", "actions"):
        protect(db.conn, table)
        db.execute(f"""CREATE VIEW {table}_current AS SELECT * FROM {table} AS entry
            WHERE NOT EXISTS (SELECT 1 FROM {table} AS later WHERE later.corrects_id = entry.id)""")


def _004_rankings(db: "Database") -> None:
    db.executescript(f"""
        CREATE TABLE rankings (
            id          TEXT PRIMARY KEY CHECK (id <> ''),
            yard_id     INTEGER NOT NULL REFERENCES yards(id),
            as_of       TEXT NOT NULL {_utc("as_of")},
            created_at  TEXT NOT NULL {_utc("created_at")},
            version     TEXT NOT NULL,                    -- of the program
            data_age_h  REAL,                             -- NULL: no weather at all
            parameters  TEXT NOT NULL,                    -- JSON
            rows_sha256 TEXT NOT NULL,
            rows        BLOB NOT NULL                     -- JSON, zlib
        ) STRICT, WITHOUT ROWID;
        CREATE INDEX rankings_by_yard ON rankings (yard_id, as_of, created_at);

        CREATE TABLE ranking_curves (                     -- of one hazard, the row added last counts
            id          INTEGER PRIMARY KEY,
            yard_id     INTEGER NOT NULL REFERENCES yards(id),
            hazard      TEXT NOT NULL CHECK (hazard <> ''),
            x10         REAL NOT NULL CHECK (x10 > 0),
            x50         REAL NOT NULL CHECK (x50 > x10),
            recorded_at TEXT NOT NULL {_utc("recorded_at")},
            reason      TEXT NOT NULL
        ) STRICT;
        CREATE INDEX ranking_curves_by_yard ON ranking_curves (yard_id, hazard);
    """)
    protect(db.conn, "rankings", "ranking_curves")


def _005_service(db: "Database") -> None:
    db.executescript(f"""
        ALTER TABLE yards ADD COLUMN quiet_hours TEXT NOT NULL DEFAULT '';  -- 21:00-05:30 on the yard's clock, or empty

        CREATE TABLE job_runs (                           -- the scheduler's own memory, not facts about covers
            id          INTEGER PRIMARY KEY,
            job         TEXT NOT NULL CHECK (job <> ''),
            started_at  TEXT NOT NULL {_utc("started_at")},
            finished_at TEXT {_utc("finished_at")},
            outcome     TEXT NOT NULL DEFAULT 'running' {_one_of("outcome", ("running", "done", "failed"))},
            message     TEXT NOT NULL DEFAULT ''
        ) STRICT;
        CREATE INDEX job_runs_by_job ON job_runs (job, outcome);

        CREATE TABLE source_choices (                     -- of one source, the row added last counts
            id        INTEGER PRIMARY KEY,
            yard_id   INTEGER NOT NULL REFERENCES yards(id),
            source    TEXT NOT NULL {_one_of("source", SOURCES)},
            used      INTEGER NOT NULL CHECK (used IN (0, 1)),
            station   TEXT NOT NULL,
            details   TEXT NOT NULL,                      -- JSON: name, distance, height difference, addresses
            chosen_by TEXT NOT NULL {_one_of("chosen_by", ("auto", "person"))},
            chosen_at TEXT NOT NULL {_utc("chosen_at")}
        ) STRICT;
        CREATE INDEX source_choices_by_yard ON source_choices (yard_id, source);

        CREATE TABLE source_orders (                      -- of one variable, the row added last counts
            id        INTEGER PRIMARY KEY,
            yard_id   INTEGER NOT NULL REFERENCES yards(id),
            variable  TEXT NOT NULL {_one_of("variable", ("", *VARIABLES, PRESENT_WEATHER))},   -- empty: all others
            sources   TEXT NOT NULL,                      -- JSON: names, best first; an empty list is the usual order
            chosen_at TEXT NOT NULL {_utc("chosen_at")}
        ) STRICT;
        CREATE INDEX source_orders_by_yard ON source_orders (yard_id, variable);

        CREATE TABLE notices (
            id          TEXT PRIMARY KEY CHECK (id <> ''),
            yard_id     INTEGER NOT NULL REFERENCES yards(id),
            kind        TEXT NOT NULL {_one_of("kind", ("storm_ended", "storm_coming"))},
            storm_start TEXT NOT NULL {_utc("storm_start")},
            title       TEXT NOT NULL,
            body        TEXT NOT NULL,
            made_at     TEXT NOT NULL {_utc("made_at")}
        ) STRICT, WITHOUT ROWID;
        CREATE INDEX notices_by_yard ON notices (yard_id, made_at);

        CREATE TABLE notice_tries (
            id        INTEGER PRIMARY KEY,
            notice_id TEXT NOT NULL REFERENCES notices(id),
            tried_at  TEXT NOT NULL {_utc("tried_at")},
            sent      INTEGER NOT NULL CHECK (sent IN (0, 1)),
            message   TEXT NOT NULL
        ) STRICT;
        CREATE INDEX notice_tries_by_notice ON notice_tries (notice_id);

        CREATE TABLE weather_days (                       -- measured days: a check beside the hours
            fetch_id  INTEGER NOT NULL REFERENCES weather_fetches(id),
            station   TEXT NOT NULL,
            day       TEXT NOT NULL CHECK (day GLOB '????-??-??'),
            day_ends  TEXT NOT NULL,                      -- JSON: variable, local time at which its day ends, if told
            measured  TEXT NOT NULL,                      -- JSON: variable, value
            flags     TEXT NOT NULL,                      -- JSON: variable, flag
            PRIMARY KEY (fetch_id, station, day)
        ) STRICT, WITHOUT ROWID;

        CREATE TABLE weather_alerts (
            fetch_id  INTEGER NOT NULL REFERENCES weather_fetches(id),
            alert_id  TEXT NOT NULL CHECK (alert_id <> ''),
            event     TEXT NOT NULL,
            severity  TEXT NOT NULL,
            onset     TEXT NOT NULL {_utc("onset")},
            ends      TEXT NOT NULL {_utc("ends")},
            headline  TEXT NOT NULL,
            PRIMARY KEY (fetch_id, alert_id)
        ) STRICT, WITHOUT ROWID;
    """)
    protect(db.conn, "source_choices", "source_orders", "notices", "notice_tries", "weather_days", "weather_alerts")


def _006_walks(db: "Database") -> None:
    # the trigger that refuses replacing knows every column: it is made anew with the new one
    db.executescript(f"""
        DROP TRIGGER inspections_no_replace;
        ALTER TABLE inspections ADD COLUMN gust_seen_ms REAL CHECK (gust_seen_ms >= 0);

        CREATE TABLE photos (                             -- the bytes lie beside the database, under their hash
            id            TEXT PRIMARY KEY CHECK (id <> ''),      -- UUID made where the photo was taken
            inspection_id TEXT REFERENCES inspections(id),
            finding_id    TEXT REFERENCES findings(id),
            action_id     TEXT REFERENCES actions(id),
            taken_at      TEXT NOT NULL {_utc("taken_at")},
            recorded_at   TEXT NOT NULL {_utc("recorded_at")},
            taken_by      TEXT NOT NULL,
            note          TEXT NOT NULL,
            sha256        TEXT NOT NULL CHECK (length(sha256) = 64),
            media_type    TEXT NOT NULL {_one_of("media_type", log.PHOTO_TYPES)},
            byte_count    INTEGER NOT NULL CHECK (byte_count > 0),
            width_px      INTEGER NOT NULL CHECK (width_px > 0),
            height_px     INTEGER NOT NULL CHECK (height_px > 0),
            CHECK ((inspection_id IS NULL) <> (action_id IS NULL)),
            CHECK (finding_id IS NULL OR inspection_id IS NOT NULL)
        ) STRICT, WITHOUT ROWID;
        CREATE INDEX photos_by_inspection ON photos (inspection_id);
        CREATE INDEX photos_by_action ON photos (action_id);

        CREATE TABLE photo_withdrawals (                  -- the photo stays, and no page or document shows it
            photo_id     TEXT PRIMARY KEY REFERENCES photos(id),
            withdrawn_at TEXT NOT NULL {_utc("withdrawn_at")},
            withdrawn_by TEXT NOT NULL,
            note         TEXT NOT NULL
        ) STRICT, WITHOUT ROWID;

        CREATE TABLE walks (                              -- a planned round as it was worked out
            id         TEXT PRIMARY KEY CHECK (id <> ''),
            yard_id    INTEGER NOT NULL REFERENCES yards(id),
            starts_at  TEXT NOT NULL {_utc("starts_at")},
            created_at TEXT NOT NULL {_utc("created_at")},
            created_by TEXT NOT NULL,
            request    TEXT NOT NULL,                     -- JSON
            plan       TEXT NOT NULL                      -- JSON
        ) STRICT, WITHOUT ROWID;
        CREATE INDEX walks_by_yard ON walks (yard_id, created_at);

        CREATE TABLE walk_changes (                       -- what people changed of it, in order
            id         INTEGER PRIMARY KEY,
            walk_id    TEXT NOT NULL REFERENCES walks(id),
            changed_at TEXT NOT NULL {_utc("changed_at")},
            changed_by TEXT NOT NULL,
            change     TEXT NOT NULL {_one_of("change", ("add", "drop", "hand_over"))},
            boat       TEXT NOT NULL CHECK (boat <> ''),
            party      TEXT NOT NULL,                     -- who has it from then on; empty where it is dropped
            note       TEXT NOT NULL
        ) STRICT;
        CREATE INDEX walk_changes_by_walk ON walk_changes (walk_id);

        CREATE TABLE accounts (                           -- who may use the web app, as they are now
            id            INTEGER PRIMARY KEY,
            name          TEXT NOT NULL CHECK (name <> ''),
            folded_name   TEXT NOT NULL UNIQUE,           -- letters alike in upper and lower case
            role          TEXT NOT NULL {_one_of("role", ("lead", "crew"))},
            password_hash TEXT NOT NULL,
            created_at    TEXT NOT NULL {_utc("created_at")},
            closed_at     TEXT {_utc("closed_at")}
        ) STRICT;

        CREATE TABLE sessions (
            token_sha256 TEXT PRIMARY KEY,                -- the token itself is known to the browser alone
            account_id   INTEGER NOT NULL REFERENCES accounts(id),
            created_at   TEXT NOT NULL {_utc("created_at")},
            expires_at   TEXT NOT NULL {_utc("expires_at")},
            device       TEXT NOT NULL
        ) STRICT, WITHOUT ROWID;
        CREATE INDEX sessions_by_account ON sessions (account_id);

        CREATE TABLE sign_in_failures (
            id          INTEGER PRIMARY KEY,
            failed_at   TEXT NOT NULL {_utc("failed_at")},
            folded_name TEXT NOT NULL,
            address     TEXT NOT NULL
        ) STRICT;
        CREATE INDEX sign_in_failures_by_address ON sign_in_failures (address, failed_at);

        CREATE TABLE guest_links (                        -- of one boat; the link itself is signed with the secret
            id         TEXT PRIMARY KEY,
            boat_id    INTEGER NOT NULL REFERENCES boats(id),
            created_at TEXT NOT NULL {_utc("created_at")},
            created_by TEXT NOT NULL,
            expires_at TEXT NOT NULL {_utc("expires_at")},
            revoked_at TEXT {_utc("revoked_at")}
        ) STRICT, WITHOUT ROWID;
        CREATE INDEX guest_links_by_boat ON guest_links (boat_id);

        CREATE TABLE secrets (
            name  TEXT PRIMARY KEY,
            value TEXT NOT NULL
        ) STRICT, WITHOUT ROWID;
    """)
    no_replace = append_only_triggers("inspections", table_columns(db.conn, "inspections"))
    db.execute(no_replace["inspections_no_replace"])
    protect(db.conn, "photos", "photo_withdrawals", "walks", "walk_changes")


def _007_chain(db: "Database") -> None:
    tables = ("inspections", "findings", "actions", "photos", "photo_withdrawals")
    db.executescript(f"""
        CREATE TABLE log_chain (                          -- see store/chain.py
            seq          INTEGER PRIMARY KEY CHECK (seq > 0),     -- 1, 2, 3 ... without gap
            table_name   TEXT NOT NULL {_one_of("table_name", tables)},
            entry_id     TEXT NOT NULL,
            entry_sha256 TEXT NOT NULL CHECK (length(entry_sha256) = 64),
            chain_sha256 TEXT NOT NULL CHECK (length(chain_sha256) = 64)
        ) STRICT;
    """)
    protect(db.conn, "log_chain")
    chain_what_is_there(db.conn, tables)


def _008_unwrapped(db: "Database") -> None:
    # SQLite cannot change a check: the table is made anew with the longer list, and every row is carried over as it is.
    # A drop takes the triggers along; the view names the table, so it goes first and comes back.
    names = ", ".join(table_columns(db.conn, "actions"))
    db.executescript(f"""
        DROP VIEW actions_current;
        {_actions_table("actions_new", log.ACTIONS)};
        INSERT INTO actions_new ({names}) SELECT {names} FROM actions;
        DROP TABLE actions;
        ALTER TABLE actions_new RENAME TO actions;
        CREATE INDEX actions_by_cover ON actions (cover_id, acted_at);
        CREATE VIEW actions_current AS SELECT * FROM actions AS entry
            WHERE NOT EXISTS (SELECT 1 FROM actions AS later WHERE later.corrects_id = entry.id);
    """)
    protect(db.conn, "actions")


_MIGRATIONS: "tuple[tuple[str, Callable[[Database], None]], ...]" = (
    ("001_register", _001_register),
    ("002_weather", _002_weather),
    ("003_log", _003_log),
    ("004_rankings", _004_rankings),
    ("005_service", _005_service),
    ("006_walks", _006_walks),
    ("007_chain", _007_chain),
    ("008_unwrapped", _008_unwrapped),
)

SCHEMA_VERSION = len(_MIGRATIONS)
"""What ``PRAGMA user_version`` says of a database that this program writes."""
