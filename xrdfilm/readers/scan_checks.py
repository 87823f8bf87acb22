"""Checks on a scan: each finding has a stable code, and all stand in `scan_findings.FINDINGS`.

`tidy` puts the rows of a scan in order and says what it did; `inspect` looks at the tidy
arrays and says what may spoil a figure. Both are pure: arrays in, arrays and findings out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.readers.scan_findings import FINDINGS, Kind, RefusedError, finding
from xrdfilm.scan import Axis, Finding

__all__ = [
    "FINDINGS", "Kind", "RefusedError", "TidyRows", "common_spikes", "decimals", "finding",
    "inspect", "inspect_axis", "is_normalised", "scatter_scale", "scatter_sigma", "spikes", "tidy",
]  # fmt: skip

MIN_POINTS = 5
_LARGEST_ANGLE_DEG = 1e5
_LARGEST_INTENSITY = 1e18
_FULL_SCALES = frozenset(float(2**bits - 1) for bits in (8, 10, 12, 14, 15, 16, 20, 24, 31, 32))
_STAND_INS = np.array([-999.0, -9999.0, -99999.0, -999999.0])
_ROUND_MAXIMA = (1.0, 100.0, 1000.0, 10000.0)
MOST_SPIKES = 3
_DEAD_TIME_RATE = 5e5
"""Counts/s from which dead time is worth a word; common practice for point counters, no source."""


@dataclass(frozen=True, slots=True)
class TidyRows:
    """Rows in ascending order, finite, each angle once; arrays of shape (N,)."""

    axis_deg: FloatArray
    intensity: FloatArray
    sigma: FloatArray | None
    factor: FloatArray | None
    findings: tuple[Finding, ...]


def tidy(
    axis_deg: FloatArray,
    intensity: FloatArray,
    sigma: FloatArray | None = None,
    factor: FloatArray | None = None,
) -> TidyRows:
    """Put rows in order: leave out what is no number, turn round, sort, drop repeats.

    Arrays have shape (N,). Raises `RefusedError` where no scan is left.
    """
    findings: list[Finding] = []
    columns: list[FloatArray | None] = [axis_deg, intensity, sigma, factor]

    def keep(rows: BoolArray | IntArray | slice) -> None:
        for at, column in enumerate(columns):
            columns[at] = None if column is None else column[rows]

    if axis_deg.size == 0:
        raise RefusedError("empty")
    if intensity.min(initial=0.0) <= -999.0 or axis_deg.min(initial=0.0) <= -999.0:
        stand_in = np.isin(intensity, _STAND_INS) | np.isin(axis_deg, _STAND_INS)
        if stand_in.any():
            where = axis_deg[stand_in]
            keep(~stand_in)
            findings.append(finding("abort_rows", _rows(int(stand_in.sum()), where)))
    x, y = _two(columns)
    # Comparisons with nan are false, so nan and infinite values go the same way.
    finite = (np.abs(x) <= _LARGEST_ANGLE_DEG) & (np.abs(y) <= _LARGEST_INTENSITY)
    if not finite.all():
        findings.append(finding("not_finite", _rows(int((~finite).sum()), x[~finite])))
        keep(finite)
    x, y = _two(columns)
    if x.size == 0:
        raise RefusedError("empty")
    if x.size < MIN_POINTS:
        raise RefusedError("too_few_points", f"{x.size} points")
    step = np.diff(x)
    if not (step > 0).all():
        _put_in_order(columns, keep, findings)
        x, y = _two(columns)
        if x.size < MIN_POINTS:
            raise RefusedError("too_few_points", f"{x.size} points at different angles")
    if y.min() == y.max():
        raise RefusedError("constant", f"{x.size} points, all {y[0]:g}")
    return TidyRows(x, y, columns[2], columns[3], tuple(findings))


def _two(columns: list[FloatArray | None]) -> tuple[FloatArray, FloatArray]:
    x, y = columns[0], columns[1]
    assert x is not None
    assert y is not None
    return x, y


def _put_in_order(
    columns: list[FloatArray | None],
    keep: Callable[[BoolArray | IntArray | slice], None],
    findings: list[Finding],
) -> None:
    """Ascending and each angle once; refuses an axis that jumps to and fro."""
    step = np.diff(_two(columns)[0])
    down, up, same = int((step < 0).sum()), int((step > 0).sum()), int((step == 0).sum())
    if down > up:
        keep(slice(None, None, -1))
        findings.append(finding("descending"))
        down, up = up, down
    if down > 0:
        if down > max(2, 0.02 * (down + up)):
            raise RefusedError("not_an_axis", f"{down} of {down + up} steps run backwards")
        keep(np.argsort(_two(columns)[0], kind="stable"))
        findings.append(finding("unsorted", f"{down} steps ran backwards"))
        same = int((np.diff(_two(columns)[0]) == 0).sum())
    if same == 0:
        return
    x, _ = _two(columns)
    even = _rounded_even_axis(x) if same > 0.05 * x.size else None
    if even is not None:
        columns[0] = even
        findings.append(finding("angles_rounded", f"{same} angles stood twice"))
        return
    first = np.ones(x.size, dtype=np.bool_)
    first[1:] = np.diff(x) > 0
    if first.sum() < 0.5 * x.size:
        raise RefusedError("not_an_axis", f"{int((~first).sum())} of {x.size} angles are repeats")
    findings.append(finding("duplicate_angles", _rows(int((~first).sum()), x[~first])))
    keep(first)


def decimals(values: FloatArray, most: int = 6) -> int | None:
    """The fewest decimals that write all values, shape (N,), exactly; None if over ``most``."""
    for places in range(most + 1):
        scaled = values * 10.0**places
        if np.abs(scaled - np.rint(scaled)).max() < 1e-6 * max(1.0, 10.0 ** (places - 6)):
            return places
    return None


def _rounded_even_axis(axis_deg: FloatArray) -> FloatArray | None:
    """The even axis that rounds to the given one, or None if there is none."""
    places = decimals(axis_deg, most=3)
    if places is None or axis_deg[0] == axis_deg[-1]:
        return None
    index = np.arange(axis_deg.size, dtype=np.float64)
    slope, offset = np.polyfit(index, axis_deg, 1)
    even = np.asarray(offset + slope * index, dtype=np.float64)
    return even if np.abs(even - axis_deg).max() <= 0.6 * 10.0**-places else None


def _rows(count: int, where: FloatArray) -> str:
    """ "3 rows, at 20.02 to 20.06" for a finding's text."""
    finite = where[np.isfinite(where) & (where > -999.0)]
    rows = "1 row" if count == 1 else f"{count} rows"
    if finite.size == 0:
        return rows
    low, high = float(finite.min()), float(finite.max())
    return f"{rows}, at {low:g}" if low == high else f"{rows}, at {low:g} to {high:g}"


