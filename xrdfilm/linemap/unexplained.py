"""Lines that nobody expected: found, measured, and offered with ranked candidates.

What the fitted lines and the background do not explain is searched with matched filters of several
widths that sum to zero, so that neither a background a little off nor a slope looks like a line.
Under strong lines the profile is never exact: a share of their height counts as noise there. The
threshold holds for the whole scan (Šidák's correction for the independent places looked at).
Each find is fitted as a K-alpha pair, put into the model, and the search goes on without it.

A candidate is a line of a reference phase, or a ghost of a strong measured line (K-beta,
tungsten, half the wavelength), whose lattice spacing fits within uncertainty, the stated doubt of
the alignment, and half a percent of lattice change. A candidate is a suggestion, never a finding.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.crystal.radiation import d_of
from xrdfilm.fitting.engine import WindowFits, fit_block
from xrdfilm.fitting.noise import noise_scale
from xrdfilm.fitting.windows import LineSpec, WindowSpec, compile_plan
from xrdfilm.linemap.candidates import Candidate, ghost_candidates, ghosts_of, phase_candidates
from xrdfilm.lines import MeasuredLine, Reflection

if TYPE_CHECKING:
    from xrdfilm.crystal import LineList
    from xrdfilm.crystal.radiation import Radiation
    from xrdfilm.fitting.background import Background
    from xrdfilm.scan import Scan

FILTER_FWHM_DEG = (0.12, 0.25, 0.6)
PROFILE_DOUBT = 0.03  # share of a strong line's height that its fitted profile may be off by
BACKGROUND_DOUBT = 0.3  # of its standard uncertainty: how far a background may bend unnoticed
COARSE_DEG = 0.1
MOST_LINES = 12
APART_DEG = 1.2
GHOST_REACH_DEG = 0.3
SUPPORT_FROM = 0.4  # score from which a candidate speaks for its phase at other lines too


@dataclass(frozen=True, slots=True)
class UnexplainedLine:
    """A line above the background that no expected line accounts for.

    Angles in degrees of 2θ (K-alpha1, as measured), ``d_A`` its lattice spacing if it is a true
    line of the tube's K-alpha1, area in counts·deg. ``candidates``: best first, may be empty.
    """

    two_theta_deg: float
    two_theta_sigma_deg: float
    d_A: float
    area_counts_deg: float
    area_sigma_counts_deg: float
    fwhm_deg: float
    significance: float
    candidates: tuple[Candidate, ...]
    flags: tuple[str, ...] = ()


def find_unexplained(
    scan: Scan,
    background: Background,
    fits: WindowFits | None,
    radiation: Radiation,
    references: Sequence[LineList] = (),
    *,
    false_alarms: float = 0.01,
    place_doubt_deg: float = 0.05,
    skip_ghosts: bool = False,
) -> tuple[UnexplainedLine, ...]:
    """Search one scan; lines come back in ascending 2θ.

    ``fits`` are the expected lines as fitted (None when there are none); ``references`` the line
    lists to draw candidates from, at this radiation. ``false_alarms`` is the chance that a scan
    with nothing unexplained shows one all the same. With ``skip_ghosts`` nothing is looked for
    where a strong measured line must throw a ghost.
    """
    x, counts = scan.axis_deg, np.asarray(scan.counts, dtype=float)
    scale = 1.0
    noise = None if scan.sigma is None else np.square(scan.sigma)
    if scan.sigma is None and not scan.poisson:
        factor, flat = noise_scale(counts[None])
        scale = float(factor[0])
        noise = flat[0] if flat is not None else None
    lines_curve, ground, widening = explained(x, background.values, fits)
    step = max(scan.step_deg, 1e-6)
    trials = sum((x[-1] - x[0]) / fwhm for fwhm in FILTER_FWHM_DEG)
    threshold = float(-ndtri(1.0 - (1.0 - false_alarms) ** (1.0 / trials)))
    strong = () if fits is None else fits.measured_lines().lines
    found: list[MeasuredLine] = []
    barred: list[tuple[float, float]] = []
    silent = np.zeros(x.size, bool)
    for ghost in ghosts_of(strong, radiation) if skip_ghosts else ():
        first, last = np.searchsorted(
            x, (ghost.place_deg - GHOST_REACH_DEG, ghost.place_deg + GHOST_REACH_DEG)
        )
        silent[first:last] = True
    floor = max(float(np.mean(np.abs(ground))) * 0.02, 0.1 * scale)
    while len(found) < MOST_LINES:
        model = ground + lines_curve
        variance = scale * np.maximum(model, floor) if noise is None else noise
        variance = widening * variance + np.square(PROFILE_DOUBT * lines_curve)
        left = np.where(silent, 0.0, counts - model)
        tops = _tops(x, left, variance, background.sigma, step, barred, threshold)
        if not tops:
            break
        barred += [(place, 1.5 * width) for place, width in tops]
        seen, curves = _measure(scan, lines_curve, tops, radiation)
        sure = [line.significance > threshold for line in seen]
        for line, curve, taken in zip(seen, curves, sure, strict=True):
            if taken:
                lines_curve = lines_curve + curve
                found.append(line)
        if not any(sure):
            break
    named = _named(found, strong, radiation, references, place_doubt_deg)
    return tuple(sorted(named, key=lambda line: line.two_theta_deg))


def explained(
    x: FloatArray, background: FloatArray, fits: WindowFits | None
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What fitted lines give on the whole axis, the background under them, and by how much the
    variance is to be widened where a window's fit is a misfit; each (N,).

    Inside a window the background is the window's own, between windows the broad one with the
    difference carried over, so that no step at a window's end looks like a line. Outside their
    window the feet of lines are smooth: there they are worked out on a coarse grid.
    """
    lines = np.zeros_like(x)
    ground = background.copy()
    if fits is None or not fits.block.plan.groups:
        return lines, ground, np.ones_like(x)
    widening = np.ones_like(x)
    number = max(2, min(x.size, int((x[-1] - x[0]) / COARSE_DEG)))
    coarse = np.linspace(x[0], x[-1], number)
    feet = np.zeros_like(coarse)
    points_seen: list[IntArray] = []
    shifts: list[FloatArray] = []
    for group in fits.block.plan.groups:
        where, exact, polynomial, own = fits.on_group(group, coarse)
        feet += own.sum(axis=0)
        points_seen.append(where.ravel())
        shifts.append((polynomial - background[where]).ravel())
        # In its window every line counts exactly; the others' feet come from the coarse grid
        excess = fits.block.chi_square[fits.index, group.windows]
        excess = excess / fits.block.dof[fits.index, group.windows]
        for points, curve, about, factor in zip(where, exact, own, excess, strict=True):
            lines[points] += curve - np.interp(x[points], coarse, about)
            widening[points] = max(1.0, float(factor))
    lines += np.interp(x, coarse, feet)
    index = np.concatenate(points_seen)
    order = np.argsort(index, kind="stable")
    ground += np.interp(x, x[index[order]], np.concatenate(shifts)[order])
    return lines, ground, widening


