"""Do the intervals of the orientation shares hold the truth as often as they say?

Films are drawn with random 0-0.3, a-axis 0-0.6, mosaics 0.3-6 degrees and 10^2 to 10^5 counts at
the (005) top of a pure c-axis film. The truth is drawn by other code than the estimate's: its
share of grains in the window is a double integral by Gauss-Legendre quadrature, path and
polarisation are written out here, and structure data, acceptance, thickness and the a- to b-normal
share are off by their stated uncertainties. Areas are Poisson counts over a background.

    python benchmarks/calibration_orientation.py [films] [--tilt | --scans N]

Target: bias under 0.005; 95 % intervals hold 93-97 % (90 % and more where mosaics are unknown and
differ by a factor 2). A count of n films leaves sqrt(0.95*0.05/n) in a coverage: 0.5 % at 2000.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from xrdfilm.crystal import f_squared, family_members, load_phase
from xrdfilm.crystal.attenuation import linear_attenuation_per_cm
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection
from xrdfilm.simulate import SimulatedFilm, simulate_scan
from xrdfilm.texture.orientation import OrientationEstimate, estimate_orientation
from xrdfilm.texture.response import ModelSpread, Mosaic, f_squared_sigma
from xrdfilm.texture.tilt import TiltGeometry, tilt_scan_orientation

YBCO = load_phase("YBCO")
OPTICS = Optics()
STACK = Stack(Layer(YBCO, 800.0), (), Layer(load_phase("SrTiO3"), None))
LINES = (
    ((1, 0, 2), (0, 1, 2)),
    ((1, 0, 3), (0, 1, 3), (1, 1, 0)),
    ((0, 0, 5), (0, 1, 4)),
    ((1, 1, 3),),
    ((2, 0, 0),),
    ((0, 0, 7),),
    ((1, 1, 6), (1, 2, 3)),
    ((2, 1, 3),),
)
NAMES = ("c_axis", "a_axis", "random")
_X, _W = np.polynomial.legendre.leggauss(64)
_FWHM_DEG, _STEP_DEG = 0.25, 0.02


@dataclass(frozen=True)
class Film:
    """The truth of one film, and what is told of it."""

    shares: dict[str, float]
    mosaic_deg: dict[str, float]
    told: dict[str, Mosaic]
    top_counts: float


def share_in_window(box: float, half_base: float, sigma: float) -> float:
    """Share of a round Gaussian within the box, weighed by the triangle: by quadrature."""
    half_box = min(0.5 * box, 8.0 * sigma)
    along = np.sum(_W * np.exp(-0.5 * (half_box * _X / sigma) ** 2)) * half_box
    top = min(half_base, 8.0 * sigma)
    y = 0.5 * top * (1.0 + _X)  # one side, twice
    across = 2.0 * np.sum(_W * (1.0 - y / half_base) * np.exp(-0.5 * (y / sigma) ** 2)) * 0.5 * top
    return float(along * across / (2.0 * np.pi * sigma**2))


MEMBERS = [m for line in LINES for m in line]
_ROWS = np.array(MEMBERS)
_PLACE = two_theta_of(YBCO.cell.d_spacing(_ROWS), OPTICS.radiation.k_alpha1_A)
_F = f_squared(YBCO, _ROWS, OPTICS.radiation.mean_A)
_M = np.array([len(family_members(YBCO, m)) for m in MEMBERS])
_MU = linear_attenuation_per_cm(YBCO, OPTICS.radiation.mean_A)
_SPREAD = ModelSpread()


def true_areas(film: Film, rng: np.random.Generator, exact: bool = False) -> np.ndarray:
    """Expected areas of the lines in counts·deg, with nature's own structure data and optics."""
    z = (lambda: 0.0) if exact else rng.standard_normal
    axial = np.radians(OPTICS.axial_acceptance_deg * np.exp(0.10 * z()))
    thickness = 800e-7 * np.exp(_SPREAD.thickness * z())
    a_share = np.clip(0.5 + 0.1 * z(), 0.02, 0.98)
    strengths = []
    for hkl, place, f2, m in zip(MEMBERS, _PLACE, _F, _M, strict=True):
        f2 = f2 * np.exp(float(f_squared_sigma(np.array(f2), 2.5)) * z())
        theta = np.radians(place) / 2
        box = min(np.radians(0.5), 10.0 * np.sin(theta) / 240.0)
        half = axial / (2 * np.sin(theta))
        path = (1 - np.exp(-2 * _MU * thickness / np.sin(theta))) / (2 * _MU)
        polar = (1 + np.cos(2 * theta) ** 2) / 2
        unit = polar / np.sin(2 * theta) * f2 * path
        windows = {"random": m * box * half / (4 * np.pi), "c_axis": 0.0, "a_axis": 0.0}
        for name, normal, g in (
            ("c_axis", hkl[:2] == (0, 0), 1.0),
            ("a_axis", hkl[1:] == (0, 0), a_share),
            ("a_axis", hkl[0] == 0 and hkl[2] == 0, 1 - a_share),
        ):
            if normal:
                sigma = np.radians(film.mosaic_deg[name]) / 2.3548200450309493
                windows[name] += g * share_in_window(box, half, sigma)
        strengths.append(unit * np.array([windows[n] for n in NAMES]))
    table = np.array(strengths)
    at = MEMBERS.index((0, 0, 5))
    scale = film.top_counts * _FWHM_DEG * 1.1 / table[at, 0]
    area_of = scale * table @ np.array([film.shares[n] for n in NAMES])
    starts = np.cumsum([0] + [len(line) for line in LINES])
    return np.array([area_of[i:j].sum() for i, j in pairwise(starts)])


