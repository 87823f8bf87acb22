"""Whether the sample is that of the stated stack: its substrate shows, or no other one does.

A substrate cut off its planes, or cut out of the scan, shows no line and is no fault. But where it
shows none that is its own and a line as strong as the film's stands where no stated layer has one
that strong, the sample is another: what is hidden where, which products are possible, and every
search for something weak would rest on the wrong stack. So they would on a metal tape whose buffers
nobody stated.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.analysis.coupled import CoupledFit
from xrdfilm.crystal import line_list, lines_along, load_phase
from xrdfilm.fluoride.products import possible_products
from xrdfilm.intensity.model import growth_normal
from xrdfilm.linemap.ghosts import ghost_heights

KNOWN_SUBSTRATES = ("SrTiO3", "LaAlO3", "MgO", "Ni-5W", "Ni", "Al2O3", "YSZ")
KNOWN_BUFFERS = ("CeO2", "La2Zr2O7", "Y2O3", "YSZ", "MgO", "LaMnO3-pc", "SrTiO3")
STRONG = 0.3  # of the film's highest line along its normal: from there on a line must be known
TOO_HIGH = 4.0  # times what the film's other lines foretell: not the film's line
NEAR_DEG = 0.2  # a line's top is found this near its place, once the shift is roughly known
FLUORIDE_REACH = 0.04  # how far a fluoride's cell may be smaller than that of BaF2


def wrong_stack(coupled: CoupledFit) -> str | None:
    """A sentence where the substrate is not seen and strong lines belong to no stated layer.

    The same where strong lines of buffers show on a metal tape that was stated without any. None
    where the sample may be that of the stated stack, where no line of the substrate lies in the
    scan, or for a powder.
    """
    premises, substrate = coupled.premises, coupled.premises.stack.substrate
    if premises.powder or substrate is None or premises.unconverted:
        return None
    key, shift = substrate.phase.key, coupled.coarse
    expected = next((e for e in coupled.prepared.expected if e.name == key), None)
    heights, film_high, film_scale = _film_heights(coupled)
    if expected is None or not film_high > 0.0:
        return None
    rays, peaks = premises.optics.radiation, coupled.peaks
    looked = shift.places(expected.two_theta_deg(rays.k_alpha1_A))
    inside = (looked > peaks.low_deg + 0.2) & (looked < peaks.high_deg - 0.2)
    inside &= [not premises.adjustments.hides(float(place)) for place in looked]
    if not inside.any():
        return None
    others = {m.peak for m in shift.matches if m.name not in (key, premises.film.key)}
    strongest = tuple(expected.hkl[int(np.argmax(np.where(inside, expected.strength, -1.0)))])
    for match in shift.of(key):
        # a place shared with the film speaks for the substrate by its height, and only at the
        # substrate's strongest line: weak lines of the film are known by a factor of some
        beyond = TOO_HIGH * film_scale.get(match.peak, 0.0) < heights[match.peak]
        shared = match.peak in film_scale
        if match.peak not in others and beyond and (not shared or match.hkl == strongest):
            return _buffers_unstated(coupled, film_high, film_scale)
    strange = _strange(coupled, film_high, film_scale)
    if not strange:
        return None
    places = peaks.places_deg[strange]
    at = ", ".join(f"{place:.2f}°" for place in places[:3])
    fits = _fitting(KNOWN_SUBSTRATES, coupled, places, heights[strange], key)
    hint = f"; {fits} would show there" if fits else ""
    return (
        f"no line of {key} alone was found, and strong lines stand where no stated layer has such "
        f"(strongest at {at}){hint}: state the stack that the sample has; until then fluoride and "
        "products are not judged"
    )


def _buffers_unstated(
    coupled: CoupledFit, film_high: float, film_scale: dict[int, float]
) -> str | None:
    """The same of a metal tape stated without buffers that shows a line of one."""
    stack, peaks = coupled.premises.stack, coupled.peaks
    if stack.buffers or stack.substrate is None or not stack.substrate.phase.is_metal:
        return None
    strange = _strange(coupled, film_high, film_scale)
    heights = np.asarray(peaks.heights, dtype=float)[strange]
    fits = _fitting(KNOWN_BUFFERS, coupled, peaks.places_deg[strange], heights, "")
    if fits is None:
        return None
    at = ", ".join(f"{place:.2f}°" for place in peaks.places_deg[strange][:3])
    return (
        f"no buffer is stated, and strong lines stand where no stated layer has such (strongest "
        f"at {at}); {fits} would show there: state the buffers that the tape has; until then "
        "fluoride and products are not judged"
    )


def silenced(coupled: CoupledFit, reason: str) -> dict[str, str]:
    """Why nothing is told of fluoride and products, by the names that a limit may have."""
    premises = coupled.premises
    keys = (premises.fluoride.key, *possible_products(premises.stack))
    names = [
        "fluoride_volume_fraction",
        "fluoride_volume_fraction_aligned",
        "fluoride_volume_fraction_random",
        "conversion",
        "hf_bound_ug_cm2",
        *(f"{key}_detected" for key in keys),
    ]
    return dict.fromkeys(names, reason)


def _film_heights(coupled: CoupledFit) -> tuple[FloatArray, float, dict[int, float]]:
    """Heights of the peaks (N,), the highest of the film alone, and what it foretells of others.

    The last maps a peak where the film has a line along its normal to the height that the film's
    other such lines foretell of it, by their order of magnitude.
    """
    film, peaks = coupled.premises.film.key, coupled.peaks
    heights = np.asarray(peaks.heights, dtype=float)
    own = next((e for e in coupled.prepared.expected if e.name == film), None)
    if own is None:
        return heights, 0.0, {}
    strength = {tuple(hkl): float(s) for hkl, s in zip(own.hkl.tolist(), own.strength, strict=True)}
    matches = [m for m in coupled.coarse.of(film) if strength.get(m.hkl, 0.0) > 0.0]
    elsewhere = {m.peak for m in coupled.coarse.matches if m.name != film}
    alone = [m for m in matches if m.peak not in elsewhere] or matches
    if not alone:
        return heights, 0.0, {}
    scale = float(np.median([heights[m.peak] / strength[m.hkl] for m in alone]))
    told = {m.peak: scale * strength[m.hkl] for m in matches}
    fitting = [h for m in alone if (h := heights[m.peak]) < TOO_HIGH * told[m.peak]]
    high = max(fitting, default=0.0)
    return heights, float(high), told


def _strange(coupled: CoupledFit, film_high: float, told: dict[int, float]) -> list[int]:
    """Peaks of the film's height that neither a stated layer, a ghost nor fluoride can be."""
    premises, peaks, shift = coupled.premises, coupled.peaks, coupled.coarse
    rays = premises.optics.radiation
    heights = np.asarray(peaks.heights, dtype=float)
    named = {m.peak for m in shift.matches if m.name != premises.film.key}
    ghosts = ghost_heights(coupled.scan, peaks.places_deg, rays)
    random = _random_heights(coupled)
    aligned = np.asarray(peaks.places_deg, dtype=float) - shift.shift_deg
    fluoride = line_list(premises.fluoride, rays, two_theta_max_deg=120.0)
    low = fluoride.two_theta_deg - NEAR_DEG
    high = np.degrees(
        2.0
        * np.arcsin(np.minimum(rays.k_alpha1_A / (2.0 * fluoride.d_A * (1 - FLUORIDE_REACH)), 1))
    )
    may_be_fluoride = np.any((aligned[:, None] > low) & (aligned[:, None] < high), axis=1)
    found = [
        i
        for i in np.argsort(-heights).tolist()
        if heights[i] > STRONG * film_high
        and i not in named
        and heights[i] > TOO_HIGH * max(told.get(i, 0.0), float(random[i]))
        and heights[i] > ghosts[i]
        and not (may_be_fluoride[i] and heights[i] < film_high)
        and not premises.adjustments.hides(float(peaks.places_deg[i]))
    ]
    return found


