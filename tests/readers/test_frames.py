"""In-situ stacks: one file, many scans."""

import os
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.invented import premises_on, scan_of
from tests.long_run import LIMITS, RUN
from xrdfilm.errors import RunFileError, ScanFormatError
from xrdfilm.readers import Overrides
from xrdfilm.readers.frames import count_frames, read_frame
from xrdfilm.runs.gather import gather_runs
from xrdfilm.runs.judge import judge_run
from xrdfilm.simulate.files import write_scan

X = np.round(np.arange(20.0, 26.0, 0.02), 4)
COUNTS = np.random.default_rng(5).poisson(80.0, (7, X.size)).astype(float)


def write_columns(path: Path, x: np.ndarray, counts: np.ndarray, separator: str = " ") -> None:
    rows = np.column_stack([x, counts.T])
    np.savetxt(path, rows, fmt=["%.4f"] + ["%.0f"] * len(counts), delimiter=separator,
               header="anode: Cu\nstep_time_s: 0.5")  # fmt: skip


def write_rows(path: Path, x: np.ndarray, counts: np.ndarray) -> None:
    np.savetxt(path, np.vstack([x, counts]), fmt="%.4f", delimiter="\t")


def write_nexus(path: Path, x: np.ndarray, counts: np.ndarray) -> None:
    with h5py.File(path, "w") as file:
        entry = file.create_group("entry")
        entry.attrs["NX_class"] = "NXentry"
        data = entry.create_group("data")
        data.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": ["time", "two_theta"]})
        data["counts"] = counts
        data["two_theta"] = x
        data["two_theta"].attrs["units"] = "deg"
        data["time"] = np.arange(len(counts))


WRITERS = {"columns.dat": write_columns, "rows.tsv": write_rows, "stack.nxs": write_nexus}


@pytest.mark.parametrize("name", WRITERS)
def test_every_frame_comes_back(tmp_path: Path, name: str) -> None:
    path = tmp_path / name
    WRITERS[name](path, X, COUNTS)  # type: ignore[operator]
    assert count_frames(path) == len(COUNTS)
    for number in (1, 4, 7):
        scan = read_frame(path, number, overrides=Overrides(step_time_s=2.0))
        np.testing.assert_allclose(scan.axis_deg, X, atol=1e-9)
        np.testing.assert_array_equal(scan.counts, COUNTS[number - 1])
        assert scan.axis == "two_theta"
        assert scan.step_time_s == 2.0
        assert scan.poisson
        assert scan.sha256 == read_frame(path, 1).sha256
    for number in (0, 8):
        with pytest.raises(ScanFormatError, match="holds 7 frames"):
            read_frame(path, number)


@pytest.mark.parametrize("separator", [" ", "\t", ";", ","])
def test_separators_and_header(tmp_path: Path, separator: str) -> None:
    path = tmp_path / "a.txt"
    write_columns(path, X, COUNTS, separator)
    scan = read_frame(path, 3)
    assert (scan.anode, scan.step_time_s) == ("Cu", 0.5)
    np.testing.assert_array_equal(scan.counts, COUNTS[2])


def test_hundreds_of_columns(tmp_path: Path) -> None:
    counts = np.random.default_rng(6).poisson(50.0, (600, X.size)).astype(float)
    path = tmp_path / "wide.dat"
    write_columns(path, X, counts)
    assert count_frames(path) == 600
    np.testing.assert_array_equal(read_frame(path, 600).counts, counts[599])


def test_counts_that_ascend_by_chance_are_no_axis(tmp_path: Path) -> None:
    path = tmp_path / "ascending.dat"
    counts = np.tile(COUNTS, (3, 1))
    counts[:, 0] = np.sort(np.random.default_rng(2).choice(np.arange(21, 170), 21, replace=False))
    write_columns(path, X, counts)
    assert count_frames(path) == 21


def test_a_changed_file_is_read_anew(tmp_path: Path) -> None:
    path = tmp_path / "a.dat"
    write_columns(path, X, COUNTS)
    assert count_frames(path) == 7
    write_columns(path, X, COUNTS[:3])
    os.utime(path, ns=(1, 1))
    assert count_frames(path) == 3


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("no numbers here\nat all\n", "holds no table of numbers"),
        ("1 2 3\n4 5\n", "no even table"),
        ("1 2 3\n4 5 6\n", "too few points"),
        ("".join("1 2 3\n" for _ in range(40)), "no table of frames that can be told"),
    ],
)
def test_what_is_no_stack_is_told(tmp_path: Path, text: str, told: str) -> None:
    path = tmp_path / "a.dat"
    path.write_text(text)
    with pytest.raises(ScanFormatError, match=told):
        count_frames(path)


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(ScanFormatError, match="no such file"):
        count_frames(tmp_path / "none.nxs")


def test_a_stack_is_judged_as_its_frames_would_be(tmp_path: Path) -> None:
    premises = premises_on("crystal", 0.5)
    scans = [
        scan_of(premises, seed=n, c_axis=1.0 - 0.05 * n, a_axis=0.05 * n, random=0.0)[0]
        for n in range(3)
    ]
    alone, stacked = tmp_path / "alone", tmp_path / "stacked"
    for folder in (alone, stacked):
        folder.mkdir()
        (folder / "limits.toml").write_text(LIMITS)
    for number, scan in enumerate(scans, 1):
        write_scan(alone / f"s-{number:05d}.xy", scan)
    (alone / "run.toml").write_text(RUN)
    x = np.round(scans[0].axis_deg, 4)
    write_columns(stacked / "s.dat", x, np.array([scan.counts for scan in scans]))
    form = 'frames = "s.dat"\nfirst_time_min = 2\nframe_time_min = 0.5\n'
    (stacked / "run.toml").write_text(RUN.replace('coupled = "*.xy"', form))
    results = [judge_run(*gather_runs([folder])).result.films for folder in (alone, stacked)]
    assert [film.film for film in results[0]] == [film.film for film in results[1]]
    for one, other in zip(*results, strict=True):
        assert one.verdict == other.verdict
        assert one.orientation == other.orientation
        assert one.lattice == other.lattice
    assert [film.recipe["growth_time_min"] for film in results[1]] == [2.0, 2.5, 3.0]


@pytest.mark.parametrize(
    ("form", "told"),
    [
        ('frames = "a"\ncoupled = "*.xy"', "either coupled"),
        ("", "either coupled"),
        ('frames = "a"\nfirst_time_min = 1', "needs frame_time_min"),
        ('coupled = "*.xy"\nframe_time_min = 1', "go with frames"),
        ('frames = "../a"', "leaves the run folder"),
    ],
)
def test_how_frames_are_stated(tmp_path: Path, form: str, told: str) -> None:
    (tmp_path / "run.toml").write_text(f"[films]\n{form}\n")
    with pytest.raises(RunFileError, match=told):
        gather_runs([tmp_path])
