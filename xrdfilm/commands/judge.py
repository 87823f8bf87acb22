"""`xrdfilm judge`: judge films and write the report."""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from xrdfilm.commands._stated import reading_options, stated_tables, stating_options

if TYPE_CHECKING:
    from collections.abc import Callable

    from xrdfilm.history.record import RunRecord
    from xrdfilm.results import Film, RunResult
    from xrdfilm.runs.gather import PlannedRun

EXAMPLE = """\b
Examples:
  xrdfilm demo --no-judge && xrdfilm judge demo --limits demo/limits.toml
  xrdfilm simulate --film YBCO --substrate SrTiO3 --out film.xy
  xrdfilm judge film.xy --film YBCO --thickness-nm 800 --substrate SrTiO3

\b
Exit status: 0 all pass, 1 some film failed, 2 usage or unreadable input,
3 none failed but some are undecided.

A run that was stopped goes on where it was when the same command is given again.
"""


MANY_FILMS = 100  # from here on worker processes are sure to be wanted


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
@click.option(
    "--workers", type=click.IntRange(min=1), help="Worker processes; default: the cores there are."
)
@click.option("--cluster", metavar="ADDRESS", help="Work on the dask cluster of this scheduler.")
@click.option(
    "--ship-scans", is_flag=True, help="Send scans to the cluster, which cannot see their folder."
)
@click.option(
    "--history",
    "history_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Store the runs in this history.  [default: $XRDFILM_HISTORY, else the one in the "
    "user's data folder once there is one; by default only runs named or dated in [run]]",
)
@click.option("--no-history", is_flag=True, help="Store nothing in the history.")
@click.option("--results-only", is_flag=True, help="No pages: results.json and films.csv.")
@stating_options
@reading_options
def command(
    paths: tuple[Path, ...],
    limit_file: Path | None,
    out: Path | None,
    as_json: bool,
    no_pdf: bool,
    workers: int | None,
    cluster: str | None,
    ship_scans: bool,
    results_only: bool,
    history_file: Path | None,
    no_history: bool,
    **flags: Any,
) -> int:
    """Judge the films of run folders, run files or single scans, and write the report.

    Each PATH is a folder with a run.toml, a run.toml, a folder of such folders, a folder of scans,
    or a scan file.
    """
    from xrdfilm.runs.workers import single_thread

    single_thread()  # before numpy is loaded: processes, not threads, share the work
    from xrdfilm.runs.gather import gather_runs

    stated: dict[str, Any] = dict(stated_tables(flags))
    if limit_file is not None:
        if not limit_file.is_file():
            raise click.BadParameter(f"no such file: {limit_file}", param_hint="--limits")
        stated["limits"] = {"file": str(limit_file.resolve())}
    runs = gather_runs(paths, stated=stated, out=out)
    if no_history and history_file is not None:
        raise click.UsageError("--history and --no-history exclude each other")
    how = HowToJudge(
        as_json, not no_pdf, workers, cluster, ship_scans, results_only,
        Memory(history_file, stores=not no_history),
    )  # fmt: skip
    if how.cluster is None and how.workers != 1:
        _load_early(max(len(run.films) for run in runs))
    statuses = [judge_and_print(run, how) for run in runs]
    return next((s for s in (1, 2, 3) if s in statuses), 0)


@dataclass(frozen=True, slots=True)
class Memory:
    """Whether runs are stored in the history, and the file of it that was stated."""

    stated: Path | None = None
    stores: bool = False

    def place_for(self, planned: PlannedRun) -> Path | None:
        """The history that the run goes into; None for none.

        Without a stated file only runs that have a name or a day in [run] are taken, and that
        do not say history = false there.
        """
        from xrdfilm.history import kept_by_itself

        if not self.stores:
            return None
        run = planned.run_file.run
        named = run.id is not None or run.date is not None
        if self.stated is None and not (named and run.history):
            return None
        return kept_by_itself(self.stated)


@dataclass(frozen=True, slots=True)
class HowToJudge:
    """What the flags say of the work and its output."""

    as_json: bool = False
    pdf: bool = True
    workers: int | None = None
    cluster: str | None = None
    ship_scans: bool = False
    results_only: bool = False
    memory: Memory = Memory()


