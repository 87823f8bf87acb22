"""Counting plan: how long which lines must be counted to decide a limit on an amount.

The amount is a fraction x = ρ/(1 + ρ) of a sought component (fluoride, a-axis grains) beside the
film's c-axis grains, ρ = u/f from the areas of lines of both. Its standard uncertainty after times
T_u and T_f is

    σ(x) = (1 - x)² · √( C_u/T_u + ρ² C_f/T_f + (mρ)² + floor² )

with the lines' costs C (`xrdfilm.planning.lines`) and what counting does not lessen: m, relative,
and a floor. For a sought component near nothing the film's line needs seconds only.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.decision.guard import Tolerance
from xrdfilm.numbers import duration, fixed, number
from xrdfilm.planning.assurance import DEFAULT_ASSURANCE, Belief, assurance, least_time
from xrdfilm.planning.lines import LinesOfQuantity, LineWorth

LONGEST_S = 7 * 86400.0
SHORTEST_STEP_S = 0.1
_SHORTEST_S = 1.0


@dataclass(frozen=True, slots=True)
class TableRow:
    """One range of a scan table: degrees of 2θ, seconds a step, seconds in all."""

    line: str
    low_deg: float
    high_deg: float
    step_deg: float
    step_time_s: float
    total_s: float


@dataclass(frozen=True, slots=True)
class ScanTable:
    """Ranges to count, by angle, with the assurance that they decide the limit."""

    rows: tuple[TableRow, ...]
    assurance: float

    @property
    def total_s(self) -> float:
        """Counting time in all, s; driving between the ranges comes on top."""
        return sum(row.total_s for row in self.rows)

    def as_text(self) -> str:
        """The table as aligned text for the instrument's desk."""
        head = ("line", "from/°", "to/°", "step/°", "s a step", "time")
        body = [
            (r.line, fixed(r.low_deg, 2), fixed(r.high_deg, 2), number(r.step_deg, 3),
             number(r.step_time_s, 3), duration(r.total_s))
            for r in self.rows
        ]  # fmt: skip
        widths = [max(len(row[i]) for row in (head, *body)) for i in range(len(head))]
        lines = [
            "  ".join(
                cell.ljust(w) if i == 0 else cell.rjust(w)
                for i, (cell, w) in enumerate(zip(row, widths, strict=True))
            ).rstrip()
            for row in (head, *body)
        ]
        return "\n".join([*lines, f"in all {duration(self.total_s)}, driving not counted"])

    def as_csv(self) -> str:
        """The table as CSV."""
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["line", "low_deg", "high_deg", "step_deg", "step_time_s", "total_s"])
        for r in self.rows:
            writer.writerow(
                [r.line, f"{r.low_deg:.3f}", f"{r.high_deg:.3f}", f"{r.step_deg:g}",
                 f"{r.step_time_s:.3g}", f"{r.total_s:.0f}"]
            )  # fmt: skip
        return out.getvalue()

    def record(self) -> dict[str, Any]:
        """The table as plain values."""
        return {
            "assurance": self.assurance,
            "total_s": self.total_s,
            "rows": [
                {
                    "line": r.line,
                    "low_deg": r.low_deg,
                    "high_deg": r.high_deg,
                    "step_deg": r.step_deg,
                    "step_time_s": r.step_time_s,
                    "total_s": r.total_s,
                }
                for r in self.rows
            ],
        }


@dataclass(frozen=True, slots=True)
class CountingPlan:
    """What deciding a limit takes.

    ``quick`` counts two lines, the most telling of either amount; ``table`` all lines worth their
    time, for as long each as makes them decide together. Both None where ``why_not`` says that no
    time up to a week decides. ``best_assurance`` is what a week would reach.
    """

    quantity: str
    tolerance: Tolerance
    risk: float
    wanted: float
    belief: Belief
    lines: LinesOfQuantity
    quick: ScanTable | None
    table: ScanTable | None
    best_assurance: float
    why_not: str
    model_relative: float
    model_floor: float

    def record(self) -> dict[str, Any]:
        """The plan as plain values for JSON."""
        return {
            "schema": "xrdfilm-counting/1",
            "quantity": self.quantity,
            "limit": {"min": self.tolerance.low, "max": self.tolerance.high, "risk": self.risk},
            "assurance_wanted": self.wanted,
            "expected": self.belief.centre,
            "expected_sigma": self.belief.sigma,
            "quick": None if self.quick is None else self.quick.record(),
            "table": None if self.table is None else self.table.record(),
            "best_assurance": self.best_assurance,
            "why_not": self.why_not,
            "lines": [
                {
                    "line": str(x.reflection),
                    "role": x.role,
                    "two_theta_deg": x.two_theta_deg,
                    "relative_cost": worth(self.lines, x),
                    "hidden_by": x.hidden_by or None,
                    "shared_with": x.shared_with or None,
                }
                for x in self.lines.lines
            ],
        }


def worth(lines: LinesOfQuantity, line: LineWorth) -> float | None:
    """How many times as long as the one counted of its role a line needs; None if unusable."""
    best = lines.worthwhile(line.role)
    return None if not best or not line.usable else line.cost_s / best[0].cost_s


