"""From the scans of a run's films to two series: what is left of the fluoride, what has grown.

Both sides compare line areas with those of reference films: the unconverted one (pyrolysed or
quenched) and the finished one, from [reference] in run.toml, else the first and the last film of
the series. Areas are divided by a line from below the film, which every film has alike, and
absorption is taken off by the order of the layers (`xrdfilm.kinetics.layers`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.analysis.premises import Premises
from xrdfilm.errors import CannotTellError, RunFileError
from xrdfilm.kinetics.early import FilmToFit, LineArea, fit_films, fluoride_areas
from xrdfilm.kinetics.layers import ORDER_WORDS, LayerOrder, Order
from xrdfilm.kinetics.series import Point, Series, Side
from xrdfilm.lines import Reflection
from xrdfilm.runfile import FilmTable, ReferenceTable
from xrdfilm.runs.gather import PlannedRun
from xrdfilm.runs.setup import RunSetup
from xrdfilm.scan import Scan

REPEATABILITY = 0.02
"""Relative doubt of an area from mounting a film anew (common practice, no source)."""

FLUORIDE_TEXTURE = 0.10
"""Relative doubt of the fluoride's area from its texture, which sharpens while it is consumed
(Wu et al., IEEE Trans. Appl. Supercond. 26(3) (2016) 7200505); the size is common practice, no
source."""

_LEAST_REFERENCE = 8.0  # a reference line must stand this many uncertainties above nothing
_LEAST_NORMALISER = 20.0
_BAD = {"core_excluded", "beside_core", "not_converged", "no_covariance", "cut_off", "no_data"}


@dataclass(frozen=True, slots=True)
class FilmAreas:
    """The areas of one film that a series needs, by reflection; ``time_s`` None for a reference."""

    film: str
    time_s: float | None
    film_lines: Mapping[Reflection, LineArea]
    fluoride_lines: Mapping[Reflection, LineArea]
    below_lines: Mapping[Reflection, LineArea]
    problem: str = ""


@dataclass(frozen=True, slots=True)
class ObservedSeries:
    """The two series of a run (None where a side cannot be measured), and how they came about."""

    sides: Mapping[Side, Series]
    normaliser: Reflection | None
    unconverted: str
    finished: str
    order: Order
    notes: tuple[str, ...]


def observe_run(
    planned: PlannedRun,
    *,
    times_s: Mapping[str, float] | None = None,
    order: Order = "from_below",
    time_key: str = "growth_time_min",
    fluoride_cell_A: float | None = None,
    tick: Callable[[str], None] | None = None,
) -> ObservedSeries:
    """Analyse a run's films and reference films and give the series of both sides.

    ``fluoride_cell_A`` states the cell edge of a fluoride that holds yttrium or another rare earth.
    ``times_s`` gives quench times by film id; else time_min of [[film]], else ``time_key`` in its
    recipe. Raises RunFileError where fewer than two films have a time.
    """
    # references are measured here, as films at any stage are
    bare = planned.run_file.model_copy(update={"reference": ReferenceTable()})
    setup = RunSetup.of(replace(planned, run_file=bare))
    tables = list(planned.films)
    times = [_time_of(table, times_s or {}, time_key) for table in tables]
    if sum(t is not None for t in times) < 2:
        raise RunFileError(
            "fewer than two films have a quench time: state time_min in [[film]], a group "
            "(?P<time_min>…) in [films] position_from, or give --times",
            path=planned.folder,
        )
    reference = planned.run_file.reference
    extra: dict[str, FilmTable] = {}
    for role in ("unconverted", "finished"):
        name = getattr(reference, role)
        if name is not None:
            extra[role] = FilmTable(id=f"reference, {role}", coupled=name)
    # films of the same premises share their preparation, with a shifted cell as without
    shifted: dict[int, tuple[Premises, Premises]] = {}

    def premises_for(scan: Scan | None) -> Premises:
        stated = setup.premises(scan)
        if fluoride_cell_A is None:
            return stated
        if id(stated) not in shifted:
            shifted[id(stated)] = stated, with_fluoride_cell(stated, fluoride_cell_A)
        return shifted[id(stated)][1]

    inputs = [
        FilmToFit(str(table.id), premises_for(scans.coupled), scans.coupled, scans.unreadable)
        for table in [*tables, *extra.values()]
        for scans in (setup.read_scans(table),)
    ]
    fits = fit_films(inputs, tick)
    areas = [
        areas_of(film.name, time, fit)
        for film, time, fit in zip(inputs, [*times, *[None] * len(extra)], fits, strict=True)
    ]
    films = areas[: len(tables)]
    references = dict(zip(extra, areas[len(tables) :], strict=True))
    for role, found in references.items():
        if found.problem:
            raise RunFileError(
                f"[reference] {role} cannot be used: {found.problem}",
                path=planned.folder / "run.toml",
            )
    premises = setup.premises(None)
    wavelength = premises.optics.radiation.k_alpha1_A
    stack = premises.stack
    assert stack.film.thickness_nm is not None
    return observe(
        films,
        LayerOrder.of(stack, wavelength, order),
        unconverted=references.get("unconverted"),
        finished=references.get("finished"),
        thickness_nm=stack.film.thickness_nm,
        thickness_sigma_nm=stack.film.thickness_nm * premises.thickness_uncertainty,
        name=planned.run_id,
    )


def _time_of(table: FilmTable, times_s: Mapping[str, float], time_key: str) -> float | None:
    if str(table.id) in times_s:
        return times_s[str(table.id)]
    if table.time_min is not None:
        return table.time_min * 60.0
    value = table.recipe.get(time_key)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value) * 60.0
    return None


def with_fluoride_cell(premises: Premises, cell_A: float) -> Premises:
    """The premises with a fluoride whose cell yttrium or another rare earth has shifted."""
    return replace(premises, fluoride=premises.fluoride.with_cell(a_A=cell_A))


def areas_of(film: str, time_s: float | None, fit: CoupledFit | str) -> FilmAreas:
    """The areas of a film from its fit, or why it has none."""
    if isinstance(fit, str):
        return FilmAreas(film, time_s, {}, {}, {}, fit)
    return FilmAreas(film, time_s, _film_lines(fit), fluoride_areas(fit), _below(fit))


def _film_lines(coupled: CoupledFit) -> dict[Reflection, LineArea]:
    """Areas of the lines along the film's normal, those that grow with its volume."""
    along = {
        laid.reflection
        for laid in coupled.laid
        if laid.component == "c_axis" and laid.ghost is None
    }
    return {
        line.reflection: LineArea(
            line.area_counts_deg, line.area_sigma_counts_deg, line.expected_deg
        )
        for line in coupled.usable(coupled.premises.film.key)
        if line.reflection in along and not _BAD & set(line.flags)
    }


