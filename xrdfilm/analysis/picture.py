"""What a film's sheet draws: the scan, what was fitted to it, and where each phase would show.

The analysis hands these arrays over; the report draws them and computes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from xrdfilm._typing import FloatArray


@dataclass(frozen=True, slots=True)
class TickRow:
    """The line places of one phase on one row below the scan.

    ``two_theta_deg`` are K-alpha1 places as they fall on the measured axis (alignment applied),
    shape (N,). ``labels`` are N Miller indices as text ("005"). ``role`` tells the row's place:
    film rows come first, then fluoride, products, buffers, substrate.
    """

    phase: str
    two_theta_deg: FloatArray
    labels: tuple[str, ...]
    role: Literal["film", "fluoride", "product", "buffer", "substrate", "other"] = "other"

    def __post_init__(self) -> None:
        if len(self.labels) != self.two_theta_deg.size:
            raise ValueError(
                f"{self.phase}: {self.two_theta_deg.size} places but {len(self.labels)} labels"
            )


@dataclass(frozen=True, slots=True)
class GhostMark:
    """A predicted ghost line: its place, and what makes it ("K-beta of YBCO (005)")."""

    two_theta_deg: float
    cause: str


@dataclass(frozen=True, slots=True)
class Zone:
    """A stretch of the axis: a fitted window, or one that something hides (then ``why``)."""

    low_deg: float
    high_deg: float
    why: str = ""


@dataclass(frozen=True, slots=True)
class SideScan:
    """A rocking, azimuth or tilt scan with its fit; arrays of shape (N,), ``fitted`` may hold NaN.

    ``title`` says what it is ("rocking scan of (005)").
    """

    kind: Literal["rocking", "azimuth", "tilt"]
    title: str
    axis_deg: FloatArray
    counts: FloatArray
    fitted: FloatArray | None = None
    axis_label: str = ""


@dataclass(frozen=True, slots=True)
class PoleMap:
    """Where the poles of a scanned reflection stand: tilt χ and azimuth φ in degrees.

    ``c_axis`` and ``a_axis`` have shape (N, 2), a-axis grains being a- or b-normal. ``scanned_deg``
    is the range of χ that the scan went over; both ends are alike for an azimuth scan.
    """

    title: str
    c_axis: FloatArray
    a_axis: FloatArray
    scanned_deg: tuple[float, float]


@dataclass(frozen=True, slots=True)
class FilmPicture:
    """The arrays of one film's sheet; all of the coupled scan have shape (N,).

    ``two_theta_deg`` ascends. ``counts`` are counts as registered, ``sigma`` their standard
    uncertainty (None: Poisson). ``fitted`` is background plus lines, NaN outside the fitted
    windows. ``background`` is the broad background over the whole scan, NaN where unknown.
    """

    two_theta_deg: FloatArray
    counts: FloatArray
    fitted: FloatArray | None = None
    background: FloatArray | None = None
    sigma: FloatArray | None = None
    ticks: tuple[TickRow, ...] = ()
    ghosts: tuple[GhostMark, ...] = ()
    hidden: tuple[Zone, ...] = ()
    windows: tuple[Zone, ...] = ()
    side_scans: tuple[SideScan, ...] = field(default=())
    poles: tuple[PoleMap, ...] = field(default=())

    def __post_init__(self) -> None:
        size = self.two_theta_deg.size
        for name in ("counts", "fitted", "background", "sigma"):
            values = getattr(self, name)
            if values is not None and values.shape != (size,):
                raise ValueError(f"{name} has shape {values.shape}, the axis has ({size},)")

    @property
    def residuals(self) -> FloatArray | None:
        """(counts - fitted) over the standard uncertainty, NaN outside the windows; shape (N,)."""
        if self.fitted is None:
            return None
        sigma = self.sigma
        if sigma is None:  # of the model, not of the datum: sqrt(counts) would favour low points
            sigma = np.sqrt(np.maximum(self.fitted, 1.0))
        return np.asarray((self.counts - self.fitted) / sigma, dtype=float)
