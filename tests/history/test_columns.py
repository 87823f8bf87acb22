from __future__ import annotations

import numpy as np
import pytest

from xrdfilm.errors import HistoryError
from xrdfilm.estimate import from_normal
from xrdfilm.history.columns import FIELDS, Columns, pack, unpack


def _columns() -> Columns:
    return Columns.of(
        [
            from_normal(0.03, 0.01, bounds=(0.0, 1.0), sources={"counting": 0.006, "model": 0.008}),
            None,
            from_normal(-0.002, 0.004, bounds=(0.0, 1.0), sources={"counting": 0.004}),
        ]
    )


def test_packed_figures_come_back_to_the_last_bit() -> None:
    columns = _columns()
    back = unpack(pack(columns), 3, list(columns.sources))
    for name in FIELDS:
        np.testing.assert_array_equal(getattr(back, name), getattr(columns, name))
    np.testing.assert_array_equal(back.sources["model"], [0.008, np.nan, np.nan])


def test_a_one_sided_limit_is_charted_by_its_estimate() -> None:
    columns = _columns()
    assert np.isnan(columns.value[2])
    assert columns.centre[2] == -0.002
    assert list(columns.known) == [True, False, True]


def test_what_films_share_is_not_their_own_noise() -> None:
    np.testing.assert_allclose(_columns().own_sigma, [0.006, np.nan, 0.004])
    plain = Columns.of([from_normal(1.0, 0.2, sources={"all": 0.2})])
    assert plain.own_sigma[0] == 0.2


def test_equal_to_rounding_is_the_same() -> None:
    columns = _columns()
    nudged = Columns.of(
        [
            from_normal(
                0.03 * (1 + 1e-12),
                0.01,
                bounds=(0.0, 1.0),
                sources={"counting": 0.006, "model": 0.008},
            ),
            None,
            from_normal(-0.002, 0.004, bounds=(0.0, 1.0), sources={"counting": 0.004}),
        ]
    )
    assert columns.same_as(nudged)
    assert not columns.same_as(Columns.of([from_normal(0.03, 0.01), None, None]))


@pytest.mark.parametrize("cut", [b"", b"\x00\x01"])
def test_damaged_bytes_are_told(cut: bytes) -> None:
    with pytest.raises(HistoryError, match="damaged"):
        unpack(cut, 3, [])
    with pytest.raises(HistoryError, match="need"):
        unpack(pack(_columns()), 4, ["counting", "model"])
