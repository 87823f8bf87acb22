"""The command line as a whole: help, lazy loading, exit status, errors without a traceback."""

import subprocess
import sys

import pytest
from click.testing import CliRunner

from xrdfilm.cli import COMMANDS, cli, top_help


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name: str) -> None:
    result = CliRunner().invoke(cli, [name, "--help"])
    assert result.exit_code == 0
    assert "Example" in result.output
    assert f"xrdfilm {name}" in result.output


def test_help_lists_every_command() -> None:
    result = CliRunner().invoke(cli, ["--help"])
    for name in COMMANDS:
        assert f"\n  {name} " in result.output


@pytest.mark.parametrize("columns", [30, 60, 71, 80, 100, 200])
def test_quick_help_is_the_help(columns: int) -> None:
    width = max(min(columns, 100) - 2, 50)  # what click makes of a terminal's columns
    result = CliRunner().invoke(cli, ["--help"], prog_name="xrdfilm", terminal_width=width)
    assert top_help(columns) + "\n" == result.output


def test_quick_help_loads_next_to_nothing() -> None:
    code = (
        "import sys\n"
        "before = set(sys.modules)\n"
        "from xrdfilm.cli import main\n"
        "sys.argv = ['xrdfilm', '--help']\n"
        "main()\n"
        "print('loaded', sorted(set(sys.modules) - before))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    shown, _, loaded = done.stdout.partition("loaded ")
    assert shown == top_help() + "\n"
    assert len(loaded.split(",")) < 12
    assert "click" not in loaded


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "xrdfilm", *words], capture_output=True, text=True, check=False
    )


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys\n"
        "from click.testing import CliRunner\n"
        "from xrdfilm.cli import cli\n"
        "assert CliRunner().invoke(cli, ['--help']).exit_code == 0\n"
        "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'pydantic', 'rich'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_a_wrong_command_and_a_wrong_flag_are_usage_errors() -> None:
    for words in (["jugde"], ["judge", "--no-such-flag"], ["judge"]):
        done = run(*words)
        assert done.returncode == 2
        assert "Traceback" not in done.stderr


def test_a_missing_path_is_one_sentence() -> None:
    done = run("judge", "no-such-folder")
    assert done.returncode == 2
    assert done.stderr.strip() == "Error: no-such-folder: no such file or folder"


def test_a_mistyped_command_is_met_with_the_nearest() -> None:
    done = run("judg", "demo")
    assert done.returncode == 2
    assert "Did you mean 'judge'?" in done.stderr
    far = run("qqqq")
    assert far.returncode == 2
    assert "Did you mean" not in far.stderr


def test_every_option_says_what_it_does() -> None:
    import click

    from xrdfilm.cli import cli

    def silent(command: click.Command, name: str) -> list[str]:
        found = [
            f"{name} {option.opts[0]}"
            for option in command.params
            if isinstance(option, click.Option) and not option.help and not option.hidden
        ]
        if isinstance(command, click.Group):
            inner = click.Context(command)
            for sub in command.list_commands(inner):
                child = command.get_command(inner, sub)
                assert child is not None
                found += silent(child, f"{name} {sub}")
        return found

    assert silent(cli, "xrdfilm") == []
