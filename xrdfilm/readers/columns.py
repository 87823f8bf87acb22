"""Which column is what: by name, else by what stands in it."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from xrdfilm._typing import BoolArray, FloatArray
from xrdfilm.readers.metadata import axis_in, unit_in
from xrdfilm.readers.scan_checks import RefusedError, finding
from xrdfilm.readers.settings import IntensityUnit
from xrdfilm.scan import Axis, Finding

Role = Literal[
    "axis", "foreign", "index", "intensity", "net", "background", "calculated",
    "sigma", "factor", "result", "other",
]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Columns:
    """The chosen columns, as indices, and what their names tell.

    ``also`` holds further intensities of the same kind beside the first: scans side by side.
    """

    axis_at: int
    intensity_at: int
    sigma_at: int | None = None
    factor_at: int | None = None
    axis: Axis | None = None
    axis_words: str = ""
    intensity_unit: IntensityUnit | None = None
    net: bool = False
    also: tuple[int, ...] = ()
    findings: tuple[Finding, ...] = ()


class ColumnsError(ValueError):
    """The columns cannot be told apart; the message says what to state."""


_ROLES: tuple[tuple[str, Role], ...] = (
    (r"fwhm|net area|\barea\b|peak (?:name|cent|pos|no|height)|tilt angle|\bhkl\b|d.?spacing.*rel"
     r"|rel\.? ?int|phase|matched|integral breadth|area/base", "result"),
    (r"sigma|σ|\berr(?:or)?s?\b|\bes?d\b|\bsu\b|stdev|standard dev|uncert|\bdi\b|\be\b$"
     r"|delta.?i", "sigma"),
    (r"atten|absorb|filter|\bfactor\b|beam.?att|foil", "factor"),
    (r"backgr|\bbkg\b|\bbg\b|baseline|\bback\b", "background"),
    (r"\bcalc|\by?calc\b|\bfit\b|model|diff\b|difference|resid|weight", "calculated"),
    (r"\bnet\b|corrected|subtracted|smooth|normali[sz]ed", "net"),
    (r"int(?:en(?:s(?:ity|ität)?)?)?\b|intens|counts?\b|\bcts\b|\bcps\b|\by_?obs|\bi_?obs|\bobs\b|observed|measured|\bi\b|signal|photons|detector"
     r"|\bdet\b|\by\b|強度|\bpsd\b|impuls|pulses|\braw\b|rate\b", "intensity"),
    (r"\bq\b|\bd\b|d.?spacing|å|angstrom|1/nm|nm-1|gamma|γ|delta|δ|\b[xz]\b(?=.*mm)|\bmm\b|temperature|°c"
     r"|\btime\b|\bsec\b|energy|kev|\bgam\b|\bdel\b|position \[mm|\bs\b", "foreign"),
    (r"^(?:#|no\.?|nr\.?|n|index|point|pt|idx|num|number|row)$", "index"),
    (r"angle|position|\bpos\b|\bdeg|°|\bx\b|winkel|角", "axis"),
)  # fmt: skip


_GIVE_WAY: tuple[Role, ...] = ("foreign", "axis", "index", "net", "calculated")
"""Roles whose words may stand in the name of an angle: "2Theta corrected"."""


def role_of(name: str) -> tuple[Role, Axis | None]:
    """The role that a column's name speaks of, and for an axis which one it is."""
    lowered = " ".join(name.lower().replace("_", " ").replace(".", " ").split())
    axis = axis_in(lowered)
    for pattern, role in _ROLES:
        if re.search(pattern, lowered):
            if axis is not None and role in _GIVE_WAY:
                return "axis", axis
            return role, None
    return ("axis", axis) if axis is not None else ("other", None)


