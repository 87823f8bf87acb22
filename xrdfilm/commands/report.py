"""`xrdfilm report`: make a report anew from results.json."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from xrdfilm.commands._recorded import read_recorded, results_file

if TYPE_CHECKING:
    from xrdfilm.results import Film

EXAMPLE = """\b
Examples:
  xrdfilm report judged
  xrdfilm report judged/results.json --limits tighter.toml --out tighter
"""


@click.command(name="report", epilog=EXAMPLE)
@click.argument("results", type=click.Path(path_type=Path))
@click.option(
    "--limits",
    "limit_file",
    type=click.Path(path_type=Path),
    help="Judge the recorded figures by this limit file.",
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for the report; default: report/ beside RESULTS.",
)
@click.option("--no-pdf", is_flag=True, help="Write no PDF.")
def command(results: Path, limit_file: Path | None, out: Path | None, no_pdf: bool) -> int:
    """Make the report of a run anew from its RESULTS, without the scans.

    RESULTS is a results.json or the folder it lies in.

    The sheets show every figure but no drawing, for which `xrdfilm judge` needs the scans.
    """
    from xrdfilm.report.write import write_report

    recorded = read_recorded(results)
    judged = recorded
    if limit_file is not None:
        from xrdfilm.decision.limits import read_limit_file
        from xrdfilm.decision.rejudge import rejudged

        judged = rejudged(recorded, read_limit_file(limit_file))
    paths = write_report(judged, {}, out or results_file(results).parent / "report", pdf=not no_pdf)
    for before, now in zip(recorded.films, judged.films, strict=True):
        if (before.verdict, before.grade) != (now.verdict, now.grade):
            click.echo(f"{now.film}: {_told(before)}, now {_told(now)}")
    for note in paths.notes:
        click.echo(note)
    click.echo(f"Report:  {paths.index}")
    return 0


def _told(film: Film) -> str:
    return f"{film.verdict} ({film.grade})" if film.grade else film.verdict
