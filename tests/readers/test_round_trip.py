"""Any scan, written in any supported style, reads back equal."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from xrdfilm.readers import read_scan

ROUNDS = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)


@st.composite
def scans(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    """An even axis in 2θ and whole counts, as an instrument would register them."""
    points = draw(st.integers(5, 120))
    start = draw(st.integers(300, 9000)) / 100.0
    step = draw(st.sampled_from([0.005, 0.01, 0.02, 0.05, 0.1]))
    x = np.round(start + step * np.arange(points), 4)
    y = np.array(draw(st.lists(st.integers(0, 10**6), min_size=points, max_size=points)), float)
    y[draw(st.integers(0, points - 1))] = y.max() + 7.0  # never constant
    return x, y


HEADERS = [
    "", "# 2theta counts\n", "; Anode: Cu\n; step = 0.02\n", "2Theta{sep}Counts\n",
    "*SAMPLE film\n", "[Data]\nAngle{sep}Intensity\n", "! one\n!\n\n! two\n", "Angle°{sep}I\n",
]  # fmt: skip


@ROUNDS
@given(
    scan=scans(),
    separator=st.sampled_from([" ", "\t", ";", ",", "  ", ", ", " ; ", "\t\t"]),
    decimal_comma=st.booleans(),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "latin-1"]),
    header=st.sampled_from(HEADERS),
    y_form=st.sampled_from(["{:.0f}", "{:.1f}", "{:.5f}", "{:.9E}"]),
    turned=st.booleans(),
    lead=st.sampled_from(["", "   "]),
    tail=st.sampled_from(["", ",,", ";"]),
    last_end=st.booleans(),
)
@example(
    scan=(np.array([3.0, 3.005, 3.01, 3.015, 3.02]), np.array([1.0, 0.0, 2.0, 0.0, 1.0])),
    separator="\t", decimal_comma=True, end="\r\n", encoding="utf-16", header="", y_form="{:.0f}",
    turned=False, lead="", tail="", last_end=True,
)  # fmt: skip
def test_text(
    tmp_path: Path,
    scan: tuple[np.ndarray, np.ndarray],
    separator: str,
    decimal_comma: bool,
    end: str,
    encoding: str,
    header: str,
    y_form: str,
    turned: bool,
    lead: str,
    tail: str,
    last_end: bool,
) -> None:
    x, y = scan
    if separator.strip() == ",":
        decimal_comma = False  # written so, it cannot be told apart: refused, see the corpus
        tail = tail.replace(";", "")
    if separator.strip() == ";":
        tail = tail.replace(",", "")
    if not separator.strip(" "):
        tail = ""
    if separator.strip(" ") == "\t\t":
        tail = ""
    if separator.strip(" ") == "\t" and tail:
        tail = "\t"
    order = slice(None, None, -1) if turned else slice(None)
    lines = []
    for a, b in zip(x[order], y[order], strict=True):
        cells = [f"{a:.4f}", y_form.format(b)]
        if decimal_comma:
            cells = [cell.replace(".", ",") for cell in cells]
        lines.append(lead + separator.join(cells) + tail)
    name = separator if separator.strip(" ") else "  "
    text = header.format(sep=name).replace("\n", end) + end.join(lines) + (end if last_end else "")
    path = tmp_path / "a.xy"
    path.write_bytes(text.encode(encoding))
    read = read_scan(path)
    np.testing.assert_array_equal(read.axis_deg, x)
    np.testing.assert_array_equal(read.counts, y)
    assert any(one.code == "descending" for one in read.findings) == turned


@ROUNDS
@given(scan=scans(), step_time=st.sampled_from([0.1, 0.5, 2.0, 60.0]))
def test_rates_come_back_as_counts(
    tmp_path: Path, scan: tuple[np.ndarray, np.ndarray], step_time: float
) -> None:
    x, y = scan
    path = tmp_path / "a.xy"
    rows = "".join(f"{a:.4f}\t{b / step_time:.10g}\n" for a, b in zip(x, y, strict=True))
    path.write_text(f"# step time: {step_time} s\n# 2theta\tcounts/s\n{rows}", encoding="utf-8")
    read = read_scan(path)
    np.testing.assert_allclose(read.counts, y, rtol=1e-9, atol=1e-9)
    assert read.count_scale == step_time
    np.testing.assert_allclose(read.uncertainty(), np.sqrt(np.maximum(y, 1.0)), rtol=1e-9)


@ROUNDS
@given(scan=scans(), new=st.booleans(), paren=st.booleans())
def test_powder_cif(
    tmp_path: Path, scan: tuple[np.ndarray, np.ndarray], new: bool, paren: bool
) -> None:
    x, y = scan
    sigma = np.maximum(1.0, np.round(np.sqrt(y)))
    point = "." if new else "_"
    cells = [f"{b:.0f}({s:.0f})" if paren else f"{b:.0f}" for b, s in zip(y, sigma, strict=True)]
    rows = "".join(f"{a:.4f} {cell}\n" for a, cell in zip(x, cells, strict=True))
    path = tmp_path / "a.cif"
    path.write_text(
        f"data_one\nloop_\n_pd_meas{point}2theta_scan\n_pd_meas{point}intensity_total\n{rows}",
        encoding="utf-8",
    )
    read = read_scan(path)
    np.testing.assert_array_equal(read.axis_deg, x)
    np.testing.assert_array_equal(read.counts, y)
    if paren:
        np.testing.assert_array_equal(read.sigma, sigma)


@ROUNDS
@given(scan=scans(), radians=st.booleans(), packed=st.booleans(), kind=st.sampled_from("fi"))
def test_nexus(
    tmp_path: Path, scan: tuple[np.ndarray, np.ndarray], radians: bool, packed: bool, kind: str
) -> None:
    h5py = pytest.importorskip("h5py")
    x, y = scan
    buffer = io.BytesIO()
    with h5py.File(buffer, "w") as file:
        group = file.create_group("entry/data")
        group.attrs.update({"NX_class": "NXdata", "signal": "counts", "axes": "two_theta"})
        how = {"compression": "gzip", "shuffle": True, "fletcher32": True} if packed else {}
        group.create_dataset("counts", data=y.astype(f"{kind}8"), **how)
        group.create_dataset("two_theta", data=np.radians(x) if radians else x, **how)
        group["two_theta"].attrs["units"] = "rad" if radians else "degree"
    path = tmp_path / "a.nxs"
    path.write_bytes(buffer.getvalue())
    read = read_scan(path)
    np.testing.assert_allclose(read.axis_deg, x, rtol=0, atol=1e-12 if radians else 0)
    np.testing.assert_array_equal(read.counts, y)
