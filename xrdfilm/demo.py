"""The demo: a run of invented films along an invented reel, with everything that can go wrong.

The scans are simulated (`xrdfilm.simulate`), so the truth of each film is known; it is written
beside the scans. No film, line, firm or place in it is real.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from xrdfilm.crystal import load_phase
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.simulate import (
    Background,
    Breadth,
    BufferTexture,
    Detector,
    Ghosts,
    Instrument,
    SimulatedFilm,
    fluoride,
    simulate_azimuth,
    simulate_rocking,
    simulate_scan,
)
from xrdfilm.simulate.files import write_scan

RUN_ID = "K-0317"
STEP_TIME_S = 1.0
SAMPLE_LENGTH_MM = 10.0
TOP_COUNTS = 30_000.0  # at the strongest film line of the first film
MOSAIC_DEG = 4.5
TWIST_DEG = 5.8

_RUN_TOML = """\
# An invented run: {count} films cut from an invented reel. See truth.json for what they really are.

[run]
id = "{run_id}"
date = 2031-03-04
operator_note = "invented for the demo; no real furnace, ink or tape"
history = false  # an invented run has no place in the memory of a line

[recipe]
growth_temperature_C = 780
water_vapour_mbar = 23
growth_time_min = 60
total_pressure_mbar = 1013

[optics]
anode = "Cu"
goniometer_radius_mm = 240
divergence_deg = 0.5
slit = "fixed"
axial_acceptance_deg = 2.3
axial = "apertures"
step_time_s = {step_time:g}

[stack]
film = "YBCO"
thickness_nm = 800
substrate = "Ni-5W"
sample_length_mm = {length:g}
tape_width_mm = 10
buffers = [
  {{ phase = "CeO2", thickness_nm = 75 }},
  {{ phase = "La2Zr2O7", thickness_nm = 200 }},
]

[limits]
file = "limits.toml"

[[event]]
date = 2031-03-03
text = "new ink lot"
"""

_LIMITS_TOML = """\
# Invented limits for the demo; they are no recommendation.
title = "demo tape"
risk = 0.05

[[grade]]
name = "long-length"
text = "sold by the hundred metres"

[[grade]]
name = "coupon"
text = "short samples and coils for tests"

[[limit]]
quantity = "fluoride_volume_fraction_aligned"
max = 0.02

[[limit]]
quantity = "a_axis_fraction"
max = 0.10
grade = "long-length"

[[limit]]
quantity = "a_axis_fraction"
max = 0.20
grade = "coupon"

[[limit]]
quantity = "c_A"
max = 11.74
note = "above it the film has too little oxygen"

[[limit]]
quantity = "rocking_fwhm_deg"
max = 6.0

[[limit]]
quantity = "film_line_counts"
min = 1000
note = "a scan with fewer counts decides nothing"
"""


@dataclass(frozen=True, slots=True)
class DemoFilm:
    """An invented film: what is wrong with it, and how its scan was taken."""

    story: str
    changes: dict[str, Any] = field(default_factory=dict)
    displacement_um: float = 0.0
    zero_deg: float = 0.0
    counting: float = 1.0  # share of the usual counting time
    k_beta: float = 0.003
    cut_after_lines: int | None = None
    with_azimuth: bool = False
    with_a_rocking: bool = False
    fluoride_fraction: float = 0.0
    fluoride_orientation: str = "aligned"
    fluoride_cell_A: float | None = None


FILMS = (
    DemoFilm("good film", with_azimuth=True),
    DemoFilm("good film", displacement_um=35),
    DemoFilm("good film, 5 % a-axis", {"c_axis": 0.92, "a_axis": 0.05, "random": 0.03}),
    DemoFilm("good film, mounted 160 µm too low", displacement_um=160),
    DemoFilm(
        "a-axis rich",
        {"c_axis": 0.67, "a_axis": 0.30, "random": 0.03},
        displacement_um=-20,
        with_a_rocking=True,
    ),
    DemoFilm(
        "a-axis on the limit of its grade",
        {"c_axis": 0.87, "a_axis": 0.10, "random": 0.03},
        with_a_rocking=True,
    ),
    DemoFilm("unconverted: 10 vol% fluoride, aligned", fluoride_fraction=0.10, with_azimuth=True),
    DemoFilm(
        "unconverted: 6 vol% fluoride, (111) along the normal, its cell shifted by yttrium",
        fluoride_fraction=0.06,
        fluoride_orientation="aligned_111",
        fluoride_cell_A=6.12,
    ),
    DemoFilm(
        "converted, but a K-beta ghost of (111) buffer grains stands beside the fluoride's (111)",
        {"buffers": (BufferTexture(6.0, fraction_111=0.03),)},
        k_beta=0.02,
    ),
    DemoFilm("counted for a fiftieth of the time", counting=0.02),
    DemoFilm("too little oxygen: c = 11.78 Å", {"film_cell_A": (3.845, 3.865, 11.78)}),
    DemoFilm("file cut off while it was copied", cut_after_lines=6),
)


def demo_stack() -> Stack:
    """The layers of the demo's tape."""
    return Stack(
        Layer(load_phase("YBCO"), 800.0),
        (Layer(load_phase("CeO2"), 75.0), Layer(load_phase("La2Zr2O7"), 200.0)),
        Layer(load_phase("Ni-5W"), None),
        SAMPLE_LENGTH_MM,
    )


