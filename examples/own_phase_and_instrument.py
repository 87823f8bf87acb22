"""A film compound of your own, by its CIF, on an instrument known from a standard's scan.

    python examples/own_phase_and_instrument.py out

The compound is a film of two rare earths in equal parts. The standard tells zero, axial divergence
and line widths, so that c is known better, and size and strain at all.
"""

from pathlib import Path

import numpy as np
from scenario import (
    BLUE,
    INK,
    INSTRUMENT,
    MUTED,
    OPTICS,
    RUST,
    film,
    finish,
    folder_of,
    run_toml,
    sheet,
    tape,
)

from xrdfilm import (
    Layer,
    SimulatedFilm,
    Stack,
    gather_runs,
    judge_run,
    load_phase,
    phase_from_cif,
    simulate_scan,
    write_scan,
)
from xrdfilm.simulate import Instrument

ZERO_DEG = 0.035  # the goniometer's own, which nobody knows without a standard


# atoms of YBa2Cu3O6.91: Williams et al., Phys. Rev. B 37 (1988) 7960
CIF = """\
data_YGdBCO
_chemical_formula_sum 'Y0.5 Gd0.5 Ba2 Cu3 O6.91'
_cell_formula_units_Z 1
_cell_length_a {a:.5f}
_cell_length_b {b:.5f}
_cell_length_c {c:.5f}
_cell_angle_alpha 90
_cell_angle_beta 90
_cell_angle_gamma 90
_space_group_name_H-M_alt 'P m m m'
loop_
_atom_site_label
_atom_site_type_symbol
_atom_site_fract_x
_atom_site_fract_y
_atom_site_fract_z
_atom_site_occupancy
_atom_site_B_iso_or_equiv
Y1  Y  0.5 0.5 0.5     0.5  0.73
Gd1 Gd 0.5 0.5 0.5     0.5  0.73
Ba1 Ba 0.5 0.5 0.18393 1    0.98
Cu1 Cu 0   0   0       1    0.91
Cu2 Cu 0   0   0.35501 1    0.73
O1  O  0   0.5 0       0.91 0.91
O2  O  0.5 0   0.37819 1    0.82
O3  O  0   0.5 0.37693 1    0.66
O4  O  0   0   0.1584  1    1.01
"""


def write_cif(folder: Path) -> Path:
    """Y0.5Gd0.5Ba2Cu3O6.91, its edges halfway between those of its ends (Vegard's law)."""
    y, gd = load_phase("YBCO").cell, load_phase("GdBCO").cell
    path = folder / "YGdBCO.cif"
    edges = {e: 0.5 * (getattr(y, f"{e}_A") + getattr(gd, f"{e}_A")) for e in "abc"}
    path.write_text(CIF.format(**edges), encoding="utf-8")
    return path


def standard_scan(instrument: Instrument):
    """LaB6 powder on the same instrument, to high angles."""
    powder = SimulatedFilm(
        stack=Stack(Layer(load_phase("LaB6"), 100_000.0), (), None), c_axis=0.0, a_axis=0.0,
        random=1.0, film_microstrain=0.0, film_size_nm=1e6,
    )  # fmt: skip
    scan, _ = simulate_scan(
        powder, OPTICS, counts=20_000.0, instrument=instrument, zero_deg=ZERO_DEG, seed=1,
        two_theta_deg=np.arange(20.0, 120.0, 0.02),
    )  # fmt: skip
    return scan


