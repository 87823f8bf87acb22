"""limits.toml and the decision: pass, fail or undecided, at a stated risk, grade by grade.

    risk = 0.05                       # for every limit that names none

    [[grade]]                         # best first; a film gets the best grade it reaches
    name = "long-length"
    [[grade]]
    name = "coupon"

    [[limit]]                         # no grade: holds for every grade
    quantity = "conversion"
    min = 0.98

    [[limit]]
    quantity = "a_axis_fraction"
    max = 0.05
    risk = 0.02
    grade = "long-length"

    [[limit]]
    quantity = "BaCeO3_detected"      # any phase: max = 0 forbids it, min = 1 asks for it
    max = 0

Rule (JCGM 106:2012): a limit is kept only if the probability of breaking it is under its risk,
and broken only if the probability of keeping it is; else it is undecided.
"""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import NamedTuple

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from xrdfilm.decision.guard import Tolerance
from xrdfilm.decision.judging import Outcome, judge_limit
from xrdfilm.decision.quantities import DETECTED, QuantitySpec, find_quantity, near_quantity
from xrdfilm.errors import LimitFileError
from xrdfilm.estimate import Estimate
from xrdfilm.numbers import number
from xrdfilm.results import Reason, Verdict
from xrdfilm.tomlfile import line_of, parse_model, read_toml_text

DEFAULT_RISK = 0.05


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class GradeTable(_Table):
    """[[grade]]: a product grade; the order in the file is the order of preference."""

    name: str = Field(min_length=1, description="name of the grade")
    text: str | None = Field(default=None, description="what it is for")


class LimitTable(_Table):
    """[[limit]]: one limit on one quantity."""

    quantity: str = Field(description="what is limited; see `xrdfilm.decision.quantities`")
    max: float | None = Field(default=None, allow_inf_nan=False, description="highest kept value")
    min: float | None = Field(default=None, allow_inf_nan=False, description="lowest kept value")
    risk: float | None = Field(
        default=None, gt=0, lt=0.5, description="largest accepted probability of deciding wrongly"
    )
    grade: str | tuple[str, ...] | None = Field(
        default=None, description="grade or grades it belongs to; default: every grade"
    )
    note: str | None = Field(default=None, description="why the limit is there; carried along")

    @field_validator("quantity")
    @classmethod
    def _known(cls, name: str) -> str:
        if find_quantity(name) is None:
            near = near_quantity(name)
            hint = f"did you mean '{near}'?" if near else "see `xrdfilm judge --help` for the names"
            raise ValueError(f"unknown quantity; {hint}")
        return name

    @model_validator(mode="after")
    def _makes_sense(self) -> LimitTable:
        if self.max is None and self.min is None:
            raise ValueError(f"the limit on {self.quantity} needs max or min")
        if self.max is not None and self.min is not None and self.min > self.max:
            raise ValueError(
                f"the limit on {self.quantity} keeps nothing: min {self.min} over max {self.max}"
            )
        low, high = self.spec.bounds
        for name, bound in (("max", self.max), ("min", self.min)):
            if bound is None:
                continue
            if (low is not None and bound < low) or (high is not None and bound > high):
                remedy = (
                    f"; for {number(bound)} % write {number(bound / 100.0)}"
                    if self.spec.scale == 100.0 and high == 1.0 and 1.0 < bound <= 100.0
                    else ""
                )
                raise ValueError(
                    f"{self.quantity} lies {_between(low, high)}, so {name} = {number(bound)} "
                    f"cannot be meant{remedy}"
                )
        return self

    @property
    def spec(self) -> QuantitySpec:
        """The quantity it limits."""
        spec = find_quantity(self.quantity)
        assert spec is not None
        return spec

    @property
    def tolerance(self) -> Tolerance:
        """The values that keep it; for a phase that was seen or not, halfway decides."""
        if self.quantity.endswith(DETECTED):
            return Tolerance(
                None if self.min is None or self.min <= 0.0 else 0.5,
                None if self.max is None or self.max >= 1.0 else 0.5,
            )
        return Tolerance(self.min, self.max)

    @property
    def grades(self) -> tuple[str, ...]:
        """Names of the grades it belongs to; none for every grade."""
        if self.grade is None:
            return ()
        return (self.grade,) if isinstance(self.grade, str) else self.grade

    def in_words(self) -> str:
        """The limit as a person writes it: "at most 5 %"."""
        spec = self.spec
        if self.quantity.endswith(DETECTED):
            return "must be seen" if self.tolerance.low is not None else "must not be seen"
        parts = [
            f"{words} {show_bare(bound, spec)}"
            for words, bound in (("at least", self.min), ("at most", self.max))
            if bound is not None
        ]
        return ", ".join(parts)


class LimitFile(_Table):
    """A whole limits.toml."""

    title: str | None = Field(default=None, description="which specification this is")
    risk: float = Field(default=DEFAULT_RISK, gt=0, lt=0.5, description="where a limit names none")
    grade: tuple[GradeTable, ...] = ()
    limit: tuple[LimitTable, ...] = ()

    @model_validator(mode="after")
    def _not_empty(self) -> LimitFile:
        if not self.limit:
            raise ValueError("it holds no [[limit]], so there is nothing to judge by")
        return self

    @property
    def grades(self) -> tuple[str, ...]:
        """Names of the grades, best first; where no [[grade]] orders them, as they appear."""
        if self.grade:
            return tuple(table.name for table in self.grade)
        return tuple(dict.fromkeys(name for limit in self.limit for name in limit.grades))

    def risk_of(self, limit: LimitTable) -> float:
        """The risk that holds for a limit."""
        return self.risk if limit.risk is None else limit.risk


