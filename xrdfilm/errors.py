"""The exceptions of the package, all in one tree.

    XrdfilmError
    ├── ScanFormatError      a file that is no scan we can read
    ├── ScanAxisError        a scan, but of an axis that the asked analysis cannot use
    ├── PhaseError           an unknown phase, or a crystal structure that is wrong
    ├── StackError           layers or optics that contradict themselves
    ├── RunFileError         run.toml: unknown key, wrong value, missing file
    ├── LimitFileError       limits.toml: the same
    ├── AlignmentError       a scan so far off that its lines cannot be named
    ├── HistoryError         the store of past runs is damaged or of another version
    └── CannotTellError      the data do not carry what was asked; says what would

Each message says what was found, where (file and line, where there is one), and what
to do about it. The offending value travels along as an attribute.
"""

from __future__ import annotations

from pathlib import Path


class XrdfilmError(Exception):
    """Base of every error that the package raises on purpose."""


class _LocatedError(XrdfilmError):
    """An error with a place: the file, and the line where one is known."""

    def __init__(
        self, message: str, *, path: str | Path | None = None, line: int | None = None
    ) -> None:
        self.path = None if path is None else Path(path)
        self.line = line
        self.message = message
        where = "" if path is None else f"{path}:{line}: " if line is not None else f"{path}: "
        super().__init__(where + message)


class ScanFormatError(_LocatedError):
    """The file is no scan that any reader understands."""


class ScanAxisError(_LocatedError):
    """The file is a scan, but of an axis that the asked analysis cannot use."""


class PhaseError(_LocatedError):
    """A phase is unknown, or its crystal structure does not hold together."""


class StackError(XrdfilmError):
    """Layers or optics contradict themselves."""


class RunFileError(_LocatedError):
    """A run file has an unknown key, a wrong value, or names a missing file."""


class LimitFileError(_LocatedError):
    """A limit file has an unknown key, an unknown quantity or a wrong value."""


class AlignmentError(XrdfilmError):
    """The scan is so far off that its lines cannot be named."""


class HistoryError(_LocatedError):
    """The store of past runs is damaged or of another version."""


class CannotTellError(XrdfilmError):
    """The data do not carry what was asked for; the message says what would."""
