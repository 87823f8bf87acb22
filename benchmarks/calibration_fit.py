"""Is the line fit honest? Bias, pulls, false alarms and misses over many simulated windows.

    python benchmarks/calibration_fit.py [trials]

Prints four tables:

1. the engine against lmfit on 1000 windows (largest difference of areas in standard
   uncertainties, of uncertainties in percent);
2. pulls (fit - truth)/sigma of lines whose place, width and mixing are fitted, alone and
   overlapped, from 2 to 100 000 counts a channel;
3. signed areas of weak lines at given places: bias and pulls;
4. blank windows: alarms at 5 % and 0.1 %, and misses at the detection limit.

Truth comes from profiles written here with numpy alone, not from the package.
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np
from scipy.stats import binom

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import Radiation, radiation
from xrdfilm.fitting.detection import decision_area, detection_area, fit_at_places
from xrdfilm.fitting.engine import FitSettings, Hold, LineSpec, WindowSpec, compile_plan, fit_block
from xrdfilm.fitting.lmfit_model import as_lmfit, fit_counts
from xrdfilm.lines import Reflection

STEP = 0.02
MEMBER = (Reflection("YBCO", (0, 0, 5)),)


def line(
    x: FloatArray, place: FloatArray, fwhm: FloatArray, eta: FloatArray, rays: Radiation
) -> FloatArray:
    """K-alpha pair of unit area; written out from the definitions."""
    total = np.zeros(np.broadcast_shapes(x.shape, np.shape(place)))
    sine = np.sin(np.radians(place) / 2)
    assert rays.k_alpha2_A is not None
    for wavelength, share in ((rays.k_alpha1_A, 1.0), (rays.k_alpha2_A, rays.k_alpha2_share)):
        centre = 2 * np.degrees(np.arcsin(sine * wavelength / rays.k_alpha1_A))
        half = fwhm / 2
        sigma = fwhm / np.sqrt(8 * np.log(2))
        gauss = np.exp(-(((x - centre) / sigma) ** 2) / 2) / (sigma * np.sqrt(2 * np.pi))
        lorentz = half / np.pi / ((x - centre) ** 2 + half**2)
        total += share * (eta * lorentz + (1 - eta) * gauss)
    return total / (1 + rays.k_alpha2_share)


def against_lmfit(trials: int) -> None:
    rays, rng = radiation(), np.random.default_rng(11)
    x = np.arange(36.5, 41.0, STEP)
    free = FitSettings(hold=Hold(-1e9, -1e9, -1e9))
    one = WindowSpec(37, 40, (LineSpec(MEMBER, 38.5, 0.2, 0.5, mixing="free"),))
    pair = LineSpec(MEMBER, 38.5, 0.2, 0.5, width="tied", max_shift_deg=0.15)
    two = WindowSpec(
        37, 40.4, (pair, LineSpec(MEMBER, 38.85, 0.2, 0.5, width="tied", max_shift_deg=0.15)), 2
    )
    print(f"\n1. Engine against lmfit (iterated to the Poisson maximum), {trials} windows each")
    for name, window in (("one line, 6 parameters", one), ("two lines, tied width", two)):
        expected = np.tile(rng.uniform(5, 500, (trials, 1)), (1, x.size))
        width = rng.uniform(0.15, 0.25, (trials, 1))
        for spec in window.lines:
            area = rng.uniform(200, 3000, (trials, 1))
            place = spec.two_theta_deg + rng.uniform(-0.05, 0.05, (trials, 1))
            expected = expected + area * line(x, place, width, np.array(0.5), rays)
        counts = rng.poisson(expected).astype(float)
        block = fit_block(compile_plan(x, [window], rays), counts, settings=free)
        reference = as_lmfit(window, rays, x)
        off, ratio, skipped = [], [], 0
        for i in range(trials):
            result = fit_counts(reference, x, counts[i])
            for j in range(len(window.lines)):
                parameter = result.params[f"line{j}_area"]
                mixing = result.params[f"line{j}_mixing"]
                if not parameter.stderr or (mixing.vary and not 1e-6 < mixing.value < 1 - 1e-6):
                    skipped += 1  # at a bound lmfit has no standard error
                    continue
                chi = max(1.0, block.chi_square[i, 0] / block.dof[i, 0])
                widened = np.sqrt(chi) if int(block.flags[i, j]) & 1 else 1.0
                off.append(abs(block.area[i, j] - parameter.value) / parameter.stderr)
                ratio.append(block.area_sigma[i, j] / widened / parameter.stderr - 1)
        print(
            f"   {name:24s} areas differ by at most {max(off):.5f} sigma, "
            f"uncertainties by {100 * np.abs(ratio).max():.3f} % ({skipped} lines at a bound)"
        )


def pulls(trials: int) -> None:
    rays, rng = radiation(), np.random.default_rng(12)
    x = np.arange(36.5, 41.0, STEP)
    print(f"\n2. Pulls of fitted lines, {trials} windows a row (bias in sigma)")
    print(f"   {'case':38s}{'counts':>9s}{'bias':>9s}{'pull':>9s}{'sd':>8s}{'95 % holds':>12s}")
    free = LineSpec(MEMBER, 38.5, 0.2, 0.5, mixing="free")
    plain = LineSpec(MEMBER, 38.5, 0.2, 0.5)
    tied = LineSpec(MEMBER, 38.5, 0.2, 0.5, width="tied")
    cases = {
        "alone, place width mixing free": WindowSpec(37, 40, (free,)),
        "alone, place and width free": WindowSpec(37, 40, (plain,)),
        "1.25 FWHM apart, width tied": beside(tied, 0.25),
        "1.25 FWHM apart, doubt of width 20 %": beside(replace(plain, fwhm_doubt=0.2), 0.25),
        "1.75 FWHM apart, all free": beside(plain, 0.35),
        "1.25 FWHM apart, all free (tangled)": beside(plain, 0.25),
    }
    for name, window in cases.items():
        for level in (2.0, 20.0, 200.0, 2e3, 1e5):
            height = 12.0 * np.sqrt(level) + 30.0
            expected = np.tile(level * (1 - 0.1 * (x - 38.5)), (trials, 1))
            truth = np.empty((trials, len(window.lines)))
            for j, spec in enumerate(window.lines):
                truth[:, j] = height * 0.25 * rng.uniform(0.7, 1.5, trials)
                place = spec.two_theta_deg + rng.uniform(-0.03, 0.03, (trials, 1))
                expected += truth[:, j, None] * line(x, place, np.array(0.21), np.array(0.5), rays)
            counts = rng.poisson(expected).astype(float)
            block = fit_block(compile_plan(x, [window], rays), counts)
            report(name, level, block.area - truth, block.area_sigma)


def beside(spec: LineSpec, apart_deg: float) -> WindowSpec:
    """Two such lines in one window."""
    other = replace(spec, two_theta_deg=spec.two_theta_deg + apart_deg, max_shift_deg=0.1)
    return WindowSpec(37, 40.25, (spec, other))


def report(name: str, level: float, error: FloatArray, sigma: FloatArray) -> None:
    pull = error / sigma
    print(
        f"   {name:38s}{level:9.0f}{error.mean() / error.std():+9.3f}{pull.mean():+9.3f}"
        f"{pull.std():8.3f}{100 * np.mean(np.abs(pull) < 1.95996):11.1f} %"
    )


def weak_lines(trials: int) -> None:
    rays, rng = radiation(), np.random.default_rng(13)
    x = np.arange(36.5, 41.0, STEP)
    print(f"\n3. Signed areas at given places, {trials} windows a row")
    print(f"   {'case':38s}{'counts':>9s}{'bias':>9s}{'pull':>9s}{'sd':>8s}{'95 % holds':>12s}")
    shape = (np.array(0.2), np.array(0.5))
    for level in (2.0, 20.0, 200.0, 2e3, 1e5):
        sigma = np.sqrt(level * 0.3)
        for strength in (0.0, 2.0, 5.0):
            area = strength * sigma * np.sqrt(STEP) * 1.6
            expected = level * (1 - 0.1 * (x - 38.5)) + area * line(x, np.array(38.5), *shape, rays)
            counts = rng.poisson(np.broadcast_to(expected, (trials, x.size))).astype(float)
            fit = fit_at_places(x, counts, [38.5], 0.2, 0.5, rays, 37, 40)
            report(f"area of about {strength:.0f} sigma", level, fit.areas - area, fit.sigma)


def blanks(trials: int) -> None:
    rays, rng = radiation(), np.random.default_rng(14)
    x = np.arange(36.5, 41.0, STEP)
    places = np.array([38.5])
    print(f"\n4. Blank windows, {trials} trials a row: alarms (expected, p), misses at L_D")
    for level in (2.0, 20.0, 200.0, 2e3, 1e5):
        ground = level * (1 - 0.1 * (x - 38.5))
        counts = rng.poisson(np.broadcast_to(ground, (trials, x.size))).astype(float)
        fit = fit_at_places(x, counts, places, 0.2, 0.5, rays, 37, 40)
        row = f"   {level:9.0f} counts"
        for alpha in (0.05, 0.001):
            alarms = int((fit.areas > decision_area(fit, alpha)).sum())
            p = 2 * min(binom.cdf(alarms, trials, alpha), binom.sf(alarms - 1, trials, alpha), 0.5)
            row += f"   {100 * alpha:g} %: {alarms} ({trials * alpha:.0f}, p={p:.2f})"
        limit = float(np.median(detection_area(fit, 0.05, 0.05)))
        lit = ground + limit * line(x, places, np.array(0.2), np.array(0.5), rays)
        again = rng.poisson(np.broadcast_to(lit, (trials, x.size))).astype(float)
        missed = fit_at_places(x, again, places, 0.2, 0.5, rays, 37, 40)
        share = np.mean(missed.areas <= decision_area(missed, 0.05))
        print(row + f"   misses {100 * share:.2f} % (5 %)")


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    against_lmfit(min(trials, 1000))
    pulls(trials)
    weak_lines(trials)
    blanks(4 * trials)


if __name__ == "__main__":
    main()
