"""Premises: what is known or taken for granted of a film before its scan is looked at.

Stack, optics and assumptions come from the run file or the flags, what they leave open from the
scan's header, and what that leaves open from a default. Every default is told in ``assumed``, so
that a report can show what its figures rest on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from xrdfilm.adjustments import NO_ADJUSTMENTS, Adjustments
from xrdfilm.crystal import Phase, load_phase, phase_from_cif
from xrdfilm.crystal.radiation import Radiation, anodes, own_radiation, radiation
from xrdfilm.errors import StackError
from xrdfilm.intensity.optics import Optics
from xrdfilm.intensity.stack import Layer, Stack
from xrdfilm.lattice.alignment import AlignmentMode
from xrdfilm.lattice.standard import Instrument
from xrdfilm.runfile import OpticsTable, RunFile, StackTable
from xrdfilm.scan import Scan
from xrdfilm.texture.response import Mosaic

DEFAULT_THICKNESS_NM = 500.0
DEFAULT_THICKNESS_UNCERTAINTY = 0.4
DEFAULT_DIVERGENCE_DEG = 0.5
DEFAULT_AXIAL_DEG = 2.3
DEFAULT_INSTRUMENT_FWHM_DEG = 0.10
# Rocking widths (FWHM) where no rocking scan tells them: common practice, no source. A film on a
# single crystal is sharp, one on a rolled tape takes over the grain spread of the tape.
DEFAULT_MOSAIC_ON_CRYSTAL_DEG = 0.7
DEFAULT_MOSAIC_ON_TAPE_DEG = 4.0
_WAVELENGTH_TOLERANCE = 1e-3  # relative: old and new scales, K-alpha1 or the mean


@dataclass(frozen=True, slots=True)
class Premises:
    """What a film's analysis rests on; frozen and hashable by identity of its parts."""

    optics: Optics
    stack: Stack
    fluoride: Phase
    c_axis_mosaic: Mosaic
    a_axis_mosaic: Mosaic
    fluoride_mosaic: Mosaic
    a_normal_share: float
    false_alarm_risk: float
    miss_risk: float
    thickness_uncertainty: float
    instrument_fwhm_deg: float
    tape_width_mm: float
    powder: bool
    user_phases: Mapping[str, Phase]
    assumed: tuple[str, ...]
    instrument: Instrument | None = None
    adjustments: Adjustments = NO_ADJUSTMENTS
    line_shift: AlignmentMode = "auto"
    unconverted: bool = False  # a film before growth: its own lines may all be missing

    @property
    def film(self) -> Phase:
        """The film's compound."""
        return self.stack.film.phase

    @property
    def on_tape(self) -> bool:
        """Whether the substrate is a rolled metal tape rather than a single crystal."""
        substrate = self.stack.substrate
        return substrate is not None and substrate.phase.is_metal

    def on_film(self, film: Phase) -> Premises:
        """The same with the film's compound on another cell."""
        layer = replace(self.stack.film, phase=film)
        return replace(self, stack=replace(self.stack, film=layer))

    def phase(self, key: str) -> Phase:
        """A phase of the user's own or a shipped one; raises PhaseError for an unknown key."""
        return self.user_phases.get(key) or load_phase(key)


def load_user_phases(run_file: RunFile, folder: Path) -> dict[str, Phase]:
    """The phases that ``[[phase]]`` names; raises PhaseError where a CIF is wrong."""
    return {table.key: phase_from_cif(folder / table.file, table.key) for table in run_file.phase}


def premises_of(
    run_file: RunFile,
    scan: Scan | None = None,
    user_phases: Mapping[str, Phase] | None = None,
    instrument: Instrument | None = None,
) -> Premises:
    """The premises for a film whose coupled scan is ``scan``; ``instrument`` from a standard.

    Raises PhaseError for an unknown phase and StackError where layers or optics contradict
    themselves.
    """
    phases = dict(user_phases or {})
    assumed: list[str] = []
    optics = optics_of(run_file.optics, scan, assumed)
    stack = _stack(run_file.stack, phases, assumed)
    on_tape = stack.substrate is not None and stack.substrate.phase.is_metal
    stated = run_file.assumptions
    default_deg = DEFAULT_MOSAIC_ON_TAPE_DEG if on_tape else DEFAULT_MOSAIC_ON_CRYSTAL_DEG
    c_axis = Mosaic(stated.c_axis_mosaic_deg or default_deg, stated.mosaic_factor)
    if stated.c_axis_mosaic_deg is None and not run_file.stack.powder:
        where = "a tape" if on_tape else "a single crystal"
        assumed.append(
            f"rocking width of c-axis grains {c_axis.fwhm_deg:g}° (usual on {where}), "
            f"off by a factor {c_axis.factor:g} either way, where no rocking scan tells it"
        )
    a_axis = Mosaic(stated.a_axis_mosaic_deg or c_axis.fwhm_deg, stated.mosaic_factor)
    fluoride_mosaic = Mosaic(stated.fluoride_mosaic_deg or c_axis.fwhm_deg, stated.mosaic_factor)
    thickness_uncertainty = run_file.stack.thickness_uncertainty
    if run_file.stack.thickness_nm is None:
        thickness_uncertainty = max(thickness_uncertainty, DEFAULT_THICKNESS_UNCERTAINTY)
    return Premises(
        optics=optics,
        stack=stack,
        fluoride=phases.get("BaF2") or load_phase("BaF2"),
        c_axis_mosaic=c_axis,
        a_axis_mosaic=a_axis,
        fluoride_mosaic=fluoride_mosaic,
        a_normal_share=stated.a_normal_share,
        false_alarm_risk=stated.false_alarm_risk,
        miss_risk=stated.miss_risk,
        thickness_uncertainty=thickness_uncertainty,
        instrument_fwhm_deg=_instrument_fwhm(run_file.optics, instrument),
        tape_width_mm=run_file.stack.tape_width_mm,
        powder=run_file.stack.powder,
        user_phases=phases,
        assumed=tuple(assumed),
        instrument=instrument,
        line_shift=run_file.optics.line_shift,
    )


