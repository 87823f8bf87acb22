"""The limits of a chart: kept in the history, made anew from some runs, or stated."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.errors import HistoryError
from xrdfilm.history.query import RunFigures
from xrdfilm.history.store import History, now_utc
from xrdfilm.trend.change import course_of
from xrdfilm.trend.charts import USUAL, ChartSettings
from xrdfilm.trend.runlength import FalseAlarms, false_alarms
from xrdfilm.trend.scatter import LEAST_POINTS, Baseline, Method, baseline_of

PHASE_ONE = 25
"""Limits are frozen from so many first runs."""


@dataclass(frozen=True, slots=True)
class Stated:
    """What is stated of the limits; what is None is found from the runs by ``method``.

    ``target`` and ``sigma``, the line's own scatter, are in the unit of the quantity.
    """

    target: float | None = None
    sigma: float | None = None
    method: Method = "robust"
    charts: ChartSettings = USUAL

    @property
    def other_limits(self) -> bool:
        """Whether the limits are other than those that the history keeps."""
        return self.target is not None or self.sigma is not None or self.method != "robust"


AS_USUAL = Stated()


def baseline_for(
    history: History,
    quantity: str,
    line: str | None,
    figures: RunFigures,
    rebase_from: str | None,
    rebase_to: str | None,
    freeze: bool,
    notes: list[str],
    stated: Stated,
) -> tuple[Baseline | None, bool]:
    """The limits, and whether they are those that the history keeps; ``notes`` get what to know.

    None under eight runs, or where the runs do not scatter at all. Raises HistoryError where too
    few runs lie between those that limits are to be made from.
    """
    where = _line_key(line)
    if stated.target is not None and stated.sigma is not None:
        typical_u = float(np.median(figures.sigma)) if figures.sigma.size else 0.0
        return Baseline(stated.target, stated.sigma, typical_u, method="stated"), False
    if not stated.other_limits and rebase_from is None and rebase_to is None:
        row = history.connection.execute(
            "SELECT settings FROM baseline WHERE quantity = ? AND line = ? "
            "ORDER BY baseline_key DESC LIMIT 1",
            (quantity, where),
        ).fetchone()
        if row is not None:
            return Baseline(**json.loads(row[0])), True
        chosen = np.arange(min(PHASE_ONE, len(figures.runs)))
    else:
        chosen = _between(figures, rebase_from, rebase_to)
        if chosen.size < LEAST_POINTS:
            raise HistoryError(
                f"limits need at least {LEAST_POINTS} runs, {chosen.size} lie there; "
                "take an earlier start"
            )
    if chosen.size < LEAST_POINTS:
        notes.append(
            f"limits need {LEAST_POINTS} runs, the history has {chosen.size}: no charts yet"
        )
        return None, False
    x, u = figures.centre[chosen], figures.sigma[chosen]
    names = tuple(figures.runs[i] for i in chosen)
    baseline = baseline_of(x, u, method=stated.method, names=names)
    if stated.target is not None:
        baseline = replace(baseline, centre=stated.target)
        notes.append("the centre is stated, the scatter is that of the runs")
    if stated.sigma is not None:
        baseline = replace(baseline, sigma=stated.sigma)
        notes.append("the scatter is stated, the centre is that of the runs")
    if baseline.typical <= 0.0:
        notes.append("the runs do not scatter at all: no limits can be set from them")
        return None, False
    first = course_of(x, baseline.spread(u))
    if first.kind not in ("steady", "too few points"):
        notes.append(
            f"the runs that the limits are made from are not steady ({first.kind}); once the line "
            "is, set them anew with --rebase-from"
        )
    if stated.other_limits:
        return baseline, False
    asked = rebase_from is not None or rebase_to is not None
    ready = asked or chosen.size >= PHASE_ONE
    if not ready:
        notes.append(
            f"limits from {chosen.size} runs are provisional; they are kept once there are "
            f"{PHASE_ONE}"
        )
    elif freeze:
        with history.writing() as connection:
            connection.execute(
                "INSERT INTO baseline (quantity, line, made_at, settings) VALUES (?, ?, ?, ?)",
                (quantity, where, now_utc(), json.dumps(asdict(baseline))),
            )
    return baseline, ready and freeze


def false_alarms_of(
    rules: Sequence[str], baseline: Baseline, settings: ChartSettings
) -> FalseAlarms:
    """Of a line that is steady about the centre, or about limits from so few runs."""
    points = baseline.points if baseline.method != "stated" else None
    return false_alarms(tuple(rules), points, settings=settings)


def _line_key(line: str | None) -> str:
    """How a baseline names its line; one over all lines is another than that of the unnamed."""
    return "all lines" if line is None else f"line {line}"


def _between(figures: RunFigures, first: str | None, last: str | None) -> IntArray:
    start = 0 if first is None else _run_or_day(figures, first, after=False)
    end = len(figures.runs) if last is None else _run_or_day(figures, last, after=True)
    chosen: IntArray = np.arange(start, max(start, end))
    return chosen


def _run_or_day(figures: RunFigures, name: str, *, after: bool) -> int:
    """Index of the run of this name, or of the first on or after a day; one beyond if ``after``."""
    if name in figures.runs:
        return figures.runs.index(name) + after
    if len(name) == 10 and name[:4].isdigit() and name[4] == name[7] == "-":
        return sum(day <= name if after else day < name for day in figures.days)
    raise HistoryError(
        f"{name!r} is no run with this quantity and no day (like 2031-03-04); "
        "`xrdfilm history list` shows the runs"
    )


def phase_one(figures: RunFigures, baseline: Baseline) -> tuple[FloatArray, Baseline, FloatArray]:
    """The points that the limits were made from, as far as they are still there."""
    try:
        first, last = figures.runs.index(baseline.first), figures.runs.index(baseline.last)
    except ValueError:
        return np.empty(0), baseline, np.empty(0)
    part = slice(first, last + 1)
    return figures.centre[part], baseline, figures.sigma[part]
