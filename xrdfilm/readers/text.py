"""Plain text: an angle and an intensity a line, with whatever header the instrument writes.

Clean files go through NumPy's C parser in one go; all others line by line, in a dialect told
from a sample.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from itertools import chain, islice

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.readers.columns import Columns, ColumnsError, choose
from xrdfilm.readers.metadata import Told, axis_in, tell, unit_in
from xrdfilm.readers.ranges import cut, join
from xrdfilm.readers.raw import RawScan
from xrdfilm.readers.scan_checks import RefusedError, finding
from xrdfilm.readers.settings import IntensityUnit, Overrides
from xrdfilm.readers.source import Source
from xrdfilm.readers.text_dialect import Dialect, find_dialect, is_ambiguous
from xrdfilm.readers.text_header import clean, column_names, parse_header
from xrdfilm.readers.text_lines import binary_kind, encoding_of, text_blocks, text_lines
from xrdfilm.readers.text_table import Segment, gather, read_in_one_go, segments
from xrdfilm.scan import Axis, Finding

_SAMPLE_LINES = 400
_SAMPLE_READ = 20_000
_HOW_TO_CHOOSE = ": --columns 1,2, or columns = [1, 2] under [scan] in run.toml"
_CLEAN_ROW = re.compile(
    rb"[ \t]*[+-]?\d+\.?\d*(?:[ \t]*[ \t,;][ \t]*[+-]?[\d.]+(?:[eE][+-]?\d+)?)+[ \t]*\r?\Z"
)
_STARTS_WITH_NUMBER = re.compile(rb"[ \t\"'+-]*[.,]?\d")


class TextReader:
    """Text of columns."""

    name = "text"

    def sniff(self, head: bytes, file_name: str) -> bool:
        """Any file: text is asked last, and says itself what it cannot read."""
        return True

    def read(self, source: Source, overrides: Overrides) -> tuple[RawScan, ...]:
        """The scans of a text file."""
        kind = binary_kind(source.head)
        if kind is not None:
            raise source.error(
                f"is {kind}, not a scan that can be read; export the scan as text (angle, counts)"
            )
        _refuse_markup(source)
        encoding = encoding_of(source.head) or "latin-1"
        found, dialect = _clean_segment(source, encoding)
        if found is None:
            found, dialect = _by_lines(source, encoding)
        raw_scans: list[RawScan] = []
        above = _Header([], {})
        found.reverse()
        while found:  # each table is let go once its columns are taken out
            own, above = _raw_scans(found.pop(), dialect, above, source, overrides)
            raw_scans += [piece for raw in own for piece in cut(raw)]
            if len(raw_scans) > source.limits.max_scans:
                raise source.error(f"holds over {source.limits.max_scans:,} scans")
        return join(raw_scans)


reader = TextReader()


def _refuse_markup(source: Source) -> None:
    start = source.head.lstrip(b"\xef\xbb\xbf \t\r\n")[:200].lower()
    if start.startswith((b"<?xml", b"<!doctype", b"<html", b"<svg")):
        raise source.error(
            "is a mark-up document (XML or HTML), not a scan that can be read; export the scan as "
            "text (angle, counts)",
            1,
        )


def _clean_segment(source: Source, encoding: str) -> tuple[list[Segment] | None, Dialect]:
    """The one segment of a clean file: a header, then nothing but rows."""
    nothing = None, Dialect("", False, 0)
    blocks = text_blocks(source, encoding)
    first = next(blocks, b"")
    start, lines = _first_row(first)
    if start is None:
        return nothing
    rows = read_in_one_go(chain([first[start:]], blocks), source)
    if rows is None:
        return nothing
    plain = "utf-8" if encoding.startswith("utf") or encoding == "ascii" else encoding
    header = [
        (number, line.decode(plain, "replace"))
        for number, line in enumerate(lines, 1)
        if line.strip()
    ]
    separator = next(
        (sep for sep in ("\t", ";", ",") if sep.encode() in first[start : start + 200]), ""
    )
    return [Segment(header, rows, len(lines) + 1)], Dialect(separator, False, rows.shape[1])


def _first_row(block: bytes) -> tuple[int | None, list[bytes]]:
    """Where the first of three rows in sequence starts, and the lines before it."""
    at, run, start = 0, 0, 0
    lines: list[bytes] = []
    while at < len(block):
        end = block.find(b"\n", at)
        end = len(block) if end < 0 else end
        line = block[at:end]
        if len(line) > 4096 or len(lines) > 2000:
            return None, []
        if _CLEAN_ROW.match(line):
            if run == 0:
                start = at
            run += 1
            if run == 3:
                return start, lines[: len(lines) - 2]
        elif run or _STARTS_WITH_NUMBER.match(line):
            return None, []  # numbers among the header, or a row with words: read with more care
        lines.append(line)
        at = end + 1
    return None, []


def _by_lines(source: Source, encoding: str) -> tuple[list[Segment], Dialect]:
    sample = [line for _, line in islice(text_lines(source, encoding), _SAMPLE_READ)]
    numeric = [line for line in sample if _looks_numeric(line)] or sample
    # A scan's middle is typical; its first lines may be the header's numbers.
    middle = numeric[len(numeric) // 4 :][:_SAMPLE_LINES]
    dialect = find_dialect([*numeric[:20], *middle])
    if dialect is None:
        raise source.error(_no_rows(sample), _first_line(sample))
    if is_ambiguous(middle, dialect):
        raise source.error(
            "commas may be both decimal signs and separators here; export it with another "
            "separator (tab, semicolon) or with decimal points",
            _first_line(sample),
        )
    found = gather(segments(text_lines(source, encoding), dialect, source), dialect, source)
    if not found:
        raise source.error(_no_rows(sample), _first_line(sample))
    return found, dialect


def _looks_numeric(line: str) -> bool:
    line = line.strip()
    return (
        bool(line)
        and (line[0].isdigit() or line[0] in "+-.\"',;")
        and sum(char.isdigit() for char in line) >= 2
    )


def _first_line(sample: list[str]) -> int:
    return next((number for number, line in enumerate(sample, 1) if line.strip()), 1)


def _no_rows(sample: list[str]) -> str:
    words = [line for line in sample if line.strip()]
    if not words:
        return "holds nothing but blank lines"
    one = sum(1 for line in words if re.fullmatch(r"\s*[+-]?[\d.,]+(?:[eE][+-]?\d+)?\s*", line))
    if one > 0.5 * len(words):
        return "has one number a line; a scan needs an angle and an intensity"
    return (
        "no line holds two numbers (angle, intensity), so it is no scan; it starts with "
        f"{clean(words[0])[:60]!r}"
    )


@dataclass(frozen=True, slots=True)
class _Header:
    """The first header of a file, which the later ones inherit."""

    lines: list[str]
    meta: dict[str, str]


def _raw_scans(
    segment: Segment, dialect: Dialect, above: _Header, source: Source, overrides: Overrides
) -> tuple[list[RawScan], _Header]:
    """One segment's scan (or several, side by side); and the header that later ones inherit."""
    own = [line for _, line in segment.header]
    fields = segment.rows.shape[1]
    own_meta = parse_header(own)
    meta = {**above.meta, **own_meta}
    names = column_names(own, fields, dialect.separator)
    if names:
        # The line of column names might pass for a key with a value.
        meta = {key: value for key, value in meta.items() if key != names[0]}
    else:
        names = column_names(above.lines, fields, dialect.separator)
    told = tell(meta) if meta else Told()
    try:
        columns = choose(segment.rows, names, overrides.columns, told.axis)
    except ColumnsError as error:
        how = _HOW_TO_CHOOSE if str(error).endswith("choose the columns") else ""
        raise source.error(f"{error}{how}", segment.line) from None
    except RefusedError as refused:
        raise source.error(
            f"is refused: {refused} [{refused.finding.code}]", max(1, segment.line - 1)
        ) from None
    stray = _stray_rows(segment.rows[:, columns.axis_at]) if overrides.columns is None else 0
    segment.rows = segment.rows[stray:]
    last = clean(own[-1]) if own else ""
    axis, unit = _by_words(columns, told, names, last)
    findings: list[Finding] = list(columns.findings)
    if stray:
        findings.append(finding("stray_row", f"line {segment.line}"))
    if segment.torn:
        lines = ", ".join(str(line) for line in segment.torn[:5])
        findings.append(finding("torn_line", f"line {lines}"))

    def column(at: int | None) -> FloatArray | None:
        return None if at is None else np.ascontiguousarray(segment.rows[:, at])

    raw = RawScan(
        axis_deg=np.ascontiguousarray(segment.rows[:, columns.axis_at]),
        intensity=np.ascontiguousarray(segment.rows[:, columns.intensity_at]),
        sigma=column(columns.sigma_at),
        factor=column(columns.factor_at),
        axis=axis,
        axis_words="" if axis else columns.axis_words,
        wavelength_A=told.wavelength_A,
        anode=told.anode,
        step_time_s=told.step_time_s,
        intensity_unit=unit,
        net=columns.net,
        meta=meta,
        findings=tuple(findings),
        line=segment.line,
    )
    raws = [raw]
    if columns.also and names is not None:
        raws = [
            replace(
                raw,
                intensity=np.ascontiguousarray(segment.rows[:, at]),
                meta={**meta, "column": names[at]},
            )
            for at in (columns.intensity_at, *columns.also)
        ]
    return raws, above if above.lines else _Header(own, own_meta)


