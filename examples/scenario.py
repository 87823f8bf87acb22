"""The invented pilot line "north" that all examples share: its tape, its diffractometer, its ink.

No plant, tape or person in it is real. Scans are simulated, so the truth is known and drawn
beside what the analysis says.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from xrdfilm import Layer, Optics, SimulatedFilm, Stack, load_phase
from xrdfilm.simulate import Background, BufferTexture, Instrument

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, MUTED, PAPER, RULE = "#1c1f26", "#575c68", "#fffefb", "#e6e2d8"
BLUE, RUST, MOSS, SAND = "#00558f", "#a34700", "#3f6b3a", "#a98a3c"
VERDICT = {"pass": MOSS, "undecided": SAND, "fail": RUST, "unreadable": "#8a8f9a"}

THICKNESS_NM, MOSAIC_DEG = 800.0, 4.5
OPTICS = Optics(axial_stated=True, step_time_s=1.0)
INSTRUMENT = Instrument(background=Background(200.0))
BUFFERS = (("CeO2", 75.0), ("La2Zr2O7", 200.0))

RUN_TOML = """\
[run]
id = "{run}"
date = {day}

[recipe]
line = "north"
{recipe}

[optics]
anode = "Cu"
divergence_deg = 0.5
axial_acceptance_deg = 2.3
axial = "apertures"
step_time_s = 1.0

[stack]
film = "YBCO"
thickness_nm = 800
substrate = "Ni-5W"
buffers = [{{ phase = "CeO2", thickness_nm = 75 }}, {{ phase = "La2Zr2O7", thickness_nm = 200 }}]

[assumptions]
c_axis_mosaic_deg = 4.5
mosaic_factor = 1.2
"""


def tape(thickness_nm: float = THICKNESS_NM) -> Stack:
    """Film on two buffers on textured nickel-tungsten tape."""
    return Stack(
        Layer(load_phase("YBCO"), thickness_nm),
        tuple(Layer(load_phase(key), nm) for key, nm in BUFFERS),
        Layer(load_phase("Ni-5W"), None),
    )


def film(stack: Stack | None = None, **what: Any) -> SimulatedFilm:
    """A film as the line makes it, but for what is stated otherwise."""
    usual: dict[str, Any] = {
        "c_axis": 0.95, "a_axis": 0.02, "random": 0.03,
        "c_mosaic_fwhm_deg": MOSAIC_DEG, "a_mosaic_fwhm_deg": MOSAIC_DEG,
        "buffers": (BufferTexture(6.0),),
    }  # fmt: skip
    return SimulatedFilm(stack=stack or tape(), **{**usual, **what})


def run_toml(run: str = "N-0412", day: str = "2031-03-04", **recipe: float) -> str:
    """The head of a run file of the line; tables for films and limits are added to it."""
    rows = "\n".join(f"{key} = {value!r}" for key, value in recipe.items())
    return RUN_TOML.format(run=run, day=day, recipe=rows)


def sheet(
    rows: int = 1, columns: int = 1, width_in: float = 9.0, height_in: float = 5.0, **how: Any
) -> tuple[Figure, Any]:
    """An empty figure in the line's colours, and its axes."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), layout="constrained", facecolor="white")
    axes = figure.subplots(rows, columns, squeeze=False, **how)
    for one in axes.flat:
        quiet(one)
    return figure, axes[0, 0] if axes.size == 1 else axes.squeeze()


def quiet(axes: Axes) -> None:
    """Thin axes, a faint grid, ink that does not shout."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(MUTED)
    axes.tick_params(colors=MUTED, labelsize=9)
    axes.grid(True, color=RULE, linewidth=0.8)
    axes.set_axisbelow(True)


def finish(figure: Figure, folder: Path, name: str) -> Path:
    """Write the figure into the folder and say where it is."""
    path = folder / f"{name}.png"
    figure.savefig(path, dpi=150)
    print(f"figure: {path.name}")
    return path


def folder_of(default: str) -> Path:
    """The folder named on the command line, made where it is missing."""
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else default)
    folder.mkdir(parents=True, exist_ok=True)
    return folder
