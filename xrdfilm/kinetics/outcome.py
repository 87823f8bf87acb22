"""What a series tells: models compared on each side, the sides held together, the headline.

Where fluoride side and film side agree film by film, both enter one fit; where they do not, each
is told by itself with what the difference may come from, and neither is preferred.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtrc, ndtr

from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import Estimate, from_normal
from xrdfilm.fluoride.conversion import compare_sides
from xrdfilm.kinetics.compare import Comparison, compare_models
from xrdfilm.kinetics.series import SIDE_WORDS, Series, Side
from xrdfilm.numbers import number

DISAGREE = 0.01
"""Sides are told to differ where chance gives such differences less often than this."""


@dataclass(frozen=True, slots=True)
class SeriesOutcome:
    """The outcome of one series.

    ``sides`` holds the series, ``comparisons`` the models compared on each side and, where the
    sides agree, on "both". ``headline`` names the comparison whose figures are told, None where
    the sides differ. ``agree`` is None where there is only one side.
    """

    name: str
    sides: Mapping[Side, Series]
    comparisons: Mapping[Side, Comparison]
    headline: Side | None
    agree: bool | None
    agreement: str
    notes: tuple[str, ...]
    gas: Mapping[str, float]

    @property
    def told(self) -> Comparison | None:
        """The comparison whose figures are told."""
        return None if self.headline is None else self.comparisons[self.headline]

    def record(self) -> dict[str, Any]:
        """The outcome as plain values for JSON; times in s, speeds in nm/s."""
        return {
            "schema": "xrdfilm-series/1",
            "name": self.name,
            "gas": dict(self.gas),
            "headline": self.headline,
            "sides_agree": self.agree,
            "agreement": self.agreement,
            "thickness_nm": next(iter(self.sides.values())).thickness_nm,
            "sides": {
                side: {
                    "shared_sigma": series.shared_sigma,
                    "points": [
                        {
                            "film": p.film,
                            "time_s": p.time_s,
                            "conversion": p.conversion,
                            "sigma": p.sigma,
                            "limit": None if p.censor == "none" else p.censor,
                        }
                        for p in series.points
                    ],
                }
                for side, series in self.sides.items()
            },
            "fits": {side: _comparison(c) for side, c in self.comparisons.items()},
            "notes": list(self.notes),
        }


def _comparison(c: Comparison) -> dict[str, Any]:
    return {
        "model": None if c.preferred is None else c.preferred.name,
        "text": c.text,
        "scatter": float(np.sqrt(c.dispersion)),
        "growth_rate_nm_s": _quantity(c.speed_nm_s),
        "conversion_rate_per_s": _quantity(c.rate_per_s),
        "incubation_s": _quantity(c.incubation_s),
        "end_of_conversion_s": _quantity(c.end_s),
        "models": [
            {
                "name": r.fit.model.name,
                "label": r.fit.model.label,
                "aicc": r.criterion if np.isfinite(r.criterion) else None,
                "difference": r.difference if np.isfinite(r.difference) else None,
                "weight": r.weight,
                "chi_square": r.fit.deviance,
                "degrees_of_freedom": r.fit.degrees_of_freedom,
                "p_value": r.fit.p_value,
                "t0_s": r.fit.t0_s,
                "span_s": r.fit.span_s,
                "exponent": r.fit.exponent,
                "growth_rate_nm_s": _quantity(r.fit.speed_nm_s),
                "incubation_s": _quantity(r.fit.incubation_s),
                "end_of_conversion_s": _quantity(r.fit.end_s),
            }
            for r in c.ranked
        ],
    }


def _quantity(estimate: Estimate | None) -> dict[str, float | None] | None:
    if estimate is None:
        return None
    return {
        "value": estimate.value,
        "low": estimate.low,
        "high": estimate.high,
        "level": estimate.level,
        "estimate": estimate.estimate,
    }


def evaluate(
    sides: Mapping[Side, Series],
    *,
    name: str = "",
    notes: tuple[str, ...] = (),
    gas: Mapping[str, float] | None = None,
) -> SeriesOutcome:
    """Compare the growth models on each side and, where they agree, on both together.

    Raises CannotTellError where no side carries a curve.
    """
    comparisons: dict[Side, Comparison] = {}
    told = list(notes)
    for side, series in sides.items():
        told += series.notes
        try:
            comparisons[side] = compare_models(series)
        except CannotTellError as problem:
            told.append(str(problem))
    if not comparisons:
        raise CannotTellError("; ".join(told[len(notes) :]) or "the series is empty")
    agree: bool | None = None
    agreement = ""
    headline: Side | None = next(iter(comparisons))
    if len(comparisons) == 2:
        agree, agreement = _agreement(sides["fluoride"], sides["film"])
        headline = None
        if agree:
            comparisons["both"] = compare_models([sides["fluoride"], sides["film"]])
            headline = "both"
    else:
        agreement = f"Only the {SIDE_WORDS[next(iter(comparisons))]} could be followed."
    return SeriesOutcome(
        name, dict(sides), comparisons, headline, agree, agreement, tuple(told), dict(gas or {})
    )


def _agreement(fluoride: Series, film: Series) -> tuple[bool, str]:
    """Whether the sides tell the same conversions, film by film, and what is to be said of it."""
    by_name = {p.film: p for p in film.points if p.censor == "none"}
    pairs = [(p, by_name[p.film]) for p in fluoride.points if p.film in by_name and not _at(p)]
    if not pairs:
        return True, "No film was measured on both sides, so the sides could not be compared."
    gap = np.array([a.conversion - b.conversion for a, b in pairs])
    own = np.array([np.hypot(a.sigma, b.sigma) for a, b in pairs])
    left = np.array([1.0 - a.conversion for a, _ in pairs]) * fluoride.shared_sigma
    grown = np.array([b.conversion for _, b in pairs]) * film.shared_sigma
    covariance = np.diag(own**2) + np.outer(left, left) + np.outer(grown, grown)
    chi2 = float(gap @ np.linalg.solve(covariance, gap))
    apart = np.abs(gap) / np.sqrt(np.diag(covariance))
    # all films together, and the worst of them by itself, each at half the level
    p_all, p_worst = float(chdtrc(gap.size, chi2)), 2.0 * gap.size * float(ndtr(-apart.max()))
    if min(p_all, p_worst) >= 0.5 * DISAGREE:
        return True, (
            f"Fluoride side and film side agree on {gap.size} films (chi-square {number(chi2, 3)} "
            f"for {gap.size}); both enter the fit."
        )
    worst = int(np.argmax(apart))
    a, b = pairs[worst]
    reasons = compare_sides(
        from_normal(a.conversion, a.sigma), from_normal(b.conversion, b.sigma)
    ).reasons
    return False, (
        f"Fluoride side and film side differ (chi-square {number(chi2, 3)} for {gap.size} films), "
        f"most at {a.film or number(a.time_s) + ' s'}: {number(a.conversion, 3)} by the fluoride, "
        f"{number(b.conversion, 3)} by the film. It may be "
        + "; or ".join(reasons or ("scatter from film to film",))
        + "."
    )


def _at(point: Any) -> bool:
    return bool(point.censor != "none")
