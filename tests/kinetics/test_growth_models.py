"""Growth models: worked values, inverses, and the one law that is an average over a sample."""

import numpy as np
import pytest

from xrdfilm.kinetics.models import BOUNDARY, DIFFUSION, FRONT, MODELS, NUCLEATION, model


def test_front_is_the_straight_line_between_incubation_and_end():
    time_s = np.array([0.0, 300.0, 800.0, 1300.0, 2000.0])
    np.testing.assert_allclose(
        FRONT.conversion(time_s, 300.0, 1000.0), [0.0, 0.0, 0.5, 1.0, 1.0], atol=1e-12
    )


def test_diffusion_has_converted_half_at_a_quarter_of_the_time():
    assert DIFFUSION.conversion(np.array([350.0]), 100.0, 1000.0)[0] == pytest.approx(0.5)


def test_nucleation_has_converted_one_less_one_over_e_at_its_characteristic_time():
    for n in (1.0, 2.5, 4.0):
        got = NUCLEATION.conversion(np.array([1100.0]), 100.0, 1000.0, n)[0]
        assert got == pytest.approx(1.0 - np.exp(-1.0))


def test_boundary_layer_is_the_mean_of_fronts_along_a_plate():
    # local speed as x^(-1/2), mean speed 1: 0.5 x^(-1/2); the last place ends at 2 mean times
    x = (np.arange(200_000) + 0.5) / 200_000
    for s in (0.1, 0.3, 0.6, 0.9, 1.0):
        mean_times = 2.0 * s
        averaged = np.minimum(0.5 / np.sqrt(x) * mean_times, 1.0).mean()
        assert BOUNDARY.curve(np.array(s), None) == pytest.approx(averaged, abs=1e-4)


@pytest.mark.parametrize("item", MODELS, ids=lambda m: m.name)
def test_each_model_rises_from_0_to_1_and_inverts(item):
    n = np.asarray(2.0) if item.has_exponent else None
    s = np.linspace(-1.0, 6.0, 400)
    f = item.curve(s, n)
    assert np.all(np.diff(f) >= 0.0)
    assert np.all(f[s <= 0.0] == 0.0)
    assert f[-1] == pytest.approx(1.0)
    for share in (0.05, 0.5, 0.95):
        assert item.curve(item.time_at(share, n), n) == pytest.approx(share)


def test_unknown_model_names_the_known_ones():
    with pytest.raises(KeyError, match="front"):
        model("linear")
