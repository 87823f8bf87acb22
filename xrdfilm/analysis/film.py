"""One film: the whole chain from its scans to what is known of it.

    analyses = FilmAnalyser().analyse(inputs)

The coupled scans of films that share stack and axis go through the fits together
(`xrdfilm.analysis.coupled`); the rest is done film by film: rocking, azimuth and tilt scans give
mosaic and in-plane texture, the mosaic goes into orientation, both go into the fluoride. Nothing
here reads or writes files.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import ndtri

from xrdfilm.analysis.coupled import CoupledFit, analyse_coupled, wrong_axis
from xrdfilm.analysis.doublet_check import doublet_note
from xrdfilm.analysis.leftover import fluoride_places, unexplained_lines
from xrdfilm.analysis.premises import Premises
from xrdfilm.analysis.prepared import Prepared, make_room, prepare
from xrdfilm.analysis.references import MeasuredReferences
from xrdfilm.analysis.side_scans import (
    SideResults,
    SideScans,
    analyse_side_scans,
    film_mosaics,
    measured_mosaic,
)
from xrdfilm.errors import CannotTellError, XrdfilmError
from xrdfilm.estimate import Estimate
from xrdfilm.fluoride.estimate import FluorideEstimate, FluorideSettings, estimate_fluoride
from xrdfilm.fluoride.model import ModelDoubt
from xrdfilm.fluoride.products import ProductFinding, ProductSearch, search_products
from xrdfilm.intensity.model import Orientation, a_axis, c_axis, other_103, random
from xrdfilm.lattice.breadth import SampleBreadth, sample_breadth
from xrdfilm.lattice.fringes import Fringes, find_fringes
from xrdfilm.lattice.oxygen import OxygenHint, oxygen_hint
from xrdfilm.lattice.size_strain import WilliamsonHall, williamson_hall
from xrdfilm.linemap.unexplained import UnexplainedLine
from xrdfilm.lines import Reflection
from xrdfilm.scan import Scan
from xrdfilm.texture.buffers import BufferOrientation, buffer_orientation
from xrdfilm.texture.orientation import OrientationEstimate, estimate_orientation
from xrdfilm.texture.response import ModelSpread, Mosaic
from xrdfilm.texture.tilt import with_random

MOST_PREPARED = 16  # stacks and axes that an analyser keeps at a time
YTTRIUM_FILMS = ("YBCO", "YBCO6")
FRINGES_BELOW_NM = 300.0  # thicker films show no fringes on a divergent-beam instrument


@dataclass(frozen=True, slots=True, eq=False)
class FilmInput:
    """A film's name, premises and scans, as read.

    ``problems`` are sentences about scans that could not be read; ``unreadable`` is that about
    its coupled scan, without which nothing is said of the film.
    """

    name: str
    premises: Premises
    coupled: Scan | None = None
    side: SideScans = field(default_factory=SideScans)
    references: MeasuredReferences | None = None
    problems: tuple[str, ...] = ()
    unreadable: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class FilmAnalysis:
    """What is known of a film; None where it was not measured or could not be told.

    ``orientation`` is by the tilt route where there is a tilt scan, and ``by_lines`` then that of
    the coupled scan. ``unreadable`` says why nothing can be said at all. ``why_not`` says, for a
    quantity's name, why it is missing. ``warnings`` come in order of weight.
    """

    name: str
    premises: Premises
    coupled: CoupledFit | None = None
    side: SideResults = field(default_factory=SideResults)
    orientation: OrientationEstimate | None = None
    by_lines: OrientationEstimate | None = None
    fluoride: FluorideEstimate | None = None
    products: tuple[ProductFinding, ...] = ()
    buffers: tuple[BufferOrientation, ...] = ()
    oxygen: OxygenHint | None = None
    breadth: WilliamsonHall | None = None
    fringes: Fringes | None = None
    unexplained: tuple[UnexplainedLine, ...] = ()
    unreadable: str | None = None
    why_not: Mapping[str, str] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()


class FilmAnalyser:
    """Analyses films, keeping what films of one stack and axis share."""

    def __init__(self) -> None:
        # by the identity of the premises, which live as long as what is prepared of them
        self._prepared: dict[tuple[int, bytes], Prepared] = {}

    def analyse(
        self, films: Sequence[FilmInput], tick: Callable[[str], None] | None = None
    ) -> list[FilmAnalysis]:
        """Analyse films in the order given; ``tick`` is called with each film's name when done.

        An error nobody foresaw spoils its own film only, which is then listed as unreadable.
        """
        fits = self.fit([(film.premises, film.coupled) for film in films])
        begun: list[_Begun | FilmAnalysis] = []
        for film, fit in zip(films, fits, strict=True):
            try:
                begun.append(_begin(film, fit))
            except Exception as problem:
                begun.append(_broken(film, problem))
        products = iter(_products([item for item in begun if isinstance(item, _Begun)]))
        done: list[FilmAnalysis] = []
        for film, item in zip(films, begun, strict=True):
            try:
                whole = item if isinstance(item, FilmAnalysis) else _finish(item, next(products))
            except Exception as problem:
                whole = _broken(film, problem)
            done.append(whole)
            if tick is not None:
                tick(film.name)
        return done

    def fit(
        self, items: Sequence[tuple[Premises, Scan | None]]
    ) -> list[CoupledFit | XrdfilmError | None]:
        """Fit coupled scans, those of one stack and axis together; None where there is no scan."""
        groups: dict[tuple[int, bytes], list[int]] = {}
        for i, (premises, scan) in enumerate(items):
            if scan is not None and wrong_axis(scan) is None:
                key = (id(premises), scan.axis_deg.tobytes())
                groups.setdefault(key, []).append(i)
        fits: list[CoupledFit | XrdfilmError | None] = [
            None if scan is None else wrong_axis(scan) for _, scan in items
        ]
        for key, members in groups.items():
            scans = [scan for i in members if (scan := items[i][1]) is not None]
            found: Sequence[CoupledFit | XrdfilmError]
            try:
                found = analyse_coupled(scans, self._prepare(key, items[members[0]][0], scans[0]))
            except XrdfilmError as problem:
                found = [problem] * len(members)
            for i, fit in zip(members, found, strict=True):
                fits[i] = fit
        return fits

    def _prepare(self, key: tuple[int, bytes], premises: Premises, scan: Scan) -> Prepared:
        if key not in self._prepared:
            make_room(self._prepared, MOST_PREPARED)
            self._prepared[key] = prepare(premises, scan.axis_deg)
        return self._prepared[key]


def analyse_films(films: Sequence[FilmInput]) -> list[FilmAnalysis]:
    """Analyse a batch of films once; see `FilmAnalyser` for many batches of like films."""
    return FilmAnalyser().analyse(films)


def _broken(film: FilmInput, problem: Exception) -> FilmAnalysis:
    place = traceback.extract_tb(problem.__traceback__)[-1]
    text = (
        f"the analysis broke off ({type(problem).__name__}: {problem}, in {place.name}); this is "
        "a fault of the program: please report it with the scan"
    )
    return FilmAnalysis(film.name, film.premises, unreadable=text)


@dataclass(frozen=True, slots=True, eq=False)
class _Begun:
    """A film with a fitted coupled scan, up to its fluoride."""

    film: FilmInput
    coupled: CoupledFit
    side: SideResults
    orientation: OrientationEstimate | None
    by_lines: OrientationEstimate | None
    fluoride: FluorideEstimate | None
    search: ProductSearch | None
    why_not: dict[str, str]
    warnings: list[str]


def _begin(film: FilmInput, fit: CoupledFit | XrdfilmError | None) -> _Begun | FilmAnalysis:
    """Side scans, orientation and fluoride; the whole analysis where there is no coupled scan."""
    premises = film.premises
    unreadable = str(fit) if isinstance(fit, XrdfilmError) else film.unreadable
    if unreadable is not None:
        return FilmAnalysis(film.name, premises, unreadable=unreadable, warnings=film.problems)
    side = analyse_side_scans(film.side, premises)
    warnings = [*film.problems, *side.warnings]
    why_not = dict(side.why_not)
    coupled = fit if isinstance(fit, CoupledFit) else None
    if coupled is None:
        if not (side.rocking or side.azimuth or side.tilt):
            reason = warnings[0] if warnings else "no scan was given"
            return FilmAnalysis(film.name, premises, unreadable=reason)
        return FilmAnalysis(
            film.name, premises, side=side, why_not=why_not, warnings=tuple(warnings),
            orientation=side.tilt.orientation if side.tilt else None,
        )  # fmt: skip
    warnings += coupled.notes
    rays = premises.optics.radiation
    spectrum = doublet_note(coupled.scan, coupled.background.values, coupled.lines, rays)
    if spectrum is not None:
        warnings.insert(0, spectrum)
    mosaics = film_mosaics(side, premises)
    orientation = by_lines = fluoride = search = None
    if not premises.powder:
        without: frozenset[Reflection] = frozenset()
        for _ in range(2):
            by_lines = _orientation(coupled, mosaics, why_not, without)
            orientation = _best_route(side, by_lines)
            components = components_of(orientation, mosaics)
            doubt = _model_doubt(premises, mosaics, orientation)
            fluoride = _fluoride(coupled, components, doubt, film.references, why_not, warnings)
            # a fluoride found where random grains of the film have a line may own that line
            without = _beside_fluoride(coupled, fluoride)
            if not without:
                break
        search = _search(coupled, components, doubt, fluoride)
    return _Begun(film, coupled, side, orientation, by_lines, fluoride, search, why_not, warnings)


def _finish(begun: _Begun, products: tuple[ProductFinding, ...] | Exception) -> FilmAnalysis:
    """What rests on the products found, and everything else that a coupled scan tells."""
    if isinstance(products, Exception):
        raise products
    film, coupled, side, fluoride = begun.film, begun.coupled, begun.side, begun.fluoride
    premises, why_not, warnings = film.premises, begun.why_not, begun.warnings
    buffers = () if premises.powder else _buffers(coupled, side, why_not)
    warnings += [f.text for f in coupled.scan.findings if f.action in ("flagged", "repaired")]
    fringes = _fringes(coupled)
    return FilmAnalysis(
        name=film.name,
        premises=premises,
        coupled=coupled,
        side=side,
        orientation=begun.orientation,
        by_lines=begun.by_lines,
        fluoride=fluoride,
        products=products,
        buffers=buffers,
        oxygen=_oxygen(coupled, why_not),
        breadth=_breadth(coupled, why_not),
        fringes=fringes,
        unexplained=unexplained_lines(coupled, fluoride, products, fringes),
        why_not=why_not,
        warnings=tuple(dict.fromkeys(warnings)),
    )


def _orientation(
    coupled: CoupledFit,
    mosaics: Mapping[str, Mosaic],
    why_not: dict[str, str],
    without: frozenset[Reflection],
) -> OrientationEstimate | None:
    premises = coupled.premises
    lines = coupled.usable(premises.film.key)
    free = lines.subset([i for i, line in enumerate(lines) if not without & set(line.members)])
    counted = {member for line in free for member in line.members}
    left_out = [(r, why) for r, why in coupled.prepared.layout.left_out if r not in counted]
    left_out += [(r, "a line of the fluoride that was found lies there") for r in sorted(without)]
    try:
        return estimate_orientation(
            free,
            premises.film,
            premises.optics,
            premises.stack,
            mosaics=mosaics,
            a_normal_share=premises.a_normal_share,
            spread=ModelSpread(thickness=premises.thickness_uncertainty),
            left_out=left_out,
        )
    except XrdfilmError as problem:
        for name in ("c_axis_fraction", "a_axis_fraction", "random_fraction"):
            why_not[name] = str(problem)
        return None


def _best_route(
    side: SideResults, by_lines: OrientationEstimate | None
) -> OrientationEstimate | None:
    """The tilt route where there is a tilt scan; random grains from the lines if it sees none."""
    if side.tilt is None:
        return by_lines
    tilted = side.tilt.orientation
    if by_lines is None or side.tilt.stated.background_counts is not None:
        return tilted
    return with_random(tilted, by_lines.random)


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


def _beside_fluoride(
    coupled: CoupledFit, fluoride: FluorideEstimate | None
) -> frozenset[Reflection]:
    """Lines of the film's random grains that lie where a detected fluoride has a line."""
    places = fluoride_places(coupled, fluoride)
    if not places.size:
        return frozenset()
    correct = coupled.alignment.correct
    return frozenset(
        line.reflection
        for line in coupled.usable(coupled.premises.film.key)
        if sum(i != 0 for i in line.reflection.hkl) > 1
        and np.min(np.abs(places - correct(line.two_theta_deg))) < max(0.25, 2.0 * line.fwhm_deg)
    )


