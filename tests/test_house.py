"""The packages stand in the order of the flow, as the contributors' map has them."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[1]
SHARED = ("_typing", "errors", "numbers", "safety", "estimate", "lines", "scan", "results")
STATED = ("adjustments", "tomlfile", "readers", "runfile")


def flow() -> list[set[str]]:
    """Names in the map of DEVELOPERS.md, row by row; what is in one row may use each other."""
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = [set(SHARED), *({name} for name in STATED)]
    for first in re.findall(r"^\| ((?:`[\w/]+`(?:, )?)+) \|", guide.split("## Map")[1], re.M):
        names = {name.rstrip("/") for name in re.findall(r"`([\w/]+)`", first)}
        if names - {"readers"} and all(
            (ROOT / "xrdfilm" / n).exists() for n in names - {"demo", "cli"}
        ):
            rows.append(names)
    return rows


def imports() -> Iterator[tuple[Path, str, str]]:
    """File, the part of the package it is in, and the part it imports from."""
    package = ROOT / "xrdfilm"
    for file in sorted(package.rglob("*.py")):
        own = file.relative_to(package).parts[0].removesuffix(".py")
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.ImportFrom) or not node.module:
                continue
            if node.module == "xrdfilm":
                yield from ((file, own, name.name) for name in node.names)
            elif node.module.startswith("xrdfilm."):
                yield file, own, node.module.split(".")[1]


def test_every_package_is_on_the_map() -> None:
    told = set().union(*flow())
    packages = {p.parent.name for p in (ROOT / "xrdfilm").glob("*/__init__.py")}
    assert packages - told == set()


def test_no_module_looks_downstream() -> None:
    at = {name: i for i, row in enumerate(flow()) for name in row}
    wrong = [
        f"{file.relative_to(ROOT)} uses {other}"
        for file, own, other in imports()
        if own in at and other in at and at[other] > at[own]
    ]
    assert wrong == []


def test_no_module_imports_a_private_name_of_another_package() -> None:
    wrong = []
    for file in sorted((ROOT / "xrdfilm").rglob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("xrdfilm."):
                wrong += [
                    f"{file.relative_to(ROOT)} takes {name.name} from {node.module}"
                    for name in node.names
                    if name.name.startswith("_") and not name.name.startswith("__")
                ]
    assert wrong == []
