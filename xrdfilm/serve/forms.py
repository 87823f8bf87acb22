"""From the statement form to run.toml and back: the same models check both, in the same words.

A field's name is its path in run.toml ("optics.divergence_deg"). What the form does not show of a
run file that was dropped (own phases, events, references) is kept as it is.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import tomli_w
from pydantic import BaseModel

from xrdfilm.decision.limits import LimitFile
from xrdfilm.errors import LimitFileError, RunFileError
from xrdfilm.runfile import AssumptionTable, OpticsTable, RunFile, RunTable, StackTable
from xrdfilm.scan_keys import ScanTable
from xrdfilm.tomlfile import parse_model

TABLES: dict[str, tuple[type[BaseModel], str]] = {
    "stack": (StackTable, "Stack"),
    "run": (RunTable, "Run"),
    "optics": (OpticsTable, "Optics"),
    "assumptions": (AssumptionTable, "Assumptions where no scan tells"),
    "scan": (ScanTable, "Reading the scan files, where their headers err or are silent"),
}
_ELSEWHERE = {("stack", "buffers"), ("optics", "standard_scan"), ("run", "history")}
_KEPT = (("optics", "standard_scan"), ("run", "history"))
"""Keys without a field of their own, kept as a dropped run file had them."""

MOST_ROWS = 2000


@dataclass(frozen=True, slots=True)
class Field:
    """One field of the form: its path, what it is, what it may be, and what it shows."""

    name: str
    label: str
    unit: str
    help: str
    kind: Literal["text", "number", "choice", "yes_no", "date"]
    value: str
    choices: tuple[str, ...] = ()
    default: str = ""


_UNITS = {"nm": "nm", "mm": "mm", "deg": "°", "A": "Å", "s": "s", "min": "min", "C": "°C"}


def fields_of(table: str, data: Mapping[str, Any]) -> list[Field]:
    """The fields of one table of run.toml, with what ``data`` (the whole file) states."""
    model, _ = TABLES[table]
    stated = data.get(table) or {}
    found = []
    for name, info in model.model_fields.items():
        if (table, name) in _ELSEWHERE:
            continue
        kind, choices = _kind_of(info.annotation)
        unit = _UNITS.get(name.rsplit("_", 1)[-1], "") if kind == "number" else ""
        label = name.rsplit("_", 1)[0] if unit else name
        default = "" if info.default in (None, False) else shown(info.default)
        value = stated.get(name)
        found.append(
            Field(
                f"{table}.{name}",
                _words(label),
                unit,
                info.description or "",
                kind,
                "" if value is None else columns_text(value) if name == "columns" else shown(value),
                choices,
                default,
            )
        )
    return found


def _words(name: str) -> str:
    """A key as a label: "c_axis_mosaic" is "c-axis mosaic"."""
    words = name.replace("_", " ")
    for plain, written in (
        ("2theta", "2θ"),
        ("k alpha1", "Kα1"),
        ("fwhm", "FWHM"),
        ("c axis", "c-axis"),
        ("a axis", "a-axis"),
        ("a normal", "a-normal"),
    ):
        words = words.replace(plain, written)
    return words


def _kind_of(
    annotation: Any,
) -> tuple[Literal["text", "number", "choice", "yes_no", "date"], tuple[str, ...]]:
    parts = [p for p in get_args(annotation) if p is not type(None)]
    inner = parts[0] if get_origin(annotation) is not Literal and parts else annotation
    if get_origin(inner) is Literal:
        return "choice", tuple(str(choice) for choice in get_args(inner))
    if inner is bool:
        return "yes_no", ()
    if inner in (int, float) and str not in parts:
        return "number", ()
    if getattr(inner, "__name__", "") == "date":
        return "date", ()
    return "text", ()


def shown(value: Any) -> str:
    """A value of run.toml as the form shows it."""
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list | tuple):
        return " ".join(shown(item) for item in value)
    return str(value)


def number_or_text(text: str) -> Any:
    """A number where it is one (a decimal comma is one too), else the text, for the check."""
    plain = text.strip()
    if re.fullmatch(r"[+-]?\d+", plain):
        return int(plain)
    try:
        value = float(plain.replace(",", ".") if plain.count(",") == 1 else plain)
    except ValueError:
        return plain
    return value


def indices(text: str) -> Any:
    """Miller indices from "0 0 5", "005" or "0,0,5"; what is none stays text, for the check."""
    plain = text.strip().strip("()[]")
    if re.fullmatch(r"\d{3}", plain):
        return [int(c) for c in plain]
    parts = re.split(r"[\s,;]+", plain)
    return [number_or_text(part) for part in parts] if plain else plain


def data_from_form(form: Mapping[str, str], kept: Mapping[str, Any]) -> dict[str, Any]:
    """The run file that a posted form states; ``kept`` is the one before, for what is not shown."""
    data: dict[str, Any] = {key: value for key, value in kept.items() if key not in TABLES}
    for table, (model, _) in TABLES.items():
        before = kept.get(table) or {}
        values = {name: before[name] for at, name in _KEPT if at == table and name in before}
        for name, info in model.model_fields.items():
            text = form.get(f"{table}.{name}", "").strip()
            if not text:
                continue
            kind, _ = _kind_of(info.annotation)
            values[name] = _READ[name](text) if name in _READ else _value(kind, text)
        if values:
            data[table] = values
    buffers = buffers_from(form)
    if buffers:
        data.setdefault("stack", {})["buffers"] = buffers
    recipe = recipe_from(form.get("recipe", ""))
    data.pop("recipe", None)
    if recipe:
        data["recipe"] = recipe
    return data


def columns_from(text: str) -> list[Any]:
    """Columns from "1, 3" or "Angle; Counts": places are whole numbers, all else are names."""
    parts = text.split(";" if ";" in text else ",")
    return [place_or_name(part) for part in parts]


def columns_text(columns: Sequence[Any]) -> str:
    """Columns as the form shows them."""
    names = [str(column) for column in columns]
    return ("; " if any("," in name for name in names) else ", ").join(names)


def place_or_name(text: str) -> Any:
    """A whole number as a place, all else as a name."""
    plain = text.strip().strip('"')
    return int(plain) if plain.isdecimal() and plain.isascii() else plain


_READ: dict[str, Callable[[str], Any]] = {"columns": columns_from, "which": place_or_name}
"""Fields of mixed kind, by name."""


def _value(kind: str, text: str) -> Any:
    if kind == "number":
        return number_or_text(text)
    if kind == "yes_no":
        return text == "yes"
    if kind == "date":
        try:
            return tomllib.loads(f"d = {text}")["d"] if "\n" not in text else text
        except tomllib.TOMLDecodeError:
            return text
    return text


def rows_of(form: Mapping[str, str], prefix: str) -> list[int]:
    """Numbers of the rows whose fields begin with ``prefix``."""
    pattern = re.compile(re.escape(prefix) + r"\.(\d{1,4})\.")
    found = {int(match.group(1)) for name in form if (match := pattern.match(name))}
    return sorted(found)[:MOST_ROWS]


def buffers_from(form: Mapping[str, str]) -> list[dict[str, Any]]:
    """The buffer layers, top to bottom; rows without a phase are no layers."""
    found: list[dict[str, Any]] = []
    for i in rows_of(form, "buffer"):
        phase = form.get(f"buffer.{i}.phase", "").strip()
        if phase:
            layer: dict[str, Any] = {"phase": phase}
            thickness = form.get(f"buffer.{i}.thickness_nm", "").strip()
            if thickness:
                layer["thickness_nm"] = number_or_text(thickness)
            found.append(layer)
    return found


def recipe_from(text: str) -> dict[str, Any]:
    """The recipe's lines ``name = value``; RunFileError names the line that is none."""
    found: dict[str, Any] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        name, equals, value = line.partition("=")
        if not equals or not name.strip():
            raise RunFileError(
                f"recipe: line {number} is not 'name = value', found {line.strip()[:80]!r}",
                path=Path("run.toml"),
            )
        plain = value.strip().strip('"')
        found[name.strip().strip('"')] = (
            plain == "true" if plain in ("true", "false") else number_or_text(plain)
        )
    return found


