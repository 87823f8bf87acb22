"""From what a file says to a `Scan`: overrides, rows in order, counts, checks."""

from __future__ import annotations

import re

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.errors import ScanAxisError, ScanFormatError
from xrdfilm.readers.anodes import anode_of_wavelength
from xrdfilm.readers.raw import RawScan
from xrdfilm.readers.scan_checks import (
    RefusedError,
    finding,
    inspect,
    is_normalised,
    scatter_scale,
    scatter_sigma,
    tidy,
)
from xrdfilm.readers.settings import LONGEST_STEP_S, Overrides
from xrdfilm.readers.source import Source
from xrdfilm.scan import Axis, Finding, Scan

_SAME_WAVELENGTH = 1e-3  # relative: K-alpha1 and the mean of its doublet differ by 0.08 %


def assemble(
    raw: RawScan, source: Source, format_name: str, overrides: Overrides, which: str = ""
) -> Scan:
    """The scan; raises `ScanFormatError` where a check refuses it, `ScanAxisError` for its axis.

    ``which`` stands before a refusal where a file holds several scans.
    """
    try:
        return _assemble(raw, source, format_name, overrides)
    except RefusedError as refused:
        raise ScanFormatError(
            f"{which}is refused: {refused} [{refused.finding.code}]",
            path=source.path,
            line=raw.line,
        ) from None


def _assemble(raw: RawScan, source: Source, format_name: str, overrides: Overrides) -> Scan:
    rows = tidy(raw.axis_deg, raw.intensity, raw.sigma, raw.factor)
    found: list[Finding] = [*raw.findings, *rows.findings]
    axis = _axis(raw, rows.axis_deg, rows.intensity, source, overrides, found)
    found += _told_otherwise(raw, overrides)
    step_time_s = overrides.step_time_s or raw.step_time_s
    if step_time_s is not None and not 1e-9 <= step_time_s <= LONGEST_STEP_S:
        step_time_s = None
    anode, wavelength_A = _radiation(raw, overrides, found)
    unit = overrides.intensity_unit or raw.intensity_unit
    counts, sigma = rows.intensity, rows.sigma
    count_scale, poisson = 1.0, True

    if rows.factor is not None:
        counts, sigma, poisson = _attenuated(counts, rows.factor, sigma, found)
    if unit == "counts_per_s" and step_time_s is not None:
        count_scale = step_time_s
        counts = counts * step_time_s
        sigma = None if sigma is None else sigma * step_time_s
        found.append(finding("rate_to_counts", f"{step_time_s:g} s a step"))
    elif unit == "counts_per_s":
        scale = scatter_scale(counts)
        hint = "" if not scale else f"the scatter is that of about {1 / scale:.3g} s a step"
        found.append(finding("rate_without_time", hint))
        sigma, poisson = _scattered(counts, sigma), False
    if float(counts.min()) < 0:
        poisson = False
        found.append(finding("negative_counts", f"lowest {float(counts.min()):.4g}"))
    elif raw.net:
        poisson = False
    if raw.net:
        found.append(finding("net_intensity"))
    if not poisson and sigma is None:
        sigma = scatter_sigma(counts)
    if poisson:
        sigma, poisson = _statistics(counts, sigma, unit, found)
    if sigma is not None:
        sigma = _mended(sigma, counts, found)
    found += inspect(rows.axis_deg, counts, axis, step_time_s, poisson)
    return Scan(
        axis_deg=_frozen(rows.axis_deg),
        counts=_frozen(counts),
        sigma=None if sigma is None else _frozen(sigma),
        axis=axis,
        wavelength_A=wavelength_A,
        anode=anode,
        step_time_s=step_time_s,
        count_scale=count_scale,
        poisson=poisson,
        path=source.path,
        sha256=source.sha256,
        format=format_name,
        meta=raw.meta,
        findings=tuple(found),
    )


def _frozen(values: FloatArray) -> FloatArray:
    values = np.ascontiguousarray(values)
    values.setflags(write=False)
    return values


