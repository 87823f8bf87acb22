import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from xrdfilm.decision.guard import (
    Tolerance,
    acceptance,
    after_counting,
    counting_share,
    deciding_factor,
)
from xrdfilm.decision.limits import decide, parse_limits, read_limit_file
from xrdfilm.decision.quantities import (
    QUANTITIES,
    estimate_of,
    exact,
    find_quantity,
    near_quantity,
)
from xrdfilm.errors import LimitFileError
from xrdfilm.estimate import Estimate, from_draws, from_normal
from xrdfilm.numbers import show
from xrdfilm.results import Quantity

FRACTION = (0.0, 1.0)
A_AXIS = parse_limits('[[limit]]\nquantity = "a_axis_fraction"\nmax = 0.05\nrisk = 0.05\n')


def a_axis(value: float, sigma: float, model: float = 0.0) -> dict[str, Estimate | None]:
    counting = math.sqrt(sigma**2 - model**2)
    sources = {"counting": counting, "mosaic": model}
    return {"a_axis_fraction": from_normal(value, sigma, bounds=FRACTION, sources=sources)}


class TestRule:
    """JCGM 106:2012, worked examples of section 7 and the guard bands of section 8.3."""

    def test_zener_diode(self):
        # JCGM 106:2012, 7.3.2, example 1 (figures from memory of the document): breakdown voltage
        diode = from_normal(-5.47, 0.05)
        kept = Tolerance(high=-5.40).probability_kept(diode)
        assert kept == pytest.approx(0.919, abs=0.0005)

    def test_pressure_vessel(self):
        # JCGM 106:2012, 7.3.3, example 2 (figures from memory of the document): burst pressure
        vessel = from_normal(509.7, 8.6)
        kept = Tolerance(low=490.0).probability_kept(vessel)
        assert kept == pytest.approx(0.989, abs=0.0005)

    @pytest.mark.parametrize(
        ("guard_band_in_u", "kept"), [(0.0, 0.500), (1.0, 0.841), (1.645, 0.950), (2.0, 0.977)]
    )
    def test_guard_band_sets_the_risk(self, guard_band_in_u, kept):
        # JCGM 106:2012, 8.3.2: conformance probability at the acceptance limit
        u, limit = 0.3, 12.0
        at_acceptance = from_normal(limit - guard_band_in_u * u, u)
        assert Tolerance(high=limit).probability_kept(at_acceptance) == pytest.approx(
            kept, abs=5e-4
        )
        if guard_band_in_u:
            found = acceptance(Tolerance(high=limit), from_normal(11.0, u), 1.0 - kept)
            assert found is not None
            assert found.high == pytest.approx(limit - guard_band_in_u * u, abs=0.01 * u)

    def test_two_sided_tolerance_adds_both_tails(self):
        # by numerical integration of the normal density
        x = np.linspace(-6, 6, 240_001)
        density = norm.pdf(x, 0.2, 0.7)
        inside = (x >= -1.0) & (x <= 0.9)
        kept = np.trapezoid(np.where(inside, density, 0.0), x)
        got = Tolerance(-1.0, 0.9).probability_kept(from_normal(0.2, 0.7))
        assert got == pytest.approx(kept, abs=1e-4)

    def test_the_distribution_is_cut_off_at_the_bound(self):
        estimate = from_normal(-0.01, 0.03, bounds=FRACTION)
        x = np.linspace(0.0, 1.0, 400_001)
        density = norm.pdf(x, -0.01, 0.03)
        beyond = np.trapezoid(density[x >= 0.05], x[x >= 0.05]) / np.trapezoid(density, x)
        assert Tolerance(high=0.05).probability_broken(estimate) == pytest.approx(beyond, rel=1e-3)

    def test_sampled_distribution_gives_the_normal_answer(self):
        rng = np.random.default_rng(5)
        sampled = from_draws(0.04, rng.normal(0.04, 0.008, 20_000), bounds=FRACTION)
        normal = from_normal(0.04, 0.008, bounds=FRACTION)
        limit = Tolerance(high=0.05)
        assert limit.probability_broken(sampled) == pytest.approx(
            limit.probability_broken(normal), abs=0.01
        )

    def test_at_the_acceptance_limit_the_risk_is_met(self):
        estimate = from_normal(0.03, 0.01, bounds=FRACTION)
        for risk in (0.01, 0.05, 0.2):
            tolerance = Tolerance(high=0.05)
            found = acceptance(tolerance, estimate, risk)
            assert found is not None
            assert found.high is not None
            there = replace(estimate, estimate=found.high)
            assert tolerance.probability_broken(there) == pytest.approx(risk, rel=0.01)

    def test_too_large_an_uncertainty_accepts_nothing(self):
        assert acceptance(Tolerance(-1.0, 1.0), from_normal(0.0, 2.0), 0.05) is None


