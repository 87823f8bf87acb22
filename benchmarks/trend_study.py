"""Simulated lines and reels: how often a shift is dated, a cause found, a bad metre released.

Run: python benchmarks/trend_study.py [--trials 200] [--reels 500] [--seed 1]

A line has 100 runs, each with its own uncertainty, of unit total scatter; a shift of 1.5 scatters
at run 60, a slow drift, and one cause among 12 recipe parameters that correlate at 0.6.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.trend.lines import (
    CAUSE,
    blind_course,
    blind_relation,
    dated,
    made_line,
    made_reel,
    whole,
)
from xrdfilm.trend.charts import cusum
from xrdfilm.trend.recipe import RecipeRelation
from xrdfilm.trend.scatter import Baseline

NAME = f"parameter_{CAUSE:02d}"


def share(trials: int, seed: int, hit: Callable[[np.random.Generator], bool]) -> float:
    rng = np.random.default_rng(seed)
    return sum(hit(rng) for _ in range(trials)) / trials


def first(relation: RecipeRelation | None) -> bool:
    return relation is not None and relation.relations[0].parameter == NAME


def near(found: int | None) -> bool:
    return found is not None and abs(found - 60) <= 3


def most_dated(trials: int, seed: int) -> float:
    """How often the best of all estimators would date the shift within 3 runs.

    It knows that there is one step, both levels and every point's scatter, and takes the run with
    most probability within three runs of it.
    """
    rng = np.random.default_rng(seed)
    hits = 0
    for _ in range(trials):
        line = made_line(rng, shift=1.5)
        weight = 1.0 / (1.0 - np.mean(line.u**2) + line.u**2)
        # log-likelihood of a first run k of the new level, up to a constant
        gain = np.cumsum(weight * ((line.values - 1.5) ** 2 - line.values**2))[:-1] / 2.0
        belief = np.exp(gain - gain.max())
        window = np.convolve(belief, np.ones(7))[3:-3]
        hits += near(int(np.argmax(window)) + 1)
    return hits / trials


def lines(trials: int, seed: int) -> None:
    def dates(rng: np.random.Generator) -> bool:
        return near(dated(blind_course(made_line(rng, shift=1.5))))

    def dates_as_step(rng: np.random.Generator) -> bool:
        course = blind_course(made_line(rng, shift=1.5))
        return bool(course.steps) and near(dated(course))

    def no_step(rng: np.random.Generator) -> bool:
        return blind_course(made_line(rng)).kind == "steady"

    def drifts(rng: np.random.Generator) -> bool:
        return blind_course(made_line(rng, drift=3.0)).kind == "drift"

    def finds(rng: np.random.Generator) -> bool:
        return first(blind_relation(made_line(rng, effect=0.8)))

    def silent(rng: np.random.Generator) -> bool:
        return not blind_relation(made_line(rng)).named

    print(f"shift of 1.5 dated within 3 runs        {share(trials, seed, dates):.3f}")
    print(
        f"  the same, {5 * trials} other trials          {share(5 * trials, seed + 77, dates):.3f}"
    )
    print(
        f"  told as a step, not beside a drift    {share(5 * trials, seed + 77, dates_as_step):.3f}"
    )
    print(f"  the most that could be                {most_dated(20 * trials, seed + 7):.3f}")
    print(f"steady line called steady               {share(trials, seed + 1, no_step):.3f}")
    print(f"drift of 3 over 100 runs called a drift {share(trials, seed + 2, drifts):.3f}")
    print(f"true cause first of 12 (effect 0.8)     {share(trials, seed + 3, finds):.3f}")
    print(f"no cause named on a blank line          {share(trials, seed + 4, silent):.3f}")
    rng = np.random.default_rng(seed + 5)
    counts = dict.fromkeys(("blind", "beside", "first", "wrong"), 0)
    for _ in range(trials):
        course, beside, relation = whole(made_line(rng, shift=1.5, drift=0.5, effect=0.8))
        counts["blind"] += near(dated(course))
        counts["beside"] += near(dated(beside if beside is not None else course))
        counts["first"] += first(relation)
        counts["wrong"] += relation is not None and any(r.parameter != NAME for r in relation.named)
    print("all at once: shift 1.5, drift 0.5, cause 0.8")
    print(f"  shift dated within 3 runs, figures as they are   {counts['blind'] / trials:.3f}")
    print(f"  the same beside what the recipe accounts for     {counts['beside'] / trials:.3f}")
    print(f"  true cause first                                 {counts['first'] / trials:.3f}")
    print(f"  another parameter named too                      {counts['wrong'] / trials:.3f}")
    rng = np.random.default_rng(seed + 6)
    silent_too = sum(
        not getattr(whole(made_line(rng, shift=1.5, drift=0.5))[2], "named", ())
        for _ in range(trials)
    )
    print(f"  no cause named with shift and drift but no cause {silent_too / trials:.3f}")


def reels(trials: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    made = [made_reel(rng) for _ in range(trials)]
    released = [reel.bad_released_m for reel in made]
    shipped = [reel.map.metres("ship") for reel in made]
    margins = [reel.map.margin_m for reel in made]
    held = [reel.map.held_back_m for reel in made]
    print(
        f"reels of 120 m, 4 m bad, scans 1.5 to 4.5 m apart: bad metres released in "
        f"{sum(r > 0 for r in released)} of {trials} reels\n"
        f"  shipped {np.mean(shipped):.1f} m of 116 good ones; good metres held back for want of "
        f"scans {np.mean(held):.1f} m; beside the fault up to {max(margins):.1f} m a side "
        f"(mean {np.mean(margins):.1f} m)"
    )


def uneven_cusum(trials: int, seed: int) -> None:
    """Mean run length of the CUSUM where the points' uncertainties differ, against the even one."""
    rng = np.random.default_rng(seed)
    baseline = Baseline(0.0, 0.6, typical_u=0.8)
    lengths = []
    for _ in range(trials):
        u = rng.uniform(0.5, 1.2, 6000)
        x = rng.normal(0.0, np.hypot(0.6, u))
        sums = cusum(x, u, baseline, limit=4.0).above
        over = np.flatnonzero(sums > 4.0 * baseline.typical)
        lengths.append(over[0] + 1 if over.size else x.size)
    error = np.std(lengths) / np.sqrt(trials)
    print(
        f"one-sided CUSUM (0.5, 4), points of uneven uncertainty: run length "
        f"{np.mean(lengths):.0f} ± {error:.0f}, even points 335.4"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--reels", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    stated = parser.parse_args()
    lines(stated.trials, stated.seed)
    reels(stated.reels, stated.seed + 10)
    uneven_cusum(stated.trials, stated.seed + 20)


if __name__ == "__main__":
    main()
