"""Sliding expected lines over peaks: the shift, and the cell of every layer, that fit best."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.lattice.peaks import SIGNIFICANCE, Peaks

if TYPE_CHECKING:
    from xrdfilm.crystal import LineList

# A peak and an expected place closer than this are the same line, before anything is fitted
TOLERANCE_DEG = 0.06
MAX_SHIFT_DEG = 0.3
ShiftKind = Literal["zero", "displacement"]


@dataclass(frozen=True, slots=True, eq=False)
class ExpectedLines:
    """Lines that a layer may show: hkl (N, 3), d in Å (N,), strengths (N,) in any one unit.

    ``cell_freedom``: how far, as a fraction, the cell may differ from the one the spacings were
    computed with (0 for a substrate crystal; about 0.012 for the c axis of a film whose oxygen is
    unknown); ``cell_shrinkage`` is the same towards smaller cells, None for as much. Strengths are
    compared within the layer only, by their order of magnitude.
    """

    name: str
    hkl: IntArray
    d_A: FloatArray
    strength: FloatArray
    cell_freedom: float = 0.0
    cell_shrinkage: float | None = None

    @classmethod
    def of(
        cls,
        lines: LineList,
        *,
        aligned: bool = False,
        cell_freedom: float = 0.0,
        cell_shrinkage: float | None = None,
        least: float = 1e-4,
    ) -> ExpectedLines:
        """From a line list of a phase: all its lines (a powder), or the orders of one normal.

        ``aligned``: the list holds the orders of one normal (`xrdfilm.crystal.lines_along`), so
        multiplicities do not count. Lines weaker than ``least`` of the strongest are left out.
        """
        strength = np.where(np.isfinite(lines.f_squared), lines.f_squared, 1.0)
        if not aligned:
            strength = strength * lines.multiplicity
        strength = strength / np.sin(np.radians(lines.two_theta_deg))
        keep = strength >= least * np.max(strength, initial=0.0)
        return cls(
            lines.phase,
            np.asarray(lines.hkl, dtype=np.int64)[keep],
            np.asarray(lines.d_A, dtype=float)[keep],
            strength[keep],
            cell_freedom,
            cell_shrinkage,
        )

    def two_theta_deg(self, wavelength_A: float, cell_scale: float = 1.0) -> FloatArray:
        """Places in degrees, nan where the wavelength does not reach the line; shape (N,)."""
        return np.asarray(two_theta_of(self.d_A * cell_scale, wavelength_A), dtype=float)


def fall(two_theta_deg: FloatArray, kind: ShiftKind) -> FloatArray:
    """Shift at these angles over that at θ = 0: 1 for a zero, cosθ for a displacement; (N,)."""
    if kind == "zero":
        return np.ones_like(two_theta_deg)
    return np.asarray(np.cos(np.radians(two_theta_deg) / 2.0))


@dataclass(frozen=True, slots=True)
class BestShift:
    """The best shift in degrees with its score, what the score could be, and each layer's cell."""

    score: float
    possible: float
    shift: float
    kind: ShiftKind
    scales: tuple[float, ...]


def within(lines: ExpectedLines, peaks: Peaks, wavelength_A: float) -> BoolArray:
    """Which lines lie well within the range that the peaks were looked for in, (N,)."""
    return _between(lines, peaks.low_deg, peaks.high_deg, wavelength_A)


def _between(
    lines: ExpectedLines, low_deg: float, high_deg: float, wavelength_A: float
) -> BoolArray:
    places = lines.two_theta_deg(wavelength_A)
    return np.asarray((places > low_deg + 0.2) & (places < high_deg - 0.2))


