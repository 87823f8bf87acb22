"""Size and speed of a 300-film report: written, and opened in a real browser.

    python benchmarks/report_size.py [FILMS] [POINTS]

Prints megabytes by part, seconds to write, and (where chromium and playwright are installed) the
seconds until the run's page can be filtered. Films are the invented ones of the report's tests.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.report import synthetic
from xrdfilm.report import write_report


def megabytes(paths: list[Path]) -> float:
    return sum(path.stat().st_size for path in paths) / 1e6


def seconds_until_usable(index: Path) -> float | None:
    """From asking for the page until a filter has been carried out and drawn."""
    chromium = shutil.which("chromium")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return None
    if chromium is None:
        return None
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page()
        start = time.perf_counter()
        page.goto(index.as_uri())
        page.get_by_label("Pass").uncheck()
        page.evaluate("new Promise((done) => requestAnimationFrame(done))")
        taken = time.perf_counter() - start
        browser.close()
    return taken


def main(films: int = 300, points: int = 3500) -> None:
    result, pictures = synthetic.run(films, points=points)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        start = time.perf_counter()
        report = write_report(result, pictures, out, pdf=False)
        pages_s = time.perf_counter() - start
        start = time.perf_counter()
        report = write_report(result, pictures, out, pdf=True)
        print(f"{films} films of {points} points")
        print(f"written without PDF in {pages_s:.1f} s")
        print(f"and with PDF in {time.perf_counter() - start:.1f} s")
        parts = {
            "pages": [report.index, *report.sheets.values(), *(out / "assets").iterdir()],
            "PDF": [out / "report.pdf"],
            "results.json": [report.results],
            "tables": list(report.tables),
        }
        for name, paths in parts.items():
            print(f"{name:>14}: {megabytes(paths):6.2f} MB")
        whole = [path for path in out.rglob("*") if path.is_file()]
        print(f"{'in all':>14}: {megabytes(whole):6.2f} MB")
        usable = seconds_until_usable(report.index)
        if usable is None:
            print("no browser: the time until usable was not measured")
        else:
            print(f"run page usable after {usable:.2f} s")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:3]))
