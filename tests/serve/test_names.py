"""No name of a dropped file, and none in a run file, leads out of the store."""

from pathlib import PurePosixPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from xrdfilm.errors import RunFileError
from xrdfilm.runfile import RunFile
from xrdfilm.serve.names import (
    free_name,
    is_wanted,
    refuse_outside,
    safe_name,
    without_common_folder,
)


@pytest.mark.parametrize(
    ("given_name", "kept"),
    [
        ("../../etc/passwd.xy", "etc/passwd.xy"),
        ("..\\..\\boot.xy", "boot.xy"),
        ("/abs/p.xy", "abs/p.xy"),
        ("C:\\scans\\p.xy", "C-/scans/p.xy"),
        ("run/./../p.xy", "run/p.xy"),
        (".hidden.xy", "hidden.xy"),
        ("p\x00\n\u202e.xy", "p.xy"),
        ("über maß 2θ.xy", "über maß 2θ.xy"),
    ],
)
def test_names_are_made_safe(given_name, kept):
    assert safe_name(given_name) == PurePosixPath(kept)


@pytest.mark.parametrize("nothing", ["", "..", "/", "../..", "\x00", " . "])
def test_names_of_which_nothing_is_left(nothing):
    assert safe_name(nothing) is None


@given(st.text(max_size=400))
def test_any_name_stays_inside_and_short(tmp_path_factory, text):
    found = safe_name(text)
    if found is None:
        return
    root = tmp_path_factory.getbasetemp()
    assert (root / found).resolve().is_relative_to(root.resolve())
    assert not found.is_absolute()
    assert all(len(part.encode()) <= 130 and part not in ("", ".", "..") for part in found.parts)


def test_wanted_files_and_common_folders():
    names = [PurePosixPath(n) for n in ("R/p1.xy", "R/judged/films.csv", "R/run.toml", "R/a.exe")]
    wanted = [n for n in names if is_wanted(n)]
    assert wanted == [PurePosixPath("R/p1.xy"), PurePosixPath("R/run.toml")]
    assert without_common_folder(wanted) == [PurePosixPath("p1.xy"), PurePosixPath("run.toml")]
    taken: set[str] = set()
    twice = [str(free_name(PurePosixPath(n), taken)) for n in ("p.xy", "P.xy", "p.xy")]
    assert twice == ["p.xy", "P-2.xy", "p-3.xy"]


@pytest.mark.parametrize(
    "table",
    [
        {"film": [{"coupled": "../secret.xy"}]},
        {"film": [{"coupled": "/etc/hosts"}]},
        {"film": [{"rocking": {"hkl": [0, 0, 5], "file": "a/../../b.xy"}}]},
        {"limits": {"file": "/etc/limits.toml"}},
        {"optics": {"standard": "../lab6.xy"}},
        {"reference": {"finished": "../f.xy"}},
        {"phase": [{"key": "X", "file": "../x.cif"}]},
        {"films": {"coupled": "../*.xy"}},
    ],
)
def test_a_run_file_that_leads_out_is_refused(tmp_path, table):
    with pytest.raises(RunFileError, match="outside the run's folder"):
        refuse_outside(RunFile.model_validate(table), tmp_path)


def test_a_link_that_leads_out_is_refused(tmp_path):
    (tmp_path / "run").mkdir()
    (tmp_path / "secret.xy").write_text("1 2\n")
    (tmp_path / "run" / "p.xy").symlink_to(tmp_path / "secret.xy")
    with pytest.raises(RunFileError):
        refuse_outside(RunFile.model_validate({"film": [{"coupled": "p.xy"}]}), tmp_path / "run")
