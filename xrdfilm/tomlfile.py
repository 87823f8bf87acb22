"""TOML files read into checked models, with errors that name the file, the line and the remedy.

Both run.toml and limits.toml go through here: the standard library parses, pydantic checks, and
what it finds is told in one sentence with the line and, for a mistyped key, the near match.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from xrdfilm.errors import LimitFileError, RunFileError

Model = TypeVar("Model", bound=BaseModel)
MAX_BYTES = 4_000_000  # a run file of a thousand films has about 200 kB


def read_toml_text(path: Path, error: type[RunFileError | LimitFileError]) -> str:
    """The file's text; raises ``error`` where it is missing, too large or not UTF-8."""
    if path.is_dir():
        raise error("is a folder; name the file in it", path=path)
    try:
        size = path.stat().st_size
        raw = path.read_bytes() if size <= MAX_BYTES else b""
    except FileNotFoundError:
        raise error("no such file", path=path) from None
    except OSError as problem:
        raise error(f"cannot be read ({problem.strerror})", path=path) from None
    if size > MAX_BYTES:
        raise error(f"is {size} bytes long; at most {MAX_BYTES} are read", path=path)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = raw[: problem.start].count(b"\n") + 1
        raise error("is not UTF-8 text; save it as UTF-8", path=path, line=line) from None


def parse_model(
    model: type[Model], text: str, path: Path, error: type[RunFileError | LimitFileError]
) -> Model:
    """The text as a checked model; raises ``error`` with all that is wrong, each with its line."""
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        found = re.search(r"at line (\d+)", str(problem))
        reason = re.sub(r"\s*\(at .*\)$", "", str(problem))
        raise error(
            f"is not valid TOML: {reason}",
            path=path,
            line=int(found.group(1)) if found else None,
        ) from None
    try:
        return model.model_validate(data)
    except ValidationError as problem:
        complaints = [_complaint(model, text, dict(item)) for item in problem.errors()]
        complaints.sort(key=lambda pair: pair[0] or 0)
        first_line = complaints[0][0]
        rest = [
            f"{path}:{line}: {words}" if line else f"{path}: {words}"
            for line, words in complaints[1:]
        ]
        raise error("\n".join([complaints[0][1], *rest]), path=path, line=first_line) from None


def _complaint(model: type[BaseModel], text: str, item: dict[str, Any]) -> tuple[int | None, str]:
    loc = tuple(part for part in item["loc"] if not str(part).startswith("function-"))
    line = line_of(text, loc)
    where = ".".join(str(part) for part in loc if not isinstance(part, int)) or "the file"
    if item["type"] == "extra_forbidden":
        known = _known_keys(model, loc[:-1])
        near = difflib.get_close_matches(str(loc[-1]), known, n=1, cutoff=0.6)
        table = ".".join(str(part) for part in loc[:-1] if not isinstance(part, int))
        place = f"in [{table}]" if table else "at the top level"
        hint = f"did you mean '{near[0]}'?" if near else f"known: {', '.join(known)}"
        return line, f"unknown key '{loc[-1]}' {place}; {hint}"
    if item["type"] == "missing":
        return line, f"'{where}' is missing"
    message = str(item["msg"]).removeprefix("Value error, ")
    given = item.get("input")
    shown = f", found {given!r}" if isinstance(given, str | int | float | bool) else ""
    return line, f"{where}: {message[0].lower()}{message[1:]}{shown}"


def _known_keys(model: type[BaseModel], loc: tuple[Any, ...]) -> list[str]:
    """Keys allowed in the table at ``loc``, found by walking the models' fields."""
    current: list[type[BaseModel]] = [model]
    for part in loc:
        if isinstance(part, int):
            continue
        following: list[type[BaseModel]] = []
        for candidate in current:
            for name, info in candidate.model_fields.items():
                if part in (name, info.alias):
                    following += _models_in(info.annotation)
        if following:  # union tags in loc name no field; they are passed over
            current = following
    keys: dict[str, None] = {}
    for candidate in current:
        for name, info in candidate.model_fields.items():
            keys[info.alias or name] = None
    return list(keys)


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    found: list[type[BaseModel]] = []
    for argument in getattr(annotation, "__args__", ()):
        found += _models_in(argument)
    return found


def line_of(text: str, loc: tuple[Any, ...]) -> int | None:
    """Line (from 1) where the key at ``loc`` stands, or its table's header, or None.

    A small reader of TOML's layout, for messages only: it follows table headers and counts the
    tables of an array; keys inside inline tables are looked for on their parent's lines.
    """
    names = [str(part) for part in loc if not isinstance(part, int)]
    index = next((part for part in loc if isinstance(part, int)), 0)
    if not names:
        return None
    header = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?")
    table: list[str] = []
    seen: dict[str, int] = {}
    position = 0
    best: tuple[int, int] | None = None  # (depth matched, line)
    for number, line in enumerate(text.splitlines(), start=1):
        found = header.match(line)
        if found:
            name = found.group(2).replace('"', "").replace(" ", "")
            table = name.split(".")
            if found.group(1) == "[[":
                seen[name] = seen.get(name, -1) + 1
                position = seen[name]
            else:
                position = 0
            depth = len(table)
            here = names[:depth] == table and position == index
            if here and (best is None or depth > best[0]):
                best = (depth, number)
            continue
        if table and (names[: len(table)] != table or position != index):
            continue
        rest = names[len(table) :]
        key = re.match(r'^\s*"?([A-Za-z0-9_\-]+)"?\s*[=.]', line)
        if rest and key and key.group(1) == rest[0]:
            depth = len(table) + 1
            if best is None or depth > best[0]:
                best = (depth, number)
    return best[1] if best else None
