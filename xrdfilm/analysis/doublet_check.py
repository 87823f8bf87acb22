"""Whether the strong lines of a scan show K-alpha2 as the stated optics have it.

A fit with K-alpha2 where the optics pass none moves every line, and with them zero, displacement
and cell, by more than their intervals; so does one without where they pass it. Each strong line is
fitted once more by itself, on its counts alone, as two peaks a K-alpha pair apart, of one shape
and with areas of their own: the second over the first is 0.5 of a pair and 0 of a single line. The
nearer the two are for the line's width, the more its shape matters and the less it tells.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import Radiation, d_of, radiation, two_theta_of
from xrdfilm.fitting.profile import ProfileTerms, doublet_terms
from xrdfilm.lines import MeasuredLine
from xrdfilm.scan import Scan

LEAST_SIGNIFICANCE = 100.0
LEAST_APART_FWHM = 0.5  # nearer to K-alpha1 than this, K-alpha2 is lost in the line's shape
MOST_LINES = 4  # that are fitted, the sharpest
CROWDED_FROM = 0.1  # of a line's height: lower neighbours count as doubt
SURE_BY = 4.0  # standard uncertainties by which the ratio misses what is stated
SHAPE_DOUBT = 0.04  # of the ratio, for a line as wide as the two are apart; it grows as width³
PROFILE_DOUBT = 0.02  # share of a line's height by which a pseudo-Voigt may miss it


@dataclass(frozen=True, slots=True)
class _Teller:
    """A line that may tell, how far off its K-alpha2 is, and its highest neighbour, of its own."""

    line: MeasuredLine
    apart_deg: float
    beside: float


@dataclass(frozen=True, slots=True)
class _Ratio:
    """Area of the second peak over the first, and its standard uncertainty."""

    value: float
    sigma: float


def doublet_note(
    scan: Scan, background: FloatArray, lines: Iterable[MeasuredLine], rays: Radiation
) -> str | None:
    """A sentence where the scan shows K-alpha2 against what is stated, or none; else None.

    ``background``: counts beneath the lines, (N,). ``lines``: all fitted lines. Nothing can be
    said of a wavelength of the user's own, nor where no line is strong, sharp and alone.
    """
    if rays.anode is None:
        return None
    pair = radiation(rays.anode)
    assert pair.k_alpha2_A is not None
    stated = rays.k_alpha2_A is not None
    ratio = _together(
        [
            found
            for teller in _tellers(list(lines), pair, stated)
            if (found := _ratio(scan, background, teller)) is not None
        ]
    )
    if ratio is None:
        return None
    of_pair = pair.k_alpha2_share
    away = (of_pair - ratio.value) if stated else ratio.value
    if away < max(SURE_BY * ratio.sigma, 0.5 * of_pair):
        return None
    if stated:
        return (
            "the strong lines show no K-alpha2: state k_alpha1_only if the optics pass K-alpha1 "
            "alone; until then lines are misplaced, and zero, displacement and cell with them"
        )
    return (
        "the strong lines show K-alpha2 though the optics are stated to pass K-alpha1 alone: leave "
        "k_alpha1_only out; until then areas and places are wrong"
    )


def _together(found: Sequence[_Ratio]) -> _Ratio | None:
    """Weighted mean, its uncertainty widened where the lines disagree."""
    if not found:
        return None
    values = np.array([ratio.value for ratio in found])
    weights = 1.0 / np.square([ratio.sigma for ratio in found])
    mean = float(weights @ values / weights.sum())
    scatter = float(weights @ np.square(values - mean)) / max(len(found) - 1, 1)
    return _Ratio(mean, float(np.sqrt(max(scatter, 1.0) / weights.sum())))


def _tellers(lines: Sequence[MeasuredLine], pair: Radiation, stated: bool) -> list[_Teller]:
    """Strong lines that stand alone, those first whose K-alpha2 is farthest off for their width.

    Where K-alpha1 alone is stated, what was fitted at the place of K-alpha2 is no neighbour: it
    may be nothing else.
    """
    assert pair.k_alpha2_A is not None
    found: list[_Teller] = []
    for line in lines:
        place, width = line.two_theta_deg, line.fwhm_deg
        if not line.significance > LEAST_SIGNIFICANCE:
            continue
        if {"core_excluded", "cut_off", "blend", "tangled"} & set(line.flags):
            continue
        apart = float(two_theta_of(d_of(place, pair.k_alpha1_A), pair.k_alpha2_A)) - place
        if not LEAST_APART_FWHM * width < apart < 5.0 * width:
            continue
        near = [
            other.area_counts_deg / other.fwhm_deg * width / line.area_counts_deg
            for other in lines
            if other is not line
            and abs(other.two_theta_deg - place) < apart + 3.0 * width
            and (stated or abs(other.two_theta_deg - place - apart) > 0.3 * apart)
        ]
        beside = float(np.maximum(near, 0.0).max(initial=0.0))
        if beside < CROWDED_FROM:
            found.append(_Teller(line, apart, beside))
    found.sort(key=lambda teller: -teller.apart_deg / teller.line.fwhm_deg)
    return found[:MOST_LINES]


def _ratio(scan: Scan, background: FloatArray, teller: _Teller) -> _Ratio | None:
    """The second peak over the first, by a fit of both on a straight background; None if it fails.

    Counts weigh by what they are themselves, and by how far a profile may miss them.
    """
    from scipy.optimize import least_squares

    line, apart_deg = teller.line, teller.apart_deg
    x, width = scan.axis_deg, line.fwhm_deg
    reach = max(2.5 * width, apart_deg)
    first, last = np.searchsorted(
        x, (line.two_theta_deg - reach, line.two_theta_deg + apart_deg + reach)
    ).tolist()
    if last - first < 12 or apart_deg < 2.5 * scan.step_deg:
        return None
    here, counts = x[first:last], scan.counts[first:last]
    net = counts - background[first:last]
    top = int(np.argmax(net))
    sigma = np.sqrt(
        np.square(scan.uncertainty()[first:last]) + np.square(PROFILE_DOUBT * np.maximum(net, 0.0))
    )
    slope = (here - here.mean()) / (here[-1] - here[0])

    flat = np.stack([np.ones_like(here), slope]) / sigma
    target = counts / sigma
    off = np.array([[0.0], [apart_deg]])
    nothing = np.zeros((2, 1))

    @lru_cache(maxsize=2)  # residual and derivatives are asked for at one place
    def linear(
        place: float, log_width: float, lorentz: float
    ) -> tuple[FloatArray, FloatArray, ProfileTerms]:
        """Columns (N, 4) of both peaks and the background, their amplitudes, and derivatives."""
        terms = doublet_terms(
            here, place + off, np.full((2, 1), np.exp(log_width)), np.full((2, 1), lorentz),
            nothing, nothing,
        )  # fmt: skip
        table = np.concatenate([terms.value / sigma, flat]).T
        return table, np.linalg.lstsq(table, target, rcond=None)[0], terms

    def residual(parameters: FloatArray) -> FloatArray:
        table, amplitudes, _ = linear(*parameters)
        return np.asarray(table @ amplitudes - target)

    def jacobian(parameters: FloatArray) -> FloatArray:
        """Of the residual with the linear part fitted anew: L. Kaufman, BIT 15 (1975) 49 (from
        memory); its gradient is exact."""
        table, amplitudes, terms = linear(*parameters)
        by_log_width = terms.by_fwhm * np.exp(parameters[1])
        columns = np.stack(
            [amplitudes[:2] @ each for each in (terms.by_place, by_log_width, terms.by_lorentz)],
            axis=1,
        )
        columns /= sigma[:, None]
        return np.asarray(columns - table @ np.linalg.lstsq(table, columns, rcond=None)[0])

    low, high = (
        (here[top] - width, np.log(0.2 * width), 0.0),
        (here[top] + width, np.log(3.0 * width), 1.0),
    )
    start = (here[top], np.log(width), 0.5)
    fit = least_squares(
        residual, start, jac=jacobian, bounds=(low, high), x_scale=(0.1 * width, 0.1, 0.2)
    )
    table, amplitudes, _ = linear(*fit.x)
    if not fit.success or not amplitudes[0] > 0.0:
        return None
    whole = np.concatenate([table, fit.jac], axis=1)
    freedom = max(target.size - whole.shape[1], 1)
    widened = max(2.0 * fit.cost / freedom, 1.0)
    covariance = np.linalg.pinv(whole.T @ whole) * widened
    ratio = float(amplitudes[1] / amplitudes[0])
    by = np.array([-ratio, 1.0]) / amplitudes[0]
    counted = float(np.sqrt(by @ covariance[:2, :2] @ by))
    shape = SHAPE_DOUBT * (width / apart_deg) ** 3
    return _Ratio(ratio, float(np.linalg.norm([counted, shape, teller.beside])))