def parse_limits(
    text: str, path: Path = Path("limits.toml"), *, phases: Collection[str] | None = None
) -> LimitFile:
    """The text of a limit file, checked; see `read_limit_file`."""
    limits = parse_model(LimitFile, text, path, LimitFileError)
    for loc, words in (*_misfits(limits), *_unknown_phases(limits, phases)):
        raise LimitFileError(words, path=path, line=line_of(text, loc))
    return limits


_Place = tuple[str | int, ...]


def _misfits(limits: LimitFile) -> Iterator[tuple[_Place, str]]:
    """Grades and limits that contradict one another: where, and what."""
    names: list[str] = []
    for index, table in enumerate(limits.grade):
        if table.name in names:
            yield ("grade", index, "name"), f"grade '{table.name}' stands twice"
        names.append(table.name)
    sides: set[tuple[str, str, str]] = set()
    for index, limit in enumerate(limits.limit):
        for name in limit.grades:
            if names and name not in names:
                near = difflib.get_close_matches(name, names, n=1, cutoff=0.5)
                hint = f"did you mean '{near[0]}'?" if near else f"known: {', '.join(names)}"
                yield ("limit", index, "grade"), f"limit.grade: unknown grade '{name}'; {hint}"
        for side in ("max", "min"):
            if getattr(limit, side) is None:
                continue
            for name in limit.grades or ("",):
                if (limit.quantity, side, name) in sides:
                    whose = f"grade '{name}'" if name else "every grade"
                    words = f"{side} of {limit.quantity} stands twice for {whose}"
                    yield ("limit", index, side), words
                sides.add((limit.quantity, side, name))


def _unknown_phases(
    limits: LimitFile, phases: Collection[str] | None
) -> Iterator[tuple[_Place, str]]:
    for index, limit in enumerate(limits.limit):
        phase = limit.quantity.removesuffix(DETECTED)
        if phases is None or phase == limit.quantity or phase in phases:
            continue
        near = near_quantity(limit.quantity, phases)
        hint = (
            f"did you mean '{near}'?"
            if near is not None and near.endswith(DETECTED)
            else f"known phases: {', '.join(sorted(phases))}"
        )
        yield ("limit", index, "quantity"), f"limit.quantity: unknown phase '{phase}'; {hint}"


def read_limit_file(path: str | Path, *, phases: Collection[str] | None = None) -> LimitFile:
    """A limits.toml as a checked model; raises LimitFileError with file, line and near match.

    ``phases`` are the keys that `<phase>_detected` may name; None lets any through.
    """
    path = Path(path)
    return parse_limits(read_toml_text(path, LimitFileError), path, phases=phases)


def show_bare(value: float, spec: QuantitySpec) -> str:
    """A limit in the quantity's shown unit, every digit that was written kept."""
    unit = spec.unit if not spec.unit or spec.unit.startswith("°") else f" {spec.unit}"
    return f"{number(value * spec.scale, 8)}{unit}"


def _between(low: float | None, high: float | None) -> str:
    if high is None:
        return f"at {number(low)} or above"
    return f"between {number(low)} and {number(high)}"


class Decision(NamedTuple):
    """What follows from the limits: a reason for each, the verdict, the best grade reached."""

    reasons: list[Reason]
    verdict: Verdict
    grade: str | None


def decide(
    quantities: Mapping[str, Estimate | None],
    limits: LimitFile,
    *,
    missing: Mapping[str, str] | None = None,
    counting_time_s: float | None = None,
) -> Decision:
    """Judge a film's quantities against the limits.

    ``missing`` says why a quantity that is absent or None was not measured. ``counting_time_s``
    is how long the coupled scan took, to tell a deciding counting time in hours.

    A limit without a grade holds for every grade. With grades, the film passes with the best
    grade all of whose limits are kept, fails if no grade is left open, else it is undecided.
    """
    reasons = [
        judge_limit(
            limit,
            limits.risk_of(limit),
            quantities.get(limit.quantity),
            (missing or {}).get(limit.quantity),
            counting_time_s,
        )
        for limit in limits.limit
    ]
    outcomes: dict[str | None, Outcome] = {}
    for grade in limits.grades or (None,):
        mine = [
            reason.outcome
            for limit, reason in zip(limits.limit, reasons, strict=True)
            if grade is None or not limit.grades or grade in limit.grades
        ]
        outcomes[grade] = together(mine)
    reached = next((grade for grade, outcome in outcomes.items() if outcome == "pass"), None)
    if "pass" in outcomes.values():
        return Decision(reasons, "pass", reached)
    if "undecided" in outcomes.values():
        return Decision(reasons, "undecided", None)
    return Decision(reasons, "fail", None)


def together(outcomes: list[Outcome]) -> Outcome:
    """One broken limit fails, else one open one leaves it undecided, else it passes."""
    if "fail" in outcomes:
        return "fail"
    return "undecided" if "undecided" in outcomes else "pass"
