"""`xrdfilm plan` on the command line: words, JSON, files, and what is refused."""

import json

import numpy as np
import pytest
from click.testing import CliRunner

from xrdfilm.commands.plan import command
from xrdfilm.decision.guard import Tolerance
from xrdfilm.demo import demo_stack
from xrdfilm.estimate import from_normal
from xrdfilm.intensity.optics import Optics
from xrdfilm.planning.atscan import _repeat_words
from xrdfilm.simulate import Background, BufferTexture, Instrument, SimulatedFilm, simulate_scan
from xrdfilm.simulate.files import write_scan

STACK = (
    "--film", "YBCO", "--thickness-nm", "800", "--substrate", "Ni-5W", "--buffer", "CeO2:75",
    "--buffer", "La2Zr2O7:200", "--divergence-deg", "0.5", "--axial-acceptance-deg", "2.3",
    "--axial", "apertures",
)  # fmt: skip


def run(*arguments):
    return CliRunner().invoke(command, [str(a) for a in arguments], catch_exceptions=False)


TAPE_BUFFERS = ["--buffer", "CeO2:75", "--buffer", "La2Zr2O7:200"]


def test_speed_in_words_json_and_curves(tmp_path):
    arguments = ("speed", "--rate", 1, "--rate-low", 1, "--thickness-nm", 1000)
    assert "36 m/h" in run(*arguments, "--hot-zone-m", 10).output
    plan = json.loads(run(*arguments, "--hot-zone-m", 2, "--json").output)
    assert plan["speed_m_h"] == pytest.approx(7.2)
    run(*arguments, "--hot-zone-m", 2, "--out", tmp_path)
    table = np.genfromtxt(tmp_path / "speed.csv", delimiter=",", names=True)
    assert table["speed_m_h_at_2_m"][60] == pytest.approx(7.2, rel=1e-3)
    assert (tmp_path / "speed.png").stat().st_size > 10_000


def test_speed_from_a_series_takes_its_bounds(tmp_path):
    fit = {
        "growth_rate_nm_s": {"value": 0.6, "low": 0.5, "high": 0.8, "estimate": 0.6},
        "incubation_s": {"value": 300.0, "low": 200.0, "high": 400.0, "estimate": 300.0},
    }
    record = {"series": [{"headline": "film", "thickness_nm": 900.0, "fits": {"film": fit}}]}
    path = tmp_path / "series.json"
    path.write_text(json.dumps(record))
    result = run("speed", "--series", path, "--thickness-nm", 900, "--hot-zone-m", 3, "--json")
    plan = json.loads(result.output)
    assert plan["dwell_s"] == pytest.approx(400.0 + 900.0 / 0.5)
    assert not any("outside what the series covered" in w for w in plan["warnings"])
    beyond = run("speed", "--series", path, "--thickness-nm", 2000, "--hot-zone-m", 3)
    assert "outside what the series covered" in beyond.output


def test_speed_without_a_rate_or_its_lower_end():
    refused = run("speed", "--thickness-nm", 1000, "--hot-zone-m", 1)
    assert refused.exit_code == 2
    assert "--rate" in refused.output
    told = run("speed", "--rate", 1, "--thickness-nm", 1000, "--hot-zone-m", 1)
    assert "half of all films would leave unfinished" in told.output


def test_exhaust_prints_cautions_and_dated_limits_beside_the_figures():
    output = run("exhaust", "--speed-m-h", 100, "--width-mm", 10, "--thickness-nm", 1000).output
    assert "0.766 g HF/h" in output
    assert "1.53 g NaOH/h" in output
    assert "at most 6.7 g HF/h" in output
    assert "ACGIH TLV-TWA (2005): 0.5 ppm" in output
    assert "[from memory]" in output
    assert "no design of exhaust" in output
    record = json.loads(
        run(
            "exhaust", "--speed-m-h", 100, "--width-mm", 10, "--thickness-nm", 1000, "--json"
        ).output
    )
    assert record["pyrolysis"]["upper_bound"] is True
    assert len(record["cautions"]) >= 4
    assert run("exhaust", "--speed-m-h", 0, "--width-mm", 1, "--thickness-nm", 1).exit_code == 2


