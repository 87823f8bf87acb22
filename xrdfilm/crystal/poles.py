"""Poles: at which tilts and azimuths a component's grains show a family of planes.

A grain is set by the plane along the film normal and by a second plane whose projection on the
film gives the azimuth. From that every pole of a family {hkl} follows; none is ever assumed. The
in-plane variants a substrate allows, and twins, are separate settings with shares.

Tilt χ is the angle between a pole and the film normal, 0 to 90 degrees; azimuth φ is counted from
the sample's x axis towards y, 0 to 360 degrees. A pole and its opposite are one plane, of which
the end in the upper half space is listed; poles in the film plane (χ = 90) show both ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from xrdfilm._typing import FloatArray, Hkl, IntArray
from xrdfilm.crystal.structure import Phase, metric_rotations
from xrdfilm.crystal.structure_factor import f_squared, family_members
from xrdfilm.errors import PhaseError

_SAME_ANGLE_DEG = 1e-6


@dataclass(frozen=True, slots=True)
class Setting:
    """How one set of grains stands on the film.

    The plane ``normal`` lies along the film normal; the projection of the plane normal
    ``in_plane`` points to ``azimuth_deg``. ``twin_plane`` turns the lattice by 180° about that
    plane's normal before it is set (the twin law of a mirror twin in a crystal with a centre).
    ``share`` is the part of the component's grains that stand so.
    """

    normal: Hkl
    in_plane: Hkl
    azimuth_deg: float = 0.0
    share: float = 1.0
    twin_plane: Hkl | None = None
    name: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Poles:
    """Poles of one setting: ``hkl`` (N, 3), tilts and azimuths in degrees (N,), its share."""

    hkl: IntArray
    tilt_deg: FloatArray
    azimuth_deg: FloatArray
    share: float
    name: str = ""

    def __len__(self) -> int:
        return len(self.tilt_deg)


@dataclass(frozen=True, slots=True)
class TiltGroup:
    """Poles of a family that share a tilt: how many one grain has there, and their planes."""

    tilt_deg: float
    count: int
    planes: tuple[Hkl, ...]


def orientation_matrix(phase: Phase, setting: Setting) -> FloatArray:
    """Rotation from the crystal's Cartesian axes to the sample's, shape (3, 3).

    Crystal axes as in `Cell.reciprocal_base` (a along x, b in the xy plane). Raises PhaseError
    where ``in_plane`` is parallel to ``normal`` and so gives no azimuth.
    """
    base = phase.cell.reciprocal_base
    z = _unit(np.array(setting.normal, dtype=float) @ base)
    second = np.array(setting.in_plane, dtype=float) @ base
    second -= (second @ z) * z
    if np.linalg.norm(second) < 1e-9:
        raise PhaseError(
            f"planes {setting.in_plane} and {setting.normal} of {phase.key} are parallel; "
            "name another plane for the azimuth"
        )
    x = _unit(second)
    to_film = np.array([x, np.cross(z, x), z])
    turn = np.radians(setting.azimuth_deg)
    about_normal = np.array(
        [[np.cos(turn), -np.sin(turn), 0.0], [np.sin(turn), np.cos(turn), 0.0], [0.0, 0.0, 1.0]]
    )
    matrix: FloatArray = about_normal @ to_film
    if setting.twin_plane is not None:
        n = _unit(np.array(setting.twin_plane, dtype=float) @ base)
        half_turn = 2.0 * np.outer(n, n) - np.eye(3)
        matrix = matrix @ half_turn
    return matrix


def _unit(vector: FloatArray) -> FloatArray:
    return np.asarray(vector / np.linalg.norm(vector), dtype=float)


def poles(phase: Phase, setting: Setting, family: Hkl) -> Poles:
    """Every pole of {family} of one setting in the upper half space, sorted by tilt, azimuth."""
    planes = family_members(phase, family)
    vectors = planes @ phase.cell.reciprocal_base @ orientation_matrix(phase, setting).T
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    flat = np.sin(np.radians(_SAME_ANGLE_DEG))
    shown = vectors[:, 2] > -flat
    planes, vectors = planes[shown], vectors[shown]
    sideways = np.hypot(vectors[:, 0], vectors[:, 1])
    tilt = np.degrees(np.arctan2(sideways, np.maximum(vectors[:, 2], 0.0)))
    azimuth = np.degrees(np.arctan2(vectors[:, 1], vectors[:, 0])) % 360.0
    azimuth = np.where((sideways < flat) | (azimuth > 360.0 - _SAME_ANGLE_DEG), 0.0, azimuth)
    order = np.lexsort((np.round(azimuth, 6), np.round(tilt, 6)))
    return Poles(planes[order], tilt[order], azimuth[order], setting.share, setting.name)


def component_poles(phase: Phase, settings: Sequence[Setting], family: Hkl) -> tuple[Poles, ...]:
    """`poles` of each setting of a component, in the order of ``settings``."""
    return tuple(poles(phase, setting, family) for setting in settings)


def pole_count(
    phase: Phase,
    settings: Sequence[Setting],
    family: Hkl,
    tilt_low_deg: float,
    tilt_high_deg: float,
) -> float:
    """Poles of {family} a grain has between two tilts, the mean over the settings' shares."""
    total = sum(setting.share for setting in settings)
    found = sum(
        p.share * np.count_nonzero((p.tilt_deg >= tilt_low_deg) & (p.tilt_deg <= tilt_high_deg))
        for p in component_poles(phase, settings, family)
    )
    return float(found / total)


