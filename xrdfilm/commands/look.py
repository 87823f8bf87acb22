"""`xrdfilm look`: what was understood of a scan file."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import click

from xrdfilm.commands._stated import columns_of, which_of
from xrdfilm.errors import ScanAxisError, ScanFormatError
from xrdfilm.readers.settings import IntensityUnit, Overrides, ReadLimits
from xrdfilm.scan import Axis, Finding, Scan

if TYPE_CHECKING:
    from rich.console import Console

AXIS_WORDS: dict[str, str] = {
    "two_theta": "2θ (coupled scan)",
    "omega": "ω (rocking scan)",
    "phi": "φ (azimuth scan)",
    "chi": "χ (tilt scan)",
    "reflectivity": "2θ at grazing angles (reflectivity)",
    "unknown": "not known",
}
_SIGNS = {"noted": "·", "repaired": "+", "flagged": "!", "refused": "x"}
_COLOURS = {"noted": "dim", "repaired": "green", "flagged": "yellow", "refused": "red"}
_MOST_SHOWN = 8

EXAMPLE = """\b
Examples:
  xrdfilm simulate --film YBCO --substrate SrTiO3 --seed 1 --out film.xy
  xrdfilm look film.xy
  xrdfilm look film.xy --figure film.png
  xrdfilm look export.csv --columns "2Theta,Counts" --unit counts_per_s --step-time-s 0.5
