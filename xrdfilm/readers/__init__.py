"""Readers: a file becomes one `Scan` or several, or a sentence that says why not."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from xrdfilm.errors import ScanFormatError
from xrdfilm.readers.assemble import assemble
from xrdfilm.readers.raw import RawScan
from xrdfilm.readers.registry import Reader, reader_for, readers
from xrdfilm.readers.settings import IntensityUnit, Overrides, ReadLimits
from xrdfilm.readers.source import Source
from xrdfilm.scan import Axis, Scan

__all__ = [
    "Overrides",
    "RawScan",
    "ReadLimits",
    "Reader",
    "Source",
    "read_scan",
    "read_scans",
    "readers",
]


def read_scan(
    path: str | Path,
    *,
    axis: Axis | None = None,
    wavelength_A: float | None = None,
    anode: str | None = None,
    intensity_unit: IntensityUnit | None = None,
    step_time_s: float | None = None,
    columns: tuple[int | str, ...] | None = None,
    which: int | None = None,
    limits: ReadLimits | None = None,
) -> Scan:
    """The scan in a file; the keywords state what the user knows better than the file.

    Several ranges of one scan are joined; of several scans ``which`` chooses one, counted
    from 1. ``columns`` chooses axis, intensity and uncertainty by name or place from 1.

    Raises
    ------
    ScanFormatError
        No such file, a folder, an unknown or damaged format, no scan in it, or several scans
        and no ``which``.
    ScanAxisError
        The scanned axis is none of those that a `Scan` knows.
    """
    overrides = Overrides(axis, wavelength_A, anode, intensity_unit, step_time_s, columns, which)
    scans = _read(path, overrides, limits or ReadLimits())
    if len(scans) > 1:
        raise ScanFormatError(
            f"holds {len(scans)} scans; choose one of them (which = 1 to {len(scans)}), or read "
            "them all with read_scans",
            path=path,
        )
    return scans[0]


def read_scans(
    path: str | Path, *, overrides: Overrides | None = None, limits: ReadLimits | None = None
) -> tuple[Scan, ...]:
    """All scans in a file, in its order; at least one. Errors as in `read_scan`."""
    return _read(path, overrides or Overrides(), limits or ReadLimits())


def _read(path: str | Path, overrides: Overrides, limits: ReadLimits) -> tuple[Scan, ...]:
    # Wild numbers in a damaged file are found by comparisons, not by warnings on the way.
    with np.errstate(all="ignore"):
        return _read_quietly(path, overrides, limits)


def _read_quietly(path: str | Path, overrides: Overrides, limits: ReadLimits) -> tuple[Scan, ...]:
    source = Source(path, limits)
    reader = reader_for(source)
    raw_scans = reader.read(source, overrides)
    if not raw_scans:
        raise source.error(f"read as {reader.name}, it holds no scan")
    if overrides.which is not None:
        if not 1 <= overrides.which <= len(raw_scans):
            raise source.error(
                f"holds {len(raw_scans)} scans; scan {overrides.which} was asked for"
            )
        raw_scans = (raw_scans[overrides.which - 1],)
    several = len(raw_scans) > 1
    return tuple(
        assemble(raw, source, reader.name, overrides, f"scan {at} of {len(raw_scans)} " * several)
        for at, raw in enumerate(raw_scans, 1)
    )
