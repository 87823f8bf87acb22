"""Values out of one block of a CIF, with errors that name the line.

CIF is the crystallographers' open standard (International Tables for Crystallography Vol. G, 2005);
its grammar is gemmi's business, its encodings and complaints are here.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from gemmi import cif

from xrdfilm.errors import PhaseError

_LARGEST_BYTES = 20_000_000


def read_block(path: Path, wanted: str) -> CifBlock:
    """The first block of a file that has the tag ``wanted``.

    Raises PhaseError for a file that is missing, too large, no CIF, or without such a block.
    """
    if not path.is_file():
        raise PhaseError("no such file; name a CIF that exists", path=path)
    try:
        document = cif.read_string(_text(path))
    except (ValueError, RuntimeError) as error:
        raise PhaseError(f"not a readable CIF: {_plain(error)}", path=path) from error
    block = next((b for b in document if b.find_value(wanted)), None)
    if block is None:
        raise PhaseError(
            f"the CIF holds no unit cell ({wanted}); is it a powder pattern?", path=path
        )
    return CifBlock(path, block)


def _text(file: Path) -> str:
    """The file as text: UTF-8, UTF-16 by its mark, else Latin-1, in which any byte is a letter."""
    if file.stat().st_size > _LARGEST_BYTES:
        raise PhaseError(
            f"larger than {_LARGEST_BYTES // 1_000_000} MB; name a CIF with one structure",
            path=file,
        )
    raw = file.read_bytes()
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("latin-1")


def _plain(error: Exception) -> str:
    return re.sub(r"^string:(\d+):\d+\(\d+\):", r"line \1:", str(error)).strip()


@dataclass(frozen=True, slots=True)
class CifBlock:
    """One block of one file, so that every complaint can name its line."""

    file: Path
    block: cif.Block

    def fail(self, message: str, tag: str | None = None) -> NoReturn:
        """Raise PhaseError with the line of ``tag`` where there is one."""
        raise PhaseError(message, path=self.file, line=self.line(tag) if tag else None)

    def line(self, tag: str) -> int | None:
        """The line that a tag stands in."""
        for item in self.block:
            pair, loop = item.pair, item.loop
            tags = [pair[0]] if pair is not None else loop.tags if loop is not None else []  # type: ignore[index]
            if tag.lower() in (name.lower() for name in tags):
                return int(item.line_number)
        return None

    def text(self, tag: str) -> str | None:
        """A value as text; None where it is missing or unknown."""
        raw = self.block.find_value(tag)
        if raw is None or raw in ("?", "."):
            return None
        return " ".join(cif.as_string(raw).split()) or None

    def number(self, tag: str) -> float:
        """A value as a number; PhaseError where it is missing or none."""
        raw = self.block.find_value(tag)
        if raw is None:
            self.fail(f"{tag} is missing")
        value = float(cif.as_number(raw))
        if not math.isfinite(value):
            self.fail(f"{tag} is {raw!r}, not a number", tag)
        return value

    def column(self, tag: str) -> list[str]:
        """The raw values of a loop's column; empty where it is missing."""
        return list(self.block.find_values(tag))
