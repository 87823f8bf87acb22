"""NeXus: HDF5 files whose NXdata groups name a signal and its axes.

The NeXus manual, "NXdata" and "Rules for storing data items": attributes `signal` and `axes` of the
group, or `signal = 1` and `axis = 1` of the fields in older files; uncertainties in
`<signal>_errors` or `errors`. Links to other files, data kept outside the file, and filters that
would have to be loaded as plug-ins are left alone: nothing but this one file is read.
"""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Any

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.errors import ScanFormatError
from xrdfilm.readers.anodes import anode_in, anode_of_wavelength
from xrdfilm.readers.guarded import GuardedError, guarded
from xrdfilm.readers.hdf5_tree import Tree
from xrdfilm.readers.metadata import axis_in, unit_in
from xrdfilm.readers.ranges import cut
from xrdfilm.readers.raw import RawScan
from xrdfilm.readers.scan_checks import finding
from xrdfilm.readers.settings import IntensityUnit, Overrides
from xrdfilm.readers.source import Source
from xrdfilm.readers.text_header import clean
from xrdfilm.scan import Axis, Finding

if TYPE_CHECKING:
    import h5py

_MAGIC = b"\x89HDF\r\n\x1a\n"
_SECONDS = 10.0
_BYTES_PER_SECOND = 2e6
"""Time allowed: ten times what a sound file takes, so that only a hang runs into it."""

_HC_KEV_A = 12.398419843  # h c in keV Å, exact in the SI of 2019
_FOREIGN = ("q", "d", "time", "energy", "wavelength", "x", "y", "z", "temperature")


class NexusReader:
    """HDF5 with NXdata."""

    name = "NeXus"

    def sniff(self, head: bytes, file_name: str) -> bool:
        """The signature of HDF5, at the start or after a user block of 512 bytes or a multiple."""
        return any(head[at : at + 8] == _MAGIC for at in (0, 512, 1024, 2048, 4096, 8192))

    def read(self, source: Source, overrides: Overrides) -> tuple[RawScan, ...]:
        """The scans of all NXdata groups with an angle and an intensity."""
        try:
            import h5py  # noqa: F401
        except ImportError:
            raise source.error(
                "is HDF5 (NeXus); reading it needs h5py: pip install 'xrdfilm[nexus]'"
            ) from None
        try:
            found = guarded(
                lambda: _read(source, overrides), _SECONDS + source.size / _BYTES_PER_SECOND
            )
        except GuardedError as error:
            raise source.error(f"is a damaged HDF5 file: reading it {error}") from None
        if isinstance(found, str):
            raise source.error(found)
        return found


def _read(source: Source, overrides: Overrides) -> tuple[RawScan, ...] | str:
    """The scans, or the sentence that says why there are none."""
    import h5py

    try:
        with h5py.File(io.BytesIO(source.data()), "r") as file:
            return _Entries(Tree(file, source), overrides.columns).scans()
    except ScanFormatError as error:
        return error.message
    except Exception as error:
        # What HDF5 raises on a damaged file depends on where the damage is.
        return f"is a damaged HDF5 file: {clean(str(error))[:200]}"


reader = NexusReader()


Facts = tuple[float | None, str | None, float | None, dict[str, str]]
"""Wavelength in Å, anode, step time in s, and words of one entry."""


