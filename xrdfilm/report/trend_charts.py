"""The charts of a trend page and of a reel page, laid out from what the analysis found."""

from __future__ import annotations

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.numbers import number
from xrdfilm.report.chart import Chart, Frame, Mark, run_ticks
from xrdfilm.report.strip import nice_ticks
from xrdfilm.trend.analyse import Trend
from xrdfilm.trend.reel_of_run import ReelOfRun, ReelTrace
from xrdfilm.trend.words import Unit

_TALL, _LOW = 230, 120


def trend_charts(trend: Trend) -> tuple[Chart, ...]:
    """Figures with limits, moving ranges, EWMA and CUSUM of one trend."""
    n = len(trend.figures.runs)
    if n == 0:
        return ()
    charts = [_figures(trend)]
    if trend.individuals is not None:
        charts += [_ewma(trend), _cusum(trend)]
        if n > 1:
            charts.append(_ranges(trend))
    return tuple(charts)


def _x_range(n: int) -> tuple[float, float]:
    return -0.6, n - 0.4


def _flags(trend: Trend, frame: Frame) -> tuple[tuple[float, str], ...]:
    """Events, by the number they have in the list below the chart."""
    return tuple(
        (frame.x(place - 0.5), str(i)) for i, (_, place) in enumerate(trend.events, start=1)
    )


def _called(trend: Trend, rules: tuple[str, ...]) -> set[int]:
    """Points to ring: of an average only the first of a spell, of the points themselves all."""
    return {
        i
        for s in trend.signals
        if s.rule in rules
        for i in range(s.index, (s.index if s.rule == "ewma" else s.until) + 1)
    }


def _figures(trend: Trend) -> Chart:
    figures, chart, unit = trend.figures, trend.individuals, Unit(trend.quantity)
    n = len(figures.runs)
    at = np.arange(n, dtype=float)
    low, high = figures.centre - figures.sigma, figures.centre + figures.sigma
    shown = [low, high] if chart is None else [low, high, chart.lower, chart.upper]
    frame = Frame(_x_range(n), shown, _TALL)
    curves = []
    if chart is not None and trend.baseline is not None:
        curves.append(frame.band(at, chart.lower, chart.upper, "limits", stepped=True))
        centre = np.full(n, trend.baseline.centre)
        curves.append(frame.curve(at, centre, "centre"))
    if trend.course.kind not in ("steady", "too few points"):
        stepped = trend.course.kind == "steps"
        curves.append(frame.curve(at, trend.course.fitted, "course", stepped=stepped))
    called = _called(trend, ("limits", "two-of-three", "four-of-five", "eight-on-a-side", "range"))
    marks = tuple(
        Mark(
            frame.x(i),
            frame.y(float(figures.centre[i])),
            frame.y(float(low[i])),
            frame.y(float(high[i])),
            "signal" if i in called else "point",
            f"{figures.runs[i]} ({figures.days[i]}): "
            f"{unit.with_sigma(float(figures.centre[i]), float(figures.sigma[i]))}",
        )
        for i in range(n)
    )
    return Chart(
        unit.label,
        unit.unit,
        _TALL,
        tuple(curves),
        marks,
        frame.ticks_y(unit.scale),
        run_ticks(frame, figures.runs),
        _flags(trend, frame),
        f"{unit.label} of {n} runs with their standard uncertainty, limits and signals",
    )


def _ewma(trend: Trend) -> Chart:
    assert trend.ewma is not None
    assert trend.baseline is not None
    line, unit = trend.ewma, Unit(trend.quantity)
    n = line.values.size
    at = np.arange(n, dtype=float)
    frame = Frame(_x_range(n), [line.values, line.lower, line.upper], _LOW)
    called = _called(trend, ("ewma",))
    return Chart(
        "Weighted average (EWMA)",
        unit.unit,
        _LOW,
        (
            frame.band(at, line.lower, line.upper, "limits", stepped=True),
            frame.curve(at, np.full(n, trend.baseline.centre), "centre"),
            frame.curve(at, line.values, "line"),
        ),
        _marks(frame, line.values, called, trend, only_called=True),
        frame.ticks_y(unit.scale, 3),
        run_ticks(frame, trend.figures.runs),
        _flags(trend, frame),
        "exponentially weighted moving average with its limits",
    )


def _cusum(trend: Trend) -> Chart:
    assert trend.cusum is not None
    sums, unit = trend.cusum, Unit(trend.quantity)
    n = sums.above.size
    at = np.arange(n, dtype=float)
    edge = np.full(n, sums.limit)
    # a sum that runs away would flatten all else: it is drawn up to four times the limit
    above = np.minimum(sums.above, 4.0 * sums.limit)
    below = np.minimum(sums.below, 4.0 * sums.limit)
    frame = Frame(_x_range(n), [above, -below, edge, -edge], _LOW)
    up = {s.index for s in trend.signals if s.rule == "cusum" and s.side > 0}
    down = {s.index for s in trend.signals if s.rule == "cusum" and s.side < 0}
    cut = max(float(sums.above.max()), float(sums.below.max())) > 4.0 * sums.limit
    return Chart(
        "Cumulative sums (CUSUM)" + (", cut at four limits" if cut else ""),
        unit.unit,
        _LOW,
        (
            frame.band(at, -edge, edge, "limits"),
            frame.curve(at, np.zeros(n), "centre"),
            frame.curve(at, above, "line"),
            frame.curve(at, -below, "line"),
        ),
        _marks(frame, above, up, trend, only_called=True)
        + _marks(frame, -below, down, trend, only_called=True),
        frame.ticks_y(unit.scale, 3),
        run_ticks(frame, trend.figures.runs),
        _flags(trend, frame),
        "cumulative sums above and below with their limit",
    )


