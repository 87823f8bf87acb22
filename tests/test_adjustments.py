"""What a user leaves out, moves or sets reaches every step, and changes nothing else."""

from dataclasses import replace

import numpy as np
import pytest

from tests.invented import premises_on, scan_of
from xrdfilm.adjustments import NO_ADJUSTMENTS, Adjustments
from xrdfilm.analysis.film import FilmAnalysis, FilmInput, analyse_films
from xrdfilm.analysis.record import film_record
from xrdfilm.errors import RunFileError
from xrdfilm.lines import Reflection
from xrdfilm.runfile import RunFile, read_run_file

YBCO_005 = Reflection("YBCO", (0, 0, 5))


@pytest.fixture(scope="module")
def film():
    premises = premises_on("tape", 4.0)
    scan, truth = scan_of(premises, seed=7, c_axis=0.88, a_axis=0.1)
    return premises, scan, truth


def analysed(film, adjustments: Adjustments, scan=None) -> FilmAnalysis:
    premises, made, _ = film
    chosen = made if scan is None else scan
    [found] = analyse_films([FilmInput("film", replace(premises, adjustments=adjustments), chosen)])
    assert found.unreadable is None
    return found


def test_nothing_stated_is_nothing_recorded(film):
    assert not NO_ADJUSTMENTS
    assert "adjusted" not in film_record(analysed(film, NO_ADJUSTMENTS), None).provenance.settings


def test_an_excluded_line_carries_no_figure_but_is_still_fitted(film):
    found = analysed(film, Adjustments(frozenset({YBCO_005}), by="N. N.", why="spike"))
    assert ("(005)", "excluded by the user") in found.orientation.lines_left_out
    assert "(005)" not in found.orientation.lines_used
    assert any(line.reflection == YBCO_005 for line in found.coupled.lines)
    assert all(line.reflection != YBCO_005 for line in found.coupled.usable("YBCO"))
    adjusted = film_record(found, None).provenance.settings["adjusted"]
    assert adjusted == {"excluded_lines": ["YBCO (005)"], "by": "N. N.", "why": "spike"}


def test_figures_move_within_their_intervals_when_one_good_line_of_many_goes(film):
    with_it, without = (
        analysed(film, a).orientation.a_axis
        for a in (NO_ADJUSTMENTS, Adjustments(frozenset({YBCO_005})))
    )
    assert with_it.estimate != without.estimate
    assert abs(with_it.estimate - without.estimate) < with_it.sigma


def test_points_of_an_excluded_range_have_no_say(film):
    """A spoiled stretch gives the same figures as a clean one once it is excluded."""
    _, scan, _ = film
    low, high = 45.6, 47.6
    inside = (scan.axis_deg > low) & (scan.axis_deg < high)
    spoiled = replace(scan, counts=np.where(inside, 5.0 * scan.counts + 4000.0, scan.counts))
    adjustments = Adjustments(ranges_deg=((low, high),))
    clean, mended = (analysed(film, adjustments, s) for s in (scan, spoiled))
    assert mended.orientation.a_axis.estimate == clean.orientation.a_axis.estimate
    assert mended.coupled.cell.c_A.estimate == clean.coupled.cell.c_A.estimate
    assert (
        mended.fluoride.aligned.volume_fraction.estimate
        == clean.fluoride.aligned.volume_fraction.estimate
    )
    assert not any(low < line.two_theta_deg < high for line in mended.unexplained)
    left_in = analysed(film, NO_ADJUSTMENTS, spoiled)
    whole = analysed(film, NO_ADJUSTMENTS, scan)
    areas = [a.coupled.lines.find("YBCO", (0, 0, 6)).area_counts_deg for a in (left_in, whole)]
    assert areas[0] > 2.0 * areas[1]


def test_a_fluoride_line_left_out_costs_sensitivity(film):
    whole, part = (
        analysed(film, a).fluoride.under("random").detection_limit
        for a in (NO_ADJUSTMENTS, Adjustments(frozenset({Reflection("BaF2", (1, 1, 1))})))
    )
    assert part > 1.5 * whole


def test_a_moved_line_is_looked_for_where_the_user_saw_it(film):
    what = Reflection("YBCO", (1, 0, 3))
    plain = analysed(film, NO_ADJUSTMENTS).coupled
    stood = next(line for line in plain.lines if what in line.members)
    wanted = stood.expected_deg - 0.25
    moved = analysed(film, Adjustments(moved=((what, wanted),))).coupled
    now = next(line for line in moved.lines if what in line.members)
    assert now.expected_deg == pytest.approx(wanted, abs=1e-9)


def test_what_cannot_be_done_is_told(film):
    nowhere, far = Reflection("YBCO", (0, 0, 55)), (YBCO_005, 20.0)
    found = analysed(film, Adjustments(frozenset({nowhere}), moved=(far,)))
    told = " ".join(found.warnings)
    assert "YBCO (0 0 55), which is no line of the stated layers" in told
    assert "moves YBCO (005) to 20°" in told
    assert "was not moved" in told


def test_stiffness_and_degree_reach_the_fit(film):
    stiff = analysed(film, Adjustments(widest_line_deg=6.0, background_degree=0)).coupled
    plain = analysed(film, NO_ADJUSTMENTS).coupled
    assert "±8.0°" in stiff.background.method
    assert {w.background_degree for w in stiff.fits.block.plan.windows} == {0}
    assert {w.background_degree for w in plain.fits.block.plan.windows} != {0}


def test_excluding_everything_is_an_answer_not_a_crash(film):
    premises, scan, _ = film
    everything = Adjustments(ranges_deg=((0.0, 180.0),))
    [found] = analyse_films([FilmInput("film", replace(premises, adjustments=everything), scan)])
    assert found.unreadable is not None
    assert "fault of the program" not in found.unreadable


RUN = """
[stack]
film = "YBCO"
[adjust]
by = "N. N."
why = "spike beside (005)"
background_degree = 2
exclude_lines = [{phase = "YBCO", hkl = [0, 0, 5]}]
[adjust.film."f1"]
exclude_lines = []
exclude_ranges_deg = [[38.0, 39.0]]
"""


def test_run_file_states_adjustments_film_over_run(tmp_path):
    path = tmp_path / "run.toml"
    path.write_text(RUN)
    table = read_run_file(path).adjust
    other, own = table.adjustments_of("f2"), table.adjustments_of("f1")
    assert other == Adjustments(
        frozenset({YBCO_005}), background_degree=2, by="N. N.", why="spike beside (005)"
    )
    assert own.excluded == frozenset()
    assert own.ranges_deg == ((38.0, 39.0),)
    assert own.background_degree == 2
    assert RunFile().adjust.adjustments_of("f1") == NO_ADJUSTMENTS


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("[adjust]\nexclude_ranges_deg = [[39.0, 38.0]]", "must go from low to high"),
        ("[adjust]\nexclude_line = []", "did you mean 'exclude_lines'"),
        ("[adjust]\nbackground_degree = 9", "less than or equal to 3"),
    ],
)
def test_run_file_refuses_wrong_adjustments(tmp_path, text, told):
    path = tmp_path / "run.toml"
    path.write_text(text)
    with pytest.raises(RunFileError, match=told):
        read_run_file(path)
