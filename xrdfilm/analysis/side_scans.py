"""The scans beside the coupled one: rocking, azimuth and tilt scans of a film and its layers.

Each is analysed for itself; what cannot be told is told in words and spoils nothing else. Their
widths are the mosaics that the fractions rest on.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from xrdfilm.analysis.premises import Premises
from xrdfilm.crystal import Phase, line_list
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.errors import CannotTellError, XrdfilmError
from xrdfilm.estimate import Estimate
from xrdfilm.intensity.model import growth_normal
from xrdfilm.intensity.optics import divergence_on_sample_rad
from xrdfilm.lines import Reflection
from xrdfilm.runfile import AngleScan, TiltScan
from xrdfilm.scan import Scan
from xrdfilm.texture.azimuth import AzimuthScan, azimuth_box_deg, azimuth_scan
from xrdfilm.texture.orientation import OrientationEstimate
from xrdfilm.texture.response import ModelSpread, Mosaic
from xrdfilm.texture.rocking import RockingCurve, rocking_curve
from xrdfilm.texture.tilt import TiltScan as FittedTilt
from xrdfilm.texture.tilt import tilt_scan_orientation
from xrdfilm.texture.tilt_model import DefocusCurve, TiltGeometry


@dataclass(frozen=True, slots=True, eq=False)
class SideScans:
    """The scans of a film beside the coupled one, each with what the run file states of it."""

    rocking: tuple[tuple[AngleScan, Scan], ...] = ()
    azimuth: tuple[tuple[AngleScan, Scan], ...] = ()
    tilt: tuple[TiltScan, Scan] | None = None
    defocus: DefocusCurve | None = None


@dataclass(frozen=True, slots=True, eq=False)
class TiltResult:
    """A tilt scan, its fit, and the fractions by that route."""

    stated: TiltScan
    scan: Scan
    fitted: FittedTilt
    orientation: OrientationEstimate


@dataclass(frozen=True, slots=True, eq=False)
class SideResults:
    """What the side scans gave; ``why_not`` names quantities that they left open, with reasons."""

    rocking: tuple[tuple[AngleScan, Scan, RockingCurve], ...] = ()
    azimuth: tuple[tuple[AngleScan, Scan, AzimuthScan], ...] = ()
    tilt: TiltResult | None = None
    why_not: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()

    def rocking_of(self, phase: str, film: str) -> tuple[RockingCurve, ...]:
        """Rocking curves of the orders along the normal of a phase."""
        return tuple(
            curve
            for stated, _, curve in self.rocking
            if (stated.phase or film) == phase and stated.hkl[0] == stated.hkl[1] == 0
        )

    def azimuth_of(self, phase: str, film: str) -> AzimuthScan | None:
        """The first azimuth scan of a phase."""
        return next(
            (scan for stated, _, scan in self.azimuth if (stated.phase or film) == phase), None
        )


def analyse_side_scans(scans: SideScans, premises: Premises) -> SideResults:
    """Analyse rocking, then azimuth, then tilt scans; each may rest on those before."""
    why_not: dict[str, str] = {}
    warnings: list[str] = []
    rocking = _rocking(scans, premises, warnings, why_not)
    so_far = SideResults(rocking)
    azimuth = _azimuth(scans, premises, so_far, warnings, why_not)
    so_far = SideResults(rocking, azimuth)
    tilt = _tilt(scans, premises, so_far, warnings)
    warnings += _doubts_of_files(scans)
    return SideResults(rocking, azimuth, tilt, why_not, tuple(warnings))


def _doubts_of_files(scans: SideScans) -> list[str]:
    """What the checks of the files flag, under the names of the scans."""
    named = [("rocking", stated.file, scan) for stated, scan in scans.rocking]
    named += [("azimuth", stated.file, scan) for stated, scan in scans.azimuth]
    if scans.tilt is not None:
        named.append(("tilt", scans.tilt[0].file, scans.tilt[1]))
    return [
        f"{kind} scan {file}: {finding.text}"
        for kind, file, scan in named
        for finding in scan.findings
        if finding.action == "flagged"
    ]


def _rocking(
    scans: SideScans, premises: Premises, warnings: list[str], why_not: dict[str, str]
) -> tuple[tuple[AngleScan, Scan, RockingCurve], ...]:
    found = []
    for stated, scan in scans.rocking:
        phase = premises.phase(stated.phase) if stated.phase else premises.film
        label = f"rocking scan of {Reflection(phase.key, stated.hkl)}"
        try:
            box = divergence_on_sample_rad(
                place_of(premises, phase, stated.hkl),
                premises.optics,
                premises.stack.sample_length_mm,
            )
            curve = rocking_curve(
                scan.axis_deg,
                scan.counts,
                divergence_deg=float(np.degrees(box)),
                sigma=scan.sigma,
                poisson=scan.poisson,
                direction=stated.direction,
            )
        except XrdfilmError as problem:
            why_not.setdefault("rocking_fwhm_deg", str(problem))
            warnings.append(f"{label}: {problem}")
            continue
        found.append((stated, scan, curve))
        warnings += [f"{label}: {note}" for note in curve.notes]
    if not scans.rocking:
        why_not["rocking_fwhm_deg"] = "no rocking scan was given"
    return tuple(found)


def place_of(premises: Premises, phase: Phase, hkl: tuple[int, int, int]) -> float:
    """2θ of a reflection; raises CannotTellError where the phase has none of these indices."""
    rays = premises.optics.radiation
    place = two_theta_of(phase.cell.d_spacing(np.array([hkl])), rays.k_alpha1_A).item()
    if not np.isfinite(place):
        raise CannotTellError(f"{Reflection(phase.key, hkl)} lies beyond this radiation's reach")
    lines = line_list(phase, rays, two_theta_max_deg=min(place + 1.0, 179.0))
    if not np.any(np.abs(lines.two_theta_deg - place) < 0.01):
        indices = str(Reflection(phase.key, hkl)).removeprefix(f"{phase.key} ")
        raise CannotTellError(
            f"{phase.key} has no reflection {indices}: it is absent by symmetry; check the "
            "indices in run.toml"
        )
    return float(place)


def _azimuth(
    scans: SideScans,
    premises: Premises,
    so_far: SideResults,
    warnings: list[str],
    why_not: dict[str, str],
) -> tuple[tuple[AngleScan, Scan, AzimuthScan], ...]:
    found = []
    for stated, scan in scans.azimuth:
        phase = premises.phase(stated.phase) if stated.phase else premises.film
        label = f"azimuth scan of {Reflection(phase.key, stated.hkl)}"
        try:
            two_theta = place_of(premises, phase, stated.hkl)
            tilt = stated.tilt_deg
            if tilt is None:
                tilt = phase.cell.angle_deg(stated.hkl, growth_normal(phase)).item()
            spread = measured_mosaic(so_far, phase.key, premises)
            result = azimuth_scan(
                scan.axis_deg,
                scan.counts,
                instrument_box_deg=azimuth_box_deg(
                    two_theta, tilt, premises.optics, premises.stack.sample_length_mm
                ),
                background_counts=stated.background_counts,
                pole_tilt_deg=tilt,
                tilt_spread_fwhm_deg=spread.fwhm_deg if spread else None,
                sigma=scan.sigma,
            )
        except XrdfilmError as problem:
            why_not.setdefault("azimuth_fwhm_deg", str(problem))
            warnings.append(f"{label}: {problem}")
            continue
        found.append((stated, scan, result))
        warnings += [f"{label}: {note}" for note in result.notes]
    if not scans.azimuth:
        why_not["azimuth_fwhm_deg"] = "no azimuth scan was given"
    return tuple(found)


def _tilt(
    scans: SideScans, premises: Premises, so_far: SideResults, warnings: list[str]
) -> TiltResult | None:
    if scans.tilt is None:
        return None
    stated, scan = scans.tilt
    film = premises.film
    azimuth = so_far.azimuth_of(film.key, film.key)
    twist = None if azimuth is None else azimuth.twist_fwhm_deg
    mosaic = measured_mosaic(so_far, film.key, premises)
    try:
        geometry = TiltGeometry(
            stated.azimuth,
            stated.hkl,
            stated.two_theta_acceptance_deg,
            in_plane_fwhm_deg=None if twist is None else twist.centre,
            out_of_plane_fwhm_deg=None if mosaic is None else mosaic.fwhm_deg,
            defocus=scans.defocus,
        )
        orientation, fitted = tilt_scan_orientation(
            scan.axis_deg,
            scan.counts,
            film,
            premises.optics,
            premises.stack,
            geometry,
            background_counts=stated.background_counts,
            sigma=scan.sigma,
            a_normal_share=premises.a_normal_share,
            spread=ModelSpread(thickness=premises.thickness_uncertainty),
        )
    except XrdfilmError as problem:
        warnings.append(f"tilt scan of {Reflection(film.key, stated.hkl)}: {problem}")
        return None
    return TiltResult(stated, scan, fitted, orientation)


def measured_mosaic(results: SideResults, phase: str, premises: Premises) -> Mosaic | None:
    """The mosaic that the rocking scans of a phase's normal measured, directions averaged."""
    curves = results.rocking_of(phase, premises.film.key)
    return _mosaic_of([curve.spread_fwhm_deg for curve in curves])