def _model_doubt(
    premises: Premises, mosaics: Mapping[str, Mosaic], orientation: OrientationEstimate | None
) -> ModelDoubt:
    """What the amounts of minor phases take for granted, as the premises and shares state it.

    The fluoride's mosaic is known to the stated factor where it was stated itself.
    """
    own, usual = premises.fluoride_mosaic, ModelDoubt().fluoride_mosaic_factor
    return ModelDoubt(
        mosaic_factor=mosaics["c_axis"].factor,
        fluoride_mosaic_factor=usual if own == premises.c_axis_mosaic else min(usual, own.factor),
        thickness=premises.thickness_uncertainty,
        orientation=_share_doubt(orientation),
    )


def _share_doubt(orientation: OrientationEstimate | None) -> float:
    """How well the c-axis share tells the film's whole volume from its (00l): a relative sigma.

    From the interval's ends, since a small share may be off by a factor; without the part of the
    mosaics, which amounts doubt by themselves.
    """
    if orientation is None:
        return 1.0
    share = orientation.c_axis
    low, high = max(share.low or 0.0, 0.02), min(share.high or 1.0, 1.0)
    spread = float(np.log(max(high / low, 1.0))) / (2.0 * float(ndtri(0.5 + share.level / 2.0)))
    by_mosaic = share.sources.get("mosaic", 0.0) / share.sigma if share.sigma else 0.0
    return spread * float(np.sqrt(max(1.0 - by_mosaic**2, 0.0)))