def _below(coupled: CoupledFit) -> dict[Reflection, LineArea]:
    """Strong lines of substrate and buffers, the substrate's first."""
    found: list[tuple[int, Reflection, LineArea]] = []
    for line, laid in zip(coupled.lines, coupled.laid, strict=True):
        if laid.ghost is not None or laid.role not in ("substrate", "buffer"):
            continue
        if not laid.certain or _BAD & set(line.flags):
            continue
        if line.area_counts_deg > _LEAST_NORMALISER * line.area_sigma_counts_deg:
            area = LineArea(line.area_counts_deg, line.area_sigma_counts_deg, line.expected_deg)
            found.append((laid.role != "substrate", line.reflection, area))
    found.sort(key=lambda item: (item[0], item[2].sigma / item[2].area))
    return {reflection: area for _, reflection, area in found}


def observe(
    films: Sequence[FilmAreas],
    layers: LayerOrder,
    *,
    unconverted: FilmAreas | None = None,
    finished: FilmAreas | None = None,
    thickness_nm: float | None = None,
    thickness_sigma_nm: float = 0.0,
    name: str = "",
) -> ObservedSeries:
    """The series of both sides from the areas of films; see the module's head.

    Raises CannotTellError where neither side can be measured.
    """
    notes = [f"{f.film} is left out: {f.problem}" for f in films if f.problem]
    notes += [
        f"{f.film} is left out: it has no quench time"
        for f in films
        if not f.problem and f.time_s is None
    ]
    good = sorted(
        (f for f in films if not f.problem and f.time_s is not None),
        key=lambda f: f.time_s or 0.0,
    )
    if len(good) < 2:
        raise CannotTellError("fewer than two films with a quench time could be analysed")
    first, last = unconverted or good[0], finished or good[-1]
    if unconverted is None:
        notes.append(
            f"no unconverted reference film is stated: the first film, {first.film}, serves, so "
            "conversion before its quench is not seen"
        )
    if finished is None:
        notes.append(
            f"no finished reference film is stated: the last film, {last.film}, serves and counts "
            "as fully converted; if it is not, the film side reads too high"
        )
    normaliser = _normaliser([*good, first, last])
    if normaliser is None:
        notes.append(
            "no line from below the film is strong and sound in every scan: areas are compared as "
            "counted, so tube, slits and counting time must have stayed the same"
        )
    elif finished is None or unconverted is None:
        notes.append(f"areas are divided by {normaliser}")
    notes.append(f"absorption: {ORDER_WORDS[layers.order]}")
    about = {
        "thickness_nm": thickness_nm,
        "thickness_sigma_nm": thickness_sigma_nm,
        "name": name,
    }
    sides: dict[Side, Series] = {}
    pairs: tuple[tuple[Side, FilmAreas], ...] = (("fluoride", first), ("film", last))
    for side, reference in pairs:
        points, shared, why = _points(side, good, reference, normaliser, layers)
        if points:
            sides[side] = Series.of(points, side=side, shared_sigma=shared, **about)
        else:
            notes.append(f"no {side} side: {why}")
    if not sides:
        raise CannotTellError("neither side can be measured: " + "; ".join(notes))
    return ObservedSeries(sides, normaliser, first.film, last.film, layers.order, tuple(notes))