def recipe_text(data: Mapping[str, Any]) -> str:
    """The recipe as the form shows it."""
    return "\n".join(
        f"{name} = {str(value).lower() if isinstance(value, bool) else shown(value)}"
        for name, value in (data.get("recipe") or {}).items()
    )


def films_from(
    form: Mapping[str, str], files: Sequence[str], before: Iterable[Mapping[str, Any]]
) -> list[dict[str, Any]]:
    """The ``[[film]]`` tables that the form's table of files states, in the order of the files.

    What a film of the run file before had beyond the form (time, recipe, how its scans are to be
    read, defocus curve) is kept.
    """
    old = {str(film.get("id")): dict(film) for film in before}
    films: dict[str, dict[str, Any]] = {}
    for i in rows_of(form, "file"):
        name = form.get(f"file.{i}.name", "")
        use = form.get(f"file.{i}.use", "")
        if name not in files or use not in ("coupled", "rocking", "azimuth", "tilt"):
            continue
        film_id = form.get(f"file.{i}.film", "").strip() or Path(name).stem
        rest = {
            k: v
            for k, v in old.get(film_id, {}).items()
            if k in ("time_min", "recipe", "position_m", "scan")
        }
        film = films.setdefault(film_id, {"id": film_id, **rest})
        position = form.get(f"file.{i}.position_m", "").strip()
        if use == "coupled":
            if "coupled" in film:
                raise RunFileError(
                    f"film {film_id}: two coupled scans ({film['coupled']} and {name}); give each "
                    "scan a film of its own",
                    path=Path("run.toml"),
                )
            film["coupled"] = name
            film.pop("position_m", None)
            if position:
                film["position_m"] = number_or_text(position)
            continue
        scan: dict[str, Any] = _scan_before(old.get(film_id, {}), use, name)
        scan |= {"hkl": indices(form.get(f"file.{i}.hkl", "")), "file": name}
        if use == "tilt":
            scan["azimuth"] = form.get(f"file.{i}.azimuth", "") or "spinning"
            film["tilt"] = scan
        else:
            film.setdefault(use, []).append(scan)
    return list(films.values())


