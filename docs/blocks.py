"""Runs the code blocks of README and docs, as a reader would, and compares what they print.

    python docs/blocks.py                    # run all pages; print what differs
    python docs/blocks.py docs/start.md      # some pages
    python docs/blocks.py --update           # write what the commands print into the pages

Kinds of block:

- ``console``: lines after ``$`` are commands: `xrdfilm ...`, `python FILE`, `cd`, `ls`, `cat`,
  `mkdir`, `cp`, and `echo $?` for the last exit status. What follows is what they print; ``...`` stands
  for anything, figures may differ in their last digits. A command with nothing below it is run,
  must not end with status 2, and is not compared.
- ``python``: run in one namespace a page, in the page's folder.
- ``toml``: must be a valid run.toml or limits.toml, or part of one; where a file is named after the
  kind, it is written. ``json`` must be JSON.
- ``sh``: installing; its lines may only be of the kinds in `INSTALLING`, and are not run.
- ``text``, or indented: formulas and drawings.

Every page starts in a folder of its own that holds the demo, not yet judged, as ``demo``.
"""

from __future__ import annotations

import contextlib
import difflib
import io
import json
import os
import re
import shlex
import shutil
import sys
import tempfile
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
KINDS = ("console", "python", "toml", "json", "sh", "text")
INSTALLING = (
    r"python3? -m venv \S+",
    r"\. \S+/bin/activate",
    r"(\S+/)?(python -m )?pip install .+",
    r"\.venv/bin/xrdfilm demo",
    r"make( \w+)+",
    r"git clone .+",
    r"cd \S+",
    r"dask (scheduler|worker)( \S+)*",
)
_FENCE = re.compile(r"^```(\S*)([^\n]*)\n(.*?)^```\s*$", re.DOTALL | re.MULTILINE)
_NUMBER = re.compile(r"[-−+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


@dataclass(frozen=True, slots=True)
class Block:
    """A fenced block: its kind, the file it is, its text, its first line, where its text lies."""

    kind: str
    file: str
    text: str
    line: int
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Step:
    """A command of a console block, and what is written to follow it ("" for nothing)."""

    command: str
    printed: str


def pages() -> list[Path]:
    """README, DEVELOPERS and all pages of the site."""
    top = [ROOT / name for name in ("README.md", "DEVELOPERS.md")]
    site = sorted(p for p in (ROOT / "docs").rglob("*.md") if "_build" not in p.parts)
    return [p for p in top if p.is_file()] + site


def blocks_of(text: str) -> list[Block]:
    """The fenced blocks of a page."""
    return [
        Block(m[1], m[2].strip(), m[3], text.count("\n", 0, m.start()) + 1, m.start(3), m.end(3))
        for m in _FENCE.finditer(text)
    ]


def steps_of(text: str) -> list[Step]:
    """The commands of a console block; a trailing backslash goes on with the next line."""
    steps: list[Step] = []
    lines = iter(text.splitlines())
    for line in lines:
        if line.startswith("$ "):
            command = line[2:]
            while command.endswith("\\"):
                command = command[:-1] + next(lines).strip()
            steps.append(Step(command, ""))
        elif steps:
            last = steps[-1]
            steps[-1] = Step(last.command, last.printed + line + "\n")
        elif line.strip():
            raise ValueError(f"a console block must start with a command ($ ...): {line!r}")
    return steps


class Page:
    """A page being run, in its own folder."""

    def __init__(self, path: Path, folder: Path) -> None:
        self.path = path
        self.text = path.read_text(encoding="utf-8")
        self.here = folder
        self.status = 0
        self.names: dict[str, object] = {"__name__": "__page__"}
        self.problems: list[str] = []

    def run(self) -> str:
        """Run all blocks; returns the page with what its commands printed."""
        out, at = [], 0
        for block in blocks_of(self.text):
            out.append(self.text[at : block.start])
            try:
                out.append(self._run(block))
            except Exception as problem:
                self._complain(block, f"{type(problem).__name__}: {problem}")
                out.append(block.text)
            at = block.end
        return "".join(out) + self.text[at:]

    def _complain(self, block: Block, what: str) -> None:
        inside = self.path.is_relative_to(ROOT)
        name = self.path.relative_to(ROOT).as_posix() if inside else self.path.name
        self.problems.append(f"{name}:{block.line}: {what}")

    def _run(self, block: Block) -> str:
        if block.kind == "console":
            return self._console(block)
        if block.kind == "python":
            with contextlib.chdir(self.here), contextlib.redirect_stdout(io.StringIO()):
                code = compile(block.text, f"{self.path.name}:{block.line}", "exec")
                exec(code, self.names)
        elif block.kind == "toml":
            check_toml(block.text)
            if block.file:
                (self.here / block.file).write_text(block.text, encoding="utf-8")
        elif block.kind == "json":
            json.loads(block.text)
        elif block.kind == "sh":
            for line in block.text.splitlines():
                line = line.split("  #")[0].strip()
                if line and not any(re.fullmatch(p, line) for p in INSTALLING):
                    self._complain(block, f"not a line for an sh block: {line!r}; use console")
        elif block.kind != "text" and not block.kind.startswith("{"):  # {…}: for the site
            self._complain(block, f"block of kind {block.kind!r}; use one of {', '.join(KINDS)}")
        return block.text

    def _console(self, block: Block) -> str:
        out: list[str] = []
        written = re.split(r"^(?=\$ )", block.text, flags=re.MULTILINE)
        for step, source in zip(steps_of(block.text), [w for w in written if w], strict=True):
            printed = self._command(step.command)
            head = source[: len(source) - len(step.printed)]
            if self.status == 2 and not step.printed.strip():
                self._complain(block, f"$ {step.command}\nfails: {printed}")
            if not step.printed.strip() or same(step.printed, printed):
                out.append(source)
            else:
                told = "\n".join(
                    difflib.unified_diff(
                        step.printed.splitlines(),
                        printed.splitlines(),
                        "page",
                        "now",
                        lineterm="",
                        n=1,
                    )
                )
                self._complain(block, f"$ {step.command}\n{told}")
                out.append(head + _tidy(printed))
        return "".join(out)

    def _command(self, command: str) -> str:
        words = shlex.split(command, comments=True)
        inner = {
            "cd": self._cd,
            "ls": self._ls,
            "cat": self._cat,
            "mkdir": self._mkdir,
            "cp": self._cp,
        }
        if words[0] == "xrdfilm":
            return self._xrdfilm(words[1:])
        if words == ["echo", "$?"]:
            return f"{self.status}\n"
        if words[0] in inner:
            return inner[words[0]](*words[1:])
        if words[0] == "python":
            return self._python(words[1:])
        raise ValueError(f"a console block cannot run {words[0]!r}")

    def _cd(self, folder: str) -> str:
        self.here = (self.here / folder).resolve(strict=True)
        return ""

    def _ls(self, folder: str = ".") -> str:
        names = sorted(p.name + ("/" if p.is_dir() else "") for p in (self.here / folder).iterdir())
        return "  ".join(names) + "\n"

    def _cat(self, name: str) -> str:
        return (self.here / name).read_text(encoding="utf-8")

    def _cp(self, *names: str) -> str:
        *sources, target = names
        for name in sources:
            shutil.copy(self.here / name, self.here / target)
        return ""

    def _mkdir(self, *names: str) -> str:
        for name in names:
            if name != "-p":
                (self.here / name).mkdir(parents=True, exist_ok=True)
        return ""

    def _python(self, words: list[str]) -> str:
        import runpy

        script = ROOT / words[0]
        sys.path.insert(0, str(script.parent))
        try:
            with self._as_program([str(script), *words[1:]]) as printed:
                runpy.run_path(str(script), run_name="__main__")
        finally:
            sys.path.remove(str(script.parent))
        return printed.getvalue()

    def _xrdfilm(self, words: list[str]) -> str:
        from xrdfilm.cli import main

        with self._as_program(["xrdfilm", *words]) as printed:
            main()
        return printed.getvalue()

    @contextlib.contextmanager
    def _as_program(self, argv: list[str]) -> Iterator[io.StringIO]:
        """In the page's folder, with these arguments and an 88 columns wide terminal."""
        printed = io.StringIO()
        before, columns = sys.argv, os.environ.get("COLUMNS")
        history = os.environ.get("XRDFILM_HISTORY")
        sys.argv = argv
        os.environ["COLUMNS"] = "88"
        os.environ["XRDFILM_HISTORY"] = str(self.here / "history.sqlite")
        self.status = 0
        try:
            with (
                contextlib.chdir(self.here),
                contextlib.redirect_stdout(printed),
                contextlib.redirect_stderr(printed),
            ):
                yield printed
        except SystemExit as leaving:
            self.status = leaving.code if isinstance(leaving.code, int) else int(bool(leaving.code))
        finally:
            sys.argv = before
            for name, value in (("COLUMNS", columns), ("XRDFILM_HISTORY", history)):
                if value is None:
                    os.environ.pop(name, None)
                else:
                    os.environ[name] = value


def check_toml(text: str) -> None:
    """Raises where this is no part of a run.toml or a limits.toml."""
    from xrdfilm.decision.limits import parse_limits
    from xrdfilm.runfile import RunFile

    if "limit" in tomllib.loads(text):
        parse_limits(text)
    else:
        RunFile.model_validate(tomllib.loads(text))


def _tidy(text: str) -> str:
    return "\n".join(line.rstrip() for line in text.rstrip().splitlines()) + "\n"


def same(page: str, now: str) -> bool:
    """Equal but for spaces, for ``...`` in the page, and for the last digits of figures."""
    told, found = _plain(page), _plain(now)
    parts = [_NUMBER.sub("\0", part.strip()) for part in told.split("...")]
    number = f"({_NUMBER.pattern})"
    pattern = ".*?".join(re.escape(part).replace(re.escape("\0"), number) for part in parts)
    match = re.fullmatch(r"\s*" + pattern.replace(r"\ ", r"\s+") + r"\s*", found, re.DOTALL)
    figures = [n for part in told.split("...") for n in _NUMBER.findall(part)]
    return match is not None and all(
        _near(a, b) for a, b in zip(figures, match.groups(), strict=True)
    )


def _plain(text: str) -> str:
    """The text without the lines of tables, spaces made single."""
    return " ".join(re.sub(r"[─━-]{3,}|[│┃┏┓┡┩┗┛└┘┳┴╇┬├┤┐┌]", "", text).split())


def _near(page: str, now: str) -> bool:
    if "." not in page and "." not in now and len(page) < 3:
        return page == now
    a, b = (float(x.replace("−", "-")) for x in (page, now))
    digits = len(page.partition(".")[2]) if "." in page else 0
    return abs(a - b) <= max(0.05 * abs(a), 2.0 * 10.0**-digits)


def run_page(path: Path, demo: Path) -> tuple[list[str], str]:
    """Run a page in a fresh folder with a copy of the demo; its problems, and its text as it
    should be."""
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder).resolve()
        if demo.is_dir():
            shutil.copytree(demo, here / "demo")
        page = Page(path, here)
        text = page.run()
        return page.problems, text


def main() -> int:
    """Run pages and tell what differs."""
    from xrdfilm.demo import write_demo

    update = "--update" in sys.argv
    chosen = [Path(a).resolve() for a in sys.argv[1:] if not a.startswith("-")] or pages()
    found: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        write_demo(Path(folder) / "demo")
        for path in chosen:
            problems, text = run_page(path, Path(folder) / "demo")
            found += problems
            if update and text != path.read_text(encoding="utf-8"):
                path.write_text(text, encoding="utf-8")
    print("\n\n".join(found))
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
