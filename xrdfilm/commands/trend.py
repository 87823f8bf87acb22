"""`xrdfilm trend`: what drifts, since when, and what goes with it; the ship map of a reel."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xrdfilm.commands.history import history_option, window_options

if TYPE_CHECKING:
    from xrdfilm.trend.analyse import Trend
    from xrdfilm.trend.reel_of_run import ReelOfRun

EXAMPLE = """\b
Examples:
  xrdfilm trend a_axis_fraction c_A --line north
  xrdfilm trend a_axis_fraction --rule limits --rule cusum --out trend
  xrdfilm trend c_A --rebase-from R-0142
  xrdfilm trend c_A --target 11.69 --sigma 0.004 --rule cusum --cusum 0.5 4
  xrdfilm trend --reel R-0142 --shortest-fault 2 --least-length 20 --out reel
  xrdfilm trend --reel judged/results.json --json
"""

_RULES = (
    "limits",
    "two-of-three",
    "four-of-five",
    "eight-on-a-side",
    "range",
    "ewma",
    "cusum",
    "none",
)


EWMA_GAIN, EWMA_WIDTH, CUSUM_SLACK, CUSUM_LIMIT = 0.2, 2.962, 0.5, 5.0
"""As in `xrdfilm.trend.charts`, which would load much before it is needed."""
_POSITIVE = click.FloatRange(min=0.0, min_open=True)


@click.command(name="trend", epilog=EXAMPLE)
@click.argument("quantities", nargs=-1, metavar="[QUANTITY]...")
@history_option
@window_options
@click.option(
    "--rule",
    "rules",
    multiple=True,
    type=click.Choice(_RULES),
    help="What counts as a signal; repeatable.  [default: limits, ewma]",
)
@click.option("--rebase-from", metavar="RUN|DAY", help="Set the limits anew from this run on.")
@click.option("--rebase-to", metavar="RUN|DAY", help="Use runs up to this one for the new limits.")
@click.option("--target", type=float, metavar="X", help="State the centre line.")
@click.option(
    "--sigma",
    type=click.FloatRange(min=0.0, min_open=True),
    metavar="S",
    help="State the line's own scatter, one standard deviation.",
)
@click.option(
    "--limits-by",
    type=click.Choice(["robust", "mean"]),
    default="robust",
    show_default=True,
    help="What is not stated: robustly, or by mean and mean moving range as in handbooks.",
)
@click.option(
    "--ewma",
    type=(click.FloatRange(0.0, 1.0, min_open=True), _POSITIVE),
    default=(EWMA_GAIN, EWMA_WIDTH),
    show_default=True,
    metavar="GAIN WIDTH",
    help="EWMA: gain, and width of its limits in standard deviations.",
)
@click.option(
    "--cusum",
    type=(click.FloatRange(min=0.0), _POSITIVE),
    default=(CUSUM_SLACK, CUSUM_LIMIT),
    show_default=True,
    metavar="SLACK LIMIT",
    help="CUSUM: slack and limit in standard deviations.",
)
@click.option("--no-recipe", is_flag=True, help="Do not relate the quantity to the recipe.")
@click.option("--reel", metavar="RUN|FILE", help="Ship map of a run, or of a results.json.")
@click.option(
    "--shortest-fault",
    type=click.FloatRange(min=0.0, min_open=True),
    metavar="M",
    help="Shortest faulty stretch that the line makes; longer gaps between scans never ship.",
)
@click.option(
    "--least-length",
    type=click.FloatRange(min=0.0),
    default=0.0,
    metavar="M",
    help="Shortest piece worth shipping.",
)
@click.option("--reel-start", type=float, metavar="M", help="Where the reel begins.")
@click.option("--reel-end", type=float, metavar="M", help="Where the reel ends.")
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="DIR",
    help="Write pages and figures into this folder.",
)
@click.option("--json", "as_json", is_flag=True, help="JSON instead of words.")
def command(quantities: tuple[str, ...], **values: Any) -> None:
    """Follow quantities over the runs of a line; or map which metres of a reel may ship.

    Charts use each run's own uncertainty. Limits come from the first 25 runs and then stay until
    they are set anew; those that you state, by --target, --sigma or --limits-by, hold for this
    chart alone. The newest 200 runs are charted unless --last says otherwise. Of the recipe
    it is told what a quantity goes with, never what causes it.
    """
    if values["reel"] is not None:
        _reel(quantities, values)
        return
    if values["shortest_fault"] is not None:
        raise click.UsageError("--shortest-fault belongs to a ship map: give --reel RUN too")
    _trends(quantities, values)


def _trends(quantities: tuple[str, ...], values: dict[str, Any]) -> None:
    from xrdfilm.history import open_history
    from xrdfilm.history.query import quantities as known_quantities
    from xrdfilm.trend.analyse import SHOWN, trend_of
    from xrdfilm.trend.charts import ChartSettings
    from xrdfilm.trend.limits import Stated
    from xrdfilm.trend.rules import DEFAULT_RULES

    rules = tuple(rule for rule in values["rules"] if rule != "none")
    if not values["rules"]:
        rules = DEFAULT_RULES
    stated = Stated(
        values["target"],
        values["sigma"],
        "classical" if values["limits_by"] == "mean" else "robust",
        ChartSettings(*values["ewma"], *values["cusum"]),
    )
    if (stated.target is not None or stated.sigma is not None) and len(set(quantities)) > 1:
        raise click.UsageError("--target and --sigma are of one quantity: name one")
    with open_history(values["history_file"], must_exist=True) as history:
        if not quantities:
            known = ", ".join(known_quantities(history)) or "none yet"
            raise click.UsageError(f"name a quantity; the history has: {known}")
        trends = [
            trend_of(
                history,
                quantity,
                line=values["line"],
                since=values["since"],
                until=values["until"],
                last=values["last"] or SHOWN,
                rules=rules,
                rebase_from=values["rebase_from"],
                rebase_to=values["rebase_to"],
                with_recipe=not values["no_recipe"],
                stated=stated,
            )
            for quantity in dict.fromkeys(quantities)
        ]
    if values["as_json"]:
        from xrdfilm.trend.tojson import SCHEMA, trend_record

        records = [trend_record(trend) for trend in trends]
        click.echo(json.dumps({"schema": SCHEMA, "trends": records}, indent=1))
    else:
        for trend in trends:
            _say(trend)
    if values["out"] is not None:
        from xrdfilm.report.trend_page import write_trends

        _written(write_trends(trends, values["out"]), values["as_json"])


def _say(trend: Trend) -> None:
    from xrdfilm.trend.words import (
        Unit,
        course_words,
        limit_words,
        recipe_words,
        signal_words,
    )

    unit, figures = Unit(trend.quantity), trend.figures
    line = f" of line {trend.line}" if trend.line else ""
    runs = "1 run" if len(figures.runs) == 1 else f"{len(figures.runs)} runs"
    click.secho(f"{unit.label} ({trend.quantity}){line}, {runs}", bold=True)
    if len(figures.runs):
        last = unit.with_sigma(float(figures.centre[-1]), float(figures.sigma[-1]))
        click.echo(f"  Last run {figures.runs[-1]} ({figures.days[-1]}): {last}")
    for text in (
        *limit_words(trend),
        *signal_words(trend),
        *course_words(trend),
        *recipe_words(trend),
        *trend.notes,
    ):
        click.echo(f"  {text}")


def _reel(quantities: tuple[str, ...], values: dict[str, Any]) -> None:
    from xrdfilm.trend.reel_of_run import reel_of_run

    reel = reel_of_run(
        _record(values["reel"], values["history_file"]),
        quantities=quantities,
        shortest_fault_m=values["shortest_fault"],
        least_length_m=values["least_length"],
        start_m=values["reel_start"],
        end_m=values["reel_end"],
    )
    if values["as_json"]:
        from xrdfilm.trend.tojson import SCHEMA, reel_record

        click.echo(json.dumps({"schema": SCHEMA, "reel": reel_record(reel)}, indent=1))
    else:
        _say_reel(reel)
    if values["out"] is not None:
        from xrdfilm.report.trend_page import write_reel

        _written(write_reel(reel, values["out"]), values["as_json"])


def _record(named: str, history_file: Path | None) -> Any:
    """The run of a results.json, or of the history."""
    from xrdfilm.commands._recorded import read_recorded, results_file
    from xrdfilm.history import open_history
    from xrdfilm.history.query import revision_key_of
    from xrdfilm.history.record import record_of

    path = results_file(Path(named))
    if path.is_file():
        return record_of(read_recorded(path))
    with open_history(history_file, must_exist=True) as history:
        return history.revision(revision_key_of(history, named))


def _say_reel(reel: ReelOfRun) -> None:
    from xrdfilm.numbers import number
    from xrdfilm.trend.words import pattern_words, ship_words

    click.secho(f"Reel of run {reel.run_id}, {len(reel.scans)} scans", bold=True)
    for segment in reel.ship.segments:
        click.echo(
            f"  {number(segment.start_m, 6):>8} to {number(segment.end_m, 6):>8} m  "
            f"{segment.fate:9s}  {segment.why}"
        )
    for text in ship_words(reel.ship):
        click.echo(f"  {text}")
    for trace in reel.traces:
        for text in pattern_words(trace.quantity, trace.pattern):
            click.echo(f"  {text}")


def _written(paths: tuple[Path, ...], as_json: bool) -> None:
    for path in paths:
        click.echo(f"  written: {path}", err=as_json)
