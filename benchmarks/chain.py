"""The whole chain from files to verdicts: against a script, the floor, on cores and in length.

    python benchmarks/chain.py [--scans 1000] [--longest 4000] [--json FILE] [--skip PART ...]

Prints, as ratios within one run:

script    the chain on one core against a straightforward script that reads the same scans, takes a
          pybaselines background and fits the same windows with lmfit, once with the lines that
          show and once with all that the chain fits there, those that do not show at their
          places; and against the floor: reading (numpy.loadtxt) and one background (arPLS) alone
cores     one worker process against two
length    processor time a scan and memory of runs of growing length, two workers
cluster   a dask cluster of two local workers against two processes (needs the extra `scale`)
startup   `xrdfilm --help` against a bare Python

Times of one process are of the processor; those of several are of the clock, so other work on the
machine spoils them: the processor time that was used is told beside.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from lmfit.models import LinearModel, PseudoVoigtModel
from long_run import write_run, write_scans
from pybaselines import Baseline

from xrdfilm.analysis.film import FilmAnalyser
from xrdfilm.fitting.engine import LineSpec, WindowSpec
from xrdfilm.runs.chunks import CHUNK_FILMS, Chunk, SharedSetup, judge_chunk
from xrdfilm.runs.gather import PlannedRun
from xrdfilm.runs.setup import RunSetup
from xrdfilm.runs.streaming import judge_to_files
from xrdfilm.runs.workers import single_thread

PARTS = ("script", "cores", "length", "cluster", "startup")
SCRIPT_SCANS = 4
MOST_CALLS = 500  # of a window's function, which spares the script fits that crawl along a bound
BEST_OF = 4


def best_of(times: int, work: Callable[[], Any]) -> float:
    """Least processor time of a few goes, in seconds."""
    cost = []
    for _ in range(times):
        gc.collect()
        begin = time.process_time()
        work()
        cost.append(time.process_time() - begin)
    return min(cost)


def fit_by_script(
    lines: Sequence[LineSpec],
    shows: Sequence[bool],
    x: np.ndarray,
    y: np.ndarray,
    counts: np.ndarray,
    ratio: float,
) -> Any:
    """One window the way a user's script fits it: pseudo-Voigt pairs on a straight line.

    ``y`` are the ``counts`` less the background. A line that does not show (``shows``) has its
    area fitted, at its place and as wide as expected: let loose, it would wander, and cost more.
    """
    model = LinearModel(prefix="ground_")
    for i in range(len(lines)):
        model = model + PseudoVoigtModel(prefix=f"a{i}_") + PseudoVoigtModel(prefix=f"b{i}_")
    p = model.make_params()
    p["ground_slope"].set(value=0.0)
    p["ground_intercept"].set(value=0.0)
    lead = next((i for i, seen in enumerate(shows) if seen), None)
    for i, (line, seen) in enumerate(zip(lines, shows, strict=True)):
        a, b = f"a{i}_", f"b{i}_"
        at = int(np.abs(x - line.two_theta_deg).argmin())
        p[a + "center"].set(
            value=line.two_theta_deg, min=line.two_theta_deg - 0.15, max=line.two_theta_deg + 0.15
        )
        p[a + "sigma"].set(value=line.fwhm_deg / 2, min=0.02, max=0.5)
        p[a + "amplitude"].set(value=max(y[at], 1.0) * line.fwhm_deg)
        p[a + "fraction"].set(value=0.5, min=0, max=1, vary=i == lead)
        if not seen:
            p[a + "center"].set(vary=False)
            p[a + "sigma"].set(vary=False)
        elif i != lead:
            p[a + "sigma"].set(expr=f"a{lead}_sigma")
            p[a + "fraction"].set(expr=f"a{lead}_fraction")
        p[b + "center"].set(expr=f"360/pi*arcsin(sin({a}center*pi/360)*{ratio})")
        p[b + "sigma"].set(expr=a + "sigma")
        p[b + "fraction"].set(expr=a + "fraction")
        p[b + "amplitude"].set(expr=f"0.5*{a}amplitude")
    weights = 1 / np.sqrt(np.maximum(counts, 1))
    return model.fit(y, p, x=x, weights=weights, scale_covar=False, max_nfev=MOST_CALLS)


def against_script(planned: PlannedRun) -> dict[str, float]:
    setup = RunSetup.of(planned)
    films = planned.films[:CHUNK_FILMS]
    chunk = Chunk(0, SharedSetup.of(setup), films, with_pictures=False)
    paths = [planned.path_of(str(film.coupled)) for film in films]
    analyser = FilmAnalyser()
    inputs = [setup.film_input(film, setup.read_scans(film)) for film in films[:SCRIPT_SCANS]]
    fits = analyser.fit([(item.premises, item.coupled) for item in inputs])
    plan = fits[0].fits.block.plan  # type: ignore[union-attr]
    rays = inputs[0].premises.optics.radiation
    assert rays.k_alpha2_A is not None
    ratio = rays.k_alpha2_A / rays.k_alpha1_A
    seen = {
        line.reflection
        for line in fits[0].lines
        if line.significance > 5.0  # type: ignore[union-attr]
    }
    every = [
        (window, [(line, line.members[0] in seen) for line in window.lines
                  if window.low_deg < line.two_theta_deg < window.high_deg])
        for window in plan.windows
    ]  # fmt: skip
    shown = [(window, [pair for pair in lines if pair[1]]) for window, lines in every]
    every, shown = ([pair for pair in windows if pair[1]] for windows in (every, shown))

    def floor() -> None:
        for path in paths:
            x, y = np.loadtxt(path).T
            Baseline(x).arpls(y, lam=1e6)

    def script(windows: list[tuple[WindowSpec, list[tuple[LineSpec, bool]]]]) -> None:
        for path in paths[:SCRIPT_SCANS]:
            x, counts = np.loadtxt(path).T
            y = counts - Baseline(x).arpls(counts, lam=1e6)[0]
            for window, pairs in windows:
                inside = (x >= window.low_deg) & (x <= window.high_deg)
                lines, shows = zip(*pairs, strict=True)
                fit_by_script(lines, shows, x[inside], y[inside], counts[inside], ratio)

    judge_chunk(chunk)  # tables are opened once a process
    chain = best_of(BEST_OF, lambda: judge_chunk(chunk)) / len(films)
    ground = best_of(BEST_OF, floor) / len(paths)
    print(f"one core, {len(inputs[0].coupled or ())} points; milliseconds of the processor a scan")
    print(f"  chain to the verdict          {chain * 1e3:9.1f}")
    print(
        f"  floor: parse, one background  {ground * 1e3:9.1f}   chain is {chain / ground:.1f} "
        "times it (goal 3)"
    )
    found = {"chain_ms": chain * 1e3, "floor_ms": ground * 1e3}
    for name, windows in (("script", shown), ("whole_script", every)):
        took = best_of(1, lambda windows=windows: script(windows)) / SCRIPT_SCANS
        number = sum(len(pairs) for _, pairs in windows)
        print(
            f"  lmfit + pybaselines script    {took * 1e3:9.1f}   chain is {took / chain:.0f} "
            f"times as fast (goal 80); {number} lines in {len(windows)} windows"
        )
        found |= {f"{name}_ms": took * 1e3, f"{name}_lines": number}
    print(
        f"  the chain fits {sum(len(window.lines) for window in plan.windows)} lines in "
        f"{len(plan.windows)} windows, twice, and then does all that follows"
    )
    return found


def _tree(root: int) -> set[int]:
    """A process and all that it started, directly or not."""
    parents: dict[int, int] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                after = (entry / "stat").read_text().rsplit(")", 1)[1].split()
            except OSError:
                continue
            parents[int(entry.name)] = int(after[1])
    tree, grown = {root}, True
    while grown:
        more = {pid for pid, parent in parents.items() if parent in tree} - tree
        tree |= more
        grown = bool(more)
    return tree


def _seen(root: int, spent_s: dict[int, float]) -> float:
    """Memory (proportional set size, MiB) of a process and all that it started; notes what
    processor time each has spent."""
    kib = 0
    for pid in _tree(root):
        try:
            rolled = Path(f"/proc/{pid}/smaps_rollup").read_text()
            after = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        kib += sum(int(row.split()[1]) for row in rolled.splitlines() if row.startswith("Pss:"))
        spent_s[pid] = (int(after[11]) + int(after[12])) / os.sysconf("SC_CLK_TCK")
    return kib / 1024.0


def run_once(planned: PlannedRun, workers: int, out: Path) -> dict[str, float]:
    """Judge a run by the command line in worker processes, and watch them ten times a second."""
    begin = time.perf_counter()
    spent_s: dict[int, float] = {}
    most = 0.0
    words = ["judge", str(planned.folder), "--results-only", "--out", str(out)]
    with subprocess.Popen(
        [sys.executable, "-m", "xrdfilm", *words, "--workers", str(workers)],
        stdout=subprocess.DEVNULL,
    ) as process:
        while process.poll() is None:
            most = max(most, _seen(process.pid, spent_s))
            time.sleep(0.1)
    return {
        "films": len(planned.films),
        "wall_s": time.perf_counter() - begin,
        "cpu_s": sum(spent_s.values()),
        "memory_mib": most,
    }


def on_cores(scans: list[Path], number: int, work: Path) -> dict[str, Any]:
    planned = write_run(work / "cores", scans, number)
    one = run_once(planned, 1, work / "one")
    two = run_once(planned, 2, work / "two")
    same = (work / "one/results.json").read_bytes() == (work / "two/results.json").read_bytes()
    gain = one["wall_s"] / two["wall_s"]
    load = os.getloadavg()[0]
    print(f"cores, {number} scans (other work on the machine: load {load:.1f} at the end)")
    for count, found in ((1, one), (2, two)):
        print(
            f"  {count} worker{'s' * (count > 1)}: {found['wall_s']:7.1f} s of the clock, "
            f"{found['cpu_s']:7.1f} s of the processor"
        )
    print(f"  two are {gain:.2f} times one (goal 1.85); results the same to the byte: {same}")
    return {"one": one, "two": two, "gain": gain, "same": same, "load": load}


def in_length(scans: list[Path], longest: int, work: Path) -> list[dict[str, float]]:
    lengths = [n for n in (250, 1000, 4000, 16000, 100_000) if n <= longest]
    print("length, two workers")
    rows = []
    for number in lengths:
        planned = write_run(work / f"length{number}", scans, number)
        found = run_once(planned, 2, work / f"out{number}")
        found["ms"] = 1e3 * found["cpu_s"] / number
        rows.append(found)
        print(
            f"  {number:7d} scans: {found['ms']:6.1f} ms of the processor a scan, "
            f"{found['memory_mib']:5.0f} MiB at most (goal 600)"
        )
    if len(rows) > 1:
        first, last = rows[-2], rows[-1]
        number = last["films"] - first["films"]
        each = (last["cpu_s"] - first["cpu_s"]) / number
        ratio = 1e3 * each / last["ms"]
        print(
            f"  from {first['films']:.0f} to {last['films']:.0f}: {1e3 * each:.1f} ms for each "
            f"further scan, {ratio:.2f} times the mean; memory "
            f"{last['memory_mib'] - first['memory_mib']:+.0f} MiB"
        )
    return rows


def on_cluster(scans: list[Path], number: int, work: Path) -> dict[str, float]:
    from distributed import LocalCluster

    from xrdfilm.runs.cluster import Cluster

    planned = write_run(work / "cluster", scans, number)
    local = run_once(planned, 2, work / "processes")
    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
        ) as here,
        Cluster(here.scheduler_address) as place,
    ):
        few = replace(planned, films=planned.films[: 4 * CHUNK_FILMS], out_dir=work / "warm")
        judge_to_files(few, executor=place, workers=2)
        begin = time.perf_counter()
        target = replace(planned, out_dir=work / "by_cluster")
        judge_to_files(target, executor=place, workers=2)
        wall = time.perf_counter() - begin
    same = (work / "processes/results.json").read_bytes() == (
        work / "by_cluster/results.json"
    ).read_bytes()
    print(
        f"cluster of two local workers, {number} scans: {wall:.1f} s; two processes: "
        f"{local['wall_s']:.1f} s; ratio {wall / local['wall_s']:.2f}; the same to the byte: {same}"
    )
    return {"cluster_s": wall, "processes_s": local["wall_s"], "same": same}


def startup() -> dict[str, float]:
    def cost(words: list[str]) -> float:
        spent = []
        for _ in range(15):
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            subprocess.run(words, stdout=subprocess.DEVNULL, check=True)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            spent.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
        return min(spent)

    bare = cost([sys.executable, "-c", "pass"])
    found = {"bare_ms": bare * 1e3}
    script = str(Path(sys.executable).with_name("xrdfilm"))
    for name, words in (("help", [script]), ("module", [sys.executable, "-m", "xrdfilm"])):
        shown = cost([*words, "--help"])
        found[f"{name}_ms"] = shown * 1e3
        print(
            f"{' '.join(Path(word).name for word in words)} --help: {shown * 1e3:.1f} ms of the "
            f"processor, bare Python {bare * 1e3:.1f} ms: {shown / bare:.2f} times it (goal 3)"
        )
    return found


def main() -> None:
    if os.environ.get("OMP_NUM_THREADS") != "1":  # must stand before numpy is loaded
        single_thread()
        os.execv(sys.executable, [sys.executable, *sys.argv])
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])  # type: ignore[union-attr]
    parser.add_argument("--scans", type=int, default=1000, help="films of the runs on cores")
    parser.add_argument("--longest", type=int, default=4000, help="films of the longest run")
    parser.add_argument("--simulated", type=int, default=200, help="scans that differ")
    parser.add_argument("--skip", nargs="*", choices=PARTS, default=[])
    parser.add_argument("--json", type=Path, help="write the figures here too")
    wanted = parser.parse_args()
    found: dict[str, Any] = {}
    with tempfile.TemporaryDirectory() as folder:
        work = Path(folder)
        scans = write_scans(work / "scans", wanted.simulated)
        if "script" not in wanted.skip:
            few = write_run(work / "few", scans, CHUNK_FILMS)
            found["script"] = against_script(few)
        if "cores" not in wanted.skip:
            found["cores"] = on_cores(scans, wanted.scans, work)
        if "length" not in wanted.skip:
            found["length"] = in_length(scans, wanted.longest, work)
        if "cluster" not in wanted.skip:
            found["cluster"] = on_cluster(scans, wanted.scans // 2, work)
    if "startup" not in wanted.skip:
        found["startup"] = startup()
    if wanted.json is not None:
        wanted.json.parent.mkdir(parents=True, exist_ok=True)
        wanted.json.write_text(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
