"""What a tilted measurement shows of each component: poles, path, azimuth, focus.

The signal a unit volume gives at its tilt, nominal or over draws of what is not known. See
`xrdfilm.texture.tilt` for what is made of it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erf, ndtr

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal import Phase, family_members, line_list
from xrdfilm.crystal.poles import tilt_groups
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.errors import CannotTellError
from xrdfilm.intensity.optics import Optics, divergence_on_sample_rad
from xrdfilm.intensity.stack import Stack, layer_path
from xrdfilm.intensity.window import window_aligned, window_random
from xrdfilm.lines import Reflection
from xrdfilm.texture.peakshape import FWHM_PER_SIGMA
from xrdfilm.texture.response import with_thickness

AzimuthMode = Literal["spinning", "fixed", "phi"]
TiltComponent = Literal["c_axis", "a_axis"]
DEFAULT_SPREAD_DEG = 3.0
IN_PLANE_AZIMUTHS = 4
"""Azimuths at which a film on a four-fold template shows its poles, equally in the mean."""

_NORMALS: dict[TiltComponent, tuple[Hkl, ...]] = {
    "c_axis": ((0, 0, 1),),
    "a_axis": ((1, 0, 0), (0, 1, 0)),
}
_SPLIT_DEG = 45.0
_LEAST_APART_DEG = 5.0  # of the two tilts; grains are spread over as much


@dataclass(frozen=True, slots=True)
class DefocusCurve:
    """Intensity of a random sample against tilt, over that at tilt 0, at the reflection's 2θ.

    A thick random sample in symmetric reflection has the same path at every tilt, so what it
    loses is the instrument's. Arrays of shape (N,), tilts ascending; ``sigma`` is relative.
    """

    tilt_deg: tuple[float, ...]
    relative: tuple[float, ...]
    sigma: float = 0.03

    def at(self, tilt_deg: ArrayLike) -> FloatArray:
        """Interpolated, constant beyond the measured ends."""
        at = np.asarray(tilt_deg, dtype=float)
        return np.asarray(np.interp(at, self.tilt_deg, self.relative))


@dataclass(frozen=True, slots=True)
class TiltGeometry:
    """How a tilted measurement was made.

    ``azimuth``: "spinning" (χ scan, sample spinning), "fixed" (χ scan at the azimuth of the
    peaks) or "phi" (azimuth scans at either tilt, peaks summed). ``two_theta_acceptance_deg`` is
    the full opening in 2θ centred on the reflection, None where nobody knows.
    ``azimuths_measured`` counts the in-plane peaks summed in "fixed". Widths are FWHM in degrees.
    """

    azimuth: AzimuthMode
    hkl: Hkl = (1, 0, 2)
    two_theta_acceptance_deg: float | None = None
    line_fwhm_deg: float = 0.15
    azimuths_measured: int = 4
    in_plane_fwhm_deg: float | None = None
    out_of_plane_fwhm_deg: float | None = None
    defocus: DefocusCurve | None = None

    def __post_init__(self) -> None:
        if self.azimuth not in ("spinning", "fixed", "phi"):
            raise ValueError(f'azimuth is "{self.azimuth}"; "spinning", "fixed" or "phi"')


@dataclass(frozen=True, slots=True)
class PoleGroup:
    """Poles of one family that one component shows at one tilt."""

    component: TiltComponent
    normal: Hkl
    family: Hkl
    tilt_deg: float
    count: int
    f_squared: float
    accepted: float | None


@dataclass(frozen=True, slots=True)
class TiltFactors:
    """The factors between the signal ratio and the volume ratio, nominal values.

    V_a/V_c = (signal a / signal c) · poles · path · azimuth · defocus; ``poles`` is K of the
    enumeration weighted by |F|², the others are that of c over that of a.
    """

    poles: float
    path: float
    azimuth: float
    defocus: float
    tilt_c_deg: float
    tilt_a_deg: float
    groups: tuple[PoleGroup, ...]

    @property
    def total(self) -> float:
        """Their product."""
        return self.poles * self.path * self.azimuth * self.defocus


def pole_groups(
    phase: Phase, optics: Optics, geometry: TiltGeometry
) -> tuple[tuple[PoleGroup, ...], list[str]]:
    """Poles of the reflection, and of every line the 2θ opening may let in, at the two tilts.

    ``accepted`` is the share of a line's width inside the opening, None where the opening is not
    known and the line is not the one asked for.
    """
    listed = line_list(phase, optics.radiation, two_theta_max_deg=90.0)
    wanted = {tuple(int(i) for i in row) for row in family_members(phase, geometry.hkl)}
    own = next((i for i, row in enumerate(listed.hkl) if tuple(map(int, row)) in wanted), None)
    if own is None:
        raise CannotTellError(
            f"{Reflection(phase.key, geometry.hkl)} is no reflection: symmetry bars it, or it lies "
            "beyond reach"
        )
    centre = float(listed.two_theta_deg[own])
    sigma = geometry.line_fwhm_deg / FWHM_PER_SIGMA
    opening = geometry.two_theta_acceptance_deg
    reach = 0.5 * (opening if opening is not None else 1.0) + 2.0 * sigma
    groups: list[PoleGroup] = []
    companions: list[str] = []
    for i in np.flatnonzero(np.abs(listed.two_theta_deg - centre) < reach):
        apart = float(listed.two_theta_deg[i]) - centre
        accepted: float | None = 1.0
        if opening is not None:
            high, low = (0.5 * opening - apart) / sigma, (-0.5 * opening - apart) / sigma
            accepted = float(ndtr(high) - ndtr(low))
        elif i != own:
            accepted = None
        hkl = (int(listed.hkl[i, 0]), int(listed.hkl[i, 1]), int(listed.hkl[i, 2]))
        if i != own:
            companions.append(str(Reflection(phase.key, hkl)))
        strength = float(listed.f_squared[i])
        for component, normals in _NORMALS.items():
            for normal in normals:
                groups += [
                    PoleGroup(component, normal, hkl, g.tilt_deg, g.count, strength, accepted)
                    for g in tilt_groups(phase, normal, hkl)
                    if 1.0 < g.tilt_deg < 89.0
                    and (g.tilt_deg > _SPLIT_DEG) == (component == "c_axis")
                ]
    for component in _NORMALS:
        if not any(g.component == component for g in groups):
            raise CannotTellError(
                f"{Reflection(phase.key, geometry.hkl)} does not tell c-axis from a-axis grains: "
                f"it has no pole of {component.replace('_', '-')} grains on its side of "
                f"{_SPLIT_DEG:g}°; (102) has"
            )
    tilt_c = min(g.tilt_deg for g in groups if g.component == "c_axis")
    tilt_a = max(g.tilt_deg for g in groups if g.component == "a_axis")
    if tilt_c - tilt_a < _LEAST_APART_DEG:
        raise CannotTellError(
            f"{Reflection(phase.key, geometry.hkl)} does not tell c-axis from a-axis grains: their "
            f"poles stand {tilt_c - tilt_a:.1f}° apart, at {tilt_c:.1f}° and {tilt_a:.1f}°; those "
            "of (102) stand 23° apart"
        )
    return tuple(groups), companions


def tilt_factors(
    phase: Phase,
    optics: Optics,
    stack: Stack,
    geometry: TiltGeometry,
    *,
    layer_index: int = 0,
    a_normal_share: float = 0.5,
) -> TiltFactors:
    """The nominal factors of a tilted measurement (`TiltFactors`)."""
    groups, _ = pole_groups(phase, optics, geometry)
    model = TiltModel(phase, optics, stack, layer_index, geometry, groups)
    share = np.array([a_normal_share])

    def signal(component: TiltComponent, **parts: bool) -> float:
        return float(model.signal(component, share, parts=parts)[0])

    only_poles = {"path": False, "azimuth": False, "defocus": False}
    ratio = {}
    for name in ("path", "azimuth", "defocus"):
        with_it = {**only_poles, name: True}
        ratio[name] = (signal("c_axis", **with_it) / signal("c_axis", **only_poles)) / (
            signal("a_axis", **with_it) / signal("a_axis", **only_poles)
        )
    return TiltFactors(
        poles=signal("c_axis", **only_poles) / signal("a_axis", **only_poles),
        path=ratio["path"],
        azimuth=ratio["azimuth"],
        defocus=ratio["defocus"],
        tilt_c_deg=model.mean_tilt("c_axis"),
        tilt_a_deg=model.mean_tilt("a_axis"),
        groups=groups,
    )


def volume_ratio(signal_c: float, signal_a: float, factors: float) -> float:
    """V_a/V_c from the signals and the product of the factors."""
    return signal_a / signal_c * factors


class TiltModel:
    """Signal of a component that fills the layer: nominal, or over draws of the nuisances."""

    def __init__(
        self,
        phase: Phase,
        optics: Optics,
        stack: Stack,
        layer_index: int,
        geometry: TiltGeometry,
        groups: Sequence[PoleGroup],
    ) -> None:
        self.geometry, self.groups = geometry, groups
        self.optics, self.stack, self.layer = optics, stack, layer_index
        first = groups[0].family
        d_A = phase.cell.d_spacing(np.array([first]))[0]
        self.two_theta_deg = float(two_theta_of(d_A, optics.radiation.k_alpha1_A))
        self.box_rad = float(
            divergence_on_sample_rad(self.two_theta_deg, optics, stack.sample_length_mm)
        )
        families = {g.family: g.f_squared for g in groups}
        self.families = tuple(families)
        self.f_squared = np.array([families[f] for f in self.families])
        self.multiplicity = np.array([len(family_members(phase, f)) for f in self.families])
        accepted = {g.family: g.accepted for g in groups}
        self.accepted = [accepted[f] for f in self.families]

    def mean_tilt(self, component: TiltComponent) -> float:
        """Tilt of the component's poles, weighted by their strength."""
        own = [g for g in self.groups if g.component == component]
        weight = np.array(
            [g.count * g.f_squared * (0.5 if g.accepted is None else g.accepted) for g in own]
        )
        return float(weight @ np.array([g.tilt_deg for g in own]) / weight.sum())

    def path(self, tilt_deg: ArrayLike, thickness: FloatArray) -> FloatArray:
        """Path at a tilt for thickness factors (J,), by interpolation in the log; (J,)."""
        near = np.array([0.6, 0.8, 1.0, 1.25, 1.6])
        logs = [
            float(
                np.log(
                    layer_path(
                        self.two_theta_deg,
                        with_thickness(self.stack, self.layer, float(f)),
                        self.layer,
                        self.optics.radiation.mean_A,
                        tilt_deg=tilt_deg,
                    )
                )
            )
            for f in near
        ]
        bend = np.polyfit(np.log(near), logs, 3)
        return np.asarray(np.exp(np.polyval(bend, np.log(thickness))))

    def arc(
        self, tilt_deg: float, in_plane_rad: FloatArray, out_of_plane_rad: FloatArray
    ) -> FloatArray:
        """Share of a pole's arc that counts at a tilt, for Gaussian spreads (J,); (J,)."""
        sine, cosine = np.sin(np.radians(tilt_deg)), np.cos(np.radians(tilt_deg))
        if self.geometry.azimuth == "spinning":
            return np.full(in_plane_rad.shape, self.box_rad / (2.0 * np.pi * sine))
        if self.geometry.azimuth == "phi":
            return np.asarray(self.box_rad * self._across(out_of_plane_rad) / sine)
        spread = np.sqrt((in_plane_rad * sine) ** 2 + (out_of_plane_rad * cosine) ** 2)
        # a grain's poles at one tilt are shared among the film's azimuths
        return np.asarray(erf(self.box_rad / (2.0 * np.sqrt(2.0) * spread)) / IN_PLANE_AZIMUTHS)

    def _across(self, out_of_plane_rad: FloatArray) -> FloatArray:
        """Mean density of tilts within the axial window, per radian: (J,) spreads to (J,)."""
        # a box that holds every grain leaves the axial window alone
        wide = replace(self.optics, slit="fixed", divergence_deg=20.0)
        fwhm_deg = np.degrees(out_of_plane_rad) * FWHM_PER_SIGMA
        share = window_aligned(self.two_theta_deg, fwhm_deg, wide, 1e6)
        random = window_random(self.two_theta_deg, 1, self.optics, self.stack.sample_length_mm)
        return np.asarray(share / (random * 4.0 * np.pi / self.box_rad))

    def signal(
        self,
        component: TiltComponent,
        share: FloatArray,
        *,
        strength: FloatArray | None = None,
        accepted: FloatArray | None = None,
        thickness: FloatArray | None = None,
        in_plane: FloatArray | None = None,
        out_of_plane: FloatArray | None = None,
        parts: dict[str, bool] | None = None,
    ) -> FloatArray:
        """Signal a unit volume, for draws (J,) of the nuisances (families: (J, F)); (J,)."""
        use = {"path": True, "azimuth": True, "defocus": True, **(parts or {})}
        one = np.ones(share.size)
        strength = np.tile(self.f_squared, (share.size, 1)) if strength is None else strength
        if accepted is None:
            nominal = [0.5 if a is None else a for a in self.accepted]
            accepted = np.tile(nominal, (share.size, 1))
        in_rad, out_rad = self.spreads(one if in_plane is None else in_plane, out_of_plane)
        total = np.zeros(share.size)
        for group in self.groups:
            if group.component != component:
                continue
            at = self.families.index(group.family)
            part = group.count * strength[:, at] * accepted[:, at]
            if component == "a_axis":
                part = part * (share if group.normal == (1, 0, 0) else 1.0 - share)
            if use["path"]:
                part = part * self.path(group.tilt_deg, one if thickness is None else thickness)
            if use["azimuth"]:
                part = part * self.arc(group.tilt_deg, in_rad, out_rad)
            if use["defocus"] and self.geometry.defocus is not None:
                part = part * float(self.geometry.defocus.at(group.tilt_deg))
            total = total + part
        return total

    def spreads(
        self, in_plane_factor: FloatArray, out_of_plane_factor: FloatArray | None
    ) -> tuple[FloatArray, FloatArray]:
        """In-plane and out-of-plane standard deviations in radians, (J,) each."""
        out = self.geometry.out_of_plane_fwhm_deg or DEFAULT_SPREAD_DEG
        inside = self.geometry.in_plane_fwhm_deg or out
        factor = (
            np.ones_like(in_plane_factor) if out_of_plane_factor is None else (out_of_plane_factor)
        )
        to_sigma = np.radians(1.0) / FWHM_PER_SIGMA
        return inside * to_sigma * in_plane_factor, out * to_sigma * factor

    def random_shape(self, tilt_deg: FloatArray) -> FloatArray:
        """Height of random grains against tilt, (N,), in arbitrary units."""
        path = layer_path(
            self.two_theta_deg,
            self.stack,
            self.layer,
            self.optics.radiation.mean_A,
            tilt_deg=tilt_deg,
        )
        defocus = self.geometry.defocus
        return np.asarray(path if defocus is None else path * defocus.at(tilt_deg))

    def random_level(
        self,
        tilts_deg: FloatArray,
        strength: FloatArray,
        accepted: FloatArray,
        thickness: FloatArray,
    ) -> FloatArray:
        """Mean height that random grains filling the layer give, in the unit of `signal`; (J,).

        A family of m poles over 4π puts m·δ'/(4π) of the grains into the window a radian of χ,
        where an aligned pole gives its arc's share; areas are counted in degrees.
        """
        nodes, weights = np.polynomial.legendre.leggauss(7)
        low, high = float(tilts_deg[0]), float(tilts_deg[-1])
        mean_path = np.zeros(thickness.size)
        for node, weight in zip(nodes, weights, strict=True):
            tilt = 0.5 * (low + high) + 0.5 * (high - low) * float(node)
            focus = 1.0 if self.geometry.defocus is None else float(self.geometry.defocus.at(tilt))
            mean_path += 0.5 * weight * focus * self.path(tilt, thickness)
        poles = (strength * accepted) @ self.multiplicity
        return np.asarray(poles * mean_path * self.box_rad / (4.0 * np.pi) * np.radians(1.0))
