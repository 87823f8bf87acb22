"""Counting plans: lines weighed, costs against simulated fits, times that decide, the table."""

import csv
import io
import json

import numpy as np
import pytest

from xrdfilm.crystal import load_phase
from xrdfilm.decision.guard import Tolerance
from xrdfilm.demo import demo_stack
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import from_normal
from xrdfilm.fitting.detection import fit_at_places
from xrdfilm.intensity.optics import Optics
from xrdfilm.planning.counting import ScanTable, TableRow, plan_json, sigma_of_fraction, worth
from xrdfilm.planning.source import Rates, as_tolerance, plan_from_stack
from xrdfilm.simulate import Background, Detector, Instrument, SimulatedFilm, fluoride
from xrdfilm.simulate import simulate_scan as simulate

OPTICS = Optics(axial_stated=True)
MOSAIC = 4.0
RISK = 0.05


def plan_of(quantity, limit, expected, rates, **about):
    return plan_from_stack(
        demo_stack(), OPTICS, rates, quantity, Tolerance(None, limit), RISK, expected=expected,
        phase=load_phase("BaF2"), mosaic_fwhm_deg=MOSAIC, **about,
    )  # fmt: skip


@pytest.fixture(scope="module")
def random_plan():
    return plan_of("fluoride_volume_fraction_random", 0.05, 0.0, Rates(3000.0, 20.0))


def names(plan, role):
    return [str(x.reflection) for x in plan.lines.lines if x.role == role and x.usable]


def test_random_fluoride_is_counted_at_its_clean_line(random_plan):
    # BaF2 (111) at 24.85° stands alone; (200) at 28.78° may be CeO2 (111) or La2Zr2O7 (222)
    assert str(random_plan.lines.best("sought").reflection) == "BaF2 (111)"
    shared = {str(x.reflection): x.shared_with for x in random_plan.lines.lines}
    assert "CeO2 (111)" in shared["BaF2 (200)"]
    assert "La2Zr2O7 (222)" in shared["BaF2 (200)"]


def test_the_film_is_counted_where_no_a_axis_grains_hide(random_plan):
    # b-normal grains stand under (006) and (003): (005) is the film's line
    assert str(random_plan.lines.best("film").reflection) == "YBCO (005)"


def test_a_axis_grains_are_counted_clear_of_c_axis_lines_and_buffers():
    plan = plan_of("a_axis_fraction", 0.05, 0.03, Rates(3000.0, 20.0))
    # (020) lies under (006), (200) on CeO2 (220) and La2Zr2O7 (440): (100) is left
    assert "YBCO (020)" not in names(plan, "sought")
    assert str(plan.lines.best("sought").reflection) == "YBCO (100)"
    hidden = next(x for x in plan.lines.lines if str(x.reflection) == "YBCO (020)")
    assert "YBCO (006)" in hidden.hidden_by
    assert worth(plan.lines, hidden) is None


def test_aligned_fluoride_needs_far_less_time_than_random():
    rates = Rates(300.0, 4.0)
    aligned = plan_of("fluoride_volume_fraction_aligned", 0.05, 0.0, rates)
    loose = plan_of("fluoride_volume_fraction_random", 0.05, 0.0, rates)
    assert aligned.quick.total_s < loose.quick.total_s / 20.0


def counts_at(row, rates, truth, draws, seed):
    """Simulated counts of a table's row for random fluoride of a true fraction."""
    base = SimulatedFilm(
        stack=demo_stack(), c_axis=1.0, a_axis=0.0, random=0.0, c_mosaic_fwhm_deg=MOSAIC,
        a_mosaic_fwhm_deg=MOSAIC,
    )  # fmt: skip
    whole = np.arange(20.0, 90.0, 0.02)
    _, first = simulate(base, OPTICS, counts=rates.counts_per_s, two_theta_deg=whole)
    part = fluoride(load_phase("BaF2"), truth, "random")
    film = SimulatedFilm(
        stack=demo_stack(), c_axis=1.0, a_axis=0.0, random=0.0, c_mosaic_fwhm_deg=MOSAIC,
        a_mosaic_fwhm_deg=MOSAIC, minor=(part,),
    )  # fmt: skip
    steps = round((row.high_deg - row.low_deg) / row.step_deg) + 1
    angles = row.low_deg + row.step_deg * np.arange(steps)
    _, known = simulate(
        film, OPTICS, scale=first.scale * row.step_time_s, two_theta_deg=angles,
        instrument=Instrument(
            background=Background(rates.background_per_s * row.step_time_s),
            detector=Detector(step_time_s=1.0, noise=False),
        ),
    )  # fmt: skip
    rng = np.random.default_rng(seed)
    return angles, rng.poisson(known.expected, size=(draws, angles.size)).astype(float)


