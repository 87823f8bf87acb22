"""Residual fluoride on simulated films of known truth; the long run is in benchmarks/."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from xrdfilm.crystal import load_phase
from xrdfilm.crystal.radiation import two_theta_of
from xrdfilm.errors import CannotTellError
from xrdfilm.fitting.detection import doublet_constants
from xrdfilm.fitting.profile import doublet
from xrdfilm.fluoride.amplitude import judge_orientation
from xrdfilm.fluoride.conversion import RelativeArea, bound_hf_ug_cm2
from xrdfilm.fluoride.estimate import FluorideSettings, ReferenceFilms, estimate_fluoride
from xrdfilm.fluoride.model import ModelDoubt
from xrdfilm.fluoride.settle import counting_for
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lines import MeasuredLines
from xrdfilm.simulate import (
    Background,
    BufferTexture,
    Ghosts,
    Instrument,
    Minor,
    SimulatedFilm,
    fluoride,
    grid,
    simulate_scan,
)

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))
import calibration_fluoride as calibration

BAF2 = load_phase("BaF2")
YBCO = load_phase("YBCO")
STO = Stack(Layer(YBCO, 800.0), (), Layer(load_phase("SrTiO3"), None))
TAPE = Stack(
    Layer(YBCO, 800.0),
    (Layer(load_phase("CeO2"), 75.0), Layer(load_phase("La2Zr2O7"), 200.0)),
    Layer(load_phase("Ni-5W"), None),
)
ANGLES = grid(20.0, 64.0, 0.02)
EXACT = FluorideSettings(doubt=ModelDoubt.none())
FLAT = Instrument(background=Background(200.0, air_share=0.0, slope_per_deg=0.0))


def film_of(stack=STO, mosaic=1.0, minor=(), **more):
    return SimulatedFilm(
        stack=stack, c_axis=0.95, a_axis=0.03, random=0.02, c_mosaic_fwhm_deg=mosaic,
        a_mosaic_fwhm_deg=mosaic, minor=minor, **more,
    )  # fmt: skip


def analysed(
    film,
    *,
    settings=EXACT,
    seed=1,
    counts=3e4,
    instrument=FLAT,
    optics=None,
    angles=ANGLES,
    **more,
):
    optics = optics or Optics()
    scan, truth = simulate_scan(
        film, optics, counts=counts, top_of=(0, 0, 5), two_theta_deg=angles,
        instrument=instrument, seed=seed,
    )  # fmt: skip
    lines = calibration.measured_film_lines(scan, truth)
    return estimate_fluoride(
        scan, lines, calibration.components(film), film.stack, optics, settings, **more
    )


def limit(found, name):
    """Currie's L_D for one question (3.29 standard deviations), as a volume ratio."""
    under = found.under(name)
    assert under is not None
    assert under.detection_limit is not None
    one_question = 2 * 1.6449 / (found.searched.threshold + 1.6449)
    return under.detection_limit / (1 - under.detection_limit) * one_question


# The design's figures, for 800 nm, 3e4 counts at the (005) top on a background of 200: random
# fluoride detectable at 31, 15, 2.7 and 1.3 vol% at 0.3, 1, 4 and 6° of mosaic, aligned (00l) at
# 0.05, aligned (111) at 0.015. They do not state step and line width; here 0.05° and the width of
# 300 nm. The figures are an order of magnitude, so a factor 1.7 is asked for.
@pytest.mark.parametrize(
    ("mosaic", "random_limit"), [(0.3, 0.31), (1.0, 0.15), (4.0, 0.027), (6.0, 0.013)]
)
def test_detection_limits_of_the_design(mosaic, random_limit):
    film = SimulatedFilm(stack=STO, c_axis=1.0, a_axis=0.0, random=0.0, c_mosaic_fwhm_deg=mosaic)
    found = analysed(film, settings=replace(EXACT, size_nm=300.0), angles=grid(20.0, 64.0, 0.05))
    assert 1 / 1.7 < limit(found, "random") / (random_limit / (1 - random_limit)) < 1.7
    assert 1 / 1.7 < limit(found, "aligned_00l") / 0.0005 < 1.7
    assert 1 / 1.7 < limit(found, "aligned_111") / 0.00015 < 1.7


