"""The trend of one quantity on one line: limits, charts, signals, changes, recipe, events."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.errors import HistoryError
from xrdfilm.history.columns import Columns
from xrdfilm.history.pooling import pool
from xrdfilm.history.query import (
    Event,
    RunFigures,
    columns_of,
    distinct_recipes,
    events,
    lines,
    run_figures,
)
from xrdfilm.history.record import LINE_KEY
from xrdfilm.history.store import History
from xrdfilm.trend.change import Course, course_of
from xrdfilm.trend.charts import (
    Cusum,
    Ewma,
    Individuals,
    cusum,
    ewma,
    individuals,
)
from xrdfilm.trend.limits import AS_USUAL, Stated, baseline_for, false_alarms_of, phase_one
from xrdfilm.trend.recipe import RecipeRelation, relate
from xrdfilm.trend.rules import DEFAULT_RULES, RULES, Signal, signals
from xrdfilm.trend.runlength import FalseAlarms
from xrdfilm.trend.scatter import (
    LEAST_POINTS,
    Baseline,
    neighbour_correlation,
    robust_sigma,
)

SHOWN = 200
"""So many of the newest runs are charted unless more are asked for."""


@dataclass(frozen=True, slots=True)
class Trend:
    """Everything told of one quantity on one line.

    ``figures`` are the charted runs; charts are None under eight runs. ``course`` is how the
    figures went over them, ``course_beside_recipe`` the same with what the recipe accounts for
    taken off. ``frozen`` says that the limits are those kept in the history.
    """

    quantity: str
    line: str | None
    figures: RunFigures
    baseline: Baseline | None
    frozen: bool
    individuals: Individuals | None
    ewma: Ewma | None
    cusum: Cusum | None
    rules: tuple[str, ...]
    signals: tuple[Signal, ...]
    false_alarms: FalseAlarms | None
    course: Course
    course_beside_recipe: Course | None
    recipe: RecipeRelation | None
    events: tuple[tuple[Event, int], ...]
    notes: tuple[str, ...]


def trend_of(
    history: History,
    quantity: str,
    *,
    line: str | None = None,
    since: str | None = None,
    until: str | None = None,
    last: int | None = SHOWN,
    rules: Sequence[str] = DEFAULT_RULES,
    rebase_from: str | None = None,
    rebase_to: str | None = None,
    with_recipe: bool = True,
    freeze: bool = True,
    stated: Stated = AS_USUAL,
) -> Trend:
    """The trend of ``quantity`` over the runs of ``line`` (None: of all lines).

    Limits come from the first 25 runs, estimated robustly, and are then kept in the history;
    ``rebase_from`` (and ``rebase_to``), a run or a day, makes new ones from the runs between.
    With ``freeze`` false nothing is written, nor are limits that are ``stated``. Raises
    HistoryError for an unknown quantity or run.
    """
    unknown = [rule for rule in rules if rule not in RULES]
    if unknown:
        raise HistoryError(f"unknown rule {unknown[0]!r}; known: {', '.join(RULES)}")
    everything = run_figures(history, quantity, line=line)
    known_lines = lines(history)
    if line is not None and line not in known_lines:
        named = ", ".join(name or "(none)" for name in known_lines)
        raise HistoryError(f"no run of line {line!r} in the history; known: {named}")
    notes: list[str] = []
    if line is None and len(known_lines) > 1:
        notes.append(
            f"runs of {len(known_lines)} lines are mixed here; name one with --line to follow it"
        )
    baseline, frozen = baseline_for(
        history, quantity, line, everything, rebase_from, rebase_to, freeze, notes, stated
    )
    shown = _window(everything, since, until, last)
    x, u = shown.centre, shown.sigma
    charts: tuple[Individuals, Ewma, Cusum] | None = None
    found: tuple[Signal, ...] = ()
    if baseline is not None and x.size:
        own = stated.charts
        charts = (
            individuals(x, u, baseline),
            ewma(x, u, baseline, gain=own.ewma_gain, width=own.ewma_width),
            cusum(x, u, baseline, slack=own.cusum_slack, limit=own.cusum_limit),
        )
        found = signals(rules, *charts)
        correlation = neighbour_correlation(*phase_one(everything, baseline))
        if correlation > 2.5:
            notes.append(
                "neighbouring runs hang together (correlation "
                f"{correlation:.1f} standard errors from none), so limits from their ranges are "
                "too narrow and signals too many; chart the mean of several runs, or find what "
                "they share"
            )
    happened = tuple((event, _place(event, shown)) for event in events(history, line=line))
    happened = tuple((event, place) for event, place in happened if place >= 0)
    course, beside, relation = _course_and_recipe(history, shown, with_recipe, line is not None)
    return Trend(
        quantity,
        line,
        shown,
        baseline,
        frozen,
        charts[0] if charts else None,
        charts[1] if charts else None,
        charts[2] if charts else None,
        tuple(rules),
        found,
        false_alarms_of(rules, baseline, stated.charts) if baseline is not None and rules else None,
        course,
        beside,
        relation,
        happened,
        tuple(notes),
    )


def _window(
    figures: RunFigures, since: str | None, until: str | None, last: int | None
) -> RunFigures:
    kept = [
        i
        for i, day in enumerate(figures.days)
        if (since is None or day >= since) and (until is None or day <= until)
    ]
    kept = kept if last is None else kept[-last:]
    index = np.array(kept, dtype=np.int64)
    return replace(
        figures,
        runs=tuple(figures.runs[i] for i in kept),
        days=tuple(figures.days[i] for i in kept),
        revision_keys=tuple(figures.revision_keys[i] for i in kept),
        **{
            name: getattr(figures, name)[index]
            for name in ("films", "centre", "sigma", "between", "lowest", "highest")
        },
    )


def _place(event: Event, figures: RunFigures) -> int:
    """Index of the first run on or after an event; -1 where it lies before or after them all."""
    if not figures.days or event.day < figures.days[0]:
        return -1
    if event.run_id in figures.runs and event.day == figures.days[figures.runs.index(event.run_id)]:
        return figures.runs.index(event.run_id)
    return next((i for i, day in enumerate(figures.days) if day >= event.day), -1)


# --------------------------------------------------------------------------- course and recipe


def _course_and_recipe(
    history: History, figures: RunFigures, with_recipe: bool, one_line: bool
) -> tuple[Course, Course | None, RecipeRelation | None]:
    x, u = figures.centre, figures.sigma
    course = course_of(x, own_spread(x, u))
    if not with_recipe or x.size == 0:
        return course, None, None
    points = _recipe_points(history, figures, one_line)
    return course_and_recipe(x, u, course, *points)


def own_spread(x: FloatArray, u: FloatArray) -> FloatArray:
    """Standard deviation of each of (N,) points about a steady line; steps hardly touch it."""
    if x.size < LEAST_POINTS:
        return np.zeros(x.size)
    spread: FloatArray = np.hypot(robust_sigma(x[None, :], u)[0], u)
    return spread


def course_and_recipe(
    x: FloatArray,
    u: FloatArray,
    course: Course,
    run_of: IntArray,
    y: FloatArray,
    y_u: FloatArray,
    recipes: Sequence[Mapping[str, Any]],
) -> tuple[Course, Course | None, RecipeRelation | None]:
    """Relate to the recipe beside the course, and the course beside what the recipe explains.

    ``x``, ``u``, shape (N,): runs; ``y``, ``y_u``, (M,): points with a recipe each, of run
    ``run_of``.
    """
    relation = _related(x, u, course, run_of, y, y_u, recipes)
    if relation.explained is None:
        return course, None, relation
    explained = np.zeros(x.size)
    for run in range(x.size):
        mine = relation.explained[run_of == run]
        known = mine[np.isfinite(mine)]
        explained[run] = known.mean() if known.size else 0.0
    left = x - explained
    beside = course_of(left, own_spread(left, u))
    if beside.kind != course.kind or beside.steps != course.steps:
        again = _related(x, u, beside, run_of, y, y_u, recipes)
        relation = again if again.named else relation
    return course, beside, relation


def _related(
    x: FloatArray,
    u: FloatArray,
    course: Course,
    run_of: IntArray,
    y: FloatArray,
    y_u: FloatArray,
    recipes: Sequence[Mapping[str, Any]],
) -> RecipeRelation:
    columns = [(np.arange(x.size) >= step.index).astype(float) for step in course.steps]
    if course.drift is not None:
        columns.append(np.maximum(0.0, np.arange(x.size) - course.drift.index))
    known = np.column_stack(columns)[run_of] if columns else None
    spread = own_spread(x, u)
    scatter = np.sqrt(np.maximum(spread**2 - u**2, 0.0))
    around = np.hypot(scatter[run_of], y_u)
    if not np.all(around > 0.0):
        around = np.ones(y.size)
    return relate(y, around, recipes, known=known, steps=[step.index for step in course.steps])


def _recipe_points(
    history: History, figures: RunFigures, one_line: bool
) -> tuple[IntArray, FloatArray, FloatArray, list[Mapping[str, Any]]]:
    """A point a run; several where its films had different recipes."""
    run_of: list[int] = []
    y: list[float] = []
    u: list[float] = []
    recipes: list[Mapping[str, Any]] = []
    for run, key in enumerate(figures.revision_keys):
        different, recipe_of = distinct_recipes(history, key)
        if one_line:
            different = [{k: v for k, v in r.items() if k != LINE_KEY} for r in different]
        if len(different) <= 1:
            run_of.append(run)
            y.append(float(figures.centre[run]))
            u.append(float(figures.sigma[run]))
            recipes.append(different[0] if different else {})
            continue
        columns = columns_of(history, figures.quantity, key)
        assert columns is not None
        for index, recipe in enumerate(different):
            pooled = _pooled(columns, [i for i, mine in enumerate(recipe_of) if mine == index])
            if pooled is not None:
                run_of.append(run)
                y.append(pooled[0])
                u.append(pooled[1])
                recipes.append(recipe)
    return np.array(run_of, dtype=np.int64), np.array(y), np.array(u), recipes


def _pooled(columns: Columns, places: list[int]) -> tuple[float, float] | None:
    pooled = pool(columns.centre[places], columns.own_sigma[places])
    return None if pooled is None else (pooled.centre, pooled.sigma)
