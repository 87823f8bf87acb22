import numpy as np
import pytest

from xrdfilm.crystal import load_phase
from xrdfilm.errors import StackError
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.simulate import (
    Detector,
    SimulatedFilm,
    simulate_azimuth,
    simulate_rocking,
    simulate_tilt,
)

FWHM_PER_SIGMA = 2.0 * np.sqrt(2.0 * np.log(2.0))
THIN = Stack(Layer(load_phase("YBCO"), 1.0), (), Layer(load_phase("SrTiO3"), None))
QUIET = Detector(noise=False)


def half_width(x, y):
    above = x[y >= y.max() / 2]
    return above[-1] - above[0]


def grains(rng, n, normal_axis, mosaic_deg, twist_deg):
    """Rotations (n, 3, 3): crystal with its axis ``normal_axis`` up, tilted and twisted."""
    up = {"c": np.eye(3), "a": np.array([[0, 0, 1], [0, 1, 0], [-1, 0, 0]]).T}[normal_axis]
    out = np.radians(mosaic_deg) / FWHM_PER_SIGMA
    turn = rng.normal(0.0, np.radians(twist_deg) / FWHM_PER_SIGMA, n)
    lean = rng.normal(0.0, out, (n, 2))
    angle = np.hypot(*lean.T)
    axis = np.stack([lean[:, 0], lean[:, 1], np.zeros(n)], axis=1) / angle[:, None]
    k = np.zeros((n, 3, 3))
    k[:, 0, 2], k[:, 1, 2] = axis[:, 1], -axis[:, 0]
    k[:, 2, 0], k[:, 2, 1] = -axis[:, 1], axis[:, 0]
    tilts = np.eye(3) + np.sin(angle)[:, None, None] * k
    tilts += (1 - np.cos(angle))[:, None, None] * (k @ k)
    spin = np.zeros((n, 3, 3))
    spin[:, 0, 0] = spin[:, 1, 1] = np.cos(turn)
    spin[:, 0, 1], spin[:, 1, 0], spin[:, 2, 2] = -np.sin(turn), np.sin(turn), 1.0
    return tilts @ spin @ up


def pole_angles(rotations, plane):
    """Tilt and azimuth in degrees of the planes (±h, ±k, ±l) of each grain, upper half space."""
    cell = load_phase("YBCO").cell
    signs = np.array([[s, t, 1] for s in (1, -1) for t in (1, -1)])
    vectors = np.unique(np.array(plane) * signs, axis=0) / [cell.a_A, cell.b_A, cell.c_A]
    vectors = np.concatenate([vectors, -vectors])
    vectors /= np.linalg.norm(vectors, axis=1, keepdims=True)
    turned = np.einsum("nij,mj->nmi", rotations, vectors).reshape(-1, 3)
    turned = turned[turned[:, 2] > 0]
    return (
        np.degrees(np.arccos(turned[:, 2])),
        np.degrees(np.arctan2(turned[:, 1], turned[:, 0])),
    )


def only(component, **changes):
    shares = {"c_axis": 0.0, "a_axis": 0.0, "random": 0.0} | {component: 1.0}
    return SimulatedFilm(stack=THIN, **(shares | changes))


def reflecting_tilts(rng, chi_deg, two_theta_deg, acceptance_deg, rays):
    """Tilts of the planes that reflect rays through the axial apertures, sample tilted by χ.

    Exact wave vectors: rays enter at the axial angle α, leave at β, and are turned by 2θ.
    """
    alpha, beta = np.radians(acceptance_deg) * rng.uniform(-0.5, 0.5, (2, rays))
    theta = np.radians(two_theta_deg) / 2.0
    turned = np.cos(2 * theta) - np.sin(alpha) * np.sin(beta)
    leaving = np.arccos(turned / (np.cos(alpha) * np.cos(beta))) - theta
    across = np.sin(beta) - np.sin(alpha)
    up = np.cos(beta) * np.sin(leaving) + np.cos(alpha) * np.sin(theta)
    tilt = np.radians(chi_deg)
    along_normal = across * np.sin(tilt) + up * np.cos(tilt)
    return np.degrees(np.arccos(along_normal / (2.0 * np.sin(theta))))


