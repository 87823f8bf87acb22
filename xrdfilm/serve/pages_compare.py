"""The page that draws the scans of several films together."""

from __future__ import annotations

from starlette.requests import Request
from starlette.responses import Response

from xrdfilm.report.names import slugs
from xrdfilm.serve.context import page, setup_of


def compare_page(request: Request) -> Response:
    """Films of any runs on the desk, drawn over, beside or above one another."""
    chosen = request.query_params.getlist("film")[:12]
    how = request.query_params.get("how", "overlay")
    runs = []
    drawn: list[dict[str, str]] = []
    for run in setup_of(request).desk.runs():
        result = run.result()
        if result is None:
            continue
        names = [film.film for film in result.films]
        films = [
            {
                "key": f"{run.key}/{slug}",
                "name": film.film,
                "verdict": film.verdict,
                "run": run.name,
                "chosen": f"{run.key}/{slug}" in chosen,
            }
            for film, slug in zip(result.films, slugs(names), strict=True)
            if run.picture(slug) is not None
        ]
        runs.append({"name": run.name, "key": run.key, "films": films})
        drawn += [
            {
                "label": f"{film['run']}, {film['name']}",
                "points": f"/run/{run.key}/points/{str(film['key']).partition('/')[2]}.json",
            }
            for film in films
            if film["chosen"]
        ]
    return page(
        request,
        "compare.html.jinja",
        {
            "runs": runs,
            "drawn": drawn,
            "how": how if how in ("overlay", "offset", "stack") else "overlay",
        },
    )
