"""The model of a window: K-alpha pairs on a polynomial, with its derivatives, for many at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.fitting.levenberg import Prior
from xrdfilm.fitting.profile import doublet, doublet_terms
from xrdfilm.fitting.windows import SKEW_RANGE, WIDTH_RANGE, Group, Structure


@dataclass(frozen=True, slots=True)
class WindowModel:
    """B windows of one structure (rows: window by window within scan by scan).

    Arrays: ``x`` (B, 1, N); ``powers`` (B, D, N); those of the lines (B, L). ``beneath`` (B, N)
    is a given curve that everything stands on, or None. ``linear`` (B, L + D, N) are profiles and
    powers where no place and no shape is open, worked out once, else None.
    """

    structure: Structure
    x: FloatArray
    powers: FloatArray
    place: FloatArray
    fwhm: FloatArray
    mixing: FloatArray
    ratio: FloatArray
    share: FloatArray
    skew: FloatArray | None
    beneath: FloatArray | None = None
    linear: FloatArray | None = None

    @classmethod
    def of_group(
        cls,
        group: Group,
        n_scans: int,
        place: FloatArray,
        fwhm: FloatArray,
        beneath: FloatArray | None,
        mixing: FloatArray | None = None,
    ) -> WindowModel:
        """Rows for ``n_scans`` scans; ``place`` and ``fwhm`` (S, W, L) expected in each.

        ``mixing`` (S, W, L) None: what the group expects.
        """
        n_lines = group.structure.n_lines

        def rows(values: FloatArray) -> FloatArray:
            return np.broadcast_to(values, (n_scans, *values.shape)).reshape(-1, *values.shape[1:])

        model = cls(
            group.structure,
            rows(group.x[:, None, :]),
            rows(group.powers),
            place.reshape(-1, n_lines),
            fwhm.reshape(-1, n_lines),
            rows(group.mixing) if mixing is None else mixing.reshape(-1, n_lines),
            rows(group.ratio),
            rows(group.share if group.structure.doublets else np.zeros_like(group.share)),
            rows(group.skew) if group.structure.skewed else None,
            None if beneath is None else beneath.reshape(-1, beneath.shape[-1]),
        )
        if group.structure.n_parameters > group.structure.n_linear:
            return model
        return replace(model, linear=model.basis())

    def take(self, rows: IntArray) -> WindowModel:
        """The same for some of the windows."""
        return WindowModel(
            self.structure,
            self.x[rows],
            self.powers[rows],
            self.place[rows],
            self.fwhm[rows],
            self.mixing[rows],
            self.ratio[rows],
            self.share[rows],
            None if self.skew is None else self.skew[rows],
            None if self.beneath is None else self.beneath[rows],
            None if self.linear is None else self.linear[rows],
        )

    def shapes(
        self, theta: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray | None]:
        """Place, FWHM, Lorentz fraction and skew (None: all 0) of each line, (B, L)."""
        s = self.structure
        at_place, at_width, at_mixing, at_skew = s.slices()
        place, fwhm, mixing, skew = self.place, self.fwhm, self.mixing, self.skew
        if s.place_map.shape[0]:
            place = place + theta[:, at_place] @ s.place_map
        if s.width_map.shape[0]:
            open_width = s.width_map.sum(axis=0)
            fwhm = fwhm * (theta[:, at_width] @ s.width_map + (1.0 - open_width))
        if s.mixing_map.shape[0]:
            open_mixing = s.mixing_map.sum(axis=0)
            mixing = theta[:, at_mixing] @ s.mixing_map + (1.0 - open_mixing) * mixing
        if skew is not None and s.skew_map.shape[0]:
            open_skew = s.skew_map.sum(axis=0)
            skew = theta[:, at_skew] @ s.skew_map + (1.0 - open_skew) * skew
        return place, fwhm, mixing, skew

    def basis(self, theta: FloatArray | None = None) -> FloatArray:
        """Unit-area profiles and powers, (B, L + D, N): the linear part at given shapes."""
        if self.linear is not None:
            return self.linear
        shapes = (self.place, self.fwhm, self.mixing, self.skew)
        place, fwhm, mixing, skew = _spread(shapes if theta is None else self.shapes(theta))
        n = self.structure.n_lines
        out = np.empty((self.x.shape[0], self.structure.n_linear, self.x.shape[2]))
        out[:, :n] = doublet(
            self.x, place, fwhm, mixing, self.ratio[:, :, None], self.share[:, :, None], skew
        )
        out[:, n:] = self.powers
        return out

    def evaluate(self, theta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Expected counts (B, N) and derivatives (B, P, N)."""
        s = self.structure
        n = s.n_lines
        if self.linear is not None:
            model = np.matmul(theta[:, None, :], self.linear)[:, 0]
            return model if self.beneath is None else model + self.beneath, self.linear
        at_place, at_width, at_mixing, at_skew = s.slices()
        place, fwhm, mixing, skew = _spread(self.shapes(theta))
        terms = doublet_terms(
            self.x,
            place,
            fwhm,
            mixing,
            self.ratio[:, :, None],
            self.share[:, :, None],
            skew,
        )
        slopes = np.empty((self.x.shape[0], s.n_parameters, self.x.shape[2]))
        slopes[:, :n] = terms.value
        slopes[:, n : s.n_linear] = self.powers
        model = np.matmul(theta[:, None, : s.n_linear], slopes[:, : s.n_linear])[:, 0]
        if self.beneath is not None:
            model += self.beneath
        area = theta[:, :n, None]
        _through(s.place_map, terms.by_place, area, slopes[:, at_place])
        _through(s.width_map, terms.by_fwhm, area * self.fwhm[:, :, None], slopes[:, at_width])
        _through(s.mixing_map, terms.by_lorentz, area, slopes[:, at_mixing])
        if terms.by_skew is not None:
            _through(s.skew_map, terms.by_skew, area, slopes[:, at_skew])
        return model, slopes


