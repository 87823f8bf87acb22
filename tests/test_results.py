import json
import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from pydantic import ValidationError

import xrdfilm
from tests.report import synthetic
from xrdfilm.decision.quantities import quantities_of
from xrdfilm.estimate import Estimate, from_normal
from xrdfilm.results import (
    Orientation,
    Quantity,
    RunResult,
    json_schema,
    json_schema_text,
    read_results,
    schema_path,
)


@pytest.fixture(scope="module")
def result():
    return synthetic.run(12, points=200)[0]


def test_shipped_schema_is_current():
    assert schema_path().is_file()
    assert schema_path().parent == Path(xrdfilm.__file__).parent
    assert schema_path().read_text(encoding="utf-8") == json_schema_text(), (
        "run: python -m xrdfilm.results"
    )


def test_schema_is_a_schema_and_a_run_keeps_it(result):
    jsonschema.Draft202012Validator.check_schema(json_schema())
    record = json.loads(result.to_json())
    jsonschema.Draft202012Validator(json_schema()).validate(record)
    assert record["schema"] == "xrdfilm/1"
    assert {film["verdict"] for film in record["films"]} == {
        "pass",
        "fail",
        "undecided",
        "unreadable",
    }


@pytest.mark.parametrize("change", [{"verdict": "good"}, {"verdikt": "pass"}, {"reasons": None}])
def test_schema_refuses_what_breaks_the_contract(result, change):
    record = json.loads(result.to_json())
    record["films"][0].update(change)
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(json_schema()).validate(record)
    with pytest.raises(ValidationError):
        RunResult.model_validate(record)


def test_fields_of_the_contract(result):
    film = json.loads(result.to_json())["films"][0]
    assert set(film) >= {
        "film", "verdict", "reasons", "fluoride", "orientation", "lattice", "texture", "phases",
        "lines", "warnings", "provenance",
    }  # fmt: skip
    assert set(film["fluoride"]) >= {
        "detected", "route", "volume_fraction_aligned", "volume_fraction_random", "conversion",
        "detection_limit_aligned", "detection_limit_random", "cell_A", "hf_bound_ug_cm2",
    }  # fmt: skip
    assert set(film["reasons"][0]) >= {
        "quantity", "limit", "value", "low", "high", "outcome", "text",
    }  # fmt: skip
    assert set(film["lattice"]["c_A"]) >= {"value", "low", "high", "level"}


def test_written_and_read_again_is_the_same(result, tmp_path):
    path = tmp_path / "results.json"
    path.write_text(result.to_json(), encoding="utf-8")
    assert read_results(path) == result


def test_numbers_that_are_none_become_null():
    text = Quantity(value=math.nan, low=-math.inf, high=None, level=0.95).model_dump_json()
    assert json.loads(text)["value"] is None
    assert json.loads(text)["low"] is None


def test_value_is_null_exactly_with_a_one_sided_limit():
    limited = Quantity.of(from_normal(0.001, 0.01, bounds=(0.0, 1.0)))
    clear = Quantity.of(from_normal(0.1, 0.01, bounds=(0.0, 1.0)))
    assert (limited.value, limited.low) == (None, 0.0)
    assert limited.estimate == 0.001
    assert clear.value == 0.1


def test_frame_has_the_fields_as_columns_with_dots(result):
    frame = result.to_frame()
    assert len(frame) == 12
    first = result.films[0]
    assert frame.loc[0, "run"] == "R-0142"
    assert frame.loc[0, "lattice.c_A.value"] == first.lattice.c_A.value
    assert frame.loc[0, "orientation.a_axis.high"] == first.orientation.a_axis.high
    unreadable = [film.film for film in result.films].index("R-0142-11")
    assert math.isnan(frame.loc[unreadable, "lattice.c_A.value"])


def test_columns_do_not_hang_on_what_was_measured(result):
    """A script that reads a column must find it in a run where no film has the figure."""
    whole = result.to_frame()
    unreadable = [film for film in result.films if film.verdict == "unreadable"]
    assert unreadable
    none = result.model_copy(update={"films": unreadable}).to_frame()
    one = result.model_copy(update={"films": result.films[:1]}).to_frame()
    free = (".sources.", "provenance.settings", "recipe.")
    names = [[n for n in f.columns if not any(k in n for k in free)] for f in (whole, none, one)]
    assert names[0] == names[1] == names[2]
    for name in ("fluoride.cell_A.value", "texture.azimuth_fwhm_deg.low", "lattice.c_A.level"):
        assert name in none.columns
    assert "fluoride" not in whole.columns
    assert "texture.azimuth_fwhm_deg" not in whole.columns


def test_quantities_come_back_out_of_the_record(result):
    film = result.films[0]
    found = quantities_of(film)
    assert found["a_axis_fraction"].sigma == film.orientation.a_axis.sigma
    assert found["a_axis_fraction"].bounds == (0.0, 1.0)
    assert found["azimuth_fwhm_deg"] is None
    assert found["BaCeO3_detected"].value == 0.0
    # nothing tells how the fluoride lies: the weaker claim stands
    assert found["fluoride_volume_fraction"] == found["fluoride_volume_fraction_random"]
    unconverted = quantities_of(result.films[5])
    assert (
        unconverted["fluoride_volume_fraction"] == (unconverted["fluoride_volume_fraction_aligned"])
    )


@pytest.mark.parametrize(
    ("estimate", "keys"),
    [
        (from_normal(0.1, 0.01), {"value", "low", "high", "level", "sigma", "sources"}),
        (from_normal(0.1, 0.01, sources={}), {"value", "low", "high", "level", "sigma", "sources"}),
        (from_normal(23.28, 0.0), {"value", "low", "high", "level", "sources"}),
        (
            from_normal(0.001, 0.01, bounds=(0.0, 1.0)),
            {"value", "low", "high", "level", "estimate", "sigma", "sources"},
        ),
    ],
)
def test_a_quantity_in_short_says_the_same(estimate, keys):
    quantity = Quantity.of(estimate)
    text = quantity.model_dump_json()
    assert set(json.loads(text)) == keys
    assert Quantity.model_validate_json(text) == quantity