def _tops(
    x: FloatArray,
    residual: FloatArray,
    variance: FloatArray,
    ground_sigma: FloatArray,
    step: float,
    barred: Sequence[tuple[float, float]],
    threshold: float,
) -> list[tuple[float, float]]:
    """Place and filter width of what stands out, strongest first, away from barred places.

    Of tops close together only the strongest counts: the others may be its flanks, and show again
    when it is in the model. Each filter works on points binned to a third of its width, which
    loses next to nothing.
    """
    tops: list[tuple[float, float, float]] = []
    for fwhm in FILTER_FWHM_DEG:
        size = max(1, int(fwhm / 3.0 / step))
        number = x.size // size
        reach = max(2, round(2.0 * fwhm / (step * size)))
        if 2 * reach + 1 >= number:
            continue
        places, signal, noise, doubt = (
            _sums(values, size) for values in (x, residual, variance, ground_sigma)
        )
        places, doubt = places[reach:-reach] / size, doubt[reach:-reach]
        offset = np.arange(-reach, reach + 1) * (step * size)
        kernel = np.exp(-4.0 * np.log(2.0) * np.square(offset / fwhm))
        kernel -= kernel.mean()
        # Half a line at the end of a scan proves nothing: only whole filters count
        value = np.convolve(signal, kernel, "valid")
        counting = np.convolve(noise, kernel**2, "valid")
        bend = BACKGROUND_DOUBT * float(kernel[kernel > 0.0].sum())
        value /= np.sqrt(counting + np.square(bend * doubt))
        for place, width in barred:
            value[np.abs(places - place) < width] = -np.inf
        padded = np.concatenate([[-np.inf], value, [-np.inf]])
        peak = (value >= threshold) & (value >= padded[:-2]) & (value >= padded[2:])
        tops += [(float(value[i]), float(places[i]), fwhm) for i in np.flatnonzero(peak)]
    kept: list[tuple[float, float]] = []
    seen: list[float] = []
    for _, place, width in sorted(tops, reverse=True):
        if all(abs(place - other) > APART_DEG for other in seen) and len(kept) < MOST_LINES:
            kept.append((place, width))
        seen.append(place)
    return kept


