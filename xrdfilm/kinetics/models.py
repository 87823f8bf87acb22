"""Growth models: conversion against time, each as a curve of one dimensionless time.

All but the last take two parameters: the incubation time t0 and the span D in which the
conversion would end (for nucleation and growth: the characteristic time). With s = (t - t0)/D:

- front:       f = s                     a front at constant speed, from s = 0 to 1
- boundary:    f = 2s - s²               gas boundary layer growing along the sample
- diffusion:   f = √s                    through a layer that thickens as it grows
- nucleation:  f = 1 - exp(-sⁿ)          nucleation and growth, n free

each 0 before the incubation ends and 1 after the conversion has. Nothing here knows a scan.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import FloatArray

LOWEST_EXPONENT, HIGHEST_EXPONENT = 0.5, 5.0
"""Range in which the exponent of nucleation and growth is sought."""

Curve = Callable[[FloatArray, FloatArray | None], FloatArray]
Inverse = Callable[[float, FloatArray | None], FloatArray]


@dataclass(frozen=True, slots=True)
class GrowthModel:
    """A growth model.

    ``curve(s, n)`` gives the conversion at dimensionless time s (n only where there is an
    exponent), shapes broadcast; ``time_at(f, n)`` is its inverse for 0 <= f <= 1. ``parameters``
    counts t0, D and the exponent. ``source`` names where the law comes from.
    """

    name: str
    label: str
    parameters: int
    curve: Curve
    time_at: Inverse
    meaning: str
    source: str

    @property
    def has_exponent(self) -> bool:
        """Whether the model has a free exponent beside t0 and D."""
        return self.parameters == 3

    def conversion(
        self, time_s: FloatArray, t0_s: float, span_s: float, exponent: float | None = None
    ) -> FloatArray:
        """Conversion 0..1 at these times; shape of ``time_s``."""
        s = (np.asarray(time_s, dtype=float) - t0_s) / span_s
        return self.curve(s, None if exponent is None else np.asarray(exponent, dtype=float))


def _front(s: FloatArray, n: FloatArray | None) -> FloatArray:
    return np.clip(s, 0.0, 1.0)


def _front_time(f: float, n: FloatArray | None) -> FloatArray:
    return np.asarray(f)


def _boundary(s: FloatArray, n: FloatArray | None) -> FloatArray:
    inside = np.clip(s, 0.0, 1.0)
    return np.asarray(inside * (2.0 - inside))


def _boundary_time(f: float, n: FloatArray | None) -> FloatArray:
    return np.asarray(1.0 - np.sqrt(1.0 - f))


def _diffusion(s: FloatArray, n: FloatArray | None) -> FloatArray:
    return np.asarray(np.sqrt(np.clip(s, 0.0, 1.0)))


def _diffusion_time(f: float, n: FloatArray | None) -> FloatArray:
    return np.asarray(f * f)


def _nucleation(s: FloatArray, n: FloatArray | None) -> FloatArray:
    exponent = np.asarray(1.0 if n is None else n)
    return np.asarray(-np.expm1(-np.power(np.maximum(s, 0.0), exponent)))


def _nucleation_time(f: float, n: FloatArray | None) -> FloatArray:
    exponent = np.asarray(1.0 if n is None else n)
    with np.errstate(divide="ignore"):
        return np.asarray(np.power(-np.log1p(-f), 1.0 / exponent))


FRONT = GrowthModel(
    "front",
    "front at constant speed",
    2,
    _front,
    _front_time,
    "the reaction, or an even gas boundary layer, sets the speed; thickness does not matter",
    "thickness converted is linear in time: Honjo et al., IEEE Trans. Appl. Supercond. 13 (2003) "
    "2516; an even boundary layer gives the same curve, so only a change of gas flow tells it "
    "from the reaction",
)
BOUNDARY = GrowthModel(
    "boundary",
    "boundary layer growing along the sample",
    2,
    _boundary,
    _boundary_time,
    "gas exchange sets the speed and is better at the leading edge, which ends first",
    "laminar flow along a plate: local mass transfer goes as x^(-1/2) from the leading edge "
    "(Incropera and DeWitt, Fundamentals of Heat and Mass Transfer, ch. 7, from memory); the mean "
    "over the sample of fronts at these speeds is 2s - s²",
)
DIFFUSION = GrowthModel(
    "diffusion",
    "diffusion (square root of time)",
    2,
    _diffusion,
    _diffusion_time,
    "transport through the grown or the unconverted layer sets the speed, which falls",
    "parabolic law (Deal and Grove, J. Appl. Phys. 36 (1965) 3770, its long-time limit; from "
    "memory)",
)
NUCLEATION = GrowthModel(
    "nucleation",
    "nucleation and growth",
    3,
    _nucleation,
    _nucleation_time,
    "grains nucleate and grow until they meet; slow at first, fast, then slow",
    "Avrami, J. Chem. Phys. 7 (1939) 1103; 8 (1940) 212 (from memory)",
)

MODELS: tuple[GrowthModel, ...] = (FRONT, BOUNDARY, DIFFUSION, NUCLEATION)


def model(name: str) -> GrowthModel:
    """A model by its name; KeyError names the ones there are."""
    for item in MODELS:
        if item.name == name:
            return item
    raise KeyError(f"no growth model {name!r}; there are: {', '.join(m.name for m in MODELS)}")
