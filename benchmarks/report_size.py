"""Size and speed of a 300-film report: judged by the whole chain, written, opened in a browser.

    python benchmarks/report_size.py [FILMS] [DISTINCT]

Simulates DISTINCT films of the demo's tape (3501 points each, most with a rocking scan, some with
an azimuth scan, some unconverted), judges them against the demo's limits, and repeats them under
other names up to FILMS (by default all differ). Prints megabytes by part, seconds to write, and
(where chromium and playwright are installed) the seconds until the run's page can be filtered and
sorted.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from xrdfilm.analysis.picture import FilmPicture
from xrdfilm.crystal import load_phase
from xrdfilm.demo import demo_stack, write_demo
from xrdfilm.intensity.optics import Optics
from xrdfilm.report import write_report
from xrdfilm.results import RunResult
from xrdfilm.runs.gather import gather_runs
from xrdfilm.runs.judge import judge_run
from xrdfilm.simulate import (
    BufferTexture,
    SimulatedFilm,
    fluoride,
    simulate_azimuth,
    simulate_rocking,
    simulate_scan,
)
from xrdfilm.simulate.files import write_scan

MOST_MEGABYTES = 20.0
MOST_SECONDS = 2.0
OMEGA_DEG = np.linspace(-12.0, 12.0, 241)


def write_run(folder: Path, number: int) -> None:
    """A run of so many films, each with its own shares, mosaic, displacement and noise."""
    write_demo(folder)  # for its limits, and the head of its run file
    head = (folder / "run.toml").read_text("utf-8").split("[[film]]")[0]
    rng = np.random.default_rng(1)
    stack, optics = demo_stack(), Optics(axial_stated=True, step_time_s=1.0)
    tables = []
    for i in range(number):
        a, r, mosaic = rng.uniform(0.0, 0.25), rng.uniform(0.0, 0.06), rng.uniform(3.0, 6.0)
        minor = ()
        if i % 5 == 4:
            minor = (fluoride(load_phase("BaF2"), rng.uniform(0.01, 0.12)),)
        film = SimulatedFilm(
            stack=stack, c_axis=1.0 - a - r, a_axis=a, random=r, minor=minor,
            c_mosaic_fwhm_deg=mosaic, a_mosaic_fwhm_deg=mosaic, buffers=(BufferTexture(6.0),),
        )  # fmt: skip
        scan, _ = simulate_scan(film, optics, seed=i, displacement_um=rng.normal(0.0, 40.0))
        write_scan(folder / f"c{i}.xy", scan)
        table = [f'[[film]]\nid = "film-{i:03d}"\nposition_m = {i}\ncoupled = "c{i}.xy"']
        if i % 6 != 5:
            omega, _ = simulate_rocking(film, optics, (0, 0, 5), omega_deg=OMEGA_DEG, seed=i)
            write_scan(folder / f"w{i}.xy", omega)
            table.append(f'rocking = {{ hkl = [0, 0, 5], file = "w{i}.xy" }}')
        if i % 6 == 0:
            phi, _ = simulate_azimuth(film, optics, twist_fwhm_deg=5.8, seed=i)
            write_scan(folder / f"phi{i}.xy", phi)
            table.append(f'azimuth = {{ hkl = [1, 0, 3], file = "phi{i}.xy" }}')
        tables.append("\n".join(table))
    (folder / "run.toml").write_text("\n\n".join([head, *tables]) + "\n", "utf-8")


def judged(films: int, distinct: int) -> tuple[RunResult, dict[str, FilmPicture]]:
    """The record and the pictures of a run of ``films``, ``distinct`` ones in turn."""
    with tempfile.TemporaryDirectory() as place:
        write_run(Path(place), min(films, distinct))
        (planned,) = gather_runs([Path(place)])
        run = judge_run(planned)
    records, pictures = [], {}
    for i in range(films):
        film = run.result.films[i % len(run.result.films)]
        name = f"film-{i:03d}"
        records.append(film.model_copy(update={"film": name, "position_m": 0.4 * i}))
        if film.film in run.pictures:
            pictures[name] = run.pictures[film.film]
    return run.result.model_copy(update={"films": records}), pictures


def megabytes(paths: list[Path]) -> float:
    return sum(path.stat().st_size for path in paths) / 1e6


def seconds_until_usable(index: Path) -> Mapping[str, float] | None:
    """From asking for the page until it is drawn, a filter is carried out, a column is sorted."""
    chromium = shutil.which("chromium")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return None
    if chromium is None:
        return None
    drawn = "new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page()
        taken = {}
        start = time.perf_counter()
        page.goto(index.as_uri())
        page.evaluate(drawn)
        taken["drawn"] = time.perf_counter() - start
        page.get_by_label("Pass").uncheck()
        page.evaluate(drawn)
        taken["filtered too"] = time.perf_counter() - start
        page.locator("thead button").nth(2).click()
        page.evaluate(drawn)
        taken["sorted too"] = time.perf_counter() - start
        browser.close()
    return taken


def main(films: int = 300, distinct: int = 300) -> None:
    result, pictures = judged(films, distinct)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        start = time.perf_counter()
        report = write_report(result, pictures, out, pdf=False)
        pages_s = time.perf_counter() - start
        start = time.perf_counter()
        report = write_report(result, pictures, out, pdf=True)
        print(f"{films} films, {min(films, distinct)} of them distinct, by the whole chain")
        print(f"written without PDF in {pages_s:.1f} s")
        print(f"and with PDF in {time.perf_counter() - start:.1f} s")
        parts = {
            "pages": [report.index, *report.sheets.values(), *(out / "assets").iterdir()],
            "PDF": [out / "report.pdf"],
            "results.json": [report.results],
            "CSV": [path for path in report.tables if ".csv" in path.suffixes],
            "Parquet": [path for path in report.tables if path.suffix == ".parquet"],
        }
        for name, paths in parts.items():
            each = 1e3 * megabytes(paths) / films
            print(f"{name:>14}: {megabytes(paths):6.2f} MB, {each:5.1f} kB a film")
        whole = megabytes([path for path in out.rglob("*") if path.is_file()])
        print(f"{'in all':>14}: {whole:6.2f} MB (asked: under {MOST_MEGABYTES:g})")
        usable = seconds_until_usable(report.index)
        if usable is None:
            print("no browser: the time until usable was not measured")
        else:
            told = ", ".join(f"{name} after {seconds:.2f} s" for name, seconds in usable.items())
            print(f"run page {told} (asked: within {MOST_SECONDS:g})")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:3]))
