"""What is told of residual fluoride: the estimate, its lines, and its record."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np

from xrdfilm._typing import Hkl
from xrdfilm.estimate import Estimate, widest
from xrdfilm.fluoride.amount import (
    UnderAssumption,
    upper_limit,
)
from xrdfilm.fluoride.model import ASSUMPTIONS
from xrdfilm.fluoride.search import OrientationVerdict, Search

if TYPE_CHECKING:
    from xrdfilm.results import Fluoride

Route = Literal["reference", "structure", "index"]
ORIENTATION_NAMES = {
    "random": "random",
    "aligned_00l": "aligned (00l)",
    "aligned_111": "aligned (111)",
    "mixed": "mixed",
    "reference": "as in the reference film",
}


@dataclass(frozen=True, slots=True)
class FluorideLine:
    """One fluoride line at the reported cell; areas in counts·deg, place in degrees of 2θ.

    ``decision_area`` and ``detection_area`` are L_C and L_D of this line alone. ``use`` is
    "decides", "limits" (only from above, the place is shared) or why it is left out.
    """

    hkl: Hkl
    two_theta_deg: float
    area: float
    sigma: float
    sigma_blank: float
    decision_area: float
    detection_area: float
    background_counts: float
    use: str

    @property
    def significance(self) -> float:
        """Area over its standard uncertainty without a line."""
        return self.area / self.sigma_blank if self.sigma_blank > 0 else 0.0


def _anything(level: float) -> Estimate:
    """A volume fraction of which nothing is known."""
    draws = np.linspace(0.0, 1.0, 1025)
    sigma = float(draws.std())
    sources = {"no usable line": sigma}
    return Estimate(None, 0.0, 1.0, level, 0.5, sigma, sources, (0.0, 1.0), draws)


@dataclass(frozen=True)
class FluorideEstimate:
    """Everything the scan says of the fluoride.

    ``settled`` names the assumption that holds ("mixed" and "reference" among them), None where
    it is open; then ``conversion`` and ``hf_bound_ug_cm2`` are limits from the worst assumption.
    ``p_value`` is the probability that a film without fluoride looks as much like one with.
    """

    detected: bool
    route: Route
    settled: str | None
    p_value: float
    assumptions: tuple[UnderAssumption, ...]
    conversion: Estimate | None
    hf_bound_ug_cm2: Estimate | None
    hf_g_per_100_m: float | None
    cell_A: Estimate | None
    index: Estimate | None
    lines: tuple[FluorideLine, ...]
    searched: Search
    orientation: OrientationVerdict | None
    fwhm_factor: float
    notes: tuple[str, ...]
    advice: tuple[str, ...] = ()

    def under(self, name: str) -> UnderAssumption | None:
        """The figures under one assumption, or None where its lines cannot be used."""
        return next((a for a in self.assumptions if a.name == name), None)

    @property
    def aligned(self) -> UnderAssumption | None:
        """Fluoride aligned like the film: (00l), unless the lines say (111)."""
        if self.settled in ("aligned_111", "reference", "mixed"):
            return self.under(self.settled)
        return self.under("aligned_00l")

    @property
    def worst(self) -> UnderAssumption | None:
        """The settled assumption, else the one under which most fluoride may be there."""
        if self.settled is not None:
            return self.under(self.settled)
        open_ = [a for a in self.assumptions if a.volume_fraction is not None]
        return max(open_, key=upper_limit, default=None)

    @cached_property
    def volume_fraction(self) -> Estimate | None:
        """The volume fraction whatever the orientation: of the settled assumption, else of all.

        While it is open, the figure is only as low as the lowest and only as high as the highest
        of the assumptions have it: a limit is kept or broken only if each of them says so. One
        whose lines are all hidden allows anything.
        """
        chosen = self.worst
        if chosen is None or self.settled is not None:
            return None if chosen is None else chosen.volume_fraction
        known = [a.volume_fraction for a in self.assumptions if a.volume_fraction is not None]
        return widest([*known, _anything(known[0].level)] if self.unseen else known)

    @property
    def unseen(self) -> tuple[str, ...]:
        """Assumptions none of whose lines could be used: fluoride that stands so would not show."""
        if self.settled == "reference":
            return ()
        return tuple(name for name in ASSUMPTIONS if self.under(name) is None)

    def record(self) -> Fluoride:
        """The record for results.json.

        Where the orientation is settled, the assumption that does not hold gets no figure; the
        figure of a mixture, or of a reference film, stands under both.
        """
        from xrdfilm.results import Fluoride, Quantity

        aligned, loose = self.aligned, self.under("random")
        told_aligned: UnderAssumption | None = aligned
        told_random: UnderAssumption | None = loose
        if self.settled in ("mixed", "reference"):
            told_random = aligned
        elif self.settled == "random":
            told_aligned = None
        elif self.settled is not None:
            told_random = None

        def quantity(estimate: Estimate | None) -> Quantity | None:
            return None if estimate is None else Quantity.of(estimate)

        return Fluoride(
            detected=self.detected,
            route=self.route,
            volume_fraction_aligned=quantity(
                told_aligned.volume_fraction if told_aligned else None
            ),
            volume_fraction_random=quantity(told_random.volume_fraction if told_random else None),
            conversion=quantity(self.conversion),
            detection_limit_aligned=aligned.detection_limit if aligned else None,
            detection_limit_random=loose.detection_limit if loose else None,
            cell_A=quantity(self.cell_A),
            hf_bound_ug_cm2=quantity(self.hf_bound_ug_cm2),
            orientation=ORIENTATION_NAMES.get(self.settled) if self.settled else None,
            index=quantity(self.index),
            notes=list(self.notes),
            advice=list(self.advice),
        )
