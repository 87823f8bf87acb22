"""What an invented film is made of: the truth behind a simulated scan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from xrdfilm.crystal import Phase
from xrdfilm.errors import StackError
from xrdfilm.intensity.model import (
    Orientation,
    a_axis,
    aligned_00l,
    aligned_111,
    aligned_normal,
    c_axis,
    other_103,
    random,
)
from xrdfilm.intensity.stack import Stack


@dataclass(frozen=True, slots=True)
class Grains:
    """A share of a phase's volume that stands in one orientation."""

    orientation: Orientation
    share: float = 1.0


@dataclass(frozen=True, slots=True)
class Constituent:
    """One phase in one layer, ready to be drawn.

    ``volume_share`` is its share of the layer, ``grains`` its orientations (shares adding up
    to 1). ``structure`` gives |F|² and symmetry, ``phase`` the cell its lines stand at.
    ``size_nm`` and ``microstrain`` broaden the lines; ``weakening`` scales all its areas (the
    extinction of a perfect crystal, which the kinematic model does not know).
    """

    phase: Phase
    structure: Phase
    layer_index: int
    volume_share: float
    grains: tuple[Grains, ...]
    size_nm: float | None = None
    microstrain: float = 0.0
    weakening: float = 1.0


@dataclass(frozen=True, slots=True)
class Minor:
    """A minor phase within the film: fluoride, reaction product, inclusion.

    ``fraction`` is V(minor)/(V(minor) + V(film phase)). ``cell_a_A`` shifts a cubic cell.
    """

    phase: Phase
    fraction: float
    grains: tuple[Grains, ...] = (Grains(random()),)
    cell_a_A: float | None = None
    size_nm: float | None = 40.0

    def __post_init__(self) -> None:
        if not 0.0 <= self.fraction < 1.0:
            raise StackError(
                f"{self.phase.key}: fraction is {self.fraction:g}; it must lie in 0..1, below 1"
            )
        _check_shares(self.phase.key, [part.share for part in self.grains])


def fluoride(
    phase: Phase,
    fraction: float,
    orientation: Literal["aligned", "aligned_111", "random"] = "aligned",
    *,
    mosaic_fwhm_deg: float = 1.0,
    cell_a_A: float | None = None,
    size_nm: float = 40.0,
) -> Minor:
    """Fluoride left in the film, all of it in one orientation."""
    orientations = {
        "aligned": aligned_00l(mosaic_fwhm_deg),
        "aligned_111": aligned_111(mosaic_fwhm_deg),
        "random": random(),
    }
    if orientation not in orientations:
        known = ", ".join(f'"{name}"' for name in orientations)
        raise StackError(f'fluoride orientation is "{orientation}"; it must be one of {known}')
    return Minor(phase, fraction, (Grains(orientations[orientation]),), cell_a_A, size_nm)


@dataclass(frozen=True, slots=True)
class BufferTexture:
    """How a buffer layer stands: (001) along the normal but for a (111) and a random part.

    ``mosaic_111_fwhm_deg``: spread of the (111) part, None for that of the rest.
    """

    mosaic_fwhm_deg: float = 3.0
    fraction_111: float = 0.0
    fraction_random: float = 0.0
    size_nm: float | None = None  # None: the layer's thickness
    mosaic_111_fwhm_deg: float | None = None

    def grains(self, phase: Phase) -> tuple[Grains, ...]:
        """The orientations with their shares."""
        aligned = 1.0 - self.fraction_111 - self.fraction_random
        shares = [aligned, self.fraction_111, self.fraction_random]
        _check_shares(f"buffer {phase.key}", shares)
        return _with_share(
            (aligned_normal(phase, self.mosaic_fwhm_deg), aligned),
            (aligned_111(self.mosaic_111_fwhm_deg or self.mosaic_fwhm_deg), self.fraction_111),
            (random(), self.fraction_random),
        )


@dataclass(frozen=True, slots=True)
class SubstrateTexture:
    """A single crystal (sharp, weakened by extinction) or a cube-textured tape."""

    kind: Literal["crystal", "tape"] = "crystal"
    mosaic_fwhm_deg: float = 0.05
    weakening: float = 0.3
    size_nm: float | None = None
    fraction_random: float = 0.0


