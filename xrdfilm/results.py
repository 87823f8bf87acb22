"""results.json: the record of a judged run, as typed models and as a JSON schema.

The fields are a contract (schema "xrdfilm/1"); users' scripts rest on them. `json_schema()` gives
the published schema, `to_frame()` the same fields as columns of a DataFrame, joined by dots.
"""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from xrdfilm.estimate import Estimate

if TYPE_CHECKING:
    import pandas as pd

SCHEMA = "xrdfilm/1"

Verdict = Literal["pass", "fail", "undecided", "unreadable"]


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, ser_json_inf_nan="null")


def _nine_digits(x: float | None) -> float | None:
    return None if x is None else float(f"{x:.9g}")


class Quantity(_Record):
    """A value with its interval; value is null where only a one-sided limit can be given."""

    value: float | None = Field(description="the estimate; null with a one-sided limit")
    low: float | None = Field(description="lower end of the interval")
    high: float | None = Field(description="upper end of the interval")
    level: float = Field(description="probability that the interval holds the truth")
    estimate: float | None = Field(
        default=None, description="the unbounded estimate; may lie outside the quantity's bounds"
    )
    sigma: float | None = Field(default=None, description="standard uncertainty of the estimate")
    sources: dict[str, float] = Field(
        default_factory=dict,
        description="what sigma is made of: standard uncertainty by cause; they add in squares",
    )

    @classmethod
    def of(cls, estimate: Estimate) -> Quantity:
        """The record of an estimate, with nine digits: more than any scan carries."""
        return cls(
            value=_nine_digits(estimate.value),
            low=_nine_digits(estimate.low),
            high=_nine_digits(estimate.high),
            level=estimate.level,
            estimate=_nine_digits(estimate.estimate),
            sigma=_nine_digits(estimate.sigma),
            sources={
                name: part
                for name, value in estimate.sources.items()
                if (part := _nine_digits(value)) is not None
            },
        )


class Reason(_Record):
    """One limit and how the film stands to it."""

    quantity: str
    limit: dict[str, Any] = Field(description='e.g. {"max": 0.05, "risk": 0.05, "grade": "A"}')
    value: float | None
    low: float | None
    high: float | None
    outcome: Literal["pass", "fail", "undecided"]
    text: str
    level: float | None = Field(default=None, description="probability of the interval")
    probability_breaking: float | None = Field(
        default=None, description="probability that the limit is broken"
    )
    acceptance: dict[str, float] | None = Field(
        default=None,
        description="the limit less its guard band: between which estimates the film passes",
    )
    decided_by: str | None = Field(default=None, description="what would decide an undecided one")


class Fluoride(_Record):
    """What is left of the fluoride, and how little could have been seen."""

    detected: bool
    route: Literal["reference", "structure", "index"]
    volume_fraction_aligned: Quantity | None
    volume_fraction_random: Quantity | None
    conversion: Quantity | None
    detection_limit_aligned: float | None
    detection_limit_random: float | None
    cell_A: Quantity | None
    hf_bound_ug_cm2: Quantity | None
    orientation: str | None = Field(
        default=None,
        description="random, aligned (00l), aligned (111), mixed; null if it cannot be told",
    )
    index: Quantity | None = Field(
        default=None, description="area ratio fluoride to film, for trends only; not a fraction"
    )
    notes: list[str] = Field(default_factory=list)
    advice: list[str] = Field(default_factory=list, description="what would settle it")


class LeftOut(_Record):
    """A line that was not used, and why."""

    line: str
    why: str


class Orientation(_Record):
    """Shares of the film's volume by orientation; they sum to 1 with all other grains."""

    route: Literal["coupled", "tilt"]
    c_axis: Quantity | None
    a_axis: Quantity | None
    random: Quantity | None
    other: Quantity | None = None
    lines_used: list[str]
    lines_left_out: list[LeftOut]
    chi_square: float | None = None
    degrees_of_freedom: int | None = None
    explanation: list[dict[str, Any]] = Field(
        default_factory=list, description="line by line: area, and what each component gives to it"
    )
    notes: list[str] = Field(default_factory=list)