def write_demo(folder: Path, *, tick: Callable[[str], None] | None = None) -> Path:
    """Write the demo run into ``folder`` (made where it is missing); returns its run.toml.

    Every file is made anew with the same seeds, so two demos are equal byte for byte.
    """
    folder.mkdir(parents=True, exist_ok=True)
    stack, optics = demo_stack(), Optics(axial_stated=True, step_time_s=STEP_TIME_S)
    scale: float | None = None
    tables: list[str] = []
    truths: dict[str, Any] = {}
    for number, demo in enumerate(FILMS, start=1):
        name, film = f"{RUN_ID}-{number:02d}", _film(demo, stack)
        instrument = Instrument(
            ghosts=Ghosts(k_beta=demo.k_beta),
            breadth=Breadth(w_deg2=0.009),
            background=Background(200.0 * demo.counting),
            detector=Detector(step_time_s=STEP_TIME_S),
        )
        scan, truth = simulate_scan(
            film,
            optics,
            counts=TOP_COUNTS,
            scale=None if scale is None else scale * demo.counting,
            instrument=instrument,
            displacement_um=demo.displacement_um,
            zero_deg=demo.zero_deg,
            refraction=True,
            seed=1000 + number,
        )
        scale = truth.scale if scale is None else scale
        coupled = folder / f"p{number:02d}.xy"
        write_scan(coupled, scan)
        if demo.cut_after_lines is not None:
            _cut(coupled, demo.cut_after_lines)
        table = [
            "[[film]]",
            f'id = "{name}"',
            f"position_m = {10.0 * (number - 1):g}",
            f'coupled = "{coupled.name}"',
        ]
        rocking = []
        for hkl in ((0, 0, 5), (2, 0, 0)) if demo.with_a_rocking else ((0, 0, 5),):
            omega_deg = np.linspace(-12.0, 12.0, 241)
            omega, _ = simulate_rocking(
                film, optics, hkl, omega_deg=omega_deg, seed=2000 + number + 100 * hkl[0]
            )
            indices = "".join(map(str, hkl))
            beside = folder / f"w{indices}-{number:02d}.xy"
            write_scan(beside, omega)
            rocking.append(f'{{ hkl = {list(hkl)}, file = "{beside.name}" }}')
        listed = rocking[0] if len(rocking) == 1 else "[" + ", ".join(rocking) + "]"
        table.append(f"rocking = {listed}")
        if demo.with_azimuth:
            phi, _ = simulate_azimuth(film, optics, twist_fwhm_deg=TWIST_DEG, seed=3000 + number)
            azimuth = folder / f"phi{number:02d}.xy"
            write_scan(azimuth, phi)
            table.append(f'azimuth = {{ hkl = [1, 0, 3], file = "{azimuth.name}" }}')
        tables.append("\n".join(table))
        known = truth.as_dict()
        known.pop("lines")
        truths[name] = {"story": demo.story, **known}
        if tick is not None:
            tick(name)
    head = _RUN_TOML.format(
        count=len(FILMS), run_id=RUN_ID, step_time=STEP_TIME_S, length=SAMPLE_LENGTH_MM
    )
    run_toml = folder / "run.toml"
    run_toml.write_text("\n\n".join([head.rstrip(), *tables]) + "\n", encoding="utf-8")
    (folder / "limits.toml").write_text(_LIMITS_TOML, encoding="utf-8")
    (folder / "truth.json").write_text(
        json.dumps(truths, indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )
    return run_toml


def _film(demo: DemoFilm, stack: Stack) -> SimulatedFilm:
    film = SimulatedFilm(
        stack=stack,
        c_axis=0.95,
        a_axis=0.02,
        random=0.03,
        c_mosaic_fwhm_deg=MOSAIC_DEG,
        a_mosaic_fwhm_deg=MOSAIC_DEG,
        buffers=(BufferTexture(6.0),),
    )
    if demo.fluoride_fraction:
        minor = fluoride(
            load_phase("BaF2"),
            demo.fluoride_fraction,
            demo.fluoride_orientation,  # type: ignore[arg-type]
            mosaic_fwhm_deg=MOSAIC_DEG,
            cell_a_A=demo.fluoride_cell_A,
        )
        film = replace(film, minor=(minor,))
    return replace(film, **demo.changes)


def _cut(path: Path, lines: int) -> None:
    """Leave only the first lines of a file, the last of them torn."""
    kept = path.read_text(encoding="utf-8").splitlines()[:lines]
    path.write_text("\n".join(kept)[:-3], encoding="utf-8")
