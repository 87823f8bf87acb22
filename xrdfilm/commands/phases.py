"""`xrdfilm phases`: reference phases, their lines, and the map of a stack's usable lines."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xrdfilm.commands._stated import stated_tables, stating_options

if TYPE_CHECKING:
    from xrdfilm.analysis.premises import Premises
    from xrdfilm.crystal import Phase
    from xrdfilm.intensity.optics import Optics
    from xrdfilm.linemap.line_map import LineMap

EXAMPLE = """\b
Examples:
  xrdfilm phases
  xrdfilm phases YBCO
  xrdfilm phases BaYF --composition 0.1 --range 20 60
  xrdfilm phases --film YBCO --substrate Ni-5W --buffer CeO2:75 --buffer La2Zr2O7:200
  xrdfilm phases --film YBCO --substrate LaAlO3 --product CuO --figure map.png
"""

_BUFFER_NM = 100.0


@click.command(name="phases", epilog=EXAMPLE)
@click.argument("name", required=False, metavar="[PHASE|FILE.cif]")
@stating_options
@click.option(
    "--fluoride",
    "fluorides",
    multiple=True,
    metavar="PHASE",
    help="Fluoride of the map; repeatable.  [default: BaF2]",
)
@click.option(
    "--product",
    "products",
    multiple=True,
    metavar="PHASE",
    help="A reaction product to reckon with; repeatable.",
)
@click.option("--untextured-substrate", is_flag=True, help="The substrate's grains lie at random.")
@click.option("--composition", type=float, metavar="X", help="Of a solid solution: BaYF, Ni-5W.")
@click.option(
    "--range",
    "two_theta_range",
    nargs=2,
    type=click.FloatRange(1.0, 179.0),
    metavar="LOW HIGH",
    help="2θ in degrees.  [default: 10 100]",
)
@click.option(
    "--weakest",
    type=click.FloatRange(0.0, 100.0),
    default=2.0,
    show_default=True,
    help="Leave out lines under this percentage of the strongest of their kind.",
)
@click.option(
    "--resolution-deg",
    type=click.FloatRange(min=0.01, max=5.0),
    default=0.2,
    show_default=True,
    help="Lines nearer than this cannot be held apart.",
)
@click.option(
    "--figure",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Write the map as a picture (.png, .svg, .pdf).",
)
@click.option("--json", "as_json", is_flag=True, help="JSON instead of a table.")
def command(name: str | None, **values: Any) -> None:
    """List the reference phases; show the lines of one; or map a stack's usable lines.

    With a phase, or the path of a CIF: its structure, where it comes from, and its lines. With
    --film (and substrate, buffers, products): which lines of film, fluoride and buffers can be
    measured on that stack, which are hidden, and by what.
    """
    stack_asked = any(values[key] for key in ("film", "substrate", "buffers", "products"))
    if name is not None and stack_asked:
        raise click.UsageError("give either a phase or a stack (--film ...), not both")
    if values["figure"] is not None and not stack_asked:
        raise click.UsageError("--figure draws the map of a stack: give --film and --substrate")
    low, high = values["two_theta_range"] or (10.0, 100.0)
    if not low < high:
        raise click.BadParameter(f"{low:g} is not below {high:g}", param_hint="--range")
    values["two_theta_range"] = (low, high)
    if name is not None:
        _one_phase(name, values)
    elif stack_asked:
        _stack_map(values)
    else:
        _all_phases(values["as_json"])


# ------------------------------------------------------------------------------- all phases


def _all_phases(as_json: bool) -> None:
    from xrdfilm.crystal import load_phase, phase_keys
    from xrdfilm.linemap.phase_records import phase_record

    phases = [load_phase(key) for key in phase_keys()]
    if as_json:
        _print_json([phase_record(phase) for phase in phases])
        return
    rows = [
        (
            phase.key,
            phase.role,
            phase.formula.replace(" ", ""),
            phase.space_group.replace(" ", ""),
            _cell_words(phase),
            f"{phase.density_g_cm3:.2f}",
            phase.standing + (" (cell only)" if phase.cell_only else ""),
        )
        for phase in phases
    ]
    headings = ("phase", "role", "formula", "space group", "cell / Å", "g/cm³", "standing")
    _print_table(headings, rows, right=(5,))
    click.echo(
        "\nverified: cell and coordinates were read in a public text; memory: anything less.\n"
        "`xrdfilm phases NAME` shows lines and source of one."
    )


def _cell_words(phase: Phase) -> str:
    cell = phase.cell
    edges = [cell.a_A]
    edges += [edge for edge in (cell.b_A, cell.c_A) if abs(edge - cell.a_A) > 1e-9]
    if len(edges) == 2 and cell.b_A != cell.a_A:
        edges = [cell.a_A, cell.b_A, cell.c_A]
    words = " ".join(f"{edge:.6g}" for edge in edges)
    if cell.beta_deg != 90.0:
        words += f" β {cell.beta_deg:g}°"
    return words


# ------------------------------------------------------------------------------- one phase


def _one_phase(name: str, values: dict[str, Any]) -> None:
    from xrdfilm.crystal import line_list, phase_from_cif
    from xrdfilm.crystal.attenuation import linear_attenuation_per_cm
    from xrdfilm.intensity.powder_tables import powder_intensities
    from xrdfilm.linemap.phase_records import line_records, phase_record

    is_file = name.lower().endswith(".cif") or "/" in name
    premises = _premises(values)
    phase = phase_from_cif(name) if is_file else premises.phase(name)
    if values["composition"] is not None:
        phase = phase.with_composition(values["composition"])
    optics = premises.optics
    low, high = values["two_theta_range"]
    lines = line_list(phase, optics.radiation, two_theta_max_deg=high)
    intensity = powder_intensities(lines, optics)
    mu = linear_attenuation_per_cm(phase, optics.radiation.mean_A)
    records = [
        record
        for record in line_records(lines, intensity, printed=values["composition"] is None)
        if record["two_theta_deg"] >= low
        and (phase.cell_only or record["powder_intensity"] >= values["weakest"])
    ]
    if values["as_json"]:
        whole = phase_record(phase) | {
            "attenuation_per_cm": mu, "wavelength_A": optics.radiation.mean_A, "lines": records,
        }  # fmt: skip
        _print_json(whole)
        return
    _print_phase(phase, optics, mu)
    _print_lines(phase, records)


def _print_phase(phase: Phase, optics: Optics, mu_per_cm: float) -> None:
    rays = optics.radiation
    cell = "verified" if phase.cell_verified else "from memory"
    if phase.standing == "user":
        cell = "the user's"
    facts = [
        ("phase", f"{phase.key}: {phase.name}"),
        ("role", ", ".join((phase.role, *phase.other_roles))),
        ("structure", f"{phase.space_group}, Z = {phase.formula_units}, {_cell_words(phase)} Å"),
        ("density", f"{phase.density_g_cm3:.3f} g/cm³"),
        (
            "attenuation",
            f"{mu_per_cm:.0f} /cm, down to 1/e in {1e4 / mu_per_cm:.1f} µm "
            f"({rays.anode + ' K-alpha' if rays.anode else f'{rays.mean_A:g} Å'})",
        ),
        ("standing", f"{phase.standing}; cell {cell}"),
        ("source", phase.source),
        ("note", phase.note),
        *(("read in", where) for where in phase.read_in),
    ]
    if phase.cell_law is not None:
        law = phase.cell_law
        facts.insert(
            3,
            (
                "cell law",
                f"a / Å = {law.a0_A:g} {'−' if law.slope_A < 0 else '+'} {abs(law.slope_A):g} "
                f"({law.variable}), from {law.low:g} to {law.high:g}, good to "
                f"{law.uncertainty_A:g} Å; --composition sets it",
            ),
        )
    for label, words in facts:
        if words:
            _print_folded(label, words)


def _print_lines(phase: Phase, records: list[dict[str, Any]]) -> None:
    from xrdfilm.numbers import number

    click.echo()
    rows = []
    for record in records:
        printed = record["printed"]
        rows.append(
            (
                _hkl_words(record["hkl"]),
                f"{record['d_A']:.4f}",
                f"{record['two_theta_deg']:.3f}",
                str(record["multiplicity"]),
                "–" if phase.cell_only else number(record["f_squared"], 4),
                "–" if phase.cell_only else f"{record['powder_intensity']:.1f}",
                "" if printed is None else f"{printed['intensity']:g} ({printed['standing']})",
            )
        )
    headings = ("hkl", "d / Å", "2θ / °", "m", "|F|² / e²", "powder", "printed")
    _print_table(headings, rows, right=(0, 1, 2, 3, 4, 5))
    sources = {r["printed"]["source"] for r in records if r["printed"]}
    for source in sorted(sources):
        _print_folded("printed", source)
    click.echo("\npowder: area of a line of an untextured powder, the strongest 100; an epitaxial")
    click.echo("film departs from it by two to five decades.")


# ------------------------------------------------------------------------------- the map


def _stack_map(values: dict[str, Any]) -> None:
    from dataclasses import replace

    from xrdfilm.linemap.expected import stack_phases
    from xrdfilm.linemap.line_map import WARY, line_map
    from xrdfilm.linemap.phase_records import map_record

    premises = _premises(values)
    fluorides = [premises.phase(key) for key in values["fluorides"] or ("BaF2",)]
    products = [premises.phase(key) for key in values["products"]]
    stack = premises.stack
    kinds = stack_phases(
        stack,
        fluorides=fluorides,
        products=products,
        film_mosaic_deg=premises.c_axis_mosaic.fwhm_deg,
        substrate_normal=None if values["untextured_substrate"] else (0, 0, 1),
    )
    low, high = values["two_theta_range"]
    found = line_map(
        stack,
        premises.optics,
        phases=kinds,
        rules=replace(WARY, resolution_deg=values["resolution_deg"]),
        two_theta_low_deg=low,
        two_theta_high_deg=high,
        weakest=values["weakest"] / 100.0,
    )
    layers = " / ".join(layer.phase.key for layer in stack.layers)
    if values["figure"] is not None:
        _write_figure(found, layers, values["figure"])
    if values["as_json"]:
        _print_json(map_record(found, layers, premises.optics))
        return
    _print_map(found, layers, premises)
    if values["figure"] is not None:
        click.echo(f"\nWrote {values['figure']}")


def _print_map(found: LineMap, layers: str, premises: Premises) -> None:
    from xrdfilm.linemap.figure import rows_of
    from xrdfilm.linemap.line_map import STATUS_MEANING, fluoride_notes
    from xrdfilm.numbers import number

    rays = premises.optics.radiation
    click.echo(
        f"{layers}: {rays.anode + ' K-alpha' if rays.anode else f'{rays.mean_A:g} Å'}, "
        f"lines nearer than {found.rules.resolution_deg:g}° count as one"
    )
    for title, lines in rows_of(found):
        click.echo(f"\n{title}")
        rows = []
        for line in lines:
            words = ""
            if line.overlaps:
                words = f"{'by' if line.status == 'hidden' else 'with'} {line.overlaps[0]}"
            more = sum(one.certain == (line.status == "hidden") for one in line.overlaps) - 1
            if more > 0:
                words += f"; and {more} more"
            if line.beside and line.status != "hidden":
                words = f"{words}; beside {line.beside[0]}".lstrip("; ")
            if line.blended:
                others = ", ".join(_hkl_words(one.hkl) for one in line.blended)
                words = f"{words}; blended with {others}".lstrip("; ")
            rows.append(
                (
                    _hkl_words(line.reflection.hkl),
                    f"{line.two_theta_deg:.2f}",
                    number(line.strength, 2),
                    line.status,
                    words,
                )
            )
        _print_table(("hkl", "2θ / °", "strength", "", ""), rows, right=(0, 1, 2))
    click.echo(
        "\nstrength: expected area against the film's strongest line, with 5 % of each minor kind"
        "\nof grains and 2 % of stray grains in buffers; it ranks lines and measures nothing."
    )
    notes = [f"{status}: {meaning}" for status, meaning in STATUS_MEANING.items()]
    notes += [*found.notes, *fluoride_notes(found, rays)]
    for words in (*notes, *(f"taken for granted: {a}" for a in premises.assumed)):
        _print_folded("", words)


def _write_figure(found: LineMap, layers: str, path: Path) -> None:
    import matplotlib

    matplotlib.use("Agg")
    from xrdfilm.linemap.figure import draw_line_map

    figure = draw_line_map(found, f"Lines of {layers}: which can be measured")
    try:
        figure.savefig(path, dpi=150)
    except (OSError, ValueError) as problem:
        raise click.BadParameter(
            f"cannot write {path}: {problem}; use .png, .svg or .pdf in a folder that exists",
            param_hint="--figure",
        ) from None


# ------------------------------------------------------------------------------- shared


def _premises(values: dict[str, Any]) -> Premises:
    """Stack and optics as stated by the flags, with the same defaults as `judge`."""
    from xrdfilm.analysis.premises import load_user_phases, premises_of
    from xrdfilm.runfile import RunFile

    stated = dict(values)
    stated["buffers"] = tuple(
        text if ":" in text else f"{text}:{_BUFFER_NM:g}" for text in values["buffers"]
    )
    run_file = RunFile.model_validate(stated_tables(stated))
    return premises_of(run_file, None, load_user_phases(run_file, Path()))


def _hkl_words(hkl: Any) -> str:
    """Indices in a row, with gaps where one has two digits or a sign."""
    indices = [int(i) for i in hkl]
    plain = all(0 <= i <= 9 for i in indices)
    return ("" if plain else " ").join(str(i).replace("-", "−") for i in indices)


def _print_json(data: Any) -> None:
    click.echo(json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False))


def _print_table(
    headings: tuple[str, ...], rows: Sequence[tuple[str, ...]], right: tuple[int, ...] = ()
) -> None:
    widths = [max(map(len, column)) for column in zip(headings, *rows, strict=True)]
    for row in (headings, *rows):
        cells = [
            cell.rjust(width) if i in right else cell.ljust(width)
            for i, (cell, width) in enumerate(zip(row, widths, strict=True))
        ]
        click.echo("  ".join(cells).rstrip())


def _print_folded(label: str, words: str) -> None:
    import textwrap

    indent = 13 if label else 0
    click.echo(
        textwrap.fill(
            words,
            100,
            initial_indent=label.ljust(indent),
            subsequent_indent=" " * indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
    )
