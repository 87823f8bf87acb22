"""How often the fluoride figures are right, over many simulated films of known truth.

    python benchmarks/calibration_fluoride.py --films 2000
    python benchmarks/calibration_fluoride.py --cell 1000 --no-fluoride 1000 --verdicts 200

The films are those of `fluoride_cases`. Accounts, each with 95 % intervals under the fluoride's
true orientation, and for the figure as it is told, by the orientation that the lines settle or the
envelope of those they leave:

exact      premises as in the simulation, intervals from counting alone: must hold the truth
           93 to 97 times in 100.
drawn      premises off by what `ModelDoubt` says they may be, intervals with the model's part:
           the same.
off        thickness off by 15 % and mosaic by a factor 1.5, at random up or down: at least 90.
any cell   premises exact, the fluoride's cell anywhere from 5.95 to 6.25 Å (a quarter as many).

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
    ASSUMPTION,
    Case,
    components,
    draw_case,
    drawn_truth,
    measured_film_lines,
    off_truth,
    run,
)
from fluoride_chain import NO_FLUORIDE, judged_films, no_fluoride_films

from xrdfilm.analysis.premises import premises_of
from xrdfilm.fluoride.model import ModelDoubt
from xrdfilm.fluoride.setup import FluorideSettings
from xrdfilm.runfile import RunFile

__all__ = ["components", "draw_case", "measured_film_lines", "one_film"]

SCRIPT = "python benchmarks/calibration_fluoride.py"
ACCOUNTS = {
    "exact": "volume fraction, premises exact",
    "drawn": "volume fraction, premises drawn",
    "off": "thickness 15 % and mosaic 1.5 off",
    "any cell": "volume fraction, cell 5.95 to 6.25 Å",
}
STRENGTHS = (2.0, 3.0, 4.0, 6.0, 10.0)  # of the detection limit, for the shifted cell


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
    told: int = 0
    told_held: int = 0
    told_misjudged: int = 0

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
        told = found.volume_fraction
        assert told is not None
        assert told.low is not None
        assert told.high is not None
        tally.told, tally.told_held = 1, int(told.low <= share <= told.high)
        settled = found.settled
        tally.told_misjudged = int(settled not in (None, ASSUMPTION[case.orientation]))
    return tally


def percent(part: int, whole: int) -> str:
    return f"{100 * part / whole:5.1f} % of {whole}" if whole else "none"


def coverage(films: int, kept: Kept) -> None:
    alarms, risks = [], 0
    for account, label in ACCOUNTS.items():
        started, total = time.perf_counter(), Tally()
        for seed in range(films if account != "any cell" else max(films // 4, 10)):
            total.add(one_film(seed, account))
        print(
            f"{account:8s} holds the truth {percent(total.held, total.n)}"
            f" (two-sided {percent(total.two_sided_held, total.two_sided)},"
            f" not detected {percent(total.unseen_held, total.unseen)});"
            f" told without its orientation {percent(total.told_held, total.told)},"
            f" a wrong one named {percent(total.told_misjudged, total.told)};"
            f" false alarms {percent(total.false_alarms, total.zero)}"
            + (f"; missed at L_D {percent(total.missed, total.at_limit)}" if total.at_limit else "")
            + f"  [{time.perf_counter() - started:.0f} s]",
            flush=True,
        )
        command = f"{SCRIPT} --films {films}"
        kept.coverage(label, total.held, total.n, command)
        if account == "drawn":
            what = "volume fraction as told, orientation not stated"
            kept.coverage(what, total.told_held, total.told, command)
        if account != "any cell":
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


def no_fluoride(films: int, kept: Kept) -> None:
    """The whole chain at its own risk, on films whose other lines stand near the fluoride's."""
    risk = premises_of(RunFile()).false_alarm_risk
    for kind in NO_FLUORIDE:
        rows = no_fluoride_films(kind, films)
        alarms, clear = sum(row.called for row in rows), sum(row.misleading for row in rows)
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
    for share in (0.0, 0.05, 0.10):
        found: Counter[tuple[str, str]] = Counter()
        for outcomes in judged_films(share, films):
            found.update(outcomes.items())
        print(f"{100 * share:g} vol% of aligned fluoride, 100 to 10 000 counts:", flush=True)
        for name in dict.fromkeys(name for name, _ in found):
            told = ", ".join(f"{o} {found[name, o]}" for o in ("pass", "undecided", "fail"))
            print(f"  {name:34s} {told}", flush=True)
        wrong = found["fluoride_volume_fraction_aligned", "pass" if share else "fail"]
        verdict = "passed" if share else "failed"
        kept.row(
            f"{100 * share:g} vol% of aligned fluoride {verdict} against 2 vol%", "5 %",
            f"{wrong}", f"{films}", f"{SCRIPT} --verdicts {films}",
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
            {"what": what, "stated": stated, "found": found, "of": of,
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