def scatter_scale(intensity: FloatArray) -> float | None:
    """Variance of neighbouring points over their mean: 1 for counts, k for counts times k.

    The second difference of three neighbours of Poisson counts has the variance
    I₁ + 4 I₂ + I₃; the median of its square over that, by the median of chi-square with one
    degree of freedom (0.4549), is k. Lines hardly move the median. None where there are too few
    points or counts to say.

    ``intensity``: shape (N,). A drawn scan of 300 points gives k to about 10 %.
    """
    if intensity.size < 30:
        return None
    # A thousand triples tell the median to 5 %; more would only cost time.
    every = max(1, intensity.size // 1000)
    left, middle, right = intensity[:-2:every], intensity[1:-1:every], intensity[2::every]
    variance = left + 4.0 * middle + right
    if variance.min() <= 0:
        good = variance > 0
        if good.sum() < 30:
            return None
        left, middle, right, variance = left[good], middle[good], right[good], variance[good]
    squared = (left - 2.0 * middle + right) ** 2 / variance
    return _middle(squared) / 0.4549


def _middle(values: FloatArray) -> float:
    """The upper median: as good as the median here, at a third of its time."""
    half = values.size // 2
    return float(np.partition(values, half)[half])


def scatter_sigma(intensity: FloatArray) -> FloatArray | None:
    """Standard uncertainty from the scatter of neighbours, shape (N,); None where it has none."""
    scale = scatter_scale(intensity)
    if scale is None or not np.isfinite(scale) or scale <= 1e-12 * float(np.abs(intensity).max()):
        return None
    return np.asarray(np.maximum(np.sqrt(scale * np.maximum(intensity, scale)), 1e-100))


def is_normalised(intensity: FloatArray, whole: bool) -> bool:
    """Whether the largest intensity, of shape (N,), is a round number that all were scaled to."""
    top = float(intensity.max())
    if top not in _ROUND_MAXIMA:
        return False
    return not whole or top == 1.0


def inspect(
    axis_deg: FloatArray,
    counts: FloatArray,
    axis: Axis,
    step_time_s: float | None = None,
    poisson: bool = True,
) -> tuple[Finding, ...]:
    """Findings on tidy arrays of shape (N,): steps, gaps, spikes, saturation, counts.

    ``poisson`` is False where intensities are no counts. Raises `RefusedError` for the nodes of
    a curve.
    """
    findings = [*inspect_axis(axis_deg)]
    step = float(axis_deg[-1] - axis_deg[0]) / (axis_deg.size - 1)
    top = float(counts.max())
    findings += _inspect_top(counts, top, step_time_s)
    if axis in ("two_theta", "unknown"):
        findings += _inspect_beam(axis_deg, counts)
    findings += _inspect_spikes(axis_deg, counts)
    findings += _inspect_width(axis_deg, counts, top, step, axis)
    if poisson and float(counts.mean()) < 1.0:
        findings.append(finding("low_counts", f"{float(counts.mean()):.2g} a point"))
    return tuple(findings)


def inspect_axis(axis_deg: FloatArray) -> tuple[Finding, ...]:
    """Gaps and uneven steps of an ascending axis of shape (N,); refuses nodes of a curve."""
    count = axis_deg.size
    mean_step = float(axis_deg[-1] - axis_deg[0]) / (count - 1)
    steps = np.diff(axis_deg)
    if float(steps.max() - steps.min()) <= 0.05 * mean_step:
        return ()
    even = np.linspace(axis_deg[0], axis_deg[-1], count)
    off = float(np.abs(axis_deg - even).max())
    if off <= 0.25 * mean_step:
        return ()
    typical = float(np.median(steps))
    wide = steps > 1.6 * typical
    spread = float(np.median(np.abs(steps - typical)))
    if spread > 0.2 * typical and typical > 0.2:
        raise RefusedError(
            "sparse_nodes", f"{count} points, steps {steps.min():g} to {steps.max():g}"
        )
    places = decimals(axis_deg, most=3)
    if places is not None and off <= 0.6 * 10.0**-places:
        return ()
    findings = []
    few = int(wide.sum())
    if 0 < few <= max(1, 0.05 * count):
        places_text = ", ".join(
            f"{axis_deg[at]:g} to {axis_deg[at + 1]:g}" for at in np.flatnonzero(wide)[:5]
        )
        more = "" if few <= 5 else f" and {few - 5} more"
        findings.append(finding("gap", places_text + more))
        steps = steps[~wide]
    tolerance = max(0.05 * typical, 1.1 * 10.0**-places if places is not None else 0.0)
    if float(np.percentile(np.abs(steps - typical), 90)) > tolerance:
        findings.append(finding("uneven_step", f"{steps.min():.4g} to {steps.max():.4g}"))
    return tuple(findings)


def _inspect_top(counts: FloatArray, top: float, step_time_s: float | None) -> list[Finding]:
    found = []
    run = _longest_run(np.flatnonzero(counts == top))
    if top > 50 and run >= 3 and top > 2.0 * float(np.median(counts)):
        found.append(finding("saturation", f"{run} points in a row at {top:g}"))
    elif top in _FULL_SCALES and top > 1000:
        found.append(finding("saturation", f"the top is {top:g}, a full scale"))
    if step_time_s is not None and step_time_s > 0 and top / step_time_s > _DEAD_TIME_RATE:
        found.append(finding("dead_time", f"{top / step_time_s:.3g} counts/s at the top"))
    return found


def _longest_run(places: IntArray) -> int:
    """The most places in a row, of ascending indices of shape (K,)."""
    edges = np.flatnonzero(np.diff(places) != 1)
    return int(np.diff(np.concatenate([[-1], edges, [places.size - 1]])).max())


def _inspect_beam(axis_deg: FloatArray, counts: FloatArray) -> list[Finding]:
    """The direct beam, where a scan starts within two degrees of it and ends far from it."""
    if not -2.0 <= axis_deg[0] < 2.0 or axis_deg[-1] < 10.0:
        return []
    low = axis_deg < 2.0
    if int(low.sum()) < 1 or counts[low].max() < 20.0 * counts[axis_deg > 4.0].max(initial=0.0):
        return []
    return [
        finding(
            "direct_beam",
            f"{counts[low].max():.3g} counts at {axis_deg[low][counts[low].argmax()]:.2f}°",
        )
    ]


def spikes(counts: FloatArray) -> IntArray:
    """Places of single points no line could make, shape (K,) indices.

    A point is a spike when it stands at least eight standard uncertainties above both
    neighbours, and both stay below 15 % of its height over the points two away, and so far below
    40 % of it that counting does not explain it. Of a line of two steps' breadth the higher
    neighbour has half the height or more.
    """
    if counts.size < 5:
        return np.empty(0, dtype=np.int64)
    middle = counts[2:-2]
    near = np.maximum(counts[1:-3], counts[3:-1])
    candidates = np.flatnonzero(middle - near > 8.0 * np.sqrt(np.maximum(near, 1.0)))
    if candidates.size == 0:
        return candidates
    far = np.minimum(counts[:-4], counts[4:])[candidates]
    height = middle[candidates] - far
    wing = near[candidates] - far
    noise = 3.0 * np.sqrt(np.maximum(near[candidates], 1.0))
    low = wing <= 0.15 * height + np.minimum(noise, 0.1 * height)
    # Averaged signals scatter less than counts; none is trusted to scatter more.
    scale = min(1.0, scatter_scale(counts) or 1.0)
    unlike = 0.4 * height - wing > 3.0 * np.sqrt(
        scale * np.maximum(0.4 * height + np.maximum(far, 0.0), 0.0)
    )
    return np.asarray(candidates[low & unlike] + 2, dtype=np.int64)


def _inspect_spikes(axis_deg: FloatArray, counts: FloatArray) -> list[Finding]:
    at = spikes(counts)
    if at.size == 0:
        return []
    listed = ", ".join(f"{axis_deg[i]:.5g}°" for i in at[:5])
    if at.size > MOST_SPIKES:
        # So many are lines that the step is too coarse for: hot pixels come in ones and twos.
        return [
            finding(
                "coarse_step",
                f"{at.size} single points stand out, first {listed}; or few large grains",
            )
        ]
    return [finding("spike", listed)]


def common_spikes(
    scans: list[tuple[FloatArray, FloatArray]], tolerance_deg: float = 1e-6
) -> FloatArray:
    """Angles where every scan of several has a spike: hot pixels, shape (K,).

    ``scans``: pairs of axis and counts, each of shape (N,).
    """
    shared: FloatArray | None = None
    for axis_deg, counts in scans:
        places = axis_deg[spikes(counts)]
        if shared is None or places.size == 0:
            shared = places
        else:
            near = np.abs(shared[:, None] - places[None, :]).min(axis=1) <= tolerance_deg
            shared = shared[near]
    return np.empty(0) if shared is None else shared


def _inspect_width(
    axis_deg: FloatArray, counts: FloatArray, top: float, step: float, axis: Axis
) -> list[Finding]:
    """Too few points over half the height of the strongest point that is no spike."""
    if axis not in ("two_theta", "omega", "unknown"):
        return []
    if axis == "two_theta" and step > 0.1:
        return [finding("coarse_step", f"{step:.3g}° where 2θ lines are 0.1 to 0.3° wide")]
    at = int(counts.argmax())
    base = _middle(counts[:: max(1, counts.size // 1000)])
    if top - base < 20.0 * math.sqrt(max(base, 1.0)):
        return []
    half = base + 0.5 * (top - base)
    left, right = at, at
    while left > 0 and counts[left - 1] > half and at - left < 4:
        left -= 1
    while right < counts.size - 1 and counts[right + 1] > half and right - at < 4:
        right += 1
    wide = right - left + 1
    if wide >= 4 or left == 0 or right == counts.size - 1 or at in spikes(counts):
        return []
    return [finding("coarse_step", f"{wide} points over half the height at {axis_deg[at]:.4g}°")]
