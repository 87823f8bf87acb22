"""Alignment of a scan: zero of the goniometer and displacement of the sample.

From lines of known cell (substrate, buffer, an internal standard), or where there are none from
the orders of one family of planes whose spacing is fitted along (`lattice.align_with_cell`).
Zero and displacement differ only by cosθ, so a narrow range of angles cannot tell them apart:
both then keep the width of their priors, correlated such that their sum, which is what moves the
lines, stays sharp. Nothing is lost, and the intervals stay honest.

Axial divergence moves lines by −A cot2θ, which zero and displacement cannot make up for: some
0.01° between 15° and 40°, ten times what the fit of a strong line resolves. In the mode "auto" A
is fitted along with a prior as wide as the optics allow; lines of a film scan seldom determine it,
but its share of the uncertainty is then told.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.errors import AlignmentError, CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_normal
from xrdfilm.fitting.flags import FLAGS
from xrdfilm.lattice.places import PlaceFit, Prior, axial_scale, fit_places, shift_columns
from xrdfilm.lines import MeasuredLine, MeasuredLines

if TYPE_CHECKING:
    from xrdfilm.intensity.optics import Optics

AlignmentMode = Literal["auto", "zero", "displacement", "both"]

# What is believed before any line is seen, as standard deviations (common practice, no source):
# wider than what a kept goniometer and a mounted sample show, so they decide nothing that lines can
ZERO_PRIOR_DEG = 0.1
DISPLACEMENT_PRIOR_UM = 200.0
# A shift beyond this is no misalignment any more but a misnamed line, file or anode
LARGEST_SHIFT_DEG = 0.6


@dataclass(frozen=True, slots=True)
class Alignment:
    """Zero and displacement of one scan; ``covariance`` (3, 3) of zero, displacement and A.

    The displacement is positive where the sample lies below the goniometer axis (lines too low).
    ``from_lines`` names the lines that set it, ``left_out`` those that did not and why.
    ``axial_deg`` is A of the shift −A cot2θ. ``told_apart`` is False where zero and displacement
    are known only by their sum.
    ``scatter`` is the factor by which the lines' disagreement widened the uncertainties.
    """

    zero_deg: float
    displacement_um: float
    axial_deg: float
    covariance: FloatArray
    radius_mm: float
    mode: AlignmentMode
    from_lines: tuple[str, ...] = ()
    left_out: tuple[tuple[str, str], ...] = ()
    chi_square: float = 0.0
    degrees_of_freedom: float = 0.0
    scatter: float = 1.0
    told_apart: bool = False
    notes: tuple[str, ...] = ()
    residuals_deg: FloatArray = field(default_factory=lambda: np.empty(0), repr=False)

    @property
    def values(self) -> FloatArray:
        """Zero in degrees, displacement in µm, A in degrees; shape (3,)."""
        return np.array([self.zero_deg, self.displacement_um, self.axial_deg])

    def shift(self, two_theta_deg: FloatArray | float) -> FloatArray:
        """Observed minus true 2θ in degrees at true angles, same shape."""
        angle = np.asarray(two_theta_deg, dtype=float)
        return np.asarray(shift_columns(angle, self.radius_mm) @ self.values)

    def correct(self, two_theta_deg: FloatArray | float) -> FloatArray:
        """True 2θ in degrees of observed angles, same shape."""
        observed = np.asarray(two_theta_deg, dtype=float)
        true = observed - self.shift(observed)
        return np.asarray(observed - self.shift(true))

    def shift_sigma(self, two_theta_deg: FloatArray | float) -> FloatArray:
        """Standard uncertainty of `shift` in degrees, same shape."""
        columns = shift_columns(np.asarray(two_theta_deg, dtype=float), self.radius_mm)
        variance = np.einsum("...i,ij,...j->...", columns, self.covariance, columns)
        return np.asarray(np.sqrt(np.maximum(variance, 0.0)))

    def zero(self, level: float = DEFAULT_LEVEL) -> Estimate:
        """The zero in degrees of 2θ, with its interval."""
        return from_normal(self.zero_deg, float(np.sqrt(self.covariance[0, 0])), level=level)

    def displacement(self, level: float = DEFAULT_LEVEL) -> Estimate:
        """The displacement in µm, with its interval."""
        return from_normal(self.displacement_um, float(np.sqrt(self.covariance[1, 1])), level=level)


def no_alignment(
    optics: Optics,
    mode: AlignmentMode = "auto",
    *,
    zero_prior_deg: float = ZERO_PRIOR_DEG,
    displacement_prior_um: float = DISPLACEMENT_PRIOR_UM,
) -> Alignment:
    """What is known of a scan without any line of known cell: the priors."""
    axial = axial_scale(optics.axial_acceptance_deg, stacks=optics.axial != "apertures")
    sigma = {
        "auto": (zero_prior_deg, displacement_prior_um, axial),
        "both": (zero_prior_deg, displacement_prior_um, 0.0),
        "zero": (zero_prior_deg, 0.0, 0.0),
        "displacement": (0.0, displacement_prior_um, 0.0),
    }[mode]
    return Alignment(0.0, 0.0, 0.0, np.diag(np.square(sigma)), optics.goniometer_radius_mm, mode)


def instrument_prior(
    standard: Alignment, *, displacement_prior_um: float = DISPLACEMENT_PRIOR_UM
) -> Alignment:
    """What a standard's scan says of later scans on the same instrument.

    Zero and axial term belong to the instrument and keep their values and uncertainties; the
    displacement belongs to the sample and starts afresh. With it, films without any line of known
    cell (on tape) get a c as sharp as on a crystal.
    """
    covariance = standard.covariance.copy()
    covariance[1, :] = covariance[:, 1] = 0.0
    covariance[1, 1] = displacement_prior_um**2
    return replace(
        standard,
        displacement_um=0.0,
        covariance=covariance,
        from_lines=("standard",),
        left_out=(),
        told_apart=False,
        notes=(),
        residuals_deg=np.empty(0),
    )


def align(
    observed_deg: FloatArray | Sequence[float],
    sigma_deg: FloatArray | Sequence[float],
    true_deg: FloatArray | Sequence[float],
    optics: Optics,
    *,
    mode: AlignmentMode = "auto",
    labels: Sequence[str] | None = None,
    cell_sigma: FloatArray | float = 0.0,
    cell_group: Sequence[int] | None = None,
    prior: Alignment | None = None,
) -> Alignment:
    """Zero and displacement from lines whose true places are known.

    ``observed_deg``, ``sigma_deg``, ``true_deg``: shape (N,), K-alpha1 places in degrees of 2θ.
    ``mode``: "zero" and "displacement" fit one term, "both" the two, "auto" the axial term as
    well; each with a weak prior. ``cell_sigma``: relative standard uncertainty of the cells behind
    ``true_deg``, a number or one for each line; lines of the same ``cell_group`` (default: all
    lines) share one error of their cell, which is fitted along. ``prior``: what is known already
    (default: `no_alignment`).

    A single line that contradicts the others (a saturated substrate line, a misnamed one) is left
    out and named. Raises AlignmentError where the shift is beyond reason, CannotTellError where
    no line is given.
    """
    observed, sigma, true = (
        np.atleast_1d(np.asarray(values, dtype=float))
        for values in (observed_deg, sigma_deg, true_deg)
    )
    names = tuple(labels) if labels is not None else tuple(f"line at {x:.2f}°" for x in true)
    if observed.size == 0:
        raise CannotTellError(
            "no line of known cell to align the scan by; name a substrate, a buffer or an internal "
            "standard, or use the orders of the film with a free cell"
        )
    if not observed.shape == sigma.shape == true.shape == (len(names),):
        raise ValueError(
            f"{observed.size} observed places, {sigma.size} uncertainties, {true.size} true places "
            f"and {len(names)} labels; they must be as many"
        )
    if not (np.all(np.isfinite(observed)) and np.all(sigma > 0.0) and np.all(np.isfinite(sigma))):
        raise ValueError("observed places must be finite and their uncertainties positive")

    wavelength = optics.radiation.k_alpha1_A
    inverse_d_squared = (2.0 * np.sin(np.radians(true) / 2.0) / wavelength) ** 2
    # an error of a cell: 1/d² → (1 + p)/d², so sigma(p) = 2 sigma(d)/d
    spread = np.broadcast_to(np.asarray(cell_sigma, dtype=float), observed.shape)
    groups = np.zeros(observed.size, int) if cell_group is None else np.asarray(cell_group, int)
    free_groups = [g for g in np.unique(groups) if spread[groups == g].max() > 0.0]
    metric = np.column_stack(
        [np.where(groups == g, inverse_d_squared, 0.0) for g in free_groups]
        or [np.empty((observed.size, 0))]
    )
    known = prior if prior is not None else no_alignment(optics, mode)
    fit = fit_places(
        observed,
        sigma,
        inverse_d_squared,
        metric,
        wavelength,
        optics.goniometer_radius_mm,
        alignment_prior(
            known, [(2.0 * float(spread[groups == g].max())) ** -2 for g in free_groups]
        ),
    )
    alignment = alignment_from_fit(fit, known, names)
    worst = float(np.max(np.abs(alignment.shift(true))))
    if worst > LARGEST_SHIFT_DEG:
        raise AlignmentError(
            f"the lines stand {worst:.2f}° from their places (zero {alignment.zero_deg:+.2f}°, "
            f"displacement {alignment.displacement_um:+.0f} µm): no misalignment goes so far; "
            "check the anode, the substrate and that the file is a coupled 2θ scan"
        )
    return alignment


def alignment_prior(
    known: Alignment, metric_precision: Sequence[float], metric_start: Sequence[float] = ()
) -> Prior:
    """The prior of a known alignment and of metric unknowns.

    ``metric_precision``: prior precision (Å⁴ or relative) of each metric unknown, 0 for none.
    """
    count = 3 + len(metric_precision)
    start = np.zeros(count)
    start[:3] = known.values
    start[3:] = metric_start if len(metric_start) else 0.0
    fixed = np.zeros(count, dtype=bool)
    fixed[:3] = np.diag(known.covariance) == 0.0
    precision = np.zeros((count, count))
    free = np.flatnonzero(~fixed[:3])
    if free.size:
        # scaled before inversion: deg² and µm² differ by many decades
        index = np.ix_(free, free)
        unit = np.sqrt(np.diag(known.covariance)[free])
        scale = np.outer(unit, unit)
        precision[index] = np.linalg.inv(known.covariance[index] / scale) / scale
    precision[range(3, count), range(3, count)] = metric_precision
    return Prior(start, precision, fixed)


def alignment_from_fit(fit: PlaceFit, known: Alignment, names: Sequence[str]) -> Alignment:
    """The alignment part of a fit of places whose lines bear ``names``, shape (N,)."""
    covariance = fit.covariance[:3, :3]
    sigma = np.sqrt(np.diag(covariance))[:2]
    before = np.sqrt(np.diag(known.covariance))[:2]
    free = before > 0.0
    told_apart = bool(np.all(sigma[free] < 0.4 * before[free])) or not bool(np.all(free))
    notes = []
    if not told_apart:
        notes.append(
            "zero and displacement cannot be told apart by these lines; their sum, which moves the "
            "lines, is known better than either"
        )
    if fit.scatter > 1.0:
        notes.append(
            f"the places of the lines disagree by {fit.scatter:.1f} times their uncertainty; the "
            "intervals are widened by that"
        )
    left_out = tuple(
        (name, f"stands {residual:+.3f}° from where the other lines put it")
        for name, residual, used in zip(names, fit.residuals_deg, fit.used, strict=True)
        if not used
    )
    return Alignment(
        float(fit.values[0]),
        float(fit.values[1]),
        float(fit.values[2]),
        covariance,
        known.radius_mm,
        known.mode,
        known.from_lines + tuple(name for name, used in zip(names, fit.used, strict=True) if used),
        known.left_out + left_out,
        fit.chi_square,
        fit.degrees_of_freedom,
        fit.scatter,
        told_apart,
        tuple(notes),
        fit.residuals_deg,
    )


# Flags of a fitted line whose place must not be built on
_BAD_PLACE = frozenset(
    {"not_converged", "at_bound", "no_covariance", "cut_off", "core_excluded", "blend"}
)


LEAST_APART_FWHM = 1.5  # nearer lines whose places were both fitted trade them


def placed_lines(
    lines: MeasuredLines,
    *,
    phase: str | None = None,
    least_significance: float = 10.0,
    least_apart_fwhm: float = LEAST_APART_FWHM,
) -> tuple[list[MeasuredLine], list[tuple[str, str]]]:
    """The lines whose fitted place can carry an alignment or a cell, and why the others cannot.

    Left out: weak or held lines, those whose fit failed, and those nearer than
    ``least_apart_fwhm`` widths to another line whose place was fitted too and that is not
    negligible beside them (the places of two such lines trade against each other). ``phase``:
    only lines of this phase are judged.
    """
    near, good = _close_by(lines, least_significance, least_apart_fwhm)
    kept: list[MeasuredLine] = []
    left_out: list[tuple[str, str]] = []
    for i, line in enumerate(lines):
        if phase is not None and line.reflection.phase != phase:
            continue
        if good[i]:
            kept.append(line)
            continue
        bad = _BAD_PLACE.intersection(line.flags)
        if line.place == "forced":
            why = "its place was not fitted"
        elif line.significance < least_significance:
            why = f"too weak ({line.significance:.1f} standard uncertainties)"
        elif bad:
            why = "; ".join(FLAGS[flag].short for flag in sorted(bad))
        else:
            beside = lines.lines[int(np.argmax(near[i]))]
            apart = abs(beside.two_theta_deg - line.two_theta_deg)
            why = f"blended with {beside.reflection}, {apart:.2f}° away"
        left_out.append((str(line.reflection), why))
    return kept, left_out


def well_placed(lines: MeasuredLines, *, least_significance: float) -> BoolArray:
    """Which lines `placed_lines` keeps, (N,), without the reasons why the others are not."""
    return _close_by(lines, least_significance, LEAST_APART_FWHM)[1]


def _close_by(
    lines: MeasuredLines, least_significance: float, least_apart_fwhm: float
) -> tuple[BoolArray, BoolArray]:
    """Which fitted places stand too close to each line, (N, N), and which lines are good, (N,)."""
    table = np.array(
        [
            (
                line.two_theta_deg,
                line.fwhm_deg,
                line.area_counts_deg,
                line.area_sigma_counts_deg,
                line.significance,
                line.place == "forced",
                not _BAD_PLACE.isdisjoint(line.flags),
            )
            for line in lines
        ]
    ).reshape(-1, 7)
    place, width, area, sigma, significance, forced, bad = table.T
    near = np.abs(place[:, None] - place) < least_apart_fwhm * np.maximum(width[:, None], width)
    near &= np.abs(area) + 2.0 * sigma > 0.003 * np.abs(area[:, None])
    near &= forced == 0.0
    np.fill_diagonal(near, False)
    weak = significance < least_significance
    good = (forced == 0.0) & ~weak & (bad == 0.0) & ~near.any(axis=1)
    return near, good
