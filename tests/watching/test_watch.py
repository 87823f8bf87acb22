"""A watched folder: each scan judged once, whatever happens to the files, the share or us."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from tests.invented import premises_on, scan_of
from xrdfilm.errors import XrdfilmError
from xrdfilm.history import open_history
from xrdfilm.history.query import summaries
from xrdfilm.results import read_results
from xrdfilm.watching import Watcher, WatchPlan

STATED = {
    "stack": {"film": "YBCO", "thickness_nm": 800, "substrate": "SrTiO3"},
    "optics": {"anode": "Cu", "step_time_s": 1.0},
}


class Clock:
    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def scan_text(seed: int = 1) -> str:
    """A small invented scan about (005), some 150 points."""
    rng = np.random.default_rng(seed)
    axis = np.arange(36.0, 41.0, 0.03)
    shape = 3000.0 * np.exp(-4 * np.log(2) * ((axis - 38.51) / 0.15) ** 2)
    counts = rng.poisson(60.0 + shape)
    return "".join(f"{x:.3f} {y}\n" for x, y in zip(axis, counts, strict=True))


@pytest.fixture
def folder(tmp_path):
    found = tmp_path / "incoming"
    found.mkdir()
    return found


@pytest.fixture
def watcher(folder, tmp_path):
    clock = Clock()
    plan = WatchPlan(folder, tmp_path / "out", STATED, tmp_path / "h.sqlite3", settle_s=3.0)
    with Watcher(plan, clock) as found:
        yield found, clock


@pytest.fixture
def step(watcher):
    """Time passes, then a look."""

    def stepping(seconds: float = 4.0):
        looking, clock = watcher
        clock.now += seconds
        return list(looking.look())

    return stepping


def judged(reports):
    return [r.film.film for r in reports if r.kind == "judged"]


def entries(out: Path):
    lines = (out / "watched.jsonl").read_text().splitlines()
    return [json.loads(line) for line in lines[1:]]


def test_a_scan_is_judged_when_it_rests_and_only_once(folder, step, tmp_path):
    (folder / "a.xy").write_text(scan_text())
    assert judged(step()) == []  # seen for the first time: is it still growing?
    assert judged(step(1.0)) == []
    assert judged(step(2.5)) == ["a"]
    assert judged(step()) == judged(step()) == []
    result = read_results(tmp_path / "out" / "results.json")
    assert [film.film for film in result.films] == ["a"]
    assert (tmp_path / "out" / "films" / "a.html").is_file()
    assert 'href="films/a.html"' in (tmp_path / "out" / "index.html").read_text()
    with open_history(tmp_path / "h.sqlite3") as history:
        assert [run.run_id for run in summaries(history)] == ["incoming a"]


def test_a_growing_file_is_left_alone_until_it_rests(folder, step):
    text = scan_text()
    for end in (200, 800, 1500, len(text)):
        (folder / "a.xy").write_text(text[:end])
        assert judged(step()) == []
    assert judged(step()) == ["a"]


def test_a_file_that_rested_half_written_is_judged_again_when_whole(folder, step, tmp_path):
    text = scan_text()
    (folder / "a.xy").write_text(text[:40])
    step()
    [report] = [r for r in step() if r.kind == "judged"]
    assert report.film.verdict == "unreadable"
    (folder / "a.xy").write_text(text)
    step()
    [report] = [r for r in step() if r.kind == "judged"]
    assert report.film.verdict == "undecided"
    result = read_results(tmp_path / "out" / "results.json")
    assert [film.verdict for film in result.films] == ["undecided"]


def test_a_touched_copy_is_not_judged_again(folder, step):
    (folder / "a.xy").write_text(scan_text())
    step()
    assert judged(step()) == ["a"]
    os.utime(folder / "a.xy", (1e9, 1e9))
    step()
    assert judged(step()) == []


def test_the_users_files_stay_as_they_are(folder, step):
    for name in ("a.xy", "notes.pdf", ".hidden.xy", "~lock.xy"):
        (folder / name).write_text(scan_text())
    before = {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.iterdir()}
    step()
    assert judged(step()) == ["a"]
    assert before == {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.iterdir()}


def test_a_share_that_vanishes_is_waited_for(folder, step):
    (folder / "a.xy").write_text(scan_text())
    step()
    away = folder.with_name("away")
    folder.rename(away)
    assert [r.kind for r in step()] == ["waiting"]
    assert step() == []  # told once
    away.rename(folder)
    assert [r.kind for r in step()] == ["back"]
    step()
    assert judged(step()) == ["a"]


def test_a_file_that_vanishes_or_cannot_be_read_stops_nothing(folder, step, monkeypatch):
    (folder / "a.xy").write_text(scan_text(1))
    (folder / "b.xy").write_text(scan_text(2))
    step()
    read = Path.read_bytes

    def failing(path):
        if path.name == "a.xy":
            raise OSError(5, "Input/output error")
        return read(path)

    monkeypatch.setattr(Path, "read_bytes", failing)
    reports = step()
    assert judged(reports) == ["b"]
    assert [r.text for r in reports if r.kind == "problem"] == [
        "a.xy: cannot be read (Input/output error)"
    ]
    assert step() == []  # told once
    monkeypatch.undo()
    assert judged(step(100.0)) == ["a"]


def test_run_file_of_the_folder_holds_and_side_scans_go_with_their_film(folder, step, tmp_path):
    (folder / "run.toml").write_text(
        '[run]\nid = "W-1"\n[stack]\nfilm = "YBCO"\nsubstrate = "SrTiO3"\n'
        '[[film]]\nid = "first"\ncoupled = "a.xy"\nposition_m = 2.5\n'
        'rocking = {hkl = [0, 0, 5], file = "w.xy"}\n'
    )
    (folder / "a.xy").write_text(scan_text())
    step()
    assert judged(step()) == ["first"]
    omega = np.arange(15.0, 23.0, 0.05)
    counts = 50 + 4000 * np.exp(-4 * np.log(2) * ((omega - 19.2) / 1.2) ** 2)
    (folder / "w.xy").write_text(
        "".join(f"{x:.2f} {y:.0f}\n" for x, y in zip(omega, counts, strict=True))
    )
    step()
    assert judged(step()) == ["first"]
    [film] = read_results(tmp_path / "out" / "results.json").films
    assert film.position_m == 2.5
    assert film.texture.rocking_fwhm_deg.value == pytest.approx(1.2, rel=0.3)


def test_same_figures_as_the_command_on_that_scan(folder, step, tmp_path):
    from xrdfilm.runs.gather import gather_runs
    from xrdfilm.runs.judge import judge_run

    premises = premises_on("crystal", 1.0)
    scan, _ = scan_of(premises, seed=3)
    text = "".join(f"{x:.4f} {y:.0f}\n" for x, y in zip(scan.axis_deg, scan.counts, strict=True))
    (folder / "a.xy").write_text(text)
    step()
    assert judged(step()) == ["a"]
    [planned] = gather_runs([folder / "a.xy"], stated=STATED, out=tmp_path / "other")
    [film] = judge_run(planned, with_pictures=False).result.films
    assert read_results(tmp_path / "out" / "results.json").films == [film]


def test_a_torn_journal_line_is_dropped_and_the_scan_judged_again(folder, tmp_path):
    (folder / "a.xy").write_text(scan_text())
    plan = WatchPlan(folder, tmp_path / "out", STATED, None, settle_s=0.0, pages=False)
    with Watcher(plan) as watcher:
        list(watcher.look())
        assert judged(watcher.look()) == ["a"]
    path = tmp_path / "out" / "watched.jsonl"
    path.write_bytes(path.read_bytes()[:-7])
    with Watcher(plan) as watcher:
        list(watcher.look())
        assert judged(watcher.look()) == ["a"]
    assert [e["name"] for e in entries(tmp_path / "out")] == ["a.xy"]


def test_two_watchers_on_one_output_are_refused(folder, tmp_path):
    plan = WatchPlan(folder, tmp_path / "out", STATED)
    with Watcher(plan), pytest.raises(XrdfilmError, match="another watcher writes there"):
        Watcher(plan)


@pytest.mark.parametrize("out", [".", ".."])
def test_results_never_go_among_the_watched_files(folder, out):
    with pytest.raises(XrdfilmError, match="into or above the watched folder"):
        Watcher(WatchPlan(folder, folder / out))


def test_killed_and_restarted_while_scans_arrive_each_is_judged_once(folder, tmp_path):
    """The bounded form of benchmarks/watch_kills.py."""
    out = tmp_path / "out"
    wanted, lives = 12, 2
    command = [
        sys.executable, "-c", "from xrdfilm.cli import main; main()",
        "watch", str(folder), "--out", str(out),
        "--settle", "0.05", "--no-pages", "--no-history", "--substrate", "SrTiO3", "--once",
    ]  # fmt: skip
    arrived = 0
    for life in range(lives):
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for _ in range(wanted // lives):
            (folder / f"s{arrived:03d}.xy").write_text(scan_text(arrived))
            arrived += 1
        goal = (life + 1) * wanted // lives - 2
        for _ in range(600):
            if (out / "watched.jsonl").is_file() and len(entries_so_far(out)) >= goal:
                break
            time.sleep(0.05)
        process.send_signal(signal.SIGKILL)
        process.wait()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, timeout=120)
    counts = Counter(entry["name"] for entry in entries(out))
    assert set(counts) == {f"s{i:03d}.xy" for i in range(wanted)}
    assert set(counts.values()) == {1}
    films = [film.film for film in read_results(out / "results.json").films]
    assert sorted(films) == sorted(Path(name).stem for name in counts)


def entries_so_far(out: Path):
    found = []
    for line in (out / "watched.jsonl").read_text().splitlines()[1:]:
        try:
            found.append(json.loads(line))
        except ValueError:
            break
    return found
