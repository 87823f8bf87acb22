"""The formats: each a reader with its own sniffing; a user's package can add one.

A package adds a reader through the entry point group ``xrdfilm.readers``: the entry names an
object with the attributes of `Reader`. A reader only turns bytes into `RawScan`s; tidying,
units and checks are the same for all and follow after.
"""

from __future__ import annotations

from functools import cache
from importlib import import_module
from importlib.metadata import entry_points
from typing import Protocol, runtime_checkable

from xrdfilm.errors import ScanFormatError
from xrdfilm.readers.raw import RawScan
from xrdfilm.readers.settings import Overrides
from xrdfilm.readers.source import Source

GROUP = "xrdfilm.readers"
_BUILT_IN = ("nexus", "powder_cif", "text")
"""Asked in this order; text comes last, as nearly anything might be text."""


@runtime_checkable
class Reader(Protocol):
    """One format."""

    name: str

    def sniff(self, head: bytes, file_name: str) -> bool:
        """Whether a file that starts with these bytes is of this format."""
        ...

    def read(self, source: Source, overrides: Overrides) -> tuple[RawScan, ...]:
        """All scans of the file; raises `ScanFormatError` if it holds none."""
        ...


@cache
def readers() -> tuple[Reader, ...]:
    """Readers of users' packages first, then the built-in ones."""
    found: list[Reader] = []
    for entry in sorted(entry_points(group=GROUP), key=lambda entry: entry.name):
        try:
            reader = entry.load()
        except Exception as error:
            raise ScanFormatError(
                f"the reader {entry.name!r} ({entry.value}) cannot be loaded: {error}; mend or "
                "uninstall the package that adds it"
            ) from error
        if not isinstance(reader, Reader):
            raise ScanFormatError(
                f"the reader {entry.name!r} ({entry.value}) lacks name, sniff or read; see "
                "xrdfilm.readers.registry.Reader"
            )
        found.append(reader)
    found += [import_module(f"xrdfilm.readers.{name}").reader for name in _BUILT_IN]
    return tuple(found)


def reader_for(source: Source) -> Reader:
    """The first reader that knows the file as its own; raises `ScanFormatError` if none does."""
    name = source.path.name
    for reader in readers():
        if reader.sniff(source.head, name):
            return reader
    tried = ", ".join(reader.name for reader in readers())
    raise source.error(f"no reader knows this format (tried: {tried})")
