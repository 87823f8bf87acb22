"""A long run killed at random moments and taken up again each time: are the results the same?

    python benchmarks/kills.py [--scans 2000] [--kills 50] [--workers 2]

Judges a run undisturbed, and once more with `kill -9` at random moments of it (of the process that
gives out the work, and now and then of one of its workers), each time going on where it stopped.
Tells how many films were done again, and whether results.json and films.csv are the same to the
byte. Ends with status 1 where they are not.
"""

from __future__ import annotations

import argparse
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from chain import _tree
from long_run import write_run, write_scans

from xrdfilm.runs.gather import PlannedRun
from xrdfilm.runs.journal import NAME as JOURNAL


def start(planned: PlannedRun, out: Path, workers: int) -> subprocess.Popen[bytes]:
    words = ["judge", str(planned.folder), "--results-only", "--out", str(out)]
    return subprocess.Popen(
        [sys.executable, "-m", "xrdfilm", *words, "--workers", str(workers)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def kept(out: Path) -> int:
    """Chunks in the journal."""
    path = out / JOURNAL
    return max(path.read_bytes().count(b"\n") - 1, 0) if path.is_file() else 0


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--scans", type=int, default=2000)
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    chance = random.Random(wanted.seed)
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        planned = write_run(work / "run", write_scans(work / "scans", 200), wanted.scans)
        begin = time.perf_counter()
        start(planned, work / "calm", wanted.workers).wait()
        undisturbed = time.perf_counter() - begin
        print(f"undisturbed: {undisturbed:.0f} s for {wanted.scans} scans", flush=True)

        out = work / "killed"
        begin = time.perf_counter()
        kills = workers_killed = torn = 0
        process = start(planned, out, wanted.workers)
        # so that the kills spread over the run: each life finishes about its share of it
        share = undisturbed / (wanted.kills + 1)
        while kills < wanted.kills:
            before = kept(out)
            goal = before + 1 if kills % 2 else before
            while process.poll() is None and kept(out) < goal:
                time.sleep(0.02)
            time.sleep(chance.uniform(0.0, 2.0 * share))
            if process.poll() is not None:
                break
            if kills % 5 == 4:  # a worker first: the run must outlive that
                others = sorted(_tree(process.pid) - {process.pid})
                if others:
                    os.kill(chance.choice(others[-wanted.workers :]), signal.SIGKILL)
                    workers_killed += 1
                    time.sleep(chance.uniform(0.0, share))
            process.kill()
            process.wait()
            data = (out / JOURNAL).read_bytes() if (out / JOURNAL).is_file() else b""
            torn += bool(data) and not data.endswith(b"\n")
            kills += 1
            print(f"kill {kills}: {kept(out)} chunks kept", flush=True)
            process = start(planned, out, wanted.workers)
        status = process.wait()
        took = time.perf_counter() - begin
        same = all(
            (work / "calm" / name).read_bytes() == (out / name).read_bytes()
            for name in ("results.json", "films.csv")
        )
    print(
        f"{kills} kills (and {workers_killed} of workers), {torn} torn lines, ended with status "
        f"{status} after {took:.0f} s: results {'the same to the byte' if same else 'DIFFER'}"
    )
    sys.exit(0 if same and kills == wanted.kills else 1)


if __name__ == "__main__":
    main()
