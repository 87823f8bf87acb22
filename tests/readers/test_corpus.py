"""Every style of the corpus gives the arrays that were written, or the right refusal."""

from __future__ import annotations

import hashlib
from pathlib import Path

import corpus_cif
import corpus_nexus
import corpus_text
import numpy as np
import pytest
from written import Case

from xrdfilm.errors import ScanAxisError, ScanFormatError
from xrdfilm.readers import read_scan, read_scans
from xrdfilm.readers.scan_checks import FINDINGS

CASES = [*corpus_text.CASES, *corpus_cif.CASES, *corpus_nexus.CASES]
READ = [case for case in CASES if case.refused is None]
REFUSED = [case for case in CASES if case.refused is not None]


def write(case: Case, folder: Path) -> Path:
    path = folder / case.file_name
    path.write_bytes(case.data)
    return path


def test_the_corpus_is_large_and_its_names_differ() -> None:
    assert len(CASES) >= 60
    assert len({case.name for case in CASES}) == len(CASES)


@pytest.mark.parametrize("case", READ, ids=lambda case: case.name)
def test_reads_back_what_was_written(case: Case, tmp_path: Path) -> None:
    scans = read_scans(write(case, tmp_path))
    assert len(scans) == case.scans
    scan = scans[0]
    np.testing.assert_allclose(scan.axis_deg, case.x, rtol=0, atol=1e-9)
    np.testing.assert_allclose(scan.counts, case.y, rtol=1e-12, atol=1e-9)
    assert scan.axis == case.axis
    if case.sigma is not None:
        np.testing.assert_allclose(scan.sigma, case.sigma, rtol=1e-12)
    codes = {finding.code for finding in scan.findings}
    assert set(case.codes) <= codes, codes
    assert not set(case.absent) & codes, codes
    assert codes <= set(FINDINGS)
    for name, value in case.attributes:
        found = getattr(scan, name)
        assert found == (pytest.approx(value, rel=1e-9) if type(value) is float else value), name
    for key, value in case.meta:
        assert scan.meta[key] == value


@pytest.mark.parametrize("case", READ, ids=lambda case: case.name)
def test_scans_keep_their_contract(case: Case, tmp_path: Path) -> None:
    path = write(case, tmp_path)
    for scan in read_scans(path):
        assert (np.diff(scan.axis_deg) > 0).all()
        assert np.isfinite(scan.counts).all()
        assert scan.axis_deg.shape == scan.counts.shape
        assert scan.axis_deg.dtype == scan.counts.dtype == np.float64
        assert not scan.counts.flags.writeable
        assert np.isfinite(scan.uncertainty()).all()
        assert (scan.uncertainty() > 0).all()
        assert scan.sha256 == hashlib.sha256(case.data).hexdigest()
        assert scan.path == path
        for finding in scan.findings:
            assert finding.action == FINDINGS[finding.code].action
            assert finding.action != "refused"


@pytest.mark.parametrize("case", REFUSED, ids=lambda case: case.name)
def test_refuses_with_the_reason_and_the_file(case: Case, tmp_path: Path) -> None:
    assert case.refused is not None
    path = write(case, tmp_path)
    with pytest.raises((ScanFormatError, ScanAxisError), match=case.refused) as caught:
        read_scans(path)
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


def test_reading_twice_gives_the_same(tmp_path: Path) -> None:
    path = write(CASES[0], tmp_path)
    first, second = read_scan(path), read_scan(path)
    np.testing.assert_array_equal(first.axis_deg, second.axis_deg)
    np.testing.assert_array_equal(first.counts, second.counts)
    assert first.findings == second.findings


def test_one_scan_of_several_is_chosen(tmp_path: Path) -> None:
    case = next(case for case in CASES if case.name == "two scans under headers")
    path = write(case, tmp_path)
    with pytest.raises(
        ScanFormatError, match=r"holds 2 scans; choose one of them .which = 1 to 2."
    ):
        read_scan(path)
    assert read_scan(path, which=2).meta["Sample"] == "B"
    with pytest.raises(ScanFormatError, match="scan 3 was asked for"):
        read_scan(path, which=3)
