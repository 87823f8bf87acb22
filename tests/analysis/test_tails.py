"""Tails of strong lines under the windows of weak ones."""

from __future__ import annotations

import numpy as np

from xrdfilm.analysis.tails import tails_beyond
from xrdfilm.crystal.radiation import radiation
from xrdfilm.fitting.detection import doublet_constants
from xrdfilm.fitting.engine import LineSpec, WindowSpec, compile_plan, fit_block
from xrdfilm.fitting.profile import doublet
from xrdfilm.lines import Reflection

CU = radiation("Cu")
AXIS = np.arange(20.0, 32.0, 0.02)
STRONG, WEAK = Reflection("SrTiO3", (1, 0, 0)), Reflection("YBCO", (1, 0, 2))
STRONG_AREA, WIDTH, MIXING = 4.0e4, 0.12, 0.6
STRONG_AT, WEAK_AT, GHOST_AT = 22.75, 24.3, 30.0


def line(at: float, area: float, two: bool = True) -> np.ndarray:
    ratio, share = doublet_constants(CU)
    shape = (np.array(WIDTH), np.array(MIXING), np.array(ratio), np.array(share if two else 0.0))
    return area * doublet(AXIS, np.array(at), *shape)


def spec(member: Reflection, at: float, place: str = "free") -> LineSpec:
    open_ = "free" if place == "free" else "forced"
    return LineSpec(
        (member,), at, WIDTH, MIXING, place=open_, width=open_, mixing=open_, label=str(at)
    )


WINDOWS = (
    WindowSpec(22.0, 23.5, (spec(STRONG, STRONG_AT),)),
    WindowSpec(23.4, 25.2, (spec(WEAK, WEAK_AT, "forced"),)),
    WindowSpec(29.3, 30.7, (spec(STRONG, GHOST_AT, "forced"),)),  # a ghost of the strong line
)


def test_each_window_gets_the_tails_of_lines_that_it_does_not_fit() -> None:
    plan = compile_plan(AXIS, WINDOWS, CU)
    truth = line(STRONG_AT, STRONG_AREA)
    first = fit_block(plan, (truth + 100.0)[None]).scan(0)
    found = tails_beyond(first, plan, AXIS, CU)
    assert found is not None
    for group, beneath in zip(plan.groups, found, strict=True):
        for window, points, under in zip(group.windows, group.points, beneath, strict=True):
            if window == 0:
                assert np.all(under == 0.0)
            else:
                np.testing.assert_allclose(under, truth[points], rtol=0.03)


def test_no_tail_without_a_strong_line() -> None:
    plan = compile_plan(AXIS, WINDOWS, CU)
    rng = np.random.default_rng(2)
    first = fit_block(plan, rng.poisson(100.0, (1, AXIS.size)).astype(float)).scan(0)
    assert tails_beyond(first, plan, AXIS, CU) is None


def test_a_weak_line_between_tails_is_measured_without_bias() -> None:
    """On tails laid beneath, the pulls of an absent line are normal; without them they are not."""
    plan = compile_plan(AXIS, WINDOWS, CU)
    rng = np.random.default_rng(7)
    counts = rng.poisson(line(STRONG_AT, STRONG_AREA) + 100.0, (60, AXIS.size)).astype(float)
    first = fit_block(plan, counts)
    told = [tails_beyond(first.scan(i), plan, AXIS, CU) for i in range(len(counts))]
    beneath = [np.stack(rows) for rows in zip(*[t for t in told if t is not None], strict=True)]
    second = fit_block(plan, counts, beneath=beneath)
    at = next(k for k, spec_ in enumerate(plan.lines) if WEAK in spec_.members)
    bare, laid = (b.area[:, at] / b.area_sigma[:, at] for b in (first, second))
    assert abs(bare.mean()) > 1.0
    assert abs(laid.mean()) < 3.0 / np.sqrt(60)
    assert 0.75 < laid.std() < 1.3
