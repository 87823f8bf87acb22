"""How line areas answer to each orientation component, and how well that is known.

The intensity model gives every line's area for a layer that one component fills. Four things in
it are never known exactly: the structure data (|F|² of weak lines above all), the mosaic of each
component, the axial acceptance, and the thickness. Each gets a spread, and `build_response` draws
from them, so that `xrdfilm.texture.fractions.solve_shares` can carry them into the intervals. The
draws of a stack are kept, so that a batch of films pays for them once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal import Phase, f_squared, family_members
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.intensity.model import Orientation, unoriented_strengths, variant_share
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.intensity.window import window_aligned, window_random
from xrdfilm.texture.fractions import DRAWS, Response, normal_draws

DEFAULT_MOSAIC_DEG = 1.0
DEFAULT_MOSAIC_FACTOR = 2.0
FOLLOWING_FACTOR = float(np.exp(0.5))
"""How far a component's unmeasured mosaic may be from the measured one of another (one sigma).

Common practice, no source: grains on one template share most of their spread.
"""
_SHARED_VARIANCE = 0.75  # of unmeasured mosaics: an assumed 1° that is wrong is wrong for all

STRUCTURE_FACTOR_SIGMA_E = 2.5
"""Standard uncertainty of |F| in electrons a cell: 3 % of |F|² for the strong lines of YBa2Cu3O7,
10 to 16 % for (003), (007), (102), (012), as oxygen content and z(Ba), z(Cu) vary. From the
scatter between structure determinations; common practice, no source."""
_F_SQUARED_LEAST, _F_SQUARED_MOST = 0.03, 0.5
_AXIAL_SIGMA, _AXIAL_SIGMA_STATED = 0.10, 0.02

_GRID_LOG_DEG = np.linspace(np.log(0.01), np.log(60.0), 241)
_NEAR = (0.75, 1.0, 4.0 / 3.0)  # factors at which the dependence on D and thickness is tabulated


@dataclass(frozen=True, slots=True)
class Mosaic:
    """Out-of-plane FWHM of a component (divergence taken off), and how well it is known.

    ``factor`` is the factor by which it may be off either way, one standard deviation of a
    log-normal; ``measured`` tells a rocking curve from an assumption.
    """

    fwhm_deg: float = DEFAULT_MOSAIC_DEG
    factor: float = DEFAULT_MOSAIC_FACTOR
    measured: bool = False

    def __post_init__(self) -> None:
        if not (np.isfinite(self.fwhm_deg) and self.fwhm_deg > 0.0):
            raise ValueError(f"mosaic of {self.fwhm_deg:g}°: it must be above 0")
        if not self.factor >= 1.0:
            raise ValueError(f"mosaic factor {self.factor:g}: it must be at least 1")

    @classmethod
    def from_measurement(cls, fwhm_deg: float, sigma_deg: float) -> Mosaic:
        """The mosaic of a rocking curve with its standard uncertainty."""
        return cls(fwhm_deg, float(np.exp(sigma_deg / fwhm_deg)), measured=True)

    def follows(self) -> Mosaic:
        """What is then taken for a component of which nothing was measured."""
        if not self.measured:
            return self
        factor = np.exp(np.hypot(np.log(self.factor), np.log(FOLLOWING_FACTOR)))
        return Mosaic(self.fwhm_deg, float(factor), measured=False)


@dataclass(frozen=True, slots=True)
class Component:
    """An orientation and the spread of its mosaic; random grains have none.

    ``share_sigma`` is the standard uncertainty of the first normal's share where there are two
    (a- against b-normal).
    """

    orientation: Orientation
    mosaic_factor: float = 1.0
    measured: bool = True
    share_sigma: float = 0.0

    @property
    def name(self) -> str:
        """Name of the orientation."""
        return self.orientation.name


@dataclass(frozen=True, slots=True)
class ModelSpread:
    """Standard uncertainties of the intensity model; None for axial: by what optics state."""

    thickness: float = 0.12
    axial: float | None = None
    structure_factor_e: float = STRUCTURE_FACTOR_SIGMA_E

    def axial_sigma(self, optics: Optics) -> float:
        """Relative standard uncertainty of the axial acceptance."""
        if self.axial is not None:
            return self.axial
        return _AXIAL_SIGMA_STATED if optics.axial_stated else _AXIAL_SIGMA


def f_squared_sigma(f_squared_e2: FloatArray, sigma_e: float) -> FloatArray:
    """Relative standard uncertainty of |F|², from that of |F| in electrons; any shape."""
    relative = 2.0 * sigma_e / np.sqrt(np.maximum(f_squared_e2, 1e-12))
    return np.clip(relative, _F_SQUARED_LEAST, _F_SQUARED_MOST)


@lru_cache(maxsize=64)
def build_response(
    lines: tuple[tuple[Hkl, ...], ...],
    phase: Phase,
    components: tuple[Component, ...],
    optics: Optics,
    stack: Stack,
    layer_index: int,
    spread: ModelSpread,
    draws: int = DRAWS,
) -> Response:
    """Response of lines, each the reflections it holds, to components of a layer.

    Nominal values are `xrdfilm.intensity.model.line_strengths`, summed over a line's members.
    Arguments are hashable and the result is kept; do not write to its arrays.
    """
    table = _member_table(lines, phase, optics, stack, layer_index)
    members = len(table.hkl)
    aligned = [i for i, c in enumerate(components) if not c.orientation.is_random]
    causes = (
        *("structure data",) * members,
        *("mosaic",) * (1 + len(components)),
        "axial acceptance",
        "thickness",
        *("a- to b-normal",) * len(components),
    )
    z = normal_draws(draws, len(causes), seed=7)
    at = members
    common, own = z[:, at], z[:, at + 1 : at + 1 + len(components)]
    at += 1 + len(components)
    log_axial = spread.axial_sigma(optics) * z[:, at]
    log_thickness = spread.thickness * z[:, at + 1]
    share_z = z[:, at + 2 :]

    relative = f_squared_sigma(table.f_squared, spread.structure_factor_e)
    log_base = relative * z[:, :members] + _quadratic(table.log_path, log_thickness)
    base = table.strength * np.exp(log_base)
    nominal = np.zeros((len(lines), len(components)))
    drawn = np.zeros((draws, len(lines), len(components)))
    unmeasured = sum(not components[i].measured for i in aligned)
    for column, component in enumerate(components):
        orientation = component.orientation
        if orientation.is_random:
            window = table.window_random
            windows = window * np.exp(log_axial)[:, None]
        else:
            shares, shares_drawn = _shares(phase, table.hkl, component, share_z[:, column])
            sigma = np.log(component.mosaic_factor)
            if component.measured or unmeasured < 2:
                offset = sigma * own[:, column]
            else:
                offset = sigma * (
                    np.sqrt(_SHARED_VARIANCE) * common
                    + np.sqrt(1.0 - _SHARED_VARIANCE) * own[:, column]
                )
            log_fwhm = np.log(max(orientation.mosaic_fwhm_deg, 0.0101))
            shown = shares > 0.0
            window, windows = np.zeros(members), np.zeros((draws, members))
            window[shown] = shares[shown] * window_aligned(
                table.two_theta_deg[shown],
                orientation.mosaic_fwhm_deg,
                optics,
                stack.sample_length_mm,
            )
            windows[:, shown] = shares_drawn[:, shown] * np.exp(
                _window(table.log_window[:, shown], log_fwhm + offset, log_axial)
            )
        nominal[:, column] = table.incidence @ (table.strength * window)
        drawn[:, :, column] = (base * windows) @ table.incidence.T
    for array in (nominal, drawn):
        array.flags.writeable = False
    return Response(tuple(c.name for c in components), nominal, drawn, z, causes)


@dataclass(frozen=True, slots=True, eq=False)
class _Members:
    """All reflections under the lines (M of them): what does not depend on the components."""

    hkl: tuple[Hkl, ...]
    two_theta_deg: FloatArray
    incidence: FloatArray  # (N, M)
    f_squared: FloatArray
    strength: FloatArray  # without window
    log_path: FloatArray  # (3, M): polynomial in the log of a thickness factor
    log_window: FloatArray  # (G, M, 3): polynomial in the log of an acceptance factor
    window_random: FloatArray


@lru_cache(maxsize=64)
def _member_table(
    lines: tuple[tuple[Hkl, ...], ...],
    phase: Phase,
    optics: Optics,
    stack: Stack,
    layer_index: int,
) -> _Members:
    hkl = tuple(member for line in lines for member in line)
    incidence = np.zeros((len(lines), len(hkl)))
    at = 0
    for row, line in enumerate(lines):
        incidence[row, at : at + len(line)] = 1.0
        at += len(line)
    radiation = optics.radiation
    rows = np.array(hkl, dtype=np.int64)
    two_theta = two_theta_of(phase.cell.d_spacing(rows), radiation.k_alpha1_A)
    if not np.all(np.isfinite(two_theta)):
        beyond = [hkl[i] for i in np.flatnonzero(~np.isfinite(two_theta))]
        raise ValueError(f"{phase.key}: no angle of reflection for {beyond}")
    strengths = f_squared(phase, rows, radiation.mean_A)
    multiplicity = np.array([len(family_members(phase, member)) for member in hkl])

    def path(factor: float) -> FloatArray:
        scaled = with_thickness(stack, layer_index, factor)
        return np.log(
            unoriented_strengths(phase, np.ones(len(hkl)), two_theta, optics, scaled, layer_index)
        )

    def window(factor: float) -> FloatArray:
        wider = replace(optics, axial_acceptance_deg=optics.axial_acceptance_deg * factor)
        return np.log(
            window_aligned(
                two_theta[None, :],
                np.exp(_GRID_LOG_DEG)[:, None],
                wider,
                stack.sample_length_mm,
            )
        )

    return _Members(
        hkl,
        np.asarray(two_theta, dtype=float),
        incidence,
        strengths,
        unoriented_strengths(phase, strengths, two_theta, optics, stack, layer_index),
        _through([path(f) for f in _NEAR]),
        np.moveaxis(_through([window(f) for f in _NEAR]), 0, -1),
        window_random(two_theta, multiplicity, optics, stack.sample_length_mm),
    )


def with_thickness(stack: Stack, index: int, factor: float) -> Stack:
    """The stack with one layer thicker by a factor; a bulk stays as it is."""
    thicker = [
        Layer(layer.phase, layer.thickness_nm * factor)
        if i == index and layer.thickness_nm is not None
        else layer
        for i, layer in enumerate(stack.layers)
    ]
    film, rest = thicker[0], thicker[1:]
    substrate = rest.pop() if stack.substrate is not None else None
    return replace(stack, film=film, buffers=tuple(rest), substrate=substrate)


def _through(values: Sequence[FloatArray]) -> FloatArray:
    """Polynomial coefficients (3, ...) in the log of `_NEAR` through values there."""
    x = np.log(_NEAR)
    matrix = np.vander(x, 3, increasing=True)
    stacked = np.array(values)
    return np.tensordot(np.linalg.inv(matrix), stacked, axes=1)


def _quadratic(coefficients: FloatArray, x: FloatArray) -> FloatArray:
    """Change of a tabulated log from its nominal value: (3, M), (J,) -> (J, M)."""
    return np.asarray(x[:, None] * coefficients[1] + (x**2)[:, None] * coefficients[2])


def _window(table: FloatArray, log_fwhm: FloatArray, log_axial: FloatArray) -> FloatArray:
    """Log of the aligned window, (G, M, 3) at (J,) mosaics and acceptances -> (J, M)."""
    step = _GRID_LOG_DEG[1] - _GRID_LOG_DEG[0]
    position = np.clip((log_fwhm - _GRID_LOG_DEG[0]) / step, 0.0, len(_GRID_LOG_DEG) - 1.001)
    lower = position.astype(int)
    part = (position - lower)[:, None]
    powers = np.stack([np.ones_like(log_axial), log_axial, log_axial**2])
    below = np.einsum("jmk,kj->jm", table[lower], powers)
    above = np.einsum("jmk,kj->jm", table[lower + 1], powers)
    return np.asarray(below + part * (above - below))


def _shares(
    phase: Phase, hkl: tuple[Hkl, ...], component: Component, z: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Share g of the grains with each member's plane along the normal: (M,) and drawn (J, M)."""
    orientation = component.orientation
    shares = variant_share(phase, hkl, orientation)
    if component.share_sigma == 0.0 or len(orientation.normals) != 2:
        return shares, np.broadcast_to(shares, (z.size, len(hkl)))
    (first, share), (second, _) = orientation.normals
    drawn_share = np.clip(share + component.share_sigma * z, 0.02, 0.98)
    only_first = variant_share(phase, hkl, replace(orientation, normals=((first, 1.0),)))
    only_second = variant_share(phase, hkl, replace(orientation, normals=((second, 1.0),)))
    drawn = drawn_share[:, None] * only_first + (1.0 - drawn_share)[:, None] * only_second
    return shares, drawn
