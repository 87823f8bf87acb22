"""Fits of all line windows of one scan, or of thousands of scans at once.

    plan = compile_plan(axis_deg, windows, radiation)      # once for all scans of one axis
    block = fit_block(plan, counts)                        # counts (S, N)
    block.scan(i).measured_lines()                         # MeasuredLines of scan i

    fit_windows(scan, windows, radiation, *, settings=FitSettings(), plan=None) -> WindowFits

Counts are fitted by maximum Poisson likelihood, intensities with a stated sigma by least squares;
where intensities are no counts and carry no sigma, the noise is taken from the scatter of the
scan and the lines say so. Areas of a window share their covariance. Every line carries Currie's
limits from its own local background (`xrdfilm.fitting.detection`). A line too weak to carry a
place, a width or a mixing of its own is held at what was expected and says so: a free place would
hunt for the highest noise and bias the area upwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.fitting.detection import decision_area, detection_area
from xrdfilm.fitting.fit_group import GroupFit, fit_group
from xrdfilm.fitting.fit_start import Hold
from xrdfilm.fitting.flags import FLAGS, flag_bit, pack
from xrdfilm.fitting.linear_fit import BlankMoments
from xrdfilm.fitting.noise import noise_scale
from xrdfilm.fitting.window_fits import BlockFits, WindowFits
from xrdfilm.fitting.windows import Group, LineSpec, WindowPlan, WindowSpec, compile_plan

if TYPE_CHECKING:
    from xrdfilm.crystal.radiation import Radiation
    from xrdfilm.scan import Scan

__all__ = [
    "FLAGS",
    "BlockFits",
    "FitSettings",
    "Hold",
    "LineSpec",
    "WindowFits",
    "WindowPlan",
    "WindowSpec",
    "compile_plan",
    "fit_block",
    "fit_windows",
]


@dataclass(frozen=True, slots=True)
class FitSettings:
    """How windows are fitted.

    ``alpha`` and ``beta`` are the risks of Currie's limits. ``hold`` says how significant a line
    must be to carry a place, a width and a mixing of its own. ``saturation_counts``: points at or
    above it, and their neighbours, are left out. ``rows_at_once`` bounds the windows that go
    through the engine together (what fits the processor's cache is fastest).
    """

    alpha: float = 0.05
    beta: float = 0.05
    hold: Hold = field(default_factory=Hold)
    saturation_counts: float | None = None
    rows_at_once: int = 192


def fit_windows(
    scan: Scan,
    windows: Sequence[WindowSpec],
    radiation: Radiation,
    *,
    settings: FitSettings | None = None,
    plan: WindowPlan | None = None,
    beneath: FloatArray | None = None,
) -> WindowFits:
    """Fit all windows of one scan; ``plan`` spares compiling them when it fits the axis.

    ``beneath`` (N,) is a curve that everything stands on, in the scan's counts.
    """
    if plan is None or not plan.matches(scan.axis_deg):
        plan = compile_plan(scan.axis_deg, windows, radiation)
    block = fit_block(
        plan,
        scan.counts[None],
        sigma=None if scan.sigma is None else scan.sigma[None],
        poisson=scan.poisson,
        beneath=None if beneath is None else beneath[None],
        settings=settings,
    )
    return block.scan(0)


def fit_block(
    plan: WindowPlan,
    counts: FloatArray,
    *,
    sigma: FloatArray | None = None,
    poisson: bool = True,
    places: FloatArray | None = None,
    fwhm: FloatArray | None = None,
    mixing: FloatArray | None = None,
    beneath: FloatArray | Sequence[FloatArray] | None = None,
    settings: FitSettings | None = None,
) -> BlockFits:
    """Fit S scans on the plan's axis, counts (S, N).

    ``beneath`` is a given curve that everything stands on: (S, N), or where each window has its
    own, one array (S, W, P) for each of the plan's groups, on its points.

    ``places``, ``fwhm`` and ``mixing`` (S, n) replace what the plan expects, scan by scan (each
    scan's own alignment and line shapes, or the fits of the frame before). ``sigma`` (S, N) is the
    file's; ``poisson`` is False for intensities that are no counts. Points that are not finite are
    left out.
    """
    set_ = FitSettings() if settings is None else settings
    y = np.asarray(counts, dtype=float)
    n_scans, n_lines = y.shape[0], len(plan.lines)
    scale = np.ones(n_scans)
    variance = None if sigma is None else np.square(np.asarray(sigma, dtype=float))
    common = 0
    if variance is None and not poisson:
        common |= flag_bit("noise_from_residuals")
        scale, variance = noise_scale(y)
    good = np.isfinite(y)
    if set_.saturation_counts is not None:
        full = y >= set_.saturation_counts
        full[:, 1:] |= full[:, :-1]
        full[:, :-1] |= full[:, 1:]
        good &= ~full
    if variance is not None:
        good &= variance > 0
        variance = np.where(good, variance, 1.0)
    y = np.where(good, y, 0.0) / scale[:, None]
    under = _beneath_groups(plan, beneath)

    expected = _expected(plan, "two_theta_deg", places, n_scans)
    widths = _expected(plan, "fwhm_deg", fwhm, n_scans)
    out = _empty(plan, expected, n_scans)
    everything_good = bool(good.all())
    for number, group in enumerate(plan.groups):
        chunk = max(1, set_.rows_at_once // group.windows.size)
        for first in range(0, n_scans, chunk):
            rows = slice(first, min(first + chunk, n_scans))
            fit = fit_group(
                group,
                y[rows],
                None if everything_good else good[rows],
                None if variance is None else variance[rows],
                expected[rows][:, group.lines],
                widths[rows][:, group.lines],
                None if under is None else under[number][rows] / scale[rows, None, None],
                set_.hold,
                None if mixing is None else mixing[rows][:, group.lines],
            )
            _store(out, rows, group, fit, scale[rows], set_)
    lines_common = (
        common
        | plan.cut_off * flag_bit("cut_off")
        | plan.core * flag_bit("core_excluded")
        | plan.foot * flag_bit("foot_only")
        | (plan.beside_core & (1 - plan.core)) * flag_bit("beside_core")
        | (1 - plan.fitted) * flag_bit("no_data")
        | np.array([int(len(line.members) > 1) for line in plan.lines], np.int64)
        * flag_bit("blend")
    )
    out.flags[:] |= lines_common
    if n_lines:
        clipped = ~good
        _flag_lost_points(out, clipped)
    return replace(out, beneath=under)


def _beneath_groups(
    plan: WindowPlan, beneath: FloatArray | Sequence[FloatArray] | None
) -> tuple[FloatArray, ...] | None:
    """The curve beneath on the points of each group, (S, W, P)."""
    if beneath is None:
        return None
    if isinstance(beneath, np.ndarray):
        return tuple(np.asarray(beneath[:, group.points], dtype=float) for group in plan.groups)
    return tuple(np.asarray(values, dtype=float) for values in beneath)


def _expected(plan: WindowPlan, name: str, given: FloatArray | None, n_scans: int) -> FloatArray:
    if given is not None:
        return np.asarray(given, dtype=float)
    values = np.array([getattr(line, name) for line in plan.lines], dtype=float)
    return np.broadcast_to(values, (n_scans, values.size))


def _empty(plan: WindowPlan, expected: FloatArray, n_scans: int) -> BlockFits:
    n, v = len(plan.lines), len(plan.windows)
    degree = max((w.background_degree for w in plan.windows), default=0)

    def nan() -> FloatArray:
        return np.full((n_scans, n), np.nan)

    return BlockFits(
        plan,
        expected,
        nan(),
        np.zeros((n_scans, n, n)),
        nan(),
        nan(),
        nan(),
        nan(),
        nan(),
        nan(),
        nan(),
        nan(),
        nan(),
        nan(),
        pack((n_scans, n)),
        np.full((n_scans, v), np.nan),
        np.full((n_scans, v), np.nan),
        np.zeros((n_scans, v), np.int64),
        np.zeros((n_scans, v, degree + 1)),
    )


def _store(
    out: BlockFits,
    rows: slice,
    group: Group,
    fit: GroupFit,
    scale: FloatArray,
    settings: FitSettings,
) -> None:
    """Put the fits of a group's windows, (S·W, ...), where their lines belong."""
    n_windows, n = group.lines.shape
    s = scale.size
    unit = scale[:, None, None]

    def lines(values: FloatArray) -> FloatArray:
        return values.reshape(s, n_windows, n)

    at = (slice(rows.start, rows.stop), group.lines)
    widened = fit.widening[:, None]
    moments = BlankMoments(
        fit.moments.variance * widened,
        fit.moments.variance_slope * widened,
        fit.moments.third * widened**1.5,
        fit.moments.third_slope * widened**1.5,
    )
    out.area[at] = lines(fit.area) * unit
    out.place[at] = lines(fit.place)
    out.place_sigma[at] = lines(fit.place_sigma)
    out.fwhm[at] = lines(fit.fwhm)
    out.fwhm_sigma[at] = lines(fit.fwhm_sigma)
    out.mixing[at] = lines(fit.mixing)
    out.skew[at] = lines(fit.skew)
    out.background[at] = lines(fit.background) * unit
    out.significance[at] = lines(fit.area / np.sqrt(moments.variance))
    out.decision[at] = lines(decision_area(moments, settings.alpha)) * unit
    out.detection[at] = lines(detection_area(moments, settings.alpha, settings.beta)) * unit
    out.flags[at] = fit.flags.reshape(s, n_windows, n)
    covariance = fit.area_covariance.reshape(s, n_windows, n, n) * np.square(unit)[..., None]
    out.area_covariance[
        slice(rows.start, rows.stop), group.lines[:, :, None], group.lines[:, None, :]
    ] = covariance
    by_window = (slice(rows.start, rows.stop), group.windows)
    out.chi_square[by_window] = fit.chi_square.reshape(s, n_windows)
    out.dof[by_window] = fit.dof.reshape(s, n_windows)
    out.rounds[by_window] = fit.rounds.reshape(s, n_windows)
    terms = fit.background_terms.reshape(s, n_windows, -1) * unit
    out.background_terms[rows, group.windows, : terms.shape[2]] = terms


def _flag_lost_points(out: BlockFits, lost: BoolArray) -> None:
    """Flag the windows of scans that lost points inside them."""
    if not lost.any():
        return
    for group in out.plan.groups:
        hit = np.asarray(lost[:, group.points].any(axis=2))  # (S, W)
        out.flags[:, group.lines] |= np.where(hit[:, :, None], flag_bit("beside_core"), 0)
