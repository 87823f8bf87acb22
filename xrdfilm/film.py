"""One film: the whole chain from its scans to what is known of it.

    analyses = analyse_films(inputs, settings)

The coupled scans of films that share stack and axis go through the fits together
(`xrdfilm.coupled`); the rest is done film by film: rocking, azimuth and tilt scans give the
mosaic and the in-plane texture, the mosaic goes into orientation, both go into the fluoride.
Nothing here reads or writes files.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.azimuth import AzimuthScan, azimuth_box_deg, azimuth_scan
from xrdfilm.coupled import CoupledFit, Prepared, analyse_coupled, prepare
from xrdfilm.crystal import Phase, line_list
from xrdfilm.errors import CannotTellError, XrdfilmError
from xrdfilm.estimate import Estimate
from xrdfilm.fluoride import FluorideEstimate, FluorideSettings, estimate_fluoride
from xrdfilm.intensity import Orientation, a_axis, c_axis, growth_normal, other_103, random
from xrdfilm.optics import divergence_on_sample_rad
from xrdfilm.orientation import OrientationEstimate, estimate_orientation
from xrdfilm.oxygen import OxygenHint, oxygen_hint
from xrdfilm.premises import Mosaic as AssumedMosaic
from xrdfilm.premises import Premises
from xrdfilm.radiation import two_theta_of
from xrdfilm.response import ModelSpread, Mosaic
from xrdfilm.rocking import RockingCurve, rocking_curve
from xrdfilm.runfile import AngleScan
from xrdfilm.scan import Scan
from xrdfilm.unexplained import UnexplainedLine, find_unexplained

CANDIDATE_PHASES = (
    "YBCO", "BaF2", "CuO", "Cu2O", "Y2O3", "Y2BaCuO5", "BaCuO2", "Y2Cu2O5", "BaCO3", "BaCeO3",
    "NiO", "NiWO4", "YF3", "BaZrO3",
)  # fmt: skip
"""Phases that an unexplained line is compared with."""

YTTRIUM_FILMS = ("YBCO", "YBCO6")


@dataclass(frozen=True, slots=True, eq=False)
class FilmInput:
    """A film's name, premises and scans, as read.

    ``problems`` are sentences about scans that could not be read; ``unreadable`` is that about
    its coupled scan, without which nothing is said of the film.
    """

    name: str
    premises: Premises
    coupled: Scan | None = None
    rocking: tuple[tuple[AngleScan, Scan], ...] = ()
    azimuth: tuple[tuple[AngleScan, Scan], ...] = ()
    problems: tuple[str, ...] = ()
    unreadable: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class FilmAnalysis:
    """What is known of a film; None where it was not measured or could not be told.

    ``unreadable`` says why nothing can be said at all. ``why_not`` says, for a quantity's name,
    why it is missing. ``warnings`` come in order of weight.
    """

    name: str
    premises: Premises
    coupled: CoupledFit | None = None
    rocking: tuple[tuple[AngleScan, Scan, RockingCurve], ...] = ()
    azimuth: tuple[tuple[AngleScan, Scan, AzimuthScan], ...] = ()
    orientation: OrientationEstimate | None = None
    fluoride: FluorideEstimate | None = None
    oxygen: OxygenHint | None = None
    unexplained: tuple[UnexplainedLine, ...] = ()
    unreadable: str | None = None
    why_not: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


class FilmAnalyser:
    """Analyses films, keeping what films of one stack and axis share."""

    def __init__(self) -> None:
        self._prepared: dict[tuple[int, bytes], Prepared] = {}
        self._kept: list[Premises] = []  # ids stay unique only while their objects live

    def analyse(
        self, films: Sequence[FilmInput], tick: Callable[[str], None] | None = None
    ) -> list[FilmAnalysis]:
        """Analyse films in the order given; ``tick`` is called with each film's name when done."""
        groups: dict[tuple[int, bytes], list[int]] = {}
        for i, film in enumerate(films):
            if film.coupled is not None:
                key = (id(film.premises), film.coupled.axis_deg.tobytes())
                groups.setdefault(key, []).append(i)
        fits: dict[int, CoupledFit | XrdfilmError] = {}
        for key, members in groups.items():
            scans = [scan for i in members if (scan := films[i].coupled) is not None]
            try:
                prepared = self._prepare(key, films[members[0]].premises, scans[0])
            except XrdfilmError as problem:
                fits.update(dict.fromkeys(members, problem))
                continue
            fits.update(zip(members, analyse_coupled(scans, prepared), strict=True))
        done = []
        for i, film in enumerate(films):
            done.append(_analyse(film, fits.get(i)))
            if tick is not None:
                tick(film.name)
        return done

    def _prepare(self, key: tuple[int, bytes], premises: Premises, scan: Scan) -> Prepared:
        if key not in self._prepared:
            self._kept.append(premises)
            self._prepared[key] = prepare(premises, scan.axis_deg)
        return self._prepared[key]


