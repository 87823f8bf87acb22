"""Pages that state and change: the run's statement, adjustments of a fit, storing."""

from __future__ import annotations

import datetime
import re
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from xrdfilm.crystal import phase_keys
from xrdfilm.decision.limits import DEFAULT_RISK
from xrdfilm.decision.quantities import QUANTITIES
from xrdfilm.errors import LimitFileError, RunFileError, XrdfilmError
from xrdfilm.report.overview import run_content
from xrdfilm.runfile import RunFile
from xrdfilm.serve.adjusting import adjust_from, with_adjustments, with_signature
from xrdfilm.serve.context import (
    back_to,
    checked_form,
    page,
    refuse_while_busy,
    run_of,
    setup_of,
    start_judging,
    texts_of,
)
from xrdfilm.serve.desk import LIMIT_FILE, DeskRun, write_whole
from xrdfilm.serve.faults import (
    fields_of_limits,
    fields_of_run,
    impossible,
    refused_values,
    unknown_phases,
)
from xrdfilm.serve.forms import (
    TABLES,
    checked_limits,
    checked_run_file,
    complaints,
    data_from_form,
    fields_of,
    films_from,
    limits_from_form,
    recipe_text,
    rows_of,
    shown,
    toml_text,
)
from xrdfilm.serve.names import refuse_outside
from xrdfilm.serve.pages_runs import film_answer

_SPARE_BUFFERS, _SPARE_LIMITS = 2, 2
_USES = {"two_theta": "coupled", "omega": "rocking", "phi": "azimuth", "chi": "tilt"}


def _data_of(run: DeskRun) -> dict[str, Any]:
    """The run file as plain data; empty where there is none."""
    if not run.run_file_path.is_file():
        return {}
    return tomllib.loads(run.run_file_path.read_text("utf-8-sig"))


def _limits_path(run: DeskRun, data: Mapping[str, Any]) -> Path:
    return run.scans / str((data.get("limits") or {}).get("file", LIMIT_FILE))


def _limits_of(run: DeskRun, data: Mapping[str, Any]) -> dict[str, Any]:
    path = _limits_path(run, data)
    if not data.get("limits") or not path.is_file():
        return {}
    return tomllib.loads(path.read_text("utf-8-sig"))


def state_page(request: Request) -> Response:
    """The statement form of a run."""
    run = run_of(request)
    job = setup_of(request).jobs.of_run(run.key)
    if job is not None:
        return back_to(f"/job/{job.key}")
    try:
        run.run_file()
        data = _data_of(run)
        limits = _limits_of(run, data)
        problems: list[str] = []
    except (RunFileError, tomllib.TOMLDecodeError) as problem:
        data, limits, problems = {}, {}, str(problem).splitlines()
    return _form(request, run, data, limits, _file_rows(run, data), problems)


def _form(
    request: Request,
    run: DeskRun,
    data: Mapping[str, Any],
    limits: Mapping[str, Any],
    files: list[dict[str, Any]],
    problems: Sequence[str],
    recipe: str | None = None,
    faults: Mapping[str, str] | None = None,
) -> Response:
    from xrdfilm.crystal import load_phase

    keys = [*phase_keys(), *_own_phases(data)]
    roles: dict[str, list[str]] = {}
    for key in phase_keys():
        roles.setdefault(load_phase(key).role, []).append(key)
    buffers = list((data.get("stack") or {}).get("buffers") or [])
    rows = [dict(row) for row in limits.get("limit") or []]
    return page(
        request,
        "state.html.jinja",
        {
            "key": run.key,
            "name": run.name,
            "judged": run.result() is not None,
            "tables": [
                (table, title, fields_of(table, data)) for table, (_, title) in TABLES.items()
            ],
            "faults_by_field": dict(faults or {}),
            "problems": list(problems),
            "buffers": [
                (str(b.get("phase", "")), shown(b.get("thickness_nm", ""))) for b in buffers
            ]
            + [("", "")] * _SPARE_BUFFERS,
            "phases": keys,
            "roles": roles,
            "quantities": {name: spec for name, spec in QUANTITIES.items() if spec.kind == "film"},
            "limit_rows": [
                {
                    name: "; ".join(row[name])
                    if isinstance(row.get(name), list)
                    else shown(row.get(name, ""))
                    for name in ("quantity", "min", "max", "risk", "grade", "note")
                }
                for row in rows
            ]
            + [dict.fromkeys(("quantity", "min", "max", "risk", "grade", "note"), "")]
            * _SPARE_LIMITS,
            "risk": shown(limits.get("risk", "")) or f"{DEFAULT_RISK:g}",
            "files": files,
            "all_films": bool(data.get("films")),
            "films_kept": _beyond_the_form(data),
            "recipe": recipe_text(data) if recipe is None else recipe,
            "today": datetime.date.today().isoformat(),
        },
        400 if problems else 200,
    )


