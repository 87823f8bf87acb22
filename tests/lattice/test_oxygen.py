import numpy as np
import pytest

from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import from_normal
from xrdfilm.lattice.oxygen import c_change_by_strain, oxygen_hint, relations


def test_published_cells_within_their_own_relation() -> None:
    verified = relations()[0]
    assert verified.standing == "verified"
    # Swinnea and Steinfink 1987 (O6.00, 11.830(4) Å); single-crystal neutrons (O6.26,
    # 11.7913(10) Å); Williams et al. 1988 (O6.91, 11.68349 Å)
    for oxygen, c in ((6.00, 11.830), (6.26, 11.7913), (6.91, 11.68349)):
        assert verified.oxygen(c) == pytest.approx(oxygen, abs=0.02)
    # not among the three: O6.93 at 11.6802 Å, Jorgensen et al. 1990 (from memory)
    assert verified.oxygen(11.6802) == pytest.approx(6.93, abs=0.01)


@pytest.mark.parametrize(
    ("c", "oxygen"),
    [(11.67, 6.910), (11.68, 6.852), (11.70, 6.735), (11.75, 6.442), (11.80, 6.149)],
)
def test_second_relation_as_tabulated(c: float, oxygen: float) -> None:
    # 7 − δ = 75.250 − 5.856 c (Benzi et al. 2004, coefficients from memory)
    assert relations()[1].standing == "memory"
    assert relations()[1].oxygen(c) == pytest.approx(oxygen, abs=6e-4)


def test_hint_is_a_range_that_holds_every_relation() -> None:
    for c in np.linspace(11.70, 11.80, 11):
        hint = oxygen_hint(from_normal(float(c), 0.0005))
        assert hint.oxygen.low is not None
        assert hint.oxygen.high is not None
        for _, value in hint.by_relation:
            assert hint.oxygen.low < value < hint.oxygen.high
        assert hint.oxygen.high - hint.oxygen.low > 0.15  # no third digit is ever claimed
        assert any("from memory" in note for note in hint.notes)
        assert "no analysis" in hint.notes[0]


def test_strain_arithmetic() -> None:
    # ε_a = +0.3 %, ν = 0.3: ε_c = −0.857 ε_a, 0.030 Å of c, 0.18 of oxygen
    change = float(c_change_by_strain(0.003, 11.70))
    assert change == pytest.approx(-0.030, abs=2e-4)
    strained = oxygen_hint(from_normal(11.70 + change, 5e-4), in_plane_strain=0.003)
    relaxed = oxygen_hint(from_normal(11.70, 5e-4))
    assert strained.oxygen.estimate == pytest.approx(relaxed.oxygen.estimate or 0, abs=0.002)
    naive = oxygen_hint(from_normal(11.70 + change, 5e-4))
    assert (naive.oxygen.estimate or 0) - (relaxed.oxygen.estimate or 0) == pytest.approx(
        0.18, abs=0.01
    )


def test_full_material_gets_a_one_sided_limit() -> None:
    hint = oxygen_hint(from_normal(11.668, 0.001))
    assert hint.oxygen.value is None
    assert hint.oxygen.high == 7.0


def test_what_cannot_be_told() -> None:
    with pytest.raises(CannotTellError, match="yttrium"):
        oxygen_hint(from_normal(11.70, 0.001), rare_earth_c_offset_A=None)
    with pytest.raises(CannotTellError, match="outside"):
        oxygen_hint(from_normal(11.95, 0.001))
    mixed = oxygen_hint(from_normal(11.71, 0.001), rare_earth_c_offset_A=0.01)
    plain = oxygen_hint(from_normal(11.70, 0.001))
    assert mixed.oxygen.estimate == pytest.approx(plain.oxygen.estimate or 0)
    assert any("Vegard" in note for note in mixed.notes)
