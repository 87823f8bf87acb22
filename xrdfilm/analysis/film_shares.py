"""How a film's volume is shared out among its orientations, by the best route its scans offer."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.analysis.leftover import fluoride_places
from xrdfilm.analysis.side_scans import SideResults
from xrdfilm.errors import XrdfilmError
from xrdfilm.estimate import Estimate
from xrdfilm.fluoride.estimate import FluorideEstimate
from xrdfilm.intensity.model import Orientation, a_axis, c_axis, other_103, random
from xrdfilm.lines import Reflection
from xrdfilm.texture.orientation import OrientationEstimate, estimate_orientation
from xrdfilm.texture.response import ModelSpread, Mosaic
from xrdfilm.texture.tilt import with_random


def orientation_by_lines(
    coupled: CoupledFit,
    mosaics: Mapping[str, Mosaic],
    why_not: dict[str, str],
    without: frozenset[Reflection],
) -> OrientationEstimate | None:
    """Shares by the coupled lines but for ``without``; None, with the reason in ``why_not``."""
    premises = coupled.premises
    lines = coupled.usable(premises.film.key)
    free = lines.subset([i for i, line in enumerate(lines) if not without & set(line.members)])
    counted = {member for line in free for member in line.members}
    left_out = [(r, why) for r, why in coupled.prepared.layout.left_out if r not in counted]
    left_out += [(r, "a line of the fluoride that was found lies there") for r in sorted(without)]
    try:
        return estimate_orientation(
            free,
            premises.film,
            premises.optics,
            premises.stack,
            mosaics=mosaics,
            a_normal_share=premises.a_normal_share,
            spread=ModelSpread(thickness=premises.thickness_uncertainty),
            left_out=left_out,
        )
    except XrdfilmError as problem:
        for name in ("c_axis_fraction", "a_axis_fraction", "random_fraction"):
            why_not[name] = str(problem)
        return None


def best_route(
    side: SideResults, by_lines: OrientationEstimate | None
) -> OrientationEstimate | None:
    """The tilt route where there is a tilt scan; random grains from the lines if it sees none."""
    if side.tilt is None:
        return by_lines
    tilted = side.tilt.orientation
    if by_lines is None or side.tilt.stated.background_counts is not None:
        return tilted
    return with_random(tilted, by_lines.random)


def components_of(
    orientation: OrientationEstimate | None, mosaics: Mapping[str, Mosaic]
) -> list[tuple[Orientation, float]]:
    """The film's components with their shares, cut to 0..1 and adding up to 1."""
    c = mosaics["c_axis"]
    a = mosaics.get("a_axis", c.follows())
    if orientation is None:
        return [(c_axis(c.fwhm_deg), 1.0)]

    def share(estimate: Estimate | None) -> float:
        centre = None if estimate is None else estimate.centre
        return 0.0 if centre is None else float(np.clip(centre, 0.0, 1.0))

    found = [
        (c_axis(c.fwhm_deg), share(orientation.c_axis)),
        (a_axis(a.fwhm_deg), share(orientation.a_axis)),
        (random(), share(orientation.random)),
        (other_103(c.fwhm_deg), share(orientation.other)),
    ]
    total = sum(part for _, part in found)
    if total <= 0.0:
        return [(c_axis(c.fwhm_deg), 1.0)]
    return [(what, part / total) for what, part in found]


def beside_fluoride(
    coupled: CoupledFit, fluoride: FluorideEstimate | None
) -> frozenset[Reflection]:
    """Lines of the film's random grains that lie where a detected fluoride has a line."""
    places = fluoride_places(coupled, fluoride)
    if not places.size:
        return frozenset()
    correct = coupled.alignment.correct
    return frozenset(
        line.reflection
        for line in coupled.usable(coupled.premises.film.key)
        if sum(i != 0 for i in line.reflection.hkl) > 1
        and np.min(np.abs(places - correct(line.two_theta_deg))) < max(0.25, 2.0 * line.fwhm_deg)
    )
