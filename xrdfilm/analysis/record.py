"""From the analysis of a film to its record in results.json, limits applied."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from xrdfilm import __version__, results
from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.analysis.film import FilmAnalysis
from xrdfilm.analysis.premises import Premises
from xrdfilm.analysis.texture_record import texture_record
from xrdfilm.decision.limits import LimitFile, decide
from xrdfilm.decision.quantities import exact, quantities_of
from xrdfilm.estimate import Estimate, from_normal
from xrdfilm.fitting.flags import FLAGS
from xrdfilm.fluoride.estimate import FluorideEstimate, FluorideLine
from xrdfilm.linemap.unexplained import UnexplainedLine
from xrdfilm.lines import MeasuredLine, Reflection
from xrdfilm.numbers import show
from xrdfilm.results import Quantity
from xrdfilm.texture.orientation import as_record

TWO_THETA_PLACES = 4
NO_LIMITS = "no limits were stated, so nothing was decided; give a limit file"


def film_record(
    analysis: FilmAnalysis,
    limits: LimitFile | None,
    *,
    files: Mapping[str, str] | None = None,
    position_m: float | None = None,
    recipe: Mapping[str, float | str | bool] | None = None,
) -> results.Film:
    """The record of a film, judged against ``limits``; ``files`` maps names to SHA-256."""
    coupled = analysis.coupled
    record = results.Film(
        film=analysis.name,
        verdict="unreadable" if analysis.unreadable is not None else "undecided",
        reasons=[],
        fluoride=None if analysis.fluoride is None else analysis.fluoride.record(),
        orientation=_orientation(analysis),
        lattice=None if coupled is None else _lattice(analysis, coupled),
        texture=texture_record(analysis),
        phases=_phases(analysis),
        lines=_lines(analysis),
        warnings=_warnings(analysis, limits),
        provenance=results.Provenance(
            files=dict(files or {}), version=__version__, settings=settings_of(analysis.premises)
        ),
        position_m=position_m,
        recipe=dict(recipe or {}),
    )
    if analysis.unreadable is not None or limits is None:
        return record
    record = record.model_copy(update={"warnings": record.warnings + _uncovered(record, limits)})
    decision = decide(
        judged_quantities(record, analysis),
        limits,
        missing=analysis.why_not,
        counting_time_s=_counting_time_s(coupled),
    )
    return record.model_copy(
        update={
            "verdict": decision.verdict,
            "reasons": decision.reasons,
            "grade": decision.grade,
        }
    )


def _orientation(analysis: FilmAnalysis) -> results.Orientation | None:
    """The record by the best route; with a tilt scan, what the coupled lines say is a note."""
    if analysis.orientation is None:
        return None
    record = as_record(analysis.orientation)
    other = analysis.by_lines
    if other is None or other is analysis.orientation:
        return record
    a = other.a_axis
    between = "" if a.low is None or a.high is None else f": a-axis {a.low:.3f} to {a.high:.3f}"
    agree = _agree(other.a_axis, analysis.orientation.a_axis)
    verdict = "agrees" if agree else "disagrees: mosaic, in-plane variants or the tilt scan are off"
    note = f"the route by the coupled lines {verdict}{between}"
    return record.model_copy(update={"notes": [*record.notes, note]})


def _agree(one: Estimate, other: Estimate) -> bool:
    ends = (one.low, one.high, other.low, other.high)
    if None in ends:
        return True
    low_1, high_1, low_2, high_2 = (float(end) for end in ends if end is not None)
    return low_1 <= high_2 and low_2 <= high_1


def judged_quantities(record: results.Film, analysis: FilmAnalysis) -> dict[str, Estimate | None]:
    """Quantities under their limit names, each with the distribution the analysis gave it."""
    found = quantities_of(record)
    if analysis.orientation is not None:
        found |= {f"{n}_fraction": e for n, e in analysis.orientation.shares.items()}
    fluoride = analysis.fluoride
    if fluoride is not None:
        found["conversion"] = fluoride.conversion
        found["hf_bound_ug_cm2"] = fluoride.hf_bound_ug_cm2
        aligned, loose = fluoride.aligned, fluoride.random
        found["fluoride_volume_fraction_aligned"] = aligned.volume_fraction if aligned else None
        found["fluoride_volume_fraction_random"] = loose.volume_fraction if loose else None
        found["fluoride_volume_fraction"] = fluoride.volume_fraction
    coupled = analysis.coupled
    if coupled is not None:
        if coupled.cell is not None and coupled.cell.c_A is not None:
            found["c_A"] = coupled.cell.c_A
        scan = coupled.scan
        found["scan_start_deg"] = exact(float(scan.axis_deg[0]))
        found["scan_end_deg"] = exact(float(scan.axis_deg[-1]))
        key = analysis.premises.film.key
        film = [
            line
            for line, laid in zip(coupled.lines, coupled.laid, strict=True)
            if line.reflection.phase == key and laid.use == "measure" and laid.certain
        ]
        if film:
            top = max(film, key=lambda line: line.area_counts_deg)
            near = np.abs(scan.axis_deg - top.two_theta_deg) < top.fwhm_deg
            found["film_line_counts"] = exact(float(scan.counts[near].max(initial=0.0)))
    return found


def settings_of(premises: Premises) -> dict[str, Any]:
    """What the figures rest on, in plain values, and in words what was assumed."""
    optics, stack = premises.optics, premises.stack
    layers = [
        layer.phase.key
        if layer.thickness_nm is None
        else f"{layer.phase.key} {layer.thickness_nm:g} nm"
        for layer in stack.layers
    ]
    settings: dict[str, Any] = {
        "stack": " / ".join(layers),
        "sample_length_mm": stack.sample_length_mm,
        "radiation": optics.radiation.anode or f"{optics.radiation.k_alpha1_A:g} Å",
        "wavelength_A": optics.radiation.k_alpha1_A,
        "goniometer_radius_mm": optics.goniometer_radius_mm,
        "slit": optics.slit,
        "axial_acceptance_deg": optics.axial_acceptance_deg,
        "axial": optics.axial,
    }
    if premises.line_shift != "auto":
        settings["line_shift"] = premises.line_shift
    if optics.slit == "fixed":
        settings["divergence_deg"] = optics.divergence_deg
    else:
        settings["illuminated_mm"] = optics.illuminated_mm
    if optics.monochromator_2theta_deg is not None:
        settings["monochromator_2theta_deg"] = optics.monochromator_2theta_deg
    if optics.step_time_s is not None:
        settings["step_time_s"] = optics.step_time_s
    settings["thickness_uncertainty"] = premises.thickness_uncertainty
    settings["false_alarm_risk"] = premises.false_alarm_risk
    settings["miss_risk"] = premises.miss_risk
    if premises.assumed:
        settings["assumed"] = list(premises.assumed)
    if premises.adjustments:
        settings["adjusted"] = premises.adjustments.record()
    return settings


def _counting_time_s(coupled: CoupledFit | None) -> float | None:
    if coupled is None:
        return None
    step_time = coupled.premises.optics.step_time_s or coupled.scan.step_time_s
    return None if step_time is None else step_time * len(coupled.scan)


def _quantity(estimate: Estimate | None) -> Quantity | None:
    return None if estimate is None else Quantity.of(estimate)


def _lattice(analysis: FilmAnalysis, coupled: CoupledFit) -> results.Lattice:
    cell, alignment = coupled.cell, coupled.alignment
    oxygen = analysis.oxygen
    notes = list(cell.notes) if cell is not None else []
    if oxygen is not None:
        notes += oxygen.notes
    breadth, fringes = analysis.breadth, analysis.fringes
    if breadth is not None:
        notes += breadth.notes
    if fringes is not None:
        notes.append(
            f"fringes about {fringes.line_deg:.2f}° give the coherent thickness; they are no phases"
        )
    known = bool(alignment.from_lines)
    return results.Lattice(
        c_A=_quantity(cell.c_A) if cell is not None else None,
        displacement_um=Quantity.of(alignment.displacement()) if known else None,
        zero_deg=Quantity.of(alignment.zero()) if known else None,
        oxygen=None if oxygen is None else Quantity.of(oxygen.oxygen),
        a_A=_quantity(cell.a_A) if cell is not None else None,
        b_A=_quantity(cell.b_A) if cell is not None else None,
        crystallite_size_nm=None if breadth is None else Quantity.of(breadth.size_nm),
        microstrain=None if breadth is None else Quantity.of(breadth.microstrain),
        fringe_thickness_nm=None if fringes is None else Quantity.of(fringes.thickness_nm),
        alignment_from=", ".join(alignment.from_lines) or None,
        notes=list(dict.fromkeys(notes)),
    )


def _phases(analysis: FilmAnalysis) -> list[results.PhaseFinding]:
    coupled = analysis.coupled
    if coupled is None:
        return []
    found: list[results.PhaseFinding] = []
    keys = list(dict.fromkeys(layer.phase.key for layer in coupled.premises.stack.layers))
    for key in keys:
        seen = [
            line
            for line, laid in zip(coupled.lines, coupled.laid, strict=True)
            if any(m.phase == key for m in line.members)
            and laid.ghost is None
            and line.area_counts_deg > max(line.decision_area, 3.0 * line.area_sigma_counts_deg)
        ]
        alone = [line for line in seen if all(m.phase == key for m in line.members)]
        names = [_line_label(line, key) for line in (alone or seen)]
        lines = "one line" if len(alone) == 1 else f"{len(alone)} lines"
        note = f"{lines} of its own above the decision threshold"
        if seen and not alone:
            note = "shows only in lines that it shares with another layer"
        elif not seen:
            note = "no line above its decision threshold"
        found.append(results.PhaseFinding(phase=key, detected=bool(seen), lines=names, note=note))
    fluoride = analysis.fluoride
    if fluoride is not None:
        found.append(_fluoride_phase(fluoride, coupled.premises.fluoride.key))
    return found + [product.record() for product in analysis.products]


def _line_label(line: MeasuredLine, phase: str) -> str:
    own = [m for m in line.members if m.phase == phase]
    return str(own[0])


def _fluoride_phase(fluoride: FluorideEstimate, key: str) -> results.PhaseFinding:
    lines = [
        str(Reflection(key, line.hkl))
        for line in fluoride.lines
        if fluoride.detected and line.area > line.decision_area
    ]
    told = f"{fluoride.p_value:.2g}" if fluoride.p_value > 1e-9 else "under 1e-9"
    note = f"probability of looking so much like fluoride without any: {told}"
    return results.PhaseFinding(
        phase=key,
        detected=fluoride.detected,
        lines=lines,
        note=note,
        volume_fraction=_quantity(fluoride.volume_fraction),
    )


def _lines(analysis: FilmAnalysis) -> list[results.Line]:
    coupled = analysis.coupled
    if coupled is None:
        return []
    found = [
        _line_record(line)
        for line, laid in zip(coupled.lines, coupled.laid, strict=True)
        if laid.ghost is None and laid.role != "fluoride"
    ]
    if analysis.fluoride is not None:
        key = coupled.premises.fluoride.key
        found += [_fluoride_line(line, key, coupled) for line in analysis.fluoride.lines]
    found.sort(key=lambda line: line.two_theta_deg.value or 0.0)
    return found


def _line_record(line: MeasuredLine) -> results.Line:
    held = line.place != "free"
    place = from_normal(line.two_theta_deg, 0.0 if held else _finite(line.two_theta_sigma_deg))
    width = from_normal(line.fwhm_deg, _finite(line.fwhm_sigma_deg), bounds=(0.0, None))
    area = from_normal(line.area_counts_deg, line.area_sigma_counts_deg)
    return results.Line(
        phase=line.reflection.phase,
        hkl=line.reflection.hkl,
        two_theta_deg=_counted(place, TWO_THETA_PLACES),
        area=_counted(area),
        fwhm_deg=None if width.sigma == 0.0 else _counted(width),
        held_fwhm_deg=round(line.fwhm_deg, TWO_THETA_PLACES) if width.sigma == 0.0 else None,
        significance=_short(line.significance),
        members=[str(member) for member in line.members] if len(line.members) > 1 else [],
        flags=[FLAGS[flag].short for flag in line.flags if flag in FLAGS],
    )


def _fluoride_line(line: FluorideLine, key: str, coupled: CoupledFit) -> results.Line:
    measured = line.two_theta_deg + float(coupled.alignment.shift(line.two_theta_deg))
    return results.Line(
        phase=key,
        hkl=line.hkl,
        two_theta_deg=_counted(from_normal(measured, 0.0), TWO_THETA_PLACES),
        area=_counted(from_normal(line.area, line.sigma)),
        fwhm_deg=None,
        significance=_short(line.significance),
        flags=[] if line.use == "decides" else [line.use],
    )


def _counted(estimate: Estimate, places: int | None = None) -> Quantity:
    """A line's figure; its uncertainty is that of counting and the fit alone, so has no parts.

    ``places``: decimals of a figure that was held and has no uncertainty.
    """
    if places is not None and estimate.sigma == 0.0:
        held = round(estimate.estimate or 0.0, places)
        estimate = replace(estimate, value=held, low=held, high=held, estimate=held)
    return Quantity.of(replace(estimate, sources={}))


def _short(x: float) -> float:
    return results.rounded(x) or 0.0


def _finite(sigma: float) -> float:
    return sigma if np.isfinite(sigma) else 0.0


def _warnings(analysis: FilmAnalysis, limits: LimitFile | None) -> list[str]:
    told = list(analysis.warnings)
    if analysis.unreadable is not None:
        told.insert(0, analysis.unreadable)
    elif limits is None:
        told.insert(0, NO_LIMITS)
    film = analysis.premises.film.key
    told += [_unexplained(line, film) for line in analysis.unexplained]
    return told


def _uncovered(record: results.Film, limits: LimitFile) -> list[str]:
    """Fluoride that shows and that no limit judges: a film must not pass unseen for want of one."""
    found = record.fluoride
    if found is None or not found.detected:
        return []
    covering = {"fluoride_volume_fraction", "conversion", "hf_bound_ug_cm2", "BaF2_detected"}
    cases = {"aligned": found.volume_fraction_aligned, "random": found.volume_fraction_random}
    covering |= {  # where the orientation was found, its figure stands under both names
        f"fluoride_volume_fraction_{name}"
        for name, q in cases.items()
        if q is not None or found.orientation
    }
    if covering & {limit.quantity for limit in limits.limit}:
        return []
    amounts = " or ".join(
        f"{name}: {show(q, scale=100.0, unit='vol%')}" for name, q in cases.items() if q is not None
    )
    told = f"fluoride shows ({amounts})" if amounts else "fluoride shows"
    return [f"{told}, but no limit judges it; state one on fluoride_volume_fraction"]


def _of_a_axis_grains(reflection: Reflection | None, film: str) -> bool:
    """Whether it is an (h00) or (0k0) line of the film, or of the compound it may really be."""
    if reflection is None or reflection.phase not in (film, "YBCO"):
        return False
    h, k, l = reflection.hkl  # noqa: E741
    return l == 0 and (h == 0) != (k == 0)


def _unexplained(line: UnexplainedLine, film: str) -> str:
    text = (
        f"unexplained line at {line.two_theta_deg:.2f}° (d = {line.d_A:.3f} Å), "
        f"{line.significance:.0f} sigma"
    )
    if line.candidates:
        names = ", ".join(candidate.name for candidate in line.candidates[:3])
        if any(_of_a_axis_grains(c.reflection, film) for c in line.candidates[:3]):
            names += (
                "; if it is the film's own, its compound or cell is not as stated, and the a-axis "
                "share is larger than told"
            )
        return f"{text}; it might be {names}"
    return f"{text}; nothing in the reference phases fits"
