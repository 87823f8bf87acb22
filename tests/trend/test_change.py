from __future__ import annotations

import numpy as np
import pytest

from tests.trend.lines import blind_course, dated, made_line
from xrdfilm.trend.change import NEAR, course_of, maximum_tail, step_price


def test_tail_of_the_best_step_against_simulation() -> None:
    rng = np.random.default_rng(1)
    for n in (25, 100):
        sums = np.cumsum(rng.normal(size=(10_000, n)), axis=1)
        k = np.arange(3, n - 2)
        z = np.abs(sums[:, -1:] * k / n - sums[:, k - 1]) / np.sqrt(k * (n - k) / n)
        for edge in (2.8, 3.2):
            share = float(np.mean(z.max(axis=1) > edge))
            # the formula is for many points: with few it errs to the safe side
            assert 0.9 * share < maximum_tail(edge, n) < (1.15 if n == 100 else 1.35) * share
    assert maximum_tail(np.sqrt(step_price(100, 0.01)), 100) == pytest.approx(0.01, rel=1e-6)


def test_a_clear_step_is_dated_to_the_run() -> None:
    x = np.random.default_rng(2).normal(size=60)
    x[33:] += 6.0
    course = course_of(x, np.ones(60))
    (step,) = course.steps
    assert (course.kind, step.index, step.low, step.high) == ("steps", 33, 33, 33)
    assert step.size == pytest.approx(6.0, abs=0.8)
    assert step.after - step.before == pytest.approx(step.size)
    assert abs(step.size - 6.0) < 3.0 * step.size_sigma


def test_up_and_down_again_are_two_steps() -> None:
    x = np.random.default_rng(3).normal(size=90)
    x[30:45] -= 4.0
    assert [step.index for step in course_of(x, np.ones(90)).steps] == [30, 45]


def test_one_stray_run_is_no_change() -> None:
    x = np.random.default_rng(4).normal(size=60)
    x[20] += 25.0
    assert course_of(x, np.ones(60)).kind == "steady"


def test_reversed_in_sign_gives_the_same_dates() -> None:
    x = np.random.default_rng(5).normal(size=80)
    x[50:] += 2.5
    up, down = course_of(x, np.ones(80)), course_of(-x, np.ones(80))
    assert [s.index for s in up.steps] == [s.index for s in down.steps]
    assert up.steps[0].size == pytest.approx(-down.steps[0].size)


def test_uncertain_points_count_less() -> None:
    """The same jump where the points are uncertain is no step."""
    x = np.random.default_rng(6).normal(size=40)
    x[20:] += 2.5
    assert course_of(x, np.ones(40)).kind == "steps"
    assert course_of(x, np.full(40, 4.0)).kind == "steady"


def test_a_drift_that_sets_in() -> None:
    rng = np.random.default_rng(7)
    t = np.arange(120)
    course = course_of(rng.normal(size=120) + 0.1 * np.maximum(0, t - 60), np.ones(120))
    assert course.kind == "drift"
    assert course.drift is not None
    assert course.drift.low <= 60 <= course.drift.high
    assert abs(course.drift.per_point - 0.1) < 3.0 * course.drift.sigma + 0.02
    assert not course.drift.whole


def test_too_few_points_or_no_scatter() -> None:
    assert course_of(np.arange(9.0), np.ones(9)).kind == "too few points"
    assert course_of(np.arange(20.0), np.zeros(20)).kind == "too few points"
    assert course_of(np.empty(0), np.empty(0)).fitted.size == 0


def test_a_shift_of_one_and_a_half_is_dated_within_three_runs() -> None:
    """benchmarks/trend_study.py gives 0.92 of 1000 lines; 80 lines scatter by 0.03."""
    rng = np.random.default_rng(8)
    found = [blind_course(made_line(rng, shift=1.5)) for _ in range(80)]
    near = [(d := dated(course)) is not None and abs(d - 60) <= 3 for course in found]
    assert np.mean(near) >= 0.84
    steps = [max(course.steps, key=lambda s: s.ratio) for course in found if course.steps]
    inside = np.mean([step.low <= 60 <= step.high for step in steps])
    assert inside >= 0.88  # at 95 %
    told = np.mean([step.near for step in steps])  # the stated chance is the real one
    assert told == pytest.approx(np.mean(near), abs=0.1)


def test_a_steady_line_is_called_steady() -> None:
    rng = np.random.default_rng(9)
    steady = [blind_course(made_line(rng)).kind == "steady" for _ in range(80)]
    assert np.mean(steady) >= 0.92


def test_a_step_that_looks_like_a_drift_is_told_beside_it() -> None:
    rng = np.random.default_rng(321)
    courses = [blind_course(made_line(rng, shift=1.5)) for _ in range(120)]
    taken_for_drifts = [course for course in courses if course.kind == "drift"]
    assert taken_for_drifts
    assert all(course.instead is not None for course in taken_for_drifts)
    assert any(abs(course.instead.index - 60) <= NEAR for course in taken_for_drifts)
    assert all(course.instead is None for course in courses if course.kind != "drift")


def test_a_plain_drift_has_no_step_beside_it() -> None:
    rng = np.random.default_rng(5)
    course = blind_course(made_line(rng, drift=8.0))
    assert course.kind == "drift"
    assert course.instead is None
