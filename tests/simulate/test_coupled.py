import ast
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import xrdfilm.simulate
from xrdfilm.commands.simulate import command
from xrdfilm.crystal import load_phase
from xrdfilm.crystal.radiation import radiation
from xrdfilm.errors import StackError
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.simulate import (
    NO_GHOSTS,
    Background,
    Breadth,
    BufferTexture,
    Detector,
    Ghosts,
    Grains,
    Hump,
    Instrument,
    Minor,
    SimulatedFilm,
    SubstrateTexture,
    fluoride,
    grid,
    simulate_scan,
)
from xrdfilm.simulate.shape import draw_lines, thompson_cox_hastings

QUIET = Detector(noise=False)
BARE = Instrument(ghosts=NO_GHOSTS, detector=QUIET)


def on(substrate="SrTiO3", buffers=(), film="YBCO", thickness_nm=800.0):
    return Stack(
        Layer(load_phase(film), thickness_nm),
        tuple(Layer(load_phase(key), nm) for key, nm in buffers),
        None if substrate is None else Layer(load_phase(substrate), None),
    )


TAPE = on("Ni-5W", (("CeO2", 75.0), ("La2Zr2O7", 200.0)))


def place(truth, phase, hkl, ghost=None):
    found = [
        line
        for line in truth.lines
        if line.reflection.phase == phase and line.reflection.hkl == hkl and line.ghost == ghost
    ]
    assert found, f"{phase} {hkl} {ghost} is not among the lines"
    return found[0].two_theta_deg


def test_scan_is_counts_on_the_grid_and_the_seed_repeats_it():
    film = SimulatedFilm(stack=TAPE)
    scan, truth = simulate_scan(film, Optics(), seed=7)
    again, _ = simulate_scan(film, Optics(), seed=7)
    other, _ = simulate_scan(film, Optics(), seed=8)
    assert len(scan) == 3501
    assert scan.axis_deg[[0, -1]] == pytest.approx([10.0, 80.0])
    assert np.all(scan.counts == np.round(scan.counts))
    assert np.array_equal(scan.counts, again.counts)
    assert not np.array_equal(scan.counts, other.counts)
    assert truth.expected.shape == truth.background.shape == (3501,)


def test_noise_is_poisson():
    scan, truth = simulate_scan(SimulatedFilm(stack=TAPE), Optics(), seed=3)
    pull = (scan.counts - truth.expected) / np.sqrt(truth.expected)
    # 3501 independent points: the mean is known to 1/√N, the variance to √(2/N)
    assert abs(pull.mean()) < 4.0 / np.sqrt(pull.size)
    assert abs(pull.var() - 1.0) < 4.0 * np.sqrt(2.0 / pull.size)


def test_counts_are_reached_at_the_top_of_the_named_line():
    film = SimulatedFilm(stack=on(None))
    for top_of, low, high in ((None, 46.0, 47.2), ((0, 0, 5), 38.0, 39.0)):
        _, truth = simulate_scan(film, Optics(), counts=30_000.0, top_of=top_of, instrument=BARE)
        there = (grid() > low) & (grid() < high)
        top = np.max((truth.expected - truth.background)[there])
        # K-alpha2's tail and the neighbours come on top of it
        assert 0.99 * 30_000 < top < 1.15 * 30_000


def test_areas_of_the_truth_are_the_areas_of_the_curve():
    """Signal summed over the scan equals the listed areas where tails stay within it."""
    sharp = Instrument(breadth=Breadth(x_deg=0.0, y_deg=0.0), ghosts=NO_GHOSTS, detector=QUIET)
    film = SimulatedFilm(
        stack=on(None),
        film_size_nm=1e9,
        film_microstrain=0.0,
        minor=(Minor(load_phase("BaF2"), 0.1, size_nm=None),),
    )
    angles = grid(12.0, 80.0, 0.01)
    _, truth = simulate_scan(film, Optics(), instrument=sharp, two_theta_deg=angles)
    summed = np.sum(truth.expected - truth.background) * 0.01
    listed = sum(line.area_counts_deg for line in truth.lines)
    assert summed == pytest.approx(listed, rel=1e-3)


