"""In-situ stacks: one file with thousands of scans, taken one after the other.

    count = count_frames(path)
    scan = read_frame(path, 17)     # counted from 1

A stack is a NeXus file (or any other that a reader finds several scans in), or a table of numbers
as text: the first column 2θ and each further column a frame, or the first row 2θ and each further
row a frame. Lines before the numbers are a header (``# anode: Cu``). The last stack read is kept,
so that frames come one by one at little cost; each frame is checked as a scan of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.readers import Overrides, RawScan, ReadLimits
from xrdfilm.readers.assemble import assemble
from xrdfilm.readers.metadata import tell
from xrdfilm.readers.registry import reader_for
from xrdfilm.readers.source import Source
from xrdfilm.readers.text_header import parse_header
from xrdfilm.readers.text_lines import encoding_of
from xrdfilm.scan import Scan

_MOST_HEADER_LINES = 2000
_FEWEST_POINTS = 10


@dataclass(frozen=True, slots=True, eq=False)
class _Stack:
    source: Source
    format_name: str
    frames: Sequence[RawScan]


def count_frames(path: Path, limits: ReadLimits | None = None) -> int:
    """How many frames a stack holds; ScanFormatError where it is none."""
    return len(_stack(path, limits or ReadLimits()).frames)


def read_frame(
    path: Path,
    number: int,
    *,
    overrides: Overrides | None = None,
    limits: ReadLimits | None = None,
) -> Scan:
    """One frame of a stack as a coupled scan, counted from 1.

    ``overrides`` go before what the file says; columns and which mean nothing here. Raises
    ScanFormatError where there is no such frame, and where a frame is refused as any scan may be.
    """
    stack = _stack(path, limits or ReadLimits())
    if not 1 <= number <= len(stack.frames):
        raise stack.source.error(f"holds {len(stack.frames)} frames; frame {number} was asked for")
    with np.errstate(all="ignore"):  # wild numbers are found by comparisons
        return assemble(
            stack.frames[number - 1],
            stack.source,
            stack.format_name,
            overrides or Overrides(),
            f"frame {number} ",
        )


def _stack(path: Path, limits: ReadLimits) -> _Stack:
    try:
        status = path.stat()
    except OSError:
        return _load(path, limits, 0, 0)  # which says what is wrong
    return _load(path, limits, status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=1)
def _load(path: Path, limits: ReadLimits, mtime_ns: int, size: int) -> _Stack:
    """The stack in a file; read anew when the file changes."""
    source = Source(path, limits)
    reader = reader_for(source)
    if reader.name == "text":
        return _Stack(source, "text table", _frames_of_table(source))
    with np.errstate(all="ignore"):
        frames = reader.read(source, Overrides())
    if not frames:
        raise source.error(f"read as {reader.name}, it holds no scan")
    return _Stack(source, reader.name, frames)


def _frames_of_table(source: Source) -> list[RawScan]:
    header, table = _numbers(source)
    along_columns, along_rows = _ascends(table[:, 0]), _ascends(table[0])
    if along_columns and along_rows:
        # a table of counts ascends along one side only by chance, and angles are evenly spaced
        along_columns, along_rows = _even(table[:, 0]), _even(table[0])
    if along_columns == along_rows:
        raise source.error(
            "is no table of frames that can be told: give 2θ as the first column and a frame in "
            "each further one, or 2θ as the first row and a frame in each further row, without "
            "times or names among the numbers"
        )
    if along_rows:
        table = table.T
    if table.shape[1] - 1 > source.limits.max_scans:
        raise source.error(f"holds over {source.limits.max_scans:,} frames")
    axis_deg = np.ascontiguousarray(table[:, 0])
    counts = np.ascontiguousarray(table[:, 1:].T)
    meta = parse_header(header)
    told = tell(meta)
    return [
        RawScan(
            axis_deg=axis_deg,
            intensity=row,
            axis=told.axis or "two_theta",
            wavelength_A=told.wavelength_A,
            anode=told.anode,
            step_time_s=told.step_time_s,
            intensity_unit=told.intensity_unit,
            meta={**meta, "frame": str(number)},
            line=len(header) + 1,
        )
        for number, row in enumerate(counts, 1)
    ]


def _numbers(source: Source) -> tuple[list[str], FloatArray]:
    """The header's lines, and the table of numbers below it, (rows, columns)."""
    encoding = encoding_of(source.head) or "latin-1"
    text = source.data().decode(encoding, "replace").removeprefix("\ufeff")
    lines = text.splitlines()
    first = next((i for i, line in enumerate(lines[:_MOST_HEADER_LINES]) if _is_row(line)), None)
    if first is None:
        raise source.error("holds no table of numbers, so it is no stack of frames")
    rows = [line for line in lines[first:] if line.strip()]
    separator = next((sep for sep in ("\t", ";", ",") if sep in rows[0]), None)
    try:
        table = np.loadtxt(rows, delimiter=separator, comments="#", ndmin=2)
    except ValueError as problem:
        raise source.error(f"is no even table of numbers: {problem}", first + 1) from None
    if table.shape[0] < 2 or table.shape[1] < 2 or max(table.shape) <= _FEWEST_POINTS:
        raise source.error(f"is a table of {table.shape[0]} × {table.shape[1]}: too few points")
    if table.size > source.limits.max_points:
        raise source.error(
            f"holds over {source.limits.max_points:,} values; raise the limit (max_points) if meant"
        )
    return lines[:first], table


def _is_row(line: str) -> bool:
    words = line.replace(",", " ").replace(";", " ").split()
    try:
        return len([float(word) for word in words]) > 1
    except ValueError:
        return False


def _ascends(values: FloatArray) -> bool:
    inside = bool(values[0] > -10.0 and values[-1] < 180.0)
    return inside and values.size > _FEWEST_POINTS and bool((np.diff(values) > 0.0).all())


def _even(values: FloatArray) -> bool:
    steps = np.diff(values)
    return bool(np.ptp(steps) < 0.01 * float(np.median(steps)) + 2e-4)
