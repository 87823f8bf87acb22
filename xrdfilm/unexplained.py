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
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.special import ndtri

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.fitting import WindowFits, fit_block
from xrdfilm.lines import MeasuredLine, Reflection
from xrdfilm.noise import noise_scale
from xrdfilm.radiation import d_of, two_theta_of
from xrdfilm.windows import LineSpec, WindowSpec, compile_plan

if TYPE_CHECKING:
    from xrdfilm.background import Background
    from xrdfilm.crystal import LineList
    from xrdfilm.radiation import Radiation
    from xrdfilm.scan import Scan

FILTER_FWHM_DEG = (0.12, 0.25, 0.6)
PROFILE_DOUBT = 0.03  # share of a strong line's height that its fitted profile may be off by
BACKGROUND_DOUBT = 0.3  # of its standard uncertainty: how far a background may bend unnoticed
COARSE_DEG = 0.1
CELL_DOUBT = 0.005  # relative change of lattice spacing by solid solution and strain
MOST_LINES = 12
SUPPORT_FROM = 0.4  # score from which a candidate speaks for its phase at other lines too
GHOST_PRIOR = 2.0  # the parent of a ghost is surely there, a phase nobody expected is not


@dataclass(frozen=True, slots=True)
class Candidate:
    """What an unexplained line might be.

    ``off_deg`` is measured less expected place; ``score`` ranks (higher is better, no
    probability); ``support`` counts other unexplained lines that the same phase would explain.
    """

    name: str
    kind: Literal["phase", "ghost"]
    reflection: Reflection | None
    expected_deg: float
    off_deg: float
    score: float
    support: int = 0


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
) -> tuple[UnexplainedLine, ...]:
    """Search one scan; lines come back in ascending 2θ.

    ``fits`` are the expected lines as fitted (None when there are none); ``references`` the line
    lists to draw candidates from, at this radiation. ``false_alarms`` is the chance that a scan
    with nothing unexplained shows one all the same.
    """
    x, counts = scan.axis_deg, np.asarray(scan.counts, dtype=float)
    scale = 1.0
    noise = None if scan.sigma is None else np.square(scan.sigma)
    if scan.sigma is None and not scan.poisson:
        factor, flat = noise_scale(counts[None])
        scale = float(factor[0])
        noise = flat[0] if flat is not None else None
    lines_curve, ground = explained(x, background.values, fits)
    step = max(scan.step_deg, 1e-6)
    trials = sum((x[-1] - x[0]) / fwhm for fwhm in FILTER_FWHM_DEG)
    threshold = float(-ndtri(1.0 - (1.0 - false_alarms) ** (1.0 / trials)))
    found: list[MeasuredLine] = []
    barred: list[tuple[float, float]] = []
    floor = max(float(np.mean(np.abs(ground))) * 0.02, 0.1 * scale)
    while len(found) < MOST_LINES:
        model = ground + lines_curve
        variance = scale * np.maximum(model, floor) if noise is None else noise
        variance = variance + np.square(PROFILE_DOUBT * lines_curve)
        significance, place, width = _strongest(
            x, counts - model, variance, background.sigma, step, barred
        )
        if significance < threshold:
            break
        barred.append((place, 1.5 * width))
        line, curve = _measure(scan, lines_curve, place, width, radiation)
        if line is None or line.significance < threshold:
            continue
        lines_curve = lines_curve + curve
        found.append(line)
    strong = () if fits is None else fits.measured_lines().lines
    named = _named(found, strong, radiation, references, place_doubt_deg)
    return tuple(sorted(named, key=lambda line: line.two_theta_deg))


def explained(
    x: FloatArray, background: FloatArray, fits: WindowFits | None
) -> tuple[FloatArray, FloatArray]:
    """What fitted lines give on the whole axis, and the background under them; each (N,).

    Inside a window the background is the window's own, between windows the broad one with the
    difference carried over, so that no step at a window's end looks like a line. Outside their
    window the feet of lines are smooth: there they are worked out on a coarse grid.
    """
    lines = np.zeros_like(x)
    ground = background.copy()
    if fits is None or not fits.block.plan.groups:
        return lines, ground
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
        for points, curve, about in zip(where, exact, own, strict=True):
            lines[points] += curve - np.interp(x[points], coarse, about)
    lines += np.interp(x, coarse, feet)
    index = np.concatenate(points_seen)
    order = np.argsort(index, kind="stable")
    ground += np.interp(x, x[index[order]], np.concatenate(shifts)[order])
    return lines, ground


