"""Writing a simulated scan and its truth."""

from __future__ import annotations

import json
from pathlib import Path

from xrdfilm.scan import Scan
from xrdfilm.simulate.truth import Truth

_AXIS_NAMES = {"two_theta": "two_theta_deg", "omega": "omega_deg", "phi": "phi_deg"}


def write_scan(path: Path, scan: Scan) -> None:
    """Write a scan as text of two columns under a header that the readers understand.

    Angles carry four decimals; counts are whole numbers where they are, else three decimals.
    """
    name = _AXIS_NAMES.get(scan.axis, f"{scan.axis}_deg")
    head = ["# simulated scan"]
    if scan.anode is not None:
        head.append(f"# anode: {scan.anode}")
    if scan.wavelength_A is not None:
        head.append(f"# wavelength_A: {scan.wavelength_A:.8g}")
    if scan.step_time_s is not None:
        head.append(f"# step_time_s: {scan.step_time_s:g}")
    head.append(f"# {name} counts")
    rows = [
        f"{angle:.4f} {count:.0f}" if count == round(count) else f"{angle:.4f} {count:.3f}"
        for angle, count in zip(scan.axis_deg.tolist(), scan.counts.tolist(), strict=True)
    ]
    path.write_text("\n".join([*head, *rows, ""]), encoding="utf-8")


def write_truth(path: Path, truth: Truth) -> None:
    """Write the truth of a coupled scan as JSON."""
    path.write_text(
        json.dumps(truth.as_dict(), indent=1, ensure_ascii=False) + "\n", encoding="utf-8"
    )
