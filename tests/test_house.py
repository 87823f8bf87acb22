"""The packages stand in the order of the flow, as the contributors' map has them; public names say
what they are; the front door is small; importing changes nothing."""

from __future__ import annotations

import ast
import importlib
import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

import xrdfilm

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


def test_long_modules_say_why_they_are_long() -> None:
    silent = []
    for file in sorted((ROOT / "xrdfilm").rglob("*.py")):
        text = file.read_text(encoding="utf-8")
        said = ast.get_docstring(ast.parse(text)) or ""
        if text.count("\n") > 400 and "Over 400 lines: " not in said:
            silent.append(str(file.relative_to(ROOT)))
    assert silent == []


# ---------------------------------------------------------------------------------- docstrings

Defined = ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
ARRAYS = re.compile(r"\b(?:Float|Int|Bool|Complex|Any)Array\b|\bArrayLike\b|\bNDArray\b")
EXTENT = r"(?:\.\.\.|\d|[A-Za-z]\w?(?:_\w+)?)(?:[-+]\d+)?"
SHAPE = re.compile(rf"\({EXTENT},(?: ?{EXTENT},?)*\)|\bshapes?\b|\bbroadcasts?\b")


def modules() -> Iterator[tuple[str, ast.Module]]:
    """Each public module of the package, by its path."""
    for file in sorted((ROOT / "xrdfilm").rglob("*.py")):
        if file.name.startswith("_") and file.name != "__init__.py":
            continue
        yield file.relative_to(ROOT).as_posix(), ast.parse(file.read_text(encoding="utf-8"))


def public(
    inside: ast.Module | ast.ClassDef, above: tuple[str, ...]
) -> Iterator[tuple[str, Defined, tuple[str, ...]]]:
    """Public classes, functions and methods, with the docstrings of what they stand in."""
    for node in inside.body:
        if isinstance(node, Defined) and not node.name.startswith("_"):
            yield node.name, node, above
            if isinstance(node, ast.ClassDef):
                said = (*above, ast.get_docstring(node) or "")
                yield from ((f"{node.name}.{name}", *rest) for name, *rest in public(node, said))


def takes_arrays(node: Defined) -> bool:
    """Whether a function has array parameters, or a class array fields."""
    if isinstance(node, ast.ClassDef):
        stated = [item.annotation for item in node.body if isinstance(item, ast.AnnAssign)]
    else:
        given = node.args
        arguments = (*given.posonlyargs, *given.args, *given.kwonlyargs)
        stated = [item.annotation for item in arguments if item.annotation is not None]
    return any(
        ARRAYS.search(re.sub(r"Callable\[\[.*?\], \w+\]", "", ast.unparse(annotation)))
        for annotation in stated
    )


def test_every_public_name_has_a_docstring() -> None:
    bare = [path for path, module in modules() if not ast.get_docstring(module)]
    for path, module in modules():
        bare += [f"{path}: {name}" for name, node, _ in public(module, ())
                 if not ast.get_docstring(node)]  # fmt: skip
    assert bare == []


def test_docstrings_of_arrays_give_their_shapes() -> None:
    """`shape (N,)` and the like, in the docstring itself, its class's or its module's."""
    silent = []
    for path, module in modules():
        for name, node, above in public(module, (ast.get_docstring(module) or "",)):
            said = " ".join((*above, ast.get_docstring(node) or ""))
            if takes_arrays(node) and not SHAPE.search(said):
                silent.append(f"{path}: {name}")
    assert silent == []


# ---------------------------------------------------------------------------------- front door


def front_door() -> dict[str, str]:
    """The names that `xrdfilm` promises to type checkers, and the modules they come from."""
    tree = ast.parse((ROOT / "xrdfilm/__init__.py").read_text(encoding="utf-8"))
    return {
        name.name: node.module or ""
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom)
        for name in node.names
        if (node.module or "").startswith("xrdfilm.")
    }


