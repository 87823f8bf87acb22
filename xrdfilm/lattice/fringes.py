"""Fringes beside a strong line: the thickness of a thin, smooth film; never a phase.

A film of even thickness t modulates the tails of its own lines (and of the substrate's line it
stands on) as sin²(πt(q − q₀)), q = 2 sinθ/λ: an even comb in q with the spacing 1/t. Its teeth are
weak bumps at places of no phase. `find_fringes` looks for the comb in the tails on both sides of a
line and rates it against chance; `fringe_mask` says which peaks of a scan are its teeth.

Source: the interference function of a stack of planes, A. Guinier, X-ray Diffraction (Freeman,
1963) (from memory). The spacing counts the coherent thickness, which is the film's only where it
is one crystal from bottom to top.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_normal

if TYPE_CHECKING:
    from xrdfilm.lattice.peaks import Peaks
    from xrdfilm.scan import Scan

# Probability that chance makes as strong a comb anywhere in the searched range
FALSE_ALARM = 1e-4
_TREND_DEGREE = 3  # of the logarithm of the tail against the logarithm of the distance
_SMOOTH_DEGREE = 8  # of what else may vary slowly along a tail: the film's own line, a step
_LEAST_TEETH = 5.0  # fewer periods on a side cannot be told from that
_MODEL_SIGMA = 0.003  # relative: the comb is not quite even near the line (by simulation)
_PARTS = 4  # of each tail; none of them may be needed for the comb to show
_LEAST_SHARE = 0.5  # of the comb's gain that must be left without the part that gives most


@dataclass(frozen=True, slots=True)
class Fringes:
    """A comb of fringes about a line at ``line_deg``, seen from ``low_deg`` to ``high_deg``.

    ``thickness_nm``: coherent thickness from the spacing. ``depth``: amplitude over the smooth
    tail. ``phase_rad``: of the comb at the line. ``false_alarm``: probability of chance.
    """

    line_deg: float
    thickness_nm: Estimate
    depth: float
    phase_rad: float
    low_deg: float
    high_deg: float
    wavelength_A: float
    false_alarm: float

    def modulation(self, two_theta_deg: FloatArray) -> FloatArray:
        """Cosine of the comb, +1 on a tooth and −1 between; shape (N,)."""
        centre = self.thickness_nm.centre
        assert centre is not None
        q = _q_of(two_theta_deg, self.wavelength_A) - _q_of(
            np.array(self.line_deg), self.wavelength_A
        )
        return np.asarray(np.cos(2.0 * np.pi * 10.0 * centre * q - self.phase_rad))

    @property
    def spacing_deg(self) -> float:
        """Distance of neighbouring teeth near the line, in degrees of 2θ."""
        centre = self.thickness_nm.centre
        assert centre is not None
        cos_theta = np.cos(np.radians(self.line_deg) / 2.0)
        return float(np.degrees(self.wavelength_A / (10.0 * centre * cos_theta)))


def _q_of(two_theta_deg: FloatArray, wavelength_A: float) -> FloatArray:
    return np.asarray(2.0 * np.sin(np.radians(two_theta_deg) / 2.0) / wavelength_A)


def find_fringes(
    scan: Scan,
    line_deg: float,
    fwhm_deg: float,
    wavelength_A: float,
    *,
    reach_deg: float = 2.5,
    thickness_range_nm: tuple[float, float] = (5.0, 400.0),
    level: float = DEFAULT_LEVEL,
) -> Fringes | None:
    """A comb of fringes in the tails of a line, or None where chance would do.

    ``line_deg``, ``fwhm_deg``: place and width of the line; the tails from 2.5 widths out to
    ``reach_deg`` are searched on both sides. Other strong lines must not stand in them.
    """
    axis = np.asarray(scan.axis_deg, dtype=float)
    away = axis - line_deg
    apart = (np.abs(away) > 2.5 * fwhm_deg) & (np.abs(away) < reach_deg)
    if apart.sum() < 40:
        return None
    q = _q_of(axis, wavelength_A) - float(_q_of(np.array(line_deg), wavelength_A))
    counts = np.asarray(scan.counts, dtype=float)
    variance = np.asarray(scan.uncertainty(), dtype=float) ** 2
    sides = [m for m in (apart & (away < 0.0), apart & (away > 0.0)) if m.sum() >= 30]
    if not sides:
        return None
    relative, weight = [], []
    for mask in sides:
        trend = _tail_trend(np.abs(q[mask]), counts[mask])
        # the variance of the trend, not of each count: low counts must not weigh more
        noise = variance[mask] if scan.sigma is not None else np.maximum(trend, 0.3)
        relative.append((counts[mask] / trend - 1.0) * trend / np.sqrt(noise))
        weight.append(trend / np.sqrt(noise))
    r, root = np.concatenate(relative), np.concatenate(weight)
    x = np.concatenate([q[mask] for mask in sides])
    where = np.concatenate([axis[mask] for mask in sides])
    tails = [q[mask] for mask in sides]
    parts = [piece for tail in _split(tails) for piece in np.array_split(tail, _PARTS)]
    smooth = _smooth_basis(tails, root)
    r = r - smooth @ (smooth.T @ r)
    # every part counts by its own scatter, so that one bump (another line) does not make the comb
    for part in parts:
        scatter = max(1.0, float(np.sqrt(np.mean(r[part] ** 2))))
        r[part] /= scatter
        root[part] /= scatter
    smooth = _smooth_basis(tails, root)
    r = r - smooth @ (smooth.T @ r)

    side_span = max(float(np.ptp(q[mask])) for mask in sides)
    # a comb finer than the line is wide is washed out by what makes the line wide
    width = np.radians(fwhm_deg) * np.cos(np.radians(line_deg) / 2.0) / wavelength_A
    step = float(np.radians(np.median(np.diff(axis)))) / wavelength_A
    low = max(thickness_range_nm[0], _LEAST_TEETH / side_span / 10.0)
    high = min(thickness_range_nm[1], 0.1 / (4.0 * step), 0.1 / width)
    span = float(np.ptp(x))
    if not low + 1.0 / (10.0 * span) < high:
        return None
    grid = np.arange(low, high, 1.0 / (60.0 * span))
    gain, _ = _comb_fit(grid, x, r, root, smooth)
    best = int(np.argmax(gain))
    if best in (0, grid.size - 1):
        return None
    trials = max(1.0, (high - low) * 10.0 * span)
    false_alarm = float(min(1.0, trials * np.exp(-gain[best] / 2.0)))
    if false_alarm > FALSE_ALARM:
        return None
    spacing = grid[1] - grid[0]
    bend = (gain[best - 1] - 2.0 * gain[best] + gain[best + 1]) / spacing**2
    offset = 0.5 * (gain[best - 1] - gain[best + 1]) / (bend * spacing)
    thickness = float(grid[best] + np.clip(offset, -spacing, spacing))
    _, amplitude = _comb_fit(np.array([thickness]), x, r, root, smooth)
    cosine, sine = float(amplitude[0, 0]), float(amplitude[0, 1])
    if not _told_by_all_parts(thickness, (cosine, sine), x, r, root, smooth, parts):
        return None
    counting = float(np.sqrt(2.0 / abs(bend)))
    model = _MODEL_SIGMA * thickness
    return Fringes(
        float(line_deg),
        from_normal(
            thickness,
            float(np.hypot(counting, model)),
            level=level,
            bounds=(0.0, None),
            sources={"counting": counting, "model": model},
        ),
        float(np.hypot(cosine, sine)),
        float(np.arctan2(sine, cosine)),
        float(where.min()),
        float(where.max()),
        wavelength_A,
        false_alarm,
    )


def _tail_trend(distance: FloatArray, counts: FloatArray) -> FloatArray:
    """Smooth tail of a line: exp of a polynomial in log distance, Poisson likelihood; (N,)."""
    t = np.log(distance)
    t = 2.0 * (t - t.min()) / max(float(np.ptp(t)), 1e-12) - 1.0
    columns = np.polynomial.chebyshev.chebvander(t, _TREND_DEGREE)
    level = np.log(max(float(counts.mean()), 1e-3))
    start = np.log(np.maximum(counts, 0.3 * np.exp(level)))
    beta, *_ = np.linalg.lstsq(columns, start, rcond=None)
    for _ in range(15):
        mean = np.exp(np.clip(columns @ beta, level - 12.0, level + 12.0))
        step = np.linalg.solve(
            (columns * mean[:, None]).T @ columns + 1e-9 * np.eye(columns.shape[1]),
            columns.T @ (counts - mean),
        )
        beta = beta + np.clip(step, -1.0, 1.0)
        if float(np.max(np.abs(step))) < 1e-6:
            break
    return np.asarray(np.maximum(np.exp(columns @ beta), 1e-9))


def _smooth_basis(q_of_sides: list[FloatArray], root_weight: FloatArray) -> FloatArray:
    """Orthonormal columns of slow variation along each tail, weighted; shape (N, K)."""
    total = sum(side.size for side in q_of_sides)
    columns = np.zeros((total, len(q_of_sides) * (_SMOOTH_DEGREE + 1)))
    row = 0
    for i, side in enumerate(q_of_sides):
        t = 2.0 * (side - side.min()) / np.ptp(side) - 1.0
        block = np.polynomial.legendre.legvander(t, _SMOOTH_DEGREE)
        columns[row : row + side.size, i * block.shape[1] : (i + 1) * block.shape[1]] = block
        row += side.size
    basis, _ = np.linalg.qr(columns * root_weight[:, None])
    return np.asarray(basis)


def _comb_columns(
    thickness_nm: FloatArray, q: FloatArray, root_weight: FloatArray, smooth: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Weighted cosine and sine of combs, free of what the smooth columns explain; (T, N) each."""
    phase = 2.0 * np.pi * 10.0 * thickness_nm[:, None] * q[None, :]
    cosine, sine = np.cos(phase) * root_weight, np.sin(phase) * root_weight
    cosine -= (cosine @ smooth) @ smooth.T
    sine -= (sine @ smooth) @ smooth.T
    return cosine, sine


