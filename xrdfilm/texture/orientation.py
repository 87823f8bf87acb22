"""Orientation of the film from a coupled scan: one estimate from all lines that can be used.

c-axis grains show (00l), a-axis grains (h00) and (0k0), random grains every line but far weaker,
grains on a (103) face (103) and (013). A line's area is the sum over the reflections it holds and
over the components; the shares follow by weighted least squares (`xrdfilm.texture.fractions`) from
the intensity model and its uncertainty (`xrdfilm.texture.response`). Lines that the stack hides,
or that the fit could not measure, are left out and named with the reason.

`docs/methods/orientation.md` carries one ratio through by hand.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.lines import MeasuredLines, Reflection
from xrdfilm.texture.fractions import DISAGREE_BELOW, Response, Shares, solve_shares
from xrdfilm.texture.layer_lines import complete_members, label, usable_lines
from xrdfilm.texture.orientation_components import (
    candidates_of,
    fit_other,
    is_told,
    line_names,
    split_a_b,
)
from xrdfilm.texture.response import Component, ModelSpread, Mosaic, build_response

if TYPE_CHECKING:
    from xrdfilm import results

Name = Literal["c_axis", "a_axis", "random", "other"]

A_NORMAL_SHARE_SIGMA = 0.1
"""Standard uncertainty of the share of a-normal among a-axis grains, 0.5 unless stated: the
film is tetragonal when it grows, so either is equally likely but for the substrate's pull."""

_IN_WORDS = {
    "c_axis": "c-axis grains",
    "a_axis": "a-axis grains",
    "random": "random grains",
    "other": "(103)-normal grains",
}
_WHAT_WOULD_TELL = {
    "c_axis": "a scan that reaches a free (00l) line",
    "a_axis": "a tilt scan of (102) or a scan that reaches a free (h00) line",
    "random": "a scan over (103)/(110), (113) or (123)",
    "other": "an azimuth scan or a pole figure",
}


@dataclass(frozen=True, slots=True)
class LineAccount:
    """One line of the explanation.

    ``per_unit`` is the area, in counts·deg, the line would have if the whole film were that
    component; times the share it is what the component gives. ``residual_sigma`` is the
    residual over its standard uncertainty.
    """

    line: str
    two_theta_deg: float
    area_counts_deg: float
    area_sigma_counts_deg: float
    per_unit: Mapping[str, float]
    predicted_counts_deg: float
    residual_sigma: float

    def as_dict(self, shares: Mapping[str, Estimate]) -> dict[str, Any]:
        """Plain values for results.json: areas to the digits of their uncertainty."""
        from xrdfilm.results import last_place, rounded, to_place

        centre = {name: shares[name].estimate or 0.0 for name in self.per_unit if name in shares}
        place = last_place(self.area_sigma_counts_deg)
        given = {name: centre[name] * self.per_unit[name] for name in centre}
        parts: dict[str, float] = {
            name: part for name, area in given.items() if (part := to_place(area, place))
        }
        return {
            "line": self.line,
            "two_theta_deg": round(self.two_theta_deg, 4),
            "area": to_place(self.area_counts_deg, place),
            "area_sigma": rounded(self.area_sigma_counts_deg),
            "area_if_all": {n: to_place(area, place) for n, area in self.per_unit.items() if area},
            "given_by": parts,
            "predicted": to_place(float(sum(parts.values())), place),
            "residual_sigma": rounded(self.residual_sigma),
        }


@dataclass(frozen=True, slots=True)
class OrientationEstimate:
    """Shares of the film's volume by orientation.

    c_axis, a_axis, random and, where the lines call for it, other sum to 1 as unbounded
    estimates. A component of which no usable line tells is 0 to 1 without a value, and then the
    others have upper limits only. ``other`` is an upper limit where it was not fitted.
    ``scale`` is K of the intensity model. ``b_normal`` is the share of b-normal grains in the
    film where (0k0) was measured apart, else None. ``among_aligned`` holds the shares of c- and
    a-axis grains among themselves, where a tilt scan tells no more.
    """

    c_axis: Estimate
    a_axis: Estimate
    random: Estimate
    other: Estimate | None
    route: Literal["coupled", "tilt"]
    lines_used: tuple[str, ...]
    lines_left_out: tuple[tuple[str, str], ...]
    chi_square: float | None
    dof: int | None
    explanation: tuple[LineAccount, ...]
    notes: tuple[str, ...]
    scale: float | None = None
    b_normal: Estimate | None = None
    among_aligned: tuple[Estimate, Estimate] | None = None

    @property
    def shares(self) -> dict[str, Estimate]:
        """The estimates by name."""
        found = {"c_axis": self.c_axis, "a_axis": self.a_axis, "random": self.random}
        return found if self.other is None else {**found, "other": self.other}


