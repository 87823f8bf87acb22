"""The orientation window by tracing rays through the goniometer, beside the closed form.

A point source sends rays through a divergence slit and an axial aperture (or a stack of blades)
onto a thin flat film of finite length. On the film each ray meets grains whose normals lie on the
Bragg cone about it; the reflected ray must pass the second axial aperture and hit the receiving
slit while sample and detector turn through the line. Everything is in vectors, without any
small-angle formula: apertures limit the angle of a ray to the plane of the circle, the slit is
met where it stands, and the grains' density is that of Fisher's distribution on the sphere
(R. A. Fisher, Proc. R. Soc. Lond. A 217 (1953) 295) with concentration 1/σ², the sphere's
counterpart of a Gaussian mosaic. Nothing is taken from `xrdfilm.intensity.window`.

Run it: python benchmarks/raytrace.py
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

FWHM_PER_SIGMA = np.sqrt(8.0 * np.log(2.0))


@dataclass(frozen=True)
class Goniometer:
    """The traced instrument; ``illuminated_mm`` set means a variable slit."""

    radius_mm: float = 240.0
    divergence_deg: float = 0.5
    illuminated_mm: float | None = None
    sample_length_mm: float = 10.0
    axial_deg: float = 2.3
    axial: str = "apertures"
    receiving_slit_mm: float = 0.1


def traced_window(
    two_theta_deg: float,
    mosaic_fwhm_deg: float | None,
    goniometer: Goniometer,
    *,
    multiplicity: int = 1,
    log2_rays: int = 16,
    seed: int = 1,
) -> float:
    """Share of grains that reflect: the traced area of a line over that of a full share.

    The area of a scan over 2θ, for unit power a steradian of the source and unit film thickness,
    is divided by 1/(sin2θ sinθ) and by the axial width and slit angle, whose product the scale K
    holds in the intensity model. ``mosaic_fwhm_deg`` None traces random grains with
    ``multiplicity`` poles. Quasi-random points; tilts are drawn near the mosaic's and weighted.
    """
    g = goniometer
    theta_b = np.radians(two_theta_deg) / 2.0
    width = np.radians(g.axial_deg)
    u_points = qmc.Sobol(4, seed=seed).random_base2(log2_rays)

    # incident axial angle; a stack of blades reaches out to twice the aperture's half width
    reach_in = width if g.axial in ("one_stack", "two_stacks") else width / 2.0
    reach_out = width if g.axial == "two_stacks" else width / 2.0
    alpha = (2.0 * u_points[:, 0] - 1.0) * reach_in
    weight = np.full(alpha.size, 2.0 * reach_in) * np.cos(alpha)
    weight *= _transmission(alpha, width, reach_in)

    # angle in the scattering plane and axial part of the normal, drawn where the grains are
    sigma = None if mosaic_fwhm_deg is None else np.radians(mosaic_fwhm_deg) / FWHM_PER_SIGMA
    if g.illuminated_mm is None:
        half_box = np.radians(g.divergence_deg) / 2.0
    else:  # wide enough to light the length; what lands beyond it is masked
        half_box = 0.6 * g.illuminated_mm * np.sin(theta_b + 0.02) / g.radius_mm + 1e-4
    epsilon, density = _draw(u_points[:, 1], half_box, sigma)
    weight /= density
    half_axial = 1.0001 * (np.sin(reach_in) + np.sin(reach_out)) / (2.0 * np.sin(theta_b))
    n_z, density = _draw(u_points[:, 2], half_axial, sigma)
    weight /= density
    aim_mm = (u_points[:, 3] - 0.5) * g.receiving_slit_mm

    # the Bragg condition u·n = −sin θ_B fixes the normal's direction in the scattering plane
    rho = np.sqrt(1.0 - n_z**2)
    turn = np.arccos((-np.sin(theta_b) - np.sin(alpha) * n_z) / (np.cos(alpha) * rho))
    sin_psi = (n_z + np.sin(theta_b) * np.sin(alpha)) / (np.cos(theta_b) * np.cos(alpha))
    weight /= np.cos(alpha) * np.sqrt(1.0 - sin_psi**2)  # cos θ_B dψ around the ray, by dn_z

    def trace(theta_s: np.ndarray) -> tuple[np.ndarray, ...]:
        phi_u = epsilon - theta_s
        u = np.stack([np.cos(alpha) * np.cos(phi_u), np.cos(alpha) * np.sin(phi_u), np.sin(alpha)])
        n = np.stack([rho * np.cos(phi_u + turn), rho * np.sin(phi_u + turn), n_z])
        v = u + 2.0 * np.sin(theta_b) * n
        source_x, source_y = -g.radius_mm * np.cos(theta_s), g.radius_mm * np.sin(theta_s)
        hit_x = source_x - source_y / u[1] * u[0]
        to_slit = np.stack([np.cos(theta_s), np.sin(theta_s)])
        across = np.stack([-np.sin(theta_s), np.cos(theta_s)])
        travel = (g.radius_mm - hit_x * to_slit[0]) / (v[0] * to_slit[0] + v[1] * to_slit[1])
        offset = (hit_x + travel * v[0]) * across[0] + travel * v[1] * across[1]
        return offset, hit_x, u, n, v

    # turn sample and detector until the ray meets its place in the slit
    theta_s, h = np.full(alpha.size, theta_b), 1e-6
    for _ in range(6):
        offset = trace(theta_s)[0]
        slope = (trace(theta_s + h)[0] - trace(theta_s - h)[0]) / (2.0 * h)
        theta_s = theta_s - (offset - aim_mm) / slope
    offset, hit_x, u, n, v = trace(theta_s)
    if np.max(np.abs(offset - aim_mm)) > 1e-6:
        raise RuntimeError("some rays did not meet the receiving slit")
    weight *= g.receiving_slit_mm / np.abs(slope / 2.0)  # width of the slit in 2θ

    lit = g.sample_length_mm
    if g.illuminated_mm is not None:
        lit = min(lit, g.illuminated_mm)
    weight *= np.abs(hit_x) <= lit / 2.0
    weight *= _transmission(np.arcsin(v[2]), width, reach_out)
    weight *= 1.0 / np.abs(u[1])  # path through the film
    if sigma is None:
        weight *= multiplicity / (4.0 * np.pi)
    else:
        kappa = 1.0 / sigma**2
        norm = kappa / (2.0 * np.pi * -np.expm1(-2.0 * kappa))
        one_minus_cos = (n[0] ** 2 + n[2] ** 2) / (1.0 + n[1])
        weight *= norm * np.exp(-kappa * one_minus_cos)
    area = weight.mean()  # times 1/sin2θ, which the closed form carries in front
    overlap = {"apertures": 1.0, "one_stack": 0.75, "two_stacks": 2.0 / 3.0}[g.axial]
    full = overlap * width * g.receiving_slit_mm / g.radius_mm / np.sin(theta_b)
    return float(area / full)


def _transmission(angle: np.ndarray, width: float, reach: float) -> np.ndarray:
    """An aperture (box of full width ``width``) or a blade stack (triangle of that FWHM)."""
    if reach > 0.75 * width:
        return np.maximum(0.0, 1.0 - np.abs(angle) / width)
    return (np.abs(angle) <= width / 2.0).astype(float)


def _draw(u: np.ndarray, half_width: float, sigma: float | None) -> tuple[np.ndarray, np.ndarray]:
    """Points within ±half_width, Gaussian where that is narrower, with their density."""
    if sigma is None or sigma > half_width:
        return (2.0 * u - 1.0) * half_width, np.full(u.size, 0.5 / half_width)
    spread = 1.2 * sigma
    edge = half_width / spread
    low, high = ndtr(-edge), ndtr(edge)
    x = ndtri(np.clip(low + u * (high - low), 1e-300, 1.0 - 1e-16))
    density = np.exp(-0.5 * x**2) / (np.sqrt(2.0 * np.pi) * spread * (high - low))
    return x * spread, density


def main() -> None:
    """Print traced and closed-form windows side by side."""
    import itertools

    from xrdfilm.intensity.optics import Optics
    from xrdfilm.intensity.window import window_aligned, window_random

    worst = 0.0
    print(
        f"{'axial':>10} {'slit':>9} {'L mm':>5} {'2θ':>6} {'mosaic':>7}"
        f" {'traced':>10} {'closed':>10} {'dev %':>6}"
    )
    for axial, lit, length in itertools.product(
        ("apertures", "one_stack", "two_stacks"), (None, 8.0), (4.0, 10.0, 40.0)
    ):
        g = Goniometer(sample_length_mm=length, axial=axial, illuminated_mm=lit)
        optics = Optics(
            axial=axial, illuminated_mm=lit, slit="fixed" if lit is None else "variable"
        )
        for angle, mosaic in itertools.product(
            (15.0, 22.8, 38.5, 55.0, 78.0), (0.047, 0.1, 0.3, 1.0, 3.0, 6.0, 23.5, None)
        ):
            traced = traced_window(angle, mosaic, g)
            if mosaic is None:
                closed = float(window_random(angle, 1, optics, length))
            else:
                closed = float(window_aligned(angle, mosaic, optics, length))
            deviation = 100.0 * (closed / traced - 1.0)
            worst = max(worst, abs(deviation))
            print(
                f"{axial:>10} {'fixed' if lit is None else 'variable':>9} {length:5.0f}"
                f" {angle:6.1f} {'random' if mosaic is None else mosaic:>7}"
                f" {traced:10.3e} {closed:10.3e} {deviation:6.2f}"
            )
    print(f"largest deviation {worst:.2f} %")


if __name__ == "__main__":
    main()
