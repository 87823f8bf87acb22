"""`xrdfilm judge` and the memory of the line: what is stored by itself, and what is not."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.commands.test_judge import LIMITS, RUN
from tests.invented import premises_on, scan_of
from xrdfilm.cli import cli
from xrdfilm.demo import write_demo
from xrdfilm.history import history_path, kept_by_itself, open_history
from xrdfilm.history.record import record_of, record_of_file
from xrdfilm.results import read_results
from xrdfilm.runfile import read_run_file
from xrdfilm.simulate.files import write_scan


@pytest.fixture(scope="module")
def scan():
    return scan_of(premises_on("crystal", 0.5), c_axis=0.80, a_axis=0.15, random=0.05)[0]


@pytest.fixture
def folder(tmp_path: Path, scan, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    here = tmp_path / "run"
    here.mkdir()
    write_scan(here / "a.xy", scan)
    (here / "run.toml").write_text(RUN + '[[film]]\ncoupled = "a.xy"\n')
    (here / "limits.toml").write_text(LIMITS.format(limit=0.5))
    return here


def judge(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["judge", *map(str, words), "--no-pdf"], standalone_mode=False)


def runs_in(path: Path) -> list[str]:
    with open_history(path, must_exist=True) as history:
        return [row[0] for row in history.connection.execute("SELECT run_id FROM run")]


def test_nothing_is_begun_that_was_not_asked_for(folder: Path) -> None:
    assert "History:" not in judge(folder).output
    assert not history_path().exists()


@pytest.mark.parametrize("how", ["option", "variable", "begun before"])
def test_a_run_is_stored_and_a_line_says_so(
    folder: Path, how: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = history_path() if how == "begun before" else folder.parent / "line.db"
    words = ["--history", place] if how == "option" else []
    if how == "variable":
        monkeypatch.setenv("XRDFILM_HISTORY", str(place))
    if how == "begun before":
        open_history(place).close()
    told = [line for line in judge(folder, *words).output.splitlines() if "History:" in line]
    assert told == [f"History: T-1: stored (revision 1) in {place}"]
    assert runs_in(place) == ["T-1"]
    again = judge(folder, *words, "--json")
    assert json.loads(again.stdout)["run"]["id"] == "T-1"
    assert "T-1: known already (revision 1)" in again.stderr


def test_what_is_kept_out(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XRDFILM_HISTORY", str(folder.parent / "line.db"))
    assert "History:" not in judge(folder, "--no-history").output
    trial = (folder / "run.toml").read_text().replace("[run]", "[run]\nhistory = false")
    (folder / "run.toml").write_text(trial)
    assert "History:" not in judge(folder).output
    loose = folder / "a.xy", "--film", "YBCO", "--thickness-nm", "400", "--substrate", "SrTiO3"
    assert "History:" not in judge(*loose).output
    assert not (folder.parent / "line.db").exists()
    assert "History:" in judge(*loose, "--history", folder.parent / "line.db").output


def test_a_history_that_cannot_be_written_spoils_nothing(folder: Path) -> None:
    place = folder.parent / "line.db"
    place.write_text("no database at all, but long enough to be looked at as one" * 20)
    result = judge(folder, "--history", place)
    assert result.return_value == 0
    assert "Not stored in the history" in result.stderr
    assert f"xrdfilm history add {folder / 'judged'}" in result.stderr
    assert (folder / "judged" / "results.json").is_file()


def test_a_long_run_is_stored_from_its_file(folder: Path) -> None:
    place = folder.parent / "line.db"
    judge(folder)
    whole = record_of(read_results(folder / "judged" / "results.json"))
    assert record_of_file(folder / "judged" / "results.json").input_digest() == whole.input_digest()
    result = judge(folder, "--results-only", "--history", place)
    assert "stored (revision 1)" in result.output
    assert runs_in(place) == ["T-1"]
    streamed = record_of_file(folder / "judged" / "results.json")
    assert streamed.same_figures(whole)


def test_history_and_no_history_exclude_each_other(folder: Path) -> None:
    result = CliRunner().invoke(cli, ["judge", str(folder), "--history", "h.db", "--no-history"])
    assert result.exit_code == 2
    assert "exclude each other" in result.output


def test_the_demo_stays_out_of_the_memory_of_a_line(tmp_path: Path) -> None:
    assert read_run_file(write_demo(tmp_path / "demo")).run.history is False


def test_the_place_is_the_stated_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert kept_by_itself() is None
    assert kept_by_itself(tmp_path / "x.db") == tmp_path / "x.db"
