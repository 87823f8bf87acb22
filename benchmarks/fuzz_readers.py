"""Feed the readers mangled files: each must end in a scan or in a sentence, in bounded memory.

    python benchmarks/fuzz_readers.py              # 100 000 inputs
    python benchmarks/fuzz_readers.py 1000000 5    # a million, from seed 5 on

Inputs come from `tests/readers`: the corpus in every format, damaged; splices; heaps of tokens; of
every third something is stated (columns, which scan, unit). They are read in a child process with
a cap on its address space, so that a crash of a C library or a runaway allocation counts as a
failure of one seed and the run goes on after it. HDF5 that hangs on a damaged file is cut off by
the reader itself and shows here as slow.
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests" / "readers"))

MEMORY_CAP = 3 * 1024**3
SLOW_S = 2.0


def child(start: int, stop: int, folder: Path) -> None:
    """Read the inputs of some seeds; the last line of the log names the seed under way."""
    import corpus_cif
    import corpus_nexus
    import corpus_text
    import numpy as np
    from mangle import chosen, mangled

    from xrdfilm.errors import ScanAxisError, ScanFormatError
    from xrdfilm.readers import read_scans

    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_CAP, MEMORY_CAP))
    originals = [c.data for part in (corpus_text, corpus_cif, corpus_nexus) for c in part.CASES]
    path, under_way = folder / "input", folder / "seed"
    ends: Counter[str] = Counter()
    slowest = 0.0
    for seed in range(start, stop):
        under_way.write_text(str(seed))
        path.write_bytes(mangled(seed, originals))
        begun = time.perf_counter()
        try:
            for scan in read_scans(path, overrides=chosen(seed)):
                sound = (
                    (np.diff(scan.axis_deg) > 0).all()
                    and np.isfinite(scan.counts).all()
                    and np.isfinite(scan.uncertainty()).all()
                    and (scan.uncertainty() > 0).all()
                )
                if not sound:
                    print(f"FAIL {seed} unsound scan", flush=True)
            ends["scan"] += 1
        except (ScanFormatError, ScanAxisError) as error:
            ends[type(error).__name__] += 1
            if "\n" in str(error):
                print(f"FAIL {seed} message of several lines", flush=True)
        except BaseException as error:
            print(f"FAIL {seed} {type(error).__name__}: {error}", flush=True)
        took = time.perf_counter() - begun
        slowest = max(slowest, took)
        if took > SLOW_S:
            print(f"SLOW {seed} {took:.1f} s", flush=True)
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    counted = " ".join(f"{name}={count}" for name, count in ends.items())
    print(f"DONE {counted} slowest={slowest:.3f} peak={peak:.0f}", flush=True)


def main(count: int, first: int) -> int:
    begun = time.perf_counter()
    ends: Counter[str] = Counter()
    failures: list[str] = []
    slow: list[str] = []
    slowest = peak = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        start, stop = first, first + count
        while start < stop:
            upto = min(start + 10_000, stop)
            command = [sys.executable, __file__, "--child", str(start), str(upto), name]
            run = subprocess.run(command, capture_output=True, text=True)
            for line in run.stdout.splitlines():
                if line.startswith("DONE"):
                    for word in line.split()[1:]:
                        key, _, value = word.partition("=")
                        if key == "slowest":
                            slowest = max(slowest, float(value))
                        elif key == "peak":
                            peak = max(peak, float(value))
                        else:
                            ends[key] += int(value)
                elif line.startswith("SLOW"):
                    slow.append(line)
                else:
                    failures.append(line)
            if run.returncode != 0:
                seed = int((folder / "seed").read_text())
                failures.append(f"CRASH {seed} exit {run.returncode} {run.stderr[-300:]}")
                upto = seed + 1
            start = upto
            print(f"{start - first:>8} inputs, {len(failures)} failures", file=sys.stderr)
    for failure in failures + slow:
        print(failure)
    took = time.perf_counter() - begun
    print(
        f"{count} inputs in {took:.0f} s: " + ", ".join(f"{n} {k}" for k, n in ends.most_common())
    )
    print(
        f"slowest {slowest:.2f} s, peak memory {peak:.0f} MiB, {len(slow)} over {SLOW_S:g} s, "
        f"{len(failures)} failures"
    )
    return 1 if failures else 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["--child"]:
        child(int(sys.argv[2]), int(sys.argv[3]), Path(sys.argv[4]))
    else:
        numbers = [int(word) for word in sys.argv[1:3]]
        sys.exit(
            main(numbers[0] if numbers else 100_000, numbers[1] if len(numbers) > 1 else 10_000)
        )
