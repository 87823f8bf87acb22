"""Eight processes store runs at once while one after another is killed, 200 times in all.

Run: python benchmarks/history_kills.py [--processes 8] [--kills 200] [--films 20] [--seed 1]

Afterwards every run that was reported as stored must be in the history once and whole.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.history.killing import store_under_fire


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--processes", type=int, default=8)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--films", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    stated = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "history.sqlite3"
        begun = time.perf_counter()
        tally = store_under_fire(path, stated.processes, stated.kills, stated.films, stated.seed)
        taken = time.perf_counter() - begun
        size = path.stat().st_size
    print(
        f"{stated.processes} processes, {tally.kills} kills in {taken:.0f} s: "
        f"{len(tally.told)} runs reported as stored, {tally.found} found "
        f"({size / 1e6:.1f} MB), {len(tally.faults)} faults"
    )
    for fault in tally.faults[:20]:
        print("  " + fault)
    sys.exit(1 if tally.faults else 0)


if __name__ == "__main__":
    main()
