"""`history check`: is the file whole, and does every run in it hold together?"""

from __future__ import annotations

import json
import sqlite3
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256

import numpy as np

from xrdfilm.errors import HistoryError
from xrdfilm.history.columns import unpack
from xrdfilm.history.pooling import pool
from xrdfilm.history.store import History


@dataclass(frozen=True, slots=True)
class CheckResult:
    """What was looked at, and every fault found, as sentences."""

    runs: int
    revisions: int
    films: int
    faults: tuple[str, ...]


def check(history: History, *, progress: Callable[[int, int], None] | None = None) -> CheckResult:
    """Look through the whole history: the file, its links, every packed figure and text."""
    connection = history.connection
    faults: list[str] = []
    try:
        faults += [
            f"file: {text}"
            for (text,) in connection.execute("PRAGMA integrity_check(20)")
            if text != "ok"
        ]
        faults += [
            f"{table}: row {row} points at a missing {parent}"
            for table, row, parent, _ in connection.execute("PRAGMA foreign_key_check")
        ]
        faults += _runs(connection)
        faults += _documents(connection)
        faults += _revisions(connection, progress)
        runs, revisions, films = (
            int(connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
            for table in ("run", "revision", "film")
        )
    except sqlite3.DatabaseError as problem:
        return CheckResult(0, 0, 0, (*faults, f"file: {problem}"))
    return CheckResult(runs, revisions, films, tuple(faults))


def _runs(connection: sqlite3.Connection) -> list[str]:
    rows = connection.execute(
        "SELECT run_id FROM run LEFT JOIN revision ON revision_key = current_revision "
        "AND revision.run_key = run.run_key WHERE revision_key IS NULL"
    )
    return [f"run {run_id}: has no revision in use" for (run_id,) in rows]


def _documents(connection: sqlite3.Connection) -> list[str]:
    faults = []
    for key, digest, packed in connection.execute("SELECT * FROM document"):
        try:
            good = sha256(zlib.decompress(packed)).digest() == digest
        except zlib.error:
            good = False
        if not good:
            faults.append(f"text {key} (a recipe, settings or limits) differs from its digest")
    return faults


def _revisions(
    connection: sqlite3.Connection, progress: Callable[[int, int], None] | None
) -> list[str]:
    faults = []
    total = int(connection.execute("SELECT count(*) FROM revision").fetchone()[0])
    revisions = connection.execute(
        "SELECT revision_key, run_id, number, films, quantities FROM revision JOIN run "
        "USING (run_key)"
    )
    for done, (key, run_id, number, films, quantities) in enumerate(revisions, start=1):
        where = f"run {run_id}, revision {number}"
        stored = connection.execute(
            "SELECT count(*), coalesce(max(place), -1) FROM film WHERE revision_key = ?", (key,)
        ).fetchone()
        if stored != (films, films - 1):
            faults.append(f"{where}: {stored[0]} films stored, {films} expected")
        found = 0
        for name, centre, causes, packed in connection.execute(
            "SELECT name, centre, causes, columns FROM figures JOIN quantity USING (quantity_key) "
            "LEFT JOIN packed USING (packed_key) WHERE revision_key = ?",
            (key,),
        ):
            found += 1
            faults += [
                f"{where}: {name}: {text}" for text in _figures(centre, causes, packed, films)
            ]
        if found != quantities:
            faults.append(f"{where}: {found} quantities stored, {quantities} expected")
        if progress is not None:
            progress(done, total)
    return faults


def _figures(centre: float | None, causes: str, packed: bytes | None, films: int) -> list[str]:
    if packed is None:
        return ["its figures are missing"]
    try:
        columns = unpack(packed, films, json.loads(causes))
    except HistoryError as problem:
        return [str(problem)]
    pooled = pool(columns.centre, columns.own_sigma)
    if (pooled is None) != (centre is None):
        return ["its mean does not go with its figures"]
    if pooled is not None and not np.isclose(pooled.centre, centre or 0.0, rtol=1e-9, atol=1e-12):
        return [f"its mean is stored as {centre:g}, its figures give {pooled.centre:g}"]
    return []
