"""How often the whole chain is right: simulated scans in, recorded intervals and verdicts out.

    python benchmarks/calibration_chain.py --films 300
    python benchmarks/calibration_chain.py --acceptance 300

Films on tape, SrTiO3, LaAlO3 and buffered MgO; mosaic 0.3 to 7°, thickness 0.2 to 2 µm, 10² to
10⁵ counts at the top; displacement ±200 µm, zero ±0.1°; c 11.66 to 11.84 Å with a and b going
along; a-axis 0 to 0.6, random 0 to 0.3; fluoride none, aligned, (111) or random with a cell of
6.0 to 6.2 Å; buffers with a (111) part. Half of the films have a rocking scan.

Films come in groups that share what is stated of them (as the films of a run do). The truth is as
far from the stated thickness, mosaic, axial acceptance, a- to b-normal share and cells of the
layers below as the premises say it may be; only the structure data are exact, so intervals hold the
truth a little more often than their level. ``--acceptance`` asks how many films beyond a limit on
the a-axis share pass.
"""

from __future__ import annotations

import argparse
import pickle
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from xrdfilm.analysis.anchors import (
    CELL_SIGMA_BUFFER,
    CELL_SIGMA_CRYSTAL,
    CELL_SIGMA_METAL,
    CELL_SIGMA_RECALLED,
)
from xrdfilm.analysis.film import FilmAnalyser, FilmAnalysis, FilmInput
from xrdfilm.analysis.premises import Premises, premises_of
from xrdfilm.analysis.record import film_record
from xrdfilm.analysis.side_scans import SideScans
from xrdfilm.crystal import load_phase
from xrdfilm.decision.limits import parse_limits
from xrdfilm.estimate import Estimate
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.runfile import AngleScan, RunFile
from xrdfilm.simulate import (
    Background,
    BufferTexture,
    Instrument,
    Minor,
    SimulatedFilm,
    Truth,
    fluoride,
    grid,
    simulate_rocking,
    simulate_scan,
)
from xrdfilm.texture.layer_lines import complete_members, usable_lines

ANGLES = grid(18.0, 80.0, 0.025)
STACKS: dict[str, dict[str, Any]] = {
    "tape": {
        "substrate": "Ni-5W",
        "buffers": [
            {"phase": "CeO2", "thickness_nm": 75},
            {"phase": "La2Zr2O7", "thickness_nm": 200},
        ],
    },
    "SrTiO3": {"substrate": "SrTiO3"},
    "LaAlO3": {"substrate": "LaAlO3"},
    "MgO": {"substrate": "MgO", "buffers": [{"phase": "LaMnO3-pc", "thickness_nm": 60}]},
}
OPTICS = {
    "anode": "Cu",
    "divergence_deg": 0.5,
    "axial_acceptance_deg": 2.3,
    "axial": "apertures",
    "step_time_s": 1.0,
}
CELLS_A = np.array(  # quenched samples, J. D. Jorgensen et al., Phys. Rev. B 41 (1990) 1863: memory
    [
        (3.8227, 3.8872, 11.6802),
        (3.8316, 3.8841, 11.7279),
        (3.8470, 3.8747, 11.7607),
        (3.8580, 3.8580, 11.7900),
        (3.8610, 3.8610, 11.8300),
    ]
)
AXIAL_SIGMA = 0.02  # of a stated arrangement
BUFFER_MOSAIC_DEG = 4.0  # taken for buffers without a rocking scan, off by a factor 2
FOLLOWING = 0.5  # log of how far a-axis, fluoride or (111) grains may be from the c-axis mosaic
ASSUMPTION = {"aligned": "aligned_00l", "aligned_111": "aligned_111", "random": "random"}
LIMITS = '[[limit]]\nquantity = "a_axis_fraction"\nmax = 0.05\nrisk = 0.05\n'


@dataclass(frozen=True)
class Case:
    """One film: what is stated of it, its scans and the truth behind them."""

    kind: str
    premises: Premises
    truth: Truth
    inputs: FilmInput
    counts: float
    fluoride: str
    rocking: bool


