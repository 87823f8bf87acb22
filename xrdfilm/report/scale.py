"""A limit drawn as a scale: the limit, its guard band, the figure and its interval on one axis."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from xrdfilm.decision.quantities import DETECTED, find_quantity
from xrdfilm.numbers import number, show
from xrdfilm.results import Reason


@dataclass(frozen=True, slots=True)
class LimitScale:
    """Places on the axis as fractions of its length, 0 (left) to 1 (right).

    ``broken`` are the stretches beyond the limits, ``guard`` those between limit and acceptance
    limit. ``low`` and ``high`` are the ends of the interval, ``value`` the figure (None: only a
    limit is known). ``labels`` are (place, text) of the limits; ``first`` and ``last`` the texts
    at the axis' ends. ``words`` says the same for those who do not see it.
    """

    broken: tuple[tuple[float, float], ...]
    guard: tuple[tuple[float, float], ...]
    limits: tuple[tuple[float, str], ...]
    low: float | None
    high: float | None
    value: float | None
    first: str
    last: str
    words: str


def limit_scale(reason: Reason) -> LimitScale | None:
    """The scale of a judged limit; None where there is nothing to draw (a phase seen or not)."""
    spec = find_quantity(reason.quantity)
    limit: Mapping[str, Any] = reason.limit
    bounds = [limit.get("min"), limit.get("max")]
    if spec is None or reason.quantity.endswith(DETECTED) or all(b is None for b in bounds):
        return None
    shown = [
        float(x)
        for x in (*bounds, reason.value, reason.low, reason.high)
        if x is not None and math.isfinite(x)
    ]
    start, stop = _domain(shown, spec.bounds)

    def place(x: float | None) -> float | None:
        if x is None or not math.isfinite(x):
            return None
        return min(1.0, max(0.0, (x - start) / (stop - start)))

    broken, guard = [], []
    accepted = reason.acceptance or {}
    least, most = place(limit.get("min")), place(limit.get("max"))
    if least is not None:
        broken.append((0.0, least))
        if (inner := place(accepted.get("min"))) is not None and inner > least:
            guard.append((least, inner))
    if most is not None:
        broken.append((most, 1.0))
        if (inner := place(accepted.get("max"))) is not None and inner < most:
            guard.append((inner, most))
    labels = tuple(
        (at, number(bound * spec.scale, 8))
        for bound, at in ((limit.get("min"), least), (limit.get("max"), most))
        if bound is not None and at is not None
    )
    found = show(reason, scale=spec.scale, unit=spec.unit)
    words = " and ".join(
        f"{name} {number(bound * spec.scale, 8)} {spec.unit}".strip()
        for name, bound in (("at least", limit.get("min")), ("at most", limit.get("max")))
        if bound is not None
    )
    return LimitScale(
        tuple(broken),
        tuple(guard),
        labels,
        place(reason.low),
        place(reason.high),
        place(reason.value),
        number(start * spec.scale, 4),
        number(stop * spec.scale, 4),
        f"{spec.label}: {found}; limit {words}",
    )


def _domain(shown: list[float], bounds: tuple[float | None, float | None]) -> tuple[float, float]:
    """A round stretch that holds everything with some air, within the quantity's bounds."""
    low, high = min(shown), max(shown)
    low_bound, high_bound = bounds
    width = high - low
    if width <= 0.0:
        width = abs(high) if high else 1.0
    if low_bound is not None and low - low_bound < width:
        low = low_bound  # zero is close enough to be worth seeing
    if high_bound is not None and high_bound - high < 0.3 * width:
        high = high_bound
    width = max(high - low, 1e-12)
    start = low if low == low_bound else low - 0.15 * width
    stop = high if high == high_bound else high + 0.15 * width
    step = 10.0 ** math.floor(math.log10(stop - start) - 0.7)
    start, stop = math.floor(start / step) * step, math.ceil(stop / step) * step
    if low_bound is not None:
        start = max(start, low_bound)
    if high_bound is not None:
        stop = min(stop, high_bound)
    return start, stop
