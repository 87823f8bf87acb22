"""Fits of line windows: truth recovered with honest errors, and every doubt told.

Truth comes from profiles written out in `line` below, independent of the package.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import radiation
from xrdfilm.fitting.engine import (
    FLAGS,
    FitSettings,
    Hold,
    LineSpec,
    WindowSpec,
    compile_plan,
    fit_block,
    fit_windows,
)
from xrdfilm.fitting.flags import describe_flags, flag_bit, unpack_flags
from xrdfilm.fitting.lmfit_model import as_lmfit, fit_counts
from xrdfilm.fitting.profile import doublet
from xrdfilm.lines import Reflection
from xrdfilm.scan import Scan

CU = radiation()
X = np.arange(36.5, 41.0, 0.02)
MEMBER = (Reflection("YBCO", (0, 0, 5)),)
LINE = LineSpec(MEMBER, 38.5, 0.2, 0.5)
FREE = replace(LINE, mixing="free")
FORCED = replace(LINE, place="forced", width="forced")
NEVER_HOLD = FitSettings(hold=Hold(-1e9, -1e9, -1e9))


def line(place: FloatArray | float, fwhm: FloatArray | float = 0.2, eta: float = 0.5) -> FloatArray:
    """K-alpha pair of unit area from the definitions."""
    assert CU.k_alpha2_A is not None
    total = np.zeros(np.broadcast_shapes(X.shape, np.shape(place), np.shape(fwhm)))
    for ratio, share in ((1.0, 2 / 3), (CU.k_alpha2_A / CU.k_alpha1_A, 1 / 3)):
        centre = 2 * np.degrees(np.arcsin(ratio * np.sin(np.radians(place) / 2)))
        half, sigma = np.asarray(fwhm) / 2, np.asarray(fwhm) / np.sqrt(8 * np.log(2))
        gauss = np.exp(-(((X - centre) / sigma) ** 2) / 2) / (sigma * np.sqrt(2 * np.pi))
        total += share * (eta * half / np.pi / ((X - centre) ** 2 + half**2) + (1 - eta) * gauss)
    return total


def window(*lines: LineSpec, low: float = 37.0, high: float = 40.0, degree: int = 1) -> WindowSpec:
    return WindowSpec(low, high, lines, degree)


def draw(expected: FloatArray, number: int, seed: int = 1) -> FloatArray:
    rng = np.random.default_rng(seed)
    return rng.poisson(np.broadcast_to(expected, (number, X.size))).astype(float)


def test_noiseless_line_comes_back_exactly() -> None:
    counts = 30.0 + 5 * (X - 38.5) + 250 * line(38.53, 0.23, 0.35)
    block = fit_block(compile_plan(X, [window(FREE)], CU), counts[None])
    assert block.area[0, 0] == pytest.approx(250.0, rel=1e-5)
    assert block.place[0, 0] == pytest.approx(38.53, abs=1e-5)
    assert block.fwhm[0, 0] == pytest.approx(0.23, rel=1e-4)
    assert block.mixing[0, 0] == pytest.approx(0.35, abs=1e-3)
    assert block.background[0, 0] == pytest.approx(30.15, rel=1e-3)
    assert unpack_flags(int(block.flags[0, 0])) == ()


PULLS = {
    "alone": (window(LINE), [(38.52, 1.0)]),
    "overlapped, tied width": (
        window(
            replace(LINE, width="tied"),
            replace(LINE, two_theta_deg=38.75, width="tied", max_shift_deg=0.1),
            high=40.25,
        ),
        [(38.48, 1.0), (38.77, 0.8)],
    ),
    "overlapped, all free": (
        window(LINE, replace(LINE, two_theta_deg=38.85, max_shift_deg=0.1), high=40.25),
        [(38.52, 1.0), (38.83, 1.2)],
    ),
}


@pytest.mark.parametrize("level", [2.0, 200.0, 1e5])
@pytest.mark.parametrize("case", PULLS)
def test_pulls_and_bias(case: str, level: float) -> None:
    """(fit - truth)/sigma over 5000 lines; 0.06 leaves room for the test's own chance (3 sd)."""
    spec, lines = PULLS[case]
    trials = 5000 // len(lines)
    height = 24 * np.sqrt(level) + 60
    areas = np.array([share * height * 0.25 for _, share in lines])
    expected = level * (1 - 0.1 * (X - 38.5))
    for area, (place, _) in zip(areas, lines, strict=True):
        expected = expected + area * line(place, 0.21)
    block = fit_block(compile_plan(X, [spec], CU), draw(expected, trials, seed=int(level)))
    error = block.area - areas
    pull = error / block.area_sigma
    assert abs(pull.mean()) < 0.06
    assert abs(pull.std() - 1.0) < 0.06
    assert abs((error / error.std(axis=0)).mean()) < 0.1
    assert np.mean(np.abs(pull) < 1.96) == pytest.approx(0.95, abs=0.012)
    shift = (block.place - np.array([place for place, _ in lines])) / block.place_sigma
    assert shift.std() == pytest.approx(1.0, abs=0.06)


