"""A PDF canvas that writes pages in few bytes: short numbers, and nothing that draws nothing.

What is laid out by flowing texts and tables sets fonts that nobody uses, saves and restores states
around nothing, and places marks to a millionth of a point. Here a page's instructions are shortened
before they are packed; what they draw stays the same to a hundredth of a point.
"""

from __future__ import annotations

import re
from typing import Any

from reportlab.pdfgen.canvas import Canvas

_TEXT = r"\((?:\\.|[^\\()])*\)"  # strings hold digits as well: they are passed over
_LONG_NUMBER = re.compile(rf"{_TEXT}|-?\d*\.\d{{3,}}")
_NUMBERS = r"[-\d. ]+"
_DROPPED = tuple(
    (re.compile(pattern, re.MULTILINE), kept)
    for pattern, kept in (
        (r"^BT /\S+ [\d.]+ Tf [\d.]+ TL ET\n", ""),  # a font for no text
        (rf"^BT 1 0 0 1 {_NUMBERS} Tm +T\* ET\n", ""),  # an empty text
        (r" T\* ET$", " ET"),  # a new line after the last one
        # a line's height where there is one line
        (rf"^(BT 1 0 0 1 {_NUMBERS} Tm /\S+ [\d.]+ Tf) [\d.]+ TL ({_TEXT} Tj ET)$", r"\1 \2"),
        # a state within a state that holds one text
        (rf"( cm\n)q\n((?:{_NUMBERS} rg\n)?BT [^\n]* ET\n)Q\nQ\n", r"\1\2Q\n"),
    )
)
_EMPTY_STATE = re.compile(rf"^q\n(?:1 0 0 1 {_NUMBERS} cm\n)?Q\n", re.MULTILINE)


def _short(found: re.Match[str]) -> str:
    text = found[0]
    if text.startswith("("):
        return text
    number = f"{float(text):.2f}".rstrip("0").rstrip(".")
    sign, digits = ("-", number[1:]) if number.startswith("-") else ("", number)
    digits = digits.removeprefix("0") or "0"
    return digits if digits == "0" else sign + digits


def shortened(instructions: str) -> str:
    """A page's instructions that draw the same with fewer bytes."""
    short = _LONG_NUMBER.sub(_short, instructions)
    for pattern, kept in _DROPPED:
        short = pattern.sub(kept, short)
    while True:
        fewer = _EMPTY_STATE.sub("", short)
        if fewer == short:
            return short
        short = fewer


class ShortCanvas(Canvas):  # type: ignore[misc, unused-ignore]
    """A canvas that sets its parts down to a tenth of a point and shortens each page."""

    def translate(self, dx: float, dy: float) -> None:
        """Move the origin."""
        super().translate(round(dx, 1), round(dy, 1))

    def beginText(self, x: float = 0, y: float = 0, direction: Any = None) -> Any:
        """Begin a text."""
        return super().beginText(round(x, 1), round(y, 1), direction)

    def line(self, x1: float, y1: float, x2: float, y2: float) -> None:
        """A line."""
        super().line(*(round(at, 1) for at in (x1, y1, x2, y2)))

    def showPage(self) -> None:
        """End the page."""
        code: list[str] = getattr(self, "_code")  # noqa: B009  (untyped there)
        self._code = [shortened("\n".join([*code, ""]))]
        super().showPage()
