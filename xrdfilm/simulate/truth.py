"""The truth behind a simulated coupled scan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from xrdfilm._typing import FloatArray, Hkl
from xrdfilm.intensity.optics import Optics
from xrdfilm.lines import Reflection
from xrdfilm.simulate.film import SimulatedFilm
from xrdfilm.simulate.instrument import Instrument


@dataclass(frozen=True, slots=True)
class TrueLine:
    """One line of the truth: the area is K-alpha1 + K-alpha2, counts·deg, before dead time.

    ``two_theta_deg`` is K-alpha1's place on a perfectly set instrument, ``observed_deg`` with
    zero error and displacement. ``component`` names the orientation it comes from. ``ghost`` is
    None, or the radiation that made it: "k_beta", "tungsten" or "half_wavelength"; ``layer``
    counts from the top.
    """

    reflection: Reflection
    component: str
    layer: int
    two_theta_deg: float
    observed_deg: float
    area_counts_deg: float
    fwhm_deg: float
    ghost: str | None = None


@dataclass(frozen=True, slots=True)
class Truth:
    """What a perfect analysis of the scan would find.

    ``expected`` and ``background`` are mean arriving counts a point, shape (N,); ``scale`` is K
    of the intensity model.
    """

    film: SimulatedFilm
    optics: Optics
    instrument: Instrument
    scale: float
    zero_deg: float
    displacement_um: float
    seed: int | None
    lines: tuple[TrueLine, ...]
    expected: FloatArray
    background: FloatArray

    def area_counts_deg(self, phase: str, hkl: Hkl, component: str | None = None) -> float:
        """Summed area of a reflection over components (or of one), 0 where there is none."""
        wanted = Reflection(phase, hkl)
        return sum(
            line.area_counts_deg
            for line in self.lines
            if line.reflection == wanted
            and line.ghost is None
            and component in (None, line.component)
        )

    def as_dict(self) -> dict[str, Any]:
        """The truth in plain numbers and words, for a JSON file."""
        film = self.film
        a_A, b_A, c_A = (getattr(film.film_phase.cell, name) for name in ("a_A", "b_A", "c_A"))
        return {
            "schema": "xrdfilm-truth/1",
            "film": film.stack.film.phase.key,
            "thickness_nm": film.stack.film.thickness_nm,
            "layers": [layer.phase.key for layer in film.stack.layers],
            "orientation": {
                "c_axis": film.c_axis,
                "a_axis": film.a_axis,
                "random": film.random,
                "other": film.other,
            },
            "mosaic_fwhm_deg": {"c_axis": film.c_mosaic_fwhm_deg, "a_axis": film.a_mosaic_fwhm_deg},
            "cell_A": {"a": a_A, "b": b_A, "c": c_A},
            "minor": [
                {
                    "phase": part.phase.key,
                    "volume_fraction": part.fraction,
                    "orientation": {g.orientation.name: g.share for g in part.grains},
                    "cell_A": part.phase.cell.a_A if part.cell_a_A is None else part.cell_a_A,
                }
                for part in film.minor
            ],
            "buffer_111_fraction": [texture.fraction_111 for texture in film.buffers]
            if film.stack.buffers
            else [],
            "zero_deg": self.zero_deg,
            "displacement_um": self.displacement_um,
            "scale": self.scale,
            "seed": self.seed,
            "lines": [
                {
                    "phase": line.reflection.phase,
                    "hkl": list(line.reflection.hkl),
                    "component": line.component,
                    "two_theta_deg": round(line.two_theta_deg, 5),
                    "observed_deg": round(line.observed_deg, 5),
                    "area_counts_deg": line.area_counts_deg,
                    "ghost": line.ghost,
                }
                for line in self.lines
            ],
        }
