"""Export of the whole history to tables, and import of what was exported.

Three tables, as CSV or Parquet: ``runs`` (a row a revision), ``films`` (a row a film) and
``figures`` (a row a film and quantity, all with run, revision and place to join by). What has no
fixed columns (recipe, settings, files, limits) stands as JSON in one column. Figures are written
with all their digits, so an import gives back the same history.
"""

from __future__ import annotations

import csv
import itertools
import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol

import numpy as np

from xrdfilm.errors import HistoryError
from xrdfilm.history.columns import FIELDS, Columns
from xrdfilm.history.query import use_revision
from xrdfilm.history.record import FilmRecord, RunRecord, canonical
from xrdfilm.history.store import History

Form = Literal["csv", "parquet"]
Row = Mapping[str, Any]

_TEXT, _WHOLE, _REAL = "text", "whole", "real"
TABLES: dict[str, dict[str, str]] = {
    "runs": {
        "run": _TEXT,
        "revision": _WHOLE,
        "in_use": _WHOLE,
        "line": _TEXT,
        "day": _TEXT,
        "stored_at": _TEXT,
        "version": _TEXT,
        "note": _TEXT,
        "films": _WHOLE,
        "recipe": _TEXT,
        "events": _TEXT,
    },
    "films": {
        "run": _TEXT,
        "revision": _WHOLE,
        "place": _WHOLE,
        "film": _TEXT,
        "position_m": _REAL,
        "verdict": _TEXT,
        "grade": _TEXT,
        "recipe": _TEXT,
        "files": _TEXT,
        "settings": _TEXT,
        "judged": _TEXT,
    },
    "figures": {
        "run": _TEXT,
        "revision": _WHOLE,
        "place": _WHOLE,
        "film": _TEXT,
        "quantity": _TEXT,
        **dict.fromkeys(FIELDS, _REAL),
        "sources": _TEXT,
    },
}


class _Writer(Protocol):
    def write(self, rows: list[Row]) -> None: ...
    def close(self) -> None: ...


class _CsvWriter:
    def __init__(self, path: Path, columns: Mapping[str, str]) -> None:
        self._file = path.open("w", encoding="utf-8", newline="")
        self._rows = csv.DictWriter(self._file, list(columns))
        self._rows.writeheader()

    def write(self, rows: list[Row]) -> None:
        self._rows.writerows(rows)

    def close(self) -> None:
        self._file.close()


class _ParquetWriter:
    def __init__(self, path: Path, columns: Mapping[str, str]) -> None:
        pyarrow, parquet = _pyarrow()
        kinds = {_TEXT: pyarrow.string(), _WHOLE: pyarrow.int64(), _REAL: pyarrow.float64()}
        self._schema = pyarrow.schema([(name, kinds[kind]) for name, kind in columns.items()])
        self._pyarrow = pyarrow
        self._file = parquet.ParquetWriter(path, self._schema, compression="zstd")
        self._waiting: list[Row] = []

    def write(self, rows: list[Row]) -> None:
        self._waiting += rows
        if len(self._waiting) >= 50_000:
            self._flush()

    def _flush(self) -> None:
        if self._waiting:
            self._file.write_table(self._pyarrow.Table.from_pylist(self._waiting, self._schema))
            self._waiting = []

    def close(self) -> None:
        self._flush()
        self._file.close()


def _pyarrow() -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet as parquet
    except ImportError:
        raise HistoryError(
            "Parquet needs pyarrow; install it with `pip install 'xrdfilm[scale]'`, or use CSV"
        ) from None
    return pyarrow, parquet


