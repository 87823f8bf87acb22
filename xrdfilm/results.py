"""results.json: the record of a judged run, as typed models and as a JSON schema.

The fields are a contract (schema "xrdfilm/1"); users' scripts rest on them. `json_schema()` gives
the published schema, `to_frame()` the same fields as columns of a DataFrame, joined by dots.

Over 400 lines: one record is one contract, mostly the descriptions that its schema carries.
"""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Iterator
from pathlib import Path
from statistics import NormalDist
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args, get_origin

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainSerializer,
    SerializerFunctionWrapHandler,
    WithJsonSchema,
    model_serializer,
    model_validator,
)

from xrdfilm.estimate import Estimate

if TYPE_CHECKING:
    import pandas as pd

SCHEMA = "xrdfilm/1"

Verdict = Literal["pass", "fail", "undecided", "unreadable"]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, ser_json_inf_nan="null")


UNCERTAINTY_DIGITS = 3
"""Significant digits of a recorded uncertainty; its value is written to the same place.

Two are usual (JCGM 100:2008, 7.2.6); the third is for those who go on reckoning: it moves a figure
by 0.5 % of its sigma at most.
"""


LEAST_SHARE = 0.05
"""A cause of less than this share of sigma is not told: it adds 1 in 800 to it, under the last
digit of sigma. Counting always is: it tells how films scatter among themselves."""


def rounded(x: float | None, digits: int = UNCERTAINTY_DIGITS) -> float | None:
    """``x`` with so many significant digits."""
    return None if x is None else float(f"{x:.{digits}g}") + 0.0  # no "-0.0"


def _told(x: float | None) -> float | None:
    """``x``, or None where it is no number: JSON knows neither nan nor infinity."""
    return None if x is None or not math.isfinite(x) else x


def to_place(x: float | None, place: int | None) -> float | None:
    """``x`` to so many decimals; with nine digits where no uncertainty says how many."""
    if x is None or place is None:
        return rounded(x, 9)
    return round(x, place) + 0.0  # no "-0.0"


def last_place(*widths: float | None) -> int | None:
    """Decimals that keep `UNCERTAINTY_DIGITS` digits of the narrowest width there is."""
    found = [w for w in widths if w is not None and math.isfinite(w) and w > 0.0]
    if not found:
        return None
    return UNCERTAINTY_DIGITS - 1 - math.floor(math.log10(min(found)))


def _empty(value: Any) -> bool:
    return value is None or value == []


def _implied(low: Any, high: Any, level: Any) -> float | None:
    """Sigma of a normal estimate by its two-sided interval."""
    if any(not isinstance(x, int | float) or not math.isfinite(x) for x in (low, high, level)):
        return None
    if not high > low or not 0.0 < level < 1.0:
        return None
    return rounded((high - low) / (2.0 * NormalDist().inv_cdf(0.5 + level / 2.0)))


def _whole(x: Any) -> Any:
    """A float without decimals as the integer it is: "121" for "121.0"."""
    return int(x) if isinstance(x, float) and x.is_integer() and abs(x) < 1e15 else x


