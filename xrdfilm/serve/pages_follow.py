"""Pages that look along time, reel and films: history, trends, ship map, comparison."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from xrdfilm.decision.quantities import DETECTED, find_quantity
from xrdfilm.errors import HistoryError, XrdfilmError
from xrdfilm.estimate import Estimate
from xrdfilm.history.query import lines, quantities, revision_key_of
from xrdfilm.history.record import RunRecord, record_of
from xrdfilm.numbers import number, show
from xrdfilm.report.names import slugs
from xrdfilm.report.strip import nice_ticks
from xrdfilm.serve.context import page, run_of, setup_of
from xrdfilm.trend.analyse import Trend, trend_of
from xrdfilm.trend.reel_of_run import ReelOfRun, reel_of_run
from xrdfilm.trend.words import (
    Unit,
    course_words,
    limit_words,
    pattern_words,
    recipe_words,
    ship_words,
    signal_words,
)

_CHART_PX = 260.0
_MOST_COLUMNS = 8
_USUAL = (
    "conversion",
    "fluoride_volume_fraction_aligned",
    "c_axis_fraction",
    "a_axis_fraction",
    "c_A",
    "rocking_fwhm_deg",
)


def history_page(request: Request) -> Response:
    """A run as the history keeps it: its revisions, and one of them in full."""
    setup = setup_of(request)
    run_id = request.path_params["run_id"]
    wanted = _whole(request, "revision")
    try:
        with setup.history() as history:
            key = revision_key_of(history, run_id, wanted)
            record = history.revision(key)
            rows = history.connection.execute(
                "SELECT number, stored_at, revision_key, revision_key = current_revision "
                "FROM revision JOIN run USING (run_key) WHERE run_id = ? ORDER BY number",
                (run_id,),
            ).fetchall()
            revisions = [
                {
                    "number": n,
                    "stored_at": str(at)[:16].replace("T", " "),
                    "current": bool(current),
                    "shown": revision == key,
                    **_signature(history.revision(revision)),
                }
                for n, at, revision, current in rows[-50:]
            ]
    except HistoryError as problem:
        raise HTTPException(404, str(problem)) from None
    on_desk = next(
        (
            run.key
            for run in setup.desk.runs()
            if any(r["run_id"] == run_id for r in run.state().get("revisions") or [])
        ),
        None,
    )
    return page(
        request,
        "history.html.jinja",
        {
            "record": record,
            "run_id": run_id,
            "revisions": revisions,
            "columns": _columns(record),
            "cells": _cells(record),
            "on_desk": on_desk,
            "placed": sum(film.position_m is not None for film in record.films) >= 2,
        },
    )


def _signature(record: RunRecord) -> dict[str, str]:
    """Who stored a revision and why, and in short what was adjusted."""
    found = [film.settings.get("adjusted") or {} for film in record.films]
    first: dict[str, Any] = next((f for f in found if f), {})
    touched = [f for f in found if set(f) - {"by", "why"}]
    return {
        "by": str(first.get("by") or ""),
        "why": str(first.get("why") or ""),
        "adjusted": f"{len(touched)} film{'' if len(touched) == 1 else 's'}" if touched else "",
    }


def _shown_quantities(record: RunRecord) -> list[str]:
    limited = dict.fromkeys(name for film in record.films for name, _ in film.limits)
    wanted = [*limited, *(n for n in _USUAL if n not in limited)]
    names = [n for n in wanted if n in record.columns and not n.endswith(DETECTED)]
    return [n for n in names if (spec := find_quantity(n)) and spec.kind == "film"][:_MOST_COLUMNS]


def _columns(record: RunRecord) -> list[Unit]:
    return [Unit(name) for name in _shown_quantities(record)]


def _cells(record: RunRecord) -> list[list[tuple[str, str]]]:
    """By film: figure and interval of each column, as the report writes them."""
    rows: list[list[tuple[str, str]]] = [[] for _ in record.films]
    for name in _shown_quantities(record):
        columns, unit = record.columns[name], Unit(name)
        for i, row in enumerate(rows):
            if not columns.known[i]:
                row.append(("–", ""))
                continue
            value, low, high, estimate, sigma = (
                None if math.isnan(part[i]) else float(part[i])
                for part in (
                    columns.value,
                    columns.low,
                    columns.high,
                    columns.estimate,
                    columns.sigma,
                )
            )
            level = float(columns.level[i])
            text = show(Estimate(value, low, high, level, estimate, sigma), scale=unit.scale)
            main, _, rest = text.partition(" (")
            row.append((main, rest.removesuffix(")")))
    return rows


# ------------------------------------------------------------------------------------- trends


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """A run on the chart: across in percent, down in pixels, its bar, and what a reader hears."""

    x: float
    y: float
    low: float
    high: float
    run_id: str
    title: str
    signal: bool


@dataclass(frozen=True, slots=True)
class Chart:
    """A control chart of single runs, ready to be drawn."""

    points: tuple[ChartPoint, ...]
    ticks: tuple[tuple[float, str], ...]
    days: tuple[tuple[float, str], ...]
    centre: float | None
    upper: tuple[tuple[float, float], ...]
    lower: tuple[tuple[float, float], ...]
    course: tuple[tuple[float, float], ...]
    height: float = _CHART_PX


def trend_page(request: Request) -> Response:
    """The trend of one quantity."""
    setup = setup_of(request)
    line = request.query_params.get("line") or None
    last = _whole(request, "last") or 200
    try:
        with setup.history() as history:
            known, on_lines = quantities(history), lines(history)
            usual = next((name for name in _USUAL if name in known), None)
            quantity = request.query_params.get("quantity") or usual or next(iter(known), "")
            trend = (
                trend_of(history, quantity, line=line, last=min(last, 2000), freeze=False)
                if known
                else None
            )
    except XrdfilmError as problem:
        raise HTTPException(404, str(problem)) from None
    film_like = {
        name: Unit(name).label
        for name in known
        if (spec := find_quantity(name)) is not None and spec.kind == "film"
    }
    values: dict[str, Any] = {
        "trend": trend,
        "quantity": quantity,
        "unit": Unit(quantity) if quantity else None,
        "quantities": film_like,
        "lines": on_lines,
        "line": line,
        "last": last,
        "chart": None,
        "words": {},
    }
    if trend is not None and trend.figures.centre.size:
        values["chart"] = chart_of(trend)
        values["words"] = {
            "Limits": limit_words(trend),
            "Signals": signal_words(trend),
            "Course": course_words(trend),
            "Recipe": recipe_words(trend),
            "Notes": list(trend.notes),
        }
    return page(request, "trend.html.jinja", values)


def chart_of(trend: Trend) -> Chart:
    """The chart's geometry: runs evenly spaced in order, the quantity downwards in pixels."""
    unit, figures = Unit(trend.quantity), trend.figures
    n = figures.centre.size
    sigma = [0.0 if not s > 0 else float(s) for s in figures.sigma]
    ends = [float(c) - 2 * s for c, s in zip(figures.centre, sigma, strict=True)]
    ends += [float(c) + 2 * s for c, s in zip(figures.centre, sigma, strict=True)]
    single = trend.individuals
    if single is not None:
        ends += [*map(float, single.lower), *map(float, single.upper)]
    low, high = min(ends), max(ends)
    spread = (high - low) or abs(high) or 1.0
    low, high = low - 0.05 * spread, high + 0.05 * spread

    def across(i: float) -> float:
        return round(100.0 * (i + 0.5) / n, 3)

    def down(value: float) -> float:
        return round(_CHART_PX * (high - value) / (high - low), 2)

    flagged = {signal.index for signal in trend.signals}
    points = tuple(
        ChartPoint(
            across(i),
            down(float(figures.centre[i])),
            down(float(figures.centre[i]) - 2 * sigma[i]),
            down(float(figures.centre[i]) + 2 * sigma[i]),
            figures.runs[i],
            f"{figures.runs[i]}, {figures.days[i]}: "
            f"{unit.with_sigma(float(figures.centre[i]), sigma[i]) if sigma[i] else unit.show(float(figures.centre[i]))}",  # noqa: E501
            i in flagged,
        )
        for i in range(n)
    )
    step = max(1, math.ceil(n / 7))
    return Chart(
        points,
        tuple(
            (down(v / unit.scale), number(v))
            for v in nice_ticks(low * unit.scale, high * unit.scale)
        ),
        tuple((across(i), figures.days[i]) for i in range(0, n, step)),
        None if trend.baseline is None else down(trend.baseline.centre),
        ()
        if single is None
        else tuple((across(i), down(float(v))) for i, v in enumerate(single.upper)),
        ()
        if single is None
        else tuple((across(i), down(float(v))) for i, v in enumerate(single.lower)),
        ()
        if trend.course.kind in ("too few points", "steady")
        else tuple((across(i), down(float(v))) for i, v in enumerate(trend.course.fitted)),
    )


