"""Counting plans from a scan at hand: the analysis of `judge`, its limits, and what is open."""

from __future__ import annotations

from collections.abc import Sequence

from xrdfilm.analysis.film import FilmAnalysis, analyse_films
from xrdfilm.analysis.record import film_record, judged_quantities
from xrdfilm.decision.guard import LONGEST_FACTOR, Tolerance
from xrdfilm.decision.limits import show_bare
from xrdfilm.decision.quantities import DETECTED, find_quantity
from xrdfilm.errors import CannotTellError, RunFileError
from xrdfilm.estimate import Estimate
from xrdfilm.numbers import duration, fixed, number, show
from xrdfilm.planning.assurance import DEFAULT_ASSURANCE, repeat_plan
from xrdfilm.planning.counting import CountingPlan
from xrdfilm.planning.source import QUANTITIES, FluorideOrientation, plan_from_scan
from xrdfilm.runs.gather import PlannedRun
from xrdfilm.runs.setup import RunSetup


def analyse_one(
    planned: PlannedRun, film_id: str | None = None
) -> tuple[FilmAnalysis, dict[str, Estimate | None], RunSetup]:
    """A film of a run analysed, its quantities by their limit names, and the run's setup.

    Raises RunFileError for an unknown film, CannotTellError for one that cannot be read.
    """
    tables = [t for t in planned.films if film_id is None or str(t.id) == film_id]
    if not tables:
        known = ", ".join(str(t.id) for t in planned.films[:12])
        raise RunFileError(f"no film {film_id!r}; there are {known}", path=planned.folder)
    setup = RunSetup.of(planned)
    analysis = analyse_films([setup.film_input(tables[0], setup.read_scans(tables[0]))])[0]
    if analysis.unreadable is not None:
        raise CannotTellError(f"{analysis.name} cannot be read: {analysis.unreadable}")
    record = film_record(analysis, None, files={})
    return analysis, judged_quantities(record, analysis), setup


def plans_of_film(
    planned: PlannedRun,
    asked: Sequence[tuple[str, Tolerance, float]] = (),
    *,
    film_id: str | None = None,
    wanted: float = DEFAULT_ASSURANCE,
    orientation: FluorideOrientation | None = None,
) -> tuple[list[CountingPlan], list[str]]:
    """Line-by-line plans for the limits asked (quantity, tolerance, risk), and sentences.

    Without any asked, the limits of the run's own file. For each limit a sentence says how much
    longer the same scan would have to be repeated; the plan follows for amounts that have lines.
    """
    analysis, quantities, setup = analyse_one(planned, film_id)
    limits = list(asked)
    if not limits and setup.limits is not None:
        limits = [
            (limit.quantity, limit.tolerance, setup.limits.risk_of(limit))
            for limit in setup.limits.limit
        ]
    if not limits:
        raise CannotTellError(
            "no limit is given: use --limit QUANTITY=MAX, or [limits] in run.toml"
        )
    coupled = analysis.coupled
    step_time = None
    if coupled is not None:
        step_time = analysis.premises.optics.step_time_s or coupled.scan.step_time_s
    notes = [f"{analysis.name}:"]
    plans: list[CountingPlan] = []
    for quantity, tolerance, risk in limits:
        spec = find_quantity(quantity)
        if quantity.endswith(DETECTED) or (spec is not None and spec.kind == "scan"):
            continue
        estimate = quantities.get(quantity)
        points = 0 if coupled is None else len(coupled.scan)
        seconds = None if step_time is None else step_time * points
        unseen = _unseen_fluoride(analysis, quantity)
        words = _repeat_words(quantity, estimate, tolerance, risk, wanted, seconds, unseen)
        notes.append("  " + words)
        if quantity not in QUANTITIES or estimate is None:
            continue
        if not asked and _decided(estimate, tolerance, risk):
            continue
        if step_time is None:
            notes.append("  state --step-time-s for a plan line by line")
            continue
        try:
            plans.append(
                plan_from_scan(
                    analysis,
                    estimate,
                    quantity,
                    tolerance,
                    risk,
                    step_time_s=step_time,
                    orientation=orientation or _standing(analysis, quantity),
                    wanted=wanted,
                )
            )
        except CannotTellError as problem:
            notes.append(f"  {quantity}: {problem}")
    return plans, notes


def _unseen_fluoride(analysis: FilmAnalysis, quantity: str) -> bool:
    """Whether the figure is of fluoride that the scan does not show."""
    amount = quantity in QUANTITIES and QUANTITIES[quantity][0] == "fluoride"
    return amount and analysis.fluoride is not None and not analysis.fluoride.detected


def _standing(analysis: FilmAnalysis, quantity: str) -> FluorideOrientation | None:
    """How the fluoride stands, where the scan settles it or the worst case is meant."""
    fluoride = analysis.fluoride
    if fluoride is None or quantity in (
        "fluoride_volume_fraction_random", "fluoride_volume_fraction_aligned", "a_axis_fraction",
    ):  # fmt: skip
        return None
    names: dict[str, FluorideOrientation] = {
        "aligned_00l": "aligned", "aligned_111": "aligned_111", "random": "random",
    }  # fmt: skip
    worst = fluoride.worst
    return None if worst is None else names.get(worst.name)


def _decided(estimate: Estimate, tolerance: Tolerance, risk: float) -> bool:
    """Whether the scan at hand decides already."""
    if not estimate.sigma:
        return False
    broken = tolerance.probability_broken(estimate)
    return broken < risk or (1.0 - broken < risk and not tolerance.left_open_by(estimate))


def _repeat_words(
    quantity: str,
    estimate: Estimate | None,
    tolerance: Tolerance,
    risk: float,
    wanted: float,
    seconds: float | None,
    unseen: bool,
) -> str:
    spec = find_quantity(quantity)
    label = quantity if spec is None else spec.label
    if estimate is None:
        return f"{label}: not measured by this scan"
    scale, unit = (1.0, "") if spec is None else (spec.scale, spec.unit)
    head = f"{label} {show(estimate, scale=scale, unit=unit)}"
    words = " and ".join(
        f"{side} {show_bare(bound, spec)}" if spec is not None else f"{side} {number(bound)}"
        for side, bound in (("at least", tolerance.low), ("at most", tolerance.high))
        if bound is not None
    )
    head = f"{head}, limit {words}"
    if _decided(estimate, tolerance, risk):
        kept = tolerance.probability_broken(estimate) < risk
        return f"{head}: {'kept' if kept else 'broken'}, this scan decides"
    if unseen:
        # forecasts made all the same decided 7 of 11 times (benchmarks/counting_study.py)
        return (
            f"{head}: undecided; no fluoride shows, so its limit covers every cell it may have, "
            "and how that falls with counting cannot be told from one scan: no time is forecast; a "
            "reference film settles the cell"
        )
    plan = repeat_plan(estimate, tolerance, risk, wanted=wanted)
    if plan is None:
        return (
            f"{head}: undecided; its uncertainty is more than its causes explain, so no counting "
            "time of the same scan is forecast"
        )
    if plan.factor is None:
        return (
            f"{head}: undecided; even {number(LONGEST_FACTOR)} times the counting would decide in "
            f"{fixed(100 * plan.assurance, 0)} of 100 cases only"
        )
    longer = f"{number(plan.factor, 2)} times the counting"
    if seconds is not None:
        longer += f" ({duration(seconds * plan.factor)})"
    chance = fixed(100 * plan.assurance, 0)
    return f"{head}: undecided; {longer} of the same scan decides in {chance} of 100 cases"