def test_front_door_is_small_and_leads_where_type_checkers_think() -> None:
    assert {name: f"xrdfilm.{home}" for name, home in xrdfilm._HOMES.items()} == front_door()
    assert ["__version__", *xrdfilm._HOMES] == xrdfilm.__all__
    assert 15 <= len(xrdfilm._HOMES) <= 30
    for name, home in front_door().items():
        assert getattr(xrdfilm, name) is getattr(importlib.import_module(home), name)
    assert set(xrdfilm._HOMES) <= set(dir(xrdfilm))
    with pytest.raises(AttributeError, match="no attribute 'read_scans'"):
        _ = xrdfilm.read_scans


def test_front_door_stands_in_the_reference() -> None:
    page = (ROOT / "docs/reference/python.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| \[`(\w+)`\]", page, re.M)
    assert sorted(rows) == sorted(xrdfilm._HOMES)
    for name in rows:
        assert f"from xrdfilm import {name}\n" in page


def test_users_code_goes_through_the_front_door_and_the_package_does_not() -> None:
    doors = front_door()
    around = []
    for file in sorted((ROOT / "examples").glob("*.py")):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom):
                around += [f"{file.name} takes {name.name} from {node.module}"
                           for name in node.names if doors.get(name.name) == node.module]  # fmt: skip
    assert around == []
    inside = [str(file) for file, _, name in imports() if name in doors]
    assert [file for file in inside if not file.endswith("xrdfilm/__init__.py")] == []


# ------------------------------------------------------------------------------- what importing does

IMPORT_ALL = """
import logging, os, pkgutil, signal, sys, threading, warnings
before = dict(os.environ), signal.getsignal(signal.SIGINT), logging.getLogger().handlers[:]
done = []

def told(owner, name):
    own = getattr(owner, name)
    def watched(*a, **k):
        asked = sys._getframe(1).f_globals.get("__name__", "")
        if asked.startswith("xrdfilm"):
            done.append(f"{asked} calls {name}")
        return own(*a, **k)
    setattr(owner, name, watched)

for name in ("simplefilter", "filterwarnings"):
    told(warnings, name)
for name in ("basicConfig", "disable", "captureWarnings"):
    told(logging, name)
for name in ("addHandler", "setLevel"):
    told(logging.Logger, name)
import matplotlib, numpy
told(matplotlib, "use")
told(matplotlib.RcParams, "__setitem__")
for name in ("seterr", "set_printoptions"):
    told(numpy, name)
import xrdfilm
for module in pkgutil.walk_packages(xrdfilm.__path__, "xrdfilm."):
    if module.name != "xrdfilm.__main__":
        __import__(module.name)
after = dict(os.environ), signal.getsignal(signal.SIGINT), logging.getLogger().handlers[:]
done += [f"{a} became {b}" for a, b in zip(before, after) if a != b]
done += [f"thread {t.name}" for t in threading.enumerate() if t is not threading.main_thread()]
done += ["pyplot is loaded"] * ("matplotlib.pyplot" in sys.modules)
print("\\n".join(done), end="")
"""


def run_python(code: str, folder: Path, **environment: str) -> str:
    """What a fresh interpreter prints, at home in an empty folder."""
    home = folder / "home"
    home.mkdir()
    kept = {"PATH": os.environ["PATH"], "HOME": str(home), "PYTHONDONTWRITEBYTECODE": "1"}
    kept |= {"MPLCONFIGDIR": str(folder), "PYTHONWARNINGS": "error::SyntaxWarning", **environment}
    done = subprocess.run([sys.executable, "-c", code], cwd=home, env=kept, check=False,
                          capture_output=True, text=True)  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert list(home.rglob("*")) == [], "something was written"
    return done.stdout


def test_importing_every_module_has_no_side_effects(tmp_path: Path) -> None:
    assert run_python(IMPORT_ALL, tmp_path) == ""


def test_importing_the_package_loads_nothing_heavy(tmp_path: Path) -> None:
    code = "import sys; old = set(sys.modules); import xrdfilm; print(set(sys.modules) - old)"
    assert ast.literal_eval(run_python(code, tmp_path)) <= {"xrdfilm", "__future__"}


def test_types_ship_with_the_package() -> None:
    assert (ROOT / "xrdfilm/py.typed").is_file()
