"""The scan and the checks on it, judged by simulated scans whose faults are known."""

from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.readers.scan_checks import (
    RefusedError,
    common_spikes,
    inspect,
    scatter_scale,
    scatter_sigma,
    spikes,
    tidy,
)
from xrdfilm.readers.scan_findings import FINDINGS, finding
from xrdfilm.scan import Scan

X = np.arange(20.0, 60.0, 0.02)


def drawn(seed: int, base: float = 200.0, top: float = 3e4, fwhm: float = 0.12) -> np.ndarray:
    """Counts of a scan with five lines; Poisson."""
    mean = np.full(X.size, base)
    for at, share in ((25.1, 0.1), (31.0, 1.0), (38.47, 0.6), (46.6, 0.02), (55.2, 0.3)):
        mean += share * top * np.exp(-4 * np.log(2) * ((X - at) / fwhm) ** 2)
    return np.random.default_rng(seed).poisson(mean).astype(float)


def codes(x: np.ndarray, y: np.ndarray, **more: object) -> set[str]:
    return {one.code for one in inspect(x, y, "two_theta", **more)}  # type: ignore[arg-type]


class TestScan:
    def test_counts_give_their_own_uncertainty(self) -> None:
        scan = Scan(X[:4], np.array([0.0, 1.0, 4.0, 100.0]))
        np.testing.assert_array_equal(scan.uncertainty(), [1.0, 1.0, 2.0, 10.0])

    def test_a_file_s_sigma_goes_first(self) -> None:
        scan = Scan(X[:3], np.ones(3), sigma=np.full(3, 7.0))
        np.testing.assert_array_equal(scan.uncertainty(), [7.0, 7.0, 7.0])

    def test_step_and_length(self) -> None:
        scan = Scan(X, drawn(0))
        assert len(scan) == 2000
        assert scan.step_deg == pytest.approx(0.02)


class TestTable:
    def test_every_code_says_what_it_means_and_what_to_do(self) -> None:
        for code, kind in FINDINGS.items():
            assert code == code.lower()
            assert code.replace("_", "").isalpha()
            assert kind.action in ("noted", "repaired", "flagged", "refused")
            assert len(kind.meaning) > 10
            assert kind.remedy

    def test_a_finding_carries_the_action_of_the_table(self) -> None:
        one = finding("gap", "30 to 31")
        assert one.action == "flagged"
        assert one.text.endswith("(30 to 31)")

    def test_an_unknown_code_is_a_mistake(self) -> None:
        with pytest.raises(KeyError):
            finding("no_such_code")


class TestTidy:
    def test_leaves_an_ordered_scan_alone(self) -> None:
        y = drawn(1)
        rows = tidy(X, y)
        np.testing.assert_array_equal(rows.axis_deg, X)
        np.testing.assert_array_equal(rows.intensity, y)
        assert rows.findings == ()

    def test_never_changes_what_it_is_given(self) -> None:
        x, y = X[::-1].copy(), drawn(2)
        y[5] = np.nan
        before = x.copy(), y.copy()
        x.setflags(write=False)
        y.setflags(write=False)
        tidy(x, y)
        np.testing.assert_array_equal(x, before[0])
        np.testing.assert_array_equal(y, before[1])

    def test_sigma_and_factor_go_along(self) -> None:
        y = drawn(3)
        rows = tidy(X[::-1], y[::-1], np.arange(X.size)[::-1] + 1.0, np.ones(X.size))
        assert rows.sigma is not None
        assert rows.factor is not None
        np.testing.assert_array_equal(rows.sigma, np.arange(X.size) + 1.0)

    def test_coarsely_written_angles_become_even(self) -> None:
        x = np.linspace(10.0, 30.0, 4001)  # steps of 0.005, written with two decimals
        rows = tidy(np.round(x, 2), drawn(4)[:1].repeat(4001) + np.arange(4001.0))
        assert [one.code for one in rows.findings] == ["angles_rounded"]
        # Two decimals round halves to and fro: a tenth of the last digit is what is left.
        np.testing.assert_allclose(rows.axis_deg, x, rtol=0, atol=1e-3)

    def test_the_first_of_two_readings_stays(self) -> None:
        x, y = np.r_[X[:50], X[49], X[50:]], np.r_[drawn(5)[:50], 9e9, drawn(5)[50:]]
        rows = tidy(x, y)
        assert [one.code for one in rows.findings] == ["duplicate_angles"]
        np.testing.assert_array_equal(rows.intensity, drawn(5))

    @pytest.mark.parametrize(
        ("x", "y", "code"),
        [
            (X[:0], X[:0], "empty"),
            (X[:9], np.full(9, np.nan), "empty"),
            (X[:4], np.arange(4.0), "too_few_points"),
            (X[:9], np.zeros(9), "constant"),
            (np.tile([1.0, 9.0, 4.0, 7.0], 9), np.arange(36.0), "not_an_axis"),
        ],
    )
    def test_refuses(self, x: np.ndarray, y: np.ndarray, code: str) -> None:
        with pytest.raises(RefusedError) as caught:
            tidy(x, y)
        assert caught.value.finding.code == code


