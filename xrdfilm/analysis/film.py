"""One film: the whole chain from its scans to what is known of it.

    analyses = FilmAnalyser().analyse(inputs)

The coupled scans of films that share stack and axis go through the fits together
(`xrdfilm.analysis.coupled`); the rest is done film by film: rocking, azimuth and tilt scans give
mosaic and in-plane texture, the mosaic goes into orientation, both go into the fluoride. Nothing
here reads or writes files.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from xrdfilm.analysis.coupled import CoupledFit, analyse_coupled, wrong_axis
from xrdfilm.analysis.doublet_check import FittedScan, doublet_notes
from xrdfilm.analysis.film_shares import (
    beside_fluoride,
    best_route,
    components_of,
    orientation_by_lines,
)
from xrdfilm.analysis.film_structure import breadth_of, buffers_of, fringes_of, oxygen_of
from xrdfilm.analysis.leftover import unexplained_lines
from xrdfilm.analysis.minor_phases import fluoride_of, model_doubt, product_search
from xrdfilm.analysis.premises import Premises
from xrdfilm.analysis.prepared import Prepared, make_room, prepare
from xrdfilm.analysis.references import MeasuredReferences
from xrdfilm.analysis.side_scans import (
    SideResults,
    SideScans,
    analyse_side_scans,
    film_mosaics,
)
from xrdfilm.analysis.stack_check import silenced, wrong_stack
from xrdfilm.errors import XrdfilmError
from xrdfilm.fluoride.estimate import FluorideEstimate
from xrdfilm.fluoride.products import ProductFinding, ProductSearch, search_products
from xrdfilm.lattice.fringes import Fringes
from xrdfilm.lattice.oxygen import OxygenHint
from xrdfilm.lattice.size_strain import WilliamsonHall
from xrdfilm.linemap.unexplained import UnexplainedLine
from xrdfilm.lines import Reflection
from xrdfilm.scan import Scan
from xrdfilm.texture.buffers import BufferOrientation
from xrdfilm.texture.orientation import OrientationEstimate

MOST_PREPARED = 16  # stacks and axes that an analyser keeps at a time


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
        spectra = _together(
            doublet_notes,
            [_fitted_scan(fit) if isinstance(fit, CoupledFit) else None for fit in fits],
        )
        begun: list[_Begun | FilmAnalysis] = []
        for film, fit, spectrum in zip(films, fits, spectra, strict=True):
            try:
                begun.append(_begin(film, fit, _good(spectrum)))
            except Exception as problem:
                begun.append(_broken(film, problem))
        products = _together(
            search_products,
            [item.search if isinstance(item, _Begun) else None for item in begun],
        )
        done: list[FilmAnalysis] = []
        for film, item, found in zip(films, begun, products, strict=True):
            try:
                products_found = _good(found)
                whole = (
                    item if isinstance(item, FilmAnalysis) else _finish(item, products_found or ())
                )
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


_Item = TypeVar("_Item")
_Found = TypeVar("_Found")


def _together(
    work: Callable[[Sequence[_Item]], Sequence[_Found]], items: Sequence[_Item | None]
) -> list[_Found | Exception | None]:
    """``work`` on the items that are there, all at once; one by one where it fails for some."""
    there = [item for item in items if item is not None]
    found: Iterator[_Found | Exception]
    try:
        found = iter(work(there))
    except Exception:
        found = iter([_alone(work, item) for item in there])
    return [None if item is None else next(found) for item in items]


def _alone(work: Callable[[Sequence[_Item]], Sequence[_Found]], item: _Item) -> _Found | Exception:
    try:
        return work([item])[0]
    except Exception as problem:
        return problem


def _good(found: _Found | Exception) -> _Found:
    """What was found; raises where it is the error that stopped the search."""
    if isinstance(found, Exception):
        raise found
    return found


def _fitted_scan(fit: CoupledFit) -> FittedScan:
    rays = fit.premises.optics.radiation
    return FittedScan(fit.scan, fit.background.values, fit.lines, rays)


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


def _begin(
    film: FilmInput, fit: CoupledFit | XrdfilmError | None, spectrum: str | None
) -> _Begun | FilmAnalysis:
    """Side scans, orientation and fluoride; the whole analysis where there is no coupled scan.

    ``spectrum`` is the note on what the scan shows of K-alpha2, if any.
    """
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
    if spectrum is not None:
        warnings.insert(0, spectrum)
    mosaics = film_mosaics(side, premises)
    other_stack = wrong_stack(coupled)
    if other_stack is not None:  # says more than that a line was missed
        warnings = [text for text in warnings if "was found where one should be" not in text]
        warnings.insert(0, other_stack)
    orientation = by_lines = fluoride = search = None
    if not premises.powder:
        without: frozenset[Reflection] = frozenset()
        for _ in range(2):
            by_lines = orientation_by_lines(coupled, mosaics, why_not, without)
            orientation = best_route(side, by_lines)
            components = components_of(orientation, mosaics)
            doubt = model_doubt(premises, mosaics, orientation)
            fluoride = fluoride_of(coupled, components, doubt, film.references, why_not, warnings)
            # a fluoride found where random grains of the film have a line may own that line
            without = beside_fluoride(coupled, fluoride)
            if not without:
                break
        search = product_search(coupled, components, doubt, fluoride)
        if other_stack is not None:
            fluoride = search = None
            why_not |= silenced(coupled, other_stack)
    return _Begun(film, coupled, side, orientation, by_lines, fluoride, search, why_not, warnings)


def _finish(begun: _Begun, products: tuple[ProductFinding, ...]) -> FilmAnalysis:
    """What rests on the products found, and everything else that a coupled scan tells."""
    film, coupled, side, fluoride = begun.film, begun.coupled, begun.side, begun.fluoride
    premises, why_not, warnings = film.premises, begun.why_not, begun.warnings
    buffers = () if premises.powder else buffers_of(coupled, side, why_not)
    warnings += [f.text for f in coupled.scan.findings if f.action in ("flagged", "repaired")]
    fringes = fringes_of(coupled)
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
        oxygen=oxygen_of(coupled, why_not),
        breadth=breadth_of(coupled, why_not),
        fringes=fringes,
        unexplained=unexplained_lines(coupled, fluoride, products, fringes),
        why_not=why_not,
        warnings=tuple(dict.fromkeys(warnings)),
    )
