"""Powder CIF: the IUCr's pdCIF dictionary, old (`_pd_meas_`) and new (`_pd_meas.`) spelling.

B. H. Toby, "CIF for powder diffraction", International Tables G (2006), 117–130: measured items
carry `meas`, corrected ones `proc`; an axis is a column or a range with an increment; a value may
carry its standard uncertainty in parentheses.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.readers.anodes import anode_in
from xrdfilm.readers.metadata import unit_in
from xrdfilm.readers.ranges import cut
from xrdfilm.readers.raw import RawScan
from xrdfilm.readers.scan_checks import finding
from xrdfilm.readers.settings import IntensityUnit, Overrides
from xrdfilm.readers.source import Source
from xrdfilm.readers.text_header import clean
from xrdfilm.scan import Axis, Finding

if TYPE_CHECKING:
    import gemmi

_BLOCK = re.compile(rb"^[ \t]*data_", re.IGNORECASE | re.MULTILINE)
_ITEM = re.compile(rb"^[ \t]*(?:loop_|_[A-Za-z])", re.IGNORECASE | re.MULTILINE)
_VALUE = re.compile(r"([+-]?)(\d*)\.?(\d*)(?:\((\d+)\))?(?:[eEdD]([+-]?\d{1,3}))?\Z")

_AXES: tuple[tuple[str, Axis], ...] = (
    ("_pd_meas_2theta_scan", "two_theta"),
    ("_pd_meas_angle_2theta", "two_theta"),
    ("_pd_proc_2theta_corrected", "two_theta"),
    ("_pd_meas_angle_omega", "omega"),
    ("_pd_meas_angle_phi", "phi"),
    ("_pd_meas_angle_chi", "chi"),
)
_INTENSITIES = (
    "_pd_meas_counts_total",
    "_pd_meas_intensity_total",
    "_pd_proc_intensity_total",
    "_pd_meas_intensity_net",
    "_pd_proc_intensity_net",
)
_FOREIGN_AXES = {
    "_pd_proc_d_spacing": "d spacing",
    "_pd_meas_time_of_flight": "time of flight",
    "_pd_proc_recip_len_q": "Q",
    "_pd_proc_energy_incident": "energy",
    "_pd_proc_wavelength": "wavelength",
}
_META = {
    "_pd_block_id": "block",
    "_pd_spec_description": "sample",
    "_pd_meas_scan_method": "scan method",
    "_pd_meas_datetime_initiated": "date",
    "_diffrn_source_target": "anode",
    "_diffrn_radiation_type": "radiation",
    "_diffrn_radiation_wavelength": "wavelength",
    "_pd_meas_step_count_time": "step time",
    "_diffrn_ambient_temperature": "temperature",
    "_pd_calib_2theta_offset": "2theta offset",
}


class PowderCifReader:
    """CIF with powder data."""

    name = "powder CIF"

    def sniff(self, head: bytes, file_name: str) -> bool:
        """A data block with items; or the file's ending."""
        if b"data_" not in head.lower() or b"\0" in head:
            return False
        return bool(_BLOCK.search(head) and _ITEM.search(head))

    def read(self, source: Source, overrides: Overrides) -> tuple[RawScan, ...]:
        """One scan for each block (and each loop) with an axis and an intensity."""
        document, mended = _parsed(source)
        blocks: list[tuple[str, Items]] = [
            (block.name, _items(block, source)) for block in document
        ]
        wavelengths = {value for _, items in blocks if (value := _wavelength(items))}
        shared = wavelengths.pop() if len(wavelengths) == 1 else None
        wanted = _wanted_items(source, overrides)
        found: list[RawScan] = []
        for name, items in blocks:
            found += _scans(name, items, shared, mended, wanted)
            if len(found) > source.limits.max_scans:
                raise source.error(f"holds over {source.limits.max_scans:,} scans")
        if not found and wanted:
            raise source.error(_without_items(wanted, [items for _, items in blocks]))
        if not found:
            raise source.error(
                "is a CIF without a measured pattern (no angle with an intensity); a crystal "
                "structure or a list of reflections is no scan"
            )
        return tuple(piece for raw in found for piece in cut(raw))


