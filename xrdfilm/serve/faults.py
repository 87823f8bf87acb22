"""What is wrong with a posted statement, found at once and told at the field it stands in.

Two kinds: values that the models of run.toml and limits.toml refuse, and statements that are
written well but cannot be: an unknown phase, layers or optics that contradict themselves, a
reflection that the phase does not have, a file that was not dropped.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from xrdfilm.analysis.premises import Premises, load_user_phases, premises_of
from xrdfilm.analysis.side_scans import place_of
from xrdfilm.crystal import load_phase
from xrdfilm.decision.limits import LimitFile
from xrdfilm.errors import PhaseError, XrdfilmError
from xrdfilm.runfile import RunFile

Place = tuple[str | int, ...]
"""Keys and indices down to a value of run.toml or limits.toml."""

_SIDE = ("rocking", "azimuth", "tilt")


@dataclass(frozen=True, slots=True)
class Fault:
    """A sentence about a value, and the place of the value."""

    place: Place
    text: str


def refused_values(model: type[BaseModel], data: Mapping[str, Any]) -> tuple[Fault, ...]:
    """What a model refuses of plain data."""
    try:
        model.model_validate(data)
    except ValidationError as problem:
        return tuple(Fault(_plain(e["loc"]), _words(e)) for e in problem.errors())
    return ()


def _words(error: Mapping[str, Any]) -> str:
    if error["type"] == "missing":
        return "is missing"
    words = str(error["msg"]).removeprefix("Value error, ")
    return words[:1].lower() + words[1:]


def _plain(loc: Place) -> Place:
    """A place without the tags that pydantic puts in for the members of a union."""
    return tuple(part for part in loc if isinstance(part, int) or re.fullmatch(r"\w+", part))


def impossible(run_file: RunFile, folder: Path) -> tuple[Fault, ...]:
    """What a well-written run file states that cannot be; its files lie in ``folder``."""
    try:
        phases = load_user_phases(run_file, folder)
    except XrdfilmError as problem:
        return (Fault(("phase",), str(problem)),)
    if unknown_phases(run_file.model_dump(), phases):
        return ()  # told before; the stack cannot be laid out to look further
    found = [*_missing_files(run_file, folder)]
    try:
        premises = premises_of(run_file, None, phases)
    except XrdfilmError as problem:
        text = str(problem)
        table = "stack" if re.search(r"layer|powder|substrate|sample_length", text) else "optics"
        return (*found, Fault((table,), f"{table}: {text}"))
    return (*found, *_absent_reflections(run_file, premises))


def unknown_phases(data: Mapping[str, Any], own: Collection[str]) -> tuple[Fault, ...]:
    """Phases that a run file names and nobody knows, also where other values are wrong.

    ``data`` is the run file as plain data, ``own`` the names of its own phases.
    """
    stack, optics = data.get("stack") or {}, data.get("optics") or {}
    named: list[tuple[Place, Any]] = [
        (("stack", "film"), stack.get("film")),
        (("stack", "substrate"), stack.get("substrate")),
    ]
    for at, layer in enumerate(stack.get("buffers") or ()):
        named.append((("stack", "buffers", at, "phase"), layer.get("phase")))
    if optics.get("standard"):
        named.append((("optics", "standard_phase"), optics.get("standard_phase")))
    found: list[Fault] = []
    for place, key in named:
        if not isinstance(key, str) or not key or key in own:
            continue
        try:
            load_phase(key)
        except PhaseError as problem:
            names = ".".join(str(part) for part in place if isinstance(part, str))
            found.append(Fault(place, f"{names}: {str(problem).partition(' (`')[0]}"))
    return tuple(found)


def _angle_scans(run_file: RunFile) -> Iterator[tuple[Place, Any]]:
    for at, film in enumerate(run_file.film):
        for use, scans in (("rocking", film.rocking_scans), ("azimuth", film.azimuth_scans)):
            yield from ((("film", at, use, n), scan) for n, scan in enumerate(scans))


def _missing_files(run_file: RunFile, folder: Path) -> Iterator[Fault]:
    for table, name in (
        ("optics", "standard"),
        ("reference", "unconverted"),
        ("reference", "finished"),
    ):
        file = getattr(getattr(run_file, table), name)
        if file is not None and not (folder / file).is_file():
            yield Fault((table, name), f"{table}.{name}: no such file was dropped: {file}")


def _absent_reflections(run_file: RunFile, premises: Premises) -> Iterator[Fault]:
    scans = list(_angle_scans(run_file))
    scans += [
        (("film", at, "tilt"), film.tilt) for at, film in enumerate(run_file.film) if film.tilt
    ]
    for place, scan in scans:
        key = getattr(scan, "phase", None)
        try:
            place_of(premises, premises.phase(key) if key else premises.film, scan.hkl)
        except XrdfilmError as problem:
            yield Fault((*place, "hkl"), f"{scan.file}: {problem}")


def fields_of_run(
    faults: Sequence[Fault], data: Mapping[str, Any], files: Sequence[str]
) -> dict[str, str]:
    """By field of the form what is wrong; ``files`` in the order of the form's rows."""
    found: dict[str, str] = {}
    for fault in faults:
        for name in _fields(fault, data, list(files)):
            found.setdefault(name, fault.text)
    return found


def _fields(fault: Fault, data: Mapping[str, Any], files: list[str]) -> Iterator[str]:
    place = fault.place
    if place[:2] == ("stack", "buffers"):
        if len(place) > 3:
            yield f"buffer.{place[2]}.{place[3]}"
    elif place[:1] == ("film",) and len(place) > 2:
        yield from _field_of_film(place, data, files)
    elif len(place) > 1:
        yield f"{place[0]}.{place[1]}"
    elif place:
        # the table as a whole: the keys that the sentence names
        model = RunFile.model_fields[str(place[0])].annotation
        known = getattr(model, "model_fields", {})
        words = re.findall(r"[A-Za-z0-9_]+", fault.text)
        yield from (f"{place[0]}.{word}" for word in words if word in known)


def _field_of_film(place: Place, data: Mapping[str, Any], files: list[str]) -> Iterator[str]:
    film = data["film"][place[1]]
    use = place[2]
    if use in _SIDE:
        scans = film.get(use) or []
        at = next((part for part in place[3:] if isinstance(part, int)), 0)
        scan = scans[at] if isinstance(scans, list) else scans
        file = scan.get("file")
        key = "azimuth" if place[-1] == "azimuth" else "hkl"
    else:
        file, key = film.get("coupled"), "position_m" if use == "position_m" else "film"
    if file in files:
        yield f"file.{files.index(file)}.{key}"


def fields_of_limits(data: Mapping[str, Any], sentences: Sequence[str]) -> dict[str, str]:
    """By field of the form's limits what is wrong: from the model, else the quantity's row."""
    faults = refused_values(LimitFile, data)
    found: dict[str, str] = {}
    for fault in faults:
        if fault.place[:1] == ("limit",) and len(fault.place) > 1:
            key = fault.place[2] if len(fault.place) > 2 else "quantity"
            found.setdefault(f"limit.{fault.place[1]}.{key}", fault.text)
        elif fault.place[:1] == ("risk",):
            found.setdefault("risk", fault.text)
    if not faults and sentences:
        for at, row in enumerate(data.get("limit") or []):
            if str(row.get("quantity")) in sentences[0]:
                found[f"limit.{at}.quantity"] = sentences[0]
    return found
