"""The invented instrument: line widths, ghosts, background and detector."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.random import Generator

from xrdfilm._typing import FloatArray
from xrdfilm.errors import StackError

SCHERRER_K = 0.9


@dataclass(frozen=True, slots=True)
class Breadth:
    """Instrumental widths: Gaussian part by Caglioti's law, Lorentzian by two terms, in degrees.

    Gaussian FWHM² = u tan²θ + v tanθ + w (Caglioti, Paoletti & Ricci, Nucl. Instrum. 3 (1958)
    223); Lorentzian FWHM = x tanθ + y/cosθ. Defaults give about 0.06° at 40°.
    """

    u_deg2: float = 0.004
    v_deg2: float = -0.003
    w_deg2: float = 0.004
    x_deg: float = 0.005
    y_deg: float = 0.01
    shape: Literal["pseudo_voigt", "voigt"] = "pseudo_voigt"

    def __post_init__(self) -> None:
        if self.shape not in ("pseudo_voigt", "voigt"):
            raise StackError(f'shape is "{self.shape}"; it must be "pseudo_voigt" or "voigt"')
        if self.w_deg2 <= 0.0 or 4.0 * self.u_deg2 * self.w_deg2 <= self.v_deg2**2:
            raise StackError("these u, v, w give a line without width somewhere in the scan")

    def gauss_lorentz_deg(
        self,
        two_theta_deg: FloatArray,
        wavelength_A: float,
        size_nm: float | None,
        microstrain: float,
    ) -> tuple[FloatArray, FloatArray]:
        """Gaussian and Lorentzian FWHM with the sample's broadening added, in degrees; any shape.

        Size by Scherrer (K = 0.9) as a Lorentzian, microstrain e (Δd/d, FWHM 4 e tanθ) as one
        too: the usual split for domains with a broad spread of sizes.
        """
        theta = np.radians(two_theta_deg) / 2.0
        tangent, cosine = np.tan(theta), np.cos(theta)
        gauss = np.sqrt(self.u_deg2 * tangent**2 + self.v_deg2 * tangent + self.w_deg2)
        lorentz = self.x_deg * tangent + self.y_deg / cosine
        lorentz = lorentz + np.degrees(4.0 * microstrain * tangent)
        if size_nm is not None:
            lorentz = lorentz + np.degrees(SCHERRER_K * wavelength_A / (10.0 * size_nm * cosine))
        return gauss, lorentz


@dataclass(frozen=True, slots=True)
class Ghosts:
    """Area of each contaminant's line over that of K-alpha1 + K-alpha2, at the same windows.

    ``tungsten`` is W L-alpha1; the weaker L-alpha2 follows at 11 % of it (International Tables
    for Crystallography, vol. C, from memory).
    """

    k_beta: float = 0.003
    tungsten: float = 0.0008
    half_wavelength: float = 0.0003


NO_GHOSTS = Ghosts(0.0, 0.0, 0.0)
TUNGSTEN_SHARES = (1.0, 0.11)


@dataclass(frozen=True, slots=True)
class Hump:
    """A broad Gaussian in the background: glass, an amorphous layer, a glue."""

    centre_deg: float
    fwhm_deg: float
    height_counts: float


@dataclass(frozen=True, slots=True)
class Background:
    """Smooth background: counts at 40°, the share of it that is air scatter, and humps.

    The air scatter falls off as exp(−2θ/``fall_deg``); ``slope_per_deg`` tilts the rest.
    """

    level_counts: float = 200.0
    air_share: float = 0.3
    fall_deg: float = 20.0
    slope_per_deg: float = -0.002
    humps: tuple[Hump, ...] = ()

    def counts(self, two_theta_deg: FloatArray) -> FloatArray:
        """Expected background counts a point, shape (N,), never below 0."""
        away = two_theta_deg - 40.0
        level = (1.0 - self.air_share) * (1.0 + self.slope_per_deg * away)
        level = self.level_counts * (level + self.air_share * np.exp(-away / self.fall_deg))
        for hump in self.humps:
            offset = (two_theta_deg - hump.centre_deg) / hump.fwhm_deg
            level = level + hump.height_counts * np.exp(-4.0 * np.log(2.0) * offset**2)
        return np.maximum(level, 0.0)


@dataclass(frozen=True, slots=True)
class Detector:
    """What the counter makes of the photons that reach it.

    ``dead_time_us`` thins high rates as a counter without extension does, n/(1 + n τ/t), where
    t is ``step_time_s``; ``ceiling_counts`` cuts off; ``spikes`` points get an extra burst.
    """

    step_time_s: float = 1.0
    dead_time_us: float = 0.0
    ceiling_counts: float | None = None
    spikes: int = 0
    spike_counts: float = 2000.0
    noise: bool = True

    def expected(self, arriving_counts: FloatArray) -> FloatArray:
        """Mean registered counts for a mean number that arrives; any shape."""
        lost = arriving_counts * self.dead_time_us * 1e-6 / self.step_time_s
        return arriving_counts / (1.0 + lost)

    def register(self, arriving_counts: FloatArray, generator: Generator) -> FloatArray:
        """One draw of registered counts, any shape: Poisson, spikes, then the ceiling."""
        counts = self.expected(arriving_counts)
        if self.noise:
            counts = generator.poisson(counts).astype(float)
        if self.spikes:
            where = generator.choice(counts.size, size=min(self.spikes, counts.size), replace=False)
            counts[where] += np.round(generator.exponential(self.spike_counts, where.size))
        if self.ceiling_counts is not None:
            counts = np.minimum(counts, self.ceiling_counts)
        return counts


@dataclass(frozen=True, slots=True)
class Instrument:
    """Everything about the instrument that the optics do not say."""

    breadth: Breadth = field(default_factory=Breadth)
    ghosts: Ghosts = field(default_factory=Ghosts)
    background: Background = field(default_factory=Background)
    detector: Detector = field(default_factory=Detector)
