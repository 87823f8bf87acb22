"""Writes the reference pages from the code they describe, so that they cannot drift from it.

    python docs/make_reference.py            # write docs/reference/*.md
    python docs/make_reference.py --check    # say which pages are stale; exit status 1

A test runs the check.
"""

from __future__ import annotations

import importlib
import inspect
import json
import re
import sys
import types
import typing
from pathlib import Path
from typing import Any, Literal

import click
from pydantic import BaseModel

HERE = Path(__file__).parent
MADE = "<!-- made from the code by docs/make_reference.py; do not edit -->\n"

PUBLIC: dict[str, tuple[str, ...]] = {
    "Reading scans": (
        "xrdfilm.readers.read_scan",
        "xrdfilm.scan.Scan",
        "xrdfilm.scan.Finding",
        "xrdfilm.simulate.files.write_scan",
    ),
    "Whole runs": (
        "xrdfilm.runs.gather.gather_runs",
        "xrdfilm.runs.gather.PlannedRun",
        "xrdfilm.runs.judge.judge_run",
        "xrdfilm.runs.judge.JudgedRun",
        "xrdfilm.report.write.write_report",
        "xrdfilm.runs.workers.Processes",
        "xrdfilm.runs.cluster.Cluster",
    ),
    "One film": (
        "xrdfilm.runfile.read_run_file",
        "xrdfilm.runfile.RunFile",
        "xrdfilm.analysis.premises.premises_of",
        "xrdfilm.analysis.film.FilmInput",
        "xrdfilm.analysis.side_scans.SideScans",
        "xrdfilm.analysis.film.analyse_films",
        "xrdfilm.analysis.film.FilmAnalysis",
        "xrdfilm.analysis.record.film_record",
    ),
    "Figures and decisions": (
        "xrdfilm.estimate.Estimate",
        "xrdfilm.decision.quantities.quantities_of",
        "xrdfilm.decision.limits.read_limit_file",
        "xrdfilm.decision.limits.parse_limits",
        "xrdfilm.decision.limits.decide",
        "xrdfilm.decision.limits.Decision",
        "xrdfilm.decision.rejudge.rejudged",
    ),
    "Results": (
        "xrdfilm.results.read_results",
        "xrdfilm.results.RunResult",
        "xrdfilm.results.Quantity",
        "xrdfilm.results.json_schema",
    ),
    "Crystals, optics, stacks": (
        "xrdfilm.crystal.load_phase",
        "xrdfilm.crystal.phase_from_cif",
        "xrdfilm.crystal.phase_keys",
        "xrdfilm.crystal.line_list",
        "xrdfilm.crystal.radiation.radiation",
        "xrdfilm.crystal.radiation.own_radiation",
        "xrdfilm.crystal.attenuation.linear_attenuation_per_cm",
        "xrdfilm.intensity.optics.Optics",
        "xrdfilm.intensity.stack.Layer",
        "xrdfilm.intensity.stack.Stack",
        "xrdfilm.linemap.line_map.line_map",
    ),
    "The intensity model": (
        "xrdfilm.intensity.model.Orientation",
        "xrdfilm.intensity.model.c_axis",
        "xrdfilm.intensity.model.a_axis",
        "xrdfilm.intensity.model.random",
        "xrdfilm.intensity.model.aligned_00l",
        "xrdfilm.intensity.model.aligned_111",
        "xrdfilm.intensity.model.line_strengths",
        "xrdfilm.intensity.window.window_random",
        "xrdfilm.intensity.window.window_aligned",
    ),
    "Single steps": (
        "xrdfilm.fitting.background.broad_background",
        "xrdfilm.fitting.engine.fit_windows",
        "xrdfilm.fitting.detection.fit_at_places",
        "xrdfilm.fitting.detection.decision_area",
        "xrdfilm.fitting.detection.detection_area",
        "xrdfilm.lattice.alignment.align",
        "xrdfilm.lattice.cell.refine_cell",
        "xrdfilm.lattice.standard.measure_instrument",
        "xrdfilm.texture.orientation.estimate_orientation",
        "xrdfilm.texture.tilt.tilt_scan_orientation",
        "xrdfilm.texture.rocking.rocking_curve",
        "xrdfilm.texture.azimuth.azimuth_scan",
        "xrdfilm.fluoride.estimate.estimate_fluoride",
    ),
    "Series and planning": (
        "xrdfilm.kinetics.observe.observe_run",
        "xrdfilm.kinetics.outcome.evaluate",
        "xrdfilm.kinetics.ratelaw.rate_law",
        "xrdfilm.planning.speed.GrowthFigures",
        "xrdfilm.planning.speed.plan_speed",
    ),
    "History, trends, reels": (
        "xrdfilm.history.open_history",
        "xrdfilm.history.History",
        "xrdfilm.trend.analyse.trend_of",
        "xrdfilm.trend.reel_of_run.reel_of_run",
    ),
    "Simulation": (
        "xrdfilm.simulate.SimulatedFilm",
        "xrdfilm.simulate.simulate_scan",
        "xrdfilm.simulate.simulate_rocking",
        "xrdfilm.simulate.simulate_azimuth",
        "xrdfilm.simulate.simulate_tilt",
        "xrdfilm.simulate.fluoride",
    ),
    "Errors": (
        "xrdfilm.errors.XrdfilmError",
        "xrdfilm.errors.ScanFormatError",
        "xrdfilm.errors.RunFileError",
        "xrdfilm.errors.LimitFileError",
        "xrdfilm.errors.PhaseError",
        "xrdfilm.errors.StackError",
        "xrdfilm.errors.AlignmentError",
        "xrdfilm.errors.CannotTellError",
    ),
}
"""The names that users' scripts may rest on, by purpose; those that `xrdfilm` itself offers are its
front door."""


