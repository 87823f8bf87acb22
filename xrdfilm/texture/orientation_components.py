"""Which orientations of grains a film's lines can hold apart, and what of the rest can be said."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from xrdfilm._typing import Hkl
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate
from xrdfilm.intensity.model import Orientation, a_axis, c_axis, other_103, random
from xrdfilm.lines import MeasuredLine, MeasuredLines
from xrdfilm.texture.fractions import DISAGREE_BELOW, Response, Shares, solve_shares
from xrdfilm.texture.response import Component, Mosaic


def candidates_of(
    mosaics: Mapping[str, Mosaic], share: float, share_sigma: float, absent: Sequence[str]
) -> tuple[Component, ...]:
    """The components with their mosaics, but for those ruled out."""
    unknown = set(mosaics) - {"c_axis", "a_axis", "other"}
    if unknown:
        raise ValueError(f"no component is called {', '.join(sorted(unknown))}")
    c = mosaics.get("c_axis", Mosaic())
    a = mosaics.get("a_axis", c.follows())
    other = mosaics.get("other", c.follows())
    found = (
        Component(c_axis(c.fwhm_deg), c.factor, c.measured),
        Component(a_axis(a.fwhm_deg, share), a.factor, a.measured, share_sigma),
        Component(random()),
        Component(
            replace(other_103(other.fwhm_deg), name="other"), other.factor, other.measured, 0.1
        ),
    )
    return tuple(component for component in found if component.name not in absent)


def is_told(name: str, response: Response) -> bool:
    """Whether a usable line tells of a component: of random grains one that is theirs alone."""
    column = response.nominal[:, response.components.index(name)]
    if name != "random":
        return bool(np.any(column > 0.0))
    aligned = [i for i, c in enumerate(response.components) if c in ("c_axis", "a_axis")]
    alone = ~np.any(response.nominal[:, aligned] > 0.0, axis=1)
    return bool(np.any(alone & (column > 0.0)))


def split_a_b(
    lines: MeasuredLines,
    members: tuple[tuple[Hkl, ...], ...],
    told: list[Component],
    shares: Shares,
    response: Response,
) -> tuple[Component, ...] | None:
    """a-normal and b-normal as two components, where (0k0) is measured well enough on its own."""
    component = next((c for c in told if c.name == "a_axis"), None)
    if component is None:
        return None
    column = response.components.index("a_axis")

    def rows(axis: int) -> list[int]:
        def along(hkl: Hkl, i: int) -> bool:
            return hkl[i] != 0 and all(hkl[j] == 0 for j in range(3) if j != i)

        return [
            n
            for n, line in enumerate(members)
            if any(along(m, axis) for m in line) and not any(along(m, 2) for m in line)
        ]

    a_rows, b_rows = rows(0), rows(1)
    if not a_rows or not b_rows or set(a_rows) == set(b_rows):
        return None
    expected = response.nominal[:, column] * max(float(shares.amplitudes[column]), 0.0)
    sigma = np.sqrt(np.diag(lines.area_covariance))
    # worth it where the line says more than the assumed equal shares do
    if not any(sigma[n] < 2.0 * component.share_sigma * expected[n] for n in b_rows):
        return None
    normal = {"a_normal": (1, 0, 0), "b_normal": (0, 1, 0)}
    apart = [
        Component(
            Orientation(name, ((hkl, 1.0),), component.orientation.mosaic_fwhm_deg),
            component.mosaic_factor,
            component.measured,
        )
        for name, hkl in normal.items()
    ]
    return (*(c for c in told if c.name != "a_axis"), *apart)


def fit_other(
    lines: MeasuredLines,
    response: Response,
    shares: Shares,
    everything: Response,
    wanted: bool | None,
    level: float,
) -> tuple[Response, Shares, Estimate | None, list[str]]:
    """Fit (103)-normal grains where asked for or called for, else give their upper limit."""
    column = everything.components.index("other")
    answers = everything.nominal[:, column]
    if not np.any(answers > 0.0):
        return response, shares, None, []
    random_column = everything.nominal[:, everything.components.index("random")]
    separable = bool(np.any((answers == 0.0) & (random_column > 0.0))) and len(lines) > len(
        response.components
    )
    called_for = wanted is True or (wanted is None and shares.p_value < DISAGREE_BELOW)
    if called_for and separable:
        names = [*response.components, "other"]
        if "a_normal" not in names:
            full = everything.select(
                range(len(lines)), [i for i, c in enumerate(everything.components) if c in names]
            )
            try:
                fitted = solve_shares(lines.areas, lines.area_covariance, full, level=level)
            except CannotTellError:
                fitted = None
            gain = shares.chi_square - (fitted.chi_square if fitted else np.inf)
            if fitted is not None and (wanted is True or gain > 6.6):
                return (
                    full,
                    fitted,
                    fitted.shares["other"],
                    ["(103)-normal grains are fitted along with random ones"],
                )
    # all of the strongest such line put down to other grains gives their limit
    at = int(np.argmax(answers))
    limit = shares.shares["random"].high or 0.0
    ratio = float(random_column[at] / answers[at])
    high = float(min(1.0, limit * ratio * 2.0))
    note = (
        f"(103)-normal grains would show on {line_names(lines)[at]} as random ones do, only "
        f"stronger: they make up less than {high:.2g} of the film"
    )
    return response, shares, Estimate(None, 0.0, high, level, None, None, {}, (0.0, 1.0)), [note]


def line_names(lines: MeasuredLines) -> list[str]:
    """Indices of the lines, blends joined by a stroke."""
    return [_line_name(line) for line in lines]


def _line_name(line: MeasuredLine) -> str:
    return "/".join(str(m).split(" ", 1)[1] for m in line.members[:3])
