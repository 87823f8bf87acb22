"""500 scans arrive in a watched folder while the watcher is killed and restarted ten times.

    python benchmarks/watch_kills.py [--files 500] [--kills 10]

Scans are written piece by piece, so that the watcher meets half-written ones. It is killed
(SIGKILL) at random moments. At the end every scan must stand in the journal exactly once, with the
digest of its whole content, and in results.json. Stops by itself after ten minutes at most.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

import numpy as np

MOST_S = 600.0


def scan_text(seed: int) -> str:
    """A small invented scan about (005)."""
    rng = np.random.default_rng(seed)
    axis = np.arange(36.0, 41.0, 0.03)
    shape = 3000.0 * np.exp(-4 * np.log(2) * ((axis - 38.51) / 0.15) ** 2)
    counts = rng.poisson(60.0 + shape)
    return "".join(f"{x:.3f} {y}\n" for x, y in zip(axis, counts, strict=True))


def arrive(folder: Path, count: int, over_s: float) -> None:
    """Write the scans one after another, each in three pieces."""
    for number in range(count):
        text = scan_text(number)
        with (folder / f"s{number:04d}.xy").open("w") as file:
            for part in range(3):
                file.write(text[part * len(text) // 3 : (part + 1) * len(text) // 3])
                file.flush()
                time.sleep(over_s / count / 4)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=500)
    parser.add_argument("--kills", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    chance = random.Random(given.seed)
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder, out = Path(name) / "incoming", Path(name) / "out"
        folder.mkdir()
        command = [
            sys.executable, "-c", "from xrdfilm.cli import main; main()",
            "watch", str(folder), "--out", str(out), "--settle", "0.5", "--no-pages",
            "--history", str(Path(name) / "h.sqlite3"), "--substrate", "SrTiO3",
        ]  # fmt: skip
        writer = threading.Thread(target=arrive, args=(folder, given.files, 100.0), daemon=True)
        writer.start()
        for _ in range(given.kills):
            process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
            time.sleep(chance.uniform(3.0, 15.0))
            process.send_signal(signal.SIGKILL)
            process.wait()
        writer.join(MOST_S)
        subprocess.run([*command, "--once"], check=True, stdout=subprocess.DEVNULL, timeout=MOST_S)
        entries = [json.loads(line) for line in (out / "watched.jsonl").read_text().splitlines()]
        judged = [entry for entry in entries if "film" in entry]
        times = Counter(entry["name"] for entry in judged)
        whole = {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}
        right = sum(entry["sha256"] == whole[entry["name"]] for entry in judged)
        films = len(json.loads((out / "results.json").read_text())["films"])
        print(f"scans arrived            {len(whole)}")
        print(f"kills                    {given.kills}")
        print(f"judged exactly once      {sum(n == 1 for n in times.values())}")
        print(f"judged more than once    {sum(n > 1 for n in times.values())}")
        print(f"by their whole content   {right}")
        print(f"films in results.json    {films}")
        print(f"seconds                  {time.monotonic() - begun:.0f}")
        return 0 if set(times.values()) == {1} and len(times) == films == given.files else 1


if __name__ == "__main__":
    sys.exit(main())