def _scan_before(film: Mapping[str, Any], use: str, name: str) -> dict[str, Any]:
    scans = film.get(use) or []
    for scan in scans if isinstance(scans, list) else [scans]:
        if scan.get("file") == name:
            return dict(scan)
    return {}


def limits_from_form(form: Mapping[str, str], kept: Mapping[str, Any]) -> dict[str, Any]:
    """The limit file that the form states; empty where it holds no limit."""
    limits: list[dict[str, Any]] = []
    for i in rows_of(form, "limit"):
        quantity = form.get(f"limit.{i}.quantity", "").strip()
        if not quantity:
            continue
        row: dict[str, Any] = {"quantity": quantity}
        for name in ("min", "max", "risk"):
            text = form.get(f"limit.{i}.{name}", "").strip()
            if text:
                row[name] = number_or_text(text)
        grade = [g.strip() for g in form.get(f"limit.{i}.grade", "").split(";") if g.strip()]
        if grade:
            row["grade"] = grade[0] if len(grade) == 1 else grade
        note = form.get(f"limit.{i}.note", "").strip()
        if note:
            row["note"] = note
        limits.append(row)
    if not limits:
        return {}
    data = {key: value for key, value in kept.items() if key not in ("limit", "risk")}
    risk = form.get("risk", "").strip()
    if risk:
        data["risk"] = number_or_text(risk)
    return {**data, "limit": limits}


def toml_text(data: Mapping[str, Any]) -> str:
    """TOML of plain data, tables in the order of the models."""
    order = list(RunFile.model_fields)
    keys = sorted(data, key=lambda key: order.index(key) if key in order else len(order))
    return tomli_w.dumps({key: data[key] for key in keys})


def checked_run_file(text: str) -> RunFile:
    """The text as a run file; raises RunFileError in the words of `xrdfilm judge`."""
    return parse_model(RunFile, text, Path("run.toml"), RunFileError)


def checked_limits(text: str, phases: Sequence[str]) -> LimitFile:
    """The text as a limit file; raises LimitFileError in the words of `xrdfilm judge`."""
    from xrdfilm.decision.limits import parse_limits

    return parse_limits(text, Path("limits.toml"), phases=phases)


def complaints(problem: RunFileError | LimitFileError) -> list[str]:
    """One sentence a fault; the line stands in the file the form makes, so it stays."""
    return str(problem).splitlines()
