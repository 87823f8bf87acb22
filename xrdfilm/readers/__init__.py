"""Readers: a file becomes one `Scan` or several, or a sentence that says why not."""

from __future__ import annotations

from collections.abc import Sequence
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
    which: int | str | None = None,
    limits: ReadLimits | None = None,
) -> Scan:
    """The scan in a file; the keywords state what the user knows better than the file.

    Several ranges of one scan are joined; of several scans ``which`` chooses one, by its place
    from 1 or by the name of its block, group or column. ``columns`` chooses axis, intensity and
    uncertainty by name or, in text, by place from 1. What the header says otherwise is told in a
    finding ``stated_over_header``.

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
            f"holds {len(scans)} scans; choose one of them (which = 1 to {len(scans)}"
            f"{_names_of(scans)})",
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
        raw_scans = (_chosen(raw_scans, overrides.which, source),)
    several = len(raw_scans) > 1
    return tuple(
        assemble(raw, source, reader.name, overrides, f"scan {at} of {len(raw_scans)} " * several)
        for at, raw in enumerate(raw_scans, 1)
    )


_NAME_KEYS = ("block name", "block", "group", "column", "row", "sample")
"""What a scan among several in a file may be called by."""


def _chosen(raw_scans: tuple[RawScan, ...], which: int | str, source: Source) -> RawScan:
    """The scan that ``which`` means; raises ScanFormatError where it means none or several."""
    count = len(raw_scans)
    holds = f"holds {count} scans" if count > 1 else "holds one scan"
    if isinstance(which, int):
        if not 1 <= which <= count:
            raise source.error(f"{holds}; scan {which} was asked for")
        return raw_scans[which - 1]
    wanted = which.strip().casefold()
    for key in _NAME_KEYS:
        found = [raw for raw in raw_scans if raw.meta.get(key, "").strip().casefold() == wanted]
        if len(found) == 1:
            return found[0]
        if found:
            raise source.error(f"{holds}, {len(found)} of them called {which!r}; give its place")
    raise source.error(f"{holds}, none called {which!r}{_names_of(raw_scans)}")


def _names_of(scans: Sequence[RawScan | Scan]) -> str:
    """The scans' own names, by the first key that tells them apart, for an error's sentence."""
    for key in _NAME_KEYS:
        names = [scan.meta.get(key, "").strip() for scan in scans]
        if all(names) and len(set(names)) == len(names):
            listed = ", ".join(repr(name) for name in names[:6])
            return f"; their names: {listed}" + (" …" if len(names) > 6 else "")
    return ""
