"""Exposure limits carry date and source; dilution and neutralisation by hand."""

from __future__ import annotations

import pytest
from scipy.constants import R

from xrdfilm import safety


def test_every_limit_is_dated_and_sourced():
    for limit in (*safety.HF_LIMITS, *safety.BARIUM_LIMITS):
        assert 1970 < limit.year <= 2030
        assert len(limit.source) > 10
        assert limit.standing in {"verified", "memory"}
        assert ("memory" in limit.source) == (limit.standing == "memory")
        assert (limit.ppm is None) != (limit.mg_m3 is None) or limit.ppm is not None


def test_mass_and_volume_limits_of_one_source_agree():
    # ppm × molar mass / molar volume = mg/m³; the sources round to two digits
    for limit in safety.HF_LIMITS:
        if limit.ppm is not None and limit.mg_m3 is not None:
            computed = limit.ppm * safety.MOLAR_MASS_HF_G / safety.MOLAR_VOLUME_L
            assert computed == pytest.approx(limit.mg_m3, rel=0.05)


def test_molar_volume_is_that_of_an_ideal_gas():
    assert pytest.approx(R * 298.15 / 101325.0 * 1000.0, abs=0.01) == safety.MOLAR_VOLUME_L


def test_default_limit_is_the_strictest_for_a_working_day():
    day = [x.ppm for x in safety.HF_LIMITS if "TWA" in x.name or "IOELV" in x.name]
    assert safety.hf_limit().ppm == min(day)


def test_unknown_limit_names_the_known_ones():
    with pytest.raises(KeyError, match="ACGIH TLV-TWA"):
        safety.hf_limit("OSHA", "TLV")


def test_one_gram_by_hand():
    # 20.0063 g HF = 1 mol = 24.47 L; to 3 ppm: 24.47e-3 / 3e-6 = 8157 m³; 40.0 g NaOH
    assert safety.hf_gas_volume_L(20.0063) == pytest.approx(24.47)
    assert safety.dilution_air_m3(20.0063, 3.0) == pytest.approx(8157, abs=1)
    assert safety.sodium_hydroxide_g(20.0063) == pytest.approx(39.997)
    with pytest.raises(ValueError, match="positive"):
        safety.dilution_air_m3(1.0, 0.0)


@pytest.mark.parametrize(
    "text", [safety.HF_CAUTION, safety.BARIUM_CAUTION, safety.SCRUBBER_CAUTION]
)
def test_cautions_defer_to_local_codes(text):
    assert safety.LOCAL_CODES in text
