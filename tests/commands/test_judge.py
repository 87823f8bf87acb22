"""`xrdfilm judge` as a user meets it: verdicts, files, exit status, and whatever goes wrong."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from jsonschema import Draft202012Validator

from tests.invented import premises_on, scan_of
from xrdfilm.analysis.film import FilmInput, analyse_films
from xrdfilm.analysis.record import film_record
from xrdfilm.cli import cli
from xrdfilm.crystal import load_phase
from xrdfilm.decision.limits import LimitFile
from xrdfilm.results import json_schema, read_results
from xrdfilm.simulate import SimulatedFilm, fluoride, simulate_scan
from xrdfilm.simulate.files import write_scan

RUN = """
[run]
id = "T-1"
date = 2031-03-04
[optics]
anode = "Cu"
divergence_deg = 0.5
axial_acceptance_deg = 2.3
axial = "apertures"
[stack]
film = "YBCO"
thickness_nm = 400
substrate = "SrTiO3"
[assumptions]
c_axis_mosaic_deg = 0.5
mosaic_factor = 1.05
[recipe]
growth_time_min = 60
[limits]
file = "limits.toml"
"""
LIMITS = '[[limit]]\nquantity = "a_axis_fraction"\nmax = {limit}\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    premises = premises_on("crystal", 0.5)
    scan, _ = scan_of(premises, c_axis=0.80, a_axis=0.15, random=0.05)
    write_scan(tmp_path / "a.xy", scan)
    (tmp_path / "run.toml").write_text(RUN + '[[film]]\ncoupled = "a.xy"\nposition_m = 1.5\n')
    (tmp_path / "limits.toml").write_text(LIMITS.format(limit=0.5))
    return tmp_path


def judge(*words: str | Path) -> Result:
    return CliRunner().invoke(cli, ["judge", *map(str, words), "--no-pdf"], standalone_mode=False)


@pytest.mark.parametrize(
    ("limit", "verdict", "status"), [(0.5, "pass", 0), (0.02, "fail", 1), (0.15, "undecided", 3)]
)
def test_verdict_and_exit_status(folder: Path, limit: float, verdict: str, status: int) -> None:
    (folder / "limits.toml").write_text(LIMITS.format(limit=limit))
    result = judge(folder)
    assert result.exception is None
    assert result.return_value == status
    (film,) = read_results(folder / "judged/results.json").films
    assert film.verdict == verdict
    assert film.reasons[0].quantity == "a_axis_fraction"


def test_results_follow_the_published_schema_and_the_contract(folder: Path) -> None:
    assert judge(folder).exception is None
    data = json.loads((folder / "judged/results.json").read_text())
    Draft202012Validator(json_schema()).validate(data)
    assert data["schema"] == "xrdfilm/1"
    assert data["run"]["id"] == "T-1"
    (film,) = data["films"]
    assert set(film["provenance"]["files"]) == {"a.xy"}
    assert len(film["provenance"]["files"]["a.xy"]) == 64
    assert film["position_m"] == 1.5
    assert film["recipe"] == {"growth_time_min": 60}
    assert {"c_axis", "a_axis", "random", "lines_used", "lines_left_out"} <= set(
        film["orientation"]
    )
    assert film["fluoride"]["route"] == "structure"
    assert {"YBCO", "SrTiO3", "BaF2"} <= {phase["phase"] for phase in film["phases"]}


def test_a_scan_alone_needs_only_flags(folder: Path) -> None:
    result = judge(
        folder / "a.xy", "--film", "YBCO", "--substrate", "SrTiO3", "--out", folder / "o"
    )
    assert result.return_value == 3
    (film,) = read_results(folder / "o/results.json").films
    assert film.verdict == "undecided"
    assert "no limits were stated" in film.warnings[0]
    assumed = film.provenance.settings["assumed"]
    assert any("film thickness" in sentence for sentence in assumed)


def test_bad_films_are_listed_and_the_rest_is_judged(folder: Path) -> None:
    (folder / "empty.xy").write_text("")
    (folder / "binary.xy").write_bytes(bytes(range(256)) * 40)
    films = "".join(
        f'[[film]]\ncoupled = "{n}"\n' for n in ("a.xy", "empty.xy", "binary.xy", "x.xy")
    )
    (folder / "run.toml").write_text(RUN + films)
    result = judge(folder)
    assert result.exception is None
    assert result.return_value == 2
    good, *bad = read_results(folder / "judged/results.json").films
    assert good.verdict == "pass"
    assert [film.verdict for film in bad] == ["unreadable"] * 3
    for film, word in zip(bad, ("empty", "binary", "no such file"), strict=True):
        assert word in film.warnings[0].lower(), film.warnings
        assert film.warnings[0].split(":")[0] == f"{film.film}.xy"
    assert "Traceback" not in result.output


def test_a_missing_limit_file_stops_the_run(folder: Path) -> None:
    (folder / "limits.toml").unlink()
    result = judge(folder)
    assert "no such file: limits.toml" in str(result.exception)


def test_an_unknown_phase_stops_the_run_with_its_near_match(folder: Path) -> None:
    result = judge(folder, "--substrate", "SrTi03")
    assert "did you mean SrTiO3" in str(result.exception)


def test_json_on_the_terminal_is_the_file(folder: Path) -> None:
    result = judge(folder, "--json")
    printed = json.loads(result.output)
    assert printed == json.loads((folder / "judged/results.json").read_text())


def test_a_wrong_buffer_flag_says_how_to_write_it(folder: Path) -> None:
    result = judge(folder / "a.xy", "--buffer", "CeO2")
    assert "write PHASE:NM, e.g. CeO2:75" in str(getattr(result.exception, "message", ""))


def test_a_limit_file_that_is_not_there_is_named_as_the_flag_gave_it(folder: Path) -> None:
    result = CliRunner().invoke(cli, ["judge", str(folder), "--limits", "nope.toml"])
    assert result.exit_code == 2
    assert "no such file: nope.toml" in result.output
    assert "run.toml" not in result.output


def test_fluoride_that_shows_and_no_limit_judges_is_told(tmp_path: Path) -> None:
    """A limit on aligned fluoride judges what shows, though the lines show it to be random."""
    premises = premises_on("tape", 4.5)
    film = SimulatedFilm(
        stack=premises.stack,
        c_axis=0.95,
        a_axis=0.02,
        random=0.03,
        c_mosaic_fwhm_deg=4.5,
        a_mosaic_fwhm_deg=4.5,
        minor=(fluoride(load_phase("BaF2"), 0.3, "random"),),
    )
    scan, _ = simulate_scan(film, premises.optics, seed=1)
    (analysis,) = analyse_films([FilmInput("f", premises, scan)])
    assert analysis.fluoride is not None
    assert analysis.fluoride.detected

    def told(quantity: str) -> list[str]:
        limits = LimitFile.model_validate({"limit": [{"quantity": quantity, "max": 0.5}]})
        record = film_record(analysis, limits)
        return [text for text in record.warnings if "no limit judges it" in text]

    assert len(told("a_axis_fraction")) == 1
    assert "vol%" in told("a_axis_fraction")[0]
    assert told("fluoride_volume_fraction") == []
    assert told("fluoride_volume_fraction_aligned") == []
    most = {"quantity": "fluoride_volume_fraction_aligned", "max": 0.1, "risk": 0.05}
    assert film_record(analysis, LimitFile.model_validate({"limit": [most]})).verdict == "fail"


def test_an_a_axis_line_out_of_its_place_is_named_as_what_it_may_be() -> None:
    """Strained grains: (h00) lies where the loaded film has it, though c says it has no oxygen."""
    premises = premises_on("tape", 4.5)
    scan, _ = scan_of(
        premises, c_axis=0.85, a_axis=0.13, random=0.02, film_cell_A=(3.8203, 3.8855, 11.80)
    )
    (analysis,) = analyse_films([FilmInput("f", premises, scan)])
    warnings = film_record(analysis, None).warnings
    assert any("unexplained line at 47." in t and "a-axis share is larger" in t for t in warnings)
