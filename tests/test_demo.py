"""The demo run: every film's verdict is what its truth calls for."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from xrdfilm.cli import cli
from xrdfilm.demo import FILMS, write_demo
from xrdfilm.results import Film
from xrdfilm.runs.gather import gather_runs
from xrdfilm.runs.judge import JudgedRun, judge_run


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, JudgedRun]:
    folder = tmp_path_factory.mktemp("demo")
    write_demo(folder)
    (planned,) = gather_runs([folder])
    return folder, judge_run(planned)


def film_with(demo: tuple[Path, JudgedRun], words: str) -> Film:
    truth = json.loads((demo[0] / "truth.json").read_text())
    name = next(name for name, film in truth.items() if words in film["story"])
    return next(film for film in demo[1].result.films if film.film == name)


def test_there_are_about_a_dozen_films_and_each_has_a_verdict(
    demo: tuple[Path, JudgedRun],
) -> None:
    verdicts = [film.verdict for film in demo[1].result.films]
    assert len(verdicts) == len(FILMS) == 12
    assert {"pass", "fail", "undecided", "unreadable"} == set(verdicts)


@pytest.mark.parametrize(
    ("words", "verdicts"),
    [
        ("mounted 160", {"pass"}),
        ("a-axis rich", {"fail"}),
        ("fluoride, aligned", {"fail"}),
        ("(111) along the normal", {"fail"}),
        ("K-beta ghost", {"pass"}),
        ("too little oxygen", {"fail"}),
        ("fiftieth of the time", {"undecided"}),
        ("cut off", {"unreadable"}),
    ],
)
def test_verdict_follows_the_truth(
    demo: tuple[Path, JudgedRun], words: str, verdicts: set[str]
) -> None:
    film = film_with(demo, words)
    assert film.verdict in verdicts, [reason.text for reason in film.reasons]


def test_truth_lies_within_the_intervals(demo: tuple[Path, JudgedRun]) -> None:
    truth = json.loads((demo[0] / "truth.json").read_text())
    held = total = 0
    for film in demo[1].result.films:
        if film.orientation is None:
            continue
        for name in ("c_axis", "a_axis", "random"):
            quantity = getattr(film.orientation, name)
            held += quantity.low <= truth[film.film]["orientation"][name] <= quantity.high
            total += 1
    assert total == 33
    assert held >= 29  # 95 % intervals: fewer than 29 of 33 has a probability under 2 %


def test_demo_is_the_same_every_time(tmp_path: Path) -> None:
    write_demo(tmp_path / "one")
    write_demo(tmp_path / "two")
    for path in sorted((tmp_path / "one").iterdir()):
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def test_demo_keeps_out_of_a_folder_in_use(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    result = CliRunner().invoke(cli, ["demo", str(tmp_path)], standalone_mode=False)
    assert "holds other files" in str(result.exception)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
