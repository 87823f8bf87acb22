"""What a watcher did, on disk: one line a scan, so that each is judged once, however it ended."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

from xrdfilm.errors import XrdfilmError

SCHEMA = "xrdfilm-watch/1"
Mark = tuple[int, int]
"""Size in bytes and time of the last change in ns."""


class WatchJournal:
    """What was judged, by name and digest; each line is flushed to disk, a torn last one is cut.

    Records stay on disk; in memory is only where they stand.
    """

    def __init__(self, path: Path) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self.path = path
        self._digests: dict[str, set[str]] = {}
        self._marks: dict[str, Mark] = {}
        self._places: dict[str, tuple[int, int]] = {}
        end = self._load() if path.is_file() else 0
        self._file: BinaryIO = path.open("r+b" if path.is_file() else "w+b")
        self._file.truncate(end)
        self._file.seek(end)
        if end == 0:
            self._write({"schema": SCHEMA})

    def _load(self) -> int:
        end = 0
        with self.path.open("rb") as file:
            for line in file:
                if not line.endswith(b"\n"):
                    break
                try:
                    entry = json.loads(line)
                except ValueError:
                    break
                if not isinstance(entry, dict):
                    break
                if end == 0 and entry.get("schema") != SCHEMA:
                    raise XrdfilmError(
                        f"{self.path}: is no journal of a watched folder; name another --out"
                    )
                self._take(entry, end, len(line))
                end += len(line)
        return end

    def _take(self, entry: Mapping[str, Any], offset: int, length: int) -> None:
        if "sha256" not in entry:
            return
        name = entry["name"]
        self._digests.setdefault(name, set()).add(entry["sha256"])
        self._marks[name] = (entry["mark"][0], entry["mark"][1])
        if "film" in entry:
            self._places[name] = (offset, length)

    def __len__(self) -> int:
        """How many scans were judged."""
        return len(self._places)

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the judged scans, in the order they were first judged."""
        return tuple(self._places)

    def knows_mark(self, name: str, mark: Mark) -> bool:
        """Whether a file of this size and time was judged, so that it need not be read again."""
        return self._marks.get(name) == mark

    def knows(self, name: str, digest: str) -> bool:
        """Whether this content was judged under this name."""
        return digest in self._digests.get(name, ())

    def append(self, name: str, digest: str, mark: Mark, **values: Any) -> None:
        """A scan is done; when this returns it survives a crash."""
        entry = {"name": name, "sha256": digest, "mark": list(mark), **values}
        offset, length = self._write(entry)
        self._take(entry, offset, length)

    def _write(self, entry: Mapping[str, Any]) -> tuple[int, int]:
        offset = self._file.tell()
        line = (json.dumps(entry, ensure_ascii=False) + "\n").encode("utf-8", "surrogateescape")
        self._file.write(line)
        self._file.flush()
        os.fsync(self._file.fileno())
        return offset, len(line)

    def films(self) -> list[dict[str, Any]]:
        """The newest record of every scan, in the order of `names`."""
        found = []
        with self.path.open("rb") as file:
            for offset, length in self._places.values():
                file.seek(offset)
                found.append(json.loads(file.read(length))["film"])
        return found

    def close(self) -> None:
        """Close the file; the journal stays."""
        self._file.close()
