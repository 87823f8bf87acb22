"""The command line: the list of commands and the way in.

The commands themselves live in `xrdfilm.commands` and are loaded one at a time, and so is the
library that parses options: the help that lists the commands starts at once.

Exit status: 0 all well (for `judge`: all films pass), 1 some film failed, 2 usage or unreadable
input, 3 none failed but some are undecided.
"""

from __future__ import annotations

import os
import sys

TYPE_CHECKING = False  # as typing's own, whose import would double the start-up time
if TYPE_CHECKING:
    from typing import Any

    from xrdfilm.commands._group import cli

__all__ = ["ABOUT", "COMMANDS", "START_WITH", "WIDEST", "cli", "main", "top_help"]

ABOUT = "Turn X-ray diffraction scans of superconducting oxide films into decisions."
START_WITH = "Start with: xrdfilm demo"
WIDEST = 100  # columns that help fills at most

# name -> what it does; the code is in xrdfilm/commands/<name>.py, an object called `command`
COMMANDS = {
    "demo": "Write and judge a run of invented films; say where the report lies.",
    "look": "Show what was understood of a scan file.",
    "judge": "Judge films against a limit file and write the report.",
    "report": "Make a report anew from results.json, by other limits if wanted.",
    "trend": "Follow quantities over the runs; map which metres of a reel may ship.",
    "history": "Keep, list, check and exchange the judged runs of the line.",
    "series": "Follow conversion against time: growth models, rate, incubation, end.",
    "plan": "Plan line speed, counting times, and account for the HF of a line.",
    "phases": "Reference lines of a phase; usable lines of a stack.",
    "explain": "Show how the figures of a result came about.",
    "serve": "Show runs and films on a local page, and judge scans dropped on it.",
    "watch": "Judge the scans that arrive in a folder.",
    "simulate": "Write a simulated scan with its truth.",
}

_OPTIONS = {"--version": "Show the version and exit.", "-h, --help": "Show this message and exit."}


def __getattr__(name: str) -> Any:
    """``cli``, the click group, loaded when it is first asked for."""
    if name == "cli":
        from xrdfilm.commands._group import cli

        return cli
    raise AttributeError(name)


def top_help(columns: int = 80) -> str:
    """What `xrdfilm --help` prints on a terminal, laid out as click would."""
    width = max(min(columns, WIDEST) - 2, 50)

    def table(rows: dict[str, str]) -> list[str]:
        indent = max(map(len, rows)) + 4
        lines = []
        for name, text in rows.items():
            first, *more = _wrapped(text, width - indent)
            lines.append(f"  {name}".ljust(indent) + first)
            lines += [" " * indent + line for line in more]
        return lines

    about = [f"  {line}" for line in _wrapped(ABOUT, width - 2)]
    lines = ["Usage: xrdfilm [OPTIONS] COMMAND [ARGS]...", "", *about, "", "Options:"]
    lines += [*table(_OPTIONS), "", "Commands:", *table(COMMANDS), "", f"  {START_WITH}"]
    return "\n".join(lines)


def _wrapped(text: str, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".lstrip()
        if len(longer) <= width:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def main() -> None:
    """Entry point of the console script: errors leave as one sentence, without a traceback."""
    if sys.argv[1:] in (["--help"], ["-h"]):
        print(top_help(_columns()))
        return
    from xrdfilm.commands._group import run

    sys.exit(run())


def _columns() -> int:
    """Width of the terminal; 80 where there is none."""
    stated = os.environ.get("COLUMNS", "")
    if stated.isdigit() and int(stated) > 0:
        return int(stated)
    try:
        return os.get_terminal_size(sys.__stdout__.fileno()).columns or 80  # type: ignore[union-attr]
    except (AttributeError, OSError, ValueError):
        return 80