class TestScatter:
    @pytest.mark.parametrize("scale", [1.0, 0.1, 1e-4, 25.0])
    @pytest.mark.parametrize("base", [20.0, 200.0, 5000.0])
    def test_finds_the_scale_of_scaled_counts(self, scale: float, base: float) -> None:
        # Law of the median of 1000 chi-squares: 2.3/√1000 = 7 %; neighbouring triples share points.
        found = [scatter_scale(scale * drawn(seed, base)) for seed in range(12)]
        assert np.mean(found) == pytest.approx(scale, rel=0.08)
        assert np.std(found) / scale < 0.15

    def test_gives_the_uncertainty_of_scaled_counts(self) -> None:
        y = drawn(7)
        sigma = scatter_sigma(y / y.max())
        assert sigma is not None
        expected = np.sqrt(np.maximum(y, 1.0)) / y.max()
        np.testing.assert_allclose(sigma, expected, rtol=0.2)

    def test_has_no_word_on_what_does_not_scatter(self) -> None:
        assert scatter_sigma(np.linspace(1.0, 2.0, 400)) is None
        assert scatter_scale(np.arange(10.0)) is None


class TestSpikes:
    def test_no_line_is_taken_for_a_spike(self) -> None:
        """300 scans of lines from two steps wide up, strong and weak: no spike in any of them."""
        found = 0
        for seed in range(300):
            rng = np.random.default_rng(seed)
            fwhm = rng.uniform(0.04, 0.3)
            y = drawn(seed, base=10 ** rng.uniform(-0.5, 4), top=10 ** rng.uniform(2, 6), fwhm=fwhm)
            found += spikes(y).size
        assert found == 0

    def test_a_hot_pixel_is_found_wherever_it_stands(self) -> None:
        """One point 25 uncertainties above a background of 100 counts: found nearly always.

        At 15 it is found nine times in ten: the price of never taking a line for a spike.
        """
        hits = 0
        for seed in range(200):
            y = drawn(seed, base=100.0, top=0.0)
            at = int(np.random.default_rng(seed).integers(3, X.size - 3))
            y[at] += 25.0 * np.sqrt(100.0)
            hits += list(spikes(y)) == [at]
        assert hits >= 196

    def test_a_hot_pixel_shows_in_every_scan(self) -> None:
        scans = []
        for seed in range(3):
            y = drawn(seed)
            y[600] += 3000.0
            y[100 * (seed + 2)] += 4000.0
            scans.append((X, y))
        np.testing.assert_allclose(common_spikes(scans), [X[600]])
        assert common_spikes([]).size == 0

    def test_many_single_points_are_told_as_a_coarse_step(self) -> None:
        y = drawn(1)
        y[50::200] += 5000.0
        found = codes(X, y)
        assert "coarse_step" in found
        assert "spike" not in found


class TestInspect:
    def test_a_good_scan_has_no_findings(self) -> None:
        for seed in range(40):
            assert codes(X, drawn(seed), step_time_s=1.0) == set()

    def test_rounded_steps_are_no_uneven_steps(self) -> None:
        x = np.round(np.arange(2000) * 0.0131303 + 5.0, 4)
        assert codes(x, drawn(0)) == set()

    def test_a_gap_is_named(self) -> None:
        keep = (X < 29.99) | (X > 33.01)
        found = inspect(X[keep], drawn(0)[keep], "two_theta")
        assert [one.code for one in found] == ["gap"]
        assert "29.98 to 33.02" in found[0].text

    def test_uneven_steps(self) -> None:
        x = np.cumsum(np.random.default_rng(0).uniform(0.01, 0.03, X.size))
        assert "uneven_step" in codes(x + 20.0, drawn(0))

    def test_nodes_of_a_background_are_refused(self) -> None:
        x = np.cumsum(np.random.default_rng(0).uniform(0.4, 2.5, 90)) + 6.0
        with pytest.raises(RefusedError, match="no measured scan"):
            inspect(x, np.linspace(2e4, 1e4, 90), "two_theta")

    def test_a_line_in_three_points_is_too_coarse(self) -> None:
        assert "coarse_step" in codes(X, drawn(0, fwhm=0.045))
        assert "coarse_step" not in codes(X, drawn(0, fwhm=0.1))

    def test_a_flat_top_is_saturated(self) -> None:
        assert "saturation" in codes(X, np.minimum(drawn(0), 15000.0))

    def test_dead_time_needs_the_step_time(self) -> None:
        y = drawn(0, top=3e6)
        assert "dead_time" in codes(X, y, step_time_s=1.0)
        assert "dead_time" not in codes(X, y, step_time_s=10.0)
        assert "dead_time" not in codes(X, y)

    def test_the_direct_beam(self) -> None:
        x = np.arange(0.05, 40.05, 0.02)
        y = drawn(0) + 3e7 * np.exp(-x / 0.2)
        assert "direct_beam" in codes(x, y)
        assert "direct_beam" not in codes(X, drawn(0))

    def test_hardly_any_counts(self) -> None:
        y = np.random.default_rng(0).poisson(0.3, X.size).astype(float)
        assert "low_counts" in codes(X, y)
        assert "low_counts" not in codes(X, y, poisson=False)
