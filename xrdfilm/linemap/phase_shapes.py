"""Shapes that the lines of a phase were measured to have, for its lines anywhere else."""

from __future__ import annotations

import math
from dataclasses import dataclass

from xrdfilm.fitting.line_window import LineShape


@dataclass(frozen=True, slots=True)
class PhaseShape:
    """FWHM in degrees as ``intercept_deg`` + ``slope_deg``/cosθ, and the Lorentz fraction.

    The width is kept between ``low_deg`` and ``high_deg``: nothing is extrapolated far.
    """

    intercept_deg: float
    slope_deg: float
    low_deg: float
    high_deg: float
    lorentz_fraction: float

    def at(self, two_theta_deg: float) -> LineShape:
        """The shape of a line at a place in degrees of 2θ."""
        width = self.intercept_deg + self.slope_deg / math.cos(math.radians(two_theta_deg / 2.0))
        return LineShape(min(max(width, self.low_deg), self.high_deg), self.lorentz_fraction)
