"""Shares of a layer's volume from line areas: weighted least squares, and honest intervals.

The areas y of N lines follow y = A x with one column of A a component (its line areas at unit
amplitude) and amplitudes x = K v proportional to volume. A is known only within the spread of its
nuisance parameters (structure data, mosaic, acceptance, thickness), so it comes with draws. Every
draw is solved with one fixed weight matrix; the shares of the draws, whose counting noise is drawn
along, make the intervals. Because weights stay fixed and a draw is an equally likely account of the
same areas, the quantiles hold the truth as often as they say when the truth is drawn like the
nuisances are (a pivot: the estimate over the truth depends on their ratio alone).

Pure functions on arrays; nothing here knows of crystals.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
from scipy.special import chdtrc, ndtri

from xrdfilm._typing import FloatArray
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_draws

DRAWS = 1024
DISAGREE_BELOW = 0.01  # probability of a chi-square as large, under which the lines disagree
_FAR = 3.0  # a share's draws are kept within this distance of 0..1, so that sigma stays finite
_WORST_CONDITION = 1e7
_ROOM_BELOW_ZERO = 0.1
# Where the sum of the amplitudes is known better than this the plain least-squares shares are told,
# which have no bias; beyond, one component is all but invisible (random grains beside a sharp film)
# and may come out at minus several films, so the best account without negative volumes is taken.
_SUM_KNOWN_TO = 0.3


@dataclass(frozen=True, eq=False)
class Response:
    """Line areas of each component at unit amplitude, with draws over what is not known.

    ``nominal`` has shape (N, P), lines by components; ``draws`` (J, N, P); ``normals`` (J, K)
    are the standard normal variables the draws were made with, and ``causes`` names the cause of
    each of the K ("structure data", "mosaic", ...).
    """

    components: tuple[str, ...]
    nominal: FloatArray
    draws: FloatArray
    normals: FloatArray
    causes: tuple[str, ...]
    _parts: dict[tuple[tuple[int, ...], tuple[int, ...]], Response] = field(
        default_factory=dict, init=False, repr=False
    )

    @cached_property
    def scale(self) -> FloatArray:
        """The largest nominal area of each component, (P,)."""
        return np.asarray(np.abs(self.nominal).max(axis=0))

    @cached_property
    def scaled(self) -> tuple[FloatArray, FloatArray]:
        """Nominal values over `scale`, (N, P), and draws over it by component, (P, J, N)."""
        draws = np.moveaxis(self.draws / self.scale, 2, 0)
        return self.nominal / self.scale, np.ascontiguousarray(draws)

    @cached_property
    def doubt(self) -> FloatArray:
        """Covariance of the scaled draws of two components, (P, P, N, N), without what scales a
        column alike."""
        draws = _less_common_scale(self.nominal / self.scale, self.draws / self.scale)
        centred = draws - draws.mean(axis=0)
        count, n, p = centred.shape
        table = np.ascontiguousarray(centred.transpose(2, 1, 0)).reshape(p * n, count)
        whole = (table @ table.T / count).reshape(p, n, p, n)
        return np.ascontiguousarray(whole.transpose(0, 2, 1, 3))

    def select(self, rows: Sequence[int] | range, columns: Sequence[int]) -> Response:
        """The response of these lines to these components."""
        key = (tuple(rows), tuple(columns))
        if key not in self._parts:
            at = np.ix_(rows, columns)
            self._parts[key] = Response(
                tuple(self.components[i] for i in columns),
                self.nominal[at],
                self.draws[:, at[0], at[1]],
                self.normals,
                self.causes,
            )
        return self._parts[key]


@dataclass(frozen=True, slots=True)
class Shares:
    """Volume shares, and the lines' account of them.

    ``shares`` maps a component to its estimate; the unbounded estimates sum to 1. ``amplitudes``
    (P,) and ``predicted`` (N,) belong to the nominal response; ``normalised_residuals`` (N,) are
    residuals over their own standard uncertainty. ``p_value`` is the probability of a larger
    chi-square; ``widened`` the factor put on the intervals where the lines disagree, else 1.
    """

    shares: Mapping[str, Estimate]
    amplitudes: FloatArray
    predicted: FloatArray
    normalised_residuals: FloatArray
    chi_square: float
    dof: int
    p_value: float
    widened: float


@lru_cache(maxsize=64)
def normal_draws(n: int, dimensions: int, seed: int = 20) -> FloatArray:
    """Latin hypercube sample of independent standard normals, shape (n, dimensions), read-only.

    Source: McKay, Beckman, Conover, Technometrics 21 (1979) 239 (from memory).
    """
    rng = np.random.default_rng(seed)
    strata = (np.arange(n) + 0.5) / n
    table = rng.permuted(np.tile(strata, (dimensions, 1)), axis=1).T
    sample = np.ascontiguousarray(ndtri(table))
    sample.flags.writeable = False
    return sample


def solve_shares(
    areas: FloatArray,
    covariance: FloatArray,
    response: Response,
    *,
    merge: Mapping[str, tuple[str, ...]] | None = None,
    like_areas: bool = True,
    level: float = DEFAULT_LEVEL,
) -> Shares:
    """Volume shares of the components from line areas.

    ``areas`` (N,) and ``covariance`` (N, N) are what was measured; ``merge`` names shares that are
    sums of columns (default: one share a column). ``like_areas`` False says that the rows are not
    of one kind (areas and a level, say), so that no common growth of variance with area is read
    off them. Raises CannotTellError where the lines cannot
    hold the components apart, or where nothing at all shows.
    """
    areas = np.asarray(areas, dtype=float)
    covariance = np.asarray(covariance, dtype=float)
    n, p = response.nominal.shape
    if areas.shape != (n,) or covariance.shape != (n, n):
        raise ValueError(f"{n} lines in the response, areas {areas.shape}, {covariance.shape}")
    if n < p:
        raise CannotTellError(
            f"{n} usable lines cannot hold {p} components apart: {', '.join(response.components)}"
        )
    scale = response.scale
    if np.any(scale <= 0.0):
        silent = [c for c, s in zip(response.components, scale, strict=True) if s <= 0.0]
        raise CannotTellError(f"no usable line would show {', '.join(silent)}")
    nominal, draws = response.scaled
    per_area = variance_per_area(areas, covariance) if like_areas else 0.0
    weights = _weights(areas, covariance, nominal, response.doubt, per_area)
    normal_matrix = nominal.T @ weights @ nominal
    unit = 1.0 / np.sqrt(np.diag(normal_matrix))
    if np.linalg.cond(normal_matrix * np.outer(unit, unit)) > _WORST_CONDITION:
        raise CannotTellError(
            "the usable lines do not hold apart " + ", ".join(response.components)
        )
    amplitudes = np.linalg.solve(normal_matrix, nominal.T @ weights @ areas)
    predicted = nominal @ amplitudes

    root = _root(covariance)
    noise = normal_draws(draws.shape[1], n, seed=21) @ root.T
    noise += _poisson_skew(noise, np.diag(covariance), per_area)
    drawn = _drawn_amplitudes(draws, weights, areas + noise)

    residual = areas - predicted
    chi_square = float(residual @ weights @ residual)
    dof = n - p
    p_value = float(chdtrc(dof, chi_square)) if dof > 0 else 1.0
    widened = float(np.sqrt(chi_square / dof)) if dof > 0 and p_value < DISAGREE_BELOW else 1.0
    residual_covariance = np.linalg.inv(weights) - nominal @ np.linalg.solve(
        normal_matrix, nominal.T
    )
    spread = np.sqrt(np.maximum(np.diag(residual_covariance), 1e-12 * np.diag(covariance)))
    normalised = residual / spread if dof > 0 else np.zeros(n)

    volume, drawn_volume = amplitudes / scale, drawn / scale[:, None]
    spread_of_sum = float(drawn_volume.sum(axis=0).std())
    # the best account without negative volumes; where none is negative it is the plain one
    possible = volume if np.all(volume >= 0.0) else _non_negative(areas, nominal, weights) / scale
    best = middle = volume
    if float(volume.sum()) < spread_of_sum / _SUM_KNOWN_TO:
        best = possible
        # an estimate below zero must not give a limit better than one that stands at zero
        below = np.minimum(volume, 0.0)
        middle, drawn_volume = volume - below, drawn_volume - below[:, None]
    total, whole = float(best.sum()), float(possible.sum())
    if total <= 0.0 or whole <= 0.0:
        raise CannotTellError("no line of the layer stands above its background")
    shares: dict[str, Estimate] = {}
    for name, members in (merge or {c: (c,) for c in response.components}).items():
        own = [response.components.index(m) for m in members]
        rest = [i for i in range(p) if i not in own]
        sample = _share_draws(drawn_volume, own, rest)
        centre = float(_share_draws(middle[:, None], own, rest)[0])
        sample = centre + widened * (sample - centre)
        sources = split_sources(sample, response.normals, response.causes)
        found = from_draws(centre, sample, level=level, bounds=(0.0, 1.0), sources=sources)
        shares[name] = _told(
            found, float(best[own].sum() / total), float(possible[own].sum() / whole)
        )
    return Shares(
        shares,
        volume,
        predicted,
        normalised,
        chi_square,
        dof,
        p_value,
        widened,
    )


def _told(share: Estimate, estimate: float, value: float) -> Estimate:
    """A share with its unbounded estimate, and told with the value that no negative volume bears.

    The values of the best account without negative volumes sum to 1, those of the unbounded one
    need not where a component came out below none and only a limit of it is told.
    """
    share = replace(share, estimate=estimate)
    if share.value is None or share.low is None or share.high is None:
        return share
    if min(estimate, value) <= 0.0 or value < min(share.low, share.sigma or 0.0):
        return replace(share, value=None, low=0.0)  # not held apart from none
    if max(estimate, value) >= 1.0:
        return replace(share, value=None, high=1.0)
    return replace(share, value=value, low=min(share.low, value), high=max(share.high, value))


def _non_negative(areas: FloatArray, nominal: FloatArray, weights: FloatArray) -> FloatArray:
    """Best amplitudes (P,) none of which is negative."""
    from scipy.optimize import nnls

    root = np.linalg.cholesky(weights).T
    return np.asarray(nnls(root @ nominal, root @ areas)[0])


def _drawn_amplitudes(draws: FloatArray, weights: FloatArray, areas: FloatArray) -> FloatArray:
    """Least-squares amplitudes (P, J) of the draws (P, J, N) for areas (J, N), weights (N, N).

    Each draw is a system of few unknowns: all are eliminated together, without pivots, which
    matrices of a least-squares fit do not need.
    """
    p = draws.shape[0]
    left = draws @ weights
    normal = [[np.einsum("jn,jn->j", left[a], draws[b]) for b in range(a + 1)] for a in range(p)]
    right = [np.einsum("jn,jn->j", left[a], areas) for a in range(p)]
    factor: dict[tuple[int, int], FloatArray] = {}
    for k in range(p):
        for a in range(k + 1, p):
            factor[a, k] = normal[a][k] / normal[k][k]
            right[a] = right[a] - factor[a, k] * right[k]
            for b in range(k + 1, a + 1):
                normal[a][b] = normal[a][b] - factor[a, k] * normal[b][k]
    found = [right[k] / normal[k][k] for k in range(p)]
    for k in range(p - 2, -1, -1):
        for a in range(k + 1, p):
            found[k] = found[k] - factor[a, k] * found[a]
    return np.array(found)


def _share_draws(volume: FloatArray, own: list[int], rest: list[int]) -> FloatArray:
    """Shares of the draws, shape (J,), of their volumes (P, J).

    A component's own amplitude may be negative, and those it is compared with a little so: a tenth
    of the film, room enough for noise that would otherwise push the share one way only. Further
    down they are cut off, since no volume is negative and an all but invisible component must not
    make the others as large as it likes.
    """
    room = _ROOM_BELOW_ZERO * np.maximum(volume, 0.0).sum(axis=0)
    numerator = volume[own].sum(axis=0)
    others = np.maximum(volume[rest], -room).sum(axis=0)
    total = numerator + others
    # where nothing is left of the total the component is either all there is, or less than none
    safe = np.where(total > 0.0, total, 1.0)
    share = np.where(total > 0.0, numerator / safe, np.where(numerator > 0, np.inf, -np.inf))
    return np.clip(share, -_FAR, 1.0 + _FAR)


def _weights(
    areas: FloatArray,
    covariance: FloatArray,
    nominal: FloatArray,
    doubt: FloatArray,
    per_area: float,
) -> FloatArray:
    """Inverse of counting plus model covariance, shape (N, N); ``doubt`` is `Response.doubt`.

    Both parts belong to the areas that the fit predicts, not to the measured ones: weighting by
    measured areas would favour lines that came out low (Peelle's puzzle).
    """
    measured = np.diag(covariance)
    total = covariance + np.diag((0.05 * np.abs(areas)) ** 2)
    for _ in range(2):
        weights = np.linalg.inv(total)
        amplitudes = np.linalg.lstsq(
            nominal.T @ weights @ nominal, nominal.T @ weights @ areas, rcond=None
        )[0]
        there = np.maximum(amplitudes, 0.0)
        predicted = nominal @ there
        model = np.einsum("p,q,pqnm->nm", there, there, doubt)
        counted = np.maximum(measured + per_area * (predicted - areas), 0.3 * measured)
        stretch = np.sqrt(counted / measured)
        total = covariance * np.outer(stretch, stretch) + model
    return np.asarray(np.linalg.inv(total))


def _less_common_scale(nominal: FloatArray, draws: FloatArray) -> FloatArray:
    """Draws (J, N, P) with each column scaled to the nominal one in the mean of its logs.

    What scales all lines of a component alike (its mosaic, mostly) only scales its amplitude and
    must not enter the weights: kept in, a wide spread would let the fit lower every line of the
    component at no cost (Peelle's puzzle again).
    """
    shown = nominal > 0.0
    ratio = np.where(shown, draws, 1.0) / np.where(shown, nominal, 1.0)
    scale = np.exp(np.log(ratio).sum(axis=1) / np.maximum(shown.sum(axis=0), 1))
    return np.asarray(draws / scale[:, None, :])


def variance_per_area(areas: FloatArray, covariance: FloatArray) -> float:
    """By how much a line's variance grows with its own area, from the strong lines of the scan.

    ``areas`` has shape (L,), ``covariance`` (L, L). Counting makes a variance the sum of a part
    proportional to the area and one of the background; the line with the least variance an area
    shows the first. 0 without such a line.
    """
    variance = np.diag(covariance)
    strong = areas > 5.0 * np.sqrt(variance)
    return float((variance[strong] / areas[strong]).min()) if strong.any() else 0.0


def _poisson_skew(noise: FloatArray, variance: FloatArray, per_area: float) -> FloatArray:
    """What draws (J, N) of the true area need beside normal noise about the measured one.

    A true area x is at z of the measured y where x − y = z·√(variance at x), and the variance at x
    is the measured one plus ``per_area``·(x − y): the score interval of Wilson, J. Am. Stat. Assoc.
    22 (1927) 209 (from memory). Without it a line that came out low would seem known too well.
    """
    sigma = np.sqrt(np.maximum(variance, 1e-300))
    half = 0.5 * per_area * noise / sigma  # k z / 2
    z = noise / sigma
    return np.asarray(z * half + z * np.sqrt(variance + half**2) - noise)


def _root(covariance: FloatArray) -> FloatArray:
    """Square root R of a covariance, R Rᵀ = C, tolerating rounding below zero."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def split_sources(
    sample: FloatArray, normals: FloatArray, causes: Sequence[str]
) -> dict[str, float]:
    """What the spread of ``sample`` (J,) is made of: standard uncertainty by cause.

    Each cause's part is the spread its own variables explain linearly; counting takes the rest,
    so the parts add in squares to the whole.
    """
    count = sample.size
    deviation = sample - sample.mean()
    total = float(deviation @ deviation) / count
    explained = (normals.T @ deviation / count) ** 2
    # an unrelated variable explains total/count by chance
    explained = np.maximum(explained - total / count, 0.0)
    parts: dict[str, float] = {}
    for cause, part in zip(causes, explained, strict=True):
        parts[cause] = parts.get(cause, 0.0) + float(part)
    modelled = sum(parts.values())
    if modelled > total > 0.0:
        parts = {cause: part * total / modelled for cause, part in parts.items()}
        modelled = total
    sources = {"counting": float(np.sqrt(max(total - modelled, 0.0)))}
    sources.update({cause: float(np.sqrt(part)) for cause, part in parts.items() if part > 0.0})
    return sources