def tilt_groups(phase: Phase, normal: Hkl, family: Hkl) -> tuple[TiltGroup, ...]:
    """Tilts of {family} for grains with ``normal`` along the film normal, and poles at each.

    The tilts do not depend on how the grains stand in the plane, the azimuths do: see `poles`.
    """
    planes = family_members(phase, family)
    angle = phase.cell.angle_deg(planes, normal)[:, 0]
    shown = angle <= 90.0 + _SAME_ANGLE_DEG
    planes, angle = planes[shown], np.minimum(angle[shown], 90.0)
    groups = []
    for tilt in np.unique(np.round(angle, 6)):
        there = np.abs(angle - tilt) < 1e-5
        members = tuple((int(h), int(k), int(m)) for h, k, m in planes[there])
        groups.append(TiltGroup(float(angle[there].mean()), len(members), members))
    return tuple(groups)


def in_plane_variants(
    phase: Phase,
    normal: Hkl,
    in_plane: Hkl,
    *,
    fold: int = 4,
    twin_plane: Hkl | None = None,
    azimuth_deg: float = 0.0,
) -> tuple[Setting, ...]:
    """The settings, in equal shares, of grains on a substrate with a ``fold``-fold axis.

    A substrate whose surface has a four-fold axis offers each grain ``fold`` azimuths; those that
    the crystal's own symmetry makes the same are merged (two remain for an orthorhombic c-normal
    grain: a along x and b along x). With ``twin_plane`` each is joined by its twin.
    """
    raw = []
    for step in range(fold):
        azimuth = azimuth_deg + step * 360.0 / fold
        raw.append(Setting(normal, in_plane, azimuth, 1.0, None, f"{azimuth % 360.0:g}°"))
        if twin_plane is not None:
            joined = "".join(str(i) for i in twin_plane)
            raw.append(
                replace(raw[-1], twin_plane=twin_plane, name=f"{raw[-1].name}, ({joined}) twin")
            )
    symmetry = _proper_rotations(phase)
    kept: list[Setting] = []
    matrices: list[FloatArray] = []
    for setting in raw:
        matrix = orientation_matrix(phase, setting)
        if not any(_equivalent(matrix, other, symmetry) for other in matrices):
            kept.append(setting)
            matrices.append(matrix)
    return tuple(replace(setting, share=1.0 / len(kept)) for setting in kept)


def _proper_rotations(phase: Phase) -> FloatArray:
    """Rotations of the Laue class in Cartesian crystal axes, shape (M, 3, 3)."""
    integer = metric_rotations(phase)
    direct = np.linalg.cholesky(phase.cell.metric).T  # columns a, b, c
    cartesian = direct @ integer @ np.linalg.inv(direct)
    determinant = np.linalg.det(cartesian)
    return np.asarray(cartesian * np.sign(determinant)[:, None, None], dtype=float)


def _equivalent(first: FloatArray, second: FloatArray, symmetry: FloatArray) -> bool:
    between = first.T @ second
    return bool((np.abs(symmetry - between).max(axis=(1, 2)) < 1e-7).any())


def tilt_ratio_factor(
    phase: Phase,
    families: Sequence[Hkl],
    wavelength_A: float,
    *,
    share_a: float = 0.5,
    split_deg: float = 45.0,
    weights: Sequence[float] | None = None,
) -> float:
    """K in V_a/V_c = K · (sum at a's tilts)/(sum at c's tilts), all poles of each summed.

    ``families`` are those that the 2θ opening lets through together, such as (102) and (012);
    ``share_a`` of the a-axis grains have a along the normal and the others b. c-normal grains
    are counted at tilts above ``split_deg`` and a- or b-normal ones below it. Each pole weighs
    |F|², times ``weights`` (Lorentz-polarisation, say) where given. Corrections for path and
    defocus come on top. Raises PhaseError where a component shows no pole in its range.
    """
    strength = f_squared(phase, families, wavelength_A)
    if weights is not None:
        strength = strength * np.asarray(weights, dtype=float)

    def seen(normal: Hkl, low: float, high: float) -> float:
        return sum(
            float(s) * group.count
            for family, s in zip(families, strength, strict=True)
            for group in tilt_groups(phase, normal, family)
            if low <= group.tilt_deg <= high
        )

    from_c = seen((0, 0, 1), split_deg, 89.9)
    from_a = share_a * seen((1, 0, 0), 0.0, split_deg)
    from_a += (1.0 - share_a) * seen((0, 1, 0), 0.0, split_deg)
    if from_c == 0.0 or from_a == 0.0:
        names = ", ".join(str(f) for f in families)
        raise PhaseError(
            f"{names} of {phase.key} show no pole of one component on its side of {split_deg:g}°"
        )
    return from_c / from_a