def test_covariance_of_overlapping_areas_is_that_of_repeated_scans() -> None:
    spec, _ = PULLS["overlapped, all free"]
    expected = 100.0 + 300 * line(38.5, 0.21) + 240 * line(38.85, 0.21)
    block = fit_block(compile_plan(X, [spec], CU), draw(expected, 4000))
    mean = block.area_covariance.mean(axis=0)
    found = np.cov(block.area.T)
    np.testing.assert_allclose(found, mean, rtol=0.1)
    assert found[0, 1] / np.sqrt(found[0, 0] * found[1, 1]) < -0.5


def test_engine_against_lmfit() -> None:
    """A bounded version of benchmarks/calibration_fit.py, which does 1000 windows of each kind."""
    rng = np.random.default_rng(7)
    pair = window(
        replace(LINE, width="tied", max_shift_deg=0.15),
        replace(LINE, two_theta_deg=38.85, width="tied", max_shift_deg=0.15),
        high=40.4,
        degree=2,
    )
    for spec in (window(FREE), pair):
        width = rng.uniform(0.15, 0.25, (25, 1))
        expected = np.tile(rng.uniform(5, 500, (25, 1)), (1, X.size))
        for one in spec.lines:
            shift = rng.uniform(-0.05, 0.05, (25, 1))
            expected = expected + rng.uniform(200, 3000, (25, 1)) * line(
                one.two_theta_deg + shift, width
            )
        counts = rng.poisson(expected).astype(float)
        block = fit_block(compile_plan(X, [spec], CU), counts, settings=NEVER_HOLD)
        reference = as_lmfit(spec, CU, X)
        for i in range(25):
            result = fit_counts(reference, X, counts[i])
            for j in range(len(spec.lines)):
                area = result.params[f"line{j}_area"]
                assert abs(block.area[i, j] - area.value) < 0.01 * area.stderr
                chi = block.chi_square[i, 0] / block.dof[i, 0]
                misfit = int(block.flags[i, j]) & flag_bit("misfit")
                widened = np.sqrt(chi) if misfit else 1.0
                assert block.area_sigma[i, j] / widened == pytest.approx(area.stderr, rel=0.01)
                place = result.params[f"line{j}_place"]
                assert abs(block.place[i, j] - place.value) < 0.01 * place.stderr


def test_absent_line_is_held_and_alarms_at_the_stated_rate() -> None:
    trials = 10_000
    counts = draw(np.full(X.size, 40.0), trials)
    block = fit_block(compile_plan(X, [window(FREE)], CU), counts)
    alarms = int((block.area[:, 0] > block.decision[:, 0]).sum())
    assert abs(alarms - 0.05 * trials) < 3.5 * np.sqrt(0.05 * 0.95 * trials)
    assert abs(block.area.mean()) < 4 * block.area.std() / np.sqrt(trials)
    held = (block.flags & flag_bit("held_place")) > 0
    assert held.mean() > 0.999
    np.testing.assert_array_equal(block.place[held], 38.5)
    np.testing.assert_array_equal(block.place_sigma[held], 0.0)


def test_weak_line_beside_a_strong_one() -> None:
    """The strong line stays free, the weak one is held; its area and limit are not spoiled."""
    spec = window(replace(FREE), replace(FREE, two_theta_deg=39.2, max_shift_deg=0.1), high=40.5)
    expected = 100.0 + 5000 * line(38.53)
    block = fit_block(compile_plan(X, [spec], CU), draw(expected, 3000))
    pull = block.area[:, 1] / block.area_sigma[:, 1]
    assert abs(pull.mean()) < 0.1
    assert pull.std() == pytest.approx(1.0, abs=0.06)
    alarms = np.mean(block.area[:, 1] > block.decision[:, 1])
    assert alarms == pytest.approx(0.05, abs=0.02)
    assert block.place[:, 0].mean() == pytest.approx(38.53, abs=1e-4)


