"""Curves of fitted windows: of one scan the same whatever scans were fitted beside it."""

import numpy as np

from xrdfilm.crystal.radiation import radiation
from xrdfilm.fitting.engine import LineSpec, WindowSpec, compile_plan, fit_block
from xrdfilm.fitting.profile import pseudo_voigt
from xrdfilm.fitting.window_fits import CURVES_AT_ONCE
from xrdfilm.lines import Reflection

CU = radiation("Cu")
AXIS = np.arange(20.0, 32.0, 0.02)
COARSE = np.linspace(20.0, 31.98, 120)


def spec(at: float) -> LineSpec:
    return LineSpec((Reflection("YBCO", (0, 0, round(at))),), at, 0.15, label=str(at))


PLAN = compile_plan(
    AXIS,
    [WindowSpec(21.0, 23.0, (spec(22.0),)), WindowSpec(24.0, 28.0, (spec(25.5), spec(26.2)))],
    CU,
)


def counts(number: int) -> np.ndarray:
    rng = np.random.default_rng(4)
    mean = 80.0 + sum(30.0 * k * pseudo_voigt(AXIS, at, 0.16, 0.4)
                      for k, at in enumerate((22.0, 25.5, 26.2)))  # fmt: skip
    return rng.poisson(mean, (number, AXIS.size)).astype(float)


def test_curves_of_a_scan_do_not_depend_on_the_others() -> None:
    measured = counts(CURVES_AT_ONCE + 3)
    block = fit_block(PLAN, measured)
    for i in (0, 5, CURVES_AT_ONCE + 1):
        alone = fit_block(PLAN, measured[i : i + 1]).scan(0)
        for group in PLAN.groups:
            for one, beside in zip(
                alone.on_group(group, COARSE), block.scan(i).on_group(group, COARSE), strict=True
            ):
                assert one.tobytes() == beside.tobytes()


def test_lines_on_a_group_are_those_of_its_windows() -> None:
    fits = fit_block(PLAN, counts(3)).scan(2)
    for group in PLAN.groups:
        points, there, _, _ = fits.on_group(group, COARSE)
        for window, at, curve in zip(group.windows.tolist(), points, there, strict=True):
            np.testing.assert_allclose(curve, fits.lines_on(AXIS[at], window), rtol=1e-12)
