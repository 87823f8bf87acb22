"""Leftovers and reaction products: found, or not above how much.

Oxides that did not react (CuO, Y2O3), phases off composition (Y2BaCuO5, BaCuO2, Y2Cu2O5), carbonate
from air or ink, and what film and buffer or tape make of each other (BaCeO3, NiO, NiWO4). Each is
looked for at its strongest lines that nothing of the stack hides, as random grains in the film;
the amount leans on that, and says so. The risk of a false alarm is stated for all of them
together.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate, from_draws
from xrdfilm.fluoride.model import (
    FilmAmplitude,
    ModelDoubt,
    film_amplitude,
    ratio_draws,
    volume_fraction_of_ratio,
)
from xrdfilm.fluoride.product_lines import (
    CLEAR_DEG,
    ProductLine,
    ProductSearch,
    main_places_deg,
    measure_lines,
    possible_products,
)
from xrdfilm.intensity.model import Orientation
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.lines import MeasuredLines
from xrdfilm.scan import Scan

if TYPE_CHECKING:
    from xrdfilm.results import PhaseFinding


@dataclass(frozen=True, slots=True)
class ProductFinding:
    """Whether a product shows, by which lines, and what is not above which share.

    ``volume_fraction`` is V/(V + V(film)) as random grains, with a value where detected, else a
    limit; None where nothing relates it to the film. ``significance`` is that of all lines
    together.
    """

    phase: str
    detected: bool
    significance: float
    lines: tuple[ProductLine, ...]
    volume_fraction: Estimate | None
    note: str

    def record(self) -> PhaseFinding:
        """The record for results.json."""
        from xrdfilm.results import PhaseFinding, Quantity

        shown = [line for line in self.lines if line.significance > 2.0] if self.detected else []
        return PhaseFinding(
            phase=self.phase,
            detected=self.detected,
            lines=["({}{}{}) {:.2f}°".format(*line.hkl, line.two_theta_deg) for line in shown],
            note=self.note,
            volume_fraction=None
            if self.volume_fraction is None
            else Quantity.of(self.volume_fraction),
        )


__all__ = [
    "ProductFinding",
    "ProductLine",
    "ProductSearch",
    "find_products",
    "main_places_deg",
    "one_sided",
    "possible_products",
    "search_products",
    "stands_elsewhere",
]


def find_products(
    scan: Scan,
    film_lines: MeasuredLines,
    components: Sequence[tuple[Orientation, float]],
    stack: Stack,
    optics: Optics,
    **more: Any,
) -> tuple[ProductFinding, ...]:
    """Look for products in one scan; ``more`` are further fields of `ProductSearch`."""
    return search_products([ProductSearch(scan, film_lines, components, stack, optics, **more)])[0]


def search_products(searches: Sequence[ProductSearch]) -> list[tuple[ProductFinding, ...]]:
    """Look for each product in each scan; the lines of all scans are fitted together."""
    wanted = [
        (i, phase)
        for i, search in enumerate(searches)
        for phase in search.phases()
        if not phase.cell_only
    ]
    lines = iter(measure_lines(searches, wanted))
    return [_findings(search, lines) for search in searches]


def _findings(
    search: ProductSearch, lines: Iterator[tuple[ProductLine, ...]]
) -> tuple[ProductFinding, ...]:
    """What is found in one scan; ``lines`` gives those of its next phase with line strengths."""
    film: FilmAmplitude | None
    stack, optics = search.stack, search.optics
    try:
        film = film_amplitude(search.film_lines, stack.film.phase, search.components, optics, stack)
    except CannotTellError:
        film = None
    phases = search.phases()
    found: list[ProductFinding] = []
    for phase in phases:
        if phase.cell_only:
            found.append(
                ProductFinding(
                    phase.key,
                    False,
                    0.0,
                    (),
                    None,
                    "not judged: only its cell is on file, not its atoms, so no line strengths",
                )
            )
            continue
        alpha = search.alpha / len(phases)
        found.append(
            _judge(phase, next(lines), film, stack, optics, alpha, search.level, search.doubt)
        )
    return _without_borrowed(found)


def _judge(
    phase: Phase,
    lines: tuple[ProductLine, ...],
    film: FilmAmplitude | None,
    stack: Stack,
    optics: Optics,
    alpha: float,
    level: float,
    doubt: ModelDoubt,
) -> ProductFinding:
    if not lines:
        return ProductFinding(
            phase.key, False, 0.0, (), None,
            "cannot be judged: every strong line is hidden or outside the scan",
        )  # fmt: skip
    strength = np.array([line.strength for line in lines])
    areas = np.array([line.area for line in lines])
    variance = np.square([line.sigma for line in lines])
    weights = strength / variance
    scale = float(weights @ strength)
    value, sigma = float(weights @ areas) / scale, 1.0 / float(np.sqrt(scale))
    together = value / sigma
    single = max(line.significance for line in lines)
    # one question a line and one for all together share the risk
    threshold = float(ndtri(1.0 - alpha / (len(lines) + 1)))
    detected = together > threshold or single > threshold
    strong = [line for line in lines if line.significance > max(3.0, 0.3 * single)]
    fraction: Estimate | None = None
    if film is not None:
        fraction = _fraction(
            phase, lines, weights, value, sigma, film, stack, optics, level, doubt, detected
        )
    if detected:
        note = "found by " + ", ".join(
            "({}{}{}) at {:.2f}°".format(*line.hkl, line.two_theta_deg) for line in strong or lines
        )
        residual = float(np.sum(np.square(areas - value * strength) / variance))
        if len(lines) > 1 and residual > len(lines) + 6.0 * np.sqrt(2.0 * len(lines)):
            note += "; the line ratios are not those of random grains, so the amount is a guess"
    elif fraction is not None and fraction.high is not None:
        note = f"not above {100 * fraction.high:.2g} % of volume, if its grains are random"
    else:
        note = "not seen"
    return ProductFinding(phase.key, detected, together, lines, fraction, note)


def _fraction(
    phase: Phase,
    lines: tuple[ProductLine, ...],
    weights: FloatArray,
    value: float,
    sigma: float,
    film: FilmAmplitude,
    stack: Stack,
    optics: Optics,
    level: float,
    doubt: ModelDoubt,
    detected: bool,
) -> Estimate:
    hkl = tuple(line.hkl for line in lines)
    draws = ratio_draws("random", phase, hkl, weights, film, 1.0, optics, stack, doubt)
    sample = (value + sigma * draws.counting) * draws.factor
    sample = sample / (film.value * np.maximum(1.0 + film.sigma / film.value * draws.film, 0.05))
    ratio = value / film.value
    slope = 1.0 / (1.0 + max(ratio, 0.0)) ** 2
    estimate = from_draws(
        float(volume_fraction_of_ratio(np.array([ratio]))[0]),
        volume_fraction_of_ratio(sample),
        level=level,
        bounds=(0.0, 1.0),
        sources={
            "counting": slope * sigma / film.value,
            **{cause: abs(slope * ratio) * s for cause, s in draws.sigma_log.items()},
        },
    )
    return estimate if detected else one_sided(estimate)


def one_sided(estimate: Estimate) -> Estimate:
    """What is not detected has no value, only a limit; the estimate stays beside it."""
    from dataclasses import replace

    if estimate.value is None or estimate.draws is None:
        return estimate
    ranks = np.linspace(0.0, 1.0, estimate.draws.size)  # the draws are sorted
    high = float(np.interp(estimate.level, ranks, estimate.draws))
    return replace(estimate, value=None, low=0.0, high=min(max(high, 0.0), 1.0))


def _without_borrowed(found: Sequence[ProductFinding]) -> tuple[ProductFinding, ...]:
    """Take back a finding whose strong lines can all be those of a better founded one."""
    from dataclasses import replace

    def strong(finding: ProductFinding) -> list[ProductLine]:
        return [line for line in finding.lines if line.significance > 3.0]

    result: list[ProductFinding] = []
    for finding in found:
        mine = strong(finding)
        better = next(
            (
                other
                for other in found
                if finding.detected
                and other is not finding
                and other.detected
                and len(strong(other)) > len(mine)
                and all(
                    any(abs(a.two_theta_deg - b.two_theta_deg) < 0.3 for b in strong(other))
                    for a in mine
                )
            ),
            None,
        )
        if better is None:
            result.append(finding)
            continue
        fraction = finding.volume_fraction
        result.append(
            replace(
                finding,
                detected=False,
                volume_fraction=None if fraction is None else one_sided(fraction),
                note=f"its lines can all be those of {better.phase}; not told apart",
            )
        )
    return tuple(result)


def stands_elsewhere(
    scan: Scan,
    phase: Phase,
    places_deg: Sequence[float],
    stack: Stack,
    optics: Optics,
    instrument_fwhm_deg: float,
) -> tuple[str, float]:
    """Whether a phase that could explain the lines at ``places_deg`` shows at its other lines.

    Returns "present", "absent" or "open" with the significance of its other lines: "absent" when
    they would have to show, were the lines at the places its own, and do not.
    """
    near: Callable[[float], bool] = lambda at: any(abs(at - p) < CLEAR_DEG for p in places_deg)  # noqa: E731
    nothing = MeasuredLines((), np.zeros((0, 0)))
    search = ProductSearch(
        scan, nothing, (), stack, optics, instrument_fwhm_deg=instrument_fwhm_deg
    )
    (lines,) = measure_lines([search], [(0, phase)])
    here = [line for line in lines if near(line.two_theta_deg)]
    there = [line for line in lines if not near(line.two_theta_deg)]
    if not there or not here:
        return "open", 0.0
    strength = np.array([line.strength for line in there])
    variance = np.square([line.sigma for line in there])
    areas = np.array([line.area for line in there])
    scale = float(strength @ (strength / variance))
    value, sigma = float(strength @ (areas / variance)) / scale, 1.0 / float(np.sqrt(scale))
    if value > 3.0 * sigma:
        return "present", value / sigma
    claimed = max(line.area / line.strength for line in here)
    if claimed - value > 3.0 * np.hypot(sigma, 0.3 * claimed):
        return "absent", value / sigma
    return "open", value / sigma
