"""How the rows of a text file are written: separator, decimal sign, number of fields."""

from __future__ import annotations

import csv
import math
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eEdD][+-]?\d{1,4})?\Z")
_THOUSANDS_COMMA = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:\.\d*)?\Z")
_THOUSANDS_POINT = re.compile(r"[+-]?\d{1,3}(?:\.\d{3})+,\d*\Z")
_MISSING = frozenset({"", "nan", "na", "n/a", "-", "--", "---", "?", "*", "null", "none", "nul"})
_INFINITE = {
    "inf": math.inf,
    "+inf": math.inf,
    "-inf": -math.inf,
    "infinity": math.inf,
    "-infinity": -math.inf,
    "1.#inf": math.inf,
    "-1.#inf": -math.inf,
    "1.#qnan": math.nan,
    "-1.#ind": math.nan,
    "-nan": math.nan,
    "+nan": math.nan,
}
_COMMENT_TAIL = re.compile(r"\s[#!].*\Z")

_LONGEST_NUMBER = 64  # no instrument writes longer ones, and patterns cost the square of it

Separator = str
"""Tab, semicolon, comma, or "" for runs of blanks."""


@dataclass(frozen=True, slots=True)
class Dialect:
    """``fields`` a row, of which those at ``text_at`` hold words rather than numbers."""

    separator: Separator
    decimal_comma: bool
    fields: int
    text_at: frozenset[int] = frozenset()

    def row(self, line: str) -> list[float] | None:
        """The numbers of a line (nan where one is missing or is text), or None for no row.

        A row with another number of fields than usual is given as it is; a line with none or
        with words in the wrong place is no row.
        """
        cells = split(line, self.separator)
        while len(cells) > self.fields and not cells[-1].strip():
            cells.pop()
        numbers = []
        real = 0
        thousands = "." in line
        for at, cell in enumerate(cells):
            value = number(cell, self.decimal_comma, thousands)
            if value is None:
                if at not in self.text_at:
                    return None
                value = math.nan
            elif value == value:
                real += 1
            numbers.append(value)
        return numbers if real else None


def split(line: str, separator: Separator) -> list[str]:
    """The cells of a line; quotes may hold separators."""
    line = line.strip(" \t\r\n\x1a") if separator != "\t" else line.strip(" \r\n\x1a")
    if "#" in line or "!" in line:
        line = _COMMENT_TAIL.sub("", line)
    if '"' in line and separator and line.count('"') % 2 == 0:
        return next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    return line.split(separator) if separator else line.split()


def number(cell: str, decimal_comma: bool, thousands: bool = False) -> float | None:
    """The number in a cell: nan where it stands for a missing one, None where it is none."""
    cell = cell.strip().strip("\"'").strip()
    if len(cell) > _LONGEST_NUMBER:
        return None
    if "," in cell:
        if decimal_comma:
            if "." in cell:
                if not _THOUSANDS_POINT.match(cell):
                    return None
                cell = cell.replace(".", "")
            cell = cell.replace(",", ".")
        elif thousands and _THOUSANDS_COMMA.match(cell):
            cell = cell.replace(",", "")
        else:
            return None
    if _NUMBER.match(cell):
        try:
            return float(cell)
        except ValueError:
            return float(cell.lower().replace("d", "e"))
    lowered = cell.lower()
    if lowered in _MISSING:
        return math.nan
    return _INFINITE.get(lowered)


_CANDIDATES: tuple[tuple[Separator, bool], ...] = (
    ("\t", False),
    ("\t", True),
    (";", False),
    (";", True),
    (",", False),
    ("", False),
    ("", True),
    (",", True),
)


def find_dialect(lines: Iterable[str]) -> Dialect | None:
    """The way of writing that turns most lines into rows of at least two numbers.

    None where no way gives a row at all.
    """
    sample = [line for line in lines if any(char.isdigit() for char in line)]
    best: tuple[int, Dialect] | None = None
    for separator, decimal_comma in _CANDIDATES:
        patterns: Counter[tuple[int, frozenset[int]]] = Counter()
        for line in sample:
            if separator and separator not in line:
                continue
            if separator == "," and decimal_comma and '"' not in line:
                continue
            pattern = _pattern(split(line, separator), decimal_comma, "." in line)
            if pattern is not None:
                patterns[pattern] += 1
        if not patterns:
            continue
        (fields, text_at), count = patterns.most_common(1)[0]
        # Words among the numbers speak for a table only when nothing reads without them.
        score = 4 * count - (1 if text_at else 0)
        if best is None or score > best[0]:
            best = score, Dialect(separator, decimal_comma, fields, text_at)
    return None if best is None else best[1]


def _pattern(
    cells: list[str], decimal_comma: bool, thousands: bool
) -> tuple[int, frozenset[int]] | None:
    """Number of cells, and which hold words; None for less than two numbers."""
    while cells and not cells[-1].strip():
        cells = cells[:-1]
    words = set()
    real = 0
    for at, cell in enumerate(cells):
        value = number(cell, decimal_comma, thousands)
        if value is None:
            words.add(at)
        elif value == value:
            real += 1
    if real < 2 or len(words) > real:
        return None
    return len(cells), frozenset(words)


def is_ambiguous(lines: Iterable[str], dialect: Dialect) -> bool:
    """Whether commas might be both decimal signs and separators ("10,02,123,5")."""
    if dialect.separator != "," or dialect.decimal_comma or dialect.fields < 3:
        return False
    seen = 0
    zero_led = False
    for line in lines:
        if "." in line or '"' in line:
            return False
        cells = [cell.strip() for cell in line.split(",")]
        if len(cells) != dialect.fields:
            continue
        seen += 1
        zero_led = zero_led or any(len(cell) > 1 and cell.startswith("0") for cell in cells[1:])
    return seen > 0 and (zero_led or dialect.fields >= 4)
