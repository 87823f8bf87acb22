"""`xrdfilm series`: conversion against time, growth models, growth rate."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xrdfilm.commands._stated import reading_options, stated_tables, stating_options

if TYPE_CHECKING:
    from xrdfilm.kinetics.outcome import SeriesOutcome
    from xrdfilm.kinetics.ratelaw import RateLaw, RatePoint

EXAMPLE = """\b
Examples:
  xrdfilm series runs/Q-0012                    # films with time_min in run.toml
  xrdfilm series conversions.csv --thickness-nm 1000
  xrdfilm series runs/Q-0012 runs/Q-0013 runs/Q-0014 runs/Q-0015
  xrdfilm series --rates rates.csv

\b
A table has the columns time_s (or time_min, time_h), conversion, low, high
(or sigma), and maybe film and side. Several series with water_vapour_mbar or
total_pressure_mbar in [recipe] also give the exponents of the rate.
"""


@click.command(name="series", epilog=EXAMPLE)
@click.argument("paths", nargs=-1, type=click.Path(path_type=Path))
@click.option(
    "--times", "times_file", type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Table of quench times: film and time_s (or time_min, time_h).",
)  # fmt: skip
@click.option("--time-key", default="growth_time_min", show_default=True,
              help="Recipe key that holds the time in minutes.")  # fmt: skip
@click.option(
    "--order",
    type=click.Choice(["from_below", "mixed", "none"]),
    default="from_below",
    show_default=True,
    help="How film and precursor lie, for absorption.",
)
@click.option(
    "--fluoride-cell-A", "fluoride_cell_A", type=click.FloatRange(5.9, 6.3), metavar="A",
    help="Cell edge of the fluoride where yttrium or another rare earth has shifted it; `judge` "
    "tells it of an early film.  [default: that of BaF2, 6.2 Å]",
)  # fmt: skip
@click.option(
    "--rates", "rates_file", type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="Table of rates of other series: rate_nm_s, low, high, water_vapour_mbar, ...",
)  # fmt: skip
@click.option("--out", type=click.Path(file_okay=False, path_type=Path),
              help="Folder for page and data; default: series/ beside the input.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the outcome as JSON.")
@stating_options
@reading_options
def command(
    paths: tuple[Path, ...],
    times_file: Path | None,
    time_key: str,
    order: str,
    fluoride_cell_A: float | None,
    rates_file: Path | None,
    out: Path | None,
    as_json: bool,
    **flags: Any,
) -> None:
    """Follow conversion over films quenched at different times.

    Each PATH is a run folder or run.toml, a table of conversions, or a results.json. Growth models
    are compared, and growth rate, incubation and end of conversion are given with intervals.
    """
    from xrdfilm.errors import CannotTellError
    from xrdfilm.kinetics.page import outcome_text, series_json, write_series
    from xrdfilm.kinetics.ratelaw import rate_law
    from xrdfilm.kinetics.table import read_rates

    if not paths and rates_file is None:
        raise click.UsageError("name a run folder, a table or a results.json; see --help")
    outcomes: list[SeriesOutcome] = []
    for path in paths:
        outcomes += _outcomes(path, times_file, time_key, order, fluoride_cell_A, flags)
    points = [p for p in map(_rate_point, outcomes) if p is not None]
    if rates_file is not None:
        points += read_rates(rates_file)
    law: RateLaw | None = None
    why = ""
    if rates_file is not None or len(outcomes) > 1:
        try:
            law = rate_law(points)
        except CannotTellError as problem:
            why = str(problem)
            if not outcomes:
                raise
    first = paths[0] if paths else rates_file
    assert first is not None
    folder = out or (first if first.is_dir() else first.parent) / "series"
    page = write_series(outcomes, folder, law=law)
    if as_json:
        click.echo(series_json(outcomes, law), nl=False)
        return
    for outcome in outcomes:
        click.echo(f"{outcome.name}: {outcome_text(outcome)}")
        if outcome.agreement:
            click.echo(f"  {outcome.agreement}")
        for note in outcome.notes:
            click.echo(f"  - {note}")
    if law is not None:
        click.echo(law.text)
        for reason in law.left_out.values():
            click.echo(f"  - {reason}")
    elif why:
        click.echo(f"Growth rate and gas: {why}")
    click.echo(f"Page: {page}")


def _outcomes(
    path: Path,
    times_file: Path | None,
    time_key: str,
    order: str,
    fluoride_cell_A: float | None,
    flags: dict[str, Any],
) -> list[SeriesOutcome]:
    from xrdfilm.commands._recorded import read_recorded
    from xrdfilm.errors import RunFileError
    from xrdfilm.kinetics.observe import observe_run
    from xrdfilm.kinetics.outcome import evaluate
    from xrdfilm.kinetics.table import read_conversions, read_times, series_of_results
    from xrdfilm.runs.gather import gather_runs

    if not path.exists():
        raise RunFileError("no such file or folder", path=path)
    thickness = flags.get("thickness_nm")
    doubt = 0.1 * thickness if thickness else 0.0
    if path.suffix.lower() == ".json":
        result = read_recorded(path)
        series = series_of_results(
            result, time_key=time_key, thickness_nm=thickness, thickness_sigma_nm=doubt
        )
        return [evaluate({"fluoride": series}, name=series.name, gas=_gas(result.run.recipe))]
    if path.is_file() and path.suffix.lower() != ".toml":
        sides = read_conversions(path, thickness_nm=thickness, thickness_sigma_nm=doubt)
        return [evaluate(sides, name=path.stem)]
    times = read_times(times_file) if times_file is not None else None
    found = []
    from xrdfilm.commands.judge import progress_bar

    for planned in gather_runs([path], stated=stated_tables(flags)):
        with progress_bar(planned.run_id, len(planned.films)) as tick:
            observed = observe_run(
                planned,
                times_s=times,
                order=order,  # type: ignore[arg-type]
                time_key=time_key,
                fluoride_cell_A=fluoride_cell_A,
                tick=tick,
            )
        found.append(
            evaluate(
                observed.sides,
                name=planned.run_id,
                notes=observed.notes,
                gas=_gas(planned.run_file.recipe),
            )
        )
    return found


def _gas(recipe: Any) -> dict[str, float]:
    return {
        key: float(value)
        for key, value in recipe.items()
        if key.endswith("_mbar") and isinstance(value, int | float) and not isinstance(value, bool)
    }


def _rate_point(outcome: SeriesOutcome) -> RatePoint | None:
    """The rate of a series for the rate law; None where it is open on a side."""
    from xrdfilm.kinetics.ratelaw import RatePoint

    speed = None if outcome.told is None else outcome.told.speed_nm_s
    if speed is None or speed.value is None or not speed.low or speed.high is None:
        return None
    return RatePoint(speed.value, speed.low, speed.high, outcome.gas, outcome.name)
