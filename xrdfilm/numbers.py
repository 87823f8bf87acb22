"""How a figure is written: one function for the terminal, the pages, the PDF and the reasons.

A value carries as many digits as its interval supports: the half width keeps two significant
digits, and the value ends where it ends (GUM, JCGM 100:2008, 7.2.6). A one-sided limit keeps two
significant digits of its distance from the bound.
"""

from __future__ import annotations

import math
from typing import Protocol

MINUS = "−"
_SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


class Interval(Protocol):
    """Anything with a value and an interval: an Estimate, or a Quantity of results.json."""

    @property
    def value(self) -> float | None:
        """The value; None where there is a limit on one side only."""
        ...

    @property
    def low(self) -> float | None:
        """Lower end, in the unit of the value."""
        ...

    @property
    def high(self) -> float | None:
        """Upper end, in the unit of the value."""
        ...


def show(quantity: Interval | None, *, scale: float = 1.0, unit: str = "") -> str:
    """A figure with its interval in words: "5.2 % (4.1 to 6.3)", "< 1.2 %", "not measured".

    ``scale`` turns the quantity's unit into the shown one (100 for a fraction in per cent).
    """
    if quantity is None:
        return "not measured"
    tail = _tail(unit)
    value, low, high = (
        None if part is None or not math.isfinite(part) else part * scale
        for part in (quantity.value, quantity.low, quantity.high)
    )
    if value is None:
        return _one_sided(low, high, scale, tail)
    if (low is None and high is None) or low == value == high:
        return number(value) + tail
    ends = [abs(end - value) for end in (low, high) if end is not None]
    places = decimals(max(ends))
    if low is None or high is None:
        side = f"≤ {fixed(high, places)}" if high is not None else f"≥ {fixed(low, places)}"
        return f"{fixed(value, places)}{tail} ({side})"
    return f"{fixed(value, places)}{tail} ({fixed(low, places)} to {fixed(high, places)})"


def plus_minus(quantity: Interval) -> str:
    """A figure with the half width of its interval: "23.2885 ± 0.0024"; as `show` if uneven."""
    value, low, high = quantity.value, quantity.low, quantity.high
    if value is None or low is None or high is None or low == high:
        return show(quantity)
    half = 0.5 * (high - low)
    if abs(0.5 * (high + low) - value) > 0.02 * half:
        return show(quantity)
    places = decimals(half)
    return f"{fixed(value, places)} ± {fixed(half, places)}"


def _one_sided(low: float | None, high: float | None, scale: float, tail: str) -> str:
    """Only a limit: told from the bound it leans on (0, or 1 for a fraction)."""
    if low is None and high is None:
        return "cannot be told"
    if high is not None and (low is None or low == 0.0):
        if low == 0.0 and high == scale:
            return f"anything from 0 to {number(high)}{tail}"
        return f"< {fixed(high, decimals(high, ceiling=True))}{tail}"
    if low is not None and (high is None or high == scale):
        places = decimals(low if high is None else high - low, ceiling=True)
        return f"> {fixed(low, places)}{tail}"
    assert low is not None
    assert high is not None
    places = decimals(high - low)
    return f"{fixed(low, places)} to {fixed(high, places)}{tail}"


def _tail(unit: str) -> str:
    if not unit:
        return ""
    return unit if unit.startswith("°") else f" {unit}"


def decimals(half_width: float, *, ceiling: bool = False) -> int:
    """Decimal places that keep two significant digits of ``half_width``; negative for tens."""
    if not math.isfinite(half_width) or half_width <= 0.0:
        return 4
    places = 1 - math.floor(math.log10(half_width) + (1e-9 if ceiling else 0.0))
    return max(-6, min(7, places))


def fixed(x: float | None, places: int) -> str:
    """A number with so many decimal places, with a true minus and never "-0"."""
    if x is None or not math.isfinite(x):
        return "–"
    rounded = round(x, places)
    text = f"{abs(rounded):.{max(0, places)}f}"
    return f"{MINUS}{text}" if rounded < 0 else text


def number(x: float | None, significant: int = 4) -> str:
    """A bare number with so many significant digits and no trailing zeros."""
    if x is None or not math.isfinite(x):
        return "–"
    if x == 0.0:
        return "0"
    exponent = math.floor(math.log10(abs(x)))
    if exponent >= 6 or exponent < -4:
        mantissa = _trimmed(fixed(x / 10.0**exponent, significant - 1))
        return f"{mantissa}×10{str(exponent).translate(_SUPERSCRIPT)}"
    places = significant - 1 - exponent
    text = fixed(x, places)
    return _trimmed(text)


def _trimmed(text: str) -> str:
    return text.rstrip("0").rstrip(".") if "." in text else text


def probability(p: float) -> str:
    """A probability: "0.03", "under 0.001", "over 0.999"."""
    if p < 0.001:
        return "under 0.001"
    if p > 0.999:
        return "over 0.999"
    places = 3 if p < 0.1 or p > 0.9 else 2
    return fixed(p, places)


def duration(seconds: float) -> str:
    """A time as a person says it: "40 s", "12 min", "3.5 h", "2.1 days"."""
    for size, name in ((86400.0, "days"), (3600.0, "h"), (60.0, "min")):
        if seconds >= (1.5 if name == "days" else 1.0) * size:
            return f"{number(seconds / size, 2)} {name}"
    return f"{number(max(seconds, 0.0), 2)} s"
