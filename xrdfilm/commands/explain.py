"""`xrdfilm explain`: how a figure came about, from results.json alone."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xrdfilm.commands._recorded import read_recorded
from xrdfilm.decision.quantities import (
    DETECTED,
    QUANTITIES,
    find_quantity,
    near_quantity,
    quantities_of,
    recorded_quantities,
)
from xrdfilm.estimate import DEFAULT_LEVEL

if TYPE_CHECKING:
    from rich.console import Console, RenderableType

    from xrdfilm.results import Film, Line, Orientation, Quantity, RunResult

EXAMPLE = """\b
Examples:
  xrdfilm explain demo/judged/results.json --film K-0317-05
  xrdfilm explain demo/judged --film K-0317-07 --quantity fluoride_volume_fraction_aligned
"""

_BY_LINES = ("c_axis_fraction", "a_axis_fraction", "random_fraction", "other_fraction")


@click.command(name="explain", epilog=EXAMPLE)
@click.argument("result", type=click.Path(path_type=Path))
@click.option("--film", "film_name", metavar="NAME", help="One film; default: all films.")
@click.option("--quantity", metavar="NAME", help="One quantity, e.g. a_axis_fraction.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def command(result: Path, film_name: str | None, quantity: str | None, as_json: bool) -> None:
    """Show how the figures in RESULT (a results.json or its folder) came about.

    For each quantity its estimate, interval and what the uncertainty is made of; for fractions
    the account line by line; for cell and fluoride the lines they rest on; and each limit's reason.
    """
    run = read_recorded(result)
    films = run.films if film_name is None else [_film(run, film_name)]
    if quantity is not None and find_quantity(quantity) is None:
        near = near_quantity(quantity)
        hint = f"did you mean '{near}'?" if near else f"known: {', '.join(QUANTITIES)}"
        raise click.BadParameter(f"unknown quantity '{quantity}'; {hint}", param_hint="--quantity")
    if as_json:
        click.echo(json.dumps([account(film, quantity) for film in films], ensure_ascii=False))
        return
    from rich.console import Console

    console = Console(width=None if sys.stdout.isatty() else 110, highlight=False)
    for film in films:
        _show(console, film, quantity)


def _film(run: RunResult, name: str) -> Film:
    import difflib

    names = [film.film for film in run.films]
    if name in names:
        return run.films[names.index(name)]
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"did you mean '{near[0]}'?" if near else f"it has {', '.join(names[:8])}"
    raise click.BadParameter(f"no film '{name}' in this run; {hint}", param_hint="--film")


def account(film: Film, quantity: str | None = None) -> dict[str, Any]:
    """All that explains a film's figures, as plain data; of one quantity where it is named."""
    found: dict[str, Any] = {"film": film.film, "verdict": film.verdict}
    figures = _quantities(film) if quantity is None else _one_quantity(film, quantity)
    found["quantities"] = {name: value.model_dump() for name, value in figures.items()}
    if film.orientation is not None and quantity in (None, *_BY_LINES):
        found["orientation_lines"] = film.orientation.explanation
        found["lines_left_out"] = [out.model_dump() for out in film.orientation.lines_left_out]
    if quantity is None or not quantity.endswith("_fraction") or "fluoride" in quantity:
        found["lines"] = [
            line.model_dump() for line in film.lines if _belongs(line, film, quantity)
        ]
    if quantity is None or quantity.endswith(DETECTED):
        found["phases"] = [
            phase.model_dump()
            for phase in film.phases
            if quantity in (None, f"{phase.phase}{DETECTED}")
        ]
    found["reasons"] = [
        reason.model_dump(mode="json")
        for reason in film.reasons
        if quantity in (None, reason.quantity)
    ]
    return found


def _quantities(film: Film) -> dict[str, Quantity]:
    """The figures that were measured, by name, each once."""
    named = recorded_quantities(film)
    if film.fluoride is not None:
        named["fluoride_cell_A"] = film.fluoride.cell_A
        for case in ("aligned", "random"):
            if getattr(film.fluoride, f"volume_fraction_{case}") is None:
                named[f"fluoride_volume_fraction_{case}"] = None
    if film.lattice is not None:
        for name in ("displacement_um", "zero_deg"):
            named[name] = getattr(film.lattice, name)
    return {name: value for name, value in named.items() if value is not None}


def _one_quantity(film: Film, name: str) -> dict[str, Quantity]:
    """A quantity as recorded, reckoned from the record, or as its limit was judged."""
    from xrdfilm.results import Quantity

    measured = recorded_quantities(film).get(name) or _quantities(film).get(name)
    if measured is not None:
        return {name: measured}
    reckoned = quantities_of(film).get(name)
    if reckoned is not None:
        return {name: Quantity.of(reckoned)}
    for reason in film.reasons:
        if reason.quantity == name and (reason.low, reason.high) != (None, None):
            level = reason.level or DEFAULT_LEVEL
            return {
                name: Quantity(value=reason.value, low=reason.low, high=reason.high, level=level)
            }
    return {}