def _spread(
    shapes: tuple[FloatArray, FloatArray, FloatArray, FloatArray | None],
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray | None]:
    """Shapes (B, L) as (B, L, 1)."""
    place, fwhm, mixing, skew = shapes
    wide = None if skew is None else skew[:, :, None]
    return place[:, :, None], fwhm[:, :, None], mixing[:, :, None], wide


def _through(mapping: FloatArray, terms: FloatArray, factor: FloatArray, out: FloatArray) -> None:
    """Sum factor × terms over the lines that each parameter of ``mapping`` acts on."""
    n_open, n_lines = mapping.shape
    if n_open == 0:
        return
    if n_open == n_lines and np.array_equal(mapping, np.eye(n_lines)):
        np.multiply(terms, factor, out=out)
        return
    np.matmul(mapping, terms * factor, out=out)


def bounds(group: Group, n_scans: int) -> tuple[FloatArray, FloatArray]:
    """Lower and upper bounds (B, P) of the parameters of all rows."""
    s = group.structure
    at_place, at_width, at_mixing, at_skew = s.slices()
    low = np.full((group.lines.shape[0], s.n_parameters), -np.inf)
    high = np.full_like(low, np.inf)
    for i, row in enumerate(s.place_map):
        reach = np.where(row > 0, group.max_shift, np.inf).min(axis=1)
        low[:, at_place.start + i], high[:, at_place.start + i] = -reach, reach
    low[:, at_width], high[:, at_width] = WIDTH_RANGE
    low[:, at_mixing], high[:, at_mixing] = 0.0, 1.0
    low[:, at_skew], high[:, at_skew] = SKEW_RANGE

    def rows(values: FloatArray) -> FloatArray:
        return np.tile(values, (n_scans, 1))

    return rows(low), rows(high)


def neutral(model: WindowModel) -> FloatArray:
    """Parameters (B, P) of no shift, expected widths and expected mixing; areas zero."""
    s = model.structure
    _, at_width, at_mixing, at_skew = s.slices()
    theta = np.zeros((model.place.shape[0], s.n_parameters))
    theta[:, at_width] = 1.0
    for at, mapping, values in (
        (at_mixing, s.mixing_map, model.mixing),
        (at_skew, s.skew_map, model.skew),
    ):
        if mapping.shape[0] and values is not None:
            theta[:, at] = values @ (mapping / mapping.sum(axis=1, keepdims=True)).T
    return theta


def prior(group: Group, model: WindowModel, n_scans: int) -> Prior | None:
    """What is expected of places and widths, with its doubt, for all rows; None without doubts."""
    s = group.structure
    at_place, at_width, _, _ = s.slices()
    weight = np.zeros((group.lines.shape[0], s.n_parameters))
    for at, mapping, doubt in (
        (at_place, s.place_map, group.place_doubt),
        (at_width, s.width_map, group.fwhm_doubt),
    ):
        each = np.where(doubt > 0.0, 1.0 / np.square(np.where(doubt > 0.0, doubt, 1.0)), 0.0)
        # Lines tied together share one expectation: the surest of them counts, not their sum
        weight[:, at] = (each[:, None, :] * mapping[None]).max(axis=2) if mapping.size else 0.0
    if not weight.any():
        return None
    return Prior(neutral(model), np.tile(weight, (n_scans, 1)))


def hold(structure: Structure, weak: Sequence[BoolArray]) -> BoolArray:
    """Parameters (B, P) to hold: those that act on weak lines only.

    ``weak`` marks lines (B, L) too weak for a place, a width, a mixing, a skew of their own.
    """
    s = structure
    out = np.zeros((weak[0].shape[0], s.n_parameters), bool)
    for at, mapping, lines in zip(s.slices(), s.maps, weak, strict=True):
        if mapping.shape[0]:
            out[:, at] = ((~lines).astype(float) @ mapping.T) == 0.0
    return out
