"""Whether predicted counting times decide the limit as often as they say.

    python benchmarks/counting_study.py [draws] [films] [seed]

First by lines: the two-line scan that a plan proposes is simulated at the proposed times, its
areas are fitted, and the limit is judged. Then by whole scans: films whose short scan leaves a
limit open are simulated again at the proposed multiple of the time and judged by the whole
analysis. Printed: share decided (wanted: what the plan says, 0.95) and share decided wrongly.
"""

from __future__ import annotations

import sys
import time
from dataclasses import dataclass, replace

import numpy as np

from xrdfilm.analysis.film import FilmInput, analyse_films
from xrdfilm.analysis.premises import premises_of
from xrdfilm.analysis.record import film_record, judged_quantities
from xrdfilm.crystal import load_phase
from xrdfilm.decision.guard import Tolerance
from xrdfilm.demo import demo_stack
from xrdfilm.estimate import from_normal
from xrdfilm.fitting.detection import fit_at_places
from xrdfilm.intensity.optics import Optics
from xrdfilm.planning.assurance import repeat_plan
from xrdfilm.planning.counting import CountingPlan, TableRow
from xrdfilm.planning.source import FluorideOrientation, Rates, plan_from_stack
from xrdfilm.runfile import RunFile
from xrdfilm.simulate import SimulatedFilm, fluoride, simulate_scan
from xrdfilm.simulate.instrument import Background, Detector, Instrument

OPTICS = Optics(axial_stated=True, step_time_s=1.0)
RISK = 0.05


@dataclass(frozen=True)
class Case:
    """A limit, the true figure, and what the instrument gives."""

    name: str
    quantity: str
    limit: float
    truth: float
    rates: Rates
    orientation: FluorideOrientation | None = None
    model_relative: float = 0.10
    mosaic_deg: float = 4.0


CASES = (
    Case("aligned fluoride, none left", "fluoride_volume_fraction", 0.01, 0.0, Rates(300, 4)),
    Case("aligned fluoride, below", "fluoride_volume_fraction", 0.02, 0.012, Rates(300, 4)),
    Case("aligned fluoride, above", "fluoride_volume_fraction", 0.02, 0.03, Rates(300, 4)),
    Case("(111) fluoride, below", "fluoride_volume_fraction", 0.01, 0.003, Rates(100, 2),
         "aligned_111"),
    Case("random fluoride, none left", "fluoride_volume_fraction_random", 0.05, 0.0,
         Rates(3000, 20)),
    Case("random fluoride, below", "fluoride_volume_fraction_random", 0.10, 0.06,
         Rates(3000, 20)),
    Case("a-axis, below", "a_axis_fraction", 0.05, 0.03, Rates(300, 4)),
    Case("a-axis, above", "a_axis_fraction", 0.05, 0.07, Rates(300, 4)),
)  # fmt: skip


def plan_of(case: Case) -> CountingPlan:
    return plan_from_stack(
        demo_stack(), OPTICS, case.rates, case.quantity, Tolerance(None, case.limit), RISK,
        expected=case.truth, phase=load_phase("BaF2"), orientation=case.orientation,
        mosaic_fwhm_deg=case.mosaic_deg, model_relative=case.model_relative,
    )  # fmt: skip


def film_of(case: Case) -> SimulatedFilm:
    mosaic = {"c_mosaic_fwhm_deg": case.mosaic_deg, "a_mosaic_fwhm_deg": case.mosaic_deg}
    if case.quantity == "a_axis_fraction":
        return SimulatedFilm(
            stack=demo_stack(), c_axis=1.0 - case.truth, a_axis=case.truth, random=0.0, **mosaic
        )
    how = case.orientation or ("random" if "random" in case.quantity else "aligned")
    film = SimulatedFilm(stack=demo_stack(), c_axis=1.0, a_axis=0.0, random=0.0, **mosaic)
    if case.truth <= 0.0:
        return film
    part = fluoride(load_phase("BaF2"), case.truth, how, mosaic_fwhm_deg=case.mosaic_deg)
    return replace(film, minor=(part,))


def expected_counts(case: Case, row: TableRow) -> tuple[np.ndarray, np.ndarray]:
    """Angles of a row and the mean counts there."""
    whole = np.arange(20.0, 90.0, 0.02)
    trace = replace(film_of(replace(case, truth=0.0)), a_axis=0.0, c_axis=1.0)
    _, first = simulate_scan(trace, OPTICS, counts=case.rates.counts_per_s, two_theta_deg=whole)
    steps = round((row.high_deg - row.low_deg) / row.step_deg) + 1
    angles = row.low_deg + row.step_deg * np.arange(steps)
    _, truth = simulate_scan(
        film_of(case), OPTICS, scale=first.scale * row.step_time_s, two_theta_deg=angles,
        instrument=Instrument(
            background=Background(case.rates.background_per_s * row.step_time_s),
            detector=Detector(step_time_s=1.0, noise=False),
        ),
    )  # fmt: skip
    return angles, truth.expected