# ----------------------------------------------------------------------------------- ship map


def reel_page(request: Request) -> Response:
    """The ship map of a run on the desk."""
    run = run_of(request)
    result = run.result()
    if result is None:
        raise HTTPException(404, "this run was not judged yet")
    return _reel(request, record_of(result), f"/run/{run.key}/", run.name)


def history_reel_page(request: Request) -> Response:
    """The ship map of a run of the history."""
    run_id = request.path_params["run_id"]
    try:
        with setup_of(request).history() as history:
            record = history.revision(revision_key_of(history, run_id))
    except HistoryError as problem:
        raise HTTPException(404, str(problem)) from None
    return _reel(request, record, f"/history/{run_id}", run_id)


def _reel(request: Request, record: RunRecord, back: str, name: str) -> Response:
    asked = {
        key: _real(request, key)
        for key in ("shortest_fault_m", "least_length_m", "start_m", "end_m")
    }
    values: dict[str, Any] = {"back": back, "name": name, "asked": request.query_params}
    try:
        reel = reel_of_run(
            record,
            shortest_fault_m=asked["shortest_fault_m"],
            least_length_m=asked["least_length_m"] or 0.0,
            start_m=asked["start_m"],
            end_m=asked["end_m"],
        )
    except (XrdfilmError, ValueError) as problem:
        values |= {"reel": None, "problem": str(problem)}
        return page(request, "reel.html.jinja", values, 400)
    values |= {
        "reel": reel,
        "problem": "",
        "segments": _segments(reel),
        "marks": _marks(reel),
        "ticks": _ticks(reel),
        "said": ship_words(reel.ship),
        "patterns": [
            text for trace in reel.traces for text in pattern_words(trace.quantity, trace.pattern)
        ],
    }
    return page(request, "reel.html.jinja", values)


