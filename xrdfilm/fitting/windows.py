"""Windows: which lines are fitted together, what is open about each, and the compiled plan.

A `WindowSpec` says it in words for one stretch of the scan; `compile_plan` turns the windows of a
stack, once for all scans on the same axis, into arrays grouped by structure (number of lines, open
parameters, degree of the background), so that windows of one structure, of many scans, are fitted
together.

Open parameters of a line (each "free" of its own, "tied" to others of the same group in the
window, or "forced" to what is given):

- place: a shift from the expected place, within ± ``max_shift_deg``;
- width: a factor on the expected FWHM, between ``WIDTH_RANGE`` (tied lines keep their ratio);
- mixing: the Lorentz fraction, between 0 and 1;
- skew: the low-angle asymmetry, within ``SKEW_RANGE``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from xrdfilm._typing import FloatArray, IntArray
from xrdfilm.lines import Reflection

if TYPE_CHECKING:
    from xrdfilm.crystal.radiation import Radiation

Freedom = Literal["free", "tied", "forced"]
WIDTH_RANGE = (0.2, 5.0)
SKEW_RANGE = (-0.5, 0.8)


@dataclass(frozen=True, slots=True)
class LineSpec:
    """One line to be fitted.

    ``members`` are the reflections it may hold, the strongest expected first; ``two_theta_deg``
    is the expected place of K-alpha1 as measured (alignment included), ``fwhm_deg`` and
    ``lorentz_fraction`` the expected shape. Lines "tied" in place, width or mixing share the
    parameter with all lines of the window that have the same group name. ``place_doubt_deg`` and
    ``fwhm_doubt`` (a share of the width) are standard uncertainties of what is expected: where
    they are not 0, the expectation takes part in the fit with that weight, which keeps lines that
    overlap too much for all their parameters from running away. ``doublet`` is False for
    a line of one wavelength (K-beta, tungsten). ``skew`` is the expected low-angle asymmetry of
    `xrdfilm.fitting.profile`, ``skewness`` tells whether it is fitted. With ``core_excluded_fwhm``
    > 0 the points within that many FWHM of the line are left out (a substrate line that dwarfs its
    neighbours): only its tails are fitted. ``fitted`` False leaves the line out of the window.
    """

    members: tuple[Reflection, ...]
    two_theta_deg: float
    fwhm_deg: float
    lorentz_fraction: float = 0.5
    place: Freedom = "free"
    place_group: str = ""
    max_shift_deg: float = 0.2
    place_doubt_deg: float = 0.0
    width: Freedom = "free"
    width_group: str = ""
    fwhm_doubt: float = 0.0
    mixing: Freedom = "forced"
    mixing_group: str = ""
    doublet: bool = True
    skew: float = 0.0
    skewness: Freedom = "forced"
    skew_group: str = ""
    core_excluded_fwhm: float = 0.0
    fitted: bool = True
    label: str = ""


@dataclass(frozen=True, slots=True)
class WindowSpec:
    """A stretch of the scan whose lines are fitted together with one polynomial background.

    ``excluded`` are stretches inside it that are left out.
    """

    low_deg: float
    high_deg: float
    lines: tuple[LineSpec, ...]
    background_degree: int = 1
    excluded: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Structure:
    """What windows of one group have in common.

    ``place_map``, ``width_map``, ``mixing_map``, ``skew_map`` have shape (parameters of the kind,
    L): 1 where the parameter acts on the line. Parameters are ordered: areas (L), background (D),
    places, widths, mixings, skews.
    """

    n_lines: int
    n_background: int
    place_map: FloatArray
    width_map: FloatArray
    mixing_map: FloatArray
    skew_map: FloatArray
    doublets: bool
    skewed: bool

    @property
    def key(self) -> tuple[object, ...]:
        """Hashable identity."""
        return (
            self.n_lines,
            self.n_background,
            *(m.tobytes() for m in self.maps),
            *(m.shape for m in self.maps),
            self.doublets,
            self.skewed,
        )

    @property
    def n_linear(self) -> int:
        """Areas and background."""
        return self.n_lines + self.n_background

    @property
    def n_parameters(self) -> int:
        """All open parameters of a window."""
        return self.n_linear + sum(int(m.shape[0]) for m in self.maps)

    @property
    def maps(self) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """The maps of places, widths, mixings and skews."""
        return self.place_map, self.width_map, self.mixing_map, self.skew_map

    def slices(self) -> tuple[slice, slice, slice, slice]:
        """Where places, widths, mixings and skews stand among the parameters."""
        a = self.n_linear
        b = a + len(self.place_map)
        c = b + len(self.width_map)
        d = c + len(self.mixing_map)
        return slice(a, b), slice(b, c), slice(c, d), slice(d, d + len(self.skew_map))


@dataclass(frozen=True, slots=True, eq=False)
class Group:
    """W windows of one structure, padded to N points.

    ``points`` (W, N) index the axis, ``on`` (W, N) is 1 for points that count; ``lines`` (W, L)
    index the plan's lines, ``windows`` (W,) its windows. ``middle`` and ``half`` (W,) scale the
    background's polynomial. The other arrays, (W, L), hold the lines' expectations.
    """

    structure: Structure
    windows: IntArray
    lines: IntArray
    points: IntArray
    on: FloatArray
    x: FloatArray
    powers: FloatArray
    middle: FloatArray
    half: FloatArray
    place: FloatArray
    fwhm: FloatArray
    mixing: FloatArray
    max_shift: FloatArray
    place_doubt: FloatArray
    fwhm_doubt: FloatArray
    search: FloatArray  # (W, L, 2): between these a start is looked for
    ratio: FloatArray
    share: FloatArray
    skew: FloatArray

    @property
    def dof(self) -> FloatArray:
        """Points less parameters, (W,)."""
        return np.asarray(self.on.sum(axis=1) - self.structure.n_parameters)


@dataclass(frozen=True, slots=True)
class WindowPlan:
    """Windows compiled for one axis: the groups to fit, and what each line of the scan is.

    ``lines`` are all lines in the order of the windows; ``window_of`` (n_lines,) tells the window
    of each. The rest, (n_lines,), is 1 for lines that are ``fitted`` on this axis, whose window
    the scan cuts off (``cut_off``), whose top is left out (``core``), that share a window with
    something left out (``beside_core``), or whose place lies outside their window (``foot``).
    """

    axis_deg: FloatArray
    windows: tuple[WindowSpec, ...]
    lines: tuple[LineSpec, ...]
    window_of: IntArray
    groups: tuple[Group, ...]
    fitted: IntArray = field(repr=False)
    cut_off: IntArray = field(repr=False)
    core: IntArray = field(repr=False)
    beside_core: IntArray = field(repr=False)
    foot: IntArray = field(repr=False)

    def matches(self, axis_deg: FloatArray) -> bool:
        """Whether the plan was compiled for this axis."""
        return axis_deg.shape == self.axis_deg.shape and bool(
            np.array_equal(axis_deg, self.axis_deg)
        )


def compile_plan(
    axis_deg: FloatArray, windows: Sequence[WindowSpec], radiation: Radiation
) -> WindowPlan:
    """Compile windows for an ascending axis (N,); lines that the axis does not reach stay unfitted.

    Windows with fewer points than parameters + 2 are not fitted; their lines come back empty with
    the flag "no_data".
    """
    x = np.asarray(axis_deg, dtype=float)
    step = float(np.median(np.diff(x))) if x.size > 1 else 1.0
    lines = tuple(line for window in windows for line in window.lines)
    window_of = np.repeat(np.arange(len(windows)), [len(window.lines) for window in windows])
    fitted, cut, core, beside, foot = (np.zeros(len(lines), np.int64) for _ in range(5))
    buckets: dict[tuple[object, ...], list[_Prepared]] = {}
    first = 0
    for number, window in enumerate(windows):
        index = np.arange(first, first + len(window.lines))
        first += len(window.lines)
        there = [line.fitted and x[0] <= line.two_theta_deg <= x[-1] for line in window.lines]
        gone = window.low_deg < x[0] - step or window.high_deg > x[-1] + step
        cut[index] = int(gone)
        index = index[np.array(there, bool)]
        window = replace(
            window, lines=tuple(line for line, on in zip(window.lines, there, strict=True) if on)
        )
        structure = _structure(window, radiation)
        inside = np.flatnonzero((x >= window.low_deg) & (x <= window.high_deg))
        keep = np.ones(inside.size, bool)
        stretches = list(window.excluded)
        for i, line in zip(index, window.lines, strict=True):
            if line.core_excluded_fwhm > 0:
                stretches.append(_core(line, radiation))
                core[i] = 1
        for low, high in stretches:
            keep &= ~((x[inside] >= low) & (x[inside] <= high))
        if stretches:
            beside[index] = 1
        if not window.lines or keep.sum() < structure.n_parameters + 2:
            continue
        fitted[index] = 1
        centres = np.array([line.two_theta_deg for line in window.lines])
        foot[index] = (centres < window.low_deg) | (centres > window.high_deg)
        # Points to a multiple of 16: windows of about one length share a group
        padded = -(-int(keep.sum()) // 16) * 16
        key = (*structure.key, padded)
        buckets.setdefault(key, []).append(
            _Prepared(number, window, structure, index, inside[keep], padded)
        )
    groups = tuple(_group(x, prepared, radiation) for prepared in _merged(buckets))
    return WindowPlan(
        x,
        tuple(windows),
        lines,
        window_of,
        groups,
        fitted,
        cut,
        core * fitted,
        beside * fitted,
        foot,
    )


@dataclass(frozen=True, slots=True)
class _Prepared:
    number: int
    window: WindowSpec
    structure: Structure
    index: IntArray
    points: IntArray
    padded: int


def _merged(buckets: dict[tuple[object, ...], list[_Prepared]]) -> list[list[_Prepared]]:
    """Groups of one structure whose lengths differ by less than a third go together."""
    by_structure: dict[tuple[object, ...], list[list[_Prepared]]] = {}
    for key, prepared in sorted(buckets.items(), key=lambda item: -item[1][0].padded):
        rest = by_structure.setdefault(key[:-1], [])
        if rest and prepared[0].padded * 4 > rest[-1][0].padded * 3:
            rest[-1].extend(prepared)
        else:
            rest.append(list(prepared))
    return [group for groups in by_structure.values() for group in groups]


def _group(x: FloatArray, prepared: list[_Prepared], radiation: Radiation) -> Group:
    structure = prepared[0].structure
    length = max(p.points.size for p in prepared)
    ratio = 1.0 if radiation.k_alpha2_A is None else radiation.k_alpha2_A / radiation.k_alpha1_A
    share = 0.0 if radiation.k_alpha2_A is None else radiation.k_alpha2_share
    points = np.array([np.pad(p.points, (0, length - p.points.size), "edge") for p in prepared])
    on = np.array([np.arange(length) < p.points.size for p in prepared]).astype(float)
    ends = np.array([(x[p.points[0]], x[p.points[-1]]) for p in prepared])
    middle = ends.mean(axis=1)
    half = np.maximum((ends[:, 1] - ends[:, 0]) / 2.0, 1e-9)
    scaled = (x[points] - middle[:, None]) / half[:, None]
    degrees = np.arange(structure.n_background)

    def of_lines(name: str) -> FloatArray:
        return np.array([[getattr(line, name) for line in p.window.lines] for p in prepared], float)

    place, shift = of_lines("two_theta_deg"), of_lines("max_shift_deg")
    pair = of_lines("doublet")
    return Group(
        structure,
        np.array([p.number for p in prepared]),
        np.array([p.index for p in prepared]),
        points,
        on,
        x[points],
        scaled[:, None, :] ** degrees[None, :, None],
        middle,
        half,
        place,
        of_lines("fwhm_deg"),
        of_lines("lorentz_fraction"),
        shift,
        of_lines("place_doubt_deg"),
        of_lines("fwhm_doubt"),
        _search(place, shift),
        np.where(pair > 0, ratio, 1.0),
        pair * share,
        of_lines("skew"),
    )


def _search(place: FloatArray, shift: FloatArray) -> FloatArray:
    """Each line's own stretch, (W, L, 2): within its shift and no nearer to another line."""
    apart = place[:, None, :] - place[:, :, None]  # [w, line, other]
    up = np.where(apart > 0, apart / 2.0, np.inf).min(axis=2)
    down = np.where(apart < 0, -apart / 2.0, np.inf).min(axis=2)
    return np.stack([-np.minimum(shift, down), np.minimum(shift, up)], axis=2)


