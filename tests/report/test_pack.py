import base64

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from xrdfilm.report.pack import SQRT_QUANTUM, pack_axis, pack_counts, pack_curve


def unpacked(packed):
    """The reading side, written anew from the description (the page has its own)."""
    if "step" in packed:
        return packed["start"] + packed["step"] * np.arange(packed["n"])
    every = packed.get("every", 1)
    places = np.union1d(np.arange(0, packed["n"], every), [packed["n"] - 1])
    values = np.full(places.size, np.nan)
    bits = "".join(f"{byte:08b}" for byte in base64.b64decode(packed["bits"]))
    foretell = {
        "last": lambda a, b: a,
        "mean": lambda a, b: (a + b) // 2,
        "line": lambda a, b: 2 * a - b,
    }[packed["by"]]
    places_of = [first + i for first, many in packed["runs"] for i in range(many)]
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
        values[place] = value * packed["q"]
    if every > 1:
        values = np.interp(np.arange(packed["n"]), places, values)
    return np.sign(values) * values**2 if packed["root"] else values


@given(hnp.arrays(np.int64, st.integers(1, 60), elements=st.integers(0, 2**40)))
def test_counts_come_back_exactly(counts):
    packed = pack_counts(counts.astype(float))
    assert np.array_equal(unpacked(packed), counts.astype(float))


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
