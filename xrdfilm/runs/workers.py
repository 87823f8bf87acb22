"""Where tasks are worked on: in this process, in several, or on a cluster.

`as_finished` hands tasks to a submitter and gives results back as they come, with only a few tasks
under way at a time, so that results do not pile up in memory. A worker that dies takes no result
with it: its tasks are given out again.
"""

from __future__ import annotations

import multiprocessing
import os
import queue
import signal
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from multiprocessing.context import BaseContext
from typing import Any, Protocol, TypeVar

from xrdfilm.errors import XrdfilmError

Task = TypeVar("Task")
Result = TypeVar("Result")

TRIES = 3
LOOK_EVERY_S = 5.0  # how often a place of work is asked whether it still stands
_THREAD_LIMITS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class Submitter(Protocol):
    """What hands out work: an executor of `concurrent.futures`, or a dask client.

    ``submit`` gives a future with ``result()`` and ``add_done_callback()``. More methods are used
    where there are any: ``renew()`` after the executor broke; ``check()``, asked every few
    seconds, which raises XrdfilmError when no result can come any more; and ``explain(problem)``,
    which turns an exception of the place of work into an XrdfilmError, or gives None.
    """

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Any:
        """Start work."""


class Here:
    """Work in this process, one task at a time, as soon as it is given out."""

    def submit(self, function: Callable[..., Any], /, *args: Any) -> Future[Any]:
        """Do it now."""
        future: Future[Any] = Future()
        try:
            future.set_result(function(*args))
        except Exception as problem:
            future.set_exception(problem)
        return future


class Processes:
    """Worker processes with one numerical thread each; broken pools are made anew.

    The workers end when this process ends, however it ends.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self._pool: ProcessPoolExecutor | None = None

    def _executor(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                self.count, mp_context=_context(), initializer=_worker_begins
            )
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


def begin_loading() -> None:
    """Start the process that workers are forked from, so that it loads its libraries meanwhile.

    For those who know early that `Processes` will be wanted; does nothing where there is no such
    process.
    """
    if _context().get_start_method() == "forkserver":
        from multiprocessing.forkserver import ensure_running

        ensure_running()


def _context() -> BaseContext:
    """How workers are started: forked from a process that has loaded what they need."""
    single_thread()
    methods = multiprocessing.get_all_start_methods()
    context = multiprocessing.get_context("forkserver" if "forkserver" in methods else None)
    if hasattr(context, "set_forkserver_preload"):
        context.set_forkserver_preload(["xrdfilm.runs.preload"])
    return context


def _worker_begins() -> None:
    """A worker leaves interrupts to the process that gives out work, and ends with it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()
    if parent is None:
        return

    def follow() -> None:
        parent.join()
        os._exit(1)  # nobody is left to take a result

    threading.Thread(target=follow, daemon=True).start()


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


def as_finished(
    submitter: Submitter | Executor,
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    *,
    under_way: int,
) -> Iterator[tuple[int, Result]]:
    """Number and result of ``function`` for each task as they finish, no order promised.

    No task is begun while ``under_way`` or more tasks from the oldest unfinished one on are begun
    already, so a caller who puts results in order holds few. Where a pool of processes breaks (a
    worker was killed), the tasks under way are given out again, each up to `TRIES` times; then
    XrdfilmError says so.
    """
    numbered = enumerate(tasks)
    begun: dict[int, tuple[Task, Any, int]] = {}  # number -> task, future, tries
    done: queue.SimpleQueue[tuple[int, Any]] = queue.SimpleQueue()

    def begin(number: int, task: Task, tries: int) -> None:
        try:
            future = submitter.submit(function, task)
        except BrokenExecutor as problem:
            future = Future()
            future.set_exception(problem)
        begun[number] = (task, future, tries)
        future.add_done_callback(lambda finished: done.put((number, finished)))

    last = -1

    def fill() -> None:
        nonlocal last
        while not begun or last - min(begun) + 1 < under_way:
            following = next(numbered, None)
            if following is None:
                return
            last = following[0]
            begin(*following, 1)

    fill()
    while begun:
        number, future = _next_done(done, submitter)
        if number not in begun or begun[number][1] is not future:
            continue  # of a pool that broke since
        try:
            result: Result = future.result()
        except BrokenExecutor as problem:
            _begin_again(submitter, begun, begin, problem)
            continue
        except (Exception, CancelledError) as problem:
            explain = getattr(submitter, "explain", None)
            told = None if explain is None else explain(problem)
            if told is None:
                raise
            raise told from None
        del begun[number]
        yield number, result
        fill()


def _next_done(
    done: queue.SimpleQueue[tuple[int, Any]], submitter: Submitter | Executor
) -> tuple[int, Any]:
    check = getattr(submitter, "check", None)
    while True:
        try:
            return done.get(timeout=LOOK_EVERY_S)
        except queue.Empty:
            if check is not None:
                check()


def _begin_again(
    submitter: Submitter | Executor,
    begun: dict[int, tuple[Task, Any, int]],
    begin: Callable[[int, Task, int], None],
    problem: BrokenExecutor,
) -> None:
    """Give out anew all tasks that a broken pool held."""
    renew = getattr(submitter, "renew", None)
    if renew is None:
        raise XrdfilmError(f"the executor broke ({problem}); judge again with a new one") from None
    lost = sorted(begun.items())
    tries = max(count for _, (_, _, count) in lost)
    if tries >= TRIES:
        raise XrdfilmError(
            f"worker processes died {tries} times over the same films ({problem}); judge them "
            "with --workers 1 to see why"
        ) from None
    renew()
    begun.clear()
    for number, (task, _, count) in lost:
        begin(number, task, count + 1)


def in_order(
    submitter: Submitter | Executor,
    function: Callable[[Task], Result],
    tasks: Iterable[Task],
    *,
    under_way: int,
) -> Iterator[Result]:
    """Results as `as_finished`, in the order of the tasks; fewer than ``under_way`` wait."""
    waiting: dict[int, Result] = {}
    following = 0
    for number, result in as_finished(submitter, function, tasks, under_way=under_way):
        waiting[number] = result
        while following in waiting:
            yield waiting.pop(following)
            following += 1
