"""The vocabulary of doubt about fitted lines: every flag once, with a short and a long text."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from xrdfilm._typing import IntArray


class Flag(NamedTuple):
    """``bit`` is its place in packed integers; ``short`` fits a table, ``text`` a report."""

    bit: int
    short: str
    text: str


_ALL = (
    (
        "misfit",
        "misfit",
        "The window holds more than the fitted lines and background explain; "
        "its uncertainties were widened by the root of chi-square over degrees of freedom.",
    ),
    ("not_converged", "not converged", "The fit did not settle; take its figures as rough."),
    (
        "at_bound",
        "at bound",
        "Place, width or mixing ran into the limit it was given; the true one may lie beyond.",
    ),
    (
        "no_covariance",
        "no covariance",
        "The data cannot tell this line's parameters apart; its uncertainty is not to be trusted.",
    ),
    ("cut_off", "window cut off", "The scan ends inside the window of this line."),
    ("no_data", "no data", "The scan holds too few usable points here; nothing was fitted."),
    (
        "core_excluded",
        "core left out",
        "The top of this line saturates the detector or dwarfs its "
        "neighbours; it was left out and only the tails were fitted.",
    ),
    (
        "beside_core",
        "beside a left-out core",
        "Part of this window was left out because a line in "
        "it saturates the detector or dwarfs its neighbours.",
    ),
    (
        "foot_only",
        "foot only",
        "The place of this line lies outside its window: it takes part for its foot, and its area "
        "means little.",
    ),
    ("held_place", "place held", "Too weak to carry its own place: fitted at the expected place."),
    ("held_width", "width held", "Too weak to carry its own width: fitted with the expected one."),
    (
        "held_mixing",
        "mixing held",
        "Too weak to carry its own Lorentz fraction: fitted with the expected one.",
    ),
    (
        "held_skew",
        "asymmetry held",
        "Too weak to carry its own asymmetry: fitted with the expected one.",
    ),
    (
        "tangled",
        "tangled",
        "Beside its neighbours this line's width is known to no better than a tenth: its interval "
        "may be a third too narrow. Tie the widths, or state what is known of them.",
    ),
    (
        "noise_from_residuals",
        "noise estimated",
        "The intensities are no counts; their noise was estimated from the scatter of the scan.",
    ),
    ("blend", "blend", "Several reflections that this scan cannot hold apart lie under this line."),
)

FLAGS: MappingProxyType[str, Flag] = MappingProxyType(
    {code: Flag(bit, short, text) for bit, (code, short, text) in enumerate(_ALL)}
)
"""Flag code -> its bit, short and long text."""


def flag_bit(code: str) -> int:
    """The packed value of one flag."""
    return 1 << FLAGS[code].bit


@lru_cache(maxsize=4096)
def unpack_flags(packed: int) -> tuple[str, ...]:
    """Codes of the flags in a packed integer."""
    return tuple(code for code, flag in FLAGS.items() if packed >> flag.bit & 1)


def describe_flags(codes: Iterable[str]) -> list[str]:
    """The long texts of some flags."""
    return [FLAGS[code].text for code in codes]


def pack(shape: tuple[int, ...]) -> IntArray:
    """No flags yet."""
    return np.zeros(shape, dtype=np.int64)
