"""Sparks: single points that no line could make, taken out before a coupled scan is fitted.

A hot pixel or a cosmic ray lifts one point. Left in, it is the strongest evidence in its
neighbourhood: it bends the background beside it and passes for a line of whatever phase is looked
for there. A point beside a line that the stack is sure to show stays, as does every point of a
scan whose step is too coarse to tell a line from a spark, whose intensities are no counts, or that
has so many of them that they cannot be sparks.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.readers.scan_checks import MOST_SPIKES, spikes
from xrdfilm.scan import Finding, Scan

APART_DEG = 0.5  # from the place of a sure line, before the scan is aligned
LEAST_STEPS = 2.0  # steps in a line's FWHM from which its neighbours show a line to be one


def without_sparks(scan: Scan, sure_deg: FloatArray, fwhm_deg: float) -> Scan:
    """The scan with its sparks bridged by their neighbours, and a finding that tells so.

    ``sure_deg``: (n,) places of lines that the scan is sure to show; ``fwhm_deg``: the width of a
    line of the instrument. The same scan comes back where there is nothing to do.
    """
    if scan.step_deg * LEAST_STEPS > fwhm_deg or not scan.poisson:
        return scan
    at = spikes(scan.counts)
    if not 0 < at.size <= MOST_SPIKES:
        return scan
    x = scan.axis_deg
    gap = np.abs(x[at][:, None] - sure_deg[None, :]).min(axis=1, initial=np.inf)
    bridged, left = at[gap > APART_DEG], at[gap <= APART_DEG]
    if bridged.size == 0:
        return scan
    keep = np.ones(x.size, bool)
    keep[bridged] = False
    counts = scan.counts.astype(float)
    counts[bridged] = np.interp(x[bridged], x[keep], counts[keep])
    told = Finding(
        "spike",
        "repaired",
        f"a single point far above its neighbours, where no line of the stack is due "
        f"({_listed(x[bridged])}), was replaced by their mean: a hot pixel, a cosmic ray or "
        "a spark",
    )
    others = tuple(f for f in scan.findings if f.code != "spike" or left.size)
    return replace(scan, counts=counts, findings=(*others, told))


def _listed(places_deg: FloatArray, most: int = 5) -> str:
    shown = ", ".join(f"{place:.5g}°" for place in places_deg[:most])
    more = places_deg.size - most
    return f"{shown} and {more} more" if more > 0 else shown
