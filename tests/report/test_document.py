import io
import itertools
import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from reportlab.pdfgen.canvas import Canvas

from tests.report import synthetic
from xrdfilm.report.document import write_pdf
from xrdfilm.report.outline import BEND, GRID_PT, on_grid, thinned
from xrdfilm.report.overview import run_content
from xrdfilm.report.pdf_canvas import shortened
from xrdfilm.report.pdf_flow import draw_columns
from xrdfilm.report.pdf_parts import Drawn


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


def test_a_page_is_written_short_and_draws_the_same():
    long = (
        "BT /F1 10 Tf 12 TL ET\n"
        "q\n1 0 0 1 3.25 7 cm\nq\n.109804 .121569 .14902 rg\n"
        "BT 1 0 0 1 0 1.8 Tm /F2+0 6.4 Tf 8.192 TL (0.123456 of \\(a\\)) Tj T* ET\nQ\nQ\n"
        "q\nq\n1 0 0 1 0 0 cm\nQ\nQ\n"
        "BT 1 0 0 1 0 0 Tm  T* ET\n"
        "BT 1 0 0 1 0 8.7 Tm /F2+0 5.6 Tf 7.168 TL (one) Tj T* (two) Tj T* ET\n"
        "n 67.86471 -0.00012 m -0.499999 10.00000 l S\n"
    )
    assert shortened(long) == (
        "q\n1 0 0 1 3.25 7 cm\n.11 .12 .15 rg\n"
        "BT 1 0 0 1 0 1.8 Tm /F2+0 6.4 Tf (0.123456 of \\(a\\)) Tj ET\nQ\n"
        "BT 1 0 0 1 0 8.7 Tm /F2+0 5.6 Tf 7.17 TL (one) Tj T* (two) Tj ET\n"
        "n 67.86 0 m -.5 10 l S\n"
    )


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


class Block(Drawn):
    """A block that notes where it was drawn: left, bottom and top on the page."""

    drawn: list[tuple[float, float, float]]

    def __init__(self, height, drawn):
        super().__init__(height)
        self.drawn = drawn

    def draw(self):
        left, bottom = self.canv.absolutePosition(0, 0)
        _, top = self.canv.absolutePosition(0, self._height)
        self.drawn.append((left, bottom, top))


def flowed(heights):
    drawn = []
    canvas = Canvas(io.BytesIO())
    scale = draw_columns(
        canvas,
        lambda width: [Block(height, drawn) for height in heights],
        lefts=[0.0, 110.0, 220.0],
        width=100.0,
        top=500.0,
        room=200.0,
    )
    return scale, drawn


def test_what_fits_is_set_in_full_size_column_after_column():
    scale, drawn = flowed([60.0] * 9)
    assert scale == 1.0
    assert [left for left, _, _ in drawn] == [0.0] * 3 + [110.0] * 3 + [220.0] * 3
    assert [top for _, _, top in drawn[:3]] == [500.0, 440.0, 380.0]


@pytest.mark.parametrize("heights", [[60.0] * 40, [150.0] * 5, [500.0], [10.0, 390.0, 10.0, 380.0]])
def test_too_much_is_set_smaller_and_stays_on_its_page(heights):
    scale, drawn = flowed(heights)
    assert scale < 1.0
    assert len(drawn) == len(heights)
    assert all(299.999 <= bottom < top <= 500.001 for _, bottom, top in drawn)
    for (left, bottom, _), (after, _, top) in itertools.pairwise(drawn):
        assert (after, -top) >= (left, -bottom - 1e-6)


def test_thinning_loses_no_line_top():
    axis = np.linspace(10, 60, 20_000)
    values = np.zeros_like(axis)
    values[12_345] = 1e5
    values[3000:3005] = np.nan
    runs = thinned(axis, values, bins=100)
    assert len(runs) == 2
    assert sum(len(run) for run in runs) < 500
    assert max(run[:, 1].max() for run in runs) == 1e5


def test_a_smooth_curve_is_drawn_by_few_points_and_passes_none_by():
    x = np.linspace(0.0, 500.0, 2000)
    y = 60.0 + 50.0 * np.exp(-(((x - 200.0) / 15.0) ** 2))
    drawn = on_grid(np.column_stack([x, y]), smooth=True) * GRID_PT
    assert len(drawn) < 120
    away = np.abs(np.interp(x, drawn[:, 0], drawn[:, 1]) - y)
    slope = np.abs(np.gradient(y, x))  # a step of the grid across shows on a slope as well
    assert np.all(away <= (1.0 + slope) * (BEND + 1.0) * GRID_PT)
    assert len(on_grid(np.column_stack([x, y]), smooth=False)) == x.size
