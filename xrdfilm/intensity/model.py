"""Line areas of oriented grains in a layer: the model that fractions rest on.

    I = K · P(θ)/sin2θ · |F|²/V² · T(θ) · Σ_o v_o · W_o(hkl, θ)

Polarisation and window come from `xrdfilm.intensity.optics` and `xrdfilm.intensity.window`, T from
`xrdfilm.intensity.stack`; this module knows which reflections an orientation brings into the
bisecting position.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal import Phase
from xrdfilm.crystal.structure import metric_rotations
from xrdfilm.errors import StackError
from xrdfilm.intensity.optics import Optics, polarisation
from xrdfilm.intensity.stack import Stack, layer_path
from xrdfilm.intensity.window import window_aligned, window_random

_GROWTH_NORMALS: dict[str, Hkl] = {
    "LaAlO3-rhombohedral": (0, 1, 2),  # pseudo-cubic (001) in hexagonal axes
    "Al2O3": (0, 1, 2),  # the r plane, common practice for REBa2Cu3O7
}


@dataclass(frozen=True, slots=True)
class Orientation:
    """How the grains of a component stand: what lies along the film normal, and how sharply.

    ``normals`` holds the planes whose normal is the film normal with the share of grains for
    each, adding up to 1; empty means random. ``mosaic_fwhm_deg`` is the FWHM of the Gaussian
    spread of tilts about it, divergence taken off.
    """

    name: str
    normals: tuple[tuple[Hkl, float], ...]
    mosaic_fwhm_deg: float = 0.0

    def __post_init__(self) -> None:
        if not self.normals:
            return
        if not (np.isfinite(self.mosaic_fwhm_deg) and self.mosaic_fwhm_deg >= 0.0):
            raise StackError(
                f"orientation {self.name}: mosaic_fwhm_deg is {self.mosaic_fwhm_deg:g}; "
                "it must not be negative"
            )
        shares = [share for _, share in self.normals]
        if min(shares) < 0.0 or abs(sum(shares) - 1.0) > 1e-9:
            raise StackError(
                f"orientation {self.name}: the shares of its normals are {shares}; "
                "they must not be negative and must add up to 1"
            )
        if any(hkl == (0, 0, 0) for hkl, _ in self.normals):
            raise StackError(f"orientation {self.name}: (000) is no plane")

    @property
    def is_random(self) -> bool:
        """True for grains without any preferred orientation."""
        return not self.normals


def random() -> Orientation:
    """Grains of every orientation alike."""
    return Orientation("random", ())


def c_axis(mosaic_fwhm_deg: float) -> Orientation:
    """c along the film normal."""
    return Orientation("c_axis", (((0, 0, 1), 1.0),), mosaic_fwhm_deg)


def a_axis(mosaic_fwhm_deg: float, share_a: float = 0.5) -> Orientation:
    """a along the film normal in ``share_a`` of the grains, b in the others."""
    normals: tuple[tuple[Hkl, float], ...] = (((1, 0, 0), share_a), ((0, 1, 0), 1.0 - share_a))
    return Orientation("a_axis", normals, mosaic_fwhm_deg)


def other_103(mosaic_fwhm_deg: float) -> Orientation:
    """(103) or (013) along the film normal, equally often: grains on a (110)-like face."""
    return Orientation("other_103", (((1, 0, 3), 0.5), ((0, 1, 3), 0.5)), mosaic_fwhm_deg)


def aligned_00l(mosaic_fwhm_deg: float) -> Orientation:
    """(001) along the film normal: buffers, cube-textured tape, fluoride grown on them."""
    return Orientation("aligned_00l", (((0, 0, 1), 1.0),), mosaic_fwhm_deg)


def aligned_111(mosaic_fwhm_deg: float) -> Orientation:
    """(111) along the film normal."""
    return Orientation("aligned_111", (((1, 1, 1), 1.0),), mosaic_fwhm_deg)


def growth_normal(phase: Phase) -> Hkl:
    """Plane along the normal of an aligned layer or a cut crystal: (001) for nearly all."""
    return _GROWTH_NORMALS.get(phase.key, (0, 0, 1))


def aligned_normal(phase: Phase, mosaic_fwhm_deg: float) -> Orientation:
    """The usual growth plane of a buffer or substrate along the normal."""
    normal = growth_normal(phase)
    if normal == (0, 0, 1):
        return aligned_00l(mosaic_fwhm_deg)
    h, k, l = normal  # noqa: E741
    return Orientation(f"aligned_{h}{k}{l}", ((normal, 1.0),), mosaic_fwhm_deg)


@lru_cache(maxsize=1024)
def _variant_shares(
    phase: Phase, families: bytes, normals: tuple[tuple[Hkl, float], ...]
) -> FloatArray:
    rows = np.frombuffer(families, dtype=np.int64).reshape(-1, 3)
    images = rows @ metric_rotations(phase)  # (M, N, 3)
    shares = np.zeros(len(rows))
    for normal, share in normals:
        parallel = ~np.any(np.cross(images, np.array(normal)), axis=2)  # either sign
        shares += share * np.any(parallel, axis=0)
    shares.flags.writeable = False
    return shares


def variant_share(phase: Phase, hkl: ArrayLike, orientation: Orientation) -> FloatArray:
    """Share g of the component's grains with a plane of each family along the film normal.

    ``hkl`` has shape (N, 3), one member a family; returns (N,). A family counts when any of its
    symmetry-equivalent planes is parallel to the component's normal: for a cubic phase with
    (001) along the normal that is every {h00}. Zeros for a random component.
    """
    rows = np.atleast_2d(np.asarray(hkl, dtype=np.int64))
    if orientation.is_random:
        return np.zeros(len(rows))
    return _variant_shares(phase, rows.tobytes(), orientation.normals)


def grain_window(
    phase: Phase,
    hkl: ArrayLike,
    multiplicity: ArrayLike,
    two_theta_deg: ArrayLike,
    orientation: Orientation,
    optics: Optics,
    sample_length_mm: float,
) -> FloatArray:
    """W of a component for each line, g included: shape (N,).

    Of an aligned component only planes along its normal are counted; poles of other families at
    a finite tilt need a mosaic of tens of degrees to come within reach of a coupled scan.
    """
    if orientation.is_random:
        return window_random(two_theta_deg, multiplicity, optics, sample_length_mm)
    share = variant_share(phase, hkl, orientation)
    angles = np.asarray(two_theta_deg, dtype=float)
    window = np.zeros(share.shape)
    there = share > 0.0
    window[there] = share[there] * window_aligned(
        angles[there], orientation.mosaic_fwhm_deg, optics, sample_length_mm
    )
    return window


def line_strengths(
    phase: Phase,
    hkl: ArrayLike,
    multiplicity: ArrayLike,
    f_squared: ArrayLike,
    two_theta_deg: ArrayLike,
    orientation: Orientation,
    optics: Optics,
    stack: Stack,
    layer_index: int,
) -> FloatArray:
    """Area of each line over the scale K, for a component that fills the layer: shape (N,).

    ``hkl`` (N, 3), the other arrays (N,); ``f_squared`` in e² a cell. The unit is e² Å⁻⁶ cm;
    multiply by K and by the component's share of the layer's volume. The phase need not be the
    layer's own: a minor constituent shares its layer's path.
    """
    windows = grain_window(
        phase, hkl, multiplicity, two_theta_deg, orientation, optics, stack.sample_length_mm
    )
    return windows * unoriented_strengths(
        phase, f_squared, two_theta_deg, optics, stack, layer_index
    )


def unoriented_strengths(
    phase: Phase,
    f_squared: ArrayLike,
    two_theta_deg: ArrayLike,
    optics: Optics,
    stack: Stack,
    layer_index: int,
) -> FloatArray:
    """P/sin2θ · |F|²/V² · T: all of the model that does not know the orientation; shape (N,)."""
    angles = np.asarray(two_theta_deg, dtype=float)
    path = layer_path(angles, stack, layer_index, optics.radiation.mean_A)
    lorentz_polarisation = polarisation(angles, optics) / np.sin(np.radians(angles))
    density = np.asarray(f_squared, dtype=float) / phase.cell.volume_A3**2
    return np.asarray(lorentz_polarisation * density * path)
