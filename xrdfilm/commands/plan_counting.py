"""`xrdfilm plan counting`: how long which lines must be counted to decide a limit."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xrdfilm.commands._stated import stated_tables, stating_options

if TYPE_CHECKING:
    from xrdfilm.planning.counting import CountingPlan


EXAMPLE = """\b
Examples:
  xrdfilm plan counting film.xy --film YBCO --thickness-nm 800 --substrate SrTiO3 \\
      --limit a_axis_fraction=0.05
  xrdfilm plan counting --film YBCO --thickness-nm 800 --substrate Ni-5W \\
      --buffer CeO2:75 --buffer La2Zr2O7:200 --limit fluoride_volume_fraction=0.01 \\
      --counts-per-s 30000 --background-per-s 200
  xrdfilm plan counting runs/K-0317 --film-id K-0317-06

\b
Without a PATH the plan starts from the stack and the counts/s that your instrument
gives at the top of the film's strongest line and beside it.
"""


@click.command(name="counting", epilog=EXAMPLE)
@click.argument("path", required=False, type=click.Path(path_type=Path))
@click.option("--limit", "limits", multiple=True, metavar="QUANTITY=MAX",
              help="Limit to decide (for conversion the least); default: the run's own. "
              "Repeatable.")  # fmt: skip
@click.option("--risk", type=float, default=0.05, show_default=True,
              help="Risk of deciding wrongly.")  # fmt: skip
@click.option("--assurance", type=float, default=0.95, show_default=True,
              help="Wanted probability that the scan decides.")  # fmt: skip
@click.option("--film-id", help="Film of a run; default: its first.")
@click.option("--expected", type=float, help="Supposed figure, without a PATH; default: 0 "
              "(conversion: 1).")  # fmt: skip
@click.option("--counts-per-s", type=float, help="At the top of the film's strongest line.")
@click.option("--background-per-s", type=float, help="Beside the lines, near 40°.")
@click.option("--step-deg", type=float, default=0.02, show_default=True,
              help="Step of the planned scan.")  # fmt: skip
@click.option("--mosaic-deg", type=float, default=4.0, show_default=True,
              help="Mosaic of c-axis grains, without a PATH.")  # fmt: skip
@click.option("--fluoride-orientation",
              type=click.Choice(["aligned", "aligned_111", "random"]),
              help="How fluoride grains would stand: (00l) or (111) along the normal, or "
              "anyhow.")  # fmt: skip
@click.option("--out", type=click.Path(file_okay=False, path_type=Path),
              help="Folder for scan tables (text, CSV, JSON) and the curve.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the plan as JSON.")
@stating_options
def command(
    path: Path | None,
    limits: tuple[str, ...],
    risk: float,
    assurance: float,
    film_id: str | None,
    expected: float | None,
    out: Path | None,
    as_json: bool,
    **values: Any,
) -> None:
    """How long which lines must be counted to decide a limit; a table for the instrument."""
    if not 0.0 < risk < 0.5 or not 0.5 <= assurance < 1.0:
        raise click.UsageError("risk lies between 0 and 0.5, assurance between 0.5 and 1")
    asked = [_limit(text) for text in limits]
    notes: list[str] = []
    if path is None:
        plans = _from_stack(asked, risk, assurance, expected, values)
    else:
        plans, notes = _from_scan(path, asked, risk, assurance, film_id, values)
    if out is not None:
        _write_tables(plans, out)
    if as_json:
        click.echo(json.dumps([p.record() for p in plans], ensure_ascii=False))
        return
    for note in notes:
        click.echo(note)
    for plan in plans:
        _print_counting(plan)
    if out is not None:
        click.echo(f"Tables: {out}")


def _limit(text: str) -> tuple[str, float]:
    from xrdfilm.decision.quantities import find_quantity, near_quantity

    name, _, value = text.partition("=")
    try:
        limit = float(value)
    except ValueError:
        raise click.BadParameter(
            f"{text!r}: write QUANTITY=VALUE, e.g. a_axis_fraction=0.05", param_hint="--limit"
        ) from None
    if find_quantity(name) is None:
        near = near_quantity(name)
        hint = f"; did you mean {near}?" if near else ""
        raise click.BadParameter(f"unknown quantity {name!r}{hint}", param_hint="--limit")
    return name, limit


def _tolerance(name: str, limit: float) -> Any:
    from xrdfilm.decision.guard import Tolerance

    return Tolerance(limit, None) if name == "conversion" else Tolerance(None, limit)


def _from_stack(
    asked: list[tuple[str, float]],
    risk: float,
    wanted: float,
    expected: float | None,
    values: dict[str, Any],
) -> list[CountingPlan]:
    from pydantic import ValidationError

    from xrdfilm.analysis.premises import premises_of
    from xrdfilm.planning.source import Rates, plan_from_stack
    from xrdfilm.runfile import RunFile

    if not asked:
        raise click.UsageError("without a PATH, give --limit QUANTITY=MAX")
    counts, background = values.get("counts_per_s"), values.get("background_per_s")
    if counts is None or background is None:
        raise click.UsageError("without a PATH, give --counts-per-s and --background-per-s")
    try:
        run_file = RunFile.model_validate(stated_tables(values))
    except ValidationError as problem:
        first = problem.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise click.UsageError(f"{where}: {first['msg']}") from None
    premises = premises_of(run_file, None, {})
    return [
        plan_from_stack(
            premises.stack,
            premises.optics,
            Rates(counts, background, values["step_deg"]),
            name,
            _tolerance(name, limit),
            risk,
            expected=(1.0 if name == "conversion" else 0.0) if expected is None else expected,
            phase=premises.fluoride,
            orientation=values.get("fluoride_orientation"),
            mosaic_fwhm_deg=values["mosaic_deg"],
            wanted=wanted,
        )
        for name, limit in asked
    ]


def _from_scan(
    path: Path,
    asked: list[tuple[str, float]],
    risk: float,
    wanted: float,
    film_id: str | None,
    values: dict[str, Any],
) -> tuple[list[CountingPlan], list[str]]:
    from xrdfilm.planning.atscan import plans_of_film
    from xrdfilm.runs.gather import gather_runs

    planned = gather_runs([path], stated=stated_tables(values))[0]
    tolerances = [(name, _tolerance(name, limit), risk) for name, limit in asked]
    return plans_of_film(
        planned,
        tolerances,
        film_id=film_id,
        wanted=wanted,
        orientation=values.get("fluoride_orientation"),
    )


def _print_counting(plan: CountingPlan) -> None:
    from xrdfilm.numbers import number
    from xrdfilm.planning.counting import worth

    limit = plan.tolerance
    words = f"at most {number(limit.high)}" if limit.high is not None else f"≥ {number(limit.low)}"
    supposed = (
        f"{number(plan.belief.centre, 3)} supposed"
        if plan.belief.sigma == 0.0
        else f"{number(plan.belief.centre, 3)} ± {number(plan.belief.sigma, 2)} by the scan"
    )
    what = "conversion, as fluoride left" if plan.quantity == "conversion" else plan.quantity
    click.echo(f"{what}: {words} of the volume, risk {number(plan.risk)}; {supposed}")
    click.echo("Lines, the most telling first (time each needs, against the one counted):")
    for line in plan.lines.lines:
        factor = worth(plan.lines, line)
        kind = "film" if line.role == "film" else "sought"
        why = line.hidden_by or line.shared_with
        need = "not to be counted" if factor is None else f"{number(factor, 2)} ×"
        click.echo(
            f"  {line.reflection!s:16s}{line.two_theta_deg:7.2f}°  {kind:7s}{need}"
            + (f"  ({why})" if why else "")
        )
    for role in ("film", "sought"):
        faster = plan.lines.passed_over(role)
        if faster:
            names = ", ".join(str(line.reflection) for line in faster)
            click.echo(
                f"Not counted though quicker: {names}. What stands there may be another's, so it "
                f"only bounds the amount; {plan.lines.best(role).reflection} measures it."
            )
    if plan.quick is None or plan.table is None:
        click.echo(f"No plan: {plan.why_not}.")
        return
    if plan.lines.sought == "fluoride":
        click.echo(
            "For fluoride of the stated cell; where the cell is open, as where no fluoride shows, "
            "`judge` covers every cell and decides less often than is said here."
        )
    click.echo("Quick scan of two lines:")
    click.echo(_indented(plan.quick.as_text()))
    click.echo(f"  decides in {100 * plan.quick.assurance:.0f} of 100 cases")
    if len(plan.table.rows) > 2:
        click.echo("All lines worth their time (they also show how the component stands):")
        click.echo(_indented(plan.table.as_text()))


def _indented(text: str) -> str:
    return "\n".join(f"  {line}" for line in text.splitlines())


def _write_tables(plans: list[CountingPlan], out: Path) -> None:
    from xrdfilm.kinetics.figure import save
    from xrdfilm.planning.counting import plan_json
    from xrdfilm.planning.figure import draw_assurance

    out.mkdir(parents=True, exist_ok=True)
    for plan in plans:
        stem = plan.quantity
        (out / f"{stem}.json").write_text(plan_json(plan), encoding="utf-8")
        for name, table in (("quick", plan.quick), ("table", plan.table)):
            if table is not None:
                (out / f"{stem}-{name}.txt").write_text(table.as_text() + "\n", encoding="utf-8")
                (out / f"{stem}-{name}.csv").write_text(table.as_csv(), encoding="utf-8")
        save(draw_assurance(plan), out, f"{stem}-chance")
