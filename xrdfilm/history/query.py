"""What a trend asks of the history: one quantity over runs or films, in order; events; recipes.

Runs are ordered by day, then by name (shorter first, so R-9 comes before R-10). Only the current
revision of a run counts.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.errors import HistoryError
from xrdfilm.history.columns import Columns, unpack
from xrdfilm.history.store import History

_ORDER = "ORDER BY run.day{0}, length(run.run_id){0}, run.run_id{0}"


@dataclass(frozen=True, slots=True)
class RunFigures:
    """One quantity of N runs, in order; arrays have shape (N,).

    ``centre`` is the mean of a run's films, ``sigma`` its standard uncertainty (the films' own
    noise and their scatter; what all runs share is left out), ``between`` the scatter of the
    films, ``films`` how many have the quantity.
    """

    quantity: str
    runs: tuple[str, ...]
    days: tuple[str, ...]
    films: FloatArray
    centre: FloatArray
    sigma: FloatArray
    between: FloatArray
    lowest: FloatArray
    highest: FloatArray
    revision_keys: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class RunSummary:
    """A run as a list shows it; ``verdicts`` counts its films by verdict."""

    run_id: str
    line: str
    day: str
    revision: int
    revisions: int
    films: int
    verdicts: Mapping[str, int]
    stored_at: str


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to the line, told by a run file."""

    day: str
    text: str
    run_id: str


def _where(line: str | None, since: str | None, until: str | None) -> tuple[str, list[Any]]:
    clauses, values = [], []
    for clause, value in (("run.line = ?", line), ("run.day >= ?", since), ("run.day <= ?", until)):
        if value is not None:
            clauses.append(clause)
            values.append(value)
    return "".join(f" AND {clause}" for clause in clauses), values


def quantity_key(history: History, quantity: str) -> int:
    """The key of a quantity; HistoryError with a near match where no run has it."""
    row = history.connection.execute(
        "SELECT quantity_key FROM quantity WHERE name = ?", (quantity,)
    ).fetchone()
    if row is not None:
        return int(row[0])
    names = [name for (name,) in history.connection.execute("SELECT name FROM quantity")]
    near = difflib.get_close_matches(quantity, names, n=1)
    hint = f"; did you mean {near[0]}?" if near else ""
    known = f" Known: {', '.join(sorted(names))}." if names and not near else ""
    raise HistoryError(
        f"no run in the history has the quantity {quantity!r}{hint}{known}", path=history.path
    )


def run_figures(
    history: History,
    quantity: str,
    *,
    line: str | None = None,
    since: str | None = None,
    until: str | None = None,
    last: int | None = None,
) -> RunFigures:
    """One quantity, one point a run; ``last`` keeps that many of the newest runs."""
    key = quantity_key(history, quantity)
    where, values = _where(line, since, until)
    # CROSS JOIN keeps SQLite to this order: runs by their index, then one look-up each
    rows = history.connection.execute(
        "SELECT run.run_id, run.day, figures.films, centre, sigma, spread, lowest, highest, "
        "current_revision FROM run CROSS JOIN figures "
        "ON revision_key = current_revision AND quantity_key = ? "
        f"WHERE centre IS NOT NULL{where} {_ORDER.format(' DESC')} LIMIT ?",
        (key, *values, -1 if last is None else last),
    ).fetchall()
    rows.reverse()
    columns = list(zip(*rows, strict=True)) if rows else [()] * 9
    films, centre, sigma, between, lowest, highest = (
        np.array(column, dtype=float) for column in columns[2:8]
    )
    return RunFigures(
        quantity,
        tuple(columns[0]),
        tuple(columns[1]),
        films,
        centre,
        sigma,
        between,
        lowest,
        highest,
        tuple(columns[8]),
    )


def columns_of(history: History, quantity: str, revision_key: int) -> Columns | None:
    """Every film's figures of one quantity in one revision; None where it has none."""
    row = history.connection.execute(
        "SELECT causes, columns, revision.films FROM figures "
        "JOIN quantity USING (quantity_key) JOIN packed USING (packed_key) "
        "JOIN revision USING (revision_key) WHERE quantity.name = ? AND revision_key = ?",
        (quantity, revision_key),
    ).fetchone()
    return None if row is None else unpack(row[1], row[2], json.loads(row[0]))


@dataclass(frozen=True, slots=True)
class FilmFigures:
    """One quantity of N films, run after run; arrays have shape (N,), ``run_of`` indexes runs."""

    quantity: str
    runs: tuple[str, ...]
    days: tuple[str, ...]
    revision_keys: tuple[int, ...]
    run_of: FloatArray
    place: FloatArray
    centre: FloatArray
    sigma: FloatArray


