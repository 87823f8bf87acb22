"""Texture of buffers and substrate: the (111) part as a volume, widths, film against template.

A buffer grown on cube-textured tape stands with (00l) along the normal but for a part with (111).
The ratio of the two lines' areas is an index; the share of the volume follows from the same
intensity model as the film's (structure factors, window, path under the layers above).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from xrdfilm.errors import CannotTellError
from xrdfilm.estimate import DEFAULT_LEVEL, Estimate, from_normal
from xrdfilm.intensity.model import aligned_00l, aligned_111, random
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Stack
from xrdfilm.lines import MeasuredLines
from xrdfilm.texture.azimuth import AzimuthScan
from xrdfilm.texture.fractions import DISAGREE_BELOW, solve_shares
from xrdfilm.texture.layer_lines import complete_members, usable_lines
from xrdfilm.texture.response import Component, ModelSpread, Mosaic, build_response
from xrdfilm.texture.rocking import RockingCurve

if TYPE_CHECKING:
    from xrdfilm import results


@dataclass(frozen=True, slots=True)
class BufferOrientation:
    """Shares of a layer's volume: (00l) or (111) along the normal, and random where told.

    ``index_111`` is I(111)/(I(111) + I(200)) or what lines there are of either kind: for trends
    only. ``fraction_random`` is None where no line tells of it: it is then taken as nil.
    """

    phase: str
    fraction_00l: Estimate
    fraction_111: Estimate
    fraction_random: Estimate | None
    index_111: float
    lines_used: tuple[str, ...]
    lines_left_out: tuple[tuple[str, str], ...]
    chi_square: float
    dof: int
    notes: tuple[str, ...]


def buffer_orientation(
    lines: MeasuredLines,
    optics: Optics,
    stack: Stack,
    layer_index: int,
    *,
    mosaics: Mapping[str, Mosaic] | None = None,
    spread: ModelSpread | None = None,
    with_random: bool = False,
    level: float = DEFAULT_LEVEL,
) -> BufferOrientation:
    """Shares of the layer's (00l)- and (111)-aligned grains from its measured lines.

    ``mosaics`` by "aligned_00l" and "aligned_111"; the second follows the first where it is not
    given. ``with_random`` fits random grains too, where a line of neither kind was measured.
    Raises CannotTellError where lines of either kind are missing.
    """
    phase = stack.layers[layer_index].phase
    usable, reasons = usable_lines(lines, phase)
    found = mosaics or {}
    upright = found.get("aligned_00l", Mosaic(4.0))
    tilted = found.get("aligned_111", upright.follows())
    components = [
        Component(aligned_00l(upright.fwhm_deg), upright.factor, upright.measured),
        Component(aligned_111(tilted.fwhm_deg), tilted.factor, tilted.measured),
    ]
    kept = lines.subset(usable)
    if not usable:
        raise CannotTellError(_missing(phase.key, ["(00l)", "(111)"], reasons))
    members = complete_members(kept, phase, optics)
    spread = spread or ModelSpread()
    response = build_response(
        members, phase, (*components, Component(random())), optics, stack, layer_index, spread
    )
    shown = response.nominal > 0.0
    silent = [kind for kind, column in (("(00l)", 0), ("(111)", 1)) if not np.any(shown[:, column])]
    if silent:
        raise CannotTellError(_missing(phase.key, silent, reasons))
    alone = ~shown[:, 0] & ~shown[:, 1]
    fit_random = with_random and bool(alone.any())
    columns = [0, 1, 2] if fit_random else [0, 1]
    rows = list(range(len(kept)))
    if not fit_random:  # a line of random grains alone says nothing of the aligned ones
        rows = [i for i in rows if not alone[i]]
    used = kept.subset(rows)
    solved = solve_shares(
        used.areas, used.area_covariance, response.select(rows, columns), level=level
    )
    notes = []
    if solved.p_value < DISAGREE_BELOW:
        worst = int(np.argmax(np.abs(solved.normalised_residuals)))
        notes.append(
            f"the lines of {phase.key} disagree (chi-square {solved.chi_square:.1f} for "
            f"{solved.dof}), {used.lines[worst].reflection} most; intervals are widened"
        )
    if not fit_random:
        notes.append(f"random grains of {phase.key} are not told from these lines; taken as nil")
    if not (upright.measured and tilted.measured):
        notes.append(
            f"mosaics of {phase.key} were not all measured: {upright.fwhm_deg:g}° and "
            f"{tilted.fwhm_deg:g}° are taken, and their uncertainty is in the interval"
        )
    first, second = shown[rows, 0], shown[rows, 1]
    areas = np.maximum(used.areas, 0.0)
    either = float(areas[first].sum() + areas[second].sum())
    return BufferOrientation(
        phase=phase.key,
        fraction_00l=solved.shares["aligned_00l"],
        fraction_111=solved.shares["aligned_111"],
        fraction_random=solved.shares["random"] if fit_random else None,
        index_111=float(areas[second].sum() / either) if either > 0.0 else 0.0,
        lines_used=tuple(str(line.reflection) for line in used),
        lines_left_out=tuple(reasons),
        chi_square=solved.chi_square,
        dof=solved.dof,
        notes=tuple(notes),
    )


def _missing(phase: str, kinds: Sequence[str], reasons: Sequence[tuple[str, str]]) -> str:
    text = f"no usable line of {phase} tells of its {' and '.join(kinds)} grains"
    if reasons:
        text += " (" + "; ".join(f"{name} {why}" for name, why in reasons) + ")"
    return text + "; scan over (111) and (200), or measure a pole figure"


def against_template(film: Estimate, template: Estimate) -> Estimate | None:
    """Width of the film less that of the layer below, degrees: negative where the film is sharper.

    None where either has only a limit.
    """
    if film.value is None or template.value is None or not (film.sigma and template.sigma):
        return None
    sigma = float(np.hypot(film.sigma, template.sigma))
    return from_normal(film.value - template.value, sigma, level=film.level)


def compare_with_template(film: Estimate, template: Estimate, what: str, below: str) -> str:
    """A sentence on the film's width against its template's."""
    difference = against_template(film, template)
    if difference is None or difference.value is None:
        return f"{what}: film and {below} cannot be compared, one of them has a limit only"
    assert difference.low is not None
    assert difference.high is not None
    if difference.low <= 0.0 <= difference.high:
        verdict = f"as sharp as {below} within the uncertainty"
    elif difference.value < 0.0:
        verdict = f"sharper than {below}"
    else:
        verdict = f"broader than {below}"
    return (
        f"{what}: film {film.value:.2f}°, {below} {template.value:.2f}°; the film is {verdict} "
        f"({difference.value:+.2f}°, {difference.low:+.2f} to {difference.high:+.2f})"
    )


def layer_record(
    phase: str,
    *,
    rocking: Sequence[RockingCurve] = (),
    azimuth: AzimuthScan | None = None,
    orientation: BufferOrientation | None = None,
) -> results.LayerTexture:
    """The record of one layer's texture; directions of rocking curves are told in the notes."""
    from xrdfilm import results

    notes: list[str] = []
    for curve in rocking:
        if len(rocking) > 1 or curve.direction is not None:
            at = curve.direction or "direction not stated"
            centre = curve.fwhm_deg.value
            width = f"{centre:.2f}°" if centre is not None else f"under {curve.fwhm_deg.high:.2f}°"
            notes.append(f"rocking width along {at}: {width}")
        notes += curve.notes
    if azimuth is not None:
        notes += azimuth.notes
    fraction = None
    if orientation is not None:
        fraction = results.Quantity.of(orientation.fraction_111)
        notes += orientation.notes
        notes.append(f"index I(111)/(I(111) + I(00l)) = {orientation.index_111:.3f}, no fraction")
    return results.LayerTexture(
        phase=phase,
        rocking_fwhm_deg=results.Quantity.of(rocking[0].fwhm_deg) if rocking else None,
        azimuth_fwhm_deg=results.Quantity.of(azimuth.fwhm_deg) if azimuth else None,
        fraction_111=fraction,
        notes=notes,
    )
