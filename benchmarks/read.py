"""How fast scans are read, beside pandas' C parser on the same file, and in how much memory.

python benchmarks/read.py           # ratios for 3500 lines, and a 200 MB file
python benchmarks/read.py --small   # ratios alone
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import timeit
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd

from xrdfilm.readers import read_scan


def compare(what: str, ours: Callable[[], object], pandas: Callable[[], object]) -> None:
    """The fastest of many short rounds in turn: what the machine can do when left alone."""
    best = [float("inf"), float("inf")]
    for _ in range(40):
        for at, run in enumerate((ours, pandas)):
            best[at] = min(best[at], timeit.timeit(run, number=8) / 8 * 1e3)
    print(f"{what:<28} {best[0]:.3f} ms, pandas {best[1]:.3f} ms, ratio {best[0] / best[1]:.2f}")


def drawn(points: int) -> tuple[np.ndarray, np.ndarray]:
    """A scan of two lines on a background."""
    x = np.linspace(10.0, 80.0, points)
    strong = 3e4 * np.exp(-0.5 * ((x - 38.5) / 0.1) ** 2)
    weak = 900.0 * np.exp(-0.5 * ((x - 46.6) / 0.2) ** 2)
    return x, np.random.default_rng(1).poisson(200.0 + strong + weak)


def small(folder: Path) -> None:
    x, y = drawn(3500)
    path = folder / "small.xy"
    table = np.column_stack([x, y])
    for separator, words in ((" ", "blanks"), ("\t", "tabs"), (",", "commas"), (";", "semicolons")):
        np.savetxt(path, table, fmt=["%.4f", "%d"], delimiter=separator)
        compare(
            f"3500 lines, {words}",
            lambda: read_scan(path),
            lambda sep=separator: pd.read_csv(path, sep=sep, header=None),
        )
    lines = "".join(f"{a:.4f} {b}\n" for a, b in zip(x, y, strict=True))
    path.write_text("# Anode: Cu\n# 2theta counts\n" + lines)
    compare(
        "3500 lines, header",
        lambda: read_scan(path),
        lambda: pd.read_csv(path, sep=r"\s+", header=None, comment="#"),
    )
    path.write_text(lines.replace(".", ",").replace(" ", "\t"))
    compare(
        "3500 lines, decimal commas",
        lambda: read_scan(path),
        lambda: pd.read_csv(path, sep="\t", decimal=",", header=None),
    )
    path.write_text(lines.replace(" ", " 1.0 ok "))
    compare(
        "3500 lines, words in rows",
        lambda: read_scan(path, columns=(1, 4)),
        lambda: pd.read_csv(path, sep=r"\s+", header=None),
    )


_MEASURE = """
import resource, sys, time
from xrdfilm.readers import read_scan
read_scan(sys.argv[2])
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
begun = time.perf_counter()
scan = read_scan(sys.argv[1])
took = time.perf_counter() - begun
peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(f"{len(scan):,} points in {took:.1f} s, peak memory {peak:.0f} MiB ({before:.0f} before), "
      f"the arrays themselves {2 * scan.counts.nbytes / 2**20:.0f} MiB")
"""


def large(folder: Path, clean: bool) -> None:
    path, seed = folder / "large.xy", folder / "seed.xy"
    block = 100_000
    written = 0
    counts = np.random.default_rng(2).poisson(200.0, block)
    seed.write_text("".join(f"{20 + i * 0.01:.2f} {100 + i}\n" for i in range(50)))
    with path.open("w") as file:
        if not clean:
            file.write("1 film of 10 m\n")
        at = 0
        while written < 200_000_000:
            text = "".join(f"{5 + (at + i) * 1e-5:.5f} {n}\n" for i, n in enumerate(counts))
            written += file.write(text)
            at += block
    size = path.stat().st_size / 1e6
    command = [sys.executable, "-c", _MEASURE, str(path), str(seed)]
    run = subprocess.run(command, capture_output=True, text=True)
    what = "clean" if clean else "line by line"
    print(f"{size:.0f} MB, {what}: {run.stdout.strip() or run.stderr[-400:]}")


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        small(Path(name))
        if "--small" not in sys.argv:
            large(Path(name), clean=True)
            large(Path(name), clean=False)
