"""Ship map of a reel: which metres may ship, which must not, and which nobody can tell.

Scans lie some way apart and nothing was measured between them. A stretch between two neighbouring
scans may ship only if

1. both scans pass;
2. they lie no further apart than the shortest faulty stretch that the line makes (stated by the
   user: no scan can tell it). Then no fault fits between them unseen;
3. the quantities, which wander along the reel, are unlikely to have left their limit and come
   back between the two: with a wander variance of w² a metre, the chance that a bridge of length
   g from a to b crosses L is exp(−2 (L−a)(L−b)/(w² g)) (Brownian bridge; from memory, checked by
   simulation in the tests), averaged over what a and b are uncertain by.

A fault that a scan caught may reach almost to the next scan that passes: the whole of both gaps
beside it is held back. Beyond the first and the last scan nothing ships.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.numbers import number, probability

Fate = Literal["ship", "hold", "undecided"]
FATES: tuple[Fate, ...] = ("ship", "undecided", "hold")
RISK = 0.05
_NODES = 24
_FAULT = "the fault may reach almost to the next scan that passes"


@dataclass(frozen=True, slots=True)
class LimitedQuantity:
    """A quantity with limits at N scans, in order: estimates and uncertainties, shape (N,).

    NaN where a scan does not give it; ``low`` and ``high`` are the limits, None for open.
    """

    name: str
    estimate: FloatArray
    sigma: FloatArray
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class ReelScan:
    """One scan on the reel: its place and the verdict on it."""

    position_m: float
    verdict: str
    film: str = ""


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of one fate, and why."""

    start_m: float
    end_m: float
    fate: Fate
    why: str

    @property
    def length_m(self) -> float:
        """Its length."""
        return self.end_m - self.start_m


@dataclass(frozen=True, slots=True)
class ShipMap:
    """The reel from its start to its end, in segments without gaps.

    ``held_back_m`` is the length between scans that all pass, or beside one that fails, that is
    not shipped for want of knowledge: the price of scanning so sparsely. ``margin_m`` is the
    largest stretch held back on one side of a failing scan. ``lengths`` says how much would ship
    with another shortest fault: (metres, metres shipped).
    """

    segments: tuple[Segment, ...]
    shortest_fault_m: float | None
    least_length_m: float
    risk: float
    margin_m: float
    held_back_m: float
    lengths: tuple[tuple[float, float], ...]
    notes: tuple[str, ...]

    def metres(self, fate: Fate) -> float:
        """Total length of a fate."""
        return sum(s.length_m for s in self.segments if s.fate == fate)

    def fate_at(self, position_m: float) -> Fate | None:
        """The fate at a place; at a border the worse one; None off the reel."""
        here = [s.fate for s in self.segments if s.start_m <= position_m <= s.end_m]
        return max(here, key=FATES.index) if here else None


def ship_map(
    scans: Sequence[ReelScan],
    quantities: Sequence[LimitedQuantity] = (),
    *,
    shortest_fault_m: float | None = None,
    least_length_m: float = 0.0,
    start_m: float | None = None,
    end_m: float | None = None,
    risk: float = RISK,
) -> ShipMap:
    """The ship map of scans in order of position (see the module's text for the rule).

    Without ``shortest_fault_m`` no stretch between scans ships. Stretches that may ship but are
    shorter than ``least_length_m`` are undecided. ``start_m`` and ``end_m`` are the ends of the
    reel, by default the first and the last scan. Raises ValueError for scans out of order, or for
    quantities of another length.
    """
    _refuse_bad(scans, quantities, shortest_fault_m, least_length_m)
    places = [scan.position_m for scan in scans]
    left = places[0] if start_m is None else min(start_m, places[0])
    right = places[-1] if end_m is None else max(end_m, places[-1])
    wander = [wander_per_metre(np.array(places), q) for q in quantities]
    crossings = [_likeliest(i, scans, quantities, wander) for i in range(len(scans) - 1)]
    gaps = [_gap(i, scans, crossings[i], shortest_fault_m, risk) for i in range(len(scans) - 1)]
    pieces = [Segment(left, places[0], "undecided", "before the first scan")]
    pieces += gaps
    pieces.append(Segment(places[-1], right, "undecided", "after the last scan"))
    pieces += _failed_ends(scans, left, right)
    segments = [_told(s, scans) for s in _least_length(_joined(pieces), least_length_m)]
    margin, held = _margins(scans, gaps)
    notes = []
    if shortest_fault_m is None:
        notes.append(
            "Nothing between scans ships, for nothing was measured there. State the shortest "
            "faulty stretch that this line makes (--shortest-fault), and gaps no longer than that "
            "can ship."
        )
    return ShipMap(
        tuple(segments),
        shortest_fault_m,
        least_length_m,
        risk,
        margin,
        held,
        _lengths(scans, crossings, least_length_m, risk),
        tuple(notes),
    )


