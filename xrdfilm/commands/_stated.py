"""Flags by which a command states stack and optics, and the run-file tables they stand for."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

F = TypeVar("F", bound=Callable[..., Any])

_STACK = {
    "film": "film",
    "thickness_nm": "thickness_nm",
    "substrate": "substrate",
    "sample_length_mm": "sample_length_mm",
    "powder": "powder",
}
_OPTICS = (
    "anode",
    "wavelength_A",
    "k_alpha1_only",
    "monochromator_2theta_deg",
    "goniometer_radius_mm",
    "divergence_deg",
    "illuminated_mm",
    "slit",
    "axial_acceptance_deg",
    "axial",
    "step_time_s",
)

_OPTIONS = [
    click.option("--film", metavar="PHASE", help="Film compound, e.g. YBCO."),
    click.option("--thickness-nm", type=float, metavar="NM", help="Film thickness, converted."),
    click.option("--substrate", metavar="PHASE", help="Substrate, e.g. SrTiO3 or Ni-5W."),
    click.option(
        "--buffer",
        "buffers",
        multiple=True,
        metavar="PHASE:NM",
        help="A buffer layer with its thickness; repeat from top to bottom.",
    ),
    click.option("--sample-length-mm", type=float, metavar="MM", help="Length along the beam."),
    click.option("--powder", is_flag=True, default=None, help="A loose powder, not a film."),
    click.option(
        "--phase-file",
        "phase_files",
        multiple=True,
        metavar="KEY=FILE.cif",
        help="A phase of your own, by its CIF.",
    ),
    click.option("--anode", metavar="ELEMENT", help="Anode of the tube: Cu, Co, Cr, Fe, Mo, Ag."),
    click.option("--wavelength-A", "wavelength_A", type=float, help="One wavelength, in Å."),
    click.option(
        "--k-alpha1-only", is_flag=True, default=None, help="The optics pass K-alpha1 alone."
    ),
    click.option("--monochromator-2theta-deg", type=float, help="2θ of the monochromator."),
    click.option("--goniometer-radius-mm", type=float, help="Goniometer radius."),
    click.option("--divergence-deg", type=float, help="Opening of a fixed divergence slit."),
    click.option("--illuminated-mm", type=float, help="Illuminated length of a variable slit."),
    click.option("--slit", type=click.Choice(["fixed", "variable"]), help="Divergence slit."),
    click.option("--axial-acceptance-deg", type=float, help="Full width of each axial aperture."),
    click.option(
        "--axial",
        type=click.Choice(["apertures", "one_stack", "two_stacks"]),
        help="What limits the beam across the scattering plane.",
    ),
    click.option("--step-time-s", type=float, help="Counting time a step."),
]


def columns_of(
    _: click.Context, __: click.Parameter, value: str | None
) -> tuple[int | str, ...] | None:
    """Columns as a flag names them: places from 1 or names, with commas between."""
    if value is None:
        return None
    parts = [part.strip() for part in value.split(",")]
    if len(parts) not in (2, 3) or not all(parts):
        raise click.BadParameter(
            "give two or three columns with commas between: 1,2 or Angle,Counts"
        )
    return tuple(int(part) if part.isdigit() else part for part in parts)


def which_of(_: click.Context, __: click.Parameter, value: str | None) -> int | str | None:
    """One of several scans as a flag names it: its place from 1, or its name."""
    if value is None or not value.isdigit():
        return value
    if int(value) < 1:
        raise click.BadParameter("scans are counted from 1")
    return int(value)


# what is stated of the scan files themselves; `look` has the same but for the axis
_READING = {"unit": "intensity_unit", "columns": "columns", "which": "which", "axis": "axis"}
_READING_OPTIONS = [
    click.option(
        "--unit", type=click.Choice(["counts", "counts_per_s"]), help="What intensities are."
    ),
    click.option(
        "--columns",
        callback=columns_of,
        metavar="AXIS,INTENSITY[,SIGMA]",
        help="Columns of the scan files, by place from 1 or by name.",
    ),
    click.option(
        "--which",
        callback=which_of,
        metavar="N|NAME",
        help="Which of several scans in a file: its place from 1, or its name.",
    ),
    click.option("--axis", type=click.Choice(["two_theta"]), help="The angles are 2θ."),
]


def reading_options(function: F) -> F:
    """Add the flags that say how scan files are to be read; they arrive with the others."""
    for option in reversed(_READING_OPTIONS):
        function = option(function)
    return function


def stating_options(function: F) -> F:
    """Add the flags to a command; they arrive as keyword arguments for `stated_tables`."""
    for option in reversed(_OPTIONS):
        function = option(function)
    return function


def stated_tables(values: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """The run-file tables that the given flags stand for; flags not given are left out.

    Raises click.BadParameter for a layer or a phase that is not written as the help says.
    """
    stack: dict[str, Any] = {
        key: values[flag] for flag, key in _STACK.items() if values.get(flag) is not None
    }
    if values.get("buffers"):
        stack["buffers"] = [_layer(text) for text in values["buffers"]]
    optics = {key: values[key] for key in _OPTICS if values.get(key) is not None}
    if "illuminated_mm" in optics:
        optics.setdefault("slit", "variable")
    reading = {key: values[flag] for flag, key in _READING.items() if values.get(flag) is not None}
    tables: dict[str, Any] = {}
    if reading:
        tables["scan"] = reading
    if stack:
        tables["stack"] = stack
    if optics:
        tables["optics"] = optics
    if values.get("phase_files"):
        tables["phase"] = [_phase(text) for text in values["phase_files"]]
    return tables


def _layer(text: str) -> dict[str, Any]:
    phase, colon, thickness = text.partition(":")
    try:
        return {"phase": phase.strip(), "thickness_nm": float(thickness)}
    except ValueError:
        lacking = "has no thickness" if not colon else f"has no number after the colon: {thickness}"
        raise click.BadParameter(
            f"{text!r} {lacking}; write PHASE:NM, e.g. CeO2:75", param_hint="--buffer"
        ) from None


def _phase(text: str) -> dict[str, Any]:
    key, equals, file = text.partition("=")
    if not equals:
        key, file = Path(text).stem, text
    path = Path(file)
    if not path.is_file():
        raise click.BadParameter(f"no such file: {file}", param_hint="--phase-file")
    return {"key": key.strip(), "file": str(path.resolve())}
