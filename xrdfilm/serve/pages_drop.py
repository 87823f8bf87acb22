"""Pages that take dropped files in as a new run."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import Response

from xrdfilm.errors import XrdfilmError
from xrdfilm.readers import read_scan
from xrdfilm.runs.gather import RUN_FILE
from xrdfilm.serve.context import (
    Setup,
    back_to,
    checked_form,
    page,
    setup_of,
    start_judging,
    texts_of,
)
from xrdfilm.serve.desk import DeskRun, write_whole
from xrdfilm.serve.forms import toml_text
from xrdfilm.serve.names import (
    free_name,
    is_wanted,
    refuse_outside,
    safe_name,
    without_common_folder,
)
from xrdfilm.tomlfile import MAX_BYTES


def new_page(request: Request) -> Response:
    """The page to drop scans on."""
    return page(request, "new.html.jinja", {"problems": [], "limits": setup_of(request).limits})


async def drop(request: Request) -> Response:
    """Take dropped files as a new run."""
    setup = setup_of(request)
    async with checked_form(request) as form:
        name = texts_of(form).get("name", "").strip()[:200]
        uploads = [v for n, v in form.multi_items() if n == "files" and isinstance(v, UploadFile)]
        staging = Path(tempfile.mkdtemp(prefix=".upload-", dir=setup.desk.folder / "runs"))
        try:
            try:
                run, complete = await run_in_threadpool(_take, setup, uploads, name, staging)
            except XrdfilmError as problem:
                told = str(problem).replace(f"{staging}/", "").splitlines()
                values = {"problems": told, "limits": setup.limits}
                return page(request, "new.html.jinja", values, 400)
        finally:
            shutil.rmtree(staging, ignore_errors=True)
    if complete:
        job = start_judging(setup, run)
        return back_to(f"/job/{job.key}")
    return back_to(f"/run/{run.key}/state")


def _take(
    setup: Setup, uploads: list[UploadFile], name: str, staging: Path
) -> tuple[DeskRun, bool]:
    """(the new run, does its own run file say all that is needed?)."""
    named = [(safe_name(upload.filename or ""), upload) for upload in uploads]
    kept = [(n, upload) for n, upload in named if n is not None and is_wanted(n)]
    if not kept:
        raise XrdfilmError(
            "nothing was dropped that could be a scan (text of two columns, CIF, NeXus)"
        )
    too_large = [str(n) for n, u in kept if (u.size or 0) > setup.limits.file_bytes]
    if too_large:
        raise XrdfilmError(
            f"{too_large[0]} is larger than {setup.limits.file_bytes // 1024**2} MB; no scan is"
        )
    names = without_common_folder([n for n, _ in kept])
    taken: set[str] = set()
    files: dict[str, Path] = {}
    for number, (target, (_, upload)) in enumerate(zip(names, kept, strict=True)):
        path = staging / f"{number:05d}"
        with path.open("wb") as file:
            shutil.copyfileobj(upload.file, file)
        files[str(free_name(target, taken))] = path
    _only_one_run_file(files)
    scans = [n for n in files if not n.lower().endswith((".toml", ".cif"))]
    if not scans and not any(n.lower().endswith(".cif") for n in files):
        raise XrdfilmError("no scan among the dropped files")
    complete = RUN_FILE in files
    if complete:
        _check_run_file(files, staging)
    own = "" if not names else _folder_name(kept[0][0])
    run = setup.desk.new_run(files, name or own or PurePosixPath(scans[0] if scans else "run").stem)
    if not complete:
        write_whole(run.run_file_path, toml_text({"run": {"id": run.name}}))
    else:
        run.update(name=run.run_file().run.id or run.name)
        _name_in_run_file(run)
    run.update(axes=_axes(run))
    return run, complete


def _folder_name(name: PurePosixPath | None) -> str:
    return name.parts[0] if name is not None and len(name.parts) > 1 else ""


def _only_one_run_file(files: Mapping[str, Path]) -> None:
    deeper = [n for n in files if PurePosixPath(n).name == RUN_FILE and n != RUN_FILE]
    if deeper:
        raise XrdfilmError(
            f"{deeper[0]}: a run folder inside what was dropped; drop one run folder at a time"
        )


def _check_run_file(files: Mapping[str, Path], staging: Path) -> None:
    """A dropped run.toml must be sound before anything is kept."""
    from xrdfilm.serve.forms import checked_run_file

    path = files[RUN_FILE]
    if path.stat().st_size > MAX_BYTES:
        raise XrdfilmError(f"{RUN_FILE} is larger than {MAX_BYTES} bytes")
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise XrdfilmError(f"{RUN_FILE} is not UTF-8 text; save it as UTF-8") from None
    refuse_outside(checked_run_file(text), staging)


def _name_in_run_file(run: DeskRun) -> None:
    """A run file without an id takes the run's name, else it would be named after our folder."""
    import tomllib

    if run.run_file().run.id is None:
        data = tomllib.loads(run.run_file_path.read_text("utf-8-sig"))
        data.setdefault("run", {})["id"] = run.name
        write_whole(run.run_file_path, toml_text(data))


def _axes(run: DeskRun) -> dict[str, str]:
    """What each dropped file was understood as: its axis, or the sentence why not."""
    found: dict[str, str] = {}
    for name in run.files():
        if name.lower().endswith(".cif"):
            found[name] = "cif"
        try:
            found[name] = read_scan(run.scans / name).axis
        except XrdfilmError as problem:
            if name not in found:
                found[name] = "! " + str(problem).replace(f"{run.scans}/", "")
        except Exception as problem:
            found[name] = f"! it cannot be read ({type(problem).__name__})"
    return found