def test_areas_follow_fractions_and_scale():
    def area(phase, hkl, component=None, **changes):
        values = {"c_axis": 0.8, "a_axis": 0.15, "random": 0.05} | changes
        film = SimulatedFilm(stack=on(), **values)
        _, truth = simulate_scan(film, Optics(), scale=2e8, instrument=BARE)
        return truth.area_counts_deg(phase, hkl, component)

    assert area("YBCO", (0, 0, 5), "c_axis", c_axis=0.4, random=0.45) == pytest.approx(
        area("YBCO", (0, 0, 5), "c_axis") / 2
    )
    assert area("YBCO", (2, 0, 0), "a_axis", a_axis=0.3, c_axis=0.65) == pytest.approx(
        2 * area("YBCO", (2, 0, 0), "a_axis")
    )
    assert area("YBCO", (1, 0, 3), random=0.1, c_axis=0.75) == pytest.approx(
        2 * area("YBCO", (1, 0, 3))
    )
    assert area("YBCO", (2, 0, 0), "a_axis", a_normal_share=1.0) == pytest.approx(
        2 * area("YBCO", (2, 0, 0), "a_axis")
    )


def test_fluoride_fraction_is_of_fluoride_and_film_together():
    """V(fluoride)/(V(fluoride) + V(film)) whatever else lies in the layer."""
    areas = {}
    for products in ((), (Minor(load_phase("CuO"), 0.2),)):
        film = SimulatedFilm(
            stack=on(),
            c_axis=1.0,
            a_axis=0.0,
            random=0.0,
            minor=(fluoride(load_phase("BaF2"), 0.25), *products),
        )
        _, truth = simulate_scan(film, Optics(), scale=1e8, instrument=BARE)
        areas[bool(products)] = (
            truth.area_counts_deg("BaF2", (2, 0, 0)),
            truth.area_counts_deg("YBCO", (0, 0, 5)),
        )
    _, pure = simulate_scan(
        SimulatedFilm(stack=on(), c_axis=1.0, a_axis=0.0, random=0.0),
        Optics(),
        scale=1e8,
        instrument=BARE,
    )
    whole = pure.area_counts_deg("YBCO", (0, 0, 5))
    assert areas[False][1] == pytest.approx(0.75 * whole)
    assert areas[True][0] / areas[True][1] == pytest.approx(areas[False][0] / areas[False][1])
    assert areas[True][1] < areas[False][1]


@pytest.mark.parametrize(
    ("orientation", "present", "absent"),
    [
        ("aligned", (2, 0, 0), (1, 1, 1)),
        ("aligned_111", (1, 1, 1), (2, 0, 0)),
        ("random", (3, 1, 1), None),
    ],
)
def test_fluoride_stands_as_told(orientation, present, absent):
    film = SimulatedFilm(stack=on(), minor=(fluoride(load_phase("BaF2"), 0.1, orientation),))
    _, truth = simulate_scan(film, Optics(), instrument=BARE)
    assert truth.area_counts_deg("BaF2", present) > 0.0
    assert absent is None or truth.area_counts_deg("BaF2", absent) == 0.0


def test_refraction_moves_lines_up_as_in_a_flat_film():
    _, truth = simulate_scan(SimulatedFilm(stack=on()), Optics(), instrument=BARE, refraction=True)
    line = next(x for x in truth.lines if x.reflection.hkl == (0, 0, 5))
    # 4δ/sin2θ with δ = 1.8·10⁻⁵ at 38.5°: 0.0066°
    assert line.observed_deg - line.two_theta_deg == pytest.approx(0.0066, abs=3e-4)


def test_lines_move_with_displacement_and_zero_as_the_formula_says():
    film = SimulatedFilm(stack=on())
    moved, truth = simulate_scan(
        film, Optics(), displacement_um=100.0, zero_deg=0.03, instrument=BARE
    )
    still, _ = simulate_scan(film, Optics(), instrument=BARE)
    # s = 0.1 mm on R = 240 mm: (005) moves by −0.0451°, (0 0 10) by −0.0359° (recomputed from
    # −2 s cosθ/R, e.g. Cullity & Stock, from memory)
    line = next(x for x in truth.lines if x.reflection.hkl == (0, 0, 5))
    assert line.observed_deg - line.two_theta_deg == pytest.approx(0.03 - 0.0451, abs=1e-4)

    def top(scan):
        part = (scan.axis_deg > 38.0) & (scan.axis_deg < 39.0)
        x, y = scan.axis_deg[part], scan.counts[part]
        i = int(np.argmax(y))
        a, b, _ = np.polyfit(x[i - 1 : i + 2] - x[i], y[i - 1 : i + 2], 2)
        return x[i] - b / (2 * a)

    assert top(moved) - top(still) == pytest.approx(0.03 - 0.0451, abs=1e-3)