def _refuse_bad(
    scans: Sequence[ReelScan],
    quantities: Sequence[LimitedQuantity],
    shortest_fault_m: float | None,
    least_length_m: float,
) -> None:
    if len(scans) < 2:
        raise ValueError(f"a reel needs at least two scans with positions, found {len(scans)}")
    if any(b.position_m <= a.position_m for a, b in itertools.pairwise(scans)):
        raise ValueError("scans must stand in order of position, each place once")
    if any(q.estimate.shape != (len(scans),) for q in quantities):
        raise ValueError("each quantity needs a figure (or NaN) for each scan")
    if shortest_fault_m is not None and not shortest_fault_m > 0.0:
        raise ValueError(f"the shortest fault must be longer than 0 m, not {shortest_fault_m}")
    if least_length_m < 0.0:
        raise ValueError(f"the least length cannot be negative: {least_length_m}")


def _likeliest(
    i: int,
    scans: Sequence[ReelScan],
    quantities: Sequence[LimitedQuantity],
    wander: Sequence[float],
) -> tuple[float, str]:
    """(chance, quantity) of the limit most likely broken between two scans that pass."""
    if any(scan.verdict != "pass" for scan in scans[i : i + 2]):
        return 0.0, ""
    length = scans[i + 1].position_m - scans[i].position_m
    chances = [
        (crossing_chance(i, q, variance, length), q.name)
        for q, variance in zip(quantities, wander, strict=True)
    ]
    return max(chances, default=(0.0, ""))


def _gap(
    i: int,
    scans: Sequence[ReelScan],
    crossing: tuple[float, str],
    shortest_fault_m: float | None,
    risk: float,
) -> Segment:
    a, b = scans[i], scans[i + 1]
    start, end = a.position_m, b.position_m
    length = end - start
    if "fail" in (a.verdict, b.verdict):
        return Segment(start, end, "hold", _FAULT)
    open_ = [scan for scan in (a, b) if scan.verdict != "pass"]
    if open_:
        where = " and ".join(f"{number(s.position_m, 6)} m is {s.verdict}" for s in open_)
        return Segment(start, end, "undecided", f"the scan at {where}")
    if shortest_fault_m is None:
        return Segment(start, end, "undecided", "nothing was measured between these scans")
    if length > shortest_fault_m * (1.0 + 1e-9):
        why = (
            f"scans further apart than {number(shortest_fault_m, 3)} m: a fault could lie "
            "between them unseen"
        )
        return Segment(start, end, "undecided", why)
    chance, name = crossing
    if chance > risk:
        why = f"{name} wanders and may break its limit between (chance {probability(chance)})"
        return Segment(start, end, "undecided", why)
    return Segment(start, end, "ship", "both scans pass and no fault fits between them")


def crossing_chance(i: int, q: LimitedQuantity, wander: float, length_m: float) -> float:
    """Chance that a quantity leaves its limits between scans i and i+1; 0 where it is not known."""
    ends = [(float(q.estimate[k]), float(q.sigma[k])) for k in (i, i + 1)]
    if any(not math.isfinite(x) for x, _ in ends):
        return 0.0
    total = 0.0
    for limit, side in ((q.high, 1.0), (q.low, -1.0)):
        if limit is not None:
            clear = [(side * (limit - x), s) for x, s in ends]
            total += _bridge(clear[0], clear[1], wander * length_m)
    return min(total, 1.0)


def _bridge(a: tuple[float, float], b: tuple[float, float], variance: float) -> float:
    """Chance that a bridge between clearances a and b (value, sigma) touches 0 in between.

    The ends themselves pass, so only what of their distribution lies clear of the limit counts.
    """
    if variance <= 0.0:
        return 0.0
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    first = a[0] + np.nan_to_num(a[1]) * nodes[:, None]
    second = b[0] + np.nan_to_num(b[1]) * nodes[None, :]
    share = weights[:, None] * weights[None, :] * ((first > 0.0) & (second > 0.0))
    mass = float(share.sum())
    if mass <= 0.0:
        return 1.0
    exponent = -2.0 * np.maximum(first, 0.0) * np.maximum(second, 0.0) / variance
    return float(np.sum(share * np.exp(exponent)) / mass)


