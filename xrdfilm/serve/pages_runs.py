"""Pages of runs: the list, a run's index, a film's sheet, the files to take away, and its jobs."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response

from xrdfilm.errors import XrdfilmError
from xrdfilm.history.query import summaries
from xrdfilm.report.html import ASSETS, asset, drawn
from xrdfilm.report.overview import WORST_FIRST, run_content
from xrdfilm.report.strip import position_strip, quantity_traces
from xrdfilm.results import RunResult
from xrdfilm.serve.adjusting import adjust_rows
from xrdfilm.serve.context import (
    back_to,
    checked_form,
    page,
    run_of,
    setup_of,
)
from xrdfilm.serve.desk import DeskRun

_TAKEN_AWAY = re.compile(
    r"(results\.json|report\.pdf|SHA256SUMS|(films|limits|lines)\.(csv|csv\.zip|parquet))"
)
_OWN_ASSETS = {
    "desk.css": "text/css",
    "desk.js": "text/javascript",
    "compare.js": "text/javascript",
}
_TYPES = {"css": "text/css", "js": "text/javascript"}
_SHOWN = 100


def runs_page(request: Request) -> Response:
    """All runs: those on the desk, and what the history holds."""
    setup = setup_of(request)
    problem = ""
    known = []
    try:
        with setup.history() as history:
            known = summaries(history, last=_SHOWN)[::-1]
    except XrdfilmError as found:
        problem = str(found)
    on_desk = [
        {
            "key": run.key,
            "name": run.name,
            "state": run.state(),
            "job": setup.jobs.of_run(run.key),
            "files": len(run.files()),
        }
        for run in setup.desk.runs()
    ]
    return page(
        request,
        "runs.html.jinja",
        {"on_desk": on_desk, "known": known, "problem": problem, "rank": WORST_FIRST},
    )


def run_page(request: Request) -> Response:
    """A run's index with what can be done to it."""
    run = run_of(request)
    setup = setup_of(request)
    job = setup.jobs.of_run(run.key)
    if job is not None:
        return back_to(f"/job/{job.key}")
    result = run.result()
    if result is None:
        return back_to(f"/run/{run.key}/state")
    content = run_content(result)
    slugs = [film.slug for film in content.films]
    return page(
        request,
        "run.html.jinja",
        {
            "run": content,
            "key": run.key,
            "state": run.state(),
            "signed": _signed(result),
            "strip": position_strip(result.films, slugs),
            "traces": quantity_traces(result.films),
            "pdf": (run.judged / "report.pdf").is_file(),
            "has_position": any(f.position_m is not None for f in content.films),
            "rank": {verdict: rank for rank, verdict in enumerate(WORST_FIRST)},
        },
    )


def _signed(result: RunResult) -> dict[str, Any]:
    """Who adjusted the run and why; empty where nobody did."""
    found = [film.provenance.settings.get("adjusted") or {} for film in result.films]
    return next((f for f in found if f), {})


def film_page(request: Request) -> Response:
    """A film's sheet with the panel to adjust its fit."""
    run = run_of(request)
    result = run.result()
    if result is None:
        raise HTTPException(404, "this run was not judged yet")
    content = run_content(result)
    slugs = [film.slug for film in content.films]
    slug = request.path_params["slug"]
    if slug not in slugs:
        raise HTTPException(404, "no such film in this run")
    return film_answer(request, run, result, slug, [], {})


def film_answer(
    request: Request,
    run: DeskRun,
    result: RunResult,
    slug: str,
    problems: list[str],
    posted: Mapping[str, str],
) -> Response:
    """The sheet, with what was wrong with a posted adjustment and what was posted."""
    content = run_content(result)
    slugs = [film.slug for film in content.films]
    index = slugs.index(slug)
    place = content.order.index(index)
    neighbours = [
        content.films[content.order[i]] if 0 <= i < len(content.order) else None
        for i in (place - 1, place + 1)
    ]
    picture = run.picture(slug)
    film = result.films[index]
    state = run.state()
    return page(
        request,
        "film.html.jinja",
        {
            "run": content,
            "key": run.key,
            "state": state,
            "film": content.films[index],
            "before": neighbours[0],
            "after": neighbours[1],
            "pdf": (run.judged / "report.pdf").is_file(),
            **drawn(None if picture is None else picture["data"]),
            "ghosts": picture["ghosts"] if picture else [],
            "hidden": picture["hidden"] if picture else [],
            "side_titles": picture["side_titles"] if picture else [],
            "plot_words": picture["plot_words"] if picture else "",
            "changed": (state.get("changed") or {}).get(film.film),
            "adjust": adjust_rows(run.run_file(), film, posted),
            "problems": problems,
            "signed": _signed(result),
        },
        400 if problems else 200,
    )