def main(folder: Path) -> Path:
    cif = write_cif(folder)
    own = phase_from_cif(cif, "YGdBCO")
    stack = tape()
    mixed = Stack(Layer(own, 800.0), stack.buffers, stack.substrate)
    scan, _ = simulate_scan(
        film(mixed), OPTICS, instrument=INSTRUMENT, zero_deg=ZERO_DEG, displacement_um=-45.0,
        refraction=True, seed=2,
    )  # fmt: skip
    write_scan(folder / "film.xy", scan)
    write_scan(folder / "lab6.xy", standard_scan(INSTRUMENT))

    head = run_toml("N-0431").replace('film = "YBCO"', 'film = "YGdBCO"')
    head += f'\n[[phase]]\nkey = "YGdBCO"\nfile = "{cif.name}"\n'
    head += '\n[[film]]\nid = "N-0431-01"\ncoupled = "film.xy"\n'
    found = {}
    for name, line in (
        ("without", ""),
        ("with", 'standard = "lab6.xy"\nstandard_phase = "LaB6"\n'),
    ):
        text = head.replace("[optics]\n", f"[optics]\n{line}")
        (folder / "run.toml").write_text(text, encoding="utf-8")
        [planned] = gather_runs([folder / "run.toml"])
        [found[name]] = judge_run(planned, with_pictures=False).result.films

    figure, (axes, widths) = sheet(1, 2, 10.0, 3.9, width_ratios=(1.25, 1.0))
    for row, (name, record) in enumerate(found.items()):
        c = record.lattice.c_A
        axes.plot([c.low, c.high], [row, row], color=BLUE, linewidth=6, alpha=0.35,
                  solid_capstyle="butt")  # fmt: skip
        axes.plot(c.value, row, "o", color=BLUE, markersize=6)
        axes.text(c.high, row, f"  ± {0.5 * (c.high - c.low):.4f} Å", va="center", color=INK,
                  fontsize=9.5)  # fmt: skip
        print(f"c {name} the standard: {c.value:.4f} Å ({c.low:.4f} to {c.high:.4f})")
    axes.axvline(own.cell.c_A, color=RUST, linewidth=1.3)
    axes.text(own.cell.c_A, -0.72, " truth", color=RUST, fontsize=9)
    axes.set_yticks([0, 1], ["without\nstandard", "with\nstandard"])
    axes.set_ylim(1.6, -0.9)
    low, high = axes.get_xlim()
    axes.set_xlim(low, high + 0.35 * (high - low))
    axes.ticklabel_format(axis="x", useOffset=False)
    axes.locator_params(axis="x", nbins=5)
    axes.set_xlabel("c of the film / Å")
    axes.grid(False, axis="y")
    axes.set_title("What a standard is worth", loc="left", fontsize=10.5, color=INK)

    lines = [line for line in found["with"].lines if line.phase == "YGdBCO" and line.fwhm_deg]
    lines = [line for line in lines if line.hkl[:2] == (0, 0) and line.significance > 20]
    place = [line.two_theta_deg.value for line in lines]
    widths.vlines(place, [line.fwhm_deg.low for line in lines],
                  [line.fwhm_deg.high for line in lines], color=BLUE, linewidth=3, alpha=0.4)  # fmt: skip
    widths.plot(place, [line.fwhm_deg.value for line in lines], "o", color=BLUE,
                label="film, (00l) lines")  # fmt: skip
    at = np.linspace(15.0, 80.0, 200)
    half = np.tan(np.radians(at / 2.0))
    breadth = INSTRUMENT.breadth
    own_width = np.sqrt(breadth.u_deg2 * half**2 + breadth.v_deg2 * half + breadth.w_deg2)
    widths.plot(at, own_width, color=MUTED, linestyle=(0, (5, 3)), label="instrument, truth")
    widths.set_xlabel("2θ / °")
    widths.set_ylabel("FWHM / °")
    widths.set_ylim(bottom=0.0)
    widths.legend(frameon=False, fontsize=9)
    size = found["with"].lattice.crystallite_size_nm
    if size is not None:
        told = f"{size.value:.0f} nm" if size.value is not None else f"over {size.low:.0f} nm"
        widths.set_title(f"Size along c: {told}", loc="left", fontsize=10.5, color=INK)
    return finish(figure, folder, "own_phase_and_instrument")


if __name__ == "__main__":
    main(folder_of("out"))