def export(
    history: History,
    folder: Path,
    form: Form = "csv",
    *,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Path, ...]:
    """Write every revision into ``folder``; returns the files. HistoryError if some are there."""
    paths = {name: folder / f"{name}.{form}" for name in TABLES}
    taken = [path.name for path in paths.values() if path.exists()]
    if taken:
        raise HistoryError(f"holds {', '.join(taken)} already; name another folder", path=folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise HistoryError(f"cannot be made ({problem.strerror})", path=folder) from None
    opener = _CsvWriter if form == "csv" else _ParquetWriter
    history.connection.execute("BEGIN")  # one state of the history throughout
    try:
        with ExitStack() as stack:
            writers: dict[str, _Writer] = {}
            for name, path in paths.items():
                writers[name] = opener(path, TABLES[name])
                stack.callback(writers[name].close)
            revisions = history.connection.execute(
                "SELECT revision_key, run_id, number, revision_key = current_revision, stored_at "
                "FROM revision JOIN run USING (run_key) ORDER BY run_key, number"
            ).fetchall()
            for done, (key, run_id, number, in_use, stored_at) in enumerate(revisions, start=1):
                head = {"run": run_id, "revision": number}
                record = history.revision(key)
                writers["runs"].write([_run_row(head, record, in_use, stored_at)])
                writers["films"].write(_film_rows(head, record))
                writers["figures"].write(_figure_rows(head, record))
                if progress is not None:
                    progress(done, len(revisions))
    finally:
        history.connection.execute("ROLLBACK")
    return tuple(paths.values())


def _run_row(head: Row, record: RunRecord, in_use: int, stored_at: str) -> Row:
    return {
        **head,
        "in_use": in_use,
        "line": record.line,
        "day": record.day,
        "stored_at": stored_at,
        "version": record.version,
        "note": record.note,
        "films": len(record.films),
        "recipe": canonical(record.recipe),
        "events": canonical(record.events),
    }


def _film_rows(head: Row, record: RunRecord) -> list[Row]:
    return [
        {
            **head,
            "place": place,
            "film": film.film,
            "position_m": film.position_m,
            "verdict": film.verdict,
            "grade": film.grade,
            "recipe": canonical(film.recipe),
            "files": canonical(film.files),
            "settings": canonical(film.settings),
            "judged": canonical(film.judged),
        }
        for place, film in enumerate(record.films)
    ]


def _figure_rows(head: Row, record: RunRecord) -> list[Row]:
    rows: list[Row] = []
    for name, columns in record.columns.items():
        arrays = {field: _plain(getattr(columns, field)) for field in FIELDS}
        sources = {cause: _plain(values) for cause, values in columns.sources.items()}
        rows += [
            {
                **head,
                "place": place,
                "film": film.film,
                "quantity": name,
                **{field: values[place] for field, values in arrays.items()},
                "sources": canonical({cause: values[place] for cause, values in sources.items()}),
            }
            for place, film in enumerate(record.films)
        ]
    return rows


def _plain(values: Any) -> list[float | None]:
    return [None if math.isnan(x) else x for x in values.tolist()]


# ------------------------------------------------------------------------------------- import


@dataclass(frozen=True, slots=True)
class Imported:
    """How many revisions were new to the history, and how many it had already."""

    stored: int
    known: int
    notes: tuple[str, ...]


def import_tables(
    history: History, folder: Path, *, progress: Callable[[int], None] | None = None
) -> Imported:
    """Store what `export` wrote; what the history has already is left as it is.

    Raises HistoryError where a table is missing or does not fit the others; runs before the
    fault stay stored.
    """
    form = _form_of(folder)
    tables = {name: _rows(folder / f"{name}.{form}", name) for name in TABLES}
    films = _by_revision(tables["films"])
    figures = _by_revision(tables["figures"])
    film_group, figure_group = next(films, None), next(figures, None)
    stored = known = 0
    notes: list[str] = []
    chosen: dict[str, int] = {}
    for row in tables["runs"]:
        key = (row["run"], row["revision"])
        film_rows, figure_rows = [], []
        if film_group is not None and film_group[0] == key:
            film_rows, film_group = film_group[1], next(films, None)
        if figure_group is not None and figure_group[0] == key:
            figure_rows, figure_group = figure_group[1], next(figures, None)
        record = _record(row, film_rows, figure_rows, folder)
        outcome = history.store(record, stored_at=row["stored_at"])
        if outcome.outcome == "known":
            known += 1
        else:
            stored += 1
            if row["in_use"]:
                chosen[outcome.run_id] = outcome.revision
        if outcome.note:
            notes.append(outcome.note)
        if progress is not None:
            progress(stored + known)
    for run_id, number in chosen.items():
        use_revision(history, run_id, number)
    if film_group is not None or figure_group is not None:
        left = film_group or figure_group
        assert left is not None
        raise HistoryError(
            f"films or figures of run {left[0][0]} stand in no row of the runs table, "
            "or in another order",
            path=folder,
        )
    return Imported(stored, known, tuple(notes))


def _form_of(folder: Path) -> Form:
    forms: tuple[Form, ...] = ("csv", "parquet")
    for form in forms:
        if all((folder / f"{name}.{form}").is_file() for name in TABLES):
            return form
    raise HistoryError(
        "no exported history here; it has runs, films and figures, all .csv or all .parquet",
        path=folder,
    )


def _rows(path: Path, table: str) -> Iterator[dict[str, Any]]:
    columns = TABLES[table]
    if path.suffix == ".parquet":
        _, parquet = _pyarrow()
        with parquet.ParquetFile(path) as file:
            missing = set(columns) - set(file.schema_arrow.names)
            if missing:
                raise HistoryError(f"has no column {', '.join(sorted(missing))}", path=path)
            for batch in file.iter_batches():
                yield from batch.to_pylist()
        return
    with path.open(encoding="utf-8-sig", newline="") as text:
        csv.field_size_limit(2**31 - 1)
        reader = csv.DictReader(text)
        missing = set(columns) - set(reader.fieldnames or ())
        if missing:
            raise HistoryError(f"has no column {', '.join(sorted(missing))}", path=path)
        for row in reader:
            try:
                yield {name: _parsed(row[name], kind) for name, kind in columns.items()}
            except (ValueError, TypeError) as problem:
                raise HistoryError(str(problem), path=path, line=reader.line_num) from None


def _parsed(text: str, kind: str) -> str | int | float | None:
    if kind == _TEXT:
        return text or None
    if text == "":
        return None
    return int(text) if kind == _WHOLE else float(text)


def _by_revision(
    rows: Iterable[dict[str, Any]],
) -> Iterator[tuple[tuple[str, int], list[dict[str, Any]]]]:
    for key, group in itertools.groupby(rows, key=lambda row: (row["run"], row["revision"])):
        yield key, list(group)


def _record(
    run: Row, films: list[dict[str, Any]], figures: list[dict[str, Any]], folder: Path
) -> RunRecord:
    if len(films) != run["films"]:
        raise HistoryError(
            f"run {run['run']}, revision {run['revision']}: {len(films)} films found in the "
            f"films table, {run['films']} expected in this order",
            path=folder,
        )
    try:
        return RunRecord(
            run_id=run["run"],
            day=run["day"],
            note=run["note"],
            version=run["version"] or "",
            recipe=json.loads(run["recipe"]),
            events=tuple(json.loads(run["events"])),
            films=tuple(
                FilmRecord(
                    row["film"] or "",
                    row["position_m"],
                    row["verdict"],
                    row["grade"],
                    json.loads(row["recipe"]),
                    json.loads(row["files"]),
                    json.loads(row["settings"]),
                    tuple(json.loads(row["judged"])),
                )
                for row in films
            ),
            columns={
                name: _columns(list(rows), len(films))
                for name, rows in itertools.groupby(figures, key=lambda row: row["quantity"])
            },
        )
    except (KeyError, ValueError, TypeError, IndexError) as problem:
        raise HistoryError(
            f"run {run['run']}, revision {run['revision']} cannot be read ({problem})", path=folder
        ) from None


def _columns(rows: list[dict[str, Any]], films: int) -> Columns:
    table = np.full((len(FIELDS), films), np.nan)
    causes: dict[str, Any] = {}
    for row in rows:
        place = row["place"]
        table[:, place] = [np.nan if row[name] is None else row[name] for name in FIELDS]
        for cause, part in json.loads(row["sources"]).items():
            column = causes.setdefault(cause, np.full(films, np.nan))
            column[place] = np.nan if part is None else part
    value, low, high, level, estimate, sigma = table
    return Columns(value, low, high, level, estimate, sigma, causes)
