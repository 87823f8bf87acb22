"""The pole sketch: tilt outwards from the film's normal, azimuth around it.

Filled marks are poles of c-axis grains, open ones of a-axis grains; what the scan went over is
shaded, or a dashed circle. One geometry serves the page (SVG) and the PDF.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.picture import PoleMap
from xrdfilm.numbers import number

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

RINGS_DEG = (30.0, 60.0, 90.0)
INK, MUTED, GRID, BAND, C_AXIS, A_AXIS = (
    "#1c1f26", "#575c68", "#dcd8ce", "#dbe7f0", "#00558f", "#a34700",
)  # fmt: skip
KEY = "c-axis grains filled, a-axis grains open; χ outwards, φ around"
_DOT = 4.0  # per cent of the rim's radius


def marks(places: FloatArray) -> FloatArray:
    """x and y of poles (N, 2) of tilt and azimuth, the rim being 100 from the centre; (N, 2)."""
    angle = np.radians(places[:, 1])
    radius = places[:, 0] / 90.0 * 100.0
    return np.column_stack([radius * np.cos(angle), radius * np.sin(angle)])


def _upright(places: FloatArray) -> list[tuple[float, float]]:
    """The marks with y downwards, to a thousandth of the rim."""
    return [(round(float(x), 1) + 0.0, round(-float(y), 1) + 0.0) for x, y in marks(places)]


def words(poles: PoleMap) -> str:
    """The sketch for those who do not see it."""

    def tilts(places: FloatArray) -> str:
        return " and ".join(f"{number(t, 3)}°" for t in np.unique(np.round(places[:, 0], 0)))

    said = [f"{len(poles.c_axis)} poles of c-axis grains at χ = {tilts(poles.c_axis)}"]
    if len(poles.a_axis):
        said.append(f"{len(poles.a_axis)} of a-axis grains at {tilts(poles.a_axis)}")
    low, high = poles.scanned_deg
    over = f"over χ from {number(low, 3)}° to {number(high, 3)}°"
    if low == high:
        over = f"at χ = {number(low, 3)}°"
    return f"{', '.join(said)}; scanned {over}"


def svg(poles: PoleMap) -> Markup:
    """The sketch as an inline picture."""
    low, high = (100.0 * chi / 90.0 for chi in poles.scanned_deg)
    parts = [
        '<svg class="pole-sketch" viewBox="-112 -112 224 224" width="210" height="210" role="img" '
        'aria-label="{}"><g fill="none">'
    ]
    if high > low:
        middle, width = 0.5 * (low + high), high - low
        parts.append(f'<circle r="{middle:.4g}" stroke="{BAND}" stroke-width="{width:.4g}"/>')
    radii = [100.0 * ring / 90.0 for ring in RINGS_DEG]
    rings = "".join(f'<circle r="{radius:.4g}"/>' for radius in radii)
    parts.append(f'<g stroke="{GRID}">{rings}<path d="M-100 0H100M0 -100V100"/></g>')
    if high == low:
        parts.append(
            f'<circle r="{low:.4g}" stroke="{MUTED}" stroke-width="1.2" stroke-dasharray="4 3"/>'
        )
    parts.append("</g>")
    # 60° round, where no pole stands
    names = [
        f'<text x="{0.5 * radius + 1.5:.1f}" y="{-0.866 * radius - 1.5:.1f}">{ring:g}°</text>'
        for ring, radius in zip(RINGS_DEG, radii, strict=True)
    ]
    parts.append(f'<g font-size="9" fill="{MUTED}">{"".join(names)}</g>')
    for places, look in (
        (poles.a_axis, f'fill="#fff" stroke="{A_AXIS}" stroke-width="1.8"'),
        (poles.c_axis, f'fill="{C_AXIS}"'),
    ):
        dots = (f'<circle cx="{x:.4g}" cy="{y:.4g}" r="{_DOT:g}"/>' for x, y in _upright(places))
        parts.append(f"<g {look}>{''.join(dots)}</g>")
    parts.append("</svg>")
    return Markup("".join(parts)).format(words(poles))


def draw_poles(canvas: Canvas, x: float, y: float, size: float, poles: PoleMap) -> None:
    """The sketch on a PDF canvas, in the square of this size with lower left (x, y)."""
    canvas.saveState()
    canvas.translate(x + 0.5 * size, y + 0.5 * size)
    unit = 0.5 * size / 108.0
    low, high = (100.0 * chi / 90.0 * unit for chi in poles.scanned_deg)
    if high > low:
        canvas.setStrokeColor(BAND)
        canvas.setLineWidth(high - low)
        canvas.circle(0.0, 0.0, 0.5 * (low + high), stroke=1, fill=0)
    canvas.setStrokeColor(GRID)
    canvas.setLineWidth(0.5)
    for ring in RINGS_DEG:
        canvas.circle(0.0, 0.0, 100.0 * ring / 90.0 * unit, stroke=1, fill=0)
    canvas.line(-100.0 * unit, 0.0, 100.0 * unit, 0.0)
    canvas.line(0.0, -100.0 * unit, 0.0, 100.0 * unit)
    if high == low:
        canvas.setStrokeColor(MUTED)
        canvas.setDash(2.0, 1.5)
        canvas.circle(0.0, 0.0, low, stroke=1, fill=0)
        canvas.setDash()
    canvas.setStrokeColor(A_AXIS)
    canvas.setFillColor("#ffffff")
    canvas.setLineWidth(0.8)
    for px, py in marks(poles.a_axis) * unit:
        canvas.circle(float(px), float(py), _DOT * unit, stroke=1, fill=1)
    canvas.setFillColor(C_AXIS)
    for px, py in marks(poles.c_axis) * unit:
        canvas.circle(float(px), float(py), _DOT * unit, stroke=0, fill=1)
    canvas.restoreState()