def choose(
    rows: FloatArray,
    names: tuple[str, ...] | None,
    wanted: tuple[int | str, ...] | None = None,
    hint: Axis | None = None,
) -> Columns:
    """The columns of a table of shape (N, fields).

    ``wanted`` is the user's own choice; ``hint`` the axis that the header speaks of. Raises
    `ColumnsError` where the choice is open, `RefusedError` where the names say it is no scan.
    """
    fields = rows.shape[1]
    if wanted is not None:
        return _as_wanted(wanted, names, fields)
    if np.isnan(rows[0]).any():
        empty = np.asarray(np.isnan(rows).all(axis=0))
        if empty.any():
            return _without(empty, rows, names, hint)
    if fields < 2:
        raise ColumnsError("has one column; a scan needs an angle and an intensity a line")
    roles = [role_of(name) for name in names or ()]
    if names is None:
        return _by_evidence(rows)
    if not _name_columns([role for role, _ in roles]):
        return _with_hints(_by_evidence(rows), names, roles)
    _refuse_by_name(names, roles)
    by_role: dict[Role, list[int]] = {}
    for at, (role, _) in enumerate(roles):
        by_role.setdefault(role, []).append(at)
    axis_at, axis, words = _axis_column(rows, names, roles, by_role, hint)
    intensity_at, net, also = _intensity_column(rows, names, by_role, axis_at)
    sigma_at = _one(by_role.get("sigma"), after=intensity_at)
    factor_at = _one(by_role.get("factor"), after=intensity_at)
    unit = unit_in(names[intensity_at])
    used = {axis_at, intensity_at, sigma_at, factor_at, *also}
    left = [clean for at, clean in enumerate(names) if at not in used and clean]
    findings: list[Finding] = []
    if left:
        listed = ", ".join(repr(name) for name in left[:6]) + (" …" if len(left) > 6 else "")
        findings.append(finding("column_ignored", listed))
    if also:
        sigma_at = factor_at = None  # whose they are cannot be told
    return Columns(
        axis_at, intensity_at, sigma_at, factor_at, axis, words, unit, net, also, tuple(findings)
    )


def _name_columns(kinds: list[Role]) -> bool:
    """Whether words name columns: they must name an axis and something measured over it.

    Else they are just words that happen to be as many as the columns.
    """
    over = any(kind in ("axis", "foreign") for kind in kinds)
    measured = any(kind in ("intensity", "net", "background", "calculated") for kind in kinds)
    return (over and measured) or kinds.count("result") >= 2


def _with_hints(
    chosen: Columns, names: tuple[str, ...], roles: list[tuple[Role, Axis | None]]
) -> Columns:
    """A choice by evidence, with what the names say of the columns that were chosen."""
    role = roles[chosen.intensity_at][0]
    return replace(
        chosen,
        axis=roles[chosen.axis_at][1],
        intensity_unit=unit_in(names[chosen.intensity_at]) if role == "intensity" else None,
    )


def _without(
    empty: BoolArray, rows: FloatArray, names: tuple[str, ...] | None, hint: Axis | None
) -> Columns:
    """The choice among the columns that hold numbers, as places among all."""
    full = np.flatnonzero(~empty)
    kept = None if names is None else tuple(names[at] for at in full)
    chosen = choose(rows[:, full], kept, None, hint)

    def place(at: int | None) -> int | None:
        return None if at is None else int(full[at])

    worded = [names[at] for at in np.flatnonzero(empty) if names[at]] if names else []
    findings = chosen.findings
    if worded:
        findings += (finding("column_ignored", ", ".join(repr(name) for name in worded[:6])),)
    return replace(
        chosen,
        findings=findings,
        axis_at=int(full[chosen.axis_at]),
        intensity_at=int(full[chosen.intensity_at]),
        sigma_at=place(chosen.sigma_at),
        factor_at=place(chosen.factor_at),
        also=tuple(int(full[at]) for at in chosen.also),
    )


def _as_wanted(
    wanted: tuple[int | str, ...], names: tuple[str, ...] | None, fields: int
) -> Columns:
    places = []
    for column in wanted:
        if isinstance(column, str):
            known = [name.lower() for name in names or ()]
            if column.lower() not in known:
                listed = ", ".join(repr(name) for name in names or ()) or "none are named"
                raise ColumnsError(f"has no column {column!r}; its columns: {listed}")
            places.append(known.index(column.lower()))
        elif 1 <= column <= fields:
            places.append(column - 1)
        else:
            raise ColumnsError(f"has {fields} columns; column {column} was asked for")
    axis = role_of(names[places[0]])[1] if names else None
    unit = unit_in(names[places[1]]) if names else None
    return Columns(
        places[0], places[1], places[2] if len(places) > 2 else None, axis=axis, intensity_unit=unit
    )


