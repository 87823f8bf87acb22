"""The PDF of a report: the run's table, then one A4 page a film, with what the pages say."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.sax.saxutils import escape

from reportlab import rl_config
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm
from reportlab.platypus import (
    BaseDocTemplate,
    Flowable,
    Frame,
    LongTable,
    PageBreak,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from xrdfilm.analysis.picture import FilmPicture
from xrdfilm.report.drawing import FONT, INK, MUTED
from xrdfilm.report.overview import RunContent
from xrdfilm.report.pdf_canvas import ShortCanvas
from xrdfilm.report.pdf_parts import (
    BODY,
    CONTROL,
    HEIGHT,
    MARGIN,
    MOST_TITLE,
    PLAIN,
    SMALL,
    STRONG,
    TITLE,
    WIDTH,
    Badge,
    Rule,
    StripDrawing,
    register_fonts,
    text_style,
    words,
)
from xrdfilm.report.pdf_sheet import Sheet
from xrdfilm.report.strip import Strip


def _run_pages(run: RunContent, strip: Strip | None) -> list[Flowable]:
    """The run's part of the document."""
    story: list[Flowable] = [
        words(f"Run {run.id}", TITLE),
        words(" · ".join(part for part in (run.date, f"{len(run.films)} films") if part), SMALL),
        Spacer(1, 5),
        Rule("Outcome"),
        Table(
            [[Badge(v, f"{word}: {count}", 8.0) for v, word, count in run.counts]],
            colWidths=[WIDTH / 4.0] * 4,
        ),
    ]
    if run.grades:
        reached = ", ".join(f"{name} {count}" for name, count in run.grades)
        story.append(words(f"Grades reached: {reached}.", SMALL))
    if strip is not None:
        story += [
            Spacer(1, 4),
            Rule("Along the reel"),
            StripDrawing(strip),
            words(
                "Low bar: pass. Half: undecided. Full: fail. Hollow: unreadable. " + strip.passing,
                SMALL,
            ),
        ]
    if run.recipe or run.note or run.events:
        story += [Spacer(1, 4), Rule("Recipe and notes")]
        story.append(words("; ".join(f"{name} {text}" for name, text in run.recipe), BODY))
        story += [words(text) for text in (run.note, *run.events) if text]
    story += [Spacer(1, 4), Rule("Films, worst first"), _film_table(run)]
    return story


def _film_table(run: RunContent) -> Flowable:
    columns = run.columns[:6]
    head = ["Film", "Verdict", "Reason", *[f"{c.heading} {c.unit}".strip() for c in columns]]
    cells: list[list[Any]] = [[words(text, STRONG) for text in head]]
    for index in run.order:
        film = run.films[index]
        name = film.name if len(film.name) <= 60 else film.name[:59] + "…"
        reason = film.reason if len(film.reason) <= 110 else film.reason[:109] + "…"
        place = f" ({film.position})" if film.position else ""
        cells.append(
            [
                Paragraph(
                    f'<a href="#film-{film.slug}">{escape(CONTROL.sub("", name))}</a>'
                    f'<font size="5.2">{escape(place)}</font>',
                    STRONG,
                ),
                Badge(film.verdict, film.verdict_word, 6.0),
                words(reason, text_style(5.6)),
                *[
                    words(f"{cell.main} ({cell.interval})" if cell.interval else cell.main)
                    for cell in run.cells[index][: len(columns)]
                ],
            ]
        )
    number = len(columns)
    fixed = (0.15, 0.115, 0.235)
    widths = [share * WIDTH for share in fixed] + [0.5 * WIDTH / max(1, number)] * number
    style = TableStyle(PLAIN.getCommands())
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
    register_fonts()
    rl_config.useA85 = 0  # text coding of binary data costs a quarter

    def number_page(canvas: Any, document: Any) -> None:
        canvas.setFont(FONT, 5.5)
        canvas.setFillColor(MUTED)
        canvas.drawRightString(A4[0] - MARGIN, 6 * mm, f"{document.page}")
        canvas.drawString(MARGIN, 6 * mm, CONTROL.sub("", f"Run {run.id}")[:MOST_TITLE])

    def begin(canvas: Any, document: Any) -> None:
        canvas.bookmarkPage("run")
        canvas.addOutlineEntry(f"Run {run.id}"[:MOST_TITLE], "run", level=0)
        number_page(canvas, document)

    document = BaseDocTemplate(
        str(path),
        pagesize=A4,
        title=CONTROL.sub("", f"Run {run.id}"),
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
        story += [PageBreak(), Sheet(run, film, pictures.get(film.name))]
    document.build(story, canvasmaker=ShortCanvas)