def analyse_films(films: Sequence[FilmInput]) -> list[FilmAnalysis]:
    """Analyse films once; see `FilmAnalyser` for many batches of like films."""
    return FilmAnalyser().analyse(films)


def _analyse(film: FilmInput, fit: CoupledFit | XrdfilmError | None) -> FilmAnalysis:
    warnings: list[str] = list(film.problems)
    why_not: dict[str, str] = {}
    premises = film.premises
    unreadable = film.unreadable
    if isinstance(fit, XrdfilmError):
        unreadable = str(fit)
    if unreadable is not None:
        return FilmAnalysis(film.name, premises, unreadable=unreadable, warnings=tuple(warnings))
    rocking = _rocking(film, warnings, why_not)
    azimuth = _azimuth(film, rocking, warnings, why_not)
    coupled = fit if isinstance(fit, CoupledFit) else None
    if coupled is None and not rocking and not azimuth:
        reason = warnings.pop(0) if warnings else "no scan was given"
        return FilmAnalysis(film.name, premises, unreadable=reason, warnings=tuple(warnings))
    orientation = fluoride = None
    oxygen: OxygenHint | None = None
    unexplained: tuple[UnexplainedLine, ...] = ()
    if coupled is not None:
        warnings += coupled.notes
        if not premises.powder:
            orientation = _orientation(coupled, rocking, why_not)
            fluoride = _fluoride(coupled, orientation, rocking, why_not)
        oxygen = _oxygen(coupled, why_not)
        unexplained = _unexplained(coupled, fluoride)
        warnings += _scan_warnings(coupled.scan)
    return FilmAnalysis(
        film.name,
        premises,
        coupled,
        rocking,
        azimuth,
        orientation,
        fluoride,
        oxygen,
        unexplained,
        None,
        why_not,
        tuple(dict.fromkeys(warnings)),
    )


def _scan_warnings(scan: Scan) -> list[str]:
    return [f.text for f in scan.findings if f.action in ("flagged", "repaired")]


