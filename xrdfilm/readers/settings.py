"""What a caller may set: bounds on what is read, and what the user knows better than the file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from xrdfilm.scan import Axis

LONGEST_STEP_S = 1e6
IntensityUnit = Literal["counts", "counts_per_s"]


@dataclass(frozen=True, slots=True)
class ReadLimits:
    """Bounds of what is read from a file; beyond them a `ScanFormatError` says which one.

    A file of 256 MiB holds some ten million points: in-situ series fit, a mistaken disk image
    does not.
    """

    max_bytes: int = 256 * 1024 * 1024
    max_line_length: int = 20_000
    max_columns: int = 256
    max_points: int = 20_000_000
    max_scans: int = 10_000

    def __post_init__(self) -> None:
        for name in ("max_bytes", "max_line_length", "max_columns", "max_points", "max_scans"):
            if getattr(self, name) < 1:
                raise ValueError(f"{name} is {getattr(self, name)}; it must be at least 1")


@dataclass(frozen=True, slots=True)
class Overrides:
    """What the user states about a file; it goes before anything the file says.

    ``columns`` chooses axis, intensity and, where given, uncertainty: by name or, in text, by
    place, counted from 1. ``which`` chooses one scan of several in a file: by place, counted
    from 1, or by the name of its block, group or column.
    """

    axis: Axis | None = None
    wavelength_A: float | None = None
    anode: str | None = None
    intensity_unit: IntensityUnit | None = None
    step_time_s: float | None = None
    columns: tuple[int | str, ...] | None = None
    which: int | str | None = None

    def __post_init__(self) -> None:
        for name, largest in (("wavelength_A", 100.0), ("step_time_s", LONGEST_STEP_S)):
            value = getattr(self, name)
            if value is not None and not 0 < value <= largest:
                raise ValueError(f"{name} is {value}; it must lie between 0 and {largest:g}")
        if self.intensity_unit not in (None, "counts", "counts_per_s"):
            raise ValueError(
                f"intensity_unit is {self.intensity_unit!r}; give 'counts' or 'counts_per_s'"
            )
        if self.columns is not None and len(self.columns) not in (2, 3):
            raise ValueError("columns: give two (axis, intensity) or three (and uncertainty)")
