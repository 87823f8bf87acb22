"""Openly licensed measured scans that no one here wrote: all read, or refused for the right reason.

They are not part of this repository; XRDFILM_REAL_SCANS names the folder that holds them.
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import numpy as np
import pytest

from xrdfilm.errors import ScanFormatError
from xrdfilm.readers import read_scan
from xrdfilm.readers.scan_checks import common_spikes
from xrdfilm.scan import Scan

FOLDER = os.environ.get("XRDFILM_REAL_SCANS")
pytestmark = pytest.mark.skipif(
    FOLDER is None, reason="XRDFILM_REAL_SCANS is not set: no folder of measured scans"
)


def read(name: str) -> Scan:
    return read_scan(Path(FOLDER or "") / name)


def codes(scan: Scan) -> set[str]:
    return {one.code for one in scan.findings}


# file -> axis, points (rows of two numbers in the file), first and last angle, anode in the header
READ = {
    "caco3/SH-104-1_2Theta_0_exported.xy": ("two_theta", 401, 27.0001, 35.0001, "Cu"),
    "caco3/SH-124-B3_2Theta_0_exported.xy": ("two_theta", 401, 27.0001, 35.0001, "Cu"),
    "caco3/SH-125-G_2Theta_30_exported.xy": ("two_theta", 401, 27.0001, 35.0001, "Cu"),
    "caco3/SH-124-B3_corrected_rocking_0.csv": ("omega", 1001, 4.705, 24.705, None),
    "caco3/calcite_single_crystal_corrected_rocking.csv": ("omega", 401, 4.7218, 24.7218, None),
    "caco3/sample_holder_corrected_2theta.csv": ("two_theta", 401, 27.0001, 35.0001, None),
    "fairmat/Omega-2Theta_scan_high_temperature.Profile0.txt": (
        "two_theta", 1042, 44.0, 48.9968, None,
    ),
    "fairmat/TwoTheta_scan_powder.Profile0.txt": ("two_theta", 2726, 10.0, 119.0, None),
    "lund/Sample1.txt": ("two_theta", 500, 0.04938, 39.9459, None),
    "lund/Sample2.txt": ("two_theta", 500, 0.04938, 39.9459, None),
    "rbm2o5f/RbNb2O5F.dat": ("two_theta", 8757, 5.0197, 119.988, None),
    "rbm2o5f/RbNb2O5F_prof.cif": ("two_theta", 8751, 5.1423, 120.032, "Cu"),
    "rbm2o5f/RbTa2O5F.dat": ("two_theta", 8757, 5.0197, 119.988, None),
}  # fmt: skip
REFUSED = {
    "caco3/all_samples_rocking_peaks_vs_phi.csv": "[results_table]",
    "caco3/calcite_single_crystal_rocking_peaks_metrics.csv": "[results_table]",
    "rbm2o5f/RbNb2O5F.background_points.xy": "[background_values]",
    "caco3/LICENSE": "no line holds two numbers",
    "fairmat/LICENSE": "no line holds two numbers",
    "lund/LICENSE": "no line holds two numbers",
    "rbm2o5f/LICENSE": "no line holds two numbers",
}


def test_every_file_has_its_place_in_the_two_lists() -> None:
    names = {path.relative_to(Path(FOLDER or "")).as_posix() for path in all_files()}
    assert names == set(READ) | set(REFUSED)


def all_files() -> list[Path]:
    return sorted(path for path in Path(FOLDER or "").glob("*/*") if path.is_file())


@pytest.mark.parametrize("name", READ)
def test_read(name: str) -> None:
    scan, (axis, points, low, high, anode) = read(name), READ[name]
    assert (scan.axis, len(scan), scan.anode) == (axis, points, anode)
    assert (scan.axis_deg[0], scan.axis_deg[-1]) == pytest.approx((low, high), abs=1e-3)
    assert scan.step_time_s is None  # none of them says
    assert ("wavelength_unknown" in codes(scan)) == (anode is None)
    assert "unit_assumed" in codes(scan)


@pytest.mark.parametrize("name", REFUSED)
def test_refused_for_the_right_reason(name: str) -> None:
    with pytest.raises(ScanFormatError, match=re.escape(REFUSED[name])):
        read(name)


@pytest.mark.parametrize("name", ["RbNb2O5F", "RbTa2O5F"])
def test_tab_and_crlf(name: str) -> None:
    scan = read(f"rbm2o5f/{name}.dat")
    table = np.loadtxt(Path(FOLDER or "") / f"rbm2o5f/{name}.dat")
    np.testing.assert_array_equal(scan.axis_deg, table[:, 0])
    np.testing.assert_array_equal(scan.counts, table[:, 1])
    assert scan.poisson
    assert scan.step_deg == pytest.approx(0.0131, abs=2e-4)
    assert {"wavelength_unknown", "unit_assumed", "axis_assumed"} == codes(scan)


def test_powder_cif_is_the_raw_scan_moved() -> None:
    """Its axis is corrected by +0.0438°; its values are the raw file's, with uncertainties."""
    cif, raw = read("rbm2o5f/RbNb2O5F_prof.cif"), read("rbm2o5f/RbNb2O5F.dat")
    assert cif.format == "powder CIF"
    assert {"axis_corrected", "cif_mended"} <= codes(cif)
    assert cif.wavelength_A == 1.5406
    start = int(np.flatnonzero(raw.counts == cif.counts[0])[0])
    np.testing.assert_array_equal(raw.counts[start : start + len(cif)], cif.counts)
    shift = cif.axis_deg - raw.axis_deg[start : start + len(cif)]
    np.testing.assert_allclose(shift, 0.0438, atol=2e-4)
    assert cif.sigma is not None
    np.testing.assert_allclose(cif.sigma, np.sqrt(cif.counts), rtol=0.02)


