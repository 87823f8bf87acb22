"""What run.toml states of scan files goes before their headers, is used, and is told."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from tests.invented import premises_on, scan_of
from xrdfilm.cli import cli
from xrdfilm.errors import RunFileError
from xrdfilm.results import Film, read_results
from xrdfilm.runfile import RunFile, read_run_file
from xrdfilm.runs.gather import gather_runs
from xrdfilm.runs.setup import RunSetup
from xrdfilm.scan import Scan

STEP_S = 2.0
RUN = """
[optics]
anode = "Cu"
divergence_deg = 0.5
axial_acceptance_deg = 2.3
axial = "apertures"
step_time_s = 2.0
[stack]
film = "YBCO"
thickness_nm = 400
substrate = "SrTiO3"
[assumptions]
c_axis_mosaic_deg = 0.5
"""


@pytest.fixture(scope="module")
def scan() -> Scan:
    return scan_of(premises_on("crystal", 0.5), c_axis=0.8, a_axis=0.15, random=0.05)[0]


def table(head: str, *columns: Any, sep: str = "\t") -> str:
    rows = zip(*(np.asarray(column, dtype=float).tolist() for column in columns), strict=True)
    lines = (sep.join(f"{value:.10g}" for value in row) for row in rows)
    return head + "\n".join(lines) + "\n"


def plain(x: Any, y: Any) -> str:
    return table("# anode: Cu\n# step time: 2 s\n2Theta\tCounts\n", x, y)


def other_anode(x: Any, y: Any) -> str:
    return table("# anode: Co\n2Theta\tCounts\n", x, y)


def rates_called_counts(x: Any, y: Any) -> str:
    return table("2Theta\tCounts\n", x, y / STEP_S)


def rates_of_another_time(x: Any, y: Any) -> str:
    return table("# step time: 0.5 s\n2Theta\tcps\n", x, y / 3.0)


def many_columns(x: Any, y: Any) -> str:
    wave = 50.0 + 40.0 * np.sin(np.arange(x.size))
    return table("", np.arange(x.size), x, wave[::-1], y, wave)


def named_columns(x: Any, y: Any) -> str:
    return table("2Theta,Counts A,Counts B\n", x, np.flip(y), y, sep=",")


def called_omega(x: Any, y: Any) -> str:
    return table("Omega\tCounts\n", x, y)


def two_blocks(x: Any, y: Any) -> str:
    def block(name: str, values: Any) -> str:
        loop = "loop_\n_pd_meas_2theta_scan\n_pd_meas_counts_total\n"
        return table(f"data_{name}\n{loop}", x, values, sep=" ")

    return block("before", np.flip(y)) + block("after", y)


def two_intensities(x: Any, y: Any) -> str:
    loop = "data_one\nloop_\n_pd_meas_2theta_scan\n_pd_meas_counts_total\n_pd_meas_intensity_net\n"
    return table(loop, x, np.flip(y), y, sep=" ")


STYLES: dict[str, tuple[Callable[[Any, Any], str], str, str]] = {
    "a-plain.xy": (plain, "", ""),
    "b-anode.xy": (other_anode, "", "radiation: Co in the file, Cu stated"),
    "c-unit.xy": (
        rates_called_counts,
        'intensity_unit = "counts_per_s"',
        "intensity unit: counts in the file, counts_per_s stated",
    ),
    "d-time.xy": (rates_of_another_time, "step_time_s = 3.0", "step time: 0.5 s in the file, 3 s"),
    "e-places.xy": (many_columns, "columns = [2, 4]", ""),
    "f-names.csv": (named_columns, 'columns = ["2theta", "counts b"]', ""),
    "g-axis.xy": (called_omega, 'axis = "two_theta"', "axis: omega in the file, two_theta stated"),
    "h-which.cif": (two_blocks, "which = 2", ""),
    "i-block.cif": (two_blocks, 'which = "after"', ""),
    "j-items.cif": (
        two_intensities,
        'columns = ["_pd_meas_2theta_scan", "_pd_meas_intensity_net"]',
        "",
    ),
}
UNSTATED = {  # what becomes of the same files where nothing is stated of them
    "e-places.xy": "columns = [1, 2] under [scan] in run.toml",
    "f-names.csv": "holds 2 scans",
    "g-axis.xy": "rocking",
    "h-which.cif": "which = 1 to 2; their names: 'before', 'after'",
}


def judged(folder: Path, *flags: str) -> dict[str, Film]:
    """The films by the files of their scans."""
    words = ["judge", str(folder), "--results-only", "--workers", "1", *flags]
    result = CliRunner().invoke(cli, words, standalone_mode=False)
    assert result.exception is None, result.output
    films = read_results(folder / "judged/results.json").films
    return {next(iter(film.provenance.files), film.film): film for film in films}


def figures(film: Film) -> dict[str, Any]:
    """What was found, without the names, and without what depends on counting statistics."""
    found: dict[str, Any] = json.loads(film.model_dump_json())
    kept = ("verdict", "fluoride", "orientation", "lattice", "phases", "lines")
    return {key: found[key] for key in kept}


@pytest.fixture(scope="module")
def stated(tmp_path_factory: pytest.TempPathFactory, scan: Scan) -> dict[str, Film]:
    folder = tmp_path_factory.mktemp("stated")
    films = ""
    for name, (written, keys, _) in STYLES.items():
        (folder / name).write_text(written(scan.axis_deg, scan.counts), encoding="utf-8")
        films += f'[[film]]\ncoupled = "{name}"\nscan = {{ {keys} }}\n'
    (folder / "run.toml").write_text(RUN + films)
    return judged(folder)


@pytest.mark.parametrize(
    "name", [name for name in STYLES if name not in ("c-unit.xy", "d-time.xy", "j-items.cif")]
)
def test_what_is_stated_makes_the_files_alike(name: str, stated: dict[str, Film]) -> None:
    assert figures(stated[name]) == figures(stated["a-plain.xy"])


@pytest.mark.parametrize("name", ["c-unit.xy", "d-time.xy"])
def test_rates_become_the_counts_they_were(name: str, stated: dict[str, Film], scan: Scan) -> None:
    """They were written with ten digits, so they come back but for rounding."""
    ours, plain = stated[name].lines, stated["a-plain.xy"].lines
    assert [line.hkl for line in ours] == [line.hkl for line in plain]
    strong = [(a.area, b.area) for a, b in zip(ours, plain, strict=True) if b.significance > 10]
    assert len(strong) > 5
    for area, expected in strong:
        assert area.value == pytest.approx(expected.value, rel=1e-4)


def test_items_of_a_cif_are_chosen_by_name(stated: dict[str, Film]) -> None:
    """The net intensity, whose statistics are not those of counts, where the total stands beside."""
    places = [line.two_theta_deg.value for line in stated["a-plain.xy"].lines[:3]]
    ours = [line.two_theta_deg.value for line in stated["j-items.cif"].lines[:3]]
    assert ours == pytest.approx(places, abs=0.02)


@pytest.mark.parametrize("name", STYLES)
def test_what_the_file_says_otherwise_is_told(name: str, stated: dict[str, Film]) -> None:
    words = STYLES[name][2]
    told = [text for text in stated[name].warnings if "the stated value is used" in text]
    assert len(told) == (1 if words else 0), told
    assert all(words in text for text in told)


def test_the_same_files_without_the_keys(tmp_path: Path, scan: Scan) -> None:
    for name in UNSTATED:
        (tmp_path / name).write_text(STYLES[name][0](scan.axis_deg, scan.counts), encoding="utf-8")
    (tmp_path / "run.toml").write_text(RUN)
    words = ["judge", str(tmp_path), "--results-only", "--workers", "1"]
    CliRunner().invoke(cli, words, standalone_mode=False)
    films = read_results(tmp_path / "judged/results.json").films
    assert [film.verdict for film in films] == ["unreadable"] * len(UNSTATED)
    for film, expected in zip(films, UNSTATED.values(), strict=True):
        assert expected in film.warnings[0]


def test_a_run_states_it_once_and_a_flag_goes_before(tmp_path: Path, scan: Scan) -> None:
    for name in ("p1.csv", "p2.csv"):
        text = named_columns(scan.axis_deg, scan.counts)
        (tmp_path / name).write_text(text, encoding="utf-8")
    scan_table = '[scan]\ncolumns = [1, 2]\nintensity_unit = "counts"\n'
    (tmp_path / "run.toml").write_text(RUN + scan_table + '[films]\ncoupled = "*.csv"\n')
    flags = {"scan": {"columns": (1, 3)}}
    for overrides, expected in ({}, np.flip(scan.counts)), (flags, scan.counts):
        setup = RunSetup.of(gather_runs([tmp_path], stated=overrides)[0])
        for film in setup.planned.films:
            found = setup.read_scans(film).coupled
            assert found is not None
            np.testing.assert_allclose(found.counts, expected, rtol=1e-9)
            assert setup.premises(found).assumed == setup.premises(None).assumed


def test_an_assumed_unit_is_told_with_the_record(tmp_path: Path, scan: Scan) -> None:
    (tmp_path / "a.xy").write_text(table("", scan.axis_deg, scan.counts))
    (tmp_path / "run.toml").write_text(RUN)
    (film,) = judged(tmp_path).values()
    assumed = film.provenance.settings["assumed"]
    assert {"intensities: counts", "axis: 2θ, by its range"} <= set(assumed)


def test_side_scans_have_keys_of_their_own(tmp_path: Path) -> None:
    omega = np.linspace(15.0, 25.0, 101)
    counts = np.round(100.0 + 5e4 * np.exp(-((omega - 20.0) ** 2)))
    head = "# step time: 2 s\nOmega\tDetector 1 (cps)\tDetector 2 (cps)\n"
    (tmp_path / "w.csv").write_text(table(head, omega, np.flip(omega), counts / 0.5))
    keys = 'scan = {columns = ["Omega", "Detector 2 (cps)"], step_time_s = 0.5}'
    (tmp_path / "run.toml").write_text(
        RUN + '[scan]\ncolumns = [7, 8]\nwhich = 3\n[[film]]\nid = "w"\n'
        f'rocking = {{hkl = [0, 0, 5], file = "w.csv", {keys}}}\n'
    )
    setup = RunSetup.of(gather_runs([tmp_path])[0])
    read = setup.read_scans(setup.planned.films[0])
    assert read.problems == ()
    ((_, found),) = read.side.rocking
    np.testing.assert_allclose(found.counts, counts, rtol=1e-9)
    told = [one.text for one in found.findings if one.code == "stated_over_header"]
    assert len(told) == 1
    assert "step time: 2 s in the file, 0.5 s stated" in told[0]


def test_references_and_the_standard_have_keys_of_their_own(tmp_path: Path, scan: Scan) -> None:
    text = two_blocks(scan.axis_deg, scan.counts)
    for name in ("before.cif", "standard.cif"):
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "a.xy").write_text(plain(scan.axis_deg, scan.counts))
    optics = RUN.replace(
        "[stack]", 'standard = "standard.cif"\nstandard_scan = {which = 2}\n[stack]'
    )
    (tmp_path / "run.toml").write_text(
        optics + '[reference]\nunconverted = "before.cif"\nscan = {which = "after"}\n'
        '[[film]]\ncoupled = "a.xy"\n'
    )
    setup = RunSetup.of(gather_runs([tmp_path])[0])
    assert set(setup.hashes) == {"before.cif", "standard.cif"}
    assert not any("choose one of them" in text for text in setup.warnings), setup.warnings


@pytest.mark.parametrize(
    ("keys", "line", "words"),
    [
        ("[scan]\ncolumns = [1]\n", 2, "give two columns (axis, intensity) or three"),
        ("[scan]\ncolumns = [1, 0]\n", 2, "places are counted from 1"),
        ('[scan]\ncolumns = ["a", "a"]\n', 2, "names a column twice"),
        ("[scan]\nwhich = 0\n", 2, "places are counted from 1"),
        ('[scan]\nwhich = ""\n', 2, "may not be empty"),
        ("[scan]\nwhich = 1.5\n", 2, "give a place counted from 1, or a name"),
        ('[scan]\nintensity_unit = "cps"\n', 2, "'counts' or 'counts_per_s', found 'cps'"),
        ('[scan]\naxis = "phi"\n', 2, "two_theta"),
        ("[scan]\nstep_time_s = 1\n", 2, "unknown key 'step_time_s' in [scan]"),
        ('[[film]]\ncoupled = "a"\nscan = {colums = [1, 2]}\n', 3, "did you mean 'columns'"),
        ('[[film]]\ncoupled = "a"\nscan = {step_time_s = -1}\n', 3, "greater than 0, found -1"),
        ('[[film]]\ntilt = {hkl = [1, 0, 2], file = "a", azimuth = "fixed", '
         'scan = {axis = "two_theta"}}\n', 2, "unknown key 'axis'"),
        ('[[film]]\nscan = {which = 2}\nrocking = {hkl = [0, 0, 5], file = "a"}\n', 1,
         "scan belongs to coupled"),
        ('[[film]]\ncoupled = "s.h5"\nframe = 2\nscan = {which = 2}\n', 1, "frame chooses one"),
    ],
)  # fmt: skip
def test_errors_name_file_line_and_remedy(tmp_path: Path, keys: str, line: int, words: str) -> None:
    path = tmp_path / "run.toml"
    path.write_text(keys, encoding="utf-8")
    with pytest.raises(RunFileError) as caught:
        read_run_file(path)
    assert words in str(caught.value)
    assert caught.value.line == line


def test_a_stack_of_frames_takes_no_choice_from_the_run() -> None:
    with pytest.raises(ValueError, match="frame chooses one"):
        RunFile.model_validate({"scan": {"which": 1}, "films": {"frames": "s.h5"}})
