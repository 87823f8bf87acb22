"""What surrounds a format: files that are none, what the user states, the registry."""

from __future__ import annotations

import os
from importlib.metadata import EntryPoint
from pathlib import Path

import numpy as np
import pytest
from written import X, Y, rows

from xrdfilm.errors import ScanAxisError, ScanFormatError
from xrdfilm.readers import Overrides, RawScan, Source, read_scan, read_scans, registry
from xrdfilm.readers.source import HEAD_BYTES


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "a.xy"
    path.write_text(rows())
    return path


class TestNoFile:
    def test_missing(self, tmp_path: Path) -> None:
        with pytest.raises(ScanFormatError, match=r"none\.xy: no such file$"):
            read_scan(tmp_path / "none.xy")

    def test_below_a_file(self, file: Path) -> None:
        with pytest.raises(ScanFormatError, match="no such file"):
            read_scan(file / "b.xy")

    def test_folder(self, tmp_path: Path) -> None:
        with pytest.raises(ScanFormatError, match="is a folder, not a scan; give the files in it"):
            read_scan(tmp_path)

    def test_pipe_is_not_waited_for(self, tmp_path: Path) -> None:
        os.mkfifo(tmp_path / "pipe")
        with pytest.raises(ScanFormatError, match="no regular file"):
            read_scan(tmp_path / "pipe")

    def test_device(self) -> None:
        with pytest.raises(ScanFormatError, match="no regular file"):
            read_scan("/dev/zero")

    @pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
    def test_forbidden(self, file: Path) -> None:
        file.chmod(0)
        with pytest.raises(ScanFormatError, match="may not be read"):
            read_scan(file)

    def test_odd_names(self, tmp_path: Path) -> None:
        with pytest.raises(ScanFormatError, match=r"is no path|no such file"):
            read_scan("a\0b")
        with pytest.raises(ScanFormatError, match="cannot be read"):
            read_scan(tmp_path / ("x" * 5000))

    def test_a_name_with_odd_letters(self, tmp_path: Path) -> None:
        path = tmp_path / "ö [bold] θ.xy"
        path.write_text(rows())
        assert read_scan(path).path == path