def counting_sigma_of_random(film: Film, rng: np.random.Generator) -> float:
    """How well counting alone would fix the random share by (103)/(013)/(110)."""
    all_random = replace(film, shares={"c_axis": 0.0, "a_axis": 0.0, "random": 1.0})
    area = true_areas(all_random, rng, exact=True)[1]
    background = (2.0 + 0.005 * film.top_counts) * 3.0 * _FWHM_DEG / _STEP_DEG
    counts = film.shares["random"] * area / _STEP_DEG
    return float(np.sqrt(counts + 1.5 * background) * _STEP_DEG / area)


def measured(areas: np.ndarray, top_counts: float, rng: np.random.Generator) -> MeasuredLines:
    """Areas as counted: sum over the line's window less the background beside it."""
    steps = 3.0 * _FWHM_DEG / _STEP_DEG
    background = (2.0 + 0.005 * top_counts) * steps
    counted = rng.poisson(areas / _STEP_DEG + background)
    beside = rng.poisson(2.0 * background, areas.size) / 2.0
    net = (counted - beside) * _STEP_DEG
    sigma = np.sqrt(np.maximum(counted, 1.0) + beside / 2.0) * _STEP_DEG
    starts = np.cumsum([0] + [len(line) for line in LINES])
    rows = [
        MeasuredLine(
            tuple(Reflection("YBCO", m) for m in line),
            "forced",
            float(_PLACE[start]),
            float(_PLACE[start]),
            0.0,
            float(area),
            float(s),
            _FWHM_DEG,
            0.01,
            0.2,
            float(area / s),
            0.0,
            0.0,
            float(background / steps),
        )
        for line, start, area, s in zip(LINES, starts, net, sigma, strict=False)
    ]
    return MeasuredLines(tuple(rows), np.diag(sigma**2))