class Quantity(_Record):
    """A value with its interval; value is null where only a one-sided limit can be given.

    What says nothing more is left out of results.json: an estimate equal to the value, a sigma of
    zero where the interval is a point, sources where none are told. Where none are and the interval
    is the normal one, as with the figures of the lines, sigma is left out too: it is the interval's
    half width over the normal deviate, (high - low) / 3.92 at a level of 0.95.
    """

    value: float | None = Field(description="the estimate; null with a one-sided limit")
    low: float | None = Field(description="lower end of the interval")
    high: float | None = Field(description="upper end of the interval")
    level: float = Field(description="probability that the interval holds the truth")
    estimate: float | None = Field(
        default=None, description="the unbounded estimate; may lie outside the quantity's bounds"
    )
    sigma: float | None = Field(
        default=None,
        description="standard uncertainty of the estimate; where a line's figure does not tell it, "
        "(high - low)/3.92 at a level of 0.95, and 0 where low and high are the same",
    )
    sources: dict[str, float] = Field(
        default_factory=dict,
        description="what sigma is made of: standard uncertainty by cause, adding in squares; "
        "causes under a twentieth of it are left out, counting never",
    )

    @classmethod
    def of(cls, estimate: Estimate) -> Quantity:
        """The record of an estimate, to the digits that its uncertainty supports.

        Sigma keeps `UNCERTAINTY_DIGITS` and the others end where it ends, or where two digits of
        its part by counting end, by which films and runs are compared.
        """
        e = estimate
        value, centre, sigma = _told(e.value), _told(e.estimate), _told(e.sigma)
        low, high = _told(e.low), _told(e.high)
        width = None if low is None or high is None else high - low
        own = [_told(x) for name, x in e.sources.items() if name.startswith("counting")]
        # what films share may be far wider than what tells them apart: two digits of that stay
        own_place, place = last_place(*own), last_place(sigma, width)
        if place is not None and own_place is not None:
            place = max(place, own_place - 1)
        low, high = (x if x in e.bounds else to_place(x, place) for x in (low, high))
        implied = None if e.sources or value is None else _implied(low, high, e.level)
        told = rounded(sigma)
        if implied is not None and told is not None and abs(implied - told) <= 0.005 * told:
            told = implied  # as it will be read
        return cls.model_construct(  # numbers of our own: checked again when read
            value=to_place(value, place),
            low=low,
            high=high,
            level=e.level,
            estimate=to_place(centre, place),
            sigma=told,
            sources={
                name: part
                for name, x in e.sources.items()
                if (part := rounded(_told(x))) is not None
                and (part >= LEAST_SHARE * (sigma or 0.0) or name.startswith("counting"))
            },
        )

    @model_validator(mode="before")
    @classmethod
    def _fill_in(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        value, sigma = data.get("value"), data.get("sigma")
        low, high = data.get("low"), data.get("high")
        if "sigma" not in data and value is not None:
            if low == value == high:
                sigma = 0.0
            elif not data.get("sources"):
                sigma = _implied(low, high, data.get("level"))
        return data if sigma is None else {"sigma": sigma, "estimate": value, **data}

    @model_serializer(mode="wrap", when_used="json")
    def _in_short(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        told: dict[str, Any] = {name: _whole(x) for name, x in handler(self).items()}
        if self.estimate is None or (self.estimate == self.value and self.sigma is not None):
            del told["estimate"]
        plain = self.value is not None and not self.sources
        implied = _implied(self.low, self.high, self.level) if plain else None
        point = self.value is not None and self.low == self.value == self.high
        if self.sigma == (0.0 if point else implied):
            del told["sigma"]
        if not self.sources:
            del told["sources"]
        return told


Figure = Annotated[float, AfterValidator(lambda x: float(f"{x:.7g}"))]
"""A number without an uncertainty of its own, to seven digits."""

Rough = Annotated[float, AfterValidator(lambda x: float(f"{x:.4g}"))]
"""A number that is itself a measure of doubt (a probability, what could have been seen)."""


class Reason(_Record):
    """One limit and how the film stands to it."""

    quantity: str = Field(description="the limited quantity")
    limit: dict[str, Any] = Field(description='e.g. {"max": 0.05, "risk": 0.05, "grade": "A"}')
    value: float | None = Field(description="the figure; null with a one-sided limit")
    low: float | None = Field(description="lower end of its interval")
    high: float | None = Field(description="upper end of its interval")
    outcome: Literal["pass", "fail", "undecided"] = Field(description="whether the limit is kept")
    text: str = Field(description="the reason in a sentence")
    level: float | None = Field(default=None, description="probability of the interval")
    probability_breaking: Rough | None = Field(
        default=None, description="probability that the limit is broken"
    )
    acceptance: dict[str, Figure] | None = Field(
        default=None,
        description="the limit less its guard band: between which estimates the film passes",
        exclude_if=_empty,
    )
    decided_by: str | None = Field(
        default=None, description="what would decide an undecided one", exclude_if=_empty
    )


class Fluoride(_Record):
    """What is left of the fluoride, and how little could have been seen."""

    detected: bool = Field(description="whether a line of it stands above the decision line")
    route: Literal["reference", "structure", "index"] = Field(
        description="what the fractions rest on: reference film, intensity model, or an area ratio"
    )
    volume_fraction_aligned: Quantity | None = Field(
        description="V(fluoride)/(V(fluoride) + V(film)), if it stands aligned"
    )
    volume_fraction_random: Quantity | None = Field(
        description="the same, if its grains lie at random"
    )
    conversion: Quantity | None = Field(description="share of the barium that has become film")
    detection_limit_aligned: Rough | None = Field(
        description="volume fraction that is missed with the stated risk, if aligned"
    )
    detection_limit_random: Rough | None = Field(description="the same, if random")
    cell_A: Quantity | None = Field(description="edge of its cell, where it shows")
    hf_bound_ug_cm2: Quantity | None = Field(
        description="HF that finishing the conversion would set free"
    )
    orientation: str | None = Field(
        default=None,
        description="random, aligned (00l), aligned (111), mixed; null if it cannot be told",
    )
    index: Quantity | None = Field(
        default=None, description="area ratio fluoride to film, for trends only; not a fraction"
    )
    notes: list[str] = Field(
        default_factory=list, description="what limits or qualifies the figures"
    )
    advice: list[str] = Field(default_factory=list, description="what would settle it")


class LeftOut(_Record):
    """A line that was not used, and why."""

    line: str = Field(description="the line")
    why: str = Field(description="the reason")


def _as_columns(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Rows as columns: each name once instead of once a line; null where a row has no such part.

    What a line should have is the sum of its parts, so it is not written.
    """
    table: dict[str, Any] = {}
    for name in dict.fromkeys(name for row in rows for name in row if name != "predicted"):
        cells = [row.get(name) for row in rows]
        if any(isinstance(cell, dict) for cell in cells):
            parts = dict.fromkeys(part for cell in cells for part in cell or ())
            table[name] = {p: [_whole((cell or {}).get(p)) for cell in cells] for p in parts}
        else:
            table[name] = [_whole(cell) for cell in cells]
    return table


def _as_rows(table: Any) -> Any:
    """Columns as the rows they were made from; rows as they are."""
    if not isinstance(table, dict):
        return table
    rows: list[dict[str, Any]] = [{"line": line} for line in table.get("line", ())]
    for name, column in table.items():
        if not isinstance(column, dict):
            for row, cell in zip(rows, column, strict=True):
                row[name] = cell
            continue
        for place, row in enumerate(rows):
            row[name] = {p: cells[place] for p, cells in column.items() if cells[place] is not None}
    for row in rows:
        if "given_by" in row:
            end = last_place(row.get("area_sigma"))
            row["predicted"] = to_place(float(sum(row["given_by"].values())), end)
    return rows


Explanation = Annotated[
    list[dict[str, Any]],
    BeforeValidator(_as_rows),
    PlainSerializer(_as_columns, when_used="json"),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "object", "additionalProperties": True},
                {"type": "array", "items": {"type": "object"}},
            ]
        }
    ),
]
"""Rows in Python; in results.json columns of the same names, each a list with a cell a line."""


class Orientation(_Record):
    """Shares of the film's volume by orientation; they sum to 1 with all other grains."""

    route: Literal["coupled", "tilt"] = Field(
        description="by the coupled scan's lines or by a tilt scan"
    )
    c_axis: Quantity | None = Field(description="share of grains with c along the normal")
    a_axis: Quantity | None = Field(description="share with a or b along the normal")
    random: Quantity | None = Field(description="share of grains at random")
    other: Quantity | None = Field(
        default=None, description="share with (103) along the normal", exclude_if=_empty
    )
    lines_used: list[str] = Field(description="lines that the shares rest on")
    lines_left_out: list[LeftOut] = Field(description="lines that they do not rest on")
    chi_square: Rough | None = Field(
        default=None, description="scatter of the lines about the shares"
    )
    degrees_of_freedom: int | None = Field(default=None, description="of that chi-square")
    explanation: Explanation = Field(
        default_factory=list,
        description="line by line, as columns: area, and what each component gives to it",
    )
    notes: list[str] = Field(
        default_factory=list, description="what limits or qualifies the figures"
    )


class Lattice(_Record):
    """Cell of the film and alignment of the scan."""

    c_A: Quantity | None = Field(description="c of the film")
    displacement_um: Quantity | None = Field(description="sample below (+) or above (−) the axis")
    zero_deg: Quantity | None = Field(description="zero of the axis")
    oxygen: Quantity | None = Field(description="oxygen a formula unit, a hint by c")
    a_A: Quantity | None = Field(default=None, description="a of the film", exclude_if=_empty)
    b_A: Quantity | None = Field(default=None, description="b of the film", exclude_if=_empty)
    crystallite_size_nm: Quantity | None = Field(
        default=None, description="mean length along the normal", exclude_if=_empty
    )
    microstrain: Quantity | None = Field(
        default=None, description="upper-limit strain, a fraction", exclude_if=_empty
    )
    fringe_thickness_nm: Quantity | None = Field(
        default=None, description="thickness by fringes", exclude_if=_empty
    )
    alignment_from: str | None = Field(default=None, description="the lines the axis was set by")
    notes: list[str] = Field(
        default_factory=list, description="what limits or qualifies the figures"
    )


class LayerTexture(_Record):
    """Texture of one layer or of the substrate."""

    phase: str = Field(description="phase of the layer")
    rocking_fwhm_deg: Quantity | None = Field(
        default=None, exclude_if=_empty, description="out-of-plane width, divergence taken off"
    )
    azimuth_fwhm_deg: Quantity | None = Field(
        default=None, exclude_if=_empty, description="in-plane width"
    )
    fraction_111: Quantity | None = Field(
        default=None, exclude_if=_empty, description="volume share with (111) along the normal"
    )
    notes: list[str] = Field(
        default_factory=list, exclude_if=_empty, description="what limits or qualifies the figures"
    )


class Texture(_Record):
    """Out-of-plane and in-plane spread of the film, and of the layers below where measured."""

    rocking_fwhm_deg: Quantity | None = Field(
        description="out-of-plane width of the film, divergence taken off"
    )
    azimuth_fwhm_deg: Quantity | None = Field(description="in-plane width of the film")
    rocking_integral_breadth_deg: Quantity | None = Field(
        default=None, description="area over height of the tilts' distribution", exclude_if=_empty
    )
    in_plane_rotated_fraction: Quantity | None = Field(
        default=None, description="share of grains turned in the plane", exclude_if=_empty
    )
    buffer_111_fraction: Quantity | None = Field(
        default=None,
        description="(111) volume share of the topmost buffer whose lines tell it",
        exclude_if=_empty,
    )
    layers: list[LayerTexture] = Field(
        default_factory=list, description="buffers and substrate, where measured"
    )
    notes: list[str] = Field(
        default_factory=list, description="what limits or qualifies the figures"
    )


class PhaseFinding(_Record):
    """Whether a phase shows, by which lines, and what could have been seen."""

    phase: str = Field(description="key of the phase")
    detected: bool = Field(description="whether it shows")
    lines: list[str] = Field(description="its lines above the decision line")
    note: str = Field(description="what that rests on, in words")
    volume_fraction: Quantity | None = Field(
        default=None,
        description="V/(V + V(film)) as random grains; a limit where it does not show",
        exclude_if=_empty,
    )


class Line(_Record):
    """One fitted line; area in counts·deg of 2θ, K-alpha1 and K-alpha2 together."""

    phase: str = Field(description="phase of its first member")
    hkl: tuple[int, int, int] = Field(description="indices of its first member")
    two_theta_deg: Quantity = Field(description="K-alpha1 place as measured")
    area: Quantity = Field(description="net area, may be negative")
    fwhm_deg: Quantity | None = Field(description="full width at half maximum; null where held")
    significance: float = Field(description="area over its standard uncertainty")
    held_fwhm_deg: float | None = Field(
        default=None, description="the width it was held at", exclude_if=_empty
    )
    members: list[str] = Field(
        default_factory=list,
        description="all reflections under it, where there are several",
        exclude_if=_empty,
    )
    flags: list[str] = Field(
        default_factory=list, description="doubts; see the flags' list", exclude_if=_empty
    )


class Provenance(_Record):
    """What the figures were made from."""

    files: dict[str, str] = Field(description="name -> SHA-256")
    version: str = Field(description="of the program")
    settings: dict[str, Any] = Field(description="stated and assumed premises")


class Film(_Record):
    """Everything known about one film."""

    film: str = Field(description="name of the film")
    verdict: Verdict = Field(description="what follows from the limits")
    reasons: list[Reason] = Field(description="one for each limit")
    fluoride: Fluoride | None = Field(description="null where it cannot be told")
    orientation: Orientation | None = Field(description="null where it cannot be told")
    lattice: Lattice | None = Field(description="null without a coupled scan")
    texture: Texture | None = Field(description="null where nothing was measured")
    phases: list[PhaseFinding] = Field(description="phases looked for")
    lines: list[Line] = Field(description="every fitted line")
    warnings: list[str] = Field(description="what to doubt, in order of weight")
    provenance: Provenance = Field(description="what the figures were made from")
    position_m: float | None = Field(default=None, description="place on the reel")
    grade: str | None = Field(default=None, description="best product grade that the film reaches")
    recipe: dict[str, float | str | bool] = Field(
        default_factory=dict, description="the run's recipe with what differs for this film"
    )


class Run(_Record):
    """What the run file says of the run."""

    id: str = Field(description="name of the run")
    date: datetime.date | None = Field(default=None, description="day of the furnace run")
    operator_note: str | None = Field(default=None, description="a remark")
    recipe: dict[str, float | str | bool] = Field(default_factory=dict, description="what was set")
    events: list[dict[str, Any]] = Field(
        default_factory=list, description="what happened to the line: date and text"
    )


class RunResult(_Record):
    """results.json: one object a run."""

    schema_: Literal["xrdfilm/1"] = Field(default="xrdfilm/1", alias="schema")
    run: Run = Field(description="the run")
    films: list[Film] = Field(description="its films, in their order")

    model_config = ConfigDict(
        extra="forbid", frozen=True, ser_json_inf_nan="null", populate_by_name=True
    )

    def to_json(self) -> str:
        """The text of results.json: one film a line, so that two runs can be compared by line."""
        run = self.run.model_dump_json(by_alias=True)
        films = ",\n".join(film.model_dump_json(by_alias=True) for film in self.films)
        head = f'{{"schema":{json.dumps(self.schema_)},\n"run":{run},\n"films":['
        return f"{head}\n{films}\n]}}" if films else f"{head}]}}"

    def to_frame(self) -> pd.DataFrame:
        """One row a film; nested fields become columns joined by dots.

        The columns of the contract are there whatever was measured, nan or None where it was not;
        those that differ from run to run (causes of an uncertainty, settings, recipe) follow.
        Digests stay together in the one column ``provenance.files``: their names differ from
        film to film.
        """
        import pandas as pd

        rows = [film.model_dump(exclude={"lines"}) for film in self.films]
        for row in rows:
            files = row["provenance"]["files"]
            row["provenance"]["files"] = "; ".join(f"{name} {sha}" for name, sha in files.items())
        frame: pd.DataFrame = pd.json_normalize(rows)
        known = [name for name in _columns(Film) if name != "lines"]
        inner = {name[:at] for name in known for at, sign in enumerate(name) if sign == "."}
        others = [name for name in frame.columns if name not in known and name not in inner]
        frame = frame.reindex(columns=[*known, *others])
        frame.insert(0, "run", self.run.id)
        return frame


def _columns(model: type[BaseModel], before: str = "") -> Iterator[str]:
    """Names of a record's fields, those of records within it joined by dots; no free keys."""
    for name, field in model.model_fields.items():
        kinds = [field.annotation, *get_args(field.annotation)]
        nested = [k for k in kinds if isinstance(k, type) and issubclass(k, BaseModel)]
        if nested and list not in (get_origin(kind) for kind in kinds):
            yield from _columns(nested[0], f"{before}{name}.")
        elif get_origin(field.annotation) is not dict or name == "files":
            yield f"{before}{name}"


def read_results(path: str | Path) -> RunResult:
    """A results.json as checked models; pydantic.ValidationError where it breaks the contract."""
    return RunResult.model_validate_json(Path(path).read_text(encoding="utf-8"))


def json_schema() -> dict[str, Any]:
    """The published JSON schema (draft 2020-12) of results.json."""
    schema: dict[str, Any] = RunResult.model_json_schema(by_alias=True, mode="validation")
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "xrdfilm results, schema xrdfilm/1"
    return schema


def json_schema_text() -> str:
    """`json_schema()` as text, for the file that ships with the package."""
    return json.dumps(json_schema(), indent=2) + "\n"


def schema_path() -> Path:
    """The schema file that ships with the package."""
    return Path(__file__).with_name("results.schema.json")


if __name__ == "__main__":  # writes the shipped schema anew
    schema_path().write_text(json_schema_text(), encoding="utf-8")