class TestOverrides:
    def test_axis(self, file: Path) -> None:
        scan = read_scan(file, axis="omega")
        assert scan.axis == "omega"
        assert not {"axis_assumed", "axis_from_name"} & {one.code for one in scan.findings}

    def test_a_foreign_axis_is_read_once_it_is_named(self, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        path.write_text("gamma,counts\n" + rows("{x:.4f},{y:.0f}"))
        with pytest.raises(ScanAxisError, match=r"'gamma'.*give the axis") as caught:
            read_scan(path)
        assert caught.value.line == 2
        assert read_scan(path, axis="two_theta").axis == "two_theta"

    def test_radiation_goes_before_the_header(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xy"
        path.write_text("# Anode: Cu\n# Wavelength: 1.5406\n" + rows())
        scan = read_scan(path, anode="Co", wavelength_A=1.789)
        assert (scan.anode, scan.wavelength_A) == ("Co", 1.789)
        # A stated anode must not keep another anode's wavelength from the header.
        assert read_scan(path, anode="Co").wavelength_A is None

    def test_rate(self, file: Path) -> None:
        scan = read_scan(file, intensity_unit="counts_per_s", step_time_s=0.5)
        np.testing.assert_allclose(scan.counts, 0.5 * Y)
        assert scan.count_scale == 0.5
        assert scan.step_time_s == 0.5

    def test_a_step_time_alone_changes_no_counts(self, file: Path) -> None:
        scan = read_scan(file, step_time_s=0.5)
        np.testing.assert_array_equal(scan.counts, Y)
        assert scan.step_time_s == 0.5

    def test_columns_by_place_and_by_name(self, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        path.write_text("2Theta,Counts A,Counts B\n" + rows("{x:.4f},1,{y:.0f}"))
        for columns in ((1, 3), ("2Theta", "Counts B"), ("2theta", 3)):
            np.testing.assert_array_equal(read_scan(path, columns=columns).counts, Y)
        scan = read_scan(path, columns=(1, 3, 2))
        assert scan.sigma is not None
        np.testing.assert_array_equal(scan.sigma, np.ones(X.size))

    @pytest.mark.parametrize(
        ("columns", "told"),
        [((1, 9), "has 3 columns"), (("a", 2), r"no column 'a'; its columns: ")],
    )
    def test_columns_that_are_not_there(
        self, tmp_path: Path, columns: tuple[int | str, ...], told: str
    ) -> None:
        path = tmp_path / "a.csv"
        path.write_text("2Theta,Counts A,Counts B\n" + rows("{x:.4f},1,{y:.0f}"))
        with pytest.raises(ScanFormatError, match=told):
            read_scan(path, columns=columns)

    @pytest.mark.parametrize(
        "wrong",
        [{"wavelength_A": -1.0}, {"step_time_s": 0.0}, {"step_time_s": float("nan")},
         {"intensity_unit": "cps"}, {"columns": (1,)}],
    )  # fmt: skip
    def test_impossible_statements(self, wrong: dict[str, object]) -> None:
        with pytest.raises(ValueError, match=next(iter(wrong))):
            Overrides(**wrong)  # type: ignore[arg-type]


class TestStatistics:
    def test_an_attenuator_in_the_strong_part(self, tmp_path: Path) -> None:
        """Counts behind a factor-100 foil: multiplied where they were not, errors as registered."""
        mean = 200.0 + 1e7 * np.exp(-0.5 * ((X - 22.0) / 0.2) ** 2)
        factor = np.where(mean > 3e4, 100.0, 1.0)
        registered = np.random.default_rng(0).poisson(mean / factor).astype(float)
        path = tmp_path / "a.xy"
        for counts, undone in ((registered, True), (registered * factor, False)):
            path.write_text(
                "".join(f"{a} {b} {c}\n" for a, b, c in zip(X, counts, factor, strict=True))
            )
            scan = read_scan(path)
            codes = {one.code for one in scan.findings}
            assert ("attenuation_undone" in codes) == undone
            np.testing.assert_allclose(scan.counts, registered * factor)
            expected = factor * np.sqrt(np.maximum(registered, 1.0))
            np.testing.assert_allclose(scan.uncertainty(), expected)

    def test_ranges_of_other_step_times(self, tmp_path: Path) -> None:
        """Four times the time: four times the counts and half the relative error."""
        path = tmp_path / "a.xy"
        path.write_text("Step time: 1\n" + rows() + "Step time: 4\n" + rows(x=X + 10, y=4 * Y))
        scan = read_scan(path)
        assert {"ranges_joined", "range_times_differ"} <= {one.code for one in scan.findings}
        np.testing.assert_allclose(scan.counts, np.r_[Y, Y])
        np.testing.assert_allclose(scan.uncertainty(), np.r_[np.sqrt(Y), np.sqrt(Y) / 2])

    def test_scaled_counts_get_the_errors_they_scatter_with(self, tmp_path: Path) -> None:
        """Floats of 7.3 a count: Poisson errors would be 2.7 times too small."""
        x = np.arange(10.0, 40.0, 0.02)
        counts = np.random.default_rng(0).poisson(300.0, x.size)
        path = tmp_path / "a.xy"
        path.write_text("".join(f"{a:.2f} {7.3 * b:.4f}\n" for a, b in zip(x, counts, strict=True)))
        scan = read_scan(path)
        assert not scan.poisson
        assert "scatter_not_poisson" in {one.code for one in scan.findings}
        np.testing.assert_allclose(scan.uncertainty().mean(), 7.3 * np.sqrt(300.0), rtol=0.1)

    def test_zero_sigmas_are_mended(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xye"
        sigma = np.sqrt(Y)
        sigma[3:6] = 0.0
        path.write_text(
            "2theta intensity error\n"
            + "".join(f"{a} {b} {s:.6f}\n" for a, b, s in zip(X, Y, sigma, strict=True))
        )
        scan = read_scan(path)
        assert "sigma_repaired" in {one.code for one in scan.findings}
        np.testing.assert_allclose(scan.uncertainty(), np.sqrt(Y), rtol=1e-3)


class TestSource:
    def test_blocks_of_a_file_are_the_file(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xy"
        data = os.urandom(3 * HEAD_BYTES + 17)
        path.write_bytes(data)
        from xrdfilm.readers import ReadLimits

        source = Source(path, ReadLimits())
        assert b"".join(source.blocks(1000)) == data == source.data()
        assert source.head == data[:HEAD_BYTES]
        assert source.size == len(data)

    def test_a_file_over_several_blocks(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Lines cut by the end of a block come out whole, in one go and line by line."""
        from xrdfilm.readers import text_lines

        path = tmp_path / "a.xy"
        for block in (37, 64, 1000):
            monkeypatch.setattr(text_lines, "BLOCK_BYTES", block)
            for encoding in ("utf-8", "utf-16", "utf-8-sig"):
                for end in ("\n", "\r\n", "\r"):
                    path.write_bytes(rows(end=end).encode(encoding))
                    scan = read_scan(path)
                    np.testing.assert_array_equal(scan.axis_deg, X)
                    np.testing.assert_array_equal(scan.counts, Y)


class Bracketed:
    """A user's format: lines of [angle|counts]."""

    name = "bracketed"

    def sniff(self, head: bytes, file_name: str) -> bool:
        return head.startswith(b"[[")

    def read(self, source: Source, overrides: Overrides) -> tuple[RawScan, ...]:
        cells = [line.strip("[]").split("|") for line in source.data().decode().split()]
        table = np.array(cells, dtype=float)
        return (RawScan(table[:, 0], table[:, 1], axis="two_theta", intensity_unit="counts"),)


bracketed = Bracketed()
no_reader = object()


class TestRegistry:
    @pytest.fixture(autouse=True)
    def fresh(self) -> None:
        registry.readers.cache_clear()
        yield  # type: ignore[misc]
        registry.readers.cache_clear()

    def plug_in(self, monkeypatch: pytest.MonkeyPatch, value: str) -> None:
        entry = EntryPoint("mine", value, registry.GROUP)
        monkeypatch.setattr(registry, "entry_points", lambda group: (entry,))

    def test_built_in(self) -> None:
        assert [one.name for one in registry.readers()][-3:] == ["NeXus", "powder CIF", "text"]

    def test_a_package_adds_a_format(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.plug_in(monkeypatch, "test_reading:bracketed")
        path = tmp_path / "a.br"
        path.write_text(rows("[[{x}|{y}]]"))
        scan = read_scan(path)
        assert scan.format == "bracketed"
        np.testing.assert_array_equal(scan.counts, Y)
        assert len(scan.sha256 or "") == 64

    @pytest.mark.parametrize(
        ("value", "told"),
        [("test_reading:no_reader", "lacks name, sniff or read"),
         ("no_such_module:x", "cannot be loaded")],
    )  # fmt: skip
    def test_a_broken_package_is_named(
        self, file: Path, monkeypatch: pytest.MonkeyPatch, value: str, told: str
    ) -> None:
        self.plug_in(monkeypatch, value)
        with pytest.raises(ScanFormatError, match=f"'mine'.*{told}"):
            read_scan(file)


def test_read_scans_gives_a_tuple(file: Path) -> None:
    scans = read_scans(file)
    assert isinstance(scans, tuple)
    assert len(scans) == 1
