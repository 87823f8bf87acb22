"""Reference films: the same stack, measured alike, in a known state.

An unconverted film tells what the fluoride lines were before growth, a finished one what the film
lines come to. Both are brought to the film at hand by the area of a line that neither growth nor
texture changes: the strongest unsaturated line of the substrate, else of a buffer.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from xrdfilm._typing import Hkl
from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.errors import CannotTellError
from xrdfilm.fluoride.conversion import RelativeArea
from xrdfilm.fluoride.setup import ReferenceFilms
from xrdfilm.lines import MeasuredLine, Reflection

if TYPE_CHECKING:
    from xrdfilm.fluoride.result import FluorideEstimate

_SPOILED = {"core_excluded", "cut_off", "no_covariance", "not_converged", "at_bound"}


@dataclass(frozen=True, slots=True, eq=False)
class MeasuredReferences:
    """The reference films of a run as measured; areas in counts·deg.

    ``unconverted`` maps fluoride lines and ``finished`` film lines to their areas over that of
    the line ``normaliser``.
    """

    normaliser: Reflection
    unconverted: dict[Hkl, RelativeArea]
    finished: dict[Hkl, RelativeArea]

    def for_film(self, fit: CoupledFit) -> ReferenceFilms:
        """The references as seen from a film; raises CannotTellError where the film's own
        normalising line cannot be used."""
        line = _line_of(fit, self.normaliser)
        return ReferenceFilms(
            unconverted=self.unconverted,
            normaliser=line.area_counts_deg,
            normaliser_sigma=line.area_sigma_counts_deg,
            finished=self.finished,
        )


def measure_references(
    unconverted: tuple[CoupledFit, FluorideEstimate] | None, finished: CoupledFit | None
) -> MeasuredReferences:
    """Reference areas from the analysed reference scans.

    Raises CannotTellError where none was given, or they share no line to normalise by.
    """
    fits = [fit for fit in (unconverted[0] if unconverted else None, finished) if fit is not None]
    if not fits:
        raise CannotTellError("no reference film was given")
    normaliser = _normaliser(fits[0])
    fluoride: dict[Hkl, RelativeArea] = {}
    film: dict[Hkl, RelativeArea] = {}
    if unconverted is not None:
        fit, estimate = unconverted
        if not estimate.detected:
            raise CannotTellError(
                "the unconverted reference shows no fluoride; is it a pyrolysed or quenched film?"
            )
        base = _line_of(fit, normaliser)
        fluoride = {
            line.hkl: RelativeArea.of(
                line.area, line.sigma, base.area_counts_deg, base.area_sigma_counts_deg
            )
            for line in estimate.lines
            if line.area > 0.0
        }
    if finished is not None:
        base = _line_of(finished, normaliser)
        film = {
            line.reflection.hkl: RelativeArea.of(
                line.area_counts_deg,
                line.area_sigma_counts_deg,
                base.area_counts_deg,
                base.area_sigma_counts_deg,
            )
            for line in finished.usable(finished.premises.film.key)
            if line.significance > 10.0
        }
    return MeasuredReferences(normaliser, fluoride, film)


def _normaliser(fit: CoupledFit) -> Reflection:
    candidates = [
        (laid.role == "substrate", line.area_counts_deg, line)
        for line, laid in zip(fit.lines, fit.laid, strict=True)
        if laid.role in ("substrate", "buffer")
        and laid.certain
        and laid.ghost is None
        and len(line.members) == 1
        and _sound(line)
    ]
    if not candidates:
        raise CannotTellError(
            "no unsaturated line of substrate or buffer to normalise the reference film by"
        )
    return max(candidates, key=lambda item: item[:2])[2].reflection


def _line_of(fit: CoupledFit, reflection: Reflection) -> MeasuredLine:
    line = fit.lines.find(reflection.phase, reflection.hkl)
    if line is None or not _sound(line):
        raise CannotTellError(
            f"{reflection}, by which the reference films are normalised, cannot be used in this "
            "scan (missing, saturated or too weak)"
        )
    return line


def _sound(line: MeasuredLine) -> bool:
    return line.significance > 20.0 and not _SPOILED & set(line.flags)
