"""Simulated lines and reels with known truth, for the tests and benchmarks/trend_study.py."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.trend.analyse import course_and_recipe, own_spread
from xrdfilm.trend.change import Course, course_of
from xrdfilm.trend.recipe import RecipeRelation, relate
from xrdfilm.trend.reel import LimitedQuantity, ReelScan, ShipMap, ship_map

CAUSE = 4
PARAMETERS = 12


@dataclass(frozen=True)
class Line:
    """Runs of a line: figures, uncertainties, and their recipes (N, 12)."""

    values: FloatArray
    u: FloatArray
    recipe: FloatArray

    @property
    def recipes(self) -> list[dict[str, float]]:
        return [{f"parameter_{j:02d}": float(x) for j, x in enumerate(row)} for row in self.recipe]


def made_line(
    rng: np.random.Generator,
    runs: int = 100,
    *,
    shift: float = 0.0,
    at: int = 60,
    drift: float = 0.0,
    effect: float = 0.0,
    correlation: float = 0.6,
) -> Line:
    """A line of unit scatter on average: its own and the runs' uncertainties together.

    ``shift`` at run ``at`` and ``drift`` over all runs are in that scatter. ``effect`` is how many
    scatters the quantity moves a standard deviation of the cause; the 12 parameters correlate.
    """
    u = rng.uniform(0.3, 0.6, runs)
    own = np.sqrt(1.0 - np.mean(u**2))
    common = rng.normal(size=(runs, 1))
    recipe = np.sqrt(correlation) * common + np.sqrt(1 - correlation) * rng.normal(
        size=(runs, PARAMETERS)
    )
    t = np.arange(runs)
    values = rng.normal(0.0, own, runs) + rng.normal(0.0, u) + effect * recipe[:, CAUSE]
    values += shift * (t >= at) + drift * t / runs
    return Line(values, u, recipe)


def blind_course(line: Line) -> Course:
    """The course as `trend` finds it, without the recipe."""
    return course_of(line.values, own_spread(line.values, line.u))


def blind_relation(line: Line) -> RecipeRelation:
    """The relation to the recipe as `trend` finds it where the line stands still."""
    spread = own_spread(line.values, line.u)
    return relate(line.values, spread, line.recipes)


def whole(line: Line) -> tuple[Course, Course | None, RecipeRelation | None]:
    """Course and recipe together, as `trend` finds them."""
    every: IntArray = np.arange(line.values.size)
    return course_and_recipe(
        line.values, line.u, blind_course(line), every, line.values, line.u, line.recipes
    )


def dated(course: Course | None) -> int | None:
    """The run of the clearest step, or of the one that is told beside a drift."""
    if course is None:
        return None
    steps = course.steps or ((course.instead,) if course.instead else ())
    return max(steps, key=lambda step: step.ratio).index if steps else None


@dataclass(frozen=True)
class Reel:
    """A reel of 120 m with one bad stretch, and its ship map."""

    bad_from_m: float
    bad_to_m: float
    map: ShipMap

    @property
    def bad_released_m(self) -> float:
        """How much of the bad stretch would be shipped."""
        return sum(
            max(0.0, min(s.end_m, self.bad_to_m) - max(s.start_m, self.bad_from_m))
            for s in self.map.segments
            if s.fate == "ship"
        )


def made_reel(
    rng: np.random.Generator,
    *,
    length_m: float = 120.0,
    bad_m: float = 4.0,
    spacing_m: tuple[float, float] = (1.5, 4.5),
    bad_share: float = 0.12,
) -> Reel:
    """a-axis share 3 % (wandering) with a limit of 6 %, bad over 4 m; scans coarse and uneven.

    Scans are decided as `judge` does: pass where the chance of breaking the limit is under 5 %.
    """
    start = rng.uniform(0.0, length_m - bad_m)
    places = [rng.uniform(0.0, 1.0)]
    while places[-1] < length_m - spacing_m[1]:
        places.append(places[-1] + rng.uniform(*spacing_m))
    at = np.array(places)
    wander = np.cumsum(rng.normal(0.0, 0.0012 * np.sqrt(np.diff(at, prepend=at[0]))))
    truth = 0.03 + wander - wander.mean()
    truth = np.where((at >= start) & (at <= start + bad_m), bad_share, truth)
    sigma = np.full(at.size, 0.008)
    estimate = truth + rng.normal(0.0, sigma)
    z = (0.06 - estimate) / sigma
    verdicts = np.where(z > 1.645, "pass", np.where(z < -1.645, "fail", "undecided"))
    scans = [ReelScan(float(p), str(v)) for p, v in zip(at, verdicts, strict=True)]
    limited = LimitedQuantity("a-axis share", estimate, sigma, None, 0.06)
    return Reel(
        start,
        start + bad_m,
        ship_map(scans, [limited], shortest_fault_m=bad_m, start_m=0.0, end_m=length_m),
    )