def test_start_is_found_a_line_width_away() -> None:
    spec = window(replace(FREE, max_shift_deg=0.35))
    expected = 100.0 + 300 * line(38.5 + 0.3)
    block = fit_block(compile_plan(X, [spec], CU), draw(expected, 200))
    np.testing.assert_allclose(block.place[:, 0], 38.8, atol=0.02)
    assert not (block.flags & flag_bit("not_converged")).any()


def test_place_at_its_bound_is_told() -> None:
    spec = window(replace(LINE, max_shift_deg=0.05))
    block = fit_block(compile_plan(X, [spec], CU), draw(50.0 + 300 * line(38.6), 5))
    assert (block.flags & flag_bit("at_bound")).all()
    np.testing.assert_allclose(block.place, 38.55, atol=1e-9)


def test_a_stranger_in_the_window_widens_the_errors_and_is_told() -> None:
    expected = 50.0 + 200 * line(38.5)
    clean = fit_block(compile_plan(X, [window(LINE)], CU), expected[None])
    dirty = fit_block(compile_plan(X, [window(LINE)], CU), (expected + 60 * line(39.3))[None])
    assert "misfit" in unpack_flags(int(dirty.flags[0, 0]))
    assert "misfit" not in unpack_flags(int(clean.flags[0, 0]))
    widening = np.sqrt(dirty.chi_square[0, 0] / dirty.dof[0, 0])
    assert widening > 2
    assert dirty.area_sigma[0, 0] > 0.9 * widening * clean.area_sigma[0, 0]
    assert dirty.decision[0, 0] > 0.9 * widening * clean.decision[0, 0]


def test_saturated_top_is_left_out_and_told() -> None:
    expected = 100.0 + 20_000 * line(38.5)
    counts = np.minimum(draw(expected, 100), 20_000.0)
    plan = compile_plan(X, [window(LINE)], CU)
    blind = fit_block(plan, counts)
    seeing = fit_block(plan, counts, settings=FitSettings(saturation_counts=20_000.0))
    assert abs(blind.area.mean() / 20_000 - 1) > 0.02
    pull = (seeing.area - 20_000) / seeing.area_sigma
    assert abs(pull.mean()) < 0.4
    assert (seeing.flags & flag_bit("beside_core")).all()


def test_excluded_core_leaves_the_neighbour_unbiased() -> None:
    """The dwarfing line's top does not follow the model; its tails do."""
    spec = window(
        replace(FREE, core_excluded_fwhm=1.5),
        replace(LINE, two_theta_deg=39.3, place="forced", width="forced"),
        high=40.8,
    )
    # A top cut down by dead time: the profile is no longer a pseudo-Voigt
    expected = 100.0 + 50_000 * line(38.5)
    expected = expected / (1 + expected / 5e5) + 60 * line(39.3)
    counts = draw(expected, 400)
    with_core = fit_block(compile_plan(X, [replace(spec, lines=(FREE, spec.lines[1]))], CU), counts)
    without = fit_block(compile_plan(X, [spec], CU), counts)
    assert abs(without.area[:, 1].mean() - 60) < 0.5 * abs(with_core.area[:, 1].mean() - 60)
    assert "core_excluded" in unpack_flags(int(without.flags[0, 0]))
    assert "beside_core" in unpack_flags(int(without.flags[0, 1]))


def test_given_sigma_is_used() -> None:
    rng = np.random.default_rng(5)
    truth = 20.0 + 30 * line(38.5)
    values = truth + rng.normal(0, 2.5, (2000, X.size))
    block = fit_block(compile_plan(X, [window(LINE)], CU), values, sigma=np.full(values.shape, 2.5))
    pull = (block.area - 30) / block.area_sigma
    assert abs(pull.mean()) < 0.08
    assert pull.std() == pytest.approx(1.0, abs=0.06)


@pytest.mark.parametrize("unit", [1.0, 1e-4, 37.0])
def test_intensities_that_are_no_counts(unit: float) -> None:
    """Noise from the scatter: errors as if the counts had been known, whatever the unit."""
    expected = 80.0 + 150 * line(38.5)
    counts = draw(expected, 600)
    plan = compile_plan(X, [window(LINE)], CU)
    known = fit_block(plan, counts)
    guessed = fit_block(plan, counts * unit, poisson=False)
    assert (guessed.flags & flag_bit("noise_from_residuals")).all()
    np.testing.assert_allclose(guessed.area / unit, known.area, rtol=0.05)
    ratio = guessed.area_sigma / unit / known.area_sigma
    assert ratio.mean() == pytest.approx(1.0, abs=0.05)
    assert ratio.std() < 0.15


