"""A series: films of one run quenched at different times, each with its conversion.

A point is a conversion with its standard uncertainty (the estimate may lie outside 0..1), or, where
only a limit is known, a censored point: its estimate lies at or beyond the bound.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from scipy.special import ndtri

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate

Side = Literal["fluoride", "film", "both"]
Censor = Literal["none", "at_0", "at_1"]

SIDE_WORDS = {
    "fluoride": "fluoride side (what is left of the fluoride)",
    "film": "film side (what has grown)",
    "both": "both sides together",
}
FEWEST_POINTS = 4


@dataclass(frozen=True, slots=True)
class Point:
    """One film of a series.

    ``conversion`` is the unbounded estimate, ``sigma`` its standard uncertainty by causes that
    differ from film to film. A censored point has its ``conversion`` at the bound.
    """

    time_s: float
    conversion: float
    sigma: float
    censor: Censor = "none"
    film: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.time_s) and math.isfinite(self.conversion)):
            raise ValueError(f"{self.film or 'point'}: time and conversion must be numbers")
        if not (math.isfinite(self.sigma) and self.sigma > 0.0):
            raise ValueError(
                f"{self.film or 'point'} at {self.time_s:g} s: the uncertainty of the conversion "
                f"must be above 0, found {self.sigma:g}"
            )

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Two-sided interval, or for a censored point the one-sided limit and the bound."""
        if self.censor == "at_1":
            return 1.0 - float(ndtri(level)) * self.sigma, 1.0
        if self.censor == "at_0":
            return 0.0, float(ndtri(level)) * self.sigma
        half = float(ndtri(0.5 + level / 2.0)) * self.sigma
        return self.conversion - half, self.conversion + half


def point_of(time_s: float, estimate: Estimate, film: str = "") -> Point:
    """A point from an estimate: its unbounded estimate and sigma, else its interval or limit.

    A limit L without an estimate says that the estimate stands at the bound with a standard
    uncertainty of (1 - L)/z, for a lower limit on a conversion. Raises ValueError where the
    estimate tells nothing.
    """
    if estimate.estimate is not None and estimate.sigma:
        return Point(time_s, estimate.estimate, estimate.sigma, film=film)
    z_one, z_two = float(ndtri(estimate.level)), float(ndtri(0.5 + estimate.level / 2.0))
    low, high = estimate.low, estimate.high
    if estimate.value is not None and low is not None and high is not None:
        if estimate.value >= 1.0 and low < 1.0:
            return Point(time_s, 1.0, (1.0 - low) / z_one, "at_1", film)
        if estimate.value <= 0.0 and high > 0.0:
            return Point(time_s, 0.0, high / z_one, "at_0", film)
        if high > low:
            return Point(time_s, estimate.value, (high - low) / (2.0 * z_two), film=film)
    if estimate.value is None and low is not None and 0.0 < low < 1.0 and (high or 1.0) >= 1.0:
        return Point(time_s, 1.0, (1.0 - low) / z_one, "at_1", film)
    if estimate.value is None and high is not None and 0.0 < high < 1.0 and not low:
        return Point(time_s, 0.0, high / z_one, "at_0", film)
    raise ValueError(
        f"{film or 'point'}: neither an estimate with its uncertainty nor a limit is given"
    )


@dataclass(frozen=True, slots=True)
class Series:
    """The points of one side of one run, by time.

    ``shared_sigma`` is the relative standard uncertainty of a scale all points share (that of the
    reference film they were divided by): of the conversion on the film side, of the unconverted
    part on the fluoride side. ``thickness_nm`` is that of the finished film, for nm/s.
    """

    points: tuple[Point, ...]
    side: Side = "fluoride"
    thickness_nm: float | None = None
    thickness_sigma_nm: float = 0.0
    shared_sigma: float = 0.0
    name: str = ""
    notes: tuple[str, ...] = field(default=())

    @classmethod
    def of(cls, points: Sequence[Point], **about: object) -> Series:
        """A series of these points, put in order of time."""
        ordered = tuple(sorted(points, key=lambda p: p.time_s))
        return cls(ordered, **about)  # type: ignore[arg-type]

    @property
    def time_s(self) -> FloatArray:
        """Times in s, shape (N,), ascending."""
        return np.array([p.time_s for p in self.points], dtype=float)

    @property
    def conversion(self) -> FloatArray:
        """Unbounded estimates of the conversion, shape (N,)."""
        return np.array([p.conversion for p in self.points], dtype=float)

    @property
    def sigma(self) -> FloatArray:
        """Standard uncertainties of the conversions, shape (N,)."""
        return np.array([p.sigma for p in self.points], dtype=float)

    @property
    def censor(self) -> FloatArray:
        """-1 at the lower bound, +1 at the upper, 0 for a measured point; shape (N,)."""
        code = {"none": 0.0, "at_0": -1.0, "at_1": 1.0}
        return np.array([code[p.censor] for p in self.points])

    def check(self) -> None:
        """Raise CannotTellError where no curve can be fitted, saying what is lacking."""
        times = np.unique(self.time_s)
        if times.size < FEWEST_POINTS:
            raise CannotTellError(
                f"the series has {times.size} different times on the {SIDE_WORDS[self.side]}; a "
                f"growth curve needs at least {FEWEST_POINTS}: quench films at more times"
            )
        low, high = self.conversion - 2.0 * self.sigma, self.conversion + 2.0 * self.sigma
        if np.all(high > 1.0):
            raise CannotTellError(
                "every film of the series may be finished, so no growth shows; quench some earlier"
            )
        if np.all(low < 0.0):
            raise CannotTellError(
                "no film of the series has surely begun to convert; quench some later"
            )
