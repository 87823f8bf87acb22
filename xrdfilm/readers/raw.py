"""What a reader of one format hands on: columns as the file has them, and what it says of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from xrdfilm._typing import FloatArray
from xrdfilm.readers.settings import IntensityUnit
from xrdfilm.scan import Axis, Finding


@dataclass(frozen=True, slots=True)
class RawScan:
    """One scan of a file before rows are tidied, units turned and checks made.

    Arrays have shape (N,). ``axis`` is None where the file does not say; ``axis_words`` are the
    file's own words for the axis, also where they name none that is known. ``factor`` is an
    attenuator's factor a point. ``net`` tells that something was subtracted already.
    """

    axis_deg: FloatArray
    intensity: FloatArray
    sigma: FloatArray | None = None
    factor: FloatArray | None = None
    axis: Axis | None = None
    axis_words: str = ""
    wavelength_A: float | None = None
    anode: str | None = None
    step_time_s: float | None = None
    intensity_unit: IntensityUnit | None = None
    net: bool = False
    meta: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()
    line: int | None = None
