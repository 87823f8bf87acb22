"""Fluoride and products of one film: what their amounts rest on, put together from its fits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy.special import ndtri

from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.analysis.leftover import fluoride_places
from xrdfilm.analysis.premises import Premises
from xrdfilm.analysis.references import MeasuredReferences
from xrdfilm.errors import CannotTellError, XrdfilmError
from xrdfilm.fluoride.estimate import FluorideEstimate, FluorideSettings, estimate_fluoride
from xrdfilm.fluoride.model import ModelDoubt
from xrdfilm.fluoride.products import ProductSearch
from xrdfilm.intensity.model import Orientation
from xrdfilm.texture.orientation import OrientationEstimate
from xrdfilm.texture.response import Mosaic


def model_doubt(
    premises: Premises, mosaics: Mapping[str, Mosaic], orientation: OrientationEstimate | None
) -> ModelDoubt:
    """What the amounts of minor phases take for granted, as the premises and shares state it.

    The fluoride's mosaic is known to the stated factor where it was stated itself.
    """
    own, usual = premises.fluoride_mosaic, ModelDoubt().fluoride_mosaic_factor
    return ModelDoubt(
        mosaic_factor=mosaics["c_axis"].factor,
        fluoride_mosaic_factor=usual if own == premises.c_axis_mosaic else min(usual, own.factor),
        thickness=premises.thickness_uncertainty,
        orientation=_share_doubt(orientation),
    )


def _share_doubt(orientation: OrientationEstimate | None) -> float:
    """How well the c-axis share tells the film's whole volume from its (00l): a relative sigma.

    From the interval's ends, since a small share may be off by a factor; without the part of the
    mosaics, which amounts doubt by themselves.
    """
    if orientation is None:
        return 1.0
    share = orientation.c_axis
    low, high = max(share.low or 0.0, 0.02), min(share.high or 1.0, 1.0)
    spread = float(np.log(max(high / low, 1.0))) / (2.0 * float(ndtri(0.5 + share.level / 2.0)))
    by_mosaic = share.sources.get("mosaic", 0.0) / share.sigma if share.sigma else 0.0
    return spread * float(np.sqrt(max(1.0 - by_mosaic**2, 0.0)))


def fluoride_of(
    coupled: CoupledFit,
    components: Sequence[tuple[Orientation, float]],
    doubt: ModelDoubt,
    references: MeasuredReferences | None,
    why_not: dict[str, str],
    warnings: list[str],
) -> FluorideEstimate | None:
    """What the scan tells of the fluoride; None, with the reason in ``why_not``."""
    premises = coupled.premises
    own = premises.fluoride_mosaic
    settings = FluorideSettings(
        alpha=premises.false_alarm_risk,
        beta=premises.miss_risk,
        instrument_fwhm_deg=premises.instrument_fwhm_deg,
        tape_width_mm=premises.tape_width_mm,
        fluoride_mosaic_deg=None if own == premises.c_axis_mosaic else own.fwhm_deg,
        doubt=doubt,
        left_out=premises.adjustments.excluded_hkl(premises.fluoride.key),
    )
    seen_from_here = None
    if references is not None:
        try:
            seen_from_here = references.for_film(coupled)
        except CannotTellError as problem:
            warnings.append(f"reference films not used: {problem}")
    try:
        return estimate_fluoride(
            coupled.aligned_scan(),
            coupled.usable(premises.film.key),
            components,
            premises.stack,
            premises.optics,
            settings,
            phase=premises.fluoride,
            references=seen_from_here,
            shapes=coupled.shapes,
            spacings=coupled.spacings,
        )
    except XrdfilmError as problem:
        for name in ("fluoride_volume_fraction", "conversion", "hf_bound_ug_cm2"):
            why_not[name] = str(problem)
        return None


def product_search(
    coupled: CoupledFit,
    components: Sequence[tuple[Orientation, float]],
    doubt: ModelDoubt,
    fluoride: FluorideEstimate | None,
) -> ProductSearch:
    """What the search for reaction products needs to know of the film."""
    premises = coupled.premises
    taken = fluoride_places(coupled, fluoride)
    return ProductSearch(
        coupled.aligned_scan(),
        coupled.usable(premises.film.key),
        components,
        premises.stack,
        premises.optics,
        alpha=premises.false_alarm_risk,
        instrument_fwhm_deg=premises.instrument_fwhm_deg,
        doubt=doubt,
        taken_deg=tuple(taken.tolist()),
        shapes=coupled.shapes,
        spacings=coupled.spacings,
    )
