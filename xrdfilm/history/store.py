"""The history: a SQLite file that several processes may write at once.

Every run is stored in one transaction with the log flushed to disk (WAL, synchronous FULL), so a
run that was reported as stored survives the end of the process, and of the machine. The file
must lie on a disk of this machine: WAL does not work over a network share.

Over 400 lines: everything that writes to the database stands here, and nowhere else.
"""

from __future__ import annotations

import datetime
import json
import sqlite3
import time
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, TypeAlias

import numpy as np

from xrdfilm.errors import HistoryError
from xrdfilm.history.columns import pack, unpack
from xrdfilm.history.location import history_path
from xrdfilm.history.pooling import pool
from xrdfilm.history.record import FilmRecord, RunRecord, canonical, record_of
from xrdfilm.history.schema import MIGRATIONS, applied, migrate
from xrdfilm.results import RunResult

BUSY_S = 60.0
"""How long a writer waits for its turn."""


@dataclass(frozen=True, slots=True)
class Stored:
    """What became of a run: ``new``, a new ``revision`` of a known one, or ``known`` already.

    ``run_id`` is the name it is kept under, ``note`` a sentence for the user where there is need.
    """

    outcome: Literal["new", "revision", "known"]
    run_id: str
    revision: int
    note: str = ""


class History:
    """An open history. Use it as a context manager, in one thread; each process opens its own."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self.connection = connection
        self._documents: dict[int, Any] = {}

    def __enter__(self) -> History:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file."""
        self.connection.close()

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A transaction that writes: all of it is kept, or nothing."""
        try:
            self.connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError as problem:
            raise _told(problem, self.path) from None
        try:
            yield self.connection
            self.connection.execute("COMMIT")
        except BaseException as problem:
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
            if isinstance(problem, sqlite3.OperationalError):
                raise _told(problem, self.path) from None
            raise

    # ------------------------------------------------------------------------------ storing

    def store(self, result: RunResult | RunRecord, *, stored_at: str | None = None) -> Stored:
        """Store a judged run; on return it is on disk.

        The same scans with the same settings and figures change nothing. Other settings, limits
        or recipe make a new revision, which trends then use; the old one is kept. Raises
        HistoryError where the file cannot be written.
        """
        record = result if isinstance(result, RunRecord) else record_of(result)
        with self.writing():
            return self._store(record, stored_at or now_utc())

    def _store(self, record: RunRecord, stored_at: str) -> Stored:
        run_key, run_id, note = self._run_of(record)
        if run_key is None:
            cursor = self.connection.execute(
                "INSERT INTO run (run_id, line, day) VALUES (?, ?, ?)",
                (run_id, record.line, record.day or stored_at[:10]),
            )
            run_key = cursor.lastrowid
            assert run_key is not None
            self._insert(run_key, 1, record, stored_at)
            return Stored("new", run_id, 1, note)
        known = self._known_as(run_key, record)
        if known is not None:
            number, current = known
            note = note or (
                ""
                if current
                else f"it is stored as revision {number} already; a later one stays in use"
            )
            return Stored("known", run_id, number, note)
        number = self._highest(run_key) + 1
        self._insert(run_key, number, record, stored_at)
        return Stored("revision", run_id, number, note)

    def _run_of(self, record: RunRecord) -> tuple[int | None, str, str]:
        """(key, name, note) of the run that a record belongs to; key None for a new one.

        The scans tell a run, not its name: a folder may have been renamed, and two folders may
        have the same name.
        """
        same = self._same_scans(record)
        if same is not None:
            key, run_id = same
            note = (
                ""
                if run_id == record.run_id
                else (f"its scans are in the history as run {run_id}, not as {record.run_id}")
            )
            return key, run_id, note
        row = self.connection.execute(
            "SELECT run_key, day FROM run WHERE run_id = ?", (record.run_id,)
        ).fetchone()
        if row is None:
            return None, record.run_id, ""
        key, day = row
        scans = record.scans
        shares = not scans or bool(scans & self._scans_of_run(key))
        if shares or (record.day is not None and record.day == day):
            return key, record.run_id, ""
        return self._name_beside(record)

    def _name_beside(self, record: RunRecord) -> tuple[int | None, str, str]:
        """A free name for another run of a name that is taken."""
        number = 2
        while self.connection.execute(
            "SELECT 1 FROM run WHERE run_id = ?", (f"{record.run_id} #{number}",)
        ).fetchone():
            number += 1
        name = f"{record.run_id} #{number}"
        note = (
            f"another run named {record.run_id}, with other scans, is in the history; "
            f"this one is kept as {name}"
        )
        return None, name, note

    def _same_scans(self, record: RunRecord) -> tuple[int, str] | None:
        """The run that has exactly these scans, in any of its revisions."""
        row: tuple[int, str] | None = self.connection.execute(
            "SELECT run_key, run_id FROM revision JOIN run USING (run_key) "
            "WHERE scans_digest = ? LIMIT 1",
            (record.scans_digest(),),
        ).fetchone()
        return row

    def _scans_of_run(self, run_key: int) -> frozenset[str]:
        rows = self.connection.execute(
            "SELECT DISTINCT sha256 FROM revision JOIN scan USING (revision_key) WHERE run_key = ?",
            (run_key,),
        )
        return frozenset(digest.hex() for (digest,) in rows)

    def _known_as(self, run_key: int, record: RunRecord) -> tuple[int, bool] | None:
        """(number, is it the current one?) of the revision that equals ``record``."""
        rows = self.connection.execute(
            "SELECT revision_key, number, revision_key = current_revision "
            "FROM revision JOIN run USING (run_key) WHERE run_key = ? AND input_digest = ?",
            (run_key, record.input_digest()),
        ).fetchall()
        for revision_key, number, current in rows:
            if self.revision(revision_key).same_figures(record):
                return number, bool(current)
        return None

    def _highest(self, run_key: int) -> int:
        row = self.connection.execute(
            "SELECT max(number) FROM revision WHERE run_key = ?", (run_key,)
        ).fetchone()
        return int(row[0] or 0)

    def _insert(self, run_key: int, number: int, record: RunRecord, stored_at: str) -> int:
        """Write a revision and make it the current one; returns its key."""
        cursor = self.connection.execute(
            "INSERT INTO revision (run_key, number, stored_at, day, note, version, input_digest, "
            "scans_digest, recipe, events, films, film_recipes, film_settings, film_outcomes, "
            "quantities) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?,?)",
            (
                run_key,
                number,
                stored_at,
                record.day,
                record.note,
                record.version,
                record.input_digest(),
                record.scans_digest(),
                self._document(record.recipe),
                self._document(record.events),
                len(record.films),
                self._document(_each_once([film.recipe for film in record.films])),
                self._document(_each_once([film.settings for film in record.films])),
                self._document(_outcomes(record)),
                len(record.columns),
            ),
        )
        key = cursor.lastrowid
        assert key is not None
        self.connection.executemany(
            "INSERT INTO film VALUES (?, ?, ?, ?, ?, ?)",
            [
                (key, place, film.film, film.position_m, film.verdict, film.grade)
                for place, film in enumerate(record.films)
            ],
        )
        self.connection.executemany(
            "INSERT OR IGNORE INTO scan VALUES (?, ?, ?, ?)",
            [
                (key, place, name, bytes.fromhex(digest))
                for place, film in enumerate(record.films)
                for name, digest in film.files.items()
            ],
        )
        for name, columns in record.columns.items():
            self._insert_figures(key, name, columns)
        self.connection.execute(
            "UPDATE run SET current_revision = ?, line = ?, day = coalesce(?, day) "
            "WHERE run_key = ?",
            (key, record.line, record.day, run_key),
        )
        return key

    def _insert_figures(self, revision_key: int, name: str, columns: Any) -> None:
        packed = self.connection.execute(
            "INSERT INTO packed (causes, columns) VALUES (?, ?)",
            (canonical(list(columns.sources)), pack(columns)),
        ).lastrowid
        pooled = pool(columns.centre, columns.own_sigma)
        self.connection.execute(
            "INSERT INTO figures VALUES (?,?,?,?,?,?,?,?,?)",
            (
                self._quantity_key(name),
                revision_key,
                int(np.count_nonzero(columns.known)),
                *(
                    (None,) * 5
                    if pooled is None
                    else (
                        pooled.centre,
                        pooled.sigma,
                        pooled.between,
                        pooled.lowest,
                        pooled.highest,
                    )
                ),
                packed,
            ),
        )

    def _quantity_key(self, name: str) -> int:
        self.connection.execute("INSERT OR IGNORE INTO quantity (name) VALUES (?)", (name,))
        row = self.connection.execute(
            "SELECT quantity_key FROM quantity WHERE name = ?", (name,)
        ).fetchone()
        return int(row[0])

    def _document(self, value: Any) -> int:
        text = canonical(value).encode()
        digest = sha256(text).digest()
        self.connection.execute(
            "INSERT OR IGNORE INTO document (digest, packed) VALUES (?, ?)",
            (digest, zlib.compress(text, 6)),
        )
        row = self.connection.execute(
            "SELECT document_key FROM document WHERE digest = ?", (digest,)
        ).fetchone()
        return int(row[0])

    # ------------------------------------------------------------------------------ reading

    def document(self, key: int) -> Any:
        """A stored text, parsed."""
        if key not in self._documents:
            row = self.connection.execute(
                "SELECT packed FROM document WHERE document_key = ?", (key,)
            ).fetchone()
            if row is None:
                raise HistoryError(f"text {key} is missing", path=self.path)
            self._documents[key] = json.loads(zlib.decompress(row[0]))
        return self._documents[key]

    def revision(self, revision_key: int) -> RunRecord:
        """A stored revision as a record."""
        row = self.connection.execute(
            "SELECT run_id, revision.day, note, version, recipe, events, films, film_recipes, "
            "film_settings, film_outcomes "
            "FROM revision JOIN run USING (run_key) WHERE revision_key = ?",
            (revision_key,),
        ).fetchone()
        if row is None:
            raise HistoryError(f"revision {revision_key} is missing", path=self.path)
        run_id, day, note, version, recipe, events, films, *of_films = row
        return RunRecord(
            run_id,
            day,
            note,
            version,
            self.document(recipe),
            tuple(self.document(events)),
            self._films(revision_key, *(self.document(key) for key in of_films)),
            {
                name: unpack(packed, films, json.loads(causes))
                for name, causes, packed in self.connection.execute(
                    "SELECT name, causes, columns FROM figures JOIN quantity USING (quantity_key) "
                    "JOIN packed USING (packed_key) WHERE revision_key = ? "
                    "ORDER BY packed_key",
                    (revision_key,),
                )
            },
        )

    def _films(
        self, revision_key: int, recipes: _Each, settings: _Each, outcomes: dict[str, Any]
    ) -> tuple[FilmRecord, ...]:
        files: dict[int, dict[str, str]] = {}
        for place, name, digest in self.connection.execute(
            "SELECT place, name, sha256 FROM scan WHERE revision_key = ? ORDER BY place, name",
            (revision_key,),
        ):
            files.setdefault(place, {})[name] = digest.hex()
        rows = self.connection.execute(
            "SELECT place, film, position_m, verdict, grade FROM film "
            "WHERE revision_key = ? ORDER BY place",
            (revision_key,),
        )
        return tuple(
            FilmRecord(
                film,
                position_m,
                verdict,
                grade,
                recipes["values"][recipes["of"][place]],
                files.get(place, {}),
                settings["values"][settings["of"][place]],
                tuple(
                    {**outcomes["limits"][i], "outcome": outcome}
                    for i, outcome in outcomes["of"][place]
                ),
            )
            for place, film, position_m, verdict, grade in rows
        )


_Each: TypeAlias = dict[str, Any]
"""Values that films share, each once, and which of them each film has: {"values", "of"}."""


def _each_once(values: Sequence[Any]) -> _Each:
    once = _Once()
    places = [once.place(value) for value in values]
    return {"of": places, "values": once.values}


def _outcomes(record: RunRecord) -> dict[str, Any]:
    """The limits in force, each once, and every film's outcomes by them."""
    limits = _Once()
    of_films = [
        [
            [limits.place({"quantity": j["quantity"], "limit": j["limit"]}), j["outcome"]]
            for j in film.judged
        ]
        for film in record.films
    ]
    return {"of": of_films, "limits": limits.values}


