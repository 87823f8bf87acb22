"""`xrdfilm judge`: judge films and write the report."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xrdfilm.commands._stated import stated_tables, stating_options

if TYPE_CHECKING:
    from collections.abc import Callable

    from xrdfilm.gather import PlannedRun
    from xrdfilm.results import Film, RunResult

EXAMPLE = """\b
Examples:
  xrdfilm judge runs/R-0142
  xrdfilm judge film.xy --film YBCO --thickness-nm 800 --substrate SrTiO3
  xrdfilm judge powder.dat --film LaB6 --powder

\b
Exit status: 0 all pass, 1 some film failed, 2 usage or unreadable input,
3 none failed but some are undecided.
"""


@click.command(name="judge", epilog=EXAMPLE)
@click.argument("paths", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--limits", "limit_file", type=click.Path(path_type=Path), help="Limit file (limits.toml)."
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for results and report; default: judged/ beside the scans.",
)
@click.option("--json", "as_json", is_flag=True, help="Print results.json instead of the table.")
@click.option("--no-pdf", is_flag=True, help="Write no PDF.")
@stating_options
def command(
    paths: tuple[Path, ...],
    limit_file: Path | None,
    out: Path | None,
    as_json: bool,
    no_pdf: bool,
    **flags: Any,
) -> int:
    """Judge the films of run folders, run files or single scans, and write the report.

    Each PATH is a folder with a run.toml, a run.toml, a folder of scans, or a scan file.
    """
    from xrdfilm.gather import gather_runs

    stated: dict[str, Any] = dict(stated_tables(flags))
    if limit_file is not None:
        stated["limits"] = {"file": str(limit_file.resolve())}
    runs = gather_runs(paths, stated=stated, out=out)
    statuses = [judge_and_print(run, as_json=as_json, pdf=not no_pdf) for run in runs]
    return next((s for s in (1, 2, 3) if s in statuses), 0)


def judge_and_print(planned: PlannedRun, *, as_json: bool, pdf: bool) -> int:
    """Judge a run, write its report and show the outcome; returns the exit status."""
    from xrdfilm.report.write import write_report
    from xrdfilm.run import judge_run

    with progress_bar(planned.run_id, len(planned.films)) as tick:
        judged = judge_run(planned, tick=tick)
        paths = write_report(judged.result, judged.pictures, planned.out_dir, pdf=pdf)
    if as_json:
        click.echo(judged.result.to_json())
        return judged.exit_status
    _print_table(judged.result)
    for note in paths.notes:
        click.echo(note)
    click.echo(f"Report:  {paths.index}")
    click.echo(f"Results: {paths.results}")
    return judged.exit_status


@contextmanager
def progress_bar(label: str, total: int) -> Iterator[Callable[[str], None]]:
    """A progress bar on a terminal, nothing in a pipe."""
    if not sys.stderr.isatty() or total < 3:
        yield lambda name: None
        return
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(label, total=total)
        yield lambda name: progress.advance(task)


_SIGNS = {
    "pass": "✓ pass",
    "fail": "✗ fail",
    "undecided": "? undecided",
    "unreadable": "! unreadable",
}


def _print_table(result: RunResult) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    styles = {"pass": "green", "fail": "red", "undecided": "yellow", "unreadable": "magenta"}
    table = Table(title=f"Run {result.run.id}", title_justify="left", expand=False)
    table.add_column("film", no_wrap=True)
    table.add_column("verdict", no_wrap=True)
    table.add_column("reason")
    for film in result.films:
        verdict = Text(_SIGNS[film.verdict], style=styles[film.verdict])
        table.add_row(Text(film.film), verdict, Text(reason_line(film)))
    console = Console(width=None if sys.stdout.isatty() else 110)
    console.print(table)
    counts = {v: sum(film.verdict == v for film in result.films) for v in styles}
    told = ", ".join(f"{n} {verdict}" for verdict, n in counts.items() if n)
    films = "1 film" if len(result.films) == 1 else f"{len(result.films)} films"
    click.echo(f"{films}: {told}")


def reason_line(film: Film) -> str:
    """The one sentence that matters most of a film's verdict."""
    if film.verdict == "unreadable":
        return film.warnings[0] if film.warnings else "the scan could not be read"
    decisive = [reason for reason in film.reasons if reason.outcome == film.verdict]
    if film.verdict == "pass" or not decisive:
        if film.reasons:
            grade = f", grade {film.grade}" if film.grade else ""
            return f"all {len(film.reasons)} limits kept{grade}"
        return film.warnings[0] if film.warnings else ""
    return decisive[0].text
