"""What the keys of a header mean: wavelength, anode, step time, axis, intensity unit."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from xrdfilm.readers.anodes import anode_in, anode_of_wavelength
from xrdfilm.readers.settings import IntensityUnit
from xrdfilm.scan import Axis

_FIRST_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][+-]?\d{1,3})?")
_HC_KEV_A = 12.398419843  # h c in keV Å, exact in the SI of 2019


@dataclass(frozen=True, slots=True)
class Told:
    """What a header says of a scan; None where it does not."""

    wavelength_A: float | None = None
    anode: str | None = None
    step_time_s: float | None = None
    axis: Axis | None = None
    intensity_unit: IntensityUnit | None = None


def tell(meta: Mapping[str, str]) -> Told:
    """What the keys mean, whatever their spelling."""
    wavelength = anode = step_time = axis = unit = None
    speed = step = None
    for key, value in meta.items():
        plain = re.sub(r"[^a-z0-9αλθ]", "", key.lower())
        if wavelength is None:
            wavelength = _wavelength(plain, key, value)
        if anode is None and re.search(
            r"anode|target|tube|radiation|xraysource|wavelength|^source", plain
        ):
            anode = anode_in(value)
        if step_time is None:
            step_time = _step_time(plain, key, value)
        if axis is None and re.search(
            r"scan(type|axis|mode|name)?$|^axis|xaxis|drive|^xunit|^xlabel|geometry$|measurementtype",
            plain,
        ):
            axis = axis_in(value)
        if unit is None and re.search(
            r"yunit|intensityunit|countunit|^unit$|yaxis|ylabel|^intensity$|^data$", plain
        ):
            unit = unit_in(value)
        if re.search(r"scanspeed|^speed", plain) and "min" in f"{key} {value}".lower():
            speed = _number(value)
        if re.search(r"^(scan)?step(size|width)?(deg)?$|^increment|^stepsize", plain):
            step = _number(value)
    if step_time is None and speed and step and speed > 0 and step > 0:
        step_time = step / speed * 60.0
    if anode is None and wavelength is not None:
        anode = anode_of_wavelength(wavelength)
    return Told(wavelength, anode, step_time, axis, unit)


def _number(value: str) -> float | None:
    match = _FIRST_NUMBER.search(value)
    return None if match is None else float(match.group().replace(",", "."))


def _wavelength(plain: str, key: str, value: str) -> float | None:
    if re.search(r"ratio|alpha2|kα2|ka2|beta|2overa", plain):
        return None
    words = f"{key} {value}".lower()
    if re.search(r"photonenergy|xrayenergy|beamenergy|^energy", plain) and "kev" in words:
        energy = _number(value)
        return _HC_KEV_A / energy if energy and 1.0 < energy < 200.0 else None
    if not re.search(r"wavelength|wavelen|lambda|^λ|kalpha1$|kα1$|^alpha1$|ka1$|wellenl", plain):
        return None
    found = _number(re.sub(r"k[- _]?(?:alpha|α|a)[- _]?[12]?", " ", value, flags=re.IGNORECASE))
    if found is None:
        return None
    if "nm" in words or (found < 0.3 and anode_of_wavelength(10.0 * found) is not None):
        found *= 10.0
    elif "pm" in words:
        found /= 100.0
    return found if 0.05 < found < 10.0 else None


def _step_time(plain: str, key: str, value: str) -> float | None:
    named = re.search(
        r"steptime|timeperstep|timestep$|counttime|countingtime|stepscantime|exposure|acquisitiontime"
        r"|secperstep|secstep|timepoint|timeperpoint|dwell|steps$|stept$|scantimestep",
        plain,
    )
    if not named or re.search(r"total|date|start|end|n(umber)?ofsteps|nsteps|^steps$|unit", plain):
        return None
    found = _number(value)
    if found is None or not 0 < found < 1e6:
        return None
    words = f"{key} {value}".lower()
    if re.search(r"\bms\b|msec|millisec", words):
        return found / 1000.0
    if re.search(r"\bmin\b|minute", words):
        return found * 60.0
    return found


_AXES: tuple[tuple[str, Axis], ...] = (
    (r"reflectivity|\bxrr\b", "reflectivity"),
    (
        r"2\s*[-_ ]?\s*(?:theta|θ|th\b)|two[-_ ]?theta|\btth\b|\b2th|coupled|gonio|locked",
        "two_theta",
    ),
    (r"rocking|\bom(?:ega)?\b|ω", "omega"),
    (r"\bphi\b|φ|ϕ|azimuth", "phi"),
    (r"\b(?:chi|psi)\b|χ|ψ", "chi"),
    (r"\bth(?:eta)?\b|^θ", "omega"),
)


def axis_in(words: str) -> Axis | None:
    """The scanned axis that some words name; θ alone turns the sample, so it is ω."""
    lowered = words.lower().replace("_", " ")
    for pattern, axis in _AXES:
        if re.search(pattern, lowered):
            return axis
    return None


_RATE = re.compile(
    r"\bcps\b|(?:counts?|cts|\bc|pulses|impulse)\s*(?:/|per|\.)\s*s(?:ec(?:onds?)?)?\b"
    r"|\bcts?\s*s-1|count rate|\brate\b"
)


def unit_in(words: str) -> IntensityUnit | None:
    """The unit of intensity that some words name."""
    lowered = words.lower()
    if _RATE.search(lowered):
        return "counts_per_s"
    if re.search(r"\bcounts?\b|\bcts\b|\bpulses\b|\bimp(?:ulse)?\b", lowered):
        return "counts"
    return None