def test_net_intensities_below_zero_are_fitted_with_flat_noise() -> None:
    rng = np.random.default_rng(6)
    values = 30 * line(38.5) + rng.normal(0, 2.0, (500, X.size))
    block = fit_block(compile_plan(X, [window(LINE)], CU), values, poisson=False)
    pull = (block.area - 30) / block.area_sigma
    assert pull.std() == pytest.approx(1.0, abs=0.12)


def test_missing_points_are_skipped() -> None:
    counts = 50.0 + 200 * line(38.5)
    holed = counts.copy()
    holed[[90, 100, 130]] = np.nan
    block = fit_block(compile_plan(X, [window(LINE)], CU), holed[None])
    assert block.area[0, 0] == pytest.approx(200.0, rel=1e-4)
    inside = int(((X >= 37) & (X <= 40)).sum())
    assert block.dof[0, 0] == inside - 3 - 5  # three holes, five parameters


def test_beneath_is_part_of_the_model() -> None:
    hill = 400 * np.exp(-(((X - 38.0) / 0.5) ** 2))
    expected = 50.0 + hill + 100 * line(38.5)
    plan = compile_plan(X, [window(LINE)], CU)
    counts = draw(expected, 1000)
    block = fit_block(plan, counts, beneath=np.tile(hill, (1000, 1)))
    pull = (block.area - 100) / block.area_sigma
    assert abs(pull.mean()) < 0.12
    assert pull.std() == pytest.approx(1.0, abs=0.08)
    assert block.background.mean() == pytest.approx(50 + 400 * np.exp(-1.0), rel=0.02)


def test_expectations_scan_by_scan() -> None:
    expected = np.stack([50.0 + 300 * line(38.2), 50.0 + 300 * line(38.9)])
    plan = compile_plan(X, [window(replace(FORCED))], CU)
    block = fit_block(plan, expected, places=np.array([[38.2], [38.9]]))
    np.testing.assert_allclose(block.area[:, 0], 300.0, rtol=1e-6)
    np.testing.assert_allclose(block.expected[:, 0], [38.2, 38.9])


def test_results_do_not_depend_on_how_scans_are_grouped() -> None:
    spec = [window(FREE), window(LINE, replace(LINE, two_theta_deg=39.2))]
    counts = draw(60.0 + 150 * line(38.5) + 90 * line(39.2), 30)
    plan = compile_plan(X, spec, CU)
    many = fit_block(plan, counts)
    few = fit_block(plan, counts, settings=FitSettings(rows_at_once=4))
    for name in ("area", "place", "area_covariance", "decision", "flags"):
        np.testing.assert_allclose(getattr(few, name), getattr(many, name), rtol=1e-9)
    one = fit_windows(Scan(X, counts[7]), spec, CU).measured_lines()
    np.testing.assert_allclose(one.areas, many.area[7], rtol=1e-9)


def test_measured_lines_tell_everything() -> None:
    blend = replace(LINE, members=(*MEMBER, Reflection("CuO", (1, 1, 1))))
    missing = WindowSpec(79, 81, (replace(LINE, two_theta_deg=80.0),))
    scan = Scan(X, 50.0 + 200 * line(38.52))
    fits = fit_windows(scan, [window(blend), missing], CU)
    lines = fits.measured_lines(left_out=((Reflection("Ni", (2, 0, 0)), "hidden"),))
    assert len(lines) == 1
    found = lines.lines[0]
    assert found.flags == ("blend",)
    assert found.place == "free"
    assert found.expected_deg == 38.5
    assert found.two_theta_deg == pytest.approx(38.52, abs=1e-4)
    assert found.area_counts_deg == pytest.approx(200.0, rel=1e-4)
    assert found.significance > 50
    assert 0 < found.decision_area < found.detection_area < 30
    assert lines.area_covariance.shape == (1, 1)
    assert [str(reflection) for reflection, _ in lines.left_out] == ["Ni (200)", "YBCO (005)"]
    x, curves, background = fits.curve(0)
    np.testing.assert_allclose(
        curves[0] + background, scan.counts[(X >= 37) & (X <= 40)], rtol=2e-3
    )
    assert x[0] == pytest.approx(37.0, abs=0.02)


