"""The drawings of the PDF: a scan with its fit, a limit as a scale, the strip, the marks.

All draw on a reportlab canvas; lengths are points (1/72 inch), the origin is the lower left.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.picture import FilmPicture, SideScan
from xrdfilm.numbers import number
from xrdfilm.report.outline import BIN_PT, GRID_PT, WIDE_BIN_PT, on_grid, thinned
from xrdfilm.report.scale import LimitScale
from xrdfilm.report.strip import BAR_PX, Strip, nice_ticks

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

FILL_NON_ZERO = 1  # so that marks that overlap do not cut one another out
INK, MUTED, LINE, GRID = "#1c1f26", "#575c68", "#dcd8ce", "#e6e2d8"
ACCENT, COUNTS, FIT, BACKGROUND, GHOST = "#00558f", "#5a5f6a", "#0067b0", "#a34700", "#7a3b8f"
VERDICT_COLOURS = {
    "pass": "#00614a",
    "fail": "#9c2b00",
    "undecided": "#674c00",
    "unreadable": "#454852",
}
BAR_COLOURS = {"pass": "#00614a", "fail": "#c84a14", "undecided": "#d9a400"}
FONT, BOLD = "DejaVuSans", "DejaVuSans-Bold"


def draw_mark(canvas: Canvas, x: float, y: float, size: float, verdict: str) -> None:
    """The verdict's shape: disc, square, half-filled diamond, hollow square; (x, y): lower left."""
    kind = {"kept": "pass", "broken": "fail", "open": "undecided"}.get(verdict, verdict)
    canvas.saveState()
    canvas.setFillColor(VERDICT_COLOURS[kind])
    canvas.setStrokeColor("#ffffff")
    canvas.setLineWidth(0.12 * size)
    canvas.setLineCap(1)
    s = size / 16.0

    def path(points: list[tuple[float, float]], *, close: bool = False, fill: int = 0) -> None:
        outline = canvas.beginPath()
        outline.moveTo(x + points[0][0] * s, y + (16 - points[0][1]) * s)
        for px, py in points[1:]:
            outline.lineTo(x + px * s, y + (16 - py) * s)
        if close:
            outline.close()
        canvas.drawPath(outline, stroke=0 if fill else 1, fill=fill)

    if kind == "pass":
        canvas.circle(x + 8 * s, y + 8 * s, 7.5 * s, stroke=0, fill=1)
        path([(4.4, 8.4), (6.9, 10.9), (11.7, 5.5)])
    elif kind == "fail":
        canvas.rect(x + 0.8 * s, y + 0.8 * s, 14.4 * s, 14.4 * s, stroke=0, fill=1)
        path([(4.8, 4.8), (11.2, 11.2)])
        path([(11.2, 4.8), (4.8, 11.2)])
    elif kind == "undecided":
        canvas.setStrokeColor(VERDICT_COLOURS[kind])
        canvas.setLineWidth(1.7 * s)
        path([(14.8, 8), (8, 14.8), (1.2, 8)], close=True, fill=1)
        path([(8, 1.2), (14.8, 8), (8, 14.8), (1.2, 8)], close=True)
    else:
        canvas.setStrokeColor(VERDICT_COLOURS[kind])
        canvas.setDash(2.5 * s, 1.7 * s)
        canvas.rect(x + 1.3 * s, y + 1.3 * s, 13.4 * s, 13.4 * s, stroke=1, fill=0)
        canvas.setDash()
        path([(2.5, 13.5), (13.5, 2.5)])
    canvas.restoreState()


