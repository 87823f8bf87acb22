"""A walk over one HDF5 file: within bounds, and never out of the file.

Links to other files and data kept outside are passed over; filters that would have to be loaded
as plug-ins are refused.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from xrdfilm._typing import FloatArray
from xrdfilm.readers.source import Source
from xrdfilm.readers.text_header import clean

if TYPE_CHECKING:
    import h5py

_MAX_OBJECTS = 50_000
_MAX_DEPTH = 12
_OWN_FILTERS = frozenset(range(1, 7))
"""Deflate, shuffle, Fletcher, szip, n-bit, scale-offset: the library's own, no plug-ins."""


class Tree:
    """Groups and datasets of one file; ``links_left`` names what lies outside and was left.

    Raises `ScanFormatError` beyond the bounds and for filters that would have to be loaded.
    """

    def __init__(self, file: h5py.File, source: Source) -> None:
        self.file = file
        self.source = source
        self.links_left: list[str] = []
        self._members: dict[Any, list[tuple[str, Any]]] = {}
        self._left = _MAX_OBJECTS

    def members(self, group: h5py.Group) -> list[tuple[str, Any]]:
        """Names and objects of a group; links out of the file are passed over."""
        import h5py

        if group.id not in self._members:
            found: list[tuple[str, Any]] = []
            for name in group:
                self._left -= 1
                if self._left < 0:
                    raise self.source.error(f"holds over {_MAX_OBJECTS:,} objects; it is no scan")
                target = self._target(group, name, 0)
                if isinstance(target, (h5py.Group, h5py.Dataset)):
                    found.append((name, target))
            self._members[group.id] = found
        return self._members[group.id]

    def _target(self, group: h5py.Group, name: str, depth: int) -> Any:
        """The object of a name; None for a link that leads nowhere or out of the file."""
        import h5py

        link = group.get(name, getlink=True)
        if isinstance(link, h5py.HardLink):
            return group[name]
        if isinstance(link, h5py.SoftLink) and depth < 8:
            at: Any = self.file if link.path.startswith("/") else group
            for part in (part for part in link.path.split("/") if part not in ("", ".")):
                if not isinstance(at, h5py.Group) or part not in at:
                    return None
                at = self._target(at, part, depth + 1)
            return at
        if isinstance(link, h5py.ExternalLink):
            self.links_left.append(clean(f"{name} -> {link.filename}"))
        return None

    def walk(self) -> Iterator[tuple[str, h5py.Group]]:
        """All groups with their paths, each once, within bounds."""
        import h5py

        seen: set[Any] = set()
        stack: list[tuple[str, Any, int]] = [("", self.file, 0)]
        while stack and len(seen) < _MAX_OBJECTS:
            path, group, depth = stack.pop()
            if group.id in seen:
                continue
            seen.add(group.id)
            yield path or "/", group
            if depth < _MAX_DEPTH:
                inner = [
                    (f"{path}/{name}", member, depth + 1)
                    for name, member in self.members(group)
                    if isinstance(member, h5py.Group)
                ]
                stack += reversed(inner)

    def values(self, dataset: Any) -> FloatArray | None:
        """The numbers of a dataset; None where it holds none. Refuses what is kept elsewhere."""
        import h5py

        if not isinstance(dataset, h5py.Dataset) or dataset.dtype.kind not in "iuf":
            return None
        plist = dataset.id.get_create_plist()
        if dataset.is_virtual or plist.get_external_count():
            self.links_left.append(clean(str(dataset.name)))
            return None
        filters = {plist.get_filter(at)[0] for at in range(plist.get_nfilters())}
        if not filters <= _OWN_FILTERS:
            raise self.source.error(
                f"{clean(str(dataset.name))} is packed with a filter that would have to be loaded; "
                "repack the file with gzip"
            )
        limit = self.source.limits.max_points
        chunk = math.prod(dataset.chunks) if dataset.chunks else 0
        if (dataset.size or 0) > limit or chunk > 4 * limit:
            raise self.source.error(
                f"{clean(str(dataset.name))} holds over {limit:,} values; raise the limit "
                "(max_points) if meant"
            )
        return np.asarray(dataset[()], dtype=np.float64)
