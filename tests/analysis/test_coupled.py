"""The chain for coupled scans: places, alignment, cell and areas against the simulated truth."""

from dataclasses import replace

import numpy as np
import pytest

from tests.invented import premises_on, scan_of
from xrdfilm.analysis.coupled import CoupledFit, analyse_coupled, prepare
from xrdfilm.analysis.premises import Premises
from xrdfilm.errors import AlignmentError, ScanAxisError
from xrdfilm.lines import MeasuredLine, Reflection
from xrdfilm.scan import Scan
from xrdfilm.simulate import (
    Background,
    BufferTexture,
    Instrument,
    SimulatedFilm,
    Truth,
    simulate_scan,
)


def fit_of(scan: Scan, kind: str, mosaic_deg: float) -> CoupledFit:
    premises = premises_on(kind, mosaic_deg)
    (result,) = analyse_coupled([scan], prepare(premises, scan.axis_deg))
    assert isinstance(result, CoupledFit), result
    return result


@pytest.fixture(scope="module")
def displaced() -> tuple[CoupledFit, Truth]:
    premises = premises_on("tape", 4.5)
    scan, truth = scan_of(
        premises,
        displacement_um=150.0,
        c_axis=0.80,
        a_axis=0.15,
        random=0.05,
        film_cell_A=(3.82, 3.885, 11.71),
    )
    return fit_of(scan, "tape", 4.5), truth


def test_lines_stand_where_alignment_and_cell_put_them(
    displaced: tuple[CoupledFit, Truth],
) -> None:
    fit, truth = displaced
    true = {
        (line.reflection, line.ghost): line.observed_deg
        for line in truth.lines
        if line.area_counts_deg > 100.0
    }
    for line in fit.usable("YBCO"):
        at = true.get((line.reflection, None))
        if at is not None and len(line.members) == 1 and line.place == "free":
            assert line.two_theta_deg == pytest.approx(at, abs=0.004), line.reflection


def test_cell_is_found_within_its_interval(displaced: tuple[CoupledFit, Truth]) -> None:
    fit, _ = displaced
    assert fit.cell is not None
    assert fit.cell.c_A is not None
    assert fit.cell.c_A.low is not None
    assert fit.cell.c_A.high is not None
    assert fit.cell.c_A.low < 11.71 < fit.cell.c_A.high
    assert fit.cell.c_A.estimate == pytest.approx(11.71, abs=0.004)


def test_areas_agree_with_the_truth(displaced: tuple[CoupledFit, Truth]) -> None:
    """Pulls of isolated and overlapped lines; a blend's truth is the sum of its members.

    Strong lines may be off by the profile's own error, half a per cent; others by their sigma.
    """
    fit, truth = displaced
    for line in fit.usable("YBCO"):
        true = sum(truth.area_counts_deg(m.phase, m.hkl) for m in line.members)
        allowed = np.hypot(4.0 * line.area_sigma_counts_deg, 0.01 * true)
        assert abs(line.area_counts_deg - true) < allowed, (line.reflection, true)


def test_absent_lines_are_measured_all_the_same(displaced: tuple[CoupledFit, Truth]) -> None:
    fit, _ = displaced
    weak = [line for line in fit.lines if abs(line.significance) < 2.0]
    assert len(weak) > 5
    assert any(line.area_counts_deg < 0.0 for line in weak)


@pytest.fixture(scope="module")
def quenched() -> tuple[CoupledFit, Truth]:
    """A film without its oxygen: tetragonal, with (200) half a degree from the loaded one's."""
    premises = premises_on("crystal", 0.5)
    scan, truth = scan_of(
        premises,
        displacement_um=-120.0,
        c_axis=0.75,
        a_axis=0.20,
        random=0.05,
        film_cell_A=(3.859, 3.860, 11.825),
    )
    return fit_of(scan, "crystal", 0.5), truth


def test_lines_of_a_quenched_film_are_found_where_its_cell_has_them(
    quenched: tuple[CoupledFit, Truth],
) -> None:
    fit, truth = quenched
    line = fit.usable("YBCO").find("YBCO", (2, 0, 0))
    assert line is not None
    both = sum(truth.area_counts_deg("YBCO", hkl) for hkl in ((2, 0, 0), (0, 2, 0)))
    assert {str(m) for m in line.members} == {"YBCO (200)", "YBCO (020)"}
    assert line.area_counts_deg == pytest.approx(both, rel=0.03)