def _ranges(trend: Trend) -> Chart:
    assert trend.individuals is not None
    chart, unit = trend.individuals, Unit(trend.quantity)
    n = chart.values.size
    at = np.arange(1, n, dtype=float)
    frame = Frame(_x_range(n), [chart.ranges, chart.range_upper, np.zeros(1)], _LOW)
    called = {i - 1 for i in _called(trend, ("range",))}
    marks = tuple(
        Mark(
            frame.x(i + 1.0),
            frame.y(float(x)),
            frame.y(float(x)),
            frame.y(float(x)),
            "signal" if i in called else "point",
            f"{trend.figures.runs[i]} to {trend.figures.runs[i + 1]}: {unit.show(float(x))}",
        )
        for i, x in enumerate(chart.ranges)
    )
    return Chart(
        "Moving range of neighbours",
        unit.unit,
        _LOW,
        (
            frame.band(at, np.zeros(n - 1), chart.range_upper, "limits", stepped=True),
            frame.curve(at, chart.range_centre, "centre", stepped=True),
        ),
        marks,
        frame.ticks_y(unit.scale, 3),
        run_ticks(frame, trend.figures.runs),
        _flags(trend, frame),
        "moving range of neighbouring runs with its limit",
    )


def _marks(
    frame: Frame, values: FloatArray, called: set[int], trend: Trend, *, only_called: bool
) -> tuple[Mark, ...]:
    return tuple(
        Mark(
            frame.x(i),
            frame.y(float(values[i])),
            frame.y(float(values[i])),
            frame.y(float(values[i])),
            "signal" if i in called else "point",
            f"{trend.figures.runs[i]} ({trend.figures.days[i]})",
        )
        for i in range(values.size)
        if i in called or not only_called
    )


def recipe_charts(trend: Trend) -> tuple[Chart, ...]:
    """The quantity against each parameter that it goes with, all else taken off."""
    if trend.recipe is None:
        return ()
    unit = Unit(trend.quantity)
    charts = []
    for item in trend.recipe.named:
        seen = item.partial
        if seen is None:
            continue
        low, high = float(seen.x.min()), float(seen.x.max())
        edge = 0.03 * (high - low)
        frame = Frame((low - edge, high + edge), [seen.y, seen.curve], 170)
        marks = tuple(
            Mark(
                frame.x(x),
                frame.y(y),
                frame.y(y),
                frame.y(y),
                "point",
                f"{item.parameter} {number(x)}: {unit.show(y)}",
            )
            for x, y in zip(seen.x.tolist(), seen.y.tolist(), strict=True)
        )
        ticks = tuple((frame.x(t), number(t)) for t in nice_ticks(low, high, 5))
        charts.append(
            Chart(
                f"against {item.parameter}, all else taken off",
                unit.unit,
                170,
                (frame.curve(seen.grid, seen.curve, "course"),),
                marks,
                frame.ticks_y(unit.scale),
                ticks,
                (),
                f"{unit.label} against {item.parameter}",
            )
        )
    return tuple(charts)


def reel_chart(reel: ReelOfRun, trace: ReelTrace) -> Chart:
    """One quantity along the reel with its interval band, limits and pattern."""
    unit = Unit(trace.quantity)
    places = np.array([scan.position_m for scan in reel.scans])
    limits = np.array(trace.limits)
    centre = np.where(np.isfinite(trace.value), trace.value, np.nan)
    frame = Frame(
        (reel.ship.segments[0].start_m, reel.ship.segments[-1].end_m),
        [trace.low, trace.high, centre, limits],
        170,
    )
    ends = np.array([frame.x_low, frame.x_high])
    curves = [frame.band(places, trace.low, trace.high, "interval")]
    curves += [frame.curve(ends, np.full(2, limit), "limit") for limit in trace.limits]
    pattern = trace.pattern
    seen = (pattern.drift is not None and pattern.drift.seen) or (
        pattern.period is not None and pattern.period.seen
    )
    if seen:
        curves.append(frame.curve(places, pattern.fitted, "course"))
    marks = tuple(
        Mark(
            frame.x(scan.position_m),
            frame.y(float(centre[i])),
            frame.y(float(trace.low[i])),
            frame.y(float(trace.high[i])),
            "point",
            f"{scan.film} at {number(scan.position_m, 6)} m: {unit.show(float(centre[i]))}",
        )
        for i, scan in enumerate(reel.scans)
        if np.isfinite(centre[i])
    )
    return Chart(
        unit.label,
        unit.unit,
        170,
        tuple(curves),
        marks,
        frame.ticks_y(unit.scale),
        metre_ticks(reel),
        (),
        f"{unit.label} against position on the reel, with its interval and limits",
    )


def metre_ticks(reel: ReelOfRun) -> tuple[tuple[float, str], ...]:
    """Round metres along the reel, in per cent of its length."""
    low, high = reel.ship.segments[0].start_m, reel.ship.segments[-1].end_m
    return tuple(
        (round(100.0 * (t - low) / (high - low), 3), f"{number(t)} m")
        for t in nice_ticks(low, high, 5)
    )
