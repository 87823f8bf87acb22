"""What a job does in its own process: judge a run as the command does, and lay out its sheets."""

from __future__ import annotations

import json
import shutil
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from xrdfilm.analysis.picture import FilmPicture
from xrdfilm.errors import XrdfilmError
from xrdfilm.history import Stored, open_history
from xrdfilm.report.html import ghost_words, hidden_words, picture_data, plot_words
from xrdfilm.report.names import slugs
from xrdfilm.report.write import write_report
from xrdfilm.results import RunResult
from xrdfilm.runs.judge import judge_run
from xrdfilm.runs.workers import single_thread
from xrdfilm.serve.desk import DeskRun, now, write_whole

_REMEMBERED = 20


def judge_desk_run(
    connection: Connection, run_folder: str, key: str, history: str | None = None
) -> None:
    """Judge a run on the desk; with ``history`` store the result there when done.

    Tells ("progress", stage, done, total), at last ("done", sentence) or ("error", sentence).
    """
    single_thread()
    try:
        connection.send(("done", _judge(connection, DeskRun(key, Path(run_folder)), history)))
    except XrdfilmError as problem:
        connection.send(("error", _without_path(str(problem), run_folder)))
    except Exception as problem:
        text = f"{type(problem).__name__}: {problem}"
        connection.send(("error", _without_path(text, run_folder)))
    finally:
        connection.close()


def _judge(connection: Connection, run: DeskRun, history: str | None) -> str:
    connection.send(("progress", "reading", 0, 0))
    planned = run.planned()
    total = len(planned.films)
    done = 0

    def tick(_: str) -> None:
        nonlocal done
        done += 1
        connection.send(("progress", "judging films", done, total))

    connection.send(("progress", "judging films", 0, total))
    judged = judge_run(planned, tick=tick)
    before = run.result()
    connection.send(("progress", "writing sheets", 0, total))
    write_report(
        judged.result,
        judged.pictures,
        planned.out_dir,
        progress=lambda n, all_: connection.send(("progress", "writing sheets", n, all_)),
    )
    _write_pictures(run, judged.result, judged.pictures)
    run.update(
        name=planned.run_id if planned.run_file.run.id else run.name,
        judged=now(),
        verdicts=_counts(judged.result),
        **({} if history else {"changed": _changed(before, judged.result), "stored": None}),
    )
    if history is None:
        return "judged"
    connection.send(("progress", "storing", total, total))
    with open_history(Path(history)) as opened:
        stored = opened.store(judged.result)
    remember(run, stored, judged.result)
    return told(stored)


def remember(run: DeskRun, stored: Stored, result: RunResult) -> None:
    """Note in the desk's record what was stored."""
    signed = next((f.provenance.settings.get("adjusted") or {} for f in result.films), {})
    entry = {
        "run_id": stored.run_id,
        "revision": stored.revision,
        "at": now(),
        "by": signed.get("by"),
        "why": signed.get("why"),
    }
    earlier: list[dict[str, Any]] = list(run.state().get("revisions") or [])
    run.update(stored=entry, revisions=[*earlier, entry][-_REMEMBERED:])


def told(stored: Stored) -> str:
    """What became of a stored run, in a sentence."""
    what = {
        "new": f"stored as run {stored.run_id}",
        "revision": f"stored as revision {stored.revision} of run {stored.run_id}",
        "known": f"run {stored.run_id} was in the history already, unchanged",
    }[stored.outcome]
    return f"{what}; {stored.note}" if stored.note else what


def _counts(result: RunResult) -> dict[str, int]:
    verdicts: list[str] = [film.verdict for film in result.films]
    return {verdict: verdicts.count(verdict) for verdict in dict.fromkeys(verdicts)}


def _changed(before: RunResult | None, after: RunResult) -> dict[str, dict[str, str]]:
    """By film: the verdict and the reason that stood before."""
    from xrdfilm.report.content import short_reason

    if before is None:
        return {}
    now_by_film = {film.film: film for film in after.films}
    return {
        film.film: {"verdict": film.verdict, "reason": short_reason(film)}
        for film in before.films
        if film.film in now_by_film and now_by_film[film.film] != film
    }


def _write_pictures(
    run: DeskRun, result: RunResult, pictures: dict[str, FilmPicture] | Any
) -> None:
    fresh = run.folder / ".new-pictures"
    shutil.rmtree(fresh, ignore_errors=True)
    fresh.mkdir()
    names = [film.film for film in result.films]
    for name, slug in zip(names, slugs(names), strict=True):
        picture = pictures.get(name)
        if picture is None:
            continue
        content = {
            "data": picture_data(picture),
            "ghosts": ghost_words(picture),
            "hidden": hidden_words(picture),
            "side_titles": [side.title for side in picture.side_scans],
            "plot_words": plot_words(picture),
            "windows": [[zone.low_deg, zone.high_deg] for zone in picture.windows],
            "axis": [round(float(x), 5) for x in picture.two_theta_deg],
            "counts": [float(f"{c:.6g}") for c in picture.counts],
        }
        write_whole(fresh / f"{slug}.json", json.dumps(content, allow_nan=False))
    shutil.rmtree(run.pictures, ignore_errors=True)
    fresh.rename(run.pictures)


def _without_path(text: str, run_folder: str) -> str:
    """A sentence without the store's own folders, which mean nothing to the reader."""
    return text.replace(f"{run_folder}/scans/", "").replace(run_folder, "the run's folder")