def draw_scale(
    canvas: Canvas, x: float, y: float, width: float, height: float, scale: LimitScale
) -> None:
    """A limit's scale in the box with lower left (x, y)."""
    canvas.saveState()
    base = y + 6.5
    top = y + height
    middle = 0.5 * (base + top)

    def at(place: float) -> float:
        return x + place * width

    canvas.setFillColor("#d3d0c8")
    for low, high in scale.broken:
        canvas.rect(at(low), base, (high - low) * width, top - base, stroke=0, fill=1)
    canvas.setFillColor("#f0ecdf")
    canvas.setStrokeColor("#a7a294")
    canvas.setLineWidth(0.4)
    canvas.setDash(1.4, 1.2)
    for low, high in scale.guard:
        canvas.rect(at(low), base, (high - low) * width, top - base, stroke=1, fill=1)
    canvas.setDash()
    canvas.setStrokeColor("#74777f")
    canvas.setLineWidth(0.5)
    canvas.line(x, base, x + width, base)
    canvas.setFont(FONT, 5)
    canvas.setFillColor(MUTED)
    places = [place for place, _ in scale.limits]
    if all(place > 0.16 for place in places):
        canvas.drawString(x, y, scale.first)
    if all(place < 0.84 for place in places):
        canvas.drawRightString(x + width, y, scale.last)
    canvas.setStrokeColor(INK)
    canvas.setFillColor(INK)
    canvas.setFont(BOLD, 5)
    canvas.setLineWidth(1.1)
    for place, text in scale.limits:
        canvas.line(at(place), base - 2, at(place), top + 1)
        half = 0.5 * canvas.stringWidth(text, BOLD, 5)
        canvas.drawCentredString(min(max(at(place), x + half), x + width - half), y, text)
    canvas.setStrokeColor(ACCENT)
    canvas.setFillColor(ACCENT)
    if scale.low is not None and scale.high is not None:
        canvas.setLineWidth(1.5)
        canvas.line(at(scale.low), middle, at(scale.high), middle)
        canvas.setLineWidth(0.8)
        for end in (scale.low, scale.high):
            canvas.line(at(end), middle - 2, at(end), middle + 2)
    if scale.value is not None:  # a line of no length with round ends: shorter than a circle
        canvas.setLineCap(1)
        canvas.setLineWidth(3.8)
        canvas.line(at(scale.value), middle, at(scale.value), middle)
    canvas.restoreState()


def draw_strip(canvas: Canvas, x: float, y: float, width: float, strip: Strip) -> None:
    """The films along the reel; 34 points of bars above 10 of labels, lower left at (x, y)."""
    canvas.saveState()
    base = y + 10.0
    tallest = max(BAR_PX.values())
    for bar in strip.bars:
        left, across = x + bar.x / 100 * width, bar.width / 100 * width
        height = bar.height * 30.0 / tallest
        canvas.setStrokeColor("#ffffff")
        canvas.setLineWidth(0.4)
        if bar.verdict == "unreadable":
            canvas.setStrokeColor(VERDICT_COLOURS["unreadable"])
            canvas.setDash(2, 1.5)
            canvas.rect(left, base, across, height, stroke=1, fill=0)
            canvas.setDash()
        else:
            canvas.setFillColor(BAR_COLOURS[bar.verdict])
            canvas.rect(left, base, across, height, stroke=1 if across > 2 else 0, fill=1)
    canvas.setStrokeColor(INK)
    canvas.setLineWidth(0.6)
    canvas.line(x, base, x + width, base)
    canvas.setFont(FONT, 6)
    canvas.setFillColor(MUTED)
    for place, text in strip.ticks:
        at = x + place / 100 * width
        canvas.line(at, base, at, base - 2.5)
        canvas.drawCentredString(min(max(at, x + 8), x + width - 8), y, text)
    canvas.restoreState()