def test_limits_follow_the_films_window_by_hand():
    # (005): sinθ = 0.3297, δ = 0.5°, a = 2.3°/(2·0.3297) = 3.488°. By the design's W:
    # 0.3°: σ = 0.1274°, erf(0.25/(√2 σ)) = 0.950, 1 − 0.798 σ/a = 0.971: W = 0.922
    # 6°: σ = 2.548°, erf(0.0694) = 0.0782, u = 0.968: 0.829 − 0.608/(√π u) = 0.475: W = 0.0371
    # at equal counts of the film random fluoride is seen 0.922/0.0371 = 24.9 times worse
    sharp, broad = (
        analysed(SimulatedFilm(stack=STO, c_axis=1.0, a_axis=0.0, random=0.0, c_mosaic_fwhm_deg=m))
        for m in (0.3, 6.0)
    )
    # 10 %: the film's amplitude also leans on (004), whose window is wider, and on its noise
    assert limit(sharp, "random") / limit(broad, "random") == pytest.approx(24.9, rel=0.10)
    # aligned like the film, the mosaic cancels but for the wider axial window at (200)
    assert limit(sharp, "aligned_00l") / limit(broad, "aligned_00l") == pytest.approx(1.0, abs=0.2)


def test_nothing_there_is_a_limit_side_by_side():
    found = analysed(film_of())
    assert not found.detected
    assert found.settled is None
    record = found.record()
    assert record.volume_fraction_aligned.value is None
    assert record.volume_fraction_random.value is None
    assert record.volume_fraction_aligned.high < 0.002 < record.volume_fraction_random.high
    assert record.detection_limit_aligned < 0.002 < record.detection_limit_random
    assert record.cell_A is None
    # conversion and HF are limits from the worse case
    assert record.conversion.value is None
    assert record.conversion.high == 1.0
    assert record.hf_bound_ug_cm2.low == 0.0
    unit = YBCO.cell.volume_A3
    highest = float(bound_hf_ug_cm2(np.array([record.conversion.low]), 800.0, unit)[0])
    assert record.hf_bound_ug_cm2.high == pytest.approx(highest, rel=1e-3)  # as recorded: rounded
    assert any("Local codes" in note for note in record.notes)
    # the unbounded estimates are kept, whatever their sign
    estimates = [a.volume_fraction.estimate for a in found.assumptions]
    assert all(np.isfinite(estimates))


def test_a_limit_holds_for_a_cell_that_is_not_the_nominal_one():
    """Fluoride that took up yttrium shows nothing at the place of BaF2, and was not detected."""
    share, careful = 0.0004, replace(EXACT, alpha=1e-4)
    part = fluoride(BAF2, share, "aligned", mosaic_fwhm_deg=1.0, cell_a_A=6.05)
    found = [analysed(film_of(minor=(part,)), settings=careful, seed=s) for s in range(10)]
    missed = [f.under("aligned_00l").volume_fraction for f in found if not f.detected]
    assert len(missed) >= 5
    assert sum(e.high >= share for e in missed) >= len(missed) - 1
    # at the nominal cell alone the limit would have been too low
    assert sum(e.estimate > share for e in missed) <= 1


def told_sigma(estimate):
    return float(np.sqrt(sum(part**2 for part in estimate.sources.values())))


