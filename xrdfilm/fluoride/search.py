"""Is there a fluoride line anywhere: all lines of one cell, all cells of a range, at stated risk.

Each assumption on the orientation (aligned (00l), aligned (111), random) foretells how the area
divides among the lines, and so one significance Z at each cell edge. Two questions share the
stated false-alarm risk α:

- at the nominal cell, over the assumptions (their correlation taken into account): 0.8 α;
- anywhere in the range of cells, over cells and assumptions (`xrdfilm.fitting.cellscan`): 0.2 α.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import ndtr, ndtri

from xrdfilm._typing import FloatArray
from xrdfilm.estimate import quantile_of_sorted
from xrdfilm.fitting.cellscan import LineScan, normal_score, path_length, search_p_value
from xrdfilm.texture.fractions import normal_draws

NOMINAL_SHARE = 0.8


@dataclass(frozen=True, slots=True)
class Template:
    """One assumption on its lines at every cell: arrays (G,).

    ``strengths`` (L,) are areas over amplitude; ``weights`` (L, G) make the amplitude,
    Σ weights·areas / information, ``information`` = Σ weights·strengths; ``z`` its significance,
    -inf where no line can be used; ``third`` its skewness.
    """

    name: str
    strengths: FloatArray
    weights: FloatArray
    information: FloatArray
    z: FloatArray
    third: FloatArray
    length: float


@dataclass(frozen=True, slots=True)
class Search:
    """The outcome: p-values of both questions, and where the best of each lies.

    ``edges_A``, shape (E,), are the cells that were tried. ``threshold`` is the normal score that
    the nominal question asks for at its share of α.
    """

    edges_A: FloatArray
    nominal: int
    templates: tuple[Template, ...]
    p_nominal: float
    p_search: float
    best_template: int
    best_edge: int
    threshold: float
    detected_nominal: bool
    detected_search: bool

    @property
    def detected(self) -> bool:
        """Whether either question is answered with yes."""
        return self.detected_nominal or self.detected_search

    @property
    def p_value(self) -> float:
        """Probability that a film without fluoride looks as much like one as this."""
        share = NOMINAL_SHARE
        return float(min(1.0, self.p_nominal / share, self.p_search / (1.0 - share)))


def make_template(
    name: str,
    strengths: FloatArray,
    scans: Sequence[LineScan | None],
    used: Sequence[bool],
    n_edges: int,
) -> Template:
    """The template of one assumption over the lines, (L,), ``used`` and scanned."""
    weights = np.zeros((strengths.size, n_edges))
    areas = np.zeros_like(weights)
    cubes = np.zeros(n_edges)
    for i, scan in enumerate(scans):
        if scan is None or not used[i] or strengths[i] <= 0.0:
            continue
        weights[i] = np.where(scan.usable, strengths[i] / np.square(scan.sigma_blank), 0.0)
        areas[i] = scan.areas
    information = strengths @ weights
    safe = np.maximum(information, 1e-300)
    root = np.sqrt(safe)
    z = np.where(information > 0.0, np.einsum("lg,lg->g", weights, areas) / root, -np.inf)
    cosines = np.zeros(n_edges - 1)
    for i, scan in enumerate(scans):
        if scan is None or not weights[i].any():
            continue
        part = weights[i] * scan.sigma_blank / root
        cubes += part**3 * scan.third
        cosines += part[:-1] * part[1:] * scan.path
    length = path_length(cosines, information > 0.0)
    return Template(name, strengths, weights, information, z, cubes, length)


def search(
    edges_A: FloatArray, nominal: int, templates: Sequence[Template], alpha: float
) -> Search:
    """Answer both questions for templates over the cells ``edges_A`` (G,)."""
    at_nominal = [
        (t, normal_score(float(t.z[nominal]), float(t.third[nominal])))
        for t in templates
        if np.isfinite(t.z[nominal])
    ]
    threshold = float(ndtri(1.0 - NOMINAL_SHARE * alpha))
    p_nominal = 1.0
    if at_nominal:
        best = max(score for _, score in at_nominal)
        root = _correlation_root([t for t, _ in at_nominal], nominal)
        highest = _highest(root.tobytes(), len(at_nominal))
        threshold = quantile_of_sorted(highest, 1.0 - NOMINAL_SHARE * alpha)
        above = float(highest.size - np.searchsorted(highest, best))
        p_nominal = (
            above / highest.size
            if above >= 20
            else min(above / highest.size + 20.0 / highest.size, len(at_nominal) * ndtr(-best))
        )
    best_template, best_edge, top = 0, nominal, -np.inf
    for k, template in enumerate(templates):
        there = np.isfinite(template.z)
        z = np.where(there, template.z, 0.0)
        rough = np.where(there, z - template.third * (np.square(z) - 1.0) / 6.0, -np.inf)
        edge = int(np.argmax(rough))
        if not np.isfinite(template.z[edge]):
            continue
        score = normal_score(float(template.z[edge]), float(template.third[edge]))
        if score > top:
            best_template, best_edge, top = k, edge, score
    p_search = sum(search_p_value(top, t.length) for t in templates) if np.isfinite(top) else 1.0
    return Search(
        edges_A,
        nominal,
        tuple(templates),
        float(p_nominal),
        float(min(1.0, p_search)),
        best_template,
        best_edge,
        threshold,
        bool(p_nominal < NOMINAL_SHARE * alpha),
        bool(p_search < (1.0 - NOMINAL_SHARE) * alpha),
    )


def _correlation_root(templates: Sequence[Template], index: int) -> FloatArray:
    """Root of the correlation of the templates' significances at one cell, rounded to cache."""
    n = len(templates)
    correlation = np.eye(n)
    for i in range(n):
        for j in range(i):
            shared = float(templates[i].strengths @ templates[j].weights[:, index])
            norm = np.sqrt(templates[i].information[index] * templates[j].information[index])
            both = (templates[i].weights[:, index] > 0) & (templates[j].weights[:, index] > 0)
            correlation[i, j] = correlation[j, i] = shared / norm if both.any() else 0.0
    values, vectors = np.linalg.eigh(np.round(correlation, 2))
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


@lru_cache(maxsize=256)
def _highest(root: bytes, n: int) -> FloatArray:
    """Sorted draws of the highest of n correlated standard normals."""
    matrix = np.frombuffer(root).reshape(n, n)
    return np.sort((normal_draws(16384, n, seed=23) @ matrix.T).max(axis=1))
