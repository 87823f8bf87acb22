from __future__ import annotations

import datetime
import json
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.history.made import made_film
from xrdfilm.errors import CannotTellError, HistoryError
from xrdfilm.history import History, open_history
from xrdfilm.history.record import record_of
from xrdfilm.report.trend_page import reel_page, trend_page, write_reel, write_trends
from xrdfilm.results import Run, RunResult
from xrdfilm.trend.analyse import Trend, trend_of
from xrdfilm.trend.reel_of_run import reel_of_run
from xrdfilm.trend.tojson import reel_record, trend_record
from xrdfilm.trend.words import course_words, limit_words, recipe_words

DAY = datetime.date(2031, 3, 1)


@pytest.fixture(scope="module")
def line(tmp_path_factory: pytest.TempPathFactory) -> Iterator[History]:
    """60 runs of two films; a step at run 40 when a new lot came in; pressure plays along."""
    rng = np.random.default_rng(1)
    with open_history(tmp_path_factory.mktemp("line") / "h.db") as history:
        history.connection.execute("PRAGMA synchronous = OFF")
        for number in range(60):
            pressure, flow = rng.normal(1000.0, 5.0), rng.normal(12.0, 1.0)
            level = 0.04 + 0.001 * (pressure - 1000.0) + (0.03 if number >= 40 else 0.0)
            films = [
                made_film(
                    f"R-{number:04d}-{i}",
                    float(level + rng.normal(0.0, 0.004)),
                    float(rng.normal(11.68, 0.003)),
                    position_m=float(i),
                )
                for i in range(2)
            ]
            events = [{"text": "new <ink> lot"}] if number == 40 else []
            run = Run(
                id=f"R-{number:04d}",
                date=DAY + datetime.timedelta(days=number),
                recipe={"pressure_mbar": pressure, "flow_l_min": flow, "line": "north"},
                events=events,
            )
            history.store(RunResult(run=run, films=films))
        yield history


@pytest.fixture(scope="module")
def trend(line: History) -> Trend:
    return trend_of(line, "a_axis_fraction", line="north", freeze=False)


def test_step_cause_and_event_are_found(trend: Trend) -> None:
    (step,) = trend.course.steps
    assert abs(step.index - 40) <= 1
    assert step.size == pytest.approx(0.03, abs=3.0 * step.size_sigma)
    assert trend.recipe is not None
    assert [r.parameter for r in trend.recipe.named] == ["pressure_mbar"]
    assert trend.course_beside_recipe is not None
    beside = trend.course_beside_recipe.steps[0]
    assert beside.size_sigma < 0.8 * step.size_sigma  # the recipe's part of the scatter is gone
    assert [(e.text, place) for e, place in trend.events] == [("new <ink> lot", 40)]
    assert any(s.rule == "ewma" and 40 <= s.index <= 44 and s.side == 1 for s in trend.signals)
    assert "Recorded about then: new <ink> lot" in " ".join(course_words(trend))
    assert recipe_words(trend)[0].startswith("Goes with, not caused by: pressure_mbar")
    assert "one false alarm in about 240 runs" in limit_words(trend)[1]


def test_limits_are_frozen_until_they_are_set_anew(line: History) -> None:
    first = trend_of(line, "c_A", line="north")
    assert first.frozen
    assert first.baseline is not None
    assert (first.baseline.points, first.baseline.last) == (25, "R-0024")
    again = trend_of(line, "c_A", line="north", last=10)
    assert again.baseline == first.baseline
    assert len(again.figures.runs) == 10
    moved = trend_of(line, "c_A", line="north", rebase_from="R-0030", rebase_to="2031-04-10")
    assert moved.baseline is not None
    assert (moved.baseline.first, moved.baseline.last) == ("R-0030", "R-0040")
    assert trend_of(line, "c_A", line="north").baseline == moved.baseline
    over_all = trend_of(line, "c_A", freeze=False)
    assert over_all.baseline == first.baseline
    assert not over_all.frozen


@pytest.mark.parametrize(
    ("stated", "told"),
    [
        ({"rules": ("nine",)}, "unknown rule 'nine'"),
        ({"line": "south"}, r"no run of line 'south'.*north"),
        ({"rebase_from": "R-9999"}, "no run with this quantity and no day"),
        ({"rebase_from": "R-0055"}, "at least 8 runs, 5 lie there"),
    ],
)
def test_what_cannot_be_is_told(line: History, stated: dict[str, object], told: str) -> None:
    with pytest.raises(HistoryError, match=told):
        trend_of(line, "c_A", freeze=False, **stated)  # type: ignore[arg-type]


def test_few_runs_give_no_charts(line: History, tmp_path: Path) -> None:
    with open_history(tmp_path / "few.db") as few:
        for key in range(1, 6):
            few.store(line.revision(key))
        trend = trend_of(few, "c_A")
    assert trend.individuals is None
    assert "limits need 8 runs, the history has 5" in trend.notes[0]
    assert trend.course.kind == "too few points"
    assert "runs" in trend_page(trend)


def test_json_has_no_nan_and_names_runs(trend: Trend) -> None:
    record = json.loads(json.dumps(trend_record(trend), allow_nan=False))
    assert record["points"][40]["run"] == "R-0040"
    assert record["course"]["steps"][0]["run"] in ("R-0039", "R-0040", "R-0041")
    assert record["recipe"]["meaning"] == "goes with, not caused by"
    assert record["limits"]["kept"] is False


def test_pages_escape_what_came_from_files(trend: Trend, tmp_path: Path) -> None:
    (page,) = write_trends([trend], tmp_path)
    text = page.read_text(encoding="utf-8")
    assert "new &lt;ink&gt; lot" in text
    assert "<ink>" not in text
    assert "style=" not in text  # the pages' own policy would drop it
    assert "goes with, not caused by" in text
    assert (tmp_path / "assets" / "trend.css").is_file()
    assert text.count("<figure") == 5  # four charts, one parameter
    two = write_trends([trend, trend], tmp_path / "two")
    names = ["a_axis_fraction.html", "a_axis_fraction-2.html", "index.html"]
    assert [path.name for path in two] == names


def test_reel_of_a_run(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    films = [
        made_film(
            f"f{i}",
            0.12 if 9 <= i <= 11 else float(rng.normal(0.025, 0.003)),
            11.68,
            position_m=2.0 * i,
        )
        for i in range(20)
    ]
    again = made_film("f5 again", 0.2, 11.68, position_m=10.0)  # the same place, and it fails
    record = record_of(RunResult(run=Run(id="R <1>"), films=[*films, again]))
    reel = reel_of_run(record, shortest_fault_m=2.0, quantities=("c_A",))
    assert [(s.start_m, s.end_m) for s in reel.ship.segments if s.fate == "hold"] == [
        (8.0, 12.0),
        (16.0, 24.0),
    ]
    assert [trace.quantity for trace in reel.traces] == ["c_A", "a_axis_fraction"]
    assert reel.traces[1].limits == (0.05,)
    told = json.loads(json.dumps(reel_record(reel), allow_nan=False))
    assert told["metres"]["hold"] == 12.0
    page = reel_page(reel)
    assert "R &lt;1&gt;" in page
    assert "R <1>" not in page
    assert write_reel(reel, tmp_path)[0].name == "reel.html"


def test_a_reel_needs_positions() -> None:
    record = record_of(RunResult(run=Run(id="R"), films=[made_film("a", 0.02, 11.68)]))
    with pytest.raises(CannotTellError, match="0 films have a position"):
        reel_of_run(record)
