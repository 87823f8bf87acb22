"""A trend and a ship map in sentences, for the terminal and for the pages."""

from __future__ import annotations

from collections.abc import Sequence

from xrdfilm.decision.quantities import find_quantity
from xrdfilm.numbers import decimals, fixed, number, probability
from xrdfilm.trend.analyse import Trend
from xrdfilm.trend.change import Course, Drift, Step
from xrdfilm.trend.recipe import SHUFFLES, WORDS, Relation
from xrdfilm.trend.reel import ShipMap
from xrdfilm.trend.reel_pattern import ReelPattern
from xrdfilm.trend.rules import RULES


class Unit:
    """How figures of a quantity are written: label, unit, factor."""

    def __init__(self, quantity: str) -> None:
        spec = find_quantity(quantity)
        self.label = spec.label if spec is not None else quantity
        self.scale = spec.scale if spec is not None else 1.0
        unit = spec.unit if spec is not None else ""
        self.unit = unit
        self.tail = unit if unit.startswith("°") or not unit else f" {unit}"

    def show(self, value: float, uncertainty: float | None = None) -> str:
        """A figure with as many digits as its uncertainty supports."""
        scaled = value * self.scale
        if uncertainty is None or not uncertainty > 0.0:
            return f"{number(scaled)}{self.tail}"
        return f"{fixed(scaled, decimals(uncertainty * self.scale))}{self.tail}"

    def with_sigma(self, value: float, sigma: float) -> str:
        """A figure ± its standard uncertainty."""
        places = decimals(sigma * self.scale)
        return (
            f"{fixed(value * self.scale, places)} ± {fixed(sigma * self.scale, places)}{self.tail}"
        )

    def signed(self, value: float, uncertainty: float) -> str:
        """A difference with its sign."""
        return f"{'+' if value > 0 else ''}{self.show(value, uncertainty)}"


def limit_words(trend: Trend) -> list[str]:
    """Where the limits come from and how often the rules call wrongly."""
    base = trend.baseline
    if base is None:
        return []
    unit = Unit(trend.quantity)
    kept = "kept" if trend.frozen else "not kept"
    origin = f"Limits from {base.points} runs ({base.first} to {base.last}), {kept}"
    if base.method == "stated":
        origin = "Limits as stated"
    elif base.method == "classical":
        origin += ", by mean and mean moving range"
    said = [
        f"{origin}: centre "
        f"{unit.show(base.centre, base.typical)}, scatter of the line "
        f"{unit.show(base.sigma, base.typical)}, typical uncertainty of a run "
        f"{unit.show(base.typical_u, base.typical)}."
    ]
    alarms = trend.false_alarms
    if alarms is not None:
        rules = " or ".join(RULES[rule] for rule in trend.rules)
        text = (
            f"Signals: {rules}. On a steady line one false alarm in about "
            f"{number(alarms.one_in, 2)} runs; in {alarms.points} runs at least one with "
            f"probability {probability(alarms.chance)}"
        )
        if alarms.chance_estimated is not None:
            text += (
                f" ({probability(alarms.chance_estimated)} with limits from only "
                f"{alarms.baseline_points} runs)"
            )
        said.append(text + ".")
    return said


def signal_words(trend: Trend) -> list[str]:
    """The signals, newest last; "none" where there is none."""
    if trend.baseline is None:
        return []
    if not trend.signals:
        return ["No signal: the line keeps within its limits."]
    side = {1: ", above", -1: ", below", 0: ""}
    return [
        f"{_lasting(trend, s.index, s.until)}: {RULES[s.rule]}{side[s.side]}" for s in trend.signals
    ]


def _lasting(trend: Trend, first: int, last: int) -> str:
    runs, days = trend.figures.runs, trend.figures.days
    if first == last:
        return f"{runs[first]} ({days[first]})"
    if last == len(runs) - 1:
        return f"{runs[first]} ({days[first]}) until now"
    return f"{runs[first]} ({days[first]}) to {runs[last]}"


def course_words(trend: Trend) -> list[str]:
    """The dated changes, with what was going on then."""
    said = _one_course(trend, trend.course)
    beside = trend.course_beside_recipe
    if beside is not None and (beside.kind, beside.steps) != (
        trend.course.kind,
        trend.course.steps,
    ):
        said += [
            f"Beside what the recipe goes with: {text[0].lower()}{text[1:]}"
            for text in _one_course(trend, beside)
        ]
    if trend.recipe is not None:
        said += [
            f"{name} was changed at {trend.figures.runs[place]}, together with the step."
            for name, place in trend.recipe.moved_with
        ]
    return said


def _one_course(trend: Trend, course: Course) -> list[str]:
    if course.kind == "too few points":
        return ["Too few runs to look for a change."]
    said = [_step_words(trend, step) for step in course.steps]
    if course.drift is not None:
        said.append(_drift_words(trend, course.drift))
    if course.instead is not None and course.likely is not None:
        how = (
            "nearly as well"
            if course.likely > 0.05
            else f"too, {number(1.0 / course.likely, 1)} times less likely"
        )
        said.append(
            f"A step instead of the drift would explain the figures {how}. "
            + _step_words(trend, course.instead)
        )
    return said or ["No step and no drift shows."]


def _step_words(trend: Trend, step: Step) -> str:
    unit, runs, days = Unit(trend.quantity), trend.figures.runs, trend.figures.days
    text = (
        f"Step of {unit.signed(step.size, step.size_sigma)} "
        f"(± {unit.show(step.size_sigma, step.size_sigma)}) at {runs[step.index]} "
        f"({days[step.index]}), from {unit.show(step.before, step.size_sigma)} to "
        f"{unit.show(step.after, step.size_sigma)}; {_between(runs, step.low, step.high)} at "
        f"95 %, within three runs of it with probability {probability(step.near)}."
    )
    near = [event for event, place in trend.events if step.low - 1 <= place <= step.high + 1]
    if near:
        told = "; ".join(f"{event.text} ({event.day})" for event in near)
        text += f" Recorded about then: {told}."
    return text


