"""Exponents of the growth rate: recovered, calibrated, and refused where nothing varies."""

import numpy as np
import pytest

from xrdfilm.errors import CannotTellError
from xrdfilm.kinetics.ratelaw import RatePoint, rate_law


def points_of(rng, water, pressure, *, scatter=0.0, sigma=0.05, m=0.5, n=-1.0):
    found = []
    for w, p in zip(water, pressure, strict=True):
        log = np.log(0.4) + m * np.log(w / 20.0) + n * np.log(p / 1000.0)
        log += rng.normal() * sigma + rng.normal() * scatter
        rate = float(np.exp(log))
        reach = np.exp(1.959964 * sigma)
        gas = {"water_vapour_mbar": w, "total_pressure_mbar": p}
        found.append(RatePoint(rate, rate / reach, rate * reach, gas, f"{w}"))
    return found


def test_exact_rates_give_the_literature_exponents_back():
    water, pressure = [5.0, 10.0, 20.0, 40.0, 10.0, 20.0], [*[1000.0] * 4, 300.0, 100.0]
    rng = np.random.default_rng(0)
    exact = [
        RatePoint(p.rate_nm_s, p.rate_nm_s / 1.1, p.rate_nm_s * 1.1, p.gas)
        for p in points_of(rng, water, pressure, sigma=1e-9)
    ]
    law = rate_law(exact)
    assert law.exponents["water_vapour_mbar"].value == pytest.approx(0.5, abs=1e-6)
    assert law.exponents["total_pressure_mbar"].value == pytest.approx(-1.0, abs=1e-6)
    gas = {"water_vapour_mbar": 20.0, "total_pressure_mbar": 1000.0}
    assert law.rate_nm_s(gas) == pytest.approx(0.4, rel=1e-6)
    assert "agrees with the literature's 0.5" in law.text


@pytest.mark.parametrize("scatter", [0.0, 0.15])
def test_intervals_hold_with_and_without_scatter_between_series(scatter):
    rng = np.random.default_rng(7)
    water = [5.0, 8.0, 12.0, 20.0, 30.0, 45.0]
    held = 0
    for _ in range(300):
        law = rate_law(points_of(rng, water, [1013.0] * 6, scatter=scatter))
        e = law.exponents["water_vapour_mbar"]
        held += e.low <= 0.5 <= e.high
    assert 0.91 <= held / 300 <= 0.98  # three standard errors of 300 about 95 in 100


def test_a_pressure_that_does_not_vary_is_left_out_and_told():
    rng = np.random.default_rng(1)
    law = rate_law(points_of(rng, [5.0, 10.0, 20.0, 40.0], [1013.0] * 4))
    assert "no exponent shows" in law.left_out["total_pressure_mbar"]
    with pytest.raises(CannotTellError, match="no exponent"):
        rate_law(points_of(rng, [20.0] * 4, [1013.0] * 4))


def test_pressures_changed_together_cannot_be_told_apart():
    rng = np.random.default_rng(1)
    water = [5.0, 10.0, 20.0, 40.0, 80.0]
    with pytest.raises(CannotTellError, match="together"):
        rate_law(points_of(rng, water, [50.0 * w for w in water]))


def test_too_few_series_are_refused():
    rng = np.random.default_rng(1)
    with pytest.raises(CannotTellError, match="at least 3"):
        rate_law(points_of(rng, [5.0, 20.0], [1013.0] * 2))