def _told_otherwise(raw: RawScan, overrides: Overrides) -> list[Finding]:
    """Where the file says something else than what was stated, which goes before it."""
    differ: list[str] = []
    told = [raw.anode or "", "" if raw.wavelength_A is None else f"{raw.wavelength_A:g} Å"]
    if _other_radiation(raw, overrides):
        stated = overrides.anode or f"{overrides.wavelength_A:g} Å"
        differ.append(f"radiation: {' '.join(filter(None, told))} in the file, {stated} stated")
    values: tuple[tuple[str, object, object], ...] = (
        ("axis", raw.axis or raw.axis_words or None, overrides.axis),
        ("intensity unit", raw.intensity_unit, overrides.intensity_unit),
        ("step time", _seconds(raw.step_time_s), _seconds(overrides.step_time_s)),
    )
    for name, in_file, wanted in values:
        if in_file is not None and wanted is not None and in_file != wanted:
            differ.append(f"{name}: {in_file} in the file, {wanted} stated")
    return [finding("stated_over_header", one) for one in differ]


def _seconds(time_s: float | None) -> str | None:
    return None if time_s is None else f"{time_s:g} s"


def _other_radiation(raw: RawScan, overrides: Overrides) -> bool:
    """Whether the file speaks of another tube or wavelength than was stated."""
    stated_A, told_A = overrides.wavelength_A, raw.wavelength_A
    if stated_A is not None and told_A is not None:
        return abs(stated_A / told_A - 1.0) > _SAME_WAVELENGTH
    stated = overrides.anode or (anode_of_wavelength(stated_A) if stated_A else None)
    told = raw.anode or (anode_of_wavelength(told_A) if told_A else None)
    if stated is None and stated_A is None:
        return False
    if told is None:
        return told_A is not None
    return stated is None or stated.capitalize() != told.capitalize()


def _radiation(
    raw: RawScan, overrides: Overrides, found: list[Finding]
) -> tuple[str | None, float | None]:
    if overrides.anode or overrides.wavelength_A:
        return overrides.anode, overrides.wavelength_A
    anode, wavelength_A = raw.anode, raw.wavelength_A
    if anode is None and wavelength_A is not None:
        anode = anode_of_wavelength(wavelength_A)
        if anode is not None:
            found.append(finding("anode_from_wavelength", f"{anode} from {wavelength_A:g} Å"))
    if anode is None and wavelength_A is None:
        found.append(finding("wavelength_unknown"))
    return anode, wavelength_A


def _axis(
    raw: RawScan,
    axis_deg: FloatArray,
    intensity: FloatArray,
    source: Source,
    overrides: Overrides,
    found: list[Finding],
) -> Axis:
    """Override, then the file's words, then its name, then its range."""
    if overrides.axis is not None:
        return overrides.axis
    axis = raw.axis
    if axis is None and raw.axis_words:
        raise ScanAxisError(
            f"the axis is {raw.axis_words!r}, none of 2θ, ω, φ, χ; if it is one of these, give the "
            "axis",
            path=source.path,
            line=raw.line,
        )
    low, high = float(axis_deg[0]), float(axis_deg[-1])
    if axis is None and (named := axis_of_name(source.path.stem)):
        axis = named
        found.append(finding("axis_from_name", f"{axis} from {source.path.name}"))
    if axis is None:
        span = high - low
        if high > 180.0 or span >= 200.0:
            axis = "phi"
            found.append(finding("axis_from_range", f"{low:g} to {high:g}, so an azimuth φ"))
        elif low < -0.5:
            axis = "unknown"
            found.append(finding("axis_unknown", f"{low:g} to {high:g}"))
        else:
            axis = "two_theta"
            found.append(finding("axis_assumed", f"{low:g} to {high:g}"))
    if axis == "two_theta" and _falls_like_reflectivity(axis_deg, intensity):
        axis = "reflectivity"
        found.append(finding("axis_from_range", f"to {high:g}° and falling by decades"))
    if axis == "two_theta" and not -20.0 <= low < high <= 180.0:
        axis = "unknown"
        found.append(finding("axis_unknown", f"called 2θ, but {low:g} to {high:g}"))
    return axis


