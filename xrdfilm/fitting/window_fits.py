"""What comes out of fitting windows: of a block of scans as arrays, of one scan as lines."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.fitting.flags import flag_bit, unpack_flags
from xrdfilm.fitting.profile import doublet
from xrdfilm.fitting.windows import Group, WindowPlan
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection

CURVES_AT_ONCE = 32  # scans whose curves are worked out together, and kept


@dataclass(frozen=True, slots=True)
class BlockFits:
    """Fits of S scans with n lines in V windows.

    Shapes (S, n): ``area``, ``place``, ``place_sigma``, ``fwhm``, ``fwhm_sigma``, ``mixing``,
    ``skew``, ``background`` (counts a point under the line), ``significance``, ``decision``,
    ``detection`` and the packed ``flags``; ``area_covariance`` (S, n, n); ``chi_square``, ``dof``,
    ``rounds`` (S, V); ``background_terms`` (S, V, D) the polynomial in the window's own
    coordinate; ``beneath``, for each of the plan's groups (S, W, P), a given curve under it on the
    group's points, or None. Lines that were not fitted are NaN.
    """

    plan: WindowPlan
    expected: FloatArray
    area: FloatArray
    area_covariance: FloatArray
    place: FloatArray
    place_sigma: FloatArray
    fwhm: FloatArray
    fwhm_sigma: FloatArray
    mixing: FloatArray
    skew: FloatArray
    background: FloatArray
    significance: FloatArray
    decision: FloatArray
    detection: FloatArray
    flags: IntArray
    chi_square: FloatArray
    dof: FloatArray
    rounds: IntArray
    background_terms: FloatArray
    beneath: tuple[FloatArray, ...] | None = None
    _curves: dict[tuple[int, int, bytes], tuple[FloatArray, FloatArray]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def curves(
        self, group: Group, index: int, coarse_deg: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Lines of a group on its own points (R, W, N) and on another axis (R, W, M), in counts.

        Of the R scans that are worked out together with scan ``index``: it is row ``index`` modulo
        `CURVES_AT_ONCE`. Kept while scans are asked for in turn. `WindowFits.on_group` says which
        lines count.
        """
        part = index // CURVES_AT_ONCE
        if self._curves and next(iter(self._curves))[0] != part:
            self._curves.clear()
        key = (part, id(group), coarse_deg.tobytes())
        if key not in self._curves:
            rows = slice(part * CURVES_AT_ONCE, (part + 1) * CURVES_AT_ONCE)
            place = self.place[rows, group.lines]
            inside = (place >= group.x[:, :1]) & (place <= group.x[:, -1:])
            self._curves[key] = (
                self._sum_of_lines(group, rows, group.x, np.ones_like(inside)),
                self._sum_of_lines(group, rows, coarse_deg[None], inside),
            )
        return self._curves[key]

    def _sum_of_lines(
        self, group: Group, rows: slice, x: FloatArray, counts: BoolArray
    ) -> FloatArray:
        """Sum of a group's lines that count (R, W, L) and lie above 0, at x (W or 1, N)."""
        area, place, fwhm, mixing, skew = (
            values[rows, group.lines]
            for values in (self.area, self.place, self.fwhm, self.mixing, self.skew)
        )
        found = np.zeros((*area.shape[:2], x.shape[1]))
        for line in range(area.shape[2]):
            scan, window = np.nonzero(counts[:, :, line] & (area[:, :, line] > 0.0))
            at = (scan, window, line)
            profiles = doublet(
                x[window] if x.shape[0] > 1 else x,
                place[at][:, None],
                fwhm[at][:, None],
                mixing[at][:, None],
                group.ratio[window, line][:, None],
                group.share[window, line][:, None],
                skew[at][:, None] if group.structure.skewed else None,
            )
            found[scan, window] += area[at][:, None] * profiles
        return found

    @property
    def area_sigma(self) -> FloatArray:
        """Standard uncertainty of the areas, (S, n), in counts·deg."""
        return np.sqrt(np.diagonal(self.area_covariance, axis1=1, axis2=2))

    def __len__(self) -> int:
        return int(self.area.shape[0])

    def scan(self, index: int) -> WindowFits:
        """The fits of one scan."""
        return WindowFits(self, index)