def test_causes_add_up_in_squares_whatever_is_told():
    """Of what shows, of what does not, of a mixture, of the envelope, and of what follows."""
    doubt, mixed = (
        replace(EXACT, doubt=ModelDoubt()),
        (
            fluoride(BAF2, 0.15, "random"),
            fluoride(BAF2, 0.004, "aligned", mosaic_fwhm_deg=4.0),
        ),
    )
    seen = (fluoride(BAF2, 0.01, "aligned", mosaic_fwhm_deg=1.0),)
    films = [
        analysed(film_of(), settings=doubt),
        analysed(film_of(minor=seen), settings=doubt),
        analysed(film_of(mosaic=4.0, minor=mixed), settings=doubt, counts=1e5),
    ]
    assert [f.settled for f in films] == [None, "aligned_00l", "mixed"]
    for found in films:
        told = [a.volume_fraction for a in found.assumptions]
        told += [found.volume_fraction, found.conversion, found.hf_bound_ug_cm2]
        for estimate in told:
            assert told_sigma(estimate) == pytest.approx(estimate.sigma, rel=1e-6)
            assert estimate.sigma == pytest.approx(float(np.std(estimate.draws)), rel=1e-6)
    # what is not seen is noise: counting on lessens nearly all of it
    unseen = films[0].under("aligned_00l").volume_fraction
    assert unseen.sources["counting"] > 0.8 * unseen.sigma
    # what shows plainly is known as well as the grains' mosaic is
    shown = films[1].under("aligned_00l").volume_fraction
    assert shown.sources["fluoride mosaic"] > 0.8 * shown.sigma


def test_fluoride_that_would_show_in_no_line_sets_no_limit():
    """(200) under a misoriented buffer's line, (400) beyond the scan: aligned grains hide."""
    film = film_of(TAPE, 5.0, buffers=(BufferTexture(4.0, fraction_111=0.05),))
    short = analysed(film, angles=grid(20.0, 58.0, 0.02))
    assert not short.detected
    assert short.unseen == ("aligned_00l",)
    assert (short.volume_fraction.low, short.volume_fraction.high) == (0.0, 1.0)
    assert (short.conversion.low, short.conversion.high) == (0.0, 1.0)
    assert any("sets no limit to conversion" in note for note in short.notes)
    assert any("extend the scan to 63°" in sentence for sentence in short.advice)
    whole = analysed(film)
    assert whole.unseen == ()
    assert whole.conversion.low > 0.5


def test_hidden_cells_are_named():
    """Bragg's law: (400) at 6.232 Å and (444) of La2Zr2O7 (10.793 Å) both stand at 59.27°."""
    film = film_of(TAPE, 5.0, buffers=(BufferTexture(4.0, fraction_111=0.05),))
    notes = [n for n in analysed(film).notes if "hide it" in n]
    assert any("aligned (00l)" in n and "to 6.24" in n for n in notes)
    # BaF2 itself is none of them: stretches are told one by one
    told = next(n for n in notes if "aligned (00l)" in n).split("cell of ")[1].split(" Å")[0]
    ends = [tuple(map(float, s.split(" to "))) for s in told.split(" or ")]
    assert len(ends) > 1
    assert not any(s[0] - 0.01 < 6.20 < s[-1] + 0.01 for s in ends)
    assert not any("random" in n for n in notes)  # its other lines tell
    assert not any("hide it" in n for n in analysed(film_of()).notes)


# beside (004) of the film, as at 5.98 Å, a single film is good to 8 %; elsewhere to 4 %
@pytest.mark.parametrize(("edge", "near"), [(5.98, 0.08), (6.10, 0.04), (6.23, 0.04)])
def test_amount_of_a_shifted_cell_is_reckoned_on_that_cell(edge, near):
    """The same BaF2 in a cell 3.5 % smaller scatters 1.24 times as much a volume."""
    part = fluoride(BAF2, 0.02, "aligned", mosaic_fwhm_deg=1.0, cell_a_A=edge)
    found = [analysed(film_of(minor=(part,)), counts=1e5, seed=seed) for seed in range(6)]
    assert all(f.settled == "aligned_00l" for f in found)
    figures = [f.under("aligned_00l").volume_fraction for f in found]
    assert sum(e.low < 0.02 < e.high for e in figures) >= 5
    assert all(e.sigma < 0.09 * e.value for e in figures)
    assert np.mean([e.value for e in figures]) == pytest.approx(0.02, rel=near)


def test_a_doubted_share_of_the_film_widens_the_amount():
    film = film_of(minor=(fluoride(BAF2, 0.01, "aligned", mosaic_fwhm_deg=1.0),))
    sure, unsure = (
        analysed(film, settings=replace(EXACT, doubt=replace(ModelDoubt.none(), orientation=s)))
        for s in (0.0, 0.3)
    )
    narrow, wide = (f.under("aligned_00l").volume_fraction for f in (sure, unsure))
    assert wide.sources["orientation"] == pytest.approx(0.3 * 0.01, rel=0.1)
    assert wide.sigma == pytest.approx(
        np.hypot(narrow.sigma, wide.sources["orientation"]), rel=0.05
    )
    assert wide.high - wide.low > 3.0 * (narrow.high - narrow.low)