def _sums(values: FloatArray, size: int) -> FloatArray:
    """Sums of ``size`` neighbours, the rest left off."""
    if size == 1:
        return values
    number = values.size // size
    total = np.cumsum(values[: number * size])[size - 1 :: size]
    return np.diff(total, prepend=0.0)


def _measure(
    scan: Scan,
    lines: FloatArray,
    tops: Sequence[tuple[float, float]],
    radiation: Radiation,
) -> tuple[list[MeasuredLine], list[FloatArray]]:
    """Fit a line at each top, on what is known so far; the lines and their curves on the axis."""
    x = scan.axis_deg
    windows = []
    for place, fwhm in tops:
        reach = max(5.0 * fwhm, 0.6)
        spec = LineSpec(
            members=(Reflection("unexplained", (0, 0, 0)),),
            two_theta_deg=place,
            fwhm_deg=min(fwhm, 0.3),
            max_shift_deg=fwhm,
        )
        low, high = max(place - reach, float(x[0])), min(place + reach, float(x[-1]))
        windows.append(WindowSpec(low, high, (spec,), 1))
    block = fit_block(
        compile_plan(x, windows, radiation),
        scan.counts[None],
        sigma=None if scan.sigma is None else scan.sigma[None],
        poisson=scan.poisson,
        beneath=lines[None],
    )
    fits = block.scan(0)
    fitted = np.flatnonzero(np.isfinite(block.area[0]))
    return list(fits.measured_lines().lines), [fits.lines_on(x, int(n)) for n in fitted]


def _named(
    found: Sequence[MeasuredLine],
    strong: Sequence[MeasuredLine],
    radiation: Radiation,
    references: Sequence[LineList],
    place_doubt_deg: float,
) -> list[UnexplainedLine]:
    ghosts = ghosts_of(strong, radiation) if found else []
    table = [
        phase_candidates(line, references, place_doubt_deg)
        + ghost_candidates(line, ghosts, place_doubt_deg)
        for line in found
    ]
    explains: dict[str, int] = {}
    for row in table:
        near = (
            c.reflection.phase
            for c in row
            if c.reflection and c.kind == "phase" and c.score > SUPPORT_FROM
        )
        for phase in set(near):
            explains[phase] = explains.get(phase, 0) + 1
    out = []
    for line, row in zip(found, table, strict=True):
        ranked = []
        for candidate in row:
            support = 0
            if candidate.kind == "phase" and candidate.reflection is not None:
                own = int(candidate.score > SUPPORT_FROM)
                support = explains.get(candidate.reflection.phase, 0) - own
            ranked.append(
                replace(candidate, support=support, score=candidate.score * (1.0 + 0.5 * support))
            )
        ranked.sort(key=lambda c: -c.score)
        out.append(
            UnexplainedLine(
                line.two_theta_deg,
                line.two_theta_sigma_deg,
                float(d_of(line.two_theta_deg, radiation.k_alpha1_A)),
                line.area_counts_deg,
                line.area_sigma_counts_deg,
                line.fwhm_deg,
                line.significance,
                tuple(ranked),
                line.flags,
            )
        )
    return out