class TestCounting:
    def test_share_is_what_shrinks(self):
        estimate = from_normal(0.04, 0.05, sources={"counting": 0.03, "mosaic": 0.04})
        share = counting_share(estimate)
        assert share == pytest.approx(0.36)
        assert after_counting(estimate, 4.0, 0.36).sigma == pytest.approx(
            math.sqrt(0.0009 / 4 + 0.0016)
        )

    def test_the_proposed_time_decides(self):
        estimate = from_normal(0.04, 0.009, sources={"counting": 0.0085, "mosaic": 0.003})
        tolerance = Tolerance(high=0.05)
        assert tolerance.probability_broken(estimate) > 0.05
        factor = deciding_factor(tolerance, estimate, 0.05)
        assert factor is not None
        share = counting_share(estimate)
        assert share is not None
        assert tolerance.probability_broken(after_counting(estimate, 1.02 * factor, share)) < 0.05
        assert tolerance.probability_broken(after_counting(estimate, 0.98 * factor, share)) > 0.05
        # by hand: z 1.6449 must fit between 0.04 and 0.05
        needed = (0.01 / 1.6449) ** 2 - 0.003**2
        assert factor == pytest.approx(0.0085**2 / needed, rel=0.01)

    @pytest.mark.parametrize("sigma", [0.05, 0.3])
    def test_the_time_for_what_was_not_seen_is_that_to_keep_the_limit(self, sigma):
        # "broken" with over 0.9 at the wider sigma, yet counting on can only show that it is kept
        unseen = from_normal(0.0, sigma, bounds=FRACTION)
        factor = deciding_factor(Tolerance(high=0.02), unseen, 0.10)
        # by hand: the half normal leaves 10 % beyond z(0.95) standard uncertainties
        assert factor == pytest.approx((sigma * norm.ppf(0.95) / 0.02) ** 2, rel=0.01)

    def test_what_is_not_seen_breaks_a_limit_only_once_it_stands_apart_from_the_bound(self):
        unseen = from_normal(0.03, 0.02, bounds=FRACTION)
        assert unseen.value is None
        factor = deciding_factor(Tolerance(high=0.01), unseen, 0.05)
        # 4 %: by hand without the cut at 0, which takes 0.0019 of the lower tail away
        assert factor == pytest.approx((0.02 * norm.ppf(0.975) / 0.02) ** 2, rel=0.04)

    def test_a_model_share_alone_too_large_is_told(self):
        (reason,), verdict, _ = decide(a_axis(0.045, 0.010, model=0.009), A_AXIS)
        assert verdict == "undecided"
        assert "no counting time decides it" in reason.text
        assert "tilt scan" in reason.text

    def test_time_in_hours_where_the_scan_says_how_long_it_took(self):
        (reason,), _, _ = decide(a_axis(0.04, 0.01), A_AXIS, counting_time_s=3600.0)
        factor = (0.01 * 1.6449 / 0.01) ** 2
        assert f"{factor:.1f} times the counting time ({factor:.1f} h)" in reason.text
        assert reason.decided_by in reason.text


