"""From the fluoride's amplitude to volume fraction, conversion and bound HF, with intervals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.estimate import Estimate, adding_up, from_draws
from xrdfilm.fluoride.amplitude import Amplitude, OrientationVerdict
from xrdfilm.fluoride.cell import ShownFluoride
from xrdfilm.fluoride.conversion import (
    BAF2_EDGE_A,
    volume_fraction_of_conversion,
    volume_ratio,
)
from xrdfilm.fluoride.model import (
    FLUORIDE_LINES,
    FilmAmplitude,
    ratio_draws,
    shifted_structure_sigma,
    volume_fraction_of_ratio,
)
from xrdfilm.fluoride.products import one_sided
from xrdfilm.fluoride.setup import (
    FluorideSettings,
    FluorideWork,
    ReferenceFilms,
)


@dataclass(frozen=True, slots=True)
class UnderAssumption:
    """The fluoride under one assumption on its orientation.

    ``detection_limit`` is the volume fraction that is missed with probability β at the nominal
    cell. ``volume_fraction`` None: the film shows no line to relate it to.
    """

    name: str
    amplitude: Amplitude
    volume_fraction: Estimate | None
    detection_limit: float | None


def upper_limit(assumption: UnderAssumption) -> float:
    """Upper end of the volume fraction's interval; 1 where nothing is known of it."""
    estimate = assumption.volume_fraction
    return estimate.high if estimate is not None and estimate.high is not None else 1.0


def under_assumption(
    name: str,
    amplitude: Amplitude,
    film: FilmAmplitude | str,
    mosaic: float,
    work: FluorideWork,
    detected: bool,
    shown: ShownFluoride,
    references: ReferenceFilms | None,
) -> UnderAssumption:
    """Volume fraction and its detection limit, if all fluoride stands as ``name`` says.

    ``film`` is the film's amplitude, or the reason why there is none. The interval is made of
    draws of the counting noise of both amplitudes and of the model's premises.
    """
    settings = work.settings
    if name == "reference" and references is not None:
        return _under_reference(amplitude, work, detected, references, shown)
    if isinstance(film, str):
        return UnderAssumption(name, amplitude, None, None)
    hkl = tuple(FLUORIDE_LINES[i] for i in amplitude.lines)
    draws = ratio_draws(
        name, shown.phase, hkl, amplitude.weights[list(amplitude.lines)], film, mosaic,
        work.optics, work.stack, settings.doubt, by_width=shown.by_width,
        own_structure=shifted_structure_sigma(shown.edge_A),
    )  # fmt: skip
    ratio = amplitude.value / film.value
    # where nothing was detected, the noise of every place that another cell would show at
    value, sigma = amplitude.of_any_cell or (amplitude.value, amplitude.sigma)
    sample = (value + sigma * draws.counting) * draws.factor
    sample = sample / (film.value * np.maximum(1.0 + film.sigma / film.value * draws.film, 0.05))
    fraction = float(volume_fraction_of_ratio(np.array([ratio]))[0])
    slope = 1.0 / (1.0 + max(ratio, 0.0)) ** 2
    # a factor's doubt acts on what may be there, noise included: var(XY) of independent X and Y
    size = slope * float(np.hypot(value, sigma)) / film.value
    sources = {
        "counting": slope * sigma / film.value,
        "film lines": size * film.sigma / film.value,
        **{cause: size * s for cause, s in draws.sigma_log.items()},
    }
    sources = {cause: float(s) for cause, s in sources.items() if s > 0.0}
    estimate = adding_up(
        from_draws(
            fraction,
            volume_fraction_of_ratio(sample),
            level=settings.level,
            bounds=(0.0, 1.0),
            sources=sources,
        )
    )
    limit: float | None = None
    if np.isfinite(amplitude.detection):
        limit = float(volume_fraction_of_ratio(np.array([amplitude.detection / film.value]))[0])
    return UnderAssumption(name, amplitude, _one_sided(estimate, detected), limit)


def _one_sided(estimate: Estimate, detected: bool) -> Estimate:
    return estimate if detected else one_sided(estimate)