def _span(reel: ReelOfRun) -> tuple[float, float]:
    segments = reel.ship.segments
    return segments[0].start_m, max(segments[-1].end_m, segments[0].start_m + 1e-9)


def _at(reel: ReelOfRun, place: float) -> float:
    left, right = _span(reel)
    return round(100.0 * (place - left) / (right - left), 3)


def _segments(reel: ReelOfRun) -> list[dict[str, Any]]:
    return [
        {
            "x": _at(reel, s.start_m),
            "width": round(_at(reel, s.end_m) - _at(reel, s.start_m), 3),
            "fate": s.fate,
            "start": number(s.start_m, 6),
            "end": number(s.end_m, 6),
            "length": number(s.length_m, 4),
            "why": s.why,
        }
        for s in reel.ship.segments
        if s.length_m > 0
    ]


def _marks(reel: ReelOfRun) -> list[dict[str, Any]]:
    return [
        {"x": _at(reel, s.position_m), "verdict": s.verdict, "film": s.film} for s in reel.scans
    ]


def _ticks(reel: ReelOfRun) -> list[tuple[float, str]]:
    left, right = _span(reel)
    return [(_at(reel, place), f"{number(place, 6)} m") for place in nice_ticks(left, right)]


# --------------------------------------------------------------------------------- comparison


def compare_page(request: Request) -> Response:
    """Films of any runs on the desk, drawn over, beside or above one another."""
    chosen = request.query_params.getlist("film")[:12]
    how = request.query_params.get("how", "overlay")
    runs = []
    drawn: list[dict[str, str]] = []
    for run in setup_of(request).desk.runs():
        result = run.result()
        if result is None:
            continue
        names = [film.film for film in result.films]
        films = [
            {
                "key": f"{run.key}/{slug}",
                "name": film.film,
                "verdict": film.verdict,
                "run": run.name,
                "chosen": f"{run.key}/{slug}" in chosen,
            }
            for film, slug in zip(result.films, slugs(names), strict=True)
            if run.picture(slug) is not None
        ]
        runs.append({"name": run.name, "key": run.key, "films": films})
        drawn += [
            {
                "label": f"{film['run']}, {film['name']}",
                "points": f"/run/{run.key}/points/{str(film['key']).partition('/')[2]}.json",
            }
            for film in films
            if film["chosen"]
        ]
    return page(
        request,
        "compare.html.jinja",
        {
            "runs": runs,
            "drawn": drawn,
            "how": how if how in ("overlay", "offset", "stack") else "overlay",
        },
    )


def _whole(request: Request, name: str) -> int | None:
    text = request.query_params.get(name, "")
    return int(text) if text.isdigit() and len(text) < 7 else None


def _real(request: Request, name: str) -> float | None:
    try:
        value = float(request.query_params.get(name, "").replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None
