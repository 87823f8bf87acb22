"""What a scan of a line-width standard tells of the instrument: zero, and widths over angle."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from xrdfilm.crystal import Phase, line_list
from xrdfilm.intensity.optics import Optics
from xrdfilm.lattice.alignment import Alignment, instrument_prior
from xrdfilm.lattice.breadth import InstrumentCurve, fit_instrument_curve
from xrdfilm.lattice.identify import ExpectedLines
from xrdfilm.lattice.powder_lattice import instrument_of_standard
from xrdfilm.scan import Scan


@dataclass(frozen=True, slots=True, eq=False)
class Instrument:
    """An instrument as a standard shows it: what is known beforehand of a film's alignment, and
    the instrument's own line widths."""

    prior: Alignment
    curve: InstrumentCurve
    lines: tuple[str, ...]


def measure_instrument(scan: Scan, phase: Phase, optics: Optics) -> Instrument:
    """The instrument from a coupled scan of a standard powder without size or strain of its own.

    Raises AlignmentError where the lines are not those of the phase, CannotTellError where there
    are fewer than four.
    """
    table = line_list(phase, optics.radiation, two_theta_max_deg=min(scan.axis_deg[-1], 178.0))
    alignment, lines = instrument_of_standard(scan, ExpectedLines.of(table), optics)
    curve = fit_instrument_curve(
        np.array([line.two_theta_deg for line in lines]),
        np.array([line.fwhm_deg for line in lines]),
        np.array([line.fwhm_sigma_deg for line in lines]),
        np.array([line.lorentz_fraction for line in lines]),
    )
    return Instrument(
        instrument_prior(alignment), curve, tuple(str(line.reflection) for line in lines)
    )
