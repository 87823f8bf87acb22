"""The demo run: every film's verdict is what its truth calls for."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from xrdfilm.cli import cli
from xrdfilm.demo import FILMS, write_demo
from xrdfilm.report import write_report
from xrdfilm.results import Film
from xrdfilm.runs.gather import gather_runs
from xrdfilm.runs.judge import JudgedRun, judge_run

PDF_FONTS = 57_000  # bytes of the three fonts, told once in the document


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


def test_a_report_takes_few_bytes_a_film(demo: tuple[Path, JudgedRun], tmp_path: Path) -> None:
    """300 films stay under 20 MB: each part a film has its share of the 66 kB that this leaves.

    Bounds are a tenth over what the demo's films take; benchmarks/report_size.py measures 300.
    """
    _, judged = demo
    readable = [film for film in judged.result.films if film.verdict != "unreadable"]
    result = judged.result.model_copy(update={"films": readable})
    report = write_report(result, judged.pictures, tmp_path)
    number = len(readable)
    sheets = [path.stat().st_size for path in report.sheets.values()]
    records = [len(film.model_dump_json(by_alias=True).encode()) for film in readable]
    assert report.pdf is not None
    tables = sum(path.stat().st_size for path in report.tables if ".csv" in path.name)
    taken = {
        "sheets": sum(sheets) / number,
        "records": sum(records) / number,
        "pdf": (report.pdf.stat().st_size - PDF_FONTS) / number,
        "csv": tables / number,
    }
    most = {"sheets": 24_000, "records": 26_600, "pdf": 16_300, "csv": 3_900}
    assert {name: size for name, size in taken.items() if size > most[name]} == {}
