"""Which lines stand for themselves, which only as a sum, and which another phase spoils."""

from dataclasses import replace

import numpy as np
import pytest

from xrdfilm.analysis.held_apart import FittedLines
from xrdfilm.analysis.laid_lines import LaidLine, Use
from xrdfilm.linemap.expected import Role
from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection

FWHM = 0.1


def line(
    phase: str,
    hkl: tuple[int, int, int],
    place_deg: float,
    area: float,
    *,
    place: str = "free",
    use: Use = "measure",
    flags: tuple[str, ...] = (),
) -> tuple[MeasuredLine, LaidLine]:
    members = (Reflection(phase, hkl),)
    measured = MeasuredLine(
        members, place, place_deg, place_deg, 0.001, area, 10.0, FWHM, 0.001, 0.5, area / 8.0,
        13.0, 27.0, 50.0, flags,
    )  # fmt: skip
    role: Role = "film" if phase == "YBCO" else "buffer"
    laid = LaidLine(members, role, "c_axis", True, 2.0, 1.5406, 0.5, use)
    return measured, laid


def fitted(*pairs: tuple[MeasuredLine, LaidLine], correlation: float = 0.0) -> FittedLines:
    lines, laid = zip(*pairs, strict=True)
    covariance = 100.0 * (np.eye(len(lines)) * (1.0 - correlation) + correlation)
    return FittedLines(MeasuredLines(lines, covariance), laid)


def test_lines_apart_stand_for_themselves() -> None:
    usable = fitted(line("YBCO", (0, 0, 6), 46.6, 500.0), line("YBCO", (2, 0, 0), 47.5, 80.0))
    assert [x.area_counts_deg for x in usable.usable("YBCO")] == [500.0, 80.0]


def test_a_line_under_another_of_its_phase_counts_in_their_sum() -> None:
    pairs = (
        line("YBCO", (0, 0, 6), 46.61, 520.0),
        line("YBCO", (0, 2, 0), 46.70, 60.0, place="forced", use="nuisance"),
    )
    (both,) = fitted(*pairs, correlation=-0.8).usable("YBCO")
    assert {m.hkl for m in both.members} == {(0, 0, 6), (0, 2, 0)}
    assert both.area_counts_deg == pytest.approx(580.0)
    # two areas of 10 each, correlated by -0.8: sqrt(100 + 100 - 160)
    assert both.area_sigma_counts_deg == pytest.approx(np.sqrt(40.0))
    assert "blend" in both.flags


def test_a_strong_line_is_kept_with_the_weak_one_in_its_own_foot() -> None:
    """(020) in the foot of (006) is summed with it; that the foot is misfitted matters little."""
    usable = fitted(
        line("YBCO", (0, 0, 6), 46.61, 52_000.0, flags=("misfit",)),
        line("YBCO", (0, 2, 0), 46.72, 60.0, place="forced", flags=("misfit",)),
    ).usable("YBCO")
    assert usable.left_out == ()
    assert [x.area_counts_deg for x in usable] == [pytest.approx(52_060.0)]


def test_missing_lines_are_those_of_the_phase_and_no_ghosts() -> None:
    """A ghost that was not fitted is listed under its parent, which was."""
    found = fitted(line("YBCO", (0, 0, 6), 46.61, 520.0))
    missing = [
        (Reflection("YBCO", (0, 0, 6)), "too few points"),
        (Reflection("CeO2", (2, 0, 0)), "too few points"),
        (Reflection("YBCO", (0, 0, 9)), "too few points"),
    ]
    lines = replace(found.lines, left_out=tuple(missing))
    usable = FittedLines(lines, found.laid).usable("YBCO")
    assert usable.left_out == (missing[2],)


def test_a_place_of_its_own_holds_a_neighbour_apart() -> None:
    near = (line("YBCO", (0, 2, 0), 46.94, 80.0), line("YBCO", (2, 0, 0), 47.10, 90.0))
    assert len(fitted(*near).usable("YBCO")) == 2
    bound = (near[0], line("YBCO", (2, 0, 0), 47.10, 90.0, flags=("held_place",)))
    assert len(fitted(*bound).usable("YBCO")) == 1


def test_a_buffer_beside_it_spoils_a_film_line() -> None:
    pairs = (
        line("YBCO", (0, 0, 6), 46.60, 500.0),
        line("LaMnO3-pc", (2, 0, 0), 46.76, 200.0, place="forced"),
        line("YBCO", (0, 0, 5), 38.5, 700.0),
    )
    usable = fitted(*pairs).usable("YBCO")
    assert [x.reflection.hkl for x in usable] == [(0, 0, 5)]
    ((left, why),) = usable.left_out
    assert left.hkl == (0, 0, 6)
    assert "LaMnO3-pc (200)" in why


def test_a_weak_line_in_a_misfitted_foot_is_left_out() -> None:
    pairs = (
        line("YBCO", (0, 0, 7), 54.0, 60.0, flags=("misfit",)),
        line("SrTiO3", (2, 0, 0), 53.0, 1e5),
    )
    assert len(fitted(*pairs).usable("YBCO")) == 0
    sound = (line("YBCO", (0, 0, 7), 54.0, 60.0), pairs[1])
    assert len(fitted(*sound).usable("YBCO")) == 1


def test_nothing_of_a_phase_is_nothing() -> None:
    assert len(fitted(line("YBCO", (0, 0, 5), 38.5, 700.0)).usable("CeO2")) == 0