def _refuse_by_name(names: tuple[str, ...], roles: list[tuple[Role, Axis | None]]) -> None:
    kinds = [role for role, _ in roles]
    if kinds.count("result") >= 1 and ("intensity" not in kinds or kinds.count("result") >= 2):
        listed = ", ".join(names[:6])
        raise RefusedError("results_table", f"columns {listed}")
    measured = ("intensity", "net", "other", "sigma")
    if "background" in kinds and not any(kind in kinds for kind in measured):
        raise RefusedError("background_values", f"columns {', '.join(names)}")


def _axis_column(
    rows: FloatArray,
    names: tuple[str, ...],
    roles: list[tuple[Role, Axis | None]],
    by_role: dict[Role, list[int]],
    hint: Axis | None,
) -> tuple[int, Axis | None, str]:
    """Place, kind and words of the axis: a named angle that runs, 2θ before others."""
    angles = [at for at in by_role.get("axis", []) if _runs(rows[:, at])]
    for want in (hint, "two_theta", "omega", "phi", "chi", "reflectivity"):
        for at in angles:
            if want is not None and roles[at][1] == want:
                return at, want, ""
    if angles:
        return angles[0], hint, ""
    foreign = [at for at in by_role.get("foreign", []) if _runs(rows[:, at])]
    if foreign:
        return foreign[0], None, names[foreign[0]]
    taken = {
        at for role in ("intensity", "net", "sigma", "background", "calculated", "factor", "index")
        for at in by_role.get(role, [])
    }  # fmt: skip
    free = [at for at in range(rows.shape[1]) if at not in taken and _runs(rows[:, at])]
    if free:
        return free[0], hint, ""
    raise ColumnsError(
        f"has no column that runs steadily like an angle (columns: {', '.join(names)}); choose "
        "the columns"
    )


_NEVER_INTENSITY: tuple[Role, ...] = (
    "index", "sigma", "factor", "background", "calculated", "axis", "foreign", "result",
)  # fmt: skip


def _intensity_column(
    rows: FloatArray, names: tuple[str, ...], by_role: dict[Role, list[int]], axis_at: int
) -> tuple[int, bool, tuple[int, ...]]:
    """Place of the intensity, raw before net; whether it is a net one; and others of its kind."""
    raw = [at for at in by_role.get("intensity", []) if at != axis_at]
    if raw:

        def rank(at: int) -> int:
            lowered = names[at].lower()
            if "raw" in lowered or "obs" in lowered:
                return 0
            return (
                1
                if re.search(r"count|cts|intens", lowered) and unit_in(lowered) != "counts_per_s"
                else 2
            )

        ranked = sorted(raw, key=rank)
        best = [at for at in ranked if rank(at) == rank(ranked[0])]
        return best[0], False, tuple(best[1:])
    net = [at for at in by_role.get("net", []) if at != axis_at]
    if net:
        return net[0], True, ()
    spoken_for = {at for role in _NEVER_INTENSITY for at in by_role.get(role, [])}
    others = [at for at in range(rows.shape[1]) if at != axis_at and at not in spoken_for]
    if len(others) == 1:
        return others[0], False, ()
    raise ColumnsError(
        f"has no column that is clearly the intensity (columns: {', '.join(names)}); choose the "
        "columns"
    )


def _one(places: list[int] | None, after: int) -> int | None:
    """The first of some places behind another, else the first."""
    if not places:
        return None
    return next((at for at in places if at > after), places[0])


def _runs(column: FloatArray) -> bool:
    """Whether a column runs one way nearly all the time, as an axis does."""
    good = column[np.isfinite(column) & (column > -999.0)]
    if good.size < 3:
        return good.size > 0
    step = np.diff(good)
    up, down = int((step > 0).sum()), int((step < 0).sum())
    # Scans stacked in one file run back to their start now and then; rounded angles stand still.
    return (
        max(up, down) > 0 and min(up, down) <= 0.1 * step.size + 1 and up + down > 0.3 * step.size
    )


