"""Arrays as short text inside a page.

Values are rounded to a quantum, each is foretold from the two before it, and what is off is
written in the Rice code (zigzag sign) as base64; `unpack` in assets/sheet.js reads them. Counts
stay exact. Smooth curves are rounded in their square root, where counting noise is the same
everywhere: a quantum of 0.04 is a twelfth of the noise.

Source: R. F. Rice & J. R. Plaunt, IEEE Trans. Commun. 19 (1971) 889 (from memory): noise of
one width takes about its entropy, a quarter less than whole bytes.
"""

from __future__ import annotations

import base64
from dataclasses import dataclass
from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray, IntArray

SQRT_QUANTUM = 0.04
BLOCK = 32
MOST_ONES = 24
WHOLE_BITS = 53


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
    quantum = min(SQRT_QUANTUM, (largest or 1.0) / 1000.0)
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
    """``runs`` of finite values as [first index, number]; all of them in one string of bits."""
    quantum = float(f"{quantum:.6g}")
    finite = np.isfinite(values)
    scaled = values[finite]
    if root:
        scaled = np.sign(scaled) * np.sqrt(np.abs(scaled))
    whole = np.round(scaled / quantum).astype(np.int64)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], finite, [False]]).astype(np.int8)))
    runs = [
        [int(first), int(last - first)] for first, last in zip(edges[::2], edges[1::2], strict=True)
    ]
    best, name = min(((_Rice.of(off), name) for name, off in _off(whole).items()),
                     key=lambda trial: trial[0].length)  # fmt: skip
    text = base64.b64encode(best.bits()).decode("ascii")
    return {
        "n": int(values.size),
        "q": quantum,
        "root": root,
        "runs": runs,
        "by": name,
        "bits": text,
    }


def _off(whole: IntArray) -> dict[str, IntArray]:
    """What is off where each value is foretold: the last one, the mean or the line of two."""
    last = np.concatenate([[0], whole[:-1]])
    before = np.concatenate([[0, 0], whole[:-2]])[: whole.size]
    return {
        "last": whole - last,
        "mean": whole - (last + before) // 2,
        "line": whole - (2 * last - before),
    }


@dataclass(frozen=True, slots=True)
class _Rice:
    """The Rice code of N integers ``z``, their zigzags; ``k`` of each of the blocks of `BLOCK`.

    A block is five bits for k, then each z as z >> k ones, a zero, and the k lowest bits of z; from
    `MOST_ONES` ones on, they and z in `WHOLE_BITS` bits.
    """

    z: IntArray
    k: IntArray
    length: int

    @classmethod
    def of(cls, values: IntArray) -> _Rice:
        z = np.where(values >= 0, 2 * values, -2 * values - 1).astype(np.int64)
        begins = np.arange(0, z.size, BLOCK)
        cost = np.empty((32, begins.size), dtype=np.int64)
        for k in range(32):
            cost[k] = np.add.reduceat(_lengths(z, k), begins) if z.size else 0
        best = cost.argmin(axis=0)
        return cls(z, best, int(cost.min(axis=0).sum()) + 5 * begins.size)

    def bits(self) -> bytes:
        """The code, filled up to whole bytes with zeros."""
        z, k = self.z, np.repeat(self.k, BLOCK)[: self.z.size]
        first = np.arange(z.size) % BLOCK == 0
        ends = np.cumsum(_lengths(z, k) + 5 * first)
        out = np.zeros(self.length, dtype=np.uint8)

        def write(at: IntArray, value: IntArray, width: IntArray | int) -> None:
            """The lowest ``width`` bits of each value, from its place on, the highest first."""
            for j in range(int(np.max(width, initial=0))):
                here = np.broadcast_to(j < np.asarray(width), at.shape)
                out[(at + width - 1 - j)[here]] = ((value >> j) & 1)[here]

        write((ends - _lengths(z, k) - 5)[first], k[first], 5)
        ones = np.minimum(z >> k, MOST_ONES)
        whole = ones == MOST_ONES
        at = ends - _lengths(z, k)
        within = np.arange(ones.sum()) - np.repeat(np.cumsum(ones) - ones, ones)
        out[np.repeat(at, ones) + within] = 1
        write((at + MOST_ONES)[whole], z[whole], WHOLE_BITS)
        write((at + ones + 1)[~whole], z[~whole], k[~whole])
        return np.packbits(out).tobytes()


def _lengths(z: IntArray, k: IntArray | int) -> IntArray:
    """Bits that each zigzag takes with that k."""
    ones = z >> k
    lengths: IntArray = np.where(ones >= MOST_ONES, MOST_ONES + WHOLE_BITS, ones + 1 + k)
    return lengths
