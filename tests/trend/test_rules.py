from __future__ import annotations

import numpy as np
import pytest

from xrdfilm._typing import FloatArray
from xrdfilm.trend.charts import cusum, ewma, individuals
from xrdfilm.trend.rules import RULES, Signal, signals
from xrdfilm.trend.scatter import Baseline

BASELINE = Baseline(0.0, 1.0)


def _signals(z: list[float], *rules: str) -> tuple[Signal, ...]:
    x: FloatArray = np.array(z)
    u = np.zeros(x.size)
    charts = (individuals(x, u, BASELINE), ewma(x, u, BASELINE), cusum(x, u, BASELINE))
    return signals(rules, *charts)


@pytest.mark.parametrize(
    ("rule", "points", "index", "side", "since"),
    [
        ("limits", [0, 0, -3.1, 0], 2, -1, 2),
        ("two-of-three", [0, 2.1, 0, 2.2, 0], 3, 1, 1),
        ("four-of-five", [0, -1.1, -1.2, 0, -1.1, -1.3], 5, -1, 1),
        ("eight-on-a-side", [-0.1, *[0.1] * 8], 8, 1, 1),
        ("range", [0.0, 1.9, -1.9], 2, 0, 1),
        ("ewma", [0.0, *[1.9] * 5], 4, 1, 4),
        ("cusum", [-1.0, 0.0, *[2.0] * 5], 5, 1, 2),
    ],
)
def test_each_rule_at_its_point(
    rule: str, points: list[float], index: int, side: int, since: int
) -> None:
    (found,) = _signals(points, rule)
    assert (found.rule, found.index, found.side, found.since) == (rule, index, side, since)
    assert found.until == (len(points) - 1 if rule in ("ewma", "cusum") else index)


@pytest.mark.parametrize("rule", [rule for rule in RULES if rule != "range"])
def test_upside_down_gives_the_other_side(rule: str) -> None:
    points = np.random.default_rng(3).normal(1.2, 1.5, 80)
    up, down = _signals(points.tolist(), rule), _signals((-points).tolist(), rule)
    assert up
    assert [(s.index, -s.side) for s in up] == [(s.index, s.side) for s in down]


def test_just_within_is_no_signal() -> None:
    assert _signals([0, 2.1, 0, 0, 2.2], "two-of-three") == ()
    assert _signals([0.1] * 7 + [-0.1] + [0.1] * 7, "eight-on-a-side") == ()
    assert _signals([2.99, -2.99], "limits") == ()
