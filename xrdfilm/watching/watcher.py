"""Watching a folder: each new scan is judged once, when it is completely written.

    for report in Watcher(plan).run(stop): ...

A file counts as written when its size and time have not changed over ``settle_s`` and no reader
finds it cut off. What was done stands in a journal outside the watched folder, one line a scan,
written to disk before the next scan is begun, so that a killed watcher goes on where it was. The
watched folder is only read; a share that vanishes is waited for.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Literal

from xrdfilm.errors import XrdfilmError
from xrdfilm.results import Film, Run, RunResult
from xrdfilm.runfile import FilmTable
from xrdfilm.runs.gather import OUT_FOLDER, RUN_FILE, SCAN_ENDINGS, PlannedRun, Stated, gather_runs
from xrdfilm.runs.judge import JudgedRun, judge_run
from xrdfilm.watching.journal import Mark, WatchJournal

JOURNAL = "watched.jsonl"
LOCK = "watch.lock"
SETTLE_S = 3.0
RETRY_UNREADABLE_S = 60.0
REPORT_EVERY_S = 2.0
REPORT_REST = 5.0  # the report rests this many times as long as it took to write


@dataclass(frozen=True, slots=True)
class WatchPlan:
    """What is watched, where results go, and how: ``folder`` is read and nothing else.

    ``stated`` are tables of a run file that hold for every scan; a run.toml in the folder is read
    too. ``history`` None stores nothing in the history. ``settle_s`` is how long a file must rest.
    """

    folder: Path
    out: Path
    stated: Stated = field(default_factory=dict)
    history: Path | None = None
    settle_s: float = SETTLE_S
    pages: bool = True


@dataclass(frozen=True, slots=True)
class Report:
    """One thing that happened: a scan judged, or a word on the folder."""

    kind: Literal["judged", "waiting", "back", "problem"]
    text: str
    film: Film | None = None


@dataclass(slots=True)
class _Seen:
    mark: Mark
    since: float


class Watcher:
    """Watches one folder. Make it, then go through `run` or call `look` as often as wanted."""

    def __init__(self, plan: WatchPlan, clock: Callable[[], float] = time.monotonic) -> None:
        folder, out = plan.folder.resolve(), plan.out.resolve()
        if not folder.is_dir():
            raise XrdfilmError(f"{plan.folder}: no such folder; name the folder where scans arrive")
        if out == folder or out in folder.parents:
            raise XrdfilmError(
                f"results would go into or above the watched folder ({out}); name another --out"
            )
        out.mkdir(parents=True, exist_ok=True)
        self.plan = plan
        self._folder, self._out = folder, out
        self._clock = clock
        self._lock = _Lock(out / LOCK)
        self.journal = WatchJournal(out / JOURNAL)
        self._seen: dict[str, _Seen] = {}
        self._refused: dict[str, tuple[Mark, float]] = {}
        self._lost = False
        self._stale = len(self.journal) > 0  # it may have been killed before it wrote the report
        self._report_due = 0.0

    def close(self) -> None:
        """Let go of journal and lock."""
        self.journal.close()
        self._lock.release()

    def __enter__(self) -> Watcher:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def run(
        self, stop: Callable[[], bool], *, every_s: float = 1.0, idle_s: float | None = None
    ) -> Iterator[Report]:
        """Look again and again until ``stop`` says so, or nothing came for ``idle_s``."""
        last = self._clock()
        while not stop():
            for report in self.look(stop):
                if report.kind == "judged":
                    last = self._clock()
                yield report
            if idle_s is not None and self._clock() - last > idle_s and not self._under_way():
                return
            time.sleep(every_s)

    def _under_way(self) -> bool:
        """Whether a file may still become ready."""
        return any(
            seen.mark[0] > 0 and name not in self._refused
            and not self.journal.knows_mark(name, seen.mark)
            for name, seen in self._seen.items()
        )  # fmt: skip

    def look(self, stop: Callable[[], bool] = lambda: False) -> Iterator[Report]:
        """Look once: judge what has come to rest, and bring the report up to date."""
        try:
            ready = self._ready()
        except OSError as problem:
            if not self._lost:
                self._lost = True
                yield Report(
                    "waiting", f"{self._folder} cannot be read ({problem.strerror}); waiting for it"
                )
            return
        if self._lost:
            self._lost = False
            self._seen.clear()  # after an outage every file must rest anew
            yield Report("back", f"{self._folder} can be read again")
            return
        for name, mark in ready:
            if stop():
                break
            report = self._judge(name, mark)
            if report is not None:
                self._stale |= report.kind == "judged"
                yield report
        if self._stale and (stop() or self._clock() >= self._report_due):
            yield from self._write_report()

    def _ready(self) -> list[tuple[str, Mark]]:
        """Files that have rested long enough and were not judged yet, oldest first."""
        now = self._clock()
        found: dict[str, Mark] = {}
        for path in _scan_files(self._folder, self._out):
            with contextlib.suppress(FileNotFoundError):
                status = path.stat()
                found[path.relative_to(self._folder).as_posix()] = (
                    status.st_size,
                    status.st_mtime_ns,
                )
        for name in set(self._seen) - set(found):
            del self._seen[name]
        ready = []
        for name, mark in found.items():
            seen = self._seen.get(name)
            if seen is None or seen.mark != mark:
                self._seen[name] = _Seen(mark, now)
                continue
            refused = self._refused.get(name)
            if refused is not None and refused[0] == mark and now < refused[1]:
                continue
            rested = now - seen.since >= self.plan.settle_s
            if rested and mark[0] > 0 and not self.journal.knows_mark(name, mark):
                ready.append((name, mark))
        return sorted(ready, key=lambda item: (item[1][1], item[0]))

    def _judge(self, name: str, mark: Mark) -> Report | None:
        """Judge the film that a file belongs to; None where it must wait or was judged already."""
        path = self._folder / name
        try:
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            if _mark_of(path) != mark:
                self._seen.pop(name, None)
                return None
        except OSError as problem:
            return self._refuse(name, mark, f"cannot be read ({problem.strerror})")
        if self.journal.knows(name, digest):
            self.journal.append(name, digest, mark)  # touched, not changed
            return None
        try:
            planned = self._planned(name)
            lead = planned.films[0].coupled or planned.films[0].file_names[0]
            if name != lead and lead not in self.journal.names:
                self.journal.append(name, digest, mark)  # its film is judged with the coupled scan
                return None
            if any(self._unrested(other) for other in planned.films[0].file_names):
                return None
            lead_mark = mark if name == lead else _mark_of(self._folder / lead)
            judged = judge_run(planned, with_pictures=self.plan.pages)
            changed = _mark_of(path) != mark
        except XrdfilmError as problem:
            return self._refuse(name, mark, str(problem))
        except OSError as problem:
            return self._refuse(name, mark, f"vanished while it was judged ({problem.strerror})")
        film = judged.result.films[0]
        if changed or film.provenance.files.get(name, digest) != digest:
            self._seen.pop(name, None)
            return None  # it was still being written
        self._store(judged.result)
        self._keep_sheet(lead, judged)
        lead_digest = film.provenance.files.get(lead, digest if name == lead else "")
        self.journal.append(lead, lead_digest, lead_mark, film=film.model_dump(mode="json"))
        if name != lead:
            self.journal.append(name, digest, mark)
        self._refused.pop(name, None)
        return Report("judged", _summary(film), film)

    def _unrested(self, name: str) -> bool:
        """Whether a file is there but may still be being written."""
        seen = self._seen.get(name)
        return seen is not None and self._clock() - seen.since < self.plan.settle_s

    def _refuse(self, name: str, mark: Mark, why: str) -> Report | None:
        """Told once for each state of a file, tried again later."""
        told = self._refused.get(name)
        self._refused[name] = (mark, self._clock() + RETRY_UNREADABLE_S)
        if told is not None and told[0] == mark:
            return None
        return Report("problem", f"{name}: {why}")

    def _planned(self, name: str) -> PlannedRun:
        """The film that a file belongs to, as the folder's run file or the flags state it."""
        run_path = self._folder / RUN_FILE
        paths = [run_path] if run_path.is_file() else [self._folder / name]
        [planned] = gather_runs(paths, stated=self.plan.stated, out=self._out)
        films = [film for film in planned.films if name in film.file_names and run_path.is_file()]
        if not films:
            films = [FilmTable(id=_film_id(name), coupled=name)]
        adjust = planned.run_file.adjust
        kept = {k: v for k, v in adjust.film.items() if k == films[0].id}
        run_file = planned.run_file.model_copy(
            update={"adjust": adjust.model_copy(update={"film": kept})}
        )
        run_id = planned.run_file.run.id or self._folder.name
        return PlannedRun(run_id, self._folder, run_file, (films[0],), self._out)

    def _store(self, result: RunResult) -> None:
        """Into the history, a scan a run, named after folder and film."""
        if self.plan.history is None:
            return
        from xrdfilm.history import open_history

        film = result.films[0]
        run = result.run.model_copy(update={"id": f"{result.run.id} {film.film}"})
        with open_history(self.plan.history) as history:
            history.store(result.model_copy(update={"run": run}))

    def _keep_sheet(self, name: str, judged: JudgedRun) -> None:
        """The film's sheet, before the journal says that it is done."""
        if self.plan.pages:
            from xrdfilm.watching.report import write_sheet

            films = {known: _film_id(known) for known in (*self.journal.names, name)}
            films[name] = judged.result.films[0].film
            write_sheet(self._out, judged, list(films.values()))

    def _write_report(self) -> Iterator[Report]:
        """results.json, tables and index of all scans so far; a failure is told and tried again."""
        from xrdfilm.watching.report import write_index

        begun = self._clock()
        try:
            films = [Film.model_validate(record) for record in self.journal.films()]
            if films:
                write_index(self._out, Run(id=self._run_id()), films, pages=self.plan.pages)
            self._stale = False
        except (OSError, XrdfilmError) as problem:
            yield Report("problem", f"the report could not be written: {problem}")
        took = self._clock() - begun
        self._report_due = self._clock() + max(REPORT_EVERY_S, REPORT_REST * took)

    def finish(self) -> list[Report]:
        """Bring the report up to date, at the end."""
        return list(self._write_report()) if self._stale else []

    def _run_id(self) -> str:
        stated = self.plan.stated.get("run")
        return str(getattr(stated, "get", lambda _: None)("id") or self._folder.name)


