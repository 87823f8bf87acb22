"""A million films in the history: how long storing and asking takes, and how large the file is.

Run: python benchmarks/history.py [--runs 3334] [--films 300] [--lines 8] [--keep FILE]

Each film has 14 quantities, two scans and a recipe of 12 numbers. Times are the best of three,
told also against a bare read of the same rows.
"""

from __future__ import annotations

import argparse
import datetime
import hashlib
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from xrdfilm.history import History, open_history
from xrdfilm.history.columns import Columns
from xrdfilm.history.query import film_figures, run_figures
from xrdfilm.history.record import FilmRecord, RunRecord
from xrdfilm.trend.analyse import trend_of

QUANTITIES = {
    "fluoride_volume_fraction": (0.002, 0.003),
    "fluoride_volume_fraction_aligned": (0.002, 0.003),
    "fluoride_volume_fraction_random": (0.02, 0.03),
    "conversion": (0.98, 0.01),
    "hf_bound_ug_cm2": (0.4, 0.3),
    "c_axis_fraction": (0.93, 0.02),
    "a_axis_fraction": (0.03, 0.01),
    "random_fraction": (0.02, 0.01),
    "other_fraction": (0.02, 0.01),
    "c_A": (11.68, 0.003),
    "displacement_um": (20.0, 15.0),
    "zero_deg": (0.0, 0.004),
    "rocking_fwhm_deg": (2.0, 0.1),
    "azimuth_fwhm_deg": (3.5, 0.2),
}
SETTINGS = {"level": 0.95, "alpha": 0.05, "beta": 0.05, "background": "clipped", "stack": "YBCO"}


def made_record(number: int, films: int, lines: int) -> RunRecord:
    rng = np.random.default_rng(number)
    day = datetime.date(2020, 1, 1) + datetime.timedelta(days=number // 3)
    columns = {}
    for name, (centre, sigma) in QUANTITIES.items():
        own = sigma * rng.uniform(0.3, 0.5, films)
        model = np.full(films, 0.4 * sigma)
        both = np.hypot(own, model)
        x = rng.normal(centre, np.hypot(sigma, own))
        columns[name] = Columns(
            x,
            x - 1.96 * both,
            x + 1.96 * both,
            np.full(films, 0.95),
            x.copy(),
            both,
            {"counting": own, "model": model},
        )
    made = []
    for i in range(films):
        name = f"R-{number:05d}-{i:03d}"
        files = {
            f"{name}-{kind}.xy": hashlib.sha256(f"{name}{kind}".encode()).hexdigest()
            for kind in ("coupled", "rocking")
        }
        good = columns["a_axis_fraction"].centre[i] < 0.05
        judged = (
            {
                "quantity": "a_axis_fraction",
                "limit": {"max": 0.05, "risk": 0.05},
                "outcome": "pass" if good else "fail",
            },
            {"quantity": "conversion", "limit": {"min": 0.95}, "outcome": "pass"},
        )
        made.append(
            FilmRecord(name, 0.4 * i, "pass" if good else "fail", None, {}, files, SETTINGS, judged)
        )
    recipe: dict[str, Any] = {f"parameter_{i:02d}": float(rng.normal()) for i in range(12)}
    return RunRecord(
        f"R-{number:05d}",
        day.isoformat(),
        None,
        "0.1",
        recipe | {"line": f"line {number % lines}"},
        ({"date": day.isoformat(), "text": "ink lot"},) if number % 50 == 0 else (),
        tuple(made),
        columns,
    )


def best(function: Callable[[], object], repeats: int = 3) -> float:
    times = []
    for _ in range(repeats):
        begun = time.perf_counter()
        function()
        times.append(time.perf_counter() - begun)
    return min(times)


def fill(history: History, runs: int, films: int, lines: int) -> None:
    """Runs with the log not flushed, as only a benchmark may."""
    history.connection.execute("PRAGMA synchronous = OFF")
    for number in range(runs):
        history.store(made_record(number, films, lines))
        if number % 500 == 499:
            print(f"  {(number + 1) * films} films", flush=True)
    history.connection.execute("PRAGMA synchronous = FULL")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=3334)
    parser.add_argument("--films", type=int, default=300)
    parser.add_argument("--lines", type=int, default=8)
    parser.add_argument("--keep", type=Path, help="keep the history here (and use it if there)")
    stated = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = stated.keep or Path(folder) / "history.sqlite3"
        fresh = not path.exists()
        with open_history(path) as history:
            if fresh:
                begun = time.perf_counter()
                fill(history, stated.runs, stated.films, stated.lines)
                print(f"filled in {time.perf_counter() - begun:.0f} s")
            history.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        films = stated.runs * stated.films
        size = path.stat().st_size
        print(
            f"{films} films, {len(QUANTITIES)} quantities: {size / 1e6:.0f} MB, "
            f"{size / films:.0f} bytes a film"
        )

        def ask(last: int | None) -> Callable[[], object]:
            def asked() -> None:
                with open_history(path, must_exist=True) as history:
                    trend_of(history, "a_axis_fraction", line="line 3", last=last, freeze=False)

            return asked

        def rows() -> None:
            with open_history(path, must_exist=True) as history:
                run_figures(history, "a_axis_fraction", line="line 3")

        def every_film() -> None:
            with open_history(path, must_exist=True) as history:
                film_figures(history, "a_axis_fraction", line="line 3")

        begun = time.perf_counter()
        ask(200)()
        first = time.perf_counter() - begun
        bare = best(rows)
        for words, seconds in (
            ("the rows alone (one quantity, one line)", bare),
            ("trend, the first asked of a process", first),
            ("trend, the newest 200 runs", best(ask(200))),
            ("trend, every run of the line", best(ask(None))),
            ("figures of every film of the line", best(every_film)),
        ):
            print(f"{words:45s} {seconds * 1e3:7.1f} ms   {seconds / bare:6.1f} × the rows")
        number = stated.runs + int(time.time()) % 100_000  # a new run even in a kept history
        record = made_record(number, 300, stated.lines)
        with open_history(path) as history:
            begun = time.perf_counter()
            history.store(record)
            taken = time.perf_counter() - begun
            again = best(lambda: history.store(record))
        print(
            f"storing a run of 300 films: {taken * 1e3:.0f} ms; again, changing nothing: "
            f"{again * 1e3:.0f} ms"
        )


if __name__ == "__main__":
    main()
