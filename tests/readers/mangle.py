"""Damaged and invented files for the readers: each one a function of a seed alone."""

from __future__ import annotations

import random
from collections.abc import Sequence

from xrdfilm.readers import Overrides

TOKENS: tuple[bytes, ...] = (
    b"\n", b"\r\n", b"\r", b" ", b"\t", b",", b";", b"#", b"!", b"*", b"_", b'"', b"'", b"-",
    b"+", b".",
    b"nan", b"inf", b"-inf", b"-9999", b"1e308", b"1e-320", b"1e999", b"9" * 400, b"1_000", b"0x10",
    b"2theta", b"counts", b"cps", b"omega", b"phi", b"q", b"sigma", b"atten", b"Wavelength: 1.54",
    b"Step time: 0", b"Step time: 1e999", b"data_x\n", b"loop_\n", b"_pd_meas_2theta_scan\n",
    b"_pd_meas_counts_total\n", b"_pd_proc_intensity_total\n", b"_pd_meas_2theta_range_min 1\n",
    b"_pd_meas_2theta_range_inc 1e-300\n", b"_pd_meas_2theta_range_max 1e300\n", b"12(3)", b"(9)",
    b"1e9(2)", b"?", b"global_\n", b"save_x\n", b"stop_\n", b"\0", b"\x1a", b"\xff", b"\xfe\xff",
    b"\xef\xbb\xbf", b"\xff\xfe", b"\x93\xfa", b"<?xml", b"PK\x03\x04", b"\x1b[31m",
    b"\x89HDF\r\n\x1a\n",
    b"20.0 100\n", b"20,5;100,5\n", b"20.1\t5\t1\n", b"0 0\n", b"-0.0 -0\n", b"180 1\n", b"1e5 1\n",
)  # fmt: skip


def mangled(seed: int, originals: Sequence[bytes]) -> bytes:
    """One input: an original with some damage, a splice of two, or a heap of tokens."""
    rng = random.Random(seed)
    kind = rng.random()
    if kind < 0.15:
        return b"".join(rng.choice(TOKENS) for _ in range(rng.randrange(1, 120)))
    if kind < 0.25:
        return _table(rng)
    data = bytearray(rng.choice(originals))
    if kind < 0.35 and data:
        other = rng.choice(originals)
        cut, start = rng.randrange(len(data) + 1), rng.randrange(len(other) + 1)
        data = data[:cut] + bytearray(other[start:])
    for _ in range(rng.choice((1, 1, 2, 4, 8, 30))):
        _damage(rng, data)
    return bytes(data[:200_000])


def _damage(rng: random.Random, data: bytearray) -> None:
    if not data:
        data += rng.choice(TOKENS)
        return
    at = rng.randrange(len(data))
    what = rng.randrange(7)
    if what == 0:
        data[at] = rng.randrange(256)
    elif what == 1:
        data[at] ^= 1 << rng.randrange(8)
    elif what == 2:
        del data[at : at + rng.choice((1, 2, 10, 200))]
    elif what == 3:
        data[at:at] = rng.choice(TOKENS)
    elif what == 4:
        piece = data[at : at + rng.choice((1, 10, 200))]
        to = rng.randrange(len(data))
        data[to:to] = piece
    elif what == 5:
        del data[at:]
    else:
        to = rng.randrange(len(data))
        width = rng.choice((1, 2, 4, 8))
        data[at : at + width] = data[to : to + width]


def _table(rng: random.Random) -> bytes:
    """Rows of numbers of wild sizes in a random dialect."""
    separator = rng.choice((" ", "\t", ",", ";", ", ", "  ", "|"))
    columns = rng.randrange(1, 6)
    lines = [rng.choice(("", "# a b", "2theta,counts", "x;y;z", "[s]", "Key: value"))]
    x, step = rng.uniform(-400, 400), rng.choice((0.01, 0.0, -0.05, 1.0, 1e-9, 1e200))
    for _ in range(rng.randrange(0, 60)):
        x += step
        cells = [f"{x:.4f}", *(_cell(rng) for _ in range(columns - 1))]
        lines.append(separator.join(cells))
    return rng.choice(("\n", "\r\n", "\r")).join(lines).encode()


def _cell(rng: random.Random) -> str:
    wild = f"{rng.uniform(-1, 1) * 10 ** rng.uniform(-300, 300):g}"
    return rng.choice(("0", "1", "nan", "-1", f"{rng.uniform(0, 1e6):.3g}", wild, ""))


_COLUMNS: tuple[tuple[int | str, ...], ...] = (
    (1, 2),
    (2, 1, 3),
    (1, 250),
    ("2Theta", "Counts"),
    ("two_theta", "counts", "counts_errors"),
    ("_pd_meas_2theta_scan", "_pd_meas_counts_total"),
    ("_pd_proc_2theta_corrected", "_pd_proc_intensity_total", "_pd_meas_counts_total"),
)


def chosen(seed: int) -> Overrides:
    """What a user might state of the file of a seed: of two in three nothing."""
    if seed % 3:
        return Overrides()
    rng = random.Random(seed)
    columns = rng.choice((None, *_COLUMNS))
    return Overrides(
        axis=rng.choice((None, "two_theta", "omega")),
        anode=rng.choice((None, "Cu", "Mo")),
        intensity_unit=rng.choice((None, "counts", "counts_per_s")),
        step_time_s=rng.choice((None, 0.5)),
        columns=columns,
        which=None if columns else rng.choice((None, 1, 2, "after", "x")),
    )