class TestDecide:
    @pytest.mark.parametrize(
        ("value", "outcome"), [(0.02, "pass"), (0.08, "fail"), (0.045, "undecided")]
    )
    def test_three_outcomes(self, value, outcome):
        (reason,), verdict, _ = decide(a_axis(value, 0.008), A_AXIS)
        assert (reason.outcome, verdict) == (outcome, outcome)
        assert reason.limit == {"max": 0.05, "risk": 0.05}
        assert "at most 5 %" in reason.text
        assert reason.acceptance is not None
        assert reason.acceptance["max"] == pytest.approx(0.05 - 1.6449 * 0.008, abs=2e-4)

    def test_just_inside_and_outside_the_guard_band(self):
        guard = 0.05 - norm.ppf(0.95) * 0.008
        assert decide(a_axis(guard - 1e-4, 0.008), A_AXIS).verdict == "pass"
        assert decide(a_axis(guard + 1e-4, 0.008), A_AXIS).verdict == "undecided"

    def test_what_was_not_measured_is_undecided_with_the_reason(self):
        (reason,), verdict, _ = decide(
            {"a_axis_fraction": None}, A_AXIS, missing={"a_axis_fraction": "the substrate hides it"}
        )
        assert verdict == "undecided"
        assert "the substrate hides it" in reason.text
        assert reason.value is None
        assert decide({}, A_AXIS).verdict == "undecided"

    def test_a_one_sided_figure_passes_only_if_it_excludes_the_limit(self):
        tight = from_normal(0.002, 0.004, bounds=FRACTION)
        loose = from_normal(0.002, 0.05, bounds=FRACTION)
        assert tight.value is None
        assert decide({"a_axis_fraction": tight}, A_AXIS).verdict == "pass"
        assert decide({"a_axis_fraction": loose}, A_AXIS).verdict == "undecided"

    @pytest.mark.parametrize("maximum", [0.2, 0.02, 1e-4])
    @pytest.mark.parametrize("sigma", [0.05, 1.0, 50.0])
    def test_what_was_not_seen_breaks_no_limit(self, maximum, sigma):
        """Flat over 0 to 1 a small maximum is "broken" for sure, yet nothing was seen."""
        unseen = from_normal(0.0, sigma, bounds=FRACTION)
        most = parse_limits(
            f'[[limit]]\nquantity = "fluoride_volume_fraction"\nmax = {maximum}\nrisk = 0.05\n'
        )
        (reason,), verdict, _ = decide({"fluoride_volume_fraction": unseen}, most)
        assert verdict == ("pass" if 1.96 * sigma < maximum else "undecided")
        assert reason.probability_breaking > 0.5 or sigma < maximum
        # the same from the other side: how far a film is converted, from what was not seen
        least = parse_limits(
            f'[[limit]]\nquantity = "conversion"\nmin = {1 - maximum}\nrisk = 0.05\n'
        )
        whole = from_normal(1.0, sigma, bounds=FRACTION)
        assert decide({"conversion": whole}, least).verdict == verdict

    def test_a_recorded_limit_leaves_what_it_says_when_judged_anew(self):
        """The record has no draws: an estimate of 0.3 ± 1.2 % that was told as "< 4 %"."""
        seen_little = Quantity(
            value=None, low=0.0, high=0.04, level=0.95, estimate=0.003, sigma=0.012
        )
        again = estimate_of(seen_little, "fluoride_volume_fraction")
        assert 0.05 <= again.probability_above(0.04) < 0.10
        whole = Quantity(value=None, low=0.94, high=1.0, level=0.95, estimate=0.996, sigma=0.022)
        below = 1.0 - estimate_of(whole, "conversion").probability_above(0.94)
        assert 0.05 <= below < 0.10

    def test_a_limit_told_beyond_the_maximum_breaks_it(self):
        # an envelope has no value of its own, but all of it may lie on one side
        apart = Estimate(
            None, 0.3, 0.6, estimate=0.45, sigma=0.05, sources={"counting": 0.05}, bounds=FRACTION
        )
        assert decide({"a_axis_fraction": apart}, A_AXIS).verdict == "fail"

    def test_interval_without_distribution(self):
        inside = Estimate(None, 0.0, 0.03)
        across = Estimate(None, 0.0, 0.09)
        beyond = Estimate(0.08, 0.07, 0.09)
        verdicts = [
            decide({"a_axis_fraction": e}, A_AXIS).verdict for e in (inside, across, beyond)
        ]
        assert verdicts == ["pass", "undecided", "fail"]

    def test_infinite_uncertainty_is_no_pass(self):
        wild = Estimate(0.01, None, None, estimate=0.01, sigma=math.inf)
        nan = Estimate(0.01, None, None, estimate=math.nan, sigma=0.01)
        assert decide({"a_axis_fraction": wild}, A_AXIS).verdict == "undecided"
        assert decide({"a_axis_fraction": nan}, A_AXIS).verdict == "undecided"

    def test_phase_seen_or_not(self):
        limits = parse_limits(
            '[[limit]]\nquantity = "BaCeO3_detected"\nmax = 0\n'
            '[[limit]]\nquantity = "YBCO_detected"\nmin = 1\n'
        )
        seen = {"BaCeO3_detected": exact(1.0), "YBCO_detected": exact(1.0)}
        reasons, verdict, _ = decide(seen, limits)
        assert verdict == "fail"
        assert [reason.outcome for reason in reasons] == ["fail", "pass"]
        assert reasons[0].text == "BaCeO3 is seen; it must not be seen."
        clean = {"BaCeO3_detected": exact(0.0), "YBCO_detected": exact(1.0)}
        assert decide(clean, limits).verdict == "pass"
        assert decide({**clean, "YBCO_detected": exact(0.0)}, limits).verdict == "fail"

    def test_a_poor_scan_is_undecided_not_passed_nor_failed(self):
        limits = parse_limits(
            '[[limit]]\nquantity = "fluoride_detection_limit_random"\nmax = 0.02\n'
            '[[limit]]\nquantity = "a_axis_fraction"\nmax = 0.05\n'
        )
        poor = {"fluoride_detection_limit_random": exact(0.15), **a_axis(0.01, 0.005)}
        reasons, verdict, _ = decide(poor, limits)
        assert verdict == "undecided"
        assert "too poor to judge by" in reasons[0].text
        assert reasons[1].outcome == "pass"
        assert decide({**poor, **a_axis(0.2, 0.005)}, limits).verdict == "fail"

    def test_nothing_is_lost_in_the_record(self):
        limits = parse_limits(
            '[[limit]]\nquantity="c_A"\nmin=11.67\nmax=11.70\nrisk=0.01\nnote="oxygen loading"\n'
        )
        (reason,), verdict, _ = decide({"c_A": from_normal(11.685, 0.002)}, limits)
        assert verdict == "pass"
        assert reason.limit == {"max": 11.70, "min": 11.67, "risk": 0.01, "note": "oxygen loading"}
        assert "at least 11.67 Å, at most 11.7 Å" in reason.text


