"""Tables of conversions, rates and times; conversions out of results.json."""

import pytest

from xrdfilm.errors import RunFileError
from xrdfilm.kinetics.table import read_conversions, read_rates, read_times, series_of_results
from xrdfilm.results import Film, Fluoride, Provenance, Quantity, Run, RunResult

TABLE = """\
# invented
film, time_min, conversion, low, high, side
A, 2, 0.1, 0.0, 0.2, film
B, 5, 0.5, 0.4, 0.6, film
C, 4, , 0.95, 1, fluoride
D, 1, 0, 0, 0.05, fluoride
"""


def write(tmp_path, text, name="c.csv"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_table_gives_both_sides_in_order_of_time(tmp_path):
    sides = read_conversions(write(tmp_path, TABLE), thickness_nm=700.0)
    film, fluoride = sides["film"], sides["fluoride"]
    assert film.thickness_nm == 700.0
    assert list(film.time_s) == [120.0, 300.0]
    assert film.points[0].sigma == pytest.approx(0.2 / (2.0 * 1.959964), rel=1e-6)
    assert [p.film for p in fluoride.points] == ["D", "C"]
    assert [p.censor for p in fluoride.points] == ["at_0", "at_1"]


def test_decimal_commas_with_semicolons(tmp_path):
    text = "time_s;conversion;sigma\n10;0,25;0,05\n20;0,5;0,05\n"
    series = read_conversions(write(tmp_path, text))["fluoride"]
    assert list(series.conversion) == [0.25, 0.5]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("time,conversion\n1,0.5\n", "one of time_s, time_min, time_h"),
        ("time_s,conversion\n1,0.5\n", "low and high, or sigma"),
        ("time_s,conversion,sigma\n1,95,1\n", "for 95 % write 0.95"),
        ("time_s,conversion,sigma\n1,abc,0.1\n", "no number: 'abc'"),
        ("time_s,conversion,sigma\n,0.5,0.1\n", "time_s is empty"),
        ("time_s,conversion,sigma,side\n1,0.5,0.1,up\n", "fluoride or film"),
        ("time_s,conversion,sigma\n1,0.5,0\n", "sigma must be above 0"),
        ("time_s\n", "no table"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(tmp_path, text, told):
    with pytest.raises(RunFileError, match=told) as caught:
        read_conversions(write(tmp_path, text))
    assert "c.csv" in str(caught.value)


def test_rates_with_their_gas(tmp_path):
    text = "name,rate_nm_s,low,high,water_vapour_mbar\nA,0.5,0.4,0.6,23\n"
    (point,) = read_rates(write(tmp_path, text))
    assert (point.rate_nm_s, point.gas, point.name) == (0.5, {"water_vapour_mbar": 23.0}, "A")
    with pytest.raises(RunFileError, match="0 < low"):
        read_rates(write(tmp_path, "rate_nm_s,low,high\n0.5,0.6,0.7\n"))


def test_times_by_film(tmp_path):
    assert read_times(write(tmp_path, "film,time_h\nA,0.5\nB,1\n")) == {"A": 1800.0, "B": 3600.0}
    with pytest.raises(RunFileError, match="columns film"):
        read_times(write(tmp_path, "id,time_h\nA,0.5\n"))


def film(name, time_min, quantity):
    recipe = {} if time_min is None else {"growth_time_min": time_min}
    fluoride = Fluoride(
        detected=True, route="structure", volume_fraction_aligned=None,
        volume_fraction_random=None, conversion=quantity, detection_limit_aligned=None,
        detection_limit_random=None, cell_A=None, hf_bound_ug_cm2=None,
    )  # fmt: skip
    return Film(
        film=name, verdict="pass", reasons=[], fluoride=fluoride, orientation=None, lattice=None,
        texture=None, phases=[], lines=[], warnings=[], recipe=recipe,
        provenance=Provenance(files={}, version="0", settings={}),
    )  # fmt: skip


def test_results_split_what_films_share_from_what_is_their_own():
    def told(value, counting, model):
        sigma = (counting**2 + model**2) ** 0.5
        return Quantity(
            value=value, low=value - 2 * sigma, high=value + 2 * sigma, level=0.95, estimate=value,
            sigma=sigma, sources={"counting": counting, "thickness": model},
        )  # fmt: skip

    limit = Quantity(value=None, low=0.97, high=1.0, level=0.95)
    result = RunResult(
        run=Run(id="Q-1"),
        films=[
            film("A", 5.0, told(0.2, 0.03, 0.08)),
            film("B", 10.0, told(0.5, 0.02, 0.05)),
            film("C", 20.0, limit),
            film("D", None, told(0.5, 0.02, 0.05)),
        ],
    )
    series = series_of_results(result, thickness_nm=800.0)
    assert list(series.time_s) == [300.0, 600.0, 1200.0]
    assert list(series.sigma[:2]) == pytest.approx([0.03, 0.02])
    assert series.shared_sigma == pytest.approx(0.1)  # 0.08 of 0.8 left, 0.05 of 0.5 left
    assert series.points[2].censor == "at_1"
    assert "D" in series.notes[0]
    with pytest.raises(RunFileError, match="time_min"):
        series_of_results(RunResult(run=Run(id="Q-1"), films=[film("D", None, limit)]))
