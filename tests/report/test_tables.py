import csv
import io
import zipfile

import numpy as np
import pandas as pd
import pyarrow.parquet
import pytest

from tests.report import synthetic
from xrdfilm.report import tables
from xrdfilm.report.tables import (
    csv_bytes,
    csv_text,
    defused,
    films_frame,
    limits_frame,
    lines_frame,
    parquet_bytes,
)
from xrdfilm.results import Run, RunResult


@pytest.fixture(scope="module")
def result():
    return synthetic.run(12, points=200)[0]


def read_back(text):
    return list(csv.DictReader(io.StringIO(text)))


@pytest.mark.parametrize(
    "cell", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "  =HYPERLINK(1)"]
)
def test_formulas_are_defused(cell):
    assert defused(cell) == f"'{cell}"


@pytest.mark.parametrize("cell", ["R-0142", "a=b", "", -1.5, 3, True, None])
def test_other_cells_stay(cell):
    assert defused(cell) == cell
    assert type(defused(cell)) is type(cell)


def test_a_film_named_like_a_formula_does_no_harm(result):
    evil = result.films[0].model_copy(update={"film": "=cmd|' /C calc'!A0", "warnings": ["@x"]})
    run = RunResult(run=Run(id="+run"), films=[evil])
    (row,) = read_back(csv_text(films_frame(run)))
    assert row["film"] == "'=cmd|' /C calc'!A0"
    assert row["run"] == "'+run"
    assert row["warnings"] == "'@x"


def test_numbers_keep_their_digits_and_signs(result):
    rows = read_back(csv_text(films_frame(result)))
    assert len(rows) == 12
    for row, film in zip(rows, result.films, strict=True):
        if film.lattice is None:
            assert row["lattice.c_A.value"] == ""
            continue
        assert float(row["lattice.c_A.value"]) == film.lattice.c_A.value
        assert float(row["lattice.displacement_um.value"]) == film.lattice.displacement_um.value < 0


def test_columns_do_not_grow_with_the_films(result):
    """Digests are named after the files; each name must not become a column."""
    names = list(films_frame(result).columns)
    assert "provenance.files" in names
    assert not [name for name in names if ".xy" in name]
    assert not [name for name in names if name.startswith("reasons")]


def test_every_judged_limit_and_fitted_line_is_a_row(result):
    limits = limits_frame(result)
    assert len(limits) == sum(len(film.reasons) for film in result.films)
    assert {"film", "quantity", "limit.max", "value", "low", "high", "outcome"} <= set(
        limits.columns
    )
    lines = lines_frame(result)
    assert len(lines) == sum(len(film.lines) for film in result.films)
    assert lines.loc[0, "hkl"] == "0 0 2"


@pytest.mark.parametrize("make", [films_frame, limits_frame, lines_frame])
def test_parquet_holds_the_same(result, make):
    frame = make(result)
    back = pyarrow.parquet.read_table(io.BytesIO(parquet_bytes(frame))).to_pandas()
    assert list(back.columns) == list(frame.columns)
    assert len(back) == len(frame)
    assert back["film"].tolist() == frame["film"].tolist()
    for name in frame.columns:
        if pd.api.types.is_float_dtype(frame[name]):
            pd.testing.assert_series_equal(back[name], frame[name])


@pytest.mark.parametrize("make", [films_frame, limits_frame, lines_frame])
def test_a_run_without_readable_films(make):
    run = RunResult(run=Run(id="R"), films=[synthetic.unreadable("x")])
    assert csv_text(make(run)).startswith("run,film")
    assert parquet_bytes(make(run))


def test_without_pyarrow_nothing_is_made(result, monkeypatch):
    monkeypatch.setattr(tables, "find_spec", lambda name: None)
    assert parquet_bytes(films_frame(result)) is None


def test_the_zip_holds_the_table_of_lines(result):
    frame = lines_frame(result)
    packed = csv_bytes("lines", frame)
    assert packed == csv_bytes("lines", frame)
    with zipfile.ZipFile(io.BytesIO(packed)) as holder:
        assert holder.namelist() == ["lines.csv"]
        assert holder.read("lines.csv").decode("utf-8-sig") == csv_text(frame)
    assert len(packed) < 0.4 * len(csv_text(frame))
    back = pd.read_csv(io.BytesIO(packed), compression="zip")
    assert np.allclose(back["area.value"], frame["area.value"])