def by_lines(case: Case, draws: int, seed: int) -> tuple[float, float, float, float]:
    """Share decided, share decided wrongly, planned assurance, planned seconds."""
    plan = plan_of(case)
    assert plan.quick is not None, plan.why_not
    rng = np.random.default_rng(seed)
    areas, variances = {}, {}
    for role in ("sought", "film"):
        line = plan.lines.best(role)
        row = next(r for r in plan.quick.rows if r.line == str(line.reflection))
        angles, mean = expected_counts(case, row)
        known = line.neighbours
        fits = fit_at_places(
            angles, rng.poisson(mean, size=(draws, angles.size)).astype(float),
            [line.two_theta_deg, *(n.two_theta_deg for n in known)],
            np.array([line.fwhm_deg, *(n.fwhm_deg for n in known)]),
            np.array([line.lorentz_fraction, *(n.lorentz_fraction for n in known)]),
            OPTICS.radiation, float(angles[0]), float(angles[-1]),
            known=[False, *(True for _ in known)],
        )  # fmt: skip
        unit = line.strength * row.step_time_s
        areas[role] = np.asarray(fits.areas).reshape(draws, -1)[:, 0] / unit
        covariance = np.asarray(fits.covariance).reshape(draws, -1)[:, 0]
        variances[role] = covariance / unit**2
    ratio = areas["sought"] / areas["film"]
    ratio = ratio * (1.0 + case.model_relative * rng.normal(size=draws))
    inside = np.maximum(ratio, 0.0)
    spread = variances["sought"] + inside**2 * variances["film"]
    spread = np.sqrt(spread + (case.model_relative * inside) ** 2) / (1.0 + inside) ** 2
    # the fraction of a trace below nothing is the ratio itself
    x = np.where(ratio > 0.0, ratio / (1.0 + inside), ratio)
    limit = Tolerance(None, case.limit)
    broken = np.array(
        [
            limit.probability_broken(from_normal(float(a), float(s), bounds=(0.0, 1.0)))
            for a, s in zip(x, spread, strict=True)
        ]
    )
    passed, failed = broken < RISK, 1.0 - broken < RISK
    wrong = failed if case.truth <= case.limit else passed
    return (
        float(np.mean(passed | failed)),
        float(np.mean(wrong)),
        plan.quick.assurance,
        plan.quick.total_s,
    )


def whole_scans(films: int, seed: int) -> None:
    """Short scans that leave a fluoride limit open, repeated at the proposed time.

    What the time is proposed for is the true figure, as for a process whose films are known.
    """
    run_file = RunFile.model_validate(
        {
            "stack": {
                "film": "YBCO", "thickness_nm": 800, "substrate": "Ni-5W",
                "buffers": [{"phase": "CeO2", "thickness_nm": 75},
                            {"phase": "La2Zr2O7", "thickness_nm": 200}],
            },
            "optics": {"anode": "Cu", "divergence_deg": 0.5, "axial_acceptance_deg": 2.3,
                       "axial": "apertures", "step_time_s": 1.0},
            "assumptions": {"c_axis_mosaic_deg": 4.5, "mosaic_factor": 1.2},
        }
    )  # fmt: skip
    premises = premises_of(run_file, None, {})
    name, limit = "fluoride_volume_fraction_aligned", Tolerance(None, 0.005)
    base = SimulatedFilm(
        stack=demo_stack(), c_axis=0.95, a_axis=0.02, random=0.03, c_mosaic_fwhm_deg=4.5,
        a_mosaic_fwhm_deg=4.5,
    )  # fmt: skip
    rng = np.random.default_rng(seed)
    opened = decided = wrong = 0
    factors, promised = [], []

    def estimate_at(truth: float, share: float, number: int) -> object:
        film = base
        if truth > 0.0:
            part = fluoride(load_phase("BaF2"), truth, "aligned", mosaic_fwhm_deg=4.5)
            film = replace(base, minor=(part,))
        scan, _ = simulate_scan(
            film, OPTICS, counts=30_000.0 * share, seed=number,
            instrument=Instrument(background=Background(200.0 * share)),
        )  # fmt: skip
        analysis = analyse_films([FilmInput("film", premises, scan)])[0]
        return judged_quantities(film_record(analysis, None, files={}), analysis).get(name)

    begun = time.perf_counter()
    for k in range(films):
        truth = float(rng.choice([0.0, 0.001]))
        first = estimate_at(truth, 0.02, 100_000 * seed + k)
        if first is None or not first.sigma:
            continue
        broken = limit.probability_broken(first)
        if min(broken, 1.0 - broken) < RISK:
            continue
        plan = repeat_plan(first, limit, RISK, supposed=truth)
        if plan is None or plan.factor is None:
            continue
        second = estimate_at(truth, 0.02 * plan.factor, 100_000 * seed + 50_000 + k)
        opened += 1
        factors.append(plan.factor)
        promised.append(plan.assurance)
        if second is None:
            continue
        broken = limit.probability_broken(second)
        done = min(broken, 1.0 - broken) < RISK
        decided += done
        wrong += done and ((broken < 0.5) != (truth <= 0.005))
    took = time.perf_counter() - begun
    print(
        f"whole scans: {films} films, {opened} left open by the short scan with a plan; "
        f"{took:.0f} s"
    )
    if opened:
        print(
            f"  repeated at a median of {np.median(factors):.1f} times the counting: "
            f"{100 * decided / opened:.0f} % decided (planned {100 * np.mean(promised):.0f} %), "
            f"{100 * wrong / opened:.0f} % wrongly"
        )


def main() -> None:
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    films = int(sys.argv[2]) if len(sys.argv) > 2 else 40
    print(f"two-line scans, {draws} draws each")
    for number, case in enumerate(CASES if draws else ()):
        done, wrong, planned, seconds = by_lines(case, draws, number)
        print(
            f"  {case.name:30s} {seconds:8.0f} s  decided {100 * done:5.1f} %  "
            f"(planned {100 * planned:.0f} %), wrongly {100 * wrong:.1f} %"
        )
    whole_scans(films, int(sys.argv[3]) if len(sys.argv) > 3 else 1)


if __name__ == "__main__":
    main()
