"""The web application: which address leads to which page."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from xrdfilm.errors import XrdfilmError
from xrdfilm.report.environment import page_environment
from xrdfilm.serve import (
    pages_compare,
    pages_drop,
    pages_follow,
    pages_reel,
    pages_runs,
    pages_state,
)
from xrdfilm.serve.context import Setup, page
from xrdfilm.serve.desk import Desk
from xrdfilm.serve.jobs import Jobs
from xrdfilm.serve.safety import Gate, GateMiddleware, Limits

ROUTES = [
    Route("/", pages_runs.runs_page),
    Route("/new", pages_drop.new_page, methods=["GET"]),
    Route("/new", pages_drop.drop, methods=["POST"]),
    Route("/compare", pages_compare.compare_page),
    Route("/trend", pages_follow.trend_page),
    Route("/history/{run_id:path}/reel", pages_reel.history_reel_page),
    Route("/history/{run_id:path}", pages_follow.history_page),
    Route("/job/{job}", pages_runs.job_page),
    Route("/job/{job}/state", pages_runs.job_state),
    Route("/job/{job}/stop", pages_runs.job_stop, methods=["POST"]),
    Route("/desk/{name}", pages_runs.own_assets),
    Route("/assets/{name}", pages_runs.assets),
    Route("/run/{key}/", pages_runs.run_page),
    Route("/run/{key}/index.html", pages_runs.run_page),
    Route("/run/{key}/state", pages_state.state_page, methods=["GET"]),
    Route("/run/{key}/state", pages_state.state_post, methods=["POST"]),
    Route("/run/{key}/store", pages_state.store_post, methods=["POST"]),
    Route("/run/{key}/remove", pages_runs.remove, methods=["POST"]),
    Route("/run/{key}/reel", pages_reel.reel_page),
    Route("/run/{key}/run.toml", pages_runs.run_toml),
    Route("/run/{key}/limits.toml", pages_runs.limits_toml),
    Route("/run/{key}/films/{slug}.html", pages_runs.film_page),
    Route("/run/{key}/films/{slug}/adjust", pages_state.adjust_post, methods=["POST"]),
    Route("/run/{key}/points/{slug}.json", pages_runs.points),
    Route("/run/{key}/assets/{name}", pages_runs.assets),
    Route("/run/{key}/{name}", pages_runs.taken_away),
]


def create_app(
    store: Path,
    history_path: Path,
    *,
    token: str | None = None,
    limits: Limits | None = None,
    jobs: Jobs | None = None,
) -> GateMiddleware:
    """The application over a store of dropped runs and a history.

    With ``token`` it may be shown beyond this machine and asks for the token; without, it answers
    under loopback names only.
    """
    bounds = limits or Limits()
    gate = Gate(token)
    setup = Setup(
        Desk.at(store),
        history_path,
        gate,
        bounds,
        jobs or Jobs(),
        beyond_loopback=token is not None,
    )

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        yield
        setup.jobs.stop_all()

    app = Starlette(
        routes=ROUTES,
        exception_handlers={
            HTTPException: _http_problem,
            XrdfilmError: _known_problem,
            Exception: _fault,
        },
        lifespan=lifespan,
    )
    app.state.setup = setup
    app.state.environment = page_environment("xrdfilm.serve")
    # outermost, so that even the answer to a fault of ours carries its headers
    gated = GateMiddleware(app, gate, bounds)
    gated.setup = setup
    return gated


async def _http_problem(request: Request, problem: Exception) -> Response:
    assert isinstance(problem, HTTPException)
    told = str(problem.detail)
    if problem.status_code == 404 and told == "Not Found":
        told = "There is no such page."
    answer = page(request, "problem.html.jinja", {"told": told}, problem.status_code)
    if problem.status_code in (400, 408, 413):
        answer.headers["Connection"] = "close"  # the rest of a body that was cut off is not read
    return answer


async def _known_problem(request: Request, problem: Exception) -> Response:
    return page(request, "problem.html.jinja", {"told": str(problem)}, 400)


async def _fault(request: Request, problem: Exception) -> Response:
    """A fault of ours: said without details, the page answers on."""
    try:
        told = (
            f"The page met a fault of its own ({type(problem).__name__}). Nothing was changed; "
            "the other pages still answer."
        )
        return page(request, "problem.html.jinja", {"told": told}, 500)
    except Exception:
        return PlainTextResponse("The page met a fault of its own.", 500)