def _is_index(column: FloatArray) -> bool:
    return column[0] in (0.0, 1.0) and bool((np.diff(column) == 1.0).all())


def _by_evidence(rows: FloatArray) -> Columns:
    fields = rows.shape[1]
    if fields == 2:
        if _runs(rows[:, 0]) or not _runs(rows[:, 1]):
            return Columns(0, 1)
        return Columns(1, 0, findings=(_turned(1, 0),))
    running = [at for at in range(fields) if _runs(rows[:, at])]
    plain = [at for at in running if not _is_index(rows[:, at])]
    if plain and running and running[0] != plain[0] and fields >= 3:
        running = plain
    elif 0 in running:
        running = [0]
    if not running:
        raise ColumnsError(
            f"has {fields} columns without names, none of which runs steadily like an angle; "
            "choose the columns"
        )
    axis_at = running[0]
    findings: list[Finding] = []
    others = [at for at in range(fields) if at != axis_at and not _is_index(rows[:, at])]
    if not others:
        raise ColumnsError("has an angle but no intensity; choose the columns")
    intensity_at = others[0] if axis_at == 0 or len(others) == 1 else _after(others, axis_at)
    before = [at for at in others if at < axis_at]
    if before and third_column(rows[:, before[0]], rows[:, intensity_at]) == "sigma":
        intensity_at = before[0]
    if intensity_at < axis_at:
        findings.append(_turned(axis_at, intensity_at))
    sigma_at = factor_at = None
    rest = [at for at in others if at != intensity_at]
    for at in rest:
        kind = third_column(rows[:, intensity_at], rows[:, at])
        if kind == "sigma" and sigma_at is None:
            sigma_at = at
        elif kind == "factor" and factor_at is None:
            factor_at = at
        elif len(rest) > 1 and kind == "intensity":
            raise ColumnsError(
                f"has {fields} columns without names, several of which could be the intensity; "
                "choose the columns"
            )
        else:
            findings.append(finding("column_ignored", f"column {at + 1}"))
    return Columns(axis_at, intensity_at, sigma_at, factor_at, findings=tuple(findings))


def _turned(axis_at: int, intensity_at: int) -> Finding:
    return finding(
        "columns_turned", f"angle in column {axis_at + 1}, intensity in column {intensity_at + 1}"
    )


def _after(places: list[int], axis_at: int) -> int:
    return next((at for at in places if at > axis_at), places[0])


def third_column(
    intensity: FloatArray, column: FloatArray
) -> Literal["sigma", "factor", "intensity", "unknown"]:
    """Whether a column beside the intensity is its uncertainty or an attenuator's factor.

    An uncertainty goes as the root of the intensity, up to one constant; a factor takes a few
    values of at least 1. Both of shape (N,).
    """
    good = np.isfinite(intensity) & np.isfinite(column)
    y, z = intensity[good], column[good]
    if z.size < 3 or z.min() < 0:
        return "unknown"
    values = np.unique(z[:5000])
    steps = int((np.diff(z) != 0).sum())
    if z.min() >= 1.0 and values.size <= 8 and steps <= max(2, 0.05 * z.size):
        return "factor"
    strong = y > 0
    if strong.sum() >= 3:
        ratio = z[strong] / np.sqrt(np.maximum(y[strong], 1e-300))
        middle = float(np.median(ratio))
        if middle > 0 and float(np.median(np.abs(ratio / middle - 1.0))) < 0.05:
            return "sigma"
        power = z[strong] > 0
        if power.sum() >= 10 and np.ptp(np.log(y[strong][power])) > 0.5:
            logs_y, logs_z = np.log(y[strong][power]), np.log(z[strong][power])
            slope, offset = np.polyfit(logs_y, logs_z, 1)
            off = float(np.std(logs_z - slope * logs_y - offset))
            if 0.3 <= slope <= 0.7 and off < 0.25:
                return "sigma"
    return "intensity" if values.size > 8 else "unknown"
