"""One limit judged: its outcome, the reason in words, and what would decide it if it is open."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Literal

from xrdfilm.decision.guard import Tolerance, acceptance, deciding_factor
from xrdfilm.decision.quantities import DETECTED, QuantitySpec
from xrdfilm.estimate import Estimate
from xrdfilm.numbers import duration, number, probability, show
from xrdfilm.results import Quantity, Reason

if TYPE_CHECKING:
    from xrdfilm.decision.limits import LimitTable

Outcome = Literal["pass", "fail", "undecided"]


def judge_limit(
    limit: LimitTable,
    risk: float,
    estimate: Estimate | None,
    why_missing: str | None,
    counting_time_s: float | None,
) -> Reason:
    """Judge one limit by the quantity's estimate, or say why it was not measured.

    ``risk`` is the largest accepted probability of a wrong decision. ``counting_time_s`` is how
    long the scan took, to tell a deciding time in hours.
    """
    record: dict[str, Any] = {
        key: value
        for key, value in (("max", limit.max), ("min", limit.min), ("risk", risk))
        if value is not None
    }
    if limit.grade is not None:
        record["grade"] = limit.grade if isinstance(limit.grade, str) else list(limit.grade)
    if limit.note:
        record["note"] = limit.note
    spec = limit.spec
    if estimate is None:
        remedy = f"; {spec.settled_by} would tell" if spec.settled_by else ""
        text = f"{_capital(spec.label)} was not measured: {why_missing or 'no scan carries it'}"
        return _reason(limit, record, None, "undecided", text + remedy + ".", decided_by=remedy[2:])
    broken = _probability_broken(limit.tolerance, estimate)
    if broken is None:
        return _judge_interval(limit, record, risk, estimate)
    if limit.quantity.endswith(DETECTED):
        return _judge_seen(limit, record, broken)
    guarded = acceptance(limit.tolerance, estimate, risk)
    shown = _figure(spec, estimate)
    the_limit = f"the limit of {limit.in_words()}"
    odds = f"probability of breaking it {probability(broken)}"
    if broken < risk:
        text = f"{shown} keeps {the_limit} ({odds})."
        return _reason(limit, record, estimate, "pass", text, broken, guarded)
    breaks = 1.0 - broken < risk and not limit.tolerance.left_open_by(estimate)
    if breaks and spec.kind == "scan":
        remedy = f"the scan is too poor to judge by; {spec.settled_by} is due"
        text = f"{shown} breaks {the_limit}: {remedy}."
        return _reason(
            limit, record, estimate, "undecided", text, broken, guarded, decided_by=spec.settled_by
        )
    if breaks:
        odds = f"probability of keeping it {probability(1.0 - broken)}"
        text = f"{shown} breaks {the_limit} ({odds})."
        return _reason(limit, record, estimate, "fail", text, broken, guarded)
    remedy = _what_decides(limit, risk, estimate, counting_time_s)
    text = f"{shown} may or may not keep {the_limit} ({odds}); {remedy}."
    return _reason(limit, record, estimate, "undecided", text, broken, guarded, decided_by=remedy)


def _probability_broken(tolerance: Tolerance, estimate: Estimate) -> float | None:
    if estimate.draws is None:
        parts = (estimate.estimate, estimate.sigma)
        if any(part is None or not math.isfinite(part) for part in parts):
            return None
    return tolerance.probability_broken(estimate)


def _judge_interval(
    limit: LimitTable, record: dict[str, Any], risk: float, estimate: Estimate
) -> Reason:
    """Without a distribution, only an interval on one side of the limit decides."""
    spec, tolerance = limit.spec, limit.tolerance
    shown = _figure(spec, estimate)
    low = -math.inf if estimate.low is None else estimate.low
    high = math.inf if estimate.high is None else estimate.high
    least = -math.inf if tolerance.low is None else tolerance.low
    most = math.inf if tolerance.high is None else tolerance.high
    level = f"at level {number(estimate.level)}"
    if 1.0 - estimate.level < risk + 1e-12:
        if low >= least and high <= most:
            text = f"{shown} keeps the limit of {limit.in_words()} {level}."
            return _reason(limit, record, estimate, "pass", text)
        if high < least or low > most:
            text = f"{shown} breaks the limit of {limit.in_words()} {level}."
            outcome: Outcome = "fail" if spec.kind == "film" else "undecided"
            return _reason(limit, record, estimate, outcome, text)
    remedy = f"; {spec.settled_by} would tell" if spec.settled_by else ""
    text = f"{shown} does not tell whether it keeps the limit of {limit.in_words()}{remedy}."
    return _reason(limit, record, estimate, "undecided", text, decided_by=remedy[2:])


def _judge_seen(limit: LimitTable, record: dict[str, Any], broken: float) -> Reason:
    phase = limit.quantity.removesuffix(DETECTED)
    wanted = limit.tolerance.low is not None
    kept = broken < 0.5
    seen = kept == wanted
    text = f"{phase} is {'seen' if seen else 'not seen'}; it {limit.in_words()}."
    outcome: Outcome = "pass" if kept else "fail"
    return _reason(limit, record, Estimate(float(seen), None, None), outcome, text)


def _what_decides(
    limit: LimitTable, risk: float, estimate: Estimate, counting_time_s: float | None
) -> str:
    factor = deciding_factor(limit.tolerance, estimate, risk)
    if factor is not None:
        times = f"{number(max(factor, 1.1), 2)} times the counting time"
        if counting_time_s:
            times += f" ({duration(counting_time_s * factor)})"
        return f"{times} would decide it if the figure stays"
    other = limit.spec.settled_by
    remedy = f"{other} would" if other else "another kind of measurement is needed"
    return f"no counting time decides it; {remedy}"


def _reason(
    limit: LimitTable,
    record: dict[str, Any],
    estimate: Estimate | None,
    outcome: Outcome,
    text: str,
    broken: float | None = None,
    guarded: Tolerance | None = None,
    *,
    decided_by: str | None = None,
) -> Reason:
    accept: dict[str, float] | None = None
    if guarded is not None and broken is not None:
        accept = {
            side: value
            for side, value in (("max", guarded.high), ("min", guarded.low))
            if value is not None
        }
    found = None if estimate is None else Quantity.of(estimate)  # the digits of the record
    return Reason(
        quantity=limit.quantity,
        limit=record,
        value=None if found is None else found.value,
        low=None if found is None else found.low,
        high=None if found is None else found.high,
        outcome=outcome,
        text=text,
        level=None if estimate is None else estimate.level,
        probability_breaking=broken,
        acceptance=accept,
        decided_by=decided_by or None,
    )


def _figure(spec: QuantitySpec, estimate: Estimate) -> str:
    """The quantity with its figure, in the digits that the record keeps."""
    found = show(Quantity.of(estimate), scale=spec.scale, unit=spec.unit)
    return f"{_capital(spec.label)} {found}"


def _capital(text: str) -> str:
    """First letter large, but "c-axis" and "a-axis" stay as the trade writes them."""
    return text if text[1:2] in "-(" or text[:2] == "c " else text[:1].upper() + text[1:]
