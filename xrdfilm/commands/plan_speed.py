"""`xrdfilm plan speed`: line speed from a growth rate."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from xrdfilm.planning.speed import GrowthFigures


EXAMPLE = """\b
Examples:
  xrdfilm plan speed --rate 1 --rate-low 0.8 --thickness-nm 1000 --hot-zone-m 10
  xrdfilm plan speed --series series/series.json --thickness-nm 800 --hot-zone-m 2
"""


@click.command(name="speed", epilog=EXAMPLE)
@click.option("--series", "series_file", type=click.Path(path_type=Path, dir_okay=False),
              help="series.json of `xrdfilm series`, for rate and incubation.")  # fmt: skip
@click.option("--rate", type=float, metavar="NM_S", help="Growth rate in nm/s.")
@click.option("--rate-low", type=float, metavar="NM_S", help="Lower end of its interval.")
@click.option("--incubation-s", type=float, default=0.0, show_default=True,
              help="Time before growth sets in.")  # fmt: skip
@click.option("--incubation-high-s", type=float, help="Upper end of its interval.")
@click.option("--thickness-nm", type=float, required=True, help="Finished film.")
@click.option("--hot-zone-m", type=float, required=True, help="Length at growth temperature.")
@click.option("--margin", type=float, default=0.0, show_default=True,
              help="Share added to the dwell, e.g. 0.2.")  # fmt: skip
@click.option("--out", type=click.Path(file_okay=False, path_type=Path),
              help="Folder for the curves (speed.svg, speed.png, speed.csv).")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the plan as JSON.")
def command(
    series_file: Path | None,
    rate: float | None,
    rate_low: float | None,
    incubation_s: float,
    incubation_high_s: float | None,
    thickness_nm: float,
    hot_zone_m: float,
    margin: float,
    out: Path | None,
    as_json: bool,
) -> None:
    """Line speed from the lower end of a growth rate, thickness, incubation and hot zone."""
    from xrdfilm.planning.speed import in_words, plan_speed

    try:
        if series_file is not None:
            figures = _figures_of(series_file)
        elif rate is not None:
            figures = _figures(rate, rate_low, incubation_s, incubation_high_s)
        else:
            raise click.UsageError("give --rate with --rate-low, or --series")
        plan = plan_speed(figures, thickness_nm=thickness_nm, hot_zone_m=hot_zone_m, margin=margin)
    except ValueError as problem:
        raise click.UsageError(str(problem)) from None
    warnings = list(plan.warnings)
    if series_file is None and rate_low is None:
        warnings.insert(
            0,
            "no lower end of the rate is given: half of all films would leave unfinished; give "
            "--rate-low",
        )
    if out is not None:
        from xrdfilm.kinetics.figure import save
        from xrdfilm.planning.figure import draw_speed
        from xrdfilm.planning.speed import speed_curves

        out.mkdir(parents=True, exist_ok=True)
        save(draw_speed(plan), out, "speed")
        curves = speed_curves(plan)
        names = [f"speed_m_h_at_{z:g}_m" for z in curves.hot_zones_m]
        rows = [",".join(["thickness_nm", *names])]
        rows += [
            ",".join(f"{v:.5g}" for v in (t, *curves.speed_m_h[:, i]))
            for i, t in enumerate(curves.thickness_nm)
        ]
        (out / "speed.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    if as_json:
        click.echo(json.dumps({**asdict(plan), "warnings": warnings}, ensure_ascii=False))
        return
    click.echo(in_words(plan))
    for warning in warnings:
        click.echo(f"- {warning}")
    if out is not None:
        click.echo(f"Curves: {out / 'speed.png'}")


def _figures(
    rate: float, rate_low: float | None, incubation: float, incubation_high: float | None
) -> GrowthFigures:
    from xrdfilm.planning.speed import GrowthFigures

    low = rate if rate_low is None else rate_low
    high = max(rate, rate**2 / low) if low > 0 else rate
    last = incubation if incubation_high is None else incubation_high
    return GrowthFigures((low, rate, high), (min(incubation, last), incubation, last))


def _figures_of(path: Path) -> GrowthFigures:
    """Rate and incubation of the first series in a series.json."""
    from xrdfilm.errors import RunFileError
    from xrdfilm.planning.speed import GrowthFigures

    try:
        record = json.loads(path.read_text(encoding="utf-8"))["series"][0]
        headline = record["headline"]
        fit = record["fits"][headline]
        thickness = record["thickness_nm"]
        rate, wait = fit["growth_rate_nm_s"], fit["incubation_s"]
    except OSError:
        raise RunFileError("no such file", path=path) from None
    except (ValueError, KeyError, IndexError, TypeError):
        raise RunFileError(
            "holds no growth rate: its sides differ, or no thickness was stated; run xrdfilm "
            "series with --thickness-nm",
            path=path,
        ) from None
    if rate is None or not rate["low"] or rate["estimate"] is None:
        raise RunFileError("its growth rate has no lower end; quench more films", path=path)
    high = rate["high"] if rate["high"] is not None else rate["estimate"] * 10.0
    middle = wait["estimate"]
    first = wait["low"] if wait["low"] is not None else middle
    last = wait["high"] if wait["high"] is not None else middle
    return GrowthFigures(
        (rate["low"], rate["estimate"], high),
        (first, middle, last),
        (thickness, thickness),
        (rate["low"], high),
    )
