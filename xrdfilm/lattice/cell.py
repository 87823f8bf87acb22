"""Cells from places of lines: c of the film, a and b where lines allow, cells of powders.

All usable lines enter one weighted least squares together with zero and displacement, which come
in as the alignment found from lines of known cell, with its covariance, or as weak priors. The
older extrapolations (against cos²θ/sinθ, and the function of Nelson and Riley) are made beside it
as a check. Orders of (00l) that scatter more than their uncertainties are told: stacking faults
shift them one by one, and a mean c then hides more than it says.

Refraction: in a flat film a line stands 4δ/sin2θ too high. For YBCO and Cu K-alpha δ = 1.8·10⁻⁵,
which is 0.007° at (005) and makes c from that line alone 0.002 Å too short: small, but four times
the precision a good scan has. Give ``decrement`` (see
`xrdfilm.crystal.attenuation.refractive_decrement`) to correct it.

Source: J. B. Nelson, D. P. Riley, Proc. Phys. Soc. 57 (1945) 160 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, TypeAlias

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray, IntArray
from xrdfilm.crystal.structure import CrystalSystem
from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_normal
from xrdfilm.lattice.alignment import (
    Alignment,
    AlignmentMode,
    alignment_from_fit,
    alignment_prior,
    no_alignment,
)
from xrdfilm.lattice.metric import CELL_PARAMETERS, cell_derivative, cell_of_metric, metric_columns
from xrdfilm.lattice.places import PlaceFit, fit_places

if TYPE_CHECKING:
    from xrdfilm.crystal import Phase
    from xrdfilm.intensity.optics import Optics

System: TypeAlias = CrystalSystem

# Relative standard uncertainty of the wavelength scale. Cu K-alpha1 is known to 0.3 ppm, but the
# top of a line is not the wavelength of the table to better than about 1 ppm; the older scale
# (1.54056 Å) lies 20 ppm lower and must not be mixed with the one used here (1.54059 Å).
WAVELENGTH_SIGMA = 1e-6
# Orders whose scatter is this improbable are told as possible stacking faults
UNEVEN_PROBABILITY = 1e-2


def nelson_riley(two_theta_deg: FloatArray) -> FloatArray:
    """½(cos²θ/sinθ + cos²θ/θ), shape (N,); Nelson and Riley 1945."""
    theta = np.radians(np.asarray(two_theta_deg, dtype=float)) / 2.0
    return np.asarray(0.5 * np.cos(theta) ** 2 * (1.0 / np.sin(theta) + 1.0 / theta))


def displacement_function(two_theta_deg: FloatArray) -> FloatArray:
    """cos²θ/sinθ, shape (N,): what a displacement does to an apparent cell edge."""
    theta = np.radians(np.asarray(two_theta_deg, dtype=float)) / 2.0
    return np.asarray(np.cos(theta) ** 2 / np.sin(theta))


@dataclass(frozen=True, slots=True)
class Extrapolation:
    """A cell edge by a straight line through the apparent edges of the orders, as a check.

    ``edge_A`` at ``function`` = 0 with its standard uncertainty, the slope in Å, and how many
    standard uncertainties (of this edge) lie between it and the least squares.
    """

    function: str
    edge_A: float
    sigma_A: float
    slope_A: float
    distance_sigma: float


@dataclass(frozen=True, slots=True)
class CellEstimate:
    """A cell with its uncertainties, the alignment found along with it, and the evidence.

    Edges that the lines do not determine are None. ``alpha_deg`` to ``gamma_deg`` are fixed by
    the system or fitted. ``covariance`` is that of the determined edges and fitted angles, in the
    order of ``parameters``, shape (P, P). ``hkl``, shape (N, 3), ``residuals_deg`` and ``used``,
    (N,), have the order of the lines given.
    """

    system: System
    a_A: Estimate | None
    b_A: Estimate | None
    c_A: Estimate | None
    alpha_deg: float
    beta_deg: float
    gamma_deg: float
    parameters: tuple[str, ...]
    covariance: FloatArray
    alignment: Alignment
    hkl: IntArray
    residuals_deg: FloatArray
    used: BoolArray
    chi_square: float
    degrees_of_freedom: float
    checks: tuple[Extrapolation, ...] = ()
    notes: tuple[str, ...] = ()
    metric: FloatArray = field(default_factory=lambda: np.empty(0), repr=False)

    def expected_deg(
        self, hkl: IntArray | Sequence[tuple[int, int, int]], wavelength_A: float
    ) -> FloatArray:
        """Where lines of this cell stand in this scan, as measured; shape (N,), nan if unknown.

        Sharper than cell and alignment are each: their errors cancel between the measured orders.
        """
        columns = metric_columns(self.system, np.atleast_2d(np.asarray(hkl, dtype=np.int64)))
        unknown = np.any((columns != 0.0) & ~np.isfinite(self.metric), axis=1)
        squared = columns @ np.where(np.isfinite(self.metric), self.metric, 0.0)
        sine = wavelength_A * np.sqrt(squared) / 2.0
        seen = ~unknown & (sine < 1.0)
        true = np.degrees(2.0 * np.arcsin(np.where(seen, sine, 0.5)))
        return np.asarray(np.where(seen, true + self.alignment.shift(true), np.nan))


def refine_cell(
    hkl: IntArray | Sequence[tuple[int, int, int]],
    observed_deg: FloatArray | Sequence[float],
    sigma_deg: FloatArray | Sequence[float],
    optics: Optics,
    *,
    system: System = "orthorhombic",
    alignment: Alignment | None = None,
    mode: AlignmentMode = "auto",
    decrement: FloatArray | float = 0.0,
    level: float = DEFAULT_LEVEL,
) -> CellEstimate:
    """The cell, with zero and displacement fitted along, from indexed lines.

    ``hkl``: shape (N, 3); ``observed_deg``, ``sigma_deg``: K-alpha1 places as measured (not
    corrected), shape (N,). ``alignment``: what is known from other lines of the same scan; it
    enters with its covariance. Without one, ``mode`` and the priors of `alignment.no_alignment`
    hold. ``decrement``: δ for the refraction correction of a flat film, 0 for powders.

    For the orthorhombic system the edges that no line touches are left None, so the (00l) orders
    of a film alone give c. Raises CannotTellError where the lines do not determine the cell.
    """
    indices = np.atleast_2d(np.asarray(hkl, dtype=np.int64))
    observed = np.atleast_1d(np.asarray(observed_deg, dtype=float))
    sigma = np.atleast_1d(np.asarray(sigma_deg, dtype=float))
    if not len(indices) == observed.size == sigma.size:
        raise ValueError(
            f"{len(indices)} indices, {observed.size} places, {sigma.size} uncertainties"
        )
    if observed.size == 0:
        raise CannotTellError("no line to take a cell from")
    columns = metric_columns(system, indices)
    keep = np.any(columns != 0.0, axis=0)
    if system != "orthorhombic" and not np.all(keep):
        missing = [
            name for name, there in zip(CELL_PARAMETERS[system], keep, strict=False) if not there
        ]
        raise CannotTellError(
            f"no line depends on {', '.join(missing)} of the {system} cell; add lines that do"
        )
    metric = columns[:, keep]

    known = alignment if alignment is not None else no_alignment(optics, mode)
    wavelength = optics.radiation.k_alpha1_A
    inverse_d_squared = (2.0 * np.sin(np.radians(known.correct(observed)) / 2.0) / wavelength) ** 2
    # weighted by place, so that the start is near: d(1/d²)/d(2θ) ∝ sin2θ
    weight = 1.0 / (sigma * np.sin(np.radians(observed)))
    start, _, rank, _ = np.linalg.lstsq(
        metric * weight[:, None], inverse_d_squared * weight, rcond=1e-9
    )
    if rank < metric.shape[1]:
        raise CannotTellError(
            f"{observed.size} lines do not determine the {metric.shape[1]} unknowns of the "
            f"{system} cell; add lines with other indices"
        )
    names = tuple(_line_name(h) for h in indices.tolist())
    fit = fit_places(
        observed,
        sigma,
        np.zeros(observed.size),
        metric,
        wavelength,
        optics.goniometer_radius_mm,
        alignment_prior(known, [0.0] * metric.shape[1], start),
        decrement=decrement,
    )
    return _cell_estimate(system, keep, indices, observed, sigma, fit, known, names, level, optics)


def align_with_cell(
    hkl: IntArray | Sequence[tuple[int, int, int]],
    observed_deg: FloatArray | Sequence[float],
    sigma_deg: FloatArray | Sequence[float],
    optics: Optics,
    *,
    mode: AlignmentMode = "auto",
    decrement: FloatArray | float = 0.0,
    level: float = DEFAULT_LEVEL,
) -> CellEstimate:
    """Alignment without any line of known cell: the orders of a film with c fitted along.

    ``hkl`` has shape (N, 3), the other lists (N,), in degrees of 2θ.
    The result's ``alignment`` is then as good as the orders can make it; the same as `refine_cell`
    without an alignment.
    """
    return refine_cell(
        hkl,
        observed_deg,
        sigma_deg,
        optics,
        system="orthorhombic",
        mode=mode,
        decrement=decrement,
        level=level,
    )


def _line_name(hkl: Sequence[int]) -> str:
    joint = "" if all(0 <= i <= 9 for i in hkl) else " "
    return "(" + joint.join(str(i) for i in hkl) + ")"


def _cell_estimate(
    system: System,
    keep: BoolArray,
    hkl: IntArray,
    observed: FloatArray,
    sigma: FloatArray,
    fit: PlaceFit,
    known: Alignment,
    names: tuple[str, ...],
    level: float,
    optics: Optics,
) -> CellEstimate:
    values = np.ones(len(keep))  # an edge that no line touches: any number, left out below
    values[keep] = fit.values[3:]
    cell = cell_of_metric(system, values)
    derivative = cell_derivative(system, values, keep)
    order = ("a", "b", "c", "alpha", "beta", "gamma")
    wanted = [
        order.index(name)
        for position, name in enumerate(CELL_PARAMETERS[system])
        if system != "orthorhombic" or keep[position]
    ]
    covariance_all = derivative @ fit.covariance[3:, 3:] @ derivative.T
    alone = _lines_only_covariance(hkl, observed, sigma, system, keep, optics)
    alone_all = derivative @ alone @ derivative.T * fit.scatter**2

    estimates: dict[str, Estimate | None] = {"a": None, "b": None, "c": None}
    for i in wanted:
        if i > 2:
            continue
        total = covariance_all[i, i]
        counting = min(alone_all[i, i], total)
        scale = WAVELENGTH_SIGMA * cell[i]
        estimates[order[i]] = from_normal(
            float(cell[i]),
            float(np.sqrt(total + scale**2)),
            level=level,
            sources={
                "counting": float(np.sqrt(counting)),
                "alignment": float(np.sqrt(max(total - counting, 0.0))),
                "wavelength": float(scale),
            },
        )
    if system in ("cubic", "rhombohedral"):
        estimates["b"] = estimates["c"] = estimates["a"]
    elif system in ("tetragonal", "hexagonal"):
        estimates["b"] = estimates["a"]

    checks: list[Extrapolation] = []
    notes: list[str] = []
    if system == "orthorhombic":
        checks, notes = _orders_checked(hkl, observed, sigma, fit, cell, optics)
    out = alignment_from_fit(fit, known, names)
    notes.extend(f"{name} left out: {why}" for name, why in out.left_out[len(known.left_out) :])
    return CellEstimate(
        system,
        estimates["a"],
        estimates["b"],
        estimates["c"],
        float(cell[3]),
        float(cell[4]),
        float(cell[5]),
        tuple(order[i] for i in wanted),
        covariance_all[np.ix_(wanted, wanted)],
        out,
        hkl,
        fit.residuals_deg,
        fit.used,
        fit.chi_square,
        fit.degrees_of_freedom,
        tuple(checks),
        tuple(notes),
        np.where(keep, values, np.nan),
    )


def _lines_only_covariance(
    hkl: IntArray,
    observed: FloatArray,
    sigma: FloatArray,
    system: System,
    keep: BoolArray,
    optics: Optics,
) -> FloatArray:
    """Covariance of the metric if zero and displacement were known exactly, shape (M, M)."""
    theta = np.radians(observed) / 2.0
    wavelength = optics.radiation.k_alpha1_A
    slope = np.degrees(wavelength**2 / (4.0 * np.sin(theta) * np.cos(theta)))
    columns = metric_columns(system, hkl)[:, keep] * (slope / sigma)[:, None]
    scale = np.sqrt(np.sum(columns**2, axis=0))
    inverse = np.linalg.pinv((columns / scale).T @ (columns / scale))
    return np.asarray(inverse / np.outer(scale, scale))


def _orders_checked(
    hkl: IntArray,
    observed: FloatArray,
    sigma: FloatArray,
    fit: PlaceFit,
    cell: FloatArray,
    optics: Optics,
) -> tuple[list[Extrapolation], list[str]]:
    """Extrapolations of c over its orders, and what uneven residuals may mean."""
    orders = (hkl[:, 0] == 0) & (hkl[:, 1] == 0) & fit.used
    notes: list[str] = []
    checks: list[Extrapolation] = []
    if orders.sum() < 3:
        return checks, notes
    order_l = np.abs(hkl[orders, 2])
    edge, edge_sigma = apparent_edge(order_l, observed[orders], sigma[orders], optics)
    for name, function in (
        ("cos²θ/sinθ", displacement_function(observed[orders])),
        ("Nelson-Riley", nelson_riley(observed[orders])),
    ):
        design = np.column_stack([np.ones_like(function), function]) / edge_sigma[:, None]
        inverse = np.linalg.inv(design.T @ design)
        intercept, slope = inverse @ (design.T @ (edge / edge_sigma))
        spread = float(np.sqrt(inverse[0, 0]))
        checks.append(
            Extrapolation(
                name, float(intercept), spread, float(slope), float((intercept - cell[2]) / spread)
            )
        )
    every = (hkl[:, 0] == 0) & (hkl[:, 1] == 0)
    if every.sum() >= 4 and (fit.probability < UNEVEN_PROBABILITY or not np.all(fit.used[every])):
        worst = np.argsort(-np.abs(fit.residuals_deg[every]))[:3]
        shown = ", ".join(
            f"{_line_name(hkl[every][i])} {fit.residuals_deg[every][i]:+.3f}°"
            for i in sorted(worst)
        )
        notes.append(
            f"the (00l) orders do not fit one c ({shown}): possible stacking faults or two values "
            "of c in the film; c is a mean, and its interval is widened by the scatter"
        )
    return checks, notes


def apparent_edge(
    order: IntArray, two_theta_deg: FloatArray, sigma_deg: FloatArray, optics: Optics
) -> tuple[FloatArray, FloatArray]:
    """n·d of each order n in Å from uncorrected places, and its standard uncertainty; (N,) each."""
    theta = np.radians(np.asarray(two_theta_deg, dtype=float)) / 2.0
    edge = np.asarray(order) * optics.radiation.k_alpha1_A / (2.0 * np.sin(theta))
    spread = edge / np.tan(theta) * np.radians(np.asarray(sigma_deg, dtype=float)) / 2.0
    return np.asarray(edge), np.asarray(spread)


def strain(edge: Estimate, bulk_A: float, bulk_sigma_A: float = 0.0) -> Estimate:
    """Relative difference of a film's edge from the bulk cell, with its interval."""
    if edge.centre is None or edge.sigma is None:
        raise CannotTellError("the edge has no estimate to compare with the bulk cell")
    value = edge.centre / bulk_A - 1.0
    film, bulk = edge.sigma / bulk_A, bulk_sigma_A / bulk_A
    return from_normal(
        value,
        float(np.hypot(film, bulk)),
        level=edge.level,
        sources={"lattice": film, "bulk cell": bulk},
    )


def solid_solution_cell(phases: Sequence[Phase], shares: Sequence[float]) -> Phase:
    """The first phase with the cell that the law of Vegard gives for a mixture on one site.

    ``shares``: fractions of the phases, which sum to 1, e.g. the rare earths of a film as stated.
    L. Vegard, Z. Phys. 5 (1921) 17 (from memory): edges are linear in composition.
    """
    weights = np.asarray(shares, dtype=float)
    if len(phases) != weights.size or weights.size == 0:
        raise ValueError(f"{len(phases)} phases but {weights.size} shares")
    if np.any(weights < 0.0) or abs(weights.sum() - 1.0) > 1e-6:
        raise ValueError(f"shares of a solid solution must sum to 1; found {weights.sum():.4f}")
    edges = weights @ np.array([[p.cell.a_A, p.cell.b_A, p.cell.c_A] for p in phases])
    return phases[0].with_cell(a_A=float(edges[0]), b_A=float(edges[1]), c_A=float(edges[2]))
