import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from xrdfilm.report.pack import (
    SQRT_QUANTUM,
    letters,
    pack_axis,
    pack_counts,
    pack_curve,
    unpack_curve,
)


def unpacked(packed, near=None):
    """The reading side, written anew from the description (the page has its own)."""
    if "step" in packed:
        return packed["start"] + packed["step"] * np.arange(packed["n"])
    every = packed.get("every", 1)
    places = np.union1d(np.arange(0, packed["n"], every), [packed["n"] - 1])
    values = np.full(places.size, np.nan)
    letters = [chr(code) for code in range(32, 127) if chr(code) not in '"&<\\']
    pairs = zip(packed["bits"][::2], packed["bits"][1::2], strict=True)
    bits = "".join(f"{91 * letters.index(a) + letters.index(b):013b}" for a, b in pairs)
    foretell = {
        "last": lambda a, b: a,
        "mean": lambda a, b: (a + b) // 2,
        "line": lambda a, b: 2 * a - b,
        "curve": lambda a, b: 0,
    }[packed["by"]]
    runs = packed.get("runs", [0, places.size])
    runs = zip(runs[::2], runs[1::2], strict=True)
    places_of = [first + i for first, many in runs for i in range(many)]
    at, k, last, before = 0, 0, 0, 0
    for number, place in enumerate(places_of):
        if number % 32 == 0:
            k, at = int(bits[at : at + 5], 2), at + 5
        ones = len(bits[at : at + 24]) - len(bits[at : at + 24].lstrip("1"))
        if ones == 24:
            z, at = int(bits[at + 24 : at + 77], 2), at + 77
        else:
            tail = bits[at + ones + 1 : at + ones + 1 + k]
            z, at = (ones << k) + int(tail or "0", 2), at + ones + 1 + k
        value = foretell(last, before) + (-(z + 1) // 2 if z % 2 else z // 2)
        last, before = value, last
        values[place] = value * packed.get("q", 1.0)
    if every > 1:
        values = np.interp(np.arange(packed["n"]), places, values)
    if packed["by"] == "curve":
        return values + np.floor(near + 0.5)
    return np.sign(values) * values**2 if packed.get("root") else values


@given(hnp.arrays(np.int64, st.integers(1, 60), elements=st.integers(0, 2**40)))
def test_counts_come_back_exactly(counts):
    packed = pack_counts(counts.astype(float))
    assert np.array_equal(unpacked(packed), counts.astype(float))


def _scan(seed):
    """Counts on a falling background with some lines, and the curves through them."""
    rng = np.random.default_rng(seed)
    axis = np.linspace(10.0, 80.0, 3501)
    background = 90.0 + 400.0 * np.exp(-(axis - 10.0) / 6.0)
    fitted, curve = np.full(axis.size, np.nan), background.copy()
    places = rng.uniform(12.0, 78.0, 12)
    for place in places:
        curve += 10.0 ** rng.uniform(1.0, 4.5) * np.exp(-0.5 * ((axis - place) / 0.05) ** 2)
    near = np.min(np.abs(axis[:, None] - places), axis=1) < 0.7
    fitted[near] = curve[near]
    return rng.poisson(curve).astype(float), background, fitted


@pytest.mark.parametrize("seed", range(3))
def test_counts_told_by_their_curves_come_back_exactly(seed):
    counts, background, fitted = _scan(seed)
    packed = [pack_curve(curve) for curve in (background, fitted)]
    shown = [unpack_curve(p, c) for p, c in zip(packed, (background, fitted), strict=True)]
    for form, curve in zip(packed, shown, strict=True):
        np.testing.assert_allclose(unpacked(form), curve, rtol=1e-12)
    near = np.where(np.isnan(shown[1]), shown[0], shown[1])
    told = pack_counts(counts, near)
    assert told["by"] == "curve"
    assert len(told["bits"]) < len(pack_counts(counts)["bits"])
    assert np.array_equal(unpacked(told, near), counts)


def test_noise_takes_little_more_than_its_entropy():
    counts, background, fitted = _scan(5)
    near = np.where(np.isnan(fitted), background, fitted)
    told = pack_counts(counts, near)
    # half the log of 2πe times the variance (normal noise; Shannon 1948, from memory)
    entropy_bits = np.sum(np.log2(2.0 * np.pi * np.e * near)) / 2.0
    characters = entropy_bits / 13.0 * 2.0
    assert len(told["bits"]) < 1.1 * characters


@given(st.binary(max_size=60))
def test_letters_hold_every_bit_and_can_stand_in_a_page(code):
    text = letters(code)
    assert not set(text) & set('"&<\\')
    assert text.isascii()
    assert json.loads(f'"{text}"') == text
    assert len(text) == 2 * -(-8 * len(code) // 13)


@given(hnp.arrays(float, st.integers(1, 60), elements=st.floats(-1e7, 1e7) | st.just(np.nan)))
def test_curves_come_back_within_a_twelfth_of_the_noise(curve):
    back = unpacked(pack_curve(curve))
    assert np.array_equal(np.isnan(back), np.isnan(curve))
    error = np.abs(np.sqrt(np.abs(back)) - np.sqrt(np.abs(curve)))
    # counting noise is 0.5 in the square root; the quantum may be hit twice where points are joined
    assert np.nanmax(error, initial=0.0) <= 1.01 * SQRT_QUANTUM


def test_a_broad_curve_takes_few_points():
    axis = np.linspace(10, 60, 5000)
    broad = 90 + 400 * np.exp(-(axis - 10) / 6)
    packed = pack_curve(broad)
    assert packed["every"] > 8
    assert np.max(np.abs(np.sqrt(unpacked(packed)) - np.sqrt(broad))) <= 1.5 * SQRT_QUANTUM


@pytest.mark.parametrize("scale", [1e-6, 0.37])
def test_intensities_that_are_no_counts(scale):
    values = scale * np.random.default_rng(2).poisson(400, 300).astype(float)
    back = unpacked(pack_counts(values))
    assert np.max(np.abs(back - values)) <= values.max() / 2e5


def test_axes():
    even = np.linspace(10.0, 60.0, 2501)
    assert "step" in pack_axis(even)
    assert np.allclose(unpacked(pack_axis(even)), even, atol=1e-6)
    bent = np.sort(np.random.default_rng(1).uniform(10, 60, 40))
    assert np.allclose(unpacked(pack_axis(bent)), bent, atol=1e-5)
    assert np.allclose(unpacked(pack_axis(np.array([5.0]))), [5.0])
