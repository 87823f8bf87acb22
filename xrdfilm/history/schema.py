"""The tables of the history, built by named migrations.

Each migration runs once, in a transaction of its own, and is written down in the table
``migration``. A released one is never changed: what must change is a new one at the end.
"""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

from xrdfilm.errors import HistoryError

APPLICATION_ID = 0x78726466
"""Stands in the head of the file, so that another program's database is told apart."""


@dataclass(frozen=True, slots=True)
class Migration:
    """A named step; ``statements`` run in order."""

    name: str
    statements: tuple[str, ...]


_FIRST = Migration(
    "0001 runs, films, figures",
    (
        """CREATE TABLE document (        -- recipes, settings, limits: each text kept once
            document_key INTEGER PRIMARY KEY,
            digest BLOB NOT NULL UNIQUE,
            packed BLOB NOT NULL
        )""",
        """CREATE TABLE run (
            run_key INTEGER PRIMARY KEY,
            run_id TEXT NOT NULL UNIQUE,
            line TEXT NOT NULL,
            day TEXT NOT NULL,             -- of the run; where none is stated, when first stored
            current_revision INTEGER       -- the revision that trends use
        )""",
        "CREATE INDEX run_in_order ON run (line, day, length(run_id), run_id)",
        """CREATE TABLE revision (
            revision_key INTEGER PRIMARY KEY,
            run_key INTEGER NOT NULL REFERENCES run,
            number INTEGER NOT NULL,
            stored_at TEXT NOT NULL,       -- UTC
            day TEXT,                      -- as stated
            note TEXT,
            version TEXT NOT NULL,
            input_digest BLOB NOT NULL,    -- of all that goes into the figures
            scans_digest BLOB,             -- of the set of its scans
            recipe INTEGER NOT NULL REFERENCES document,
            events INTEGER NOT NULL REFERENCES document,
            films INTEGER NOT NULL,
            film_recipes INTEGER NOT NULL REFERENCES document,
            film_settings INTEGER NOT NULL REFERENCES document,
            film_outcomes INTEGER NOT NULL REFERENCES document,
            quantities INTEGER NOT NULL,
            UNIQUE (run_key, number)
        )""",
        "CREATE INDEX revision_of_scans ON revision (scans_digest)",
        """CREATE TABLE film (
            revision_key INTEGER NOT NULL REFERENCES revision,
            place INTEGER NOT NULL,        -- order within the run, from 0
            film TEXT NOT NULL,
            position_m REAL,
            verdict TEXT NOT NULL,
            grade TEXT,
            PRIMARY KEY (revision_key, place)
        ) WITHOUT ROWID""",
        """CREATE TABLE scan (
            revision_key INTEGER NOT NULL REFERENCES revision,
            place INTEGER NOT NULL,        -- of the film
            name TEXT NOT NULL,
            sha256 BLOB NOT NULL,
            PRIMARY KEY (revision_key, place, name)
        ) WITHOUT ROWID""",
        "CREATE TABLE quantity (quantity_key INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE)",
        """CREATE TABLE figures (         -- one quantity of one revision
            quantity_key INTEGER NOT NULL REFERENCES quantity,
            revision_key INTEGER NOT NULL REFERENCES revision,
            films INTEGER NOT NULL,        -- how many have the quantity
            centre REAL,                   -- their mean and its standard uncertainty
            sigma REAL,
            spread REAL,                   -- scatter of the films beyond their uncertainty
            lowest REAL,
            highest REAL,
            packed_key INTEGER NOT NULL REFERENCES packed,
            PRIMARY KEY (quantity_key, revision_key)
        ) WITHOUT ROWID""",
        "CREATE INDEX figures_of_revision ON figures (revision_key)",
        """CREATE TABLE packed (          -- every film's figures; see history/columns.py
            packed_key INTEGER PRIMARY KEY,
            causes TEXT NOT NULL,          -- JSON list: the parts of sigma
            columns BLOB NOT NULL
        )""",
        """CREATE TABLE baseline (        -- frozen limits of a control chart
            baseline_key INTEGER PRIMARY KEY,
            quantity TEXT NOT NULL,
            line TEXT NOT NULL,
            made_at TEXT NOT NULL,
            settings TEXT NOT NULL         -- JSON
        )""",
        "CREATE INDEX baseline_of ON baseline (quantity, line)",
    ),
)

MIGRATIONS: tuple[Migration, ...] = (_FIRST,)


def applied(connection: sqlite3.Connection) -> list[str]:
    """Names of the migrations that the file has been through, in order."""
    found = connection.execute(
        "SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'migration'"
    ).fetchone()
    if found is None:
        return []
    return [row[0] for row in connection.execute("SELECT name FROM migration ORDER BY rowid")]


def migrate(
    connection: sqlite3.Connection,
    path: Path,
    migrations: tuple[Migration, ...] = MIGRATIONS,
    *,
    now: str = "",
) -> list[str]:
    """Bring the file to the newest form; returns the names of the migrations that ran.

    Raises HistoryError where the file is another program's, or comes from a newer version.
    """
    names = [migration.name for migration in migrations]
    done = applied(connection)
    _refuse_foreign(connection, path, done)
    if done != names[: len(done)]:
        newer = [name for name in done if name not in names]
        raise HistoryError(
            f"the history was made by another version (it has been through {newer or done}); "
            "update xrdfilm, or name another file with --history",
            path=path,
        )
    ran = []
    for migration in migrations[len(done) :]:
        connection.execute("BEGIN IMMEDIATE")
        try:
            if migration.name in applied(connection):  # another process was quicker
                connection.execute("ROLLBACK")
                continue
            connection.execute(
                "CREATE TABLE IF NOT EXISTS migration (name TEXT PRIMARY KEY, applied_at TEXT)"
            )
            for statement in migration.statements:
                connection.execute(statement)
            connection.execute("INSERT INTO migration VALUES (?, ?)", (migration.name, now))
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        ran.append(migration.name)
    return ran


def _refuse_foreign(connection: sqlite3.Connection, path: Path, done: list[str]) -> None:
    marked = connection.execute("PRAGMA application_id").fetchone()[0]
    if marked == APPLICATION_ID or done:
        return
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if tables or marked:
        # read again: another process may have made the first migration between the two looks
        if connection.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
            return
        raise HistoryError(
            "this is a database of something else, no history; name another file with --history",
            path=path,
        )
