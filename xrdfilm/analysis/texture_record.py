"""The texture part of a film's record: widths, in-plane sets, buffers, film against template."""

from __future__ import annotations

from xrdfilm import results
from xrdfilm.analysis.film import FilmAnalysis
from xrdfilm.decision.quantities import estimate_of
from xrdfilm.lines import Reflection
from xrdfilm.results import Quantity
from xrdfilm.texture.buffers import compare_with_template, layer_record


def texture_record(analysis: FilmAnalysis) -> results.Texture | None:
    """Widths of the film and of its layers; None where no side scan and no buffer tells any."""
    side, film = analysis.side, analysis.premises.film.key
    if not (side.rocking or side.azimuth or analysis.buffers):
        return None
    curves, azimuth = side.rocking_of(film, film), side.azimuth_of(film, film)
    own = layer_record(film, rocking=curves, azimuth=azimuth)
    notes = list(own.notes)
    for stated, _, curve in side.rocking:
        width = curve.fwhm_deg.centre
        is_main = any(curve is main for main in curves)
        if (stated.phase or film) == film and not is_main and width is not None:
            notes.append(f"rocking width of {Reflection(film, stated.hkl)}: {width:.2f}°")
    twist = None if azimuth is None or azimuth.twist_fwhm_deg is None else azimuth.twist_fwhm_deg
    if twist is not None and twist.centre is not None:
        notes.append(
            "the azimuth width is that of the peaks in φ; the twist about the normal alone, tilt "
            f"spread taken off, is {twist.centre:.2f}°"
        )
    layers = _layers(analysis)
    for layer in layers:
        for mine, below, what in (
            (own.rocking_fwhm_deg, layer.rocking_fwhm_deg, "rocking width"),
            (own.azimuth_fwhm_deg, layer.azimuth_fwhm_deg, "azimuth width"),
        ):
            name = f"{what.split()[0]}_fwhm_deg"
            one, other = estimate_of(mine, name), estimate_of(below, name)
            if one is not None and other is not None:
                notes.append(compare_with_template(one, other, what, layer.phase))
    measured = [layer.fraction_111 for layer in layers if layer.fraction_111 is not None]
    return results.Texture(
        rocking_fwhm_deg=own.rocking_fwhm_deg,
        azimuth_fwhm_deg=own.azimuth_fwhm_deg,
        rocking_integral_breadth_deg=(
            Quantity.of(curves[0].integral_breadth_deg) if curves else None
        ),
        in_plane_rotated_fraction=None
        if azimuth is None
        else (None if azimuth.rotated is None else Quantity.of(azimuth.rotated)),
        buffer_111_fraction=measured[0] if measured else None,
        layers=layers,
        notes=list(dict.fromkeys(notes)),
    )


def _layers(analysis: FilmAnalysis) -> list[results.LayerTexture]:
    side, film = analysis.side, analysis.premises.film.key
    keys = [layer.phase.key for layer in analysis.premises.stack.layers[1:]]
    keys += [s.phase for s, _, _ in (*side.rocking, *side.azimuth) if s.phase]
    by_phase = {buffer.phase: buffer for buffer in analysis.buffers}
    found = []
    for key in dict.fromkeys(key for key in keys if key != film):
        curves, azimuth = side.rocking_of(key, film), side.azimuth_of(key, film)
        if curves or azimuth is not None or key in by_phase:
            found.append(
                layer_record(key, rocking=curves, azimuth=azimuth, orientation=by_phase.get(key))
            )
    return found
