"""A file opened once, for reading only: its first bytes, its size, its hash, its blocks."""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Iterator
from pathlib import Path

from xrdfilm.errors import ScanFormatError
from xrdfilm.readers.settings import ReadLimits

HEAD_BYTES = 65_536
_KEEP_BYTES = 32 * 1024 * 1024
"""Up to this size a file is held in memory while it is read; beyond, it comes in blocks."""


class Source:
    """The bytes of one regular file.

    Raises `ScanFormatError` where there is no such file, it is a folder, a device or a pipe, may
    not be read, is empty, or is larger than the limit.
    """

    __slots__ = ("_data", "_sha256", "head", "limits", "path", "size")

    def __init__(self, path: str | Path, limits: ReadLimits) -> None:
        self.path = Path(path)
        self.limits = limits
        self._sha256: str | None = None
        self._data: bytes | None = None
        try:
            status = self.path.stat()
            mode = status.st_mode
            self.size = status.st_size
            if stat.S_ISDIR(mode):
                raise ScanFormatError("is a folder, not a scan; give the files in it", path=path)
            if not stat.S_ISREG(mode):
                raise ScanFormatError("is no regular file (a device or a pipe)", path=path)
            if self.size > limits.max_bytes:
                raise ScanFormatError(
                    f"has {self.size:,} bytes, more than the limit of {limits.max_bytes:,}; if it "
                    "is a scan, raise the limit (max_bytes)",
                    path=path,
                )
            if self.size <= _KEEP_BYTES:
                with self.path.open("rb", buffering=0) as file:
                    self._data = file.read(limits.max_bytes + 1) if self.size else b""
                self.size = len(self._data)
                self.head = self._data[:HEAD_BYTES]
            else:
                with self.path.open("rb") as file:
                    self.head = file.read(HEAD_BYTES)
        except (OSError, ValueError) as error:
            raise _told(error, path) from error
        if not self.head:
            raise ScanFormatError("the file is empty (0 bytes)", path=path)

    @property
    def sha256(self) -> str:
        """SHA-256 of the file's bytes, computed once."""
        if self._sha256 is None:
            digest = hashlib.sha256()
            for block in self.blocks(4 * 1024 * 1024):
                digest.update(block)
            self._sha256 = digest.hexdigest()
        return self._sha256

    def data(self) -> bytes:
        """All bytes; for formats that cannot be read in blocks."""
        if self._data is not None:
            return self._data
        return b"".join(self.blocks(4 * 1024 * 1024))

    def blocks(self, size: int) -> Iterator[bytes]:
        """The bytes in blocks of at most ``size``."""
        if self._data is not None:
            if len(self._data) <= size:
                yield self._data
                return
            for start in range(0, len(self._data), size):
                yield self._data[start : start + size]
            return
        left = self.limits.max_bytes
        try:
            with self.path.open("rb") as file:
                while block := file.read(min(size, left + 1)):
                    left -= len(block)
                    if left < 0:
                        raise self.error(f"grew over {self.limits.max_bytes:,} bytes while read")
                    yield block
        except OSError as error:
            raise _told(error, self.path) from error

    def error(self, message: str, line: int | None = None) -> ScanFormatError:
        """A `ScanFormatError` at this file (and line)."""
        return ScanFormatError(message, path=self.path, line=line)


def _told(error: OSError | ValueError, path: str | Path) -> ScanFormatError:
    """The plain cause, as a `ScanFormatError`."""
    if isinstance(error, FileNotFoundError):
        cause = "no such file"
    elif isinstance(error, NotADirectoryError):
        cause = "no such file (a part of the path is a file, not a folder)"
    elif isinstance(error, PermissionError):
        cause = "may not be read; see its permissions"
    elif isinstance(error, OSError):
        cause = f"cannot be read: {error.strerror or error}"
    else:
        cause = f"is no path: {error}"
    return ScanFormatError(cause, path=str(path).replace("\0", "\\0"))
