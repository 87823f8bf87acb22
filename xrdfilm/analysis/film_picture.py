"""From the analysis of a film to the arrays that the report draws."""

from __future__ import annotations

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.analysis.film import FilmAnalysis
from xrdfilm.analysis.picture import FilmPicture, GhostMark, SideScan, TickRow, Zone
from xrdfilm.analysis.pole_map import pole_maps
from xrdfilm.lines import Reflection


def film_picture(analysis: FilmAnalysis) -> FilmPicture | None:
    """The arrays that the report draws, or None where there is no coupled scan."""
    coupled = analysis.coupled
    if coupled is None:
        return None
    scan = coupled.scan
    fitted = np.full(len(scan), np.nan)
    windows: list[Zone] = []
    plan = coupled.fits.block.plan
    for group in plan.groups:
        for window in group.windows:
            x, lines, background = coupled.fits.curve(int(window))
            at = np.searchsorted(scan.axis_deg, x)
            fitted[at] = lines.sum(axis=0) + background
            windows.append(Zone(float(x[0]), float(x[-1])))
    layout = coupled.prepared.layout
    shift = coupled.alignment.shift
    ghosts = tuple(
        GhostMark(float(g.two_theta_deg + shift(g.two_theta_deg)), f"{g.ghost} of {g.reflection}")
        for g in layout.ghosts
    )
    return FilmPicture(
        two_theta_deg=scan.axis_deg,
        counts=scan.counts,
        fitted=fitted,
        background=coupled.background.values,
        sigma=scan.sigma,
        ticks=_ticks(analysis, coupled),
        ghosts=ghosts,
        hidden=tuple(
            Zone(low, high, "excluded by the user")
            for low, high in analysis.premises.adjustments.ranges_deg
        ),
        windows=tuple(sorted(windows, key=lambda zone: zone.low_deg)),
        side_scans=_side_scans(analysis),
        poles=pole_maps(analysis),
    )


def _ticks(analysis: FilmAnalysis, coupled: CoupledFit) -> tuple[TickRow, ...]:
    rows: dict[str, tuple[list[float], list[str], str]] = {}
    for true, laid in zip(coupled.true_deg, coupled.prepared.layout.lines, strict=True):
        if laid.ghost is not None or laid.role == "fluoride":
            continue
        for member in laid.members:
            place = float(true + coupled.alignment.shift(true))
            places, labels, _ = rows.setdefault(member.phase, ([], [], laid.role))
            places.append(place)
            labels.append("".join(map(str, member.hkl)))
    fluoride = analysis.fluoride
    if fluoride is not None:
        at = np.array([line.two_theta_deg for line in fluoride.lines])
        moved = (at + coupled.alignment.shift(at)).tolist()
        labels = ["".join(map(str, line.hkl)) for line in fluoride.lines]
        rows[coupled.premises.fluoride.key] = (moved, labels, "fluoride")
    order = {"film": 0, "fluoride": 1, "product": 2, "buffer": 3, "substrate": 4}
    found = []
    for phase, (places, labels, role) in rows.items():
        sort = np.argsort(places)
        found.append(
            TickRow(
                phase,
                np.array(places)[sort],
                tuple(labels[i] for i in sort),
                role,  # type: ignore[arg-type]
            )
        )
    return tuple(sorted(found, key=lambda row: order.get(row.role, 5)))


def _side_scans(analysis: FilmAnalysis) -> tuple[SideScan, ...]:
    film = analysis.premises.film.key
    found: list[SideScan] = []
    for stated, scan, curve in analysis.side.rocking:
        what = Reflection(stated.phase or film, stated.hkl)
        found.append(
            SideScan("rocking", f"rocking scan of {what}", scan.axis_deg, scan.counts,
                     _same_shape(curve.fitted, scan.counts), "ω / °")
        )  # fmt: skip
    for stated, scan, azimuth in analysis.side.azimuth:
        what = Reflection(stated.phase or film, stated.hkl)
        found.append(
            SideScan("azimuth", f"azimuth scan of {what}", scan.axis_deg, scan.counts,
                     _same_shape(azimuth.fitted, scan.counts), "φ / °")
        )  # fmt: skip
    tilt = analysis.side.tilt
    if tilt is not None:
        what = Reflection(film, tilt.stated.hkl)
        found.append(
            SideScan("tilt", f"tilt scan of {what}", tilt.scan.axis_deg, tilt.scan.counts,
                     _same_shape(tilt.fitted.fitted, tilt.scan.counts), "χ / °")
        )  # fmt: skip
    return tuple(found)


def _same_shape(fitted: FloatArray, counts: FloatArray) -> FloatArray | None:
    return fitted if fitted.shape == counts.shape else None
