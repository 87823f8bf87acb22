"""The run at a glance: a strip of films along the reel, and quantities along the run.

All places are per cent of the drawing's width or plain pixels of height, so that the drawings
stretch with the page while their texts keep their size.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from xrdfilm.decision.quantities import QUANTITIES, QuantitySpec, quantities_of
from xrdfilm.estimate import Estimate
from xrdfilm.numbers import number
from xrdfilm.results import Film

BAR_PX = {"pass": 12, "undecided": 22, "fail": 34, "unreadable": 34}
TRACE_PX = 74


@dataclass(frozen=True, slots=True)
class Bar:
    """One film on the strip: left edge and width in per cent, height in px."""

    x: float
    width: float
    height: int
    verdict: str
    slug: str
    title: str


@dataclass(frozen=True, slots=True)
class Strip:
    """The films along the reel; ``ticks`` are (per cent, text). ``passing`` says which stretches
    lie between neighbouring passing scans.
    """

    bars: tuple[Bar, ...]
    ticks: tuple[tuple[float, str], ...]
    passing: str


@dataclass(frozen=True, slots=True)
class TracePoint:
    """One film's figure: place in per cent, pixels from the top (None: no single value).

    ``limit`` is the known end of a figure that is known from one side only.
    """

    x: float
    y: float | None
    low: float
    high: float
    verdict: str
    title: str
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class Trace:
    """A limited quantity along the run. ``limits`` are (pixel, text) of the limits."""

    label: str
    unit: str
    points: tuple[TracePoint, ...]
    limits: tuple[tuple[float, str], ...]
    top: str
    bottom: str
    words: str


def nice_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """At most about ``most`` round values within low..high."""
    if not high > low:
        return [low]
    raw = (high - low) / max(1, most)
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(size * m for m in (1, 2, 2.5, 5, 10) if size * m >= raw * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(i * step, 12) for i in range(first, last + 1)]


def _edges(places: Sequence[float]) -> list[float]:
    """Cell edges halfway between neighbours, the outer cells as wide as their neighbours'."""
    middles = [(a + b) / 2.0 for a, b in itertools.pairwise(places)]
    first = places[0] - (middles[0] - places[0] if middles else 0.5)
    last = places[-1] + (places[-1] - middles[-1] if middles else 0.5)
    return [first, *middles, last]


def _placed(films: Sequence[Film]) -> list[tuple[float, int]]:
    """(position, index) of the films with a position, along the reel."""
    return sorted((f.position_m, i) for i, f in enumerate(films) if f.position_m is not None)


def position_strip(films: Sequence[Film], slugs: Sequence[str]) -> Strip | None:
    """The strip; None unless at least two films have different positions."""
    placed = _placed(films)
    if len({place for place, _ in placed}) < 2:
        return None
    edges = _edges([place for place, _ in placed])
    start, width = edges[0], edges[-1] - edges[0]
    bars = []
    for (place, index), low, high in zip(placed, edges[:-1], edges[1:], strict=True):
        film = films[index]
        bars.append(
            Bar(
                round(100.0 * (low - start) / width, 3),
                round(100.0 * (high - low) / width, 3),
                BAR_PX[film.verdict],
                film.verdict,
                slugs[index],
                f"{number(place, 6)} m: {film.film}, {film.verdict}",
            )
        )
    ticks = tuple(
        (round(100.0 * (tick - start) / width, 3), f"{number(tick)} m")
        for tick in nice_ticks(edges[0], edges[-1], 5)
    )
    return Strip(tuple(bars), ticks, passing_stretches([(p, films[i].verdict) for p, i in placed]))


