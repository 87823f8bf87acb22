"""Work in processes of its own: it shows progress, can be stopped, and may die alone.

Each job is one process; so many run at a time, the others wait. A worker that crashes or is
killed leaves a sentence, never a page that does not answer.
"""

from __future__ import annotations

import multiprocessing
import secrets
import signal
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from typing import Any, Literal

from xrdfilm.runs.workers import usable_cores

State = Literal["waiting", "working", "done", "failed", "stopped"]
Report = Callable[[str, int, int], None]
_KEPT = 200
LONGEST_S = 3600.0
_GRACE_S = 2.0


@dataclass(slots=True)
class Job:
    """A piece of work on one run: what it is, how far it is, how it ended."""

    key: str
    run_key: str
    title: str
    then: str
    state: State = "waiting"
    stage: str = "waiting for a free worker"
    done: int = 0
    total: int = 0
    message: str = ""
    begun: float = field(default_factory=time.monotonic)
    stop: threading.Event = field(default_factory=threading.Event)

    @property
    def over(self) -> bool:
        """Whether it ended, one way or another."""
        return self.state in ("done", "failed", "stopped")

    def as_json(self) -> dict[str, Any]:
        """What the progress page asks for."""
        return {
            "state": self.state,
            "stage": self.stage,
            "done": self.done,
            "total": self.total,
            "message": self.message,
            "then": self.then,
        }


class Jobs:
    """All jobs of a server. ``after`` is called in the job's thread when one is done."""

    def __init__(self, at_once: int | None = None) -> None:
        methods = multiprocessing.get_all_start_methods()
        method = "forkserver" if "forkserver" in methods else "spawn"
        self._context = multiprocessing.get_context(method)
        if method == "forkserver":
            self._context.set_forkserver_preload(["xrdfilm.serve.work"])
        self._free = threading.BoundedSemaphore(at_once or max(1, usable_cores() - 1))
        self._lock = threading.Lock()
        self._jobs: dict[str, Job] = {}

    def start(
        self,
        function: Callable[..., None],
        arguments: tuple[Any, ...],
        *,
        run_key: str,
        title: str,
        then: str,
        after: Callable[[Job], None] | None = None,
    ) -> Job:
        """Begin ``function(connection, *arguments)`` in a process; one at a time for a run.

        Where the run has a job under way already, that one is given back.
        """
        with self._lock:
            for job in self._jobs.values():
                if job.run_key == run_key and not job.over:
                    return job
            job = Job(secrets.token_hex(8), run_key, title, then)
            self._jobs[job.key] = job
            over = [key for key, item in self._jobs.items() if item.over]
            for key in over[: max(0, len(self._jobs) - _KEPT)]:
                del self._jobs[key]
        thread = threading.Thread(
            target=self._look_after, args=(job, function, arguments, after), daemon=True
        )
        thread.start()
        return job

    def get(self, key: str) -> Job | None:
        """A job by its key."""
        return self._jobs.get(key)

    def of_run(self, run_key: str) -> Job | None:
        """The job under way for a run."""
        jobs = list(self._jobs.values())
        return next((job for job in jobs if job.run_key == run_key and not job.over), None)

    def stop_all(self) -> None:
        """Stop every job, when the server goes down."""
        for job in list(self._jobs.values()):
            job.stop.set()

    def _look_after(
        self,
        job: Job,
        function: Callable[..., None],
        arguments: tuple[Any, ...],
        after: Callable[[Job], None] | None,
    ) -> None:
        while not self._free.acquire(timeout=0.2):
            if job.stop.is_set():
                job.state, job.stage = "stopped", "stopped before it began"
                return
        try:
            self._work(job, function, arguments)
            if job.state == "working":
                job.state = "failed"
            if job.state == "done" and after is not None:
                after(job)
        except Exception as problem:
            job.state, job.message = "failed", f"the work could not be begun: {problem}"
        finally:
            self._free.release()

    def _work(self, job: Job, function: Callable[..., None], arguments: tuple[Any, ...]) -> None:
        if job.stop.is_set():
            job.state, job.stage = "stopped", "stopped before it began"
            return
        job.state, job.stage = "working", "starting"
        ours, theirs = self._context.Pipe(duplex=False)
        process = self._context.Process(target=function, args=(theirs, *arguments), daemon=True)  # type: ignore[attr-defined]
        process.start()
        theirs.close()
        deadline = time.monotonic() + LONGEST_S
        try:
            while True:
                if job.stop.is_set():
                    job.state, job.stage = "stopped", "stopped"
                    return
                if time.monotonic() > deadline:
                    job.state = "failed"
                    job.message = f"it took more than {LONGEST_S / 60:.0f} minutes and was stopped"
                    return
                if not ours.poll(0.1):
                    continue
                kind, *values = _received(ours)
                if kind == "progress":
                    job.stage, job.done, job.total = values
                elif kind == "done":
                    job.state, job.stage, job.message = "done", "done", values[0]
                    return
                elif kind == "error":
                    job.state, job.stage, job.message = "failed", "stopped short", values[0]
                    return
                else:
                    process.join(_GRACE_S)
                    job.state, job.message = "failed", _how_it_died(process.exitcode)
                    return
        finally:
            ours.close()
            if job.state != "done":
                process.terminate()
            process.join(_GRACE_S)
            if process.is_alive():
                process.kill()
                process.join(_GRACE_S)


def _received(connection: Connection) -> tuple[Any, ...]:
    try:
        found: tuple[Any, ...] = connection.recv()
    except (EOFError, OSError):
        return ("gone",)
    return found


def _how_it_died(code: int | None) -> str:
    how = "it ended without a word"
    if code is not None and code < 0:
        try:
            how = f"it was ended by {signal.Signals(-code).name}"
        except ValueError:
            how = f"it was ended by signal {-code}"
    elif code:
        how = f"it ended with status {code}"
    return (
        f"the analysis crashed ({how}). The dropped files are kept; nothing was stored. "
        "Judge the run folder with `xrdfilm judge` to see more."
    )