CRYSTAL = SubstrateTexture()
TAPE = SubstrateTexture("tape", mosaic_fwhm_deg=6.5, weakening=0.5, fraction_random=0.01)


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedFilm:
    """A film on its stack, with fractions of the film phase's volume that add up to 1.

    ``film_cell_A`` replaces the film phase's a, b, c (strain, oxygen loading).
    ``a_normal_share`` is the share of a-axis grains with a, rather than b, along the normal.
    ``film_size_nm`` None takes the film's thickness. ``buffers`` holds one texture for each
    buffer of the stack, or a single one for all. ``substrate`` None chooses tape for a
    substrate whose key begins with Ni, else a single crystal.
    Raises `StackError` where something contradicts itself.
    """

    stack: Stack
    c_axis: float = 0.95
    a_axis: float = 0.03
    random: float = 0.02
    other: float = 0.0
    c_mosaic_fwhm_deg: float = 1.0
    a_mosaic_fwhm_deg: float = 1.5
    other_mosaic_fwhm_deg: float = 2.0
    a_normal_share: float = 0.5
    film_cell_A: tuple[float, float, float] | None = None
    film_size_nm: float | None = None
    film_microstrain: float = 0.0005
    minor: tuple[Minor, ...] = ()
    buffers: tuple[BufferTexture, ...] = (BufferTexture(),)
    substrate: SubstrateTexture | None = None

    def __post_init__(self) -> None:
        _check_shares(
            f"film {self.stack.film.phase.key}", [self.c_axis, self.a_axis, self.random, self.other]
        )
        if self.stack.film.thickness_nm is None:
            raise StackError("the film needs a thickness_nm")
        if self.stack.buffers and len(self.buffers) not in (1, len(self.stack.buffers)):
            raise StackError(
                f"{len(self.buffers)} buffer textures for {len(self.stack.buffers)} buffers; "
                "give one for each, or one for all"
            )

    @property
    def film_phase(self) -> Phase:
        """The film phase on the cell its lines stand at."""
        phase = self.stack.film.phase
        if self.film_cell_A is None:
            return phase
        a_A, b_A, c_A = self.film_cell_A
        return phase.with_cell(a_A=a_A, b_A=b_A, c_A=c_A)

    def constituents(self) -> tuple[Constituent, ...]:
        """Everything that reflects, film first."""
        film, film_phase = self.stack.film, self.film_phase
        ratios = [part.fraction / (1.0 - part.fraction) for part in self.minor]
        film_share = 1.0 / (1.0 + sum(ratios))
        grains = _with_share(
            (c_axis(self.c_mosaic_fwhm_deg), self.c_axis),
            (a_axis(self.a_mosaic_fwhm_deg, self.a_normal_share), self.a_axis),
            (random(), self.random),
            (other_103(self.other_mosaic_fwhm_deg), self.other),
        )
        size = film.thickness_nm if self.film_size_nm is None else self.film_size_nm
        found = [
            Constituent(film_phase, film.phase, 0, film_share, grains, size, self.film_microstrain)
        ]
        for part, ratio in zip(self.minor, ratios, strict=True):
            moved = part.phase
            if part.cell_a_A is not None:
                moved = part.phase.with_cell(a_A=part.cell_a_A)
            share = film_share * ratio
            found.append(Constituent(moved, part.phase, 0, share, part.grains, part.size_nm))
        textures = self.buffers
        if len(textures) == 1:
            textures = textures * len(self.stack.buffers)
        for index, layer in enumerate(self.stack.buffers):
            texture = textures[index]
            size = layer.thickness_nm if texture.size_nm is None else texture.size_nm
            found.append(
                Constituent(
                    layer.phase, layer.phase, index + 1, 1.0, texture.grains(layer.phase), size
                )
            )
        if self.stack.substrate is not None:
            found.append(self._substrate_constituent())
        return tuple(found)

    def _substrate_constituent(self) -> Constituent:
        assert self.stack.substrate is not None
        phase = self.stack.substrate.phase
        texture = self.substrate
        if texture is None:
            texture = TAPE if phase.key.startswith("Ni") else CRYSTAL
        grains = _with_share(
            (aligned_normal(phase, texture.mosaic_fwhm_deg), 1.0 - texture.fraction_random),
            (random(), texture.fraction_random),
        )
        return Constituent(
            phase,
            phase,
            len(self.stack.layers) - 1,
            1.0,
            grains,
            texture.size_nm,
            weakening=texture.weakening,
        )


def _with_share(*parts: tuple[Orientation, float]) -> tuple[Grains, ...]:
    return tuple(Grains(orientation, share) for orientation, share in parts if share > 0.0)


def _check_shares(what: str, shares: list[float]) -> None:
    if min(shares) < 0.0 or abs(sum(shares) - 1.0) > 1e-6:
        told = ", ".join(f"{share:g}" for share in shares)
        raise StackError(f"{what}: fractions {told} must not be negative and must add up to 1")
