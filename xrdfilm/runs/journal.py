"""The journal of a run in the making: what was finished survives whatever stops the run.

A text file beside the results, one JSON line a finished chunk of films, appended and flushed to
the disk before the chunk counts as done; pictures lie in files beside it. A run that was killed
goes on from it: chunks whose films, files and settings are the same are not done again; a torn
last line is dropped. Only one process at a time may hold it.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

from xrdfilm.errors import XrdfilmError

SCHEMA = "xrdfilm-journal/1"
NAME = "journal.jsonl"
PICTURES = "journal-pictures"
_FILMS = ', "films": ['


def fingerprint(*parts: object) -> str:
    """SHA-256 over the JSON of some values: the same text for the same settings."""
    text = json.dumps(parts, sort_keys=True, default=str, ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def file_mark(path: Path) -> str:
    """SHA-256 of a file's bytes, or why there is none: two marks differ where the files do."""
    try:
        status = path.stat()
        return _digest(path, status.st_mtime_ns, status.st_size)
    except OSError as problem:
        return f"unreadable: {problem.strerror}"


@lru_cache(maxsize=16)
def _digest(path: Path, mtime_ns: int, size: int) -> str:
    """Kept for the files that many films share."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@dataclass(frozen=True, slots=True)
class _Place:
    offset: int
    length: int
    key: str


class Journal:
    """Finished chunks of one run, on disk; in memory only where they stand.

    ``settings`` is the `fingerprint` of everything that all films share. A journal of other
    settings is begun anew (``restarted`` is then True). Raises XrdfilmError where the folder
    cannot be written, or another process judges into it.
    """

    def __init__(self, folder: Path, settings: str) -> None:
        self.path = folder / NAME
        self._pictures = folder / PICTURES
        self._places: dict[int, _Place] = {}
        try:
            folder.mkdir(parents=True, exist_ok=True)
            self._file: BinaryIO = self.path.open("a+b")
        except OSError as problem:
            raise XrdfilmError(
                f"{folder}: results cannot be written there ({problem.strerror}); name another "
                "folder with --out"
            ) from None
        if not _lock(self._file):
            self._file.close()
            raise XrdfilmError(
                f"another process is judging into {folder}; wait for it, or name another folder "
                "with --out"
            )
        end = self._load(settings)
        self.restarted = end is None and os.fstat(self._file.fileno()).st_size > 0
        self._file.truncate(end or 0)
        if end is None:
            shutil.rmtree(self._pictures, ignore_errors=True)
            self._write((json.dumps({"schema": SCHEMA, "settings": settings}) + "\n").encode())

    def _load(self, settings: str) -> int | None:
        """Index the whole lines; the offset behind them, or None for another run's journal."""
        self._file.seek(0)
        try:
            head = json.loads(self._file.readline())
        except ValueError:
            return None
        if head != {"schema": SCHEMA, "settings": settings}:
            return None
        end = self._file.tell()
        for line in self._file:
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

    def key(self, number: int) -> str | None:
        """The key of a finished chunk, or None."""
        place = self._places.get(number)
        return None if place is None else place.key

    def append(
        self, number: int, key: str, records: Sequence[str], pictures: bytes | None = None
    ) -> None:
        """Write a finished chunk; when this returns it survives a crash."""
        if pictures is not None:
            self._pictures.mkdir(exist_ok=True)
            with self._picture_file(number, key).open("wb") as file:
                file.write(pictures)
                file.flush()
                os.fsync(file.fileno())
        head = json.dumps({"chunk": number, "key": key, "lengths": [len(r) for r in records]})
        line = f"{head[:-1]}{_FILMS}{','.join(records)}]}}\n".encode()
        offset = self._file.seek(0, os.SEEK_END)
        self._write(line)
        self._places[number] = _Place(offset, len(line), key)

    def records(self, number: int) -> tuple[str, ...]:
        """The records of a finished chunk's films, to the letter as they were appended."""
        place = self._places[number]
        self._file.seek(place.offset)
        line = self._file.read(place.length).decode()
        at = line.index(_FILMS)
        lengths = json.loads(line[:at] + "}")["lengths"]
        at += len(_FILMS)
        found = []
        for length in lengths:
            found.append(line[at : at + length])
            at += length + 1
        return tuple(found)

    def pictures(self, number: int) -> bytes | None:
        """The pictures kept with a finished chunk, or None."""
        try:
            return self._picture_file(number, self._places[number].key).read_bytes()
        except OSError:
            return None

    def _picture_file(self, number: int, key: str) -> Path:
        return self._pictures / f"{number:06d}-{key[:16]}.npz"

    def _write(self, line: bytes) -> None:
        self._file.write(line)
        self._file.flush()
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Let go of the journal; it stays on disk."""
        self._file.close()

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def discard(folder: Path) -> None:
    """Delete the journal in a folder: the results are written, nothing is left to go on with."""
    (folder / NAME).unlink(missing_ok=True)
    shutil.rmtree(folder / PICTURES, ignore_errors=True)


def _lock(file: BinaryIO) -> bool:
    """Hold the file for this process until it is closed; False where another one holds it."""
    try:
        import fcntl
    except ImportError:  # no such locks on this system: the user must not judge twice at a time
        return True
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
