"""Names of dropped files made safe: relative, inside the folder, and of a kind that is wanted."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from pathlib import Path, PurePosixPath

from xrdfilm.errors import RunFileError
from xrdfilm.runfile import RunFile
from xrdfilm.runs.gather import OUT_FOLDER, SCAN_ENDINGS

WANTED_ENDINGS = (*SCAN_ENDINGS, ".toml")
_MOST_PART_BYTES = 120
_MOST_PARTS = 6
_REFUSED = set('<>:"|?*')


def safe_name(name: str) -> PurePosixPath | None:
    """A dropped file's name as a relative path without way out, or None where nothing is left.

    Folders are kept; "..", roots, drives, control characters and leading dots are not.
    """
    parts: list[str] = []
    for raw in name.replace("\\", "/").split("/"):
        text = unicodedata.normalize("NFC", raw)
        kept = "".join(
            "-" if c in _REFUSED else c
            for c in text
            if unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn")
        )
        part = kept.strip().lstrip(".").rstrip(". ")
        if part:
            parts.append(_shortened(part))
    if not parts:
        return None
    return PurePosixPath(*parts[-_MOST_PARTS:])


def _shortened(part: str) -> str:
    """At most so many bytes, the ending kept."""
    if len(part.encode()) <= _MOST_PART_BYTES:
        return part
    ending = PurePosixPath(part).suffix[:12]
    room = _MOST_PART_BYTES - len(ending.encode())
    stem = part.encode()[:room].decode("utf-8", "ignore")
    return stem + ending


def is_wanted(name: PurePosixPath) -> bool:
    """Whether a file is a scan, a CIF or a TOML file, and no result of an earlier judging."""
    return name.suffix.lower() in WANTED_ENDINGS and OUT_FOLDER not in name.parts[:-1]


def without_common_folder(names: Sequence[PurePosixPath]) -> list[PurePosixPath]:
    """Names without the folder that all of them lie in, so that a dropped run folder opens."""
    found = list(names)
    while found and all(len(n.parts) > 1 for n in found) and len({n.parts[0] for n in found}) == 1:
        found = [PurePosixPath(*n.parts[1:]) for n in found]
    return found


def free_name(name: PurePosixPath, taken: set[str]) -> PurePosixPath:
    """The name, numbered where it is taken already (in any case of letters)."""
    candidate, number = name, 2
    while str(candidate).lower() in taken:
        candidate = name.with_name(f"{name.stem}-{number}{name.suffix}")
        number += 1
    taken.add(str(candidate).lower())
    return candidate


def refuse_outside(run_file: RunFile, folder: Path) -> None:
    """Raise RunFileError where a run file names a file outside its folder."""
    named = [name for film in run_file.film for name in film.file_names]
    named += [table.file for table in run_file.phase]
    named += [run_file.limits.file] if run_file.limits else []
    optional = (
        run_file.optics.standard,
        run_file.reference.unconverted,
        run_file.reference.finished,
        run_file.films.coupled if run_file.films else None,
        run_file.films.frames if run_file.films else None,
    )
    named += [name for name in optional if name is not None]
    root = folder.resolve()
    for name in named:
        inside = (folder / name).resolve().is_relative_to(root) if "\x00" not in name else False
        if not inside or Path(name).is_absolute() or ".." in Path(name).parts:
            raise RunFileError(
                f"names the file {name!r}, which lies outside the run's folder; drop it beside "
                "the scans and name it without a path",
                path=Path("run.toml"),
            )