def wander_per_metre(position_m: FloatArray, q: LimitedQuantity) -> float:
    """Variance that a quantity gathers a metre along the reel, beyond its uncertainty.

    ``position_m`` has shape (N,). From squared differences of neighbours, each held to six times
    their median so that the edge of a fault does not count as wander; 0 where the uncertainties
    explain them.
    """
    known = np.isfinite(q.estimate)
    x, u, at = q.estimate[known], np.nan_to_num(q.sigma[known]), position_m[known]
    if x.size < 4:
        return 0.0
    squares = np.diff(x) ** 2
    squares = np.minimum(squares, 6.0 * float(np.median(squares)) / 0.455)
    spare = float(np.sum(squares - u[1:] ** 2 - u[:-1] ** 2))
    return max(0.0, spare / float(at[-1] - at[0]))


def _failed_ends(scans: Sequence[ReelScan], left: float, right: float) -> list[Segment]:
    """Beyond a failing first or last scan the tape is held, not only undecided."""
    found = []
    if scans[0].verdict == "fail" and left < scans[0].position_m:
        found.append(Segment(left, scans[0].position_m, "hold", "the first scan fails"))
    if scans[-1].verdict == "fail" and right > scans[-1].position_m:
        found.append(Segment(scans[-1].position_m, right, "hold", "the last scan fails"))
    return found


def _joined(pieces: Sequence[Segment]) -> list[Segment]:
    """Neighbours of one fate as one segment; empty ones left out, later pieces over earlier."""
    placed: dict[tuple[float, float], Segment] = {}
    for piece in pieces:
        if piece.end_m > piece.start_m:
            placed[piece.start_m, piece.end_m] = piece
    joined: list[Segment] = []
    for piece in sorted(placed.values(), key=lambda s: s.start_m):
        if joined and joined[-1].fate == piece.fate:
            last = joined[-1]
            why = last.why if piece.why in last.why else f"{last.why}; {piece.why}"
            joined[-1] = Segment(last.start_m, piece.end_m, last.fate, why)
        else:
            joined.append(piece)
    return joined


def _told(segment: Segment, scans: Sequence[ReelScan]) -> Segment:
    """The segment with its failing scans named, and no more than three reasons."""
    reasons = segment.why.split("; ")
    why = "; ".join(reasons[:3]) + (f"; and {len(reasons) - 3} more" if len(reasons) > 3 else "")
    inside = [
        number(scan.position_m, 6)
        for scan in scans
        if scan.verdict == "fail" and segment.start_m <= scan.position_m <= segment.end_m
    ]
    if segment.fate == "hold" and inside:
        named = ", ".join(inside[:6]) + (f" and {len(inside) - 6} more" if len(inside) > 6 else "")
        why = f"fails at {named} m; {why}"
    return Segment(segment.start_m, segment.end_m, segment.fate, why)


def _least_length(segments: list[Segment], least: float) -> list[Segment]:
    short = [
        Segment(s.start_m, s.end_m, "undecided", f"passes, but a piece under {number(least, 4)} m")
        if s.fate == "ship" and s.length_m < least * (1.0 - 1e-9)
        else s
        for s in segments
    ]
    return _joined(short)


def _margins(scans: Sequence[ReelScan], gaps: Sequence[Segment]) -> tuple[float, float]:
    """(largest stretch held beside a failing scan, length withheld for want of knowledge)."""
    margin = held = 0.0
    for i, gap in enumerate(gaps):
        verdicts = (scans[i].verdict, scans[i + 1].verdict)
        if verdicts.count("fail") == 1:
            margin = max(margin, gap.length_m)
        if gap.fate != "ship" and verdicts != ("fail", "fail"):
            held += gap.length_m
    return margin, held


def _lengths(
    scans: Sequence[ReelScan],
    crossings: Sequence[tuple[float, str]],
    least: float,
    risk: float,
) -> tuple[tuple[float, float], ...]:
    """What would ship with other shortest faults: at the lengths of gaps there are, at most 8."""
    spacings = sorted({round(b.position_m - a.position_m, 3) for a, b in itertools.pairwise(scans)})
    if len(spacings) > 8:
        picked = np.unique(np.linspace(0, len(spacings) - 1, 8).round().astype(int))
        spacings = [spacings[i] for i in picked]
    found = []
    for fault in spacings:
        # a spacing is told to the millimetre: let it be no shorter than the gap it stands for
        gaps = [_gap(i, scans, crossings[i], fault + 5e-4, risk) for i in range(len(scans) - 1)]
        shipped = [s for s in _least_length(_joined(gaps), least) if s.fate == "ship"]
        found.append((fault, sum(s.length_m for s in shipped)))
    return tuple(found)
