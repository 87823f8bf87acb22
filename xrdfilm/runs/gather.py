"""From paths on the command line to runs: which films, which scans, where the results go.

A folder with a run.toml is a run; a run.toml names its folder's run; a folder without one is a
run of all the scan files in it, or, where it holds none, stands for the runs in its folders; scan
files named one by one form a run for each folder they lie in. What the command line states
overrides what a run file says.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeAlias

from pydantic import ValidationError

from xrdfilm.errors import RunFileError
from xrdfilm.runfile import FilmTable, RunFile, read_run_file

# tables of a run file, e.g. {"stack": {"film": "GdBCO"}}; arrays of tables as lists
Stated: TypeAlias = Mapping[str, Mapping[str, Any] | Sequence[Any]]

RUN_FILE = "run.toml"
OUT_FOLDER = "judged"
# endings of files that are taken for scans when a whole folder without run.toml is judged
SCAN_ENDINGS = (".xy", ".xye", ".dat", ".txt", ".csv", ".asc", ".cif", ".nxs", ".h5", ".hdf5")


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """A run to be judged: its folder, what is stated of it, its films, and where results go.

    ``notes`` tell what a user may have overlooked: scan files that no film names.
    """

    run_id: str
    folder: Path
    run_file: RunFile
    films: tuple[FilmTable, ...]
    out_dir: Path
    notes: tuple[str, ...] = ()

    def path_of(self, name: str) -> Path:
        """A file that the run file names, relative to the run's folder."""
        return self.folder / name

    @property
    def limit_file(self) -> Path | None:
        """The limit file in force, or None."""
        limits = self.run_file.limits
        return None if limits is None else self.path_of(limits.file)


def gather_runs(
    paths: Sequence[Path],
    *,
    stated: Stated | None = None,
    out: Path | None = None,
) -> tuple[PlannedRun, ...]:
    """The runs that these paths mean.

    ``stated`` holds tables of a run file (such as {"stack": {"film": "GdBCO"}}) that override
    the run files' own. Raises RunFileError for a path that does not exist, a folder without
    scans, and for what `read_run_file` finds wrong.
    """
    overrides = stated or {}
    runs: list[PlannedRun] = []
    loose: dict[Path, dict[Path, None]] = {}  # in the order given, each once
    for path in paths:
        if not path.exists():
            raise RunFileError("no such file or folder", path=path)
        if path.is_dir():
            run_file_path = path / RUN_FILE
            scans = _scans_in(path)
            inner = sorted(path.glob(f"*/{RUN_FILE}"))
            if run_file_path.is_file():
                runs.append(_run_from_file(run_file_path, overrides))
            elif scans or not inner:
                runs.append(_run_of_scans(path, _some(scans, path), overrides))
            else:
                runs += [_run_from_file(found, overrides) for found in inner]
        elif path.suffix.lower() == ".toml":
            runs.append(_run_from_file(path, overrides))
        else:
            loose.setdefault(path.parent, {})[path] = None
    runs += [_run_of_scans(folder, files, overrides) for folder, files in loose.items()]
    return _with_out_dirs(runs, out)


def _run_from_file(path: Path, overrides: Stated) -> PlannedRun:
    run_file = _overridden(read_run_file(path), overrides)
    folder = path.parent
    films = run_file.films_in(folder)
    notes: tuple[str, ...] = ()
    if films:
        notes = _overlooked(folder, run_file, films)
    else:  # a run file without films still speaks for all the scans beside it
        films = _films_of(_some(_scans_in(folder), folder), folder)
    run_id = run_file.run.id or folder.resolve().name
    return PlannedRun(run_id, folder, run_file, films, folder / OUT_FOLDER, notes)


def _overlooked(folder: Path, run_file: RunFile, films: Sequence[FilmTable]) -> tuple[str, ...]:
    """Scan files beside a run file that it names nowhere."""
    named: set[str] = set()
    left: list[Any] = [run_file.model_dump(), *(film.model_dump() for film in films)]
    while left:
        item = left.pop()
        if isinstance(item, str):
            named.add(item.removeprefix("./"))
        elif isinstance(item, Mapping):
            left += item.values()
        elif isinstance(item, Sequence):
            left += item
    others = [path.name for path in _scans_in(folder) if path.name not in named]
    if not others:
        return ()
    shown = ", ".join(others[:3]) + (", ..." if len(others) > 3 else "")
    what = "scan file is" if len(others) == 1 else "scan files are"
    return (f"{len(others)} {what} in no film of {RUN_FILE}: {shown}",)


def _run_of_scans(folder: Path, files: Iterable[Path], overrides: Stated) -> PlannedRun:
    run_file = _overridden(RunFile(), overrides)
    run_id = run_file.run.id or folder.resolve().name or "run"
    films = _films_of(files, folder)
    return PlannedRun(run_id, folder, run_file, films, folder / OUT_FOLDER)


def _films_of(files: Iterable[Path], folder: Path) -> tuple[FilmTable, ...]:
    listed = list(files)
    stems = Counter(p.stem for p in listed)
    return tuple(
        FilmTable(id=p.name if stems[p.stem] > 1 else p.stem, coupled=str(p.relative_to(folder)))
        for p in listed
    )


def _scans_in(folder: Path) -> list[Path]:
    return sorted(p for p in folder.iterdir() if p.is_file() and p.suffix.lower() in SCAN_ENDINGS)


def _some(found: list[Path], folder: Path) -> list[Path]:
    """The scans, which must be some."""
    if not found:
        raise RunFileError(
            f"holds neither a {RUN_FILE} nor a scan file ({', '.join(SCAN_ENDINGS)})", path=folder
        )
    return found


def _overridden(run_file: RunFile, overrides: Stated) -> RunFile:
    if not overrides:
        return run_file
    data = run_file.model_dump(exclude_unset=True)
    for table, values in overrides.items():
        if isinstance(values, Mapping):
            for one, other in (("anode", "wavelength_A"), ("wavelength_A", "anode")):
                if table == "optics" and one in values:  # of the two only one may be stated
                    (data.get(table) or {}).pop(other, None)
            data[table] = {**(data.get(table) or {}), **values}
        else:
            data[table] = [*(data.get(table) or ()), *values]
    try:
        return RunFile.model_validate(data)
    except ValidationError as problem:
        first = problem.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise RunFileError(f"{where}: {first['msg']}, found {first.get('input')!r}") from None


def _with_out_dirs(runs: list[PlannedRun], out: Path | None) -> tuple[PlannedRun, ...]:
    if out is None:
        return tuple(runs)
    if len(runs) == 1:
        return (_moved(runs[0], out),)
    names: list[str] = []
    for run in runs:
        name = "".join(c if c.isalnum() or c in "-_." else "-" for c in run.run_id).strip(".")
        base, number = name or "run", 2
        name = base
        while name in names:
            name, number = f"{base}-{number}", number + 1
        names.append(name)
    return tuple(_moved(run, out / name) for run, name in zip(runs, names, strict=True))


def _moved(run: PlannedRun, out_dir: Path) -> PlannedRun:
    return replace(run, out_dir=out_dir)