def _fluoride(
    coupled: CoupledFit,
    components: Sequence[tuple[Orientation, float]],
    doubt: ModelDoubt,
    references: MeasuredReferences | None,
    why_not: dict[str, str],
    warnings: list[str],
) -> FluorideEstimate | None:
    premises = coupled.premises
    own = premises.fluoride_mosaic
    settings = FluorideSettings(
        alpha=premises.false_alarm_risk,
        beta=premises.miss_risk,
        instrument_fwhm_deg=premises.instrument_fwhm_deg,
        tape_width_mm=premises.tape_width_mm,
        fluoride_mosaic_deg=None if own == premises.c_axis_mosaic else own.fwhm_deg,
        doubt=doubt,
        left_out=premises.adjustments.excluded_hkl(premises.fluoride.key),
    )
    seen_from_here = None
    if references is not None:
        try:
            seen_from_here = references.for_film(coupled)
        except CannotTellError as problem:
            warnings.append(f"reference films not used: {problem}")
    try:
        return estimate_fluoride(
            coupled.aligned_scan(),
            coupled.usable(premises.film.key),
            components,
            premises.stack,
            premises.optics,
            settings,
            phase=premises.fluoride,
            references=seen_from_here,
        )
    except XrdfilmError as problem:
        for name in ("fluoride_volume_fraction", "conversion", "hf_bound_ug_cm2"):
            why_not[name] = str(problem)
        return None


