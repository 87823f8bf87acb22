"""Line speed: worked examples by hand, and what the plan warns of."""

import numpy as np
import pytest

from xrdfilm.planning.speed import (
    GrowthFigures,
    dwell_s,
    hot_zone_m,
    in_words,
    plan_speed,
    speed_curves,
    speed_m_h,
)


@pytest.mark.parametrize(("zone", "speed"), [(10.0, 36.0), (2.0, 7.2)])
def test_a_micrometre_at_1_nm_s(zone, speed):
    assert dwell_s(1000.0, 1.0) == 1000.0
    plan = plan_speed(GrowthFigures((1.0, 1.0, 1.0)), thickness_nm=1000.0, hot_zone_m=zone)
    assert plan.speed_m_h == pytest.approx(speed)


def test_pilot_speeds_at_5_nm_s_need_one_to_three_metres():
    # common practice, no source: 1 µm at 5 nm/s takes 200 s; 20 to 50 m/h are then 1.1 to 2.8 m
    dwell = dwell_s(1000.0, 5.0)
    assert dwell == 200.0
    assert hot_zone_m(20.0, dwell) == pytest.approx(1.1, abs=0.02)
    assert hot_zone_m(50.0, dwell) == pytest.approx(2.8, abs=0.03)
    assert speed_m_h(hot_zone_m(50.0, dwell), dwell) == pytest.approx(50.0)


def test_the_bounds_that_slow_the_line_are_taken_not_the_middles():
    figures = GrowthFigures((0.8, 1.0, 1.3), (100.0, 200.0, 350.0))
    plan = plan_speed(figures, thickness_nm=800.0, hot_zone_m=5.0, margin=0.1)
    assert plan.dwell_s == pytest.approx((350.0 + 1000.0) * 1.1)
    assert plan.dwell_at_best_s == pytest.approx((200.0 + 800.0) * 1.1)
    assert plan.speed_m_h < plan.speed_at_best_m_h
    assert "for comparison only" in in_words(plan)


def test_a_negative_incubation_gains_no_speed():
    early = plan_speed(
        GrowthFigures((1.0, 1.0, 1.0), (-90.0, -60.0, -30.0)), thickness_nm=500.0, hot_zone_m=1.0
    )
    assert early.dwell_s == 500.0


def test_curves_pass_through_the_plan():
    plan = plan_speed(
        GrowthFigures((0.5, 0.6, 0.8), (60.0, 90.0, 120.0)), thickness_nm=900.0, hot_zone_m=4.0
    )
    curves = speed_curves(plan)
    assert list(curves.hot_zones_m) == [2.0, 4.0, 8.0]
    at = np.interp(900.0, curves.thickness_nm, curves.speed_m_h[1])
    assert at == pytest.approx(plan.speed_m_h, rel=1e-3)
    assert np.all(curves.speed_m_h <= curves.speed_at_best_m_h)
    np.testing.assert_allclose(curves.speed_m_h[2], 2.0 * curves.speed_m_h[1])


def test_warnings_tell_of_the_range_the_rate_and_a_axis_grains():
    figures = GrowthFigures((0.2, 0.5, 1.0), (0.0, 10.0, 20.0), (400.0, 800.0), (0.6, 1.0))
    text = " ".join(plan_speed(figures, thickness_nm=1500.0, hot_zone_m=1.0).warnings)
    assert "outside what the series covered (400 to 800 nm)" in text
    assert "outside the rates the series covered" in text
    assert "known only between 0.2 and 1 nm/s" in text
    assert "very slow and very fast growth bring a-axis grains" in text
    assert "slower downstream" in text
    inside = GrowthFigures((0.7, 0.8, 0.9), (5.0, 10.0, 20.0), (400.0, 800.0), (0.6, 1.0))
    calm = " ".join(plan_speed(inside, thickness_nm=600.0, hot_zone_m=1.0).warnings)
    assert "outside" not in calm
    assert "a-axis" in calm


def test_a_rate_without_a_lower_end_allows_no_speed():
    with pytest.raises(ValueError, match="lower end"):
        GrowthFigures((0.0, 1.0, 2.0))
    with pytest.raises(ValueError, match="hot zone must be above 0"):
        plan_speed(GrowthFigures((1.0, 1.0, 1.0)), thickness_nm=1.0, hot_zone_m=0.0)
