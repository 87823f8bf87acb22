"""The panel beside a fit: the adjustments in force, and those that a form states."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from xrdfilm.errors import RunFileError
from xrdfilm.fluoride.model import FLUORIDE_LINES
from xrdfilm.lines import Reflection
from xrdfilm.results import Film
from xrdfilm.runfile import RunFile
from xrdfilm.serve.forms import number_or_text, rows_of

KEYS = (
    "exclude_lines",
    "move_lines",
    "exclude_ranges_deg",
    "widest_line_deg",
    "background_degree",
)


@dataclass(frozen=True, slots=True)
class LineRow:
    """One fitted line: where it stands, how clear it is, and what is done otherwise about it."""

    phase: str
    hkl: str
    two_theta: str
    significance: str
    out: bool
    move: str


@dataclass(frozen=True, slots=True)
class Panel:
    """All that the panel shows."""

    lines: tuple[LineRow, ...]
    ranges: str
    widest_line_deg: str
    background_degree: str
    in_force: bool
    for_run: bool


def adjust_rows(run_file: RunFile, film: Film, posted: Mapping[str, str]) -> Panel:
    """The panel of a film; ``posted`` is a form that was refused, to be shown again."""
    now = run_file.adjust.adjustments_of(film.film)
    moved = {line: f"{place:g}" for line, place in now.moved}
    rows: dict[Reflection, tuple[str, str]] = {}
    for line in film.lines:
        what = Reflection(line.phase, line.hkl)
        place = "" if line.two_theta_deg.value is None else f"{line.two_theta_deg.value:.3f}"
        rows.setdefault(what, (place, f"{line.significance:.1f}".replace("-", "−")))
    fluoride = next((w.phase for w in rows if w.phase == "BaF2"), "BaF2")
    for hkl in FLUORIDE_LINES:
        rows.setdefault(Reflection(fluoride, hkl), ("", ""))
    for line_ in (*sorted(now.excluded, key=str), *moved):
        rows.setdefault(line_, ("", ""))
    again = _posted_lines(posted)
    found = []
    for what, (place, significance) in rows.items():
        indices = " ".join(map(str, what.hkl))
        out, move = what in now.excluded, moved.get(what, "")
        if posted:
            out, move = again.get((what.phase, indices), (False, ""))
        found.append(LineRow(what.phase, indices, place, significance, out, move))
    ranges = "; ".join(f"{low:g} to {high:g}" for low, high in now.ranges_deg)
    own = run_file.adjust.film.get(film.film)
    return Panel(
        tuple(found),
        posted.get("ranges", ranges),
        posted.get("widest_line_deg", _shown(now.widest_line_deg)),
        posted.get("background_degree", _shown(now.background_degree)),
        any(getattr(now, name) for name in ("excluded", "moved", "ranges_deg"))
        or now.widest_line_deg is not None
        or now.background_degree is not None,
        own is None and any(name in run_file.adjust.model_fields_set for name in KEYS),
    )


def _shown(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def _posted_lines(form: Mapping[str, str]) -> dict[tuple[str, str], tuple[bool, str]]:
    return {
        (form.get(f"line.{i}.phase", ""), form.get(f"line.{i}.hkl", "")): (
            form.get(f"line.{i}.out") == "yes",
            form.get(f"line.{i}.move", ""),
        )
        for i in rows_of(form, "line")
    }


def adjust_from(form: Mapping[str, str]) -> dict[str, Any]:
    """The keys of ``[adjust]`` that a form states; RunFileError where a range is none."""
    excluded: list[dict[str, Any]] = []
    moved: list[dict[str, Any]] = []
    for (phase, hkl), (out, move) in _posted_lines(form).items():
        line = {"phase": phase, "hkl": [number_or_text(part) for part in hkl.split()]}
        if out:
            excluded.append(line)
        if move.strip():
            moved.append({**line, "two_theta_deg": number_or_text(move)})
    values: dict[str, Any] = {
        "exclude_lines": excluded,
        "move_lines": moved,
        "exclude_ranges_deg": ranges_from(form.get("ranges", "")),
    }
    for name in ("widest_line_deg", "background_degree"):
        text = form.get(name, "").strip()
        if text:
            values[name] = number_or_text(text)
    return values


def ranges_from(text: str) -> list[list[float]]:
    """Stretches from "24 to 25.5; 38-39"; decimal commas are understood."""
    found = []
    for part in re.split(r"[;\n]+", text):
        if not part.strip():
            continue
        ends = re.fullmatch(
            r"\s*(\d+(?:[.,]\d+)?)\s*°?\s*(?:to|-|–|\.\.\.|…)\s*(\d+(?:[.,]\d+)?)\s*°?\s*", part
        )
        if ends is None:
            raise RunFileError(
                f"adjust.exclude_ranges_deg: a range is written 'low to high', found "
                f"{part.strip()[:60]!r}"
            )
        found.append([float(end.replace(",", ".")) for end in ends.groups()])
    return found


def with_adjustments(
    data: Mapping[str, Any], film: str, values: Mapping[str, Any], *, whole_run: bool
) -> dict[str, Any]:
    """The run file's data with new adjustments, for one film or for all of them."""
    changed = {**data}
    adjust = {**(changed.pop("adjust", None) or {})}
    films = {name: dict(own) for name, own in (adjust.pop("film", None) or {}).items()}
    if whole_run:
        adjust = {k: v for k, v in adjust.items() if k not in KEYS}
        adjust |= {key: value for key, value in values.items() if value not in (None, [])}
        films.pop(film, None)
    else:
        own = {
            key: value
            for key, value in values.items()
            if value != adjust.get(key, [] if isinstance(value, list) else None)
        }
        films.pop(film, None)
        if own:
            films[film] = own
    if films:
        adjust["film"] = films
    if adjust:
        changed["adjust"] = adjust
    return changed


def with_signature(data: Mapping[str, Any], by: str, why: str) -> dict[str, Any]:
    """The run file's data with who stores it and why."""
    adjust = {k: v for k, v in (data.get("adjust") or {}).items() if k not in ("by", "why")}
    return {**data, "adjust": {"by": by, "why": why, **adjust}}
