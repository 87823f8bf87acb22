"""Which recipe parameters a quantity goes with: not what causes it.

Each parameter may act in a straight line or with an optimum (a parabola). All parameters are
tried, the strongest is named only where it beats what the strongest of all would reach by chance,
found by shuffling the runs (R. A. Fisher; maximum over parameters, P. H. Westfall & S. S. Young,
Resampling-Based Multiple Testing, Wiley 1993; shuffled residuals, D. Freedman & D. Lane, J. Bus.
Econ. Stat. 1 (1983) 292; all from memory, the false-alarm rate measured in benchmarks/
trend_study.py). That holds for any correlation among the parameters, which are often changed
together. Then the next one is sought beside those named. Steps and drifts that the line's course
shows go in as known, so that they neither hide a parameter nor pass for one.

Why no library: it needs shuffled maxima over pairs of terms with weights and known disturbances;
the regression itself is three matrix products.

Over 400 lines: search, shuffled maxima and optima work on one table of columns.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import betainc, stdtrit

from xrdfilm._typing import FloatArray

WORDS = "goes with, not caused by"
RISK = 0.03
"""Probability that any parameter is named where none goes with the quantity."""
LEAST_POINTS = 12
SHUFFLES = 999
MOST_NAMED = 4
_TWIN = 0.999
_ALIKE = 2.0  # difference in log-likelihood under which two parameters cannot be told apart


@dataclass(frozen=True, slots=True)
class Partial:
    """A quantity against one parameter, with what all else accounts for taken off.

    ``x`` and ``y`` are the points, shape (N,), ``grid`` and ``curve`` the fitted line, (M,).
    """

    x: FloatArray
    y: FloatArray
    grid: FloatArray
    curve: FloatArray


@dataclass(frozen=True, slots=True)
class Relation:
    """How a quantity goes with one parameter, beside those named before it.

    ``shape`` is "straight" or "optimum". ``low`` and ``high`` are the parameter's 10th and 90th
    percentile, ``effect`` how much the quantity differs between the two (of an optimum: the
    largest difference within low..high), with its interval, which allows for all parameters
    tried. ``optimum`` is where the quantity turns, with ``turns`` "lowest" or "highest" there;
    None where it lies outside the tried range or cannot be told. ``p`` is the probability of so
    strong a relation by chance with any parameter, ``share`` that part of the scatter which the
    parameter takes up, ``alike`` the parameters that would do as well. ``partial`` are the points
    to draw, of a named parameter.
    """

    parameter: str
    named: bool
    p: float
    share: float
    shape: Literal["straight", "optimum"]
    low: float
    high: float
    effect: float
    effect_low: float
    effect_high: float
    optimum: float | None
    optimum_low: float | None
    optimum_high: float | None
    turns: Literal["lowest", "highest"] | None
    alike: tuple[str, ...]
    twins: tuple[str, ...]
    partial: Partial | None = None


@dataclass(frozen=True, slots=True)
class RecipeRelation:
    """All parameters, strongest first; those with ``named`` go with the quantity.

    ``left_out`` says which could not be used and why; ``points`` is how many were used.
    ``moved_with`` lists parameters that changed at a step of the line's course. ``explained`` is
    what the named ones account for at each point, shape (N,), 0 on average; NaN where a parameter
    is not given; None where none is named.
    """

    relations: tuple[Relation, ...]
    left_out: tuple[tuple[str, str], ...]
    points: int
    moved_with: tuple[tuple[str, int], ...] = ()
    note: str = ""
    explained: FloatArray | None = None

    @property
    def named(self) -> tuple[Relation, ...]:
        """Those that go with the quantity."""
        return tuple(r for r in self.relations if r.named)


@dataclass(frozen=True, slots=True)
class Parameters:
    """Numbers of the recipes: ``table`` of shape (N, P); twins are the same but for scale."""

    names: tuple[str, ...]
    table: FloatArray
    twins: tuple[tuple[str, ...], ...]
    left_out: tuple[tuple[str, str], ...]
    used: FloatArray


def parameters_of(recipes: Sequence[Mapping[str, Any]]) -> Parameters:
    """The numbers in N recipes that can be related to anything.

    True and false count as 1 and 0, a word with two values likewise. ``used`` are the indices of
    the points in which every kept parameter is given.
    """
    names = sorted({name for recipe in recipes for name in recipe})
    kept: list[str] = []
    columns: list[FloatArray] = []
    left_out: list[tuple[str, str]] = []
    for name in names:
        column, why = _column([recipe.get(name) for recipe in recipes])
        if column is None:
            left_out.append((name, why))
        else:
            kept.append(name)
            columns.append(column)
    if not kept:
        empty = np.empty((len(recipes), 0))
        return Parameters((), empty, (), tuple(left_out), np.arange(len(recipes), dtype=float))
    table = np.column_stack(columns)
    used = np.flatnonzero(np.all(np.isfinite(table), axis=1))
    return _without_twins(kept, table, used, left_out)


def _column(values: Sequence[Any]) -> tuple[FloatArray | None, str]:
    given = [v for v in values if v is not None]
    if len(given) < 0.8 * len(values):
        return None, f"given in {len(given)} of {len(values)} runs only"
    if all(isinstance(v, bool | int | float) for v in given):
        column = np.array([np.nan if v is None else float(v) for v in values])
    else:
        words = sorted({str(v) for v in given})
        if len(words) == 1:
            return None, "never changed"
        if len(words) > 2:
            return None, f"is no number ({len(words)} different words)"
        column = np.array([np.nan if v is None else float(str(v) == words[1]) for v in values])
    finite = column[np.isfinite(column)]
    if finite.size < 0.8 * len(values):
        return None, "is no finite number"
    if np.ptp(finite) <= 1e-9 * np.abs(finite).max():
        return None, "never changed"
    _, counts = np.unique(finite, return_counts=True)
    if counts.max() > finite.size - 3:
        return None, "changed in fewer than three runs"
    return column, ""


def _without_twins(
    names: list[str], table: FloatArray, used: Any, left_out: list[tuple[str, str]]
) -> Parameters:
    """Parameters that always moved together become one."""
    rows = table[used]
    if rows.shape[0] < 3:
        return Parameters(
            tuple(names), table, tuple(() for _ in names), tuple(left_out), used.astype(float)
        )
    spread = rows.std(axis=0)
    alive = spread > 0.0
    left_out += [
        (n, "never changed where all are given") for n, a in zip(names, alive, strict=True) if not a
    ]
    scaled = (rows - rows.mean(axis=0)) / np.where(alive, spread, 1.0)
    alike = np.abs(scaled.T @ scaled) / rows.shape[0]
    first: list[int] = []
    twins: dict[int, list[str]] = {}
    for j in range(len(names)):
        if not alive[j]:
            continue
        same = next((i for i in first if alike[i, j] > _TWIN), None)
        if same is None:
            first.append(j)
        else:
            twins.setdefault(same, []).append(names[j])
    return Parameters(
        tuple(names[j] for j in first),
        table[:, first],
        tuple(tuple(twins.get(j, ())) for j in first),
        tuple(left_out),
        used.astype(float),
    )


def relate(
    values: FloatArray,
    spread: FloatArray,
    recipes: Sequence[Mapping[str, Any]],
    *,
    known: FloatArray | None = None,
    steps: Sequence[int] = (),
    risk: float = RISK,
    shuffles: int = SHUFFLES,
) -> RecipeRelation:
    """Relate N values with standard deviations ``spread``, shape (N,), to their recipes.

    ``known`` holds disturbances of the line's course as columns, shape (N, K): a step, a slope;
    ``steps`` are the first points after its steps, to tell what moved with them.
    """
    parameters = parameters_of(recipes)
    used = parameters.used.astype(int)
    moved = _moved_with(parameters, steps)
    columns = [np.ones((used.size, 1))]
    if known is not None and known.size:
        columns.append(known[used])
    nuisance = np.column_stack(columns)
    if not parameters.names:
        note = "the recipes hold no number that was changed"
        return RecipeRelation((), parameters.left_out, int(used.size), moved, note)
    if used.size < LEAST_POINTS + nuisance.shape[1]:
        note = (
            f"{used.size} runs have all parameters; at least "
            f"{LEAST_POINTS + nuisance.shape[1]} are needed"
        )
        return RecipeRelation((), parameters.left_out, int(used.size), moved, note)
    weight = 1.0 / np.maximum(spread[used], 1e-300)
    weight /= weight.mean()
    search = _Search(parameters, values[used], weight, nuisance, risk, shuffles)
    relations = search.run()
    explained = None
    if any(relation.named for relation in relations):
        explained = np.full(values.size, np.nan)
        explained[used] = search.explained(relations)
    return RecipeRelation(
        tuple(relations), parameters.left_out, int(used.size), moved, explained=explained
    )


class _Search:
    """Names one parameter after the other, each beside those named before."""

    def __init__(
        self,
        parameters: Parameters,
        values: FloatArray,
        weight: FloatArray,
        nuisance: FloatArray,
        risk: float,
        shuffles: int,
    ) -> None:
        self.parameters = parameters
        self.weight = weight
        self.risk = risk
        self.rng = np.random.default_rng(20310304)
        self.shuffles = shuffles
        used = parameters.used.astype(int)
        table = parameters.table[used]
        self.raw = table
        middle, scale = table.mean(axis=0), table.std(axis=0)
        self.middle, self.scale = middle, scale
        self.terms = (table - middle) / scale
        self.two_valued = [np.unique(column).size <= 2 for column in table.T]
        self.y = values * weight
        self.base = nuisance * weight[:, None]

    def run(self) -> list[Relation]:
        """All parameters, those named first."""
        base = self.base
        open_ = list(range(len(self.parameters.names)))
        found: list[Relation] = []
        while open_:
            fits, shuffled = self._strengths(base, open_)
            order = sorted(range(len(open_)), key=lambda i: -fits[i][0])
            largest = np.sort(shuffled)
            chances = [
                (1.0 + np.count_nonzero(largest >= fits[i][0] - 1e-12)) / (1.0 + largest.size)
                for i in range(len(open_))
            ]
            best = order[0]
            if chances[best] < self.risk and len(found) < MOST_NAMED:
                j = open_[best]
                alike = [
                    self.parameters.names[open_[i]]
                    for i in order[1:]
                    if fits[best][2] - fits[i][2] < _ALIKE
                ]
                found.append(self._relation(base, j, fits[best][1], chances[best], True, alike))
                base = np.column_stack([base, self._columns(j, fits[best][1])])
                open_.remove(j)
                continue
            found += [
                self._relation(base, open_[i], fits[i][1], chances[i], False, []) for i in order
            ]
            break
        return found

    def explained(self, relations: list[Relation]) -> FloatArray:
        """What the named parameters account for, 0 on average, shape (N,)."""
        terms = np.column_stack(
            [
                self._columns(self.parameters.names.index(r.parameter), r.shape == "optimum")
                for r in relations
                if r.named
            ]
        )
        design = np.column_stack([self.base, terms])
        coefficients = np.linalg.pinv(design) @ self.y
        part = terms @ coefficients[self.base.shape[1] :] / self.weight
        centred: FloatArray = part - part.mean()
        return centred

    def _columns(self, j: int, optimum: bool) -> FloatArray:
        x = self.terms[:, j]
        columns = [x, x * x] if optimum else [x]
        return np.column_stack(columns) * self.weight[:, None]

    def _strengths(
        self, base: FloatArray, open_: list[int]
    ) -> tuple[list[tuple[float, bool, float]], FloatArray]:
        """(strength, optimum?, gain in log-likelihood) of each, and shuffled largest strengths."""
        q, _ = np.linalg.qr(base)
        rest = self.y - q @ (q.T @ self.y)
        freedom = rest.size - q.shape[1]
        shuffles = self.rng.permuted(np.tile(rest, (self.shuffles, 1)), axis=1).T
        shuffles -= q @ (q.T @ shuffles)
        table = np.column_stack([rest, shuffles])
        table /= np.maximum(np.sqrt(np.sum(table**2, axis=0)), 1e-300)
        strengths = np.empty((len(open_), table.shape[1]))
        fits = []
        for i, j in enumerate(open_):
            straight, bent = self._orthogonal(q, j)
            r1 = np.zeros(table.shape[1]) if straight is None else (straight @ table) ** 2
            strength = _strength(r1, 1, freedom)
            optimum, share = False, float(r1[0])
            if bent is not None and not self.two_valued[j]:
                r2 = r1 + (bent @ table) ** 2
                second = _strength(r2, 2, freedom)
                optimum = bool(second[0] > strength[0])
                share = float(r2[0]) if optimum else share
                strength = np.maximum(strength, second)
            strengths[i] = strength
            gain = -0.5 * rest.size * math.log(max(1.0 - share, 1e-12)) - 0.5 * optimum
            fits.append((float(strength[0]), optimum, gain))
        return fits, strengths[:, 1:].max(axis=0)

    def _orthogonal(self, q: FloatArray, j: int) -> tuple[FloatArray | None, FloatArray | None]:
        """Unit vectors of the straight and the bent term, square to what is known."""
        units: list[FloatArray | None] = []
        for column in self._columns(j, True).T:
            size = float(np.linalg.norm(column))
            column = column - q @ (q.T @ column)
            for unit in units:
                if unit is not None:
                    column = column - unit * (unit @ column)
            length = float(np.linalg.norm(column))
            units.append(column / length if length > 1e-6 * size else None)
        return units[0], units[1]

    def _relation(
        self,
        base: FloatArray,
        j: int,
        optimum: bool,
        chance: float,
        named: bool,
        alike: list[str],
    ) -> Relation:
        columns = self._columns(j, optimum)
        design = np.column_stack([base, columns])
        inverse = np.linalg.pinv(design.T @ design)
        coefficients = inverse @ (design.T @ self.y)
        squares = float(np.sum((self.y - design @ coefficients) ** 2))
        q, _ = np.linalg.qr(base)
        before = float(np.sum((self.y - q @ (q.T @ self.y)) ** 2))
        freedom = max(1, self.y.size - design.shape[1])
        k = columns.shape[1]
        covariance = inverse[-k:, -k:] * squares / freedom
        slopes = coefficients[-k:]
        # the interval allows for every parameter that was tried
        t = float(stdtrit(freedom, 1.0 - 0.025 / len(self.parameters.names)))
        if self.two_valued[j]:
            low, high = float(self.raw[:, j].min()), float(self.raw[:, j].max())
        else:
            low, high = (float(x) for x in np.percentile(self.raw[:, j], [10, 90]))
        effect, sigma = self._effect(j, low, high, slopes, covariance)
        turning = self._turning(j, slopes, covariance, t) if optimum else None
        at, at_low, at_high, turns = turning or (None, None, None, None)
        return Relation(
            self.parameters.names[j],
            named,
            chance,
            1.0 - squares / before if before > 0.0 else 0.0,
            "optimum" if optimum else "straight",
            low,
            high,
            effect,
            effect - t * sigma,
            effect + t * sigma,
            at,
            at_low,
            at_high,
            turns,
            tuple(alike),
            self.parameters.twins[j],
            self._partial(j, design, coefficients, k) if named else None,
        )

    def _partial(self, j: int, design: FloatArray, coefficients: FloatArray, terms: int) -> Partial:
        """Points and curve of one parameter, at the mean level of the rest."""
        rest = self.y - design @ coefficients
        mine = design[:, -terms:] @ coefficients[-terms:]
        level = float(np.mean((design[:, :-terms] @ coefficients[:-terms]) / self.weight))
        x = self.raw[:, j]
        grid = np.linspace(float(x.min()), float(x.max()), 61)
        z = (grid - self.middle[j]) / self.scale[j]
        curve = np.column_stack([z, z * z])[:, :terms] @ coefficients[-terms:]
        return Partial(x.copy(), (rest + mine) / self.weight + level, grid, curve + level)

    def _effect(
        self, j: int, low: float, high: float, slopes: FloatArray, covariance: FloatArray
    ) -> tuple[float, float]:
        """Difference of the quantity between low and high; of a parabola the largest within."""
        a, b = ((x - self.middle[j]) / self.scale[j] for x in (low, high))
        pairs = [(a, b)]
        if slopes.size == 2 and slopes[1] != 0.0:
            turn = float(np.clip(-slopes[0] / (2.0 * slopes[1]), a, b))
            pairs += [(turn, a), (turn, b)]
        gradients = [np.array([y - x, y * y - x * x])[: slopes.size] for x, y in pairs]
        best = max(gradients, key=lambda g: abs(float(g @ slopes)))
        return float(best @ slopes), float(np.sqrt(best @ covariance @ best))

    def _turning(
        self, j: int, slopes: FloatArray, covariance: FloatArray, t: float
    ) -> tuple[float, float, float, Literal["lowest", "highest"]] | None:
        """Where the parabola turns, by Fieller's interval; None unless it lies in the range."""
        linear, square = float(slopes[0]), float(slopes[1])
        if square == 0.0:
            return None
        place = -linear / (2.0 * square)
        if not self.terms[:, j].min() < place < self.terms[:, j].max():
            return None
        # 2 square·x + linear = 0 within t standard errors: a quadratic in x
        a = 4.0 * (square**2 - t**2 * covariance[1, 1])
        b = 4.0 * (linear * square - t**2 * covariance[0, 1])
        c = linear**2 - t**2 * covariance[0, 0]
        inside = b * b - 4.0 * a * c
        if a <= 0.0 or inside <= 0.0:  # the bend itself is not certain
            return None
        ends = sorted((-b + sign * math.sqrt(inside)) / (2.0 * a) for sign in (1.0, -1.0))
        low, at, high = (
            float(self.middle[j] + self.scale[j] * x) for x in (ends[0], place, ends[1])
        )
        return at, low, high, "lowest" if square > 0.0 else "highest"


