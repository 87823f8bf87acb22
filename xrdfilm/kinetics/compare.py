"""Which growth model the films speak for, by a criterion that punishes parameters, or none.

The criterion is Akaike's with the small-sample term, from the deviance divided by the scatter
beyond the stated uncertainties (QAICc: Burnham and Anderson, Model Selection and Multimodel
Inference, 2nd ed. 2002, ch. 2, from memory). A model is told only where its weight among all is
at least `SURE`; else the answer is that the films cannot tell, and figures are given over all
models that are not yet excluded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from xrdfilm.estimate import DEFAULT_LEVEL, Estimate
from xrdfilm.kinetics.fit import GrowthFit, fit_growth
from xrdfilm.kinetics.models import MODELS, GrowthModel
from xrdfilm.kinetics.series import Series
from xrdfilm.numbers import fixed, number

SURE = 0.95
"""Least weight of a model that is told (calibrated in benchmarks/series_study.py)."""

EXCLUDED = 0.02
"""A model of less weight is not counted among the possible ones."""


@dataclass(frozen=True, slots=True)
class RankedModel:
    """A fitted model with its criterion, the difference to the lowest, and its weight 0..1."""

    fit: GrowthFit
    criterion: float
    difference: float
    weight: float


@dataclass(frozen=True, slots=True)
class Comparison:
    """All models, best first, and which one the films speak for (None: they cannot tell).

    ``dispersion`` is the scatter beyond the stated uncertainties, in squares; ``fits`` is False
    where not even the best model agrees with the films. ``speed_nm_s``, ``incubation_s`` and
    ``end_s`` are those of the told model, else the best's with the hull of the intervals of all
    models that are possible.
    """

    ranked: tuple[RankedModel, ...]
    preferred: GrowthModel | None
    dispersion: float
    fits: bool
    text: str
    rate_per_s: Estimate
    speed_nm_s: Estimate | None
    incubation_s: Estimate
    end_s: Estimate

    @property
    def best(self) -> GrowthFit:
        """The fit with the lowest criterion."""
        return self.ranked[0].fit

    @property
    def possible(self) -> tuple[RankedModel, ...]:
        """The told model alone, else all that are not excluded."""
        if self.preferred is not None:
            return self.ranked[:1]
        return tuple(item for item in self.ranked if item.weight >= EXCLUDED)

    def of(self, name: str) -> GrowthFit:
        """The fit of a model by its name."""
        return next(item.fit for item in self.ranked if item.fit.model.name == name)


def criterion(deviance: float, parameters: int, points: int) -> float:
    """AICc from a deviance; infinite where there are too few points for the small-sample term."""
    spare = points - parameters - 1
    if spare <= 0:
        return math.inf
    return deviance + 2.0 * parameters + 2.0 * parameters * (parameters + 1) / spare


def compare_models(
    series: Series | Sequence[Series],
    models: Sequence[GrowthModel] = MODELS,
    *,
    level: float = DEFAULT_LEVEL,
) -> Comparison:
    """Fit all models and tell which one the films speak for.

    Raises CannotTellError where the series is too poor for any curve.
    """
    fits = [fit_growth(series, model, level=level, dispersion=1.0) for model in models]
    points = sum(len(one.points) for one in fits[0].series)
    best = min(fits, key=lambda fit: fit.deviance / max(fit.degrees_of_freedom, 1))
    dispersion = 1.0
    if not best.fits and best.degrees_of_freedom > 0:
        dispersion = best.deviance / best.degrees_of_freedom
        fits = [fit_growth(series, model, level=level, dispersion=dispersion) for model in models]
    values = [criterion(f.deviance / dispersion, f.model.parameters, points) for f in fits]
    lowest = min(values)
    shares = [math.exp(-0.5 * (value - lowest)) for value in values]
    total = sum(shares)
    ranked = tuple(
        sorted(
            (
                RankedModel(fit, value, value - lowest, share / total)
                for fit, value, share in zip(fits, values, shares, strict=True)
            ),
            key=lambda item: item.criterion,
        )
    )
    told = ranked[0].weight >= SURE
    preferred = ranked[0].fit.model if told else None
    possible = ranked[:1] if told else tuple(r for r in ranked if r.weight >= EXCLUDED)
    kept = [item.fit for item in possible]
    speeds = [fit.speed_nm_s for fit in kept]
    return Comparison(
        ranked,
        preferred,
        dispersion,
        best.fits,
        _text(ranked, preferred, dispersion),
        _hull([fit.rate_per_s for fit in kept]),
        None if any(s is None for s in speeds) else _hull([s for s in speeds if s is not None]),
        _hull([fit.incubation_s for fit in kept]),
        _hull([fit.end_s for fit in kept]),
    )


def _hull(estimates: Sequence[Estimate]) -> Estimate:
    """The first estimate with the hull of all intervals; a side open in one is open in all."""
    first = estimates[0]
    if len(estimates) == 1:
        return first
    lows, highs = [e.low for e in estimates], [e.high for e in estimates]
    low = None if any(x is None for x in lows) else min(x for x in lows if x is not None)
    high = None if any(x is None for x in highs) else max(x for x in highs if x is not None)
    value = None if any(e.value is None for e in estimates) else first.value
    sigma = None if low is None or high is None else (high - low) / (2.0 * 1.959964)
    return Estimate(value, low, high, first.level, first.estimate, sigma, bounds=first.bounds)


def _text(ranked: Sequence[RankedModel], preferred: GrowthModel | None, dispersion: float) -> str:
    scatter = (
        f" The films scatter {number(math.sqrt(dispersion), 2)} times as much as their "
        "uncertainties say; the intervals are widened by as much."
        if dispersion > 1.0
        else ""
    )
    if preferred is not None:
        second = ranked[1]
        return (
            f"The films speak for {preferred.label}: {preferred.meaning}. The next best, "
            f"{second.fit.model.label}, is {fixed(second.difference, 1)} units of AICc behind."
            + scatter
        )
    names = [item.fit.model.label for item in ranked if item.weight >= EXCLUDED]
    listed = names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]
    return (
        f"The films cannot tell the growth models apart: {listed} remain possible. More films on "
        "the rising part of the curve, most of all near its beginning and its end, would tell."
        + scatter
    )
