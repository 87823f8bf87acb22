"""Text and tables that flow through columns of one page, set as large as they all fit.

A column that is full hands on to the next, in the middle of a table or a paragraph where need be.
What is too much for the page at full size is set smaller, never cut off.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from reportlab.platypus import Flowable

from xrdfilm.report.pdf_parts import Rule

_STEP = 0.97  # from one trial size to the next
_SMALLEST = 0.2
_BELOW_HEADING = 14.0  # what must fit below a heading for it to stay in its column


def draw_columns(
    canvas: Any,
    make: Callable[[float], Sequence[Flowable]],
    *,
    lefts: Sequence[float],
    width: float,
    top: float,
    room: float,
) -> float:
    """Draw what ``make(width)`` gives into columns; returns the scale it was set in.

    ``lefts``: left edge of each column; all are ``width`` wide and ``room`` high, from ``top``
    down. ``make`` is asked anew for each trial size, with the width that a column then has.
    """
    scale = 1.0
    parts = make(width)
    whole = sum(_height(part, canvas, width) for part in parts)
    if whole > room * len(lefts):
        # smaller type takes fewer lines as well
        scale = math.sqrt(room * len(lefts) / whole)
    while True:
        parts = make(width / scale)
        columns = _flow(parts, canvas, width / scale, room / scale, len(lefts))
        if columns is not None or scale < _SMALLEST:
            break
        scale *= _STEP
    for left, column in zip(lefts, columns or [list(parts)], strict=False):
        canvas.saveState()
        canvas.translate(left, top)
        canvas.scale(scale, scale)
        at = 0.0
        for part in column:
            _, height = part.wrapOn(canvas, width / scale, 1e5)
            at -= height + (part.getSpaceBefore() if at else 0.0)
            part.drawOn(canvas, 0, at)
            at -= part.getSpaceAfter()
        canvas.restoreState()
    return scale


def _height(part: Flowable, canvas: Any, width: float) -> float:
    height = part.wrapOn(canvas, width, 1e5)[1]
    return float(height + part.getSpaceBefore() + part.getSpaceAfter())


def _flow(
    parts: Sequence[Flowable], canvas: Any, width: float, room: float, columns: int
) -> list[list[Flowable]] | None:
    """The parts of each column, None where there are too many for the columns."""
    queue = deque(parts)
    filled: list[list[Flowable]] = [[]]
    left = room
    while queue:
        part = queue.popleft()
        height = _height(part, canvas, width)
        needed = height + (_BELOW_HEADING if isinstance(part, Rule) else 0.0)
        if needed <= left:
            filled[-1].append(part)
            left -= height
            continue
        pieces = [] if isinstance(part, Rule) else part.splitOn(canvas, width, left)
        if len(pieces) > 1:
            filled[-1].append(pieces[0])
            queue.extendleft(reversed(pieces[1:]))
        else:
            queue.appendleft(part)
            if not filled[-1]:
                return None
        if len(filled) == columns:
            return None
        filled.append([])
        left = room
    return filled
