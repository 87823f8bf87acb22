"""Expected lines slid over peaks: what is read off sorted places is what a search of each gives."""

import numpy as np
import pytest

from xrdfilm.lattice.shift_search import _Looked


@pytest.mark.parametrize("seed", range(6))
def test_nearness_is_that_of_the_peaks_on_either_side(seed: int) -> None:
    """Place by place, the nearest peak below and above; peaks stand closer than the tolerance."""
    rng = np.random.default_rng(seed)
    looked = rng.uniform(20.0, 26.0, (4, 5, 3))
    looked[0, 0, 0] = -500.0  # beyond the wavelength
    peaks = np.sort(rng.uniform(20.0, 26.0, 14))
    looked[1, 2, 1] = peaks[3]  # on a peak to the last digit
    edges = np.concatenate([[-1e3], peaks, [1e3]])
    weight = np.zeros((5, 16))
    weight[:, 1:-1] = rng.uniform(0.1, 1.0, (5, 14))
    found = _Looked.of(looked).nearness(edges, weight, 0.6)
    for (cell, shift, line), at in np.ndenumerate(looked):
        above = int(np.searchsorted(edges, at))
        each = [weight[shift, k] * (1.0 - abs(edges[k] - at) / 0.6) for k in (above, above - 1)]
        assert found[cell, shift, line] == max(0.0, *each)
