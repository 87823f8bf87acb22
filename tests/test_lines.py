"""Measured lines: naming, selection and their shared covariance."""

import numpy as np

from xrdfilm.lines import MeasuredLine, MeasuredLines, Reflection


def line(phase: str, *hkls: tuple[int, int, int], area: float = 1.0) -> MeasuredLine:
    return MeasuredLine(
        members=tuple(Reflection(phase, hkl) for hkl in hkls),
        place="free",
        expected_deg=30.0,
        two_theta_deg=30.0,
        two_theta_sigma_deg=0.001,
        area_counts_deg=area,
        area_sigma_counts_deg=0.1,
        fwhm_deg=0.1,
        fwhm_sigma_deg=0.01,
        lorentz_fraction=0.5,
        significance=10.0,
        decision_area=0.2,
        detection_area=0.4,
        background_counts=100.0,
    )


LINES = MeasuredLines(
    (
        line("YBCO", (0, 0, 5), area=3.0),
        line("CeO2", (2, 0, 0), area=2.0),
        line("YBCO", (0, 0, 6), (0, 2, 0), area=1.0),
    ),
    np.arange(9.0).reshape(3, 3),
)


def test_reflection_is_written_as_the_trade_writes_it() -> None:
    assert str(Reflection("YBCO", (1, 0, 3))) == "YBCO (103)"
    assert str(Reflection("YBCO", (0, 0, 10))) == "YBCO (0 0 10)"
    assert str(Reflection("CuO", (1, 1, -1))) == "CuO (1 1 -1)"


def test_selection_takes_the_covariance_along() -> None:
    film = LINES.of_phase("YBCO")
    assert film.areas.tolist() == [3.0, 1.0]
    assert film.area_covariance.tolist() == [[0.0, 2.0], [6.0, 8.0]]


def test_find_sees_the_members_of_a_blend() -> None:
    assert LINES.find("YBCO", (0, 2, 0)) is LINES.lines[2]
    assert LINES.find("YBCO", (2, 0, 0)) is None
