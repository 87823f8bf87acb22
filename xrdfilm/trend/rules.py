"""What counts as a signal. Few rules by default: every further one adds false alarms.

The four zone rules are those of the Western Electric handbook (1956, from memory); how often a
chosen set calls wrongly is told by `runlength.false_alarms`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.trend.charts import Cusum, Ewma, Individuals


@dataclass(frozen=True, slots=True)
class ZoneRule:
    """``count`` of the last ``among`` points beyond ``beyond`` standard deviations on one side."""

    count: int
    among: int
    beyond: float


ZONE_RULES: dict[str, ZoneRule] = {
    "limits": ZoneRule(1, 1, 3.0),
    "two-of-three": ZoneRule(2, 3, 2.0),
    "four-of-five": ZoneRule(4, 5, 1.0),
    "eight-on-a-side": ZoneRule(8, 8, 0.0),
}
RULES: dict[str, str] = {
    "limits": "a point beyond 3 standard deviations",
    "two-of-three": "two of three points beyond 2 standard deviations on one side",
    "four-of-five": "four of five points beyond 1 standard deviation on one side",
    "eight-on-a-side": "eight points in a row on one side of the centre",
    "range": "two neighbours further apart than the limit of the moving range",
    "ewma": "the exponentially weighted average beyond its limits",
    "cusum": "a cumulative sum above its limit",
}
DEFAULT_RULES = ("limits", "ewma")


@dataclass(frozen=True, slots=True)
class Signal:
    """A rule that fired at point ``index``; ``side`` is +1 above, -1 below, 0 for a range.

    ``since`` is the first point of the signal's own evidence (for a CUSUM, where the sum last
    left zero), ``until`` the last point in a row at which the rule fires.
    """

    rule: str
    index: int
    side: int
    since: int
    until: int


def signals(
    rules: Sequence[str], chart: Individuals, average: Ewma, sums: Cusum
) -> tuple[Signal, ...]:
    """Every signal of the chosen rules, a lasting one once, in order."""
    found: list[Signal] = []
    for name in rules:
        for side in (1, -1):
            if name in ZONE_RULES:
                rule = ZONE_RULES[name]
                found += [
                    Signal(name, i, side, max(0, i - rule.among + 1), end)
                    for i, end in spans(zone_fired(rule, side * chart.z))
                ]
            elif name == "ewma":
                limit = average.upper if side > 0 else average.lower
                fired = side * (average.values - limit) > 0.0
                found += [Signal(name, i, side, i, end) for i, end in spans(fired)]
            elif name == "cusum":
                sums_here = sums.above if side > 0 else sums.below
                zeros = np.flatnonzero(np.concatenate([[True], sums_here <= 0.0]))
                found += [
                    Signal(name, i, side, int(zeros[zeros <= i][-1]), end)
                    for i, end in spans(sums_here > sums.limit)
                ]
        if name == "range":
            over = np.concatenate([[False], chart.ranges > chart.range_upper])
            found += [Signal(name, i, 0, i - 1, end) for i, end in spans(over)]
    return tuple(sorted(found, key=lambda s: (s.index, list(RULES).index(s.rule))))


def zone_fired(rule: ZoneRule, z: FloatArray) -> BoolArray:
    """Where a zone rule fires on the upper side, shape (N,); the last point must be beyond too."""
    beyond = z > rule.beyond
    counts = np.cumsum(np.concatenate([np.zeros(rule.among), beyond]))
    fired: BoolArray = beyond & (counts[rule.among :] - counts[: -rule.among] >= rule.count)
    return fired


def spans(fired: BoolArray) -> list[tuple[int, int]]:
    """First and last index of every run of True in ``fired``, shape (N,)."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], fired, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