def draw_film(rng: np.random.Generator, case: str) -> Film:
    while True:
        random, a_axis = rng.uniform(0, 0.3), rng.uniform(0, 0.6)
        if random + a_axis < 0.95:
            break
    shares = {"c_axis": 1 - random - a_axis, "a_axis": a_axis, "random": random}
    top = 10 ** rng.uniform(2, 5)
    c = np.exp(rng.uniform(np.log(0.3), np.log(6.0)))
    told_c = Mosaic.from_measurement(c * np.exp(0.03 * rng.standard_normal()), 0.03 * c)
    if case == "measured":
        a = c * np.exp(0.5 * rng.standard_normal())
        told_a = Mosaic.from_measurement(a * np.exp(0.05 * rng.standard_normal()), 0.05 * a)
        told = {"c_axis": told_c, "a_axis": told_a}
    elif case == "a-axis unmeasured":
        a = c * np.exp(0.5 * rng.standard_normal())
        told = {"c_axis": told_c}
    elif case == "a-axis off by 2":
        a = c * 2.0 ** rng.choice([-1, 1])
        told = {"c_axis": told_c}
    elif case == "none measured, differing by 2":
        ratio = 2.0 ** rng.choice([-1, 1])
        middle = np.sqrt(c * c)
        c, a = middle / np.sqrt(ratio), middle * np.sqrt(ratio)
        assumed = Mosaic(middle * np.exp(np.log(2.0) * 0.75**0.5 * rng.standard_normal()), 2.0)
        told = {"c_axis": assumed, "a_axis": assumed}
    else:
        raise ValueError(case)
    return Film(shares, {"c_axis": float(c), "a_axis": float(a)}, told, float(top))


CASES = ("measured", "a-axis unmeasured", "a-axis off by 2", "none measured, differing by 2")


def holds(estimate: OrientationEstimate, shares: dict[str, float]) -> list[bool]:
    return [e.low <= shares[n] <= e.high for n, e in estimate.shares.items() if n in shares]


def calibrate(case: str, films: int, seed: int = 1) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    held, off, width, limits, p_values = [], [], [], [], []
    spent = 0.0
    tops, sig, visible = [], [], []
    for _ in range(films):
        film = draw_film(rng, case)
        lines = measured(true_areas(film, rng), film.top_counts, rng)
        start = time.perf_counter()
        found = estimate_orientation(
            lines, YBCO, OPTICS, STACK, mosaics=film.told, with_other=False
        )
        spent += time.perf_counter() - start
        held.append(holds(found, film.shares))
        estimates = [getattr(found, n) for n in NAMES]
        off.append([e.estimate - film.shares[n] for n, e in zip(NAMES, estimates, strict=True)])
        sig.append([e.sigma for e in estimates])
        width.append([e.high - e.low for e in estimates])
        limits.append([e.value is None for e in estimates])
        tops.append(film.top_counts)
        visible.append(counting_sigma_of_random(film, rng))
        p_values.append(0.0 if "disagree" in " ".join(found.notes) else 1.0)
    return {
        "held": np.array(held),
        "off": np.array(off),
        "sigma": np.array(sig),
        "width": np.array(width),
        "limit": np.array(limits),
        "told": np.array(p_values),
        "visible": np.array(visible),
        "top": np.array(tops),
        "ms": np.array([1e3 * spent / films]),
    }


def draw_shares(rng: np.random.Generator) -> tuple[float, float, float]:
    while True:
        random, a_axis = rng.uniform(0, 0.3), rng.uniform(0, 0.6)
        if random + a_axis < 0.95:
            return 1.0 - a_axis - random, a_axis, random


@dataclass(frozen=True)
class TiltedFilm:
    """The truth behind one tilt scan: shares, spreads (FWHM), and nature's own optics and data."""

    shares: tuple[float, float, float]
    out_fwhm_deg: tuple[float, float]  # of c-axis and of a-axis grains
    twist_fwhm_deg: float
    a_normal_share: float = 0.5
    thickness_nm: float = 800.0
    axial_deg: float = 2.3
    strength_102: float = 1.0  # (102) over (012), relative to the listed structure's


_RAY = (np.arange(48) + 0.5) / 48 - 0.5
_AXIAL_SUMS = (_RAY[:, None] + _RAY[None, :]).ravel()  # entering and leaving, in units of D
_NORMAL_X, _NORMAL_W = np.polynomial.hermite_e.hermegauss(9)
_FINE_DEG = np.arange(0.0, 89.0, 0.02)