def as_record(estimate: OrientationEstimate) -> results.Orientation:
    """The record of results.json."""
    from xrdfilm import results

    other = estimate.other
    shares = estimate.shares
    return results.Orientation(
        route=estimate.route,
        c_axis=results.Quantity.of(estimate.c_axis),
        a_axis=results.Quantity.of(estimate.a_axis),
        random=results.Quantity.of(estimate.random),
        other=None if other is None else results.Quantity.of(other),
        lines_used=list(estimate.lines_used),
        lines_left_out=[results.LeftOut(line=n, why=w) for n, w in estimate.lines_left_out],
        chi_square=estimate.chi_square,
        degrees_of_freedom=estimate.dof,
        explanation=[row.as_dict(shares) for row in estimate.explanation],
        notes=list(estimate.notes),
    )


def estimate_orientation(
    lines: MeasuredLines,
    phase: Phase,
    optics: Optics,
    stack: Stack,
    *,
    layer_index: int = 0,
    mosaics: Mapping[str, Mosaic] | None = None,
    a_normal_share: float = 0.5,
    a_normal_share_sigma: float = A_NORMAL_SHARE_SIGMA,
    spread: ModelSpread | None = None,
    absent: Sequence[Name] = (),
    with_other: bool | None = None,
    left_out: Sequence[tuple[Reflection | str, str]] = (),
    level: float = DEFAULT_LEVEL,
) -> OrientationEstimate:
    """Shares of c-axis, a-axis, random and other grains from the measured lines of the film.

    ``mosaics`` gives the out-of-plane FWHM by component name; where only c_axis is given the
    others follow it (`Mosaic.follows`). ``absent`` names components the user rules out;
    ``with_other`` True fits (103)-normal grains, None does so only where random grains cannot
    explain the lines. ``left_out`` are lines found unusable before, with the reason.
    Raises CannotTellError where no usable line is left.
    """
    usable, reasons = usable_lines(lines, phase)
    reasons = [(label(name, phase), why) for name, why in (*lines.left_out, *left_out)] + reasons
    if not usable:
        raise CannotTellError(
            f"no line of {phase.key} can be used for the orientation"
            + (": " + "; ".join(f"{n} {w}" for n, w in reasons) if reasons else "")
        )
    kept = lines.subset(usable)
    members = complete_members(kept, phase, optics)
    spread = spread or ModelSpread()
    candidates = candidates_of(mosaics or {}, a_normal_share, a_normal_share_sigma, absent)

    def response_of(components: tuple[Component, ...]) -> Response:
        return build_response(members, phase, components, optics, stack, layer_index, spread)

    main = tuple(c for c in candidates if c.name != "other")
    everything = response_of(candidates)
    rows = range(len(members))
    told = [c for c in main if is_told(c.name, everything)]
    untold = [c.name for c in main if c not in told]
    if not told:
        raise CannotTellError(
            f"the usable lines of {phase.key} ({', '.join(line_names(kept))}) tell of no "
            "orientation"
        )
    notes: list[str] = []
    columns = [everything.components.index(c.name) for c in told]
    response = everything.select(rows, columns)
    areas, covariance = kept.areas, kept.area_covariance
    shares = solve_shares(areas, covariance, response, level=level)

    b_normal = None
    split = split_a_b(kept, members, told, shares, response)
    if split is not None:
        try:
            apart = response_of(split)
            merge: dict[str, tuple[str, ...]] = {
                c.name: (c.name,) for c in told if c.name != "a_axis"
            }
            merge |= {"a_axis": ("a_normal", "b_normal"), "b_normal": ("b_normal",)}
            divided = solve_shares(areas, covariance, apart, merge=merge, level=level)
        except CannotTellError:
            split = None
        else:
            response, shares = apart, divided
            b_normal = shares.shares["b_normal"]
            notes.append("a-normal and b-normal grains are told apart by (h00) and (0k0)")
    elif any(c.name == "a_axis" for c in told):
        notes.append(
            f"a-normal grains are taken as {a_normal_share:.0%} ± {a_normal_share_sigma:.0%} of "
            "the a-axis grains, since (0k0) is not measured apart from (00l)"
        )

    other: Estimate | None = None
    if "other" not in absent and "random" not in untold and "random" not in absent:
        response, shares, other, note = fit_other(
            kept, response, shares, everything, with_other, level
        )
        notes += note
    if shares.p_value < DISAGREE_BELOW:
        notes.append(_disagreement(shares, line_names(kept)))
    for name in untold:
        notes.append(
            f"no usable line tells of {_IN_WORDS[name]}, so their share may be anything and the "
            f"others have upper limits only; {_WHAT_WOULD_TELL[name]} would tell"
        )
    found = {n: _unless(e, untold) for n, e in shares.shares.items() if n != "b_normal"}
    for name in untold:
        found[name] = Estimate(None, 0.0, 1.0, level, bounds=(0.0, 1.0))
    for name in absent:
        if name != "other":
            found[name] = Estimate(0.0, 0.0, 0.0, level, 0.0, 0.0, {}, (0.0, 1.0))
            notes.append(f"{_IN_WORDS[name]} were ruled out beforehand")
    return OrientationEstimate(
        c_axis=found["c_axis"],
        a_axis=found["a_axis"],
        random=found["random"],
        other=found.get("other", other),
        route="coupled",
        lines_used=tuple(line_names(kept)),
        lines_left_out=tuple(reasons),
        chi_square=shares.chi_square,
        dof=shares.dof,
        explanation=_explain(kept, response, shares),
        notes=tuple(notes),
        scale=float(shares.amplitudes.sum()),
        b_normal=b_normal,
    )


