"""Hydrogen fluoride, soluble barium, X-rays, hot furnaces: dated limits and plain cautions.

Wherever the package prints a number that touches one of these, it prints a caution from here
beside it. The limits are quoted with their year and source, because they change: a federal page
of 2009 still printed the threshold value that had been replaced in 2005. They inform; they are
no advice. Local codes and licensed practice govern.
"""

from __future__ import annotations

from dataclasses import dataclass

MOLAR_VOLUME_L = 24.47  # of an ideal gas at 25 °C and 101.325 kPa, the reference state of the ppm
MOLAR_MASS_HF_G = 20.0063  # IUPAC 2021 abridged atomic weights: H 1.008, F 18.998
MOLAR_MASS_NAOH_G = 39.997  # Na 22.990, O 15.999, H 1.008


@dataclass(frozen=True, slots=True)
class ExposureLimit:
    """A published limit for the air people breathe.

    ``ppm`` by volume (None for dusts), ``mg_m3`` as the source prints it (None where it prints
    none), ``averaging`` the time it is taken over. ``year`` is the year the limit was set or last
    reviewed. ``standing`` is "verified" where the source named was read, else "memory".
    """

    substance: str
    body: str
    name: str
    averaging: str
    ppm: float | None
    mg_m3: float | None
    year: int
    source: str
    standing: str

    def __str__(self) -> str:
        amount = f"{self.ppm:g} ppm" if self.ppm is not None else f"{self.mg_m3:g} mg/m³"
        return f"{self.body} {self.name} ({self.year}): {amount}, {self.averaging}"


_HEAC = "Discussion of HF PEL for Cal/OSHA HEAC, 10 October 2007, revised 5 September 2008"
_NIOSH_HF = "NIOSH, Immediately Dangerous to Life or Health Concentrations: Hydrogen fluoride, 1994"
_NIOSH_BA = "NIOSH, IDLH: Barium (soluble compounds, as Ba), May 1994"

HF_LIMITS: tuple[ExposureLimit, ...] = (
    ExposureLimit("HF", "ACGIH", "TLV-TWA", "8 h mean", 0.5, None, 2005, _HEAC, "verified"),
    ExposureLimit("HF", "ACGIH", "TLV-C", "never above", 2.0, None, 2005, _HEAC, "verified"),
    ExposureLimit(
        "HF",
        "OSHA",
        "PEL-TWA",
        "8 h mean",
        3.0,
        None,
        1978,
        "29 CFR 1910.1000 Table Z-2, as quoted in " + _HEAC,
        "verified",
    ),
    ExposureLimit(
        "HF", "NIOSH", "REL-TWA", "mean of a shift", 3.0, 2.5, 1994, _NIOSH_HF, "verified"
    ),
    ExposureLimit("HF", "NIOSH", "REL-C", "15 min", 6.0, 5.0, 1994, _NIOSH_HF, "verified"),
    ExposureLimit(
        "HF", "NIOSH", "IDLH", "danger to life or health", 30.0, None, 1994, _NIOSH_HF, "verified"
    ),
    ExposureLimit(
        "HF", "OEHHA", "acute REL", "1 h, general public", 0.3, None, 1999, _HEAC, "verified"
    ),
    ExposureLimit(
        "HF", "OEHHA", "chronic REL", "always, general public", 0.04, None, 2002, _HEAC, "verified"
    ),
    ExposureLimit(
        "HF",
        "European Union",
        "IOELV",
        "8 h mean",
        1.8,
        1.5,
        2000,
        "Commission Directive 2000/39/EC, from memory",
        "memory",
    ),
    ExposureLimit(
        "HF",
        "European Union",
        "IOELV, short term",
        "15 min",
        3.0,
        2.5,
        2000,
        "Commission Directive 2000/39/EC, from memory",
        "memory",
    ),
)