def test_digits_end_where_the_uncertainty_does():
    found = Quantity.of(from_normal(23.28852261234, 0.00122443679))
    assert (found.value, found.sigma) == (23.28852, 0.00122)
    assert found.high - found.value == pytest.approx(1.95996 * 0.00122443679, abs=1e-5)
    told = {"counting": 0.1, "thickness": 0.0049, "mosaic": 0.02}
    assert Quantity.of(from_normal(1.0, 0.1, sources=told)).sources == {
        "counting": 0.1,
        "mosaic": 0.02,
    }
    # how films scatter among themselves rests on counting, however little of sigma it is
    told = {"counting": 0.0001234, "alignment": 0.1}
    assert Quantity.of(from_normal(1.0, 0.1, sources=told)).sources == {
        "counting": 0.000123,
        "alignment": 0.1,
    }


def test_digits_tell_films_apart_that_share_a_wide_uncertainty():
    """Rounding adds little to the scatter by counting, however wide the alignment's part is."""
    counting, rng = 2.7e-6, np.random.default_rng(8)
    causes = {"counting": counting, "alignment": 0.0023}
    c = rng.normal(11.68, counting, 400)
    found = [Quantity.of(from_normal(float(x), 0.0023, sources=causes)).value for x in c]
    assert np.std(np.array(found) - c) < 0.05 * counting
    assert Quantity.of(from_normal(11.6812345, 0.0023, sources={"alignment": 0.0023})).value == (
        11.68123
    )


@pytest.mark.parametrize("sigma", [0.001224, 0.0997, 1.0049, 37.449])
def test_rounding_moves_a_figure_by_little_of_its_uncertainty(sigma):
    rng = np.random.default_rng(3)
    for value in rng.uniform(-100.0, 100.0, 200) * sigma:
        found = Quantity.of(from_normal(float(value), sigma))
        assert found.value == pytest.approx(value, abs=0.0051 * sigma)
        assert found.sigma == pytest.approx(sigma, rel=0.0051)
        assert found.high == pytest.approx(value + 1.959964 * sigma, abs=0.0051 * sigma)


@pytest.mark.parametrize("sigma", [0.001224, 0.1001, 0.9951, 3.3349, 99.95])
def test_a_plain_interval_tells_its_sigma(sigma):
    """Without causes the interval alone is written, and sigma is read from it."""
    for level in (0.95, 0.99):
        plain = from_normal(21.7, sigma, level=level)
        found = Quantity.of(replace(plain, sources={}))
        text = found.model_dump_json()
        assert set(json.loads(text)) == {"value", "low", "high", "level"}
        again = Quantity.model_validate_json(text)
        assert again == found
        assert again.sigma == pytest.approx(sigma, rel=0.01)
    skew = Quantity(value=1.0, low=0.9, high=1.5, level=0.95, estimate=1.0, sigma=0.1)
    assert Quantity.model_validate_json(skew.model_dump_json()) == skew
    none = Quantity(value=1.0, low=0.9, high=1.1, level=0.95, estimate=1.0, sigma=None)
    assert Quantity.model_validate_json(none.model_dump_json()) == none


@pytest.mark.parametrize("sigma", [math.nan, math.inf, None, 0.0, 1e-300, 1e-15, 1e9])
@pytest.mark.parametrize("value", [None, -0.0, 1.0, -3.3e-9, 7.77e12])
def test_odd_figures_come_back_as_they_were_written(value, sigma):
    for causes in ({}, {"counting": sigma or 0.0}):
        for low, high in ((None, None), (0.0, 1.0), (-math.inf, 1.0), (value, value)):
            bounds = (None if low is None or low < 0.0 else 0.0, 1.0)
            found = Quantity.of(Estimate(value, low, high, 0.95, 0.3, sigma, causes, bounds))
            text = found.model_dump_json()
            assert Quantity.model_validate_json(text) == found
            assert "-0.0" not in text
            if high == 1.0 and high != value:  # a bound stays what it is
                assert (found.low, found.high) == (low if low == 0.0 else None, 1.0)


def test_explanation_is_written_as_columns_and_read_as_rows():
    rows = [
        {
            "line": "(003)/(010)",
            "two_theta_deg": 22.8395,
            "area": 3945.7,
            "area_sigma": 14.9,
            "area_if_all": {"c_axis": 4078.3, "a_axis": 2466.0},
            "given_by": {"c_axis": 3633.9, "a_axis": 334.3},
            "predicted": 3968.2,
            "residual_sigma": -0.0529,
        },
        {
            "line": "(112)",
            "two_theta_deg": 36.3839,
            "area": -0.52,
            "area_sigma": 1.38,
            "area_if_all": {"random": 5.13},
            "given_by": {"random": -0.14},
            "predicted": -0.14,
            "residual_sigma": -0.27,
        },
    ]
    route = {"route": "coupled", "c_axis": None, "a_axis": None, "random": None}
    lists = {"lines_used": [], "lines_left_out": []}
    found = Orientation(**route, **lists, explanation=rows)
    written = json.loads(found.model_dump_json())["explanation"]
    assert written["given_by"]["random"] == [None, -0.14]
    assert "predicted" not in written
    assert Orientation.model_validate_json(found.model_dump_json()).explanation == rows
    # records that were written row by row are read as well
    assert Orientation.model_validate({**route, **lists, "explanation": rows}).explanation == rows
