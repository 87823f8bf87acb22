"""The commands as a click group, each loaded only when it is asked for."""

from __future__ import annotations

import difflib
import importlib
import sys

import click

from xrdfilm import __version__
from xrdfilm.cli import ABOUT, COMMANDS, START_WITH, WIDEST


class LazyGroup(click.Group):
    """A group whose commands are imported one at a time."""

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

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """The command that is asked for; a mistyped one is met with the nearest name."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError:
            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            if not near or args[0] in COMMANDS:
                raise
            told = f"No such command '{args[0]}'. Did you mean '{near[0]}'?"
            raise click.UsageError(told, ctx) from None

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing any."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=LazyGroup,
    help=ABOUT,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": WIDEST},
    epilog=START_WITH,
)
@click.version_option(__version__, prog_name="xrdfilm")
def cli() -> None:
    """All commands; what it says of itself stands in `xrdfilm.cli`."""


def run() -> int:
    """Run what the command line asks for; the exit status. Errors leave as one sentence."""
    from xrdfilm.errors import XrdfilmError

    try:
        status = cli.main(standalone_mode=False)
    except click.ClickException as problem:
        problem.show()
        return 2
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.Abort:
        click.echo("stopped", err=True)
        return 130
    except XrdfilmError as problem:
        click.echo(f"Error: {problem}", err=True)
        return 2
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    return status if isinstance(status, int) else 0
