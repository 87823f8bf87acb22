"""`xrdfilm history`: the memory of the line."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from xrdfilm.history import History

F = TypeVar("F", bound=Callable[..., Any])

EXAMPLE = """\b
Examples:
  xrdfilm history add judged/results.json
  xrdfilm history list --last 20
  xrdfilm history show R-0142
  xrdfilm history check
  xrdfilm history export tables --form parquet
"""


def history_option(function: F) -> F:
    """--history: where the history lies."""
    return click.option(
        "--history",
        "history_file",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Where the history lies.  [default: $XRDFILM_HISTORY, else the user's data folder]",
    )(function)


def window_options(function: F) -> F:
    """--line, --since, --until, --last: which runs."""
    for decorate in (
        click.option("--last", type=click.IntRange(min=1), help="Only so many newest runs."),
        click.option("--until", metavar="DAY", help="Up to this day, like 2031-03-04."),
        click.option("--since", metavar="DAY", help="From this day on."),
        click.option("--line", metavar="NAME", help='Production line: "line" in the recipe.'),
    ):
        function = decorate(function)
    return function


@contextmanager
def _progress(label: str, *, quiet: bool) -> Iterator[Callable[[int, int], None] | None]:
    """A progress bar on a terminal, none in a pipe."""
    from rich.console import Console
    from rich.progress import Progress

    console = Console(stderr=True)
    if quiet or not console.is_terminal:
        yield None
        return
    with Progress(console=console, transient=True) as bar:
        task = bar.add_task(label, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)


def _opened(history_file: Path | None, *, must_exist: bool = True) -> History:
    from xrdfilm.history import open_history

    return open_history(history_file, must_exist=must_exist)


@click.group(name="history", epilog=EXAMPLE)
def command() -> None:
    """Keep every judged run: films, figures with intervals, recipe, limits, provenance.

    The history is one SQLite file on this machine (not on a network share). Several processes may
    write it at once. Storing the same scans twice changes nothing; other settings make a new
    revision, and the old one is kept.
    """


@command.command(name="add", epilog="Example: xrdfilm history add judged/")
@click.argument("paths", nargs=-1, required=True, type=click.Path(exists=True, path_type=Path))
@history_option
@click.option("--json", "as_json", is_flag=True, help="JSON instead of words.")
def add(paths: tuple[Path, ...], history_file: Path | None, as_json: bool) -> None:
    """Store results.json files, or all of them below folders."""
    from xrdfilm.commands._recorded import read_recorded

    told = []
    with _opened(history_file, must_exist=False) as history:
        for path in _result_files(paths):
            stored = history.store(read_recorded(path))
            told.append({"file": str(path), **_as_dict(stored)})
            if not as_json:
                words = {"new": "stored", "revision": "new revision", "known": "known already"}
                click.echo(
                    f"{stored.run_id}: {words[stored.outcome]} (revision {stored.revision})"
                    + (f"; {stored.note}" if stored.note else "")
                )
    if as_json:
        click.echo(json.dumps(told, indent=1))


def _as_dict(stored: Any) -> dict[str, Any]:
    from dataclasses import asdict

    return asdict(stored)


def _result_files(paths: tuple[Path, ...]) -> list[Path]:
    found: list[Path] = []
    for path in paths:
        if path.is_dir():
            below = sorted(p for p in path.rglob("results.json") if "earlier" not in p.parts)
            if not below:
                raise click.BadParameter(f"no results.json below {path}", param_hint="PATHS")
            found += below
        else:
            found.append(path)
    return found


@command.command(name="list", epilog="Example: xrdfilm history list --line north --last 20")
@history_option
@window_options
@click.option("--json", "as_json", is_flag=True, help="JSON instead of a table.")
def list_runs(
    history_file: Path | None,
    line: str | None,
    since: str | None,
    until: str | None,
    last: int | None,
    as_json: bool,
) -> None:
    """List the runs, newest last."""
    from dataclasses import asdict

    from xrdfilm.history.query import summaries

    with _opened(history_file) as history:
        runs = summaries(history, line=line, since=since, until=until, last=last)
    if as_json:
        click.echo(json.dumps([asdict(run) for run in runs], indent=1))
        return
    if not runs:
        click.echo("no run")
        return
    rows: list[tuple[str, ...]] = [("day", "run", "line", "films", "verdicts", "revision")]
    rows += [
        (
            run.day,
            run.run_id,
            run.line or "–",
            str(run.films),
            ", ".join(f"{count} {verdict}" for verdict, count in sorted(run.verdicts.items())),
            f"{run.revision} of {run.revisions}",
        )
        for run in runs
    ]
    _print_table(rows)


def _print_table(rows: list[tuple[str, ...]]) -> None:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        click.echo("  ".join(cells).rstrip())


@command.command(name="show", epilog="Example: xrdfilm history show R-0142 --revision 1")
@click.argument("run")
@click.option("--revision", type=click.IntRange(min=1), help="Another than the one in use.")
@history_option
@click.option("--json", "as_json", is_flag=True, help="JSON instead of words.")
def show_run(run: str, revision: int | None, history_file: Path | None, as_json: bool) -> None:
    """Show one run: its films, figures, recipe, events."""
    from xrdfilm.history.query import revision_key_of
    from xrdfilm.trend.tojson import plain

    with _opened(history_file) as history:
        record = history.revision(revision_key_of(history, run, revision))
    if as_json:
        click.echo(json.dumps(plain(record), indent=1))
        return
    click.echo(f"{record.run_id}   {record.day or 'no day stated'}   version {record.version}")
    if record.note:
        click.echo(f"  {record.note}")
    for name, value in record.recipe.items():
        click.echo(f"  {name} = {value}")
    for event in record.events:
        click.echo(f"  event {event.get('date') or ''}: {event.get('text', '')}")
    rows = [("film", "position", "verdict", *record.columns)]
    from xrdfilm.numbers import number

    for place, film in enumerate(record.films):
        at = "–" if film.position_m is None else f"{number(film.position_m, 6)} m"
        figures = (number(c.centre[place]) for c in record.columns.values())
        rows.append((film.film, at, film.verdict, *figures))
    _print_table(rows)


@command.command(name="use", epilog="Example: xrdfilm history use R-0142 1")
@click.argument("run")
@click.argument("revision", type=click.IntRange(min=1))
@history_option
def use(run: str, revision: int, history_file: Path | None) -> None:
    """Let trends use another revision of a run."""
    from xrdfilm.history.query import use_revision

    with _opened(history_file) as history:
        use_revision(history, run, revision)
    click.echo(f"{run}: revision {revision} is in use")


@command.command(name="check", epilog="Example: xrdfilm history check")
@history_option
@click.option("--json", "as_json", is_flag=True, help="JSON instead of words.")
@click.pass_context
def check_history(ctx: click.Context, history_file: Path | None, as_json: bool) -> None:
    """Look through the whole history for damage; exit status 1 where there is any."""
    from dataclasses import asdict

    from xrdfilm.history.check import check

    with _opened(history_file) as history, _progress("checking", quiet=as_json) as progress:
        result = check(history, progress=progress)
        path = history.path
    if as_json:
        click.echo(json.dumps({"file": str(path), **asdict(result)}, indent=1))
    else:
        for fault in result.faults:
            click.echo(fault)
        state = f"{len(result.faults)} faults" if result.faults else "whole"
        click.echo(
            f"{path}: {result.runs} runs, {result.revisions} revisions, {result.films} films: "
            f"{state}"
        )
    if result.faults:
        ctx.exit(1)


@command.command(name="export", epilog="Example: xrdfilm history export tables --form csv")
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.option(
    "--form",
    type=click.Choice(["csv", "parquet"]),
    default="csv",
    show_default=True,
    help="Format of the tables.",
)
@history_option
def export_history(folder: Path, form: Any, history_file: Path | None) -> None:
    """Write the whole history as tables: runs, films, figures."""
    from xrdfilm.history.exchange import export

    with _opened(history_file) as history, _progress("exporting", quiet=False) as progress:
        for path in export(history, folder, form, progress=progress):
            click.echo(str(path))


@command.command(name="import", epilog="Example: xrdfilm history import tables")
@click.argument("folder", type=click.Path(exists=True, file_okay=False, path_type=Path))
@history_option
def import_history(folder: Path, history_file: Path | None) -> None:
    """Store what `export` wrote; runs that are known already stay as they are."""
    from xrdfilm.history.exchange import import_tables

    with _opened(history_file, must_exist=False) as history:
        done = import_tables(history, folder)
    for note in dict.fromkeys(done.notes):
        click.echo(note)
    click.echo(f"{done.stored} stored, {done.known} known already")


@command.command(name="where", epilog="Example: xrdfilm history where")
@history_option
def where(history_file: Path | None) -> None:
    """Say where the history lies, its lines and its quantities."""
    from xrdfilm.history import history_path
    from xrdfilm.history.query import lines, quantities

    path = history_path(history_file)
    if not path.is_file():
        click.echo(f"{path} (nothing stored yet)")
        return
    with _opened(history_file) as history:
        click.echo(f"{path} ({path.stat().st_size / 1e6:.1f} MB)")
        for name, count in lines(history).items():
            click.echo(f"  line {name or '(none named)'}: {count} runs")
        for name, count in quantities(history).items():
            click.echo(f"  {name}: {count} runs")