def passing_stretches(placed: Sequence[tuple[float, str]]) -> str:
    """The stretches whose scans, both ends included, all pass, as a sentence."""
    stretches: list[tuple[float, float]] = []
    begin: float | None = None
    last = 0.0
    for place, verdict in placed:
        if verdict == "pass":
            begin = place if begin is None else begin
            last = place
        elif begin is not None:
            stretches.append((begin, last))
            begin = None
    if begin is not None:
        stretches.append((begin, last))
    long = [(a, b) for a, b in stretches if b > a]
    if not long:
        return "No two neighbouring scans pass."
    total = sum(b - a for a, b in long)
    parts = ", ".join(f"{number(a, 6)} to {number(b, 6)} m" for a, b in long)
    return (
        f"Neighbouring scans all pass over {parts} ({number(total, 4)} m in all). "
        "Between two scans nothing was measured."
    )


def quantity_traces(films: Sequence[Film], most: int = 4) -> tuple[Trace, ...]:
    """The limited quantities along the run, by position where every film has one, else in order."""
    if len(films) < 4:
        return ()
    names = dict.fromkeys(
        reason.quantity
        for film in films
        for reason in film.reasons
        if reason.quantity in QUANTITIES and QUANTITIES[reason.quantity].kind == "film"
    )
    by_place = all(film.position_m is not None for film in films)
    order = (
        [i for _, i in _placed(films)]
        if by_place and len({f.position_m for f in films}) > 1
        else list(range(len(films)))
    )
    traces = (_trace(name, [films[i] for i in order], by_place) for name in names)
    return tuple(trace for trace in traces if trace is not None)[:most]


def _round_ends(low: float, high: float) -> tuple[float, float]:
    """Round numbers a little below and above, for an axis that holds both."""
    if not high > low:
        margin = abs(low) or 1.0
        low, high = low - 0.5 * margin, high + 0.5 * margin
    rough = (high - low) / 8.0
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(size * m for m in (1, 2, 5, 10) if size * m >= rough)
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return round(first * step, 12), round(last * step, 12)


def _one_sided(estimate: Estimate, spec: QuantitySpec) -> float | None:
    """The limit of a figure that is known from one side only."""
    if estimate.value is not None:
        return None
    least, most = spec.bounds
    if estimate.low in (None, least) and estimate.high not in (None, most):
        return estimate.high
    if estimate.high in (None, most) and estimate.low not in (None, least):
        return estimate.low
    return None


def _trace(name: str, films: Sequence[Film], by_place: bool) -> Trace | None:
    spec = QUANTITIES[name]
    found = [quantities_of(film).get(name) for film in films]
    known = [e for e in found if e is not None]
    if len(known) < 4:
        return None
    bounds: set[float] = {
        float(reason.limit[side])
        for film in films
        for reason in film.reasons
        for side in ("min", "max")
        if reason.quantity == name and side in reason.limit
    }
    ends = [x for e in known for x in (e.value, e.low, e.high) if x is not None] + list(bounds)
    low, high = _round_ends(min(ends) * spec.scale, max(ends) * spec.scale)
    low, high = low / spec.scale, high / spec.scale
    width = high - low

    def down(x: float) -> float:
        return round(6.0 + (TRACE_PX - 12.0) * (high - x) / width, 2)

    places = [film.position_m or 0.0 for film in films] if by_place else list(range(len(films)))
    edges = _edges([float(p) for p in places])
    points = []
    for film, estimate, place in zip(films, found, places, strict=True):
        if estimate is None:
            continue
        value = estimate.value
        x = 100.0 * (place - edges[0]) / (edges[-1] - edges[0])
        least = low if estimate.low is None else estimate.low
        largest = high if estimate.high is None else estimate.high
        points.append(
            TracePoint(
                round(x, 3),
                None if value is None else down(value),
                down(least),
                down(largest),
                film.verdict,
                film.film,
                None if (end := _one_sided(estimate, spec)) is None else down(end),
            )
        )
    limits = tuple((down(b), f"{number(b * spec.scale, 6)}") for b in sorted(bounds))
    words = f"{spec.label} of {len(points)} films along the run; figures stand in the table"
    return Trace(
        spec.label,
        spec.unit,
        tuple(points),
        limits,
        number(high * spec.scale, 6),
        number(low * spec.scale, 6),
        words,
    )