def test_films_of_other_cells_go_through_together() -> None:
    premises = premises_on("crystal", 0.5)
    cells = [(3.8203, 3.8855, 11.6835), (3.859, 3.860, 11.825), (3.835, 3.880, 11.73)]
    scans = [scan_of(premises, film_cell_A=cell)[0] for cell in cells]
    found = analyse_coupled(scans, prepare(premises, scans[0].axis_deg))
    for (_, _, c_A), fit in zip(cells, found, strict=True):
        assert isinstance(fit, CoupledFit)
        assert fit.cell is not None
        assert fit.cell.c_A is not None
        assert fit.cell.c_A.estimate == pytest.approx(c_A, abs=0.003)


def test_a_strained_buffer_is_looked_for_on_its_own_cell() -> None:
    """Its stray (111) grains stand as far off as its (002) does."""
    tape = premises_on("tape", 4.5)
    ceria = tape.stack.buffers[0]
    premises = replace(tape, stack=replace(tape.stack, buffers=(ceria,)))
    wide = replace(ceria, phase=ceria.phase.with_cell(a_A=1.003 * ceria.phase.cell.a_A))
    film = SimulatedFilm(
        stack=replace(premises.stack, buffers=(wide,)),
        c_mosaic_fwhm_deg=4.5,
        buffers=(BufferTexture(3.0, fraction_111=0.2),),
    )
    scan, truth = simulate_scan(film, premises.optics, refraction=True, seed=3)
    (fit,) = analyse_coupled([scan], prepare(premises, scan.axis_deg))
    assert isinstance(fit, CoupledFit)
    line = fit.usable("CeO2").find("CeO2", (1, 1, 1))
    assert line is not None
    true = next(
        t for t in truth.lines if t.reflection == line.reflection and t.component == "aligned_111"
    )
    assert line.expected_deg == pytest.approx(true.observed_deg, abs=0.01)
    assert line.area_counts_deg == pytest.approx(true.area_counts_deg, rel=0.05)


def fitted(fit: CoupledFit, reflection: Reflection) -> MeasuredLine:
    """The fitted line of a reflection, no ghost of it."""
    return next(
        line
        for line, what in zip(fit.lines, fit.laid, strict=True)
        if what.reflection == reflection and what.ghost is None
    )


OFF_CELLS = [(1.0031, 1.0034), (0.9990, 0.9985), (1.0012, 0.9956)]


def film_on(cells: tuple[float, float]) -> tuple[Premises, SimulatedFilm]:
    """The tape as stated, and a film whose buffers' cells are these times the stated ones."""
    premises = premises_on("tape", 3.0)
    moved = tuple(
        replace(layer, phase=layer.phase.with_cell(a_A=layer.phase.cell.a_A * cell))
        for layer, cell in zip(premises.stack.buffers, cells, strict=True)
    )
    stack = replace(premises.stack, film=replace(premises.stack.film, thickness_nm=300.0))
    stated = replace(premises, stack=stack)
    texture = (BufferTexture(4.0, fraction_111=0.05),)
    return stated, SimulatedFilm(
        stack=replace(stack, buffers=moved), c_mosaic_fwhm_deg=3.0, c_axis=0.9, a_axis=0.1,
        random=0.0, buffers=texture,
    )  # fmt: skip


@pytest.mark.parametrize("cells", OFF_CELLS)
def test_a_pair_of_buffers_is_divided_where_their_cells_put_them(
    cells: tuple[float, float],
) -> None:
    premises, film = film_on(cells)
    scan, truth = simulate_scan(film, premises.optics, counts=3e4, refraction=True, seed=5)
    (fit,) = analyse_coupled([scan], prepare(premises, scan.axis_deg))
    assert isinstance(fit, CoupledFit)
    for key, hkl in (("CeO2", (4, 0, 0)), ("La2Zr2O7", (8, 0, 0))):
        line = fitted(fit, Reflection(key, hkl))
        true = next(t for t in truth.lines if t.reflection == line.reflection and t.ghost is None)
        assert line.two_theta_deg == pytest.approx(true.observed_deg, abs=0.02)
        area = truth.area_counts_deg(key, hkl)
        assert line.area_counts_deg == pytest.approx(area, rel=0.15)
    # found over stated, as the alignment has it
    assert fit.spacings["CeO2"] == pytest.approx(cells[0], abs=1.5e-3)
    assert fit.spacings["La2Zr2O7"] == pytest.approx(cells[1], abs=1.5e-3)