def judge_and_print(planned: PlannedRun, how: HowToJudge) -> int:
    """Judge a run, write its report and show the outcome; returns the exit status."""
    from xrdfilm.history.record import record_of, record_of_file
    from xrdfilm.runs.streaming import MOST_SHEETS, judge_to_files

    for note in planned.notes:
        click.echo(note, err=True)
    if how.results_only or len(planned.films) > MOST_SHEETS:
        if not how.results_only:
            click.echo(
                f"{len(planned.films)} films: more than the {MOST_SHEETS} that pages are made for; "
                "only results.json and films.csv are written",
                err=True,
            )
        with (
            _place_of_work(how, len(planned.films)) as (executor, workers),
            progress_bar(planned.run_id, len(planned.films)) as tick,
        ):
            written = judge_to_files(
                planned, tick=tick, executor=executor, workers=workers, ship_scans=how.ship_scans
            )
        _tell_of_earlier(written.resumed, written.notes)
        click.echo(_counts(written.verdicts))
        click.echo(f"Results: {written.results}")
        _remember(how, planned, lambda: record_of_file(written.results))
        return written.exit_status
    from xrdfilm.report.write import write_report
    from xrdfilm.runs.chunks import CHUNK_FILMS
    from xrdfilm.runs.journal import discard
    from xrdfilm.runs.judge import judge_run

    with (
        _place_of_work(how, len(planned.films)) as (executor, workers),
        progress_bar(planned.run_id, len(planned.films)) as tick,
    ):
        judged = judge_run(
            planned,
            tick=tick,
            executor=executor,
            workers=workers,
            journal_dir=planned.out_dir if len(planned.films) > CHUNK_FILMS else None,
            ship_scans=how.ship_scans,
        )
    _tell_of_earlier(judged.resumed, judged.notes)
    with progress_bar("report", len(planned.films)) as tick:
        paths = write_report(
            judged.result, judged.pictures, planned.out_dir, pdf=how.pdf,
            progress=lambda done, _: tick(str(done)),
        )  # fmt: skip
    discard(planned.out_dir)
    for note in paths.notes:
        click.echo(note, err=how.as_json)
    if how.as_json:
        click.echo(judged.result.to_json())
    else:
        _print_table(judged.result)
        click.echo(f"Report:  {paths.index}")
        click.echo(f"Results: {paths.results}")
    _remember(how, planned, lambda: record_of(judged.result))
    return judged.exit_status


def _remember(how: HowToJudge, planned: PlannedRun, record: Callable[[], RunRecord]) -> None:
    """Store the run in the history, if it goes into one, and say so in a line.

    The report is written by now: a history that cannot be written is told and spoils nothing.
    """
    place = how.memory.place_for(planned)
    if place is None:
        return
    from xrdfilm.errors import HistoryError
    from xrdfilm.history import open_history

    try:
        with open_history(place) as history:
            stored = history.store(record())
    except HistoryError as problem:
        click.echo(
            f"Not stored in the history: {problem}. Once that is mended: "
            f"xrdfilm history add {planned.out_dir}",
            err=True,
        )
        return
    words = {"new": "stored", "revision": "new revision", "known": "known already"}
    click.echo(
        f"History: {stored.run_id}: {words[stored.outcome]} (revision {stored.revision}) in {place}"
        + (f"; {stored.note}" if stored.note else ""),
        err=how.as_json,
    )


def _tell_of_earlier(resumed: int, notes: Sequence[str]) -> None:
    for note in notes:
        click.echo(note, err=True)
    if resumed:
        click.echo(f"{resumed} films were taken from an earlier, stopped run.", err=True)


def _load_early(films: int) -> None:
    """Let workers load their libraries while this process loads its own, where many will be."""
    from xrdfilm.runs.workers import begin_loading, usable_cores

    if films >= MANY_FILMS and usable_cores() > 1:
        begin_loading()


@contextmanager
def _place_of_work(how: HowToJudge, films: int) -> Iterator[tuple[Any, int]]:
    """Where the films are worked on: a cluster, processes, or here for a few films."""
    from xrdfilm.runs.chunks import CHUNK_FILMS
    from xrdfilm.runs.workers import Processes, usable_cores

    if how.cluster is not None:
        from xrdfilm.runs.cluster import Cluster

        with Cluster(how.cluster) as cluster:
            for note in cluster.notes:
                click.echo(note, err=True)
            yield cluster, cluster.cores
        return
    chunks = -(-films // CHUNK_FILMS)
    count = min(how.workers or usable_cores(), chunks)
    if count <= 1:
        yield None, 1
        return
    with Processes(count) as processes:
        yield processes, count


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
    click.echo(_counts(counts))


def _counts(verdicts: Mapping[str, int]) -> str:
    total = sum(verdicts.values())
    told = ", ".join(f"{n} {verdict}" for verdict, n in verdicts.items() if n)
    return f"{total} film{'' if total == 1 else 's'}: {told}"


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