def resolve(dotted: str) -> Any:
    """The object of a dotted name; raises ImportError or AttributeError."""
    parts = dotted.split(".")
    for cut in range(len(parts), 0, -1):
        try:
            found: Any = importlib.import_module(".".join(parts[:cut]))
        except ModuleNotFoundError as problem:
            if problem.name is None or not dotted.startswith(problem.name):
                raise
            continue
        for name in parts[cut:]:
            found = getattr(found, name)
        return found
    raise ModuleNotFoundError(dotted)


# ---------------------------------------------------------------------------------- commands


def commands_page() -> str:
    """Every command with its `--help` text."""
    from xrdfilm.cli import COMMANDS, cli

    out = [
        "# Commands",
        "",
        "What `--help` prints, command by command. Exit status: 0 all well (for `judge`: every "
        "film passes), 1 some film failed, 2 usage or unreadable input, 3 none failed but some "
        "are undecided.",
        "",
        "| command | what it does |",
        "|---|---|",
        *(f"| [`{name}`](#{name}) | {what} |" for name, what in COMMANDS.items()),
        "",
    ]
    context = click.Context(cli, info_name="xrdfilm")
    for name in COMMANDS:
        command = cli.get_command(context, name)
        assert command is not None
        out += [f"## {name}", "", *_help(command, f"xrdfilm {name}")]
        if isinstance(command, click.Group):
            inner = click.Context(command, info_name=f"xrdfilm {name}")
            for sub in command.list_commands(inner):
                child = command.get_command(inner, sub)
                assert child is not None
                out += [f"### {name} {sub}", "", *_help(child, f"xrdfilm {name} {sub}")]
    return "\n".join(out)


def _help(command: click.Command, name: str) -> list[str]:
    context = click.Context(command, info_name=name, max_content_width=88, terminal_width=88)
    return ["```text", command.get_help(context).rstrip(), "```", ""]


# ------------------------------------------------------------------------------- toml models


def run_toml_page() -> str:
    """The keys of run.toml, from the models that read it."""
    from xrdfilm import runfile

    head = [
        "# run.toml",
        "",
        "What is stated of a run, in its folder. Every table may be left out; a run file without "
        "`[[film]]` or `[films]` stands for all scans beside it. Unknown keys are refused with "
        "the nearest known one. Values override one another in this order: the film's own, the "
        "run's, the scan's header, the default. Angles are degrees, shares 0 to 1.",
        "",
        "```toml",
        _EXAMPLE_RUN.strip(),
        "```",
        "",
    ]
    tables = _model_tables(runfile.RunFile, "")
    return "\n".join([*head, *tables, *_where_nothing_is_stated()])


