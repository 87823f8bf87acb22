"""The layers under the beam and what absorption leaves of each one's lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase
from xrdfilm.crystal.attenuation import linear_attenuation_per_cm
from xrdfilm.errors import StackError
from xrdfilm.intensity.optics import sin_theta

_CM_PER_NM = 1e-7


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer: its phase and thickness; None is a bulk too thick for the beam to cross."""

    phase: Phase
    thickness_nm: float | None

    def __post_init__(self) -> None:
        thickness = self.thickness_nm
        if thickness is not None and not (np.isfinite(thickness) and thickness > 0.0):
            raise StackError(
                f"layer {self.phase.key}: thickness_nm is {thickness:g}; it must be above 0"
            )


@dataclass(frozen=True, slots=True)
class Stack:
    """Film, buffers from top to bottom, and substrate.

    ``sample_length_mm`` is the length along the beam. Only the lowest layer may be bulk.
    Raises `StackError` otherwise.
    """

    film: Layer
    buffers: tuple[Layer, ...] = ()
    substrate: Layer | None = None
    sample_length_mm: float = 10.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.sample_length_mm) and self.sample_length_mm > 0.0):
            raise StackError(f"sample_length_mm is {self.sample_length_mm:g}; it must be above 0")
        for layer in self.layers[:-1]:
            if layer.thickness_nm is None:
                raise StackError(
                    f"layer {layer.phase.key} has no thickness_nm but lies above "
                    f"{self.layers[-1].phase.key}; only the lowest layer may be bulk"
                )

    @property
    def layers(self) -> tuple[Layer, ...]:
        """All layers, top to bottom."""
        below = () if self.substrate is None else (self.substrate,)
        return (self.film, *self.buffers, *below)

    def index_of(self, phase_key: str) -> int:
        """Index of the topmost layer of this phase; raises `StackError` where there is none."""
        for index, layer in enumerate(self.layers):
            if layer.phase.key == phase_key:
                return index
        held = ", ".join(layer.phase.key for layer in self.layers)
        raise StackError(f'no layer of phase "{phase_key}" in the stack ({held})')


def optical_depth(layer: Layer, wavelength_A: float) -> float:
    """µt of a layer, dimensionless; infinite for a bulk."""
    if layer.thickness_nm is None:
        return float("inf")
    return linear_attenuation_per_cm(layer.phase, wavelength_A) * layer.thickness_nm * _CM_PER_NM


def layer_path(
    two_theta_deg: ArrayLike,
    stack: Stack,
    index: int,
    wavelength_A: float,
    *,
    tilt_deg: ArrayLike = 0.0,
) -> FloatArray:
    """Depth of a layer as absorption weighs it, T(θ) in cm; shape of ``two_theta_deg``.

    T = (1 − exp(−2µt/s))/(2µ) · exp(−2 Σ_above µ_j t_j / s), with s = sinθ, or sinθ cosχ where
    the sample is tilted by ``tilt_deg`` (both broadcast): the symmetric-reflection path of the
    textbooks (Cullity & Stock, Elements of X-Ray Diffraction, 3rd ed. 2001, ch. 4, from memory).
    A thin layer on top gives t/s, a bulk 1/(2µ). ``index`` counts the layers from the top.
    Raises `StackError` where there is no such layer.
    """
    layers = stack.layers
    if not 0 <= index < len(layers):
        raise StackError(f"layer {index} asked for, but the stack has {len(layers)} layers")
    cosine = np.cos(np.radians(np.asarray(tilt_deg, dtype=float)))
    if np.any(cosine < 1e-6):
        raise StackError("a sample tilted by 90 degrees or more shows its back")
    sine = sin_theta(two_theta_deg) * cosine
    layer = layers[index]
    mu = linear_attenuation_per_cm(layer.phase, wavelength_A)
    above = sum(optical_depth(upper, wavelength_A) for upper in layers[:index])
    depth = optical_depth(layer, wavelength_A)
    return np.asarray(-np.expm1(-2.0 * depth / sine) / (2.0 * mu) * np.exp(-2.0 * above / sine))
