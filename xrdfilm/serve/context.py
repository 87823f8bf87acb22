"""What all pages share: the desk, the jobs, the history's place, and how a page is rendered."""

from __future__ import annotations

import math
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from jinja2 import Environment
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

from xrdfilm.history import History, open_history
from xrdfilm.serve.desk import Desk, DeskRun, UnknownRunError
from xrdfilm.serve.jobs import Job, Jobs
from xrdfilm.serve.safety import FORM_FIELD, Gate, Limits

MOST_FIELDS = 20_000
MOST_TEXT_BYTES = 1_000_000


@dataclass(frozen=True, slots=True)
class Setup:
    """What the server was started with."""

    desk: Desk
    history_path: Path
    gate: Gate
    limits: Limits
    jobs: Jobs
    beyond_loopback: bool = False
    locks: dict[str, threading.Lock] = field(default_factory=dict)

    @contextmanager
    def history(self) -> Iterator[History]:
        """The history, opened for one request."""
        with open_history(self.history_path) as opened:
            yield opened

    def lock(self, key: str) -> threading.Lock:
        """One writer at a time for a run."""
        return self.locks.setdefault(key, threading.Lock())


def setup_of(request: Request) -> Setup:
    """The server's setup."""
    found: Setup = request.app.state.setup
    return found


def page(
    request: Request, template: str, values: Mapping[str, Any] | None = None, status: int = 200
) -> HTMLResponse:
    """A rendered page with the form token of this session."""
    setup = setup_of(request)
    session: str = request.scope.get("session", "")
    environment: Environment = request.app.state.environment
    text = environment.get_template(template).render(
        form_field=FORM_FIELD,
        form_token=setup.gate.form_token(session),
        beyond_loopback=setup.beyond_loopback,
        here=request.url.path,
        **(values or {}),
    )
    return HTMLResponse(text.encode("utf-8", "replace"), status)


def back_to(path: str) -> Response:
    """Send the browser on to a page of ours after a form."""
    return RedirectResponse(path, 303)


@asynccontextmanager
async def checked_form(request: Request) -> AsyncIterator[FormData]:
    """The posted form, whose token must be that of the session; 403 where it is not."""
    setup = setup_of(request)
    async with request.form(
        max_files=setup.limits.files, max_fields=MOST_FIELDS, max_part_size=MOST_TEXT_BYTES
    ) as form:
        given = form.get(FORM_FIELD)
        session: str = request.scope.get("session", "")
        if not isinstance(given, str) or not setup.gate.form_token_holds(session, given):
            raise HTTPException(
                403, "This form is not from a page of this session; open the page again."
            )
        yield form


def texts_of(form: FormData) -> dict[str, str]:
    """The text fields of a form, without characters that no file of ours may hold."""
    return {
        name: value.replace("\x00", "").replace("\r\n", "\n")
        for name, value in form.multi_items()
        if not isinstance(value, UploadFile)
    }


def run_of(request: Request) -> DeskRun:
    """The run that the address names; 404 where there is none."""
    try:
        return setup_of(request).desk.run(request.path_params["key"])
    except UnknownRunError as problem:
        raise HTTPException(404, str(problem)) from None


def start_judging(setup: Setup, run: DeskRun, *, store: bool = False, then: str = "") -> Job:
    """Begin to judge a run, in a process of its own."""
    from xrdfilm.serve.work import judge_desk_run

    history = str(setup.history_path) if store else None
    return setup.jobs.start(
        judge_desk_run,
        (str(run.folder), run.key, history),
        run_key=run.key,
        title=f"{'Storing' if store else 'Judging'} {run.name}",
        then=then or f"/run/{run.key}/",
    )


def refuse_while_busy(setup: Setup, run: DeskRun) -> None:
    """409 while the run is being judged: its files must not change under the work."""
    if setup.jobs.of_run(run.key) is not None:
        raise HTTPException(409, f"{run.name} is being judged; wait for it, or stop it.")


Handler = Callable[[Request], Any]


def whole_number_of(request: Request, name: str) -> int | None:
    """A whole number in the address, below ten million; None where it is none."""
    text = request.query_params.get(name, "")
    return int(text) if text.isdigit() and len(text) < 7 else None


def number_of(request: Request, name: str) -> float | None:
    """A number in the address, decimal comma or point; None where it is none."""
    try:
        value = float(request.query_params.get(name, "").replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None