def _random_heights(coupled: CoupledFit) -> FloatArray:
    """Heights that random and a-axis grains may give the peaks, (N,): a powder of the film.

    Its scale is the highest peak at the powder's strongest line; peaks at (h00) and (0k0) may be
    as high as they like.
    """
    premises, peaks, shift = coupled.premises, coupled.peaks, coupled.coarse
    lines = line_list(premises.film, premises.optics.radiation, two_theta_max_deg=120.0)
    theta = np.radians(lines.two_theta_deg / 2.0)
    strength = lines.multiplicity * lines.f_squared / (np.sin(2.0 * theta) * np.sin(theta))
    at = shift.places(lines.two_theta_deg)
    near = np.abs(peaks.places_deg[:, None] - at) < NEAR_DEG
    first = int(np.argmax(strength))
    scale = float(np.max(np.where(near[:, first], peaks.heights, 0.0), initial=0.0))
    found = np.max(np.where(near, strength / strength[first] * scale, 0.0), axis=1)
    a_axis = (np.count_nonzero(lines.hkl, axis=1) == 1) & (lines.hkl[:, 2] == 0)
    return np.asarray(np.where((near & a_axis).any(axis=1), np.inf, found))


def _fitting(
    known: Sequence[str],
    coupled: CoupledFit,
    places_deg: FloatArray,
    heights: Sequence[float] | FloatArray,
    stated: str,
) -> str | None:
    """The known phase that best explains the strange peaks (K,), and by which line."""
    rays, shift = coupled.premises.optics.radiation, coupled.coarse
    best, found = 0.0, None
    for key in known:
        phase = load_phase(key)
        if key == stated:
            continue
        lines = lines_along(phase, growth_normal(phase), rays, two_theta_max_deg=120.0)
        if not lines.two_theta_deg.size:
            continue
        apart = np.abs(np.asarray(places_deg)[:, None] - shift.places(lines.two_theta_deg))
        nearest = apart.min(axis=1)
        met = nearest < NEAR_DEG
        score = float(np.sum(np.log1p(np.asarray(heights)) * (1.0 - nearest / NEAR_DEG) * met))
        if met.any() and score > best:
            top = int(np.argmax(np.where(met, heights, 0.0)))
            hkl = lines.hkl[int(np.argmin(apart[top]))]
            best, found = score, f"{key} ({''.join(str(int(i)) for i in hkl)})"
    return found
