"""Long runs: the same results however they are worked on, and wherever they were stopped."""

import json
import os
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest

from tests.long_run import CHUNK, FILMS, start, write_run
from xrdfilm.runs import chunks
from xrdfilm.runs import judge as run
from xrdfilm.runs.gather import PlannedRun, gather_runs
from xrdfilm.runs.journal import NAME as JOURNAL
from xrdfilm.runs.judge import judge_run
from xrdfilm.runs.streaming import judge_to_files
from xrdfilm.runs.workers import Processes


@pytest.fixture(autouse=True)
def _small_chunks(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(chunks, "CHUNK_FILMS", CHUNK)
    monkeypatch.setattr(run, "CHUNK_FILMS", CHUNK)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_run(tmp_path_factory.mktemp("long") / "run")


@pytest.fixture(scope="module")
def undisturbed(folder: Path) -> bytes:
    """results.json of a run that nothing stopped, judged here."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(chunks, "CHUNK_FILMS", CHUNK)
        patch.setattr(run, "CHUNK_FILMS", CHUNK)
        written = judge_to_files(planned(folder, folder / "undisturbed"))
    return written.results.read_bytes()


def planned(folder: Path, out: Path) -> PlannedRun:
    (found,) = gather_runs([folder], out=out)
    return found


class StoppedError(Exception):
    """Something that stops a run midway."""


def stop_after(films: int) -> object:
    seen = 0

    def tick(_: str) -> None:
        nonlocal seen
        seen += 1
        if seen == films:
            raise StoppedError

    return tick


def test_written_run_says_the_same_as_a_run_in_memory(folder: Path, undisturbed: bytes) -> None:
    written = json.loads(undisturbed)
    judged = judge_run(planned(folder, folder / "memory"), with_pictures=False)
    assert written == json.loads(judged.result.to_json())
    assert [film["film"] for film in written["films"]] == [f"f{n:02d}" for n in range(FILMS)]
    verdicts = {film["verdict"] for film in written["films"]}
    assert {"pass", "fail", "unreadable"} <= verdicts
    rows = (folder / "undisturbed" / "films.csv").read_text(encoding="utf-8-sig").splitlines()
    assert len(rows) == FILMS + 1
    head, seventh = rows[0].split(","), rows[8].split(",")
    share = written["films"][7]["orientation"]["a_axis"]
    assert float(seventh[head.index("a_axis.value")]) == share["value"]
    assert not (folder / "undisturbed" / JOURNAL).exists()


def test_processes_threads_and_shipped_scans_give_the_same_bytes(
    folder: Path, undisturbed: bytes, tmp_path: Path
) -> None:
    with Processes(2) as processes:
        two = judge_to_files(planned(folder, tmp_path / "two"), executor=processes, workers=2)
    assert two.results.read_bytes() == undisturbed
    with ThreadPoolExecutor(2) as pool:
        shipped = judge_to_files(
            planned(folder, tmp_path / "shipped"), executor=pool, workers=2, ship_scans=True
        )
    assert shipped.results.read_bytes() == undisturbed


@pytest.mark.parametrize("films", [1, CHUNK, FILMS - 1])
def test_a_stopped_run_goes_on_where_it_was(
    folder: Path, undisturbed: bytes, tmp_path: Path, films: int
) -> None:
    target = planned(folder, tmp_path / "out")
    with pytest.raises(StoppedError):
        judge_to_files(target, tick=stop_after(films))  # type: ignore[arg-type]
    assert not (target.out_dir / "results.json").exists()
    again = judge_to_files(target)
    assert again.resumed == CHUNK * (-(-films // CHUNK))
    assert again.results.read_bytes() == undisturbed
    assert again.notes == ()


def test_changes_are_noticed(folder: Path, tmp_path: Path) -> None:
    copy = write_run(tmp_path / "run")
    out = tmp_path / "out"
    with pytest.raises(StoppedError):
        judge_to_files(planned(copy, out), tick=stop_after(2 * CHUNK))  # type: ignore[arg-type]
    other = (folder / "f08.xy").read_text()
    (copy / "f01.xy").write_text(other)
    again = judge_to_files(planned(copy, out), tick=None)
    assert again.resumed == CHUNK
    assert any("judged anew" in note for note in again.notes)
    films = json.loads(again.results.read_text())["films"]
    expected = judge_run(planned(copy, tmp_path / "memory"), with_pictures=False).result
    assert films == json.loads(expected.to_json())["films"]

    with pytest.raises(StoppedError):
        judge_to_files(planned(copy, out), tick=stop_after(CHUNK))  # type: ignore[arg-type]
    (copy / "limits.toml").write_text('[[limit]]\nquantity = "a_axis_fraction"\nmax = 0.5\n')
    anew = judge_to_files(planned(copy, out))
    assert anew.resumed == 0
    assert any("other settings" in note for note in anew.notes)
    assert anew.verdicts.get("fail", 0) == 0


def test_a_resumed_report_has_all_its_pictures(folder: Path, tmp_path: Path) -> None:
    target = replace(planned(folder, tmp_path), films=planned(folder, tmp_path).films[: 2 * CHUNK])
    with pytest.raises(StoppedError):
        judge_run(target, tick=stop_after(2), journal_dir=tmp_path)  # type: ignore[arg-type]
    judged = judge_run(target, journal_dir=tmp_path)
    assert judged.resumed == CHUNK
    whole = judge_run(target)
    assert judged.result == whole.result
    assert set(judged.pictures) == set(whole.pictures)
    for name, picture in whole.pictures.items():
        assert picture.fitted is not None
        got = judged.pictures[name].fitted
        assert got is not None
        assert got.tobytes() == picture.fitted.tobytes()


@pytest.mark.parametrize("workers", [1, 2])
def test_kill_and_resume(folder: Path, undisturbed: bytes, tmp_path: Path, workers: int) -> None:
    """Killed as soon as something is in the journal, then judged to the end."""
    out = tmp_path / "out"
    options = ("--out", str(out), "--workers", str(workers))
    journal = out / JOURNAL
    with start(folder, *options) as process:
        while process.poll() is None:
            if journal.exists() and journal.read_bytes().count(b"\n") >= 2:
                process.kill()
                break
            time.sleep(0.005)
    assert process.returncode is not None
    assert journal.exists(), "the run ended before it was killed"
    with start(folder, *options) as process:
        _, errors = process.communicate()
    assert process.returncode == 1, errors.decode()
    assert b"films were taken from an earlier, stopped run" in errors
    assert (out / "results.json").read_bytes() == undisturbed
    assert sorted(os.listdir(out)) == ["films.csv", "results.json"]
