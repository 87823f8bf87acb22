"""The command line: a list of commands, each loaded only when it is asked for.

Exit status: 0 all well (for `judge`: all films pass), 1 some film failed, 2 usage or unreadable
input, 3 none failed but some are undecided.
"""

from __future__ import annotations

import importlib
import sys

import click

from xrdfilm import __version__

# name -> what it does; the code is in xrdfilm/commands/<name>.py, an object called `command`
COMMANDS = {
    "demo": "Write a run of invented films, judge it, and say where the report lies.",
    "look": "Show what was understood of a scan file.",
    "judge": "Judge films against a limit file and write the report.",
    "report": "Make a report anew from results.json, by other limits if wanted.",
    "trend": "Follow quantities over the runs; map which metres of a reel may ship.",
    "history": "Keep, list, check and exchange the judged runs of the line.",
    "series": "Follow conversion against time: growth models, rate, incubation, end.",
    "plan": "Plan line speed, counting times, and account for the HF of a line.",
    "phases": "Reference lines of a phase; usable lines of a stack.",
    "explain": "Show how the figures of a result came about.",
    "simulate": "Write a simulated scan with its truth.",
}


class LazyGroup(click.Group):
    """A group whose commands are imported one at a time, so that help starts at once."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands, in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of this name, imported now, or None."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"xrdfilm.commands.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Start with: xrdfilm demo",
)
@click.version_option(__version__, prog_name="xrdfilm")
def cli() -> None:
    """Turn X-ray diffraction scans of superconducting oxide films into decisions."""


def main() -> None:
    """Entry point of the console script: errors leave as one sentence, without a traceback."""
    from xrdfilm.errors import XrdfilmError

    try:
        status = cli.main(standalone_mode=False)
    except click.ClickException as problem:
        problem.show()
        sys.exit(2)
    except click.exceptions.Exit as leaving:
        sys.exit(leaving.exit_code)
    except click.Abort:
        click.echo("stopped", err=True)
        sys.exit(130)
    except XrdfilmError as problem:
        click.echo(f"Error: {problem}", err=True)
        sys.exit(2)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    sys.exit(status if isinstance(status, int) else 0)
