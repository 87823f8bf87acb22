"""Trend and reel as plain values for JSON; a figure that is not known is null, never NaN."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from xrdfilm.trend.analyse import Trend
from xrdfilm.trend.change import Course
from xrdfilm.trend.recipe import WORDS
from xrdfilm.trend.reel import FATES
from xrdfilm.trend.reel_of_run import ReelOfRun

SCHEMA = "xrdfilm-trend/1"


def plain(value: Any) -> Any:
    """Dataclasses, arrays and tuples as dicts and lists; NaN and infinity as None."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(item) for item in value.tolist()]
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def trend_record(trend: Trend) -> dict[str, Any]:
    """The trend of one quantity; arrays run along ``points``."""
    figures = trend.figures
    columns: dict[str, Any] = {
        "run": figures.runs,
        "day": figures.days,
        "films": figures.films.astype(int),
        "estimate": figures.centre,
        "sigma": figures.sigma,
        "between_films": figures.between,
        "lowest_film": figures.lowest,
        "highest_film": figures.highest,
    }
    if trend.individuals is not None and trend.ewma is not None and trend.cusum is not None:
        columns |= {
            "lower_limit": trend.individuals.lower,
            "upper_limit": trend.individuals.upper,
            "ewma": trend.ewma.values,
            "ewma_lower": trend.ewma.lower,
            "ewma_upper": trend.ewma.upper,
            "cusum_above": trend.cusum.above,
            "cusum_below": trend.cusum.below,
        }
    lists = {name: plain(list(column)) for name, column in columns.items()}
    points = [dict(zip(lists, row, strict=True)) for row in zip(*lists.values(), strict=True)]
    return {
        "quantity": trend.quantity,
        "line": trend.line,
        "points": points,
        "limits": None
        if trend.baseline is None
        else plain(trend.baseline) | {"kept": trend.frozen},
        "cusum_limit": None if trend.cusum is None else trend.cusum.limit,
        "rules": list(trend.rules),
        "false_alarms": plain(trend.false_alarms),
        "signals": [
            {
                "rule": signal.rule,
                "run": figures.runs[signal.index],
                "since": figures.runs[signal.since],
                "until": figures.runs[signal.until],
                "side": {1: "above", -1: "below", 0: None}[signal.side],
            }
            for signal in trend.signals
        ],
        "course": _course(trend, trend.course),
        "course_beside_recipe": None
        if trend.course_beside_recipe is None
        else _course(trend, trend.course_beside_recipe),
        "recipe": None
        if trend.recipe is None
        else {
            "meaning": WORDS,
            "points": trend.recipe.points,
            "relations": plain(trend.recipe.relations),
            "left_out": [{"parameter": n, "why": w} for n, w in trend.recipe.left_out],
            "changed_at_a_step": [
                {"parameter": n, "run": figures.runs[i]} for n, i in trend.recipe.moved_with
            ],
            "note": trend.recipe.note,
        },
        "events": [
            {"day": event.day, "text": event.text, "run": figures.runs[place]}
            for event, place in trend.events
        ],
        "notes": list(trend.notes),
    }


def _course(trend: Trend, course: Course) -> dict[str, Any]:
    runs = trend.figures.runs

    def named(part: Any) -> dict[str, Any]:
        record: dict[str, Any] = plain(part)
        for place in ("index", "low", "high"):
            record[{"index": "run"}.get(place, f"{place}_run")] = runs[record.pop(place)]
        return record

    return {
        "kind": course.kind,
        "steps": [named(step) for step in course.steps],
        "drift": None if course.drift is None else named(course.drift),
        "instead": None if course.instead is None else named(course.instead),
        "likely": course.likely,
    }


def reel_record(reel: ReelOfRun) -> dict[str, Any]:
    """The ship map of a run's reel and the pattern of each traced quantity."""
    ship = reel.ship
    return {
        "run": reel.run_id,
        "day": reel.day,
        "segments": [plain(s) | {"length_m": s.length_m} for s in ship.segments],
        "metres": {fate: ship.metres(fate) for fate in FATES},
        "shortest_fault_m": ship.shortest_fault_m,
        "least_length_m": ship.least_length_m,
        "risk": ship.risk,
        "margin_m": ship.margin_m,
        "held_back_m": ship.held_back_m,
        "would_ship": [
            {"shortest_fault_m": fault, "metres": metres} for fault, metres in ship.lengths
        ],
        "scans": plain(reel.scans),
        "patterns": [
            {
                "quantity": trace.quantity,
                "drift": plain(trace.pattern.drift),
                "period": plain(trace.pattern.period),
            }
            for trace in reel.traces
        ],
        "notes": list(ship.notes),
    }
