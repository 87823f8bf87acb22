"""The whole report of a run, written into a folder.

Everything is made in a new folder inside the target first and moved into place file by file, so
that a reader never meets half a file. A report that was there before is kept under ``earlier/``.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from xrdfilm.analysis.picture import FilmPicture
from xrdfilm.errors import XrdfilmError
from xrdfilm.report.html import ASSETS, LICENCES, asset, index_page, sheet_page
from xrdfilm.report.overview import RunContent, run_content
from xrdfilm.report.strip import position_strip, quantity_traces
from xrdfilm.report.tables import TABLES, csv_bytes, csv_name, parquet_bytes
from xrdfilm.results import RunResult

SUMS = "SHA256SUMS"
EARLIER = "earlier"


@dataclass(frozen=True, slots=True)
class ReportPaths:
    """Where the parts of a report are.

    ``sheets`` is keyed by the film's name (the last one's where a name stands twice). ``earlier``
    is where the report that was there before was kept. ``notes`` are sentences for the user: what
    was kept, what could not be made.
    """

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
    progress: Callable[[int, int], None] | None = None,
) -> ReportPaths:
    """Write results.json, the pages, the tables and the PDF into ``out_dir``.

    ``pictures`` is keyed by the film's name; a film without a picture gets a sheet without plot.
    ``progress`` is called with (sheets done, sheets in all). Raises XrdfilmError where the folder
    cannot be written.
    """
    out_dir = Path(out_dir)
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        fresh = Path(tempfile.mkdtemp(prefix=".new-report-", dir=out_dir))
    except OSError as problem:
        raise XrdfilmError(
            f"{out_dir}: the report cannot be written there ({problem.strerror}); "
            "name another folder with --out"
        ) from None
    try:
        content = run_content(result)
        notes = _make(result, content, pictures, fresh, pdf=pdf, progress=progress)
        _write_sums(fresh)
        earlier = _keep_earlier(out_dir, fresh, drawn=bool(pictures))
        _move_in(fresh, out_dir)
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
    if earlier is not None:
        notes.append(f"The report that was there before is kept in {earlier}.")
    tables = [*map(csv_name, TABLES), *(f"{name}.parquet" for name in TABLES)]
    report = out_dir / "report.pdf"
    return ReportPaths(
        folder=out_dir,
        index=out_dir / "index.html",
        results=out_dir / "results.json",
        sheets={film.name: out_dir / "films" / f"{film.slug}.html" for film in content.films},
        tables=tuple(out_dir / name for name in tables if (out_dir / name).is_file()),
        pdf=report if pdf else None,
        earlier=earlier,
        notes=tuple(notes),
    )


def _make(
    result: RunResult,
    content: RunContent,
    pictures: Mapping[str, FilmPicture],
    folder: Path,
    *,
    pdf: bool,
    progress: Callable[[int, int], None] | None,
) -> list[str]:
    """Every file of the report, into an empty folder; returns what to tell the user."""
    notes: list[str] = []
    (folder / "films").mkdir()
    (folder / "assets").mkdir()
    (folder / "results.json").write_text(result.to_json() + "\n", encoding="utf-8")
    for name in (*ASSETS, *LICENCES):
        (folder / "assets" / name).write_bytes(asset(name))
    slugs = [film.slug for film in content.films]
    strip = position_strip(result.films, slugs)
    page = index_page(content, strip, quantity_traces(result.films), pdf=pdf)
    (folder / "index.html").write_text(page, encoding="utf-8", errors="replace")
    for index, film in enumerate(content.films):
        page = sheet_page(content, index, pictures.get(film.name), pdf=pdf)
        (folder / "films" / f"{film.slug}.html").write_text(
            page, encoding="utf-8", errors="replace"
        )
        if progress is not None:
            progress(index + 1, len(content.films))
    for name, make_frame in TABLES.items():
        frame = make_frame(result)
        (folder / csv_name(name)).write_bytes(csv_bytes(name, frame))
        packed = parquet_bytes(frame)
        if packed is not None:
            (folder / f"{name}.parquet").write_bytes(packed)
    if not (folder / "films.parquet").is_file():
        notes.append(
            "No Parquet tables were written: pyarrow is missing (pip install 'xrdfilm[scale]')."
        )
    if pdf:
        from xrdfilm.report.document import write_pdf

        write_pdf(content, pictures, folder / "report.pdf", strip=strip)
    return notes


def _files(folder: Path) -> list[Path]:
    """Every file below ``folder``, relative, sorted."""
    return sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())


def _write_sums(folder: Path) -> None:
    """The digests of all files, in the form that ``sha256sum --check`` reads."""
    lines = [
        f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()}  {name.as_posix()}\n"
        for name in _files(folder)
    ]
    (folder / SUMS).write_text("".join(lines), encoding="utf-8")


def _listed(folder: Path) -> list[Path]:
    """The files that an earlier report in ``folder`` says are its own and that are still there."""
    sums = folder / SUMS
    if not sums.is_file():
        return []
    names = [line[66:] for line in sums.read_text("utf-8", errors="replace").splitlines()]
    inside = [Path(name) for name in names if name and ".." not in Path(name).parts]
    return [p for p in (*inside, Path(SUMS)) if not p.is_absolute() and (folder / p).is_file()]


def _keep_earlier(out_dir: Path, fresh: Path, *, drawn: bool) -> Path | None:
    """Move what the new report would replace, and the rest of the old one, out of the way.

    Nothing is kept where the results are the same, to the byte: then only the pages are made anew.
    Pages without drawings (``drawn`` false) never take the place of others so.
    """
    old, new = out_dir / "results.json", fresh / "results.json"
    listed = _listed(out_dir)
    if drawn and old.is_file() and old.read_bytes().strip() == new.read_bytes().strip():
        for name in set(listed) - set(_files(fresh)):
            (out_dir / name).unlink()
        return None
    replaced = [name for name in _files(fresh) if (out_dir / name).is_file()]
    names = dict.fromkeys([*listed, *replaced])
    if not names:
        return None
    number = 1
    while (out_dir / EARLIER / f"{number:03d}").exists():
        number += 1
    kept = out_dir / EARLIER / f"{number:03d}"
    for name in names:
        target = kept / name
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(out_dir / name, target)
    return kept


def _move_in(fresh: Path, out_dir: Path) -> None:
    """Each file into its place; the index last, so that it never points at what is not there."""
    names = sorted(_files(fresh), key=lambda name: name.name in ("index.html", SUMS))
    for name in names:
        (out_dir / name).parent.mkdir(parents=True, exist_ok=True)
        os.replace(fresh / name, out_dir / name)
