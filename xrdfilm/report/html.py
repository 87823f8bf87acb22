"""The pages of a report: a run's index and a sheet for each film, as text."""

from __future__ import annotations

import json
from collections.abc import Iterable
from importlib.resources import files
from typing import Any

import numpy as np
from markupsafe import Markup

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.picture import FilmPicture, Zone
from xrdfilm.numbers import number
from xrdfilm.report.environment import page_environment
from xrdfilm.report.later import Later
from xrdfilm.report.overview import WORST_FIRST, RunContent
from xrdfilm.report.pack import pack_axis, pack_counts, pack_curve, unpack_curve
from xrdfilm.report.pole_sketch import KEY, svg
from xrdfilm.report.strip import Strip, Trace

ASSETS = ("xrdfilm.css", "print.css", "run.js", "sheet.js", "uPlot.iife.min.js", "uPlot.min.css")
LICENCES = ("uPlot.LICENSE.txt",)


def asset(name: str) -> bytes:
    """The bytes of one file that goes beside the pages."""
    return files("xrdfilm.report").joinpath("assets", name).read_bytes()


def index_page(
    content: RunContent, strip: Strip | None, traces: tuple[Trace, ...], *, pdf: bool
) -> str:
    """The run's page."""
    return (
        page_environment()
        .get_template("index.html.jinja")
        .render(
            run=content,
            strip=strip,
            traces=traces,
            pdf=pdf,
            has_position=any(film.position_m is not None for film in content.films),
            rank={verdict: rank for rank, verdict in enumerate(WORST_FIRST)},
        )
    )


def sheet_page(content: RunContent, index: int, picture: FilmPicture | None, *, pdf: bool) -> str:
    """The sheet of film ``index``; without a picture it has no drawing."""
    film = content.films[index]
    place = content.order.index(index)
    neighbours = [
        content.films[content.order[i]] if 0 <= i < len(content.order) else None
        for i in (place - 1, place + 1)
    ]
    return (
        page_environment()
        .get_template("sheet.html.jinja")
        .render(
            run=content,
            film=film,
            before=neighbours[0],
            after=neighbours[1],
            pdf=pdf,
            **drawn(None if picture is None else picture_data(picture)),
            ghosts=ghost_words(picture),
            hidden=hidden_words(picture),
            side_titles=[] if picture is None else [side.title for side in picture.side_scans],
            pole_key=KEY,
            pole_sketches=[] if picture is None else [(p.title, svg(p)) for p in picture.poles],
            plot_words="" if picture is None else plot_words(picture),
        )
    )


def ghost_words(picture: FilmPicture | None) -> list[str]:
    """Where ghosts are predicted, and of what."""
    marks = () if picture is None else picture.ghosts
    return [
        f"{mark.two_theta_deg:.2f}° {mark.cause}"
        for mark in sorted(marks, key=lambda m: m.two_theta_deg)
    ]


def hidden_words(picture: FilmPicture | None) -> list[str]:
    """Which stretches are hidden, and by what."""
    zones = () if picture is None else picture.hidden
    return [f"{zone.low_deg:.2f}° to {zone.high_deg:.2f}° {zone.why}".strip() for zone in zones]


def plot_words(picture: FilmPicture) -> str:
    """The drawing for those who do not see it."""
    axis, counts = picture.two_theta_deg, picture.counts
    top = int(counts.argmax())
    phases = ", ".join(row.phase for row in picture.ticks)
    return (
        f"Counts against 2θ from {number(axis[0])}° to {number(axis[-1])}°, {axis.size} points; "
        f"highest {number(counts[top], 6)} at {axis[top]:.2f}°. With the fitted curve, "
        f"the residuals, and the line places of {phases or 'no phase'}."
    )


def picture_data(picture: FilmPicture) -> dict[str, Any]:
    """What assets/sheet.js draws: arrays in short form, places to 0.001°; what is not there is out.

    Places are told to a thirtieth of what a line is wide.
    """
    data: dict[str, Any] = {
        "x": pack_axis(picture.two_theta_deg),
        "sigma": None if picture.sigma is None else pack_curve(picture.sigma),
        "side": [
            {"x": pack_axis(side.axis_deg), **_curves(side.counts, side.fitted, None)}
            for side in picture.side_scans
        ],
        **_curves(picture.counts, picture.fitted, picture.background),
        "marks": {
            "ticks": [
                {
                    "phase": row.phase,
                    "at": _places(row.two_theta_deg[order]),
                    "labels": ",".join(row.labels[i] for i in order),
                }
                for row in picture.ticks
                for order in (row.two_theta_deg.argsort(),)
            ],
            "ghosts": _places(mark.two_theta_deg for mark in picture.ghosts),
            "hidden": _ends(picture.hidden),
            "windows": _ends(picture.windows),
            "sideLabels": [
                side.axis_label or {"rocking": "ω / °", "azimuth": "φ / °"}.get(side.kind, "χ / °")
                for side in picture.side_scans
            ],
        },
    }
    return {name: value for name, value in data.items() if value}


def drawn(data: dict[str, Any] | None) -> dict[str, Any]:
    """What the sheet's template needs to know of a picture: its arrays, and where marks go."""
    if data is None:
        return {"data": None, "later": None}
    arrays = {name: value for name, value in data.items() if name != "marks"}
    return {"data": embedded(arrays), "later": Later(data["marks"])}


def _curves(
    counts: FloatArray, fitted: FloatArray | None, background: FloatArray | None
) -> dict[str, Any]:
    """Counts and the curves through them, which foretell the counts."""
    packed: dict[str, Any] = {}
    near = np.zeros(counts.size)
    for name, curve in (("background", background), ("fit", fitted)):
        if curve is not None:
            packed[name] = pack_curve(curve)
            near = np.where(np.isnan(curve), near, unpack_curve(packed[name], curve))
    return {"counts": pack_counts(counts, near if packed else None), **packed}


def _ends(zones: Iterable[Zone]) -> list[float]:
    return _places(end for zone in zones for end in (zone.low_deg, zone.high_deg))


def _places(angles: Iterable[float]) -> list[float]:
    return [round(float(angle), 3) for angle in angles]


def embedded(data: dict[str, Any]) -> Markup:
    """JSON that can stand inside a script element: no markup can begin in it."""
    text = json.dumps(data, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
    text = text.encode("utf-8", "replace").decode("utf-8")  # no half characters
    return Markup(text.replace("<", "\\u003c"))