def _normaliser(films: Sequence[FilmAreas]) -> Reflection | None:
    """The first line from below that every film shows."""
    for reflection in films[0].below_lines:
        if all(reflection in f.below_lines for f in films):
            return reflection
    return None


def _points(
    side: str,
    films: Sequence[FilmAreas],
    reference: FilmAreas,
    normaliser: Reflection | None,
    layers: LayerOrder,
) -> tuple[list[Point], float, str]:
    """Points of one side, the relative doubt they share, and why there are none."""

    def lines_of(film: FilmAreas) -> Mapping[Reflection, LineArea]:
        return film.fluoride_lines if side == "fluoride" else film.film_lines

    base = {r: a for r, a in lines_of(reference).items() if a.area > _LEAST_REFERENCE * a.sigma}
    if not base:
        return [], 0.0, f"the reference film {reference.film} shows no usable line of it"
    norm = None if normaliser is None else reference.below_lines[normaliser]
    points: list[Point] = []
    for film in films:
        if film is reference:
            continue  # 0 or 1 by definition: no measurement
        estimates = []
        for reflection, own in lines_of(film).items():
            if reflection in base:
                at = None if norm is None or normaliser is None else film.below_lines[normaliser]
                estimates.append(_one_line(side, own, base[reflection], at, norm, layers))
        if not estimates:
            continue
        x, sigma = np.array(estimates).T
        weight = 1.0 / sigma**2
        mean = float(np.sum(weight * x) / weight.sum())
        spread = float(np.sqrt(1.0 / weight.sum()))
        left = 1.0 - mean if side == "fluoride" else mean
        doubt = np.hypot(REPEATABILITY, FLUORIDE_TEXTURE if side == "fluoride" else 0.0)
        points.append(
            Point(
                float(film.time_s or 0.0),
                mean,
                float(np.sqrt(spread**2 + (doubt * left) ** 2 + _FLOOR**2)),
                film=film.film,
            )
        )
    relative = np.array([a.sigma / a.area for a in base.values()])
    shared = float(np.sqrt(1.0 / np.sum(relative**-2.0)))
    if norm is not None:
        shared = float(np.hypot(shared, norm.sigma / norm.area))
    return points, float(np.hypot(shared, REPEATABILITY)), "no film shows its lines"


_FLOOR = 0.003  # no conversion is known better, for the fits' own sake


def _one_line(
    side: str,
    own: LineArea,
    reference: LineArea,
    norm: LineArea | None,
    reference_norm: LineArea | None,
    layers: LayerOrder,
) -> tuple[float, float]:
    """Conversion by one line, and its standard uncertainty from this film's counting."""
    scale = 1.0
    relative = 0.0
    place = None
    if norm is not None and reference_norm is not None:
        scale = reference_norm.area / norm.area
        relative = norm.sigma / norm.area
        place = norm.two_theta_deg
    ratio = own.area / reference.area * scale
    sigma = float(np.hypot(own.sigma / reference.area * scale, ratio * relative))
    convert = layers.from_fluoride_line if side == "fluoride" else layers.from_film_line
    x, slope = convert(np.array(ratio), reference.two_theta_deg, place)
    return float(x), max(abs(float(slope)) * sigma, 1e-5)
