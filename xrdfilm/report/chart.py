"""Geometry of the charts on trend and reel pages: shares of the width, pixels of the height.

The width of a page is not known here, so x is told in per cent, and curves are drawn in a box of
1000 units that the page stretches. Everything is computed here; the template only draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.numbers import decimals, fixed
from xrdfilm.report.strip import nice_ticks

WIDE = 1000.0
_PAD_PX = 9.0


@dataclass(frozen=True, slots=True)
class Mark:
    """A point: place in per cent, pixels from the top, interval ends in pixels, its class."""

    x: float
    y: float
    low: float
    high: float
    kind: str
    title: str


@dataclass(frozen=True, slots=True)
class Curve:
    """A path in the stretched box, of a class; closed for a band."""

    path: str
    kind: str


@dataclass(frozen=True, slots=True)
class Chart:
    """One panel. ``ticks_y`` are (pixel, text), ``ticks_x`` and ``flags`` (per cent, text)."""

    title: str
    unit: str
    height: int
    curves: tuple[Curve, ...]
    marks: tuple[Mark, ...]
    ticks_y: tuple[tuple[float, str], ...]
    ticks_x: tuple[tuple[float, str], ...]
    flags: tuple[tuple[float, str], ...]
    words: str


class Frame:
    """Where data lie on a panel: x from low to high over its width, y over its height."""

    def __init__(
        self, x_range: tuple[float, float], y_values: Sequence[FloatArray], height: int
    ) -> None:
        known = [v[np.isfinite(v)] for v in y_values]
        joined = np.concatenate([v for v in known if v.size] or [np.array([0.0, 1.0])])
        self.low, self.high = float(joined.min()), float(joined.max())
        if self.high <= self.low:
            half = 0.5 * abs(self.low) or 0.5
            self.low, self.high = self.low - half, self.high + half
        self.x_low, self.x_high = x_range
        self.height = height

    def x(self, value: float) -> float:
        """Per cent of the width."""
        return round(100.0 * (value - self.x_low) / (self.x_high - self.x_low), 3)

    def y(self, value: float) -> float:
        """Pixels from the top."""
        share = (self.high - value) / (self.high - self.low)
        return round(_PAD_PX + share * (self.height - 2.0 * _PAD_PX), 2)

    def curve(self, x: FloatArray, y: FloatArray, kind: str, *, stepped: bool = False) -> Curve:
        """A polyline through the finite points, (N,); ``stepped``: level to halfway to the next."""
        return Curve(self._path(x, y, stepped=stepped), kind)

    def band(
        self, x: FloatArray, low: FloatArray, high: FloatArray, kind: str, *, stepped: bool = False
    ) -> Curve:
        """The area between two curves; all of shape (N,)."""
        there = self._path(x, high, stepped=stepped)
        back = self._path(x[::-1], low[::-1], stepped=stepped)
        return Curve(f"{there}L{back[1:]}Z" if there and back else "", kind)

    def _path(self, x: FloatArray, y: FloatArray, *, stepped: bool) -> str:
        kept = np.isfinite(y)
        x, y = x[kept], y[kept]
        if x.size == 0:
            return ""
        if stepped and x.size > 1:
            middles = 0.5 * (x[1:] + x[:-1])
            edges = np.concatenate([[x[0]], np.repeat(middles, 2), [x[-1]]])
            x, y = edges, np.repeat(y, 2)
        places = [
            f"{self.x(float(a)) * WIDE / 100.0:.1f} {self.y(float(b)):.1f}"
            for a, b in zip(x, y, strict=True)
        ]
        return "M" + "L".join(places)

    def ticks_y(self, scale: float, most: int = 4) -> tuple[tuple[float, str], ...]:
        """Round values up the panel, written in the shown unit."""
        ticks = nice_ticks(self.low * scale, self.high * scale, most)
        places = decimals(ticks[1] - ticks[0]) - 1 if len(ticks) > 1 else 3
        # a step of 2.5 needs a digit more than one of 2
        if len(ticks) > 1 and abs(round((ticks[1] - ticks[0]) * 10.0**places) % 1) > 1e-9:
            places += 1
        if any(abs(round(t, max(0, places)) - t) > 1e-9 * max(1.0, abs(t)) for t in ticks):
            places += 1
        return tuple((self.y(t / scale), fixed(t, places)) for t in ticks)


def run_ticks(frame: Frame, names: Sequence[str], most: int = 5) -> tuple[tuple[float, str], ...]:
    """A few run names along the panel, the first and the last among them."""
    n = len(names)
    if n == 0:
        return ()
    picked = np.unique(np.linspace(0, n - 1, min(most, n)).round().astype(int))
    return tuple((frame.x(float(i)), names[i]) for i in picked)