def test_open_orientation_is_judged_by_all_that_may_hold():
    """One line alone, (111): fluoride aligned so, or a thousand times as much of random grains."""
    share = 0.0005
    part = fluoride(BAF2, share, "aligned_111", mosaic_fwhm_deg=1.0)
    found = analysed(film_of(TAPE, minor=(part,)))
    assert found.detected
    assert found.settled is None
    held = found.volume_fraction
    assert held.low < share < found.worst.volume_fraction.low
    assert held.high == found.worst.volume_fraction.high
    assert 0.4 < held.probability_above(0.02) < 0.6
    # a minimum of conversion between the two is then neither kept nor broken
    middle = 0.5 * (found.conversion.low + 1.0)
    assert 0.2 < found.conversion.probability_above(middle) < 0.8


def test_negative_estimates_are_kept():
    found = [analysed(film_of(), seed=seed) for seed in range(8)]
    figures = [f.under("aligned_00l").volume_fraction for f in found if not f.detected]
    assert min(e.estimate for e in figures) < 0.0 < max(e.estimate for e in figures)
    assert all(e.value is None and e.low == 0.0 and e.high > 0.0 for e in figures)


@pytest.mark.parametrize(
    ("orientation", "name", "fraction"),
    [("aligned", "aligned_00l", 0.01), ("aligned_111", "aligned_111", 0.005)],
)
def test_orientation_is_told_by_the_line_ratios(orientation, name, fraction):
    minor = (fluoride(BAF2, fraction, orientation, mosaic_fwhm_deg=1.0),)
    found = analysed(film_of(minor=minor))
    assert found.detected
    assert found.settled == name
    interval = found.under(name).volume_fraction
    assert interval.low < fraction < interval.high
    assert interval.value == pytest.approx(fraction, rel=0.15)
    assert found.conversion.low < 1 - fraction < found.conversion.high or (
        found.conversion.value == pytest.approx(1 - fraction / 0.687, abs=0.005)
    )
    assert abs(found.cell_A.estimate - 6.2001) < 0.004
    assert found.record().volume_fraction_random is None  # refused by the ratios
    assert found.record().volume_fraction_aligned.value == pytest.approx(interval.value, rel=1e-3)


def judged_lines(areas, sigma=5.0, **strengths):
    lines = ((1, 1, 1), (2, 0, 0), (2, 2, 0), (3, 1, 1))
    told = {name: np.array(s) for name, s in strengths.items()}
    return judge_orientation(lines, np.array(areas), np.full(4, sigma), told, refuse_below=1e-4)


def test_noise_at_a_weak_place_is_no_mixture():
    """(111) at 800 standard uncertainties, (311) at 3: not a large volume of random grains."""
    strengths = {"aligned_111": (1.0, 0, 0, 0), "random": (1e-3, 0.3e-3, 0.6e-3, 0.4e-3)}
    noisy = judged_lines([4000.0, -3.0, 2.0, 15.0], **strengths)
    assert noisy.name == "aligned_111"
    # what no orientation explains is told as such, with those that come nearest
    odd = judged_lines([4000.0, -3.0, 2.0, -30.0], **strengths)
    assert odd.name is None
    assert odd.fitting == ("aligned_111",)
    assert "come nearest to (111)-aligned" in odd.text
    # (220) alone, where every assumption wants other lines too, may be no fluoride at all
    alien = judged_lines([1.0, -6.0, 155.0, 1.0], **strengths)
    assert alien.name is None
    assert alien.fitting == ()
    # lines that do show make one
    both = judged_lines([4000.0, 60.0, 125.0, 85.0], **strengths)
    assert both.name == "mixed"
    assert both.amplitudes == pytest.approx([3800.0, 2.0e5], rel=0.1)


