"""`xrdfilm series` and `xrdfilm plan` on the command line: exit status, words and files."""

import csv
import io
import json

import pytest
from click.testing import CliRunner

from xrdfilm.commands.series import command as series
from xrdfilm.errors import RunFileError

TABLE = """\
film,time_min,conversion,low,high
A,2,0.02,-0.04,0.08
B,6,0.06,0.0,0.12
C,10,0.18,0.10,0.26
D,15,0.45,0.36,0.54
E,20,0.62,0.53,0.71
F,26,0.88,0.80,0.96
G,32,,0.97,1
H,40,,0.98,1
"""


@pytest.fixture
def table(tmp_path):
    path = tmp_path / "quenched.csv"
    path.write_text(TABLE)
    return path


def run(*arguments):
    return CliRunner().invoke(series, [str(a) for a in arguments], catch_exceptions=False)


def test_a_table_is_followed_and_written(table, tmp_path):
    out = tmp_path / "out"
    result = run(table, "--thickness-nm", 900, "--out", out)
    assert result.exit_code == 0
    assert "Growth rate" in result.output
    assert "nm/s" in result.output
    assert "cannot tell" in result.output
    page = (out / "series.html").read_text(encoding="utf-8")
    assert "quenched" in page
    assert 'src="series.svg"' in page
    assert "<script" not in page
    rows = list(csv.DictReader(io.StringIO((out / "series.csv").read_text())))
    assert [r["film"] for r in rows] == list("ABCDEFGH")
    assert rows[6]["conversion"] == ""
    for name in ("series.svg", "series.png", "series.json", "assets/xrdfilm.css"):
        assert (out / name).stat().st_size > 500


def test_json_carries_models_intervals_and_points(table, tmp_path):
    result = run(table, "--thickness-nm", 900, "--json", "--out", tmp_path / "o")
    record = json.loads(result.output)["series"][0]
    fit = record["fits"]["fluoride"]
    assert {m["name"] for m in fit["models"]} == {"front", "boundary", "diffusion", "nucleation"}
    rate = fit["growth_rate_nm_s"]
    # 900 nm between about 5 and 29 min
    assert rate["low"] < 900.0 / (24.0 * 60.0) < rate["high"]
    assert sum(m["weight"] for m in fit["models"]) == pytest.approx(1.0)
    assert record["sides"]["fluoride"]["points"][7]["limit"] == "at_1"


def test_two_runs_write_the_same_bytes(table, tmp_path):
    for name in ("one", "two"):
        run(table, "--thickness-nm", 900, "--out", tmp_path / name)
    for name in ("series.html", "series.json", "series.csv", "series.svg"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()


def test_rates_of_many_series_give_exponents(tmp_path):
    path = tmp_path / "rates.csv"
    rows = ["rate_nm_s,low,high,water_vapour_mbar,total_pressure_mbar"]
    for water in (5.0, 10.0, 20.0, 40.0):
        rate = 0.1 * water**0.5
        rows.append(f"{rate},{rate * 0.95},{rate * 1.05},{water},1013")
    path.write_text("\n".join(rows) + "\n")
    result = run("--rates", path, "--out", tmp_path / "o")
    assert result.exit_code == 0
    assert "to the power 0.50" in result.output
    assert "agrees with the literature's 0.5" in result.output
    assert (tmp_path / "o" / "rate-water_vapour_mbar.png").exists()


def test_nothing_named_and_nothing_found(tmp_path):
    assert run().exit_code == 2
    with pytest.raises(RunFileError, match="no such file"):
        run(tmp_path / "none.csv")
