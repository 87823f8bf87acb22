"""Several processes store at once and are killed at random; what became of the runs they told.

The test runs it in a small form, benchmarks/history_kills.py in the full one.
"""

from __future__ import annotations

import random
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

from tests.history.made import made_run
from xrdfilm.history import open_history
from xrdfilm.history.check import check
from xrdfilm.history.query import revision_key_of
from xrdfilm.history.record import record_of

WRITER = Path(__file__).with_name("writer_process.py")


@dataclass
class Tally:
    """What happened: runs told as stored, runs found, and every fault."""

    kills: int = 0
    told: set[int] = field(default_factory=set)
    found: int = 0
    faults: list[str] = field(default_factory=list)


class _Writer:
    def __init__(self, path: Path, first: int, step: int, films: int) -> None:
        self.told: list[int] = []
        self.process = subprocess.Popen(
            [sys.executable, str(WRITER), str(path), str(first), str(step), str(films)],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.up = threading.Event()
        self.complaint = ""
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            text = line.strip()
            if text == "up":
                self.up.set()
            elif line.endswith("\n"):  # a line cut off by the kill tells nothing
                self.told.append(int(text))

    def kill(self) -> str:
        """Kill it without warning (SIGKILL); returns what it complained of before, if anything."""
        self.process.kill()
        self.process.wait()
        self._reader.join()
        assert self.process.stderr is not None
        assert self.process.stdout is not None
        complaint = self.process.stderr.read()
        self.process.stderr.close()
        self.process.stdout.close()
        return complaint


def store_under_fire(path: Path, processes: int, kills: int, films: int, seed: int) -> Tally:
    """Let ``processes`` writers run and kill one of them ``kills`` times, each replaced at once."""
    chance = random.Random(seed)
    tally = Tally()
    slots = [0] * processes  # how far each writer's numbers have come

    def start(slot: int) -> _Writer:
        return _Writer(path, slot + processes * slots[slot], processes, films)

    writers = [start(slot) for slot in range(processes)]

    def end(slot: int) -> None:
        complaint = writers[slot].kill()
        if complaint:
            tally.faults.append(complaint)
        tally.told.update(writers[slot].told)
        # the next writer begins with the runs that this one may have stored without telling
        done = [number // processes for number in writers[slot].told]
        slots[slot] = max([*done, slots[slot] - 1]) + 1

    try:
        while tally.kills < kills:
            slot = chance.randrange(processes)
            writers[slot].up.wait(60)
            time.sleep(chance.uniform(0.0, 0.25))
            end(slot)
            tally.kills += 1
            writers[slot] = start(slot)
    finally:
        for slot in range(processes):
            writers[slot].up.wait(60)
            end(slot)
    _compare(path, films, tally)
    return tally


def _compare(path: Path, films: int, tally: Tally) -> None:
    """Every run told is there once and whole; every other run there is whole too."""
    with open_history(path, must_exist=True) as history:
        tally.faults += check(history).faults
        rows = history.connection.execute(
            "SELECT run_id, count(*) FROM run JOIN revision USING (run_key) GROUP BY run_id"
        ).fetchall()
        there = dict(rows)
        tally.found = len(there)
        for run_id, revisions in rows:
            if revisions != 1:
                tally.faults.append(f"{run_id} is there {revisions} times")
        for number in sorted(tally.told):
            if f"R-{number:04d}" not in there:
                tally.faults.append(f"R-{number:04d} was told as stored and is missing")
        for run_id in there:
            wanted = record_of(made_run(int(run_id[2:]), films))
            stored = history.revision(revision_key_of(history, run_id))
            if stored.films != wanted.films or not stored.same_figures(wanted):
                tally.faults.append(f"{run_id} is not whole")
