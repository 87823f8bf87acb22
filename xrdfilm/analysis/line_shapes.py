"""Widths and shapes to expect of the lines of a layout, from those that were fitted well."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.anchors import width_is_sound
from xrdfilm.analysis.laid_lines import LaidLine
from xrdfilm.analysis.layout import Layout
from xrdfilm.linemap.phase_shapes import PhaseShape
from xrdfilm.lines import MeasuredLine, MeasuredLines

MIXING_SHOWS = 30.0  # significance of a line that tells its Lorentz fraction to about a tenth
MIXING_KNOWN = 200.0  # stronger lines tell no more of what the next one's is
USUAL_MIXING = 0.5


def expected_widths(
    lines: MeasuredLines, laid: Sequence[LaidLine], layout: Layout, true_deg: FloatArray
) -> FloatArray:
    """Expected FWHM of every line of the layout, (n,), each from the good lines of its phase.

    A straight line in 1/cosθ where a phase has three or more, else its mean width times 1/cosθ
    (as size broadening goes); a phase without any takes the film's.
    """
    film = _film_key(layout)
    of_phase = _sound_lines(lines, laid)
    secant = 1.0 / np.cos(np.radians(true_deg / 2.0))
    widths = {
        phase: [w for w in sound if w.fwhm_sigma_deg > 0] for phase, sound in of_phase.items()
    }
    curves = {phase: _curve(good, secant) for phase, good in widths.items() if good}
    if not curves:
        return np.full(true_deg.size, np.nan)
    fallback = curves.get(film, next(iter(curves.values())))
    rows = [curves.get(line.reflection.phase, fallback) for line in layout.lines]
    return np.array([row[i] for i, row in enumerate(rows)])


def expected_mixing(lines: MeasuredLines, laid: Sequence[LaidLine], layout: Layout) -> FloatArray:
    """Expected Lorentz fraction of every line, (n,): the mean of its phase's strong lines.

    A phase without any takes the film's, as size and strain broaden both; ghosts take no part.
    """
    sound = _sound_lines(lines, laid).items()
    means = {phase: mean for phase, own in sound if (mean := _mean_mixing(own)) is not None}
    usual = means.get(_film_key(layout), USUAL_MIXING)
    return np.array([means.get(line.reflection.phase, usual) for line in layout.lines])


def phase_shapes(lines: MeasuredLines, laid: Sequence[LaidLine]) -> dict[str, PhaseShape]:
    """What the good lines of each phase say of its lines' shapes; phases without any are left out.

    The straight line in 1/cosθ of `expected_widths`, or the mean width times 1/cosθ.
    """
    shapes: dict[str, PhaseShape] = {}
    for phase, sound in _sound_lines(lines, laid).items():
        good = [line for line in sound if line.fwhm_sigma_deg > 0]
        if good:
            slope, intercept, low, high = _straight(good)
            mixing = _mean_mixing(good)
            mixing = USUAL_MIXING if mixing is None else mixing
            shapes[phase] = PhaseShape(intercept, slope, low, high, mixing)
    return shapes


def _sound_lines(lines: MeasuredLines, laid: Sequence[LaidLine]) -> dict[str, list[MeasuredLine]]:
    """Lines of each phase that stand for one reflection, no ghost, and have a sound width."""
    of_phase: dict[str, list[MeasuredLine]] = {}
    for line, what in zip(lines, laid, strict=True):
        if what.ghost is None and len(what.members) == 1 and width_is_sound(line):
            of_phase.setdefault(what.reflection.phase, []).append(line)
    return of_phase


def _mean_mixing(lines: Sequence[MeasuredLine]) -> float | None:
    """Mean Lorentz fraction of the strong lines among these; None where there is none."""
    strong = [
        line
        for line in lines
        if line.significance > MIXING_SHOWS and not {"held_mixing", "tangled"} & set(line.flags)
    ]
    if not strong:
        return None
    weights = [min(line.significance, MIXING_KNOWN) for line in strong]
    return float(np.average([line.lorentz_fraction for line in strong], weights=weights))


def _film_key(layout: Layout) -> str:
    return next((w.reflection.phase for w in layout.lines if w.role == "film"), "")


def _straight(good: Sequence[MeasuredLine]) -> tuple[float, float, float, float]:
    """Slope and intercept of the FWHM over 1/cosθ, and the least and greatest width to expect."""
    x = 1.0 / np.cos(np.radians([line.two_theta_deg / 2.0 for line in good]))
    y = np.array([line.fwhm_deg for line in good])
    weight = 1.0 / np.hypot([line.fwhm_sigma_deg for line in good], 0.05 * y)
    if len(good) < 3 or np.ptp(x) < 0.05:
        return float(np.average(y / x, weights=weight**2)), 0.0, 0.0, np.inf
    slope, intercept = np.polyfit(x, y, 1, w=weight)
    return float(slope), float(intercept), float(0.5 * y.min()), float(2.0 * y.max())


def _curve(good: Sequence[MeasuredLine], secant: FloatArray) -> FloatArray:
    slope, intercept, low, high = _straight(good)
    return np.asarray(np.clip(slope * secant + intercept, low, high))
