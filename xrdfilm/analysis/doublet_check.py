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

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import Radiation, d_of, radiation, two_theta_of
from xrdfilm.fitting.two_peaks import PairFit, PairWindow, fit_pairs
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


@dataclass(frozen=True, slots=True, eq=False)
class FittedScan:
    """What the check looks at: a scan, the counts beneath its lines (N,), all its fitted lines,
    and the radiation that is stated."""

    scan: Scan
    background: FloatArray
    lines: Iterable[MeasuredLine]
    rays: Radiation


def doublet_notes(films: Sequence[FittedScan]) -> list[str | None]:
    """For each film a sentence where its scan shows K-alpha2 against what is stated, or none.

    Nothing can be said of a wavelength of the user's own, nor where no line is strong, sharp and
    alone. The lines of all films are fitted at once.
    """
    asked: list[tuple[int, _Teller, PairWindow]] = []
    for i, film in enumerate(films):
        if film.rays.anode is None:
            continue
        for teller in _tellers(list(film.lines), radiation(film.rays.anode), _stated(film)):
            window = _window(film, teller)
            if window is not None:
                asked.append((i, teller, window))
    ratios: list[list[_Ratio]] = [[] for _ in films]
    fits = fit_pairs([window for _, _, window in asked])
    for (i, teller, _), fit in zip(asked, fits, strict=True):
        if fit is not None and fit.areas[0] > 0.0:
            ratios[i].append(_ratio(fit, teller))
    return [_note(film, _together(found)) for film, found in zip(films, ratios, strict=True)]


def _stated(film: FittedScan) -> bool:
    return film.rays.k_alpha2_A is not None


def _note(film: FittedScan, ratio: _Ratio | None) -> str | None:
    if ratio is None or film.rays.anode is None:
        return None
    stated = _stated(film)
    of_pair = radiation(film.rays.anode).k_alpha2_share
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


def _window(film: FittedScan, teller: _Teller) -> PairWindow | None:
    """The points about a line and its K-alpha2; None where they are too few or too far apart.

    Counts weigh by what they are themselves, and by how far a profile may miss them.
    """
    scan, line, apart_deg = film.scan, teller.line, teller.apart_deg
    x, width = scan.axis_deg, line.fwhm_deg
    reach = max(2.5 * width, apart_deg)
    first, last = np.searchsorted(
        x, (line.two_theta_deg - reach, line.two_theta_deg + apart_deg + reach)
    ).tolist()
    if apart_deg < 2.5 * scan.step_deg:
        return None
    known = first + np.flatnonzero(np.isfinite(scan.counts[first:last]))
    if known.size < 12:
        return None
    here, counts = x[known], scan.counts[known]
    net = counts - film.background[known]
    sigma = np.hypot(scan.uncertainty()[known], PROFILE_DOUBT * np.maximum(net, 0.0))
    return PairWindow(here, counts, sigma, float(here[np.argmax(net)]), apart_deg, width)


def _ratio(fit: PairFit, teller: _Teller) -> _Ratio:
    """The second peak over the first, with what the line's shape and its neighbours may add."""
    value = float(fit.areas[1] / fit.areas[0])
    by = np.array([-value, 1.0]) / fit.areas[0]
    counted = float(np.sqrt(by @ fit.covariance @ by))
    shape = SHAPE_DOUBT * (teller.line.fwhm_deg / teller.apart_deg) ** 3
    return _Ratio(value, float(np.linalg.norm([counted, shape, teller.beside])))