class _Once:
    """Values in order of first sight, each kept once."""

    def __init__(self) -> None:
        self.values: list[Any] = []
        self._places: dict[str, int] = {}
        self._last: Any = None
        self._last_place = -1

    def place(self, value: Any) -> int:
        if self._last_place >= 0 and value is self._last:  # mostly all films share one
            return self._last_place
        text = canonical(value)
        if text not in self._places:
            self._places[text] = len(self.values)
            self.values.append(value)
        self._last, self._last_place = value, self._places[text]
        return self._last_place


def now_utc() -> str:
    """The time now, UTC, to the second."""
    return datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def open_history(path: str | Path | None = None, *, must_exist: bool = False) -> History:
    """Open the history, making it where there is none; see `history_path` for where it lies.

    With ``must_exist`` a missing file is an error. Raises HistoryError where the file cannot be
    opened, is no history, or was made by a newer version.
    """
    where = history_path(path)
    if must_exist and not where.is_file():
        raise HistoryError(
            "there is no history here yet; store a run with `xrdfilm history add judged/`, "
            "or name another file with --history",
            path=where,
        )
    connection: sqlite3.Connection | None = None
    try:
        where.parent.mkdir(parents=True, exist_ok=True)
        connection = sqlite3.connect(where, timeout=BUSY_S, isolation_level=None)
        _set_up(connection, where)
    except (OSError, sqlite3.Error) as problem:
        if connection is not None:
            connection.close()
        raise _told(problem, where) from None
    except BaseException:
        if connection is not None:
            connection.close()
        raise
    return History(where, connection)


def _set_up(connection: sqlite3.Connection, path: Path) -> None:
    connection.execute(f"PRAGMA busy_timeout = {int(BUSY_S * 1000)}")
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute("PRAGMA cache_size = -65536")
    if applied(connection) != [migration.name for migration in MIGRATIONS]:
        migrate(connection, path, now=now_utc())
    _use_wal(connection)


def _use_wal(connection: sqlite3.Connection) -> None:
    """Switch to WAL; the busy timeout does not hold for it, so wait here for other openers."""
    until = time.monotonic() + BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError:
            if time.monotonic() > until:
                raise
            time.sleep(0.02)


def _told(problem: Exception, path: Path) -> HistoryError:
    text = str(problem)
    if "not a database" in text or "malformed" in text:
        remedy = "the file is damaged or no history; put a copy in its place or name another"
    elif "locked" in text or "busy" in text:
        remedy = f"another process kept it for over {BUSY_S:g} s; try again"
    else:
        remedy = "see that the folder can be written, or name another file with --history"
    return HistoryError(f"cannot use the history ({text}); {remedy}", path=path)
