"""Handing out work: in order, few at a time, and nothing lost with a worker."""

import multiprocessing
import os
import signal
import subprocess
import sys
import time
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import forkserver
from pathlib import Path

import pytest

from xrdfilm.errors import XrdfilmError
from xrdfilm.runs.workers import (
    Here,
    Processes,
    as_finished,
    begin_loading,
    in_order,
    usable_cores,
)


def late(number: int) -> int:
    """Even tasks take longer than odd ones."""
    time.sleep(0.01 if number % 2 == 0 else 0.0)
    return number * number


@pytest.mark.parametrize("under_way", [1, 2, 5, 100])
def test_results_come_in_order(under_way: int) -> None:
    with ThreadPoolExecutor(3) as pool:
        assert list(in_order(pool, late, range(20), under_way=under_way)) == [
            n * n for n in range(20)
        ]
    assert list(in_order(Here(), late, range(5), under_way=under_way)) == [0, 1, 4, 9, 16]
    assert list(in_order(Here(), late, [], under_way=under_way)) == []


def test_only_a_few_are_begun_ahead_of_the_oldest() -> None:
    begun: list[int] = []
    yielded = 0

    def tasks() -> object:
        for number in range(30):
            begun.append(number)
            assert number < yielded + 4
            yield number

    with ThreadPoolExecutor(2) as pool:
        for _ in in_order(pool, late, tasks(), under_way=4):  # type: ignore[arg-type,var-annotated]
            yielded += 1
    assert begun == list(range(30))


def test_results_are_given_as_they_finish() -> None:
    with ThreadPoolExecutor(2) as pool:
        finished = [n for n, _ in as_finished(pool, late, range(6), under_way=6)]
    assert sorted(finished) == list(range(6))
    assert finished[0] == 1


def fails(number: int) -> int:
    if number == 3:
        raise ValueError("three")
    return number


def test_an_error_of_a_task_comes_through() -> None:
    with pytest.raises(ValueError, match="three"):
        list(in_order(Here(), fails, range(5), under_way=2))


def dies_once(marker: Path) -> str:
    """Kills its own process the first time it is tried."""
    if marker.suffix == ".dies" and not marker.exists():
        marker.write_text("")
        os.kill(os.getpid(), signal.SIGKILL)
    return marker.name


def always_dies(_: int) -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def test_a_killed_worker_costs_no_result(tmp_path: Path) -> None:
    tasks = [tmp_path / (f"{n}.dies" if n == 4 else f"{n}") for n in range(10)]
    with Processes(2) as processes:
        found = list(in_order(processes, dies_once, tasks, under_way=6))
    assert found == [task.name for task in tasks]


def test_a_task_that_kills_every_worker_is_told() -> None:
    with Processes(1) as processes, pytest.raises(XrdfilmError, match="died 3 times"):
        list(in_order(processes, always_dies, [1], under_way=1))


def test_a_broken_executor_of_the_users_own_is_told() -> None:
    pool: Executor = ProcessPoolExecutor(1)
    with pool, pytest.raises(XrdfilmError, match="executor broke"):
        list(in_order(pool, always_dies, [1, 2], under_way=1))


class Gone(Here):
    """A place of work that never finishes anything."""

    def submit(self, function: object, /, *args: object) -> object:  # type: ignore[override]
        from concurrent.futures import Future

        return Future()

    def check(self) -> None:
        raise XrdfilmError("the scheduler is gone")


def test_a_place_of_work_that_is_gone_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("xrdfilm.runs.workers.LOOK_EVERY_S", 0.01)
    with pytest.raises(XrdfilmError, match="gone"):
        list(in_order(Gone(), late, [1], under_way=1))


ORPHANS = """
import os, sys, time
from xrdfilm.runs.workers import Processes
def pid(_):
    return os.getpid()
if __name__ == "__main__":
    processes = Processes(2)
    pids = {processes.submit(os.getpid).result() for _ in range(8)}
    print(*pids, flush=True)
    time.sleep(600)
"""


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="looks at processes in /proc")
def test_workers_end_with_the_process_that_was_killed(tmp_path: Path) -> None:
    script = tmp_path / "orphans.py"
    script.write_text(ORPHANS)
    root = Path(__file__).parents[2]
    with subprocess.Popen([sys.executable, str(script)], stdout=subprocess.PIPE, cwd=root) as main:
        assert main.stdout is not None
        pids = [int(word) for word in main.stdout.readline().split()]
        assert pids
        assert all(running(pid) for pid in pids)
        main.kill()
    for _ in range(600):
        if not any(running(pid) for pid in pids):
            break
        time.sleep(0.05)
    assert not any(running(pid) for pid in pids)


def running(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    except OSError:
        return False


def test_there_is_a_core() -> None:
    assert usable_cores() >= 1


def test_libraries_are_loaded_before_the_first_task_is_given_out() -> None:
    """Workers are forked from the process that was begun early, not from another one."""
    if "forkserver" not in multiprocessing.get_all_start_methods():
        pytest.skip("this system has no process to fork workers from")
    begin_loading()
    early = forkserver._forkserver._forkserver_pid  # type: ignore[attr-defined]
    assert early is not None
    with Processes(1) as place:
        assert place.submit(os.getppid).result() == early
