"""What the PDF is put together from: fonts, text styles, and drawings that flow with the text."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Flowable, Paragraph, TableStyle

from xrdfilm.analysis.picture import PoleMap, SideScan
from xrdfilm.report.drawing import (
    BOLD,
    FONT,
    INK,
    LINE,
    MUTED,
    VERDICT_COLOURS,
    draw_mark,
    draw_scale,
    draw_side_scan,
    draw_strip,
)
from xrdfilm.report.pole_sketch import KEY, draw_poles
from xrdfilm.report.scale import LimitScale
from xrdfilm.report.strip import Strip

SERIF = "DejaVuSerif-Bold"
MARGIN = 12 * mm
WIDTH = A4[0] - 2 * MARGIN
HEIGHT = A4[1] - 2 * MARGIN
GAP = 9.0
COLUMN = (WIDTH - 2 * GAP) / 3.0
CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")


@lru_cache(maxsize=1)
def register_fonts() -> None:
    """DejaVu, which matplotlib ships: it holds Greek, µ, Å, ≤ and the superscripts."""
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (FONT, BOLD, SERIF):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(FONT, normal=FONT, bold=BOLD, italic=FONT, boldItalic=BOLD)


def text_style(size: float, *, font: str = FONT, colour: str = INK, **extra: Any) -> ParagraphStyle:
    """A text style; ``size`` in points."""
    values = {"leading": 1.28 * size, "splitLongWords": 1, **extra}
    return ParagraphStyle(
        f"s{size}{font}", fontName=font, fontSize=size, textColor=HexColor(colour), **values
    )


BODY = text_style(6.4)
SMALL = text_style(5.6, colour=MUTED)
STRONG = text_style(6.4, font=BOLD)
HEADING = text_style(8.2, font=SERIF, spaceAfter=1.5)
TITLE = text_style(15, font=SERIF)
REASON = text_style(8.0)
NOTE = text_style(5.8, leftIndent=7, bulletFontName=FONT, bulletFontSize=5.8, spaceBefore=1)
MOST_TITLE = 120


def words(text: str, style: ParagraphStyle = BODY) -> Paragraph:
    """A paragraph of plain text; what would be markup or control characters is not."""
    return Paragraph(escape(CONTROL.sub("\ufffd", text)), style)


class Drawn(Flowable):  # type: ignore[misc, unused-ignore]
    """A drawing of fixed height that takes the width it is given."""

    def __init__(self, height: float) -> None:
        super().__init__()
        self._height = height
        self._width = 0.0

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """The size it takes."""
        self._width = available_width
        return available_width, self._height


class ScaleDrawing(Drawn):
    """A limit's scale."""

    def __init__(self, scale: LimitScale) -> None:
        super().__init__(16.0)
        self._scale = scale

    def draw(self) -> None:
        """Draw at the origin."""
        draw_scale(self.canv, 0.0, 0.5, self._width, 15.0, self._scale)


class Badge(Drawn):
    """A verdict: its shape and its word."""

    def __init__(self, verdict: str, word: str, size: float = 6.4) -> None:
        super().__init__(1.3 * size)
        self._verdict, self._word, self._size = verdict, word, size

    def draw(self) -> None:
        """Draw at the origin."""
        size = self._size
        kind = {"kept": "pass", "broken": "fail", "open": "undecided"}.get(
            self._verdict, self._verdict
        )
        draw_mark(self.canv, 0.0, 0.0, 1.15 * size, self._verdict)
        self.canv.setFillColor(VERDICT_COLOURS[kind])
        self.canv.setFont(BOLD, size)
        self.canv.drawString(1.6 * size, 0.2 * size, self._word)


class SideDrawing(Drawn):
    """A rocking, azimuth or tilt scan."""

    def __init__(self, side: SideScan) -> None:
        super().__init__(58.0)
        self._side = side

    def draw(self) -> None:
        """Draw at the origin."""
        draw_side_scan(self.canv, 0.0, 0.0, self._width, 58.0, self._side)


class PoleDrawing(Drawn):
    """Where the poles of a scanned reflection stand."""

    def __init__(self, poles: PoleMap) -> None:
        super().__init__(104.0)
        self._poles = poles

    def draw(self) -> None:
        """Draw at the origin."""
        draw_poles(self.canv, 0.5 * (self._width - 96.0), 8.0, 96.0, self._poles)
        self.canv.setFillColor(MUTED)
        self.canv.setFont(FONT, 5.5)
        self.canv.drawCentredString(0.5 * self._width, 1.0, KEY)


class StripDrawing(Drawn):
    """The films along the reel."""

    def __init__(self, strip: Strip) -> None:
        super().__init__(46.0)
        self._strip = strip

    def draw(self) -> None:
        """Draw at the origin."""
        draw_strip(self.canv, 0.0, 2.0, self._width, self._strip)


class Rule(Drawn):
    """A heading under a rule."""

    def __init__(self, text: str) -> None:
        super().__init__(14.0)
        self._text = text

    def draw(self) -> None:
        """Draw at the origin."""
        self.canv.setStrokeColor(INK)
        self.canv.setLineWidth(0.7)
        self.canv.line(0, 12.5, self._width, 12.5)
        self.canv.setFont(SERIF, 8.0)
        self.canv.setFillColor(INK)
        self.canv.drawString(0, 3.2, self._text)


def notes(texts: Sequence[str], *, numbered: bool = False) -> list[Flowable]:
    """Texts as a list with bullets or numbers."""
    return [
        Paragraph(
            escape(CONTROL.sub("\ufffd", text)),
            NOTE,
            bulletText=f"{place}." if numbered else "•",
        )
        for place, text in enumerate(texts, start=1)
    ]


PLAIN = TableStyle(
    [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), 1.1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.3),
        ("LINEBELOW", (0, 0), (-1, -1), 0.35, LINE),
    ]
)