reader = PowderCifReader()

Items = dict[str, tuple[int, Sequence[str]]]
"""Tag in the old spelling -> loop number (-1 outside loops) and its values."""

_MAX_MENDED = 20


def _parsed(source: Source) -> tuple[gemmi.cif.Document, tuple[Finding, ...]]:
    """The document; items without a value, as some programs write them, are passed over."""
    import gemmi

    text = source.data().decode("utf-8", "replace")
    lines: list[str] | None = None
    mended: list[int] = []
    while True:
        try:
            document = gemmi.cif.read_string(text if lines is None else "\n".join(lines))
        except (ValueError, RuntimeError, IndexError) as error:
            place = re.match(r"[^:\n]*:(\d+)", str(error))
            line = int(place[1]) if place else None
            lines = text.splitlines() if lines is None else lines
            if line and len(mended) < _MAX_MENDED and (bare := _bare_item(lines, line)) is not None:
                lines[bare] = ""
                mended.append(bare + 1)
                continue
            told = clean(str(error)).removeprefix("string:")
            raise source.error(f"is no well-formed CIF: {told[:200]}", line) from None
        if not mended:
            return document, ()
        return document, (finding("cif_mended", f"line {', '.join(map(str, mended[:5]))}"),)


def _bare_item(lines: list[str], line: int) -> int | None:
    """Index of a lone tag without a value, at a line (from 1) or the last written one before it."""
    at = min(line, len(lines)) - 1
    while at > 0 and (not lines[at].strip() or lines[at].lstrip().startswith("#")):
        at -= 1
    words = lines[at].split("#")[0].split() if 0 <= at < len(lines) else []
    return at if len(words) == 1 and words[0].startswith("_") else None


def _items(block: gemmi.cif.Block, source: Source) -> Items:
    """All items of a block under the old spelling, in lower case."""
    found: Items = {}
    for loop_number, item in enumerate(block):
        if item.pair is not None:
            pair: tuple[str, str] = item.pair  # type: ignore[assignment]
            found.setdefault(_old(pair[0]), (-1, [pair[1]]))
        elif item.loop is not None:
            loop = item.loop
            if loop.length() > source.limits.max_points:
                raise source.error(
                    f"holds over {source.limits.max_points:,} points; raise the limit "
                    "(max_points) if meant"
                )
            wanted = [
                at for at, tag in enumerate(loop.tags) if _old(tag).startswith(("_pd_", "_diffrn_"))
            ]
            values, width = loop.values, loop.width()
            for at in wanted:
                found.setdefault(_old(loop.tags[at]), (loop_number, values[at::width]))
    return found


def _old(tag: str) -> str:
    """The old spelling of a tag: the new one has a point after its category."""
    tag = tag.lower().replace(".", "_")
    return "_diffrn_radiation_wavelength" if tag in (
        "_diffrn_radiation_wavelength_value", "_diffrn_radiation_wavelength_wavelength"
    ) else tag  # fmt: skip


def numbers(values: Sequence[str]) -> tuple[FloatArray, FloatArray | None]:
    """Values and standard uncertainties of CIF numbers, each of shape (N,).

    `27298(166)` is 27298 with 166, `1.540(2)` is 1.540 with 0.002; `?` and `.` are nan. The
    uncertainties are None where no value carries one.
    """
    try:
        return np.array(values, dtype=np.float64), None
    except ValueError:
        pairs = [_number(value) for value in values]
    table = np.array(pairs, dtype=np.float64).reshape(-1, 2)
    has_sigma = bool(np.isfinite(table[:, 1]).any())
    return table[:, 0].copy(), table[:, 1].copy() if has_sigma else None


def _number(value: str) -> tuple[float, float]:
    # Longer ones are words; matching would cost the square of their length.
    match = _VALUE.match(value.strip("'\"")) if len(value) <= 64 else None
    if match is None or not (match[2] or match[3]):
        return math.nan, math.nan
    sign, whole, part, digits, exponent = match.groups()
    power = int(exponent or 0)
    number = float(f"{sign}{whole or 0}.{part or 0}e{power}")
    sigma = float(f"{digits}e{power - len(part)}") if digits else math.nan
    return number, sigma


