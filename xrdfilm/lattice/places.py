"""Places of lines as a function of goniometer errors and cells, and their least squares.

One model serves the alignment of a scan, the cell of a film and that of a powder:

    2θ(observed) = 2θ(d) + zero − 2 s cosθ / R − A cot2θ + refraction
    1/d² = fixed + Σ_j f_j(hkl) p_j

with the displacement s counted positive where the sample lies below the goniometer axis, away
from tube and detector (the lines then stand too low). A is what axial divergence does to the
place of a line whose asymmetry is not fitted. 1/d² is linear in the reciprocal metric p, so a few
Gauss-Newton steps are exact, and every unknown may carry a prior.

Sources: A. J. C. Wilson, Mathematical Theory of X-ray Powder Diffractometry (Philips, 1963), for
displacement and axial divergence; M. U. Cohen, Rev. Sci. Instrum. 6 (1935) 68, for cell and
goniometer errors in one least squares (both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.errors import CannotTellError

# A fit whose chi-square is this improbable is not believed: one line is looked for that spoils it
OUTLIER_PROBABILITY = 1e-3
# and what scatter remains widens the intervals where it is this improbable.
SCATTER_PROBABILITY = 1e-2
# No line is placed better than this, however many its counts: profiles are models (by simulation
# of lines beside stronger ones; on real instruments it is seldom better than 0.001°)
PLACE_FLOOR_DEG = 1e-4


def displacement_factor(radius_mm: float) -> float:
    """Shift in degrees of 2θ at θ = 0 for one µm of displacement (positive number)."""
    return float(np.degrees(2e-3 / radius_mm))


def shift_columns(two_theta_deg: FloatArray, radius_mm: float) -> FloatArray:
    """Shift of a line for one degree of zero, one µm of displacement, one degree of A.

    Shape (..., 3) in degrees of 2θ, at the true angles ``two_theta_deg`` of shape (...).
    """
    angle = np.radians(np.asarray(two_theta_deg, dtype=float))
    return np.stack(
        [
            np.ones_like(angle),
            -displacement_factor(radius_mm) * np.cos(angle / 2.0),
            -1.0 / np.tan(angle),
        ],
        axis=-1,
    )


def axial_scale(acceptance_deg: float, *, stacks: bool = False) -> float:
    """How large A may be, in degrees: half of what it is for the centroid of a line.

    A ray inclined by α before and β behind the sample is registered at 2θ − ½(α² + β²) cot2θ
    (+ αβ/sin2θ, which averages out). Evenly filled apertures of full width D give ⟨α²⟩ = D²/12,
    blade stacks of FWHM D give D²/6. The top of a line moves less than its centroid, about half
    (two powders measured elsewhere gave 0.009° and 0.012° where this gives 0.008° for stacks).
    """
    share = 6.0 if stacks else 12.0
    return float(0.5 * np.degrees(np.radians(acceptance_deg) ** 2 / share))


def refraction_shift(two_theta_deg: FloatArray, decrement: FloatArray | float) -> FloatArray:
    """Shift of a line of a flat film by refraction, degrees of 2θ: 4δ/sin2θ, observed minus Bragg.

    Any shape. ``decrement`` is δ of the refractive index n = 1 − δ of the layer that diffracts;
    only the wave vector along the surface is kept through the layers above, so they do not enter.
    From 2 d √(sin²θ − 2δ) = λ in the symmetric case; R. W. James, The Optical Principles of the
    Diffraction of X-rays (Bell, 1948) (from memory). Rough powders show much less of it.
    """
    angle = np.radians(np.asarray(two_theta_deg, dtype=float))
    return np.asarray(np.degrees(4.0 * np.asarray(decrement) / np.sin(angle)), dtype=float)


@dataclass(frozen=True, slots=True)
class Prior:
    """What is known of zero, displacement, A and metric (in this order) before the lines are seen.

    ``start``: shape (3 + M,), also the mean of the prior; ``precision``: inverse covariance,
    (3 + M, 3 + M), 0 where nothing is known; ``fixed``: unknowns that keep their start.
    """

    start: FloatArray
    precision: FloatArray
    fixed: BoolArray


@dataclass(frozen=True, slots=True)
class PlaceFit:
    """Zero and A in degrees, displacement in µm, metric in Å⁻², with the evidence.

    ``values`` has shape (3 + M,) in the order of `Prior`, ``covariance`` (3 + M, 3 + M).
    ``scatter`` (≥ 1) is the factor by which the places' uncertainties were raised because the
    lines disagree; the values and the covariance are those with raised uncertainties, while
    ``chi_square`` is the one without. ``residuals_deg`` (N,) is observed minus
    fitted for every line, also for those that were not ``used``. ``degrees_of_freedom`` counts
    what the lines alone are worth beyond the unknowns they determine.
    """

    values: FloatArray
    covariance: FloatArray
    residuals_deg: FloatArray
    used: BoolArray
    chi_square: float
    degrees_of_freedom: float
    scatter: float

    @property
    def probability(self) -> float:
        """Probability of so large a chi-square by chance; 1 where nothing can be tested."""
        if self.degrees_of_freedom < 0.5:
            return 1.0
        return float(chdtrc(self.degrees_of_freedom, self.chi_square))


def fit_places(
    observed_deg: FloatArray,
    sigma_deg: FloatArray,
    inverse_d_squared: FloatArray,
    metric: FloatArray,
    wavelength_A: float,
    radius_mm: float,
    prior: Prior,
    *,
    decrement: FloatArray | float = 0.0,
    robust: bool = True,
) -> PlaceFit:
    """Least squares of the model above.

    ``observed_deg``, ``sigma_deg``: shape (N,). ``inverse_d_squared``: fixed part of 1/d² in Å⁻²,
    shape (N,). ``metric``: shape (N, M), d(1/d²)/dp. ``decrement``: δ of `refraction_shift`, a
    number or (N,). With ``robust``, single lines are dropped as long as the rest of them
    contradicts the line beyond chance and enough lines remain to say so.

    Raises CannotTellError where the lines and priors leave an unknown undetermined.
    """
    used = np.ones(observed_deg.size, dtype=bool)
    problem = _Problem(
        np.asarray(observed_deg, dtype=float),
        np.hypot(np.asarray(sigma_deg, dtype=float), PLACE_FLOOR_DEG),
        np.asarray(inverse_d_squared, dtype=float),
        np.asarray(metric, dtype=float).reshape(observed_deg.size, -1),
        wavelength_A,
        displacement_factor(radius_mm),
        prior,
        ~prior.fixed,
        np.broadcast_to(np.asarray(decrement, dtype=float), observed_deg.shape),
    )
    fit = problem.solve(used)
    allowed = max(1, observed_deg.size // 4) if robust else 0
    for _ in range(allowed):
        if fit.probability >= OUTLIER_PROBABILITY:
            break
        best = _best_without_one(problem, fit)
        if best is None:
            break
        fit = best
    return problem.with_scatter(fit)


def _best_without_one(problem: _Problem, fit: PlaceFit) -> PlaceFit | None:
    """The fit without the one line that spoils it, or None where no single line is to blame."""
    best: PlaceFit | None = None
    for index in np.flatnonzero(fit.used):
        trial_used = fit.used.copy()
        trial_used[index] = False
        try:
            trial = problem.solve(trial_used)
        except CannotTellError:
            continue
        if trial.degrees_of_freedom >= 0.5 and (best is None or trial.chi_square < best.chi_square):
            best = trial
    # To blame a line, the rest must agree markedly better, not just by the degree of freedom lost
    if best is None or best.chi_square > 0.5 * fit.chi_square:
        return None
    return best


def _goniometer_columns(theta: FloatArray, cos_theta: FloatArray, factor: float) -> FloatArray:
    columns = np.ones((theta.size, 3))
    np.multiply(cos_theta, -factor, out=columns[:, 1])
    np.divide(-1.0, np.tan(2.0 * theta), out=columns[:, 2])
    return columns


@dataclass(frozen=True, slots=True)
class _Problem:
    observed: FloatArray
    sigma: FloatArray
    q_fixed: FloatArray
    metric: FloatArray
    wavelength: float
    factor: float
    prior: Prior
    free: BoolArray
    decrement: FloatArray

    def predict(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Places (N,) and their derivatives (N, 3 + M)."""
        q = self.q_fixed + self.metric @ values[3:]
        sine = self.wavelength * np.sqrt(np.maximum(q, 1e-12)) / 2.0
        if np.any(sine >= 1.0):
            raise CannotTellError(
                f"a line with d = {1 / np.sqrt(q.max()):.4f} Å cannot be seen with a wavelength "
                f"of {self.wavelength:.5f} Å; check the cell and the anode"
            )
        theta = np.arcsin(sine)
        cos_theta = np.cos(theta)
        goniometer = _goniometer_columns(theta, cos_theta, self.factor)
        place = np.degrees(2.0 * theta) + goniometer @ values[:3]
        place = place + np.degrees(2.0 * self.decrement / (sine * cos_theta))
        d_place = np.degrees(self.wavelength / (2.0 * np.sqrt(q) * cos_theta))
        return place, np.concatenate([goniometer, d_place[:, None] * self.metric], axis=1)

    def solve(self, used: BoolArray) -> PlaceFit:
        values = self.prior.start.copy()
        weight = np.where(used, 1.0 / self.sigma**2, 0.0)
        every = bool(self.free.all())
        prior = self.prior.precision[np.ix_(self.free, self.free)]
        for turn in range(12):
            place, jacobian = self.predict(values)
            columns = jacobian if every else jacobian[:, self.free]
            normal = columns.T @ (weight[:, None] * columns) + prior
            gradient = columns.T @ (weight * (self.observed - place))
            gradient += (self.prior.precision @ (self.prior.start - values))[self.free]
            scale = 1.0 / np.sqrt(np.maximum(normal.diagonal(), 1e-300))
            both = scale[:, None] * scale
            scaled = normal * both
            if turn == 0 and np.linalg.eigvalsh(scaled)[0] < 1e-12:
                raise CannotTellError(
                    f"{int(used.sum())} lines do not determine {int(self.free.sum())} unknowns "
                    "(zero, displacement, axial, cell); give more orders, a line of known cell, or "
                    "state that the zero is good"
                )
            inverse = np.linalg.inv(scaled) * both
            step = inverse @ gradient
            values[self.free] += step
            if (np.abs(step) <= 1e-7 * np.sqrt(inverse.diagonal()) + 1e-14).all():
                break
        place, jacobian = self.predict(values)
        residuals = self.observed - place
        columns = jacobian[:, self.free]
        covariance = np.zeros((values.size, values.size))
        covariance[np.ix_(self.free, self.free)] = inverse
        told = float(np.sum((columns @ inverse) * columns * weight[:, None]))
        return PlaceFit(
            values,
            covariance,
            residuals,
            used,
            float(np.sum(weight * residuals**2)),
            float(used.sum()) - told,
            1.0,
        )

    def with_scatter(self, fit: PlaceFit) -> PlaceFit:
        """The fit with the places' uncertainties raised where they disagree beyond chance.

        What the lines lose in weight the priors gain: lines that follow no model must not drive
        zero and displacement to where no instrument stands.
        """
        scatter = 1.0
        raised = fit
        for _ in range(4):
            if raised.probability >= SCATTER_PROBABILITY:
                break
            scatter *= float(np.sqrt(raised.chi_square / raised.degrees_of_freedom))
            raised = replace(self, sigma=self.sigma * scatter).solve(fit.used)
        return replace(
            raised,
            chi_square=raised.chi_square * scatter**2,
            scatter=scatter,
        )