def _mark_of(path: Path) -> Mark:
    status = path.stat()
    return status.st_size, status.st_mtime_ns


def _scan_files(folder: Path, out: Path) -> Iterator[Path]:
    """Scan files below ``folder``, without hidden ones and without our own results."""
    with os.scandir(folder) as entries:
        listed = sorted(entries, key=lambda entry: entry.name)
    for entry in listed:
        path = Path(entry.path)
        if entry.name.startswith((".", "~")) or entry.name == OUT_FOLDER or path == out:
            continue
        if entry.is_dir(follow_symlinks=False):
            if not (path / RUN_FILE).is_file():  # a run folder of its own is judged as a run
                yield from _scan_files(path, out)
        elif entry.is_file() and path.suffix.lower() in SCAN_ENDINGS:
            yield path


def _film_id(name: str) -> str:
    """A film is named after its file, with the folder it lies in."""
    return Path(name).with_suffix("").as_posix()


def _summary(film: Film) -> str:
    from xrdfilm.report.content import short_reason

    return f"{film.film}: {film.verdict}; {short_reason(film)}"


class _Lock:
    """One watcher an output folder: held by the process, let go by its end, however it ends."""

    def __init__(self, path: Path) -> None:
        self._file = path.open("a+b")
        try:
            _hold(self._file)
        except OSError:
            self._file.close()
            raise XrdfilmError(
                f"{path.parent}: another watcher writes there; stop it or name another --out"
            ) from None

    def release(self) -> None:
        """Let go."""
        self._file.close()


def _hold(file: BinaryIO) -> None:
    try:
        import fcntl
    except ImportError:  # no such lock on this system: the journal's digests must do
        return
    fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
