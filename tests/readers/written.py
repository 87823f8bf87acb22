"""Small scan files in every style met in laboratories, each with what it must be read as.

Each case writes the same known scan (or a known change of it) in one style. `expect` holds the
arrays the file stands for, so reading is compared with what was written, not with a reading.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

X = np.round(np.arange(20.0, 24.0, 0.05), 4)
Y = np.round(
    200.0 + 3000.0 * np.exp(-0.5 * ((X - 22.0) / 0.2) ** 2) + (np.arange(X.size) * 7919) % 29
)


@dataclass(frozen=True)
class Case:
    """A file's bytes, and the scan it stands for: or, where ``refused``, why it is none."""

    name: str
    data: bytes
    file_name: str = "scan.xy"
    x: np.ndarray = field(default_factory=lambda: X)
    y: np.ndarray = field(default_factory=lambda: Y)
    sigma: np.ndarray | None = None
    axis: str = "two_theta"
    codes: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    attributes: tuple[tuple[str, object], ...] = ()
    meta: tuple[tuple[str, str], ...] = ()
    refused: str | None = None
    scans: int = 1


def rows(
    form: str = "{x:.4f} {y:.0f}", x: np.ndarray = X, y: np.ndarray = Y, end: str = "\n"
) -> str:
    """One line a point."""
    return "".join(
        form.format(x=a, y=b, s=np.sqrt(abs(b))) + end for a, b in zip(x, y, strict=True)
    )


def comma(text: str) -> str:
    """Decimal points to decimal commas."""
    return text.replace(".", ",")


def text_case(name: str, text: str | bytes, **expect: object) -> Case:
    """A case from text, written in UTF-8, or from bytes."""
    data = text if isinstance(text, bytes) else text.encode("utf-8")
    return Case(name, data, **expect)  # type: ignore[arg-type]
