"""How much of an assumption the lines show, and which assumption their ratios speak for.

An amplitude is a weighted area over the strength of a unit volume, with its limits for deciding
and detecting. Where several lines can be used their ratios may settle how the grains stand; where
they speak for a mixture, its members are given with their covariance.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.fitting.cellscan import LineScan

MEMBER_SHOWS = 4.0  # standard uncertainties by which a part of a mixture must stand out
NEAREST = 25.0  # in chi-square: an assumption worse than the best by more is out of the question
HOPELESS = 1e-9  # where even the best agrees no better, the line that shows may be no fluoride's
_WORDS = {"aligned_00l": "(00l)-aligned", "aligned_111": "(111)-aligned", "random": "random"}


@dataclass(frozen=True, slots=True)
class LineAreas:
    """The lines at one cell: arrays (L,), areas in counts·deg.

    ``variance`` holds the lines' own counts; that of a true area A without them is
    ``blank_variance`` + ``variance_slope``·A. ``third`` is the skewness of a blank's area.
    """

    areas: FloatArray
    variance: FloatArray
    blank_variance: FloatArray
    variance_slope: FloatArray
    third: FloatArray
    usable: np.ndarray

    @classmethod
    def at(cls, scans: Sequence[LineScan | None], edge: int) -> LineAreas:
        """From scans over cells, at one grid point."""
        rows = [
            (0.0, 1.0, 1.0, 0.0, 0.0, False)
            if s is None
            else (
                float(s.areas[edge]),
                s.sigma(edge) ** 2,
                float(s.sigma_blank[edge]) ** 2,
                float(s.variance_slope[edge]),
                float(s.third[edge]),
                bool(s.usable[edge]),
            )
            for s in scans
        ]
        columns = [np.array(column) for column in zip(*rows, strict=True)]
        return cls(*columns)


@dataclass(frozen=True, slots=True)
class Amplitude:
    """x = K·V of the fluoride under one assumption, with L_C and L_D as amplitudes.

    ``sigma`` holds the fluoride's own counts, ``sigma_blank`` does not. ``weights`` (L,) give
    value = Σ weights·areas / Σ weights·strengths; ``lines`` are the indices used. ``of_any_cell``:
    where nothing was detected, value and sigma of what may be there with another cell, and
    ``hidden_cells_A`` the cells at which other lines hide all of its own.
    """

    name: str
    value: float
    sigma: float
    sigma_blank: float
    decision: float
    detection: float
    weights: FloatArray
    strengths: FloatArray
    lines: tuple[int, ...]
    of_any_cell: tuple[float, float] | None = None
    hidden_cells_A: tuple[float, ...] = ()


def amplitude_of(
    name: str,
    strengths: FloatArray,
    at: LineAreas,
    used: Sequence[bool],
    threshold: float,
    beta: float,
    *,
    decides: Sequence[bool] | None = None,
    nominal: LineAreas | None = None,
    at_nominal: FloatArray | None = None,
    shows: bool = False,
) -> Amplitude | None:
    """The amplitude of an assumption; None where none of its lines can be used.

    ``strengths``, shape (lines,), are those of a unit volume; ``used`` the lines that make the
    amount, ``decides`` those that may detect, whose limits
    are given (nan where there is none). ``threshold`` is the decision's normal score. ``nominal``
    are the lines at the nominal cell, for the limits, and ``at_nominal`` the strengths there;
    ``shows`` weighs lines as those of a fluoride that is there.
    """
    mask = np.array(used, dtype=bool) & at.usable & (strengths > 0.0)
    if not mask.any():
        return None
    variance, value = at.blank_variance, 0.0
    weights = np.zeros_like(strengths)
    for _ in range(3 if shows else 1):
        weights = np.where(mask, strengths / variance, 0.0)
        value = float(weights @ at.areas) / float(weights @ strengths)
        variance = at.blank_variance + at.variance_slope * max(value, 0.0) * strengths
    share = weights / float(weights @ strengths)
    sigma = float(np.sqrt(np.square(share) @ at.variance))
    base = at if nominal is None else nominal
    nominal_strengths = strengths if at_nominal is None else at_nominal
    may = np.array(used if decides is None else decides, dtype=bool)
    blank_mask = may & base.usable & (nominal_strengths > 0.0)
    decision = detection = float("nan")
    blank = float(np.sqrt(np.square(share) @ at.blank_variance))
    if blank_mask.any():
        blank_weights = np.where(blank_mask, nominal_strengths / base.blank_variance, 0.0)
        blank_share = blank_weights / float(blank_weights @ nominal_strengths)
        root = float(np.sqrt(np.square(blank_share) @ base.blank_variance))
        third = float((blank_share * np.sqrt(base.blank_variance) / root) ** 3 @ base.third)
        slope = float(np.square(blank_share) @ (base.variance_slope * nominal_strengths))
        decision = root * (threshold + third * (threshold**2 - 1.0) / 6.0)
        z_beta = float(ndtri(1.0 - beta))
        detection = decision + z_beta * root
        for _ in range(20):
            detection = decision + z_beta * math.sqrt(root**2 + slope * detection)
    return Amplitude(
        name,
        value,
        sigma,
        blank,
        float(decision),
        float(detection),
        weights,
        strengths,
        tuple(int(i) for i in np.flatnonzero(mask)),
    )


def of_any_cell(
    amplitude: Amplitude,
    scans: Sequence[LineScan | None],
    used: Sequence[bool],
    edges_A: FloatArray,
    level: float,
) -> Amplitude:
    """The amplitude of what was not detected, for a cell that may be anywhere in the range.

    At the nominal cell a fluoride with another cell shows nothing. So the likelihood of the
    amplitude is averaged over the cells, each as likely as another; value and sigma are the mean
    and the spread that reach the limit at ``level`` of what then remains (amplitudes from 0 up).
    Cells (of ``edges_A``, shape (G,)) at which every line is hidden are left out and named.
    """
    strengths = amplitude.strengths
    information = score = np.zeros(1)
    for i, scan in enumerate(scans):
        if scan is None or not used[i] or strengths[i] <= 0.0:
            continue
        weight = np.where(scan.usable, strengths[i] / np.square(scan.sigma_blank), 0.0)
        information = information + weight * strengths[i]
        score = score + np.where(scan.usable, weight * scan.areas, 0.0)
    seen = information > 0.0
    if not seen.any():
        return amplitude
    information, score = information[seen], score[seen]
    best = np.maximum(score / information, 0.0)
    top = float(np.max(best + 6.0 / np.sqrt(information)))
    x = np.linspace(0.0, top, 801)
    log = score[:, None] * x
    log -= 0.5 * information[:, None] * np.square(x)
    log -= log.max()
    np.maximum(log, -700.0, out=log)  # what would underflow is nothing, and slow
    density = np.exp(log, out=log).sum(axis=0)
    cumulative = np.concatenate([[0.0], np.cumsum(0.5 * (density[1:] + density[:-1]))])
    limit = float(np.interp(level, cumulative / cumulative[-1], x))
    mean = float(density @ x / density.sum())
    sigma = (limit - mean) / float(ndtri(level))
    hidden = tuple(float(edge) for edge in edges_A[~seen])
    return replace(amplitude, of_any_cell=(mean, sigma), hidden_cells_A=hidden)


@dataclass(frozen=True, slots=True)
class OrientationVerdict:
    """What the line ratios say: the assumptions that fit, and shares where it takes a mixture.

    ``name`` is one assumption, "mixed", or None where several fit or none does; ``fitting`` are
    those that fit, or come nearest where none does.
    ``amplitudes``, shape (M,), and ``covariance``, (M, M), belong to ``members``.
    """

    name: str | None
    fitting: tuple[str, ...]
    p_values: Mapping[str, float]
    members: tuple[str, ...]
    amplitudes: FloatArray
    covariance: FloatArray
    text: str


def judge_orientation(
    hkl: Sequence[Hkl],
    areas: FloatArray,
    sigmas: FloatArray,
    strengths: Mapping[str, FloatArray],
    *,
    model_sigma: float = 0.08,
    refuse_below: float = 0.01,
) -> OrientationVerdict:
    """Which assumption the areas (L,) of the usable lines agree with, by chi-square.

    ``strengths`` (L,) an assumption; ``model_sigma`` is the relative doubt of an expected area. An
    assumption is refused where agreement as bad as this has a probability under ``refuse_below``.
    A mixture is named only where no single assumption will do and each of its parts stands out by
    itself: what noise or a neighbour leaves at the place of a weak line would else count for a
    large volume of random grains.
    """
    from scipy.optimize import nnls
    from scipy.special import chdtrc

    p_values: dict[str, float] = {}
    misfits: dict[str, float] = {}
    for name, s in strengths.items():
        if not s.any():
            continue
        variance = np.square(sigmas)
        x = 0.0
        for _ in range(4):
            x = max(float((s / variance) @ areas) / float((s / variance) @ s), 0.0)
            variance = np.square(sigmas) + np.square(model_sigma * x * s)
        misfits[name] = chi = float(np.sum(np.square(areas - x * s) / variance))
        p_values[name] = float(chdtrc(max(areas.size - 1, 1), chi)) if areas.size > 1 else 1.0
    fitting = tuple(name for name, p in p_values.items() if p >= refuse_below)
    empty = np.zeros(0)
    if len(fitting) == 1 and areas.size > 1:
        others = " and ".join(_WORDS.get(n, n) for n in p_values if n not in fitting)
        text = (
            f"the line ratios fit {_WORDS.get(fitting[0], fitting[0])} grains and refuse {others}"
        )
        return OrientationVerdict(
            fitting[0], fitting, p_values, fitting, empty, np.zeros((0, 0)), text
        )
    if len(fitting) > 1 or areas.size < 2:
        told = ", ".join(_WORDS.get(n, n) for n in fitting)
        return OrientationVerdict(
            None,
            fitting,
            p_values,
            fitting,
            empty,
            np.zeros((0, 0)),
            f"the usable lines ({_names(hkl)}) cannot tell these orientations apart: {told}",
        )
    names = tuple(n for n in strengths if strengths[n].any())
    matrix = np.column_stack([strengths[n] for n in names])
    spread = np.sqrt(np.square(sigmas) + np.square(model_sigma * areas))
    mixture, residual = nnls(matrix / spread[:, None], areas / spread)
    active = np.flatnonzero(mixture > 0.0)
    dof = max(areas.size - active.size, 1)
    p_mixture = float(chdtrc(dof, residual**2))
    members = tuple(names[i] for i in active)
    part = matrix[:, active] / spread[:, None]
    covariance = np.linalg.inv(part.T @ part)
    parts_stand_out = bool(np.all(mixture[active] > MEMBER_SHOWS * np.sqrt(np.diag(covariance))))
    if p_mixture < 1e-3 or active.size < 2 or not parts_stand_out:
        least = min(misfits.values())
        nearest = tuple(n for n, chi in misfits.items() if chi < least + NEAREST)
        grains = " or ".join(_WORDS.get(n, n) for n in nearest)
        said = f"come nearest to {grains} grains but do not fit"
        if max(p_values.values()) < HOPELESS:  # the nearest is no answer either
            nearest, said = (), "fit no mixture of the orientations, not by far"
        return OrientationVerdict(
            None, nearest, p_values, members, empty, np.zeros((0, 0)),
            f"the line ratios {said}: an overlapping line, another phase, or an orientation "
            "not thought of",
        )  # fmt: skip
    return OrientationVerdict(
        "mixed",
        members,
        p_values,
        members,
        mixture[active],
        covariance,
        "only a mixture fits the line ratios: " + " and ".join(_WORDS.get(n, n) for n in members),
    )


def _names(hkl: Sequence[Hkl]) -> str:
    return ", ".join("({}{}{})".format(*h) for h in hkl)
