"""Keys of a run file that say how a scan is to be read, whatever its header says.

Three tables: ``[scan]`` for the coupled scans of a run, ``scan = {…}`` for one coupled scan, and
``scan = {…}`` for a rocking, azimuth or tilt scan.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator


class Table(BaseModel):
    """A table of a run file: no unknown keys, not to be changed."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)


class _HowToRead(Table):
    """What is stated of a scan file, whatever its header says."""

    intensity_unit: Literal["counts", "counts_per_s"] | None = Field(
        default=None, description="what the intensities are; default: the header, else counts"
    )
    columns: tuple[int | str, ...] | None = Field(
        default=None,
        description="axis, intensity and maybe uncertainty: places from 1, or names",
    )
    which: int | str | None = Field(
        default=None,
        description="which of several scans in the file: its place from 1, or its block's name",
    )

    @field_validator("columns", mode="before")
    @classmethod
    def _columns(cls, columns: Any) -> Any:
        if columns is None:
            return None
        if not isinstance(columns, list | tuple) or len(columns) not in (2, 3):
            raise ValueError("give two columns (axis, intensity) or three (and uncertainty)")
        for column in columns:
            _place_or_name(column)
        if len(set(columns)) < len(columns):
            raise ValueError("names a column twice")
        return columns

    @field_validator("which", mode="before")
    @classmethod
    def _which(cls, which: Any) -> Any:
        return None if which is None else _place_or_name(which)


def _place_or_name(value: Any) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise ValueError("give a place counted from 1, or a name")
    if isinstance(value, int) and value < 1:
        raise ValueError("places are counted from 1")
    if isinstance(value, str) and not value.strip():
        raise ValueError("a name may not be empty")
    return value


class ScanTable(_HowToRead):
    """[scan]: how coupled scans are to be read where their headers err or are silent."""

    axis: Literal["two_theta"] | None = Field(
        default=None, description="states that the angles are 2θ, whatever the file calls them"
    )


class OwnScanTable(ScanTable):
    """How one coupled scan is to be read; overrides [scan] key by key."""

    step_time_s: float | None = Field(
        default=None, gt=0, le=1e6, description="counting time a step, if not that of [optics]"
    )


class SideScanTable(_HowToRead):
    """How a rocking, azimuth or tilt scan is to be read; of [scan] only intensity_unit holds."""

    step_time_s: float | None = Field(
        default=None, gt=0, le=1e6, description="counting time a step, if not that of [optics]"
    )
