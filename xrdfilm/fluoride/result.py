"""What is told of residual fluoride: the estimate, its lines, and its record."""

from __future__ import annotations

from collections.abc import Sequence
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
from xrdfilm.fluoride.amplitude import OrientationVerdict
from xrdfilm.fluoride.model import ASSUMPTIONS
from xrdfilm.fluoride.search import Search

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


def _anything_above(known: Sequence[Estimate]) -> Estimate:
    """A volume fraction of which only the least is known."""
    low = min(e.low or 0.0 for e in known)
    draws = np.linspace(low, 1.0, 1025)
    sigma = float(draws.std())
    sources = {"no usable line": sigma}
    middle = 0.5 * (low + 1.0)
    return Estimate(None, low, 1.0, known[0].level, middle, sigma, sources, (0.0, 1.0), draws)


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
    def possible(self) -> tuple[str, ...]:
        """The assumptions that may hold: the settled one, those the line ratios leave, or all."""
        if self.settled is not None:
            return (self.settled,)
        known = tuple(a.name for a in self.assumptions)
        left = self.orientation.fitting if self.orientation is not None else ()
        return tuple(name for name in known if name in left) or known

    @property
    def aligned(self) -> UnderAssumption | None:
        """Fluoride aligned like the film: (00l), unless the lines say (111).

        The settled figure where the orientation is settled, whatever it is. Where the line ratios
        leave both alignments, the one under which more may be there; None where an alignment that
        is left has no line that could be used.
        """
        if self.settled is not None:
            return self.under(self.settled)
        if not self.detected:
            return self.under("aligned_00l")
        if any(name.startswith("aligned") for name in self.unseen):
            return None
        left = [a for n in self.possible if n.startswith("aligned") and (a := self.under(n))]
        return max(left, key=upper_limit, default=None)

    @property
    def random(self) -> UnderAssumption | None:
        """Random fluoride; the settled figure where the orientation is settled, whatever it is.

        None where the line ratios refuse random grains and leave the alignment open.
        """
        name = self.settled or "random"
        return self.under(name) if name in self.possible else None

    @property
    def worst(self) -> UnderAssumption | None:
        """The settled assumption, else the one under which most fluoride may be there."""
        left = [a for n in self.possible if (a := self.under(n)) and a.volume_fraction is not None]
        return max(left, key=upper_limit, default=None)

    @cached_property
    def volume_fraction(self) -> Estimate | None:
        """The volume fraction whatever the orientation: of the settled assumption, else of all.

        While it is open, the figure is only as low as the lowest and only as high as the highest
        of the assumptions that may hold have it: a limit is kept or broken only if each of them
        says so. One whose lines are all hidden allows anything more.
        """
        left = [a.volume_fraction for n in self.possible if (a := self.under(n)) is not None]
        known = [estimate for estimate in left if estimate is not None]
        if self.settled is not None or not known:
            return known[0] if known else None
        return widest([*known, _anything_above(known)] if self.unseen else known)

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

        aligned, loose = self.aligned, self.random
        told_aligned: UnderAssumption | None = aligned
        told_random: UnderAssumption | None = loose
        limit_of = aligned if aligned and aligned.name != "random" else self.under("aligned_00l")
        random_limit_of = self.under("random")
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
            detection_limit_aligned=limit_of.detection_limit if limit_of else None,
            detection_limit_random=random_limit_of.detection_limit if random_limit_of else None,
            cell_A=quantity(self.cell_A),
            hf_bound_ug_cm2=quantity(self.hf_bound_ug_cm2),
            orientation=ORIENTATION_NAMES.get(self.settled) if self.settled else None,
            index=quantity(self.index),
            notes=list(self.notes),
            advice=list(self.advice),
        )