@pytest.mark.parametrize(
    ("component", "normal", "chi_0"), [("c_axis", "c", 56.8), ("a_axis", "a", 33.2)]
)
@pytest.mark.parametrize("azimuth", ["spinning", "fixed"])
def test_tilt_scan_is_what_rays_meet_of_many_grains(component, normal, chi_0, azimuth):
    """Grains carried as rotations, their poles counted in rings or in a narrow wedge; rays traced
    through both apertures to the planes that reflect them."""
    mosaic, twist = 3.0, 6.0
    film = only(component, c_mosaic_fwhm_deg=mosaic, a_mosaic_fwhm_deg=mosaic, a_normal_share=1.0)
    middles = np.arange(chi_0 - 6.0, chi_0 + 6.01, 1.5)
    _, truth = simulate_tilt(
        film,
        Optics(),
        azimuth=azimuth,
        twist_fwhm_deg=twist,
        two_theta_acceptance_deg=0.1,  # (102) alone
        chi_deg=middles,
        detector=QUIET,
    )
    rng = np.random.default_rng(4)
    rotations = grains(rng, 400_000, normal, mosaic, twist)
    tilt, around = pole_angles(rotations, (1, 0, 2))
    if azimuth == "fixed":
        tilt = tilt[np.abs(around) < 0.5]
    edges = np.arange(chi_0 - 15.0, chi_0 + 15.1, 0.5)
    own = 0.5 * (edges[1:] + edges[:-1])
    # a steradian's poles, each as strong as the path at its own tilt makes it
    density = np.histogram(tilt, edges)[0] / np.sin(np.radians(own)) / np.cos(np.radians(own))
    found = np.array(
        [
            np.interp(reflecting_tilts(rng, chi, 27.8, 2.3, 20_000), own, density).mean()
            for chi in middles
        ]
    )
    expected = truth.by_component[component]
    assert found / found.max() == pytest.approx(expected / expected.max(), abs=0.01)


@pytest.mark.parametrize("azimuth", ["spinning", "fixed"])
def test_c_to_a_signal_of_equal_volumes_follows_the_grains(azimuth):
    """Areas over χ of (102) for equal volumes of c-axis and a-normal grains, path taken out."""
    mosaic, twist = 3.0, 6.0
    film = SimulatedFilm(
        stack=THIN, c_axis=0.5, a_axis=0.5, random=0.0, a_normal_share=1.0,
        c_mosaic_fwhm_deg=mosaic, a_mosaic_fwhm_deg=mosaic,
    )  # fmt: skip
    chi = np.arange(20.0, 70.0, 0.1)
    _, truth = simulate_tilt(
        film, Optics(), azimuth=azimuth, twist_fwhm_deg=twist, two_theta_acceptance_deg=0.1,
        chi_deg=chi, detector=QUIET,
    )  # fmt: skip
    path = 1.0 / np.cos(np.radians(chi))
    areas = {name: np.sum(signal / path) for name, signal in truth.by_component.items()}
    rng = np.random.default_rng(5)
    counted = {}
    for name, normal in (("c_axis", "c"), ("a_axis", "a")):
        rotations = grains(rng, 300_000, normal, mosaic, twist)
        # in-plane variants: half of the grains stand turned by 90°, so half the poles at φ = 0
        tilt, around = pole_angles(rotations, (1, 0, 2))
        inside = (tilt > 20.0) & (tilt < 70.0)
        if azimuth == "fixed":
            inside &= np.abs(around) < 0.5
        counted[name] = np.sum(1.0 / np.sin(np.radians(tilt[inside])))
    assert areas["c_axis"] / areas["a_axis"] == pytest.approx(
        counted["c_axis"] / counted["a_axis"], rel=0.03
    )


def test_spinning_signal_of_both_lines_with_a_and_b_normals():
    # 2.00 poles, times sin33.3°/sin56.7°, before the path: about 1.3; the path brings back 2.0
    film = SimulatedFilm(
        stack=THIN, c_axis=0.5, a_axis=0.5, random=0.0, c_mosaic_fwhm_deg=1.0,
        a_mosaic_fwhm_deg=1.0,
    )  # fmt: skip
    chi = np.arange(20.0, 70.0, 0.05)
    _, truth = simulate_tilt(film, Optics(), chi_deg=chi, detector=QUIET)
    raw = {name: signal.sum() for name, signal in truth.by_component.items()}
    assert raw["c_axis"] / raw["a_axis"] == pytest.approx(2.00, abs=0.03)
    path = 1.0 / np.cos(np.radians(chi))
    bare = {name: (signal / path).sum() for name, signal in truth.by_component.items()}
    assert bare["c_axis"] / bare["a_axis"] == pytest.approx(
        2.0 * np.sin(np.radians(33.35)) / np.sin(np.radians(56.65)), abs=0.02
    )


def test_random_grains_give_a_floor_and_defocus_lowers_all():
    film = SimulatedFilm(stack=THIN, c_axis=0.6, a_axis=0.1, random=0.3)
    # with open apertures the window takes the mean of 1/cosχ over nearly 10°
    narrow = Optics(axial_acceptance_deg=0.2)
    _, truth = simulate_tilt(film, narrow, detector=QUIET)
    floor = truth.by_component["random"]
    chi = np.arange(20.0, 70.25, 0.25)
    assert floor * np.cos(np.radians(chi)) == pytest.approx(
        np.full(chi.size, floor[0] * np.cos(np.radians(20.0))), rel=1e-3
    )
    _, weak = simulate_tilt(
        film, narrow, detector=QUIET, defocus=lambda x: np.where(x > 45.0, 0.5, 1.0)
    )
    plain = truth.by_component["c_axis"].max() / truth.by_component["a_axis"].max()
    halved = weak.by_component["c_axis"].max() / weak.by_component["a_axis"].max()
    assert halved == pytest.approx(plain / 2.0)