def test_strong_111_fluoride_never_keeps_a_limit_on_aligned_grains():
    """Refused alignments are out of the question: their figures say next to nothing is there."""
    part = fluoride(BAF2, 0.05, "aligned_111", mosaic_fwhm_deg=4.0)
    for seed in range(6):
        found = analysed(film_of(TAPE, 4.0, minor=(part,)), seed=seed, settings=FluorideSettings())
        assert "aligned_00l" not in found.possible
        assert found.aligned.name == "aligned_111"
        for estimate in (found.aligned.volume_fraction, found.volume_fraction):
            assert estimate.low <= 0.05 <= estimate.high
            assert estimate.probability_above(0.02) > 0.95
        if found.settled:
            assert found.random is found.aligned


def test_random_fluoride_is_told_and_so_is_a_mixture():
    minor = (fluoride(BAF2, 0.2, "random"),)
    found = analysed(film_of(mosaic=4.0, minor=minor), counts=1e5)
    assert found.settled == "random"
    told = found.under("random").volume_fraction
    assert abs(told.value - 0.2) < 2.5 * told.sigma
    assert told.sigma < 0.12 * told.value
    others = [analysed(film_of(mosaic=4.0, minor=minor), counts=1e5, seed=s) for s in range(2, 6)]
    every = [told.value, *(f.under("random").volume_fraction.value for f in others)]
    assert np.mean(every) == pytest.approx(0.2, rel=0.1)
    mixed = (
        fluoride(BAF2, 0.15, "random"),
        fluoride(BAF2, 0.004, "aligned", mosaic_fwhm_deg=4.0),
    )
    both = analysed(film_of(mosaic=4.0, minor=mixed), counts=1e5)
    assert both.settled == "mixed"
    # V(random) = 0.15/0.85 and V(aligned) = 0.004/0.996 of the film's
    ratio = 0.15 / 0.85 + 0.004 / 0.996
    figure = both.under("mixed").volume_fraction
    assert abs(figure.value - ratio / (1 + ratio)) < 3.0 * figure.sigma
    assert figure.sigma < 0.2 * figure.value
    record = both.record()
    assert record.orientation == "mixed"
    assert record.volume_fraction_random == record.volume_fraction_aligned


def test_shifted_cell_is_found():
    minor = (fluoride(BAF2, 0.2, "random", cell_a_A=6.10),)
    found = analysed(film_of(mosaic=4.0, minor=minor), counts=1e5)
    assert found.detected
    assert found.cell_A.estimate == pytest.approx(6.10, abs=0.004)
    assert found.cell_A.low < 6.10 < found.cell_A.high
    assert any("yttrium" in note for note in found.notes)


def test_shared_place_limits_but_does_not_detect():
    # misoriented CeO2 puts a line at 28.55; the aligned figure must come from (400), and the
    # peak beside (200) must not be called fluoride
    film = film_of(
        TAPE, 5.0, buffers=(BufferTexture(4.0, fraction_111=0.05, fraction_random=0.05),)
    )
    found = analysed(film)
    assert not found.detected
    two = next(line for line in found.lines if line.hkl == (2, 0, 0))
    assert two.use != "decides"
    assert found.under("aligned_00l").detection_limit < 0.05
    # and with real aligned fluoride (400) sees it
    minor = (fluoride(BAF2, 0.03, "aligned", mosaic_fwhm_deg=5.0),)
    there = analysed(replace(film, minor=minor))
    assert there.detected


@pytest.mark.parametrize("share", [0.1, 0.4])
def test_a_plain_line_beside_lines_that_the_film_cannot_show_is_the_fluorides(share):
    """(400) at 5.97 Å stands at 62.13°, between (025) and (205) of a film without such grains."""
    part = fluoride(BAF2, share, "aligned", mosaic_fwhm_deg=3.0, cell_a_A=5.97)
    found = [analysed(film_of(TAPE, 3.0, minor=(part,)), counts=1e4, seed=s) for s in range(3)]
    assert all(f.settled == "aligned_00l" for f in found)
    assert all(f.cell_A.estimate == pytest.approx(5.97, abs=0.004) for f in found)
    # among four neighbours and at the end of the scan a single film is good to about a fifth
    figures = [f.under("aligned_00l").volume_fraction.value for f in found]
    assert all(value == pytest.approx(share, rel=0.2) for value in figures)
    assert np.mean(figures) == pytest.approx(share, rel=0.1)


