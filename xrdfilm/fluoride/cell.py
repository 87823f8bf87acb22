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
from xrdfilm.fitting.cellscan import LineFit, LineScan, fit_line
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
LEAST_SHARE = 0.4  # of the strongest line's significance: a weaker line tells little of the shape
MIXING_DOUBT = 0.2  # standard uncertainty of the Lorentz fraction to expect
MIXING_RANGE = (0.05, 1.0)


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
    """Cell edge, line width and Lorentz fraction of a fluoride that shows, by maximum likelihood.

    The width carries a log-normal prior about the expected one, the Lorentz fraction a normal one.
    A window that its neighbours' lines do not describe well counts by as much less. Coordinate
    steps, each a parabola through the likelihood; its curvature gives the uncertainties.
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
    least = max(3.0, LEAST_SHARE * significance[strongest])
    used = [i for i, z in significance.items() if z > least or i == strongest]
    prior = float(np.log(settings.width_factor))
    scale = dict.fromkeys(used, 1.0)

    def one(i: int, edge: float, log_width: float, mixing: float) -> LineFit:
        window = work.windows[i]
        assert window is not None
        place = float(line_places(edge, FLUORIDE_LINES[i], work.optics))
        return fit_line(window, place, work.shape(i, edge, float(np.exp(log_width)), mixing))

    def misfit(edge: float, log_width: float, mixing: float) -> float:
        inside = float(np.clip(mixing, *MIXING_RANGE))
        total = (log_width / prior) ** 2 + ((inside - work.mixing) / MIXING_DOUBT) ** 2
        total += 1e3 * abs(mixing - inside)
        return total + sum(one(i, edge, log_width, inside).misfit / scale[i] for i in used)

    step = float(work.edges[1] - work.edges[0])
    edge, log_width, mixing = float(work.edges[at]), 0.0, work.mixing
    if top <= _PLAIN:
        edge += step * _summit(outcome, at)
    plain = [i for i, z in significance.items() if z > _PLAIN]
    for turn in range(2 if plain else 1):
        if plain:
            work = work.beside_plain_lines(plain, edge, float(np.exp(log_width)), mixing)
        scale.update({i: _excess(work, i, one(i, edge, log_width, mixing)) for i in used})
        if significance[strongest] > 4.0:
            tried = np.log([0.4, 0.6, 0.8, 1.0, 1.3, 1.7, 2.3])
            log_width = float(tried[int(np.argmin([misfit(edge, w, mixing) for w in tried]))])
        if plain and turn == 0:
            log_width, mixing = _likely_shape(misfit, edge, log_width, mixing)
    edge, _ = _lowest(lambda a: misfit(a, log_width, mixing), edge, 0.5 * step, 2)
    log_width, _ = _lowest(lambda w: misfit(edge, w, mixing), log_width, 0.2, 3)
    mixing, _ = _lowest(lambda m: misfit(edge, log_width, m), mixing, 0.1, 2)
    edge, edge_sigma = _lowest(lambda a: misfit(a, log_width, mixing), edge, 0.3 * step, 2)
    log_width, width_sigma = _lowest(lambda w: misfit(edge, w, mixing), log_width, 0.15, 2)
    mixing, mixing_sigma = _lowest(lambda m: misfit(edge, log_width, m), mixing, 0.08, 2)
    mixing = float(np.clip(mixing, *MIXING_RANGE))
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
    beside = [edge - 0.2 * step, edge, edge + 0.2 * step]
    lines = LineAreas.at(work.scan(beside, width, mixing), 1)
    areas, variance = lines.areas.copy(), lines.variance.copy()
    for i, window in enumerate(work.windows):
        if window is not None and lines.usable[i]:
            fit = one(i, edge, log_width, mixing)
            areas[i], variance[i] = fit.area, fit.variance * _excess(work, i, fit)
    by_width = _width_doubt(
        lambda w, m: one(strongest, edge, w, m),
        lambda w, m: misfit(edge, w, m),
        (log_width, width_sigma),
        (mixing, min(mixing_sigma, MIXING_DOUBT)),
    )
    # the mean over the shapes that fit, not the area at the most likely one
    gain = float(np.exp(by_width.mean))
    lines = replace(lines, areas=areas * gain, variance=variance * gain**2)
    on_cell = work.phase.with_cell(a_A=round(edge, 3))
    return ShownFluoride(on_cell, edge, width, by_width, cell, lines)


def _likely_shape(
    misfit: Callable[[float, float, float], float], edge: float, log_width: float, mixing: float
) -> tuple[float, float]:
    """Width (its logarithm) and Lorentz fraction at a cell edge, in one step of each."""
    log_width, _ = _lowest(lambda w: misfit(edge, w, mixing), log_width, 0.2, 2)
    mixing, _ = _lowest(lambda m: misfit(edge, log_width, m), mixing, 0.1, 2)
    return log_width, float(np.clip(mixing, *MIXING_RANGE))


def _excess(work: FluorideWork, index: int, fit: LineFit) -> float:
    """How much worse a window is described than counting allows, as a factor on variances."""
    window = work.windows[index]
    assert window is not None
    dof = max(window.x.size - window.basis.shape[1] - 1, 1)
    return float(max(1.0, fit.misfit / dof))


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
    """Posterior of a line's shape, as log areas (K,) over the most likely one by probability (K,).

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
    fit: Callable[[float, float], LineFit],
    misfit: Callable[[float, float], float],
    log_width: tuple[float, float],
    mixing: tuple[float, float],
) -> _WidthDoubt:
    """Areas of a line over the widths and Lorentz fractions that data and priors leave open.

    Both functions take a logarithm of the width and a Lorentz fraction; each of these is given
    with its standard uncertainty.
    """
    widths = log_width[0] + log_width[1] * np.linspace(-2.5, 2.5, 9)
    mixings = np.unique(np.clip(mixing[0] + mixing[1] * np.linspace(-2.0, 2.0, 5), *MIXING_RANGE))
    centre = max(fit(log_width[0], mixing[0]).area, 1e-12)
    nodes = [(float(w), float(m)) for m in mixings for w in widths]
    fits = [fit(w, m) for w, m in nodes]
    evidence = -0.5 * np.array([misfit(w, m) for w, m in nodes])
    evidence += 0.5 * np.log([f.variance for f in fits])
    density = np.exp(evidence - evidence.max())
    log_area = np.log(np.array([max(f.area, 1e-12) for f in fits]) / centre)
    order = np.argsort(log_area, kind="stable")
    log_area, density = log_area[order], density[order] / density.sum()
    cumulative = np.cumsum(density) - 0.5 * density
    mean = float(density @ log_area)
    return _WidthDoubt(cumulative, log_area, mean)


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
