"""Error and coverage of c over simulated films: counts -> peaks -> fit -> alignment -> c.

    python benchmarks/lattice_coverage.py [films] [--powder]

Films of YBCO with c from 11.66 to 11.84 Å on LaAlO3, SrTiO3 and buffered tape, displaced by up to
±200 µm and with a zero error of up to ±0.1°, 10⁴ counts at the strongest film line.

With --powder, cells of powders under each account of what moves their lines: which account may be
left to the lines, and what leaving a term out costs.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace

import numpy as np

from xrdfilm.crystal import line_list, lines_along, load_phase
from xrdfilm.fitting.engine import LineSpec, WindowSpec, fit_windows
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lattice.alignment import (
    DISPLACEMENT_PRIOR_UM,
    ZERO_PRIOR_DEG,
    Alignment,
    AlignmentMode,
    align,
    no_alignment,
    placed_lines,
)
from xrdfilm.lattice.cell import CellEstimate, refine_cell
from xrdfilm.lattice.identify import CoarseShift, ExpectedLines, coarse_shift, find_peaks
from xrdfilm.lattice.places import PLACE_FLOOR_DEG, axial_scale
from xrdfilm.lattice.powder_lattice import refine_powder_lattice
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection
from xrdfilm.scan import Scan
from xrdfilm.simulate import SimulatedFilm, Truth, grid, simulate_scan

OPTICS = Optics()
CRYSTALS = ("LaAlO3", "SrTiO3")


@dataclass(frozen=True, slots=True)
class Outcome:
    """Coarse shift, measured lines, alignment by substrate (None without one) and the cell."""

    coarse: CoarseShift
    lines: tuple[MeasuredLine, ...]
    alignment: Alignment | None
    cell: CellEstimate


def stack_on(substrate: str, thickness_nm: float = 500.0) -> Stack:
    """A film on a crystal, or on tape with two buffers."""
    buffers: tuple[Layer, ...] = ()
    if substrate not in CRYSTALS:
        buffers = (Layer(load_phase("CeO2"), 75.0), Layer(load_phase("La2Zr2O7"), 200.0))
    return Stack(
        Layer(load_phase("YBCO"), thickness_nm), buffers, Layer(load_phase(substrate), None)
    )


def expected_layers(stack: Stack, two_theta_max_deg: float) -> list[ExpectedLines]:
    """Orders of (001) of every layer; the film's c and a tape's cells are not known well."""
    radiation = OPTICS.radiation
    out = []
    for layer in stack.layers:
        lines = lines_along(
            layer.phase, (0, 0, 1), radiation, two_theta_max_deg=two_theta_max_deg + 3.0
        )
        freedom = 0.0 if layer.phase.key in CRYSTALS else 0.004
        if layer.phase.key == stack.film.phase.key:
            freedom = 0.014
        out.append(ExpectedLines.of(lines, aligned=True, cell_freedom=freedom))
    return out


def windows_of(coarse: CoarseShift, scan: Scan, expected: list[ExpectedLines]) -> list[WindowSpec]:
    """Windows about the named lines; lines nearer than 1.2° share one."""
    found = []
    for layer in expected:
        scale = coarse.cell_scale[layer.name]
        true = layer.two_theta_deg(OPTICS.radiation.k_alpha1_A, scale)
        for hkl, place in zip(layer.hkl, coarse.places(true), strict=True):
            if scan.axis_deg[0] + 1.0 < place < scan.axis_deg[-1] - 1.0:
                index = (int(hkl[0]), int(hkl[1]), int(hkl[2]))
                match = next((m for m in coarse.of(layer.name) if m.hkl == index), None)
                shared = match is not None and sum(m.peak == match.peak for m in coarse.matches) > 1
                at = float(place) if match is None or shared else match.observed_deg
                found.append(
                    LineSpec(
                        (Reflection(layer.name, index),), at, 0.12, mixing="free", max_shift_deg=0.1
                    )
                )
    found.sort(key=lambda line: line.two_theta_deg)
    groups: list[list[LineSpec]] = []
    for line in found:
        if groups and line.two_theta_deg - groups[-1][-1].two_theta_deg < 1.2:
            groups[-1].append(line)
        else:
            groups.append([line])
    return [
        WindowSpec(g[0].two_theta_deg - 0.9, g[-1].two_theta_deg + 1.1, tuple(g)) for g in groups
    ]


def analyse(scan: Scan, stack: Stack, prior: Alignment | None = None) -> Outcome:
    """The chain from counts to c; ``prior``: what is known of the instrument.

    A second round holds the film's blended orders where the first one puts them, so that the
    places of the substrate's lines beside them come out right.
    """
    expected = expected_layers(stack, float(scan.axis_deg[-1]))
    peaks = find_peaks(scan, radiation=OPTICS.radiation)
    coarse = coarse_shift(peaks, expected, OPTICS.radiation.k_alpha1_A)
    windows = windows_of(coarse, scan, expected)
    first = cell_of(fit_windows(scan, windows, OPTICS.radiation).measured_lines(), stack, prior)
    film = stack.film.phase.key
    held = []
    for window in windows:
        lines = []
        for line in window.lines:
            place = line.two_theta_deg
            if line.members[0].phase == film:
                place = float(
                    first[1].expected_deg([line.members[0].hkl], OPTICS.radiation.k_alpha1_A)[0]
                )
            alone = all(
                other is line or abs(other.two_theta_deg - place) > 0.3 for other in window.lines
            )
            if line.members[0].phase == film and not alone:
                line = replace(line, two_theta_deg=place, place="forced")
            lines.append(line)
        held.append(replace(window, lines=tuple(lines)))
    measured = fit_windows(scan, held, OPTICS.radiation).measured_lines()
    alignment, cell = cell_of(measured, stack, prior)
    return Outcome(coarse, measured.lines, alignment, cell)


def cell_of(
    measured: MeasuredLines, stack: Stack, prior: Alignment | None
) -> tuple[Alignment | None, CellEstimate]:
    """Alignment by every line that is not the film's, then the film's cell."""
    good, _ = placed_lines(measured)
    alignment = prior
    known = [line for line in good if line.reflection.phase != stack.film.phase.key]
    if known:
        # a crystal's cell is known; a tape's and its buffers' are fitted along
        cells = {layer.phase.key: layer.phase.cell for layer in stack.layers}
        keys = [line.reflection.phase for line in known]
        d = [
            cells[line.reflection.phase].d_spacing(np.array([line.reflection.hkl]))[0]
            for line in known
        ]
        alignment = align(
            [line.two_theta_deg for line in known],
            [line.two_theta_sigma_deg for line in known],
            2.0 * np.degrees(np.arcsin(OPTICS.radiation.k_alpha1_A / (2.0 * np.array(d)))),
            OPTICS,
            prior=prior,
            labels=[str(line.reflection) for line in known],
            cell_sigma=np.array([0.0 if key in CRYSTALS else 0.004 for key in keys]),
            cell_group=[sorted(cells).index(key) for key in keys],
        )
    # (003), (006), (009) hide (010), (020), (030) of grains with b along the normal
    film = [
        line
        for line in good
        if line.reflection.phase == stack.film.phase.key and line.reflection.hkl[2] % 3
    ]
    cell = refine_cell(
        [line.reflection.hkl for line in film],
        [line.two_theta_deg for line in film],
        [line.two_theta_sigma_deg for line in film],
        OPTICS,
        alignment=alignment,
    )
    return alignment, cell


def draw_film(
    rng: np.random.Generator,
    substrate: str,
    high_deg: float = 95.0,
    counts: float = 1e4,
    *,
    as_prior: bool = False,
) -> tuple[Scan, Truth, float]:
    """One simulated scan with its truth and its c.

    Displacement and zero are even within ±200 µm and ±0.1°, or drawn ``as_prior`` has them.
    """
    c = float(rng.uniform(11.66, 11.84))
    displacement_um, zero_deg = rng.uniform(-200.0, 200.0), rng.uniform(-0.1, 0.1)
    if as_prior:
        displacement_um = rng.normal(0.0, DISPLACEMENT_PRIOR_UM)
        zero_deg = rng.normal(0.0, ZERO_PRIOR_DEG)
    film = SimulatedFilm(stack=stack_on(substrate), film_cell_A=(3.82, 3.885, c))
    scan, truth = simulate_scan(
        film,
        OPTICS,
        counts=counts,
        two_theta_deg=grid(10.0, high_deg, 0.02),
        displacement_um=float(displacement_um),
        zero_deg=float(zero_deg),
        seed=int(rng.integers(1 << 31)),
    )
    return scan, truth, c


def run(
    substrate: str,
    films: int,
    *,
    seed: int = 7,
    high_deg: float = 95.0,
    mode: AlignmentMode = "auto",
    zero_known_deg: float | None = None,
    axial: bool = False,
    as_prior: bool = False,
) -> tuple[float, float]:
    """Prints and returns rms error of c in Å and coverage of its 95 % interval.

    With ``zero_known_deg``, zero and axial term come from a standard, with this uncertainty.

    With ``axial``, the lines are moved by axial divergence as well, drawn as the prior has it;
    without, the intervals of the mode "auto" allow for an error that is not there. ``as_prior``: as
    in `draw_film`.
    """
    rng = np.random.default_rng(seed)
    error, inside, sigma, spent, failed = [], [], [], 0.0, 0
    for _ in range(films):
        scan, truth, c = draw_film(rng, substrate, high_deg, as_prior=as_prior)
        moved = float(rng.normal(0.0, axial_scale(OPTICS.axial_acceptance_deg))) if axial else 0.0
        scan = replace(scan, axis_deg=scan.axis_deg - moved / np.tan(np.radians(scan.axis_deg)))
        prior = no_alignment(OPTICS, mode)
        if zero_known_deg is not None:
            zero = truth.zero_deg + float(rng.normal(0.0, zero_known_deg))
            covariance = np.diag([zero_known_deg**2, 300.0**2, zero_known_deg**2])
            seen = moved + float(rng.normal(0.0, zero_known_deg))
            prior = replace(prior, zero_deg=zero, axial_deg=seen, covariance=covariance)
        start = time.perf_counter()
        try:
            estimate = analyse(scan, stack_on(substrate), prior).cell.c_A
        except Exception as failure:  # a benchmark counts what it could not do
            failed += 1
            print("   ", failure)
            continue
        spent += time.perf_counter() - start
        assert estimate is not None
        assert estimate.value is not None
        assert estimate.low is not None
        assert estimate.high is not None
        assert estimate.sigma is not None
        error.append(estimate.value - c)
        inside.append(estimate.low <= c <= estimate.high)
        sigma.append(estimate.sigma)
    done = len(error)
    rms, coverage = float(np.sqrt(np.mean(np.square(error)))), float(np.mean(inside))
    known = ("" if zero_known_deg is None else ", standard") + (", axial" if axial else "")
    known += ", shifts as the priors have them" if as_prior else ""
    print(
        f"{substrate:6s} to {high_deg:g}°, {mode}{known}: {done} films, {failed} failed; "
        f"c: rms error {rms:.6f} Å, bias {np.mean(error):+.6f} Å, median sigma "
        f"{np.median(sigma):.6f} Å, coverage {coverage:.1%} ± "
        f"{np.sqrt(coverage * (1 - coverage) / done):.1%}; {1e3 * spent / done:.0f} ms a film"
    )
    return rms, coverage


def run_powders(powders: int, *, seed: int = 5) -> None:
    """Prints rms error and coverage of the edge of CeO2 powders, 20-120°, for each account.

    Zero, displacement and axial divergence are drawn as the priors have them. "by evidence" takes
    the account of least chi-square + n log N, as an information criterion would.
    """
    rng = np.random.default_rng(seed)
    phase = load_phase("CeO2")
    expected = ExpectedLines.of(line_list(phase, OPTICS.radiation), cell_freedom=0.002)
    layer = SimulatedFilm(
        stack=Stack(Layer(phase, 20_000.0), (), None),
        c_axis=0.0,
        a_axis=0.0,
        random=1.0,
        film_size_nm=5000.0,
        film_microstrain=0.0,
    )
    accounts: dict[AlignmentMode, int] = {"auto": 3, "both": 2, "zero": 1, "displacement": 1}
    rows: dict[str, list[tuple[float, bool, float]]] = {}
    for _ in range(powders):
        scan, _ = simulate_scan(
            layer,
            OPTICS,
            counts=2e4,
            two_theta_deg=grid(20.0, 120.0, 0.02),
            displacement_um=float(rng.normal(0.0, DISPLACEMENT_PRIOR_UM)),
            zero_deg=float(rng.normal(0.0, ZERO_PRIOR_DEG)),
            seed=int(rng.integers(1 << 31)),
        )
        moved = float(rng.normal(0.0, axial_scale(OPTICS.axial_acceptance_deg)))
        scan = replace(scan, axis_deg=scan.axis_deg - moved / np.tan(np.radians(scan.axis_deg)))
        lines = refine_powder_lattice(scan, expected, OPTICS, system="cubic").used
        found = []
        for mode, terms in accounts.items():
            sigma = np.array([line.two_theta_sigma_deg for line in lines])
            cell = refine_cell(
                [line.reflection.hkl for line in lines],
                [line.two_theta_deg for line in lines],
                sigma,
                OPTICS,
                system="cubic",
                mode=mode,
            )
            edge = cell.a_A
            assert edge is not None
            assert edge.estimate is not None
            assert edge.low is not None
            assert edge.high is not None
            inside = edge.low <= phase.cell.a_A <= edge.high
            row = (edge.estimate - phase.cell.a_A, inside, edge.sigma or 0.0)
            rows.setdefault(mode, []).append(row)
            off = cell.residuals_deg / np.hypot(sigma, PLACE_FLOOR_DEG)
            found.append((float(off @ off) + terms * np.log(len(lines)), row))
        rows.setdefault("by evidence", []).append(min(found)[1])
    for name, account in rows.items():
        error, inside, sigma = np.array(account).T
        print(
            f"CeO2 powder, {name:12s}: rms error {np.sqrt(np.mean(error**2)):.5f} Å, median sigma "
            f"{np.median(sigma):.5f} Å, coverage {inside.mean():.1%} of {len(account)}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("films", nargs="?", type=int, default=300)
    parser.add_argument("--powder", action="store_true", help="cells of powders instead of films")
    options = parser.parse_args()
    if options.powder:
        run_powders(options.films)
        return
    for name in CRYSTALS:
        run(name, options.films)
        run(name, options.films, axial=True)
        run(name, options.films, high_deg=60.0)
    run("Ni-5W", options.films)
    run("Ni-5W", options.films, axial=True)
    run("Ni-5W", options.films, axial=True, as_prior=True)
    run("Ni-5W", options.films, mode="both")
    run("Ni-5W", options.films, zero_known_deg=0.001, axial=True)


if __name__ == "__main__":
    main()
