"""`xrdfilm simulate`: write a simulated scan and its truth."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xrdfilm.commands._stated import stated_tables, stating_options

if TYPE_CHECKING:
    from xrdfilm.crystal import Phase
    from xrdfilm.intensity.optics import Optics
    from xrdfilm.intensity.stack import Stack
    from xrdfilm.simulate import SimulatedFilm

EXAMPLE = """\b
Example:
  xrdfilm simulate --film YBCO --thickness-nm 800 --substrate Ni-5W \\
      --buffer CeO2:75 --buffer La2Zr2O7:200 --a-axis 0.15 --random 0.05 \\
      --fluoride 0.05 --displacement-um 60 --seed 1 --out film.xy
"""


@click.command(name="simulate", epilog=EXAMPLE)
@stating_options
@click.option("--a-axis", type=float, default=0.03, show_default=True, help="Share of a-axis.")
@click.option("--random", type=float, default=0.02, show_default=True, help="Share of random.")
@click.option("--other", type=float, default=0.0, show_default=True, help="Share of (103) grains.")
@click.option(
    "--mosaic-deg", type=float, default=1.0, show_default=True, help="Mosaic of c-axis grains."
)
@click.option("--a-mosaic-deg", type=float, help="Mosaic of a-axis grains; default: 1.5 times.")
@click.option("--c-lattice-A", "c_lattice_A", type=float, help="c of the film, in Å.")
@click.option(
    "--fluoride", type=float, default=0.0, show_default=True, help="Volume share of fluoride."
)
@click.option(
    "--fluoride-phase", default="BaF2", show_default=True, metavar="PHASE", help="Which fluoride."
)
@click.option(
    "--fluoride-orientation",
    type=click.Choice(["aligned", "aligned_111", "random"]),
    default="aligned",
    show_default=True,
    help="How its grains stand: (00l) or (111) along the normal, or anyhow.",
)
@click.option("--fluoride-cell-A", "fluoride_cell_A", type=float, help="Its cell edge, in Å.")
@click.option(
    "--product",
    "products",
    multiple=True,
    metavar="PHASE:SHARE",
    help="A random minor phase and its volume share; repeatable.",
)
@click.option(
    "--buffer-mosaic-deg", type=float, default=3.0, show_default=True, help="Mosaic of buffers."
)
@click.option(
    "--buffer-111", type=float, default=0.0, show_default=True, help="(111) share of buffers."
)
@click.option(
    "--counts",
    type=float,
    default=30_000.0,
    show_default=True,
    help="Net counts at the top of the film's strongest line.",
)
@click.option("--scale", type=float, help="Absolute scale K in place of --counts.")
@click.option("--background", type=float, default=200.0, show_default=True, help="Counts at 40°.")
@click.option("--hump", is_flag=True, help="Add an amorphous hump near 30°.")
@click.option(
    "--displacement-um",
    type=float,
    default=0.0,
    show_default=True,
    help="How far the sample stands below the axis.",
)
@click.option(
    "--zero-deg", type=float, default=0.0, show_default=True, help="Error of the 2θ zero."
)
@click.option("--ceiling", type=float, help="Counts at which the detector saturates.")
@click.option("--spikes", type=int, default=0, show_default=True, help="Points hit by a spark.")
@click.option("--no-ghosts", is_flag=True, help="No K-beta, W L-alpha and λ/2 lines.")
@click.option("--no-refraction", is_flag=True, help="Lines at their Bragg angles.")
@click.option("--no-noise", is_flag=True, help="Expected counts instead of a draw.")
@click.option("--low-deg", type=float, default=10.0, show_default=True, help="First angle.")
@click.option("--high-deg", type=float, default=80.0, show_default=True, help="Last angle.")
@click.option("--step-deg", type=float, default=0.02, show_default=True, help="Step of 2θ.")
@click.option("--seed", type=int, default=0, show_default=True, help="Seed of the noise.")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("simulated.xy"),
    show_default=True,
    help="Scan file; the truth goes beside it as NAME.truth.json.",
)
@click.option("--json", "as_json", is_flag=True, help="Print the truth as JSON.")
def command(**values: Any) -> None:
    """Write a simulated scan of an invented film, and the truth behind it."""
    from xrdfilm.simulate import (
        NO_GHOSTS,
        Background,
        Detector,
        Ghosts,
        Hump,
        Instrument,
        grid,
        simulate_scan,
    )
    from xrdfilm.simulate.files import write_scan, write_truth

    optics, film = _optics(values), _film(values)
    level = values["background"]
    hump = (Hump(30.0, 9.0, 0.6 * level),) if values["hump"] else ()
    instrument = Instrument(
        ghosts=NO_GHOSTS if values["no_ghosts"] else Ghosts(),
        background=Background(level, humps=hump),
        detector=Detector(
            step_time_s=optics.step_time_s or 1.0,
            ceiling_counts=values["ceiling"],
            spikes=values["spikes"],
            noise=not values["no_noise"],
        ),
    )
    scan, truth = simulate_scan(
        film,
        optics,
        counts=values["counts"],
        scale=values["scale"],
        two_theta_deg=grid(values["low_deg"], values["high_deg"], values["step_deg"]),
        instrument=instrument,
        displacement_um=values["displacement_um"],
        zero_deg=values["zero_deg"],
        refraction=not values["no_refraction"],
        seed=values["seed"],
    )
    out: Path = values["out"]
    beside = out.with_suffix(".truth.json")
    if not out.parent.is_dir():
        raise click.BadParameter(f"no such folder: {out.parent}", param_hint="--out")
    write_scan(out, scan)
    write_truth(beside, truth)
    if values["as_json"]:
        click.echo(json.dumps(truth.as_dict(), ensure_ascii=False))
        return
    click.echo(f"{out}: {len(scan)} points, {scan.axis_deg[0]:g} to {scan.axis_deg[-1]:g} deg")
    click.echo(f"{beside}: the truth, {len(truth.lines)} lines")


def _film(values: dict[str, Any]) -> SimulatedFilm:
    from xrdfilm.simulate import BufferTexture, Minor, SimulatedFilm, fluoride

    c_share = round(1.0 - values["a_axis"] - values["random"] - values["other"], 12)
    stack = _stack(values)
    mosaic = values["mosaic_deg"]
    a_mosaic = 1.5 * mosaic if values["a_mosaic_deg"] is None else values["a_mosaic_deg"]
    minor: list[Minor] = []
    if values["fluoride"] > 0.0:
        minor.append(
            fluoride(
                _phase(values["fluoride_phase"], values),
                values["fluoride"],
                values["fluoride_orientation"],
                mosaic_fwhm_deg=mosaic,
                cell_a_A=values["fluoride_cell_A"],
            )
        )
    for text in values["products"]:
        key, _, share = text.partition(":")
        try:
            fraction = float(share)
        except ValueError:
            raise click.BadParameter(
                f"{text!r} has no share after a colon; write PHASE:SHARE, e.g. CuO:0.02",
                param_hint="--product",
            ) from None
        minor.append(Minor(_phase(key, values), fraction))
    cell = stack.film.phase.cell
    c_A = values["c_lattice_A"]
    return SimulatedFilm(
        stack=stack,
        c_axis=c_share,
        a_axis=values["a_axis"],
        random=values["random"],
        other=values["other"],
        c_mosaic_fwhm_deg=mosaic,
        a_mosaic_fwhm_deg=a_mosaic,
        film_cell_A=None if c_A is None else (cell.a_A, cell.b_A, c_A),
        minor=tuple(minor),
        buffers=(BufferTexture(values["buffer_mosaic_deg"], values["buffer_111"]),),
    )


def _phase(key: str, values: dict[str, Any]) -> Phase:
    from xrdfilm.crystal import load_phase, phase_from_cif

    tables: dict[str, Any] = stated_tables(values)
    for own in tables.get("phase", []):
        if own["key"] == key:
            return phase_from_cif(own["file"], key)
    return load_phase(key)


def _stack(values: dict[str, Any]) -> Stack:
    from xrdfilm.intensity.stack import Layer, Stack

    stated = stated_tables(values).get("stack", {})
    if stated.get("powder"):
        raise click.UsageError("only films are simulated, not powders; leave --powder out")
    film = Layer(_phase(stated.get("film", "YBCO"), values), stated.get("thickness_nm", 800.0))
    buffers = tuple(
        Layer(_phase(layer["phase"], values), layer["thickness_nm"])
        for layer in stated.get("buffers", [])
    )
    substrate = stated.get("substrate")
    return Stack(
        film,
        buffers,
        None if substrate is None else Layer(_phase(substrate, values), None),
        stated.get("sample_length_mm", 10.0),
    )


def _optics(values: dict[str, Any]) -> Optics:
    from xrdfilm.crystal.radiation import own_radiation, radiation
    from xrdfilm.intensity.optics import Optics

    stated = dict(stated_tables(values).get("optics", {}))
    anode, wavelength_A = stated.pop("anode", None), stated.pop("wavelength_A", None)
    alone = stated.pop("k_alpha1_only", False)
    if anode is not None and wavelength_A is not None:
        raise click.UsageError("give either --anode or --wavelength-A, not both")
    if wavelength_A is not None:
        beam = own_radiation(wavelength_A)
    else:
        beam = radiation(anode or "Cu", monochromatic=alone)
    return Optics(radiation=beam, **stated)
