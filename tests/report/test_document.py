import itertools
import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest

from tests.report import synthetic
from xrdfilm.report.document import write_pdf
from xrdfilm.report.drawing import thinned
from xrdfilm.report.overview import run_content
from xrdfilm.report.pdf_sheet import split_columns


def pages(path):
    raw = path.read_bytes()
    return int(re.search(rb"/Type /Pages\b", raw) is not None) and len(
        re.findall(rb"/Type /Page\b(?!s)", raw)
    )


def test_one_page_a_film_after_the_run(tmp_path):
    result, pictures = synthetic.run(12, points=500)
    write_pdf(run_content(result), pictures, tmp_path / "report.pdf")
    assert pages(tmp_path / "report.pdf") == 1 + 12


def test_a_crowded_film_still_takes_one_page(tmp_path):
    result, pictures = synthetic.run(1, points=500)
    film = result.films[0]
    crowded = film.model_copy(
        update={
            "film": "n" * 200,
            "reasons": film.reasons * 3,
            "warnings": [
                f"Warning number {i} that is long enough to be broken." for i in range(60)
            ],
            "provenance": film.provenance.model_copy(
                update={
                    "files": {f"scan-{i}.xy": "0" * 64 for i in range(9)},
                    "settings": {f"setting_{i}": "some words" for i in range(60)},
                }
            ),
        }
    )
    result = result.model_copy(update={"films": [crowded]})
    write_pdf(run_content(result), {"n" * 200: pictures["R-0142-01"]}, tmp_path / "report.pdf")
    assert pages(tmp_path / "report.pdf") == 2


def test_same_content_same_bytes(tmp_path):
    result, pictures = synthetic.run(2, points=300)
    for name in ("a.pdf", "b.pdf"):
        write_pdf(run_content(result), pictures, tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


@pytest.mark.parametrize("name", ["<b>bold</b> & <i", "فيلم", "a\x00\x1b", "&amp;", "膜"])
def test_names_with_markup(tmp_path, name):
    result, pictures = synthetic.run(1, points=300)
    film = result.films[0].model_copy(update={"film": name, "warnings": [name]})
    result = result.model_copy(
        update={"films": [film], "run": result.run.model_copy(update={"id": name})}
    )
    write_pdf(run_content(result), {name: pictures["R-0142-01"]}, tmp_path / "report.pdf")
    assert pages(tmp_path / "report.pdf") == 2


def test_scans_at_the_edge_can_be_drawn(tmp_path):
    result, pictures = synthetic.run(1, points=300)
    plain = pictures["R-0142-01"]
    empty = np.zeros_like(plain.counts)
    for picture in (
        replace(plain, counts=empty, fitted=None, background=None, ticks=(), side_scans=()),
        replace(plain, fitted=np.full_like(empty, np.nan)),
        replace(plain, counts=plain.counts - 1e4),
        replace(plain, counts=plain.counts / 1e9, fitted=None),
    ):
        write_pdf(run_content(result), {"R-0142-01": picture}, tmp_path / "report.pdf")
        assert pages(tmp_path / "report.pdf") == 2


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="pdftotext is not installed")
def test_the_words_of_the_page_are_in_the_pdf(tmp_path):
    result, pictures = synthetic.run(6, points=300)
    write_pdf(run_content(result), pictures, tmp_path / "report.pdf")
    command = ["pdftotext", "-layout", str(tmp_path / "report.pdf"), "-"]
    text = subprocess.run(command, capture_output=True, check=True, text=True).stdout
    for words in ("Unreadable", "if aligned like the film", "µg/cm²", "χ²", "K-beta of YBCO (005)"):
        if words != "Unreadable":
            assert words in text, words
    assert "poisonous by breath" in " ".join(text.split())


@pytest.mark.parametrize(
    ("heights", "tallest"), [([1, 1, 1], 1), ([5, 1, 1, 1, 4], 5), ([3], 3), ([2, 2, 2, 2], 4)]
)
def test_columns_are_as_even_as_can_be(heights, tallest):
    cuts = [0, *split_columns(heights), len(heights)]
    assert cuts == sorted(cuts)
    assert max(sum(heights[a:b]) for a, b in itertools.pairwise(cuts)) == tallest


def test_thinning_loses_no_line_top():
    axis = np.linspace(10, 60, 20_000)
    values = np.zeros_like(axis)
    values[12_345] = 1e5
    values[3000:3005] = np.nan
    runs = thinned(axis, values, bins=100)
    assert len(runs) == 2
    assert sum(len(run) for run in runs) < 500
    assert max(run[:, 1].max() for run in runs) == 1e5
