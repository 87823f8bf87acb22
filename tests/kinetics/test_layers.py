"""Absorption by the order of layers: the worked example, inverses, and the mass balance."""

import numpy as np
import pytest

from xrdfilm.crystal import load_phase
from xrdfilm.crystal.attenuation import linear_attenuation_per_cm
from xrdfilm.fluoride.conversion import film_side_by_depth
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.kinetics.layers import LayerOrder, precursor_depth

CU_KA = 1.5406


def test_a_micrometre_of_precursor_leaves_the_005_line_62_per_cent():
    # µ = 800 /cm, 1 µm: µt = 0.08; (005) at 38.5°: exp(-2·0.08/sin 19.25°) = exp(-0.485) = 0.62
    layers = LayerOrder(film_depth=1e-9, precursor_depth=0.08)
    first = 1e-4
    seen = layers.film_line(np.array(first), 38.5) / first
    assert seen == pytest.approx(np.exp(-0.4853), rel=1e-3)
    assert float(seen) == pytest.approx(0.62, abs=0.005)


def test_the_film_side_agrees_with_the_depth_formula():
    layers = LayerOrder(film_depth=1078e-4, precursor_depth=800e-4)
    for ratio in (0.05, 0.3, 0.7, 0.95):
        x, slope = layers.from_film_line(np.array(ratio), 38.5)
        expected = film_side_by_depth(
            ratio,
            two_theta_deg=38.5,
            thickness_nm=1000.0,
            film_mu_per_cm=1078.0,
            precursor_thickness_nm=1000.0,
            precursor_mu_per_cm=800.0,
        )
        assert x == pytest.approx(expected, abs=1e-5)
        assert slope > 0.0


@pytest.mark.parametrize("order", ["from_below", "mixed", "none"])
@pytest.mark.parametrize("normaliser", [None, 51.8])
def test_both_sides_come_back_from_their_own_areas(order, normaliser):
    layers = LayerOrder(0.108, 0.09, order)
    x = np.array([0.02, 0.2, 0.5, 0.8, 0.98])
    cover = layers.cover(x, 51.8) if normaliser else np.ones_like(x)
    ends = layers.cover(np.array([0.0, 1.0]), 51.8) if normaliser else np.ones(2)
    film = layers.film_line(x, 38.5) * ends[1] / cover
    fluoride = layers.fluoride_line(x, 24.9) * ends[0] / cover
    np.testing.assert_allclose(layers.from_film_line(film, 38.5, normaliser)[0], x, atol=2e-5)
    np.testing.assert_allclose(
        layers.from_fluoride_line(fluoride, 24.9, normaliser)[0], x, atol=2e-5
    )


def test_the_layered_areas_are_integrals_over_depth():
    layers = LayerOrder(0.108, 0.09)
    x, path = 0.4, 2.0 / np.sin(np.radians(19.25))
    depth = (np.arange(4000) + 0.5) / 4000  # from the surface down, precursor first
    film = np.exp(-path * (0.09 * (1 - x) + 0.108 * x * depth)).mean() * x
    whole = np.exp(-path * 0.108 * depth).mean()
    assert layers.film_line(np.array(x), 38.5) == pytest.approx(film / whole, rel=1e-6)
    fluoride = np.exp(-path * 0.09 * (1 - x) * depth).mean() * (1 - x)
    start = np.exp(-path * 0.09 * depth).mean()
    assert layers.fluoride_line(np.array(x), 38.5) == pytest.approx(fluoride / start, rel=1e-6)


def test_noise_beyond_the_bounds_is_carried_on_straight():
    layers = LayerOrder(0.108, 0.09)
    below, slope = layers.from_film_line(np.array(-0.02), 38.5)
    assert below == pytest.approx(-0.02 * slope, rel=1e-6)
    above, _ = layers.from_fluoride_line(np.array(-0.01), 24.9)
    assert above > 1.0


def test_precursor_absorbs_by_the_metals_it_shares_with_the_film():
    film = Layer(load_phase("YBCO"), 1000.0)
    own = linear_attenuation_per_cm(film.phase, CU_KA) * 1e-4
    depth = precursor_depth(film, CU_KA)
    # YBa2Cu3O7 against 2 BaF2 + ½ Y2O3 + 3 CuO: 4 F for 2.5 O, hardly another absorption
    assert depth == pytest.approx(own, rel=0.03)
    assert LayerOrder.of(Stack(film), CU_KA).precursor_depth == pytest.approx(depth)
