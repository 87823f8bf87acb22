"""Cell, line width and line areas of a fluoride that shows, by maximum likelihood.

The search decides with the weights of a film that has none; the amount of what is there needs the
weights of what is there, the width that the lines have, and the doubt that the width brings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtr

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase
from xrdfilm.estimate import Estimate, from_normal
from xrdfilm.fitting.cellscan import LineScan, fit_line
from xrdfilm.fluoride.amplitude import LineAreas
from xrdfilm.fluoride.model import (
    FLUORIDE_LINES,
)
from xrdfilm.fluoride.search import Search
from xrdfilm.fluoride.setup import (
    FluorideWork,
    line_places,
)

_PLAIN = 8.0  # significance of a line that nobody doubts


@dataclass(frozen=True, slots=True)
class ShownFluoride:
    """The cell that areas are given at, the factor on the width, and what its doubt does to areas.

    ``phase`` is the fluoride on that cell: a smaller one scatters more a volume. ``by_width`` turns
    standard normal draws into logarithms of factors on the areas, same shape; None where the width
    was not fitted.
    """

    phase: Phase
    edge_A: float
    width: float
    by_width: Callable[[FloatArray], FloatArray] | None
    cell: Estimate | None
    lines: LineAreas


def refine(
    work: FluorideWork, outcome: Search, scans: Sequence[LineScan | None], decides: Sequence[bool]
) -> ShownFluoride:
    """Cell edge and line width of a fluoride that shows, by maximum likelihood over its lines.

    The width carries a log-normal prior about the expected one. Coordinate steps, each a
    parabola through the likelihood; its curvature gives the uncertainties.
    """
    settings, at = work.settings, outcome.best_edge
    top = float(outcome.templates[outcome.best_template].z[at])
    if top > _PLAIN:
        at = _most_likely_edge(work, scans, decides)
    significance = {
        i: float(s.areas[at] / s.sigma_blank[at])
        for i, s in enumerate(scans)
        if s is not None and decides[i] and s.usable[at]
    }
    strongest = max(significance, key=lambda i: significance[i])
    used = [i for i, z in significance.items() if z > 3.0 or i == strongest]
    prior = float(np.log(settings.width_factor))

    def misfit(edge: float, log_width: float) -> float:
        total = (log_width / prior) ** 2
        for i in used:
            window = work.windows[i]
            assert window is not None
            place = float(line_places(edge, FLUORIDE_LINES[i], work.optics))
            total += fit_line(window, place, work.shape(i, edge, float(np.exp(log_width)))).misfit
        return total

    step = float(work.edges[1] - work.edges[0])
    edge, log_width = float(work.edges[at]), 0.0
    if top <= _PLAIN:
        edge += step * _summit(outcome, at)
    if significance[strongest] > 4.0:
        tried = np.log([0.4, 0.6, 0.8, 1.0, 1.3, 1.7, 2.3])
        log_width = float(tried[int(np.argmin([misfit(edge, w) for w in tried]))])
    edge, _ = _lowest(lambda a: misfit(a, log_width), edge, 0.5 * step, 2)
    log_width, _ = _lowest(lambda w: misfit(edge, w), log_width, 0.2, 3)
    edge, edge_sigma = _lowest(lambda a: misfit(a, log_width), edge, 0.3 * step, 2)
    log_width, width_sigma = _lowest(lambda w: misfit(edge, w), log_width, 0.15, 2)
    axis = max(
        float(edge / np.tan(np.radians(line_places(edge, FLUORIDE_LINES[i], work.optics) / 2.0)))
        for i in used
    ) * np.radians(settings.place_sigma_deg / 2.0)
    cell = from_normal(
        edge,
        float(np.hypot(edge_sigma, axis)),
        level=settings.level,
        sources={"counting": edge_sigma, "axis": float(axis)},
    )
    width = float(np.exp(log_width))
    lines = LineAreas.at(work.scan([edge - 0.2 * step, edge, edge + 0.2 * step], width), 1)
    areas, variance = lines.areas.copy(), lines.variance.copy()
    for i, window in enumerate(work.windows):
        if window is not None and lines.usable[i]:
            place = float(line_places(edge, FLUORIDE_LINES[i], work.optics))
            fit = fit_line(window, place, work.shape(i, edge, width))
            areas[i], variance[i] = fit.area, fit.variance
    by_width = _width_doubt(work, strongest, edge, log_width, width_sigma, misfit)
    # the mean over the widths that fit, not the area at the most likely one
    gain = float(np.exp(by_width.mean))
    lines = replace(lines, areas=areas * gain, variance=variance * gain**2)
    on_cell = work.phase.with_cell(a_A=round(edge, 3))
    return ShownFluoride(on_cell, edge, width, by_width, cell, lines)


def _most_likely_edge(
    work: FluorideWork, scans: Sequence[LineScan | None], decides: Sequence[bool]
) -> int:
    """The grid's cell edge of the highest likelihood.

    Weights of a film without fluoride decide well and find weak lines well, but on a plain line
    over a low background they lead astray: its tails outweigh its top.
    """
    total = np.zeros(work.edges.size)
    for i, (window, s) in enumerate(zip(work.windows, scans, strict=True)):
        if window is None or s is None or not decides[i]:
            continue
        if not np.any(s.usable & (s.areas > 3.0 * s.sigma_blank)):
            continue
        shape = work.shape(i, float(work.edges.mean()))
        fits = [fit_line(window, float(place), shape) for place in s.places_deg]
        misfit = np.array([f.misfit + min(f.area, 0.0) ** 2 / f.variance for f in fits])
        total += np.where(s.usable, misfit, misfit[s.usable].max())
    return int(np.argmin(total))


def _summit(outcome: Search, at: int) -> float:
    """Offset of the top of the significance from its best grid point, in steps, -0.5 to 0.5."""
    z = outcome.templates[outcome.best_template].z
    if not 0 < at < z.size - 1 or not np.all(np.isfinite(z[at - 1 : at + 2])):
        return 0.0
    low, middle, high = (float(v) for v in z[at - 1 : at + 2])
    bend = low - 2.0 * middle + high
    return float(np.clip(0.5 * (low - high) / bend, -0.5, 0.5)) if bend < 0.0 else 0.0


@dataclass(frozen=True, slots=True)
class _WidthDoubt:
    """Posterior of the line width, as log areas (K,) over the most likely one by probability (K,).

    ``mean`` is the posterior mean of the log area.
    """

    probability: FloatArray
    log_area: FloatArray
    mean: float

    def __call__(self, normal: FloatArray) -> FloatArray:
        """Log factors on the reported area for standard normal draws, same shape."""
        drawn = np.interp(ndtr(normal), self.probability, self.log_area)
        return np.asarray(drawn - self.mean)


def _width_doubt(
    work: FluorideWork,
    index: int,
    edge: float,
    log_width: float,
    width_sigma: float,
    misfit: Callable[[float, float], float],
) -> _WidthDoubt:
    """Areas of the strongest line over the widths that the data and the prior leave open."""
    window = work.windows[index]
    assert window is not None
    place = float(line_places(edge, FLUORIDE_LINES[index], work.optics))
    nodes = log_width + width_sigma * np.linspace(-2.5, 2.5, 9)
    fits = [fit_line(window, place, work.shape(index, edge, float(np.exp(w)))) for w in nodes]
    areas = np.array([max(fit.area, 1e-12) for fit in fits])
    evidence = -0.5 * np.array([misfit(edge, float(w)) for w in nodes])
    evidence += 0.5 * np.log([fit.variance for fit in fits])
    density = np.exp(evidence - evidence.max())
    log_area = np.log(areas / areas[4])
    cumulative = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))])
    mean = float(density @ log_area / density.sum())
    return _WidthDoubt(cumulative / cumulative[-1], log_area, mean)


def _lowest(
    function: Callable[[float], float], start: float, step: float, rounds: int
) -> tuple[float, float]:
    """Minimum of a function near ``start`` by parabolas, and the distance that lifts it by 1."""
    x, sigma = start, step
    for turn in range(rounds):
        low, middle, high = function(x - step), function(x), function(x + step)
        bend = low - 2.0 * middle + high
        if bend > 1e-9:
            sigma = step / float(np.sqrt(0.5 * bend))
            x += float(np.clip(0.5 * (low - high) / bend, -2.0, 2.0)) * step
        else:
            x += step if high < low else -step
        if turn < rounds - 1:
            step = float(np.clip(sigma, 0.2 * step, step))
    return x, sigma