def _file_rows(run: DeskRun, data: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Every dropped file with its use: as the run file says, else as its axis suggests."""
    if _beyond_the_form(data):
        return []
    axes: dict[str, str] = run.state().get("axes") or {}
    stated = _stated_uses(data)
    rows: list[dict[str, Any]] = []
    for name in run.files():
        axis = axes.get(name, "")
        row = {
            "name": name,
            "understood": axis.removeprefix("! ")
            if axis.startswith("!")
            else {
                "two_theta": "2θ",
                "omega": "ω",
                "phi": "φ",
                "chi": "χ",
                "cif": "structure (CIF)",
            }.get(axis, axis),
            "broken": axis.startswith("!"),
            "use": "" if axis == "cif" else _USES.get(axis, "coupled"),
            "film": "",
            "hkl": "",
            "position_m": "",
            "azimuth": "spinning",
        }
        if stated:
            row["use"] = ""
        row |= stated.get(name, {})
        rows.append(row)
    if not stated:
        _guess_films(rows)
    return rows


def _own_phases(data: Mapping[str, Any]) -> list[str]:
    return [str(p.get("key")) for p in data.get("phase") or [] if isinstance(p, dict)]


def _beyond_the_form(data: Mapping[str, Any]) -> bool:
    """Whether several films share a file: scans or frames in one; a row a file cannot say so."""
    films = data.get("film") or []
    coupled = [film["coupled"] for film in films if isinstance(film, dict) and film.get("coupled")]
    framed = any(isinstance(film, dict) and film.get("frame") for film in films)
    return (
        framed or len(set(coupled)) < len(coupled) or bool((data.get("films") or {}).get("frames"))
    )


def _stated_uses(data: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    found: dict[str, dict[str, Any]] = {}
    for number, film in enumerate(data.get("film") or [], start=1):
        coupled = film.get("coupled")
        film_id = str(film.get("id") or (Path(coupled).stem if coupled else f"film-{number:02d}"))
        if coupled:
            place = film.get("position_m")
            found[coupled] = {
                "use": "coupled",
                "film": film_id,
                "position_m": "" if place is None else shown(place),
            }
        for use in ("rocking", "azimuth", "tilt"):
            scans = film.get(use) or []
            for scan in scans if isinstance(scans, list) else [scans]:
                found[scan["file"]] = {
                    "use": use,
                    "film": film_id,
                    "hkl": shown(scan.get("hkl", "")),
                    "azimuth": scan.get("azimuth", "spinning"),
                }
    return found


def _guess_films(rows: list[dict[str, Any]]) -> None:
    """Side scans go with the coupled scan whose name has the same last number."""
    coupled = [row for row in rows if row["use"] == "coupled"]
    for row in coupled:
        row["film"] = Path(row["name"]).stem
    for row in rows:
        if row["use"] not in ("rocking", "azimuth", "tilt"):
            continue
        same = [c for c in coupled if _last_number(c["name"]) == _last_number(row["name"])]
        only = coupled if len(coupled) == 1 else same
        if len(only) == 1:
            row["film"] = only[0]["film"]


def _last_number(name: str) -> str:
    numbers = re.findall(r"\d+", Path(name).stem)
    return numbers[-1].lstrip("0") if numbers else ""


async def state_post(request: Request) -> Response:
    """Check a posted statement, keep it, and judge by it."""
    run = run_of(request)
    setup = setup_of(request)
    async with checked_form(request) as form:
        texts = texts_of(form)
    refuse_while_busy(setup, run)
    answer = await run_in_threadpool(_state, request, run, texts)
    if answer is not None:
        return answer
    if texts.get("then") == "save":
        return back_to(f"/run/{run.key}/state")
    return back_to(f"/job/{start_judging(setup, run).key}")


def _state(request: Request, run: DeskRun, texts: dict[str, str]) -> Response | None:
    """None where all is well and kept; else the form again with what is wrong."""
    with setup_of(request).lock(run.key):
        kept = _data_of(run)
        before = _limits_of(run, kept)
        problems: list[str] = []
        faults: dict[str, str] = {}
        data: dict[str, Any] = {}
        limits = limits_from_form(texts, before)
        try:
            data = data_from_form(texts, kept)
            if rows_of(texts, "file"):
                films = films_from(texts, run.files(), kept.get("film") or [])
                data.pop("films", None)
                data["film"] = films
                if not films:
                    raise RunFileError(
                        "no film: give at least one file a use", path=Path("run.toml")
                    )
            data.pop("limits", None)
            if limits:
                data["limits"] = {"file": LIMIT_FILE}
            _drop_lost_adjustments(data)
            unknown = unknown_phases(data, _own_phases(kept))
            problems += [fault.text for fault in unknown]
            refused = (*refused_values(RunFile, data), *unknown)
            faults = fields_of_run(refused, data, run.files())
            run_file = checked_run_file(toml_text(data))
            refuse_outside(run_file, run.scans)
            cannot_be = impossible(run_file, run.scans)
            problems += [fault.text for fault in cannot_be]
            faults |= fields_of_run(cannot_be, data, run.files())
        except RunFileError as problem:
            problems += complaints(problem)
        try:
            if limits:
                checked_limits(toml_text(limits), [*phase_keys(), *_own_phases(kept)])
        except LimitFileError as problem:
            problems += complaints(problem)
            faults |= fields_of_limits(limits, complaints(problem))
        if problems:
            rows = _posted_files(run, texts)
            shown_data = data or data_without_recipe(texts, kept)
            recipe = texts.get("recipe", "")
            return _form(request, run, shown_data, limits, rows, problems, recipe, faults)
        if limits:
            write_whole(run.scans / LIMIT_FILE, toml_text(limits))
        write_whole(run.run_file_path, toml_text(data))
        run.update(name=str((data.get("run") or {}).get("id") or run.name))
    return None


def data_without_recipe(texts: Mapping[str, str], kept: Mapping[str, Any]) -> dict[str, Any]:
    """What a form states beside a recipe that could not be read."""
    return data_from_form({**texts, "recipe": ""}, kept)


def _drop_lost_adjustments(data: dict[str, Any]) -> None:
    """Adjustments of films that are no longer in the run go with them."""
    adjust = data.get("adjust")
    films = {str(film.get("id")) for film in data.get("film") or []}
    if adjust and films and adjust.get("film"):
        adjust["film"] = {name: own for name, own in adjust["film"].items() if name in films}


def _posted_files(run: DeskRun, texts: Mapping[str, str]) -> list[dict[str, Any]]:
    rows = _file_rows(run, {}) if rows_of(texts, "file") else []
    by_name = {texts.get(f"file.{i}.name", ""): i for i in rows_of(texts, "file")}
    for row in rows:
        i = by_name.get(row["name"])
        for name in ("use", "film", "hkl", "position_m", "azimuth"):
            if i is not None:
                row[name] = texts.get(f"file.{i}.{name}", row[name])
    return rows


async def adjust_post(request: Request) -> Response:
    """Keep a film's adjustments in run.toml and judge anew."""
    run = run_of(request)
    setup = setup_of(request)
    async with checked_form(request) as form:
        texts = texts_of(form)
    refuse_while_busy(setup, run)
    answer = await run_in_threadpool(_adjust, request, run, texts)
    if answer is not None:
        return answer
    slug = request.path_params["slug"]
    then = f"/run/{run.key}/films/{slug}.html"
    return back_to(f"/job/{start_judging(setup, run, then=then).key}")


def _adjust(request: Request, run: DeskRun, texts: dict[str, str]) -> Response | None:
    result = run.result()
    content = None if result is None else run_content(result)
    slug = request.path_params["slug"]
    name = next((f.name for f in content.films if f.slug == slug), None) if content else None
    if result is None or name is None:
        raise HTTPException(404, "no such film in this run")
    with setup_of(request).lock(run.key):
        try:
            values = {} if texts.get("then") == "undo" else adjust_from(texts)
            data = with_adjustments(
                _data_of(run), name, values, whole_run=texts.get("scope") == "run"
            )
            checked_run_file(toml_text(data))
        except RunFileError as problem:
            return film_answer(request, run, result, slug, complaints(problem), texts)
        write_whole(run.run_file_path, toml_text(data))
    return None


async def store_post(request: Request) -> Response:
    """Sign the run and store it in the history, as a new revision where it is known."""
    run = run_of(request)
    setup = setup_of(request)
    async with checked_form(request) as form:
        texts = texts_of(form)
    refuse_while_busy(setup, run)
    by, why = (" ".join(texts.get(name, "").split())[:500] for name in ("by", "why"))
    if not by or not why:
        raise HTTPException(400, "Say who stores it and why; both stand in the history.")
    try:
        await run_in_threadpool(_sign, request, run, by, why)
    except XrdfilmError as problem:
        raise HTTPException(400, str(problem)) from None
    return back_to(f"/job/{start_judging(setup, run, store=True).key}")


def _sign(request: Request, run: DeskRun, by: str, why: str) -> None:
    with setup_of(request).lock(run.key):
        data = with_signature(_data_of(run), by, why)
        checked_run_file(toml_text(data))
        write_whole(run.run_file_path, toml_text(data))
