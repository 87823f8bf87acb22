"""The report of a watched folder: laid out as that of a run, brought up to date scan by scan."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from xrdfilm.report.html import ASSETS, LICENCES, asset, index_page, sheet_page
from xrdfilm.report.names import slugs
from xrdfilm.report.overview import run_content
from xrdfilm.report.strip import position_strip, quantity_traces
from xrdfilm.report.tables import csv_files
from xrdfilm.report.write import SUMS
from xrdfilm.results import Film, Run, RunResult
from xrdfilm.runs.judge import JudgedRun

SHEETS = "films"


def write_sheet(out: Path, judged: JudgedRun, known: Sequence[str]) -> None:
    """The sheet of a film just judged; ``known`` are the names of all before it and its own, in
    order, from which its address follows."""
    content = run_content(judged.result)
    name = content.films[0].name
    slug = slugs(known)[list(known).index(name)]
    content = replace(content, films=(replace(content.films[0], slug=slug),))
    (out / SHEETS).mkdir(parents=True, exist_ok=True)
    text = sheet_page(content, 0, judged.pictures.get(name), pdf=False)
    replace_file(out / SHEETS / f"{slug}.html", text.encode("utf-8", "replace"))


def write_index(out: Path, run: Run, films: list[Film], *, pages: bool) -> None:
    """results.json, the tables and, with ``pages``, the index of all films so far."""
    result = RunResult(run=run, films=films)
    replace_file(out / "results.json", (result.to_json() + "\n").encode())
    for name, data in csv_files(result):
        replace_file(out / name, data)
    if not pages:
        return
    (out / "assets").mkdir(exist_ok=True)
    for part in (*ASSETS, *LICENCES):
        if not (out / "assets" / part).is_file():
            replace_file(out / "assets" / part, asset(part))
    content = run_content(result)
    strip = position_strip(films, [film.slug for film in content.films])
    text = index_page(content, strip, quantity_traces(films), pdf=False)
    replace_file(out / "index.html", text.encode("utf-8", "replace"))
    names = sorted(
        path.relative_to(out)
        for pattern in (
            "*.html",
            "*.csv",
            "*.csv.zip",
            "results.json",
            f"{SHEETS}/*.html",
            "assets/*",
        )
        for path in out.glob(pattern)
    )
    sums = (
        f"{hashlib.sha256((out / n).read_bytes()).hexdigest()}  {n.as_posix()}\n" for n in names
    )
    replace_file(out / SUMS, "".join(sums).encode())


def replace_file(path: Path, data: bytes) -> None:
    """Write a file so that no reader meets half of it."""
    fresh = path.with_name(f".new-{path.name}")
    fresh.write_bytes(data)
    os.replace(fresh, path)
