"""Windows as lmfit models: same names of freedom, ties, bounds; same figures as the engine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from xrdfilm.crystal.radiation import radiation
from xrdfilm.fitting.engine import compile_plan, fit_block
from xrdfilm.fitting.lmfit_model import as_lmfit, fit_counts
from xrdfilm.fitting.windows import LineSpec, WindowSpec
from xrdfilm.lines import Reflection

CU = radiation()
X = np.arange(36.5, 41.0, 0.02)
LINE = LineSpec((Reflection("YBCO", (0, 0, 5)),), 38.5, 0.2, 0.5)


def test_freedoms_and_ties() -> None:
    tied = replace(LINE, place="tied", width="tied", mixing="tied")
    spec = WindowSpec(
        37,
        40,
        (
            tied,
            replace(tied, two_theta_deg=39.0, fwhm_deg=0.3),
            replace(LINE, two_theta_deg=39.4, place="forced", width="forced", max_shift_deg=0.1),
        ),
        2,
    )
    window = as_lmfit(spec, CU, X)
    open_ = {name for name, parameter in window.parameters.items() if parameter.vary}
    assert open_ == {
        "background_c0",
        "background_c1",
        "background_c2",
        "line0_area",
        "line1_area",
        "line2_area",
        "line0_place",
        "line0_fwhm",
        "line0_mixing",
    }
    window.parameters["line0_place"].set(value=38.55)
    window.parameters["line0_fwhm"].set(value=0.24)
    assert window.parameters["line1_place"].value == pytest.approx(39.05)
    assert window.parameters["line1_fwhm"].value == pytest.approx(0.36)
    assert window.parameters["line0_place"].max == pytest.approx(38.7)


def test_model_equals_the_engine_where_both_have_the_same_figures() -> None:
    spec = WindowSpec(37, 40.5, (replace(LINE, skew=0.1), replace(LINE, two_theta_deg=39.3)), 1)
    counts = np.random.default_rng(1).poisson(
        40 + 30 * np.exp(-(((X - 38.5) / 0.1) ** 2)) + 20 * np.exp(-(((X - 39.3) / 0.1) ** 2))
    )
    block = fit_block(compile_plan(X, [spec], CU), counts[None])
    window = as_lmfit(spec, CU, X)
    values = dict(window.parameters.valuesdict())
    for j in range(2):
        values[f"line{j}_area"] = block.area[0, j]
        values[f"line{j}_place"] = block.place[0, j]
        values[f"line{j}_fwhm"] = block.fwhm[0, j]
    for term in range(2):
        values[f"background_c{term}"] = block.background_terms[0, 0, term]
    x, lines, background = block.scan(0).curve(0)
    np.testing.assert_allclose(
        window.model.eval(x=x, **values), lines.sum(axis=0) + background, rtol=1e-9
    )


def test_given_sigma_makes_plain_least_squares() -> None:
    rng = np.random.default_rng(2)
    spec = WindowSpec(37, 40, (LINE,), 1, excluded=((37.2, 37.4),))
    values = 20 + 60 * np.exp(-(((X - 38.5) / 0.1) ** 2)) + rng.normal(0, 2, X.size)
    sigma = np.full(X.size, 2.0)
    result = fit_counts(as_lmfit(spec, CU, X), X, values, sigma=sigma)
    block = fit_block(compile_plan(X, [spec], CU), values[None], sigma=sigma[None])
    assert result.ndata == int(compile_plan(X, [spec], CU).groups[0].on.sum())
    area = result.params["line0_area"]
    assert abs(block.area[0, 0] - area.value) < 0.01 * area.stderr