def test_cell_and_solid_solution_move_lines():
    film = SimulatedFilm(
        stack=on(),
        film_cell_A=(3.82, 3.885, 11.74),
        minor=(fluoride(load_phase("BaF2"), 0.1, cell_a_A=6.05),),
    )
    _, truth = simulate_scan(film, Optics(), instrument=BARE)
    a1 = radiation("Cu").k_alpha1_A
    assert place(truth, "YBCO", (0, 0, 5)) == pytest.approx(
        2 * np.degrees(np.arcsin(a1 / 2 / (11.74 / 5)))
    )
    assert place(truth, "BaF2", (2, 0, 0)) == pytest.approx(2 * np.degrees(np.arcsin(a1 / 6.05)))
    assert truth.as_dict()["cell_A"]["c"] == 11.74
    assert truth.as_dict()["minor"][0]["cell_A"] == 6.05


def test_ghosts_stand_at_their_known_places():
    # Cu K-beta and W L-alpha of strong lines, from the wavelengths of International Tables C
    loud = Instrument(ghosts=Ghosts(0.02, 0.02, 0.01), detector=QUIET)
    _, tape = simulate_scan(SimulatedFilm(stack=on("Ni")), Optics(), instrument=loud, counts=1e5)
    assert place(tape, "YBCO", (0, 0, 5), "k_beta") == pytest.approx(34.67, abs=0.02)
    assert place(tape, "YBCO", (0, 0, 6), "k_beta") == pytest.approx(41.90, abs=0.02)
    assert place(tape, "Ni", (2, 0, 0), "k_beta") == pytest.approx(46.54, abs=0.02)
    assert place(tape, "Ni", (2, 0, 0), "tungsten") == pytest.approx(49.54, abs=0.02)
    assert place(tape, "YBCO", (0, 0, 5), "tungsten") == pytest.approx(36.84, abs=0.03)
    # half the wavelength from (0 0 10) stands where (005) stands
    assert place(tape, "YBCO", (0, 0, 10), "half_wavelength") == pytest.approx(
        place(tape, "YBCO", (0, 0, 5)), abs=1e-6
    )


def test_ghosts_are_a_share_of_their_line_and_can_be_left_out():
    loud = Instrument(ghosts=Ghosts(k_beta=0.02), detector=QUIET)
    film = SimulatedFilm(stack=on())
    _, truth = simulate_scan(film, Optics(), instrument=loud)
    of_005 = [x for x in truth.lines if x.reflection.hkl == (0, 0, 5) and x.ghost == "k_beta"]
    share = of_005[0].area_counts_deg / truth.area_counts_deg("YBCO", (0, 0, 5))
    # the geometry differs a little between the two angles
    assert share == pytest.approx(0.02, rel=0.3)
    _, clean = simulate_scan(film, Optics(), instrument=BARE)
    assert all(line.ghost is None for line in clean.lines)


def test_buffer_and_substrate_textures():
    film = SimulatedFilm(
        stack=TAPE, buffers=(BufferTexture(3.0, fraction_111=0.1), BufferTexture(4.0))
    )
    _, truth = simulate_scan(film, Optics(), instrument=BARE)
    ceria = truth.area_counts_deg("CeO2", (1, 1, 1))
    assert ceria > 0.0
    assert truth.area_counts_deg("La2Zr2O7", (2, 2, 2)) == 0.0
    assert truth.area_counts_deg("Ni-5W", (2, 0, 0)) > truth.area_counts_deg("Ni-5W", (1, 1, 1)) > 0
    crystal = SimulatedFilm(stack=on("SrTiO3"), substrate=SubstrateTexture(weakening=0.1))
    _, weak = simulate_scan(crystal, Optics(), scale=1e8, instrument=BARE)
    _, full = simulate_scan(
        SimulatedFilm(stack=on("SrTiO3"), substrate=SubstrateTexture(weakening=1.0)),
        Optics(),
        scale=1e8,
        instrument=BARE,
    )
    assert full.area_counts_deg("SrTiO3", (2, 0, 0)) == pytest.approx(
        10 * weak.area_counts_deg("SrTiO3", (2, 0, 0))
    )


def test_detector_loses_counts_saturates_and_sparks():
    film = SimulatedFilm(stack=on("SrTiO3"))
    _, ideal = simulate_scan(film, Optics(), instrument=BARE)
    slow = Instrument(ghosts=NO_GHOSTS, detector=Detector(dead_time_us=1.0, noise=False))
    scan, _ = simulate_scan(film, Optics(), instrument=slow)
    true = ideal.expected
    assert scan.counts == pytest.approx(true / (1 + true * 1e-6))
    capped = Instrument(detector=Detector(ceiling_counts=65535.0))
    scan, _ = simulate_scan(film, Optics(), instrument=capped, counts=2e5)
    assert scan.counts.max() == 65535.0
    sparking = Instrument(detector=Detector(spikes=3, spike_counts=1e6))
    scan, truth = simulate_scan(film, Optics(), instrument=sparking, counts=1000.0, seed=5)
    assert np.count_nonzero(scan.counts > truth.expected + 8 * np.sqrt(truth.expected)) == 3