def _strongest(
    x: FloatArray,
    residual: FloatArray,
    variance: FloatArray,
    ground_sigma: FloatArray,
    step: float,
    barred: Sequence[tuple[float, float]],
) -> tuple[float, float, float]:
    """Significance, place and filter width of what stands out most, away from barred places.

    Each filter works on points binned to a third of its width, which loses next to nothing.
    """
    best = (-np.inf, float(x[0]), FILTER_FWHM_DEG[0])
    for fwhm in FILTER_FWHM_DEG:
        size = max(1, int(fwhm / 3.0 / step))
        number = x.size // size
        reach = max(2, round(2.0 * fwhm / (step * size)))
        places, signal, noise, doubt = (
            _sums(values, size) for values in (x, residual, variance, ground_sigma)
        )
        places, doubt = places / size, doubt[reach:-reach]
        if 2 * reach + 1 >= number:
            continue
        offset = np.arange(-reach, reach + 1) * (step * size)
        kernel = np.exp(-4.0 * np.log(2.0) * np.square(offset / fwhm))
        kernel -= kernel.mean()
        # Half a line at the end of a scan proves nothing: only whole filters count
        value = np.convolve(signal, kernel, "valid")
        counting = np.convolve(noise, kernel**2, "valid")
        bend = BACKGROUND_DOUBT * float(kernel[kernel > 0.0].sum())
        value /= np.sqrt(counting + np.square(bend * doubt))
        inside = places[reach:-reach]
        for place, width in barred:
            value[np.abs(inside - place) < width] = -np.inf
        top = int(np.argmax(value))
        if value[top] > best[0]:
            best = (float(value[top]), float(inside[top]), fwhm)
    return best


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
    place: float,
    fwhm: float,
    radiation: Radiation,
) -> tuple[MeasuredLine | None, FloatArray]:
    """Fit one line at a place on top of the lines known so far; its curve on the axis (N,)."""
    x = scan.axis_deg
    reach = max(5.0 * fwhm, 0.6)
    spec = LineSpec(
        members=(Reflection("unexplained", (0, 0, 0)),),
        two_theta_deg=place,
        fwhm_deg=fwhm,
        max_shift_deg=fwhm,
    )
    low, high = max(place - reach, float(x[0])), min(place + reach, float(x[-1]))
    plan = compile_plan(x, [WindowSpec(low, high, (spec,), 1)], radiation)
    if not plan.fitted.any():
        return None, np.zeros_like(x)
    block = fit_block(
        plan,
        scan.counts[None],
        sigma=None if scan.sigma is None else scan.sigma[None],
        poisson=scan.poisson,
        beneath=lines[None],
    )
    fits = block.scan(0)
    return fits.measured_lines().lines[0], fits.lines_on(x, 0)


def _named(
    found: Sequence[MeasuredLine],
    strong: Sequence[MeasuredLine],
    radiation: Radiation,
    references: Sequence[LineList],
    place_doubt_deg: float,
) -> list[UnexplainedLine]:
    table = [
        _phase_candidates(line, references, place_doubt_deg)
        + _ghost_candidates(line, strong, radiation, place_doubt_deg)
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


def _doubt(line: MeasuredLine, place: FloatArray, place_doubt_deg: float) -> FloatArray:
    """Standard deviation allowed between measured and expected place, degrees."""
    cell = 2.0 * np.tan(np.radians(place / 2.0)) * CELL_DOUBT
    return np.sqrt(
        line.two_theta_sigma_deg**2 + place_doubt_deg**2 + np.square(np.degrees(cell) / 2.0)
    )


def _phase_candidates(
    line: MeasuredLine, references: Sequence[LineList], place_doubt_deg: float
) -> list[Candidate]:
    out = []
    for listing in references:
        place = np.asarray(listing.two_theta_deg, dtype=float)
        if not place.size:
            continue
        off = line.two_theta_deg - place
        doubt = _doubt(line, place, place_doubt_deg)
        strength = np.asarray(listing.multiplicity * listing.f_squared, dtype=float)
        strength = strength / strength.max()
        closeness = np.exp(-0.5 * np.square(off / doubt))
        # An oriented film may show any line, so a weak one is only mildly less likely
        score = closeness * (0.3 + 0.7 * np.sqrt(strength))
        near = np.flatnonzero((np.abs(off) < 3.0 * doubt) & (strength > 1e-3))
        if not near.size:
            continue
        best = int(near[np.argmax(score[near])])
        h, k, l = (int(i) for i in listing.hkl[best])  # noqa: E741
        reflection = Reflection(listing.phase, (h, k, l))
        out.append(
            Candidate(
                str(reflection),
                "phase",
                reflection,
                float(place[best]),
                float(off[best]),
                float(score[best]),
            )
        )
    return out


def _ghost_candidates(
    line: MeasuredLine,
    strong: Sequence[MeasuredLine],
    radiation: Radiation,
    place_doubt_deg: float,
) -> list[Candidate]:
    from xrdfilm.expected import GHOST_SHARES, HALF_WAVELENGTH

    rays: dict[str, float] = {HALF_WAVELENGTH: radiation.k_alpha1_A / 2.0}
    if radiation.k_beta_A is not None:
        rays["K-beta"] = radiation.k_beta_A
    rays.update(zip(("W L-alpha1", "W L-alpha2"), radiation.tungsten_A, strict=False))
    parents = [p for p in strong if p.area_counts_deg > line.area_counts_deg]
    out = []
    for name, wavelength in rays.items():
        for parent in parents:
            spacing = d_of(parent.two_theta_deg, radiation.k_alpha1_A)
            place = np.asarray(two_theta_of(spacing, wavelength), dtype=float)
            if not np.isfinite(place):
                continue
            # A ghost shares its parent's cell and displacement: only the place itself is in doubt
            doubt = float(np.hypot(line.two_theta_sigma_deg, place_doubt_deg))
            off = line.two_theta_deg - float(place)
            if abs(off) > 3.0 * doubt:
                continue
            share = line.area_counts_deg / parent.area_counts_deg
            # Filters differ: a ghost within a factor ten of the usual share is in order
            size = np.exp(-0.5 * (np.log10(share / GHOST_SHARES[name])) ** 2)
            out.append(
                Candidate(
                    f"{name} of {parent.reflection}",
                    "ghost",
                    parent.reflection,
                    float(place),
                    off,
                    float(GHOST_PRIOR * np.exp(-0.5 * (off / doubt) ** 2) * size),
                )
            )
    return out