def _stray_rows(axis_deg: FloatArray) -> int:
    """How many of the first rows (two at most) are numbers of a header: far off an even axis.

    A scan of one point, a gap, and the rest does not happen; "20.0 80.0" above the rows does.
    """
    for stray in (1, 2):
        if axis_deg.size < stray + 10:
            return 0
        first, second = axis_deg[stray] - axis_deg[stray - 1], axis_deg[stray + 1] - axis_deg[stray]
        if first * second > 0 and abs(first) <= 10.0 * abs(second):
            continue
        steps = np.diff(axis_deg[stray:])
        usual = float(np.median(steps))
        off = abs(first) > 10.0 * abs(usual) or first * usual < 0
        if off and usual != 0 and bool((steps * np.sign(usual) > 0).all()):
            return stray if np.abs(steps).max() <= 3.0 * abs(usual) else 0
    return 0


def _by_words(
    columns: Columns, told: Told, names: tuple[str, ...] | None, last: str
) -> tuple[Axis | None, IntensityUnit | None]:
    """Axis and unit: the column's name, then the keys, then the words right above the rows."""
    axis = columns.axis
    unit = columns.intensity_unit or told.intensity_unit
    if axis is None and not columns.axis_words:
        axis = told.axis
    if names is None and last and ":" not in last and "=" not in last:
        if axis is None:
            axis = axis_in(last)
        unit = unit or unit_in(last)
    return axis, unit
