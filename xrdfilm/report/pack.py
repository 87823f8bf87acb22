"""Arrays as short text inside a page.

Values are rounded to a quantum, differenced, and written as variable-length integers (7 bits a
byte, zigzag sign) in base64; `unpack` in assets/sheet.js reads them. Counts stay exact. Smooth
curves are rounded in their square root, where counting noise is the same everywhere: a quantum of
0.04 is a twelfth of the noise.
"""

from __future__ import annotations

import base64
from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray, IntArray

SQRT_QUANTUM = 0.04


def pack_axis(axis: FloatArray) -> dict[str, Any]:
    """An ascending axis, shape (N,): start and step where even, else its values to 1e-5."""
    if axis.size > 2:
        step = (axis[-1] - axis[0]) / (axis.size - 1)
        even = axis[0] + step * np.arange(axis.size)
        if np.max(np.abs(axis - even)) < 2e-3 * abs(step):
            return {"n": axis.size, "start": float(axis[0]), "step": float(f"{step:.10g}")}
    return _packed(axis, 1e-5, root=False)


def pack_counts(counts: FloatArray) -> dict[str, Any]:
    """Counts, shape (N,); whole numbers exactly, others to 1/200000 of the largest."""
    finite = counts[np.isfinite(counts)]
    if finite.size and np.all(finite == np.round(finite)):
        return _packed(counts, 1.0, root=False)
    largest = float(np.max(np.abs(finite))) if finite.size else 1.0
    return _packed(counts, (largest or 1.0) / 2e5, root=False)


def pack_curve(values: FloatArray) -> dict[str, Any]:
    """A smooth curve, shape (N,), that may hold NaN; rounded in its square root."""
    finite = values[np.isfinite(values)]
    largest = float(np.sqrt(np.max(np.abs(finite)))) if finite.size else 1.0
    quantum = min(SQRT_QUANTUM, (largest or 1.0) / 5000.0)
    if finite.size < values.size or np.any(values < 0.0):
        return _packed(values, quantum, root=True)
    root = np.sqrt(values)
    places = np.arange(values.size)
    for every in (32, 16, 8, 4, 2):  # a broad curve needs few points, the page joins them
        kept = np.union1d(places[::every], places[-1:])
        if np.max(np.abs(np.interp(places, kept, root[kept]) - root)) <= quantum:
            return _packed(values[kept], quantum, root=True) | {"every": every, "n": values.size}
    return _packed(values, quantum, root=True)


def _packed(values: FloatArray, quantum: float, *, root: bool) -> dict[str, Any]:
    """Runs of finite values as [first index, text]."""
    quantum = float(f"{quantum:.6g}")
    finite = np.isfinite(values)
    scaled = np.where(finite, values, 0.0)
    if root:
        scaled = np.sign(scaled) * np.sqrt(np.abs(scaled))
    whole = np.round(scaled / quantum).astype(np.int64)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], finite, [False]]).astype(np.int8)))
    runs = [
        [int(first), _varints(np.diff(whole[first:last], prepend=0))]
        for first, last in zip(edges[::2], edges[1::2], strict=True)
    ]
    return {"n": int(values.size), "q": quantum, "root": root, "runs": runs}


def _varints(differences: IntArray) -> str:
    zigzag = (np.abs(differences).astype(np.uint64) << np.uint64(1)) - (differences < 0).astype(
        np.uint64
    )
    groups = np.empty((differences.size, 10), dtype=np.uint8)
    needed = np.ones(differences.size, dtype=np.int64)
    rest = zigzag.copy()
    for place in range(10):
        groups[:, place] = (rest & np.uint64(0x7F)).astype(np.uint8)
        rest >>= np.uint64(7)
        more = rest > 0
        groups[more, place] |= 0x80
        needed[more] = place + 2
        if not more.any():
            break
    kept = np.arange(10)[None, :] < needed[:, None]
    return base64.b64encode(groups[kept].tobytes()).decode("ascii")
