"""How often the fluoride figures are right, over many simulated films of known truth.

    python benchmarks/calibration_fluoride.py --films 2000
    python benchmarks/calibration_fluoride.py --cell 1000 --no-fluoride 1000 --verdicts 200

The films are those of `fluoride_cases`. Accounts, each with 95 % intervals under the fluoride's
true orientation:

exact      premises as in the simulation, intervals from counting alone: must hold the truth
           93 to 97 times in 100.
drawn      premises off by what `ModelDoubt` says they may be, intervals with the model's part:
           the same.
off        thickness off by 15 % and mosaic by a factor 1.5, at random up or down: at least 90.
any cell   premises exact, the fluoride's cell anywhere from 5.95 to 6.25 Å.

Also false alarms of films without fluoride (stated α) and misses at the detection limit (stated β).
``--cell``: from what strength on a cell of 6.10 Å is found, and how well. ``--no-fluoride``: the
whole chain, at its own risk, on films whose other lines stand near the fluoride's. ``--verdicts``:
the whole chain with limits, on films with no fluoride and with 5 and 10 vol%. ``--keep FILE``
writes what was found into the fluoride's rows of docs/calibration.json.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from fluoride_cases import (
    ANGLES,
    ASSUMPTION,
    Case,
    components,
    draw_case,
    drawn_truth,
    measured_film_lines,
    off_truth,
    run,
    stacks,
)

from xrdfilm.analysis.film import FilmAnalysis, FilmInput, analyse_films
from xrdfilm.analysis.premises import premises_of
from xrdfilm.analysis.record import film_record
from xrdfilm.crystal import load_phase
from xrdfilm.decision.limits import parse_limits
from xrdfilm.fluoride.model import ModelDoubt
from xrdfilm.fluoride.setup import FluorideSettings
from xrdfilm.intensity.model import random
from xrdfilm.runfile import RunFile
from xrdfilm.simulate import BufferTexture, Ghosts, Minor, Truth, fluoride, simulate_scan
from xrdfilm.simulate.film import Grains

__all__ = ["components", "measured_film_lines", "no_fluoride_film", "one_film"]

SCRIPT = "python benchmarks/calibration_fluoride.py"
ACCOUNTS = {
    "exact": "volume fraction, premises exact",
    "drawn": "volume fraction, premises drawn",
    "off": "thickness 15 % and mosaic 1.5 off",
    "any cell": "volume fraction, cell anywhere from 5.95 to 6.25 Å",
}
STRENGTHS = (2.0, 3.0, 4.0, 6.0, 10.0)  # of the detection limit, for the shifted cell
LIMITS = "".join(
    f'[[limit]]\nquantity = "{name}"\n{bound}\nrisk = 0.05\n\n'
    for name, bound in (
        ("fluoride_volume_fraction", "max = 0.02"),
        ("fluoride_volume_fraction_aligned", "max = 0.02"),
        ("fluoride_volume_fraction_random", "max = 0.02"),
        ("conversion", "min = 0.95"),
        ("hf_bound_ug_cm2", "max = 2.0"),
    )
)


@dataclass
class Tally:
    """Counts of one account."""

    n: int = 0
    held: int = 0
    zero: int = 0
    false_alarms: int = 0
    at_limit: int = 0
    missed: int = 0
    two_sided: int = 0
    two_sided_held: int = 0
    unseen: int = 0
    unseen_held: int = 0

    def add(self, other: Tally) -> None:
        """Add the counts of another account."""
        for name in vars(self):
            setattr(self, name, getattr(self, name) + getattr(other, name))


def one_film(seed: int, account: str) -> Tally:
    """One film without, one at the detection limit, one with a fraction drawn around it."""
    rng = np.random.default_rng([seed, 11])
    case, tally = draw_case(rng), Tally()
    exact = account in ("exact", "any cell")
    doubt = ModelDoubt.none() if exact else ModelDoubt(structure=0.0)
    truth_of: Callable[[Case], Case] = lambda c: c  # noqa: E731
    cell = None
    if account == "drawn":
        truth_of = drawn_truth(rng, doubt)
    elif account == "off":
        truth_of = off_truth(rng)
    elif account == "any cell":
        cell = float(rng.uniform(FluorideSettings().edge_low_A, FluorideSettings().edge_high_A))
    blank = run(case, 0.0, doubt, seed, truth_of=truth_of)
    if blank is None:
        return tally
    tally.zero, tally.false_alarms = 1, int(blank.detected)
    under = blank.under(ASSUMPTION[case.orientation])
    if under is None or under.detection_limit is None:
        return tally
    limit = under.detection_limit
    factor = float(np.exp(rng.uniform(np.log(0.3), np.log(15.0))))
    fraction = min(limit * factor, 0.7)
    for share, kind in ((fraction, "drawn"), (limit, "limit")):
        if kind == "limit" and (account != "exact" or not limit < 0.5):
            continue
        found = run(case, share, doubt, seed + 1_000_000, truth_of=truth_of, cell_a_A=cell)
        if found is None:
            continue
        if kind == "limit":
            tally.at_limit, tally.missed = 1, int(not found.detected)
            continue
        figure = found.under(ASSUMPTION[case.orientation])
        if figure is None or figure.volume_fraction is None:
            continue
        interval = figure.volume_fraction
        assert interval.low is not None
        assert interval.high is not None
        held = interval.low <= share <= interval.high
        tally.n, tally.held = 1, int(held)
        if interval.value is not None:
            tally.two_sided, tally.two_sided_held = 1, int(held)
        if not found.detected:
            tally.unseen, tally.unseen_held = 1, int(held)
    return tally


def percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:5.1f} % of {whole}" if whole else "none"


def coverage(films: int, kept: Kept) -> None:
    alarms, risks = [], 0
    for account, label in ACCOUNTS.items():
        started, total = time.perf_counter(), Tally()
        for seed in range(films):
            total.add(one_film(seed, account))
        print(
            f"{account:8s} holds the truth {percent(total.held, total.n)}"
            f" (two-sided {percent(total.two_sided_held, total.two_sided)},"
            f" not detected {percent(total.unseen_held, total.unseen)});"
            f" false alarms {percent(total.false_alarms, total.zero)}"
            + (f"; missed at L_D {percent(total.missed, total.at_limit)}" if total.at_limit else "")
            + f"  [{time.perf_counter() - started:.0f} s]",
            flush=True,
        )
        command = f"{SCRIPT} --films {films}"
        kept.coverage(label, total.held, total.n, command)
        alarms.append(total.false_alarms / total.zero)
        risks = total.zero
        if account == "exact":
            kept.alarms("fluoride at L_D missed", "5 %", total.missed, total.at_limit, command)
    low, high = (f"{100 * share:.1f}" for share in (min(alarms), max(alarms)))
    kept.row(
        "fluoride called in films without, risk set to 5 %",
        "5 %", f"{low} to {high} %", f"{risks} each", f"{SCRIPT} --films {films}",
    )  # fmt: skip


def shifted_cell(films: int, kept: Kept) -> None:
    """From what strength on fluoride with a = 6.10 Å is found, and its cell."""
    for strength in STRENGTHS:
        errors, found = [], 0
        for seed in range(films):
            case = replace(draw_case(np.random.default_rng([seed, 12])), orientation="random")
            case = replace(case, counts=max(case.counts, 3e3))
            blank = run(case, 0.0, ModelDoubt.none(), seed)
            under = blank.under("random") if blank else None
            limit = under.detection_limit if under else None
            if limit is None or strength * limit > 0.6:
                continue
            got = run(case, strength * limit, ModelDoubt.none(), seed, cell_a_A=6.10)
            if got is None:
                continue
            ok = got.detected and got.cell_A is not None
            found += ok
            errors.append(got.cell_A.estimate - 6.10 if ok and got.cell_A else np.nan)
        off = int(np.count_nonzero(np.abs(np.array(errors)) > 0.01))
        print(
            f"a = 6.10 Å at {strength:g} L_D: found {percent(found, len(errors))}; "
            f"within 0.01 Å {percent(found - off, found)}; "
            f"rms {np.sqrt(np.nanmean(np.square(errors))):.4f} Å",
            flush=True,
        )
        kept.row(
            f"fluoride with a = 6.10 Å at {strength:g} L_D found, cell within 0.01 Å", "",
            f"{found}, {found - off}", f"{len(errors)}", f"{SCRIPT} --cell {films}",
        )  # fmt: skip


def chain(case: Case, seed: int, others: tuple[Minor, ...] = ()) -> tuple[FilmAnalysis, Truth]:
    """The whole chain on a simulated film, with the premises that a user would state of it."""
    stack = case.film.stack
    layers = [{"phase": b.phase.key, "thickness_nm": b.thickness_nm} for b in stack.buffers]
    stated = {
        "stack": {
            "film": "YBCO",
            "thickness_nm": stack.film.thickness_nm,
            "substrate": stack.substrate.phase.key if stack.substrate else None,
            "buffers": layers,
            "sample_length_mm": stack.sample_length_mm,
        },
        "optics": {"step_time_s": 1.0},
        "assumptions": {"c_axis_mosaic_deg": case.mosaic_deg, "mosaic_factor": 1.3},
    }
    scan, truth = simulate_scan(
        replace(case.film, minor=others), case.optics, counts=case.counts, two_theta_deg=ANGLES,
        instrument=case.instrument, seed=seed,
    )  # fmt: skip
    premises = premises_of(RunFile.model_validate(stated))
    return analyse_films([FilmInput(f"film {seed}", premises, scan)])[0], truth


def _beside(case: Case, rng: np.random.Generator) -> tuple[Case, tuple[Minor, ...]]:
    """Misoriented and random grains of CeO2 and La2Zr2O7: (111) at 28.55°, (222) at 28.59°."""
    texture = BufferTexture(
        4.0, fraction_111=float(rng.uniform(0.01, 0.1)), fraction_random=float(rng.uniform(0, 0.1))
    )
    stack = stacks(case.film.stack.film.thickness_nm or 500.0)[2]
    return replace(case, film=replace(case.film, stack=stack, buffers=(texture,))), ()


def _carbonate(case: Case, rng: np.random.Generator) -> tuple[Case, tuple[Minor, ...]]:
    """Random BaCO3, (111) and (021) at 23.9 and 24.3°, more where it shows less."""
    share = float(np.exp(rng.uniform(np.log(0.02), np.log(0.4))))
    return case, (Minor(load_phase("BaCO3"), share, (Grains(random()),)),)


def _ghosts(k_beta: float, tungsten: float) -> Callable[..., tuple[Case, tuple[Minor, ...]]]:
    def change(case: Case, rng: np.random.Generator) -> tuple[Case, tuple[Minor, ...]]:
        strong = Ghosts(
            k_beta=float(rng.uniform(0.2, 1.0)) * k_beta,
            tungsten=float(rng.uniform(0.2, 1.0)) * tungsten,
            half_wavelength=0.001,
        )
        return replace(case, instrument=replace(case.instrument, ghosts=strong)), ()

    return change


NO_FLUORIDE: dict[str, Callable[..., tuple[Case, tuple[Minor, ...]]]] = {
    "CeO2 (111) and La2Zr2O7 (222)": _beside,
    "BaCO3": _carbonate,
    "K-beta ghosts of up to 3 %": _ghosts(0.03, 0.0008),
    "W ghosts of up to 2 %": _ghosts(0.003, 0.02),
}


def no_fluoride_film(kind: str, seed: int) -> tuple[bool, bool] | None:
    """Whether the chain calls a film without fluoride one with, and whether the lines that might
    mislead it stand out; None where it can tell nothing of fluoride."""
    rng = np.random.default_rng([seed, 13])
    case, others = NO_FLUORIDE[kind](draw_case(rng), rng)
    analysis, truth = chain(case, seed, others)
    if analysis.fluoride is None:
        return None
    blank = np.sqrt(case.instrument.background.level_counts * 0.3 * (ANGLES[1] - ANGLES[0]))
    clear = any(
        line.area_counts_deg > 5.0 * blank
        and any(low < line.observed_deg < high for low, high in ((23.5, 26.1), (28.2, 30.2),
                                                                 (40.6, 43.0), (59.0, 62.5)))
        and (line.reflection.phase != "YBCO" or line.ghost is not None)
        for line in truth.lines
    )  # fmt: skip
    return analysis.fluoride.detected, clear


def no_fluoride(films: int, kept: Kept) -> None:
    """The whole chain at its own risk, on films whose other lines stand near the fluoride's."""
    risk = premises_of(RunFile()).false_alarm_risk
    for kind in NO_FLUORIDE:
        rows = [row for seed in range(films) if (row := no_fluoride_film(kind, seed)) is not None]
        alarms, clear = sum(row[0] for row in rows), sum(row[1] for row in rows)
        print(
            f"{kind}: called fluoride {alarms} of {len(rows)} (stated risk {risk:g}); "
            f"a line that might mislead stands out in {clear}",
            flush=True,
        )
        kept.row(
            f"{kind} called fluoride by the chain", f"{100 * risk:g} %", f"{alarms}",
            f"{len(rows)}", f"{SCRIPT} --no-fluoride {films}",
        )  # fmt: skip


