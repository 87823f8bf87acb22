from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.trend.lines import CAUSE, blind_relation, made_line, whole
from xrdfilm.trend.recipe import parameters_of, relate

NAME = f"parameter_{CAUSE:02d}"


def _recipes(**columns: Any) -> list[dict[str, Any]]:
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]


def test_the_cause_among_twelve_that_move_together() -> None:
    """benchmarks/trend_study.py gives 0.99 of 200 lines."""
    rng = np.random.default_rng(1)
    relations = [blind_relation(made_line(rng, 60, effect=0.8)) for _ in range(40)]
    assert np.mean([r.relations[0].parameter == NAME for r in relations]) >= 0.9
    mine = [next(x for x in r.relations if x.parameter == NAME) for r in relations]
    inside = [x.effect_low <= 0.8 * (x.high - x.low) <= x.effect_high for x in mine]
    assert np.mean(inside) >= 0.9


def test_no_cause_is_named_where_there_is_none() -> None:
    rng = np.random.default_rng(2)
    named = [bool(blind_relation(made_line(rng, 60)).named) for _ in range(80)]
    assert np.mean(named) <= 0.08  # 0.03 stated


def test_a_shift_and_a_drift_neither_hide_nor_make_a_cause() -> None:
    rng = np.random.default_rng(3)
    first, blank = [], []
    for _ in range(12):
        relation = whole(made_line(rng, shift=3.0, drift=0.5, effect=0.9))[2]
        assert relation is not None
        first.append(relation.relations[0].parameter == NAME)
        relation = whole(made_line(rng, shift=3.0, drift=0.5))[2]
        assert relation is not None
        blank.append(bool(relation.named))
    assert np.mean(first) >= 0.9
    assert np.mean(blank) <= 0.2


def test_an_optimum_is_seen_as_one() -> None:
    """Too slow and too fast growth both raise the a-axis share."""
    rng = np.random.default_rng(4)
    rate = rng.uniform(0.2, 1.4, 60)
    share = 0.03 + 0.15 * (rate - 0.7) ** 2 + rng.normal(0.0, 0.008, 60)
    relation = relate(
        share,
        np.full(60, 0.008),
        _recipes(growth_rate_nm_s=rate.tolist(), flow=rng.normal(size=60).tolist()),
    )
    best = relation.relations[0]
    assert (best.parameter, best.named, best.shape, best.turns) == (
        "growth_rate_nm_s",
        True,
        "optimum",
        "lowest",
    )
    assert best.optimum_low is not None
    assert best.optimum_high is not None
    assert best.optimum_low < 0.7 < best.optimum_high
    assert best.optimum_high - best.optimum_low < 0.2
    assert [r.parameter for r in relation.named] == ["growth_rate_nm_s"]
    assert best.partial is not None
    truth = 0.03 + 0.15 * (best.partial.grid - 0.7) ** 2
    assert np.max(np.abs(best.partial.curve - truth)) < 0.012
    np.testing.assert_allclose(best.partial.y, share, atol=0.01)


def test_two_causes_are_named_one_beside_the_other() -> None:
    rng = np.random.default_rng(5)
    a, b, c = rng.normal(size=(3, 80))
    relation = relate(
        1.0 * a - 0.7 * b + rng.normal(0.0, 0.5, 80),
        np.full(80, 0.5),
        _recipes(a=a.tolist(), b=b.tolist(), c=c.tolist()),
    )
    assert [r.parameter for r in relation.named] == ["a", "b"]
    assert relation.named[0].effect > 0.0 > relation.named[1].effect
    assert relation.explained is not None
    assert np.corrcoef(relation.explained, a - 0.7 * b)[0, 1] > 0.99


def test_parameters_that_cannot_be_told_apart_are_said() -> None:
    rng = np.random.default_rng(6)
    a = rng.normal(size=40)
    near = a + rng.normal(0.0, 0.05, 40)
    relation = relate(
        a + rng.normal(0.0, 0.5, 40),
        np.full(40, 0.5),
        _recipes(a=a.tolist(), near=near.tolist(), twin=(3.0 * a + 2.0).tolist()),
    )
    best = relation.named[0]
    assert {best.parameter, *best.alike} == {"a", "near"}
    assert "twin" in {t for r in relation.relations for t in r.twins}


def test_what_cannot_be_used_is_told() -> None:
    n = 20
    parameters = parameters_of(
        _recipes(
            good=[float(i % 5) for i in range(n)],
            still=[780.0] * n,
            gas=["wet", "dry"] * (n // 2),
            sample=[f"s{i}" for i in range(n)],
            seldom=[1.0 if i < 3 else None for i in range(n)],
            once=[1.0 if i == 0 else 0.0 for i in range(n)],
        )
    )
    assert parameters.names == ("gas", "good")
    assert dict(parameters.left_out) == {
        "still": "never changed",
        "sample": "is no number (20 different words)",
        "seldom": "given in 3 of 20 runs only",
        "once": "changed in fewer than three runs",
    }
    np.testing.assert_array_equal(parameters.table[:2, 0], [1.0, 0.0])


def test_too_few_runs_and_nothing_to_relate() -> None:
    few = relate(np.arange(6.0), np.ones(6), _recipes(a=[1.0, 2.0, 3.0, 4.0, 5.0, 6.0]))
    assert "at least 13 are needed" in few.note
    none = relate(np.arange(20.0), np.ones(20), [{}] * 20)
    assert "no number that was changed" in none.note


def test_a_parameter_that_moved_at_a_step_is_told() -> None:
    rng = np.random.default_rng(7)
    set_point = np.where(np.arange(60) < 30, 780.0, 790.0) + rng.normal(0.0, 0.5, 60)
    relation = relate(
        rng.normal(size=60),
        np.ones(60),
        _recipes(temperature=set_point.tolist(), flow=rng.normal(size=60).tolist()),
        steps=[30],
    )
    assert relation.moved_with == (("temperature", 30),)


@pytest.mark.parametrize("factor", [1e-6, 1e6])
def test_units_do_not_matter(factor: float) -> None:
    line = made_line(np.random.default_rng(8), 50, effect=0.7)
    plain = relate(line.values, np.ones(50), line.recipes)
    scaled = relate(factor * line.values, np.full(50, factor), line.recipes)
    assert [r.parameter for r in scaled.relations] == [r.parameter for r in plain.relations]
    assert scaled.relations[0].effect == pytest.approx(factor * plain.relations[0].effect)
    assert scaled.relations[0].p == plain.relations[0].p
