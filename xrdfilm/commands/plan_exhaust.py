"""`xrdfilm plan exhaust`: the HF that a line sets free, as bookkeeping."""

from __future__ import annotations

import json
from dataclasses import asdict
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from xrdfilm.planning.exhaust import ExhaustPlan


EXAMPLE = """\b
Example:
  xrdfilm plan exhaust --speed-m-h 36 --width-mm 12 --thickness-nm 1000
"""


@click.command(name="exhaust", epilog=EXAMPLE)
@click.option("--speed-m-h", type=float, required=True, help="Line speed.")
@click.option("--width-mm", type=float, required=True, help="Coated width, all tapes together.")
@click.option("--thickness-nm", type=float, required=True, help="Finished dense film.")
@click.option("--sides", type=click.IntRange(1, 2), default=1, show_default=True,
              help="Coated sides of the tape.")  # fmt: skip
@click.option("--fluorine-in-pyrolysis", type=float, default=35.0, show_default=True,
              help="Fluorine atoms a formula unit lost before growth; less for a "
              "low-fluorine ink.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the plan as JSON.")
def command(
    speed_m_h: float,
    width_mm: float,
    thickness_nm: float,
    sides: int,
    fluorine_in_pyrolysis: float,
    as_json: bool,
) -> None:
    """HF an hour that a line sets free: bookkeeping, no design of safety equipment."""
    from xrdfilm.planning.exhaust import plan_exhaust

    try:
        plan = plan_exhaust(
            speed_m_h=speed_m_h,
            width_mm=width_mm,
            thickness_nm=thickness_nm,
            sides=sides,
            fluorine_in_pyrolysis=fluorine_in_pyrolysis,
        )
    except ValueError as problem:
        raise click.UsageError(str(problem)) from None
    if as_json:
        click.echo(json.dumps(asdict(plan), ensure_ascii=False))
        return
    _print_exhaust(plan)


def _print_exhaust(plan: ExhaustPlan) -> None:
    from xrdfilm.numbers import number

    click.echo(
        f"{number(plan.area_m2_h, 3)} m² of tape an hour, {number(plan.thickness_nm)} nm of dense "
        "film:"
    )
    for flow in (plan.growth, plan.pyrolysis):
        bound = "at most " if flow.upper_bound else ""
        click.echo(
            f"  {flow.step:10s}{bound}{number(flow.hf_g_h, 3)} g HF/h "
            f"({number(flow.hf_L_h, 3)} L/h at 25 °C); {bound}"
            f"{number(flow.sodium_hydroxide_g_h, 3)} g NaOH/h to neutralise it"
        )
    click.echo("Air that would dilute it to a published limit, as a scale of the hazard only:")
    for limit in plan.limits:
        air = [flow.air_m3_h(limit) for flow in (plan.growth, plan.pyrolysis)]
        shown = ", ".join(
            f"{flow.step} {number(a, 3)} m³/h"
            for flow, a in zip((plan.growth, plan.pyrolysis), air, strict=True)
            if a is not None
        )
        memory = " [from memory]" if limit.standing == "memory" else ""
        click.echo(f"  {limit}{memory}: {shown}")
    click.echo("Cautions:")
    for caution in plan.cautions:
        click.echo(f"- {caution}")
