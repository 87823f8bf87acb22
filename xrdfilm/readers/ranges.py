"""Several ranges or scans in one file: cut where the axis starts anew, join what is one scan."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.readers.raw import RawScan
from xrdfilm.readers.scan_checks import MIN_POINTS, finding

_MOST_PIECES = 10_000


def cuts(axis_deg: FloatArray) -> list[slice]:
    """Where to cut an axis of shape (N,) so that each piece runs one way.

    A step back by more than three usual steps starts a new piece; smaller ones are disorder,
    which `scan_checks.tidy` puts right. Runs to and fro (a scan up and down again) are cut at
    their turns.
    """
    whole = [slice(0, axis_deg.size)]
    step = np.diff(axis_deg)
    if axis_deg.size < 2 * MIN_POINTS or (step > 0).all() or (step < 0).all():
        return whole
    good = np.flatnonzero(np.isfinite(axis_deg) & (axis_deg > -999.0))
    if good.size < 2 * MIN_POINTS:
        return whole
    step = np.diff(axis_deg[good])
    forward = 1.0 if int((step > 0).sum()) >= int((step < 0).sum()) else -1.0
    against = step * forward < 0
    if not against.any():
        return whole
    usual = float(np.median(np.abs(step[step != 0])))
    far = np.flatnonzero(against & (np.abs(step) > 3.0 * usual))
    if against.sum() > 0.1 * step.size:
        moving = np.flatnonzero(step != 0)
        signs = np.sign(step[moving])
        far = moving[1:][np.diff(signs) != 0] - 1
        if far.size > 0.05 * step.size:
            return whole
        far = far + 1
    edges = [0, *(int(good[at + 1]) for at in far), axis_deg.size]
    pieces = [slice(low, high) for low, high in pairwise(edges)]
    if len(pieces) > _MOST_PIECES:
        return whole
    if any(piece.stop - piece.start < MIN_POINTS for piece in pieces) and len(pieces) > 8:
        return whole
    return pieces


def cut(raw: RawScan) -> list[RawScan]:
    """The pieces of a raw scan that each run one way."""
    pieces = cuts(raw.axis_deg)
    if len(pieces) == 1:
        return [raw]
    return [
        replace(
            raw,
            axis_deg=raw.axis_deg[piece],
            intensity=raw.intensity[piece],
            sigma=None if raw.sigma is None else raw.sigma[piece],
            factor=None if raw.factor is None else raw.factor[piece],
        )
        for piece in pieces
    ]


_SAMPLE_KEYS = ("sample", "sampleid", "id", "name", "samplename", "phi", "chi", "temperature")


def _belong(first: RawScan, second: RawScan) -> bool:
    """Whether two neighbours in a file are ranges of one coupled scan."""
    if first.axis not in ("two_theta", None) or first.axis != second.axis:
        return False
    same = (
        first.intensity_unit == second.intensity_unit
        and first.wavelength_A == second.wavelength_A
        and first.anode == second.anode
        and first.net == second.net
        and (first.sigma is None) == (second.sigma is None)
        and first.factor is None
        and second.factor is None
        and (first.step_time_s is None) == (second.step_time_s is None)
    )
    if not same or first.axis_words or second.axis_words:
        return False
    ours = {key.lower().replace(" ", ""): value for key, value in first.meta.items()}
    theirs = {key.lower().replace(" ", ""): value for key, value in second.meta.items()}
    if any(key in ours and key in theirs and ours[key] != theirs[key] for key in _SAMPLE_KEYS):
        return False
    return _follow(first.axis_deg, second.axis_deg)


def _follow(first: FloatArray, second: FloatArray) -> bool:
    """Whether one axis goes on where the other ends, in the same direction, with no overlap."""
    a, b = _finite(first), _finite(second)
    if a.size < 2 or b.size < 1:
        return False
    up = a[-1] > a[0]
    runs_same = b.size < 2 or (b[-1] > b[0]) == up
    return bool(runs_same and (b[0] >= a[-1] if up else b[0] <= a[-1]))


def _finite(values: FloatArray) -> FloatArray:
    return values[np.isfinite(values) & (values > -999.0)]


def join(raw_scans: list[RawScan]) -> tuple[RawScan, ...]:
    """Neighbours that are ranges of one scan made one; all else as it is."""
    groups: list[list[RawScan]] = []
    for raw in raw_scans:
        if groups and _belong(groups[-1][-1], raw):
            groups[-1].append(raw)
        else:
            groups.append([raw])
    return tuple(group[0] if len(group) == 1 else _joined(group) for group in groups)


def _joined(group: list[RawScan]) -> RawScan:
    first = group[0]
    findings = [*first.findings, finding("ranges_joined", f"{len(group)} ranges")]
    for raw in group[1:]:
        findings += [one for one in raw.findings if one not in findings]
    times = [raw.step_time_s for raw in group]
    intensity = [raw.intensity for raw in group]
    sigma = None if first.sigma is None else [raw.sigma for raw in group]
    if len(set(times)) > 1 and first.intensity_unit != "counts_per_s":
        # Counts of a longer range stand for the first one's time, with the error they really have.
        scale = [times[0] / time if time and times[0] else 1.0 for time in times]
        if sigma is None:
            sigma = [np.sqrt(np.maximum(y, 1.0)) for y in intensity]
        intensity = [y * k for y, k in zip(intensity, scale, strict=True)]
        sigma = [None if s is None else s * k for s, k in zip(sigma, scale, strict=True)]
        findings.append(
            finding("range_times_differ", ", ".join(f"{time:g} s" for time in times if time))
        )
    elif len(set(times)) > 1 and sigma is None:
        sigma = [
            np.sqrt(np.maximum(raw.intensity * time, 1.0)) / time
            for raw, time in zip(group, times, strict=True)
            if time
        ]
        findings.append(
            finding("range_times_differ", ", ".join(f"{time:g} s" for time in times if time))
        )
    joined_sigma = None
    if sigma is not None:
        joined_sigma = np.concatenate([part for part in sigma if part is not None])
    return replace(
        first,
        axis_deg=np.concatenate([raw.axis_deg for raw in group]),
        intensity=np.concatenate(intensity),
        sigma=joined_sigma,
        findings=tuple(findings),
    )