def _rocking(
    film: FilmInput, warnings: list[str], why_not: dict[str, str]
) -> tuple[tuple[AngleScan, Scan, RockingCurve], ...]:
    found = []
    premises = film.premises
    for stated, scan in film.rocking:
        phase = premises.phase(stated.phase) if stated.phase else premises.film
        try:
            two_theta = _two_theta(premises, phase, stated.hkl)
            box = divergence_on_sample_rad(
                two_theta, premises.optics, premises.stack.sample_length_mm
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
            warnings.append(f"rocking scan of {phase.key} {_indices(stated.hkl)}: {problem}")
            continue
        found.append((stated, scan, curve))
        warnings += [
            f"rocking scan of {phase.key} {_indices(stated.hkl)}: {n}" for n in curve.notes
        ]
    if not film.rocking:
        why_not["rocking_fwhm_deg"] = "no rocking scan was given"
    return tuple(found)


def _indices(hkl: tuple[int, int, int]) -> str:
    return "(" + "".join(map(str, hkl)) + ")"


def _two_theta(premises: Premises, phase: Phase, hkl: tuple[int, int, int]) -> float:
    """Place of a reflection; raises CannotTellError where the phase has none of these indices."""
    place = float(
        two_theta_of(phase.cell.d_spacing(np.array([hkl])), premises.optics.radiation.k_alpha1_A)[0]
    )
    if not np.isfinite(place):
        raise CannotTellError(
            f"{phase.key} {_indices(hkl)} lies beyond the reach of this radiation"
        )
    lines = line_list(phase, premises.optics.radiation, two_theta_max_deg=min(place + 1.0, 179.0))
    near = np.abs(lines.two_theta_deg - place) < 0.01
    if not near.any():
        raise CannotTellError(
            f"{phase.key} has no reflection {_indices(hkl)}: it is absent by symmetry; check the "
            "indices in run.toml"
        )
    return place


def _azimuth(
    film: FilmInput,
    rocking: Sequence[tuple[AngleScan, Scan, RockingCurve]],
    warnings: list[str],
    why_not: dict[str, str],
) -> tuple[tuple[AngleScan, Scan, AzimuthScan], ...]:
    found = []
    premises = film.premises
    for stated, scan in film.azimuth:
        phase = premises.phase(stated.phase) if stated.phase else premises.film
        label = f"azimuth scan of {phase.key} {_indices(stated.hkl)}"
        try:
            two_theta = _two_theta(premises, phase, stated.hkl)
            tilt = stated.tilt_deg
            if tilt is None:
                tilt = phase.cell.angle_deg(stated.hkl, growth_normal(phase)).item()
            spread = _rocking_of(rocking, phase.key, premises)
            result = azimuth_scan(
                scan.axis_deg,
                scan.counts,
                instrument_box_deg=azimuth_box_deg(
                    two_theta, tilt, premises.optics, premises.stack.sample_length_mm
                ),
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
    if not film.azimuth:
        why_not["azimuth_fwhm_deg"] = "no azimuth scan was given"
    return tuple(found)


def _rocking_of(
    rocking: Sequence[tuple[AngleScan, Scan, RockingCurve]], phase: str, premises: Premises
) -> Mosaic | None:
    """The mosaic that the rocking scans of (00l) of a phase measured, directions averaged."""
    widths = [
        (c.spread_fwhm_deg.centre, c.spread_fwhm_deg.sigma)
        for stated, _, c in rocking
        if (stated.phase or premises.film.key) == phase and stated.hkl[0] == stated.hkl[1] == 0
    ]
    known = [(w, s) for w, s in widths if w is not None and s is not None and w > 0.0]
    if not known:
        return None
    values = np.array([w for w, _ in known])
    sigma = float(np.hypot(np.mean([s for _, s in known]), values.std()))
    return Mosaic.from_measurement(float(values.mean()), max(sigma, 0.01 * float(values.mean())))


def film_mosaics(
    premises: Premises, rocking: Sequence[tuple[AngleScan, Scan, RockingCurve]]
) -> dict[str, Mosaic]:
    """Mosaic by component: measured where a rocking scan tells it, else as assumed."""
    measured = _rocking_of(rocking, premises.film.key, premises)
    if measured is None:
        c = _assumed(premises.c_axis_mosaic)
        a = _assumed(premises.a_axis_mosaic)
        return {"c_axis": c} if a == c else {"c_axis": c, "a_axis": a}
    found = {"c_axis": measured}
    a_widths = [
        c.spread_fwhm_deg
        for stated, _, c in rocking
        if stated.phase in (None, premises.film.key) and stated.hkl[2] == 0
    ]
    if a_widths and a_widths[0].centre is not None and a_widths[0].sigma is not None:
        found["a_axis"] = Mosaic.from_measurement(a_widths[0].centre, a_widths[0].sigma)
    return found


def _assumed(mosaic: AssumedMosaic) -> Mosaic:
    return Mosaic(mosaic.fwhm_deg, mosaic.factor, mosaic.measured)


def _orientation(
    coupled: CoupledFit,
    rocking: Sequence[tuple[AngleScan, Scan, RockingCurve]],
    why_not: dict[str, str],
) -> OrientationEstimate | None:
    premises = coupled.premises
    try:
        return estimate_orientation(
            coupled.usable(premises.film.key),
            premises.film,
            premises.optics,
            premises.stack,
            mosaics=film_mosaics(premises, rocking),
            a_normal_share=premises.a_normal_share,
            spread=ModelSpread(thickness=premises.thickness_uncertainty),
            left_out=coupled.prepared.layout.left_out,
        )
    except XrdfilmError as problem:
        for name in ("c_axis_fraction", "a_axis_fraction", "random_fraction"):
            why_not[name] = str(problem)
        return None


def components_of(
    orientation: OrientationEstimate | None, mosaics: Mapping[str, Mosaic]
) -> list[tuple[Orientation, float]]:
    """The film's components with their shares, cut to 0..1 and adding up to 1."""
    c = mosaics["c_axis"]
    a = mosaics.get("a_axis", c.follows())
    if orientation is None:
        return [(c_axis(c.fwhm_deg), 1.0)]

    def share(estimate: Estimate | None) -> float:
        centre = None if estimate is None else estimate.centre
        return 0.0 if centre is None else float(np.clip(centre, 0.0, 1.0))

    found = [
        (c_axis(c.fwhm_deg), share(orientation.c_axis)),
        (a_axis(a.fwhm_deg), share(orientation.a_axis)),
        (random(), share(orientation.random)),
        (other_103(c.fwhm_deg), share(orientation.other)),
    ]
    total = sum(part for _, part in found)
    if total <= 0.0:
        return [(c_axis(c.fwhm_deg), 1.0)]
    return [(what, part / total) for what, part in found]


def _fluoride(
    coupled: CoupledFit,
    orientation: OrientationEstimate | None,
    rocking: Sequence[tuple[AngleScan, Scan, RockingCurve]],
    why_not: dict[str, str],
) -> FluorideEstimate | None:
    premises = coupled.premises
    settings = FluorideSettings(
        instrument_fwhm_deg=premises.instrument_fwhm_deg, tape_width_mm=premises.tape_width_mm
    )
    try:
        return estimate_fluoride(
            coupled.aligned_scan(),
            coupled.usable(premises.film.key),
            components_of(orientation, film_mosaics(premises, rocking)),
            premises.stack,
            premises.optics,
            settings,
            phase=premises.fluoride,
        )
    except XrdfilmError as problem:
        for name in ("fluoride_volume_fraction", "conversion", "hf_bound_ug_cm2"):
            why_not[name] = str(problem)
        return None


def _oxygen(coupled: CoupledFit, why_not: dict[str, str]) -> OxygenHint | None:
    if coupled.cell is None or coupled.cell.c_A is None:
        reason = "no (00l) line of the film stands out enough"
        why_not["c_A"] = why_not["oxygen"] = reason
        return None
    if coupled.premises.powder:
        return None
    offset = 0.0 if coupled.premises.film.key in YTTRIUM_FILMS else None
    try:
        return oxygen_hint(coupled.cell.c_A, rare_earth_c_offset_A=offset)
    except CannotTellError as problem:
        why_not["oxygen"] = str(problem)
        return None


def _unexplained(
    coupled: CoupledFit, fluoride: FluorideEstimate | None
) -> tuple[UnexplainedLine, ...]:
    """Lines that neither the stack nor its ghosts nor a detected fluoride explain."""
    premises = coupled.premises
    rays = premises.optics.radiation
    references = [line_list(premises.phase(key), rays) for key in CANDIDATE_PHASES]
    found = find_unexplained(coupled.scan, coupled.background, coupled.fits, rays, references)
    own = _fluoride_places(coupled, fluoride)
    # what a badly fitted line leaves over beside it is no line
    rough = np.array(
        [
            line.two_theta_deg
            for line in coupled.lines
            if {"misfit", "blend", "held_place"} & set(line.flags) and line.significance > 5.0
        ]
    )
    own = np.concatenate([own, rough])
    return tuple(
        line
        for line in found
        if not any(candidate.kind == "ghost" for candidate in line.candidates)
        and not np.any(np.abs(own - line.two_theta_deg) < max(0.15, line.fwhm_deg))
    )


def _fluoride_places(coupled: CoupledFit, fluoride: FluorideEstimate | None) -> FloatArray:
    """Places, as measured, of all lines of a fluoride that was detected."""
    if fluoride is None or not fluoride.detected:
        return np.empty(0)
    phase = coupled.premises.fluoride
    edge = None if fluoride.cell_A is None else fluoride.cell_A.centre
    if edge is not None:
        phase = phase.with_cell(a_A=edge)
    places = line_list(phase, coupled.premises.optics.radiation).two_theta_deg
    return np.asarray(places + coupled.alignment.shift(places))