def test_background_nodes_are_refused() -> None:
    with pytest.raises(ScanFormatError, match=r"background values.*\[background_values\]"):
        read("rbm2o5f/RbNb2O5F.background_points.xy")


def test_background_nodes_are_refused_without_their_header(tmp_path: Path) -> None:
    lines = (Path(FOLDER or "") / "rbm2o5f/RbNb2O5F.background_points.xy").read_bytes()
    path = tmp_path / "nodes.xy"
    path.write_bytes(b"\n".join(lines.split(b"\n")[3:]))
    with pytest.raises(ScanFormatError, match=r"\[sparse_nodes\]"):
        read_scan(path)


def test_header_of_pairs_on_one_line() -> None:
    scan = read("caco3/SH-125-G_2Theta_30_exported.xy")
    assert (scan.anode, scan.wavelength_A, scan.axis) == ("Cu", 1.5406, "two_theta")
    assert scan.meta["Id"] == "SH-125-G"
    assert scan.meta["Phi"] == "30"
    assert len(scan) == 401
    assert scan.poisson


@pytest.mark.parametrize(
    "name", ["SH-124-B3_corrected_rocking_0", "calcite_single_crystal_corrected_rocking"]
)
def test_rocking_curves_are_rocking_curves_of_raw_counts(name: str) -> None:
    scan = read(f"caco3/{name}.csv")
    table = np.loadtxt(Path(FOLDER or "") / f"caco3/{name}.csv", delimiter=",", skiprows=1)
    assert scan.axis == "omega"
    np.testing.assert_array_equal(scan.counts, table[:, 1])
    assert table[:, 3].min() < 0 < scan.counts.min()


def test_tables_of_results_are_refused() -> None:
    for name in (
        "all_samples_rocking_peaks_vs_phi",
        "calcite_single_crystal_rocking_peaks_metrics",
    ):
        with pytest.raises(ScanFormatError, match=r"table of results.*\[results_table\]"):
            read(f"caco3/{name}.csv")


@pytest.mark.parametrize("name", ["TwoTheta_scan_powder", "Omega-2Theta_scan_high_temperature"])
def test_an_attenuator_is_no_sigma(name: str) -> None:
    scan = read(f"fairmat/{name}.Profile0.txt")
    assert scan.sigma is None
    assert scan.axis == "two_theta"
    assert "attenuator_column" in codes(scan)


def test_the_beam_and_the_hot_pixel() -> None:
    scans = [read("lund/Sample1.txt"), read("lund/Sample2.txt")]
    for scan in scans:
        assert {"direct_beam", "spike", "wavelength_unknown"} <= codes(scan)
        assert scan.wavelength_A is None
        assert scan.anode is None
    shared = common_spikes([(scan.axis_deg, scan.counts) for scan in scans])
    np.testing.assert_allclose(shared, [27.473], atol=0.005)