def test_inputs_are_left_alone() -> None:
    counts = draw(50.0 + 100 * line(38.5), 3)
    counts.flags.writeable = False
    plan = compile_plan(X, [window(FREE)], CU)
    first, again = fit_block(plan, counts), fit_block(plan, counts)
    np.testing.assert_array_equal(first.area, again.area)


def test_asymmetry_is_fitted_where_the_data_ask_for_it() -> None:
    """A line drawn out to the low side: the symmetric fit is a misfit, the free skew is not."""
    skewed = replace(FREE, skewness="free")
    truth = 400.0 * doublet(
        X,
        np.array(38.5),
        np.array(0.2),
        np.array(0.5),
        np.array(CU.k_alpha2_A / CU.k_alpha1_A),  # type: ignore[operator]
        np.array(0.5),
        np.array(0.25),
    )
    counts = draw(30.0 + truth, 400)
    plain = fit_block(compile_plan(X, [window(FREE)], CU), counts)
    fitted = fit_block(compile_plan(X, [window(skewed)], CU), counts)
    pull = (fitted.area - 400) / fitted.area_sigma
    assert abs(pull.mean()) < 0.15
    assert pull.std() == pytest.approx(1.0, abs=0.1)
    assert fitted.skew.mean() == pytest.approx(0.25, abs=0.01)
    assert (fitted.chi_square / fitted.dof).mean() == pytest.approx(1.0, abs=0.02)
    assert (plain.chi_square / plain.dof).mean() > 1.2


def test_a_window_without_points_leaves_the_others_alone() -> None:
    counts = draw(50.0 + 200 * line(38.5), 3)
    counts[1, :] = np.nan
    block = fit_block(compile_plan(X, [window(LINE)], CU), counts)
    assert np.isfinite(block.area[[0, 2]]).all()
    assert np.isnan(block.area[1, 0])
    assert "no_data" in unpack_flags(int(block.flags[1, 0]))
    lines = block.scan(1).measured_lines()
    assert len(lines) == 0
    assert lines.left_out[0][0] == MEMBER[0]


@pytest.mark.parametrize("spec", [window(FORCED, FORCED), window(FREE, FREE)])
def test_two_lines_at_one_place_are_told_apart_by_nobody(spec: WindowSpec) -> None:
    block = fit_block(compile_plan(X, [spec], CU), draw(50.0 + 200 * line(38.5), 5))
    assert block.area.sum(axis=1) == pytest.approx(200, abs=30)
    told = flag_bit("no_covariance") | flag_bit("tangled") | flag_bit("at_bound")
    assert ((block.flags & told) > 0).any(axis=1).all()


EXTREMES = {
    "empty": np.zeros(X.size),
    "flat": np.full(X.size, 1e9),
    "one spike": np.where(np.arange(X.size) == 100, 1e7, 3.0),
    "a step": np.where(X > 38.5, 1e5, 0.0),
    "sparse": (np.random.default_rng(0).random(X.size) < 0.02).astype(float),
    "strong": 50.0 + 3e7 * line(38.5),
}


@pytest.mark.parametrize("poisson", [True, False])
@pytest.mark.parametrize("name", EXTREMES)
def test_extreme_scans_give_finite_figures(name: str, poisson: bool) -> None:
    spec = [window(FREE), window(FREE, replace(FREE, two_theta_deg=39.3), FORCED, high=40.5)]
    block = fit_block(compile_plan(X, spec, CU), EXTREMES[name][None], poisson=poisson)
    for values in (block.area, block.area_sigma, block.decision, block.detection):
        assert np.isfinite(values).all()
    assert (block.decision >= 0).all()


def test_tangled_lines_are_told() -> None:
    spec = window(LINE, replace(LINE, two_theta_deg=38.7, max_shift_deg=0.1), high=40.25)
    block = fit_block(
        compile_plan(X, [spec], CU), draw(200.0 + 50 * line(38.5) + 50 * line(38.7), 50)
    )
    assert ((block.flags & flag_bit("tangled")) > 0).mean() > 0.5


def test_every_flag_has_its_own_bit_and_words() -> None:
    bits = [flag.bit for flag in FLAGS.values()]
    assert len(set(bits)) == len(bits)
    for code, flag in FLAGS.items():
        assert unpack_flags(flag_bit(code)) == (code,)
        assert len(flag.short) <= 24
        assert flag.text.endswith(".")
    assert describe_flags(["misfit"]) == [FLAGS["misfit"].text]