@dataclass
class Row:
    """What came out for one film, beside the truth, in plain values."""

    kind: str
    seed: int
    facts: dict[str, float]
    fluoride: str
    rocking: bool
    refused: str = ""
    held: dict[str, bool | None] = field(default_factory=dict)
    error: dict[str, float] = field(default_factory=dict)
    sigma: dict[str, float] = field(default_factory=dict)
    detected: bool = False
    p_value: float = 1.0
    wrong_phases: tuple[tuple[str, str], ...] = ()
    unexplained: tuple[tuple[float, float, str], ...] = ()
    lines: tuple[tuple[str, float, float, float, tuple[str, ...], bool], ...] = ()
    widened: float = 1.0
    used: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def stated(rng: np.random.Generator, kind: str) -> Premises:
    """What a group of films is said to be."""
    mosaic = float(np.exp(rng.uniform(np.log(0.3), np.log(7.0))))
    thickness = float(np.exp(rng.uniform(np.log(200.0), np.log(2000.0))))
    return premises_of(
        RunFile.model_validate(
            {
                "stack": {"film": "YBCO", "thickness_nm": thickness, **STACKS[kind]},
                "optics": OPTICS,
                "assumptions": {"c_axis_mosaic_deg": mosaic, "mosaic_factor": 1.3},
            }
        )
    )


def draw(premises: Premises, kind: str, seed: int, *, near_limit: float | None = None) -> Case:
    """One film of a group; with ``near_limit`` its a-axis share lies about that limit."""
    rng = np.random.default_rng([seed, 5])
    nominal = premises.c_axis_mosaic
    z = rng.standard_normal(9)
    mosaic = nominal.fwhm_deg * nominal.factor ** z[0]
    rocking = near_limit is not None or bool(rng.random() < 0.5)
    log_factor = np.log(nominal.factor)
    if rocking:
        a_mosaic = mosaic * np.exp(FOLLOWING * z[1])
    else:  # unmeasured mosaics share three quarters of their variance
        common = np.sqrt(0.75) * z[2]
        mosaic = nominal.fwhm_deg * np.exp(log_factor * (common + 0.5 * z[0]))
        a_mosaic = nominal.fwhm_deg * np.exp(log_factor * (common + 0.5 * z[1]))
    a_share = float(rng.choice([0.0, 0.03, 0.0])) + float(rng.choice([0.0, 1.0])) * rng.uniform(
        0.0, 0.6
    )
    random_share = float(rng.choice([0.0, 1.0])) * rng.uniform(0.0, 0.3)
    if near_limit is not None:
        a_share, random_share = float(rng.uniform(0.2, 2.2)) * near_limit, rng.uniform(0.0, 0.05)
    a_share = min(a_share, 0.6)
    c_A = float(rng.uniform(11.66, 11.84))
    a_A, b_A = (float(np.interp(c_A, CELLS_A[:, 2], CELLS_A[:, k])) for k in (0, 1))
    a_A, b_A = sorted((a_A + 0.003 * rng.standard_normal(), b_A + 0.003 * rng.standard_normal()))
    what = str(rng.choice(["none", "none", "none", "aligned", "aligned_111", "random"]))
    share = float(np.exp(rng.uniform(np.log(1e-4), np.log(0.2))))
    if what == "random":
        share = float(np.exp(rng.uniform(np.log(5e-3), np.log(0.4))))
    minor: tuple[Minor, ...] = ()
    if what != "none":
        minor = (
            fluoride(
                load_phase("BaF2"), share, what,  # type: ignore[arg-type]
                mosaic_fwhm_deg=mosaic * 1.3 ** z[3], cell_a_A=float(rng.uniform(6.0, 6.2)),
            ),
        )  # fmt: skip
    stack = premises.stack
    thickness = (stack.film.thickness_nm or 0.0) * (1.0 + premises.thickness_uncertainty * z[4])
    stack = replace(stack, film=replace(stack.film, thickness_nm=max(thickness, 50.0)))
    stack = _on_true_cells(stack, rng)
    upright = BUFFER_MOSAIC_DEG * 2.0 ** float(np.clip(z[5], -2, 2))
    buffers = BufferTexture(
        upright,
        mosaic_111_fwhm_deg=upright * float(np.exp(FOLLOWING * z[8])),
        fraction_111=float(rng.choice([0.0, 1.0]) * rng.uniform(0.0, 0.1)),
    )
    film = SimulatedFilm(
        stack=stack,
        c_axis=1.0 - a_share - random_share,
        a_axis=a_share,
        random=random_share,
        c_mosaic_fwhm_deg=float(mosaic),
        a_mosaic_fwhm_deg=float(a_mosaic),
        a_normal_share=float(np.clip(0.5 + 0.1 * z[6], 0.02, 0.98)),
        film_cell_A=(float(a_A), float(b_A), c_A),
        minor=minor,
        buffers=(buffers,),
    )
    optics = replace(
        premises.optics,
        axial_acceptance_deg=premises.optics.axial_acceptance_deg * (1.0 + AXIAL_SIGMA * z[7]),
    )
    top = float(np.exp(rng.uniform(np.log(100.0), np.log(1e5))))
    if near_limit is not None:
        top = float(np.exp(rng.uniform(np.log(3e3), np.log(1e5))))
    level = top * float(np.exp(rng.uniform(np.log(0.002), np.log(0.03)))) + 2.0
    scan, truth = simulate_scan(
        film,
        optics,
        counts=top,
        two_theta_deg=ANGLES,
        instrument=Instrument(background=Background(level_counts=level)),
        displacement_um=float(rng.uniform(-200.0, 200.0)),
        zero_deg=float(rng.uniform(-0.1, 0.1)),
        refraction=True,
        seed=seed,
    )
    side = SideScans()
    if rocking:
        reach = 3.0 * float(np.hypot(mosaic, 0.5))
        curve, _ = simulate_rocking(
            film, optics, omega_deg=np.linspace(-reach, reach, 161), counts=5e3, seed=seed
        )
        side = SideScans(((AngleScan(hkl=(0, 0, 5), file="omega.xy"), curve),))
    return Case(
        kind, premises, truth, FilmInput(str(seed), premises, scan, side), top, what, rocking
    )


