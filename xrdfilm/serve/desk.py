"""The desk: runs that were dropped on the page, each in a folder of its own below one store.

    <store>/runs/<key>/scans/      the dropped files, run.toml and limits.toml: a run folder
                      /judged/     the report, as `xrdfilm judge` writes it
                      /pictures/   what the sheets draw
                      /desk.json   name, state, what was stored

Nothing outside the store is read or written.
"""

from __future__ import annotations

import datetime
import json
import os
import re
import secrets
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from xrdfilm.errors import XrdfilmError
from xrdfilm.results import RunResult, read_results
from xrdfilm.runfile import RunFile, read_run_file
from xrdfilm.runs.gather import RUN_FILE, SCAN_ENDINGS, PlannedRun, gather_runs
from xrdfilm.serve.names import refuse_outside

_KEY = re.compile(r"[0-9a-f]{12}")
LIMIT_FILE = "limits.toml"


class UnknownRunError(XrdfilmError):
    """No run of this key lies on the desk."""


@dataclass(frozen=True, slots=True)
class DeskRun:
    """One run on the desk."""

    key: str
    folder: Path

    @property
    def scans(self) -> Path:
        """The run folder that is judged."""
        return self.folder / "scans"

    @property
    def judged(self) -> Path:
        """Where the report is."""
        return self.folder / "judged"

    @property
    def pictures(self) -> Path:
        """Where the drawings' data are."""
        return self.folder / "pictures"

    @property
    def run_file_path(self) -> Path:
        """Its run.toml."""
        return self.scans / RUN_FILE

    def state(self) -> dict[str, Any]:
        """What desk.json says; empty where it is missing or damaged."""
        try:
            found = json.loads((self.folder / "desk.json").read_text("utf-8"))
        except (OSError, ValueError):
            return {}
        return found if isinstance(found, dict) else {}

    def update(self, **values: Any) -> None:
        """Change some of desk.json."""
        state = {**self.state(), **values}
        write_whole(self.folder / "desk.json", json.dumps(state, ensure_ascii=False, indent=1))

    @property
    def name(self) -> str:
        """The run's name as shown."""
        return str(self.state().get("name") or self.key)

    def files(self) -> list[str]:
        """The dropped scan files (and CIFs), by name relative to the run folder."""
        return sorted(
            path.relative_to(self.scans).as_posix()
            for path in self.scans.rglob("*")
            if path.is_file() and path.suffix.lower() in SCAN_ENDINGS
        )

    def run_file(self) -> RunFile:
        """The run.toml; an empty one where there is none yet."""
        if not self.run_file_path.is_file():
            return RunFile()
        found = read_run_file(self.run_file_path)
        refuse_outside(found, self.scans)
        return found

    def planned(self) -> PlannedRun:
        """The run as `xrdfilm judge` would plan it, from the same run folder."""
        self.run_file()
        [planned] = gather_runs([self.scans], out=self.judged)
        return planned

    def result(self) -> RunResult | None:
        """The results, or None where it was not judged yet."""
        path = self.judged / "results.json"
        return read_results(path) if path.is_file() else None

    def picture(self, slug: str) -> dict[str, Any] | None:
        """What a sheet draws."""
        path = self.pictures / f"{slug}.json"
        if not re.fullmatch(r"[A-Za-z0-9._-]+", slug) or not path.is_file():
            return None
        found: dict[str, Any] = json.loads(path.read_text("utf-8"))
        return found


@dataclass(frozen=True, slots=True)
class Desk:
    """The store of dropped runs."""

    folder: Path

    @classmethod
    def at(cls, folder: Path) -> Desk:
        """Open or make a store; raises XrdfilmError where it cannot be written."""
        try:
            (folder / "runs").mkdir(parents=True, exist_ok=True)
            (folder / "runs").chmod(0o700)
        except OSError as problem:
            raise XrdfilmError(
                f"{folder}: cannot be used as the store ({problem.strerror}); name another folder "
                "with --store"
            ) from None
        return cls(folder)

    @classmethod
    def usual_folder(cls) -> Path:
        """In the user's data folder."""
        import platformdirs

        return platformdirs.user_data_path("xrdfilm", appauthor=False) / "desk"

    def new_run(self, files: Mapping[str, Path], name: str) -> DeskRun:
        """Take files (name to temporary path, moved) as a new run; whole or not at all."""
        key = secrets.token_hex(6)
        making = Path(tempfile.mkdtemp(prefix=".new-", dir=self.folder / "runs"))
        run = DeskRun(key, making)
        try:
            run.scans.mkdir()
            for target, source in files.items():
                path = run.scans / target
                path.parent.mkdir(parents=True, exist_ok=True)
                shutil.move(source, path)
            run.update(name=name, created=now())
            making.rename(self.folder / "runs" / key)
        except BaseException:
            shutil.rmtree(making, ignore_errors=True)
            raise
        return DeskRun(key, self.folder / "runs" / key)

    def run(self, key: str) -> DeskRun:
        """The run of a key; UnknownRunError where there is none."""
        folder = self.folder / "runs" / key
        if not _KEY.fullmatch(key) or not folder.is_dir():
            raise UnknownRunError("no such run lies on the desk; it may have been removed")
        return DeskRun(key, folder)

    def runs(self) -> Iterator[DeskRun]:
        """All runs, newest first."""
        folders = [p for p in (self.folder / "runs").iterdir() if _KEY.fullmatch(p.name)]
        found = [DeskRun(p.name, p) for p in folders]
        return iter(sorted(found, key=lambda run: str(run.state().get("created")), reverse=True))

    def remove(self, key: str) -> None:
        """Take a run off the desk, with the files that were dropped; the history keeps its own."""
        run = self.run(key)
        aside = self.folder / "runs" / f".gone-{secrets.token_hex(4)}"
        run.folder.rename(aside)
        shutil.rmtree(aside, ignore_errors=True)


def now() -> str:
    """The time as text, UTC, to the microsecond so that order is kept."""
    return datetime.datetime.now(datetime.UTC).isoformat()


def write_whole(path: Path, text: str) -> None:
    """Write a file so that no reader ever meets half of it."""
    handle, name = tempfile.mkstemp(prefix=".new-", dir=path.parent)
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