def _belongs(line: Line, film: Film, quantity: str | None) -> bool:
    if quantity is None:
        return True
    if "fluoride" in quantity or quantity in ("conversion", "hf_bound_ug_cm2"):
        return line.phase == "BaF2"
    if quantity == "c_A":
        return line.hkl[0] == line.hkl[1] == 0 and line.significance > 8.0
    return False


def _show(console: Console, film: Film, quantity: str | None) -> None:
    from rich.text import Text

    console.print(Text(f"{film.film}: {film.verdict}", style="bold"))
    for text in film.warnings[:1] if film.verdict == "unreadable" else ():
        console.print(Text(f"  {text}"))
    data = account(film, quantity)
    figures = {n: q for n, q in data["quantities"].items() if not n.endswith(DETECTED)}
    if figures:
        console.print(_quantity_table(figures))
    for phase in data["phases"] if quantity is not None and "phases" in data else ():
        console.print(
            Text(f"  {phase['phase']} {'shows' if phase['detected'] else 'does not show'}")
        )
        for told in (*phase["lines"], phase["note"]):
            console.print(Text(f"    {told}"))
    if not data["quantities"] and film.verdict != "unreadable":
        console.print(Text(f"  {_missing(film, quantity)}"))
    if film.orientation is not None and "orientation_lines" in data:
        console.print(_line_account(film.orientation))
        for out in film.orientation.lines_left_out:
            console.print(Text(f"  left out: {out.line} {out.why}"))
        for note in film.orientation.notes:
            console.print(Text(f"  {note}"))
    if quantity is not None and data.get("lines"):
        console.print(_lines_table(film, quantity))
    for reason in data["reasons"]:
        grade = reason["limit"].get("grade")
        names = [grade] if isinstance(grade, str) else list(grade or ())
        told = f"  {', '.join(names)}: " if names else "  "
        console.print(Text(f"{told}{reason['text']}"))
    console.print()


def _missing(film: Film, quantity: str | None) -> str:
    if quantity is None:
        return "nothing was measured"
    if not quantity.endswith(DETECTED):
        spec = find_quantity(quantity)
        if spec is not None and spec.kind == "scan":
            return f"{quantity} is recorded only where a limit names it"
        return f"{quantity} was not measured"
    looked = ", ".join(phase.phase for phase in film.phases) or "nothing"
    return f"{quantity.removesuffix(DETECTED)} was not looked for; looked for: {looked}"


def _quantity_table(quantities: dict[str, dict[str, Any]]) -> RenderableType:
    from rich.table import Table

    from xrdfilm.numbers import number

    table = Table("quantity", "estimate", "interval", "standard uncertainty, by cause", box=None)
    for name, q in quantities.items():
        causes = sorted(q["sources"].items(), key=lambda item: -item[1])
        told = ", ".join(f"{cause} {number(value, 2)}" for cause, value in causes if value > 0)
        estimate = "" if q["estimate"] is None else number(q["estimate"], 5)
        ends = ["…" if q[end] is None else number(q[end], 5) for end in ("low", "high")]
        table.add_row(name, estimate, f"{ends[0]} to {ends[1]}", told)
    return table


def _line_account(orientation: Orientation) -> RenderableType:
    """Each line: what was measured, and what the fractions give to it."""
    from rich.table import Table

    from xrdfilm.numbers import number

    names = list(dict.fromkeys(n for row in orientation.explanation for n in row["given_by"]))
    table = Table(title="Line by line (areas in counts·deg)", title_justify="left", box=None)
    table.caption = "±: of the area; the last column counts in what is uncertain of the sum as well"
    table.caption_justify = "left"
    for heading in ("line", "area", "±", *(f"from {n}" for n in names), "sum", "off, in σ"):
        table.add_column(heading, justify="left" if heading == "line" else "right")
    for row in orientation.explanation:
        given = [number(row["given_by"].get(name, 0.0), 3) for name in names]
        table.add_row(
            row["line"],
            number(row["area"], 4),
            number(row["area_sigma"], 2),
            *given,
            number(row["predicted"], 4),
            f"{row['residual_sigma']:+.1f}",
        )
    return table


def _lines_table(film: Film, quantity: str) -> RenderableType:
    from rich.table import Table

    from xrdfilm.lines import Reflection
    from xrdfilm.numbers import number

    table = Table("line", "2θ / °", "area", "σ", "significance", "remarks", box=None)
    for line in film.lines:
        if not _belongs(line, film, quantity):
            continue
        place, area = line.two_theta_deg, line.area
        table.add_row(
            line.members[0] if line.members else str(Reflection(line.phase, line.hkl)),
            number(place.estimate or 0.0, 6),
            number(area.estimate or 0.0, 4),
            number(area.sigma or 0.0, 2),
            f"{line.significance:.1f}",
            ", ".join(line.flags),
        )
    return table
