"""Whatever the bytes, a reader ends in a scan or in a sentence; nothing is run or followed."""

from __future__ import annotations

import os
import random
import re
import socket
import subprocess
from pathlib import Path

import corpus_cif
import corpus_nexus
import corpus_text
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from mangle import chosen, mangled
from written import X, Y, rows

from xrdfilm.errors import ScanAxisError, ScanFormatError
from xrdfilm.readers import Overrides, ReadLimits, read_scan, read_scans

ORIGINALS = [case.data for part in (corpus_text, corpus_cif, corpus_nexus) for case in part.CASES]


def outcome(path: Path, overrides: Overrides | None = None) -> str:
    """ "scan", or the error's name; anything else passes through as a failure."""
    try:
        scans = read_scans(path, overrides=overrides)
    except (ScanFormatError, ScanAxisError) as error:
        told = error
    else:
        told = None
    if told is not None:
        assert str(told).isprintable()  # no newline, no escape sequence out of the file
        return type(told).__name__
    for scan in scans:
        assert (np.diff(scan.axis_deg) > 0).all()
        assert np.isfinite(scan.axis_deg).all()
        assert np.isfinite(scan.counts).all()
        assert (scan.uncertainty() > 0).all()
        assert np.isfinite(scan.uncertainty()).all()
    return "scan"


def test_two_thousand_mangled_files(tmp_path: Path) -> None:
    path = tmp_path / "mangled"
    seen = set()
    for seed in range(2000):
        path.write_bytes(mangled(seed, ORIGINALS))
        try:
            seen.add(outcome(path, chosen(seed)))
        except BaseException as error:
            pytest.fail(f"seed {seed}: {type(error).__name__}: {error}")
    assert seen == {"scan", "ScanFormatError", "ScanAxisError"}


@settings(
    max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.one_of(st.binary(max_size=2000), st.text(max_size=1000).map(str.encode)))
def test_any_bytes(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "any"
    path.write_bytes(data)
    outcome(path)


def test_nothing_is_opened_run_or_fetched(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(*args: object, **kwargs: object) -> None:
        raise AssertionError(f"called with {args}")

    monkeypatch.setattr(socket.socket, "connect", forbidden)
    monkeypatch.setattr(subprocess, "Popen", forbidden)
    monkeypatch.setattr(os, "system", forbidden)
    path = tmp_path / "a.xy"
    path.write_text("# see http://example.org/x and $(touch y) and ../../etc\n" + rows())
    assert len(read_scan(path)) == 80
    assert sorted(one.name for one in tmp_path.iterdir()) == ["a.xy"]


def test_a_link_out_of_a_nexus_file_is_not_followed(tmp_path: Path) -> None:
    case = next(one for one in corpus_nexus.CASES if one.name == "NeXus external link")
    other = next(one for one in corpus_nexus.CASES if one.name == "NeXus")
    h5py = pytest.importorskip("h5py")
    path = tmp_path / "a.nxs"
    path.write_bytes(case.data)
    with h5py.File(tmp_path / "other.nxs", "w") as file:
        file["counts"] = other.y
    with pytest.raises(ScanFormatError, match="not followed"):
        read_scan(path)


def test_data_outside_the_file_are_not_read(tmp_path: Path) -> None:
    h5py = pytest.importorskip("h5py")
    (tmp_path / "secret.bin").write_bytes(np.arange(1.0, 81.0).tobytes())
    path = tmp_path / "a.h5"
    with h5py.File(path, "w") as file:
        group = file.create_group("data")
        group.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": "two_theta"})
        group["two_theta"] = np.linspace(20.0, 24.0, 80)
        outside = [(str(tmp_path / "secret.bin"), 0, 640)]
        group.create_dataset("counts", (80,), "f8", external=outside)
    with pytest.raises(ScanFormatError, match="not followed"):
        read_scan(path)


class TestLimits:
    def test_bytes(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xy"
        path.write_text(rows())
        with pytest.raises(ScanFormatError, match=r"more than the limit of 100; .*max_bytes"):
            read_scan(path, limits=ReadLimits(max_bytes=100))

    @pytest.mark.parametrize("head", ["", "words, and 1 number\n"])
    def test_points(self, tmp_path: Path, head: str) -> None:
        path = tmp_path / "a.xy"
        path.write_text(head + rows("{x:.4f} {y:.0f}").replace(".", "," if head else "."))
        with pytest.raises(ScanFormatError, match="max_points"):
            read_scan(path, limits=ReadLimits(max_points=50))

    def test_columns(self, tmp_path: Path) -> None:
        path = tmp_path / "a.csv"
        path.write_text("".join(",".join(["1.5"] * 300) + "\n" for _ in range(9)))
        with pytest.raises(ScanFormatError, match="300 columns, more than 256"):
            read_scan(path)

    def test_line_length(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xy"
        path.write_text("x" * 30_000 + "\n" + rows())
        with pytest.raises(ScanFormatError, match=r":1: has a line of over 20,000 characters"):
            read_scan(path)

    def test_scans(self, tmp_path: Path) -> None:
        path = tmp_path / "a.xy"
        path.write_text("".join(f"# {i}\n1 2\n" for i in range(50)))
        with pytest.raises(ScanFormatError, match="over 20 pieces"):
            read_scan(path, limits=ReadLimits(max_scans=20))

    def test_points_of_a_packed_nexus_file(self, tmp_path: Path) -> None:
        h5py = pytest.importorskip("h5py")
        path = tmp_path / "a.h5"
        with h5py.File(path, "w") as file:
            group = file.create_group("data")
            group.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": "two_theta"})
            for name in ("counts", "two_theta"):
                group.create_dataset(name, (30_000_000,), "f8", chunks=(10_000,), compression=9)
        assert path.stat().st_size < 1_000_000  # it is all in the claim
        with pytest.raises(ScanFormatError, match="over 20,000,000 values"):
            read_scan(path)

    def test_a_limit_must_be_positive(self) -> None:
        with pytest.raises(ValueError, match="max_points is 0"):
            ReadLimits(max_points=0)


WORDS = re.split(
    " ",
    "film seven [x] y (a) sample: phi 30 omega 2theta theta = 0.5 counts cps s step time start end "
    "12.5 80 q d i net sigma of x, y; 1,5 \"q\" 'r' scan ° error 5.0 2 , ; : # ! * raw intensity "
    "corrected angle mm Cu 1.5406 wavelength background Peak area",
)


def test_no_header_makes_wrong_numbers_of_right_ones(tmp_path: Path) -> None:
    """500 headers of misleading words: the rows come out exactly, or the file is refused."""
    path = tmp_path / "a"
    read = 0
    for seed in range(500):
        rng = random.Random(seed)
        header = "".join(
            rng.choice(("# ", "", "! ", "; ", "*"))
            + rng.choice((" ", " ", "\t", ",")).join(rng.choices(WORDS, k=rng.randrange(1, 7)))
            + "\n"
            for _ in range(rng.choice((1, 1, 1, 2, 3)))
        )
        form = rng.choice(("{x:.4f} {y:.0f}", "{x:.4f}\t{y:.0f}", "{x:.4f},{y:.0f}"))
        path.write_text(header + rows(form), encoding="utf-8")
        try:
            scans = read_scans(path)
        except (ScanFormatError, ScanAxisError):
            continue
        read += 1
        np.testing.assert_array_equal(scans[0].axis_deg, X, err_msg=repr(header))
        np.testing.assert_allclose(scans[0].counts, Y * scans[0].count_scale, err_msg=repr(header))
    assert read > 450