def test_background_falls_and_carries_a_hump():
    angles = grid()
    plain = Background(300.0).counts(angles)
    assert plain[np.searchsorted(angles, 40.0)] == pytest.approx(300.0, rel=1e-3)
    assert np.all(np.diff(plain) < 0)
    humped = Background(300.0, humps=(Hump(30.0, 8.0, 100.0),)).counts(angles)
    added = humped - plain
    assert angles[np.argmax(added)] == pytest.approx(30.0, abs=0.02)
    half = angles[added > 50.0]
    assert half[-1] - half[0] == pytest.approx(8.0, abs=0.05)


def test_profiles_have_unit_area_and_the_stated_width():
    x = np.linspace(-60.0, 60.0, 240_001)
    gauss, lorentz = np.array([0.08]), np.array([0.05])
    fwhm, _ = thompson_cox_hastings(gauss, lorentz)
    one, zero = np.array([1.0]), np.array([0.0])
    curves = {
        shape: draw_lines(x, zero, one, gauss, lorentz, shape, 1e-9)
        for shape in ("pseudo_voigt", "voigt")
    }
    for curve in curves.values():
        # a Lorentzian part of this width leaves 2·0.05/(2π·60) outside
        assert np.sum(curve) * (x[1] - x[0]) == pytest.approx(1.0, abs=1e-3)
        above = x[curve >= curve.max() / 2]
        assert above[-1] - above[0] == pytest.approx(float(fwhm[0]), rel=0.02)
    # Thompson, Cox & Hastings (1987): the pseudo-Voigt follows the Voigt within about 1 %
    assert np.abs(curves["voigt"] - curves["pseudo_voigt"]).max() < 0.015 * curves["voigt"].max()


def test_size_and_strain_broaden_as_scherrer_and_strain_say():
    breadth = Breadth(x_deg=0.0, y_deg=0.0)
    angle = np.array([40.0])
    theta = np.radians(20.0)
    _, by_size = breadth.gauss_lorentz_deg(angle, 1.5406, 20.0, 0.0)
    assert by_size == pytest.approx(np.degrees(0.9 * 1.5406 / (200.0 * np.cos(theta))))
    _, by_strain = breadth.gauss_lorentz_deg(angle, 1.5406, None, 0.002)
    assert by_strain == pytest.approx(np.degrees(4 * 0.002 * np.tan(theta)))
    gauss, lorentz = breadth.gauss_lorentz_deg(angle, 1.5406, None, 0.0)
    assert lorentz == pytest.approx([0.0])
    assert gauss**2 == pytest.approx([0.004 * np.tan(theta) ** 2 - 0.003 * np.tan(theta) + 0.004])


def test_monochromatic_beam_gives_single_lines():
    # at high angle the doublet is split by 0.3° and more
    film = SimulatedFilm(stack=on(None), c_axis=1.0, a_axis=0.0, random=0.0)
    tops = {}
    for beam in (radiation("Cu"), radiation("Cu", monochromatic=True)):
        _, truth = simulate_scan(
            film, Optics(radiation=beam), instrument=BARE, two_theta_deg=grid(70, 130, 0.01)
        )
        y = truth.expected - truth.background
        peaks = (y[1:-1] > y[:-2]) & (y[1:-1] > y[2:]) & (y[1:-1] > 0.02 * y.max())
        tops[beam.k_alpha2_A is None] = np.count_nonzero(peaks)
    assert 0 < tops[True] < tops[False]


def test_cobalt_radiation_moves_the_lines():
    film = SimulatedFilm(stack=on())
    optics = Optics(radiation=radiation("Co"))
    scan, truth = simulate_scan(film, optics, instrument=BARE)
    assert place(truth, "YBCO", (0, 0, 5)) == pytest.approx(
        2 * np.degrees(np.arcsin(1.788996 / 2 / (11.68349 / 5))), abs=1e-3
    )
    assert scan.anode == "Co"


def test_aligned_rhombohedral_substrate_shows_its_pseudocubic_plane():
    _, truth = simulate_scan(
        SimulatedFilm(stack=on("LaAlO3-rhombohedral")), Optics(), instrument=BARE
    )
    # pseudo-cubic a = 3.79 Å: (100) at 23.45°, (200) at 47.97°
    assert place(truth, "LaAlO3-rhombohedral", (0, 2, 4)) == pytest.approx(47.97, abs=0.05)


