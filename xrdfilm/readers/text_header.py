"""Header lines to keys and values, and to the names of the columns."""

from __future__ import annotations

import re

from xrdfilm.readers.text_dialect import number

_MARKS = re.compile(r"""^[\s#!;*%/'"_&@$]+""")
_QUOTES = r"\u201c\u201d\u201e"
_QUOTED_PAIRS = re.compile(
    rf"""([^\W\d][\w .\-()/]{{0,60}}?)\s*[:=]\s*["{_QUOTES}]([^"{_QUOTES}]*)["{_QUOTES}]"""
)
_PAIR = re.compile(r"""^["'\u201c]?([^\W\d][^:=\t,;"]{0,60}?)["'\u201d]?\s*[:=]\s*(.*)$""")
_MARKED_PAIR = re.compile(r"^\s*[#!;]*\s*[*_$@]([A-Za-z][\w/.\-]*)\s*[=:]?\s+(.+)$")
_VALUED = re.compile(r"[^\W\d]\s*[:=]\s*\S")
_UNIT_WORDS = frozenset({
    "deg", "degree", "degrees", "°", "°2θ", "°2th",
    "counts", "cts", "cps", "counts/s", "c/s", "a.u.", "au", "s", "sec",
})  # fmt: skip
_MAX_KEYS = 300
_MAX_VALUE = 400


def clean(words: str) -> str:
    """Words of a file made safe to show: no control characters, no endless lines."""
    kept = "".join(char if char.isprintable() else " " for char in words)
    return " ".join(kept.split())[:_MAX_VALUE]


def parse_header(lines: list[str]) -> dict[str, str]:
    """Keys and values of header lines, in the file's own words; a key's first value counts."""
    meta: dict[str, str] = {}

    def put(key: str, value: str) -> None:
        key, value = clean(key).strip(" :=#*_\"'"), clean(value).strip(" \"'\u201c\u201d,;")
        if key and len(meta) < _MAX_KEYS and value:
            meta.setdefault(key, value)

    for line in lines:
        pairs = _QUOTED_PAIRS.findall(line)
        if pairs:
            for key, value in pairs:
                put(key, value)
            continue
        marked = _MARKED_PAIR.match(line)
        if marked:
            put(marked[1], marked[2])
            continue
        bare = _MARKS.sub("", line).strip()
        pair = _PAIR.match(bare)
        if pair:
            put(pair[1], pair[2])
            continue
        for separator in ("\t", ";", ","):
            key, found, value = bare.partition(separator)
            if found and value.strip() and number(key, False) is None and len(key) <= 60:
                put(key, value.strip(separator + " "))
                break
    return meta


def column_names(lines: list[str], fields: int, separator: str) -> tuple[str, ...] | None:
    """The names of the columns from the last header lines that have as many words as columns."""
    telling = [line for line in lines[-6:] if re.search(r"[^\W_]", line)]
    if not telling:
        return None
    last = _names(telling[-1], fields, separator)
    if last is None:
        return None
    if len(telling) > 1 and all(name.lower().strip("[]()") in _UNIT_WORDS for name in last):
        above = _names(telling[-2], fields, separator)
        if above is not None:
            return tuple(
                f"{name} ({unit.strip('[]()')})" for name, unit in zip(above, last, strict=True)
            )
    return last


def _names(line: str, fields: int, separator: str) -> tuple[str, ...] | None:
    bare = _MARKS.sub("", line.strip(" \r\n"))
    if line.lstrip().startswith('"'):
        bare = '"' + bare
    if _VALUED.search(bare):
        return None  # a key with its value, however many words it has
    for by in dict.fromkeys([separator or "blanks", "\t", ";", ",", "|", "wide", "blanks"]):
        names = _split_names(bare, by)
        while len(names) > fields and not names[-1]:
            names.pop()
        if len(names) != fields:
            continue
        if any(number(name, False) is not None for name in names if name):
            continue
        if not any(re.search(r"[^\W\d_]", name) for name in names):
            continue
        return tuple(names)
    return None


def _split_names(bare: str, by: str) -> list[str]:
    if by == "wide":
        cells = re.split(r"\s{2,}|\t", bare)
    elif by == "blanks":
        # A unit in brackets belongs to the name before it.
        cells = re.sub(r" ([(\[])", r"\1", " ".join(bare.split())).split()
    elif '"' in bare and bare.count('"') % 2 == 0:
        cells = re.findall(r'"([^"]*)"|([^' + re.escape(by) + r'"]+)', bare)
        cells = [first or second for first, second in cells]
        cells = [cell for cell in cells if cell.strip()]
    else:
        cells = bare.split(by)
    return [clean(cell).strip("\"' ") for cell in cells]
