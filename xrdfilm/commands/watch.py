"""`xrdfilm watch`: judge the scans that arrive in a folder."""

from __future__ import annotations

import signal
from pathlib import Path
from typing import Any

import click

from xrdfilm.commands._stated import reading_options, stated_tables, stating_options

EXAMPLE = """\b
Examples:
  xrdfilm watch incoming --film YBCO --thickness-nm 800 --substrate Ni-5W
  xrdfilm watch incoming --limits limits.toml --out results --history history.sqlite3
  xrdfilm watch incoming --once

\b
The folder is only read. A run.toml in it states stack, optics and limits. Stop
with Ctrl-C; started again it goes on where it was.
"""


@click.command(name="watch", epilog=EXAMPLE)
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for results and report; default: judged/ in FOLDER.",
)
@click.option(
    "--limits", "limit_file", type=click.Path(path_type=Path), help="Limit file (limits.toml)."
)
@click.option(
    "--history", type=click.Path(path_type=Path), help="The history file; default: as `history`."
)
@click.option("--no-history", is_flag=True, help="Store nothing in the history.")
@click.option("--no-pages", is_flag=True, help="Write results.json and films.csv, no pages.")
@click.option(
    "--settle",
    "settle_s",
    default=3.0,
    show_default=True,
    type=click.FloatRange(0.0, 3600.0),
    help="Seconds a file must rest, unchanged, before it is judged.",
)
@click.option("--once", is_flag=True, help="Judge what is there, then stop.")
@stating_options
@reading_options
def command(
    folder: Path,
    out: Path | None,
    limit_file: Path | None,
    history: Path | None,
    no_history: bool,
    no_pages: bool,
    settle_s: float,
    once: bool,
    **flags: Any,
) -> int:
    """Judge every scan that arrives in FOLDER, once, when it is completely written."""
    from xrdfilm.runs.workers import single_thread

    single_thread()
    from xrdfilm.history import history_path
    from xrdfilm.runs.gather import OUT_FOLDER
    from xrdfilm.watching import Watcher, WatchPlan

    stated: dict[str, Any] = dict(stated_tables(flags))
    if limit_file is not None:
        stated["limits"] = {"file": str(limit_file.resolve())}
    place = None
    if not no_history:
        place = history_path(history)
        place.parent.mkdir(parents=True, exist_ok=True)
    plan = WatchPlan(
        folder, out or folder / OUT_FOLDER, stated, place, settle_s, pages=not no_pages
    )
    stopped = False

    def stop(*_: object) -> None:
        nonlocal stopped
        stopped = True

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, stop)
    with Watcher(plan) as watcher:
        if len(watcher.journal):
            click.echo(f"{len(watcher.journal)} scans were judged before.")
        click.echo(f"Watching {folder}; results go to {plan.out}. Stop with Ctrl-C.")
        idle = settle_s + 1.0 if once else None
        for report in watcher.run(lambda: stopped, idle_s=idle):
            click.echo(report.text, err=report.kind == "problem")
        for report in watcher.finish():
            click.echo(report.text, err=True)
        click.echo(f"Stopped; {len(watcher.journal)} scans judged.")
    return 0
