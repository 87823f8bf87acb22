"""Pages that look along time: history and trends."""

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
from xrdfilm.history.record import RunRecord
from xrdfilm.numbers import number, show
from xrdfilm.report.strip import nice_ticks
from xrdfilm.serve.context import page, setup_of, whole_number_of
from xrdfilm.trend.analyse import Trend, trend_of
from xrdfilm.trend.words import (
    Unit,
    course_words,
    limit_words,
    recipe_words,
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
    wanted = whole_number_of(request, "revision")
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
    last = whole_number_of(request, "last") or 200
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