class Lattice(_Record):
    """Cell of the film and alignment of the scan."""

    c_A: Quantity | None
    displacement_um: Quantity | None
    zero_deg: Quantity | None
    oxygen: Quantity | None
    a_A: Quantity | None = None
    b_A: Quantity | None = None
    crystallite_size_nm: Quantity | None = None
    microstrain: Quantity | None = None
    fringe_thickness_nm: Quantity | None = None
    alignment_from: str | None = Field(default=None, description="the lines the axis was set by")
    notes: list[str] = Field(default_factory=list)


class LayerTexture(_Record):
    """Texture of one layer or of the substrate."""

    phase: str
    rocking_fwhm_deg: Quantity | None = None
    azimuth_fwhm_deg: Quantity | None = None
    fraction_111: Quantity | None = None
    notes: list[str] = Field(default_factory=list)


class Texture(_Record):
    """Out-of-plane and in-plane spread of the film, and of the layers below where measured."""

    rocking_fwhm_deg: Quantity | None
    azimuth_fwhm_deg: Quantity | None
    rocking_integral_breadth_deg: Quantity | None = None
    in_plane_rotated_fraction: Quantity | None = None
    buffer_111_fraction: Quantity | None = None
    layers: list[LayerTexture] = Field(default_factory=list)
    notes: list[str] = Field(default_factory=list)


class PhaseFinding(_Record):
    """Whether a phase shows, by which lines, and what could have been seen."""

    phase: str
    detected: bool
    lines: list[str]
    note: str
    volume_fraction: Quantity | None = None


class Line(_Record):
    """One fitted line; area in counts·deg of 2θ, K-alpha1 and K-alpha2 together."""

    phase: str
    hkl: tuple[int, int, int]
    two_theta_deg: Quantity
    area: Quantity
    fwhm_deg: Quantity | None
    significance: float
    members: list[str] = Field(default_factory=list)
    flags: list[str] = Field(default_factory=list)


class Provenance(_Record):
    """What the figures were made from."""

    files: dict[str, str] = Field(description="name -> SHA-256")
    version: str
    settings: dict[str, Any]


class Film(_Record):
    """Everything known about one film."""

    film: str
    verdict: Verdict
    reasons: list[Reason]
    fluoride: Fluoride | None
    orientation: Orientation | None
    lattice: Lattice | None
    texture: Texture | None
    phases: list[PhaseFinding]
    lines: list[Line]
    warnings: list[str]
    provenance: Provenance
    position_m: float | None = None
    grade: str | None = Field(default=None, description="best product grade that the film reaches")
    recipe: dict[str, float | str | bool] = Field(default_factory=dict)


class Run(_Record):
    """What the run file says of the run."""

    id: str
    date: datetime.date | None = None
    operator_note: str | None = None
    recipe: dict[str, float | str | bool] = Field(default_factory=dict)
    events: list[dict[str, Any]] = Field(default_factory=list)


class RunResult(_Record):
    """results.json: one object a run."""

    schema_: Literal["xrdfilm/1"] = Field(default="xrdfilm/1", alias="schema")
    run: Run
    films: list[Film]

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

        Digests stay together in the one column ``provenance.files``: their names differ from
        film to film.
        """
        import pandas as pd

        rows = [film.model_dump(mode="json", exclude={"lines"}) for film in self.films]
        for row in rows:
            files = row["provenance"]["files"]
            row["provenance"]["files"] = "; ".join(f"{name} {sha}" for name, sha in files.items())
        frame: pd.DataFrame = pd.json_normalize(rows)
        frame.insert(0, "run", self.run.id)
        return frame


def read_results(path: str | Path) -> RunResult:
    """A results.json; raises pydantic.ValidationError where it breaks the contract."""
    return RunResult.model_validate_json(Path(path).read_text(encoding="utf-8"))


def json_schema() -> dict[str, Any]:
    """The published JSON schema (draft 2020-12) of results.json."""
    schema: dict[str, Any] = RunResult.model_json_schema(by_alias=True, mode="serialization")
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
