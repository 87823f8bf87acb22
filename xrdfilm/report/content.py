"""What a film's sheet says, in the order it says it; pages and PDF only lay it out.

A `FilmContent` holds finished texts and the geometry of the scales. Nothing here knows of markup.

Over 400 lines: one sheet, a short function for each of its parts.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from xrdfilm.decision.quantities import DETECTED, QUANTITIES, find_quantity
from xrdfilm.numbers import number, plus_minus, show
from xrdfilm.report.scale import LimitScale, limit_scale
from xrdfilm.results import Film, Fluoride, Line, PhaseFinding, Quantity, Reason
from xrdfilm.safety import BARIUM_CAUTION, HF_CAUTION, LOCAL_CODES

VERDICT_WORDS = {
    "pass": "Pass",
    "fail": "Fail",
    "undecided": "Undecided",
    "unreadable": "Unreadable",
}
ROUTES = {
    "reference": "against a reference film",
    "structure": "from structure factors and optics",
    "index": "area ratio only: for trends, no fraction",
    "coupled": "coupled scan",
    "tilt": "tilt scan",
}
IF_RANDOM = ", if its grains are random"
"""How the notes of phases that do not show end."""
UNITS = {name: (spec.scale, spec.unit) for name, spec in QUANTITIES.items()}


@dataclass(frozen=True, slots=True)
class Row:
    """A labelled figure; ``note`` stands small beside it, ``source`` says what widens it most."""

    label: str
    shown: str
    note: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class LimitRow:
    """One judged limit: what is limited, how, what was found, and how it came out."""

    label: str
    limit: str
    shown: str
    outcome: str
    outcome_word: str
    text: str
    grade: str
    risk: str
    scale: LimitScale | None


@dataclass(frozen=True, slots=True)
class FluorideContent:
    """Fluoride under both assumptions, side by side."""

    detected: bool
    aligned: str
    random: str
    least_aligned: str
    least_random: str
    rows: tuple[Row, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class LineRow:
    """One fitted line as text."""

    phase: str
    hkl: str
    two_theta: str
    area: str
    fwhm: str
    significance: str
    flags: str


@dataclass(frozen=True, slots=True)
class FilmContent:
    """One film's sheet."""

    name: str
    slug: str
    verdict: str
    verdict_word: str
    grade: str
    reason: str
    position: str
    position_m: float | None
    limits: tuple[LimitRow, ...]
    orientation: tuple[Row, ...]
    orientation_notes: tuple[str, ...]
    left_out: tuple[str, ...]
    fluoride: FluorideContent | None
    lattice: tuple[Row, ...]
    lattice_notes: tuple[str, ...]
    texture: tuple[Row, ...]
    texture_notes: tuple[str, ...]
    phases: tuple[tuple[str, bool, str], ...]
    phases_note: str
    lines: tuple[LineRow, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    assumed: tuple[tuple[str, str], ...]
    recipe: tuple[tuple[str, str], ...]
    files: tuple[tuple[str, str], ...]
    version: str
    level: str


def quantity_text(quantity: Quantity | None, name: str) -> str:
    """A recorded quantity under its name's unit and scale."""
    scale, unit = UNITS.get(name, (1.0, ""))
    return show(quantity, scale=scale, unit=unit)


def film_content(film: Film, slug: str) -> FilmContent:
    """Everything that a film's sheet says."""
    lattice, orientation, texture = film.lattice, film.orientation, film.texture
    levels = {q.level for q in _intervals(film)}
    return FilmContent(
        name=film.film,
        slug=slug,
        verdict=film.verdict,
        verdict_word=VERDICT_WORDS[film.verdict],
        grade=film.grade or "",
        reason=short_reason(film),
        position=f"{number(film.position_m, 6)} m" if film.position_m is not None else "",
        position_m=film.position_m,
        limits=tuple(_limit_row(reason) for reason in film.reasons),
        orientation=_rows(
            orientation,
            (
                ("c_axis", "c-axis", "c_axis_fraction"),
                ("a_axis", "a-axis", "a_axis_fraction"),
                ("random", "random", "random_fraction"),
                ("other", "other grains", "other_fraction"),
            ),
        ),
        orientation_notes=_orientation_notes(film),
        left_out=tuple(
            f"{item.line}, {item.why}"
            for item in (orientation.lines_left_out if orientation else ())
        ),
        fluoride=_fluoride(film.fluoride),
        lattice=_rows(
            lattice,
            (
                ("c_A", "c", "c_A"),
                ("a_A", "a", "c_A"),
                ("b_A", "b", "c_A"),
                ("oxygen", "oxygen a formula unit, from c", "oxygen"),
                ("crystallite_size_nm", "crystallite size", "crystallite_size_nm"),
                ("microstrain", "microstrain", "microstrain"),
                ("fringe_thickness_nm", "thickness from fringes", "crystallite_size_nm"),
                ("displacement_um", "displacement", "displacement_um"),
                ("zero_deg", "zero", "zero_deg"),
            ),
        ),
        lattice_notes=_lattice_notes(film),
        texture=_texture(film),
        texture_notes=tuple(texture.notes) if texture else (),
        phases=tuple((p.phase, p.detected, _phase_text(p)) for p in film.phases),
        phases_note=(
            "Shares of volume hold for grains at random."
            if any(IF_RANDOM in p.note for p in film.phases)
            else ""
        ),
        lines=tuple(_line_rows(film)),
        warnings=tuple(text for text in dict.fromkeys(film.warnings) if text != short_reason(film)),
        cautions=_cautions(film),
        assumed=tuple(flatten(film.provenance.settings)),
        recipe=tuple((f"recipe: {name}", text) for name, text in flatten(film.recipe)),
        files=tuple(film.provenance.files.items()),
        version=film.provenance.version,
        level=f"{number(100 * levels.pop())} %" if len(levels) == 1 else "",
    )


def _phase_text(found: PhaseFinding) -> str:
    """Its lines and its note; what many phases have in common stands below their table."""
    lines = ", ".join(line.removeprefix(f"{found.phase} ") for line in found.lines)
    return "; ".join(part for part in (lines, found.note.replace(IF_RANDOM, "")) if part)


def short_reason(film: Film) -> str:
    """The one line that tells why: the first broken limit, else the first open one."""
    if film.verdict == "unreadable":
        return film.warnings[0] if film.warnings else "The scan could not be read."
    if not film.reasons:
        return "No limits were given, so nothing is decided."
    for outcome in ("fail", "undecided"):
        if film.verdict == outcome:
            first = next((r for r in film.reasons if r.outcome == outcome), film.reasons[0])
            return first.text
    if film.grade:
        return f"Keeps every limit of grade {film.grade}."
    count = len(film.reasons)
    return f"Keeps all {count} limits." if count > 1 else film.reasons[0].text


def _limit_row(reason: Reason) -> LimitRow:
    spec = find_quantity(reason.quantity)
    scale, unit = (spec.scale, spec.unit) if spec else (1.0, "")
    grade = reason.limit.get("grade", "")
    if reason.quantity.endswith(DETECTED):
        limit = "must be seen" if reason.limit.get("min") else "must not be seen"
        shown = "seen" if reason.value else "not seen" if reason.value is not None else "not told"
        label = reason.quantity.removesuffix(DETECTED)
    else:
        tail = unit if unit.startswith("°") else f" {unit}"
        limit = ", ".join(
            f"{sign} {number(reason.limit[key] * scale, 8)}{tail}".rstrip()
            for sign, key in (("≥", "min"), ("≤", "max"))
            if reason.limit.get(key) is not None
        )
        shown = show(reason if _has_interval(reason) else None, scale=scale, unit=unit)
        label = spec.label if spec else reason.quantity
    return LimitRow(
        label=label,
        limit=limit,
        shown=shown,
        outcome=reason.outcome,
        outcome_word={"pass": "kept", "fail": "broken", "undecided": "open"}[reason.outcome],
        text=reason.text,
        grade=grade if isinstance(grade, str) else ", ".join(grade),
        risk=f"{number(100 * reason.limit['risk'])} %" if "risk" in reason.limit else "",
        scale=limit_scale(reason) if _has_interval(reason) else None,
    )


def _has_interval(reason: Reason) -> bool:
    return any(x is not None for x in (reason.value, reason.low, reason.high))


def _rows(record: Any, wanted: Sequence[tuple[str, str, str]]) -> tuple[Row, ...]:
    """The fields of a record that were measured, as rows."""
    if record is None:
        return ()
    return tuple(
        Row(label, quantity_text(quantity, name), source=_largest_source(quantity))
        for field, label, name in wanted
        if (quantity := getattr(record, field)) is not None
    )


def _largest_source(quantity: Quantity) -> str:
    """What the uncertainty mostly comes from."""
    if not quantity.sources:
        return ""
    total = sum(part**2 for part in quantity.sources.values())
    name, part = max(quantity.sources.items(), key=lambda item: item[1])
    if total <= 0.0 or len(quantity.sources) < 2:
        return name
    return f"{name} {number(100 * part**2 / total, 2)} % of σ²"


def _orientation_notes(film: Film) -> tuple[str, ...]:
    found = film.orientation
    if found is None:
        return ()
    notes = [f"Route: {ROUTES[found.route]}. Lines used: {', '.join(found.lines_used) or 'none'}."]
    if found.chi_square is not None and found.degrees_of_freedom:
        notes.append(
            f"Scatter of the lines about the shares: χ² {number(found.chi_square, 3)} "
            f"with {found.degrees_of_freedom} degrees of freedom."
        )
    return (*notes, *found.notes)


def _lattice_notes(film: Film) -> tuple[str, ...]:
    if film.lattice is None:
        return ()
    source = film.lattice.alignment_from
    return (*((f"Axis set by {source}.",) if source else ()), *film.lattice.notes)


def _fluoride(found: Fluoride | None) -> FluorideContent | None:
    if found is None:
        return None

    def least(limit: float | None) -> str:
        return "not known" if limit is None else f"{number(100 * limit, 2)} vol%"

    rows = [
        Row("conversion", quantity_text(found.conversion, "conversion")),
        Row("HF still bound", quantity_text(found.hf_bound_ug_cm2, "hf_bound_ug_cm2")),
    ]
    if found.cell_A is not None:
        rows.append(Row("cell edge", quantity_text(found.cell_A, "c_A")))
    if found.index is not None:
        rows.append(Row("index", show(found.index), "area ratio, no fraction"))
    rows.append(Row("its orientation", found.orientation or "cannot be told"))
    rows.append(Row("route", ROUTES[found.route]))
    aligned = (found.orientation or "").startswith("aligned")
    return FluorideContent(
        detected=found.detected,
        aligned=_left(found.volume_fraction_aligned, refused=found.orientation == "random"),
        random=_left(found.volume_fraction_random, refused=aligned),
        least_aligned=least(found.detection_limit_aligned),
        least_random=least(found.detection_limit_random),
        rows=tuple(rows),
        # cautions stand in a frame of their own at the foot of the sheet
        notes=tuple(
            text
            for text in dict.fromkeys([*found.notes, *found.advice])
            if text not in (HF_CAUTION, BARIUM_CAUTION)
        ),
    )


def _left(fraction: Quantity | None, *, refused: bool) -> str:
    """Fluoride left under one assumption, or that the lines refuse the assumption."""
    if fraction is None and refused:
        return "does not fit"
    return quantity_text(fraction, "fluoride_volume_fraction")


def _texture(film: Film) -> tuple[Row, ...]:
    rows = list(
        _rows(
            film.texture,
            (
                ("rocking_fwhm_deg", "rocking width", "rocking_fwhm_deg"),
                ("azimuth_fwhm_deg", "azimuth width", "azimuth_fwhm_deg"),
                ("rocking_integral_breadth_deg", "rocking integral breadth", "rocking_fwhm_deg"),
                ("in_plane_rotated_fraction", "rotated in plane", "in_plane_rotated_fraction"),
                ("buffer_111_fraction", "(111) of the buffer", "buffer_111_fraction"),
            ),
        )
    )
    for layer in film.texture.layers if film.texture else ():
        for row in _rows(
            layer,
            (
                ("rocking_fwhm_deg", "rocking width", "rocking_fwhm_deg"),
                ("azimuth_fwhm_deg", "azimuth width", "azimuth_fwhm_deg"),
                ("fraction_111", "(111) share", "buffer_111_fraction"),
            ),
        ):
            rows.append(replace(row, label=f"{layer.phase}: {row.label}"))
    return tuple(rows)


def _line_rows(film: Film) -> Iterator[LineRow]:
    for line in film.lines:
        h, k, l = line.hkl  # noqa: E741
        yield LineRow(
            line.phase,
            f"{h}{k}{l}" if all(0 <= i <= 9 for i in line.hkl) else f"{h} {k} {l}",
            plus_minus(line.two_theta_deg),
            plus_minus(line.area),
            _width(line),
            number(line.significance, 3),
            _flags(line.flags),
        )


def _width(line: Line) -> str:
    if line.fwhm_deg is not None:
        return plus_minus(line.fwhm_deg)
    return "" if line.held_fwhm_deg is None else f"{number(line.held_fwhm_deg, 2)} held"


def _flags(flags: Sequence[str]) -> str:
    """Flags in a row; "place held, width held" becomes "place, width held"."""
    held = [flag.removesuffix(" held") for flag in flags if flag.endswith(" held")]
    others = [flag for flag in flags if not flag.endswith(" held")]
    return ", ".join([*held[:-1], *(f"{last} held" for last in held[-1:]), *others])


def _cautions(film: Film) -> tuple[str, ...]:
    """Cautions whose numbers stand on this sheet."""
    found = film.fluoride
    if found is None:
        return ()
    bound = found.hf_bound_ug_cm2
    cautions = []
    if bound is not None and (bound.high or 0.0) > 0.0:
        cautions.append(f"HF still bound: {HF_CAUTION}")
    if found.detected:
        cautions.append(BARIUM_CAUTION)
    if len(cautions) > 1:  # what both end with is said once
        cautions[0] = cautions[0].removesuffix(LOCAL_CODES).rstrip()
    return tuple(cautions)


def _intervals(film: Film) -> Iterator[Quantity]:
    for part in (film.fluoride, film.orientation, film.lattice, film.texture):
        for name in type(part).model_fields if part is not None else ():
            value = getattr(part, name)
            if isinstance(value, Quantity):
                yield value


def flatten(settings: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    """Nested settings as (dotted name, text)."""
    for key, value in settings.items():
        name = f"{prefix}{key}"
        if isinstance(value, Mapping):
            yield from flatten(value, f"{name}.")
        elif isinstance(value, bool):
            yield name, "yes" if value else "no"
        elif isinstance(value, int | float):
            yield name, number(value, 6)
        elif value is None:
            yield name, "not stated"
        elif isinstance(value, str):
            yield name, value
        elif isinstance(value, list | tuple) and all(isinstance(v, Mapping) for v in value):
            yield name, "; ".join(" ".join(text for _, text in flatten(v)) for v in value) or "none"
        elif isinstance(value, list | tuple):
            yield name, ", ".join(str(v) for v in value) or "none"
        else:
            yield name, json.dumps(value, default=str)
