"""Pages of a reel: which metres may ship."""

from __future__ import annotations

from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from xrdfilm.errors import HistoryError, XrdfilmError
from xrdfilm.history.query import revision_key_of
from xrdfilm.history.record import RunRecord, record_of
from xrdfilm.numbers import number
from xrdfilm.report.strip import nice_ticks
from xrdfilm.serve.context import number_of, page, run_of, setup_of
from xrdfilm.trend.reel_of_run import ReelOfRun, reel_of_run
from xrdfilm.trend.words import (
    pattern_words,
    ship_words,
)


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
        key: number_of(request, key)
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
        # the field above asks for it; the flag is the command's
        "said": [text.replace(" (--shortest-fault)", "") for text in ship_words(reel.ship)],
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
