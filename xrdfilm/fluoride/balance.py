"""Conversion and bound HF of a fluoride estimate, and the film side beside the fluoride side."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.estimate import Estimate
from xrdfilm.fluoride.amount import fluoride_to_film_volume
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
    """Conversion and bound HF from the settled assumption, else from the envelope of all."""
    worst, fraction = result.worst, result.volume_fraction
    if worst is None or fraction is None:
        return result
    ratio = fluoride_to_film_volume(work, result.cell_A)

    def to_conversion(x: FloatArray) -> FloatArray:
        return conversion_of_volume_fraction(x, ratio)

    conversion = _as_told(
        mapped(fraction, to_conversion, bounds=(0.0, 1.0)), fraction, to_conversion
    )
    notes = list(result.notes)
    if result.unseen:
        names = " and ".join(ORIENTATION_NAMES[name] for name in result.unseen)
        consequence = (
            "this scan sets no limit to conversion and bound HF"
            if result.settled is None
            else "conversion and bound HF are told as if there were none"
        )
        notes.append(
            f"fluoride {names} would show in no line that could be used here, so {consequence}"
        )
    elif result.settled is None:
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

        bound = _as_told(mapped(conversion, to_hf, bounds=(0.0, None)), conversion, to_hf)
        most = bound.value if bound.value is not None else bound.high
        per_tape = None if most is None else hf_g_per_100_m(most, work.settings.tape_width_mm)
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


def _as_told(
    carried: Estimate, told: Estimate, falling: Callable[[FloatArray], FloatArray]
) -> Estimate:
    """Where only limits are told of a figure, the same limits carried on by a falling function."""
    if told.value is not None or told.low is None or told.high is None:
        return carried
    low, high = (float(x) for x in falling(np.array([told.high, told.low])))
    return replace(carried, value=None, low=low, high=high)


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