def tilt_curve(chi: np.ndarray, film: TiltedFilm, spinning: bool) -> np.ndarray:
    """Net signal of (102) and (012) against χ, in arbitrary units, written out from scratch.

    Rays through both axial apertures each meet the planes that they can reflect; how many poles
    stand there is the grains' Gaussian over the sphere, and each reflects along the path of its
    own tilt. Spinning spreads a pole over its circle; else the divergence takes its share of the
    arc, at one of the film's four azimuths.
    """
    c, a, random = film.shares
    cell = YBCO.cell
    edges = np.array([cell.a_A, cell.b_A, cell.c_A])
    own = np.radians(_FINE_DEG)
    total = np.zeros(own.size)
    for hkl, strength in (((1, 0, 2), film.strength_102), ((0, 1, 2), 1.0)):
        reciprocal = np.array(hkl) / edges
        sine = 0.5 * OPTICS.radiation.k_alpha1_A * np.linalg.norm(reciprocal)
        theta = np.arcsin(sine)
        box = min(np.radians(0.5), 10.0 * sine / 240.0)
        row = MEMBERS.index(hkl)
        unit = strength * _F[row] * (1 + np.cos(2 * theta) ** 2) / 2 / np.sin(2 * theta)
        way = 2 * _MU * film.thickness_nm * 1e-7 / (sine * np.cos(own))
        path = -np.expm1(-way)
        poles = np.full(own.size, random * 4.0 / (4.0 * np.pi) * box)
        for share, normal, fwhm in (
            (c, 2, film.out_fwhm_deg[0]),
            (a * film.a_normal_share, 0, film.out_fwhm_deg[1]),
            (a * (1.0 - film.a_normal_share), 1, film.out_fwhm_deg[1]),
        ):
            tilt = np.arccos(reciprocal[normal] / np.linalg.norm(reciprocal))
            if not hkl[normal]:
                continue  # its poles lie in the plane of the film
            count = 2.0  # the other index may have either sign
            out = np.radians(fwhm) / 2.3548200450309493
            for node, weight in zip(_NORMAL_X, _NORMAL_W / _NORMAL_W.sum(), strict=True):
                # a grain that leans sideways by node·out takes its pole along a great circle
                leaning = np.arccos(np.cos(tilt) * np.cos(node * out))
                along = np.exp(-0.5 * ((own - leaning) / out) ** 2) / (out * np.sqrt(2 * np.pi))
                if spinning:
                    sideways = box / (2.0 * np.pi * np.sin(np.maximum(own, 0.01)))
                else:
                    twist = np.radians(film.twist_fwhm_deg) / 2.3548200450309493
                    arc = np.hypot(twist * np.sin(tilt), out * np.cos(tilt))
                    half = min(0.5 * box, 8.0 * arc) * _X
                    sideways = np.sum(_W * np.exp(-0.5 * (half / arc) ** 2)) * 0.5 * box
                    sideways /= arc * np.sqrt(2.0 * np.pi) * 4.0
                poles += weight * share * count * along * sideways
        total += unit * path * poles
    met = np.degrees(np.radians(film.axial_deg) * np.sort(_AXIAL_SUMS) / (2.0 * sine))
    met = met.reshape(-1, 16).mean(axis=1)  # rays so near one another meet the same planes
    at = chi[:, None] + met
    return np.interp(at, _FINE_DEG, total).mean(axis=1)


