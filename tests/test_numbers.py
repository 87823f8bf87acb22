import pytest

from xrdfilm.estimate import Estimate, from_normal
from xrdfilm.numbers import decimals, duration, fixed, number, probability, show


@pytest.mark.parametrize(
    ("estimate", "scale", "unit", "text"),
    [
        (Estimate(0.0523, 0.0412, 0.0634), 100, "%", "5.2 % (4.1 to 6.3)"),
        (Estimate(11.68213, 11.68104, 11.68322), 1, "Å", "11.6821 Å (11.6810 to 11.6832)"),
        (Estimate(None, 0.0, 0.01234), 100, "vol%", "< 1.2 vol%"),
        (Estimate(None, 0.9312, 1.0), 100, "%", "> 93.1 %"),
        (Estimate(None, 0.0, 1.0), 100, "%", "anything from 0 to 100 %"),
        (Estimate(None, None, None), 1, "Å", "cannot be told"),
        (Estimate(0.52, 0.5, 0.54), 1, "°", "0.520° (0.500 to 0.540)"),
        (Estimate(-12.0, -20.0, -4.0), 1, "µm", "−12.0 µm (−20.0 to −4.0)"),
        (Estimate(1.0, 1.0, 1.0), 1, "", "1"),
        (Estimate(3.0, None, None), 1, "s", "3 s"),
        (Estimate(0.4, None, 0.6), 1, "", "0.40 (≤ 0.60)"),
        (None, 1, "Å", "not measured"),
        (from_normal(0.002, 0.004, bounds=(0.0, 1.0)), 100, "%", "< 0.86 %"),
    ],
)
def test_figures_carry_the_digits_their_interval_supports(estimate, scale, unit, text):
    assert show(estimate, scale=scale, unit=unit) == text


@pytest.mark.parametrize(
    ("x", "text"),
    [
        (0.0, "0"),
        (-0.0, "0"),
        (1234.5678, "1235"),
        (0.00012345, "0.0001234"),
        (1.5e-7, "1.5×10⁻⁷"),
        (3.2e8, "3.2×10⁸"),
        (-2.5, "−2.5"),
        (float("nan"), "–"),
        (None, "–"),
    ],
)
def test_bare_numbers(x, text):
    assert number(x) == text


def test_no_minus_zero():
    assert fixed(-0.0001, 2) == "0.00"


@pytest.mark.parametrize(
    ("half", "places"), [(0.011, 3), (0.99, 2), (1.0, 1), (25.0, 0), (340.0, -1), (0.0, 4)]
)
def test_two_significant_digits_of_the_half_width(half, places):
    assert decimals(half) == places


def test_probabilities_and_durations():
    assert [probability(p) for p in (1e-9, 0.0123, 0.42, 0.9991)] == [
        "under 0.001",
        "0.012",
        "0.42",
        "over 0.999",
    ]
    assert [duration(s) for s in (40, 600, 12_600, 180_000)] == [
        "40 s",
        "10 min",
        "3.5 h",
        "2.1 days",
    ]