def test_other_lines_are_not_called_fluoride():
    strong = replace(FLAT, ghosts=Ghosts(k_beta=0.02, tungsten=0.01, half_wavelength=0.001))
    carbonate = (Minor(load_phase("BaCO3"), 0.10),)
    alarms = 0
    for seed in range(12):
        alarms += analysed(film_of(TAPE, 5.0), instrument=strong, seed=seed).detected
        alarms += analysed(film_of(STO, 4.0, minor=carbonate), seed=seed).detected
    # 24 films at a stated risk of 5 %: more than 5 alarms has a probability of 0.2 %
    assert alarms <= 5


@pytest.mark.parametrize("kind", list(calibration.NO_FLUORIDE))
def test_the_chain_calls_no_other_line_fluoride(kind):
    """A thousand films of each kind are in the long run; the risk stated to the chain is 1e-4."""
    rows = calibration.no_fluoride_films(kind, 12)
    assert not any(row.called for row in rows)
    assert sum(row.misleading for row in rows) >= 3


def test_no_film_fails_for_fluoride_that_is_not_there():
    outcomes = [o for film in calibration.judged_films(0.0, 16) for o in film.values()]
    assert "fail" not in outcomes
    assert "undecided" in outcomes  # of random fluoride little can be excluded


def test_much_fluoride_fails_where_counts_allow():
    """10 vol%, aligned like the film; a film that is too poor to tell is undecided."""
    told = [
        film["fluoride_volume_fraction_aligned"]
        for film in calibration.judged_films(0.10, 10, most_counts=1e5)
        if film
    ]
    assert "pass" not in told
    assert told.count("fail") > 0.4 * len(told)


@pytest.mark.parametrize("account", ["exact", "drawn", "off", "any cell"])
def test_intervals_hold_the_truth(account):
    total = calibration.Tally()
    for seed in range(5000, 5030 if account == "exact" else 5020):
        total.add(calibration.one_film(seed, account))
    # three standard deviations below the 95 % (for "off" 90 %) that the long run asks for
    assert total.held >= total.n * (0.95 if account != "off" else 0.90) - 3 * np.sqrt(
        total.n * 0.05 * 0.95
    )
    # false alarms at the stated 5 % and misses at L_D at the stated 5 %: three standard deviations
    assert total.false_alarms <= 0.05 * total.zero + 3 * np.sqrt(0.0475 * total.zero)
    assert total.missed <= 0.05 * total.at_limit + 3 * np.sqrt(0.0475 * max(total.at_limit, 1))


def test_reference_route_needs_no_orientation():
    minor = (fluoride(BAF2, 0.02, "aligned", mosaic_fwhm_deg=1.0),)
    film = film_of(minor=minor)
    scan, truth = simulate_scan(
        film, Optics(), counts=3e4, top_of=(0, 0, 5), two_theta_deg=ANGLES, instrument=FLAT, seed=4
    )
    lines = calibration.measured_film_lines(scan, truth)
    normaliser = 1e5
    here = truth.area_counts_deg("BaF2", (2, 0, 0)) / normaliser
    # the unconverted film showed five times this (200) area, and (111) not at all
    unconverted = {(2, 0, 0): RelativeArea(5 * here, 0.01 * here)}
    top = truth.area_counts_deg("YBCO", (0, 0, 5)) / normaliser
    found = estimate_fluoride(
        scan, lines, calibration.components(film), film.stack, Optics(), EXACT,
        references=ReferenceFilms(
            unconverted, normaliser, 50.0,
            finished={(0, 0, 5): RelativeArea(top / 0.8, 0.001 * top)},
        ),
    )  # fmt: skip
    assert found.route == "reference"
    assert found.settled == "reference"
    assert found.conversion.value == pytest.approx(0.8, abs=0.04)
    assert found.conversion.low < 0.8 < found.conversion.high
    assert any("in agreement" in note for note in found.notes)
    # a line of the reference that is all noise takes next to nothing away
    faint = unconverted | {(1, 1, 1): RelativeArea(0.001 * here, 0.05 * here)}
    noisy = estimate_fluoride(
        scan, lines, calibration.components(film), film.stack, Optics(), EXACT,
        references=ReferenceFilms(faint, normaliser, 50.0),
    )  # fmt: skip
    assert noisy.conversion.sigma == pytest.approx(found.conversion.sigma, rel=0.02)
    apart = estimate_fluoride(
        scan, lines, calibration.components(film), film.stack, Optics(), EXACT,
        references=ReferenceFilms(
            unconverted, normaliser, 50.0,
            finished={(0, 0, 5): RelativeArea(top / 0.2, 0.001 * top)},
        ),
    )  # fmt: skip
    assert any("texture" in note for note in apart.notes)


