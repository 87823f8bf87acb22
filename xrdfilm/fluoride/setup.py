"""What an estimate of residual fluoride starts from: settings, places, windows and neighbours."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.crystal import Phase
from xrdfilm.crystal.radiation import d_of, two_theta_of
from xrdfilm.fitting.cellscan import LineScan, scan_line
from xrdfilm.fitting.line_window import LineShape, LineWindow, Neighbour, line_window
from xrdfilm.fluoride.conversion import (
    BAF2_EDGE_A,
    RelativeArea,
)
from xrdfilm.fluoride.model import (
    FLUORIDE_LINES,
    ModelDoubt,
)
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.linemap.ghosts import ghost_heights
from xrdfilm.linemap.neighbours import (
    NeighbourShapes,
    shape_of,
    stack_neighbours,
)
from xrdfilm.linemap.phase_shapes import PhaseShape
from xrdfilm.linemap.stack_lines import overlapping
from xrdfilm.lines import MeasuredLines
from xrdfilm.scan import Scan

_SHARED_PLACE_DEG = 0.35  # a stack's line this near (200) makes a peak there nobody's
_NEIGHBOUR_SIZE_NM = 150.0
_CERATE_FORMERS = ("CeO2", "BaCeO3")
_NO_DOUBT = ModelDoubt.none()


@dataclass(frozen=True, slots=True)
class FluorideSettings:
    """Risks, the range of cells, and what is taken for granted.

    ``alpha`` is the risk of calling a film without fluoride one with; ``beta`` that of missing
    fluoride at the detection limit. ``size_nm`` sets the expected line width together with
    ``instrument_fwhm_deg`` and ``instrument_lorentz``. ``fluoride_mosaic_deg`` None: that of the
    film's sharpest main component. ``orientation`` states a measured orientation of the fluoride,
    one of `ASSUMPTIONS`. ``width_factor`` is the factor (one standard deviation) by which the
    expected line width may be off; ``place_sigma_deg`` is the doubt of the aligned axis.
    ``wanted_fraction`` is the volume fraction that the advice aims at. ``left_out`` are lines of
    the fluoride that are not measured.
    """

    alpha: float = 0.05
    beta: float = 0.05
    level: float = 0.95
    edge_low_A: float = 5.95
    edge_high_A: float = 6.25
    edge_step_A: float = 0.008
    nominal_edge_A: float = BAF2_EDGE_A
    instrument_fwhm_deg: float = 0.08
    instrument_lorentz: float = 0.3
    size_nm: float = 40.0
    width_factor: float = 1.5
    fluoride_mosaic_deg: float | None = None
    orientation: str | None = None
    place_sigma_deg: float = 0.01
    tape_width_mm: float = 10.0
    wanted_fraction: float = 0.01
    doubt: ModelDoubt = field(default_factory=ModelDoubt)
    left_out: frozenset[Hkl] = frozenset()


@dataclass(frozen=True, slots=True)
class ReferenceFilms:
    """Films of the same stack measured alike: areas over a substrate line or a monitor.

    ``unconverted`` and ``finished`` map hkl to relative areas (fluoride lines and film lines);
    ``normaliser`` and ``normaliser_sigma`` are this film's substrate line area or monitor.
    ``texture_sigma`` is the relative doubt that the fluoride's texture is that of the reference.
    """

    unconverted: Mapping[Hkl, RelativeArea]
    normaliser: float
    normaliser_sigma: float = 0.0
    finished: Mapping[Hkl, RelativeArea] = field(default_factory=dict)
    texture_sigma: float = 0.15


def expected_shape(two_theta_deg: float, settings: FluorideSettings, optics: Optics) -> LineShape:
    """Width and shape of a fluoride line: instrument and crystallite size."""
    return shape_of(
        two_theta_deg,
        settings.instrument_fwhm_deg,
        settings.instrument_lorentz,
        settings.size_nm,
        optics.radiation.mean_A,
    )


@dataclass(frozen=True, slots=True)
class FluorideWork:
    """What the steps of one estimate share; lists in the order of `FLUORIDE_LINES`.

    ``edges``, shape (E,), are the cell edges to try, in Å; ``nominal`` is the place of the nominal
    one among them. ``mixing`` is the Lorentz fraction to expect of the fluoride's lines.
    ``cut`` makes the windows for own lines to reckon with, one or None for each.
    """

    stack: Stack
    optics: Optics
    settings: FluorideSettings
    phase: Phase
    edges: FloatArray
    nominal: int
    places_deg: FloatArray
    windows: tuple[LineWindow | None, ...]
    shared: Mapping[int, str]
    mixing: float
    cut: Callable[[Sequence[Neighbour | None]], tuple[LineWindow | None, ...]]

    def beside_plain_lines(
        self, lines: Collection[int], edge_A: float, factor: float, mixing: float
    ) -> FluorideWork:
        """The same with windows whose own ``lines``, plain to see, pass for no neighbour's."""
        own = [
            Neighbour(
                "", float(line_places(edge_A, hkl, self.optics)),
                self.shape(i, edge_A, factor, mixing),
            ) if i in lines else None
            for i, hkl in enumerate(FLUORIDE_LINES)
        ]  # fmt: skip
        return replace(self, windows=self.cut(own))

    def shape(
        self, index: int, edge_A: float, factor: float = 1.0, mixing: float | None = None
    ) -> LineShape:
        """Expected shape of a line at a cell edge, its width multiplied by ``factor``.

        ``mixing`` None: the Lorentz fraction to expect.
        """
        place = float(line_places(edge_A, FLUORIDE_LINES[index], self.optics))
        shape = expected_shape(place, self.settings, self.optics)
        return LineShape(shape.fwhm_deg * factor, self.mixing if mixing is None else mixing)

    def scan(
        self, edges: ArrayLike, factor: float = 1.0, mixing: float | None = None
    ) -> tuple[LineScan | None, ...]:
        """All lines fitted at these cell edges (G,), in the order of `FLUORIDE_LINES`."""
        grid = np.asarray(edges, dtype=float)
        middle = float(grid.mean())
        known = edges is self.edges
        return tuple(
            None
            if window is None
            else scan_line(
                window,
                self.places_deg[i] if known else line_places(grid, FLUORIDE_LINES[i], self.optics),
                self.shape(i, middle, factor, mixing),
            )
            for i, window in enumerate(self.windows)
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """Cells to look at and, for each of `FLUORIDE_LINES`, its window and whose its place may be.

    ``reaches`` are low and high end and the pad beside the outermost places; ``places_deg`` (L, G).
    """

    edges_A: FloatArray
    nominal: int
    places_deg: FloatArray
    reaches: tuple[tuple[float, float, float], ...]
    shared: Mapping[int, str]


@lru_cache(maxsize=64)
def _grid(settings: FluorideSettings, stack: Stack, optics: Optics) -> _Grid:
    """The grid of a stack; ``settings`` without their doubt, so that films of a run share it."""
    low, high = settings.edge_low_A, settings.edge_high_A
    step = min(settings.edge_step_A, _edge_step(settings, optics))
    below = int((settings.nominal_edge_A - low) / step)
    above = int((high - settings.nominal_edge_A) / step)
    edges = np.asarray(settings.nominal_edge_A + step * np.arange(-below, above + 1), dtype=float)
    every = np.array([line_places(edges, hkl, optics) for hkl in FLUORIDE_LINES])
    reaches: list[tuple[float, float, float]] = []
    shared: dict[int, str] = {}
    cerates = any(layer.phase.key in _CERATE_FORMERS for layer in stack.layers)
    for i, (hkl, places) in enumerate(zip(FLUORIDE_LINES, every, strict=True)):
        width = expected_shape(float(places.mean()), settings, optics).fwhm_deg
        pad = max(0.7, 4.0 * width)
        reaches.append((float(places.min()) - pad, float(places.max()) + pad, pad))
        blocked = overlapping(float(places[below]), stack, optics.radiation, _SHARED_PLACE_DEG)
        blocked = tuple(b for b in blocked if not b.startswith(stack.film.phase.key + " "))
        if hkl == (2, 0, 0) and blocked:
            shared[i] = blocked[0]
        if cerates and hkl in ((2, 0, 0), (2, 2, 0)):
            shared[i] = blocked[0] if blocked else "BaCeO3"
    return _Grid(edges, below, every, tuple(reaches), shared)


def line_places(edges_A: ArrayLike, hkl: Hkl, optics: Optics) -> FloatArray:
    """K-alpha1 places of a cubic cell's line at each edge, shape (G,)."""
    return two_theta_of(
        np.asarray(edges_A) / np.sqrt(sum(i * i for i in hkl)), optics.radiation.k_alpha1_A
    )


def prepare(
    scan: Scan,
    stack: Stack,
    optics: Optics,
    settings: FluorideSettings,
    phase: Phase,
    also_present: Sequence[Phase],
    film_lines: MeasuredLines | None = None,
    measured: Mapping[str, PhaseShape] | None = None,
    spacings: Mapping[str, float] | None = None,
) -> FluorideWork:
    """Cut the windows out of an aligned scan, with everything else that may stand in them.

    ``measured`` are shapes that lines of the stack's phases were found to have, ``spacings``
    theirs over those of the stack, by phase or by line. ``shared`` of the
    result are lines whose place another phase of the stack, or a product of it, can also own: a
    peak there is nobody's.
    """
    grid = _grid(replace(settings, doubt=_NO_DOUBT), stack, optics)
    first, last = float(scan.axis_deg[0]), float(scan.axis_deg[-1])
    reaches: list[tuple[float, float]] = []
    for hkl, (low, high, pad) in zip(FLUORIDE_LINES, grid.reaches, strict=True):
        inside = (max(low, first), min(high, last))
        seen = inside[1] - inside[0] > 1.2 * pad and hkl not in settings.left_out
        reaches.append(inside if seen else (0.0, 0.0))

    broadened = _broadening(film_lines, settings, optics)
    shapes = NeighbourShapes(
        settings.instrument_fwhm_deg,
        settings.instrument_lorentz,
        optics.radiation.mean_A,
        _NEIGHBOUR_SIZE_NM,
        broadened,
    )
    near = stack_neighbours(
        scan.axis_deg,
        scan.counts,
        stack,
        optics.radiation,
        reaches,
        shapes,
        more=also_present,
        measured=measured,
        spacings=spacings,
        poisson=scan.poisson and scan.sigma is None,
    )
    near = _with_own_ghost(near, scan, optics, grid.places_deg, reaches, shapes)
    sigma = scan.sigma
    if sigma is None and not scan.poisson:
        sigma = scan.uncertainty()

    def cut(lines: Sequence[Neighbour | None]) -> tuple[LineWindow | None, ...]:
        return tuple(
            line_window(
                scan.axis_deg, scan.counts, optics.radiation, *reach, others, sigma=sigma, line=line
            )
            if reach[1] > reach[0]
            else None
            for reach, others, line in zip(reaches, near, lines, strict=True)
        )

    windows = cut([None] * len(reaches))
    return FluorideWork(
        stack, optics, settings, phase, grid.edges_A, grid.nominal, grid.places_deg, windows,
        grid.shared, _expected_mixing(stack, measured, grid.places_deg[0], settings, optics), cut,
    )  # fmt: skip


def _with_own_ghost(
    near: tuple[tuple[Neighbour, ...], ...],
    scan: Scan,
    optics: Optics,
    places_deg: FloatArray,
    reaches: Sequence[tuple[float, float]],
    shapes: NeighbourShapes,
) -> tuple[tuple[Neighbour, ...], ...]:
    """Neighbours, with the K-beta of whatever stands highest where (200) may be, beside (111).

    Of a fluoride along (00l) it falls on the (111) of a cell a twentieth smaller, and nothing of
    the stack foretells it.
    """
    first, second = FLUORIDE_LINES.index((1, 1, 1)), FLUORIDE_LINES.index((2, 0, 0))
    rays, x = optics.radiation, scan.axis_deg
    own = places_deg[second]
    here = np.flatnonzero((own.min() - 0.1 < x) & (x < own.max() + 0.1))
    low, high = reaches[first]
    if rays.k_beta_A is None or here.size < 3 or not high > low:
        return near
    parent = float(x[here[np.argmax(scan.counts[here])]])
    place = float(two_theta_of(d_of(parent, rays.k_alpha1_A), rays.k_beta_A))
    height = float(ghost_heights(scan, np.array([place]), rays)[0])
    shape = shapes.at(place)
    if not height > 0.0 or not low - 0.3 < place < high + 0.3:
        return near
    if any(n.ghost and abs(n.place_deg - place) < shape.fwhm_deg / 3.0 for n in near[first]):
        return near
    ceiling = 1.2 * height * shape.fwhm_deg if np.isfinite(height) else None
    ghost = Neighbour(f"K-beta of the line at {parent:.2f}°", place, shape, False, True, ceiling)
    return tuple((*n, ghost) if i == first else n for i, n in enumerate(near))


def _expected_mixing(
    stack: Stack,
    measured: Mapping[str, PhaseShape] | None,
    places_deg: FloatArray,
    settings: FluorideSettings,
    optics: Optics,
) -> float:
    """Lorentz fraction to expect of the fluoride: of its size, halfway to that of the film.

    In steps of a twentieth, so that films of one run share their tables.
    """
    of_size = expected_shape(float(places_deg.mean()), settings, optics).lorentz_fraction
    film = (measured or {}).get(stack.film.phase.key)
    of_film = of_size if film is None else film.lorentz_fraction
    return round(20.0 * 0.5 * (of_film + of_size)) / 20.0


def _broadening(lines: MeasuredLines | None, settings: FluorideSettings, optics: Optics) -> float:
    """How much wider the film's lines are than expected of a neighbour, 1 to 4."""
    if lines is None:
        return 1.0
    expected = NeighbourShapes(
        settings.instrument_fwhm_deg,
        settings.instrument_lorentz,
        optics.radiation.mean_A,
        _NEIGHBOUR_SIZE_NM,
    )
    ratios = [
        line.fwhm_deg / expected.at(line.two_theta_deg).fwhm_deg
        for line in lines
        if line.significance > 20.0 and np.isfinite(line.fwhm_deg)
    ]
    # in steps of 5 %, so that films of one run share their neighbours' shapes
    return round(20.0 * float(np.clip(np.median(ratios), 1.0, 4.0))) / 20.0 if ratios else 1.0


def _edge_step(settings: FluorideSettings, optics: Optics) -> float:
    """Step in Å that moves no line by more than a quarter of its width."""
    steps = []
    for hkl in FLUORIDE_LINES:
        low, high = line_places(
            [settings.nominal_edge_A, settings.nominal_edge_A - 0.01], hkl, optics
        )
        width = expected_shape(float(low), settings, optics).fwhm_deg
        steps.append(0.25 * width / ((high - low) / 0.01))
    return float(min(steps))