class _Entries:
    """What the groups of a file mean: signals over axes, and facts beside them."""

    def __init__(self, tree: Tree, columns: tuple[int | str, ...] | None = None) -> None:
        self.tree = tree
        self.source = tree.source
        self.columns = tuple(str(column).strip() for column in columns or ())
        self.known: dict[str, Facts] = {}

    def scans(self) -> tuple[RawScan, ...]:
        import h5py

        groups = list(self.tree.walk())
        entries: dict[str, list[tuple[str, Any]]] = {}
        for path, group in groups:
            entries.setdefault(path.strip("/").split("/")[0], []).append((path, group))
        found: list[RawScan] = []
        seen: set[Any] = set()
        for path, group in groups:
            named = self.columns or "signal" in group.attrs
            if not named and _text(group.attrs.get("NX_class")) != "NXdata":
                continue
            signal = self.signal(group)
            if signal is None or signal[1].id in seen:
                continue
            seen.add(signal[1].id)
            entry = path.strip("/").split("/")[0]
            if entry not in self.known:
                self.known[entry] = self.facts(entries[entry])
            found += self.scan(path, group, *signal, self.known[entry])
            if len(found) > self.source.limits.max_scans:
                raise self.source.error(f"holds over {self.source.limits.max_scans:,} scans")
        if not found:
            left = (
                f" (data outside the file are not followed: {self.tree.links_left[0]})"
                if self.tree.links_left
                else ""
            )
            if self.columns:
                raise self.source.error(
                    f"has no group with the fields {' and '.join(self.columns)}{left}"
                )
            has = any(
                isinstance(one, h5py.Dataset)
                for _, group in groups
                for _, one in self.tree.members(group)
            )
            raise self.source.error(
                ("is HDF5 without an NXdata group that names a signal with an axis" if has or left
                 else "is HDF5 without any data") + left
            )  # fmt: skip
        return tuple(piece for raw in found for piece in cut(raw))

    def signal(self, group: h5py.Group) -> tuple[str, Any] | None:
        """Name and dataset of the signal of an NXdata group."""
        import h5py

        members = dict(self.tree.members(group))
        if self.columns:
            chosen = [members.get(name) for name in self.columns]
            whole = all(isinstance(member, h5py.Dataset) for member in chosen)
            return (self.columns[1], chosen[1]) if whole else None
        name = _text(group.attrs.get("signal"))
        if name and isinstance(members.get(name), h5py.Dataset):
            return name, members[name]
        for name, member in members.items():
            if isinstance(member, h5py.Dataset) and _text(member.attrs.get("signal")) == "1":
                return name, member
        for name in ("data", "counts", "intensity"):
            if isinstance(members.get(name), h5py.Dataset):
                return name, members[name]
        return None

    def axis(self, group: h5py.Group, signal: Any) -> tuple[str, Any] | None:
        """Name and dataset of the axis of the last dimension of the signal."""
        import h5py

        members = {
            name: one for name, one in self.tree.members(group) if isinstance(one, h5py.Dataset)
        }
        if self.columns:
            return self.columns[0], members[self.columns[0]]
        for holder in (group, signal):
            names = [name for name in _texts(holder.attrs.get("axes")) if name in members]
            if names:
                return names[-1], members[names[-1]]
        for name, member in members.items():
            if _text(member.attrs.get("axis")) == str(max(1, signal.ndim)):
                return name, member
        for name, member in members.items():
            if member.id != signal.id and member.ndim == 1 and axis_in(name) is not None:
                return name, member
        return None

    def scan(
        self, path: str, group: h5py.Group, name: str, signal: Any, known: Facts
    ) -> list[RawScan]:
        intensity = self.tree.values(signal)
        found = self.axis(group, signal)
        if intensity is None or intensity.ndim == 0 or found is None:
            return []
        axis_name, axis_data = found
        axis_deg = self.tree.values(axis_data)
        if axis_deg is None:
            return []
        axis_deg = np.squeeze(axis_deg)
        intensity = np.squeeze(intensity)
        if intensity.ndim > 2 or axis_deg.ndim != 1:
            raise self.source.error(
                f"{clean(path)}: the signal has {intensity.ndim} dimensions; a scan has one, a "
                "series of scans two"
            )
        rows = np.atleast_2d(intensity)
        if axis_deg.size == rows.shape[1] + 1:
            axis_deg = 0.5 * (axis_deg[1:] + axis_deg[:-1])
        if axis_deg.size != rows.shape[1]:
            raise self.source.error(
                f"{clean(path)}: {rows.shape[1]} intensities but {axis_deg.size} angles"
            )
        unit = (_text(axis_data.attrs.get("units")) or "").lower()
        if unit.startswith("rad"):
            axis_deg = np.degrees(axis_deg)
        axis, words = _axis_of(axis_name, axis_data, unit)
        errors = self.errors(group, name, signal)
        sigma = None
        if errors is not None and errors.size == rows.size:
            sigma = errors.reshape(rows.shape)
        wavelength_A, anode, step_time_s, facts = known
        meta = {**facts, "group": clean(path)}
        intensity_unit: IntensityUnit | None = unit_in(
            _text(signal.attrs.get("units")) or _text(signal.attrs.get("long_name")) or name
        )
        findings: tuple[Finding, ...] = ()
        if self.tree.links_left:
            findings = (finding("links_left", "; ".join(self.tree.links_left[:3])),)
        return [
            RawScan(
                axis_deg=axis_deg,
                intensity=row,
                sigma=None if sigma is None else sigma[at],
                axis=axis,
                axis_words=words,
                wavelength_A=wavelength_A,
                anode=anode,
                step_time_s=step_time_s,
                intensity_unit=intensity_unit,
                meta=meta if len(rows) == 1 else {**meta, "row": str(at + 1)},
                findings=findings,
            )
            for at, row in enumerate(rows[: self.source.limits.max_scans + 1])
        ]

    def errors(self, group: h5py.Group, name: str, signal: Any) -> FloatArray | None:
        members = dict(self.tree.members(group))
        named = _text(signal.attrs.get("uncertainties"))
        if len(self.columns) > 2:
            named = self.columns[2]
        for one in (named, f"{name}_errors", f"{name}_error", "errors"):
            if one and one in members:
                return self.tree.values(members[one])
        return None

    def facts(self, told: list[tuple[str, Any]]) -> Facts:
        """Wavelength, anode, step time and words of one entry."""
        import h5py

        wavelength_A = anode = step_time_s = None
        meta: dict[str, str] = {}
        for path, group in told:
            for name, member in self.tree.members(group):
                if not isinstance(member, h5py.Dataset) or (member.size or 0) != 1:
                    continue
                key = name.lower()
                words = _scalar_text(member)
                if words is not None:
                    label = f"{path.strip('/').split('/')[-1]} {name}".strip()
                    if len(meta) < 100:
                        meta.setdefault(clean(label), clean(words))
                    if anode is None and any(
                        part in key for part in ("target", "anode", "xray_tube")
                    ):
                        anode = anode_in(words)
                    continue
                number = self.tree.values(member)
                if number is None or not math.isfinite(float(number.ravel()[0])):
                    continue
                value = float(number.ravel()[0])
                units = (_text(member.attrs.get("units")) or "").lower()
                if wavelength_A is None and key in ("wavelength", "incident_wavelength"):
                    wavelength_A = _length_A(value, units)
                elif wavelength_A is None and key in ("incident_energy", "energy") and value > 0:
                    energy = value / 1000.0 if units == "ev" else value
                    wavelength_A = _HC_KEV_A / energy if 1.0 < energy < 200.0 else None
                elif step_time_s is None and key in (
                    "count_time",
                    "counting_time",
                    "exposure_time",
                    "step_time",
                ):
                    step_time_s = value / 1000.0 if units == "ms" else value
                    step_time_s = step_time_s if step_time_s > 0 else None
        if anode is None and wavelength_A is not None:
            anode = anode_of_wavelength(wavelength_A)
        return wavelength_A, anode, step_time_s, meta


