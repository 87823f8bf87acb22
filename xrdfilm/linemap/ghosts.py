"""How high ghosts may be at a place, by what the scan itself shows where their parents stand."""

from __future__ import annotations

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import Radiation, d_of, two_theta_of
from xrdfilm.linemap.neighbours import NEAR_DEG, heights_near
from xrdfilm.linemap.stack_lines import HALF, K_BETA, TUNGSTEN
from xrdfilm.scan import Scan

SHOWS = 6.0  # of the noise: a lower top of the points about a place is chance


def ghost_heights(scan: Scan, places_deg: FloatArray, radiation: Radiation) -> FloatArray:
    """Most counts that ghosts of whatever the scan shows may add at each place, (P,).

    The parents are looked for in the scan itself, so that a ghost is known as one whatever threw
    it: a line that nobody expected, or one whose cell is a little off. Where a parent was cut off
    by the counter its ghosts may be of any height.
    """
    places = np.asarray(places_deg, dtype=float)
    spacing = d_of(places, radiation.k_alpha1_A)
    rays = [(radiation.k_alpha1_A / 2.0, HALF)]
    rays += [(w, TUNGSTEN * (1.0 if k == 0 else 0.12)) for k, w in enumerate(radiation.tungsten_A)]
    if radiation.k_beta_A is not None:
        rays.append((radiation.k_beta_A, K_BETA))
    poisson = scan.poisson and scan.sigma is None
    cut_off = np.empty(0)
    if any(finding.code == "saturation" for finding in scan.findings):
        cut_off = scan.axis_deg[scan.counts >= 0.99 * float(scan.counts.max())]
    # planes that reflect a ray at the place reflect K-alpha1 at their parent's place
    wavelengths_A, shares = np.array(rays).T[:, :, None]
    parents = two_theta_of(spacing * wavelengths_A / radiation.k_alpha1_A, radiation.k_alpha1_A)
    seen = np.isfinite(parents)
    height, noise = (
        values.reshape(parents.shape)
        for values in heights_near(
            scan.axis_deg, scan.counts, np.where(seen, parents, 0.0).ravel(), poisson
        )
    )
    shown = np.where(seen & (height > SHOWS * noise), height, 0.0)
    flat = (np.abs(parents[:, :, None] - cut_off) < NEAR_DEG).any(axis=2)
    return np.asarray(np.where(flat, np.inf, shares * shown).max(axis=0))