def sigma_of_fraction(
    cost_sought_s: float, cost_film_s: float, *, model_relative: float, model_floor: float
) -> Callable[[FloatArray], FloatArray]:
    """σ(x) of the fraction for costs already divided by the times; see the module's head."""

    def sigma(x: FloatArray) -> FloatArray:
        inside = np.clip(np.asarray(x, dtype=float), 0.0, 0.99)
        ratio = inside / (1.0 - inside)
        variance = cost_sought_s + ratio**2 * cost_film_s + (model_relative * ratio) ** 2
        return np.asarray(np.sqrt((1.0 - inside) ** 4 * variance + model_floor**2))

    return sigma


def plan_counting(
    lines: LinesOfQuantity,
    tolerance: Tolerance,
    risk: float,
    belief: Belief,
    *,
    quantity: str,
    wanted: float = DEFAULT_ASSURANCE,
    model_relative: float = 0.10,
    model_floor: float = 0.0,
    longest_s: float = LONGEST_S,
) -> CountingPlan:
    """How long to count which lines, so that the limit is decided with the wanted assurance.

    ``lines`` must have been weighed at the larger of the expected amount and the limit. Raises
    CannotTellError where no line of either amount can be counted.
    """
    sought, film = lines.best("sought"), lines.best("film")
    limit = tolerance.high if tolerance.high is not None else tolerance.low
    assert limit is not None
    place = min(max(belief.centre, limit), 0.9)
    ratio = place / (1.0 - place)
    root_u, root_f = math.sqrt(sought.cost_s), ratio * math.sqrt(film.cost_s)
    share = root_u / (root_u + root_f) if root_u + root_f > 0.0 else 0.5

    def quick_sigma(time: float) -> Callable[[FloatArray], FloatArray]:
        return sigma_of_fraction(
            sought.cost_s / (share * time), film.cost_s / ((1.0 - share) * time),
            model_relative=model_relative, model_floor=model_floor,
        )  # fmt: skip

    worthwhile = lines.worthwhile("sought")
    information = sum(1.0 / x.cost_s for x in worthwhile) / len(worthwhile)

    def table_sigma(time: float) -> Callable[[FloatArray], FloatArray]:
        return sigma_of_fraction(
            1.0 / (information * share * time), film.cost_s / ((1.0 - share) * time),
            model_relative=model_relative, model_floor=model_floor,
        )  # fmt: skip

    def least(
        sigma_at: Callable[[float], Callable[[FloatArray], FloatArray]],
    ) -> float | None:
        return least_time(
            belief, sigma_at, tolerance, risk,
            wanted=wanted, shortest=_SHORTEST_S, longest=longest_s,
        )  # fmt: skip

    best = assurance(belief, quick_sigma(longest_s), tolerance, risk)
    quick_s, table_s = least(quick_sigma), least(table_sigma)
    quick = table = None
    if quick_s is not None:
        rows = _rows([(sought, share * quick_s), (film, (1.0 - share) * quick_s)], lines.step_deg)
        quick = ScanTable(rows, assurance(belief, quick_sigma(quick_s), tolerance, risk))
    if table_s is not None:
        each = share * table_s / len(worthwhile)
        rows = _rows(
            [*((x, each) for x in worthwhile), (film, (1.0 - share) * table_s)], lines.step_deg
        )
        table = ScanTable(rows, assurance(belief, table_sigma(table_s), tolerance, risk))

    def reached(model_share: float, supposed: Belief) -> float:
        sigma = sigma_of_fraction(
            sought.cost_s / (share * longest_s), film.cost_s / ((1.0 - share) * longest_s),
            model_relative=model_share * model_relative, model_floor=model_share * model_floor,
        )  # fmt: skip
        return assurance(supposed, sigma, tolerance, risk)

    why = "" if quick is not None else _why_not(belief, best, wanted, reached)
    return CountingPlan(
        quantity, tolerance, risk, wanted, belief, lines, quick, table, best, why,
        model_relative, model_floor,
    )  # fmt: skip


def _rows(parts: Sequence[tuple[LineWorth, float]], step_deg: float) -> tuple[TableRow, ...]:
    rows = []
    for line, seconds in parts:
        steps = int(np.floor((line.high_deg - line.low_deg) / step_deg + 1e-9)) + 1
        each = max(seconds / steps, SHORTEST_STEP_S)
        rows.append(
            TableRow(
                str(line.reflection),
                line.low_deg,
                line.low_deg + (steps - 1) * step_deg,
                step_deg,
                each,
                each * steps,
            )
        )
    return tuple(sorted(rows, key=lambda r: r.low_deg))


def _why_not(
    belief: Belief,
    best: float,
    wanted: float,
    with_model: Callable[[float, Belief], float],
) -> str:
    """Why no time decides: found by leaving out one cause at a time."""
    if with_model(0.0, belief) >= wanted:
        cause = (
            "what counting does not lessen (mosaic, structure data, thickness) is too large beside "
            "the distance to the limit: a rocking scan or a reference film helps, longer counting "
            "does not"
        )
    elif with_model(1.0, Belief(belief.centre, 0.0, belief.bounds)) >= wanted:
        cause = (
            "the true figure may lie so near the limit that no counting tells on which side: "
            "count on for a better first figure, then plan anew"
        )
    else:
        cause = "the figure lies too near the limit, or the lines are too weak on this stack"
    return (
        f"a week of counting would decide in {fixed(100.0 * best, 0)} of 100 cases, wanted are "
        f"{fixed(100.0 * wanted, 0)}: {cause}"
    )


def plan_json(plan: CountingPlan) -> str:
    """The plan as JSON text."""
    return json.dumps(plan.record(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