def _length_A(value: float, units: str) -> float | None:
    scale = {"nm": 10.0, "nanometer": 10.0, "pm": 0.01, "m": 1e10}.get(units, 1.0)
    length_A = value * scale
    return length_A if 0.05 < length_A < 10.0 else None


def _axis_of(name: str, dataset: Any, unit: str) -> tuple[Axis | None, str]:
    """The axis that a field's name, label and unit speak of."""
    label = _text(dataset.attrs.get("long_name")) or ""
    lowered = name.lower()
    if "polar_angle" in lowered:
        return "two_theta", ""
    axis = axis_in(lowered) or axis_in(label)
    if axis is not None:
        return axis, ""
    if lowered in _FOREIGN or (unit and not unit.startswith(("deg", "rad", "°"))):
        return None, clean(f"{name} ({unit})" if unit else name)
    return None, ""


def _text(value: Any) -> str | None:
    """An attribute as a word; None where there is none."""
    if value is None:
        return None
    if isinstance(value, np.ndarray):
        if value.size != 1:
            return None
        value = value.ravel()[0]
    if isinstance(value, bytes):
        return value.decode("utf-8", "replace")
    return str(value)


def _texts(value: Any) -> list[str]:
    """An attribute as words: an array, or one word with colons or commas between names."""
    if value is None:
        return []
    if isinstance(value, np.ndarray):
        return [word for one in value.ravel()[:16] if (word := _text(one))]
    word = _text(value) or ""
    return [one.strip() for one in word.strip("[]").replace(",", ":").split(":") if one.strip()]


def _scalar_text(dataset: Any) -> str | None:
    """The words of a dataset with one string; None for numbers and what is too long."""
    if dataset.dtype.kind not in "OSU" or dataset.dtype.itemsize > 4096:
        return None
    plist = dataset.id.get_create_plist()
    if dataset.is_virtual or plist.get_external_count() or plist.get_nfilters():
        return None
    return _text(np.asarray(dataset[()]).ravel()[0])
