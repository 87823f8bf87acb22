"""The journal of a run in the making: what was finished survives whatever stops the run.

A text file beside the results, one JSON line a finished chunk of films, appended and flushed to
the disk before the chunk counts as done. A run that was killed goes on from it: chunks whose
films, files and settings are the same are not done again; a torn last line is dropped.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

SCHEMA = "xrdfilm-journal/1"
NAME = "journal.jsonl"


def fingerprint(*parts: object) -> str:
    """SHA-256 over the JSON of some values: the same text for the same settings."""
    text = json.dumps(parts, sort_keys=True, default=str, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def file_mark(path: Path) -> str:
    """SHA-256 of a file's bytes, or why there is none: two marks differ where the files do."""
    try:
        return hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError as problem:
        return f"unreadable: {problem.strerror}"


@dataclass(frozen=True, slots=True)
class _Place:
    offset: int
    length: int
    key: str


class Journal:
    """Finished chunks of one run, on disk; in memory only where they stand.

    ``settings`` is the `fingerprint` of everything that all films share. A journal of other
    settings is begun anew (``restarted`` is then True).
    """

    def __init__(self, path: Path, settings: str) -> None:
        self.path = path
        self.restarted = False
        self._places: dict[int, _Place] = {}
        path.parent.mkdir(parents=True, exist_ok=True)
        end = self._load(settings) if path.is_file() else None
        if end is None:
            self.restarted = path.is_file() and path.stat().st_size > 0
            self._file: BinaryIO = path.open("w+b")
            self._write({"schema": SCHEMA, "settings": settings})
        else:
            self._file = path.open("r+b")
            self._file.truncate(end)
            self._file.seek(end)

    def _load(self, settings: str) -> int | None:
        """Index the whole lines; the offset behind them, or None for another run's journal."""
        with self.path.open("rb") as file:
            try:
                head = json.loads(file.readline())
            except ValueError:
                return None
            if head != {"schema": SCHEMA, "settings": settings}:
                return None
            end = file.tell()
            for line in file:
                if not line.endswith(b"\n"):
                    break
                try:
                    entry = json.loads(line)
                    number, key = int(entry["chunk"]), str(entry["key"])
                except (ValueError, KeyError, TypeError):
                    break
                self._places[number] = _Place(end, len(line), key)
                end += len(line)
        return end

    def holds(self, number: int, key: str) -> bool:
        """Whether this chunk was finished with the same films and files."""
        place = self._places.get(number)
        return place is not None and place.key == key

    def append(self, number: int, key: str, records: Sequence[str]) -> None:
        """Write a finished chunk; when this returns it survives a crash."""
        films = "[" + ",".join(records) + "]"
        line = f'{{"chunk":{number},"key":{json.dumps(key)},"films":{films}}}\n'.encode()
        offset = self._file.tell()
        self._file.write(line)
        self._flush()
        self._places[number] = _Place(offset, len(line), key)

    def records(self, number: int) -> list[dict[str, Any]]:
        """The films of a finished chunk."""
        place = self._places[number]
        with self.path.open("rb") as file:
            file.seek(place.offset)
            films: list[dict[str, Any]] = json.loads(file.read(place.length))["films"]
        return films

    def __iter__(self) -> Iterator[int]:
        return iter(sorted(self._places))

    def _write(self, entry: dict[str, Any]) -> None:
        self._file.write((json.dumps(entry) + "\n").encode())
        self._flush()

    def _flush(self) -> None:
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Close the file; the journal stays."""
        self._file.close()

    def remove(self) -> None:
        """Close and delete it: the results are written, nothing is left to go on with."""
        self.close()
        self.path.unlink(missing_ok=True)

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
