"""HF that a line sets free, and the hydroxide that neutralises it: bookkeeping, with cautions.

From stoichiometry alone: every formula unit of film gives 4 HF in growth; pyrolysis of an ink in
which all metals are trifluoroacetates gives at most 35 of its 39 fluorine atoms, as HF and as
fluorocarbon gases. This is no design of exhaust, scrubber or alarm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from xrdfilm.fluoride.conversion import HF_PER_FILM_UNIT, YBCO_CELL_A3, growth_hf_g_m2
from xrdfilm.safety import (
    FURNACE_CAUTION,
    HF_CAUTION,
    HF_LIMITS,
    LOCAL_CODES,
    SCRUBBER_CAUTION,
    ExposureLimit,
    dilution_air_m3,
    hf_gas_volume_L,
    sodium_hydroxide_g,
)

FLUORINE_PER_TRIFLUOROACETATE = 3
CATION_CHARGE = 3 + 2 * 2 + 3 * 2  # Y³⁺, 2 Ba²⁺, 3 Cu²⁺: trifluoroacetates a formula unit
FLUORINE_IN_INK = FLUORINE_PER_TRIFLUOROACETATE * CATION_CHARGE  # 39
FLUORINE_IN_PYROLYSIS = FLUORINE_IN_INK - int(HF_PER_FILM_UNIT)  # 35: the rest stays as 2 BaF2

PYROLYSIS_BOUND = (
    "The figure for pyrolysis is an upper bound: 35 of the 39 fluorine atoms a formula unit of an "
    "all-trifluoroacetate ink, counted as HF. Part of it leaves as fluorocarbon gases, which are "
    "harmful too and which a hydroxide scrubber does not hold."
)

NOT_A_DESIGN = (
    "This is bookkeeping of fluorine from the film's composition. It is no design of exhaust, "
    "scrubber, ventilation or alarm, which need licensed practice, a safety margin for upsets, and "
    "measurement in the duct. " + LOCAL_CODES
)


@dataclass(frozen=True, slots=True)
class FluorineFlow:
    """What one step sets free in an hour: HF in g and litres at 25 °C, NaOH to neutralise it in g.

    ``upper_bound`` marks a figure that counts all fluorine as HF though part leaves as other gas.
    """

    step: str
    hf_g_h: float
    hf_L_h: float
    sodium_hydroxide_g_h: float
    upper_bound: bool

    def air_m3_h(self, limit: ExposureLimit) -> float | None:
        """Air that would dilute it to a published limit; None for limits on dust."""
        return None if limit.ppm is None else dilution_air_m3(self.hf_g_h, limit.ppm)


@dataclass(frozen=True, slots=True)
class ExhaustPlan:
    """HF of a line: ``area_m2_h`` of tape an hour, its flows, dated limits and cautions."""

    speed_m_h: float
    width_mm: float
    thickness_nm: float
    sides: int
    area_m2_h: float
    growth: FluorineFlow
    pyrolysis: FluorineFlow
    limits: tuple[ExposureLimit, ...]
    cautions: tuple[str, ...]


def plan_exhaust(
    *,
    speed_m_h: float,
    width_mm: float,
    thickness_nm: float,
    sides: int = 1,
    film_unit_A3: float = YBCO_CELL_A3,
    fluorine_in_pyrolysis: float = FLUORINE_IN_PYROLYSIS,
) -> ExhaustPlan:
    """HF an hour in growth and, as an upper bound, in pyrolysis.

    ``thickness_nm`` is that of the dense finished film; ``fluorine_in_pyrolysis`` the fluorine
    atoms a formula unit that leave before growth (35 for an all-trifluoroacetate ink, less for a
    low-fluorine ink). Raises ValueError for what is not positive.
    """
    for name, value in (
        ("speed", speed_m_h), ("width", width_mm), ("thickness", thickness_nm),
    ):  # fmt: skip
        if not (math.isfinite(value) and value > 0.0):
            raise ValueError(f"{name} must be above 0, found {value:g}")
    if sides not in (1, 2):
        raise ValueError(f"a tape is coated on 1 or 2 sides, found {sides}")
    if not 0.0 <= fluorine_in_pyrolysis <= FLUORINE_IN_PYROLYSIS:
        raise ValueError(
            f"fluorine in pyrolysis lies between 0 and {FLUORINE_IN_PYROLYSIS} atoms a formula "
            f"unit, found {fluorine_in_pyrolysis:g}"
        )
    area = speed_m_h * width_mm * 1e-3 * sides
    growth = growth_hf_g_m2(thickness_nm, film_unit_A3) * area
    return ExhaustPlan(
        speed_m_h,
        width_mm,
        thickness_nm,
        sides,
        area,
        _flow("growth", growth, upper_bound=False),
        _flow("pyrolysis", growth * fluorine_in_pyrolysis / HF_PER_FILM_UNIT, upper_bound=True),
        tuple(limit for limit in HF_LIMITS if limit.ppm is not None),
        _cautions(),
    )


def _cautions() -> tuple[str, ...]:
    """The cautions beside the figures; what defers to local codes is said once, at the end."""
    hf = HF_CAUTION.replace(
        "The next firing in wet gas would set this hydrogen fluoride free.",
        "Growth sets this hydrogen fluoride free, pyrolysis more.",
    )
    parts = (hf, PYROLYSIS_BOUND, SCRUBBER_CAUTION, FURNACE_CAUTION)
    return (*(part.replace(LOCAL_CODES, "").strip() for part in parts), NOT_A_DESIGN)


def _flow(step: str, hf_g_h: float, *, upper_bound: bool) -> FluorineFlow:
    return FluorineFlow(
        step, hf_g_h, hf_gas_volume_L(hf_g_h), sodium_hydroxide_g(hf_g_h), upper_bound
    )
