import math

import pytest

from tests.report import synthetic
from xrdfilm.decision.limits import decide, parse_limits
from xrdfilm.decision.quantities import exact
from xrdfilm.estimate import from_normal
from xrdfilm.report.overview import run_content
from xrdfilm.report.scale import limit_scale
from xrdfilm.report.strip import (
    _round_ends,
    nice_ticks,
    passing_stretches,
    position_strip,
    quantity_traces,
)


def scale_of(text, **quantities):
    (reason,), _, _ = decide(quantities, parse_limits(f"[[limit]]\n{text}\n"))
    return limit_scale(reason)


def test_places_are_in_order_and_to_scale():
    scale = scale_of(
        'quantity = "a_axis_fraction"\nmax = 0.05',
        a_axis_fraction=from_normal(0.03, 0.004, bounds=(0.0, 1.0)),
    )
    ((limit, text),) = scale.limits
    assert text == "5"
    assert scale.first == "0"
    assert 0 < scale.low < scale.value < scale.high < limit < 1
    # zero is at the left, so places go as the figures
    assert scale.value / limit == pytest.approx(0.03 / 0.05)
    ((inner, edge),) = scale.guard
    assert edge == limit
    assert inner / limit == pytest.approx((0.05 - 1.6449 * 0.004) / 0.05, abs=2e-3)
    assert scale.broken == ((limit, 1.0),)
    assert scale.words == "a-axis share: 3.00 % (2.22 to 3.78); limit at most 5 %"


def test_two_sided_limit_breaks_on_both_sides():
    scale = scale_of('quantity = "c_A"\nmin = 11.66\nmax = 11.71', c_A=from_normal(11.68, 0.001))
    assert len(scale.broken) == len(scale.guard) == len(scale.limits) == 2
    assert scale.broken[0][0] == 0.0
    assert scale.broken[1][1] == 1.0


def test_only_a_limit_is_known():
    scale = scale_of(
        'quantity = "a_axis_fraction"\nmax = 0.05',
        a_axis_fraction=from_normal(0.001, 0.004, bounds=(0.0, 1.0)),
    )
    assert scale.value is None
    assert scale.low == 0.0


def test_everything_stays_on_the_scale():
    for centre in (0.0, 0.01, 0.5, 0.999, 1.0):
        scale = scale_of(
            'quantity = "conversion"\nmin = 0.95',
            conversion=from_normal(centre, 0.05, bounds=(0.0, 1.0)),
        )
        places = [scale.low, scale.high, scale.value, *(p for pair in scale.broken for p in pair)]
        assert all(p is None or 0.0 <= p <= 1.0 for p in places)


def test_nothing_to_draw_for_a_phase_or_what_was_not_measured():
    assert scale_of('quantity = "BaCeO3_detected"\nmax = 0', BaCeO3_detected=exact(1.0)) is None
    lone = scale_of('quantity = "c_A"\nmax = 11.7')
    assert lone is not None
    assert lone.value is None


@pytest.mark.parametrize(
    ("low", "high"), [(0.0, 1.0), (-3.2, 7.9), (11.66, 11.71), (0.0, 4e5), (1.5, 151.0)]
)
def test_ticks_are_round_few_and_inside(low, high):
    ticks = nice_ticks(low, high, 6)
    assert 2 <= len(ticks) <= 8
    assert all(low - 1e-9 <= tick <= high + 1e-9 for tick in ticks)
    step = ticks[1] - ticks[0]
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - m) for m in (1, 2, 2.5, 5, 10)) < 1e-6


def test_strip_covers_the_reel_without_gaps():
    result, _ = synthetic.run(12, points=200)
    strip = position_strip(result.films, [film.film for film in result.films])
    assert len(strip.bars) == 12
    assert strip.bars[0].x == 0.0
    for one, following in zip(strip.bars[:-1], strip.bars[1:], strict=True):
        assert one.x + one.width == pytest.approx(following.x, abs=0.01)
    assert strip.bars[-1].x + strip.bars[-1].width == pytest.approx(100.0, abs=0.01)
    heights = {bar.verdict: bar.height for bar in strip.bars}
    assert heights["pass"] < heights["undecided"] < heights["fail"]  # told by height, not colour
    assert position_strip(result.films[:1], ["a"]) is None
    assert (
        position_strip([f.model_copy(update={"position_m": None}) for f in result.films], [])
        is None
    )


def test_only_stretches_between_passing_neighbours_count():
    placed = [(0.0, "pass"), (1.0, "pass"), (2.5, "pass"), (3.0, "fail"), (4.0, "pass"),
              (5.0, "undecided"), (6.0, "pass"), (7.0, "pass")]  # fmt: skip
    assert passing_stretches(placed).startswith(
        "Neighbouring scans all pass over 0 to 2.5 m, 6 to 7 m (3.5 m in all)."
    )
    assert passing_stretches([(0.0, "pass"), (1.0, "fail")]) == "No two neighbouring scans pass."


def test_traces_follow_the_limited_quantities():
    result, _ = synthetic.run(12, points=200)
    traces = quantity_traces(result.films)
    assert [trace.label for trace in traces][:2] == ["conversion", "fluoride left, if aligned"]
    a_axis = next(trace for trace in traces if trace.label == "a-axis share")
    assert [text for _, text in a_axis.limits] == ["5", "15"]
    assert len(a_axis.points) == 11  # the unreadable film has none
    assert all(point.low >= point.high for point in a_axis.points)  # pixels run downwards
    # a figure is a dot, or a stroke at the limit where only that is known
    fluoride = next(trace for trace in traces if trace.label == "fluoride left, if aligned")
    for trace in (a_axis, fluoride):
        assert all((point.y is None) != (point.limit is None) for point in trace.points)
        assert all(p.limit == p.high for p in trace.points if p.limit is not None)
    assert any(point.limit is not None for point in fluoride.points)
    conversion = traces[0]
    assert all(p.limit == p.low for p in conversion.points if p.limit is not None)
    assert any(point.limit is not None for point in conversion.points)


@pytest.mark.parametrize(
    ("low", "high", "ends"),
    [(0.0, 24.59, (0.0, 25.0)), (11.681, 11.7834, (11.68, 11.8)), (4.477, 6.0, (4.4, 6.0))],
)
def test_ends_of_an_axis_are_round_and_hold_all(low, high, ends):
    found = _round_ends(low, high)
    assert found[0] <= low < high <= found[1]
    assert found == pytest.approx(ends)


@pytest.mark.parametrize("value", [0.0, 5.0, -3.0])
def test_ends_of_an_axis_of_one_value_lie_beside_it(value):
    low, high = _round_ends(value, value)
    assert low < value < high


def test_an_event_is_told_by_its_day_and_words():
    result, _ = synthetic.run(1, points=200)
    events = [{"date": "2031-03-03", "text": "new ink lot"}, {"date": None, "text": "furnace"}]
    run = result.run.model_copy(update={"events": events})
    told = run_content(result.model_copy(update={"run": run})).events
    assert told == ("2031-03-03: new ink lot", "furnace")