def verdicts(films: int, kept: Kept) -> None:
    """Limits on fluoride and conversion, judged on films of known truth by the whole chain."""
    limits = parse_limits(LIMITS)
    for share in (0.0, 0.05, 0.10):
        found: Counter[tuple[str, str]] = Counter()
        for seed in range(films):
            rng = np.random.default_rng([seed, 14])
            case = draw_case(rng)
            thickness = case.film.stack.film.thickness_nm or 500.0
            stack = stacks(thickness)[2 if seed % 2 else 0]
            counts = float(np.exp(rng.uniform(np.log(1e2), np.log(1e4))))
            case = replace(case, film=replace(case.film, stack=stack), counts=counts)
            part = fluoride(load_phase("BaF2"), share, "aligned", mosaic_fwhm_deg=case.mosaic_deg)
            analysis, _ = chain(case, seed, (part,) if share else ())
            for reason in film_record(analysis, limits).reasons:
                found[reason.quantity, reason.outcome] += 1
        print(f"{100 * share:g} vol% of aligned fluoride, 100 to 10 000 counts:", flush=True)
        for name in dict.fromkeys(limit.quantity for limit in limits.limit):
            told = ", ".join(f"{o} {found[name, o]}" for o in ("pass", "undecided", "fail"))
            print(f"  {name:34s} {told}", flush=True)
        wrong = found["fluoride_volume_fraction_aligned", "pass" if share else "fail"]
        kept.row(
            f"{100 * share:g} vol% of aligned fluoride " + ("passed" if share else "failed")
            + " against 2 vol%", "5 %", f"{wrong}", f"{films}", f"{SCRIPT} --verdicts {films}",
        )  # fmt: skip


