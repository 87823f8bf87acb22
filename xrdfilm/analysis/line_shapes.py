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
    of_phase: dict[str, list[MeasuredLine]] = {}
    for line, what in zip(lines, laid, strict=True):
        if (
            what.ghost is None
            and len(what.members) == 1
            and width_is_sound(line)
            and line.fwhm_sigma_deg > 0
        ):
            of_phase.setdefault(what.reflection.phase, []).append(line)
    secant = 1.0 / np.cos(np.radians(true_deg / 2.0))
    curves = {phase: _curve(good, secant) for phase, good in of_phase.items()}
    if not curves:
        return np.full(true_deg.size, np.nan)
    fallback = curves.get(film, next(iter(curves.values())))
    rows = [curves.get(line.reflection.phase, fallback) for line in layout.lines]
    return np.array([row[i] for i, row in enumerate(rows)])


def expected_mixing(lines: MeasuredLines, laid: Sequence[LaidLine], layout: Layout) -> FloatArray:
    """Expected Lorentz fraction of every line, (n,): the mean of its phase's strong lines.

    A phase without any takes the film's, as size and strain broaden both; ghosts take no part.
    """
    of_phase: dict[str, list[MeasuredLine]] = {}
    for line, what in zip(lines, laid, strict=True):
        own = what.ghost is None and len(what.members) == 1 and width_is_sound(line)
        if (
            own
            and line.significance > MIXING_SHOWS
            and not {"held_mixing", "tangled"} & set(line.flags)
        ):
            of_phase.setdefault(what.reflection.phase, []).append(line)
    means = {
        phase: float(
            np.average(
                [line.lorentz_fraction for line in good],
                weights=[min(line.significance, MIXING_KNOWN) for line in good],
            )
        )
        for phase, good in of_phase.items()
    }
    usual = means.get(_film_key(layout), USUAL_MIXING)
    return np.array([means.get(line.reflection.phase, usual) for line in layout.lines])


def phase_shapes(lines: MeasuredLines, laid: Sequence[LaidLine]) -> dict[str, PhaseShape]:
    """What the good lines of each phase say of its lines' shapes; phases without any are left out.

    The straight line in 1/cosθ of `expected_widths`, or the mean width times 1/cosθ.
    """
    widths: dict[str, list[MeasuredLine]] = {}
    for line, what in zip(lines, laid, strict=True):
        sound = width_is_sound(line) and line.fwhm_sigma_deg > 0
        if what.ghost is None and len(what.members) == 1 and sound:
            widths.setdefault(what.reflection.phase, []).append(line)
    return {phase: _phase_shape(good) for phase, good in widths.items()}


def _phase_shape(good: Sequence[MeasuredLine]) -> PhaseShape:
    slope, intercept, low, high = _straight(good)
    strong = [
        line
        for line in good
        if line.significance > MIXING_SHOWS and not {"held_mixing", "tangled"} & set(line.flags)
    ]
    mixing = USUAL_MIXING
    if strong:
        weights = [min(line.significance, MIXING_KNOWN) for line in strong]
        mixing = float(np.average([line.lorentz_fraction for line in strong], weights=weights))
    return PhaseShape(intercept, slope, low, high, mixing)


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