def _search(
    coupled: CoupledFit,
    components: Sequence[tuple[Orientation, float]],
    doubt: ModelDoubt,
    fluoride: FluorideEstimate | None,
) -> ProductSearch:
    premises = coupled.premises
    taken = fluoride_places(coupled, fluoride)
    return ProductSearch(
        coupled.aligned_scan(),
        coupled.usable(premises.film.key),
        components,
        premises.stack,
        premises.optics,
        alpha=premises.false_alarm_risk,
        instrument_fwhm_deg=premises.instrument_fwhm_deg,
        doubt=doubt,
        taken_deg=tuple(taken.tolist()),
    )


def _products(begun: Sequence[_Begun]) -> list[tuple[ProductFinding, ...] | Exception]:
    """Products of each film, searched for together; one by one where that fails for some."""
    try:
        together = iter(search_products([i.search for i in begun if i.search is not None]))
        return [() if item.search is None else next(together) for item in begun]
    except Exception:
        return [_products_alone(item) for item in begun]


def _products_alone(begun: _Begun) -> tuple[ProductFinding, ...] | Exception:
    if begun.search is None:
        return ()
    try:
        return search_products([begun.search])[0]
    except Exception as problem:
        return problem


def _buffers(
    coupled: CoupledFit, side: SideResults, why_not: dict[str, str]
) -> tuple[BufferOrientation, ...]:
    """The (00l) and (111) parts of each buffer whose lines of both kinds were measured."""
    premises = coupled.premises
    found = []
    for index, layer in enumerate(premises.stack.buffers, start=1):
        measured = measured_mosaic(side, layer.phase.key, premises)
        try:
            found.append(
                buffer_orientation(
                    coupled.usable(layer.phase.key),
                    premises.optics,
                    premises.stack,
                    index,
                    mosaics=None if measured is None else {"aligned_00l": measured},
                )
            )
        except XrdfilmError as problem:
            why_not.setdefault("buffer_111_fraction", str(problem))
    return tuple(found)


