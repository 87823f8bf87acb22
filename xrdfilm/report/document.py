"""The PDF of a report: the run's table, then one A4 page a film, with what the pages say."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab import rl_config
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    KeepInFrame,
    LongTable,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from xrdfilm.report.content import FilmContent, FluorideContent, Row, RunContent
from xrdfilm.report.drawing import (
    BOLD,
    FONT,
    INK,
    LINE,
    MUTED,
    VERDICT_COLOURS,
    draw_mark,
    draw_scale,
    draw_scan,
    draw_side_scan,
    draw_strip,
)
from xrdfilm.report.html import ghost_words, hidden_words
from xrdfilm.report.picture import FilmPicture, SideScan
from xrdfilm.report.scale import LimitScale
from xrdfilm.report.strip import Strip

SERIF = "DejaVuSerif-Bold"
MARGIN = 12 * mm
WIDTH = A4[0] - 2 * MARGIN
HEIGHT = A4[1] - 2 * MARGIN
GAP = 9.0
COLUMN = (WIDTH - 2 * GAP) / 3.0
_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f\ud800-\udfff]")


@lru_cache(maxsize=1)
def _register_fonts() -> None:
    """DejaVu, which matplotlib ships: it holds Greek, µ, Å, ≤ and the superscripts."""
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name in (FONT, BOLD, SERIF):
        pdfmetrics.registerFont(TTFont(name, str(folder / f"{name}.ttf")))
    pdfmetrics.registerFontFamily(FONT, normal=FONT, bold=BOLD, italic=FONT, boldItalic=BOLD)


def _style(size: float, *, font: str = FONT, colour: str = INK, **extra: Any) -> ParagraphStyle:
    """A text style; ``size`` in points."""
    values = {"leading": 1.28 * size, "splitLongWords": 1, **extra}
    return ParagraphStyle(
        f"s{size}{font}", fontName=font, fontSize=size, textColor=HexColor(colour), **values
    )


BODY = _style(6.4)
SMALL = _style(5.6, colour=MUTED)
STRONG = _style(6.4, font=BOLD)
HEADING = _style(8.2, font=SERIF, spaceAfter=1.5)
TITLE = _style(15, font=SERIF)
REASON = _style(8.0)
NOTE = _style(5.8, leftIndent=7, bulletFontName=FONT, bulletFontSize=5.8, spaceBefore=1)
MOST_TITLE = 120


def _text(text: str, style: ParagraphStyle = BODY) -> Paragraph:
    return Paragraph(escape(_CONTROL.sub("\ufffd", text)), style)


class _Drawn(Flowable):  # type: ignore[misc, unused-ignore]
    """A drawing of fixed height that takes the width it is given."""

    def __init__(self, height: float) -> None:
        super().__init__()
        self._height = height
        self._width = 0.0

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        self._width = available_width
        return available_width, self._height


class _Scale(_Drawn):
    def __init__(self, scale: LimitScale) -> None:
        super().__init__(16.0)
        self._scale = scale

    def draw(self) -> None:
        draw_scale(self.canv, 0.0, 0.5, self._width, 15.0, self._scale)


class _Badge(_Drawn):
    def __init__(self, verdict: str, word: str, size: float = 6.4) -> None:
        super().__init__(1.3 * size)
        self._verdict, self._word, self._size = verdict, word, size

    def draw(self) -> None:
        size = self._size
        kind = {"kept": "pass", "broken": "fail", "open": "undecided"}.get(
            self._verdict, self._verdict
        )
        draw_mark(self.canv, 0.0, 0.0, 1.15 * size, self._verdict)
        self.canv.setFillColor(VERDICT_COLOURS[kind])
        self.canv.setFont(BOLD, size)
        self.canv.drawString(1.6 * size, 0.2 * size, self._word)


class _Side(_Drawn):
    def __init__(self, side: SideScan) -> None:
        super().__init__(58.0)
        self._side = side

    def draw(self) -> None:
        draw_side_scan(self.canv, 0.0, 0.0, self._width, 58.0, self._side)


class _StripDrawing(_Drawn):
    def __init__(self, strip: Strip) -> None:
        super().__init__(46.0)
        self._strip = strip

    def draw(self) -> None:
        draw_strip(self.canv, 0.0, 2.0, self._width, self._strip)


class _Rule(_Drawn):
    def __init__(self, text: str) -> None:
        super().__init__(14.0)
        self._text = text

    def draw(self) -> None:
        self.canv.setStrokeColor(INK)
        self.canv.setLineWidth(0.7)
        self.canv.line(0, 12.5, self._width, 12.5)
        self.canv.setFont(SERIF, 8.0)
        self.canv.setFillColor(INK)
        self.canv.drawString(0, 3.2, self._text)


def _notes(texts: Sequence[str], *, numbered: bool = False) -> list[Flowable]:
    return [
        Paragraph(
            escape(_CONTROL.sub("\ufffd", text)),
            NOTE,
            bulletText=f"{place}." if numbered else "•",
        )
        for place, text in enumerate(texts, start=1)
    ]


_PLAIN = TableStyle(
    [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
        ("TOPPADDING", (0, 0), (-1, -1), 1.1),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.3),
        ("LINEBELOW", (0, 0), (-1, -1), 0.35, LINE),
    ]
)


def _figures(rows: Sequence[Row]) -> list[Flowable]:
    if not rows:
        return []
    cells = [
        [_text(row.label, SMALL), _text(f"{row.shown}  {row.note}" if row.note else row.shown)]
        for row in rows
    ]
    return [Table(cells, colWidths=[0.34 * COLUMN, 0.66 * COLUMN], style=_PLAIN)]


def _fluoride(found: FluorideContent) -> list[Flowable]:
    head = [
        [_text("", SMALL), _text("if aligned like the film", SMALL), _text("if random", SMALL)],
        [_text("left", SMALL), _text(found.aligned), _text(found.random)],
        [
            _text("least that would show", SMALL),
            _text(found.least_aligned),
            _text(found.least_random),
        ],
    ]
    return [
        _Rule(f"Fluoride: {'seen' if found.detected else 'not seen'}"),
        Table(head, colWidths=[0.28 * COLUMN, 0.39 * COLUMN, 0.33 * COLUMN], style=_PLAIN),
        *_figures(found.rows),
        *_notes(found.notes),
    ]


def _sections(film: FilmContent, picture: FilmPicture | None) -> list[list[Flowable]]:
    """The blocks below the scan, in the order of the page."""
    blocks: list[list[Flowable]] = []
    if film.orientation:
        blocks.append(
            [_Rule("Orientation"), *_figures(film.orientation), *_notes(film.orientation_notes)]
        )
    if film.fluoride:
        blocks.append(_fluoride(film.fluoride))
    if film.lattice or film.texture:
        blocks.append(
            [
                _Rule("Lattice and texture"),
                *_figures(film.lattice + film.texture),
                *_notes(film.lattice_notes + film.texture_notes),
            ]
        )
    for side in picture.side_scans if picture else ():
        blocks.append([_Rule(side.title[:1].upper() + side.title[1:]), _Side(side)])
    if film.phases:
        cells = [
            [_text(name, SMALL), _text("seen" if seen else "not seen"), _text(text, SMALL)]
            for name, seen, text in film.phases
        ]
        widths = [0.24 * COLUMN, 0.19 * COLUMN, 0.57 * COLUMN]
        blocks.append([_Rule("Phases looked for"), Table(cells, colWidths=widths, style=_PLAIN)])
    if film.warnings:
        blocks.append([_Rule("Warnings"), *_notes(film.warnings, numbered=True)])
    stated = [f"{name} {text}" for name, text in film.recipe + film.assumed]
    if stated:
        blocks.append([_Rule("Settings and assumptions"), _text("; ".join(stated) + ".", SMALL)])
    return blocks


def _height(block: Sequence[Flowable], width: float) -> float:
    return sum(
        part.wrap(width, 1e5)[1] + part.getSpaceBefore() + part.getSpaceAfter() for part in block
    )


def split_columns(heights: Sequence[float], columns: int = 3) -> list[int]:
    """Where to break blocks in order so that the tallest column is as short as can be.

    Returns the first index of every column after the first.
    """
    count = len(heights)
    best = min(
        itertools.combinations_with_replacement(range(count + 1), columns - 1),
        key=lambda cuts: max(sum(heights[a:b]) for a, b in itertools.pairwise((0, *cuts, count))),
    )
    return list(best)


class _Sheet(Flowable):  # type: ignore[misc, unused-ignore]
    """One film on one page."""

    def __init__(self, run: RunContent, film: FilmContent, picture: FilmPicture | None) -> None:
        super().__init__()
        self._run, self._film, self._picture = run, film, picture

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        return WIDTH, HEIGHT

    def draw(self) -> None:
        canvas, film = self.canv, self._film
        key = f"film-{film.slug}"
        canvas.bookmarkPage(key)
        canvas.addOutlineEntry(f"{film.name[:MOST_TITLE]}: {film.verdict_word}", key, level=1)
        top = self._draw_head(HEIGHT)
        bottom = self._draw_foot()
        if film.limits:
            top = self._place(self._limits(), WIDTH, top, min(0.36 * HEIGHT, top - bottom)) - 5.0
        if self._picture is not None:
            top = self._draw_picture(self._picture, top)
        blocks = [[*block, Spacer(1, 6)] for block in _sections(film, self._picture)]
        if not blocks:
            return
        cuts = split_columns([_height(block, COLUMN) for block in blocks])
        for place, (a, b) in enumerate(itertools.pairwise((0, *cuts, len(blocks)))):
            column = [part for block in blocks[a:b] for part in block]
            if column:
                left = place * (COLUMN + GAP)
                self._place(column, COLUMN, top, top - bottom - 4.0, left)

    def _place(
        self,
        parts: Sequence[Flowable],
        width: float,
        top: float,
        room: float,
        left: float = 0.0,
    ) -> float:
        """Draw parts from ``top`` down, shrunk where they need more than ``room``; new top."""
        frame = KeepInFrame(width, room, list(parts), mode="shrink", vAlign="TOP")
        _, height = frame.wrapOn(self.canv, width, room)
        frame.drawOn(self.canv, left, top - height)
        return float(top - height)

    def _draw_head(self, top: float) -> float:
        canvas, film, run = self.canv, self._film, self._run
        size = 15.0
        word_width = canvas.stringWidth(film.verdict_word, SERIF, 12)
        grade = f"grade {film.grade[:24]}" if film.grade else ""
        box = 34.0 + max(word_width, canvas.stringWidth(grade, FONT, 5.6))
        left = WIDTH - box
        colour = VERDICT_COLOURS[film.verdict]
        canvas.setStrokeColor(colour)
        canvas.setLineWidth(1.0)
        canvas.rect(left, top - 26, box, 26, stroke=1, fill=0)
        draw_mark(canvas, left + 6, top - 20.5, size, film.verdict)
        canvas.setFillColor(colour)
        canvas.setFont(SERIF, 12)
        canvas.drawString(left + 27, top - (13.5 if grade else 17.0), film.verdict_word)
        canvas.setFont(FONT, 5.6)
        canvas.setFillColor(INK)
        canvas.drawString(left + 27, top - 21.5, grade)
        name = film.name if len(film.name) <= MOST_TITLE else film.name[: MOST_TITLE - 1] + "…"
        title = TITLE if len(name) < 40 else REASON
        meta = "    ".join(
            part
            for part in (
                f"run {run.id}",
                run.date,
                film.position,
                f"intervals at {film.level}" if film.level else "",
            )
            if part
        )
        parts = [_text(name, title), _text(meta, SMALL)]
        below = min(self._place(parts, left - 10, top, 60.0), top - 28.0)
        return self._place([Spacer(1, 2), _text(film.reason, REASON)], WIDTH, below, 60.0) - 5.0

    def _draw_foot(self) -> float:
        """Cautions and provenance at the bottom of the page; returns their top."""
        film = self._film
        digests = "; ".join(f"{name} SHA-256 {digest}" for name, digest in film.files)
        parts: list[Flowable] = []
        if film.cautions:
            caution = _style(5.6)
            cells = [
                [_text("Caution", STRONG)],
                *[[_text(text, caution)] for text in film.cautions],
            ]
            table = Table(cells, colWidths=[WIDTH - 2])
            table.setStyle(
                TableStyle(
                    [
                        ("BOX", (0, 0), (-1, -1), 0.8, VERDICT_COLOURS["fail"]),
                        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
                        ("BOTTOMPADDING", (0, 0), (-1, -1), 1.5),
                    ]
                )
            )
            parts += [table, Spacer(1, 4)]
        parts.append(_text(f"xrdfilm {film.version}. {digests}", _style(4.8, colour=MUTED)))
        room = 0.22 * HEIGHT
        frame = KeepInFrame(WIDTH, room, parts, mode="shrink")
        _, height = frame.wrapOn(self.canv, WIDTH, room)
        frame.drawOn(self.canv, 0, 0)
        return float(height)

    def _limits(self) -> list[Flowable]:
        cells: list[list[Any]] = [
            [
                _text(t, STRONG)
                for t in ("Quantity", "Limit", "Figure, interval and limit", "Found", "Outcome")
            ]
        ]
        style = TableStyle(_PLAIN.getCommands())
        style.add("RIGHTPADDING", (2, 0), (2, -1), 12)
        style.add("LINEBELOW", (0, 0), (-1, 0), 0.6, INK)
        for limit in self._film.limits:
            terms = ", ".join(
                part for part in (limit.grade, f"risk {limit.risk}" if limit.risk else "") if part
            )
            cells.append(
                [
                    _text(limit.label, STRONG),
                    Paragraph(
                        f'{escape(limit.limit)} <font size="5.2" color="{MUTED}">'
                        f"{escape(_CONTROL.sub('', terms))}</font>",
                        BODY,
                    ),
                    _Scale(limit.scale) if limit.scale else "",
                    _text(limit.shown),
                    _Badge(limit.outcome_word, limit.outcome_word),
                ]
            )
            if limit.outcome != "pass" and limit.text != self._film.reason:
                style.add("LINEBELOW", (0, len(cells) - 1), (-1, len(cells) - 1), 0, "#ffffff")
                cells.append([_text(limit.text, _style(5.8)), "", "", "", ""])
                style.add("SPAN", (0, len(cells) - 1), (-1, len(cells) - 1))
        widths = [share * WIDTH for share in (0.18, 0.21, 0.31, 0.2, 0.1)]
        return [_Rule("Limits"), Table(cells, colWidths=widths, style=style)]

    def _draw_picture(self, picture: FilmPicture, top: float) -> float:
        words = []
        if ghosts := ghost_words(picture):
            words.append(f"Ghosts: {'; '.join(ghosts)}.")
        if hidden := hidden_words(picture):
            words.append(f"Hidden: {'; '.join(hidden)}.")
        top = self._place([_Rule("Scan")], WIDTH, top, 20.0)
        height = 150.0 + 7.0 * len(picture.ticks)
        draw_scan(self.canv, 0.0, top - height, WIDTH, height, picture)
        key = "Grey: counts. Blue: fit, and below it the windows. Dashed: background. "
        text = key + ("Triangles: ghosts. " if ghosts else "") + " ".join(words)
        return self._place([_text(text, SMALL)], WIDTH, top - height - 2.0, 40.0) - 5.0


def _run_pages(run: RunContent, strip: Strip | None) -> list[Flowable]:
    """The run's part of the document."""
    story: list[Flowable] = [
        _text(f"Run {run.id}", TITLE),
        _text("    ".join(part for part in (run.date, f"{len(run.films)} films") if part), SMALL),
        Spacer(1, 5),
        _Rule("Outcome"),
        Table(
            [[_Badge(v, f"{word}: {count}", 8.0) for v, word, count in run.counts]],
            colWidths=[WIDTH / 4.0] * 4,
        ),
    ]
    if run.grades:
        reached = ", ".join(f"{name} {count}" for name, count in run.grades)
        story.append(_text(f"Grades reached: {reached}.", SMALL))
    if strip is not None:
        story += [
            Spacer(1, 4),
            _Rule("Along the reel"),
            _StripDrawing(strip),
            _text(
                "Low bar: pass. Half: undecided. Full: fail. Hollow: unreadable. " + strip.passing,
                SMALL,
            ),
        ]
    if run.recipe or run.note or run.events:
        story += [Spacer(1, 4), _Rule("Recipe and notes")]
        story.append(_text("; ".join(f"{name} {text}" for name, text in run.recipe), BODY))
        story += [_text(text) for text in (run.note, *run.events) if text]
    story += [Spacer(1, 4), _Rule("Films, worst first"), _film_table(run)]
    return story


