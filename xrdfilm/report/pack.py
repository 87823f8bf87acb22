"""Arrays as short text inside a page.

Values are rounded to a quantum, each is foretold from the two before it (counts also from the
curve that was fitted to them), and what is off is written in the Rice code (zigzag sign), 13 bits
as two of 91 characters; `unpack` in assets/sheet.js reads them. Counts stay exact. Smooth curves
are rounded in their square root, where counting noise is the same everywhere: they come back
within a twelfth of the noise. Of an array's keys those are left out that say what is usual.

Source: R. F. Rice & J. R. Plaunt, IEEE Trans. Commun. 19 (1971) 889 (from memory): noise of
one width takes about its entropy, a quarter less than whole bytes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from xrdfilm._typing import FloatArray, IntArray

SQRT_QUANTUM = 0.08
BLOCK = 32
MOST_ONES = 24
WHOLE_BITS = 53
LETTERS = "".join(chr(code) for code in range(32, 127) if chr(code) not in '"&<\\')
"""What stands in a page and in JSON as it is: 91 characters, and 91² is just over 2¹³."""
PAIR_BITS = 13


def pack_axis(axis: FloatArray) -> dict[str, Any]:
    """An ascending axis, shape (N,): start and step where even, else its values to 1e-5."""
    if axis.size > 2:
        step = (axis[-1] - axis[0]) / (axis.size - 1)
        even = axis[0] + step * np.arange(axis.size)
        if np.max(np.abs(axis - even)) < 2e-3 * abs(step):
            return {"n": axis.size, "start": float(axis[0]), "step": float(f"{step:.10g}")}
    return _packed(axis, 1e-5, root=False)


def pack_counts(counts: FloatArray, near: FloatArray | None = None) -> dict[str, Any]:
    """Counts, shape (N,); whole numbers exactly, others to 1/200000 of the largest.

    ``near``, shape (N,), is what they scatter about, just as the page has it (`unpack_curve`).
    """
    finite = counts[np.isfinite(counts)]
    if finite.size and np.all(finite == np.round(finite)):
        if near is not None and finite.size == counts.size:
            off = (counts - np.floor(near + 0.5)).astype(np.int64)
            packed = _packed(counts, 1.0, root=False)
            told = {"n": int(counts.size), "by": "curve", "bits": letters(_Rice.of(off).bits())}
            return min(packed, told, key=lambda trial: len(trial["bits"]))
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


def unpack_curve(packed: dict[str, Any], values: FloatArray) -> FloatArray:
    """What the page makes of a packed curve, to the last bit; ``values`` (N,) are its own."""
    quantum, every = packed.get("q", 1.0), packed.get("every", 1)
    places = np.union1d(np.arange(0, values.size, every), [values.size - 1])
    kept = np.round(_signed_root(values[places]) / quantum) * quantum
    joined = np.empty(values.size)
    joined[places] = kept
    if every > 1:
        between = np.setdiff1d(np.arange(values.size), places)
        after = np.searchsorted(places, between)
        start, end = places[after - 1], places[after]
        step = (kept[after] - kept[after - 1]) * (between - start)
        joined[between] = kept[after - 1] + step / (end - start)
    signed: FloatArray = np.sign(joined) * joined * joined
    return signed


def _signed_root(values: FloatArray) -> FloatArray:
    root: FloatArray = np.sign(values) * np.sqrt(np.abs(values))
    return root


def _packed(values: FloatArray, quantum: float, *, root: bool) -> dict[str, Any]:
    """``runs`` of finite values as first index, number, ...; all in one string of bits."""
    quantum = float(f"{quantum:.6g}")
    finite = np.isfinite(values)
    scaled = values[finite]
    if root:
        scaled = _signed_root(scaled)
    whole = np.round(scaled / quantum).astype(np.int64)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], finite, [False]]).astype(np.int8)))
    runs = [
        [int(first), int(last - first)] for first, last in zip(edges[::2], edges[1::2], strict=True)
    ]
    best, name = min(((_Rice.of(off), name) for name, off in _off(whole).items()),
                     key=lambda trial: trial[0].length)  # fmt: skip
    packed: dict[str, Any] = {"n": int(values.size), "by": name, "bits": letters(best.bits())}
    if quantum != 1.0:
        packed["q"] = quantum
    if root:
        packed["root"] = True
    if runs != [[0, values.size]]:
        packed["runs"] = [place for run in runs for place in run]
    return packed


def letters(code: bytes) -> str:
    """Bytes as `LETTERS`, two for each 13 bits, filled up with zeros; a quarter more than bytes."""
    bits = np.unpackbits(np.frombuffer(code, dtype=np.uint8))
    bits = np.concatenate([bits, np.zeros(-bits.size % PAIR_BITS, dtype=np.uint8)])
    pairs = bits.reshape(-1, PAIR_BITS) @ (1 << np.arange(PAIR_BITS - 1, -1, -1))
    both = np.column_stack([pairs // len(LETTERS), pairs % len(LETTERS)])
    return "".join(LETTERS[place] for place in both.ravel())


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