class Panel:
    """A plotting area with a linear x axis and a linear or logarithmic y axis."""

    def __init__(
        self,
        canvas: Canvas,
        box: tuple[float, float, float, float],
        x_range: tuple[float, float],
        y_range: tuple[float, float],
        *,
        logarithmic: bool = False,
    ) -> None:
        self.canvas = canvas
        self.left, self.bottom, self.width, self.height = box
        self.x_low, self.x_high = x_range
        self.logarithmic = logarithmic
        self.y_low, self.y_high = (
            (math.log10(y_range[0]), math.log10(y_range[1])) if logarithmic else y_range
        )

    def x(self, value: float) -> float:
        """Place of an x value."""
        return self.left + (value - self.x_low) / (self.x_high - self.x_low) * self.width

    def y(self, value: float) -> float:
        """Place of a y value, held within the panel."""
        if self.logarithmic:
            value = math.log10(max(value, 1e-300))
        share = (value - self.y_low) / (self.y_high - self.y_low)
        return self.bottom + min(1.0, max(0.0, share)) * self.height

    def curve(
        self,
        axis: FloatArray,
        values: FloatArray,
        colour: str,
        line_width: float,
        dash: tuple[float, float] | None = None,
        *,
        smooth: bool = False,
        bin_pt: float = BIN_PT,
    ) -> None:
        """A curve of shape (N,), thinned to what can be seen; gaps where values are NaN.

        A ``smooth`` one is drawn by the points it bends at, a noisy one by its envelope.
        """
        canvas = self.canvas
        canvas.saveState()
        canvas.translate(self.left, self.bottom)
        canvas.scale(GRID_PT, GRID_PT)
        canvas.setStrokeColor(colour)
        canvas.setLineWidth(line_width / GRID_PT)
        canvas.setLineJoin(1)
        if dash:
            canvas.setDash(*(length / GRID_PT for length in dash))
        bins = axis.size if smooth else max(2, round(self.width / bin_pt))
        for run in thinned(axis, values, bins):
            path = canvas.beginPath()
            places = on_grid(self._places(run), smooth=smooth).tolist()
            path.moveTo(*places[0])
            for place in places[1:]:
                path.lineTo(*place)
            canvas.drawPath(path, stroke=1, fill=0)
        canvas.restoreState()

    def _places(self, points: FloatArray) -> FloatArray:
        """Places of (M, 2) points in the panel, in points of type from its lower left."""
        across = (points[:, 0] - self.x_low) / (self.x_high - self.x_low) * self.width
        values = np.log10(np.maximum(points[:, 1], 1e-300)) if self.logarithmic else points[:, 1]
        share = np.clip((values - self.y_low) / (self.y_high - self.y_low), 0.0, 1.0)
        return np.column_stack([across, share * self.height])

    def grid_y(self, ticks: list[float], texts: list[str]) -> None:
        """Grid lines with their texts at the left."""
        canvas = self.canvas
        canvas.setFont(FONT, 5.5)
        canvas.setFillColor(MUTED)
        canvas.setStrokeColor(GRID)
        canvas.setLineWidth(0.4)
        for tick, text in zip(ticks, texts, strict=True):
            at = self.y(tick)
            canvas.line(self.left, at, self.left + self.width, at)
            canvas.drawRightString(self.left - 3, at - 1.8, text)

    def ticks_x(self, label: str, *, most: int = 10) -> None:
        """The x axis below the panel."""
        canvas = self.canvas
        canvas.setStrokeColor(MUTED)
        canvas.setLineWidth(0.4)
        canvas.line(self.left, self.bottom, self.left + self.width, self.bottom)
        canvas.setFont(FONT, 5.5)
        canvas.setFillColor(MUTED)
        for tick in nice_ticks(self.x_low, self.x_high, most):
            at = self.x(tick)
            canvas.line(at, self.bottom, at, self.bottom - 2)
            canvas.drawCentredString(at, self.bottom - 8, number(tick))
        canvas.drawRightString(self.left + self.width, self.bottom - 14.5, label)


def draw_scan(
    canvas: Canvas, x: float, y: float, width: float, height: float, picture: FilmPicture
) -> None:
    """The coupled scan with fit, background, ghosts, residuals and tick rows."""
    canvas.saveState()
    axis = picture.two_theta_deg
    span = (float(axis[0]), float(axis[-1]))
    gutter, row = 34.0, 7.0
    rows_height = row * max(1, len(picture.ticks))
    residual_height = 22.0 if picture.fitted is not None else 0.0
    left, across = x + gutter, width - gutter
    rows_bottom = y + 15.0
    residual_bottom = rows_bottom + rows_height + 3.0
    main_bottom = residual_bottom + residual_height + 5.0
    positive = picture.counts[picture.counts > 0]
    lowest = max(float(positive.min()) if positive.size else 0.5, 1e-9)
    highest = max(float(positive.max()) if positive.size else 1.0, 10.0 * lowest)
    main = Panel(
        canvas,
        (left, main_bottom, across, y + height - main_bottom),
        span,
        (lowest / 1.5, highest * 1.5),
        logarithmic=True,
    )
    decades = [
        10.0**e
        for e in range(math.ceil(math.log10(lowest / 1.5)), math.floor(math.log10(highest)) + 1)
    ]
    main.grid_y(decades, [number(value) for value in decades])
    _draw_zones(main, picture)
    main.curve(axis, np.maximum(picture.counts, lowest / 1.5), COUNTS, 0.35)
    if picture.background is not None:
        main.curve(axis, picture.background, BACKGROUND, 0.6, (2.5, 1.6), smooth=True)
    if picture.fitted is not None:
        main.curve(axis, picture.fitted, FIT, 0.7, smooth=True)
    residuals = picture.residuals
    if residuals is not None:
        finite = residuals[np.isfinite(residuals)]
        limit = min(10.0, max(4.0, float(np.abs(finite).max()) if finite.size else 4.0))
        panel = Panel(
            canvas, (left, residual_bottom, across, residual_height), span, (-limit, limit)
        )
        panel.grid_y([-3.0, 0.0, 3.0], ["−3σ", "0", "+3σ"])
        panel.curve(axis, residuals, INK, 0.25, bin_pt=WIDE_BIN_PT)
    tick_panel = Panel(canvas, (left, rows_bottom, across, rows_height), span, (0.0, 1.0))
    for index, phase in enumerate(picture.ticks):
        bottom = rows_bottom + rows_height - (index + 1) * row
        canvas.setFont(FONT, 5.5)
        canvas.setFillColor(INK)
        canvas.drawRightString(left - 3, bottom + 1.8, phase.phase)
        canvas.setStrokeColor(INK)
        canvas.setLineWidth(0.5)
        marks, labels = canvas.beginPath(), canvas.beginText()
        labels.setFont(FONT, 4.2)
        labels.setFillColor(MUTED)
        used = -1e9
        order = [
            j
            for j in np.argsort(phase.two_theta_deg)
            if span[0] <= phase.two_theta_deg[j] <= span[1]
        ]
        ends = [round(tick_panel.x(float(phase.two_theta_deg[j])), 1) for j in order]
        for j, at, following in zip(order, ends, [*ends[1:], math.inf], strict=True):
            marks.moveTo(at, bottom + 1.2)
            marks.lineTo(at, bottom + row - 1.2)
            wide = 2.2 + canvas.stringWidth(phase.labels[j], FONT, 4.2)
            # a label stands where the next mark does not strike it out
            if at > used and at + wide < min(following, left + across):
                labels.setTextOrigin(round(at + 1.2, 1), round(bottom + 1.9, 1))
                labels.textOut(phase.labels[j])
                used = at + wide + 0.8
        canvas.drawPath(marks)
        canvas.drawText(labels)
    tick_panel.ticks_x("2θ / °")
    canvas.restoreState()


