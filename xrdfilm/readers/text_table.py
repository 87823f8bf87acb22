"""The rows of a text file in segments: headers between, line by line or in one go."""

from __future__ import annotations

import re
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.readers.source import Source
from xrdfilm.readers.text_dialect import Dialect

Line = tuple[int, str]
_PARTED = re.compile(rb"\d[ \t]+[+-]?\d")
_MAX_HEADER_LINES = 2_000
_BLANKS = b"0123456789.+-eE \t\r\n"
_COMMAS = b"0123456789.+-eE \t\r\n,"
_DECIMAL_COMMAS = b"0123456789,+-eE \t\r\n;"
_SEMICOLONS = b"0123456789.+-eE \t\r\n;"


@dataclass(slots=True)
class Segment:
    """Rows that follow one another, shape (N, fields), and the lines of words before them."""

    header: list[Line]
    rows: FloatArray
    line: int
    torn: list[int] = field(default_factory=list)


def read_in_one_go(blocks: Iterable[bytes], source: Source) -> FloatArray | None:
    """All rows by NumPy's C parser, shape (N, fields); None where the file is not that clean.

    ``blocks`` hold whole lines without any header.
    """
    parts: list[FloatArray] = []
    fields = points = 0
    for block in blocks:
        if not block.translate(None, _BLANKS):
            separator = None
        elif not block.translate(None, _COMMAS) and (b"." in block or not _PARTED.search(block)):
            separator = ","
        elif not block.translate(None, _SEMICOLONS):
            separator = ","
            block = block.replace(b";", b",")
        elif not block.translate(None, _DECIMAL_COMMAS) and b" ," not in block:
            # Commas without a single point, and blanks, tabs or semicolons to part the fields:
            # a row whose comma were a separator fails below, with two points in one number.
            separator = ";" if b";" in block else None
            block = block.replace(b",", b".")
        else:
            return None
        lines = block.decode("ascii").splitlines()
        try:
            rows = np.loadtxt(lines, delimiter=separator, comments=None, ndmin=2)
        except ValueError:
            return None
        if rows.size == 0:
            continue
        if fields and rows.shape[1] != fields:
            return None
        fields = rows.shape[1]
        if fields < 2 or (separator and fields > 2 and b"." not in block):
            return None
        points += rows.shape[0]
        check_size(points, fields, source)
        parts.append(rows)
    if not parts:
        return None
    return parts[0] if len(parts) == 1 else np.concatenate(parts)


def check_size(points: int, fields: int, source: Source, line: int | None = None) -> None:
    """Raise `ScanFormatError` beyond the limits."""
    limits = source.limits
    if points > limits.max_points:
        raise source.error(
            f"holds over {limits.max_points:,} points; raise the limit (max_points) if meant", line
        )
    if fields > limits.max_columns:
        raise source.error(
            f"has {fields} columns, more than {limits.max_columns}; raise the limit (max_columns) "
            "if meant",
            line,
        )


def segments(lines: Iterable[Line], dialect: Dialect, source: Source) -> Iterator[Segment]:
    """Segments of rows with the same number of fields, in the order of the file."""
    header: list[Line] = []
    values = array("d")
    fields = start = total = 0
    held: list[Line] = []

    def segment() -> Segment:
        rows = np.frombuffer(values, dtype=np.float64).reshape(-1, fields).copy()
        return Segment(held, rows, start)

    for number, line in lines:
        if not line.strip():
            continue
        row = dialect.row(line)
        if row is None or len(row) != fields:
            if values:
                yield segment()
                values = array("d")
            fields = 0
        if row is None:
            if len(header) < _MAX_HEADER_LINES:
                header.append((number, line))
            continue
        if not fields:
            check_size(total, len(row), source, number)
            held, header = header, []
            fields, start = len(row), number
        values.extend(row)
        total += 1
        if total & 0xFFFF == 0:
            check_size(total, fields, source, number)
    if values:
        yield segment()
    check_size(total, 0, source)


def gather(found: Iterable[Segment], dialect: Dialect, source: Source) -> list[Segment]:
    """Segments of real size: stray rows become header words or torn lines of a neighbour."""
    kept: list[Segment] = []
    parts: list[list[FloatArray]] = []
    pending: list[Segment] = []
    for segment in found:
        if segment.rows.shape[0] < 3 and segment.rows.shape[1] != dialect.fields:
            pending.append(segment)
        elif kept and _goes_on(kept[-1], pending, segment):
            parts[-1].append(segment.rows)
            kept[-1].torn += [stray.line for stray in pending]
            pending = []
        else:
            words = [line for stray in pending for line in [*stray.header, _as_words(stray)]]
            kept.append(Segment(words + segment.header, segment.rows, segment.line))
            parts.append([segment.rows])
            pending = []
        if max(len(kept), len(pending)) > source.limits.max_scans:
            raise source.error(
                f"falls into over {source.limits.max_scans:,} pieces; it is no scan", segment.line
            )
    if kept and pending and not any(stray.header for stray in pending):
        kept[-1].torn += [stray.line for stray in pending]
    for segment, rows in zip(kept, parts, strict=True):
        if len(rows) > 1:
            segment.rows = np.concatenate(rows)
    return kept


def _goes_on(last: Segment, between: list[Segment], segment: Segment) -> bool:
    """Whether a segment is the last one's next part, with nothing but torn lines between."""
    if segment.header or any(stray.header for stray in between):
        return False
    return bool(last.rows.shape[1] == segment.rows.shape[1])


def _as_words(segment: Segment) -> Line:
    return segment.line, " ".join(f"{value:g}" for value in segment.rows.ravel()[:20])
