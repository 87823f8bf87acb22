"""`xrdfilm trend` with stated limits against the worked examples of the NIST/SEMATECH e-Handbook
of Statistical Methods: 6.3.2.2 (individuals), 6.3.2.3 (CUSUM), 6.3.2.4 (EWMA)."""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from tests.history.made import made_film
from tests.trend.test_charts import CUSUM_DATA, EWMA_DATA, EWMA_LINE, INDIVIDUALS
from xrdfilm.cli import cli
from xrdfilm.estimate import from_normal
from xrdfilm.history import open_history
from xrdfilm.results import Quantity, Run, RunResult
from xrdfilm.trend import charts

DAY = datetime.date(2031, 3, 1)
EXAMPLES = {"E1": INDIVIDUALS, "E2": EWMA_DATA, "E3": CUSUM_DATA}


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The examples' figures as c of three lines, known so well that their own doubt is nothing."""
    path = tmp_path_factory.mktemp("examples") / "h.db"
    with open_history(path) as kept:
        for name, values in EXAMPLES.items():
            for i, value in enumerate(values.tolist()):
                film = made_film(f"{name}-{i:02d}-a", 0.02, value)
                c_A = Quantity.of(from_normal(value, 1e-7))
                assert film.lattice is not None
                film = film.model_copy(
                    update={"lattice": film.lattice.model_copy(update={"c_A": c_A})}
                )
                day = DAY + datetime.timedelta(days=i)
                run = Run(id=f"{name}-{i:02d}", date=day, recipe={"line": name})
                kept.store(RunResult(run=run, films=[film]))
    return path


def trend(history: Path, line: str, *options: str) -> Any:
    words = ["trend", "c_A", "--history", str(history), "--line", line, "--no-recipe", *options]
    result = CliRunner().invoke(cli, [*words, "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    (found,) = json.loads(result.output)["trends"]
    return found


def column(found: Any, name: str) -> list[float]:
    return [float(point[name]) for point in found["points"]]


def test_individuals_by_mean_and_moving_range(history: Path) -> None:
    found = trend(history, "E1", "--limits-by", "mean", "--rule", "limits")
    assert f"{found['limits']['centre']:.2f}" == "50.81"
    assert f"{column(found, 'upper_limit')[0]:.4f}" == "55.8041"
    assert f"{column(found, 'lower_limit')[0]:.4f}" == "45.8159"
    assert found["signals"] == []


def test_ewma_about_a_stated_target(history: Path) -> None:
    stated = ("--target", "50", "--sigma", "2.0539", "--rule", "ewma", "--ewma", "0.3", "3")
    found = trend(history, "E2", *stated)
    assert [round(x, 2) for x in column(found, "ewma")] == EWMA_LINE.tolist()
    assert f"{column(found, 'ewma_upper')[0]:.4f}" == "52.5884"
    # the page truncates to 47.4115
    assert column(found, "ewma_lower")[-1] == pytest.approx(47.41157, abs=6e-6)
    assert found["signals"] == []


def test_cusum_about_a_stated_target(history: Path) -> None:
    limit = f"{4.1959 / 0.635:.6f}"
    stated = ("--target", "325", "--sigma", "0.635", "--rule", "cusum", "--cusum", "0.5", limit)
    found = trend(history, "E3", *stated)
    assert [round(x, 2) for x in column(found, "cusum_above")[12:16]] == [3.01, 4.94, 7.45, 10.63]
    assert found["cusum_limit"] == pytest.approx(4.1959, abs=1e-5)
    (signal,) = found["signals"]
    assert (signal["rule"], signal["run"], signal["side"]) == ("cusum", "E3-13", "above")


def test_stated_limits_hold_for_one_chart_alone(history: Path) -> None:
    before = trend(history, "E1")["limits"]
    stated = trend(history, "E1", "--target", "50", "--sigma", "1")["limits"]
    assert (stated["centre"], stated["sigma"], stated["kept"]) == (50.0, 1.0, False)
    target_alone = trend(history, "E1", "--target", "50")["limits"]
    assert (target_alone["centre"], target_alone["sigma"]) == (50.0, before["sigma"])
    assert trend(history, "E1")["limits"] == before
    assert before["method"] == "robust"


def test_false_alarms_are_those_of_the_stated_charts(history: Path) -> None:
    """CUSUM of k = 0.5: one side signals every 335 points at h = 4, 931 at h = 5 (from memory)."""
    stated = ("--target", "50", "--sigma", "2", "--rule", "cusum", "--cusum", "0.5")
    near, far = (trend(history, "E2", *stated, h)["false_alarms"]["one_in"] for h in ("4", "5"))
    assert near == pytest.approx(335.0 / 2.0, rel=0.12)
    assert far == pytest.approx(931.0 / 2.0, rel=0.2)


def test_words_tell_whose_limits_they_are(history: Path) -> None:
    words = ["trend", "c_A", "--history", str(history), "--line", "E1", "--no-recipe"]
    said = CliRunner().invoke(cli, [*words, "--target", "50", "--sigma", "1"]).output
    assert "Limits as stated: centre 50" in said
    said = CliRunner().invoke(cli, [*words, "--limits-by", "mean"]).output
    assert "by mean and mean moving range" in said


def test_a_target_is_of_one_quantity(history: Path) -> None:
    words = ["trend", "c_A", "a_axis_fraction", "--history", str(history), "--target", "50"]
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 2
    assert "of one quantity" in result.output


def test_the_usual_charts_are_the_defaults_of_the_command(history: Path) -> None:
    from xrdfilm.commands import trend as command

    assert (command.EWMA_GAIN, command.EWMA_WIDTH) == (charts.EWMA_GAIN, charts.EWMA_WIDTH)
    assert (command.CUSUM_SLACK, command.CUSUM_LIMIT) == (charts.CUSUM_SLACK, charts.CUSUM_LIMIT)
