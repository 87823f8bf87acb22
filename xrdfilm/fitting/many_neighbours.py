"""Neighbours of many single lines at once: their profiles, and what strong ones leave in doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.fitting.line_window import (
    FARTHEST_CORE_DEG,
    NEGLIGIBLE,
    STRONG_NEIGHBOUR,
    TAIL_DOUBT,
    VERY_STRONG,
    WIDTH_SHOWS,
    Neighbour,
)
from xrdfilm.fitting.many_windows import DEGREE, Windows, ends, median
from xrdfilm.fitting.profile import doublet, second_place

_DIFFERENCE = 0.05  # of a width: step of the differences that stand for derivatives


@dataclass(slots=True)
class ManyNeighbours:
    """Neighbours of B windows as arrays (B, K), padded: ``there`` says which exist."""

    place_deg: FloatArray
    fwhm_deg: FloatArray
    lorentz: FloatArray
    share: FloatArray
    ceiling: FloatArray
    there: BoolArray

    @classmethod
    def of(cls, windows: Sequence[tuple[Neighbour, ...]], share: float) -> ManyNeighbours:
        """Of one tuple a window; ``share`` is that of K-alpha2 in a doublet."""
        most = max(len(beside) for beside in windows)
        blank = (0.0, 1.0, 0.0, 0.0, np.inf, 0.0)
        table = np.empty((len(windows), most, 6))
        table[:] = blank
        for row, beside in zip(table, windows, strict=True):
            if beside:
                row[: len(beside)] = [
                    (
                        n.place_deg,
                        n.shape.fwhm_deg,
                        n.shape.lorentz_fraction,
                        share if n.doublet else 0.0,
                        n.ceiling_area if n.ghost and n.ceiling_area is not None else np.inf,
                        1.0,
                    )
                    for n in beside
                ]
        place, fwhm, lorentz, shares, ceiling, there = np.moveaxis(table, 2, 0)
        return cls(place, fwhm, lorentz, shares, ceiling, there > 0.0)

    def take(self, rows: IntArray) -> ManyNeighbours:
        """Those of some of the windows."""
        return ManyNeighbours(
            self.place_deg[rows], self.fwhm_deg[rows], self.lorentz[rows], self.share[rows],
            self.ceiling[rows], self.there[rows],
        )  # fmt: skip

    @property
    def most(self) -> int:
        """Neighbours of the window that has most."""
        return int(self.place_deg.shape[1])

    def fill(self, extra: FloatArray, windows: Windows, ratio: float) -> None:
        """Write the neighbours' profiles into ``extra`` (B, K, N); those that cannot matter go."""
        extra[...] = 0.0
        at, k = np.nonzero(self.there)
        if not at.size:
            return
        profiles = doublet(
            windows.x[at],
            self.place_deg[at, k][:, None],
            self.fwhm_deg[at, k][:, None],
            self.lorentz[at, k][:, None],
            np.full((at.size, 1), ratio),
            self.share[at, k][:, None],
        )
        level = windows.fixed
        if windows.counting:
            level = np.maximum(median(windows.y, windows.on), windows.floor)
        weight = np.square(profiles)
        weight *= (windows.on / level)[at]
        alone = np.sqrt(1.0 / np.maximum(weight.sum(axis=1), 1e-300))
        matters = self.ceiling[at, k] > NEGLIGIBLE * alone
        self.there[at, k] = matters
        extra[at[matters], k[matters]] = profiles[matters]

    def derivatives(
        self, x: FloatArray, at: IntArray, k: IntArray, ratio: float
    ) -> tuple[FloatArray, FloatArray]:
        """First and second derivative by place of the profiles of pairs (window, neighbour).

        By differences over a small part of the width: between the scan's own points a slope would
        come out flat on top of a sharp line, and wrong at a window's ends.
        """
        width = self.fwhm_deg[at, k][:, None]
        step = _DIFFERENCE * width
        low, middle, high = (
            doublet(
                x[at],
                self.place_deg[at, k][:, None] + moved,
                width,
                self.lorentz[at, k][:, None],
                np.full((at.size, 1), ratio),
                self.share[at, k][:, None],
            )
            for moved in (-step, 0.0, step)
        )
        return (high - low) / (2.0 * step), (high - 2.0 * middle + low) / np.square(step)


def strong_neighbours(
    near: ManyNeighbours,
    windows: Windows,
    length: IntArray,
    amplitudes: FloatArray,
    errors: FloatArray,
) -> BoolArray:
    """Neighbours (B, K) that stand out, and are not more than a ghost can be."""
    area, error = amplitudes[:, DEGREE + 1 :], errors[:, DEGREE + 1 :]
    first, last = ends(windows.x, length)
    beside = (first - FARTHEST_CORE_DEG < near.place_deg) & (
        near.place_deg < last + FARTHEST_CORE_DEG
    )
    possible = area <= 1.5 * near.ceiling + 4.0 * error
    return np.asarray(near.there & (area > STRONG_NEIGHBOUR * error) & beside & possible)


def without_cores(
    near: ManyNeighbours,
    windows: Windows,
    length: IntArray,
    basis: FloatArray,
    model: FloatArray,
    amplitudes: FloatArray,
    errors: FloatArray,
    strong: BoolArray,
    ratio: float,
) -> tuple[FloatArray, FloatArray]:
    """The basis with places and widths of strong neighbours open, and points off their cores.

    ``length`` has shape (B,), ``strong`` (B, K); ``basis`` and ``model`` are given at the points.
    """
    first, last = ends(windows.x, length)
    significance = amplitudes[:, DEGREE + 1 :] / np.maximum(errors[:, DEGREE + 1 :], 1e-300)
    width = near.fwhm_deg
    noise = np.sqrt(np.maximum(median(model, windows.on), windows.floor))
    area = np.maximum(amplitudes[:, DEGREE + 1 :], 0.0)
    # as far out as a twentieth of a Lorentzian tail would still stand out of the noise
    tail = np.sqrt(TAIL_DOUBT * area * width / (2.0 * np.pi * noise))
    far = np.minimum(np.maximum(2.0 * width, tail), FARTHEST_CORE_DEG)
    reach = np.where(significance > VERY_STRONG, far, width)
    low = near.place_deg - reach
    second, _ = second_place(near.place_deg, np.array(ratio))
    high = np.where(near.share > 0.0, second, near.place_deg) + reach
    mask = windows.on.copy()
    at, k = np.nonzero(strong)
    outside = (windows.x[at] < low[at, k][:, None]) | (windows.x[at] > high[at, k][:, None])
    np.multiply.at(mask, at, outside.astype(float))
    # place is open too, and width; of a tail alone, the size is enough
    place_open = strong & (first < low) & (high < last)
    width_open = place_open & (significance > WIDTH_SHOWS)
    more = int((place_open.sum(axis=1) + width_open.sum(axis=1)).max())
    wider = np.zeros((basis.shape[0], basis.shape[1] + more, basis.shape[2]))
    wider[:, : basis.shape[1]] = basis
    following = np.full(basis.shape[0], basis.shape[1])
    at, k = np.nonzero(place_open)
    if at.size:
        slope, bend = near.derivatives(windows.x, at, k, ratio)
        for pair, (row, column) in enumerate(zip(at, k, strict=True)):
            wider[row, following[row]] = slope[pair]
            following[row] += 1
            if width_open[row, column]:
                wider[row, following[row]] = bend[pair]
                following[row] += 1
    return wider, mask