def test_limit_by_a_reference_film_holds_for_another_cell():
    """What is left may have taken up yttrium since: no line at the place of BaF2."""
    share, careful = 0.0004, replace(EXACT, alpha=1e-4)
    part = fluoride(BAF2, share, "aligned", mosaic_fwhm_deg=1.0, cell_a_A=6.05)
    films = [film_of(minor=(part,)), film_of(minor=(replace(part, cell_a_A=None),))]
    left, missed = 0.1, []
    for seed in range(6):
        scans = [
            simulate_scan(
                f, Optics(), counts=3e4, top_of=(0, 0, 5), two_theta_deg=ANGLES, instrument=FLAT,
                seed=seed,
            )
            for f in films
        ]  # fmt: skip
        (scan, truth), (_, nominal) = scans
        here = nominal.area_counts_deg("BaF2", (2, 0, 0)) / 1e5
        found = estimate_fluoride(
            scan, calibration.measured_film_lines(scan, truth), calibration.components(films[0]),
            STO, Optics(), careful,
            references=ReferenceFilms({(2, 0, 0): RelativeArea(here / left, 0.0)}, 1e5, 0.0),
        )  # fmt: skip
        if not found.detected:
            missed.append(found.conversion)
    assert len(missed) >= 3
    assert sum(c.low <= 1.0 - left for c in missed) >= len(missed) - 1


def test_without_a_film_line_only_an_index():
    film = film_of()
    scan, _ = simulate_scan(film, Optics(), two_theta_deg=ANGLES, instrument=FLAT, seed=2)
    found = estimate_fluoride(
        scan, MeasuredLines((), np.zeros((0, 0))), calibration.components(film), STO, Optics()
    )
    assert found.route == "index"
    assert found.conversion is None
    assert found.record().volume_fraction_random is None
    assert "reference" in found.advice[0]


def test_scan_that_covers_no_fluoride_line_says_what_to_measure():
    film = film_of()
    scan, truth = simulate_scan(
        film, Optics(), two_theta_deg=grid(34.0, 40.0, 0.02), instrument=FLAT, seed=2
    )
    lines = calibration.measured_film_lines(scan, truth)
    with pytest.raises(CannotTellError, match=r"23\.5 to 63"):
        estimate_fluoride(scan, lines, calibration.components(film), STO, Optics())


def test_counting_advice_reaches_its_goal():
    # the advised time, simulated, brings the limit to what was asked for (twofold lines share it)
    optics = Optics(step_time_s=1.0)
    film = film_of(mosaic=4.0)
    found = analysed(film, optics=optics)
    wanted = 0.6 * found.under("random").detection_limit
    counting = counting_for(found.under("random"), found, wanted, optics)
    assert counting.step_time_s == pytest.approx(counting.factor)
    longer = replace(
        FLAT, background=replace(FLAT.background, level_counts=200.0 * counting.factor)
    )
    again = analysed(film, counts=3e4 * counting.factor, instrument=longer)
    reached = again.under("random").detection_limit
    # the whole scan counted longer does at least as well as its best line alone
    assert reached < 1.05 * wanted
    assert reached > 0.4 * wanted
    assert any("(111)" in sentence for sentence in found.advice)


