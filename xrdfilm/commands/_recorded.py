"""A recorded run, by its results.json or the folder that it lies in."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from xrdfilm.results import RunResult


def results_file(path: Path) -> Path:
    """The results.json that a path means: itself, or in the folder, or in judged/ of the folder."""
    if path.is_dir():
        for inner in (path / "results.json", path / "judged" / "results.json"):
            if inner.is_file():
                return inner
        return path / "results.json"
    return path


def read_recorded(path: Path) -> RunResult:
    """A recorded run; raises XrdfilmError, with the first thing that is wrong, where it is none."""
    from pydantic import ValidationError

    from xrdfilm.errors import XrdfilmError
    from xrdfilm.results import read_results

    file = results_file(path)
    if not file.is_file():
        raise XrdfilmError(f"{file}: no such file; name a results.json or the folder it lies in")
    try:
        return read_results(file)
    except OSError as problem:
        raise XrdfilmError(f"{file}: cannot be read ({problem.strerror})") from None
    except ValidationError as problem:
        first = problem.errors(include_url=False)[0]
        where = ".".join(map(str, first["loc"])) or "the file"
        raise XrdfilmError(
            f"{file}: is no results.json of schema xrdfilm/1: {where}: {first['msg']}"
        ) from None
    except UnicodeDecodeError:
        raise XrdfilmError(f"{file}: is no results.json: it is not UTF-8 text") from None