def _between(runs: Sequence[str], low: int, high: int) -> str:
    return "no other run" if low == high else f"between {runs[low]} and {runs[high]}"


def _drift_words(trend: Trend, drift: Drift) -> str:
    unit, runs = Unit(trend.quantity), trend.figures.runs
    per = 10.0 * drift.per_point
    rate = (
        f"{unit.signed(per, 10 * drift.sigma)} (± {unit.show(10 * drift.sigma, 10 * drift.sigma)})"
    )
    if drift.whole:
        return f"Drift of {rate} in ten runs over all {len(runs)} runs shown."
    return (
        f"Drift of {rate} in ten runs since {runs[drift.index]} "
        f"({trend.figures.days[drift.index]});"
        f" it began between {runs[drift.low]} and {runs[drift.high]} at 95 %."
    )


def recipe_words(trend: Trend) -> list[str]:
    """What goes with the recipe, never as a cause."""
    relation = trend.recipe
    if relation is None:
        return []
    if relation.note:
        return [f"No relation to the recipe was sought: {relation.note}."]
    unit = Unit(trend.quantity)
    if not relation.named:
        return [
            f"None of {len(relation.relations)} recipe parameters goes with it, in "
            f"{relation.points} runs."
        ]
    return [f"{WORDS.capitalize()}: {relation_words(item, unit)}." for item in relation.named]


def relation_words(item: Relation, unit: Unit) -> str:
    """One relation, without "goes with"."""
    width = 0.5 * (item.effect_high - item.effect_low)
    low, high = number(item.low), number(item.high)
    if item.optimum is not None and item.turns is not None:
        text = (
            f"{item.parameter}: {item.turns} at {optimum_words(item)}; up to "
            f"{unit.show(abs(item.effect), width)} apart between {low} and {high}"
        )
    else:
        bent = ", along a bend" if item.shape == "optimum" else ""
        text = (
            f"{item.parameter}: {unit.signed(item.effect, width)} "
            f"({unit.show(item.effect_low, width)} to {unit.show(item.effect_high, width)}) from "
            f"{low} to {high}{bent}"
        )
    text += f"; by chance with probability {chance_words(item.p)}"
    if item.alike:
        text += f"; cannot be told apart from {', '.join(item.alike)}"
    if item.twins:
        text += f"; always moved together with {', '.join(item.twins)}"
    return text


def optimum_words(item: Relation) -> str:
    """Where the quantity turns, with its interval, in the parameter's unit."""
    assert item.optimum is not None
    assert item.optimum_low is not None
    assert item.optimum_high is not None
    places = decimals(0.5 * (item.optimum_high - item.optimum_low))
    at, low, high = (fixed(x, places) for x in (item.optimum, item.optimum_low, item.optimum_high))
    return f"{at} ({low} to {high})"


def chance_words(p: float) -> str:
    """A probability found by shuffling, which cannot tell less than one in so many."""
    least = 1.0 / (1.0 + SHUFFLES)
    return f"{probability(p)} or less" if p <= least * 1.0001 else probability(p)


def ship_words(ship: ShipMap) -> list[str]:
    """What may ship, what not, and why so much is held back."""
    said = [
        f"{number(ship.metres('ship'), 4)} m may ship, {number(ship.metres('hold'), 4)} m must "
        f"not, {number(ship.metres('undecided'), 4)} m are undecided."
    ]
    if ship.shortest_fault_m is not None:
        said.append(
            f"A stretch ships between scans that pass and lie no further apart than the shortest "
            f"fault, stated as {number(ship.shortest_fault_m)} m; each gap at a chance of at most "
            f"{probability(ship.risk)} that a quantity left its limit in between."
        )
    if ship.margin_m > 0.0:
        said.append(
            f"Beside a failing scan everything up to the next scan that passes is held back: up "
            f"to {number(ship.margin_m, 3)} m on a side."
        )
    if ship.held_back_m > 0.0:
        said.append(
            f"{number(ship.held_back_m, 4)} m are held back only because no scan lies there; "
            "closer scans would tell."
        )
    return [*said, *ship.notes]


def pattern_words(quantity: str, pattern: ReelPattern) -> list[str]:
    """Drift and period of a quantity along the reel."""
    unit = Unit(quantity)
    if pattern.drift is None:
        return [f"{unit.label}: {pattern.scans} scans are too few to look for a pattern."]
    said = []
    label = unit.label
    if pattern.drift.seen:
        sigma = pattern.drift.sigma * abs(pattern.drift.total / pattern.drift.per_m)
        said.append(
            f"{label} drifts by {unit.signed(pattern.drift.total, sigma)} "
            f"(± {unit.show(sigma, sigma)}) along the reel."
        )
    period = pattern.period
    if period is not None and period.seen:
        text = (
            f"{label} repeats every {fixed(period.period_m, decimals(period.sigma_m))} m "
            f"(± {number(period.sigma_m, 2)} m), swinging by "
            f"{unit.show(period.amplitude, 0.1 * period.amplitude)} either way; a roller that "
            f"turns once in it is {number(period.roller_mm, 3)} mm across"
        )
        if period.alias:
            text += "; the scans are so far apart that another, shorter period may look like it"
        said.append(text + ".")
    return said or [f"{label}: no drift and no period shows along the reel."]


def paragraph(sentences: Sequence[str]) -> str:
    """Sentences on lines of their own."""
    return "\n".join(sentences)