def calibrate_tilt(mode: str, films: int, seed: int = 1) -> dict[str, np.ndarray]:
    """Tilt scans of `tilt_curve`.

    Defocus, thickness, axial acceptance, structure data, spreads and a-normal share are off by
    as much as the estimate allows for. Half of the films have random grains of up to 0.02.
    """
    rng = np.random.default_rng(seed)
    chi = np.arange(20.0, 70.25, 0.25)
    held, off, tops, spent = [], [], [], 0.0
    for _ in range(films):
        c, a, r = draw_shares(rng)
        if rng.random() < 0.5:
            few = 0.02 * rng.random()
            c, a, r = c * (1 - few) / (1 - r), a * (1 - few) / (1 - r), few
        mosaic, twist = np.exp(rng.uniform(np.log([0.5, 2.0]), np.log([6.0, 8.0])))
        relative = f_squared_sigma(_F[[MEMBERS.index((1, 0, 2)), MEMBERS.index((0, 1, 2))]], 2.5)
        film = TiltedFilm(
            shares=(c, a, r),
            out_fwhm_deg=(mosaic, mosaic * np.exp(0.10 * rng.standard_normal())),
            twist_fwhm_deg=twist,
            a_normal_share=float(np.clip(0.5 + 0.1 * rng.standard_normal(), 0.02, 0.98)),
            thickness_nm=800.0 * np.exp(0.12 * rng.standard_normal()),
            axial_deg=2.3 * np.exp(0.10 * rng.standard_normal()),
            strength_102=float(np.exp(np.hypot(*relative) * rng.standard_normal())),
        )
        blur = 0.1 * rng.standard_normal() / 23.4
        top = 10 ** rng.uniform(2, 5)
        background = max(5.0, 0.01 * top)
        net = tilt_curve(chi, film, mode == "spinning") * np.exp(blur * (56.7 - chi))
        counts = rng.poisson(net * (top / net.max()) + background).astype(float)
        beside = rng.poisson(background * chi.size) / chi.size
        geometry = TiltGeometry(
            mode,
            two_theta_acceptance_deg=1.2,
            in_plane_fwhm_deg=twist * np.exp(0.10 * rng.standard_normal()),
            out_of_plane_fwhm_deg=mosaic * np.exp(0.10 * rng.standard_normal()),
        )
        start = time.perf_counter()
        found, _ = tilt_scan_orientation(
            chi,
            counts,
            YBCO,
            OPTICS,
            STACK,
            geometry,
            background_counts=beside,
            background_sigma=(background / chi.size) ** 0.5,
        )
        spent += time.perf_counter() - start
        truth = {"c_axis": c, "a_axis": a, "random": r}
        held.append(holds(found, truth))
        off.append([getattr(found, n).estimate - truth[n] for n in NAMES])
        tops.append(top)
    return {
        "held": np.array(held),
        "off": np.array(off),
        "top": np.array(tops),
        "ms": np.array([1e3 * spent / films]),
    }


def calibrate_scans(films: int, seed: int = 1) -> dict[str, np.ndarray]:
    """Whole coupled scans of `xrdfilm.simulate`, fitted by `xrdfilm.analysis.coupled`."""
    from xrdfilm.analysis.coupled import analyse_coupled, prepare
    from xrdfilm.analysis.premises import premises_of
    from xrdfilm.runfile import RunFile

    rng = np.random.default_rng(seed)
    run_file = RunFile.model_validate(
        {
            "stack": {"film": "YBCO", "thickness_nm": 800, "substrate": "SrTiO3"},
            "optics": {"anode": "Cu", "divergence_deg": 0.5, "axial_acceptance_deg": 2.3},
        }
    )
    prepared = None
    held, off, tops, spent = [], [], [], 0.0
    for _ in range(films):
        c, a, r = draw_shares(rng)
        mosaic = np.exp(rng.uniform(np.log(0.5), np.log(5.0)))
        a_mosaic = mosaic * np.exp(0.3 * rng.standard_normal())
        film = SimulatedFilm(
            stack=replace(STACK, film=Layer(YBCO, 800.0 * np.exp(0.12 * rng.standard_normal()))),
            c_axis=c,
            a_axis=a,
            random=r,
            c_mosaic_fwhm_deg=mosaic,
            a_mosaic_fwhm_deg=a_mosaic,
            a_normal_share=float(np.clip(0.5 + 0.1 * rng.standard_normal(), 0.02, 0.98)),
        )
        optics = replace(OPTICS, axial_acceptance_deg=2.3 * np.exp(0.1 * rng.standard_normal()))
        top = 10 ** rng.uniform(3, 5)
        scan, _ = simulate_scan(film, optics, counts=top, seed=int(rng.integers(2**31)))
        if prepared is None:
            premises = premises_of(run_file, scan)
            prepared = prepare(premises, scan.axis_deg)
        fit = analyse_coupled([scan], prepared)[0]
        if isinstance(fit, Exception):
            print(f"not read: c {c:.2f} a {a:.2f} r {r:.2f} {mosaic:.1f} deg {top:.0f} cts: {fit}")
            continue
        told = {
            "c_axis": Mosaic.from_measurement(
                mosaic * np.exp(0.03 * rng.standard_normal()), 0.03 * mosaic
            ),
            "a_axis": Mosaic.from_measurement(
                a_mosaic * np.exp(0.05 * rng.standard_normal()), 0.05 * a_mosaic
            ),
        }
        start = time.perf_counter()
        found = estimate_orientation(
            fit.usable("YBCO"), YBCO, OPTICS, STACK, mosaics=told, with_other=False
        )
        spent += time.perf_counter() - start
        truth = {"c_axis": c, "a_axis": a, "random": r}
        held.append(holds(found, truth))
        off.append([(getattr(found, n).estimate or 0.0) - truth[n] for n in NAMES])
        tops.append(top)
    return {
        "held": np.array(held),
        "off": np.array(off),
        "top": np.array(tops),
        "ms": np.array([1e3 * spent / films]),
    }


