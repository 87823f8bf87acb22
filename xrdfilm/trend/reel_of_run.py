"""The reel of a judged run: ship map by its verdicts, and the course of each limited quantity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.decision.quantities import find_quantity
from xrdfilm.errors import CannotTellError
from xrdfilm.history.record import RunRecord
from xrdfilm.trend.reel import LimitedQuantity, ReelScan, ShipMap, ship_map
from xrdfilm.trend.reel_pattern import ReelPattern, pattern_of

_WORST = ("fail", "unreadable", "undecided", "pass")


@dataclass(frozen=True, slots=True)
class ReelTrace:
    """One quantity along the reel; arrays have shape (N,), N scans in order of position."""

    quantity: str
    value: FloatArray
    low: FloatArray
    high: FloatArray
    limits: tuple[float, ...]
    pattern: ReelPattern


@dataclass(frozen=True, slots=True)
class ReelOfRun:
    """A run along its reel."""

    run_id: str
    day: str | None
    scans: tuple[ReelScan, ...]
    ship: ShipMap
    traces: tuple[ReelTrace, ...]


def reel_of_run(
    record: RunRecord,
    *,
    quantities: tuple[str, ...] = (),
    shortest_fault_m: float | None = None,
    least_length_m: float = 0.0,
    start_m: float | None = None,
    end_m: float | None = None,
) -> ReelOfRun:
    """The reel of a run whose films have positions.

    ``quantities`` are traced beside those with limits. Films at one place count as one scan, by
    the worst verdict. Raises CannotTellError where fewer than two places are known.
    """
    placed: dict[float, list[int]] = {}
    for index, film in enumerate(record.films):
        if film.position_m is not None:
            placed.setdefault(float(film.position_m), []).append(index)
    if len(placed) < 2:
        raise CannotTellError(
            f"run {record.run_id}: {len(placed)} films have a position; a reel needs two at least "
            "(position_m in run.toml, or position_from)"
        )
    places = sorted(placed)
    chosen = [min(placed[p], key=lambda i: _WORST.index(record.films[i].verdict)) for p in places]
    scans = tuple(
        ReelScan(place, record.films[i].verdict, record.films[i].film)
        for place, i in zip(places, chosen, strict=True)
    )
    limits = _limits(record, chosen)
    rows = np.array(chosen)
    limited = [
        LimitedQuantity(
            _label(name),
            record.columns[name].centre[rows],
            record.columns[name].sigma[rows],
            *ends,
        )
        for name, ends in limits.items()
        if name in record.columns and _is_film(name)
    ]
    ship = ship_map(
        scans,
        limited,
        shortest_fault_m=shortest_fault_m,
        least_length_m=least_length_m,
        start_m=start_m,
        end_m=end_m,
    )
    names = dict.fromkeys([*quantities, *(n for n in limits if _is_film(n))])
    unknown = [name for name in quantities if name not in record.columns]
    if unknown:
        raise CannotTellError(
            f"run {record.run_id} has no quantity {unknown[0]!r}; it has "
            f"{', '.join(record.columns)}"
        )
    traces = tuple(
        _trace(name, record, rows, np.array(places), limits)
        for name in names
        if name in record.columns
    )
    return ReelOfRun(record.run_id, record.day, scans, ship, traces)


def _label(name: str) -> str:
    spec = find_quantity(name)
    return spec.label if spec is not None else name


def _is_film(name: str) -> bool:
    spec = find_quantity(name)
    return spec is not None and spec.kind == "film" and not name.endswith("_detected")


def _limits(
    record: RunRecord, chosen: list[int]
) -> Mapping[str, tuple[float | None, float | None]]:
    """The loosest limits in force by quantity: what the verdict of a film rests on at the least."""
    found: dict[str, list[tuple[float | None, float | None]]] = {}
    for index in chosen:
        for item in record.films[index].judged:
            ends = (item["limit"].get("min"), item["limit"].get("max"))
            found.setdefault(item["quantity"], []).append(ends)
    loosest = {}
    for name, pairs in found.items():
        lows = [low for low, _ in pairs if low is not None]
        highs = [high for _, high in pairs if high is not None]
        loosest[name] = (min(lows, default=None), max(highs, default=None))
    return loosest


def _trace(
    name: str,
    record: RunRecord,
    rows: IntArray,
    places: FloatArray,
    limits: Mapping[str, tuple[float | None, float | None]],
) -> ReelTrace:
    columns = record.columns[name]
    centre = columns.centre[rows]
    return ReelTrace(
        name,
        columns.value[rows],
        columns.low[rows],
        columns.high[rows],
        tuple(end for end in limits.get(name, (None, None)) if end is not None),
        pattern_of(places, centre, columns.own_sigma[rows]),
    )
