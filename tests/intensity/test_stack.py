import numpy as np
import pytest
from scipy.integrate import quad

import xrdfilm.intensity.stack
from xrdfilm.crystal import load_phase
from xrdfilm.crystal.attenuation import linear_attenuation_per_cm
from xrdfilm.errors import StackError
from xrdfilm.intensity.stack import Layer, Stack, layer_path, optical_depth

CU_A = 1.5418


@pytest.fixture
def tape():
    return Stack(
        Layer(load_phase("YBCO"), 800.0),
        (Layer(load_phase("CeO2"), 75.0), Layer(load_phase("La2Zr2O7"), 200.0)),
        Layer(load_phase("Ni-5W"), None),
    )


def by_depth(two_theta_deg, stack, index, tilt_deg=0.0):
    """T by integrating the path of the rays over depth, layer by layer, in cm."""
    sine = np.sin(np.radians(two_theta_deg / 2)) * np.cos(np.radians(tilt_deg))
    layers = stack.layers
    mu = [linear_attenuation_per_cm(layer.phase, CU_A) for layer in layers]
    tops = np.cumsum([0.0, *(layer.thickness_nm * 1e-7 for layer in layers[:-1])])

    def left(depth):
        path = 0.0
        for i in range(index + 1):
            low = tops[i]
            high = depth if i == index else tops[i + 1]
            path += mu[i] * (high - low)
        return np.exp(-2.0 * path / sine) / sine

    bulk = layers[index].thickness_nm is None
    bottom = tops[index] + 40.0 * sine / mu[index] if bulk else tops[index + 1]
    return quad(left, tops[index], bottom, epsrel=1e-10, limit=200)[0]


@pytest.mark.parametrize("index", [0, 1, 2, 3])
@pytest.mark.parametrize("tilt", [0.0, 56.8])
def test_path_is_the_integral_over_depth(tape, index, tilt):
    for angle in (15.0, 38.5, 90.0):
        closed = float(layer_path(angle, tape, index, CU_A, tilt_deg=tilt))
        assert closed == pytest.approx(by_depth(angle, tape, index, tilt), rel=1e-6)


def test_thin_and_thick_limits():
    thin = Stack(Layer(load_phase("YBCO"), 1.0))
    sine = np.sin(np.radians(20.0))
    assert float(layer_path(40.0, thin, 0, CU_A)) == pytest.approx(1e-7 / sine, rel=1e-3)
    bulk = Stack(Layer(load_phase("YBCO"), None))
    mu = linear_attenuation_per_cm(load_phase("YBCO"), CU_A)
    assert layer_path([20.0, 80.0], bulk, 0, CU_A) == pytest.approx([0.5 / mu, 0.5 / mu])


def test_loss_against_the_thin_limit(monkeypatch):
    # recomputed from µ = 1078 cm⁻¹ for YBa2Cu3O7 (Elam tables): 27 % lost at 1 µm, 2θ = 38.5°
    monkeypatch.setattr(
        xrdfilm.intensity.stack, "linear_attenuation_per_cm", lambda phase, w: 1078.0
    )
    sine = np.sin(np.radians(38.5 / 2))
    for thickness, share in ((300.0, 0.908), (1000.0, 0.734), (2000.0, 0.558)):
        stack = Stack(Layer(load_phase("YBCO"), thickness))
        path = float(layer_path(38.5, stack, 0, CU_A))
        assert path / (thickness * 1e-7 / sine) == pytest.approx(share, abs=1e-3)


def test_tilted_paths_at_the_two_poles_of_102(monkeypatch):
    # A(56.8°)/A(33.2°) at the (102) line for µ = 1078 cm⁻¹: 1.528 thin, then falling
    monkeypatch.setattr(
        xrdfilm.intensity.stack, "linear_attenuation_per_cm", lambda phase, w: 1078.0
    )
    for thickness, ratio in ((0.1, 1.528), (300.0, 1.412), (800.0, 1.269), (1500.0, 1.144)):
        stack = Stack(Layer(load_phase("YBCO"), thickness))
        path = layer_path(27.88, stack, 0, CU_A, tilt_deg=[56.8, 33.2])
        assert path[0] / path[1] == pytest.approx(ratio, abs=3e-3)


def test_layers_and_their_order(tape):
    assert [layer.phase.key for layer in tape.layers] == ["YBCO", "CeO2", "La2Zr2O7", "Ni-5W"]
    assert tape.index_of("La2Zr2O7") == 2
    assert optical_depth(tape.layers[3], CU_A) == np.inf
    with pytest.raises(StackError, match=r"MgO.*YBCO, CeO2"):
        tape.index_of("MgO")
    with pytest.raises(StackError, match="layer 4 asked for, but the stack has 4"):
        layer_path(30.0, tape, 4, CU_A)


def test_stacks_that_contradict_themselves_are_refused():
    film = Layer(load_phase("YBCO"), 800.0)
    bulk = Layer(load_phase("CeO2"), None)
    with pytest.raises(StackError, match=r"CeO2 has no thickness_nm but lies above Ni"):
        Stack(film, (bulk,), Layer(load_phase("Ni"), None))
    with pytest.raises(StackError, match="thickness_nm is -1"):
        Layer(load_phase("YBCO"), -1.0)
    with pytest.raises(StackError, match="sample_length_mm is 0"):
        Stack(film, sample_length_mm=0.0)
    with pytest.raises(StackError, match="shows its back"):
        layer_path(30.0, Stack(film), 0, CU_A, tilt_deg=90.0)