def _falls_like_reflectivity(axis_deg: FloatArray, intensity: FloatArray) -> bool:
    """From grazing angles to at most 12°, over three decades down and nothing as high again."""
    if not (0.0 <= axis_deg[0] < 2.0 and axis_deg[-1] <= 12.0):
        return False
    third = max(1, axis_deg.size // 3)
    top = float(intensity[:third].max())
    return top > 1000.0 * max(float(np.median(intensity[-third:])), top * 1e-9)


_NAME_HINTS: tuple[tuple[str, Axis], ...] = (
    (r"2[ _-]?theta|two[ _-]?theta|tth|2th|coupled|gonio", "two_theta"),
    (r"xrr|reflectivity", "reflectivity"),
    (r"rocking|omega|(?<![a-z])rc(?![a-z])", "omega"),
    (r"(?<![a-z])phi(?![a-z])|azimuth", "phi"),
    (r"(?<![a-z])(?:chi|psi)(?![a-z])", "chi"),
)


def axis_of_name(stem: str) -> Axis | None:
    """The axis that a file's name speaks of, if it does."""
    lowered = stem.lower()
    for pattern, axis in _NAME_HINTS:
        if re.search(pattern, lowered):
            return axis
    return None


def _attenuated(
    intensity: FloatArray, factor: FloatArray, sigma: FloatArray | None, found: list[Finding]
) -> tuple[FloatArray, FloatArray | None, bool]:
    """Counts and uncertainty where an attenuator was in for part of the scan.

    Whether the factor is in the intensities already is told at its changes: there the
    intensity jumps by the factor or it does not. A factor of 1 everywhere says nothing.
    """
    found.append(finding("attenuator_column", f"{factor.min():g} to {factor.max():g}"))
    if not (factor > 0).all() or not (factor < 1e9).all() or factor.min() == factor.max():
        return intensity, sigma, True
    jumps = np.flatnonzero(np.diff(factor))
    before, after = intensity[jumps], intensity[jumps + 1]
    good = (before > 0) & (after > 0)
    if good.any():
        step = np.log(after[good] / before[good])
        expected = -np.log(factor[jumps + 1][good] / factor[jumps][good])
        missing = bool(np.median(step / expected) > 0.5)
    else:
        missing = False
    if missing:
        found.append(finding("attenuation_undone"))
        intensity = intensity * factor
    if sigma is None:
        registered = np.maximum(intensity / factor, 1.0)
        sigma = np.asarray(factor * np.sqrt(registered))
    return intensity, sigma, True


def _scattered(counts: FloatArray, sigma: FloatArray | None) -> FloatArray | None:
    return sigma if sigma is not None else scatter_sigma(counts)


def _statistics(
    counts: FloatArray, sigma: FloatArray | None, unit: str | None, found: list[Finding]
) -> tuple[FloatArray | None, bool]:
    """Whether counting statistics hold, and the uncertainty that stands in where they do not."""
    # Rates are written with few digits: their counts are whole to within those.
    whole = bool(np.abs(counts - np.rint(counts)).max() < (1e-9 if unit is None else 0.01))
    if is_normalised(counts, whole) and unit is None:
        found.append(finding("normalised", f"maximum {float(counts.max()):g}"))
        return _scattered(counts, sigma), False
    if unit is None:
        found.append(finding("unit_assumed"))
    if sigma is not None:
        return sigma, True
    scale = scatter_scale(counts)
    if scale is None:
        return None, True
    doubt = finding("scatter_not_poisson", f"{scale:.3g} times the variance of counts")
    if whole or unit is not None:
        # The file vouches for counts: doubt is told, the statistics stay.
        if counts.size >= 200 and not 0.4 <= scale <= 2.5:
            found.append(doubt)
        return None, True
    if 0.5 <= scale <= 2.0:
        found.append(finding("counts_not_whole"))
        return None, True
    found.append(doubt)
    # Too small errors would make lines out of noise; too large ones only cost sensitivity.
    return (scatter_sigma(counts) if scale > 2.0 else None), False


def _mended(sigma: FloatArray, counts: FloatArray, found: list[Finding]) -> FloatArray:
    good = (sigma > 0) & (sigma < 1e18)
    if good.all():
        return sigma
    found.append(finding("sigma_repaired", f"{int((~good).sum())} of {sigma.size}"))
    if good.any():
        scale = float(np.median(sigma[good] ** 2 / np.maximum(counts[good], 1e-300)))
        scale = scale if np.isfinite(scale) and scale < 1e6 else 1.0
    else:
        scale = 1.0
    scale = max(scale, 1e-30)
    stand_in = np.sqrt(scale * np.maximum(counts, scale))
    return np.where(good, sigma, stand_in)
