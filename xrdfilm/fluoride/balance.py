"""Conversion and bound HF of a fluoride estimate, and the film side beside the fluoride side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.estimate import Estimate
from xrdfilm.fluoride.amount import (
    fluoride_to_film_volume,
    upper_limit,
)
from xrdfilm.fluoride.conversion import (
    RelativeArea,
    bound_hf_ug_cm2,
    compare_sides,
    conversion_of_volume_fraction,
    film_side,
    hf_g_per_100_m,
    mapped,
)
from xrdfilm.fluoride.result import ORIENTATION_NAMES, FluorideEstimate
from xrdfilm.fluoride.setup import (
    FluorideWork,
    ReferenceFilms,
)
from xrdfilm.lines import MeasuredLines
from xrdfilm.safety import HF_CAUTION


def with_conversion(
    result: FluorideEstimate,
    work: FluorideWork,
    references: ReferenceFilms | None,
    film_lines: MeasuredLines,
) -> FluorideEstimate:
    """Conversion and bound HF from the settled assumption, else a limit from the worst.

    While the orientation is open the distribution behind the limit is the envelope of all.
    """
    worst = result.worst
    if worst is None or worst.volume_fraction is None:
        return result
    ratio = fluoride_to_film_volume(work, result.cell_A)
    fraction = result.volume_fraction or worst.volume_fraction
    conversion = mapped(
        fraction, lambda v: conversion_of_volume_fraction(v, ratio), bounds=(0.0, 1.0)
    )
    notes = list(result.notes)
    if result.settled is None or fraction.value is None:
        low = float(
            conversion_of_volume_fraction(
                np.array([min(max(upper_limit(worst), 0.0), 1.0)]), ratio
            )[0]
        )
        conversion = replace(conversion, value=None, low=low, high=1.0)
    if result.settled is None:
        notes.append(
            "conversion and bound HF are limits for "
            f"{ORIENTATION_NAMES[worst.name]} fluoride, the case that hides most"
        )
    thickness = work.stack.film.thickness_nm
    bound: Estimate | None = None
    per_tape: float | None = None
    if thickness is not None:
        film = work.stack.film.phase
        unit = film.cell.volume_A3 / film.formula_units

        def to_hf(x: FloatArray) -> FloatArray:
            return bound_hf_ug_cm2(x, thickness, unit)

        bound = mapped(conversion, to_hf, bounds=(0.0, None))
        highest = float(to_hf(np.array([conversion.low or 0.0]))[0])
        if conversion.value is None:
            bound = replace(bound, value=None, low=0.0, high=highest)
        per_tape = hf_g_per_100_m(
            bound.value if bound.value is not None else highest, work.settings.tape_width_mm
        )
        notes.append(HF_CAUTION)
    if references is not None:
        notes.extend(_film_side_notes(conversion, references, film_lines))
    return replace(
        result,
        conversion=conversion,
        hf_bound_ug_cm2=bound,
        hf_g_per_100_m=per_tape,
        notes=tuple(notes),
    )


def _film_side_notes(
    conversion: Estimate, references: ReferenceFilms, film_lines: MeasuredLines
) -> list[str]:
    """The film side's conversion, and the reasons why it may differ."""
    for line in film_lines:
        finished = references.finished.get(line.reflection.hkl)
        if finished is None:
            continue
        here = RelativeArea.of(
            line.area_counts_deg,
            line.area_sigma_counts_deg,
            references.normaliser,
            references.normaliser_sigma,
        )
        grown = film_side(here, finished)
        text = f"film side, {line.reflection}: conversion {grown.estimate:.3f} ± {grown.sigma:.3f}"
        compared = compare_sides(conversion, grown)
        if compared.agree:
            return [text + ", in agreement with the fluoride side"]
        return [text + "; it disagrees with the fluoride side. May be:", *compared.reasons]
    return []
