"""Where chunks of films are worked on: in this process, in several, or on a cluster.

`in_order` hands tasks to a submitter and gives results back in order, with only a few tasks under
way at a time, so memory does not grow with the number of films. A worker that dies takes no
result with it: its tasks are given out again.
"""

from __future__ import annotations

import multiprocessing
import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor
from typing import Any, Protocol, TypeVar

from xrdfilm.errors import XrdfilmError

Task = TypeVar("Task")
Result = TypeVar("Result")

TRIES = 3
_THREAD_LIMITS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class Pending(Protocol):
    """A result to come; `concurrent.futures.Future` and dask's futures are ones."""

    def result(self) -> Any:
        """Wait for it."""


class Submitter(Protocol):
    """What hands out work: an executor of `concurrent.futures`, or a dask client."""

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Any:
        """Start work; gives a `Pending`."""


class Here:
    """Work in this process, one task at a time, when its result is asked for."""

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Future[Any]:
        """Do it now."""
        future: Future[Any] = Future()
        try:
            future.set_result(function(*args))
        except Exception as problem:
            future.set_exception(problem)
        return future


class Processes:
    """Worker processes with one numerical thread each; broken pools are made anew."""

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool: ProcessPoolExecutor | None = None

    def _executor(self) -> ProcessPoolExecutor:
        if self._pool is None:
            single_thread()
            methods = multiprocessing.get_all_start_methods()
            context = multiprocessing.get_context("forkserver" if "forkserver" in methods else None)
            if hasattr(context, "set_forkserver_preload"):
                context.set_forkserver_preload(["xrdfilm.chunks"])
            self._pool = ProcessPoolExecutor(self.count, mp_context=context)
        return self._pool

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Future[Any]:
        """Give a task to the next free process."""
        return self._executor().submit(function, *args)

    def renew(self) -> None:
        """Let go of a broken pool; the next task starts a new one."""
        if self._pool is not None:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None

    def __enter__(self) -> Processes:
        return self

    def __exit__(self, *_: object) -> None:
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None


def single_thread() -> None:
    """Keep numerical libraries loaded from now on to one thread: the processes are the threads.

    Results are then the same to the bit however many processes there are.
    """
    for name in _THREAD_LIMITS:
        os.environ[name] = "1"


def usable_cores() -> int:
    """Cores that this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def in_order(
    submitter: Submitter | Executor,
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    *,
    under_way: int,
) -> Iterator[Result]:
    """Results of ``function`` for each task, in order, at most ``under_way`` begun at a time.

    Where a pool of processes breaks (a worker was killed), the tasks under way are given out
    again, each up to `TRIES` times; then XrdfilmError names what broke.
    """
    waiting = iter(tasks)
    begun: deque[tuple[Task, Any, int]] = deque()

    def begin(task: Task, tries: int) -> None:
        begun.append((task, submitter.submit(function, task), tries))

    def fill() -> None:
        while len(begun) < under_way:
            try:
                task = next(waiting)
            except StopIteration:
                return
            begin(task, 1)

    fill()
    while begun:
        task, pending, tries = begun.popleft()
        try:
            result: Result = pending.result()
        except BrokenExecutor as problem:
            if tries >= TRIES:
                raise XrdfilmError(
                    f"worker processes died {tries} times over the same films ({problem}); judge "
                    "them with --workers 1 to see why"
                ) from None
            renew = getattr(submitter, "renew", None)
            if renew is not None:
                renew()
            again = [(task, tries + 1), *((t, n + 1) for t, _, n in begun)]
            begun.clear()
            for lost, count in again:
                begin(lost, count)
            continue
        fill()
        yield result
