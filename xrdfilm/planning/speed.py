"""Line speed: how long a film must stay in the hot zone, and how fast the line may run.

    dwell = incubation + thickness / rate + margin,    speed = hot zone / dwell

with the lower end of the rate's interval and the upper end of the incubation's, never their
middles: half of all films would leave the furnace unfinished. It is arithmetic on what a series
showed, not a promise that the furnace, the gas supply or the texture follow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.numbers import number

A_AXIS_CAUTION = (
    "Both very slow and very fast growth bring a-axis grains (Teranishi et al., Physica C 412-414 "
    "(2004), volume from memory): faster is not better without end. Check the a-axis share of "
    "films grown at the planned rate."
)
FLOW_CAUTION = (
    "A long furnace grows slower downstream, where HF has built up in the gas; a rate from coupons "
    "holds for a line only where the gas reaches every metre alike."
)


@dataclass(frozen=True, slots=True)
class GrowthFigures:
    """What a series gave: rate and incubation with intervals, and the range it covered.

    ``rate_nm_s`` and ``incubation_s`` are (low, best, high); ``covered_thickness_nm`` and
    ``covered_rate_nm_s`` the ranges of the films behind them, None where not known.
    """

    rate_nm_s: tuple[float, float, float]
    incubation_s: tuple[float, float, float] = (0.0, 0.0, 0.0)
    covered_thickness_nm: tuple[float, float] | None = None
    covered_rate_nm_s: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        low, best, high = self.rate_nm_s
        if not (0.0 < low <= best <= high and math.isfinite(low)):
            raise ValueError(
                f"the rate needs 0 < low <= best <= high, found {low:g}, {best:g}, {high:g} nm/s; "
                "a rate without a lower end allows no line speed: quench more films near the end"
            )
        if not self.incubation_s[0] <= self.incubation_s[1] <= self.incubation_s[2]:
            raise ValueError("the incubation needs low <= best <= high")


@dataclass(frozen=True, slots=True)
class SpeedPlan:
    """Dwell and line speed at the bound of the figures, and beside it at their middles.

    ``speed_at_best_m_h`` is for comparison only. ``warnings`` say where the plan leaves what the
    series covered.
    """

    thickness_nm: float
    hot_zone_m: float
    dwell_s: float
    speed_m_h: float
    dwell_at_best_s: float
    speed_at_best_m_h: float
    figures: GrowthFigures
    margin: float
    warnings: tuple[str, ...]


def dwell_s(
    thickness_nm: float, rate_nm_s: float, incubation_s: float = 0.0, margin: float = 0.0
) -> float:
    """Time in the hot zone, s; ``margin`` is a share added to incubation and growth."""
    return (max(incubation_s, 0.0) + thickness_nm / rate_nm_s) * (1.0 + margin)


def speed_m_h(hot_zone_m: float, dwell: float) -> float:
    """Line speed in m/h for a dwell in s."""
    return hot_zone_m / dwell * 3600.0


def hot_zone_m(speed: float, dwell: float) -> float:
    """Hot zone in m that a line speed in m/h needs for a dwell in s."""
    return speed / 3600.0 * dwell


def plan_speed(
    figures: GrowthFigures, *, thickness_nm: float, hot_zone_m: float, margin: float = 0.0
) -> SpeedPlan:
    """The line speed that finishes the film even at the rate's lower end.

    Raises ValueError for a thickness or hot zone that is not positive, or a negative margin.
    """
    for name, value in (("thickness", thickness_nm), ("hot zone", hot_zone_m)):
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} must be above 0, found {value:g}")
    if margin < 0.0:
        raise ValueError(f"the margin must not be negative, found {margin:g}")
    low, best, _ = figures.rate_nm_s
    dwell = dwell_s(thickness_nm, low, figures.incubation_s[2], margin)
    middle = dwell_s(thickness_nm, best, figures.incubation_s[1], margin)
    return SpeedPlan(
        thickness_nm,
        hot_zone_m,
        dwell,
        speed_m_h(hot_zone_m, dwell),
        middle,
        speed_m_h(hot_zone_m, middle),
        figures,
        margin,
        _warnings(figures, thickness_nm),
    )


def _warnings(figures: GrowthFigures, thickness_nm: float) -> tuple[str, ...]:
    found: list[str] = []
    low, best, high = figures.rate_nm_s
    if figures.covered_thickness_nm is not None:
        least, most = figures.covered_thickness_nm
        if not least * 0.999 <= thickness_nm <= most * 1.001:
            covered = number(least) if least == most else f"{number(least)} to {number(most)}"
            found.append(
                f"{number(thickness_nm)} nm lies outside what the series covered ({covered} nm): "
                "growth is carried on as a straight line, which thicker films often do not follow"
            )
    if figures.covered_rate_nm_s is not None:
        least, most = figures.covered_rate_nm_s
        if not least <= best <= most:
            found.append(
                f"{number(best)} nm/s lies outside the rates the series covered "
                f"({number(least)} to {number(most)} nm/s)"
            )
    if high > 2.0 * low:
        found.append(
            f"the rate is known only between {number(low)} and {number(high)} nm/s; more quenched "
            "films on the rising part of the curve would allow a higher speed"
        )
    if figures.incubation_s == (0.0, 0.0, 0.0):
        found.append("no incubation is given: it is taken as 0, which a series should confirm")
    found += [A_AXIS_CAUTION, FLOW_CAUTION]
    return tuple(found)


@dataclass(frozen=True, slots=True, eq=False)
class SpeedCurves:
    """Line speed against thickness for several hot zones: at the bound and at the middles.

    ``thickness_nm`` (N,); ``speed_m_h`` and ``speed_at_best_m_h`` (H, N) for ``hot_zones_m`` (H,).
    """

    thickness_nm: FloatArray
    hot_zones_m: FloatArray
    speed_m_h: FloatArray
    speed_at_best_m_h: FloatArray


def speed_curves(plan: SpeedPlan, hot_zones_m: Sequence[float] | None = None) -> SpeedCurves:
    """Line speed from a third to three times the planned thickness, for hot zones about its own."""
    zones = np.array(
        hot_zones_m if hot_zones_m is not None else plan.hot_zone_m * np.array([0.5, 1.0, 2.0])
    )
    thickness = np.geomspace(plan.thickness_nm / 3.0, plan.thickness_nm * 3.0, 121)
    figures = plan.figures

    def speeds(rate: float, incubation: float) -> FloatArray:
        dwell = (max(incubation, 0.0) + thickness / rate) * (1.0 + plan.margin)
        return np.asarray(zones[:, None] / dwell[None, :] * 3600.0)

    return SpeedCurves(
        thickness,
        zones,
        speeds(figures.rate_nm_s[0], figures.incubation_s[2]),
        speeds(figures.rate_nm_s[1], figures.incubation_s[1]),
    )


def in_words(plan: SpeedPlan) -> str:
    """The plan in one sentence."""
    return (
        f"{number(plan.thickness_nm)} nm need {_dwell_words(plan.dwell_s)} in the hot zone; with "
        f"{number(plan.hot_zone_m)} m of it the line may run at {number(plan.speed_m_h, 3)} m/h "
        f"(at the middle of the figures, for comparison only, "
        f"{number(plan.speed_at_best_m_h, 3)} m/h)."
    )


def _dwell_words(seconds: float) -> str:
    if seconds < 600.0:
        return f"{number(seconds, 3)} s"
    return f"{number(seconds / 60.0, 3)} min"
