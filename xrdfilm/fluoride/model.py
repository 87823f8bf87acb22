"""How much line area a volume of fluoride gives beside one of film, and how sure that is.

A volume fraction needs only the ratio of two amplitudes, x = K·V of the fluoride and of the film,
each a line area over the strength that the intensity model gives a unit of volume; the scale K
drops out. What the model takes for granted (mosaics, thickness, axial aperture, structure data,
line width) is drawn, not fixed, and every draw changes both amplitudes together as it should.

Over 400 lines: the draws of both amplitudes must be the same ones, so they are made in one place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal import Phase, line_list
from xrdfilm.errors import CannotTellError
from xrdfilm.fluoride.conversion import BAF2_EDGE_A
from xrdfilm.intensity.model import (
    Orientation,
    aligned_00l,
    aligned_111,
    random,
    unoriented_strengths,
    variant_share,
)
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.intensity.window import window_aligned, window_random
from xrdfilm.lines import MeasuredLines
from xrdfilm.texture.fractions import normal_draws

FLUORIDE_LINES: tuple[Hkl, ...] = ((1, 1, 1), (2, 0, 0), (2, 2, 0), (3, 1, 1), (4, 0, 0))
"""(400) is there because CeO2 and La2Zr2O7 hide (200), and aligned grains show no other line."""

ASSUMPTIONS = ("aligned_00l", "aligned_111", "random")
DRAWS = 1024
_NODES = 25
_CAUSES = ("counting", "film", "mosaic", "fluoride mosaic", "thickness", "aperture", "structure",
           "line width", "orientation")  # fmt: skip
STRUCTURE_SIGMA = {3: 0.12, 5: 0.06, 6: 0.06, 7: 0.15}
"""Relative doubt of |F|² of (00l) by l: strong lines hold better than weak ones, which lean on
the heights of Ba and Cu2 and on oxygen (computed spread of published coordinates)."""
_STRUCTURE_DEFAULT = 0.15
FLUORIDE_STRUCTURE_SIGMA = 0.03
SHIFTED_STRUCTURE_SIGMA_PER_A = 0.6
"""Relative doubt of |F|² for each Å by which the cell is off that of BaF2: it may hold yttrium,
which scatters less than barium (by 0.5 to 0.9 of its share, from the form factors; a share of 1.45
for each Å, see `xrdfilm.fluoride.conversion`), or oxygen, which changes next to nothing."""


@dataclass(frozen=True, slots=True)
class ModelDoubt:
    """Standard uncertainties of what the model takes for granted.

    ``mosaic_factor`` and ``fluoride_mosaic_factor`` are the factors (one standard deviation) by
    which the film's mosaic, and the fluoride's relative to the film's, may be off;
    ``thickness``, ``aperture``, ``structure`` (a factor on the doubts listed here) and
    ``line_width`` are relative; so is ``orientation``, the doubt that the shares of the film's
    orientations put on its whole volume. All zero: the model is taken as exact.
    """

    mosaic_factor: float = 1.3
    fluoride_mosaic_factor: float = 1.3
    thickness: float = 0.15
    aperture: float = 0.10
    structure: float = 1.0
    line_width: float = 0.10
    orientation: float = 0.0

    @classmethod
    def none(cls) -> ModelDoubt:
        """No doubt at all: intervals from counting alone."""
        return cls(1.0, 1.0, 0.0, 0.0, 0.0, 0.0)

    def opened(self, optics: Optics) -> float:
        """Relative doubt of the axial acceptance: little where the arrangement was stated."""
        return 0.02 if optics.axial_stated and self.aperture > 0.0 else self.aperture


@dataclass(frozen=True, slots=True, eq=False)
class FilmAmplitude:
    """x = K·V of the film's compound, with what it rests on.

    ``value`` and ``sigma`` (counting alone) in the unit of area over strength; ``hkl`` the lines
    used, ``weights`` (N,) so that value = Σ weights·areas / Σ weights·strengths.
    ``components`` are orientation and share of the film's volume.
    """

    value: float
    sigma: float
    phase: Phase
    components: tuple[tuple[Orientation, float], ...]
    hkl: tuple[Hkl, ...]
    weights: FloatArray
    areas: FloatArray
    structure_sigma: float


def film_amplitude(
    lines: MeasuredLines,
    phase: Phase,
    components: Sequence[tuple[Orientation, float]],
    optics: Optics,
    stack: Stack,
) -> FilmAmplitude:
    """The film's amplitude from its (00l) lines (from all its lines where none of them shows).

    Blends are left out, those within the film where there is any other line. Shares must belong to
    the film's volume and add up to 1. Raises CannotTellError where no line of the film can be used.
    """
    orientations = tuple((o, float(share)) for o, share in components if share > 0.0)
    chosen: list[int] = []
    for only_00l, alone in ((True, True), (True, False), (False, False)):
        for i, line in enumerate(lines):
            h, k, l = line.reflection.hkl  # noqa: E741
            own = all(member.phase == phase.key for member in line.members)
            own &= len(line.members) == 1 or not alone
            if own and line.significance > 5.0 and (not only_00l or (h == 0 and k == 0 and l > 1)):
                chosen.append(i)
        if chosen:
            break
    if not chosen:
        raise CannotTellError(
            f"no line of {phase.key} shows by itself, so the fluoride cannot be put in relation "
            "to the film; an index (ratio of areas) is all that is left"
        )
    part = lines.subset(chosen)
    hkl = tuple(line.reflection.hkl for line in part)
    areas = part.areas
    strengths = component_strengths(phase, hkl, orientations, optics, stack)
    usable = strengths > 1e-3 * strengths.max()
    doubt = np.array(
        [
            STRUCTURE_SIGMA.get(h[2], _STRUCTURE_DEFAULT) if h[:2] == (0, 0) else _STRUCTURE_DEFAULT
            for h in hkl
        ]
    )
    covariance = part.area_covariance + np.diag(np.square(doubt * areas))
    precision = np.where(usable, 1.0 / np.diag(covariance), 0.0)
    weights = precision * strengths
    scale = float(weights @ strengths)
    if not scale > 0.0:
        raise CannotTellError(f"no line that shows belongs to the grains found of {phase.key}")
    value = float(weights @ areas) / scale
    sigma = float(np.sqrt(weights @ part.area_covariance @ weights)) / scale
    if not value > 3.0 * sigma:
        raise CannotTellError(f"the lines of {phase.key} do not stand out of the noise")
    structure = float(np.sqrt(np.sum(np.square(weights * doubt * areas)))) / scale / value
    return FilmAmplitude(value, sigma, phase, orientations, hkl, weights, areas, structure)


def component_strengths(
    phase: Phase,
    hkl: tuple[Hkl, ...],
    components: Sequence[tuple[Orientation, float]],
    optics: Optics,
    stack: Stack,
) -> FloatArray:
    """Area over K·V of each line, for these orientations and shares; shape (N,)."""
    total = np.zeros(len(hkl))
    for orientation, share in components:
        total += share * _strengths_of(phase, hkl, orientation, optics, stack)
    return total


@lru_cache(maxsize=1024)
def _strengths_of(
    phase: Phase, hkl: tuple[Hkl, ...], orientation: Orientation, optics: Optics, stack: Stack
) -> FloatArray:
    window: FloatArray = _windows(phase, hkl, orientation, optics, stack.sample_length_mm, (0.0,))
    found: FloatArray = np.array(_bare(phase, hkl, optics, stack)) * window[0]
    found.flags.writeable = False
    return found


def assumed_orientation(name: str, mosaic_fwhm_deg: float) -> Orientation:
    """The fluoride orientation of this name, one of `ASSUMPTIONS`."""
    if name == "random":
        return random()
    return aligned_00l(mosaic_fwhm_deg) if name == "aligned_00l" else aligned_111(mosaic_fwhm_deg)


@lru_cache(maxsize=512)
def _bare(phase: Phase, hkl: tuple[Hkl, ...], optics: Optics, stack: Stack) -> tuple[float, ...]:
    _, squared, _, angles = _line_data(phase, hkl, optics)
    values = unoriented_strengths(phase, squared, angles, optics, stack, 0)
    return tuple(float(v) for v in values)


@lru_cache(maxsize=256)
def _line_data(
    phase: Phase, hkl: tuple[Hkl, ...], optics: Optics
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """hkl (N, 3), |F|², multiplicity and angle (N,) of families of a phase."""
    lines = line_list(phase, optics.radiation, two_theta_max_deg=150.0)
    rows = []
    for wanted in hkl:
        try:
            rows.append(lines.index(wanted))
        except KeyError:  # another member of the family is listed: the same spacing
            d = float(phase.cell.d_spacing([wanted])[0])
            rows.append(int(np.argmin(np.abs(lines.d_A - d))))
    at = np.array(rows)
    return (
        lines.hkl[at],
        lines.f_squared[at],
        lines.multiplicity[at].astype(float),
        lines.two_theta_deg[at],
    )


@lru_cache(maxsize=512)
def _windows(
    phase: Phase,
    hkl: tuple[Hkl, ...],
    orientation: Orientation,
    optics: Optics,
    sample_length_mm: float,
    log_factors: tuple[float, ...],
) -> FloatArray:
    """W (M, N) of a component with its mosaic multiplied by exp of ``log_factors`` (M)."""
    rows, _, multiplicity, angles = _line_data(phase, hkl, optics)
    if orientation.is_random:
        window = window_random(angles, multiplicity, optics, sample_length_mm)
        return np.broadcast_to(window, (len(log_factors), angles.size))
    share = variant_share(phase, rows, orientation)
    found = np.zeros((len(log_factors), angles.size))
    there = share > 0.0
    if there.any():
        mosaic = orientation.mosaic_fwhm_deg * np.exp(np.array(log_factors))[:, None]
        found[:, there] = share[there] * window_aligned(
            angles[there], mosaic, optics, sample_length_mm
        )
    return found


@dataclass(frozen=True, slots=True)
class RatioDraws:
    """Draws (J,) of (model factor on the amplitude ratio), with its part by cause in logarithms.

    ``counting`` and ``film`` (J,) are the standard normals for the two amplitudes' counting noise.
    """

    factor: FloatArray
    counting: FloatArray
    film: FloatArray
    sigma_log: dict[str, float]


def ratio_draws(
    name: str,
    fluoride: Phase,
    hkl: tuple[Hkl, ...],
    weights: FloatArray,
    film: FilmAmplitude,
    fluoride_mosaic_deg: float,
    optics: Optics,
    stack: Stack,
    doubt: ModelDoubt,
    *,
    by_width: Callable[[FloatArray], FloatArray] | None = None,
    own_structure: float = FLUORIDE_STRUCTURE_SIGMA,
) -> RatioDraws:
    """Factors by which fluoride over film amplitude changes as the premises are drawn.

    ``weights`` (N,) are those of the fluoride's amplitude, Σ weights·areas / Σ weights·strengths.
    ``by_width`` turns standard normals into log areas where the line width was fitted; else
    ``doubt.line_width`` holds. ``own_structure`` is the relative doubt of the phase's |F|².
    """
    normals = _normals()
    spread = float(np.log(doubt.mosaic_factor))
    own = float(np.log(doubt.fluoride_mosaic_factor))
    orientation = assumed_orientation(name, fluoride_mosaic_deg)
    by_mosaic, theirs = _film_part(film, optics, stack, doubt)
    by_own = np.zeros(1)
    if not orientation.is_random:
        fluoride_log = _Curve.of(
            fluoride,
            hkl,
            weights,
            ((orientation, 1.0),),
            optics,
            stack,
            4.0 * float(np.hypot(spread, own)),
        )
        common = spread * normals["mosaic"]
        at_common = fluoride_log(common)
        by_mosaic = by_mosaic - at_common
        by_own = at_common - fluoride_log(common + own * normals["fluoride mosaic"])
    ours = np.log(
        _changed(fluoride, hkl, orientation, optics, stack, doubt.thickness, doubt.opened(optics))
        @ weights
    )
    thick, thin, wide, narrow = theirs - ours
    structure = doubt.structure * float(np.hypot(film.structure_sigma, own_structure))
    factors = {
        "thickness": 0.5 * float(thick - thin),
        "aperture": 0.5 * float(wide - narrow),
        "structure": structure,
        "line width": doubt.line_width,
        "orientation": doubt.orientation,
    }
    sigma_log = {"mosaic": _spread_of(by_mosaic), "fluoride mosaic": _spread_of(by_own)}
    total = by_mosaic + by_own
    if by_width is not None:
        of_width = by_width(normals["line width"])
        factors["line width"] = 0.0
        total = total + of_width
    total = total + np.array(list(factors.values())) @ _normal_table(tuple(factors))
    for cause, factor in factors.items():
        sigma_log[cause] = abs(factor) * _normal_sigmas()[cause]
    if by_width is not None:
        sigma_log["line width"] = _spread_of(of_width)
    return RatioDraws(np.exp(total), normals["counting"], normals["film"], sigma_log)


def _spread_of(sample: FloatArray) -> float:
    """Standard deviation of (J,)."""
    deviation = sample - sample.sum() / sample.size
    return float(np.sqrt(deviation @ deviation / sample.size))


@lru_cache(maxsize=1)
def _normals() -> Mapping[str, FloatArray]:
    """Standard normals (J,) of each cause."""
    table = np.ascontiguousarray(normal_draws(DRAWS, len(_CAUSES), seed=22).T)
    table.flags.writeable = False
    return dict(zip(_CAUSES, table, strict=True))


@lru_cache(maxsize=4)
def _normal_table(causes: tuple[str, ...]) -> FloatArray:
    """Standard normals of some causes, one row each."""
    return np.array([_normals()[cause] for cause in causes])


@lru_cache(maxsize=1)
def _normal_sigmas() -> Mapping[str, float]:
    return {cause: float(np.std(values)) for cause, values in _normals().items()}


@lru_cache(maxsize=4)
def _film_part(
    film: FilmAmplitude, optics: Optics, stack: Stack, doubt: ModelDoubt
) -> tuple[FloatArray, FloatArray]:
    """The film's side of the draws: log strength by mosaic (J,), and the logs (4,) of strengths
    with film thicker and thinner, aperture wider and narrower. All phases looked for share it."""
    spread = float(np.log(doubt.mosaic_factor))
    curve = _Curve.of(
        film.phase, film.hkl, film.weights, film.components, optics, stack, 4.0 * spread
    )
    changed = np.zeros((4, len(film.hkl)))
    for part, share in film.components:
        changed += share * _changed(
            film.phase, film.hkl, part, optics, stack, doubt.thickness, doubt.opened(optics)
        )
    return curve(spread * _normals()["mosaic"]), np.log(changed @ film.weights)


@lru_cache(maxsize=512)
def _changed(
    phase: Phase,
    hkl: tuple[Hkl, ...],
    orientation: Orientation,
    optics: Optics,
    stack: Stack,
    thickness: float,
    aperture: float,
) -> FloatArray:
    """Strengths (4, N) with the film thicker, thinner, the axial aperture wider, narrower."""
    film, width = stack.film, optics.axial_acceptance_deg
    rows = []
    for change in (1.0 + thickness, 1.0 - thickness):
        other = stack
        if film.thickness_nm is not None:
            other = replace(stack, film=replace(film, thickness_nm=film.thickness_nm * change))
        rows.append(_strengths_of(phase, hkl, orientation, optics, other))
    for change in (1.0 + aperture, 1.0 - aperture):
        turned = replace(optics, axial_acceptance_deg=width * change)
        rows.append(_strengths_of(phase, hkl, orientation, turned, stack))
    return np.array(rows)


@dataclass(frozen=True, slots=True)
class _Curve:
    """Logarithm of a weighted strength against that of a mosaic factor, 0 at factor 1."""

    nodes: FloatArray
    values: FloatArray

    def __call__(self, log_factor: FloatArray) -> FloatArray:
        return np.interp(log_factor, self.nodes, self.values)

    @classmethod
    def of(
        cls,
        phase: Phase,
        hkl: tuple[Hkl, ...],
        weights: FloatArray,
        components: Sequence[tuple[Orientation, float]],
        optics: Optics,
        stack: Stack,
        reach: float,
    ) -> _Curve:
        nodes = np.linspace(-max(reach, 1e-6), max(reach, 1e-6), _NODES)
        bare = weights * np.array(_bare(phase, hkl, optics, stack))
        total = np.zeros(_NODES)
        for o, share in components:
            window = _windows(phase, hkl, o, optics, stack.sample_length_mm, tuple(nodes.tolist()))
            total += share * (window @ bare)
        values = np.log(total)
        return cls(nodes, values - np.interp(0.0, nodes, values))


def shifted_structure_sigma(edge_A: float) -> float:
    """Relative standard uncertainty of |F|² of a fluoride with this cell edge."""
    shifted = SHIFTED_STRUCTURE_SIGMA_PER_A * (edge_A - BAF2_EDGE_A)
    return float(np.hypot(FLUORIDE_STRUCTURE_SIGMA, shifted))


def volume_fraction_of_ratio(ratio: FloatArray) -> FloatArray:
    """φ = u/(1+u) of the amplitude ratio u = V(fluoride)/V(film), same shape.

    A negative ratio (noise) is continued by the tangent, φ = u, so that it stays monotone.
    """
    u = np.asarray(ratio, dtype=float)
    return np.asarray(np.where(u >= 0.0, u / (1.0 + np.maximum(u, 0.0)), u))