def _film_table(run: RunContent) -> Flowable:
    columns = run.columns[:6]
    head = ["Film", "Verdict", "Reason", *[f"{c.heading} {c.unit}".strip() for c in columns]]
    cells: list[list[Any]] = [[_text(text, STRONG) for text in head]]
    for index in run.order:
        film = run.films[index]
        name = film.name if len(film.name) <= 60 else film.name[:59] + "…"
        reason = film.reason if len(film.reason) <= 110 else film.reason[:109] + "…"
        place = f" ({film.position})" if film.position else ""
        cells.append(
            [
                Paragraph(
                    f'<a href="#film-{film.slug}">{escape(_CONTROL.sub("", name))}</a>'
                    f'<font size="5.2">{escape(place)}</font>',
                    STRONG,
                ),
                _Badge(film.verdict, film.verdict_word, 6.0),
                _text(reason, _style(5.6)),
                *[
                    _text(f"{cell.main} ({cell.interval})" if cell.interval else cell.main)
                    for cell in run.cells[index][: len(columns)]
                ],
            ]
        )
    number = len(columns)
    fixed = (0.15, 0.115, 0.235)
    widths = [share * WIDTH for share in fixed] + [0.5 * WIDTH / max(1, number)] * number
    style = TableStyle(_PLAIN.getCommands())
    style.add("LINEBELOW", (0, 0), (-1, 0), 0.6, INK)
    return LongTable(cells, colWidths=widths, style=style, repeatRows=1)