def _oxygen(coupled: CoupledFit, why_not: dict[str, str]) -> OxygenHint | None:
    if coupled.premises.powder:
        return None
    if coupled.cell is None or coupled.cell.c_A is None:
        reason = "no (00l) line of the film stands out enough"
        why_not["c_A"] = why_not["oxygen"] = reason
        return None
    offset = 0.0 if coupled.premises.film.key in YTTRIUM_FILMS else None
    try:
        return oxygen_hint(coupled.cell.c_A, rare_earth_c_offset_A=offset)
    except CannotTellError as problem:
        why_not["oxygen"] = str(problem)
        return None


def _breadth(coupled: CoupledFit, why_not: dict[str, str]) -> WilliamsonHall | None:
    """Size and strain from the film's own lines, where a standard showed the instrument's."""
    premises = coupled.premises
    if premises.instrument is None:
        reason = "no standard's scan, so the instrument's own line widths are not known"
        why_not["crystallite_size_nm"] = why_not["microstrain"] = reason
        return None
    breadths: list[SampleBreadth] = []
    for line, laid in zip(coupled.lines, coupled.laid, strict=True):
        own = laid.role == "film" and laid.certain and laid.ghost is None
        own &= not premises.adjustments.excludes(laid.members)
        if not own or len(line.members) > 1 or line.significance < 30.0:
            continue
        if {"at_bound", "misfit", "held_width"} & set(line.flags) or line.fwhm_sigma_deg <= 0.0:
            continue
        breadths.append(
            sample_breadth(
                line.two_theta_deg,
                line.fwhm_deg,
                line.fwhm_sigma_deg,
                line.lorentz_fraction,
                premises.instrument.curve,
            )
        )
    thickness = None if premises.powder else premises.stack.film.thickness_nm
    try:
        return williamson_hall(
            breadths, premises.optics.radiation.k_alpha1_A, thickness_nm=thickness
        )
    except CannotTellError as problem:
        why_not["crystallite_size_nm"] = why_not["microstrain"] = str(problem)
        return None


def _fringes(coupled: CoupledFit) -> Fringes | None:
    premises = coupled.premises
    thickness = premises.stack.film.thickness_nm
    if premises.powder or thickness is None or thickness > FRINGES_BELOW_NM:
        return None
    own = [
        line
        for line, laid in zip(coupled.lines, coupled.laid, strict=True)
        if laid.role == "film" and laid.certain and laid.ghost is None and line.significance > 50.0
    ]
    if not own:
        return None
    top = max(own, key=lambda line: line.area_counts_deg)
    return find_fringes(
        coupled.scan, top.two_theta_deg, top.fwhm_deg, premises.optics.radiation.k_alpha1_A
    )
