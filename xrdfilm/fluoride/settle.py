"""What would settle an open question about fluoride: which line, how long, which tilt.

Where counting noise rules, what can be seen shrinks with the root of the counting time; where the
orientation is open, no time helps and another measurement does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from xrdfilm._typing import Hkl
from xrdfilm.fluoride.amount import UnderAssumption
from xrdfilm.fluoride.model import FLUORIDE_LINES
from xrdfilm.fluoride.result import FluorideEstimate
from xrdfilm.intensity.optics import Optics
from xrdfilm.numbers import number

LONGEST_FACTOR = 1000.0  # beyond this, counting longer is no plan


@dataclass(frozen=True, slots=True)
class Counting:
    """Counting on one line: by what factor longer, over which angles, and how long a step."""

    hkl: Hkl
    low_deg: float
    high_deg: float
    factor: float
    step_time_s: float | None


@lru_cache(maxsize=64)
def pole_angles_deg(normal: Hkl, line: Hkl) -> tuple[float, ...]:
    """Tilts χ in degrees, 0 to 90, at which a line shows of cubic grains with ``normal`` up."""
    from itertools import permutations, product

    up = np.array(normal, dtype=float) / np.linalg.norm(normal)
    members = {
        tuple(sign * index for sign, index in zip(signs, order, strict=True))
        for order in permutations(line)
        for signs in product((1, -1), repeat=3)
    }
    rows = np.array(sorted(members), dtype=float)
    cosines = np.abs(rows @ up) / np.linalg.norm(rows, axis=1)
    angles = np.degrees(np.arccos(np.clip(cosines, 0.0, 1.0)))
    return tuple(float(angle) for angle in np.unique(np.round(angles, 6)))


def counting_for(
    assumption: UnderAssumption, estimate: FluorideEstimate, wanted: float, optics: Optics
) -> Counting | None:
    """Counting that brings the detection limit down to ``wanted`` (volume fraction).

    On the line that tells most under this assumption, alone. None where the scan already reaches
    it or no line could. The limit falls with the root of the time while background rules.
    """
    limit = assumption.detection_limit
    if limit is None or not 0.0 < wanted < 1.0 or limit <= wanted:
        return None
    deciding = {row.hkl for row in estimate.lines if row.use == "decides"}
    told = assumption.amplitude.weights * assumption.amplitude.strengths
    told = np.where([hkl in deciding for hkl in FLUORIDE_LINES], told, 0.0)
    if not told.sum() > 0.0:
        return None
    best = int(np.argmax(told))
    ratio = limit / (1.0 - limit) / (wanted / (1.0 - wanted)) if limit < 1.0 else np.inf
    factor = float(ratio**2 * told.sum() / told[best])
    line = next((row for row in estimate.lines if row.hkl == FLUORIDE_LINES[best]), None)
    if line is None:
        return None
    now = optics.step_time_s
    return Counting(
        line.hkl,
        line.two_theta_deg - 0.8,
        line.two_theta_deg + 0.8,
        factor,
        None if now is None else now * factor,
    )


def advice(estimate: FluorideEstimate, optics: Optics, *, wanted: float = 0.01) -> tuple[str, ...]:
    """What would decide whether there is more fluoride than ``wanted``, as sentences.

    Empty where the scan decides it already.
    """
    worst, interval = estimate.worst, estimate.volume_fraction
    if interval is not None and interval.high is not None and interval.high <= wanted:
        return ()
    if interval is not None and interval.low is not None and interval.low > wanted:
        return ()
    told: list[str] = []
    if worst is None or interval is None:
        return (
            "measure a line of the film that stands alone, or an unconverted film of the same "
            "stack as reference: without either, areas cannot become fractions",
        )
    counting = counting_for(worst, estimate, wanted, optics)
    if counting is not None:
        told.append(_counting_sentence(counting, worst.name, wanted))
    if estimate.settled is None:
        told.append(
            "an unconverted film of the same stack as reference settles the orientation without "
            "assuming one, and costs one scan"
        )
        told.extend(_tilt_sentences(estimate))
    shared = [line for line in estimate.lines if line.use.startswith("shared")]
    if (shared or "aligned_00l" in estimate.unseen) and not any(
        line.hkl == (4, 0, 0) and line.use == "decides" for line in estimate.lines
    ):
        told.append(
            "extend the scan to 63°: fluoride (400) near 59.6° tells aligned fluoride where (200) "
            "shares its place"
        )
    return tuple(told)


def _counting_sentence(counting: Counting, name: str, wanted: float) -> str:
    what = "random" if name == "random" else "this"
    goal = f"{what} fluoride of {100 * wanted:g} % of volume"
    if counting.factor > LONGEST_FACTOR:
        return (
            f"counting longer does not help: {goal} would take {number(counting.factor, 2)} times "
            "the time on its best line"
        )
    text = (
        f"to see {goal}, count {number(counting.factor, 2)} times as long on "
        f"{'({}{}{})'.format(*counting.hkl)} alone, "
        f"{counting.low_deg:.1f} to {counting.high_deg:.1f}°"
    )
    if counting.step_time_s is not None:
        text += f" ({number(counting.step_time_s, 2)} s a step)"
    return text


def _tilt_sentences(estimate: FluorideEstimate) -> Sequence[str]:
    tilt = pole_angles_deg((0, 0, 1), (1, 1, 1))[0]
    second = pole_angles_deg((1, 1, 1), (1, 1, 1))[1]
    line = next((row for row in estimate.lines if row.hkl == (1, 1, 1)), None)
    at = f"{line.two_theta_deg:.2f}°" if line is not None else "24.85°"
    return (
        f"fluoride (111) at 2θ = {at}, sample tilted by χ = {tilt:.1f}° and turned about its "
        "normal: four spots mean (00l) alignment, an even ring random grains; aligned (111) shows "
        f"at χ = 0 and {second:.1f}°",
    )