def show(title: str, r: dict[str, np.ndarray]) -> None:
    print(f"\n{title}: {len(r['held'])} films, {r['ms'][0]:.2f} ms a film")
    print("             holds    bias      +-  median")
    for i, name in enumerate(NAMES):
        off = r["off"][:, i]
        print(
            f"  {name:8s}  {r['held'][:, i].mean():7.3f} {off.mean():+7.4f} "
            f"{off.std() / len(off) ** 0.5:7.4f} {np.median(off):+7.4f}"
        )
    for low, high in ((1e2, 1e3), (1e3, 1e4), (1e4, 1e5)):
        at = (r["top"] >= low) & (r["top"] < high)
        if at.any():
            print(
                f"  counts {low:.0e}-{high:.0e}: holds",
                " ".join(f"{h:.3f}" for h in r["held"][at].mean(axis=0)),
                " bias",
                " ".join(f"{b:+.4f}" for b in r["off"][at].mean(axis=0)),
            )


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("films", nargs="?", type=int, default=2000)
    parser.add_argument("--tilt", action="store_true", help="the tilt route instead")
    parser.add_argument("--scans", type=int, default=0, help="whole scans through the fit instead")
    arguments = parser.parse_args()
    if arguments.tilt:
        for mode in ("spinning", "fixed"):
            show(f"tilt scan, {mode}", calibrate_tilt(mode, arguments.films))
        return
    if arguments.scans:
        show("whole scans", calibrate_scans(arguments.scans))
        return
    for case in CASES:
        r = calibrate(case, arguments.films)
        print(f"\n{case}: {arguments.films} films, {r['ms'][0]:.2f} ms a film")
        print("             holds    bias  median   width  limits")
        for i, name in enumerate(NAMES):
            print(
                f"  {name:8s}  {r['held'][:, i].mean():7.3f} {r['off'][:, i].mean():+7.4f} "
                f"{np.median(r['off'][:, i]):+7.4f} {r['width'][:, i].mean():7.3f} "
                f"{r['limit'][:, i].mean():7.2f}"
            )
        for low, high in ((1e2, 1e3), (1e3, 1e4), (1e4, 1e5)):
            at = (r["top"] >= low) & (r["top"] < high)
            print(
                f"  counts {low:.0e}-{high:.0e}: holds",
                " ".join(f"{h:.3f}" for h in r["held"][at].mean(axis=0)),
                " bias",
                " ".join(f"{b:+.4f}" for b in r["off"][at].mean(axis=0)),
                " limits",
                " ".join(f"{b:.2f}" for b in r["limit"][at].mean(axis=0)),
            )
        for low, high in ((0, 0.02), (0.02, 0.05), (0.05, 0.1), (0.1, 0.3), (0.3, 1e9)):
            at = (r["visible"] >= low) & (r["visible"] < high)
            if not at.any():
                continue
            print(
                f"  counting leaves random to {low:g}-{high:g} ({at.sum()}): holds",
                " ".join(f"{h:.3f}" for h in r["held"][at].mean(axis=0)),
                " bias",
                " ".join(f"{b:+.4f}" for b in r["off"][at].mean(axis=0)),
                " +-",
                f"{r['off'][at].std(axis=0).max() / at.sum() ** 0.5:.4f}",
            )
        print(f"  lines found to disagree in {1 - r['told'].mean():.3f} of films")


if __name__ == "__main__":
    main()