def test_rocking_scan_shows_the_mosaic_widened_by_the_divergence():
    film = SimulatedFilm(stack=Stack(Layer(load_phase("YBCO"), 800.0)), c_mosaic_fwhm_deg=0.6)
    omega = np.linspace(-4.0, 4.0, 1601)
    scan, truth = simulate_rocking(film, Optics(), omega_deg=omega, detector=QUIET)
    assert scan.axis == "omega"
    assert truth.own_fwhm_deg == 0.6
    assert half_width(omega, scan.counts - 20.0) == pytest.approx(truth.shown_fwhm_deg, abs=0.02)
    assert truth.shown_fwhm_deg > 0.65
    assert scan.counts.max() == pytest.approx(10_020.0)


def test_few_large_grains_stand_apart():
    film = SimulatedFilm(stack=Stack(Layer(load_phase("YBCO"), 800.0)), c_mosaic_fwhm_deg=0.5)
    scan, _ = simulate_rocking(film, Optics(), grains=((-1.5, 0.6), (1.5, 0.4)), detector=QUIET)
    y = scan.counts
    tops = np.flatnonzero((y[1:-1] > y[:-2]) & (y[1:-1] >= y[2:])) + 1
    assert scan.axis_deg[tops] == pytest.approx([-1.5, 1.5], abs=0.1)
    assert (y[tops[1]] - 20) / (y[tops[0]] - 20) == pytest.approx(0.4 / 0.6, rel=0.01)


def test_azimuth_scan_shows_four_peaks_and_the_width_of_many_grains():
    mosaic, twist = 4.0, 5.0
    film = only("c_axis", c_mosaic_fwhm_deg=mosaic)
    scan, truth = simulate_azimuth(film, Optics(), twist_fwhm_deg=twist, detector=QUIET)
    y = scan.counts - 15.0
    for peak in (0.0, 90.0, 180.0, 270.0):
        assert y[np.searchsorted(scan.axis_deg, peak)] > 0.9 * y.max()
        assert y[np.searchsorted(scan.axis_deg, peak + 45.0)] < 1e-3 * y.max()
    assert truth.tilt_deg == pytest.approx(45.5, abs=0.1)
    # grains carried as rotations: azimuths of their (103) poles over all tilts near 45.5°
    rotations = grains(np.random.default_rng(6), 400_000, "c", mosaic, twist)
    tilt, around = pole_angles(rotations, (1, 0, 3))
    ring = around[(np.abs(around) < 30.0) & (np.abs(tilt - 45.5) < 1.0)]
    assert np.std(ring) * FWHM_PER_SIGMA == pytest.approx(truth.shown_fwhm_deg, rel=0.02)
    middle = np.abs((scan.axis_deg + 180.0) % 360.0 - 180.0) < 30.0
    x = (scan.axis_deg[middle] + 180.0) % 360.0 - 180.0
    order = np.argsort(x)
    assert half_width(x[order], y[middle][order]) == pytest.approx(truth.shown_fwhm_deg, abs=0.6)


def test_noise_of_texture_scans_repeats_with_the_seed():
    film = SimulatedFilm(stack=THIN)
    for simulate in (simulate_rocking, simulate_azimuth, simulate_tilt):
        first, truth = simulate(film, Optics(), seed=2)
        again, _ = simulate(film, Optics(), seed=2)
        assert np.array_equal(first.counts, again.counts)
        pull = (first.counts - truth.expected) / np.sqrt(truth.expected)
        assert abs(pull.var() - 1.0) < 4.0 * np.sqrt(2.0 / pull.size)


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda: simulate_rocking(SimulatedFilm(stack=THIN), Optics(), (1, 0, 3)), "no component"),
        (lambda: simulate_azimuth(only("a_axis"), Optics()), "tilt of c-axis grains"),
        (lambda: simulate_azimuth(only("c_axis"), Optics(), (0, 0, 5)), "no pole between"),
        (lambda: simulate_tilt(only("random"), Optics()), "no oriented grains"),
        (
            lambda: simulate_tilt(only("c_axis"), Optics(), chi_deg=np.array([0.0, 90.0])),
            "between 0 and 90",
        ),
        (lambda: simulate_tilt(only("c_axis"), Optics(), (0, 0, 99)), "does not reflect"),
    ],
)
def test_scans_that_make_no_sense_are_refused(make, told):
    with pytest.raises(StackError, match=told):
        make()