GRADES = """
[[grade]]
name = "long"
[[grade]]
name = "coupon"

[[limit]]
quantity = "conversion"
min = 0.95
[[limit]]
quantity = "a_axis_fraction"
max = 0.05
grade = "long"
[[limit]]
quantity = "a_axis_fraction"
max = 0.15
grade = ["coupon"]
"""


class TestGrades:
    @pytest.mark.parametrize(
        ("share", "conversion", "verdict", "grade"),
        [
            (0.02, 0.99, "pass", "long"),
            (0.09, 0.99, "pass", "coupon"),
            (0.05, 0.99, "pass", "coupon"),  # the better grade is open, the lesser one is reached
            (0.15, 0.99, "undecided", None),
            (0.30, 0.99, "fail", None),
            (0.02, 0.70, "fail", None),  # a limit without grade holds for every grade
        ],
    )
    def test_best_grade_reached(self, share, conversion, verdict, grade):
        quantities = {
            **a_axis(share, 0.008),
            "conversion": from_normal(conversion, 0.01, bounds=FRACTION),
        }
        decision = decide(quantities, parse_limits(GRADES))
        assert (decision.verdict, decision.grade) == (verdict, grade)

    def test_order_of_appearance_without_grade_tables(self):
        text = GRADES.split("[[limit]]", 1)[1]
        assert parse_limits("[[limit]]" + text).grades == ("long", "coupon")