def _core(line: LineSpec, radiation: Radiation) -> tuple[float, float]:
    reach = line.core_excluded_fwhm * line.fwhm_deg
    high = line.two_theta_deg
    if line.doublet and radiation.k_alpha2_A is not None:
        sine = np.sin(np.radians(high / 2.0)) * radiation.k_alpha2_A / radiation.k_alpha1_A
        high = float(np.degrees(2.0 * np.arcsin(min(sine, 1.0))))
    return line.two_theta_deg - reach, high + reach


def _structure(window: WindowSpec, radiation: Radiation) -> Structure:
    lines = window.lines
    pairs = radiation.k_alpha2_A is not None and radiation.k_alpha2_share > 0
    return Structure(
        len(lines),
        window.background_degree + 1,
        _kind_map([(line.place, line.place_group) for line in lines]),
        _kind_map([(line.width, line.width_group) for line in lines]),
        _kind_map([(line.mixing, line.mixing_group) for line in lines]),
        _kind_map([(line.skewness, line.skew_group) for line in lines]),
        pairs and any(line.doublet for line in lines),
        any(line.skew != 0.0 or line.skewness != "forced" for line in lines),
    )


def _kind_map(freedoms: list[tuple[Freedom, str]]) -> FloatArray:
    rows: list[FloatArray] = []
    names: dict[str, int] = {}
    for i, (freedom, group) in enumerate(freedoms):
        if freedom == "forced":
            continue
        if freedom == "tied" and group in names:
            rows[names[group]][i] = 1.0
            continue
        if freedom == "tied":
            names[group] = len(rows)
        row = np.zeros(len(freedoms))
        row[i] = 1.0
        rows.append(row)
    return np.array(rows).reshape(len(rows), len(freedoms))
