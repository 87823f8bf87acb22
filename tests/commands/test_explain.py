"""`xrdfilm explain`: the account of a figure adds up; wrong names are met with the right ones."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.invented import premises_on, scan_of
from xrdfilm.analysis.film import FilmInput, analyse_films
from xrdfilm.analysis.record import film_record
from xrdfilm.cli import cli
from xrdfilm.crystal import load_phase
from xrdfilm.decision.limits import LimitFile
from xrdfilm.results import Run, RunResult
from xrdfilm.simulate.film import fluoride


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    premises = premises_on("crystal", 0.5)
    scan, _ = scan_of(premises, c_axis=0.80, a_axis=0.15, random=0.05)
    (analysis,) = analyse_films([FilmInput("F-1", premises, scan)])
    result = RunResult(run=Run(id="T-1"), films=[film_record(analysis, None)])
    path = tmp_path_factory.mktemp("explain") / "results.json"
    path.write_text(result.to_json(), encoding="utf-8")
    return path


def explain(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["explain", *map(str, words)])


def test_each_line_is_the_sum_of_what_the_components_give(results: Path) -> None:
    (film,) = json.loads(explain(results, "--json").output)
    rows = film["orientation_lines"]
    assert {"(005)", "(200)"} <= {row["line"] for row in rows}
    for row in rows:
        near = 0.005 * row["area_sigma"]  # areas end at the third digit of their uncertainty
        assert sum(row["given_by"].values()) == pytest.approx(row["predicted"], abs=near)
        for name, given in row["given_by"].items():
            share = film["quantities"][f"{name}_fraction"]
            off = near + 0.005 * share["sigma"] * row["area_if_all"][name]
            assert given == pytest.approx(share["estimate"] * row["area_if_all"][name], abs=off)


def test_causes_of_an_uncertainty_add_up_in_squares(results: Path) -> None:
    (film,) = json.loads(explain(results, "--json").output)
    for name in ("c_A", "rocking_fwhm_deg"):
        quantity = film["quantities"].get(name)
        if quantity is not None:
            total = sum(part**2 for part in quantity["sources"].values()) ** 0.5
            assert total == pytest.approx(quantity["sigma"], rel=0.02)


def test_the_table_names_lines_left_out_with_reasons(results: Path) -> None:
    output = explain(results.parent, "--quantity", "a_axis_fraction").output
    assert "a_axis_fraction" in output
    assert "c_axis_fraction  " not in output
    assert "left out: (006)" in output
    assert "SrTiO3" in output


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (["--film", "F1"], "did you mean 'F-1'"),
        (["--quantity", "a_axis_frction"], "did you mean 'a_axis_fraction'"),
    ],
)
def test_mistyped_names(results: Path, words: list[str], hint: str) -> None:
    result = explain(results, *words)
    assert result.exit_code == 2
    assert hint in result.output


def test_a_file_that_is_no_result(tmp_path: Path) -> None:
    (tmp_path / "results.json").write_text("{}")
    assert "is no results.json of schema xrdfilm/1" in str(explain(tmp_path).exception)


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A film with aligned fluoride, judged by limits on what is called, not measured, too."""
    limits = LimitFile.model_validate(
        {
            "limit": [
                {"quantity": "fluoride_volume_fraction", "max": 0.02},
                {"quantity": "CuO_detected", "max": 0},
                {"quantity": "scan_end_deg", "min": 60.0},
            ]
        }
    )
    premises = premises_on("crystal", 0.5)
    scan, _ = scan_of(
        premises, c_axis=0.95, a_axis=0.05, random=0.0, minor=(fluoride(load_phase("BaF2"), 0.1),)
    )
    (analysis,) = analyse_films([FilmInput("F-1", premises, scan)])
    result = RunResult(run=Run(id="T-2"), films=[film_record(analysis, limits)])
    path = tmp_path_factory.mktemp("judged") / "results.json"
    path.write_text(result.to_json(), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "quantity", ["fluoride_volume_fraction", "CuO_detected", "BaF2_detected", "scan_end_deg"]
)
def test_what_was_judged_is_explained(judged: Path, quantity: str) -> None:
    shown = explain(judged, "--quantity", quantity).output
    assert "not measured" not in shown
    assert "not looked for" not in shown
    (film,) = json.loads(explain(judged, "--quantity", quantity, "--json").output)
    assert set(film["quantities"]) == {quantity}
    for reason in film["reasons"]:
        found = film["quantities"][quantity]
        assert found["value"] == pytest.approx(reason["value"], rel=1e-9)  # rounded once for both


def test_a_call_is_explained_by_its_lines_and_note(judged: Path) -> None:
    (film,) = json.loads(judged.read_text(encoding="utf-8"))["films"]
    notes = {phase["phase"]: phase["note"] for phase in film["phases"]}
    shown = " ".join(explain(judged, "--quantity", "CuO_detected").output.split())
    assert f"CuO does not show {notes['CuO']}" in shown
    assert "BaF2 shows" in explain(judged, "--quantity", "BaF2_detected").output


def test_what_was_not_looked_for_is_told_as_such(judged: Path) -> None:
    shown = explain(judged, "--quantity", "NiWO4_detected").output
    assert "NiWO4 was not looked for; looked for: YBCO" in shown
    assert "only where a limit names it" in explain(judged, "--quantity", "scan_start_deg").output