def _disagreement(shares: Shares, names: list[str]) -> str:
    """Which line disagrees; two that measure the same thing can only disagree with each other."""
    size = np.abs(shares.normalised_residuals)
    most = [int(i) for i in np.argsort(-size)[:2] if size[i] > 0.95 * size.max()]
    said = " against ".join(
        f"{names[i]} ({size[i]:.1f} sigma too "
        f"{'strong' if shares.normalised_residuals[i] > 0 else 'weak'})"
        for i in most
    )
    return (
        f"the lines disagree (chi-square {shares.chi_square:.1f} for {shares.dof} degrees of "
        f"freedom), most {said}; intervals are widened by {shares.widened:.1f}"
    )


def _unless(estimate: Estimate, untold: list[str]) -> Estimate:
    """With part of the film untold, a share among the rest is an upper limit."""
    if not untold:
        return estimate
    return replace(estimate, value=None, low=0.0, draws=None, sigma=None)


def _explain(lines: MeasuredLines, response: Response, shares: Shares) -> tuple[LineAccount, ...]:
    scale = float(shares.amplitudes.sum())
    merged = {"a_normal": "a_axis", "b_normal": "a_axis"}
    sigma = np.sqrt(np.diag(lines.area_covariance))
    accounts = []
    for n, (name, line) in enumerate(zip(line_names(lines), lines, strict=True)):
        per_unit: dict[str, float] = {}
        for p, component in enumerate(response.components):
            whole = merged.get(component, component)
            weight = 1.0
            if whole != component:  # as the a-axis grains are divided
                both = [
                    float(shares.amplitudes[response.components.index(c)])
                    for c in ("a_normal", "b_normal")
                ]
                weight = float(shares.amplitudes[p]) / (sum(both) or 1.0)
            area = scale * float(response.nominal[n, p]) * weight
            per_unit[whole] = per_unit.get(whole, 0.0) + area
        accounts.append(
            LineAccount(
                line=name,
                two_theta_deg=line.expected_deg,
                area_counts_deg=line.area_counts_deg,
                area_sigma_counts_deg=float(sigma[n]),
                per_unit=per_unit,
                predicted_counts_deg=float(shares.predicted[n]),
                residual_sigma=float(shares.normalised_residuals[n]),
            )
        )
    return tuple(accounts)


def fractions_of_ratio(volume_ratio: float) -> float:
    """Share of the first of two components from their volume ratio: r/(1 + r)."""
    return volume_ratio / (1.0 + volume_ratio)


def areas_per_unit(estimate: OrientationEstimate, name: str) -> FloatArray:
    """Areas (N,) of the lines used if the film were all ``name``, in counts·deg."""
    return np.array([row.per_unit.get(name, 0.0) for row in estimate.explanation])