BARIUM_LIMITS: tuple[ExposureLimit, ...] = (
    ExposureLimit(
        "soluble Ba, as Ba",
        "NIOSH",
        "REL-TWA",
        "mean of a shift",
        None,
        0.5,
        1994,
        _NIOSH_BA,
        "verified",
    ),
    ExposureLimit(
        "soluble Ba, as Ba", "OSHA", "PEL-TWA", "8 h mean", None, 0.5, 1994, _NIOSH_BA, "verified"
    ),
    ExposureLimit(
        "soluble Ba, as Ba",
        "NIOSH",
        "IDLH",
        "danger to life or health",
        None,
        50.0,
        1994,
        _NIOSH_BA,
        "verified",
    ),
)

LOCAL_CODES = (
    "Limits differ from place to place and change: look up the ones in force where you are. "
    "Local codes and licensed practice govern; these figures are no substitute for either."
)

HF_CAUTION = (
    "The next firing in wet gas would set this hydrogen fluoride free. HF is poisonous by breath "
    "and through the skin, burns late and deep, and its smell is no reliable warning. Exhaust "
    "through a scrubber, with a monitor, and with calcium gluconate and medical help arranged "
    "beforehand. " + LOCAL_CODES
)

PYROLYSIS_CAUTION = (
    "Only the fluoride that is left for growth is counted. Pyrolysis of an all-trifluoroacetate "
    "ink releases up to about nine times as much fluorine (35 of 39 atoms a formula unit), part of "
    "it as fluorocarbon gases that a hydroxide scrubber does not hold."
)

BARIUM_CAUTION = (
    "A film that still holds fluoride carries soluble barium and fluoride, which scraping, "
    "cutting or wiping sets free as dust or solution: gloves, no dry scraping, separate waste. "
    + LOCAL_CODES
)

SCRUBBER_CAUTION = (
    "Hydroxide neutralises HF but leaves soluble fluoride: the liquor is neutralised, not "
    "harmless. Lime binds it as calcium fluoride. " + LOCAL_CODES
)

XRAY_CAUTION = (
    "Never defeat an interlock or open an enclosure to fit tape or sample: X-ray work is for "
    "trained people under the local radiation rules."
)

FURNACE_CAUTION = (
    "Growth furnaces run near 800 °C with wet, acid gas: let them cool and purge before opening."
)


def hf_limit(body: str = "ACGIH", name: str = "TLV-TWA") -> ExposureLimit:
    """One of `HF_LIMITS`; the default is the strictest for a working day among those quoted.

    Raises KeyError, naming what there is, where no such limit is quoted.
    """
    for limit in HF_LIMITS:
        if (limit.body, limit.name) == (body, name):
            return limit
    known = ", ".join(f"{limit.body} {limit.name}" for limit in HF_LIMITS)
    raise KeyError(f"no limit {body} {name!r} is quoted; there are: {known}")


def hf_gas_volume_L(hf_g: float) -> float:
    """Volume in litres of this mass of HF as an ideal gas at 25 °C and 101.325 kPa.

    HF gas is partly associated near room temperature, so a real volume is smaller; for dilute
    gas, the only case it is used for, the ideal figure holds.
    """
    return hf_g / MOLAR_MASS_HF_G * MOLAR_VOLUME_L


def dilution_air_m3(hf_g: float, ppm: float) -> float:
    """Air in m³ that dilutes this mass of HF to ``ppm`` by volume, well mixed.

    A scale for the hazard, not a ventilation design: real rooms are not well mixed. Raises
    ValueError unless ``ppm`` is positive.
    """
    if not ppm > 0.0:
        raise ValueError(f"ppm must be positive, found {ppm}")
    return hf_gas_volume_L(hf_g) / 1000.0 / (ppm * 1e-6)


def sodium_hydroxide_g(hf_g: float) -> float:
    """NaOH in g that just neutralises this mass of HF (HF + NaOH -> NaF + H2O)."""
    return hf_g / MOLAR_MASS_HF_G * MOLAR_MASS_NAOH_G