def _one(items: Items, tag: str) -> str | None:
    """The first value of an item, unless it is not known."""
    if tag not in items or not items[tag][1]:
        return None
    value = items[tag][1][0]
    if value in ("?", ".") or value.strip(";\n ") == "?":
        return None
    return clean(value.strip(";\n'\" ")) or None


def _real(items: Items, tag: str) -> float | None:
    value = _one(items, tag)
    if value is None:
        return None
    number = _number(value)[0]
    return number if math.isfinite(number) else None


def _wavelength(items: Items) -> float | None:
    """The wavelength in Å: the strongest of several (they come with weights)."""
    tag = "_diffrn_radiation_wavelength"
    if tag not in items:
        return None
    values, _ = numbers(items[tag][1])
    weights = np.ones(values.size)
    if (weight_tag := "_diffrn_radiation_wavelength_wt") in items:
        given, _ = numbers(items[weight_tag][1])
        if given.size == values.size and np.isfinite(given).all():
            weights = given
    good = np.isfinite(values) & (values > 0.05) & (values < 10.0)
    return float(values[good][weights[good].argmax()]) if good.any() else None


def _range(items: Items, kind: str, count: int) -> FloatArray | None:
    """The axis that a range gives for ``count`` points; None where it gives none."""
    low = _real(items, f"_pd_{kind}_2theta_range_min")
    high = _real(items, f"_pd_{kind}_2theta_range_max")
    step = _real(items, f"_pd_{kind}_2theta_range_inc")
    if low is None or count < 2:
        return None
    if step is not None and step != 0:
        # The limits are exact, the increment is often rounded: the limits go before it.
        if high is not None and abs((high - low) / step - (count - 1)) < 0.6:
            return np.asarray(np.linspace(low, high, count))
        return np.asarray(low + step * np.arange(count), dtype=np.float64)
    return None if high is None else np.linspace(low, high, count)


def _wanted_items(source: Source, overrides: Overrides) -> tuple[str, ...]:
    """The items that the user chose as columns, in the old spelling; none where open."""
    names: list[str] = []
    for column in overrides.columns or ():
        if isinstance(column, int):
            raise source.error(
                f"is a CIF: column {column} means nothing there; name its items, e.g. columns = "
                '["_pd_meas_2theta_scan", "_pd_meas_counts_total"]'
            )
        names.append(_old("_" + column.strip().removeprefix("_")))
    return tuple(names)


def _without_items(wanted: tuple[str, ...], blocks: list[Items]) -> str:
    looped = {tag: None for items in blocks for tag, (loop, _) in items.items() if loop >= 0}
    listed = ", ".join(tag for tag in looped if tag.startswith("_pd_")) or "none"
    return f"has no loop that holds {' and '.join(wanted)}; items in its loops: {listed}"


def _scan_of_items(
    name: str,
    items: Items,
    shared_A: float | None,
    mended: tuple[Finding, ...],
    wanted: tuple[str, ...],
) -> list[RawScan]:
    """The scan that the chosen items of one loop make."""
    loops = {items[tag][0] if tag in items else -1 for tag in wanted}
    if len(loops) > 1 or -1 in loops:
        return []
    axis_deg, _ = numbers(items[wanted[0]][1])
    intensity, sigma = numbers(items[wanted[1]][1])
    if len(wanted) > 2:
        sigma, _ = numbers(items[wanted[2]][1])
    axis = dict(_AXES).get(wanted[0])
    words = _FOREIGN_AXES.get(wanted[0], "" if axis else wanted[0])
    corrected = wanted[0].startswith("_pd_proc") and axis is not None
    findings = (*mended, finding("axis_corrected")) if corrected else mended
    return [
        _raw(name, items, wanted[1], axis_deg, intensity, sigma, axis, words, shared_A, findings)
    ]