def _where_nothing_is_stated() -> list[str]:
    """The defaults that are no property of a key, and are told in every report."""
    from xrdfilm.analysis import premises as p

    rows = (
        ("anode", "that of the scan's header, else Cu"),
        ("divergence_deg, with a fixed slit", f"{p.DEFAULT_DIVERGENCE_DEG:g}"),
        ("axial_acceptance_deg", f"{p.DEFAULT_AXIAL_DEG:g}, with 10 % of doubt"),
        ("instrument_fwhm_deg", f"{p.DEFAULT_INSTRUMENT_FWHM_DEG:g}"),
        (
            "thickness_nm",
            f"{p.DEFAULT_THICKNESS_NM:g}, with {100 * p.DEFAULT_THICKNESS_UNCERTAINTY:g} % of doubt",
        ),
        (
            "c_axis_mosaic_deg",
            f"{p.DEFAULT_MOSAIC_ON_CRYSTAL_DEG:g} on a crystal, "
            f"{p.DEFAULT_MOSAIC_ON_TAPE_DEG:g} on tape (common practice, no source), off by "
            "`mosaic_factor` either way",
        ),
        ("a_axis_mosaic_deg, fluoride_mosaic_deg", "that of c-axis grains"),
    )
    return [
        "## Where nothing is stated",
        "",
        "Each of these that was used is listed in the report as assumed.",
        "",
        "| not stated | taken |",
        "|---|---|",
        *(f"| {what} | {taken} |" for what, taken in rows),
        "",
    ]


_EXAMPLE_RUN = """
[run]
id = "N-0412"
date = 2031-03-04

[recipe]                        # keys are yours; numbers are trended
line = "north"
growth_temperature_C = 780
water_vapour_mbar = 23

[optics]
anode = "Cu"
divergence_deg = 0.5
axial_acceptance_deg = 2.3
axial = "apertures"
step_time_s = 1.0

[stack]
film = "YBCO"
thickness_nm = 800
substrate = "Ni-5W"
buffers = [                     # top to bottom
  { phase = "CeO2", thickness_nm = 75 },
  { phase = "La2Zr2O7", thickness_nm = 200 },
]

[limits]
file = "limits.toml"

[[film]]
id = "N-0412-01"
position_m = 1.5
coupled = "p001.xy"
rocking = { hkl = [0, 0, 5], file = "w005.xy" }

[film.tilt]                     # the same, as a table of its own
hkl = [1, 0, 2]
file = "chi102.xy"
azimuth = "spinning"
two_theta_acceptance_deg = 0.8
"""


def limits_toml_page() -> str:
    """The keys of limits.toml."""
    from xrdfilm.decision import limits

    head = [
        "# limits.toml",
        "",
        "The written limits that a run is judged by. [How to set limits](../limits.md) says what "
        "to put in; [Quantities](quantities.md) lists what can be limited.",
        "",
    ]
    return "\n".join(head + _model_tables(limits.LimitFile, ""))


def _model_tables(model: type[BaseModel], path: str, seen: set[str] | None = None) -> list[str]:
    """Sections of a model and of the models in it: keys, types, defaults, meanings."""
    seen = set() if seen is None else seen
    plain: list[str] = []
    inner: list[tuple[str, type[BaseModel], bool]] = []
    for name, info in model.model_fields.items():
        below = _model_in(info.annotation)
        many = _holds_many(info.annotation)
        dotted = f"{path}.{name}" if path else name
        if below is not None:
            inner.append((dotted, below, many))
            if path:
                plain.append(_row(name, info, f"table [{dotted}](#{_anchor(below)})"))
        else:
            plain.append(_row(name, info, _type(info.annotation, info.metadata)))
    out: list[str] = []
    if not path:  # a table of free keys has no model: it becomes a section of its own
        for name, info in model.model_fields.items():
            if typing.get_origin(info.annotation) is dict:
                plain = [row for row in plain if not row.startswith(f"| `{name}`")]
                kind = _type_words(info.annotation).removeprefix("by name: ")
                said = _sentence(info.description or "")
                out += [f"## `[{name}]`", "", f"{said}. Each value: {kind}.", ""]
    if plain:
        out += ["| key | type | default | meaning |", "|---|---|---|---|", *plain, ""]
    for dotted, below, many in inner:
        if below.__name__ in seen:
            continue
        seen.add(below.__name__)
        text = (below.__doc__ or "").strip()
        text = re.sub(r"^\[+[^\]]*\]+:\s*", "", text.split("\n\n")[0].replace("\n", " "))
        top = "." not in dotted
        brackets = ("[[", "]]") if many and top else ("[", "]") if top else ("", "")
        title = f"`{brackets[0]}{dotted}{brackets[1]}`"
        out += [f"({_anchor(below)})=", f"## {title}", "", _sentence(text), ""]
        out += _model_tables(below, dotted, seen)
    return out