@pytest.mark.parametrize(
    ("cells", "counts", "a_axis"),
    [((0.995, 0.995), 3e4, 0.5), ((1.004, 1.006), 3e4, 0.5), ((1.0, 1.0), 200.0, 0.3)],
    ids=["small", "large", "dim"],
)
def test_film_and_substrate_do_where_the_buffers_do_not_show_as_stated(
    cells: tuple[float, float], counts: float, a_axis: float
) -> None:
    premises, film = film_on(cells)
    thick = replace(film.stack, film=replace(film.stack.film, thickness_nm=1300.0))
    film = replace(
        film, stack=thick, c_axis=0.8 - a_axis, a_axis=a_axis, random=0.2,
        film_cell_A=(3.826, 3.886, 11.70),
    )  # fmt: skip
    level = Instrument(background=Background(3.0 + counts / 100.0))
    scan, truth = simulate_scan(
        film, premises.optics, counts=counts, instrument=level, displacement_um=195.0,
        refraction=True, seed=8,
    )  # fmt: skip
    (fit,) = analyse_coupled([scan], prepare(premises, scan.axis_deg))
    assert isinstance(fit, CoupledFit), fit
    line = fitted(fit, Reflection("YBCO", (0, 0, 5)))
    true = next(t for t in truth.lines if t.reflection == line.reflection and t.ghost is None)
    assert line.two_theta_deg == pytest.approx(true.observed_deg, abs=0.02)


@pytest.mark.parametrize("seed", range(4))
def test_a_dim_film_beside_its_crystal_is_found_on_its_cell(seed: int) -> None:
    """The crystal hides (003) and (006); (005) and (007) are all there is to go by."""
    premises = premises_on("crystal", 0.5)
    film = SimulatedFilm(
        stack=premises.stack, c_axis=0.7, a_axis=0.3, film_cell_A=(3.8575, 3.8606, 11.794),
        random=0.0,
    )  # fmt: skip
    weak = Instrument(background=Background(3.0))
    scan, _ = simulate_scan(
        film, premises.optics, counts=130.0, instrument=weak, refraction=True, seed=seed
    )
    (fit,) = analyse_coupled([scan], prepare(premises, scan.axis_deg))
    assert isinstance(fit, CoupledFit)
    assert fit.cell is not None
    assert fit.cell.c_A is not None
    assert fit.cell.c_A.estimate == pytest.approx(11.794, abs=0.006)


def test_scans_together_give_what_each_gives_alone() -> None:
    premises = premises_on("crystal", 0.5)
    scans = [scan_of(premises, seed=s, displacement_um=40.0 * s)[0] for s in range(3)]
    prepared = prepare(premises, scans[0].axis_deg)
    together = analyse_coupled(scans, prepared)
    for scan, shared in zip(scans, together, strict=True):
        alone = fit_of(scan, "crystal", 0.5)
        assert isinstance(shared, CoupledFit)
        np.testing.assert_allclose(shared.lines.areas, alone.lines.areas, rtol=1e-6, atol=1e-6)


def test_one_bad_scan_leaves_the_others_alone() -> None:
    premises = premises_on("crystal", 0.5)
    good, _ = scan_of(premises)
    flat = Scan(good.axis_deg, np.full(len(good), 100.0))
    other = Scan(good.axis_deg, good.counts, axis="omega")
    first, second, third = analyse_coupled([flat, good, other], prepare(premises, good.axis_deg))
    assert isinstance(first, AlignmentError)
    assert "no line stands out" in str(first)
    assert isinstance(second, CoupledFit)
    assert isinstance(third, ScanAxisError)


def test_a_scan_beyond_all_lines_is_refused() -> None:
    with pytest.raises(AlignmentError, match="no line between"):
        prepare(premises_on("crystal", 0.5), np.linspace(1.0, 5.0, 200))


def test_a_film_without_aligned_grains_is_placed_by_the_layers_below() -> None:
    """Lines of both buffers fall on one peak there, so that half the expected lines lack one."""
    premises = premises_on("tape", 4.5)
    film = SimulatedFilm(stack=premises.stack, c_axis=0.0, a_axis=0.0, random=1.0)
    weak = Instrument(background=Background(20.0))
    scan, _ = simulate_scan(film, premises.optics, counts=300.0, instrument=weak, seed=7)
    (fit,) = analyse_coupled([scan], prepare(premises, scan.axis_deg))
    assert isinstance(fit, CoupledFit)
    assert abs(fit.alignment.shift(40.0)) < 0.02
    assert any("hardly any (00l)" in note for note in fit.notes)


def test_a_scan_of_another_stack_is_not_placed_by_a_chance_line() -> None:
    scan, _ = scan_of(premises_on("crystal", 0.5), c_axis=0.0, a_axis=0.0, random=1.0)
    (found,) = analyse_coupled([scan], prepare(premises_on("tape", 4.5), scan.axis_deg))
    assert isinstance(found, AlignmentError)
