"""The sets of peaks of an azimuth scan: where the main one stands, the fit, what is left over."""

from __future__ import annotations

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.texture.curve_features import local_maxima, smoothed
from xrdfilm.texture.peakcurve import CurveFit, CurveModel, fit_curve

_OWN_WIDTH_ABOVE = 10.0  # significance at which a rotated set gets a width of its own
_TOLD_ABOVE = 6.0  # significance at which a set nobody asked for is told
NO_PEAKS = (
    "the azimuth scan shows no peaks above its level: the film has no in-plane alignment that "
    "this scan could see, or tilt or 2θ miss the reflection"
)


def main_set(x: FloatArray, y: FloatArray, noise: FloatArray, period: float) -> tuple[float, float]:
    """Offset of the strongest set (0..period) and a first FWHM, from the folded scan, (N,)."""
    step = float(np.median(np.diff(x)))
    bins = max(24, round(period / max(step, 0.25)))
    index = np.floor((x % period) / period * bins).astype(int) % bins
    number = np.bincount(index, minlength=bins)
    folded = np.bincount(index, y, bins) / np.maximum(number, 1)
    variance = np.bincount(index, noise**2, bins) / np.maximum(number, 1) ** 2
    hollow = number == 0
    if hollow.any():
        every = np.arange(bins)
        folded[hollow] = np.interp(every[hollow], every[~hollow], folded[~hollow], period=bins)
        variance[hollow] = float(variance[~hollow].max())
    wrapped = np.concatenate([folded, folded, folded])
    best, significance, width_bins = 0, 0.0, 1
    for trial in (1.5, 3.0, 6.0, 12.0):
        points = trial / period * bins
        smooth = smoothed(wrapped, points)[bins : 2 * bins]
        at, floor = int(np.argmax(smooth)), float(np.quantile(smooth, 0.2))
        averaged = max(1.0, 2.0 * np.sqrt(np.pi) * points / 2.3548)
        stands = (smooth[at] - floor) / np.sqrt(float(np.median(variance)) / averaged)
        if stands > significance:
            best, significance, width_bins = at, float(stands), max(1, round(points))
    if significance < 5.0:
        raise CannotTellError(NO_PEAKS)
    top = float(smoothed(wrapped, width_bins)[bins + best])
    floor = float(np.quantile(folded, 0.2))
    net = np.maximum(np.roll(folded, bins // 2 - best) - floor, 0.0)
    near = net[bins // 2 - bins // 4 : bins // 2 + bins // 4 + 1]
    width = 0.9 * float(near.sum()) / max(top - floor, 1e-12) * period / bins
    return (best + 0.5) * period / bins, float(np.clip(width, 2.0 * step, period / 4.0))


def places_of(
    x: FloatArray, offset: float, period: float, width: float, full_turn: bool
) -> tuple[list[float], list[float]]:
    """Centres of a set that lie whole in the scan ``x``, (N,), and of those the ends cut."""
    first = np.floor((x[0] - offset) / period) - 1
    places = [float(offset + (first + k) * period) for k in range(int(360 // period) + 4)]
    if full_turn:  # each peak once
        return [p for p in places if x[0] - 1e-9 <= p < x[0] + 360.0 - 1e-9], []
    margin = 0.6 * width
    whole = [p for p in places if x[0] + margin <= p <= x[-1] - margin]
    reach = 3.0 * width
    near = [p for p in places if x[0] - reach <= p <= x[-1] + reach and p not in whole]
    return whole, near


def fit_sets(
    x: FloatArray,
    y: FloatArray,
    spread: FloatArray | None,
    offset: float,
    rotations: list[float],
    asked: int,
    period: float,
    width: float,
    box: float,
    wrap: float | None,
) -> tuple[CurveFit, list[list[int]]]:
    """Main peaks each with its own centre; every other set tied to where the main set puts it.

    ``x``, ``y`` and ``spread`` have shape (N,), angles in degrees.
    Sets beyond the first ``asked`` rotations find their own angle, the two ways apart.
    Peaks that an end of the scan cuts are fitted along, but belong to no set.
    """
    full = wrap is not None
    main, cut = places_of(x, offset, period, width, full)
    if not main:
        raise CannotTellError("no main peak lies whole within the range of the azimuth scan")
    starts, groups, widths, sets = list(main), list(range(len(main))), [0] * len(main), []
    sets.append(list(range(len(main))))
    for number, rotation in enumerate(rotations):
        # twins turn both ways
        both = abs(rotation) % period not in (0.0, period / 2.0)
        places: list[float] = []
        for turned in (rotation, -rotation) if both else (rotation,):
            whole, near = places_of(x, (offset + turned) % period, period, width, full)
            places += whole
            groups += [max(groups) + 1 if number >= asked else -1] * len(whole)
            cut += near
        sets.append(list(range(len(starts), len(starts) + len(places))))
        starts += places
        widths += [0] * len(places)
        if not places:
            raise CannotTellError(
                f"no peak of a set turned by {rotation:g}° would lie in the range of the scan; "
                "scan further"
            )
    starts += cut
    groups += [-1] * len(cut)
    widths += [0] * len(cut)

    def fitted(start: list[float], width_group: list[int]) -> CurveFit:
        model = CurveModel(
            tuple(start),
            tuple(width_group),
            tuple(groups),
            (width,) * len(start),
            box_deg=box,
            background_degree=0,
            period_deg=wrap,
            max_fwhm_deg=period / 2.0,
        )
        return fit_curve(x, y, model, sigma=spread)

    fit = fitted(starts, widths)
    shift = float(np.mean([fit.peaks[i].centre_deg - starts[i] for i in sets[0]]))
    starts = [s + shift for s in starts]
    own = list(widths)
    for number, index in enumerate(sets[1:], start=1):
        if significance_of(fit, index) > _OWN_WIDTH_ABOVE:
            for i in index:
                own[i] = number
    order = {g: k for k, g in enumerate(sorted(set(own)))}
    return fitted(starts, [order[g] for g in own]), sets


def rotation_of(fit: CurveFit, main: list[int], turned: list[int], period: float) -> float:
    """Mean angle, 0..period/2, between a set and the main set."""
    zero = np.array([fit.peaks[i].centre_deg for i in main])
    zero_deg = float(np.mean((zero - zero[0] + period / 2) % period - period / 2 + zero[0]))
    at = np.array([fit.peaks[i].centre_deg for i in turned])
    return float(np.mean(np.abs((at - zero_deg + period / 2) % period - period / 2)))


def significance_of(fit: CurveFit, index: list[int]) -> float:
    """Sum of the areas of some peaks over its standard uncertainty."""
    total = float(sum(fit.peaks[i].area_counts_deg for i in index))
    variance = float(fit.area_covariance[np.ix_(index, index)].sum())
    return total / float(np.sqrt(max(variance, 1e-300)))


def unexplained(
    x: FloatArray,
    y: FloatArray,
    fit: CurveFit,
    noise: FloatArray,
    period: float,
) -> float | None:
    """Rotation (0..period/2) of a set of peaks that the fit leaves over, or None.

    ``x``, ``y`` and ``noise`` have shape (N,).
    """
    step = float(np.median(np.diff(x)))
    rotation = np.abs((x - fit.peaks[0].centre_deg + period / 2.0) % period - period / 2.0)
    width = fit.peaks[0].fwhm_deg
    bins = max(12, round(period / 2.0 / max(2.0 * step, 0.5)))
    index = np.minimum((rotation / (period / 2.0) * bins).astype(int), bins - 1)
    number = np.maximum(np.bincount(index, minlength=bins), 1)
    folded = np.bincount(index, y - fit.fitted, bins) / number
    sigma = np.sqrt(np.bincount(index, noise**2, bins)) / number * np.sqrt(max(fit.reduced, 1.0))
    width_bins = width / (period / 2.0) * bins
    # a foot that the main peak's shape does not follow is no set of its own
    outside = (np.arange(bins) + 0.5) * period / 2.0 / bins > 2.0 * width
    tops = local_maxima(folded, sigma, max(width_bins, 1.0), significance=_TOLD_ABOVE)
    tops = [i for i in tops if outside[i] and folded[i] > 0.0]
    if not tops:
        return None
    best = max(tops, key=lambda i: float(folded[i]))
    return float((best + 0.5) * period / 2.0 / bins)