class Kept:
    """The fluoride's rows of docs/calibration.json, as found in this run."""

    def __init__(self) -> None:
        self.held: list[dict[str, object]] = []
        self.counted: list[dict[str, object]] = []

    def coverage(self, what: str, held: int, of: int, command: str) -> None:
        self.held.append(
            {"group": "fluoride", "what": what, "held": round(held / of, 3), "of": of,
             "command": command}
        )  # fmt: skip

    def alarms(self, what: str, stated: str, found: int, of: int, command: str) -> None:
        self.row(what, stated, f"{100 * found / of:.1f} %", f"{of}", command)

    def row(self, what: str, stated: str, found: str, of: str, command: str) -> None:
        self.counted.append(
            {"group": "fluoride", "what": what, "stated": stated, "found": found, "of": of,
             "command": command}
        )  # fmt: skip

    def write(self, path: Path) -> None:
        """Put the rows in the place of those of the same kind; others stay."""
        whole = json.loads(path.read_text(encoding="utf-8"))
        for key, rows in (("coverage", self.held), ("alarms", self.counted)):
            named = {row["what"] for row in rows}
            old = whole.setdefault(key, [])
            at = next((i for i, r in enumerate(old) if r["what"] in named), len(old))
            before = [r for r in old[:at] if r["what"] not in named]
            after = [r for r in old[at:] if r["what"] not in named]
            whole[key] = [*before, *rows, *after]
        parts = [
            f' "{key}": '
            + (
                json.dumps(value, ensure_ascii=False)
                if isinstance(value, str)
                else "[\n"
                + ",\n".join("  " + json.dumps(r, ensure_ascii=False) for r in value)
                + "\n ]"
            )
            for key, value in whole.items()
        ]
        path.write_text("{\n" + ",\n".join(parts) + "\n}\n", encoding="utf-8")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--films", type=int, default=0, help="films an account of coverage")
    parser.add_argument("--cell", type=int, default=0, help="films with a = 6.10 Å")
    parser.add_argument("--no-fluoride", type=int, default=0, help="films of each kind")
    parser.add_argument("--verdicts", type=int, default=0, help="films judged by limits")
    parser.add_argument("--keep", type=Path, help="docs/calibration.json, to be brought up to date")
    options = parser.parse_args()
    kept = Kept()
    asked = options.films or options.cell or options.no_fluoride or options.verdicts
    if options.films or not asked:
        coverage(options.films or 200, kept)
    if options.cell:
        shifted_cell(options.cell, kept)
    if options.no_fluoride:
        no_fluoride(options.no_fluoride, kept)
    if options.verdicts:
        verdicts(options.verdicts, kept)
    if options.keep:
        kept.write(options.keep)


if __name__ == "__main__":
    main()