def test_stated_orientation_settles_the_question():
    found = analysed(film_of(), settings=replace(EXACT, orientation="aligned_00l"))
    assert found.settled == "aligned_00l"
    assert found.conversion.low > 0.995
    assert found.record().orientation == "aligned (00l)"


def test_inputs_are_left_alone_and_answers_repeat():
    film = film_of(minor=(fluoride(BAF2, 0.01, "aligned"),))
    optics = Optics()
    scan, truth = simulate_scan(film, optics, two_theta_deg=ANGLES, instrument=FLAT, seed=3)
    scan.axis_deg.flags.writeable = False
    scan.counts.flags.writeable = False
    lines = calibration.measured_film_lines(scan, truth)
    parts = calibration.components(film)
    first = estimate_fluoride(scan, lines, parts, STO, optics).record()
    assert estimate_fluoride(scan, lines, parts, STO, optics).record() == first


@pytest.mark.parametrize("seed", range(3))
def test_k_beta_of_its_own_line_is_no_second_fluoride(seed):
    """On tape (200) is nobody's, and its K-beta stands where (111) of a 5.94 Å cell would."""
    film = film_of(
        TAPE,
        4.0,
        (fluoride(BAF2, 0.3, mosaic_fwhm_deg=4.0),),
        buffers=(BufferTexture(4.0), BufferTexture(4.0)),
    )
    ghostly = replace(FLAT, ghosts=Ghosts(k_beta=0.006, tungsten=0.002))
    found = analysed(film, instrument=ghostly, seed=seed, angles=grid(20.0, 57.0, 0.02))
    assert not found.detected
    assert found.cell_A is None
    assert found.aligned is None or found.aligned.volume_fraction.high > 0.3


@pytest.mark.parametrize(
    ("hkl", "area", "mixing"),
    [
        ((1, 1, 1), 900.0, 0.3),
        ((1, 1, 1), 900.0, 0.6),
        ((1, 1, 1), 900.0, 0.95),
        # (102) and tungsten of (004) stand on its flanks, and are not there
        ((2, 0, 0), 2700.0, 0.5),
    ],
)
def test_the_area_of_a_plain_line_does_not_lean_on_its_shape(hkl, area, mixing):
    """A line of any Lorentz fraction on a film without fluoride: its area comes back."""
    optics, width = Optics(), 0.28
    spacing_A = BAF2.cell.a_A / np.sqrt(sum(i * i for i in hkl))
    place = float(two_theta_of(spacing_A, optics.radiation.k_alpha1_A))
    scan, truth = simulate_scan(
        film_of(), optics, counts=3e4, top_of=(0, 0, 5), two_theta_deg=ANGLES,
        instrument=FLAT, seed=4,
    )  # fmt: skip
    ratio, share = doublet_constants(optics.radiation)
    profile = doublet(ANGLES, *(np.array(v) for v in (place, width, mixing, ratio, share)))
    more = np.random.default_rng(5).poisson(area * profile)
    lines = calibration.measured_film_lines(scan, truth)
    found = estimate_fluoride(
        replace(scan, counts=scan.counts + more), lines, calibration.components(film_of()), STO,
        optics, EXACT,
    )  # fmt: skip
    line = next(line for line in found.lines if line.hkl == hkl)
    assert line.area == pytest.approx(area, rel=0.1)
    told = found.under("aligned_111" if hkl == (1, 1, 1) else "aligned_00l").volume_fraction
    assert told.sources["line width"] < 0.2 * told.value


def test_an_alignment_without_a_usable_line_gets_no_figure_from_the_other():
    """Detected, while (00l) fluoride could show nowhere: nothing is told of aligned fluoride."""
    part = fluoride(BAF2, 0.0006, "aligned_111", mosaic_fwhm_deg=1.0)
    blind = replace(EXACT, left_out=frozenset({(2, 0, 0), (4, 0, 0)}))
    found = analysed(film_of(minor=(part,)), settings=blind)
    assert found.detected
    assert found.unseen == ("aligned_00l",)
    assert found.aligned is None
    record = found.record()
    assert record.volume_fraction_aligned is None
    assert record.volume_fraction_random is not None