def search_shift(
    peaks: Peaks,
    expected: Sequence[ExpectedLines],
    wavelength_A: float,
    max_shift_deg: float,
    tolerance_deg: float,
) -> BestShift:
    """The best shift of either kind, with the best cell of every layer at that shift."""
    shifts = _shifts(max_shift_deg, tolerance_deg)
    count = shifts.size
    weight = np.log1p(peaks.significance / SIGNIFICANCE)
    weight = weight / weight.max()
    edges = np.concatenate([[-1e3], peaks.places_deg, [1e3]])
    kinds: tuple[ShiftKind, ...] = ("displacement", "zero")
    totals = {kind: np.zeros(count) for kind in kinds}
    scale_of = {kind: np.ones((len(expected), count)) for kind in kinds}
    # peak weights at each shift; a peak that a rigid layer explains says little about a free one,
    # or a film's c would be drawn to where its orders hide under the substrate's
    left = {kind: np.tile(np.concatenate([[0.0], weight, [0.0]]), (count, 1)) for kind in kinds}
    possible = 0.0
    for row in sorted(range(len(expected)), key=lambda i: expected[i].cell_freedom):
        lines = expected[row]
        layer = _tried_layer(
            lines, wavelength_A, peaks.low_deg, peaks.high_deg, max_shift_deg, tolerance_deg
        )
        if layer is None:
            continue
        possible += float(layer.importance.sum())
        for kind in kinds:
            near = layer.looked[kind].nearness(edges, left[kind], tolerance_deg)
            score = near @ layer.importance - layer.doubt[:, None]
            top = np.argmax(score, axis=0)
            totals[kind] += score[top, np.arange(count)]
            scale_of[kind][row] = layer.scales[top]
            if lines.cell_freedom == 0.0:
                looked = layer.looked[kind].first
                apart = np.abs(looked[:, :, None] - edges[None, None, :]).min(axis=1)
                left[kind] = np.where(apart < tolerance_deg, 0.2 * left[kind], left[kind])
    for kind in kinds:
        totals[kind] -= 0.05 * (shifts / max_shift_deg) ** 2
    kind = max(kinds, key=lambda k: float(totals[k].max()))
    index = int(np.argmax(totals[kind]))
    return BestShift(
        float(totals[kind][index]),
        possible,
        float(shifts[index]),
        kind,
        tuple(float(s) for s in scale_of[kind][:, index]),
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Looked:
    """Places looked at: those of N lines at S shifts and K cells, in ascending order.

    ``places_deg`` (K·S·N,) ascending, ``entry`` which of K·S·N each one is; ``first`` (S, N) are
    those of the first cell.
    """

    shape: tuple[int, int, int]
    places_deg: FloatArray
    entry: IntArray
    first: FloatArray

    @classmethod
    def of(cls, looked: FloatArray) -> _Looked:
        """Of places (K, S, N)."""
        entry = np.argsort(looked, axis=None, kind="stable")
        return cls(looked.shape, looked.ravel()[entry], entry.astype(np.int32), looked[0])

    def nearness(self, edges: FloatArray, weight: FloatArray, tolerance_deg: float) -> FloatArray:
        """How well each place (K, S, N) lies on a peak: its weight there, 0 from the tolerance on.

        ``edges`` (E,) are the peaks' places, ascending, and ``weight`` (S, E) what each counts. A
        place is held against the nearest peak on either side; few lie near one.
        """
        reach = tolerance_deg * (1.0 + 1e-9)
        low, high = np.searchsorted(self.places_deg, (edges - reach, edges + reach))
        past = np.searchsorted(self.places_deg, edges, "right")
        low[1:] = np.maximum(low[1:], past[:-1])
        high[:-1] = np.minimum(high[:-1], past[1:])
        number = np.maximum(high - low, 0)
        peak = np.repeat(np.arange(edges.size), number)
        at = np.arange(peak.size) + np.repeat(low - np.cumsum(number) + number, number)
        entry = self.entry[at]
        _, shifts, lines = self.shape
        closeness = 1.0 - np.abs(edges[peak] - self.places_deg[at]) / tolerance_deg
        found = np.zeros(int(np.prod(self.shape)))
        np.maximum.at(found, entry, weight[entry // lines % shifts, peak] * closeness)
        return found.reshape(self.shape)


@dataclass(frozen=True, slots=True, eq=False)
class _TriedLayer:
    """A layer as it is tried: cells over the stated one and their doubt (K,), importance of its
    lines (N,), and where they are looked for."""

    scales: FloatArray
    doubt: FloatArray
    importance: FloatArray
    looked: Mapping[ShiftKind, _Looked]


def _shifts(max_shift_deg: float, tolerance_deg: float) -> FloatArray:
    count = 2 * int(np.ceil(max_shift_deg / (tolerance_deg / 3.0))) + 1
    return np.linspace(-max_shift_deg, max_shift_deg, count)


@lru_cache(maxsize=64)
def _tried_layer(
    lines: ExpectedLines,
    wavelength_A: float,
    low_deg: float,
    high_deg: float,
    max_shift_deg: float,
    tolerance_deg: float,
) -> _TriedLayer | None:
    """A layer with its lines between two angles; None where there is none. Films of a run share
    it."""
    mask = _between(lines, low_deg, high_deg, wavelength_A)
    if not mask.any():
        return None
    strength = lines.strength[mask]
    importance = 1.0 / (1.0 + 2.0 * np.log10(strength.max() / strength))
    scales = scales_of(lines, mask, wavelength_A, tolerance_deg)
    places = two_theta_of(lines.d_A[mask][None, :] * scales[:, None], wavelength_A)
    places = np.where(np.isfinite(places), places, -500.0)
    shifts = _shifts(max_shift_deg, tolerance_deg)
    # a wrong cell within its freedom costs a little, so that ties go to the stated one
    doubt = 0.05 * ((scales - 1.0) / max(lines.cell_freedom, 1e-9)) ** 2
    kinds: tuple[ShiftKind, ...] = ("displacement", "zero")
    looked = {
        kind: _Looked.of(
            places[:, None, :] + shifts[None, :, None] * fall(places, kind)[:, None, :]
        )
        for kind in kinds
    }
    return _TriedLayer(scales, doubt, importance, looked)


def scales_of(
    lines: ExpectedLines, mask: BoolArray, wavelength_A: float, tolerance_deg: float
) -> FloatArray:
    """Cells to be tried, found over stated, (K,); ``mask`` marks the lines within the scan."""
    if lines.cell_freedom <= 0.0 or not mask.any():
        return np.array([1.0])
    # a step moves the highest line by less than half the tolerance
    high = np.radians(np.nanmax(lines.two_theta_deg(wavelength_A)[mask])) / 2.0
    fine = np.radians(tolerance_deg) / (4.0 * np.tan(min(high, 1.2)))
    shrinkage = lines.cell_freedom if lines.cell_shrinkage is None else lines.cell_shrinkage
    smaller = -fine * np.arange(int(np.ceil(shrinkage / fine)), 0, -1)
    larger = fine * np.arange(int(np.ceil(lines.cell_freedom / fine)) + 1)
    return np.asarray(1.0 + np.concatenate([smaller, larger]))