def amounts(plan, role, rates, truth, draws, seed):
    line = plan.lines.best(role)
    row = next(r for r in plan.quick.rows if r.line == str(line.reflection))
    angles, counts = counts_at(row, rates, truth, draws, seed)
    near = line.neighbours
    fit = fit_at_places(
        angles, counts, [line.two_theta_deg, *(n.two_theta_deg for n in near)],
        np.array([line.fwhm_deg, *(n.fwhm_deg for n in near)]),
        np.array([line.lorentz_fraction, *(n.lorentz_fraction for n in near)]),
        OPTICS.radiation, float(angles[0]), float(angles[-1]),
        known=[False, *(True for _ in near)],
    )  # fmt: skip
    unit = line.strength * row.step_time_s
    area = np.asarray(fit.areas).reshape(draws, -1)[:, 0] / unit
    variance = np.asarray(fit.covariance).reshape(draws, -1)[:, 0] / unit**2
    return area, variance, np.sqrt(line.cost_s / row.total_s)


@pytest.mark.parametrize(("truth", "limit"), [(0.002, 0.05), (0.06, 0.10), (0.16, 0.10)])
def test_a_predicted_time_simulated_decides_in_nine_of_ten(truth, limit):
    rates, draws, model = Rates(3000.0, 20.0), 400, 0.05
    plan = plan_of("fluoride_volume_fraction_random", limit, truth, rates, model_relative=model)
    sought, variance, predicted = amounts(plan, "sought", rates, truth, draws, 1)
    film, film_variance, _ = amounts(plan, "film", rates, truth, draws, 2)
    assert sought.std() == pytest.approx(predicted, rel=0.2)  # weighed at the limit, drawn at truth
    ratio = sought / film * (1.0 + model * np.random.default_rng(3).normal(size=draws))
    inside = np.maximum(ratio, 0.0)
    spread = np.sqrt(variance + inside**2 * film_variance + (model * inside) ** 2)
    x = np.where(ratio > 0.0, ratio / (1.0 + inside), ratio)
    broken = np.array(
        [
            plan.tolerance.probability_broken(from_normal(float(a), float(s), bounds=(0.0, 1.0)))
            for a, s in zip(x, spread / (1.0 + inside) ** 2, strict=True)
        ]
    )
    right = broken < RISK if truth <= limit else 1.0 - broken < RISK
    assert right.mean() >= 0.90
    assert plan.quick.assurance >= 0.949


def test_where_the_model_is_too_doubtful_no_time_is_named():
    plan = plan_of("a_axis_fraction", 0.05, 0.045, Rates(30_000.0, 200.0), model_relative=0.2)
    assert plan.quick is None
    assert plan.table is None
    assert "longer counting does not" in plan.why_not
    json.loads(plan_json(plan))


def test_conversion_is_planned_as_what_is_left():
    # 98 % converted: 0.02·0.687/(0.98 + 0.02·0.687) of the volume is fluoride
    inner = as_tolerance("conversion", Tolerance(0.98, None))
    assert inner.low is None
    assert inner.high == pytest.approx(0.02 * 0.687 / (0.98 + 0.02 * 0.687), rel=1e-3)


def test_sigma_of_a_fraction_by_hand():
    sigma = sigma_of_fraction(1e-4, 4e-4, model_relative=0.1, model_floor=0.0)
    # x = 0.2: ratio 0.25; 0.8² · sqrt(1e-4 + 0.0625·4e-4 + 0.025²)
    expected = 0.64 * np.sqrt(1e-4 + 0.0625 * 4e-4 + 0.025**2)
    assert sigma(np.array(0.2)) == pytest.approx(expected)


def test_quantities_without_lines_of_their_own_are_refused():
    with pytest.raises(CannotTellError, match="no line-by-line plan for c_A"):
        plan_of("c_A", 11.7, 11.69, Rates(300.0, 4.0))


def test_the_table_reads_the_same_in_all_three_forms():
    rows = (
        TableRow("BaF2 (111)", 24.16, 25.54, 0.02, 10.6, 742.0),
        TableRow("YBCO (005)", 38.2, 38.78, 0.02, 0.5, 15.0),
    )
    table = ScanTable(rows, 0.95)
    assert table.total_s == 757.0
    text = table.as_text().splitlines()
    assert text[0].split() == ["line", "from/°", "to/°", "step/°", "s", "a", "step", "time"]
    assert "24.16" in text[1]
    assert text[-1].startswith("in all 13 min")
    read = list(csv.DictReader(io.StringIO(table.as_csv())))
    assert float(read[1]["step_time_s"]) == 0.5
    assert table.record()["rows"][0]["line"] == "BaF2 (111)"
