"""Whether the strong lines of a scan show K-alpha2 as the stated optics have it.

A fit with K-alpha2 where the optics pass none moves every line, and with them zero, displacement
and cell, by more than their intervals. Beside a strong line that stands alone, K-alpha2 lifts the
high side by half the height; what counts is the difference between the two sides, as far from the
top as K-alpha2 stands.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.crystal.radiation import Radiation, d_of, radiation, two_theta_of
from xrdfilm.lines import MeasuredLine
from xrdfilm.scan import Scan

LEAST_SIGNIFICANCE = 100.0
LEAST_APART_FWHM = 0.5  # nearer to K-alpha1 than this, K-alpha2 hardly lifts the one side
ALONE = 0.02  # of a line's area: weaker neighbours do not matter
SHOWS = 0.2  # of the height; a pair gives 0.4 to 0.5, a single line next to nothing


def doublet_note(
    scan: Scan, background: FloatArray, lines: Iterable[MeasuredLine], rays: Radiation
) -> str | None:
    """A sentence where the scan shows K-alpha2 against what is stated, or none; else None.

    ``background``: counts beneath the lines, (N,). ``lines``: all fitted lines. Nothing can be
    said of a wavelength of the user's own, nor where no line is strong, sharp and alone.
    """
    if rays.anode is None:
        return None
    pair = radiation(rays.anode)
    found = list(lines)
    net = scan.counts - background
    seen = [
        rise
        for line in found
        if line.significance > LEAST_SIGNIFICANCE
        and (rise := _rise(scan, net, line, found, pair)) is not None
    ]
    if not seen:
        return None
    shows = float(np.median(seen)) > SHOWS
    stated = rays.k_alpha2_A is not None
    if shows == stated:
        return None
    if stated:
        return (
            "the strong lines show no K-alpha2: state k_alpha1_only if the optics pass K-alpha1 "
            "alone; until then lines are misplaced, and zero, displacement and cell with them"
        )
    return (
        "the strong lines show K-alpha2 though the optics are stated to pass K-alpha1 alone: leave "
        "k_alpha1_only out; until then areas and places are wrong"
    )


def _rise(
    scan: Scan,
    net: FloatArray,
    line: MeasuredLine,
    lines: Iterable[MeasuredLine],
    pair: Radiation,
) -> float | None:
    """High side less low side of a line, of its height; None where the line tells nothing."""
    assert pair.k_alpha2_A is not None
    place, width = line.two_theta_deg, line.fwhm_deg
    apart = float(two_theta_of(d_of(place, pair.k_alpha1_A), pair.k_alpha2_A)) - place
    if not apart > max(LEAST_APART_FWHM * width, 2.5 * scan.step_deg) or apart > 5.0 * width:
        return None
    if {"core_excluded", "cut_off"} & set(line.flags):
        return None
    crowded = any(
        other is not line
        and abs(other.two_theta_deg - place) < 4.0 * apart
        and other.area_counts_deg > ALONE * line.area_counts_deg
        for other in lines
    )
    if crowded:
        return None
    x = scan.axis_deg
    first, last = np.searchsorted(x, (place - width, place + width)).tolist()
    if last - first < 3:
        return None
    top = first + int(np.argmax(net[first:last]))
    if not x[0] < x[top] - apart or not x[top] + apart < x[-1]:
        return None
    reach = slice(*np.searchsorted(x, (x[top] - 2.0 * apart, x[top] + 2.0 * apart)).tolist())
    low, high = np.interp([x[top] - apart, x[top] + apart], x[reach], net[reach])
    return float((high - low) / net[top])
