"""Likelihood of a growth curve: measured points normal, points at a bound as limits.

A measured point may lie outside 0..1 by its noise and is compared with the curve, which does not.
A censored point (only known to stand at or beyond a bound) adds the probability of doing so:
Tobin, Econometrica 26 (1958) 24 (from memory). The scale that all points share through their
reference film enters as one more normal unknown, for which the best value has a closed form.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy.special import log_ndtr

from xrdfilm._typing import FloatArray
from xrdfilm.kinetics.models import GrowthModel
from xrdfilm.kinetics.series import Series

ScaleOf = Literal["converted", "unconverted"]


def deviance(
    series: Series,
    model: GrowthModel,
    t0_s: FloatArray,
    span_s: FloatArray,
    exponent: FloatArray | None = None,
) -> FloatArray:
    """-2 log likelihood less that of points that all lie on the curve; parameters broadcast.

    For measured points alone it is their chi-square. Returns the broadcast shape.
    """
    t0, span = np.broadcast_arrays(np.asarray(t0_s, dtype=float), np.asarray(span_s, dtype=float))
    shape = np.broadcast_shapes(t0.shape, () if exponent is None else np.shape(exponent))
    total = np.zeros(shape)
    scaled = series.shared_sigma > 0.0
    a = np.zeros(shape) if scaled else None  # for the scale: sum w m², and sum w m y
    b = np.zeros(shape) if scaled else None
    flip = series.side == "fluoride"
    for time, y, sigma, censor in zip(
        series.time_s, series.conversion, series.sigma, series.censor, strict=True
    ):
        f = model.curve((time - t0) / span, exponent)
        if censor == 0.0:
            total += ((y - f) / sigma) ** 2
            if a is not None and b is not None:
                part = 1.0 - f if flip else f
                miss = (1.0 - y if flip else y) - part
                a += (part / sigma) ** 2
                b += part * miss / sigma**2
        elif censor > 0.0:
            total += -2.0 * (log_ndtr((f - 1.0) / sigma) - log_ndtr(0.0))
        else:
            total += -2.0 * (log_ndtr(-f / sigma) - log_ndtr(0.0))
    if a is not None and b is not None:
        # scale 1 + e, e normal: min over e of chi² - 2 e b + e² (a + 1/shared²)
        total -= b**2 / (a + series.shared_sigma**-2)
    return np.asarray(total)