class TestFile:
    @pytest.mark.parametrize(
        ("text", "line", "words"),
        [
            (
                '[[limit]]\nquantity = "a_axis_fractoin"\nmax = 0.05\n',
                2,
                "did you mean 'a_axis_fraction'",
            ),
            ('[[limit]]\nquantity = "c_A"\nmaximum = 11.7\n', 3, "did you mean 'max'"),
            ('[[limits]]\nquantity = "c_A"\nmax = 11.7\n', 1, "did you mean 'limit'"),
            ('[[limit]]\nquantity = "c_A"\n', 1, "needs max or min"),
            ('[[limit]]\nquantity = "c_A"\nmin = 12\nmax = 11\n', 1, "keeps nothing"),
            (
                '[[limit]]\nquantity = "a_axis_fraction"\nmax = 5\n',
                1,
                "for 5 % write 0.05",
            ),
            ('[[limit]]\nquantity = "c_A"\nmax = 11.7\nrisk = 0.7\n', 4, "less than 0.5"),
            ('[[limit]]\nquantity = "c_A"\nmax = nan\n', 3, "finite"),
            ('risk = 0.05\n[[limit]]\nquantity = "c_A\n', 3, "not valid TOML"),
            (GRADES.replace('grade = "long"', 'grade = "lonk"'), 13, "did you mean 'long'"),
            (
                '[[limit]]\nquantity="c_A"\nmax=11.7\n[[limit]]\nquantity="c_A"\nmax=11.8\n',
                6,
                "stands twice",
            ),
            (
                '[[limit]]\nquantity="c_A"\nmax=11.7\n\n[[limit]]\nquantity="BaCe03_detected"\n'
                "max=0\n",
                6,
                "did you mean 'BaCeO3_detected'",
            ),
            ('[[grade]]\nname = "A"\n[[grade]]\nname = "A"\n', None, "no [[limit]]"),
            ("", None, "no [[limit]]"),
        ],
    )
    def test_mistakes_are_named_with_file_and_line(self, tmp_path, text, line, words):
        path = tmp_path / "limits.toml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(LimitFileError) as caught:
            read_limit_file(path, phases={"BaCeO3", "CeO2", "YBCO"})
        assert words in str(caught.value)
        assert str(caught.value).startswith(f"{path}:{line}:" if line else f"{path}: ")
        assert caught.value.line == line

    def test_missing_file(self, tmp_path):
        with pytest.raises(LimitFileError, match="no such file"):
            read_limit_file(tmp_path / "none.toml")

    def test_default_risk_of_the_file_holds(self):
        limits = parse_limits('risk = 0.01\n[[limit]]\nquantity = "c_A"\nmax = 11.7\n')
        assert limits.risk_of(limits.limit[0]) == 0.01

    def test_every_quantity_can_be_limited(self):
        for name, spec in QUANTITIES.items():
            bound = 0.5 if spec.bounds == FRACTION else 5.0
            limits = parse_limits(f'[[limit]]\nquantity = "{name}"\nmax = {bound}\n')
            estimate = from_normal(bound / 10.0, bound / 100.0, bounds=spec.bounds)
            assert decide({name: estimate}, limits).verdict == "pass"
            assert spec.settled_by or spec.kind == "film"

    def test_names(self):
        assert find_quantity("nothing") is None
        assert find_quantity("_detected") is None
        assert near_quantity("rocking_fwhm") == "rocking_fwhm_deg"
        assert near_quantity("zzz") is None


class TestAcceptanceStudy:
    """Simulated films against a limit of 0.05 on the a-axis share at 5 % risk, 2000 cases each."""

    CASES = 2000

    def passed(self, truths, sigma, seed):
        rng = np.random.default_rng(seed)
        found = rng.normal(truths, sigma)
        return np.array([decide(a_axis(x, sigma), A_AXIS).verdict for x in found])

    @pytest.mark.parametrize("sigma", [0.004, 0.02])
    def test_films_beyond_the_limit_rarely_pass(self, sigma):
        truths = np.random.default_rng(1).uniform(0.05, 0.12, self.CASES)
        verdicts = self.passed(truths, sigma, seed=2)
        assert np.mean(verdicts == "pass") < 0.05

    def test_not_even_at_the_limit_itself(self):
        verdicts = self.passed(np.full(self.CASES, 0.05), 0.008, seed=3)
        slack = 3.0 * math.sqrt(0.05 * 0.95 / self.CASES)
        assert np.mean(verdicts == "pass") < 0.05 + slack
        assert np.mean(verdicts == "fail") < 0.05 + slack

    def test_good_films_are_held_back_no_more_than_the_guard_band_explains(self):
        sigma = 0.008
        truths = np.random.default_rng(4).uniform(0.0, 0.05, self.CASES)
        verdicts = self.passed(truths, sigma, seed=6)
        guard = 0.05 - norm.ppf(0.95) * sigma
        explained = norm.cdf((guard - truths) / sigma)
        slack = 3.0 * math.sqrt(np.sum(explained * (1 - explained))) / self.CASES
        assert np.mean(verdicts == "pass") == pytest.approx(np.mean(explained), abs=slack)
        assert np.mean(verdicts == "fail") < 0.01


@pytest.mark.parametrize("sources", [None, {"counting": 3.92e-5, "alignment": 0.0023448}])
@pytest.mark.parametrize("high", [11.688148, 11.68815, 11.688152])
def test_a_reason_tells_the_digits_of_the_record(high, sources):
    """One rounding only: the sentence, the reason's figures and the film's own are the same."""
    sigma = 0.0023448
    estimate = from_normal(high - norm.ppf(0.975) * sigma, sigma, sources=sources)
    found = decide({"c_A": estimate}, parse_limits("[[limit]]\nquantity = 'c_A'\nmax = 11.74\n"))
    (reason,) = found.reasons
    record = Quantity.of(estimate)
    assert (reason.value, reason.low, reason.high) == (record.value, record.low, record.high)
    assert show(reason, unit="Å") in reason.text