@pytest.mark.parametrize(
    ("make", "told"),
    [
        (lambda: SimulatedFilm(stack=on(), c_axis=0.9, a_axis=0.3), "add up to 1"),
        (lambda: SimulatedFilm(stack=on(), c_axis=1.2, a_axis=-0.22), "not be negative"),
        (lambda: SimulatedFilm(stack=on(thickness_nm=None, substrate=None)), "thickness_nm"),
        (lambda: Minor(load_phase("BaF2"), 1.0), "below 1"),
        (lambda: Minor(load_phase("BaF2"), 0.1, (Grains(None, 0.4),)), "add up to 1"),
        (lambda: fluoride(load_phase("BaF2"), 0.1, "upside down"), "upside down"),
        (
            lambda: SimulatedFilm(stack=TAPE, buffers=(BufferTexture(),) * 3),
            "3 buffer textures for 2 buffers",
        ),
        (lambda: Breadth(v_deg2=-0.1), "without width"),
        (lambda: Breadth(shape="square"), "square"),
        (lambda: grid(80, 10), "no scan from 80 to 10"),
        (
            lambda: simulate_scan(
                SimulatedFilm(stack=on()), Optics(), two_theta_deg=np.array([30.0, 20.0])
            ),
            "ascending",
        ),
        (
            lambda: simulate_scan(SimulatedFilm(stack=on()), Optics(), top_of=(0, 0, 99)),
            "no line 0 0 99",
        ),
    ],
)
def test_nonsense_is_refused_in_words(make, told):
    with pytest.raises(StackError, match=told):
        make()


def test_simulation_shares_no_code_with_the_fit():
    allowed = {
        "_typing", "attenuation", "crystal", "errors", "intensity", "lines", "optics", "poles",
        "radiation", "scan", "simulate", "stack", "window",
    }  # fmt: skip
    for file in Path(xrdfilm.simulate.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("xrdfilm"):
                assert node.module.split(".")[1] in allowed, f"{file.name}: {node.module}"


def test_command_writes_scan_and_truth(tmp_path):
    out = tmp_path / "film.xy"
    flags = (
        "--film YBCO --thickness-nm 800 --substrate Ni-5W --buffer CeO2:75 "
        "--a-axis 0.15 --random 0.05 --fluoride 0.05 --displacement-um 60 --seed 1 --json"
    )
    result = CliRunner().invoke(command, [*flags.split(), "--out", str(out)])
    assert result.exit_code == 0, result.output
    table = np.loadtxt(out)
    assert table.shape == (3501, 2)
    told = json.loads(result.output)
    assert told == json.loads((tmp_path / "film.truth.json").read_text(encoding="utf-8"))
    assert told["orientation"]["c_axis"] == pytest.approx(0.8)
    assert told["displacement_um"] == 60.0
    assert told["minor"][0]["volume_fraction"] == pytest.approx(0.05)
    film = SimulatedFilm(
        stack=on("Ni-5W", (("CeO2", 75.0),)),
        c_axis=0.8,
        a_axis=0.15,
        random=0.05,
        minor=(fluoride(load_phase("BaF2"), 0.05),),
    )
    scan, _ = simulate_scan(film, Optics(), displacement_um=60.0, refraction=True, seed=1)
    assert table[:, 1] == pytest.approx(scan.counts)


def test_help_example_of_the_command_runs(tmp_path):
    runner = CliRunner()
    shown = runner.invoke(command, ["--help"]).output
    example = shown[shown.index("xrdfilm simulate") :].replace("\\\n", " ").split("\n\n")[0]
    words = example.split()[2:]
    words[words.index("--out") + 1] = str(tmp_path / "film.xy")
    result = runner.invoke(command, words)
    assert result.exit_code == 0, result.output
    assert "film.truth.json" in result.output


@pytest.mark.parametrize(
    ("flags", "told"),
    [
        ("--product CuO", "PHASE:SHARE"),
        ("--film YBCOO", "did you mean YBCO"),
        ("--a-axis 2", "must not be negative and must add up to 1"),
        ("--out nowhere/film.xy", "no such folder"),
        ("--anode Cu --wavelength-A 1.0", "not both"),
        ("--powder", "not powders"),
        ("--slit variable", "illuminated_mm"),
    ],
)
def test_command_refuses_nonsense_in_words(flags, told, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(command, flags.split())
    assert result.exit_code != 0
    assert told in result.output + str(result.exception)
    assert list(tmp_path.iterdir()) == []