def _strength(r2: FloatArray, terms: int, freedom: int) -> FloatArray:
    """-log p of taking up the share ``r2`` of the scatter with so many terms, shape (N,)."""
    left = np.clip(1.0 - r2, 1e-300, 1.0)
    # survival of Beta(terms/2, (freedom-terms)/2) at r2, by its mirror image
    p = betainc(0.5 * (freedom - terms), 0.5 * terms, left)
    strength: FloatArray = -np.log(np.maximum(p, 1e-300))
    return strength


def _moved_with(parameters: Parameters, steps: Sequence[int]) -> tuple[tuple[str, int], ...]:
    """Parameters whose level differs clearly before and after a step: (name, first point after)."""
    found = []
    reach = 12
    for step in steps:
        for j, name in enumerate(parameters.names):
            before = parameters.table[max(0, step - reach) : step, j]
            after = parameters.table[step : step + reach, j]
            before, after = before[np.isfinite(before)], after[np.isfinite(after)]
            if before.size < 3 or after.size < 3:
                continue
            pooled = math.sqrt(0.5 * (float(before.var(ddof=1)) + float(after.var(ddof=1))))
            gap = abs(float(after.mean() - before.mean()))
            error = pooled * math.sqrt(1.0 / before.size + 1.0 / after.size)
            if gap > 0.0 and gap > 4.0 * error:
                found.append((name, step))
    return tuple(found)
