import csv
import hashlib
import json
import re

import pytest

from tests.report import synthetic
from xrdfilm.errors import XrdfilmError
from xrdfilm.report import write, write_report
from xrdfilm.results import read_results


@pytest.fixture(scope="module")
def run():
    return synthetic.run(4, points=300)


@pytest.fixture(scope="module")
def written(run, tmp_path_factory):
    folder = tmp_path_factory.mktemp("report")
    return write_report(*run, folder / "judged")


def names(folder):
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}


def test_everything_is_there_and_nothing_else(written):
    assert names(written.folder) == {
        "index.html", "results.json", "report.pdf", "SHA256SUMS",
        "films.csv", "limits.csv", "lines.csv.zip",
        "films.parquet", "limits.parquet", "lines.parquet",
        *(f"films/R-0142-0{i}.html" for i in (1, 2, 3, 4)),
        "assets/xrdfilm.css", "assets/print.css", "assets/run.js", "assets/sheet.js",
        "assets/uPlot.iife.min.js", "assets/uPlot.min.css", "assets/uPlot.LICENSE.txt",
    }  # fmt: skip
    assert written.index.is_file()
    assert written.pdf.is_file()
    assert all(path.is_file() for path in (*written.tables, *written.sheets.values()))
    assert written.earlier is None
    assert written.notes == ()


def test_record_is_read_back(run, written):
    assert read_results(written.results) == run[0]
    assert json.loads(written.results.read_text(encoding="utf-8"))["schema"] == "xrdfilm/1"


def test_links_between_pages_lead_somewhere(written):
    for page in (written.index, *written.sheets.values()):
        for link in re.findall(r'(?:href|src)="([^"#]+)"', page.read_text(encoding="utf-8")):
            if link != "data:,":
                assert (page.parent / link).is_file(), f"{page.name} -> {link}"


def test_digests_are_those_of_the_files(written):
    lines = (written.folder / "SHA256SUMS").read_text(encoding="utf-8").splitlines()
    assert len(lines) == len(names(written.folder)) - 1
    for line in lines:
        digest, name = line.split("  ", 1)
        assert hashlib.sha256((written.folder / name).read_bytes()).hexdigest() == digest


def test_an_earlier_report_is_kept_and_told(run, tmp_path):
    out = tmp_path / "judged"
    first = write_report(*run, out, pdf=False)
    before = {name: (out / name).read_bytes() for name in names(out)}
    other, pictures = synthetic.run(2, points=300, seed=9)
    second = write_report(other, pictures, out, pdf=False)
    assert second.earlier == out / "earlier" / "001"
    assert str(second.earlier) in second.notes[0]
    assert {n: (second.earlier / n).read_bytes() for n in names(second.earlier)} == before
    assert {n for n in names(out) if n.startswith("films/")} == {
        "films/R-0142-01.html",
        "films/R-0142-02.html",
    }
    third = write_report(*run, out, pdf=False)
    assert third.earlier == out / "earlier" / "002"
    assert names(second.earlier) == set(before)
    assert first.earlier is None


def test_the_same_results_are_only_drawn_anew(run, tmp_path):
    out = tmp_path / "judged"
    write_report(*run, out, pdf=True)
    again = write_report(*run, out, pdf=False)
    assert again.earlier is None
    assert not (out / "earlier").exists()
    assert not (out / "report.pdf").exists()  # a PDF that nobody made anew would be out of step


def test_pages_without_drawings_do_not_replace_drawn_ones(run, tmp_path):
    out = tmp_path / "judged"
    write_report(*run, out, pdf=False)
    again = write_report(run[0], {}, out, pdf=False)
    assert 'id="picture"' in (again.earlier / "films/R-0142-01.html").read_text(encoding="utf-8")
    assert 'id="picture"' not in (out / "films/R-0142-01.html").read_text(encoding="utf-8")


def test_files_of_others_are_left_alone(run, tmp_path):
    out = tmp_path / "judged"
    (out / "films").mkdir(parents=True)
    (out / "films" / "mine.txt").write_text("mine")
    (out / "index.html").write_text("mine too")
    report = write_report(*run, out, pdf=False)
    assert (out / "films" / "mine.txt").read_text() == "mine"
    assert (report.earlier / "index.html").read_text() == "mine too"


def test_a_list_of_digests_that_leads_outside_moves_nothing(run, tmp_path):
    out = tmp_path / "judged"
    out.mkdir()
    outside = tmp_path / "outside.txt"
    outside.write_text("keep")
    (out / "SHA256SUMS").write_text(f"{'0' * 64}  ../outside.txt\n{'0' * 64}  {outside}\n")
    write_report(*run, out, pdf=False)
    assert outside.read_text() == "keep"


def test_a_failure_leaves_the_earlier_report_whole(run, tmp_path, monkeypatch):
    out = tmp_path / "judged"
    write_report(*run, out, pdf=False)
    before = {name: (out / name).read_bytes() for name in names(out)}

    def broken(*args, **kwargs):
        raise OSError("disk full")

    monkeypatch.setattr(write, "sheet_page", broken)
    other, pictures = synthetic.run(2, points=300, seed=9)
    with pytest.raises(OSError, match="disk full"):
        write_report(other, pictures, out, pdf=False)
    assert {name: (out / name).read_bytes() for name in names(out)} == before


def test_a_folder_that_cannot_be_made(run, tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(XrdfilmError, match="name another folder"):
        write_report(*run, tmp_path / "file" / "judged")


def test_missing_pyarrow_is_told(run, tmp_path, monkeypatch):
    monkeypatch.setattr(write, "parquet_bytes", lambda frame: None)
    report = write_report(*run, tmp_path, pdf=False)
    assert "pyarrow" in report.notes[0]
    assert not list(tmp_path.glob("*.parquet"))


def test_progress_is_told(run, tmp_path):
    seen = []
    write_report(*run, tmp_path, pdf=False, progress=lambda done, of: seen.append((done, of)))
    assert seen == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_csv_opens_as_utf8_in_a_spreadsheet(written):
    raw = (written.folder / "films.csv").read_bytes()
    assert raw.startswith(b"\xef\xbb\xbf")
    assert len(list(csv.reader(raw.decode("utf-8-sig").splitlines()))) == 5


def test_300_films_take_less_than_20_MB(tmp_path):
    """Scans of 4000 points, PDF and tables included; what each further film takes is the same."""
    sizes = {}
    for count in (4, 16):
        write_report(*synthetic.run(count, points=4000), tmp_path / str(count))
        sizes[count] = sum(
            (tmp_path / str(count) / name).stat().st_size for name in names(tmp_path / str(count))
        )
    each = (sizes[16] - sizes[4]) / 12
    assert sizes[4] + 296 * each < 20e6