def _draw_zones(main: Panel, picture: FilmPicture) -> None:
    canvas = main.canvas
    low, high = main.x_low, main.x_high
    for zone in picture.hidden:
        a, b = main.x(max(zone.low_deg, low)), main.x(min(zone.high_deg, high))
        if b <= a:
            continue
        canvas.saveState()
        clip = canvas.beginPath()
        clip.rect(a, main.bottom, b - a, main.height)
        canvas.clipPath(clip, stroke=0, fill=0)
        canvas.setStrokeColor("#c9c4b8")
        canvas.setLineWidth(0.35)
        start = a - main.height
        while start < b:
            canvas.line(start, main.bottom, start + main.height, main.bottom + main.height)
            start += 3.2
        canvas.restoreState()
    canvas.setFillColor(FIT)
    for zone in picture.windows:
        a, b = main.x(max(zone.low_deg, low)), main.x(min(zone.high_deg, high))
        if b > a:
            canvas.rect(a, main.bottom - 1.6, b - a, 1.2, stroke=0, fill=1)
    canvas.setFillColor(GHOST)
    canvas.setStrokeColor(GHOST)
    canvas.setLineWidth(0.4)
    top = main.bottom + main.height
    lines, heads = canvas.beginPath(), canvas.beginPath()
    for ghost in picture.ghosts:
        if not low <= ghost.two_theta_deg <= high:
            continue
        at = round(main.x(ghost.two_theta_deg), 1)
        lines.moveTo(at, main.bottom)
        lines.lineTo(at, top - 5)
        heads.moveTo(at - 2.6, top)
        heads.lineTo(at + 2.6, top)
        heads.lineTo(at, top - 4.4)
        heads.close()
    canvas.setDash(1, 1.6)
    canvas.drawPath(lines)
    canvas.setDash()
    canvas.drawPath(heads, stroke=0, fill=1, fillMode=FILL_NON_ZERO)


def draw_side_scan(
    canvas: Canvas, x: float, y: float, width: float, height: float, side: SideScan
) -> None:
    """A rocking, azimuth or tilt scan with its fit."""
    canvas.saveState()
    top = float(np.nanmax(side.counts)) or 1.0
    panel = Panel(
        canvas,
        (x + 26.0, y + 15.0, width - 26.0, height - 17.0),
        (float(side.axis_deg[0]), float(side.axis_deg[-1])),
        (0.0, 1.05 * top),
    )
    ticks = nice_ticks(0.0, top, 3)
    panel.grid_y(ticks, [number(tick) for tick in ticks])
    panel.curve(side.axis_deg, side.counts, COUNTS, 0.4, bin_pt=WIDE_BIN_PT)
    if side.fitted is not None:
        panel.curve(side.axis_deg, side.fitted, FIT, 0.7, smooth=True)
    panel.ticks_x(side.axis_label or "angle / °", most=5)
    canvas.restoreState()
