"""Run files: what is accepted, and how precisely what is wrong is told."""

from pathlib import Path

import pytest

from xrdfilm.errors import RunFileError
from xrdfilm.runfile import read_run_file

# The example of the design, word for word but for the file names.
CONTRACT = """
[run]
id = "R-0142"
date = 2031-03-04
operator_note = "..."
[recipe]
growth_temperature_C = 780
water_vapour_mbar = 23
growth_time_min = 60
[optics]
anode = "Cu"
monochromator_2theta_deg = 26.6
goniometer_radius_mm = 240
divergence_deg = 0.5
slit = "fixed"
axial_acceptance_deg = 2.3
axial = "apertures"
step_time_s = 1.0
[stack]
film = "YBCO"
thickness_nm = 800
substrate = "Ni-5W"
sample_length_mm = 10
buffers = [ {phase = "CeO2", thickness_nm = 75}, {phase = "La2Zr2O7", thickness_nm = 200} ]
[limits]
file = "limits.toml"
[[film]]
id = "R-0142-01"
position_m = 1.5
coupled = "p001.xy"
rocking = {hkl = [0,0,5], file = "w005.xy"}
azimuth = {hkl = [1,0,3], file = "phi103.xy"}
tilt = {hkl = [1,0,2], file = "chi102.xy", azimuth = "spinning", two_theta_acceptance_deg = 0.8}
recipe = {growth_time_min = 30}
"""


def write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "run.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_contract_example_is_understood(tmp_path: Path) -> None:
    run = read_run_file(write(tmp_path, CONTRACT))
    (film,) = run.films_in(tmp_path)
    assert run.run.id == "R-0142"
    assert run.recipe["water_vapour_mbar"] == 23
    assert [b.phase for b in run.stack.buffers] == ["CeO2", "La2Zr2O7"]
    assert film.rocking_scans[0].hkl == (0, 0, 5)
    assert film.tilt is not None
    assert film.tilt.azimuth == "spinning"
    assert film.recipe == {"growth_time_min": 30}


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[optics]\nanode = "Cu"\ndivergance_deg = 0.5\n', 3, "did you mean 'divergence_deg'"),
        ('[stack]\nfilm = "YBCO"\nbuffers = [{phase="CeO2", thickness=75}]\n', 3, "thickness_nm"),
        ('[[film]]\ncoupled="a.xy"\n[[film]]\nid="b"\ncouple="b.xy"\n', 5, "'coupled'"),
        ("[stak]\n", 1, "did you mean 'stack'"),
        ("[stack]\nthickness_nm = -3\n", 2, "greater than 0, found -3"),
        ('[optics]\nanode = "Cu\n', 2, "not valid TOML"),
        ('[optics]\nanode = "Cu"\nwavelength_A = 1.2\n', 1, "not both"),
        ('[[film]]\nid = "x"\n', 1, "at least one scan"),
        ('[[film]]\ncoupled = "a.xy"\nposition_m = nan\n', 3, "found nan"),
        ('[[film]]\ncoupled = "a.xy"\nposition_m = 1e9\n', 3, "less than or equal to 1000000"),
        ('[films]\ncoupled = "*.xy"\nposition_from = "p(\\\\d+)"\n', 3, "named group"),
    ],
)
def test_errors_name_file_line_and_remedy(tmp_path: Path, text: str, line: int, words: str) -> None:
    path = write(tmp_path, text)
    with pytest.raises(RunFileError) as caught:
        read_run_file(path)
    assert caught.value.line == line
    assert str(caught.value).startswith(f"{path}:{line}: ")
    assert words in str(caught.value)


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    path = write(tmp_path, "[optics]\nslitt = 1\n[stack]\nflim = 2\n")
    with pytest.raises(RunFileError) as caught:
        read_run_file(path)
    assert f"{path}:2: " in str(caught.value)
    assert f"{path}:4: " in str(caught.value)


def test_missing_file_folder_and_encoding(tmp_path: Path) -> None:
    with pytest.raises(RunFileError, match="no such file"):
        read_run_file(tmp_path / "run.toml")
    with pytest.raises(RunFileError, match="is a folder"):
        read_run_file(tmp_path)
    path = tmp_path / "run.toml"
    path.write_bytes(b"[run]\nid = '\xe4'\n")
    with pytest.raises(RunFileError, match="UTF-8") as caught:
        read_run_file(path)
    assert caught.value.line == 2


def test_films_by_pattern_take_positions_from_names(tmp_path: Path) -> None:
    for name in ("p0010.xy", "p0025.xy"):
        (tmp_path / name).write_text("1 2\n")
    text = '[films]\ncoupled = "*.xy"\nposition_from = "p(?P<position_m>\\\\d+)"\n'
    films = read_run_file(write(tmp_path, text)).films_in(tmp_path)
    assert [(f.id, f.position_m) for f in films] == [("p0010", 10.0), ("p0025", 25.0)]


def test_pattern_may_not_leave_the_run_folder(tmp_path: Path) -> None:
    run = read_run_file(write(tmp_path, '[films]\ncoupled = "../*.xy"\n'))
    with pytest.raises(RunFileError, match="leaves the run folder"):
        run.films_in(tmp_path)


def test_same_id_twice_is_refused(tmp_path: Path) -> None:
    text = '[[film]]\nid="a"\ncoupled="1.xy"\n[[film]]\nid="a"\ncoupled="2.xy"\n'
    run = read_run_file(write(tmp_path, text))
    with pytest.raises(RunFileError, match="stands twice: a"):
        run.films_in(tmp_path)