def film_figures(
    history: History,
    quantity: str,
    *,
    line: str | None = None,
    since: str | None = None,
    until: str | None = None,
    last: int | None = None,
) -> FilmFigures:
    """One quantity, one point a film; ``last`` keeps that many of the newest runs."""
    key = quantity_key(history, quantity)
    where, values = _where(line, since, until)
    rows = history.connection.execute(
        "SELECT run.run_id, run.day, current_revision, causes, columns, revision.films "
        "FROM run CROSS JOIN figures ON figures.revision_key = current_revision "
        "AND quantity_key = ? CROSS JOIN packed USING (packed_key) "
        "CROSS JOIN revision ON revision.revision_key = current_revision "
        f"WHERE centre IS NOT NULL{where} {_ORDER.format(' DESC')} LIMIT ?",
        (key, *values, -1 if last is None else last),
    ).fetchall()
    rows.reverse()
    centres, sigmas, run_of, places = [], [], [], []
    for index, (_, _, _, causes, packed, films) in enumerate(rows):
        columns = unpack(packed, films, json.loads(causes))
        kept = np.flatnonzero(np.isfinite(columns.centre))
        centres.append(columns.centre[kept])
        sigmas.append(columns.own_sigma[kept])
        run_of.append(np.full(kept.size, float(index)))
        places.append(kept.astype(float))

    def joined(parts: list[FloatArray]) -> FloatArray:
        return np.concatenate(parts) if parts else np.empty(0)

    return FilmFigures(
        quantity,
        tuple(row[0] for row in rows),
        tuple(row[1] for row in rows),
        tuple(row[2] for row in rows),
        joined(run_of),
        joined(places),
        joined(centres),
        joined(sigmas),
    )


def revision_key_of(history: History, run_id: str, number: int | None = None) -> int:
    """The key of a run's current revision, or of revision ``number``; HistoryError if unknown."""
    row = history.connection.execute(
        "SELECT run_key, current_revision FROM run WHERE run_id = ?", (run_id,)
    ).fetchone()
    if row is None:
        names = [n for (n,) in history.connection.execute("SELECT run_id FROM run LIMIT 20000")]
        near = difflib.get_close_matches(run_id, names, n=1)
        hint = f"; did you mean {near[0]}?" if near else ""
        raise HistoryError(f"no run {run_id!r} in the history{hint}", path=history.path)
    if number is None:
        return int(row[1])
    found = history.connection.execute(
        "SELECT revision_key FROM revision WHERE run_key = ? AND number = ?", (row[0], number)
    ).fetchone()
    if found is None:
        raise HistoryError(f"run {run_id} has no revision {number}", path=history.path)
    return int(found[0])


def use_revision(history: History, run_id: str, number: int) -> None:
    """Let trends use this revision of a run."""
    with history.writing() as connection:
        key = revision_key_of(history, run_id, number)
        connection.execute("UPDATE run SET current_revision = ? WHERE run_id = ?", (key, run_id))


def lines(history: History) -> dict[str, int]:
    """The production lines in the history and how many runs each has; "" for none named."""
    rows = history.connection.execute("SELECT line, count(*) FROM run GROUP BY line ORDER BY line")
    return {line: int(count) for line, count in rows}


def quantities(history: History) -> dict[str, int]:
    """The quantities in the history and in how many runs each is current."""
    rows = history.connection.execute(
        "SELECT name, count(*) FROM figures JOIN quantity USING (quantity_key) "
        "JOIN run ON current_revision = revision_key GROUP BY name ORDER BY name"
    )
    return {name: int(count) for name, count in rows}


def summaries(
    history: History,
    *,
    line: str | None = None,
    since: str | None = None,
    until: str | None = None,
    last: int | None = None,
) -> list[RunSummary]:
    """The runs in order, newest last."""
    where, values = _where(line, since, until)
    rows = history.connection.execute(
        "SELECT run.run_id, run.line, run.day, number, revision.films, stored_at, "
        "(SELECT count(*) FROM revision AS r WHERE r.run_key = run.run_key), revision_key "
        "FROM run JOIN revision ON revision_key = current_revision "
        f"WHERE 1{where} {_ORDER.format(' DESC')} LIMIT ?",
        (*values, -1 if last is None else last),
    ).fetchall()
    rows.reverse()
    found = []
    for run_id, run_line, day, number, films, stored_at, revisions, key in rows:
        verdicts = history.connection.execute(
            "SELECT verdict, count(*) FROM film WHERE revision_key = ? GROUP BY verdict", (key,)
        )
        found.append(
            RunSummary(
                run_id,
                run_line,
                day,
                number,
                revisions,
                films,
                dict(verdicts.fetchall()),
                stored_at,
            )
        )
    return found


def distinct_recipes(history: History, revision_key: int) -> tuple[list[dict[str, Any]], list[int]]:
    """The recipes in a revision, and which one each film has.

    A film's recipe is the run's with the film's own over it.
    """
    recipe, film_recipes = history.connection.execute(
        "SELECT recipe, film_recipes FROM revision WHERE revision_key = ?", (revision_key,)
    ).fetchone()
    each = history.document(film_recipes)
    run = history.document(recipe)
    return [{**run, **own} for own in each["values"]], each["of"]


def events(history: History, *, line: str | None = None) -> list[Event]:
    """What happened to the line, by day; each once, however many runs tell it."""
    where, values = _where(line, None, None)
    rows = history.connection.execute(
        "SELECT run.run_id, run.day, events FROM run JOIN revision ON "
        f"revision_key = current_revision WHERE events != coalesce((SELECT document_key FROM "
        f"document WHERE digest = ?), -1){where} {_ORDER.format('')}",
        (_EMPTY_LIST, *values),
    )
    found: dict[tuple[str, str], Event] = {}
    for run_id, day, key in rows:
        for item in history.document(key):
            when = str(item.get("date") or day)
            text = str(item.get("text", "")).strip()
            found.setdefault((when, text), Event(when, text, run_id))
    return sorted(found.values(), key=lambda event: (event.day, event.text))


def _empty_list_digest() -> bytes:
    from hashlib import sha256

    return sha256(b"[]").digest()


_EMPTY_LIST = _empty_list_digest()
