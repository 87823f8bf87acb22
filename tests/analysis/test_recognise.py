"""Cells of buffers that the peaks suggest: of odd stacks, where phases are there twice."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.invented import OPTICS
from xrdfilm.analysis.coupled import Prepared, prepare
from xrdfilm.analysis.premises import premises_of
from xrdfilm.analysis.recognise import cells_by_peaks
from xrdfilm.lattice.peaks import Peaks
from xrdfilm.runfile import RunFile

AXIS_DEG = np.arange(20.0, 85.0, 0.02)


def prepared_on(substrate: str, *buffers: str) -> Prepared:
    stack: dict[str, Any] = {
        "film": "YBCO",
        "thickness_nm": 800,
        "substrate": substrate,
        "buffers": [{"phase": key, "thickness_nm": 75} for key in buffers],
    }
    run = RunFile.model_validate({"stack": stack, "optics": OPTICS})
    return prepare(premises_of(run), AXIS_DEG)


def plain(places_deg: list[float]) -> Peaks:
    ones = np.ones(len(places_deg))
    return Peaks(
        np.array(sorted(places_deg)), 1e3 * ones, 0.15 * ones, 100.0 * ones, 20.0, 85.0, np.empty(0)
    )


def orders_of(prepared: Prepared, key: str, cell: float) -> list[float]:
    """Places of a phase's lines along its normal on a cell, (00l) within the axis."""
    lines = next(lines for lines in prepared.expected if lines.name == key)
    places = lines.two_theta_deg(prepared.premises.optics.radiation.k_alpha1_A, cell)
    return [float(place) for place in places if 21.0 < place < 84.0]


def test_a_phase_that_is_there_twice_has_one_cell() -> None:
    """A peak beside the first order is not the second layer's."""
    prepared = prepared_on("Ni-5W", "CeO2", "CeO2")
    peaks = plain([*orders_of(prepared, "CeO2", 0.997), *orders_of(prepared, "CeO2", 1.0065)[:1]])
    film = prepared.premises.film
    once = prepared_on("Ni-5W", "CeO2")
    cells = cells_by_peaks(np.asarray, peaks, prepared, film)
    assert cells == cells_by_peaks(np.asarray, peaks, once, film)
    assert cells["CeO2"] == pytest.approx(0.997, abs=1.2e-3)


def test_a_buffer_of_the_crystals_own_phase_leaves_the_crystal_where_it_is() -> None:
    prepared = prepared_on("YSZ", "CeO2", "YSZ")
    peaks = plain(orders_of(prepared, "CeO2", 0.998) + orders_of(prepared, "YSZ", 1.004))
    cells = cells_by_peaks(np.asarray, peaks, prepared, prepared.premises.film)
    assert set(cells) == {"CeO2"}