def _instrument_fwhm(table: OpticsTable, instrument: Instrument | None) -> float:
    """Line width of the instrument at 40° of 2θ."""
    if instrument is not None:
        return float(instrument.curve.fwhm_deg(np.array(40.0)))
    return table.instrument_fwhm_deg or DEFAULT_INSTRUMENT_FWHM_DEG


def _radiation(table: OpticsTable, scan: Scan | None, assumed: list[str]) -> Radiation:
    if table.wavelength_A is not None:
        return own_radiation(table.wavelength_A)
    if table.anode is not None:
        return radiation(table.anode, monochromatic=table.k_alpha1_only)
    if scan is not None:
        if scan.anode and scan.anode.capitalize() in anodes():
            return radiation(scan.anode, monochromatic=table.k_alpha1_only)
        if scan.wavelength_A is not None:
            return radiation_of_wavelength(scan.wavelength_A, monochromatic=table.k_alpha1_only)
    assumed.append("wavelength: Cu K-alpha, since neither the scan nor the run file states it")
    return radiation("Cu", monochromatic=table.k_alpha1_only)


def radiation_of_wavelength(wavelength_A: float, *, monochromatic: bool = False) -> Radiation:
    """The tube whose K-alpha1 or mean K-alpha this wavelength is, else one line of that length."""
    for anode in anodes():
        tube = radiation(anode)
        near = min(abs(wavelength_A / w - 1.0) for w in (tube.k_alpha1_A, tube.mean_A))
        if near < _WAVELENGTH_TOLERANCE:
            return radiation(anode, monochromatic=monochromatic)
    return own_radiation(wavelength_A)


def optics_of(table: OpticsTable, scan: Scan | None, assumed: list[str]) -> Optics:
    """The optics that a run file states; what is open is taken from the scan, else assumed."""
    divergence = table.divergence_deg
    if table.slit == "fixed" and divergence is None:
        divergence = DEFAULT_DIVERGENCE_DEG
        assumed.append(f"fixed divergence slit of {divergence:g}°")
    if table.axial_acceptance_deg is None:
        assumed.append(f"axial acceptance of {DEFAULT_AXIAL_DEG:g}°")
    step_time = table.step_time_s
    if step_time is None and scan is not None:
        step_time = scan.step_time_s
    return Optics(
        radiation=_radiation(table, scan, assumed),
        goniometer_radius_mm=table.goniometer_radius_mm,
        divergence_deg=divergence,
        illuminated_mm=table.illuminated_mm,
        slit=table.slit,
        axial_acceptance_deg=table.axial_acceptance_deg or DEFAULT_AXIAL_DEG,
        axial=table.axial or "apertures",
        axial_stated=table.axial_acceptance_deg is not None and table.axial is not None,
        monochromator_2theta_deg=table.monochromator_2theta_deg or None,
        step_time_s=step_time,
    )


def _stack(table: StackTable, phases: Mapping[str, Phase], assumed: list[str]) -> Stack:
    def phase(key: str) -> Phase:
        return phases.get(key) or load_phase(key)

    if table.powder:
        if table.substrate is not None or table.buffers:
            raise StackError("a powder has no substrate and no buffers; leave out powder or them")
        return Stack(Layer(phase(table.film), None), (), None, table.sample_length_mm)
    thickness = table.thickness_nm
    if thickness is None:
        thickness = DEFAULT_THICKNESS_NM
        assumed.append(f"film thickness {thickness:g} nm, off by 40 %, since none is stated")
    substrate = None
    if table.substrate is None:
        assumed.append("no substrate stated: its lines are not expected and not left out")
    else:
        substrate = Layer(phase(table.substrate), None)
    buffers = tuple(Layer(phase(b.phase), b.thickness_nm) for b in table.buffers)
    return Stack(Layer(phase(table.film), thickness), buffers, substrate, table.sample_length_mm)


def check_phases(run_file: RunFile, user_phases: Mapping[str, Phase]) -> None:
    """Raise PhaseError at once for a phase of the stack that nobody knows."""
    keys = [run_file.stack.film, *(b.phase for b in run_file.stack.buffers)]
    if run_file.stack.substrate is not None:
        keys.append(run_file.stack.substrate)
    for key in keys:
        if key not in user_phases:
            load_phase(key)
