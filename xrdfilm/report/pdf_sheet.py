"""One film on one A4 page of the PDF; what does not fit is set smaller, never cut off."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any
from xml.sax.saxutils import escape

from reportlab.platypus import Flowable, KeepInFrame, Paragraph, Spacer, Table, TableStyle

from xrdfilm.analysis.picture import FilmPicture
from xrdfilm.report.content import FilmContent, FluorideContent, Row
from xrdfilm.report.drawing import FONT, INK, MUTED, VERDICT_COLOURS, draw_mark, draw_scan
from xrdfilm.report.html import ghost_words, hidden_words
from xrdfilm.report.overview import RunContent
from xrdfilm.report.pdf_flow import draw_columns
from xrdfilm.report.pdf_parts import (
    BODY,
    COLUMN,
    CONTROL,
    GAP,
    HEIGHT,
    MOST_TITLE,
    PLAIN,
    REASON,
    SERIF,
    SMALL,
    STRONG,
    TITLE,
    WIDTH,
    Badge,
    PoleDrawing,
    Rule,
    ScaleDrawing,
    SideDrawing,
    notes,
    text_style,
    words,
)

MOST_GHOSTS = 5  # more are marked in the drawing and listed on the page only


def _figures(rows: Sequence[Row], width: float) -> list[Flowable]:
    if not rows:
        return []
    cells = [
        [words(row.label, SMALL), words(f"{row.shown}  {row.note}" if row.note else row.shown)]
        for row in rows
    ]
    return [Table(cells, colWidths=[0.34 * width, 0.66 * width], style=PLAIN, hAlign="LEFT")]


def _fluoride(found: FluorideContent, width: float) -> list[Flowable]:
    head = [
        [words("", SMALL), words("if aligned like the film", SMALL), words("if random", SMALL)],
        [words("left", SMALL), words(found.aligned), words(found.random)],
        [
            words("least that would show", SMALL),
            words(found.least_aligned),
            words(found.least_random),
        ],
    ]
    return [
        Rule(f"Fluoride: {'seen' if found.detected else 'not seen'}"),
        Table(
            head,
            colWidths=[0.28 * width, 0.39 * width, 0.33 * width],
            style=PLAIN,
            hAlign="LEFT",
        ),
        *_figures(found.rows, width),
        *notes(found.notes),
    ]


def _sections(film: FilmContent, picture: FilmPicture | None, width: float) -> list[list[Flowable]]:
    """The blocks below the scan, in the order of the page, for a column of this width."""
    blocks: list[list[Flowable]] = []
    if film.orientation:
        blocks.append(
            [
                Rule("Orientation"),
                *_figures(film.orientation, width),
                *notes(film.orientation_notes),
            ]
        )
    if film.fluoride:
        blocks.append(_fluoride(film.fluoride, width))
    if film.lattice or film.texture:
        blocks.append(
            [
                Rule("Lattice and texture"),
                *_figures(film.lattice + film.texture, width),
                *notes(film.lattice_notes + film.texture_notes),
            ]
        )
    for side in picture.side_scans if picture else ():
        blocks.append([Rule(side.title[:1].upper() + side.title[1:]), SideDrawing(side)])
    for poles in picture.poles if picture else ():
        blocks.append([Rule(f"Poles of {poles.title}"), PoleDrawing(poles)])
    if film.phases:
        cells = [
            [words(name, SMALL), words("seen" if seen else "not seen"), words(text, SMALL)]
            for name, seen, text in film.phases
        ]
        widths = [0.24 * width, 0.19 * width, 0.57 * width]
        table = Table(cells, colWidths=widths, style=PLAIN, hAlign="LEFT")
        below = [words(film.phases_note, SMALL)] if film.phases_note else []
        blocks.append([Rule("Phases looked for"), table, *below])
    if film.warnings:
        blocks.append([Rule("Warnings"), *notes(film.warnings, numbered=True)])
    if film.left_out:
        listed = words(f"{'; '.join(film.left_out)}.", SMALL)
        blocks.append([Rule("Lines left out of the orientation"), listed])
    stated = [f"{name} {text}" for name, text in film.recipe + film.assumed]
    if stated:
        blocks.append([Rule("Settings and assumptions"), words("; ".join(stated) + ".", SMALL)])
    return blocks


class Sheet(Flowable):  # type: ignore[misc, unused-ignore]
    """One film on one page."""

    def __init__(self, run: RunContent, film: FilmContent, picture: FilmPicture | None) -> None:
        super().__init__()
        self._run, self._film, self._picture = run, film, picture

    def wrap(self, available_width: float, available_height: float) -> tuple[float, float]:
        """The whole page."""
        return WIDTH, HEIGHT

    def draw(self) -> None:
        """Draw head, limits, scan and blocks from the top, cautions and digests at the bottom."""
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

        def parts(width: float) -> list[Flowable]:
            blocks = _sections(film, self._picture, width)
            return [part for block in blocks for part in (*block, Spacer(1, 6))]

        draw_columns(
            canvas,
            parts,
            lefts=[place * (COLUMN + GAP) for place in range(3)],
            width=COLUMN,
            top=top,
            room=top - bottom - 4.0,
        )

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
        meta = " · ".join(
            part
            for part in (
                f"run {run.id}",
                run.date,
                film.position,
                f"intervals at {film.level}" if film.level else "",
            )
            if part
        )
        parts = [words(name, title), words(meta, SMALL)]
        below = min(self._place(parts, left - 10, top, 60.0), top - 28.0)
        return self._place([Spacer(1, 2), words(film.reason, REASON)], WIDTH, below, 60.0) - 5.0

    def _draw_foot(self) -> float:
        """Cautions and provenance at the bottom of the page; returns their top."""
        film = self._film
        digests = "; ".join(f"{name} SHA-256 {digest}" for name, digest in film.files)
        parts: list[Flowable] = []
        if film.cautions:
            caution = text_style(5.6)
            cells = [
                [words("Caution", STRONG)],
                *[[words(text, caution)] for text in film.cautions],
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
        parts.append(words(f"xrdfilm {film.version}. {digests}", text_style(4.8, colour=MUTED)))
        room = 0.22 * HEIGHT
        frame = KeepInFrame(WIDTH, room, parts, mode="shrink")
        _, height = frame.wrapOn(self.canv, WIDTH, room)
        frame.drawOn(self.canv, 0, 0)
        return float(height)

    def _limits(self) -> list[Flowable]:
        cells: list[list[Any]] = [
            [
                words(t, STRONG)
                for t in ("Quantity", "Limit", "Figure, interval and limit", "Found", "Outcome")
            ]
        ]
        style = TableStyle(PLAIN.getCommands())
        style.add("RIGHTPADDING", (2, 0), (2, -1), 12)
        style.add("LINEBELOW", (0, 0), (-1, 0), 0.6, INK)
        for limit in self._film.limits:
            terms = ", ".join(
                part for part in (limit.grade, f"risk {limit.risk}" if limit.risk else "") if part
            )
            cells.append(
                [
                    words(limit.label, STRONG),
                    Paragraph(
                        f'{escape(limit.limit)} <font size="5.2" color="{MUTED}">'
                        f"{escape(CONTROL.sub('', terms))}</font>",
                        BODY,
                    ),
                    ScaleDrawing(limit.scale) if limit.scale else "",
                    words(limit.shown),
                    Badge(limit.outcome_word, limit.outcome_word),
                ]
            )
            if limit.outcome != "pass" and limit.text != self._film.reason:
                style.add("LINEBELOW", (0, len(cells) - 1), (-1, len(cells) - 1), 0, "#ffffff")
                cells.append([words(limit.text, text_style(5.8)), "", "", "", ""])
                style.add("SPAN", (0, len(cells) - 1), (-1, len(cells) - 1))
        widths = [share * WIDTH for share in (0.18, 0.21, 0.31, 0.2, 0.1)]
        return [Rule("Limits"), Table(cells, colWidths=widths, style=style, hAlign="LEFT")]

    def _draw_picture(self, picture: FilmPicture, top: float) -> float:
        said = []
        ghosts = ghost_words(picture)
        if 0 < len(ghosts) <= MOST_GHOSTS:
            said.append(f"Ghosts: {'; '.join(ghosts)}.")
        if hidden := hidden_words(picture):
            said.append(f"Hidden: {'; '.join(hidden)}.")
        top = self._place([Rule("Scan")], WIDTH, top, 20.0)
        height = 150.0 + 7.0 * len(picture.ticks)
        draw_scan(self.canv, 0.0, top - height, WIDTH, height, picture)
        key = "Grey: counts. Blue: fit, and below it the windows. Dashed: background. "
        text = key + ("Triangles: ghosts. " if ghosts else "") + " ".join(said)
        return self._place([words(text, SMALL)], WIDTH, top - height - 2.0, 40.0) - 5.0