def _under_reference(
    amplitude: Amplitude,
    work: FluorideWork,
    detected: bool,
    references: ReferenceFilms,
    shown: ShownFluoride,
) -> UnderAssumption:
    """Fluoride left, as a share of the unconverted film's, turned into a volume fraction."""
    # a line's doubt counts by how much of the weighted sum it makes up
    lines = list(amplitude.lines)
    parts = (amplitude.weights * amplitude.strengths)[lines]
    relative = np.array(
        [
            references.unconverted[FLUORIDE_LINES[i]].sigma
            / references.unconverted[FLUORIDE_LINES[i]].value
            for i in lines
        ]
    )
    reference = float(np.linalg.norm(parts * relative) / parts.sum())
    left, counting = amplitude.of_any_cell or (amplitude.value, amplitude.sigma)
    size = float(np.hypot(left, counting))
    sources = {
        "counting": counting,
        "reference": size
        * float(np.hypot(reference, references.normaliser_sigma / references.normaliser)),
        "texture": size * references.texture_sigma,
    }
    normals = np.sort(ratio_normals())
    if shown.by_width is not None:
        # of the film at hand; the reference shows its fluoride so plainly that it has none
        sources["line width"] = size * float(np.std(shown.by_width(normals)))
    sigma = float(np.sqrt(sum(s * s for s in sources.values())))
    ratio = fluoride_to_film_volume(work)
    draws = volume_fraction_of_conversion(1.0 - (left + sigma * normals), ratio)
    centre = float(volume_fraction_of_conversion(np.array([1.0 - amplitude.value]), ratio)[0])
    limit: float | None = None
    if np.isfinite(amplitude.detection):
        limit = float(
            volume_fraction_of_conversion(np.array([1.0 - amplitude.detection]), ratio)[0]
        )
    estimate = adding_up(
        from_draws(centre, draws, level=work.settings.level, bounds=(0.0, 1.0), sources=sources)
    )
    return UnderAssumption("reference", amplitude, _one_sided(estimate, detected), limit)


def ratio_normals() -> FloatArray:
    """Standard normals for one-dimensional draws, shape (1024,)."""
    from xrdfilm.texture.fractions import normal_draws

    return np.asarray(normal_draws(1024, 1, seed=24)[:, 0])


def mixture(
    verdict: OrientationVerdict,
    assumed: Sequence[UnderAssumption],
    film: FilmAmplitude,
    settings: FluorideSettings,
) -> UnderAssumption:
    """Sum of the members' volumes; the model's doubt is that of each member, fully shared."""
    total = float(verdict.amplitudes.sum())
    counting = float(np.sqrt(max(verdict.covariance.sum(), 0.0)))
    by_cause: dict[str, float] = {}
    for name, x in zip(verdict.members, verdict.amplitudes, strict=True):
        member = next(a for a in assumed if a.name == name)
        estimate = member.volume_fraction
        assert estimate is not None
        own = abs(member.amplitude.value / film.value) + 1e-30
        for cause, s in estimate.sources.items():
            if cause != "counting":
                slope = 1.0 / (1.0 + own) ** 2
                by_cause[cause] = by_cause.get(cause, 0.0) + s / (slope * own) * x / total
    ratio = total / film.value
    relative = float(np.sqrt(sum(s * s for s in by_cause.values())))
    normals = ratio_normals()
    sample = (ratio + counting / film.value * normals) * np.exp(relative * normals[::-1])
    slope = 1.0 / (1.0 + ratio) ** 2
    estimate = adding_up(
        from_draws(
            ratio / (1.0 + ratio),
            volume_fraction_of_ratio(sample),
            level=settings.level,
            bounds=(0.0, 1.0),
            sources={
                "counting": slope * counting / film.value,
                **{cause: float(slope * ratio * s) for cause, s in by_cause.items()},
            },
        )
    )
    first = next(a for a in assumed if a.name == verdict.members[0])
    return UnderAssumption("mixed", first.amplitude, estimate, first.detection_limit)


def fluoride_to_film_volume(work: FluorideWork, cell: Estimate | None = None) -> float:
    """Volume of the fluoride over that of the film it becomes, for the cell found."""
    film = work.stack.film.phase
    edge = cell.estimate if cell is not None and cell.estimate is not None else BAF2_EDGE_A
    return volume_ratio(film.cell.volume_A3 / film.formula_units, edge)
