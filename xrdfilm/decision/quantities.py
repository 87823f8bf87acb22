"""The quantities that a limit can name: what each is called, its unit, and what would settle it.

The names are a contract of limits.toml. `quantities_of` reads them out of a film's record.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from xrdfilm.estimate import Estimate

if TYPE_CHECKING:
    from xrdfilm.results import Film, Quantity

_TILT = "a tilt scan of the film's (102) at the two tilts"
_REFERENCE = "a scan of a reference film (the same stack, dried or quenched before growth)"
_C_LINES = "a scan over more (00l) lines, with a substrate line in range to set the axis by"
DETECTED = "_detected"


@dataclass(frozen=True, slots=True)
class QuantitySpec:
    """A quantity: its label, the unit it is shown in, and the factor from the record's unit.

    ``kind`` is "film" for a property of the film and "scan" for one of the scan's quality: a
    film property beyond its limit fails the film, a poor scan only leaves it undecided.
    ``settled_by`` names the measurement that would narrow it where counting longer does not.
    """

    name: str
    label: str
    unit: str = ""
    scale: float = 1.0
    kind: Literal["film", "scan"] = "film"
    bounds: tuple[float | None, float | None] = (None, None)
    settled_by: str = ""


def _share(name: str, label: str, settled_by: str, unit: str = "%") -> QuantitySpec:
    return QuantitySpec(name, label, unit, 100.0, "film", (0.0, 1.0), settled_by)


_POSITIVE = (0.0, None)

QUANTITIES: dict[str, QuantitySpec] = {
    spec.name: spec
    for spec in (
        _share("fluoride_volume_fraction", "fluoride left", _REFERENCE, "vol%"),
        _share("fluoride_volume_fraction_aligned", "fluoride left, if aligned", _REFERENCE, "vol%"),
        _share("fluoride_volume_fraction_random", "fluoride left, if random", _REFERENCE, "vol%"),
        _share("conversion", "conversion", _REFERENCE),
        _share("c_axis_fraction", "c-axis share", _TILT),
        _share("a_axis_fraction", "a-axis share", _TILT),
        _share("random_fraction", "random share", "a longer scan about the film's (103)"),
        _share("other_fraction", "share of other grains", _TILT),
        QuantitySpec("c_A", "c of the film", "Å", settled_by=_C_LINES),
        QuantitySpec("oxygen", "oxygen a formula unit", "", settled_by=_C_LINES),
        QuantitySpec(
            "rocking_fwhm_deg", "rocking width", "°", bounds=_POSITIVE, settled_by="a rocking scan"
        ),
        QuantitySpec(
            "azimuth_fwhm_deg",
            "azimuth width",
            "°",
            bounds=_POSITIVE,
            settled_by="an azimuth scan",
        ),
        _share("in_plane_rotated_fraction", "share rotated in plane", "an azimuth scan"),
        _share("buffer_111_fraction", "(111) share of the buffer", "a tilt scan of the buffer"),
        QuantitySpec(
            "hf_bound_ug_cm2",
            "HF still bound",
            "µg/cm²",
            bounds=_POSITIVE,
            settled_by=_REFERENCE,
        ),
        QuantitySpec(
            "crystallite_size_nm", "crystallite size", "nm", bounds=_POSITIVE, settled_by=_C_LINES
        ),
        QuantitySpec("microstrain", "microstrain", "%", 100.0, settled_by=_C_LINES),
        # quality of the scan itself
        QuantitySpec(
            "fluoride_detection_limit_aligned",
            "least aligned fluoride that would show",
            "vol%",
            100.0,
            "scan",
            _POSITIVE,
            "a longer scan over the fluoride lines",
        ),
        QuantitySpec(
            "fluoride_detection_limit_random",
            "least random fluoride that would show",
            "vol%",
            100.0,
            "scan",
            _POSITIVE,
            _REFERENCE,
        ),
        QuantitySpec(
            "displacement_um",
            "sample displacement",
            "µm",
            kind="scan",
            settled_by="the sample set to height again",
        ),
        QuantitySpec(
            "zero_deg", "zero of the axis", "°", kind="scan", settled_by="the zero set again"
        ),
        QuantitySpec(
            "scan_start_deg",
            "start of the scan",
            "°",
            kind="scan",
            settled_by="a scan that starts lower",
        ),
        QuantitySpec(
            "scan_end_deg", "end of the scan", "°", kind="scan", settled_by="a scan that goes on"
        ),
        QuantitySpec(
            "film_line_counts",
            "top of the strongest film line",
            "counts",
            kind="scan",
            bounds=_POSITIVE,
            settled_by="a longer counting time",
        ),
        QuantitySpec(
            "orientation_chi_square",
            "misfit of the film's lines (chi-square a degree of freedom)",
            kind="scan",
            bounds=_POSITIVE,
            settled_by=_TILT,
        ),
    )
}


def find_quantity(name: str) -> QuantitySpec | None:
    """The quantity of this name, "BaCeO3_detected" and the like included; None if unknown."""
    if name in QUANTITIES:
        return QUANTITIES[name]
    phase = name.removesuffix(DETECTED)
    if phase and phase != name:
        return QuantitySpec(
            name,
            f"{phase} seen",
            bounds=(0.0, 1.0),
            settled_by=f"a longer scan over the lines of {phase}",
        )
    return None


def near_quantity(name: str, phases: Iterable[str] = ()) -> str | None:
    """The known quantity whose name comes nearest, or None."""
    known = [*QUANTITIES, *(f"{phase}{DETECTED}" for phase in phases)]
    lowered = {item.lower(): item for item in known}
    near = difflib.get_close_matches(name.lower(), list(lowered), n=1, cutoff=0.6)
    return lowered[near[0]] if near else None


def exact(value: float) -> Estimate:
    """A figure that is known as it stands (a setting, or whether a phase was seen)."""
    return Estimate(value, value, value, estimate=value, sigma=0.0)


def estimate_of(quantity: Quantity | None, name: str) -> Estimate | None:
    """A recorded quantity as an estimate again, with the bounds of its name.

    A sampled distribution is not kept in the record: the estimate is normal with the recorded
    sigma; where none was recorded and both ends of the interval were, sigma is half their
    distance over the two-sided quantile. Where only a limit was told, sigma reaches it.
    """
    if quantity is None:
        return None
    from scipy.special import ndtri

    spec = find_quantity(name)
    bounds = spec.bounds if spec else (None, None)
    sigma, centre = quantity.sigma, quantity.estimate
    if centre is None:
        centre = quantity.value
    if sigma is None and None not in (quantity.value, quantity.low, quantity.high):
        assert quantity.high is not None
        assert quantity.low is not None
        sigma = (quantity.high - quantity.low) / 2.0 / float(ndtri(0.5 + quantity.level / 2.0))
    if quantity.value is None and sigma is not None and centre is not None:
        reach = [
            away
            for end, sign, bound in zip(
                (quantity.low, quantity.high), (-1.0, 1.0), bounds, strict=True
            )
            if end is not None and end != bound and (away := sign * (end - centre)) > 0.0
        ]
        sigma = max([sigma, *(away / float(ndtri(quantity.level)) for away in reach)])
    return Estimate(
        quantity.value,
        quantity.low,
        quantity.high,
        quantity.level,
        centre,
        sigma,
        dict(quantity.sources),
        bounds,
    )


def recorded_quantities(film: Film) -> dict[str, Quantity | None]:
    """The figures of a film's record under their limit names; None where not measured.

    Where the fluoride's orientation was measured, its figure stands under all three names of the
    volume fraction. Where it was not, ``fluoride_volume_fraction`` is the figure over all
    orientations, or the random one in a record that lacks it.
    """
    named: dict[str, Quantity | None] = {}
    fluoride = film.fluoride
    aligned = fluoride.volume_fraction_aligned if fluoride else None
    random = fluoride.volume_fraction_random if fluoride else None
    oriented = (fluoride.orientation or "") if fluoride else ""
    if oriented:  # the figure of the orientation that was found, whatever a limit assumes
        aligned, random = aligned or random, random or aligned
    anyhow = next((p.volume_fraction for p in film.phases if p.phase == "BaF2"), None)
    named["fluoride_volume_fraction"] = aligned if oriented else anyhow or random
    named["fluoride_volume_fraction_aligned"] = aligned
    named["fluoride_volume_fraction_random"] = random
    named["conversion"] = fluoride.conversion if fluoride else None
    named["hf_bound_ug_cm2"] = fluoride.hf_bound_ug_cm2 if fluoride else None
    for name in ("c_axis", "a_axis", "random", "other"):
        named[f"{name}_fraction"] = getattr(film.orientation, name, None)
    for name in (
        "c_A",
        "oxygen",
        "displacement_um",
        "zero_deg",
        "crystallite_size_nm",
        "microstrain",
    ):
        named[name] = getattr(film.lattice, name, None)
    for name in (
        "rocking_fwhm_deg",
        "azimuth_fwhm_deg",
        "in_plane_rotated_fraction",
        "buffer_111_fraction",
    ):
        named[name] = getattr(film.texture, name, None)
    return named


def quantities_of(film: Film) -> dict[str, Estimate | None]:
    """Every quantity of a film's record under its limit name; None where it was not measured.

    Beside the figures of `recorded_quantities` these are the detection limits, the misfit of the
    film's lines, and whether each phase was seen.
    """
    fluoride, named = film.fluoride, recorded_quantities(film)
    found = {name: estimate_of(quantity, name) for name, quantity in named.items()}
    for name in ("aligned", "random"):
        least = getattr(fluoride, f"detection_limit_{name}", None)
        found[f"fluoride_detection_limit_{name}"] = None if least is None else exact(least)
    if film.orientation and film.orientation.chi_square is not None:
        freedom = film.orientation.degrees_of_freedom
        if freedom:
            found["orientation_chi_square"] = exact(film.orientation.chi_square / freedom)
    for phase in film.phases:
        found[f"{phase.phase}{DETECTED}"] = exact(float(phase.detected))
    return found
