"""Windows compiled to arrays, and the model that the engine fits: derivatives, ties, bounds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import own_radiation, radiation
from xrdfilm.fitting.window_model import WindowModel, bounds, hold, neutral, prior
from xrdfilm.fitting.windows import LineSpec, WindowSpec, compile_plan
from xrdfilm.lines import Reflection

CU = radiation()
X = np.arange(20.0, 60.0, 0.02)
LINE = LineSpec((Reflection("YBCO", (0, 0, 5)),), 38.5, 0.2, 0.5)


def window(*lines: LineSpec, low: float = 37.5, high: float = 40.0, degree: int = 1) -> WindowSpec:
    return WindowSpec(low, high, lines, degree)


CASES = {
    "all forced": window(replace(LINE, place="forced", width="forced")),
    "all free": window(replace(LINE, mixing="free")),
    "two, all free": window(LINE, replace(LINE, two_theta_deg=38.9), degree=2),
    "two tied": window(
        replace(LINE, place="tied", width="tied", mixing="tied"),
        replace(LINE, two_theta_deg=39.0, fwhm_deg=0.3, place="tied", width="tied", mixing="tied"),
    ),
    "three, two tied": window(
        replace(LINE, width="tied"),
        replace(LINE, two_theta_deg=38.9, width="forced", place="forced"),
        replace(LINE, two_theta_deg=39.2, width="tied", mixing="free"),
        degree=0,
    ),
    "skew free": window(
        replace(LINE, skewness="tied"),
        replace(LINE, two_theta_deg=38.9, skew=0.1, skewness="tied", mixing="free"),
    ),
    "skewed with a single line": window(
        replace(LINE, skew=0.2), replace(LINE, two_theta_deg=39.0, doublet=False)
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_derivatives_of_the_whole_window(case: str) -> None:
    plan = compile_plan(X, [CASES[case]], CU)
    (group,) = plan.groups
    n = group.structure.n_lines
    model = WindowModel.of_group(
        group,
        2,
        np.tile(group.place, (2, 1)).reshape(2, 1, n),
        np.tile(group.fwhm, (2, 1)).reshape(2, 1, n),
        None,
    )
    rng = np.random.default_rng(1)
    theta = neutral(model)
    theta[:, :n] = rng.uniform(50, 200, (2, n))
    theta[:, n : group.structure.n_linear] = rng.uniform(
        -20, 100, (2, group.structure.n_background)
    )
    at_place, at_width, at_mixing, at_skew = group.structure.slices()
    theta[:, at_place] += 0.013
    theta[:, at_width] *= 1.07
    theta[:, at_mixing] *= 0.8
    theta[:, at_skew] += 0.07
    _, slopes = model.evaluate(theta)
    assert slopes.shape[1] == group.structure.n_parameters
    for p in range(group.structure.n_parameters):
        step = 1e-5 * max(1.0, abs(theta[0, p]))
        up, down = theta.copy(), theta.copy()
        up[:, p] += step
        down[:, p] -= step
        slope = (model.evaluate(up)[0] - model.evaluate(down)[0]) / (2 * step)
        np.testing.assert_allclose(slopes[:, p], slope, atol=3e-6 * np.abs(slope).max() + 1e-9)
    linear = np.matmul(theta[:, None, : group.structure.n_linear], model.basis(theta))[:, 0]
    np.testing.assert_allclose(model.evaluate(theta)[0], linear, rtol=1e-12)


def test_tied_lines_keep_ratio_of_widths_and_distance_of_places() -> None:
    plan = compile_plan(X, [CASES["two tied"]], CU)
    (group,) = plan.groups
    assert group.structure.n_parameters == 2 + 2 + 3
    model = WindowModel.of_group(group, 1, group.place[None], group.fwhm[None], None)
    theta = neutral(model)
    at_place, at_width, _, _ = group.structure.slices()
    theta[:, at_place], theta[:, at_width] = 0.05, 1.5
    place, fwhm, mixing, skew = model.shapes(theta)
    assert skew is None
    np.testing.assert_allclose(place, [[38.55, 39.05]])
    np.testing.assert_allclose(fwhm, [[0.3, 0.45]])
    np.testing.assert_allclose(mixing, [[0.5, 0.5]])


def test_forced_lines_open_nothing_but_areas() -> None:
    plan = compile_plan(X, [CASES["all forced"]], CU)
    assert plan.groups[0].structure.n_parameters == 3


def test_windows_of_one_structure_share_a_group() -> None:
    windows = [
        WindowSpec(p - 1, p + 1, (replace(LINE, two_theta_deg=p),)) for p in (25.0, 35.0, 45.0)
    ]
    windows.append(WindowSpec(49, 55, (replace(LINE, two_theta_deg=52.0),)))
    windows.append(CASES["two tied"])
    plan = compile_plan(X, windows, CU)
    assert sorted(len(group.windows) for group in plan.groups) == [1, 1, 3]
    assert plan.window_of.tolist() == [0, 1, 2, 3, 4, 4]
    assert plan.fitted.all()
    lengths = [group.on.sum(axis=1).tolist() for group in plan.groups]
    inside = [int(((w.low_deg <= X) & (w.high_deg >= X)).sum()) for w in windows]
    assert sorted(n for row in lengths for n in row) == sorted(inside)


def test_lines_off_the_axis_are_left_out_and_the_rest_is_fitted() -> None:
    at_end = window(
        replace(LINE, two_theta_deg=59.5), replace(LINE, two_theta_deg=60.4), low=58.5, high=61.0
    )
    far = window(replace(LINE, two_theta_deg=70.0), low=69.0, high=71.0)
    plan = compile_plan(X, [at_end, far], CU)
    assert plan.fitted.tolist() == [1, 0, 0]
    assert plan.cut_off.tolist() == [1, 1, 1]
    assert plan.groups[0].structure.n_lines == 1


def test_a_line_outside_its_window_is_marked() -> None:
    plan = compile_plan(X, [window(LINE, replace(LINE, two_theta_deg=40.1, place="forced"))], CU)
    assert plan.foot.tolist() == [0, 1]


def test_excluded_stretches_and_cores_lose_their_points() -> None:
    spec = replace(
        window(replace(LINE, core_excluded_fwhm=2.0), replace(LINE, two_theta_deg=39.5)),
        excluded=((37.6, 37.8),),
    )
    plan = compile_plan(X, [spec], CU)
    kept = plan.groups[0].x[0][plan.groups[0].on[0] > 0]
    assert not ((kept > 37.601) & (kept < 37.799)).any()
    assert not ((kept > 38.101) & (kept < 38.9)).any()
    assert (kept > 39.05).sum() > 40
    assert plan.core.tolist() == [1, 0]
    assert plan.beside_core.tolist() == [1, 1]


def test_a_monochromatic_beam_has_single_lines() -> None:
    plan = compile_plan(X, [CASES["all free"]], own_radiation(1.5406))
    assert not plan.groups[0].structure.doublets


def test_bounds_hold_and_prior_follow_the_specs() -> None:
    spec = window(
        replace(LINE, mixing="free", max_shift_deg=0.1, fwhm_doubt=0.2),
        replace(LINE, two_theta_deg=39.0, place_doubt_deg=0.02),
    )
    (group,) = compile_plan(X, [spec], CU).groups
    low, high = bounds(group, 2)
    at_place, at_width, at_mixing, _ = group.structure.slices()
    np.testing.assert_allclose(high[:, at_place], [[0.1, 0.2]] * 2)
    np.testing.assert_allclose(low[:, at_width], 0.2)
    np.testing.assert_allclose(high[:, at_mixing], 1.0)
    assert np.isinf(low[:, : group.structure.n_linear]).all()
    two = np.tile(group.place, (2, 1, 1)), np.tile(group.fwhm, (2, 1, 1))
    known = prior(group, WindowModel.of_group(group, 2, *two, None), 2)
    assert known is not None
    np.testing.assert_allclose(known.weight[:, at_place], [[0.0, 2500.0]] * 2)
    np.testing.assert_allclose(known.weight[:, at_width], [[25.0, 0.0]] * 2)
    weak = np.array([[True, False], [False, False]])
    held = hold(group.structure, (weak, weak, weak, weak))
    assert held[0, at_place].tolist() == [True, False]
    assert held[0, at_mixing].tolist() == [True]
    assert not held[1].any()


def test_a_plan_knows_its_axis() -> None:
    plan = compile_plan(X, [CASES["all free"]], CU)
    assert plan.matches(X.copy())
    assert not plan.matches(X + 1e-6)
    shorter: FloatArray = X[:-1]
    assert not plan.matches(shorter)
