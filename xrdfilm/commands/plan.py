"""`xrdfilm plan`: line speed, counting times, HF of a line."""

from __future__ import annotations

import click

from xrdfilm.commands import plan_counting, plan_exhaust, plan_speed

EXAMPLE = """\b
Example:
  xrdfilm plan speed --rate 1 --rate-low 0.8 --thickness-nm 1000 --hot-zone-m 10
"""


@click.group(name="plan", epilog=EXAMPLE)
def command() -> None:
    """Plan ahead: line speed, counting times, and account for the HF of a line."""


for _sub in (plan_counting.command, plan_exhaust.command, plan_speed.command):
    command.add_command(_sub)
