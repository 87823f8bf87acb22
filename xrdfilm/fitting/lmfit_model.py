"""The same window as an lmfit model: the readable reference of the fast engine, and a toy to play.

    window = as_lmfit(spec, radiation, two_theta_deg)
    result = fit_counts(window, two_theta_deg, counts)        # lmfit's ModelResult
    print(result.fit_report())

Parameters are named ``line0_area``, ``line0_place``, ``line0_fwhm``, ``line0_mixing``,
``line0_skew``, ... and
``background_c0``, ...; change, fix or tie them as lmfit's manual tells. M. Newville et al., LMFIT:
Non-linear least-squares minimization and curve-fitting for Python.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.fitting.detection import doublet_constants
from xrdfilm.fitting.profile import doublet
from xrdfilm.fitting.windows import SKEW_RANGE, WIDTH_RANGE, LineSpec, WindowSpec

if TYPE_CHECKING:
    import lmfit

    from xrdfilm.crystal.radiation import Radiation


@dataclass(frozen=True, slots=True)
class LmfitWindow:
    """A window's model and its parameters with start values, bounds and ties."""

    model: lmfit.Model
    parameters: lmfit.Parameters
    low_deg: float
    high_deg: float
    excluded: tuple[tuple[float, float], ...] = field(default=())

    def inside(self, two_theta_deg: FloatArray) -> FloatArray:
        """Mask (N,) of the points that the window fits."""
        x = np.asarray(two_theta_deg)
        keep = (x >= self.low_deg) & (x <= self.high_deg)
        for low, high in self.excluded:
            keep &= ~((x >= low) & (x <= high))
        return np.asarray(keep)


def as_lmfit(window: WindowSpec, radiation: Radiation, two_theta_deg: FloatArray) -> LmfitWindow:
    """Build the lmfit model of a window; the axis (N,) sets the coordinate of its background."""
    import lmfit

    x = np.asarray(two_theta_deg, dtype=float)
    out = LmfitWindow(None, lmfit.Parameters(), window.low_deg, window.high_deg, window.excluded)
    inside = x[out.inside(x)]
    middle = float(inside[0] + inside[-1]) / 2.0
    half = float(inside[-1] - inside[0]) / 2.0
    n_terms = window.background_degree + 1

    def background(x: FloatArray, c0: float, c1: float = 0.0, c2: float = 0.0) -> FloatArray:
        t = (x - middle) / half
        return np.asarray(c0 + t * (c1 + t * c2))

    model = lmfit.Model(background, prefix="background_")
    for i, line in enumerate(window.lines):
        model = model + lmfit.Model(_line(line, radiation), prefix=f"line{i}_")
    parameters = model.make_params()
    for term in range(3):
        parameters[f"background_c{term}"].set(value=0.0, vary=term < n_terms)
    groups: dict[tuple[str, str], int] = {}
    for i, line in enumerate(window.lines):
        _set_line(parameters, i, line, window.lines, groups)
    return LmfitWindow(model, parameters, window.low_deg, window.high_deg, window.excluded)


def fit_counts(
    window: LmfitWindow,
    two_theta_deg: FloatArray,
    counts: FloatArray,
    *,
    sigma: FloatArray | None = None,
    rounds: int = 12,
    **fit_options: Any,
) -> Any:
    """Fit one scan (N,): least squares with the given sigma, else towards the Poisson maximum.

    Weights come from the model of the round before, until nothing moves: the fixed point solves
    the likelihood equations. Returns lmfit's ModelResult of the last round.
    """
    keep = window.inside(two_theta_deg)
    x, y = np.asarray(two_theta_deg, float)[keep], np.asarray(counts, float)[keep]
    parameters = window.parameters.copy()
    level = float(np.median(y))
    parameters["background_c0"].set(value=level)
    for name, parameter in parameters.items():
        if name.endswith("_area") and parameter.value == 0.0:
            prefix = name.removesuffix("area")
            place, fwhm = parameters[f"{prefix}place"].value, parameters[f"{prefix}fwhm"].value
            near = np.abs(x - place) < fwhm
            top = float(y[near].max()) - level if near.any() else 0.0
            parameter.set(value=max(top, 1.0) * fwhm)
    if sigma is not None:
        weights, rounds = 1.0 / np.asarray(sigma, float)[keep], 1
    else:
        weights = 1.0 / np.sqrt(np.maximum(y, 1.0))
    floor = 0.1 * (max(float(y.sum()), 0.0) + 0.5) / y.size
    result = None
    for _ in range(rounds):
        result = window.model.fit(
            y, parameters, x=x, weights=weights, scale_covar=False, **fit_options
        )
        before = np.array([p.value for p in parameters.values()])
        after = np.array([p.value for p in result.params.values()])
        parameters = result.params
        if np.allclose(before, after, rtol=1e-7, atol=1e-9):
            break
        if sigma is None:
            weights = 1.0 / np.sqrt(np.maximum(result.best_fit, floor))
    return result


def _line(line: LineSpec, radiation: Radiation) -> Any:
    ratio, share = doublet_constants(radiation)
    pair = np.array(share if line.doublet else 0.0)

    def curve(
        x: FloatArray, area: float, place: float, fwhm: float, mixing: float, skew: float
    ) -> FloatArray:
        shape = (np.array(place), np.array(fwhm), np.array(mixing))
        tilt = np.array(skew) if skew else None
        return area * doublet(x, *shape, np.array(ratio), pair, tilt)

    return curve


def _set_line(
    parameters: lmfit.Parameters,
    i: int,
    line: LineSpec,
    lines: tuple[LineSpec, ...],
    groups: dict[tuple[str, str], int],
) -> None:
    """Start, bounds and ties of one line's parameters."""
    name = f"line{i}_"
    parameters[f"{name}area"].set(value=0.0)
    place, fwhm, mixing = line.two_theta_deg, line.fwhm_deg, line.lorentz_fraction
    parameters[f"{name}place"].set(
        value=place, min=place - line.max_shift_deg, max=place + line.max_shift_deg
    )
    parameters[f"{name}fwhm"].set(value=fwhm, min=fwhm * WIDTH_RANGE[0], max=fwhm * WIDTH_RANGE[1])
    parameters[f"{name}mixing"].set(value=mixing, min=0.0, max=1.0)
    parameters[f"{name}skew"].set(value=line.skew, min=SKEW_RANGE[0], max=SKEW_RANGE[1])
    kinds = (
        ("place", line.place, line.place_group),
        ("fwhm", line.width, line.width_group),
        ("mixing", line.mixing, line.mixing_group),
        ("skew", line.skewness, line.skew_group),
    )
    for kind, freedom, group in kinds:
        if freedom == "forced":
            parameters[f"{name}{kind}"].set(vary=False)
        if freedom != "tied":
            continue
        leader = groups.setdefault((kind, group), i)
        if leader == i:
            continue
        of = f"line{leader}_{kind}"
        first = lines[leader]
        ties = {
            "place": f"{of} + {place - first.two_theta_deg!r}",
            "fwhm": f"{of} * {fwhm / first.fwhm_deg!r}",
            "mixing": of,
            "skew": of,
        }
        parameters[f"{name}{kind}"].set(expr=ties[kind])
