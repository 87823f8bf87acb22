"""`xrdfilm look`: what it prints, writes and returns."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result
from written import X, Y, rows

from xrdfilm.commands._terminal_plot import braille_plot, envelope
from xrdfilm.commands.look import command
from xrdfilm.readers.scan_findings import FINDINGS


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "film.xy"
    path.write_text("# Anode: Cu\n# Wavelength: 1.5406\n# 2theta counts\n" + rows())
    return path


def look(*words: str | Path) -> Result:
    return CliRunner().invoke(command, [str(word) for word in words])


class TestText:
    def test_says_what_was_understood(self, file: Path) -> None:
        result = look(file)
        assert result.exit_code == 0
        for words in ("2θ (coupled scan)", "80, 20° to 23.95°, step 0.05°", "Cu anode, 1.5406 Å",
                      "counting", f"{Y.min():.6g} to {Y.max():.6g}"):  # fmt: skip
            assert words in result.stdout
        assert "root of the counts" in result.stdout

    def test_plot_can_be_left_out(self, file: Path) -> None:
        assert "root of the counts" not in look(file, "--no-plot").stdout

    def test_assumptions_and_remedies_are_told(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xy"
        path.write_text(rows())
        words = " ".join(look(path).stdout.split())
        for code in ("axis_assumed", "wavelength_unknown", "unit_assumed"):
            assert code in words
        assert "→ state anode or wavelength_A under [optics]" in words

    def test_statements_go_before_the_file(self, file: Path) -> None:
        result = look(
            file, "--axis", "omega", "--unit", "counts_per_s", "--step-time-s", "2", "--json"
        )
        record = json.loads(result.stdout)[0]
        assert record["axis"] == "omega"
        assert record["count_scale"] == 2.0
        assert record["counts_highest"] == 2 * Y.max()

    def test_escape_sequences_in_a_header_stay_harmless(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xy"
        path.write_text("# Sample: \x1b[2Jgone [red]x[/red]\n" + rows())
        result = look(path)
        assert "\x1b" not in result.stdout
        assert "[red]x[/red]" in result.stdout

    def test_several_scans(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xy"
        path.write_text("".join(f"Sample: {i}\n{rows()}" for i in range(10)))
        result = look(path)
        assert "scan 8 of 10" in result.stdout
        assert "2 more scans in this file; choose with --which." in result.stdout
        assert len(json.loads(look(path, "--json", "--which", "3").stdout)) == 1


class TestErrors:
    def test_one_bad_file_does_not_hide_the_good_one(self, file: Path, tmp_path: Path) -> None:
        result = look(tmp_path / "none.xy", file)
        assert result.exit_code == 2
        assert "none.xy: no such file" in result.stderr
        assert "2θ (coupled scan)" in result.stdout

    def test_json_carries_the_error(self, file: Path, tmp_path: Path) -> None:
        result = look(tmp_path, file, "--json")
        assert result.exit_code == 2
        first, second = json.loads(result.stdout)
        assert "is a folder" in first["error"]
        assert second["points"] == 80

    @pytest.mark.parametrize(
        "words", [(), ("--columns", "1"), ("--step-time-s", "-1"), ("--axis", "psi")]
    )
    def test_misuse(self, file: Path, words: tuple[str, ...]) -> None:
        assert look(*([file, *words] if words else [])).exit_code == 2


class TestJson:
    def test_record(self, file: Path) -> None:
        (record,) = json.loads(look(file, "--json").stdout)
        assert record["format"] == "text"
        assert record["points"] == X.size
        assert record["counts_sum"] == Y.sum()
        assert record["meta"]["Anode"] == "Cu"
        assert record["findings"] == []
        assert len(record["sha256"]) == 64


class TestFigure:
    def test_writes_a_picture(self, file: Path, tmp_path: Path) -> None:
        path = tmp_path / "out.png"
        result = look(file, "--figure", path)
        assert result.exit_code == 0
        assert path.read_bytes().startswith(b"\x89PNG")

    def test_a_folder_that_is_not_there(self, file: Path, tmp_path: Path) -> None:
        result = look(file, "--figure", tmp_path / "none" / "out.png")
        assert result.exit_code == 1
        assert "cannot write" in result.stderr


def test_the_table_of_codes_is_complete() -> None:
    result = CliRunner(env={"COLUMNS": "200"}).invoke(command, ["--codes"])
    assert result.exit_code == 0
    for code in FINDINGS:
        assert code in result.stdout


class TestPlot:
    def test_every_line_is_as_wide_as_asked(self) -> None:
        lines = braille_plot(X, Y, width=30, height=6)
        assert len(lines) == 6
        assert {len(line) for line in lines} == {30}

    def test_the_line_stands_where_it_is(self) -> None:
        """A peak in the middle: the top row is dark at the middle alone."""
        top = braille_plot(X, Y, width=40, height=8)[0]
        dark = [at for at, char in enumerate(top) if char != "\u2800"]
        assert dark
        assert all(abs(at - 20) <= 2 for at in dark)

    def test_a_single_strong_point_is_never_lost(self) -> None:
        x = np.linspace(0.0, 1.0, 100_000)
        y = np.zeros(x.size)
        y[77_777] = 1.0
        _, high = envelope(x, y, 50)
        assert high.max() == 1.0
        assert int(high.argmax()) == 38

    def test_a_gap_stays_empty(self) -> None:
        x = np.r_[np.linspace(0, 1, 100), np.linspace(9, 10, 100)]
        lines = braille_plot(x, np.ones(200), width=20, height=2)
        assert lines[-1][5:15] == "\u2800" * 10