def _comb_fit(
    thickness_nm: FloatArray,
    q: FloatArray,
    residual: FloatArray,
    root_weight: FloatArray,
    smooth: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Gain in chi-square (T,) and amplitudes of cosine and sine (T, 2) of combs."""
    gain = np.empty(thickness_nm.size)
    amplitude = np.empty((thickness_nm.size, 2))
    for start in range(0, thickness_nm.size, 128):
        part = slice(start, start + 128)
        c, s = _comb_columns(thickness_nm[part], q, root_weight, smooth)
        cc, ss, cs = (np.einsum("ij,ij->i", u, v) for u, v in ((c, c), (s, s), (c, s)))
        cr, sr = c @ residual, s @ residual
        determinant = np.maximum(cc * ss - cs**2, 1e-300)
        amplitude[part, 0] = (ss * cr - cs * sr) / determinant
        amplitude[part, 1] = (cc * sr - cs * cr) / determinant
        gain[part] = amplitude[part, 0] * cr + amplitude[part, 1] * sr
    return gain, amplitude


def _told_by_all_parts(
    thickness_nm: float,
    amplitude: tuple[float, float],
    q: FloatArray,
    residual: FloatArray,
    root_weight: FloatArray,
    smooth: FloatArray,
    parts: list[IntArray],
) -> bool:
    """Whether the comb runs through the tails, and is not one bump."""
    cosine, sine = _comb_columns(np.array([thickness_nm]), q, root_weight, smooth)
    model = amplitude[0] * cosine[0] + amplitude[1] * sine[0]
    gain = residual**2 - (residual - model) ** 2
    gains = np.array([float(gain[part].sum()) for part in parts])
    rest = gains.sum() - gains.max()
    against = -float(gains[gains < 0.0].sum())
    return bool(
        rest > _LEAST_SHARE * gains.sum()
        and against < 0.1 * gains.sum()
        and np.sum(gains > 0.0) > 0.6 * len(parts)
    )


def _split(tails: list[FloatArray]) -> list[IntArray]:
    """Row indices of each tail."""
    ends = np.cumsum([tail.size for tail in tails])
    return [np.arange(end - tail.size, end) for tail, end in zip(tails, ends, strict=True)]


def fringe_mask(peaks: Peaks, fringes: Fringes, *, weakest_share: float = 0.1) -> BoolArray:
    """Which peaks are teeth of the comb and must not be taken for a phase, shape (N,).

    A tooth stands where the comb is high, within its range, and is far weaker (below
    ``weakest_share``) than the strongest peak there.
    """
    inside = (peaks.places_deg >= fringes.low_deg) & (peaks.places_deg <= fringes.high_deg)
    near = np.abs(peaks.places_deg - fringes.line_deg) < fringes.high_deg - fringes.low_deg
    strongest = float(np.max(peaks.heights[near], initial=0.0))
    return np.asarray(
        inside
        & (fringes.modulation(peaks.places_deg) > 0.2)
        & (peaks.heights < weakest_share * strongest)
    )


def possible_fringes(
    peaks: Peaks, line_deg: float, fwhm_deg: float, *, reach_deg: float = 2.5
) -> BoolArray:
    """Which peaks stand in the tails of a strong line as its fringes would, shape (N,).

    Weaker than a tenth of the line, away from its core and broader than it: too little to name a
    phase by, even where no whole comb can be made out. Nothing but the place of a known phase
    should name such a peak.
    """
    away = np.abs(peaks.places_deg - line_deg)
    core = away <= 1.5 * fwhm_deg
    line_height = float(np.max(peaks.heights[core], initial=0.0))
    return np.asarray(
        ~core
        & (away < reach_deg)
        & (peaks.heights < 0.1 * line_height)
        & (peaks.widths_deg > 1.5 * fwhm_deg)
    )
