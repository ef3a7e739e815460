"""The tables of the history, and how an older file is brought up to date."""

from __future__ import annotations

# Entry n brings a file from version n to n + 1 (`PRAGMA user_version`). Never change one that was released: add one.
MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE players (
        id INTEGER PRIMARY KEY,
        key TEXT NOT NULL UNIQUE,
        name TEXT NOT NULL,
        level TEXT,
        sport TEXT
    );
    CREATE TABLE sessions (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        uid TEXT NOT NULL UNIQUE,
        player INTEGER NOT NULL REFERENCES players (id) ON DELETE CASCADE,
        started_utc TEXT NOT NULL,
        drill TEXT NOT NULL,
        protocol TEXT NOT NULL,
        seed INTEGER,
        source TEXT NOT NULL,
        speaker_to_player_m REAL NOT NULL,
        player_to_mic_m REAL NOT NULL,
        speaker_to_mic_m REAL NOT NULL,
        air_c REAL NOT NULL,
        input_device TEXT NOT NULL,
        output_device TEXT NOT NULL,
        rate_hz INTEGER NOT NULL,
        versions TEXT NOT NULL,
        ending TEXT,
        health TEXT NOT NULL
    );
    CREATE INDEX sessions_of_player ON sessions (player, started_utc);
    CREATE INDEX sessions_in_time ON sessions (started_utc);
    CREATE TABLE blocks (
        session INTEGER NOT NULL REFERENCES sessions (number) ON DELETE CASCADE,
        number INTEGER NOT NULL,
        name TEXT NOT NULL,
        mode TEXT NOT NULL,
        level TEXT NOT NULL,
        situation TEXT NOT NULL,
        warm_up INTEGER NOT NULL,
        feedback TEXT NOT NULL,
        PRIMARY KEY (session, number)
    ) WITHOUT ROWID;
    CREATE TABLE reps (
        session INTEGER NOT NULL REFERENCES sessions (number) ON DELETE CASCADE,
        rep INTEGER NOT NULL,
        block INTEGER NOT NULL,
        mode TEXT NOT NULL,
        level TEXT,
        warm_up INTEGER NOT NULL,
        withheld INTEGER NOT NULL,
        start_s REAL NOT NULL,
        end_s REAL NOT NULL,
        contact_s REAL NOT NULL,
        cues TEXT NOT NULL,
        call TEXT,
        open_ms REAL NOT NULL,
        centre_ms REAL NOT NULL,
        close_ms REAL NOT NULL,
        grade TEXT NOT NULL,
        touchdown_ms REAL,
        error_ms REAL,
        uncertainty_ms REAL,
        stagger_ms REAL,
        first_step_ms REAL,
        guessed INTEGER NOT NULL,
        void TEXT NOT NULL,
        contact_heard_s REAL,
        touchdown_s REAL,
        second_touchdown_s REAL,
        first_step_s REAL,
        PRIMARY KEY (session, rep)
    ) WITHOUT ROWID;
    """,
    "ALTER TABLE reps ADD COLUMN coach TEXT",
    "ALTER TABLE reps ADD COLUMN ear_uncertainty_ms REAL",
    "ALTER TABLE reps ADD COLUMN void_notice TEXT",  # the key and the values of what `void` says in English
)
SCHEMA = len(MIGRATIONS)
