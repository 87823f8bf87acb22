"""a-axis against c-axis grains from tilted scans: the route where (h00) is hidden.

(102) stands at χ = 56.8° for c-axis grains and at 33.2° for a-axis ones, with the same |F|² and
2θ. What is measured still differs by four things: how many poles a grain has there (enumerated,
`xrdfilm.crystal.poles`; (012) counts too where the 2θ opening lets it in), the path through the
film (1/(sinθ cosχ)), how the scan samples the poles in azimuth, and the loss of focus with tilt.

How the azimuth counts. With the sample spinning, or with azimuth scans summed, a pole is spread
over a circle of 2π sinχ, so its signal goes as 1/sinχ. In χ scans at the azimuth of the peaks it
goes as the share of the arc that the divergence covers, with
σ_arc² = σ_in² sin²χ + σ_out² cos²χ: no difference where the two spreads are equal.

Over 400 lines: χ scans and φ scans at both tilts end in the same account of shares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr

from xrdfilm._typing import FloatArray
from xrdfilm.crystal import Phase
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_draws
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.lines import Reflection
from xrdfilm.texture.azimuth import AzimuthScan, areas_at
from xrdfilm.texture.fractions import DRAWS, Response, normal_draws, solve_shares
from xrdfilm.texture.orientation import A_NORMAL_SHARE_SIGMA, LineAccount, OrientationEstimate
from xrdfilm.texture.response import ModelSpread, f_squared_sigma
from xrdfilm.texture.tilt_model import (
    DefocusCurve,
    PoleGroup,
    TiltComponent,
    TiltFactors,
    TiltGeometry,
    TiltModel,
    pole_groups,
    tilt_factors,
    volume_ratio,
)
from xrdfilm.texture.tilt_scan import TiltScan, fit_tilt_scan

__all__ = [
    "DefocusCurve",
    "PoleGroup",
    "TiltFactors",
    "TiltGeometry",
    "TiltScan",
    "azimuth_orientation",
    "fit_tilt_scan",
    "pole_groups",
    "tilt_factors",
    "tilt_orientation",
    "tilt_scan_orientation",
    "volume_ratio",
    "with_random",
]

_DEFOCUS_UNKNOWN = 0.10  # of the ratio between the tilts; common practice, no source
_VARIANTS_UNEQUAL = 0.10  # of the ratio, where fewer than four azimuths were measured
_SPREADS_UNLIKE = 0.35  # log of a width that was not measured over what is taken for it


def tilt_orientation(
    area_c: float,
    area_a: float,
    covariance: FloatArray,
    phase: Phase,
    optics: Optics,
    stack: Stack,
    geometry: TiltGeometry,
    *,
    level_counts: float | None = None,
    level_limit_counts: float | None = None,
    tilts_deg: tuple[float, float] = (25.0, 65.0),
    layer_index: int = 0,
    a_normal_share: float = 0.5,
    a_normal_share_sigma: float = A_NORMAL_SHARE_SIGMA,
    spread: ModelSpread | None = None,
    notes: Sequence[str] = (),
    level: float = DEFAULT_LEVEL,
) -> OrientationEstimate:
    """Shares of c-axis, a-axis and random grains from the signals at the two tilts.

    ``area_c`` and ``area_a`` are in counts·deg of the scanned axis, ``covariance`` (2, 2) theirs,
    or (3, 3) with ``level_counts``, the height that random grains add (background taken off, mean
    over the χ range ``tilts_deg``). Without a level random grains are at most
    ``level_limit_counts``, and the other shares' lower ends allow for it.
    """
    spread = spread or ModelSpread()
    groups, companions = pole_groups(phase, optics, geometry)
    model = TiltModel(phase, optics, stack, layer_index, geometry, groups)
    families = len(model.families)
    causes = (
        *("structure data",) * families,
        *("2θ opening",) * families,
        "thickness",
        *("in-plane spread",) * 2,
        "a- to b-normal",
        "defocus",
        "in-plane variants",
    )
    z = normal_draws(DRAWS, len(causes), seed=8)
    relative = f_squared_sigma(model.f_squared, spread.structure_factor_e)
    strength = model.f_squared * np.exp(relative * z[:, :families])
    accepted = np.column_stack(
        [
            # an opening nobody knows lets a neighbour in by anything from nothing to all of it
            ndtr(z[:, families + i]) if a is None else np.full(DRAWS, a)
            for i, a in enumerate(model.accepted)
        ]
    )
    at = 2 * families
    thickness = np.exp(spread.thickness * z[:, at])
    unlike = 0.10 if geometry.in_plane_fwhm_deg is not None else _SPREADS_UNLIKE
    in_plane = np.exp(unlike * z[:, at + 1])
    out_of_plane = np.exp(
        (0.10 if geometry.out_of_plane_fwhm_deg is not None else _SPREADS_UNLIKE) * z[:, at + 2]
    )
    share = np.clip(a_normal_share + a_normal_share_sigma * z[:, at + 3], 0.02, 0.98)
    defocus_sigma = geometry.defocus.sigma if geometry.defocus else _DEFOCUS_UNKNOWN
    variants = geometry.azimuth == "fixed" and geometry.azimuths_measured < 4
    tilting = np.exp(
        defocus_sigma * z[:, at + 4] + (_VARIANTS_UNEQUAL if variants else 0.0) * z[:, at + 5]
    )

    def drawn(component: TiltComponent) -> FloatArray:
        return model.signal(
            component,
            share,
            strength=strength,
            accepted=accepted,
            thickness=thickness,
            in_plane=in_plane,
            out_of_plane=out_of_plane,
        )

    with_level = level_counts is not None
    names = ("c_axis", "a_axis", "random")[: 3 if with_level else 2]
    one = np.array([a_normal_share])
    nominal = np.diag(
        [float(model.signal("c_axis", one)[0]), float(model.signal("a_axis", one)[0])]
    )
    draws = np.zeros((DRAWS, len(names), len(names)))
    # the level of random grains is taken between the tilts, and loses half of what the higher does
    draws[:, 0, 0] = drawn("c_axis") * np.sqrt(tilting)
    draws[:, 1, 1] = drawn("a_axis") / np.sqrt(tilting)
    range_deg = np.array(tilts_deg)
    random_drawn = model.random_level(range_deg, strength, accepted, thickness)
    middle = np.tile([0.5 if a is None else a for a in model.accepted], (1, 1))
    random_nominal = float(
        model.random_level(range_deg, model.f_squared[None, :], middle, np.ones(1))[0]
    )
    areas = np.array([area_c, area_a])
    if with_level:
        assert level_counts is not None
        areas = np.append(areas, level_counts)
        nominal = np.diag([*np.diag(nominal), random_nominal])
        draws[:, 2, 2] = random_drawn
    response = Response(names, nominal, draws, z, causes)
    solved = solve_shares(
        areas, np.asarray(covariance, dtype=float), response, like_areas=False, level=level
    )
    shares = dict(solved.shares)
    scale = float(solved.amplitudes.sum())
    told = list(notes)
    among_aligned = None
    if not with_level:
        among_aligned = (shares["c_axis"], shares["a_axis"])
        most = 1.0
        if level_limit_counts is not None:
            random_volume = max(level_limit_counts, 0.0) / random_nominal
            most = random_volume / (random_volume + scale)
        shares["random"] = Estimate(None, 0.0, float(most), level, bounds=(0.0, 1.0))
        for name in ("c_axis", "a_axis"):
            shares[name] = _leaving_room(shares[name], most)
        told.append(
            "the background off the reflection was not measured, so random grains have an upper "
            f"limit only ({most:.2g}); the values of the other shares leave them out and their "
            "lower ends allow for them"
        )
    told += _remarks(geometry, companions, variants)
    factors = tilt_factors(
        phase,
        optics,
        stack,
        geometry,
        layer_index=layer_index,
        a_normal_share=a_normal_share,
    )
    told.append(
        f"V_a/V_c = signal ratio × {factors.poles:.2f} (poles) × {factors.path:.3f} (path) × "
        f"{factors.azimuth:.3f} (azimuth) × {factors.defocus:.3f} (defocus)"
    )
    sigma = np.sqrt(np.diag(covariance))
    name = str(Reflection(phase.key, geometry.hkl)).split(" ", 1)[1]
    places = (factors.tilt_c_deg, factors.tilt_a_deg, float(np.mean(tilts_deg)))
    rows = tuple(
        LineAccount(
            line=f"{name} at χ = {places[i]:.1f}°" if i < 2 else f"{name} between the peaks",
            two_theta_deg=model.two_theta_deg,
            area_counts_deg=float(areas[i]),
            area_sigma_counts_deg=float(sigma[i]),
            per_unit={n: scale * float(nominal[i, k]) for k, n in enumerate(names)},
            predicted_counts_deg=float(solved.predicted[i]),
            residual_sigma=0.0,
        )
        for i in range(len(names))
    )
    return OrientationEstimate(
        c_axis=shares["c_axis"],
        a_axis=shares["a_axis"],
        random=shares["random"],
        other=None,
        route="tilt",
        lines_used=tuple(row.line for row in rows),
        lines_left_out=(),
        chi_square=None,
        dof=None,
        explanation=rows,
        notes=tuple(told),
        scale=scale,
        among_aligned=among_aligned,
    )


def with_random(estimate: OrientationEstimate, random: Estimate) -> OrientationEstimate:
    """A tilt scan's shares with the random share of another route, the coupled lines' say.

    A tilt scan without a measured background tells a- from c-axis grains alone; where random
    grains are known from elsewhere the two are shares of what those leave. Given back unchanged
    where the tilt scan tells random grains itself, or the other share has no distribution.
    """
    aligned = estimate.among_aligned
    if aligned is None or random.estimate is None or random.draws is None:
        return estimate
    limit = estimate.random.high
    rest = np.random.default_rng(10).permutation(1.0 - np.clip(random.draws, 0.0, 1.0))
    told = random.estimate if random.value is None else random.value
    centre = 1.0 - min(max(told, 0.0), 1.0)
    found = {}
    for name, share in zip(("c_axis", "a_axis"), aligned, strict=True):
        if share.draws is None or share.estimate is None or share.draws.size != rest.size:
            return estimate
        parts = {**share.sources, "random share": abs(share.estimate) * float(rest.std())}
        found[name] = from_draws(
            share.estimate * centre,
            share.draws * rest,
            level=share.level,
            bounds=(0.0, 1.0),
            sources=parts,
        )
    notes = [n for n in estimate.notes if "background off the reflection" not in n]
    notes.append("the random share is that of the coupled lines")
    if limit is not None and random.low is not None and random.low > limit:
        notes.append(f"the tilt scan's level allows random grains of {limit:.2g} at most, less")
    return replace(
        estimate,
        c_axis=found["c_axis"],
        a_axis=found["a_axis"],
        random=random,
        notes=tuple(notes),
        among_aligned=None,
    )


def _leaving_room(share: Estimate, most: float) -> Estimate:
    """A share among c- and a-axis grains, when up to ``most`` of the film may be random."""
    assert share.draws is not None
    assert share.estimate is not None
    room = 1.0 - most * ndtr(normal_draws(share.draws.size, 1, seed=9)[:, 0])
    lower = from_draws(share.estimate, share.draws * room, level=share.level, bounds=share.bounds)
    value = share.value if lower.value is not None else None
    return replace(lower, value=value, high=share.high, sources=share.sources)


def _remarks(geometry: TiltGeometry, companions: list[str], variants: bool) -> list[str]:
    found = []
    if companions and geometry.two_theta_acceptance_deg is None:
        found.append(
            f"the 2θ opening is not stated, so {', '.join(companions)} may count or not; state "
            "two_theta_acceptance_deg to narrow the interval"
        )
    if geometry.defocus is None:
        found.append(
            f"no defocus curve was measured: {_DEFOCUS_UNKNOWN:.0%} of uncertainty is carried for "
            "it; a random sample at both tilts would tell"
        )
    if variants:
        found.append(
            f"{geometry.azimuths_measured} of 4 azimuths measured: unlike in-plane variants or "
            f"twins could shift the ratio, {_VARIANTS_UNEQUAL:.0%} is carried for it"
        )
    if geometry.azimuth == "fixed" and geometry.in_plane_fwhm_deg is None:
        found.append(
            "in-plane and out-of-plane spreads are taken as alike; an azimuth scan would tell"
        )
    return found


def tilt_scan_orientation(
    chi_deg: ArrayLike,
    counts: ArrayLike,
    phase: Phase,
    optics: Optics,
    stack: Stack,
    geometry: TiltGeometry,
    *,
    background_counts: float | None = None,
    background_sigma: float | None = None,
    sigma: ArrayLike | None = None,
    layer_index: int = 0,
    a_normal_share: float = 0.5,
    a_normal_share_sigma: float = A_NORMAL_SHARE_SIGMA,
    spread: ModelSpread | None = None,
    level: float = DEFAULT_LEVEL,
) -> tuple[OrientationEstimate, TiltScan]:
    """Shares from a χ scan of shape (N,), and the fitted scan.

    ``background_counts`` is the level off the reflection (2θ moved away), the mean over the same
    tilts: with it the level between the peaks tells the random share.
    """
    if geometry.azimuth == "phi":
        raise ValueError(
            'a χ scan is "spinning" or "fixed"; for azimuth scans see azimuth_orientation'
        )
    scan = fit_tilt_scan(
        chi_deg,
        counts,
        phase,
        optics,
        stack,
        geometry,
        sigma=sigma,
        layer_index=layer_index,
        axial_sigma=(spread or ModelSpread()).axial_sigma(optics),
    )
    covariance = scan.covariance.copy()
    ring: float | None = None
    limit = scan.level_counts + 1.645 * float(np.sqrt(covariance[2, 2]))
    if background_counts is not None:
        ring = scan.level_counts - background_counts
        off = background_sigma
        covariance[2, 2] += (np.sqrt(max(background_counts, 0.0)) if off is None else off) ** 2
    estimate = tilt_orientation(
        scan.area_c,
        scan.area_a,
        covariance if ring is not None else covariance[:2, :2],
        phase,
        optics,
        stack,
        geometry,
        level_counts=ring,
        level_limit_counts=limit,
        tilts_deg=scan.range_deg,
        layer_index=layer_index,
        a_normal_share=a_normal_share,
        a_normal_share_sigma=a_normal_share_sigma,
        spread=spread,
        notes=scan.notes,
        level=level,
    )
    return estimate, scan


def azimuth_orientation(
    scan_c: AzimuthScan,
    phi_a_deg: ArrayLike,
    counts_a: ArrayLike,
    phase: Phase,
    optics: Optics,
    stack: Stack,
    geometry: TiltGeometry,
    *,
    sigma_a: ArrayLike | None = None,
    layer_index: int = 0,
    a_normal_share: float = 0.5,
    a_normal_share_sigma: float = A_NORMAL_SHARE_SIGMA,
    spread: ModelSpread | None = None,
    level: float = DEFAULT_LEVEL,
) -> OrientationEstimate:
    """Shares from azimuth scans at both tilts: the analysed one of c-axis grains, and counts.

    ``phi_a_deg``, ``counts_a`` and ``sigma_a`` have shape (N,). a-axis grains on the same template
    show their peaks at the azimuths of c-axis ones; their areas are fitted there with the same
    width, so that they may be nil or negative. Both scans must have been taken with the same
    counting time and optics.
    """
    geometry = replace(geometry, azimuth="phi")
    area_a, sigma_area_a = areas_at(phi_a_deg, counts_a, scan_c, sigma=sigma_a)
    ring = scan_c.film_level
    known = ring.estimate is not None and ring.sigma is not None
    covariance = np.diag([scan_c.area_full_turn_sigma**2, sigma_area_a**2])
    if known:
        assert ring.sigma is not None
        covariance = np.diag([*np.diag(covariance), ring.sigma**2])
    tilt_c = tilt_factors(phase, optics, stack, geometry, layer_index=layer_index).tilt_c_deg
    return tilt_orientation(
        scan_c.area_full_turn,
        area_a,
        covariance,
        phase,
        optics,
        stack,
        geometry,
        level_counts=ring.estimate if known else None,
        level_limit_counts=ring.high,
        tilts_deg=(tilt_c, tilt_c),
        layer_index=layer_index,
        a_normal_share=a_normal_share,
        a_normal_share_sigma=a_normal_share_sigma,
        spread=spread,
        level=level,
    )
