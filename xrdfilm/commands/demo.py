"""`xrdfilm demo`: an invented run, judged."""

from __future__ import annotations

from pathlib import Path

import click

EXAMPLE = """\b
Example:
  xrdfilm demo
  xrdfilm demo my-demo --no-judge
"""


@click.command(name="demo", epilog=EXAMPLE)
@click.argument("folder", default="demo", type=click.Path(file_okay=False, path_type=Path))
@click.option("--no-judge", is_flag=True, help="Only write the scans, run.toml and limits.toml.")
def command(folder: Path, no_judge: bool) -> int:
    """Write a run of invented films into FOLDER (default: demo), judge it, show the report.

    The films' verdicts do not count as an error: the exit status is 0 when the demo ran.
    """
    from xrdfilm.commands.judge import HowToJudge, judge_and_print, progress_bar
    from xrdfilm.demo import FILMS, write_demo
    from xrdfilm.errors import RunFileError
    from xrdfilm.runs.gather import gather_runs

    if folder.exists() and any(folder.iterdir()) and not (folder / "truth.json").is_file():
        raise RunFileError("holds other files; name an empty folder for the demo", path=folder)
    with progress_bar("writing invented scans", len(FILMS)) as tick:
        run_toml = write_demo(folder, tick=tick)
    click.echo(f"Wrote {len(FILMS)} invented films to {folder} (what they are: truth.json)")
    if no_judge:
        click.echo(f"Judge them with: xrdfilm judge {folder}")
        return 0
    for planned in gather_runs([run_toml]):
        judge_and_print(planned, HowToJudge())
    return 0