def taken_away(request: Request) -> Response:
    """A file of the report."""
    run = run_of(request)
    name = request.path_params["name"]
    path = run.judged / name
    if not _TAKEN_AWAY.fullmatch(name) or not path.is_file():
        raise HTTPException(404, "no such file in this report")
    shown = name.endswith((".pdf", ".json"))
    return FileResponse(
        path, filename=name, content_disposition_type="inline" if shown else "attachment"
    )


def run_toml(request: Request) -> Response:
    """The run.toml that the page made, or that was dropped."""
    return _as_text(run_of(request).run_file_path, "run.toml")


def limits_toml(request: Request) -> Response:
    """The limit file in force."""
    run = run_of(request)
    path = run.planned().limit_file if run.run_file().limits else None
    return _as_text(path or run.scans / "limits.toml", "limits.toml")


def _as_text(path: Path, name: str) -> Response:
    if not path.is_file():
        raise HTTPException(404, f"this run has no {name}")
    return FileResponse(path, filename=name, media_type="application/toml")


def points(request: Request) -> Response:
    """The points of one film's scan, for the comparison."""
    run = run_of(request)
    picture = run.picture(request.path_params["slug"])
    if picture is None:
        raise HTTPException(404, "this film has no scan to draw")
    return JSONResponse({"axis": picture["axis"], "counts": picture["counts"]})


def assets(request: Request) -> Response:
    """Style and script of the report, which come with the program."""
    name = request.path_params["name"]
    if name not in ASSETS:
        raise HTTPException(404, "no such file")
    kind = _TYPES[name.rsplit(".", 1)[-1]]
    return Response(asset(name), headers={"Cache-Control": "max-age=300"}, media_type=kind)


def own_assets(request: Request) -> Response:
    """Style and script of these pages."""
    from importlib.resources import files

    name = request.path_params["name"]
    if name not in _OWN_ASSETS:
        raise HTTPException(404, "no such file")
    data = files("xrdfilm.serve").joinpath("assets", name).read_bytes()
    return Response(data, headers={"Cache-Control": "max-age=300"}, media_type=_OWN_ASSETS[name])


async def remove(request: Request) -> Response:
    """Take a run off the desk."""
    run = run_of(request)
    setup = setup_of(request)
    async with checked_form(request) as form:
        if form.get("sure") != "yes":
            raise HTTPException(400, "Tick the box to remove the run from the desk.")
    job = setup.jobs.of_run(run.key)
    if job is not None:
        raise HTTPException(409, f"{run.name} is being judged; stop it first.")
    await run_in_threadpool(setup.desk.remove, run.key)
    return back_to("/")


def job_page(request: Request) -> Response:
    """How far a piece of work is."""
    job = setup_of(request).jobs.get(request.path_params["job"])
    if job is None:
        raise HTTPException(404, "this work is over and forgotten; look at the list of runs")
    if job.state == "done":
        return back_to(job.then)
    return page(request, "job.html.jinja", {"job": job})


def job_state(request: Request) -> Response:
    """The same as data, for the bar."""
    job = setup_of(request).jobs.get(request.path_params["job"])
    if job is None:
        raise HTTPException(404, "no such work")
    return JSONResponse(job.as_json())


async def job_stop(request: Request) -> Response:
    """Stop a piece of work; what was there before stays."""
    setup = setup_of(request)
    async with checked_form(request):
        job = setup.jobs.get(request.path_params["job"])
        if job is None:
            raise HTTPException(404, "this work is over already")
        job.stop.set()
    return back_to(f"/job/{job.key}")