def test_counting_from_a_stack_writes_tables(tmp_path):
    result = run(
        "counting", *STACK, "--limit", "fluoride_volume_fraction_random=0.05",
        "--counts-per-s", 3000, "--background-per-s", 20, "--out", tmp_path,
    )  # fmt: skip
    assert result.exit_code == 0
    assert "Quick scan of two lines" in result.output
    assert "BaF2 (111)" in result.output
    stem = "fluoride_volume_fraction_random"
    for ending in ("-quick.txt", "-quick.csv", ".json", "-chance.png"):
        assert (tmp_path / f"{stem}{ending}").stat().st_size > 50


def test_counting_from_a_scan_takes_its_rates_and_figures(tmp_path):
    film = SimulatedFilm(
        stack=demo_stack(), c_axis=0.95, a_axis=0.02, random=0.03, c_mosaic_fwhm_deg=4.5,
        a_mosaic_fwhm_deg=4.5, buffers=(BufferTexture(6.0),),
    )  # fmt: skip
    scan, _ = simulate_scan(
        film, Optics(axial_stated=True), counts=3000.0,
        instrument=Instrument(background=Background(20.0)), seed=4,
    )  # fmt: skip
    write_scan(tmp_path / "a.xy", scan)
    result = run(
        "counting", tmp_path / "a.xy", *STACK, "--step-time-s", 1, "--limit",
        "fluoride_volume_fraction_random=0.05", "--json",
    )  # fmt: skip
    (plan,) = json.loads(result.output)
    assert plan["expected_sigma"] > 0.0
    assert plan["lines"]
    assert plan["limit"]["max"] == 0.05


def test_no_time_is_forecast_for_fluoride_that_does_not_show():
    limit = Tolerance(None, 0.01)
    open_ = from_normal(0.008, 0.01, bounds=(0.0, 1.0))
    told = _repeat_words("fluoride_volume_fraction", open_, limit, 0.05, 0.95, 100.0, True)
    assert "no time is forecast" in told
    assert "times the counting" not in told
    known = from_normal(0.004, 0.004, bounds=(0.0, 1.0))
    shown = _repeat_words("fluoride_volume_fraction", known, limit, 0.05, 0.8, 100.0, False)
    assert "counting" in shown


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("counting",), "--limit"),
        (("counting", "--limit", "a_axis_fraction=0.05"), "--counts-per-s"),
        (("counting", "--limit", "a_axis=0.05"), "unknown quantity"),
        (("counting", "--limit", "a_axis_fraction"), "QUANTITY=VALUE"),
        (("counting", "--risk", "0.9"), "between 0 and 0.5"),
    ],
)
def test_what_is_missing_is_named(arguments, told):
    result = run(*arguments)
    assert result.exit_code == 2
    assert told in result.output


@pytest.mark.parametrize(
    ("substrate", "orientation", "over", "counted"),
    [
        (["--substrate", "Ni-5W", *TAPE_BUFFERS], "aligned", "BaF2 (200)", "BaF2 (400)"),
        (["--substrate", "LaAlO3"], "random", None, "BaF2 (220)"),
    ],
)
def test_the_list_ranks_the_line_that_is_counted_first_and_says_why(
    substrate, orientation, over, counted
):
    shown = run(
        "counting", "--film", "YBCO", "--thickness-nm", 800, *substrate,
        "--limit", "fluoride_volume_fraction=0.02", "--fluoride-orientation", orientation,
        "--counts-per-s", 30000, "--background-per-s", 200,
    ).output  # fmt: skip
    listed, table = shown.split("Quick scan")[0], shown.split("Quick scan")[1]
    ranked = [line for line in listed.splitlines() if " sought " in line]
    assert counted in ranked[0]
    assert " 1 ×" in ranked[0]
    assert counted in table
    if over is None:
        assert "Not counted though quicker: BaF2" not in listed
    else:
        assert f"Not counted though quicker: {over}" in listed
        assert any(over in line and "stray grains may show CeO2 (111)" in line for line in ranked)