def _anchor(model: type[BaseModel]) -> str:
    return re.sub(r"(?<!^)(?=[A-Z])", "-", model.__name__).lower()


def _sentence(text: str) -> str:
    return text if text.startswith("results.json") else text[:1].upper() + text[1:]


def _row(name: str, info: Any, kind: str) -> str:
    if info.is_required():
        default = "required"
    else:
        value = info.get_default(call_default_factory=True)
        default = (
            "" if value in (None, (), {}, "") or isinstance(value, BaseModel) else _shown(value)
        )
    return f"| `{name}` | {kind} | {default} | {_cell(info.description or '')} |"


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    return f"`{value:g}`" if isinstance(value, float) else f"`{value}`"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


def _model_in(annotation: Any) -> type[BaseModel] | None:
    """The model that an annotation holds, alone or in a tuple, a list, a dict or a union."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for argument in typing.get_args(annotation):
        found = _model_in(argument)
        if found is not None:
            return found
    return None


def _holds_many(annotation: Any) -> bool:
    origin = typing.get_origin(annotation)
    if origin in (tuple, list):
        return True
    return any(
        _holds_many(a)
        for a in typing.get_args(annotation)
        if origin in (types.UnionType, typing.Union)
    )


def _type(annotation: Any, metadata: list[Any]) -> str:
    words = _type_words(annotation)
    bounds = []
    for item in metadata:
        for attribute, sign in (
            ("gt", "over"),
            ("ge", "at least"),
            ("lt", "under"),
            ("le", "at most"),
        ):
            bound = getattr(item, attribute, None)
            if bound is not None:
                bounds.append(f"{sign} {bound:g}")
    return _cell(f"{words}, {', '.join(bounds)}" if bounds else words)


_WORDS = {
    "float": "number", "int": "whole number", "str": "text", "bool": "true or false",
    "date": "day", "NoneType": "", "Any": "any",
}  # fmt: skip


def _type_words(annotation: Any) -> str:
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is Literal:
        return ", ".join(f'`"{a}"`' for a in arguments)
    if origin in (types.UnionType, typing.Union):
        return " or ".join(w for w in (_type_words(a) for a in arguments) if w)
    if origin is tuple and arguments[-1] is Ellipsis:
        return f"list of {_type_words(arguments[0])}"
    if origin is tuple:
        return "[" + ", ".join(_type_words(a) for a in arguments) + "]"
    if origin is list:
        return f"list of {_type_words(arguments[0])}"
    if origin is dict:
        return f"by name: {_type_words(arguments[1])}"
    name = getattr(annotation, "__name__", str(annotation))
    return _WORDS.get(name, name)


# --------------------------------------------------------------------------------- results


def results_json_page() -> str:
    """The fields of results.json, from its schema."""
    from xrdfilm import results

    out = [
        "# results.json",
        "",
        'One object a run, schema `"xrdfilm/1"`. The same fields stand in films.csv with dots for '
        "nesting (`orientation.a_axis.value`), and in `RunResult.to_frame()`. The JSON schema "
        "(draft 2020-12) ships with the package: `xrdfilm.results.schema_path`. Later versions "
        "only add optional fields under this schema name.",
        "",
        "A quantity's `value` is null exactly when only a limit can be given on one side; then "
        "`low` or `high` is the limit, and the other end the quantity's bound.",
        "",
    ]
    order = [results.RunResult, *_models_below(results.RunResult)]
    for model in dict.fromkeys(order):
        out += [f"({_anchor(model)})=", f"## {_title(model)}", ""]
        out += [_sentence((model.__doc__ or "").strip().split("\n\n")[0].replace("\n", " ")), ""]
        out += ["| field | type | meaning |", "|---|---|---|"]
        for name, info in model.model_fields.items():
            below = _model_in(info.annotation)
            words = _type_words(info.annotation)
            if below is not None:
                words = words.replace(below.__name__, f"[{_title(below)}](#{_anchor(below)})")
            if _may_be_none(info.annotation):
                words += ", or null"
            out.append(
                f"| `{info.alias or name}` | {_cell(words)} | {_cell(info.description or '')} |"
            )
        out.append("")
    return "\n".join(out)


def _title(model: type[BaseModel]) -> str:
    return {"RunResult": "The whole file"}.get(
        model.__name__, re.sub(r"(?<!^)(?=[A-Z])", " ", model.__name__)
    )


def _models_below(model: type[BaseModel]) -> list[type[BaseModel]]:
    found: list[type[BaseModel]] = []
    for info in model.model_fields.values():
        below = _model_in(info.annotation)
        if below is not None:
            found += [below, *_models_below(below)]
    return found


def _may_be_none(annotation: Any) -> bool:
    return type(None) in typing.get_args(annotation)


# ------------------------------------------------------------------------------ vocabularies


def findings_page() -> str:
    """The findings about a scan."""
    from xrdfilm.readers.scan_findings import FINDINGS

    titles = {
        "noted": "Noted: a figure could be misread without it",
        "repaired": "Repaired: the scan was put right",
        "flagged": "Flagged: a figure may be poor",
        "refused": "Refused: no scan",
    }
    out = [
        "# Findings about a scan",
        "",
        "What `xrdfilm look` and the reports say of a file: the code, what it means, what to do.",
        "`xrdfilm look --codes` prints the same list.",
        "",
    ]
    for action in dict.fromkeys(kind.action for kind in FINDINGS.values()):
        out += [
            f"## {titles.get(action, action)}",
            "",
            "| code | meaning | what to do |",
            "|---|---|---|",
        ]
        for code, kind in FINDINGS.items():
            if kind.action == action:
                out.append(f"| `{code}` | {_cell(kind.meaning)} | {_cell(kind.remedy)} |")
        out.append("")
    return "\n".join(out)


def flags_page() -> str:
    """The flags of fitted lines."""
    from xrdfilm.fitting.flags import FLAGS

    return "\n".join(
        [
            "# Flags of fitted lines",
            "",
            "The `flags` of a line in results.json, with the short text of tables and the long "
            "one of sheets.",
            "",
            "| code | short | meaning |",
            "|---|---|---|",
            *(f"| `{code}` | {flag.short} | {_cell(flag.text)} |" for code, flag in FLAGS.items()),
            "",
        ]
    )


def quantities_page() -> str:
    """The quantities that a limit can name."""
    from xrdfilm.decision.quantities import QUANTITIES

    out = [
        "# Quantities",
        "",
        "What `quantity` in limits.toml, `xrdfilm trend` and `xrdfilm explain --quantity` can "
        "name. Limits are written in the record's unit: shares as 0 to 1, not percent. "
        "`PHASE_detected` stands for any reference phase, such as `BaCeO3_detected`: `max = 0` "
        "forbids it, `min = 1` asks for it. [What each number means](../meaning.md) says how far "
        "to trust them.",
        "",
    ]
    for kind, title, text in (
        ("film", "Of the film", "Beyond its limit the film fails."),
        ("scan", "Of the scan", "Beyond its limit the scan is too poor to judge by: undecided."),
    ):
        out += [f"## {title}", "", text, ""]
        out += ["| quantity | what it is | bounds | what narrows it where counting does not |"]
        out += ["|---|---|---|---|"]
        for spec in QUANTITIES.values():
            if spec.kind != kind:
                continue
            unit = f", shown in {spec.unit}" if spec.unit else ""
            low, high = spec.bounds
            bounds = (
                "" if low is None else f"{low:g} and up" if high is None else f"{low:g} to {high:g}"
            )
            out.append(f"| `{spec.name}` | {spec.label}{unit} | {bounds} | {spec.settled_by} |")
        out.append("")
    return "\n".join(out)


def phases_page() -> str:
    """The reference phases."""
    from xrdfilm.crystal import load_phase, phase_keys

    out = [
        "# Phases",
        "",
        "The structures that ship with the package. **Verified**: cell and free coordinates were "
        "read in a public text; **memory**: anything less, and an absolute amount that rests on "
        "such a structure inherits its doubt. `xrdfilm phases NAME` shows atoms, sources and "
        "lines; a phase of your own comes in by `[[phase]]` in run.toml or `--phase-file`.",
        "",
        "| key | formula | role | space group | a, b, c / Å | standing |",
        "|---|---|---|---|---|---|",
    ]
    for key in sorted(phase_keys(), key=str.lower):
        phase = load_phase(key)
        cell = phase.cell
        edges = ", ".join(f"{edge:.4f}" for edge in (cell.a_A, cell.b_A, cell.c_A))
        out.append(
            f"| `{key}` | {phase.formula} | {phase.role} | {phase.space_group} | {edges} | "
            f"{phase.standing} |"
        )
    return "\n".join([*out, ""])


# -------------------------------------------------------------------------------------- API


def python_page() -> str:
    """The public names with their signatures and docstrings."""
    out = [
        "# Python",
        "",
        "The names that scripts may rest on. Everything is typed; angles are degrees in names "
        "that end in `_deg`, other units stand in the names too, shares are 0 to 1, areas are "
        "counts·deg of 2θ with K-alpha1 and K-alpha2 together. Results are frozen; `None` means "
        "not measured.",
        "",
        "## The front door",
        "",
        "What `from xrdfilm import ...` offers; each name is loaded when it is first asked for.",
        "",
        "| name | what it is |",
        "|---|---|",
        *(_front_row(dotted) for names in PUBLIC.values() for dotted in names if is_front(dotted)),
        "",
        "## All names",
        "",
        "The rest is imported from its module, which stands with each name below.",
        "",
    ]
    for title, names in PUBLIC.items():
        out += [f"- {title}: " + ", ".join(f"[`{n.rpartition('.')[2]}`](#{_id(n)})" for n in names)]
    out.append("")
    for title, names in PUBLIC.items():
        out += [f"## {title}", ""]
        for dotted in names:
            found = resolve(dotted)
            out += [f"({_id(dotted)})=", f"### `{dotted.rpartition('.')[2]}`", ""]
            out += ["```text", _signature(dotted, found), "```", ""]
            out += [*_docstring(found), ""]
    return "\n".join(out)


def is_front(dotted: str) -> bool:
    """Whether `xrdfilm` itself offers the name."""
    import xrdfilm

    home, _, name = dotted.rpartition(".")
    return name in xrdfilm.__all__ and xrdfilm._HOMES[name] == home.removeprefix("xrdfilm.")


def _front_row(dotted: str) -> str:
    said = (inspect.getdoc(resolve(dotted)) or "").split("\n\n")[0].replace("\n", " ")
    first = re.split(r"[.;] |\.$", said.replace("``", "`"))[0]
    return f"| [`{dotted.rpartition('.')[2]}`](#{_id(dotted)}) | {_escape(_cell(first))} |"


def _id(dotted: str) -> str:
    return "api-" + dotted.removeprefix("xrdfilm.").replace(".", "-").replace("_", "-").lower()


def _signature(dotted: str, found: Any) -> str:
    module = inspect.getmodule(found)
    where = "xrdfilm" if is_front(dotted) else dotted.rpartition(".")[0]
    if inspect.isclass(found) and issubclass(found, BaseException):
        base = found.__mro__[1].__name__
        return f"from {where} import {found.__name__}\n\n{found.__name__}({base})"
    if inspect.isclass(found) and issubclass(found, BaseModel):
        return f"from {where} import {found.__name__}\n\n{found.__name__}: a model; its fields are those of the file"
    try:
        signature = inspect.signature(found)
    except ValueError:
        return f"from {where} import {found.__name__}\n\n{found.__name__}"
    parameters = list(signature.parameters.values())
    if parameters and parameters[0].name == "self":
        parameters = parameters[1:]
    lines, star = [], False
    for item in parameters:
        if item.kind is item.KEYWORD_ONLY and not star:
            lines.append("*")
            star = True
        annotation = "" if item.annotation is item.empty else f": {_plain(item.annotation)}"
        default = "" if item.default is item.empty else f" = {_default(item.default)}"
        lines.append(f"{item.name}{annotation}{default}")
    result = signature.return_annotation
    arrow = "" if result in (signature.empty, None, "None") else f" -> {_plain(result)}"
    name = found.__name__
    one = f"{name}({', '.join(lines)}){arrow}"
    if len(one) > 92:
        one = f"{name}(\n    " + ",\n    ".join(lines) + f",\n){arrow}"
    assert module is not None
    return f"from {where} import {found.__name__}\n\n{one}"


def _plain(annotation: Any) -> str:
    text = (
        annotation
        if isinstance(annotation, str)
        else getattr(annotation, "__name__", str(annotation))
    )
    return re.sub(r"\b[a-z_]+\.(?=[A-Za-z_])", "", str(text))


def _default(value: Any) -> str:
    if "factory" in repr(value).lower():
        return "…"
    text = repr(value)
    return text if len(text) < 40 else "…"


def _docstring(found: Any) -> list[str]:
    """A docstring as Markdown: double backticks become single, indented blocks stay code."""
    text = inspect.getdoc(found) or ""
    text = text.replace("``", "`")
    lines = []
    for paragraph in text.split("\n\n"):
        section = re.match(r"(\w+)\n-{3,}\n", paragraph)
        if section:
            lines += [f"{section[1]}:", "", *_terms(paragraph[section.end() :]), ""]
        elif paragraph.startswith("    ") or paragraph.startswith(">>>"):
            lines += ["```text", inspect.cleandoc(paragraph), "```", ""]
        else:
            lines += [_escape(paragraph), ""]
    return lines[:-1]


def _terms(text: str) -> list[str]:
    """A section's entries as a list: the name, then what it means."""
    out: list[str] = []
    for line in text.split("\n"):
        if line.startswith(" "):
            out[-1] += " " + _escape(line.strip())
        else:
            out.append(f"- `{line}`:")
    return out


