from __future__ import annotations

import numpy as np
import pytest

from tests.trend.lines import made_reel
from xrdfilm.trend.reel import (
    LimitedQuantity,
    ReelScan,
    ShipMap,
    crossing_chance,
    ship_map,
    wander_per_metre,
)


def _map(verdicts: str, spacing: float = 1.0, **stated: float) -> ShipMap:
    words = {"p": "pass", "f": "fail", "u": "undecided"}
    scans = [ReelScan(i * spacing, words[v], f"film {i}") for i, v in enumerate(verdicts)]
    return ship_map(scans, **stated)


def _fates(ship: ShipMap) -> list[tuple[float, float, str]]:
    return [(s.start_m, s.end_m, s.fate) for s in ship.segments]


def test_without_a_stated_fault_nothing_between_scans_ships() -> None:
    ship = _map("pppp")
    assert _fates(ship) == [(0.0, 3.0, "undecided")]
    assert "--shortest-fault" in ship.notes[0]
    assert ship.lengths == ((1.0, 3.0),)


def test_both_gaps_beside_a_failing_scan_are_held() -> None:
    ship = _map("ppppfppp", shortest_fault_m=1.0)
    assert _fates(ship) == [(0.0, 3.0, "ship"), (3.0, 5.0, "hold"), (5.0, 7.0, "ship")]
    assert "fails at 4 m" in ship.segments[1].why
    assert (ship.margin_m, ship.held_back_m) == (1.0, 2.0)
    assert (ship.metres("ship"), ship.metres("hold")) == (5.0, 2.0)
    assert ship.fate_at(3.0) == "hold"
    assert ship.fate_at(99.0) is None


def test_a_gap_longer_than_the_shortest_fault_is_undecided() -> None:
    assert _fates(_map("ppp", spacing=2.0, shortest_fault_m=1.9)) == [(0.0, 4.0, "undecided")]
    assert _fates(_map("ppp", spacing=2.0, shortest_fault_m=2.0)) == [(0.0, 4.0, "ship")]


def test_an_undecided_scan_leaves_both_gaps_undecided() -> None:
    ship = _map("ppupp", shortest_fault_m=1.0)
    assert _fates(ship) == [(0.0, 1.0, "ship"), (1.0, 3.0, "undecided"), (3.0, 4.0, "ship")]


def test_short_pieces_are_not_shipped() -> None:
    ship = _map("pppfpppppp", shortest_fault_m=1.0, least_length_m=3.0)
    assert _fates(ship) == [(0.0, 2.0, "undecided"), (2.0, 4.0, "hold"), (4.0, 9.0, "ship")]
    assert "under 3 m" in ship.segments[0].why


def test_beyond_the_scans_nothing_ships() -> None:
    ship = _map("ppf", shortest_fault_m=1.0, start_m=-2.0, end_m=5.0)
    assert _fates(ship) == [(-2.0, 0.0, "undecided"), (0.0, 1.0, "ship"), (1.0, 5.0, "hold")]


def test_segments_cover_the_reel_without_gap_or_overlap() -> None:
    rng = np.random.default_rng(1)
    for _ in range(50):
        verdicts = "".join(rng.choice(list("pppfu"), 20))
        ship = _map(verdicts, shortest_fault_m=1.0, start_m=-1.0, end_m=25.0, least_length_m=2.0)
        ends = [s.end_m for s in ship.segments]
        assert [s.start_m for s in ship.segments] == [-1.0, *ends[:-1]]
        assert ends[-1] == 25.0
        assert all(a.fate != b.fate for a, b in zip(ship.segments, ship.segments[1:], strict=False))


def test_chance_that_a_bridge_breaks_the_limit_against_simulation() -> None:
    """Brownian bridges drawn step by step, their ends uncertain and passing."""
    rng = np.random.default_rng(2)
    variance, n, steps = 0.5, 3000, 800
    a = 1.0 + 0.3 * rng.normal(size=n)
    b = 0.7 + 0.3 * rng.normal(size=n)
    kept = (a > 0) & (b > 0)
    a, b = a[kept], b[kept]
    walk = np.cumsum(rng.normal(0.0, np.sqrt(variance / steps), (a.size, steps)), axis=1)
    t = np.arange(1, steps + 1) / steps
    bridge = a[:, None] + (b - a)[:, None] * t + walk - t * walk[:, -1:]
    share = float(np.mean(bridge.min(axis=1) < 0.0))
    q = LimitedQuantity("q", np.array([1.0, 0.7]), np.array([0.3, 0.3]), 0.0, None)
    # 3000 bridges: 0.008; finite steps miss about 0.02 of the crossings
    assert crossing_chance(0, q, variance, 1.0) == pytest.approx(share, abs=0.035)
    mirrored = LimitedQuantity("q", -q.estimate, q.sigma, None, 0.0)
    assert crossing_chance(0, mirrored, variance, 1.0) == pytest.approx(
        crossing_chance(0, q, variance, 1.0)
    )


def test_wander_is_told_apart_from_uncertainty() -> None:
    rng = np.random.default_rng(3)
    at = np.arange(0.0, 400.0, 2.0)
    walk = np.cumsum(rng.normal(0.0, np.sqrt(2.0 * 0.09), at.size))
    sigma = np.full(at.size, 0.5)
    q = LimitedQuantity("q", walk + rng.normal(0.0, sigma), sigma, None, 9.0)
    assert wander_per_metre(at, q) == pytest.approx(0.09, rel=0.5)
    still = LimitedQuantity("q", rng.normal(0.0, sigma), sigma, None, 9.0)
    assert wander_per_metre(at, still) < 0.02


def test_a_quantity_that_wanders_near_its_limit_does_not_ship() -> None:
    scans = [ReelScan(float(i), "pass") for i in range(6)]
    x = np.array([0.0, 1.0, 0.0, 1.0, 0.0, 1.0])
    near = LimitedQuantity("share", x, np.full(6, 0.01), None, 1.2)
    far = LimitedQuantity("share", x, np.full(6, 0.01), None, 9.0)
    assert ship_map(scans, [near], shortest_fault_m=1.0).metres("ship") == 0.0
    assert ship_map(scans, [far], shortest_fault_m=1.0).metres("ship") == 5.0


def test_no_bad_metre_is_released() -> None:
    """benchmarks/trend_study.py: none in 500 reels of 120 m with 4 m bad."""
    rng = np.random.default_rng(4)
    reels = [made_reel(rng) for _ in range(120)]
    assert [reel for reel in reels if reel.bad_released_m > 0.0] == []
    assert np.mean([reel.map.metres("ship") for reel in reels]) > 50.0


@pytest.mark.parametrize(
    ("scans", "stated", "told"),
    [
        ([ReelScan(0.0, "pass")], {}, "at least two scans"),
        ([ReelScan(1.0, "pass"), ReelScan(1.0, "pass")], {}, "order of position"),
        ([ReelScan(0.0, "pass"), ReelScan(1.0, "pass")], {"shortest_fault_m": 0.0}, "longer"),
        ([ReelScan(0.0, "pass"), ReelScan(1.0, "pass")], {"least_length_m": -1.0}, "negative"),
    ],
)
def test_what_makes_no_sense_is_refused(
    scans: list[ReelScan], stated: dict[str, float], told: str
) -> None:
    with pytest.raises(ValueError, match=told):
        ship_map(scans, **stated)  # type: ignore[arg-type]