def _mosaic_of(widths: Sequence[Estimate]) -> Mosaic | None:
    known = [(w.centre, w.sigma) for w in widths if w.centre is not None and w.sigma is not None]
    known = [(width, sigma) for width, sigma in known if width > 0.0]
    if not known:
        return None
    values = np.array([width for width, _ in known])
    mean = float(values.mean())
    sigma = float(np.hypot(np.mean([sigma for _, sigma in known]), values.std()))
    return Mosaic.from_measurement(mean, max(sigma, 0.01 * mean))


def film_mosaics(results: SideResults, premises: Premises) -> dict[str, Mosaic]:
    """Mosaic by component: measured where a rocking scan tells it, else as assumed."""
    key = premises.film.key
    a_widths = [
        curve.spread_fwhm_deg
        for stated, _, curve in results.rocking
        if (stated.phase or key) == key and stated.hkl[2] == 0
    ]
    measured_a = _mosaic_of(a_widths)
    measured_c = measured_mosaic(results, key, premises)
    found = {"c_axis": measured_c or premises.c_axis_mosaic}
    if measured_a is not None:
        found["a_axis"] = measured_a
    elif measured_c is None and premises.a_axis_mosaic != premises.c_axis_mosaic:
        found["a_axis"] = premises.a_axis_mosaic
    return found
