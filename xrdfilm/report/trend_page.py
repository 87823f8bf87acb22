"""Pages of trends and of a reel's ship map, in the report's style; they need no script."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from xrdfilm.errors import XrdfilmError
from xrdfilm.numbers import number
from xrdfilm.report.environment import page_environment
from xrdfilm.report.html import asset
from xrdfilm.report.names import slugs
from xrdfilm.report.trend_charts import metre_ticks, recipe_charts, reel_chart, trend_charts
from xrdfilm.trend.analyse import Trend
from xrdfilm.trend.recipe import WORDS
from xrdfilm.trend.reel import FATES
from xrdfilm.trend.reel_of_run import ReelOfRun
from xrdfilm.trend.words import (
    Unit,
    chance_words,
    course_words,
    limit_words,
    optimum_words,
    pattern_words,
    recipe_words,
    ship_words,
    signal_words,
)

ASSETS = ("xrdfilm.css", "trend.css")
FATE_WORDS = {"ship": "may ship", "undecided": "undecided", "hold": "must not ship"}
_VERDICT_OF = {"ship": "pass", "undecided": "undecided", "hold": "fail"}
_BAR_PX = {"ship": 10, "undecided": 18, "hold": 28}


@dataclass(frozen=True, slots=True)
class RecipeRow:
    """One recipe parameter as the table shows it."""

    parameter: str
    named: bool
    tried: str
    effect: str
    interval: str
    shape: str
    chance: str
    remark: str


def trend_page(trend: Trend, one_of_several: bool = False) -> str:
    """The page of one quantity's trend."""
    unit = Unit(trend.quantity)
    figures = trend.figures
    last = (
        unit.with_sigma(float(figures.centre[-1]), float(figures.sigma[-1])) if figures.runs else ""
    )
    return (
        page_environment()
        .get_template("trend.html.jinja")
        .render(
            trend=trend,
            one_of_several=one_of_several,
            label=unit.label,
            last=last,
            charts=trend_charts(trend),
            limits=limit_words(trend),
            signals=signal_words(trend),
            any_signal=bool(trend.signals),
            course=course_words(trend),
            recipe=recipe_words(trend),
            rows=recipe_rows(trend),
            partials=recipe_charts(trend),
            words=WORDS,
        )
    )


def recipe_rows(trend: Trend) -> tuple[RecipeRow, ...]:
    """The table of recipe parameters, strongest first."""
    if trend.recipe is None:
        return ()
    unit = Unit(trend.quantity)
    rows = []
    for item in trend.recipe.relations:
        width = 0.5 * (item.effect_high - item.effect_low)
        shape = "straight"
        if item.optimum is not None:
            shape = f"{item.turns} at {optimum_words(item)}"
        elif item.shape == "optimum":
            shape = "bent"
        remarks = []
        if item.alike:
            remarks.append(f"cannot be told apart from {', '.join(item.alike)}")
        if item.twins:
            remarks.append(f"moved together with {', '.join(item.twins)}")
        rows.append(
            RecipeRow(
                item.parameter,
                item.named,
                f"{number(item.low)} to {number(item.high)}",
                unit.signed(item.effect, width),
                f"{unit.show(item.effect_low, width)} to {unit.show(item.effect_high, width)}",
                shape,
                chance_words(item.p),
                "; ".join(remarks),
            )
        )
    return tuple(rows)


def reel_page(reel: ReelOfRun) -> str:
    """The page of a reel: ship map, quantities along it, pattern."""
    ship = reel.ship
    start, end = ship.segments[0].start_m, ship.segments[-1].end_m
    bars = [
        (
            round(100.0 * (s.start_m - start) / (end - start), 3),
            round(100.0 * s.length_m / (end - start), 3),
            _BAR_PX[s.fate],
            _VERDICT_OF[s.fate],
            f"{number(s.start_m, 6)} to {number(s.end_m, 6)} m: {FATE_WORDS[s.fate]}, {s.why}",
        )
        for s in ship.segments
    ]
    dots = [
        (
            round(100.0 * (scan.position_m - start) / (end - start), 3),
            f"{scan.film} at {number(scan.position_m, 6)} m: {scan.verdict}",
        )
        for scan in reel.scans
    ]
    return (
        page_environment()
        .get_template("reel.html.jinja")
        .render(
            reel=reel,
            bars=bars,
            dots=dots,
            ticks=metre_ticks(reel),
            tiles=[(_VERDICT_OF[f], FATE_WORDS[f], number(ship.metres(f), 4)) for f in FATES],
            verdict_of=_VERDICT_OF,
            fate_words=FATE_WORDS,
            number=number,
            words=ship_words(ship),
            charts=[reel_chart(reel, trace) for trace in reel.traces],
            patterns=[
                text
                for trace in reel.traces
                for text in pattern_words(trace.quantity, trace.pattern)
            ],
        )
    )


def index_of_trends(trends: Sequence[Trend], stems: Sequence[str]) -> str:
    """The page that lists several trends."""
    rows = []
    for trend, slug in zip(trends, stems, strict=True):
        unit, figures = Unit(trend.quantity), trend.figures
        newest = [s for s in trend.signals if s.until >= len(figures.runs) - 10]
        last = (
            unit.with_sigma(float(figures.centre[-1]), float(figures.sigma[-1]))
            if figures.runs
            else ""
        )
        rows.append((slug, unit.label, trend.quantity, last, len(newest), trend.course.kind))
    return (
        page_environment().get_template("trends.html.jinja").render(rows=rows, line=trends[0].line)
    )


def write_trends(trends: Sequence[Trend], folder: Path) -> tuple[Path, ...]:
    """A page for each trend, and one that lists them if there are several."""
    stems = slugs([trend.quantity for trend in trends])
    pages = {
        f"{s}.html": trend_page(t, len(trends) > 1) for s, t in zip(stems, trends, strict=True)
    }
    if len(trends) > 1:
        pages["index.html"] = index_of_trends(trends, stems)
    return _write(pages, folder)


def write_reel(reel: ReelOfRun, folder: Path) -> tuple[Path, ...]:
    """The page of a reel."""
    return _write({"reel.html": reel_page(reel)}, folder)


def _write(pages: dict[str, str], folder: Path) -> tuple[Path, ...]:
    written = []
    try:
        (folder / "assets").mkdir(parents=True, exist_ok=True)
        for name in ASSETS:
            (folder / "assets" / name).write_bytes(asset(name))
        for name, text in pages.items():
            (folder / name).write_text(text, encoding="utf-8", errors="replace")
            written.append(folder / name)
    except OSError as problem:
        raise XrdfilmError(
            f"{folder}: the pages cannot be written there ({problem.strerror}); "
            "name another folder with --out"
        ) from None
    return tuple(written)
