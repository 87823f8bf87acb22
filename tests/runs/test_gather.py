"""From paths to runs."""

from pathlib import Path

import pytest

from xrdfilm.errors import RunFileError
from xrdfilm.runs.gather import gather_runs


def touch(folder: Path, *names: str) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    for name in names:
        (folder / name).write_text("1 2\n")


def test_a_folder_with_a_run_file_is_that_run(tmp_path: Path) -> None:
    touch(tmp_path, "a.xy", "b.xy")
    (tmp_path / "run.toml").write_text('[run]\nid = "R-1"\n[[film]]\ncoupled = "a.xy"\n')
    (run,) = gather_runs([tmp_path])
    assert run.run_id == "R-1"
    assert [film.id for film in run.films] == ["a"]
    assert run.out_dir == tmp_path / "judged"


def test_a_run_file_without_films_speaks_for_the_scans_beside_it(tmp_path: Path) -> None:
    touch(tmp_path, "a.xy", "b.csv", "notes.md")
    (tmp_path / "run.toml").write_text('[stack]\nsubstrate = "MgO"\n')
    (run,) = gather_runs([tmp_path / "run.toml"])
    assert [film.coupled for film in run.films] == ["a.xy", "b.csv"]
    assert run.run_file.stack.substrate == "MgO"


def test_loose_scans_form_one_run_a_folder(tmp_path: Path) -> None:
    touch(tmp_path / "one", "a.xy", "b.xy")
    touch(tmp_path / "two", "c.xy")
    paths = [tmp_path / "one/a.xy", tmp_path / "two/c.xy", tmp_path / "one/b.xy"]
    runs = gather_runs(paths, out=tmp_path / "out")
    assert [(run.run_id, len(run.films), run.out_dir.name) for run in runs] == [
        ("one", 2, "one"),
        ("two", 1, "two"),
    ]


def test_the_command_line_overrides_the_run_file(tmp_path: Path) -> None:
    touch(tmp_path, "a.xy")
    (tmp_path / "run.toml").write_text('[stack]\nfilm = "YBCO"\nsubstrate = "MgO"\n')
    (run,) = gather_runs([tmp_path], stated={"stack": {"film": "GdBCO"}})
    assert (run.run_file.stack.film, run.run_file.stack.substrate) == ("GdBCO", "MgO")


def test_two_files_of_one_stem_keep_apart(tmp_path: Path) -> None:
    touch(tmp_path, "a.xy", "a.dat")
    (run,) = gather_runs([tmp_path])
    assert [film.id for film in run.films] == ["a.dat", "a.xy"]


@pytest.mark.parametrize("name", ["missing.xy", "missing-folder/"])
def test_a_missing_path_is_told(tmp_path: Path, name: str) -> None:
    with pytest.raises(RunFileError, match="no such file or folder"):
        gather_runs([tmp_path / name])


def test_a_folder_without_scans_is_told(tmp_path: Path) -> None:
    touch(tmp_path, "notes.md")
    with pytest.raises(RunFileError, match=r"neither a run\.toml nor a scan file"):
        gather_runs([tmp_path])


def test_a_wrong_flag_is_told_like_a_wrong_key(tmp_path: Path) -> None:
    touch(tmp_path, "a.xy")
    with pytest.raises(RunFileError, match=r"stack\.thickness_nm: .*greater than 0, found -3"):
        gather_runs([tmp_path], stated={"stack": {"thickness_nm": -3}})


def test_phases_of_the_command_line_join_those_of_the_run_file(tmp_path: Path) -> None:
    touch(tmp_path, "a.xy", "x.cif", "y.cif")
    (tmp_path / "run.toml").write_text(
        '[[phase]]\nkey = "X"\nfile = "x.cif"\n[[film]]\ncoupled = "a.xy"\n'
    )
    (run,) = gather_runs([tmp_path], stated={"phase": [{"key": "Y", "file": "y.cif"}]})
    assert [phase.key for phase in run.run_file.phase] == ["X", "Y"]


def test_a_folder_of_run_folders_stands_for_them(tmp_path: Path) -> None:
    for name in ("N-2", "N-1"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "run.toml").write_text("")
        (tmp_path / name / "a.xy").write_text("1 2\n")
    runs = gather_runs([tmp_path])
    assert [run.run_id for run in runs] == ["N-1", "N-2"]
    (tmp_path / "own.xy").write_text("1 2\n")  # a folder with scans of its own is a run
    assert [film.id for run in gather_runs([tmp_path]) for film in run.films] == ["own"]


def test_scans_that_no_film_names_are_told(tmp_path: Path) -> None:
    for name in ("p1.xy", "p2.xy", "p3.csv", "p4.dat", "w5.xy", "std.xy"):
        (tmp_path / name).write_text("1 2\n")
    (tmp_path / "run.toml").write_text(
        '[optics]\nstandard = "std.xy"\n'
        '[[film]]\nid = "one"\ncoupled = "p1.xy"\nrocking = { hkl = [0, 0, 5], file = "w5.xy" }\n'
    )
    [run] = gather_runs([tmp_path])
    assert run.notes == ("3 scan files are in no film of run.toml: p2.xy, p3.csv, p4.dat",)
    (tmp_path / "run.toml").write_text('[films]\ncoupled = "*"\n')
    [run] = gather_runs([tmp_path])
    assert run.notes == ()