def _scans(
    name: str,
    items: Items,
    shared_A: float | None,
    mended: tuple[Finding, ...],
    wanted: tuple[str, ...] = (),
) -> list[RawScan]:
    """The pattern of one block: the items chosen, else measured before processed, total before
    net."""
    if wanted:
        return _scan_of_items(name, items, shared_A, mended, wanted)
    for tag in _INTENSITIES:
        if tag not in items:
            continue
        loop, values = items[tag]
        intensity, sigma = numbers(values)
        if loop < 0 or not np.isfinite(intensity).any():
            continue
        kind = "meas" if tag.startswith("_pd_meas") else "proc"
        axis_deg, axis, words, corrected = _axis(items, loop, kind, intensity.size)
        if axis_deg is None:
            continue
        if sigma is None:
            sigma = _sigma(items, tag, loop, intensity.size)
        findings = (*mended, finding("axis_corrected")) if corrected else mended
        return [_raw(name, items, tag, axis_deg, intensity, sigma, axis, words, shared_A, findings)]
    return []


def _axis(
    items: Items, loop: int, kind: str, count: int
) -> tuple[FloatArray | None, Axis | None, str, bool]:
    """Values, kind, foreign name of the axis that goes with a loop; and whether it is corrected."""
    order = _AXES if kind == "meas" else (_AXES[2], *_AXES[:2], *_AXES[3:])
    for tag, axis in order:
        if tag in items and items[tag][0] == loop:
            values, _ = numbers(items[tag][1])
            moving = values[np.isfinite(values)]
            if moving.size > 1 and np.ptp(moving) > 0:
                return values, axis, "", tag.startswith("_pd_proc")
    for one in (kind, "proc" if kind == "meas" else "meas"):
        ranged = _range(items, one, count)
        if ranged is not None:
            return ranged, "two_theta", "", one == "proc"
    for tag, words in _FOREIGN_AXES.items():
        if tag in items and items[tag][0] == loop:
            values, _ = numbers(items[tag][1])
            return values, None, words, False
    return None, None, "", False


def _sigma(items: Items, tag: str, loop: int, count: int) -> FloatArray | None:
    """Uncertainties from a column of their own, or from least-squares weights."""
    own = f"{tag}_su"
    if own in items and items[own][0] == loop and len(items[own][1]) == count:
        return numbers(items[own][1])[0]
    weight = "_pd_proc_ls_weight"
    if tag.startswith("_pd_proc") and weight in items and items[weight][0] == loop:
        weights, _ = numbers(items[weight][1])
        if np.isfinite(weights).any() and np.nanmax(weights) > 0:
            with np.errstate(divide="ignore", invalid="ignore"):
                return np.asarray(1.0 / np.sqrt(np.maximum(weights, 0.0)))
    return None


def _raw(
    name: str,
    items: Items,
    tag: str,
    axis_deg: FloatArray,
    intensity: FloatArray,
    sigma: FloatArray | None,
    axis: Axis | None,
    words: str,
    shared_A: float | None,
    findings: tuple[Finding, ...],
) -> RawScan:
    meta = {"block name": clean(name)} if name.strip() else {}
    for item, key in _META.items():
        if (value := _one(items, item)) is not None:
            meta.setdefault(key, value)
    unit: IntensityUnit | None = "counts" if tag == "_pd_meas_counts_total" else None
    if stated := _one(items, "_pd_meas_units_of_intensity"):
        unit = unit_in(stated) or unit
    radiation = " ".join(meta.get(key, "") for key in ("anode", "radiation"))
    return RawScan(
        axis_deg=axis_deg,
        intensity=intensity,
        sigma=sigma,
        axis=axis,
        axis_words=words,
        wavelength_A=_wavelength(items) or shared_A,
        anode=anode_in(radiation),
        step_time_s=_positive(_real(items, "_pd_meas_step_count_time")),
        intensity_unit=unit,
        net=tag.endswith("_net"),
        meta=meta,
        findings=findings,
    )


def _positive(value: float | None) -> float | None:
    return value if value is not None and value > 0 else None