def _escape(text: str) -> str:
    parts = text.split("`")
    parts[::2] = [re.sub(r"([*<>\[\]])", r"\\\1", part) for part in parts[::2]]
    return "`".join(parts)


# --------------------------------------------------------------------------------- together

PAGES = {
    "commands.md": commands_page,
    "run-toml.md": run_toml_page,
    "limits-toml.md": limits_toml_page,
    "results-json.md": results_json_page,
    "quantities.md": quantities_page,
    "findings.md": findings_page,
    "flags.md": flags_page,
    "phases.md": phases_page,
    "python.md": python_page,
}


def page_text(name: str) -> str:
    """The text that a page should have now."""
    return MADE + "\n" + PAGES[name]().rstrip() + "\n"


def coverage_table() -> str:
    """The counts of docs/calibration.json as a table."""
    rows = json.loads((HERE / "calibration.json").read_text(encoding="utf-8"))["coverage"]
    lines = [
        "| figure | case | truth in its 95 % interval | of | command |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| {r['group']} | {r['what']} | {100 * r['held']:.1f} % | {r['of']} | `{r['command']}` |"
        for r in rows
    ]
    return "\n".join(lines)


def alarms_table() -> str:
    """False alarms, misses and wrong verdicts of docs/calibration.json as a table."""
    rows = json.loads((HERE / "calibration.json").read_text(encoding="utf-8"))["alarms"]
    lines = ["| what | stated | found | of | command |", "|---|---|---|---|---|"]
    lines += [
        f"| {r['what']} | {r['stated']} | {r['found']} | {r['of']} | `{r['command']}` |"
        for r in rows
    ]
    return "\n".join(lines)


