from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.history.made import made_run
from xrdfilm.cli import cli


@pytest.fixture
def judged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Ten judged runs, and an empty history named by the environment."""
    monkeypatch.setenv("XRDFILM_HISTORY", str(tmp_path / "h.db"))
    for number in range(10):
        folder = tmp_path / "judged" / f"run-{number}"
        folder.mkdir(parents=True)
        (folder / "results.json").write_text(made_run(number, 14).to_json(), encoding="utf-8")
    return tmp_path / "judged"


def _run(*arguments: str, status: int = 0) -> Result:
    result = CliRunner().invoke(cli, list(arguments))
    assert result.exit_code == status, result.output
    return result


def test_add_list_show_check_where(judged: Path) -> None:
    added = _run("history", "add", str(judged)).output.splitlines()
    assert added[0] == "R-0000: stored (revision 1)"
    assert _run("history", "add", str(judged)).output.count("known already") == 10
    listed = _run("history", "list", "--last", "2").output
    assert "R-0009" in listed
    assert "R-0007" not in listed
    assert len(json.loads(_run("history", "list", "--json").output)) == 10
    shown = json.loads(_run("history", "show", "R-0003", "--json").output)
    assert shown["films"][2]["film"] == "R-0003-02"
    assert "growth_temperature_C = 780.0" in _run("history", "show", "R-0003").output
    assert "10 runs, 10 revisions, 140 films: whole" in _run("history", "check").output
    assert "line north: 10 runs" in _run("history", "where").output


def test_damage_gives_exit_status_one(judged: Path, tmp_path: Path) -> None:
    from xrdfilm.history import open_history

    _run("history", "add", str(judged / "run-0"))
    with open_history(tmp_path / "h.db") as history:
        history.connection.execute("DELETE FROM film WHERE place = 1")
    assert "13 films stored, 14 expected" in _run("history", "check", status=1).output


def test_export_and_import(judged: Path, tmp_path: Path) -> None:
    _run("history", "add", str(judged))
    _run("history", "export", str(tmp_path / "tables"))
    other = str(tmp_path / "other.db")
    out = _run("history", "import", str(tmp_path / "tables"), "--history", other).output
    assert out == "10 stored, 0 known already\n"
    assert (
        _run("history", "list", "--json").output
        == _run("history", "list", "--json", "--history", other).output
    )


def test_a_file_that_is_no_result_is_told(judged: Path, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong.json"
    wrong.write_text('{"films": []}', encoding="utf-8")
    result = CliRunner().invoke(cli, ["history", "add", str(wrong)])
    assert "is no results.json of schema xrdfilm/1: run: Field required" in str(result.exception)
    assert _run("history", "add", str(tmp_path / "h"), status=2).output


def test_trend_in_words_json_and_pages(judged: Path, tmp_path: Path) -> None:
    _run("history", "add", str(judged))
    said = _run("trend", "a_axis_fraction", "--out", str(tmp_path / "out")).output
    assert said.startswith("a-axis share (a_axis_fraction), 10 runs\n")
    assert "limits from 10 runs are provisional" in said
    assert (tmp_path / "out" / "a_axis_fraction.html").is_file()
    told = json.loads(_run("trend", "c_A", "--rule", "none", "--json").output)
    assert told["schema"] == "xrdfilm-trend/1"
    assert told["trends"][0]["signals"] == []
    assert "the history has: a_axis_fraction" in _run("trend", status=2).output
    assert "give --reel" in _run("trend", "c_A", "--shortest-fault", "2", status=2).output


def test_reel_from_the_history_or_a_file(judged: Path, tmp_path: Path) -> None:
    _run("history", "add", str(judged))
    told = json.loads(_run("trend", "--reel", "R-0004", "--shortest-fault", "2", "--json").output)
    path = str(judged / "run-4")
    from_file = _run("trend", "--reel", path, "--shortest-fault", "2", "--json").output
    assert json.loads(from_file) == told
    assert sum(told["reel"]["metres"].values()) == pytest.approx(19.5)
    said = _run("trend", "--reel", path, "--out", str(tmp_path / "out")).output
    assert "Nothing between scans ships" in said
    assert (tmp_path / "out" / "reel.html").is_file()
