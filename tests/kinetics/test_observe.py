"""From scans to series: simulated films quenched on the way, and the rules on line areas."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from xrdfilm.analysis.premises import premises_of
from xrdfilm.crystal import load_phase
from xrdfilm.errors import CannotTellError, RunFileError
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.kinetics.early import FilmToFit, LineArea, fit_films, fluoride_areas
from xrdfilm.kinetics.layers import LayerOrder
from xrdfilm.kinetics.models import FRONT
from xrdfilm.kinetics.observe import FilmAreas, observe, observe_run, with_fluoride_cell
from xrdfilm.kinetics.outcome import evaluate
from xrdfilm.lines import Reflection
from xrdfilm.runs.gather import gather_runs
from xrdfilm.simulate import (
    BufferTexture,
    Detector,
    Instrument,
    SimulatedFilm,
    fluoride,
    simulate_scan,
)
from xrdfilm.simulate.coupled import grid
from xrdfilm.simulate.files import write_scan

THICKNESS_NM, RATE_NM_S, INCUBATION_S = 1000.0, 0.5, 600.0
FLUORIDE_VOLUME = 0.687  # of 2 BaF2 over that of the film they become
TIMES_S = (300.0, 900.0, 1400.0, 2000.0, 2400.0, 3000.0)

RUN = """
[run]
id = "Q-0007"
[recipe]
water_vapour_mbar = 23
[optics]
anode = "Cu"
divergence_deg = 0.5
axial_acceptance_deg = 2.3
axial = "apertures"
step_time_s = 1
[stack]
film = "YBCO"
thickness_nm = 1000
substrate = "Ni-5W"
buffers = [{ phase = "CeO2", thickness_nm = 75 }]
[assumptions]
c_axis_mosaic_deg = 4.5
[reference]
unconverted = "raw.xy"
finished = "done.xy"
"""


def true_conversion(time_s):
    return FRONT.conversion(np.asarray(time_s), INCUBATION_S, THICKNESS_NM / RATE_NM_S)


def film_at(x):
    """A film of conversion x: the same barium, as film and as fluoride, mixed."""
    left = FLUORIDE_VOLUME * (1.0 - x)
    stack = Stack(
        Layer(load_phase("YBCO"), THICKNESS_NM * (x + left)),
        (Layer(load_phase("CeO2"), 75.0),),
        Layer(load_phase("Ni-5W"), None),
    )
    share = min(left / (x + left), 0.998)
    part = fluoride(load_phase("BaF2"), share, mosaic_fwhm_deg=4.5)
    return SimulatedFilm(
        stack=stack, c_axis=0.97, a_axis=0.01, random=0.02, c_mosaic_fwhm_deg=4.5,
        a_mosaic_fwhm_deg=4.5, buffers=(BufferTexture(6.0),), minor=(part,) if share > 0 else (),
    )  # fmt: skip


@pytest.fixture(scope="module")
def run_folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("series")
    optics = Optics(axial_stated=True, step_time_s=1.0)
    angles = grid(20.0, 64.0, 0.03)

    def write(name, x, scale, seed):
        scan, truth = simulate_scan(
            film_at(x), optics, counts=20_000.0, scale=scale, two_theta_deg=angles, seed=seed,
            displacement_um=8.0 * seed,
        )  # fmt: skip
        write_scan(folder / name, scan)
        return truth.scale

    scale = write("done.xy", 1.0, None, 1)
    write("raw.xy", 0.0, scale, 2)
    text = RUN
    for i, t in enumerate(TIMES_S):
        write(f"q{i}.xy", float(true_conversion(t)), scale, 3 + i)
        text += f'\n[[film]]\nid = "Q-{i}"\ntime_min = {t / 60.0!r}\ncoupled = "q{i}.xy"\n'
    (folder / "run.toml").write_text(text)
    return folder


def test_a_simulated_run_gives_conversions_and_rate(run_folder):
    observed = observe_run(gather_runs([run_folder])[0], order="mixed")
    assert set(observed.sides) == {"fluoride", "film"}
    for series in observed.sides.values():
        assert [p.film for p in series.points] == [f"Q-{i}" for i in range(len(TIMES_S))]
        # simulated films absorb as film alone, whatever is in them: 2 % besides the noise
        gap = np.abs(series.conversion - true_conversion(series.time_s))
        assert np.all(gap < 0.02 + 2.0 * series.sigma)
    outcome = evaluate(observed.sides, name="Q-0007", notes=observed.notes)
    assert outcome.agree is True
    assert outcome.headline == "both"
    told = outcome.told
    assert told.preferred is FRONT
    assert told.speed_nm_s.low <= RATE_NM_S <= told.speed_nm_s.high
    assert told.incubation_s.value == pytest.approx(INCUBATION_S, abs=40.0)
    assert told.end_s.value == pytest.approx(2580.0, abs=60.0)  # 99 % of 1000 nm at 0.5 nm/s


@dataclass
class Maker:
    """Areas of invented films that follow the layered picture exactly."""

    layers: LayerOrder

    def film(self, name, time_s, x, *, brightness=1.0, fluoride_factor=1.0, with_norm=True):
        value = np.array(x)
        norm = 5000.0 * float(self.layers.cover(value, 51.8)) * brightness
        grown = 9000.0 * float(self.layers.film_line(value, 38.5)) * brightness
        left = 3000.0 * float(self.layers.fluoride_line(value, 24.9)) * brightness
        return FilmAreas(
            name, time_s,
            {Reflection("YBCO", (0, 0, 5)): LineArea(grown, 20.0, 38.5)},
            {Reflection("BaF2", (1, 1, 1)): LineArea(left * fluoride_factor, 15.0, 24.9)},
            {Reflection("Ni-5W", (2, 0, 0)): LineArea(norm, 10.0, 51.8)} if with_norm else {},
        )  # fmt: skip


MAKER = Maker(LayerOrder(0.108, 0.105))
STAGES = {300.0: 0.0, 900.0: 0.15, 1400.0: 0.4, 2000.0: 0.7, 2400.0: 0.9, 3000.0: 1.0}


def films(**about):
    return [MAKER.film(f"F{int(t)}", t, x, **about) for t, x in STAGES.items()]


def test_areas_become_conversions_whatever_the_beam_and_the_layers():
    bright = [
        MAKER.film(f"F{int(t)}", t, x, brightness=1.0 + 0.1 * i)
        for i, (t, x) in enumerate(STAGES.items())
    ]
    got = observe(
        bright, MAKER.layers, unconverted=MAKER.film("raw", None, 0.0),
        finished=MAKER.film("done", None, 1.0),
    )  # fmt: skip
    for series in got.sides.values():
        np.testing.assert_allclose(series.conversion, list(STAGES.values()), atol=1e-4)


def test_without_the_depth_correction_early_film_is_understated():
    plain = LayerOrder(0.108, 0.105, "none")
    got = observe(
        films(), plain, unconverted=MAKER.film("raw", None, 0.0),
        finished=MAKER.film("done", None, 1.0),
    )  # fmt: skip
    early = got.sides["film"].conversion[1]
    assert early < 0.14  # of 0.15, though the film's own absorption acts the other way


def test_first_and_last_film_serve_as_references_and_it_is_told():
    got = observe(films(), MAKER.layers)
    assert (got.unconverted, got.finished) == ("F300", "F3000")
    assert any("no unconverted reference" in note for note in got.notes)
    assert any("counts as fully converted" in note for note in got.notes)
    assert "F300" not in [p.film for p in got.sides["fluoride"].points]
    assert "F3000" not in [p.film for p in got.sides["film"].points]


def test_fluoride_that_sharpens_its_texture_reads_below_nothing_and_is_not_clipped():
    sharp = [
        MAKER.film(f"F{int(t)}", t, x, fluoride_factor=1.4 if t == 900.0 else 1.0)
        for t, x in STAGES.items()
    ]
    got = observe(
        sharp, MAKER.layers, unconverted=MAKER.film("raw", None, 0.0),
        finished=MAKER.film("done", None, 1.0),
    )  # fmt: skip
    assert got.sides["fluoride"].conversion[1] < -0.1
    outcome = evaluate(got.sides)
    assert outcome.agree is False
    assert outcome.headline is None
    assert "sharpened its texture" in outcome.agreement


def test_no_line_from_below_compares_as_counted_and_says_so():
    got = observe(films(with_norm=False), LayerOrder(0.108, 0.105))
    assert got.normaliser is None
    assert any("as counted" in note for note in got.notes)


def test_films_without_time_or_scan_are_left_out_and_named():
    some = [
        *films(),
        MAKER.film("late", None, 0.5),
        FilmAreas("torn", 50.0, {}, {}, {}, "no lines"),
    ]
    got = observe(some, MAKER.layers)
    assert "late is left out: it has no quench time" in got.notes
    assert "torn is left out: no lines" in got.notes
    with pytest.raises(CannotTellError, match="fewer than two"):
        observe(some[:1], MAKER.layers)


def test_a_run_without_times_says_where_to_state_them(run_folder, tmp_path):
    text = (run_folder / "run.toml").read_text()
    for name in ("q0.xy", "q1.xy"):
        (tmp_path / name).write_bytes((run_folder / name).read_bytes())
    head = text.split("[reference]")[0]
    tables = '[[film]]\nid="A"\ncoupled="q0.xy"\n[[film]]\nid="B"\ncoupled="q1.xy"\n'
    (tmp_path / "run.toml").write_text(head + tables)
    with pytest.raises(RunFileError, match="time_min"):
        observe_run(gather_runs([tmp_path])[0])


def test_lines_of_a_shifted_fluoride_are_measured_at_the_stated_cell(run_folder):
    planned = gather_runs([run_folder])[0]
    premises = premises_of(planned.run_file, None, {})
    optics = Optics(axial_stated=True, step_time_s=1.0)
    found = {}
    for true_A, stated_A in ((6.2, 6.2), (6.12, 6.12), (6.12, 6.2)):
        film = film_at(0.3)
        film = replace(film, minor=tuple(replace(m, cell_a_A=true_A) for m in film.minor))
        scan, _ = simulate_scan(
            film, optics, counts=20_000.0, two_theta_deg=grid(20.0, 64.0, 0.03),
            instrument=Instrument(detector=Detector(step_time_s=1.0, noise=False)), seed=1,
        )  # fmt: skip
        (fit,) = fit_films([FilmToFit("early", with_fluoride_cell(premises, stated_A), scan)])
        found[true_A, stated_A] = fluoride_areas(fit)
    line = Reflection("BaF2", (4, 0, 0))
    whole, shifted, blind = (areas.get(line) for areas in found.values())
    assert whole.area > 20.0 * whole.sigma
    # by Bragg's law (400) of the smaller cell stands 0.86 degrees higher; its strength stays
    assert shifted.two_theta_deg - whole.two_theta_deg == pytest.approx(0.86, abs=0.03)
    assert shifted.area == pytest.approx(whole.area, rel=0.1)
    assert abs(blind.area) < 0.01 * whole.area  # at the wrong place there is nothing to measure