"""


@click.command(name="look", epilog=EXAMPLE)
@click.argument(
    "files", metavar="FILE...", nargs=-1, required=True, type=click.Path(path_type=Path)
)
@click.option("--axis", type=click.Choice(get_args(Axis)), help="What was scanned.")
@click.option(
    "--wavelength-A", "wavelength_A", type=click.FloatRange(min=0, min_open=True), help="In Å."
)
@click.option("--anode", help="Anode of the tube: Cu, Co, Cr, Fe, Mo, Ag.")
@click.option("--unit", type=click.Choice(get_args(IntensityUnit)), help="What intensities are.")
@click.option(
    "--step-time-s", type=click.FloatRange(min=0, min_open=True), help="Time of a step, in s."
)
@click.option(
    "--columns",
    callback=columns_of,
    metavar="AXIS,INTENSITY[,SIGMA]",
    help="By place from 1, or by name.",
)
@click.option(
    "--which",
    callback=which_of,
    metavar="N|NAME",
    help="One of several scans in the file: its place from 1, or its name.",
)
@click.option(
    "--max-bytes", type=click.IntRange(min=1), help="Largest file to read.  [default: 256 MiB]"
)
@click.option(
    "--figure",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE.png",
    help="Write a picture.",
)
@click.option(
    "--plot/--no-plot", default=True, show_default=True, help="Small plot in the terminal."
)
@click.option(
    "--codes",
    is_flag=True,
    is_eager=True,
    expose_value=False,
    callback=lambda ctx, _, value: _show_codes(ctx) if value else None,
    help="List all findings: code, what is done, meaning, what to do.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON list, a record for each scan.")
def command(
    files: tuple[Path, ...],
    axis: Axis | None,
    wavelength_A: float | None,
    anode: str | None,
    unit: IntensityUnit | None,
    step_time_s: float | None,
    columns: tuple[int | str, ...] | None,
    which: int | str | None,
    max_bytes: int | None,
    figure: Path | None,
    plot: bool,
    as_json: bool,
) -> None:
    """Show what was understood of scan files: format, axis, points, counts, what is assumed.

    Exit status 2 where a file cannot be read; all others are shown all the same.
    """
    overrides = Overrides(axis, wavelength_A, anode, unit, step_time_s, columns, which)
    limits = ReadLimits() if max_bytes is None else ReadLimits(max_bytes=max_bytes)
    records: list[dict[str, Any]] = []
    scans: list[Scan] = []
    failed = False
    for path, found in _read_all(files, overrides, limits):
        if isinstance(found, str):
            failed = True
            records.append({"file": str(path), "error": found})
            if not as_json:
                click.echo(f"Error: {found}", err=True)
            continue
        scans += found
        for at, scan in enumerate(found, 1):
            records.append(record(scan, at, len(found)))
        if not as_json:
            _show(found, plot)
    if as_json:
        click.echo(json.dumps(records, ensure_ascii=False, indent=2))
    if figure is not None and scans:
        _draw(scans, figure)
        click.echo(f"Wrote {figure}", err=as_json)
    if failed:
        sys.exit(2)


def _show_codes(ctx: click.Context) -> None:
    """The table of findings, grouped by what is done about them."""
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from xrdfilm.readers.scan_findings import FINDINGS

    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for heading in ("code", "action", "meaning", "what to do"):
        table.add_column(heading, overflow="fold", no_wrap=heading == "code")
    for code, kind in FINDINGS.items():
        style = _COLOURS[kind.action]
        table.add_row(Text(code, style=style), kind.action, kind.meaning, kind.remedy)
    Console(highlight=False).print(table)
    ctx.exit()


def _read_all(
    files: tuple[Path, ...], overrides: Overrides, limits: ReadLimits
) -> Iterator[tuple[Path, tuple[Scan, ...] | str]]:
    """Each file with its scans, or with the sentence that says why there are none."""
    from xrdfilm.readers import read_scans

    for path in files:
        try:
            yield path, read_scans(path, overrides=overrides, limits=limits)
        except (ScanFormatError, ScanAxisError) as error:
            yield path, str(error)


def record(scan: Scan, at: int = 1, of: int = 1) -> dict[str, Any]:
    """What was understood of a scan, for JSON; ``at`` of ``of`` scans in its file."""
    from xrdfilm.readers.scan_findings import FINDINGS

    return {
        "file": str(scan.path),
        "scan": at,
        "scans_in_file": of,
        "sha256": scan.sha256,
        "format": scan.format,
        "axis": scan.axis,
        "points": len(scan),
        "low_deg": float(scan.axis_deg[0]),
        "high_deg": float(scan.axis_deg[-1]),
        "step_deg": scan.step_deg,
        "counts_lowest": float(scan.counts.min()),
        "counts_highest": float(scan.counts.max()),
        "counts_sum": float(scan.counts.sum()),
        "count_scale": scan.count_scale,
        "uncertainty": uncertainty_words(scan),
        "poisson": scan.poisson,
        "wavelength_A": scan.wavelength_A,
        "anode": scan.anode,
        "step_time_s": scan.step_time_s,
        "meta": dict(scan.meta),
        "findings": [
            {
                "code": one.code,
                "action": one.action,
                "text": one.text,
                "remedy": FINDINGS[one.code].remedy if one.code in FINDINGS else "",
            }
            for one in scan.findings
        ],
    }


def uncertainty_words(scan: Scan) -> str:
    """Where the uncertainty of each point comes from."""
    if scan.sigma is None:
        return "counting" if scan.poisson else "counting assumed, though it does not hold"
    if scan.poisson:
        return "given in the file"
    return "from the scatter of neighbouring points, or given in the file"


def facts(scan: Scan) -> list[tuple[str, str]]:
    """The lines of the summary: a label and its words."""
    step = f"{scan.step_deg:.5g}°"
    lines = [
        ("format", scan.format),
        ("axis", AXIS_WORDS[scan.axis]),
        (
            "points",
            f"{len(scan):,}, {scan.axis_deg[0]:.6g}° to {scan.axis_deg[-1]:.6g}°, step {step}",
        ),
        (
            "counts",
            f"{scan.counts.min():.6g} to {scan.counts.max():.6g}, sum {scan.counts.sum():.6g}",
        ),
        ("uncertainty", uncertainty_words(scan)),
    ]
    if scan.step_time_s is not None:
        lines.append(("step time", f"{scan.step_time_s:g} s"))
    known = []
    if scan.anode is not None:
        known.append(f"{scan.anode} anode")
    if scan.wavelength_A is not None:
        known.append(f"{scan.wavelength_A:.6g} Å")
    lines.append(("radiation", ", ".join(known) or "not stated in the file"))
    lines.append(("sha256", scan.sha256 or "-"))
    return lines


def _show(scans: tuple[Scan, ...], plot: bool) -> None:
    from rich.console import Console

    console = Console(highlight=False, soft_wrap=False)
    for at, scan in enumerate(scans[:_MOST_SHOWN], 1):
        _show_one(console, scan, f"scan {at} of {len(scans)}" if len(scans) > 1 else "", plot)
    if len(scans) > _MOST_SHOWN:
        console.print(f"{len(scans) - _MOST_SHOWN} more scans in this file; choose with --which.")


def _show_one(console: Console, scan: Scan, which: str, plot: bool) -> None:
    from rich.table import Table
    from rich.text import Text

    title = Text(f"{scan.path}", style="bold") + Text(f"  {which}" if which else "")
    console.print(title, soft_wrap=True)
    table = Table.grid(padding=(0, 2))
    table.add_column(style="dim", no_wrap=True)
    table.add_column(overflow="fold")
    for label, words in facts(scan):
        table.add_row(label, Text(words))
    for at, (key, value) in enumerate(list(scan.meta.items())[:12]):
        table.add_row("header" if at == 0 else "", Text(f"{key}: {value}"))
    if len(scan.meta) > 12:
        table.add_row("", f"and {len(scan.meta) - 12} more (see --json)")
    console.print(table)
    if plot:
        for line in _plot_lines(scan, console):
            console.print(Text(line), soft_wrap=True)
    _show_findings(console, scan.findings)
    console.print()


def _plot_lines(scan: Scan, console: Console) -> list[str]:
    """The plot with its scale: the root of the counts, which shows weak lines beside strong."""
    import numpy as np

    from xrdfilm.commands._terminal_plot import braille_plot

    if not console.encoding.lower().startswith("utf"):
        return []
    width = max(20, min(72, console.width - 12))
    root = np.sqrt(np.maximum(scan.counts, 0.0))
    if any(one.code == "direct_beam" for one in scan.findings):
        # The beam would press all lines flat: cut it off at what stands beyond it.
        root = np.minimum(root, root[scan.axis_deg > 4.0].max())
    body = braille_plot(scan.axis_deg, root, width=width, height=8)
    top, bottom = f"{root.max() ** 2:.3g}", f"{root.min() ** 2:.3g}"
    labels = [top, *[""] * (len(body) - 2), bottom]
    lines = [f"{label:>9} {row}" for label, row in zip(labels, body, strict=True)]
    low, high = f"{scan.axis_deg[0]:.5g}°", f"{scan.axis_deg[-1]:.5g}°"
    middle = "root of the counts"
    space = width - len(low) - len(high)
    return [*lines, " " * 10 + low + middle.center(space) + high]


def _show_findings(console: Console, findings: tuple[Finding, ...]) -> None:
    from rich.table import Table
    from rich.text import Text

    from xrdfilm.readers.scan_findings import FINDINGS

    if not findings:
        console.print("nothing to remark")
        return
    table = Table.grid(padding=(0, 1))
    table.add_column(no_wrap=True)
    table.add_column(no_wrap=True)
    table.add_column(overflow="fold")
    order = {"refused": 0, "flagged": 1, "repaired": 2, "noted": 3}
    for one in sorted(findings, key=lambda one: order[one.action]):
        style = _COLOURS[one.action]
        words = Text(one.text)
        remedy = FINDINGS[one.code].remedy if one.code in FINDINGS else ""
        if remedy and not remedy.startswith("nothing"):
            words.append(f" → {remedy}", style="dim")
        table.add_row(Text(_SIGNS[one.action], style=style), Text(one.code, style=style), words)
    console.print(table)


def _draw(scans: list[Scan], path: Path) -> None:
    """One panel a scan, on a root scale, into a picture file."""
    import matplotlib

    matplotlib.use("Agg")
    import numpy as np
    from matplotlib.figure import Figure

    from xrdfilm.readers.scan_checks import spikes

    shown = scans[:_MOST_SHOWN]
    figure = Figure(figsize=(9.0, 0.6 + 2.9 * len(shown)), layout="constrained")
    for axes, scan in zip(np.atleast_1d(figure.subplots(len(shown), 1)), shown, strict=True):
        axes.plot(scan.axis_deg, scan.counts, linewidth=0.8, color="#1f4e79")
        at = spikes(scan.counts)
        if any(one.code == "spike" for one in scan.findings):
            axes.plot(
                scan.axis_deg[at], scan.counts[at], "o", mfc="none", color="#c0392b", label="spike"
            )
            axes.legend(frameon=False)
        low, high = float(min(0.0, scan.counts.min())), float(scan.counts.max())
        if any(one.code == "direct_beam" for one in scan.findings):
            high = float(scan.counts[scan.axis_deg > 4.0].max())
        axes.set_yscale(
            "function",
            functions=(lambda y: np.sign(y) * np.sqrt(np.abs(y)), lambda y: np.sign(y) * y**2),
        )
        axes.set_ylim(low, 1.08 * high)
        axes.set_xlim(float(scan.axis_deg[0]), float(scan.axis_deg[-1]))
        name = scan.path.name if scan.path else ""
        axes.set_title(name.replace("$", r"\$"), loc="left", fontsize=10)
        axes.set_xlabel(AXIS_WORDS[scan.axis].split(" (")[0] + " / °")
        axes.set_ylabel("counts, root scale" if scan.poisson else "intensity, root scale")
        axes.spines[["top", "right"]].set_visible(False)
    try:
        figure.savefig(path, dpi=130)
    except (OSError, ValueError) as error:
        raise click.ClickException(f"cannot write {path}: {error}") from None
