"""Reference films: the same stack, measured alike, in a known state.

An unconverted film tells what the fluoride lines were before growth, a finished one what the film
lines come to. Both are brought to the film at hand by the area of a line that neither growth nor
texture changes: a line of the substrate, else of a buffer, that stands sound in all scans
concerned. Of several the one known best is taken, film by film.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from xrdfilm._typing import Hkl
from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.analysis.laid_lines import LaidLine
from xrdfilm.errors import CannotTellError
from xrdfilm.fluoride.conversion import RelativeArea
from xrdfilm.fluoride.setup import ReferenceFilms
from xrdfilm.lines import MeasuredLine, Reflection

if TYPE_CHECKING:
    from xrdfilm.fluoride.result import FluorideEstimate

_SPOILED = {
    "core_excluded": "the detector was full at its top",
    "cut_off": "the end of the scan cuts it off",
    "no_covariance": "its fit gave no uncertainty",
    "not_converged": "its fit did not settle",
    "at_bound": "its fit stands at a bound",
}
_STANDS_OUT = 20.0  # significance from which a line may be divided by
_SHOWS = 3.0  # standard uncertainties from which a line of a reference is one
_COUNTED = ("decides", "limits")  # uses of a fluoride line whose area is the fluoride's alone

Area = tuple[float, float]
"""Area of a line and its standard uncertainty, counts·deg."""


@dataclass(frozen=True, slots=True)
class ReferenceScan:
    """A reference film as measured: areas of its telling lines, and of those to divide by.

    ``lines`` are fluoride lines of an unconverted film, film lines of a finished one;
    ``normalisers`` those of substrate and buffers, the substrate's before, strongest first.
    """

    lines: Mapping[Hkl, Area]
    normalisers: Mapping[Reflection, Area]

    def over(self, normaliser: Reflection) -> dict[Hkl, RelativeArea]:
        """Areas over that of a normalising line."""
        base = self.normalisers[normaliser]
        return {hkl: RelativeArea.of(*area, *base) for hkl, area in self.lines.items()}


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredReferences:
    """The reference films of a run as measured; None for one that was not given."""

    unconverted: ReferenceScan | None
    finished: ReferenceScan | None

    def for_film(self, fit: CoupledFit) -> ReferenceFilms:
        """The references as seen from a film; raises CannotTellError, with the lines and reasons,
        where no line that the reference films can be divided by is sound in the film's scan."""
        given = [scan for scan in (self.unconverted, self.finished) if scan is not None]
        shared = [r for r in given[0].normalisers if all(r in s.normalisers for s in given)]
        here = {laid.reflection: line for line, laid in _layer_lines(fit)}
        sound: list[tuple[float, Reflection]] = []
        reasons: list[str] = []
        substrate = fit.premises.stack.substrate
        for reflection in shared:
            line = here.get(reflection)
            why = "it was not fitted" if line is None else _why_not(line)
            if line is None or why is not None:
                reasons.append(f"{reflection}: {why}")
                continue
            areas = [(line.area_counts_deg, line.area_sigma_counts_deg)]
            areas += [scan.normalisers[reflection] for scan in given]
            doubt = float(np.sqrt(sum((sigma / area) ** 2 for area, sigma in areas)))
            is_buffer = substrate is None or reflection.phase != substrate.phase.key
            sound.append((doubt + is_buffer, reflection))
        if not sound:
            raise CannotTellError(
                "no line that the reference films can be divided by is sound in this scan ("
                + "; ".join(reasons)
                + ")"
            )
        best = min(sound, key=lambda item: item[0])[1]
        return ReferenceFilms(
            unconverted={} if self.unconverted is None else self.unconverted.over(best),
            normaliser=here[best].area_counts_deg,
            normaliser_sigma=here[best].area_sigma_counts_deg,
            finished={} if self.finished is None else self.finished.over(best),
        )


def measure_references(
    unconverted: tuple[CoupledFit, FluorideEstimate] | None, finished: CoupledFit | None
) -> MeasuredReferences:
    """Reference areas from the analysed reference scans.

    Raises CannotTellError where none was given, the unconverted one shows no fluoride, one has no
    line to divide by, or they share none.
    """
    before: ReferenceScan | None = None
    after: ReferenceScan | None = None
    if unconverted is not None:
        fit, estimate = unconverted
        # lines that do not show tell nothing of what is left, and those that others hide or may
        # own are not the fluoride's
        shown = {
            line.hkl: (line.area, line.sigma)
            for line in estimate.lines
            if line.use in _COUNTED and line.area > _SHOWS * line.sigma
        }
        if not estimate.detected or not shown:
            raise CannotTellError(
                "the unconverted reference shows no fluoride; is it a pyrolysed or quenched film?"
            )
        before = ReferenceScan(shown, _normalisers(fit, "unconverted"))
    if finished is not None:
        film = {
            line.reflection.hkl: (line.area_counts_deg, line.area_sigma_counts_deg)
            for line in finished.usable(finished.premises.film.key)
            if line.significance > 10.0
        }
        after = ReferenceScan(film, _normalisers(finished, "finished"))
    if before is None and after is None:
        raise CannotTellError("no reference film was given")
    if (
        before is not None
        and after is not None
        and not set(before.normalisers) & set(after.normalisers)
    ):
        raise CannotTellError(
            "the reference films share no line to divide by: the unconverted one has "
            f"{_names(before)}, the finished one {_names(after)}"
        )
    return MeasuredReferences(before, after)


def _names(scan: ReferenceScan) -> str:
    return ", ".join(str(reflection) for reflection in scan.normalisers)


def _normalisers(fit: CoupledFit, state: str) -> dict[Reflection, Area]:
    """Lines of substrate and buffers to divide by; raises CannotTellError where there is none."""
    found = list(_layer_lines(fit))
    sound = [(line, laid) for line, laid in found if _why_not(line) is None]
    if not sound:
        told = "; ".join(f"{laid.reflection}: {_why_not(line)}" for line, laid in found)
        raise CannotTellError(
            f"the {state} reference has no line of substrate or buffer to divide by"
            + (f" ({told})" if told else "")
        )
    sound.sort(key=lambda pair: (pair[1].role != "substrate", -pair[0].area_counts_deg))
    return {
        laid.reflection: (line.area_counts_deg, line.area_sigma_counts_deg) for line, laid in sound
    }


def _layer_lines(fit: CoupledFit) -> Iterator[tuple[MeasuredLine, LaidLine]]:
    """Lines that the layers below the film are sure to show; their ghosts bear the same name."""
    for line, laid in zip(fit.lines, fit.laid, strict=True):
        below = laid.role in ("substrate", "buffer")
        if below and laid.certain and laid.ghost is None and len(line.members) == 1:
            yield line, laid


def _why_not(line: MeasuredLine) -> str | None:
    """Why a line cannot be divided by; None where it can."""
    for flag in line.flags:
        if flag in _SPOILED:
            return _SPOILED[flag]
    if not line.significance > _STANDS_OUT:
        return f"too weak, at {line.significance:.1f} standard uncertainties"
    if not line.area_counts_deg > 3.0 * line.area_sigma_counts_deg:
        return "its area is hardly known, so near do other lines stand"
    return None
