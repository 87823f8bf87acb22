"""Where a counting plan starts: from a stack and an instrument, or from a scan at hand."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, cast

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.film import FilmAnalysis
from xrdfilm.crystal import Phase
from xrdfilm.decision.guard import Tolerance
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate
from xrdfilm.fluoride.conversion import volume_fraction_of_conversion, volume_ratio
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.planning.assurance import DEFAULT_ASSURANCE, Belief, split_sigma
from xrdfilm.planning.counting import CountingPlan, plan_counting
from xrdfilm.planning.lines import LinesOfQuantity, Sought, lines_of
from xrdfilm.simulate import SimulatedFilm, fluoride

FluorideOrientation = Literal["aligned", "aligned_111", "random"]

QUANTITIES: dict[str, tuple[Sought, str]] = {
    "fluoride_volume_fraction": ("fluoride", "aligned"),
    "fluoride_volume_fraction_aligned": ("fluoride", "aligned"),
    "fluoride_volume_fraction_random": ("fluoride", "random"),
    "conversion": ("fluoride", "aligned"),
    "a_axis_fraction": ("a_axis", "a_axis"),
}
"""Quantities that a line-by-line plan is made for: the component, and how it stands."""

_TRACE = 0.01
_COMPONENTS = {"aligned": "aligned_00l", "aligned_111": "aligned_111", "random": "random"}


@dataclass(frozen=True, slots=True)
class Rates:
    """What the instrument gives: counts/s at the top of the strongest film line, and below it."""

    counts_per_s: float
    background_per_s: float
    step_deg: float = 0.02


def as_fraction(quantity: str, value: float) -> float:
    """A limit or an expected figure as the fraction that is counted."""
    if quantity == "conversion":
        return float(volume_fraction_of_conversion(np.array([value]), volume_ratio())[0])
    return value


def as_tolerance(quantity: str, tolerance: Tolerance) -> Tolerance:
    """A limit on a quantity as one on the fraction that is counted; conversion turns round."""
    if quantity != "conversion":
        return tolerance
    low, high = tolerance.low, tolerance.high
    return Tolerance(
        None if high is None or high >= 1.0 else as_fraction(quantity, high),
        None if low is None else as_fraction(quantity, low),
    )


def check_quantity(quantity: str) -> None:
    """Raise CannotTellError for a quantity that no line-by-line plan is made for."""
    if quantity not in QUANTITIES:
        raise CannotTellError(
            f"no line-by-line plan for {quantity}; there is one for {', '.join(QUANTITIES)}"
        )


def plan_from_stack(
    stack: Stack,
    optics: Optics,
    rates: Rates,
    quantity: str,
    tolerance: Tolerance,
    risk: float,
    *,
    expected: float,
    phase: Phase,
    orientation: FluorideOrientation | None = None,
    mosaic_fwhm_deg: float = 4.0,
    model_relative: float = 0.10,
    wanted: float = DEFAULT_ASSURANCE,
    low_deg: float = 20.0,
    high_deg: float = 90.0,
) -> CountingPlan:
    """A plan for films of a stack whose figure is supposed to be ``expected``.

    Raises CannotTellError where the quantity has no lines of its own on this stack.
    """
    check_quantity(quantity)
    inner = as_tolerance(quantity, tolerance)
    centre = as_fraction(quantity, expected)
    lines = _lines(
        stack, optics, rates, quantity, inner, centre, phase, orientation, mosaic_fwhm_deg,
        low_deg, high_deg,
    )  # fmt: skip
    return plan_counting(
        lines, inner, risk, Belief(centre), quantity=quantity, wanted=wanted,
        model_relative=model_relative,
    )  # fmt: skip


def _lines(
    stack: Stack,
    optics: Optics,
    rates: Rates,
    quantity: str,
    tolerance: Tolerance,
    expected: float,
    phase: Phase,
    orientation: FluorideOrientation | None,
    mosaic: float,
    low_deg: float,
    high_deg: float,
    measured_background: tuple[FloatArray, FloatArray] | None = None,
) -> LinesOfQuantity:
    sought, standing = QUANTITIES[quantity]
    limit = tolerance.high if tolerance.high is not None else tolerance.low
    place = min(max(expected, limit or 0.0, 0.0), 0.9)
    if sought == "fluoride":
        how = orientation or cast(FluorideOrientation, standing)
        part = fluoride(phase, _TRACE, how, mosaic_fwhm_deg=mosaic)
        film = SimulatedFilm(
            stack=stack, c_axis=1.0, a_axis=0.0, random=0.0,
            c_mosaic_fwhm_deg=mosaic, a_mosaic_fwhm_deg=mosaic, minor=(part,),
        )  # fmt: skip
        component = _COMPONENTS[how]
    else:
        film = SimulatedFilm(
            stack=stack, c_axis=1.0 - _TRACE, a_axis=_TRACE, random=0.0,
            c_mosaic_fwhm_deg=mosaic, a_mosaic_fwhm_deg=mosaic,
        )  # fmt: skip
        component = "a_axis"
    return lines_of(
        film,
        optics,
        sought,
        component=component,
        expected_ratio=place / (1.0 - place),
        fluoride=phase if sought == "fluoride" else None,
        counts_per_s=rates.counts_per_s,
        background_per_s=rates.background_per_s,
        measured_background=measured_background,
        low_deg=low_deg,
        high_deg=high_deg,
        step_deg=rates.step_deg,
    )


def plan_from_scan(
    analysis: FilmAnalysis,
    estimate: Estimate,
    quantity: str,
    tolerance: Tolerance,
    risk: float,
    *,
    step_time_s: float,
    orientation: FluorideOrientation | None = None,
    wanted: float = DEFAULT_ASSURANCE,
) -> CountingPlan:
    """A plan from an analysed scan and its estimate of the quantity.

    The instrument's rates are those of the scan; where the true figure lies is what the estimate
    says, and what counting does not lessen is its part from other causes. Raises CannotTellError
    where the scan shows no film line to take the rates from.
    """
    check_quantity(quantity)
    coupled = analysis.coupled
    if coupled is None or estimate.estimate is None or estimate.sigma is None:
        raise CannotTellError(
            f"the scan gives no figure of {quantity} with its uncertainty; plan from the stack"
        )
    premises = analysis.premises
    usable = coupled.usable(premises.film.key)
    film_lines = [x for x in usable if x.significance > 10.0]
    if not film_lines:
        raise CannotTellError("the scan shows no film line; plan from the stack instead")
    strongest = max(film_lines, key=lambda x: x.area_counts_deg)
    inner = as_tolerance(quantity, tolerance)
    split = split_sigma(estimate)
    belief = Belief.of(estimate)
    if quantity == "conversion":
        belief = _belief_in_fraction(estimate)
        # the doubt of a conversion's rest is that of the fraction it was made from
        left = max(1.0 - float(estimate.estimate), 1e-6)
        relative = 0.0 if split is None else split.model_relative * float(estimate.estimate) / left
    else:
        relative = 0.0 if split is None else split.model_relative
    centre = belief.centre
    mosaic = premises.c_axis_mosaic.fwhm_deg
    axis = coupled.scan.axis_deg

    def lines_at(
        rates: Rates, measured: tuple[FloatArray, FloatArray] | None = None
    ) -> LinesOfQuantity:
        return _lines(
            premises.stack, premises.optics, rates, quantity, inner, centre, premises.fluoride,
            orientation, mosaic, float(axis[0]), float(axis[-1]), measured,
        )  # fmt: skip

    trial = lines_at(Rates(1.0, 1.0, coupled.scan.step_deg))
    same = [x for x in trial.lines if x.reflection == strongest.reflection and x.role == "film"]
    if not same:
        raise CannotTellError(
            f"{strongest.reflection}, the strongest film line of the scan, is none of the lines "
            "along the film's normal; state the orientation or plan from the stack"
        )
    counts_per_s = strongest.area_counts_deg / step_time_s / same[0].strength
    background = (axis, np.maximum(coupled.background.values, 0.0) / step_time_s)
    lines = lines_at(Rates(counts_per_s, 1.0, coupled.scan.step_deg), background)
    return plan_counting(
        lines, inner, risk, belief, quantity=quantity, wanted=wanted,
        model_relative=min(relative, 1.0),
    )  # fmt: skip


def _belief_in_fraction(estimate: Estimate) -> Belief:
    """A conversion's belief as that of the fluoride's volume fraction."""
    assert estimate.estimate is not None
    assert estimate.sigma is not None
    ratio = volume_ratio()
    at = np.array([estimate.estimate, estimate.estimate - estimate.sigma])
    x = volume_fraction_of_conversion(at, ratio)
    draws = None
    if estimate.draws is not None:
        draws = np.sort(volume_fraction_of_conversion(estimate.draws, ratio))
    return Belief(float(x[0]), abs(float(x[1] - x[0])), (0.0, 1.0), draws)