def write_pdf(
    run: RunContent,
    pictures: Mapping[str, FilmPicture],
    path: Path,
    *,
    strip: Strip | None = None,
) -> None:
    """Write the report as PDF; the same content gives the same bytes."""
    _register_fonts()
    rl_config.useA85 = 0  # text coding of binary data costs a quarter

    def number_page(canvas: Any, document: Any) -> None:
        canvas.setFont(FONT, 5.5)
        canvas.setFillColor(MUTED)
        canvas.drawRightString(A4[0] - MARGIN, 6 * mm, f"{document.page}")
        canvas.drawString(MARGIN, 6 * mm, _CONTROL.sub("", f"Run {run.id}")[:MOST_TITLE])

    def begin(canvas: Any, document: Any) -> None:
        canvas.bookmarkPage("run")
        canvas.addOutlineEntry(f"Run {run.id}"[:MOST_TITLE], "run", level=0)
        number_page(canvas, document)

    document = BaseDocTemplate(
        str(path),
        pagesize=A4,
        title=_CONTROL.sub("", f"Run {run.id}"),
        creator=f"xrdfilm {run.version}",
        pageCompression=1,
        invariant=1,
        leftMargin=MARGIN,
        rightMargin=MARGIN,
        topMargin=MARGIN,
        bottomMargin=MARGIN,
    )
    # a hair over the sheet's height, so that rounding never pushes it to a page of its own
    whole = Frame(
        MARGIN,
        MARGIN,
        WIDTH,
        HEIGHT + 0.5,
        leftPadding=0,
        rightPadding=0,
        topPadding=0,
        bottomPadding=0,
    )
    later = PageTemplate("later", [whole], onPage=number_page)
    document.addPageTemplates(
        [PageTemplate("first", [whole], onPage=begin, autoNextPageTemplate="later"), later]
    )
    story = _run_pages(run, strip)
    for index in run.order:
        film = run.films[index]
        story += [PageBreak(), _Sheet(run, film, pictures.get(film.name))]
    document.build(story)