TABLES = {"calibration.md": {"coverage": coverage_table, "alarms": alarms_table}}
"""Pages written by hand with tables made from data, between their marks."""


def filled(name: str) -> str:
    """The text that a page with tables should have now."""
    text = (HERE / name).read_text(encoding="utf-8")
    for mark, table in TABLES[name].items():
        head, _, rest = text.partition(f"<!-- table: {mark} -->\n")
        _, _, tail = rest.partition("<!-- end -->")
        text = f"{head}<!-- table: {mark} -->\n\n{table()}\n\n<!-- end -->{tail}"
    return text


def current() -> dict[Path, str]:
    """Every made page with the text that it should have now."""
    made = {HERE / "reference" / name: page_text(name) for name in PAGES}
    return made | {HERE / name: filled(name) for name in TABLES}


def stale() -> list[str]:
    """Names of pages that differ from the code."""
    return [
        path.relative_to(HERE.parent).as_posix()
        for path, text in current().items()
        if not path.is_file() or path.read_text(encoding="utf-8") != text
    ]


def main() -> int:
    """Write the pages, or check them."""
    if "--check" in sys.argv[1:]:
        old = stale()
        for name in old:
            print(f"stale: {name}; run python docs/make_reference.py")
        return 1 if old else 0
    (HERE / "reference").mkdir(exist_ok=True)
    for path, text in current().items():
        path.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