def _on_true_cells(stack: Stack, rng: np.random.Generator) -> Stack:
    """The layers below the film on cells as far from the stated ones as the chain says."""

    def moved(layer: Layer, sigma: float) -> Layer:
        phase, factor = layer.phase, 1.0 + sigma * rng.standard_normal()
        return replace(layer, phase=phase.with_cell(a_A=phase.cell.a_A * factor))

    buffers = tuple(moved(layer, CELL_SIGMA_BUFFER) for layer in stack.buffers)
    below = stack.substrate
    if below is None:
        return replace(stack, buffers=buffers)
    crystal = CELL_SIGMA_CRYSTAL if below.phase.cell_verified else CELL_SIGMA_RECALLED
    sigma = CELL_SIGMA_METAL if below.phase.is_metal else crystal
    return replace(stack, buffers=buffers, substrate=moved(below, sigma))


def groups(films: int, seed: int, **how: Any) -> Iterator[list[Case]]:
    """Groups of ten films that share what is stated."""
    for number in range(-(-films // 10)):
        rng = np.random.default_rng([seed, number, 4])
        kind = list(STACKS)[number % len(STACKS)]
        premises = stated(rng, kind)
        first = 1_000_000 * seed + 10 * number
        yield [draw(premises, kind, first + i, **how) for i in range(10)]


def inside(estimate: Estimate | None, truth: float) -> bool | None:
    """Whether the interval holds the truth; None where nothing is told."""
    if estimate is None or estimate.low is None or estimate.high is None:
        return None
    return bool(estimate.low - 1e-12 <= truth <= estimate.high + 1e-12)


def compare(case: Case, found: FilmAnalysis) -> Row:
    """One film's figures beside the truth."""
    film = case.truth.film
    facts = {
        "counts": case.counts,
        "mosaic": film.c_mosaic_fwhm_deg,
        "thickness": film.stack.film.thickness_nm or 0.0,
        "a_axis": film.a_axis,
        "random": film.random,
        "c_A": film.film_phase.cell.c_A,
        "um": case.truth.displacement_um,
        "zero": case.truth.zero_deg,
        "fluoride": film.minor[0].fraction if film.minor else 0.0,
        "edge": (film.minor[0].cell_a_A or 0.0) if film.minor else 0.0,
    }
    row = Row(case.kind, int(case.inputs.name), facts, case.fluoride, case.rocking)
    if found.unreadable is not None or found.coupled is None:
        row.refused = found.unreadable or "no coupled fit"
        return row
    coupled = found.coupled
    told: dict[str, tuple[Estimate | None, float]] = {
        "c_A": (coupled.cell.c_A if coupled.cell else None, facts["c_A"])
    }
    orientation = found.orientation
    if orientation is not None:
        told |= {
            "c_axis": (orientation.c_axis, film.c_axis),
            "a_axis": (orientation.a_axis, film.a_axis),
            "random": (orientation.random, film.random),
        }
        if orientation.chi_square is not None and orientation.dof:
            row.widened = orientation.chi_square / orientation.dof
        row.used, row.notes = orientation.lines_used, orientation.notes
    if found.fluoride is not None:
        row.detected, row.p_value = found.fluoride.detected, found.fluoride.p_value
        if film.minor:
            under = found.fluoride.under(ASSUMPTION[case.fluoride])
            fraction = under.volume_fraction if under else None
            told["fluoride, true orientation"] = (fraction, facts["fluoride"])
            told["fluoride, as judged"] = (found.fluoride.volume_fraction, facts["fluoride"])
            if found.fluoride.detected:
                told["fluoride cell"] = (found.fluoride.cell_A, facts["edge"])
    for buffer in found.buffers:
        told[f"(111) of {buffer.phase}"] = (buffer.fraction_111, film.buffers[0].fraction_111)
    for name, (estimate, truth) in told.items():
        row.held[name] = inside(estimate, truth)
        if estimate is not None and estimate.estimate is not None and estimate.sigma:
            row.error[name], row.sigma[name] = estimate.estimate - truth, estimate.sigma
    row.wrong_phases = tuple((p.phase, p.note) for p in found.products if p.detected)
    row.unexplained = tuple(
        (
            line.two_theta_deg,
            line.significance,
            line.candidates[0].name if line.candidates else "",
        )
        for line in found.unexplained
    )
    row.lines = _line_pulls(case, found)
    return row


def _line_pulls(
    case: Case, found: FilmAnalysis
) -> tuple[tuple[str, float, float, float, tuple[str, ...], bool], ...]:
    """Name, area, sigma, true area, flags and whether used, of each line of the film."""
    coupled, key = found.coupled, case.premises.film.key
    assert coupled is not None
    lines = coupled.usable(key)
    lines = lines.subset(usable_lines(lines, case.premises.film)[0])
    if not len(lines):
        return ()
    used = set(found.orientation.lines_used) if found.orientation else set()
    members = complete_members(lines, coupled.premises.film, case.premises.optics)
    rows = []
    for line, hkls in zip(lines, members, strict=True):
        true = sum(case.truth.area_counts_deg(key, hkl) for hkl in hkls)
        name = str(line.reflection).split(" ", 1)[1]
        rows.append(
            (name, line.area_counts_deg, line.area_sigma_counts_deg, true, line.flags, bool(used))
        )
    return tuple(rows)


def percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:5.1f} % of {whole}" if whole else "none"


def report(rows: Sequence[Row]) -> None:
    """Print the account."""
    good = [row for row in rows if not row.refused]
    print(f"films {len(rows)}, refused {percent(len(rows) - len(good), len(rows))}")
    for text, number in Counter(r.refused[:110] for r in rows if r.refused).most_common(6):
        print(f"    {number} × {text}")
    names = list(dict.fromkeys(name for row in good for name in row.held))
    print(
        f"{'quantity':28s} {'held':>16s}   rocking  without  not told  bias      rms      pull sd"
    )
    for name in names:
        told = [row for row in good if row.held.get(name) is not None]
        parts = [[r for r in told if r.rocking], [r for r in told if not r.rocking]]
        share = [100 * float(np.mean([r.held[name] for r in p])) if p else np.nan for p in parts]
        error = np.array([r.error[name] for r in told if name in r.error])
        pull = np.array([r.error[name] / r.sigma[name] for r in told if name in r.error])
        missing = sum(name in r.held and r.held[name] is None for r in good)
        print(
            f"{name:28s} {percent(sum(bool(r.held[name]) for r in told), len(told)):>16s} "
            f"{share[0]:8.1f} {share[1]:8.1f} {missing:8d}  "
            f"{np.median(error) if error.size else np.nan:+.5f} "
            f"{np.sqrt(np.mean(error**2)) if error.size else np.nan:.5f} "
            f"{pull.std() if pull.size else np.nan:6.2f}"
        )
    untold = sum("c_axis" not in r.held for r in good)
    print(
        f"orientation not told {percent(untold, len(good))}; lines disagree "
        f"{percent(sum(any('disagree' in n for n in r.notes) for r in good), len(good))}"
    )
    bright = [r for r in good if 3e3 < r.facts["counts"] < 3e4 and "c_A" in r.error]
    if bright:
        error = np.array([r.error["c_A"] for r in bright])
        print(
            f"c at 3·10³ to 3·10⁴ counts: rms {np.sqrt(np.mean(error**2)):.5f} Å of {len(bright)}"
        )
    blank = [r for r in good if r.fluoride == "none"]
    print(
        f"false fluoride alarms {percent(sum(r.detected for r in blank), len(blank))}; "
        f"at p < 0.001 {sum(r.p_value < 1e-3 for r in blank)}"
    )
    for what in ASSUMPTION:
        some = [r for r in good if r.fluoride == what]
        print(f"fluoride {what}: missed {percent(sum(not r.detected for r in some), len(some))}")
    print(
        f"films with a false product {percent(sum(bool(r.wrong_phases) for r in good), len(good))}"
        f"; {dict(Counter(p for r in good for p, _ in r.wrong_phases))}"
    )
    print(
        f"films with unexplained lines {percent(sum(bool(r.unexplained) for r in good), len(good))}"
        f"; {sum(len(r.unexplained) for r in good)} lines"
    )
    report_lines([line for row in good for line in row.lines])


def report_lines(lines: Sequence[tuple[str, float, float, float, tuple[str, ...], bool]]) -> None:
    """Pulls of the areas of the film's lines that figures rest on."""
    by_name: dict[str, list[float]] = {}
    flags: Counter[str] = Counter()
    for name, area, sigma, true, flagged, _ in lines:
        by_name.setdefault(name, []).append((area - true) / sigma if sigma > 0 else np.nan)
        flags.update(flagged)
    pulls = np.array([p for group in by_name.values() for p in group])
    print(
        f"pulls of {pulls.size} line areas: median {np.nanmedian(pulls):+.2f}, "
        f"sd {np.nanstd(np.clip(pulls, -5, 5)):.2f} (cut at 5), "
        f"beyond 4 sigma {100 * np.nanmean(np.abs(pulls) > 4):.1f} %"
    )
    print("    flags " + ", ".join(f"{n} {100 * k / pulls.size:.0f} %" for n, k in flags.items()))
    for name, group in sorted(by_name.items()):
        values = np.array(group)
        print(
            f"    {name:10s} {values.size:4d}  median {np.nanmedian(values):+.2f}  "
            f"sd {np.nanstd(np.clip(values, -5, 5)):.2f}  "
            f"beyond 4 {100 * np.nanmean(np.abs(values) > 4):4.1f} %"
        )


def acceptance(films: int, seed: int) -> None:
    """Films about a limit on the a-axis share, each with a rocking scan, judged at 5 % risk."""
    limits = parse_limits(LIMITS)
    limit = limits.limit[0].max or 0.0
    outcomes: dict[bool, Counter[str]] = {True: Counter(), False: Counter()}
    for cases in groups(films, seed, near_limit=limit):
        for case, found in zip(
            cases, FilmAnalyser().analyse([c.inputs for c in cases]), strict=True
        ):
            beyond = case.truth.film.a_axis > limit
            outcomes[beyond][film_record(found, limits).verdict] += 1
    for beyond, counted in outcomes.items():
        total = counted.total()
        print(
            f"{'beyond' if beyond else 'within'} the limit ({total}): "
            + ", ".join(f"{name} {percent(n, total)}" for name, n in counted.most_common())
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--films", type=int, default=300)
    parser.add_argument("--acceptance", type=int, default=0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rows", help="file to keep every film's figures in")
    options = parser.parse_args()
    if options.acceptance:
        acceptance(options.acceptance, options.seed)
        return
    rows: list[Row] = []
    seconds = 0.0
    for cases in groups(options.films, options.seed):
        started = time.process_time()
        analysed = FilmAnalyser().analyse([case.inputs for case in cases])
        seconds += time.process_time() - started
        rows += [compare(case, found) for case, found in zip(cases, analysed, strict=True)]
    report(rows)
    print(f"{1000 * seconds / len(rows):.0f} ms of processor a film, simulation not counted")
    if options.rows:
        with open(options.rows, "wb") as file:
            pickle.dump([vars(row) for row in rows], file)


if __name__ == "__main__":
    main()