@dataclass(frozen=True)
class WindowFits:
    """The fits of one scan, a view into a block."""

    block: BlockFits
    index: int = 0

    def measured_lines(self, left_out: tuple[tuple[Reflection, str], ...] = ()) -> MeasuredLines:
        """The fitted lines, and ``left_out`` joined by those that could not be fitted."""
        lines = self._lines
        return replace(lines, left_out=left_out + lines.left_out) if left_out else lines

    @cached_property
    def _lines(self) -> MeasuredLines:
        b, i = self.block, self.index
        there = np.isfinite(b.area[i])
        fitted = np.flatnonzero(there)
        columns = (
            b.expected[i],
            b.place[i],
            b.place_sigma[i],
            b.area[i],
            np.sqrt(np.diagonal(b.area_covariance[i])),
            b.fwhm[i],
            b.fwhm_sigma[i],
            b.mixing[i],
            b.significance[i],
            b.decision[i],
            b.detection[i],
            b.background[i],
        )
        table = np.stack(columns, axis=1)[fitted].tolist()
        held = flag_bit("held_place")
        lines = tuple(
            MeasuredLine(
                members=b.plan.lines[n].members,
                place="forced" if flags & held else b.plan.lines[n].place,
                expected_deg=row[0],
                two_theta_deg=row[1],
                two_theta_sigma_deg=row[2],
                area_counts_deg=row[3],
                area_sigma_counts_deg=row[4],
                fwhm_deg=row[5],
                fwhm_sigma_deg=row[6],
                lorentz_fraction=row[7],
                significance=row[8],
                decision_area=row[9],
                detection_area=row[10],
                background_counts=row[11],
                flags=unpack_flags(flags),
            )
            for n, row, flags in zip(
                fitted.tolist(), table, b.flags[i, fitted].tolist(), strict=True
            )
        )
        missing = tuple(
            (line.members[0], "the scan holds too few usable points at its place")
            for n in np.flatnonzero(~there)
            if (line := b.plan.lines[n]).members
        )
        covariance = b.area_covariance[i][np.ix_(fitted, fitted)]
        return MeasuredLines(lines, covariance, missing)

    def lines_on(self, two_theta_deg: FloatArray, window: int) -> FloatArray:
        """What the lines of a window give on any axis (N,), in counts; lines under 0 count as 0."""
        group, at = self._group(window)
        lines = group.lines[at]
        profiles = doublet(
            np.asarray(two_theta_deg, dtype=float),
            self.block.place[self.index, lines][:, None],
            self.block.fwhm[self.index, lines][:, None],
            self.block.mixing[self.index, lines][:, None],
            group.ratio[at][:, None],
            group.share[at][:, None],
            self.block.skew[self.index, lines][:, None] if group.structure.skewed else None,
        )
        return np.asarray(np.maximum(self.block.area[self.index, lines], 0.0) @ profiles)

    def on_group(
        self, group: Group, coarse_deg: FloatArray
    ) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
        """Curves of a group's W windows, in counts.

        Points of the axis (W, N), lines there (W, N), background there (W, N), and the lines on
        another axis (W, M). Lines under 0 count as 0, as do, on the other axis, lines whose place
        lies outside their window: only their foot was fitted.
        """
        b, i = self.block, self.index
        there, away = (rows[i % CURVES_AT_ONCE] for rows in b.curves(group, i, coarse_deg))
        terms = b.background_terms[i, group.windows, : group.structure.n_background]
        background = np.matmul(terms[:, None, :], group.powers)[:, 0]
        if b.beneath is not None:
            background = background + b.beneath[b.plan.groups.index(group)][i]
        return group.points, there, background, away

    def _group(self, window: int) -> tuple[Group, int]:
        group = next(g for g in self.block.plan.groups if window in g.windows)
        return group, int(np.flatnonzero(group.windows == window)[0])

    def curve(self, window: int) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Axis (N,), fitted lines each (L, N) and background (N,) of a window, in counts."""
        b = self.block
        group, at = self._group(window)
        lines = group.lines[at]
        x = np.unique(group.x[at])
        profiles = doublet(
            x,
            b.place[self.index, lines][:, None],
            b.fwhm[self.index, lines][:, None],
            b.mixing[self.index, lines][:, None],
            group.ratio[at][:, None],
            group.share[at][:, None],
            self.block.skew[self.index, lines][:, None] if group.structure.skewed else None,
        )
        scaled = (x - group.middle[at]) / group.half[at]
        terms = b.background_terms[self.index, window, : group.structure.n_background]
        background = np.polynomial.polynomial.polyval(scaled, terms)
        if b.beneath is not None:
            under = b.beneath[b.plan.groups.index(group)][self.index, at]
            background = background + np.interp(x, group.x[at], under)
        return x, profiles * b.area[self.index, lines][:, None], np.asarray(background)
